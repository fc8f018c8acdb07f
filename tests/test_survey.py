"""The whole way on shipped pictures, which are rendered and invented, so that their truth is known."""

import csv
import datetime as dt
import json
import re
import shutil
from dataclasses import replace
from datetime import date
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from turfeye import card, card_print, lawn, newlawn, photo, standpoints, summary, survey
from turfeye.answer import compared, name_beside
from turfeye.cli import root
from turfeye.colourspace import decode, encode
from turfeye.errors import AlignmentError, CardError, DateError, LawnError, SeasonError
from turfeye.lawnrecords import Sowing
from turfeye.outline import signed_area

ROOT = Path(__file__).parent.parent
SPOT = ROOT / "tests/data/rendered/spots/spot-01.jpg"
SAMPLES = ROOT / "sample_images"

# The contract that other programs read.
TOP = {"schema", "photo", "taken", "taken_from", "card", "view", "summary", "cells", "warnings"}
CARD = {
    *("found", "spot", "markers", "reprojection_px"),
    *("delta_e_mean", "delta_e_max", "twins_differ", "corners_px"),
}
SUMMARY = {"area_m2", "cover", "cover_se", "straw", "bare", "dgci", "cells", "cells_seen"}
CELL = {
    *("row", "col", "x_m", "y_m", "area_m2", "seen", "cover", "cover_se", "cover_as_seen"),
    *("straw", "bare", "other", "dgci", "hue_deg", "zenith_deg", "gsd_mm", "shade", "state", "why"),
}


@pytest.fixture(scope="module")
def looked():
    result = CliRunner().invoke(root, ["look", str(SPOT), "--json"])
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def test_json_has_the_fields_of_the_contract(looked):
    assert set(looked) >= TOP
    assert looked["schema"] == 1
    assert set(looked["card"]) >= CARD
    assert set(looked["summary"]) >= SUMMARY
    assert set(looked["cells"][0]) >= CELL
    assert looked["view"]["kind"] == "spot"
    assert looked["taken_from"] == "exif"


def test_lengths_go_by_what_the_cards_rule_measures(looked):
    result = CliRunner().invoke(root, ["look", str(SPOT), "--json", "--rule", "97"])
    assert result.exit_code == 0, result.output
    small = json.loads(result.stdout)
    assert small["view"]["height_m"] == pytest.approx(0.97 * looked["view"]["height_m"], rel=0.002)
    assert small["summary"]["area_m2"] == pytest.approx(0.97**2 * looked["summary"]["area_m2"], rel=0.03)
    assert small["summary"]["cover"] == pytest.approx(looked["summary"]["cover"], abs=0.02)
    wrong = CliRunner().invoke(root, ["look", str(SPOT), "--rule", "9.7"])  # centimetres
    assert wrong.exit_code == 2


def test_a_lawns_spots_go_by_what_its_cards_rule_measures(tmp_path):
    shutil.copytree(SAMPLES / "trial-spots", tmp_path / "trial", ignore=shutil.ignore_patterns("truth"))
    for path in (tmp_path / "trial/photos").iterdir():
        if path.name != "2026-04-13-spot-1.jpg":
            path.unlink()
    (true,) = survey.measure(lawn.read(tmp_path / "trial"))
    file = tmp_path / "trial/lawn.toml"
    file.write_text("card_rule_mm = 97\n" + file.read_text())
    assert "rule measures 97 mm" in CliRunner().invoke(root, ["lawn", "show", str(tmp_path / "trial")]).stdout
    (small,) = survey.measure(lawn.read(tmp_path / "trial"))  # the table kept of before is not used
    seen_m2 = [float(np.nansum(one.table.area_m2 * one.table.seen)) for one in (true, small)]
    assert seen_m2[1] == pytest.approx(0.97**2 * seen_m2[0], rel=0.03)


def test_cover_of_a_rendered_spot_is_near_its_truth(looked):
    with SPOT.with_name("spot-01-cells.csv").open() as file:
        truth = {(round(float(r["x_m"]), 2), round(float(r["y_m"]), 2)): r for r in csv.DictReader(file)}
    misses = []
    for cell in looked["cells"]:
        true = truth.get((round(cell["x_m"], 2), round(cell["y_m"], 2)))
        if cell["state"] == "seen" and true and float(true["card"]) < 0.1:
            misses.append(cell["cover"] - float(true["cover"]))
    assert len(misses) > 30
    assert np.mean(np.abs(misses)) < 0.04


def test_card_corners_lie_where_they_were_rendered(looked):
    with SPOT.with_name("spot-01-corners.csv").open() as file:
        rows = [r for r in csv.DictReader(file) if r["what"] == "card"]
    true = np.array([(float(r["x_px"]), float(r["y_px"])) for r in rows])
    assert np.linalg.norm(np.array(looked["card"]["corners_px"]) - true, axis=1).max() < 1


def test_unknown_is_null_and_says_why(looked):
    unseen = [cell for cell in looked["cells"] if cell["state"] == "not seen"]
    assert unseen
    assert all(cell["cover"] is None and cell["why"] for cell in unseen)


def turf(path, size=(400, 300)):
    rng = np.random.default_rng(1)
    picture = rng.normal((60, 110, 70), 25, (size[1], size[0], 3)).clip(0, 255).astype(np.uint8)
    cv2.imwrite(str(path), picture)
    return path


def test_without_a_card_the_error_says_what_to_do(tmp_path):
    result = CliRunner().invoke(root, ["look", str(turf(tmp_path / "a.jpg"))])
    assert result.exit_code == 2
    assert result.stdout == ""
    assert "card" in result.stderr


