"""Teaching a lawn: the marks file, what is learnt, what is kept, and that dropping it undoes everything."""

from __future__ import annotations

import csv
import dataclasses
import datetime as dt
import json
import re
import shlex
import shutil
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from turfeye import lawn, lessons, markpage, models, newlawn, sheet, strokes, survey, sward, teach
from turfeye.answer import compared, ten_lines
from turfeye.cli import root
from turfeye.errors import LawnError, StrokesError
from turfeye.records import Shares

SAMPLE = Path(__file__).parent.parent / "sample_images" / "trial-spots"
PHOTOS = ("2026-04-13-spot-1.jpg", "2026-04-24-spot-3.jpg")


@pytest.fixture
def place(tmp_path):
    folder = tmp_path / "lawn"
    (folder / "photos").mkdir(parents=True)
    shutil.copy(SAMPLE / "lawn.toml", folder)
    for name in PHOTOS:
        shutil.copy(SAMPLE / "photos" / name, folder / "photos")
    return lawn.read(folder)


def line(shows="green", points=((300, 200), (380, 240)), width=20, **more):
    return {"shows": shows, "line_px": [list(p) for p in points], "width_px": width, **more}


def marks(place, entries, name=PHOTOS[0], **more):
    path = place.folder / "marks.json"
    path.write_text(
        json.dumps({"schema": 1, "photos": [{"photo": name, "strokes": entries}], **more}), "utf-8"
    )
    return path


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        (line("grass"), "shows: must be one of green, straw, bare, other"),
        (line(points=((300, 200), (5000, 240))), "is outside .* 1632 × 1224"),
        (line(points=((-3, 0),)), "is outside"),
        (line(width=0), "width_px: must be above 0"),
        (line(points=()), "at least 1 points"),
        (line(points=((1, 2), ("a", 3))), "at least 1 points"),
        ({"shows": "green"}, "wanted either line_px"),
        ({"shows": "bare", "polygon_px": [[1, 2], [3, 4]]}, "at least 3 points"),
        (line(colour="red"), "colour: unknown"),
        (line(points=((1e400, 3),)), "at least 1 points"),
        ("green", "wanted a stroke in braces"),
    ],
)
def test_mistakes_in_marks_are_told_with_their_place(place, entry, words):
    with pytest.raises(StrokesError, match=words) as caught:
        survey.teach_lawn(place.folder, [marks(place, [line(), entry])])
    assert all("1st photo, 2nd stroke" in mistake for mistake in caught.value.mistakes)
    assert not (place.folder / teach.FILE_NAME).exists()


def test_photos_that_the_lawn_does_not_have(place, tmp_path):
    with pytest.raises(StrokesError, match=r"no photo 'x\.jpg' in this lawn") as caught:
        strokes.read([marks(place, [line(), line("bare")], name="x.jpg")], place)
    assert "marks.json has 1 mistake;" in str(caught.value)
    assert [mistake.partition(":")[0] for mistake in caught.value.mistakes] == ["1st photo, photo"]
    elsewhere = tmp_path / "other.jpg"
    elsewhere.write_bytes(b"")
    with pytest.raises(StrokesError, match="none of this lawn's; file it first"):
        strokes.read([marks(place, [line()], name=str(elsewhere))], place)


@pytest.mark.parametrize("text", ["{", "[]", '{"schema": 2, "photos": []}', '{"schema": 1}', "\xff"])
def test_a_broken_file_is_refused(place, text):
    path = place.folder / "marks.json"
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(StrokesError):
        survey.teach_lawn(place.folder, [path])


@pytest.mark.parametrize(
    "entries", [[line()] * 9, [line()] * 3 + [line("bare")] * 2, [line()] * 6 + [line("bare")]]
)
def test_too_few_strokes_or_one_class_only(place, entries):
    with pytest.raises(StrokesError, match="wanted at least 6 strokes, of two classes"):
        survey.teach_lawn(place.folder, [marks(place, entries)])
    assert not (place.folder / teach.FILE_NAME).exists()