def test_no_card_gives_cover_and_a_warning_but_no_colour(tmp_path):
    seen = survey.look(turf(tmp_path / "a.jpg"), no_card=True)
    facts = survey.look_as_dict(seen)
    assert facts["card"]["found"] is False
    assert facts["summary"]["cover"] is not None
    assert facts["summary"]["dgci"] is None
    assert all(cell["x_m"] is None for cell in facts["cells"])
    assert any("no card" in warning for warning in facts["warnings"])


def test_no_card_says_that_a_card_lies_there_all_the_same():
    warnings = survey.look(SPOT, no_card=True).warnings
    said = [line for line in warnings if "card" in line]
    assert len(said) == 1
    assert said[0].startswith("a card lies in it but was not used: cover is as this picture")
    assert said[0].endswith("Leave --no-card out for those")


def test_a_card_cut_off_is_refused(tmp_path):
    picture = cv2.imread(str(SPOT))
    corners = survey.look(SPOT).sighting.corners_px
    cut = picture[:, : int(corners[:, 0].mean())]
    cv2.imwrite(str(tmp_path / "cut.jpg"), cut)
    with pytest.raises(CardError):
        survey.look(tmp_path / "cut.jpg")


def with_second_card(source, target, spot):
    """The photo with another card, drawn, laid beside its own."""
    second = card_print.draw(spot, dpi=75)
    with Image.open(source) as picture:
        exif = picture.info["exif"]
        both = picture.copy()
    both.paste(Image.fromarray(second), (40, 40))
    both.save(target, quality=95, exif=exif)
    return target


def test_two_cards_in_a_photo_must_be_told_apart(tmp_path):
    source = SAMPLES / "trial-spots/photos/2026-05-06-spot-2.jpg"
    both = with_second_card(source, tmp_path / "both.jpg", 3)
    result = CliRunner().invoke(root, ["look", str(both)])
    assert result.exit_code == 2
    assert "cards 2 and 3 lie in the picture" in result.stderr
    named = CliRunner().invoke(root, ["look", str(both), "--spot", "2", "--json"])
    assert json.loads(named.stdout)["card"]["spot"] == 2
    with pytest.raises(CardError, match=r"^wanted card 9, got cards 2 and 3: give --spot 2 or 3$"):
        survey.look(both, spot=9)
    with pytest.raises(CardError, match=r"^wanted card 9, got card 2: give --spot 2, or leave it out$"):
        survey.look(source, spot=9)
    same = survey.look(with_second_card(source, tmp_path / "same.jpg", 2))
    assert "card 2 lies in the picture twice: the larger one was used" in same.warnings


def test_a_filed_photo_with_two_cards_waits_for_its_spot(tmp_path):
    folder = tmp_path / "trial"
    shutil.copytree(SAMPLES / "trial-spots", folder, ignore=shutil.ignore_patterns("truth", "photos"))
    source = SAMPLES / "trial-spots/photos/2026-05-06-spot-2.jpg"
    both = with_second_card(source, tmp_path / "both.jpg", 3)
    survey.add(folder, [both])
    with pytest.raises(SeasonError, match="cards 2 and 3 lie in the picture"):
        survey.season(folder, today=dt.date.max)
    survey.add(folder, [both], spot=2)
    assert [one.facts["view"] for one in survey.measure(lawn.read(folder))] == ["spot 2"]


def test_a_spot_that_no_peg_has_is_told_apart_from_the_card_in_the_picture(tmp_path):
    folder = tmp_path / "trial"
    shutil.copytree(SAMPLES / "trial-spots", folder, ignore=shutil.ignore_patterns("truth", "photos"))
    source = SAMPLES / "trial-spots/photos/2026-05-06-spot-2.jpg"
    result = CliRunner().invoke(root, ["add", str(folder), str(source), "--spot", "99"])
    assert "(known: 1, 2, 3), got spot 99, which it was filed with; the card in it is 2" in result.stderr
    again = CliRunner().invoke(root, ["add", str(folder), str(source), "--spot", "2"])  # as it advises
    assert "not placed" not in again.stderr
    assert [one.facts["view"] for one in survey.measure(lawn.read(folder))] == ["spot 2"]


@pytest.mark.parametrize("content", [b"", b"not a picture", SPOT.read_bytes()[:60_000]])
def test_what_is_no_whole_picture_is_refused(tmp_path, content):
    (tmp_path / "a.jpg").write_bytes(content)
    result = CliRunner().invoke(root, ["look", str(tmp_path / "a.jpg"), "--out", str(tmp_path / "out")])
    assert result.exit_code == 2
    assert result.stderr
    assert not (tmp_path / "out").exists()


def test_out_writes_the_cells_and_the_overlay(tmp_path):
    result = CliRunner().invoke(root, ["look", str(SPOT), "--out", str(tmp_path)])
    assert result.exit_code == 0
    assert {path.suffix for path in tmp_path.iterdir()} == {".csv", ".png"}


@pytest.fixture(scope="module")
def spots(tmp_path_factory):
    """The sample spots on three of their dates, seen through once."""
    folder = tmp_path_factory.mktemp("lawns") / "spots"
    keep = ("2026-03-20", "2026-04-13", "2026-05-06")
    shutil.copytree(SAMPLES / "trial-spots", folder, ignore=shutil.ignore_patterns("truth"))
    for path in (folder / "photos").iterdir():
        if not path.name.startswith(keep):
            path.unlink()
    with (folder / "lawn.toml").open("a") as file:
        file.write('\n[[photo]]\nname = "2026-04-02-spot-1.jpg"\nspot = 1\n')  # one of those taken back
    hidden = folder / "photos" / "2026-05-06-spot-1.jpg"
    with Image.open(hidden) as picture:
        exif = picture.info["exif"]
        covered = picture.copy()
    covered.paste((90, 85, 70), (300, 200, 1300, 1000))  # a sack over the card
    covered.save(hidden, exif=exif)
    shutil.copytree(folder / "photos", folder.parent / "as filed")
    return folder, survey.season(folder)


def test_a_season_leaves_its_tables(spots):
    folder, answer = spots
    names = {path.name for path in (folder / "results").iterdir()}
    assert {"cells.csv", "season.csv", "plan.csv", "sheet.html", "map-states.png"} <= names
    assert len(answer.season.visits) == 3
    assert answer.outlook.lawn.sentence


def test_a_spot_s_cells_are_listed_round_its_peg_in_lawn_metres(spots):
    folder, answer = spots
    with (folder / "results/cells.csv").open() as file:
        rows = list(csv.DictReader(file))
    for peg in answer.lawn.spots:
        own = [(float(r["x_m"]), float(r["y_m"])) for r in rows if r["view"] == f"spot {peg.number}"]
        assert np.abs(np.mean(own, axis=0) - peg.at_m).max() < 0.3


def test_photos_are_listed_a_row_each_with_errors_that_hold(spots):
    folder, answer = spots
    with (folder / "results/photos.csv").open() as file:
        rows = {row["photo"]: row for row in csv.DictReader(file)}
    assert list(rows) == [path.name for path in answer.lawn.photos()]
    hidden = rows.pop("2026-05-06-spot-1.jpg")  # its card lies under a sack
    assert (hidden["state"], hidden["cover"], hidden["age_days"]) == ("not measured", "", "53")
    assert hidden["taken"].startswith("2026-05-06")
    assert "card" in hidden["why"]
    with (SAMPLES / "trial-spots/truth/cells.csv").open() as file:
        truth = [row for row in csv.DictReader(file) if float(row["card"]) < 0.1]
    for name, row in rows.items():
        assert (row["state"], row["card"], row["why"]) == ("used", "1", "")
        assert row["view"] == f"spot {name[-5]}"
        true = np.mean([float(t["cover"]) for t in truth if t["photo"] == name])
        # the truth's cells are not quite the photo's
        assert abs(float(row["cover"]) - true) < 3 * float(row["cover_se"]) + 0.01
        assert 0 < float(row["area_m2"]) < 2
        assert row["dgci"] == "" or summary.DGCI_LIGHT_SE <= float(row["dgci_se"]) < 0.04
    assert rows["2026-05-06-spot-3.jpg"]["light"] == "part in different light from the card"
    assert 0.1 < float(rows["2026-05-06-spot-3.jpg"]["shade"]) < 0.3
    assert rows["2026-04-13-spot-1.jpg"]["light"] == ""


def test_many_cells_are_shown_as_a_map():
    result = CliRunner().invoke(root, ["look", str(SPOT)])
    assert result.exit_code == 0
    lines = result.stdout.splitlines()
    assert max(map(len, lines)) <= 110  # not a row of a wrapped table for each of its cells
    assert len(lines) < 30
    top = next(line for line in lines[4:] if any(word.isdigit() for word in line.split()))
    table = survey.look(SPOT).table
    highest = table.row == table.row[table.state == "seen"].max()
    shown = [f"{100 * v:.0f}" for v in table.cover[highest] if np.isfinite(v)]
    assert [word for word in top.split() if word.isdigit()] == shown  # y upwards


def test_a_refused_photo_is_named_and_leaves_a_gap(spots):
    _, answer = spots
    # Its card lies under a sack.
    assert any("2026-05-06-spot-1.jpg was not measured" in warning for warning in answer.warnings)


def test_what_is_noted_of_a_photo_that_is_gone_is_named(spots):
    _, answer = spots
    assert (
        "lawn.toml has a [[photo]] for a file that is not in photos/: 2026-04-02-spot-1.jpg"
        in answer.warnings
    )


def test_a_shadow_across_the_card_leaves_its_sunlit_half():
    seen = survey.look(SAMPLES / "trial-spots/photos/2026-05-06-spot-1.jpg")
    assert seen.correction.half_lit
    assert any("a shadow crosses the card" in warning for warning in seen.warnings)
    shaded = seen.table.why == "colour withheld: in different light from the card"
    assert shaded.sum() > 5
    assert np.isnan(seen.table.dgci[shaded]).all()
    assert np.isfinite(seen.table.cover[shaded]).all()
    # the neighbours' turf is of one sort, seen the same day by a card that no shadow crosses
    other = survey.look(SAMPLES / "trial-spots/photos/2026-05-06-spot-2.jpg")
    assert np.nanmean(seen.table.dgci) == pytest.approx(np.nanmean(other.table.dgci), abs=0.03)


def test_a_white_balance_far_off_withholds_colour_and_keeps_cover(tmp_path):
    shot = cv2.imread(str(SPOT))
    looks = {}
    for blue in (1.0, 0.12):  # of its light, as a phone set to lamp light's opposite files it
        table = np.arange(256.0).repeat(3).reshape(-1, 1, 3)
        table[..., 0] = encode(blue * decode(table[..., 0]))
        path = tmp_path / f"{blue}.jpg"
        cv2.imwrite(str(path), cv2.LUT(shot, np.rint(table).astype(np.uint8)), [cv2.IMWRITE_JPEG_QUALITY, 95])
        looks[blue] = survey.look(path)
    sound, off = looks.values()
    assert np.isfinite(sound.table.dgci).any()
    assert not any("withheld" in warning for warning in sound.warnings)
    assert np.isnan(off.table.dgci).all()
    assert any("white balance is off so far" in warning for warning in off.warnings)
    seen = (sound.table.state == "seen") & (off.table.state == "seen")
    np.testing.assert_allclose(off.table.cover[seen].mean(), sound.table.cover[seen].mean(), atol=0.05)