def test_a_stroke_lies_where_it_was_drawn():
    across = strokes.Stroke("p", "green", np.array([[20.0, 30.0], [59.0, 30.0]]), 10.0)
    rows, cols = np.nonzero(across.mask((120, 80), (120, 80)))
    assert (rows.mean(), cols.mean()) == pytest.approx((30, 39.5), abs=0.6)
    assert len(rows) == pytest.approx(39 * 10 + np.pi * 25, rel=0.12)
    corners = strokes.Stroke(
        "p", "bare", np.array([[20.0, 20.0], [59.0, 20.0], [59.0, 39.0], [20.0, 39.0]]), None
    )
    rows, cols = np.nonzero(corners.mask((60, 40), (120, 80)))  # half the size
    assert (rows.mean(), cols.mean()) == pytest.approx((14.5, 19.5), abs=0.6)


def patches(seed, *, fault, count=5, photos=2, noise=0.05):
    """Invented strokes of reddish grass and brown soil; the network misreads ``fault`` of the grass."""
    rng = np.random.default_rng(seed)
    made = []
    for n in range(photos):
        for shows, ratios, read in (("green", (0.3, -1.2), (0.9 - fault, 0.02, 0.06 + fault, 0.02)),
                                    ("bare", (1.4, -0.7), (0.06, 0.02, 0.9, 0.02))):  # fmt: skip
            for _ in range(count):
                stroke = strokes.Stroke(f"{n}.jpg", shows, rng.uniform(0, 99, (2, 2)), 9.0)
                shares = np.clip(np.array(read) + rng.normal(0, noise, (80, 4)), 0.005, None)
                shares /= shares.sum(axis=1, keepdims=True)
                colours = np.column_stack([np.ones(80), np.array(ratios) + rng.normal(0, 0.4, (80, 2))])
                made.append(teach.Sample(stroke, shares.astype(np.float32), colours.astype(np.float32)))
    return made


def test_grass_that_is_misread_is_learnt_and_kept():
    lesson = teach.learn(patches(1, fault=0.5), network="n")
    assert lesson.kept
    assert lesson.left_out == "photos"
    green, bare = lesson.teaching.scores
    assert green.before == pytest.approx(0.4, abs=0.05)
    assert green.after > 0.7
    assert bare.after > 0.75


def test_nothing_to_learn_is_not_kept():
    lesson = teach.learn(patches(2, fault=0.0), network="n")
    assert not lesson.kept
    assert np.abs(lesson.teaching.weights).max() < 1e-6  # what reads right is left alone


def test_contradicting_strokes_are_not_kept():
    made = patches(3, fault=0.4)
    rng = np.random.default_rng(0)
    names = rng.permutation([one.stroke.shows for one in made])
    mixed = [
        teach.Sample(strokes.Stroke(o.stroke.photo, str(s), o.stroke.points_px, 9.0), o.shares, o.colours)
        for o, s in zip(made, names, strict=True)
    ]
    assert not teach.learn(mixed, network="n").kept


def test_the_rule_does_not_take_luck_for_learning():
    """Gains drawn at random about zero pass in about one case in twenty at most, whatever the count."""
    rng = np.random.default_rng(4)
    for count in (6, 12, 30):
        shows = np.arange(count) % 3 % 2 * 2
        passed = [
            teach.judge(np.full(count, 0.4), 0.4 + rng.normal(0, 0.15, count), shows)[0] for _ in range(300)
        ]
        assert np.mean(passed) < 0.05 + 3 * np.sqrt(0.05 * 0.95 / 300)


def test_what_is_read_well_already_is_not_pulled_further():
    """On lawns read within 4 points such gains come without better cells, or with worse (bench_teach.py)."""
    shows = np.array([0, 2] * 6)
    before = np.where(shows == 0, 0.80, 0.72)
    assert not teach.judge(before, before + 0.12, shows)[0]
    assert teach.judge(before - 0.25, before, shows)[0]
    # nor does a class lose that stays read well
    assert teach.judge(np.where(shows == 0, 0.9, 0.45), np.where(shows == 0, 0.75, 0.65), shows)[0]


def test_a_class_that_nobody_marked_keeps_its_share():
    rng = np.random.default_rng(5)
    planes = rng.dirichlet(np.ones(4), (30, 50)).astype(np.float32)
    shares = Shares(*(planes[..., i] for i in range(4)))
    taught = teach.learn(patches(1, fault=0.5), network="n").teaching
    new = teach.adapted(shares, rng.uniform(0, 0.5, (30, 50, 3)).astype(np.float32), taught)
    np.testing.assert_array_equal(new.straw, shares.straw)
    np.testing.assert_array_equal(new.other, shares.other)
    np.testing.assert_allclose(new.green + new.straw + new.bare + new.other, 1, atol=1e-5)
    assert np.abs(new.green - shares.green).max() > 0.05