def test_equal_notes_on_several_photos_are_one_line(spots):
    folder = spots[0].parent / "no cards"
    shutil.copytree(
        spots[0], folder, ignore=shutil.ignore_patterns("results", "2026-03-20-*", "*-spot-3.jpg")
    )
    turf(folder / "photos/2026-04-13-spot-2.jpg")  # and on 6 May the card of spot 1 lies under a sack
    result = CliRunner().invoke(root, ["season", str(folder)])
    assert result.exit_code == 0, result.output
    (line,) = (line for line in result.stderr.splitlines() if "no card could be read" in line)
    names = "2026-04-13-spot-2.jpg, 2026-05-06-spot-1.jpg"
    said = "no card could be read, wanted that of a known spot (known: 1, 2, 3) whole and from above"
    assert line.startswith(f"note: 2 photos ({names}) were not measured, each: {said}")
    (note,) = (line for line in result.stdout.splitlines() if line.startswith("Note"))
    assert note.startswith("Note: 2 photos were not measured (")


def test_a_spot_photo_with_its_card_cut_off_is_told_as_that(spots):
    folder = spots[0].parent / "cut off"
    shutil.copytree(spots[0], folder, ignore=shutil.ignore_patterns("results", "2026-03-20-*", "2026-05-*"))
    path = folder / "photos/2026-04-13-spot-2.jpg"
    with Image.open(path) as whole:
        left = int(card.find(photo.read(path)).corners_px[:, 0].mean())
        part = whole.crop((left, 0, *whole.size))
        part.save(path, exif=whole.getexif())
    result = CliRunner().invoke(root, ["season", str(folder)])
    said = "was not measured: the card (spot 2) is cut off at the picture's left edge: keep the whole card"
    assert f"{path.name} {said}" in result.stderr


def test_a_lawn_of_which_no_photo_shows_a_cell_has_no_answer(spots, monkeypatch):
    """It was told as 0 % covered, on the target's day too."""
    folder, _ = spots
    blind = []
    for one in survey.measure(lawn.read(folder)):
        if one.table is not None:
            n = len(one.table)
            state, why = np.full(n, "not seen"), np.full(n, "too oblique: 70° from straight down")
            table = replace(one.table, state=state, why=why, cover=np.full(n, np.nan))
            blind.append(replace(one, table=table))
    monkeypatch.setattr(survey, "measure", lambda *_, **__: tuple(blind))
    with pytest.raises(SeasonError) as caught:
        survey.season(folder)
    first, reason, *_ = str(caught.value).splitlines()
    assert first == "no photo shows any cell of the lawn well enough; take the photos again:"
    assert reason.startswith("  - 8 photos (")
    assert reason.endswith("), each: too oblique")


def test_a_plan_notes_what_its_season_notes(spots, monkeypatch):
    folder, answer = spots
    assert answer.warnings
    monkeypatch.setattr(survey, "season", lambda *_, **__: answer)
    done = CliRunner().invoke(root, ["plan", str(folder)])
    assert done.exit_code == 0, done.output
    first, *said = ("\n" + done.stderr).split("\nnote: ")
    assert "note" not in first
    assert [one.rstrip("\n") for one in said] == list(answer.warnings)


def test_another_season_is_compared_and_drawn(spots):
    folder, _ = spots
    last = folder.parent / "last year"
    shutil.copytree(folder, last)
    text = (last / "lawn.toml").read_text()
    (last / "lawn.toml").write_text(text.replace("Three spots, top lawn", "Top lawn 2025"))
    done = CliRunner().invoke(root, ["season", str(folder), "--against", str(last)])
    assert done.exit_code == 0, done.output
    assert "note: not compared with Top lawn 2025: both rest on the same photos" in done.stderr
    sorted((last / "photos").iterdir())[0].unlink()
    done = CliRunner().invoke(root, ["season", str(folder), "--against", str(last)])
    assert done.exit_code == 0, done.output
    line = done.stdout.splitlines()[-1]
    alike = r"no clear difference from Top lawn 2025: (the same|one point (more|less)) cover on day 53"
    assert re.match(alike, line)
    page = (folder / "results/sheet.html").read_text(encoding="utf-8")
    assert "No clear difference from Top lawn 2025" in page
    # a folder that isn't there: said before anything is measured
    done = CliRunner().invoke(root, ["season", str(folder), "--against", str(folder.parent / "nowhere")])
    assert done.exit_code == 2
    assert "no lawn in" in done.stderr