def test_weights_agree_with_a_general_optimiser():
    """Outside check: SciPy's Nelder-Mead on the written-out loss finds no better weights."""
    from scipy.optimize import minimize

    made = patches(6, fault=0.5, count=3, photos=1)
    weights = teach._fit(made, ("green", "bare"))

    def loss(flat):
        total = 0.5 * np.sum(np.array([[40.0], [4.0], [4.0]]) * flat.reshape(3, 2) ** 2)
        for one in made:
            s = one.shares[:, [0, 2]].astype(float)
            e = s * np.exp(one.colours.astype(float) @ flat.reshape(3, 2))
            part = e / e.sum(1, keepdims=True) * s.sum(1, keepdims=True)
            mean = part[:, 0 if one.stroke.shows == "green" else 1].mean()
            total += 0.5 * max(0.8 - mean, 0) ** 2 / 0.1**2
        return total

    other = minimize(loss, weights.ravel(), method="Nelder-Mead", options={"maxiter": 2000, "xatol": 1e-6})
    assert loss(weights.ravel()) <= other.fun + 1e-3


def test_what_is_taught_is_read_back_and_dropped(place):
    taught = teach.learn(patches(1, fault=0.5), network="n").teaching
    teach.save(place, taught)
    back = teach.read(place)
    assert back is not None
    assert back.digest == taught.digest
    assert back.sentence == taught.sentence
    assert teach.drop(place)
    assert not teach.drop(place)
    assert teach.read(place) is None


def test_a_damaged_file_says_how_to_go_on(place):
    (place.folder / teach.FILE_NAME).write_text('{"schema": 1}', "utf-8")
    with pytest.raises(LawnError, match="--drop"):
        teach.read(place)


def test_results_change_when_taught_and_are_as_before_when_dropped(place):
    tables = lambda: [one.table.cover.copy() for one in survey.measure(place)]  # noqa: E731
    before = tables()
    weights = np.array([[0.6, -0.6], [0.0, 0.0], [0.0, 0.0]])
    score = teach.Score("green", 6, 0.5, 0.8)
    network = models.digest(sward.MODEL)
    teach.save(place, teach.Teaching(("green", "bare"), weights, network, (), (score,)))
    for old, new in zip(before, tables(), strict=True):
        assert np.nanmean(new - old) > 0.01
    assert lessons.in_use(place).sentence.startswith("The classifier is taught for this lawn")
    teach.save(place, teach.Teaching(("green", "bare"), weights, "another", (), (score,)))
    assert "another version" in lessons.not_used(place)[0]
    for old, new in zip(before, tables(), strict=True):
        np.testing.assert_array_equal(old, new)
    teach.drop(place)
    for old, new in zip(before, tables(), strict=True):
        np.testing.assert_array_equal(old, new)


def a_teaching(network):
    """Learnt from invented strokes in 0.jpg and 1.jpg."""
    return teach.learn(patches(1, fault=0.5), network=network).teaching


def test_all_that_shows_figures_of_a_taught_lawn_says_so(place):
    taught = a_teaching(models.digest(sward.MODEL))
    assert "20 strokes in 2 photos (0.jpg, 1.jpg)" in taught.sentence
    assert (
        f"green {100 * taught.scores[0].before:.0f} → {100 * taught.scores[0].after:.0f} %" in taught.sentence
    )
    teach.save(place, taught)
    told = CliRunner().invoke(root, ["plan", str(place.folder), "--json"])
    assert told.exit_code == 0, told.output
    assert json.loads(told.stdout)["taught"] == taught.as_facts
    assert f"note: {taught.sentence}" in told.stderr
    outlines = json.loads((place.results_dir / "outlines.json").read_text("utf-8"))
    assert outlines["taught"] == taught.as_facts
    with (place.results_dir / "photos.csv").open(encoding="utf-8") as file:
        assert [row["taught"] for row in csv.DictReader(file)] == ["1", "1"]
    assert "20 strokes in 2 photos" in words_of((place.results_dir / "sheet.html").read_text("utf-8"))
    answer = survey.season(place.folder, today=dt.date.max)
    assert "20 marks made in 2 of its photos" in words_of(
        sheet.client_page(answer, {"map-states": b"", "curve": b""})
    )
    assert "a taught lawn" in ten_lines(answer)[0]
    told = CliRunner().invoke(root, ["round", str(place.folder.parent)])
    assert taught.sentence in told.stderr


def words_of(html):
    return " ".join(re.sub(r"<[^>]+>", " ", html).replace("\u00a0", " ").split())


def test_a_photo_looked_at_alone_is_said_to_be_read_untaught(place):
    path = place.photos_dir / PHOTOS[0]
    before = survey.look_as_dict(survey.look(path))
    teach.save(place, a_teaching(models.digest(sward.MODEL)))
    alone = survey.look_as_dict(survey.look(path))
    assert alone["summary"] == before["summary"]
    assert set(alone["warnings"]) - set(before["warnings"]) == {alone["warnings"][0]}
    assert alone["warnings"][0].startswith("read without what its lawn is taught; turfeye season ")


def test_commands_in_messages_can_be_pasted(tmp_path):
    folder = tmp_path / "back lawn"
    newlawn.make(folder, outline_m=[(0, 0), (8, 0), (8, 6), (0, 6)])
    (folder / teach.FILE_NAME).write_text("{")
    (said,) = teach.left_aside(folder / "photos" / "a.jpg")
    assert f"turfeye season '{folder}' reads it" in said
    with pytest.raises(LawnError, match=re.escape(f"turfeye teach '{folder}' --drop")):
        teach.read(lawn.read(folder))


def test_facts_of_a_teaching_are_plain(place):
    facts = a_teaching("n").as_facts
    assert json.loads(json.dumps(facts)) == facts
    assert facts["strokes"] == 20
    assert facts["photos"] == ["0.jpg", "1.jpg"]
    assert [sorted(one) for one in facts["left_out"]] == [["after", "before", "shows", "strokes"]] * 2


def test_a_lawn_compared_with_one_that_is_taught_says_so(place):
    untaught = survey.season(place.folder, today=dt.date.max)
    assert untaught.taught is None
    taught = a_teaching("n")
    season = untaught.season
    last = dataclasses.replace(season, cover=season.cover + 0.01)  # other photos, a little greener
    like = dataclasses.replace(untaught, outlook=dataclasses.replace(untaught.outlook, season=last))
    other = dataclasses.replace(like, taught=taught)
    beside, said = compared(untaught.lawn, untaught.outlook, other, None)
    assert beside is not None
    assert any(taught.sentence in one for one in said)
    assert any(one.startswith(f"only {other.lawn.name} ({other.lawn.folder.name}) is taught") for one in said)
    assert compared(untaught.lawn, untaught.outlook, like, None)[1] == ()
    assert compared(untaught.lawn, untaught.outlook, like, taught)[1][0].startswith(
        "only this lawn is taught"
    )


def test_the_page_is_whole_and_fetches_nothing(place):
    text = markpage.write(place, [PHOTOS[0]]).read_text("utf-8")
    assert "http" not in text.replace("http-equiv", "")
    assert '"size_px": [1632, 1224]' in text
    assert markpage.write(place, [PHOTOS[0]]).parent == place.results_dir
    with pytest.raises(StrokesError, match=r"no photo 'x\.jpg'"):
        markpage.write(place, ["x.jpg"])


def test_a_photo_is_known_by_its_own_name_too(place):
    filed = place.photos_dir / "2026-04-02T11-17-12-IMG_0042-1d097d.jpg"
    shutil.copy(place.photos_dir / PHOTOS[0], filed)
    assert f'"name": "{filed.name}"' in markpage.write(place, ["IMG_0042.JPG"]).read_text("utf-8")


def test_the_command_teaches_shows_and_drops(place):
    run = CliRunner().invoke
    rng = np.random.default_rng(7)
    entries = [
        line(s, points=[rng.uniform((100, 100), (500, 400)).tolist()], width=40)
        for s in ("green", "bare") * 4
    ]
    told = run(root, ["teach", str(place.folder), str(marks(place, entries))])
    assert told.exit_code == 0, told.output
    assert "Tested on strokes left out of learning:" in told.output
    assert "gains count only up to 70 %" in told.stderr
    assert "ept" in told.output
    assert run(root, ["teach", str(place.folder), "--drop"]).exit_code == 0
    assert "Nothing has been taught" in run(root, ["teach", str(place.folder)]).output
    assert run(root, ["teach", str(place.folder), "--drop", "--page", "x"]).exit_code == 2
    page = run(root, ["teach", str(place.folder), "--page", PHOTOS[0]])
    assert page.stderr.endswith(f"turfeye teach {shlex.quote(str(place.folder))} marks.json\n")