def test_a_season_against_one_whose_file_lacks_its_beds_says_so(tmp_path):
    """From the command line, on a photo each; of 2025's the sample's header is overruled in lawn.toml."""
    bed = "\n[[bed]]\nat_m = [1.6, 1.6]\nacross_m = 0.3\n"
    folders = {}
    for year, name in ((2025, "2026-04-24-spot-1.jpg"), (2026, "2026-05-06-spot-1.jpg")):
        folders[year] = place = tmp_path / str(year)
        newlawn.make(
            place,
            name="Top lawn",
            outline_m=[(0, 0), (2, 0), (2, 2), (0, 2)],
            cell_m=0.25,
            sown=date(year, 3, 14),
        )
        shutil.copy(SAMPLES / "trial-spots/photos" / name, place / "photos")
        spot = "\n[[spot]]\nnumber = 1\nat_m = [0.8, 0.8]\n"
        taken = f'\n[[photo]]\nname = "{name}"\ntaken = 2025-05-06\n' if year == 2025 else ""
        with (place / "lawn.toml").open("a") as file:
            file.write(spot + taken + bed * (year == 2026))

    def told(one, other):
        done = CliRunner().invoke(root, ["season", str(folders[one]), "--against", str(folders[other])])
        assert done.exit_code == 0, done.output
        assert "not compared" not in done.stderr
        return done

    lacks = "note: Top lawn 2025 has no [[bed]] in its lawn.toml, but this lawn has: "
    assert lacks in told(2026, 2025).stderr
    with (folders[2025] / "lawn.toml").open("a") as file:
        file.write(bed)
    assert "has no [[bed]]" not in told(2026, 2025).stderr


def test_a_lawn_beside_one_of_its_name_is_told_by_its_year_else_its_folder(spots):
    """As next year's folder has it, which takes over the name."""
    place = lawn.read(spots[0])
    sown = place.sowings[0]
    of_2025 = replace(place, sowings=(replace(sown, date=date(2025, 3, 14)),), folder=Path("x/mine-2025"))
    beside = replace(place, folder=Path("x/other side"))
    told = [name_beside(place, one) for one in (of_2025, beside, replace(of_2025, name="Mill"))]
    assert told == [f"{place.name} 2025", f"{place.name} (other side)", "Mill"]


def test_what_can_t_be_compared_is_a_note(spots):
    _, answer = spots
    ahead = answer.outlook
    visits = tuple(replace(visit, age_days=visit.age_days + 100) for visit in ahead.season.visits)
    later = replace(answer, outlook=replace(ahead, season=replace(ahead.season, visits=visits)))
    beside, notes = compared(answer.lawn, ahead, later, None)
    assert beside is None
    (note,) = notes
    called = f"Three spots, top lawn ({answer.lawn.folder.name})"
    assert note.startswith(f"not compared with {called}: the two seasons share no age")


@pytest.fixture(scope="module")
def again(spots):
    """The same season once more: what was told, and before and after it times of tables and season.csv."""
    folder, _ = spots
    told, kept = [], []
    for run in (lambda: None, lambda: survey.season(folder, tell=told.append)):
        run()
        times = {path: path.stat().st_mtime_ns for path in (folder / "results/cells").iterdir()}
        kept.append((times, (folder / "results/season.csv").read_bytes()))
    return told, kept


def test_whoever_waits_hears_of_every_photo(spots, again):
    told, _ = again
    names = [path.name for path in spots[1].lawn.photos()]
    assert told[: len(names)] == [f"photo {k} of 9: {name}" for k, name in enumerate(names, start=1)]
    assert told[-1] == "growth, forecast and pictures"


def test_why_no_photo_could_be_measured_is_listed_with_what_to_do(tmp_path):
    folder = tmp_path / "trial"
    newlawn.make(folder, outline_m=[(0, 0), (8, 0), (8, 6), (0, 6)], sown=dt.date(2026, 3, 14))
    photos = sorted((SAMPLES / "trial-spots/photos").glob("2026-03-20-spot-[23].jpg"))
    survey.add(folder, [*photos, turf(tmp_path / "a.jpg")], date=dt.date(2026, 4, 2))
    with pytest.raises(SeasonError) as caught:
        survey.season(folder, today=dt.date.max)
    first, *lines = str(caught.value).splitlines()
    assert first == "no photo could be measured:"
    assert [line[:4] for line in lines[:3]] == ["  - "] * 3
    assert "spot-2" in lines[0]
    assert "got card 2" in lines[0]
    assert "no card could be read" in lines[2]
    # what is said to be written is what places the spot
    example = "\n".join(line.strip() for line in lines[-3:])
    assert example == "[[spot]]\nnumber = 2\nat_m = [2.0, 1.5]"
    with (folder / "lawn.toml").open("a") as file:
        file.write(f"\n{example}\n")
    assert [one.facts.get("view") for one in survey.measure(lawn.read(folder))] == ["spot 2", None, None]


def test_nothing_is_measured_twice_and_results_come_back_the_same(again):
    _, ((times, season), (times_after, season_after)) = again
    assert len(times) == 8
    assert times_after == times
    assert season_after == season


def test_photos_are_never_written_to(spots):
    folder, _ = spots
    for path in (folder / "photos").iterdir():
        assert path.read_bytes() == (folder.parent / "as filed" / path.name).read_bytes()


def test_a_lawn_without_photos_says_how_to_add_them(tmp_path):
    newlawn.make(tmp_path / "new", outline_m=[(0, 0), (4, 0), (4, 3), (0, 3)], sown=None)
    with pytest.raises(SeasonError, match="sowing"):
        survey.season(tmp_path / "new")


def test_what_can_t_be_placed_is_tried_again_only_over_other_photos(tmp_path, monkeypatch):
    """Finding that out takes seconds a photo; a season, plan, page and round would each do it again."""
    tried = []

    def nowhere(*_, **__):
        tried.append(1)
        raise AlignmentError("nothing matches")

    monkeypatch.setattr(standpoints, "align", nowhere)
    folder = tmp_path / "lawn"
    newlawn.make(folder, outline_m=[(0, 0), (4, 0), (4, 3), (0, 3)], sown=dt.date(2026, 3, 14))
    corners = [(60, 250), (340, 250), (260, 120), (140, 120)]
    survey.add(folder, [turf(tmp_path / "2026-04-01-a.jpg")], view="step", corners_px=corners)
    for name, wide in (("b", 396), ("c", 392)):
        survey.add(folder, [turf(tmp_path / f"2026-04-02-{name}.jpg", size=(wide, 300))])
        for _ in range(2):
            place = lawn.read(folder)
            _, *later = survey.measure(place)
            assert {one.why for one in later} == {f"nothing matches. {standpoints.what_to_do(place)}"}
    assert len(tried) == 2


@pytest.fixture(scope="module")
def ferry(tmp_path_factory):
    """The sample lawn view through the whole season, as the demo does it."""
    folder = tmp_path_factory.mktemp("demo") / "ferry-cottage"
    shutil.copytree(SAMPLES / "ferry-cottage", folder, ignore=shutil.ignore_patterns("truth"))
    return survey.season(folder, today=dt.date.max)


def test_a_plan_that_was_sown_begins_anew_there(ferry, tmp_path):
    """The sample lawn's plan of 28 April, sown on that day, and its photo of 6 May."""
    folder, sown = tmp_path / "ferry", dt.date(2026, 4, 28)
    shutil.copytree(ferry.lawn.folder, folder)
    before = (folder / "lawn.toml").read_text()
    planned = survey.season(folder, today=sown)
    answer, m2 = survey.sow_plan(folder, sown, today=dt.date.max)
    place = lawn.read(folder)
    assert m2 == pytest.approx(sum(abs(signed_area(np.array(s.area_m))) for s in place.oversowings))
    assert m2 == pytest.approx(sum(task.patch.area_m2 for task in planned.plan.tasks), rel=0.05)
    assert len(place.oversowings) == len(planned.plan.tasks) > 1
    seed_g = sum(s.rate_g_m2 * abs(signed_area(np.array(s.area_m))) for s in place.oversowings)
    assert seed_g == pytest.approx(planned.plan.seed_g, rel=0.05)
    assert (folder / "lawn.toml").read_text().startswith(before.split("[target]")[0])
    # what was thin then is too soon to say, and nothing is sown twice
    thin = planned.outlook.state == "thin"
    assert thin.sum() >= 10
    assert (answer.outlook.state[thin] == "too soon to say").mean() > 0.9
    assert answer.plan.seed_g < 0.02 * planned.plan.seed_g
    assert any("m² sown again on 28 April: its " in line for line in answer.warnings)
    page = (folder / "results/sheet.html").read_text(encoding="utf-8").replace("\u00a0", " ")
    assert "in part again on 28 April 2026" in page
    assert answer.thin or not (folder / "results/plan.png").exists()
    rest = np.setdiff1d(np.arange(len(thin)), answer.season.oversown[0].cells)
    assert (answer.outlook.state[rest] == ferry.outlook.state[rest]).mean() > 0.9
    for day, words in (
        (sown, "parts sown on 2026-04-28 already"),
        (dt.date(2026, 3, 31), "nothing was to be sown"),
    ):
        text = (folder / "lawn.toml").read_text()
        with pytest.raises(LawnError, match=words):
            survey.sow_plan(folder, day, today=dt.date.max)
        assert (folder / "lawn.toml").read_text() == text
    with pytest.raises(DateError, match="still to come"):
        survey.sow_plan(folder, dt.date(2026, 5, 9), today=dt.date(2026, 5, 8))
    with pytest.raises(DateError, match="not after the lawn's own sowing on 2026-03-14"):
        survey.sow_plan(folder, dt.date(2026, 3, 14), today=dt.date.max)


def test_a_plan_that_another_turfeye_sows_meanwhile_is_not_sown_twice(answer, tmp_path, monkeypatch):
    folder, on = tmp_path / "back", dt.date(2026, 4, 12)
    shutil.copytree(answer.lawn.folder, folder)
    other = Sowing(on, "perennial ryegrass", 20.0, ((1, 1), (2, 1), (2, 2), (1, 2)))

    def meanwhile(*_, **__):
        lawn.add_sowings(folder, [other], ["by another turfeye"])
        return answer

    monkeypatch.setattr(survey, "season", meanwhile)
    assert any(task.seed_g > 0 for task in answer.plan.tasks)
    with pytest.raises(LawnError, match="parts sown on 2026-04-12 already, and they count"):
        survey.sow_plan(folder, on, today=dt.date.max)
    assert lawn.read(folder).oversowings == (other,)


def test_only_what_was_sown_of_a_plan_begins_anew_with_the_mix_that_was_sown(ferry, tmp_path):
    """The sample lawn's plan of 28 April of which one patch was sown, with what was left of another mix."""
    folder, on = tmp_path / "ferry", dt.date(2026, 4, 28)
    shutil.copytree(ferry.lawn.folder, folder)
    text = (folder / "lawn.toml").read_text()
    planned = survey.season(folder, today=on).plan.tasks
    none, last = len(planned) + 1, planned[-1]
    assert len(planned) > 1
    assert last.seed_g
    for only, mix, words in (
        ([1, none], None, f"patch {none} gets no seed, so nothing was written; those that do: 1"),
        ([1], "moss", "no seed mix is called 'moss'"),
    ):
        with pytest.raises(LawnError, match=words):
            survey.sow_plan(folder, on, only=only, mix=mix, today=dt.date.max)
        assert (folder / "lawn.toml").read_text() == text
    answer, m2 = survey.sow_plan(folder, on, only=[last.patch.number], mix="tall  Fescue", today=dt.date.max)
    (sown,) = lawn.read(folder).oversowings
    assert (sown.mix, sown.date) == ("tall fescue", on)
    assert m2 == pytest.approx(last.patch.area_m2, rel=0.05)
    assert sown.rate_g_m2 * m2 == pytest.approx(last.seed_g, rel=0.05)
    # whoever mends it by hand finds which is which
    remark = f"[[sowing]] # patch {last.patch.number}, {last.patch.area_m2:.2f} m², by tape "
    assert f"{remark}{last.tape.corner_a} {last.tape.from_a_m:.2f}" in (folder / "lawn.toml").read_text()
    # what was left out is still to be sown
    left = survey.season(folder, today=on).plan.tasks
    assert [t.patch.area_m2 for t in left if t.seed_g] == pytest.approx(
        [t.patch.area_m2 for t in planned[:-1]], rel=0.1
    )
    assert answer.season.oversown[0].sowing.mix == "tall fescue"


def last_truth():
    with (SAMPLES / "ferry-cottage/truth/cells.csv").open() as file:
        rows = [r for r in csv.DictReader(file) if r["photo"] == "2026-05-06-window.jpg"]
    return {(int(r["row"]), int(r["col"])): r for r in rows}


def test_every_sample_photo_is_placed_by_its_surroundings(ferry):
    assert len(ferry.season.visits) == 8


def test_the_patch_that_never_takes_is_flagged(ferry):
    truth, state = last_truth(), ferry.outlook.state
    failed = [
        i
        for i, place in enumerate(zip(ferry.season.row, ferry.season.col, strict=True))
        if float(truth[place]["cover"]) < 0.3 and float(truth[place]["card"]) < 0.1
    ]
    assert len(failed) >= 2
    assert np.mean(state[failed] == "thin") > 0.9


def test_what_no_photo_showed_is_said_with_why_and_what_to_do(ferry):
    (note,) = (warning for warning in ferry.warnings if "never seen" in warning)
    assert note.startswith(f"{ferry.outlook.lawn.counts['not seen']} cells were never seen")
    assert "too flat an angle" in note
    assert "near the side C–D" in note  # the window is before side A–B


def test_healthy_turf_is_not_called_thin(ferry):
    truth, state = last_truth(), ferry.outlook.state
    healthy = [
        i
        for i, place in enumerate(zip(ferry.season.row, ferry.season.col, strict=True))
        if float(truth[place]["cover"]) > 0.66 and ferry.season.area_m2[i] > 0.2
    ]
    assert len(healthy) > 30
    assert np.mean(state[healthy] == "thin") < 0.05


def test_cover_of_the_lawn_view_is_near_its_truth(ferry):
    truth = last_truth()
    miss = [
        ferry.season.cover[i, -1] - float(truth[place]["cover"])
        for i, place in enumerate(zip(ferry.season.row, ferry.season.col, strict=True))
        if np.isfinite(ferry.season.cover[i, -1]) and float(truth[place]["card"]) < 0.1
    ]
    assert np.mean(np.abs(miss)) < 0.07


def test_marking_two_views_keeps_the_lawn_file_readable(tmp_path):
    folder = tmp_path / "two"
    outline = [(0, 0), (3.6, 0), (4.7, 4.6), (-0.9, 5)]
    newlawn.make(folder, outline_m=outline, sown=dt.date(2026, 3, 14))
    corners = [(123.8, 1312.0), (1823.6, 1270.2), (1639.6, 315.6), (354.1, 291.0)]
    for name, day in (("window", "2026-03-14"), ("step", "2026-05-06")):
        photo = SAMPLES / f"ferry-cottage/photos/{day}-window.jpg"
        survey.add(folder, [photo], view=name, corners_px=corners)
    assert [view.name for view in lawn.read(folder).views] == ["window", "step"]


def test_corners_that_no_camera_could_see_are_refused(tmp_path):
    folder = tmp_path / "askew"
    outline = [(0, 0), (3.6, 0), (4.7, 4.6), (-0.9, 5)]
    newlawn.make(folder, outline_m=outline, sown=dt.date(2026, 3, 14))
    corners = [(523.8, 1312.0), (2010.0, 1270.2), (2000.0, 515.6), (954.1, 491.0)]
    survey.add(
        folder,
        [SAMPLES / "ferry-cottage/photos/2026-05-06-window.jpg"],
        view="window",
        corners_px=corners,
    )
    with pytest.raises(SeasonError, match="marks that fit none"):
        survey.season(folder, today=dt.date.max)


@pytest.fixture(scope="module")
def garden_before(tmp_path_factory):
    """The sample lawn's last photo, filed as a survey before the work of a lawn that has no sowing."""
    folder = tmp_path_factory.mktemp("before") / "old-lawn"
    newlawn.make(folder, outline_m=[(0, 0), (3.6, 0), (4.7, 4.6), (-0.9, 5)])
    with (SAMPLES / "ferry-cottage/truth/corners.csv").open() as file:
        rows = [r for r in csv.DictReader(file) if r["photo"] == "2026-05-06-window.jpg"]
    corners = [(float(r["x_px"]), float(r["y_px"])) for r in rows if r["what"] != "card"]
    photo = SAMPLES / "ferry-cottage/photos/2026-05-06-window.jpg"
    survey.add(folder, [photo], view="window", corners_px=corners, before=True)
    return folder


def test_what_to_bring_before_the_work(garden_before):
    found = survey.before(garden_before).materials
    # By the sample's recipe nothing grows in an ellipse of 0.62 by 0.50 m about (0.75, 2.6).
    (hole,) = (task for task in found.tasks if task.patch.kind == "bare")
    assert hole.patch.area_m2 == pytest.approx(np.pi * 0.62 * 0.50, rel=0.1)
    assert np.hypot(hole.patch.x_m - 0.75, hole.patch.y_m - 2.6) < 0.10
    assert found.area_m2 == pytest.approx(22.10, abs=0.01)  # the outline's own, by the shoelace formula
    by_what = {(line.place, line.what): line.amount for line in found.lines}
    rest = round(found.area_m2 - hole.patch.area_m2, 2)
    assert by_what["whole lawn", "seed"] == pytest.approx(35 * rest, abs=0.5)  # 35 g/m²: the mix's rate
    assert by_what["whole lawn", "dressing"] == pytest.approx(5 * 22.10, abs=0.1)  # 1 mm over 1 m² is 1 L
    assert found.dressing_bags == np.ceil(22.10 / 9)
    assert ("bare place 1", "fill") not in by_what


def test_a_hollow_that_was_measured_is_filled(garden_before):
    path = garden_before / "lawn.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text + "\n[[hollow]]\nat_m = [0.8, 2.6]\ndepth_mm = 40\n", encoding="utf-8")
    done = CliRunner().invoke(root, ["plan", str(garden_before), "--before"])
    path.write_text(text, encoding="utf-8")
    assert done.exit_code == 0, done.output
    line = next(row for row in done.stdout.splitlines() if " fill " in row)
    area, litres = float(line.split()[4]), float(line.split()[5])
    assert line.split()[:4] == ["bare", "place", "1", "fill"]
    assert litres == pytest.approx(40 * area, abs=0.1)
    assert "40 mm deep, as you measured" in done.stdout
    page = (garden_before / "results/materials.html").read_text(encoding="utf-8")
    assert "soil to fill hollows" in page
    assert "no depth" not in page


def test_the_list_is_printed_and_written(garden_before):
    result = CliRunner().invoke(root, ["plan", str(garden_before), "--before", "--json"])
    assert result.exit_code == 0, result.output
    facts = json.loads(result.stdout)
    assert facts["seed_g"] == sum(line["amount"] for line in facts["lines"] if line["unit"] == "g")
    folder = garden_before / "results"
    with (folder / "materials.csv").open() as file:
        assert [row["place"] for row in csv.DictReader(file)] == [line["place"] for line in facts["lines"]]
    assert json.loads((folder / "materials.json").read_text()) == facts
    page = (folder / "materials.html").read_text()
    assert f"{facts['seed_kg']:.1f} kg" in page
    kept = {path: path.stat().st_mtime_ns for path in (folder / "cells").iterdir()}
    words = CliRunner().invoke(root, ["plan", str(garden_before), "--before", "--mix", "fine fescue"])
    assert "of fine fescue" in words.stdout
    assert {path: path.stat().st_mtime_ns for path in (folder / "cells").iterdir()} == kept


def test_ground_just_sown_is_no_lawn_full_of_holes(tmp_path):
    """The sample's first photo shows it on the day of sowing."""
    folder = tmp_path / "bare"
    newlawn.make(folder, outline_m=[(0, 0), (3.6, 0), (4.7, 4.6), (-0.9, 5)])
    corners = lawn.read(SAMPLES / "ferry-cottage").views[0].corners_px
    photo = SAMPLES / "ferry-cottage/photos/2026-03-14-window.jpg"
    survey.add(folder, [photo], view="window", corners_px=corners, before=True)
    result = CliRunner().invoke(root, ["plan", str(folder), "--before"])
    assert result.exit_code == 0, result.output
    assert "counts as prepared ground" in result.stdout
    assert "bare place" not in result.stdout
    page = (folder / "results/materials.html").read_text()
    assert "counts as prepared ground" in page
    assert "to fill hollows" not in page
    assert "a photo shows no depth" in page


def test_no_photo_before_the_work_says_how_to_file_one(tmp_path):
    newlawn.make(tmp_path / "new", outline_m=[(0, 0), (4, 0), (4, 3), (0, 3)])
    result = CliRunner().invoke(root, ["plan", str(tmp_path / "new"), "--before"])
    assert result.exit_code == 2
    assert "--before --corner" in result.stderr


def test_a_pale_place_before_the_work_is_the_rendered_one(tmp_path):
    """Tuning lawn 6 has a yellow-green ellipse of 0.614 by 0.748 m about (3.69, 3.90) by its recipe."""
    picture = ROOT / "tests/data/rendered-tuning/lawn-06.jpg"
    recipe = json.loads(picture.with_suffix(".json").read_text())["recipe"]
    with picture.with_name("lawn-06-corners.csv").open() as file:
        corners = [(float(r["x_px"]), float(r["y_px"])) for r in csv.DictReader(file) if r["what"] != "card"]
    newlawn.make(tmp_path / "pale", outline_m=recipe["outline_m"])
    survey.add(tmp_path / "pale", [picture], view="window", corners_px=corners, before=True)
    found = survey.before(tmp_path / "pale").materials
    (pale,) = (task for task in found.tasks if task.patch.kind == "pale")
    assert pale.patch.area_m2 == pytest.approx(np.pi * 0.614 * 0.748, rel=0.1)
    assert np.hypot(pale.patch.x_m - 3.69, pale.patch.y_m - 3.90) < 0.15
    assert pale.seed_g == 0
    assert found.pale_m2 == pale.patch.area_m2
    assert "look there first" in found.sentence
