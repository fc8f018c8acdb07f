"""Which known photo a later one is laid over: the marked one, else the nearest that lies on it, no further.

The sample lawn is rendered and invented. Where refusals are made up, only the choice is under test; the last
test lays real pictures over each other.
"""

import csv
import shlex
import shutil
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image
from test_cells import sound

from turfeye import cells, filing, glance, lawn, newlawn, photo, standpoints, survey, view
from turfeye.align import Aligned, align, scenery
from turfeye.cli import root
from turfeye.errors import AlignmentError
from turfeye.records import Look, Shares
from turfeye.standpoints import Standpoints

FERRY = Path(__file__).parent.parent / "sample_images/ferry-cottage"
EVENING = "2026-04-05-window.jpg"  # warm, low light


def name(day):
    return f"2026-{day}-window.jpg"


def true_corners(photo_name):
    with (FERRY / "truth/corners.csv").open() as file:
        rows = [r for r in csv.DictReader(file) if r["photo"] == photo_name and r["what"] != "card"]
    return [[float(r["x_px"]), float(r["y_px"])] for r in rows]


def marked(folder, *views, keep=None, smaller=1):
    """The sample lawn with these photos marked by their true corners, {view: photo}; ``smaller`` times."""
    shutil.copytree(FERRY, folder, ignore=shutil.ignore_patterns("truth"))
    text = (folder / "lawn.toml").read_text().split("[[view]]")[0]
    for view_name, photo_name in views:
        corners = at_size(true_corners(photo_name), smaller).tolist()
        text += f'[[view]]\nname = "{view_name}"\nphoto = "{photo_name}"\ncorners_px = {corners}\n\n'
    (folder / "lawn.toml").write_text(text)
    for path in (folder / "photos").iterdir():
        if keep is not None and path.name not in keep:
            path.unlink()
        elif smaller > 1:
            with Image.open(path) as picture:
                exif, small = picture.info["exif"], picture.reduce(smaller)
            small.save(path, quality=95, exif=exif)
    return lawn.read(folder)


def at_size(points_px, smaller):
    """Pixels of a photo as pixels of one so many times smaller; centres lie at integers in both."""
    return (np.array(points_px) + 0.5) / smaller - 0.5


class Alignment:
    """Stands in for the real one: these pairs lie on each other, {(later, known): residual}, no others."""

    def __init__(self, monkeypatch, good):
        self.good, self.tried = good, []
        monkeypatch.setattr(standpoints, "scenery", lambda picture: picture.path.name)
        monkeypatch.setattr(standpoints, "align", self)

    def __call__(self, later, first, first_view, *, outline_m):
        self.tried.append((later, first))
        if (later, first) not in self.good:
            raise AlignmentError(f"{later} not over {first}")
        return Aligned(first_view, self.good[later, first], 100)


@pytest.fixture
def placed_only(monkeypatch):
    """Photos are placed, not looked through: each has a table of four bare cells."""
    bare = np.full((30, 40), 1.0, np.float32)
    table = cells.measure_picture(Shares(0 * bare, 0 * bare, bare, 0 * bare), sound(bare.shape), columns=2)

    def look_through(picture, seen, grid, *, sighting, **_):
        return Look(picture, sighting, None, seen, table)

    monkeypatch.setattr(glance, "look_through", look_through)


def go(points, photo_name, **options):
    """Locate a filed photo, and learn it as a season does."""
    picture = photo.read(points.place.photo_path(photo_name))
    placed = points.locate(picture, **options)
    facts = {"over": placed.over, "view": placed.name, "pose": view.as_dict(placed.view)}
    points.learn(photo_name, facts | {"taken": picture.taken.isoformat()})
    return placed


@pytest.fixture(scope="module")
def filed(tmp_path_factory):
    return marked(tmp_path_factory.mktemp("one") / "lawn", ("window", EVENING))


@pytest.fixture
def place(filed):
    """The sample lawn, nothing of it kept."""
    shutil.rmtree(filed.results_dir, ignore_errors=True)
    return filed


def test_a_marked_photo_stands_on_its_own_corners(place, monkeypatch):
    tried = Alignment(monkeypatch, {}).tried
    placed = go(Standpoints(place), EVENING)
    assert (placed.name, placed.over, placed.residual_cm) == ("window", None, None)
    np.testing.assert_allclose(view.project(placed.view, place.outline_m), true_corners(EVENING), atol=1.5)
    assert tried == []


def test_the_marked_photo_comes_first(place, monkeypatch):
    pair = (name("04-12"), EVENING)
    tried = Alignment(monkeypatch, {pair: 1.5}).tried
    placed = go(Standpoints(place), name("04-12"))
    assert (placed.over, placed.residual_cm) == (EVENING, 1.5)
    assert tried == [pair]


def test_where_the_marked_one_fails_the_nearest_in_time_that_lies_on_it_is_taken(place, monkeypatch):
    good = {(name(day), EVENING): 1.0 for day in ("03-14", "03-30", "04-19")}
    good |= {(name("04-12"), name(day)): 2.0 for day in ("03-14", "03-30", "04-19")}
    seen = Alignment(monkeypatch, good)
    points = Standpoints(place)
    for day in ("03-14", "03-30", "04-19"):
        go(points, name(day))
    seen.tried.clear()
    # 19 April is nearer, but an earlier photo is never laid over one filed after it while others will do
    assert go(points, name("04-12")).over == name("03-30")
    assert [known for _, known in seen.tried] == [EVENING, name("03-30")]


def test_no_photo_is_laid_over_one_further_down(place, monkeypatch):
    good = {(name("03-14"), EVENING): 1.0, (name("03-23"), name("03-14")): 1.0}
    good[name("03-30"), name("03-23")] = 1.0
    seen = Alignment(monkeypatch, good)
    points = Standpoints(place)
    assert go(points, name("03-14")).over == EVENING
    assert go(points, name("03-23")).over == name("03-14")
    with pytest.raises(AlignmentError, match=f"not over {EVENING}"):  # the marked photo's refusal is told
        go(points, name("03-30"))
    assert (name("03-30"), name("03-23")) not in seen.tried


def test_a_refused_photo_is_tried_again_over_what_was_learnt_since_and_only_that(place, monkeypatch):
    good = {(name("04-12"), EVENING): 1.0, (name("03-14"), name("04-12")): 1.0}
    seen = Alignment(monkeypatch, good)
    points = Standpoints(place)
    with pytest.raises(AlignmentError):
        go(points, name("03-14"))
    assert not points.worth_another_try(name("03-14"))
    go(points, name("04-12"))
    assert points.worth_another_try(name("03-14"))
    assert not points.worth_another_try(name("04-12"))
    seen.tried.clear()
    assert go(points, name("03-14")).over == name("04-12")
    assert seen.tried == [(name("03-14"), name("04-12"))]


def test_a_hopeless_photo_is_given_up(place, monkeypatch):
    days = ("03-14", "03-23", "03-30", "04-12", "04-19", "04-27")
    seen = Alignment(monkeypatch, {(name(day), EVENING): 1.0 for day in days})
    points = Standpoints(place)
    for day in days:
        go(points, name(day))
    seen.tried.clear()
    with pytest.raises(AlignmentError):
        go(points, name("05-06"))
    assert len(seen.tried) == standpoints.MOST_TRIES < len(days) + 1
    assert not points.worth_another_try(name("05-06"))


def test_what_to_do_about_a_refused_photo_names_the_lawn_s_own_folder(place, monkeypatch):
    """A line with LAWN in it can't be run."""
    Alignment(monkeypatch, {})
    with pytest.raises(AlignmentError) as caught:
        go(Standpoints(place), name("03-30"))
    assert f"turfeye lawn new {shlex.quote(str(place.folder))} --propose PHOTO writes" in str(caught.value)


def test_what_was_found_is_not_searched_for_again_and_comes_back_the_same(place, monkeypatch):
    good = {(name("04-12"), EVENING): 1.0}
    seen = Alignment(monkeypatch, good)
    first = go(Standpoints(place), name("04-12"))
    seen.tried.clear()
    again = go(Standpoints(place), name("04-12"))
    assert seen.tried == []
    assert again.facts == first.facts
    shutil.rmtree(place.results_dir)
    assert go(Standpoints(place), name("04-12")).facts == first.facts
    assert seen.tried == list(good)


def test_pairs_that_were_refused_are_not_tried_again_by_a_later_command(place, monkeypatch):
    good = {(name("04-12"), EVENING): 1.0, (name("03-14"), name("04-12")): 1.0}
    seen = Alignment(monkeypatch, good)
    with pytest.raises(AlignmentError):
        go(Standpoints(place), name("03-14"))
    seen.tried.clear()
    with pytest.raises(AlignmentError, match=f"not over {EVENING}"):  # the same words as before
        go(Standpoints(place), name("03-14"))
    assert seen.tried == []
    points = Standpoints(place)
    go(points, name("04-12"))
    seen.tried.clear()
    assert go(points, name("03-14")).over == name("04-12")
    assert seen.tried == [(name("03-14"), name("04-12"))]


def test_of_two_views_the_better_one_unless_one_is_named(tmp_path, monkeypatch):
    place = marked(tmp_path / "lawn", ("window", EVENING), ("step", name("03-14")))
    good = {(name("04-12"), EVENING): 2.0, (name("04-12"), name("03-14")): 1.0}
    Alignment(monkeypatch, good)
    points = Standpoints(place)
    assert go(points, name("04-12")).name == "step"
    assert go(points, name("04-12"), wanted="window").name == "window"


def test_corners_marked_after_a_refusal_are_used(tmp_path, monkeypatch, placed_only):
    place = marked(tmp_path / "lawn", ("window", EVENING), keep=(EVENING, name("04-12")))
    Alignment(monkeypatch, {})
    photo_path = place.photo_path(name("04-12"))
    corners = [w for x, y in true_corners(name("04-12")) for w in ("--corner", f"{x},{y}")]
    refused = next(one for one in survey.measure(place) if one.path == photo_path)
    assert refused.table is None
    again = ["add", str(place.folder), str(photo_path), *corners]
    taken = CliRunner().invoke(root, [*again, "--view", "window"])
    assert taken.exit_code == 2
    assert "leave --view out" in taken.stderr
    done = CliRunner().invoke(root, again)
    assert done.exit_code == 0, done.output
    assert "corners marked as view 'view 2'" in done.stdout
    known = lawn.read(place.folder)
    assert [(one.name, one.photo) for one in known.views][1] == ("view 2", name("04-12"))
    assert Standpoints(known).locate(photo.read(photo_path)).name == "view 2"
    anew = CliRunner().invoke(root, [*again[:-1], "500,300"])  # marked anew, it stays the photo of its view
    assert anew.exit_code == 0, anew.output
    assert "corners marked as view 'view 2'" in anew.stdout
    _, second = lawn.read(place.folder).views
    assert (second.name, second.photo) == ("view 2", name("04-12"))
    assert second.corners_px[-1].tolist() == [500, 300]


def test_add_says_which_photos_no_marked_view_places(tmp_path, monkeypatch, placed_only):
    place = marked(tmp_path / "lawn", ("window", EVENING), keep=(EVENING,))
    handed_in = [FERRY / "photos" / name(day) for day in ("03-14", "04-12", "04-19")]
    filed = filing.add(place.folder, handed_in)
    first, second, third = (one.path.name for one in filed)
    # the second lies on the marked photo, the first only on the second, the third on none
    Alignment(monkeypatch, {(second, EVENING): 1.0, (first, second): 1.0})
    done = CliRunner().invoke(root, ["add", str(place.folder), *map(str, handed_in)])
    assert done.exit_code == 0, done.output
    (said,) = [line for line in done.stderr.splitlines() if "not placed yet" in line]
    assert third in said
    assert first not in said
    assert second not in said
    page = f"on the page that turfeye lawn new {place.folder} --propose PHOTO writes"
    assert f"mark its corners A, B, C, D in it, {page}" in said
    # a season then searches for nothing again, and drops no pose that is in use
    tried = Alignment(monkeypatch, {}).tried
    kept = {path.name for path in (place.results_dir / "poses").iterdir()}
    measured = survey.measure(lawn.read(place.folder))
    assert [one.path.name for one in measured if one.table is None] == [third]
    assert tried == []
    assert {path.name for path in (place.results_dir / "poses").iterdir()} == kept


def test_add_says_that_no_view_is_marked_yet(tmp_path):
    newlawn.make(tmp_path / "lawn", outline_m=[(0, 0), (8, 0), (8, 6), (0, 6)])
    handed_in = [FERRY / "photos" / name(day) for day in ("03-14", "04-12")]
    spot = FERRY.parent / "trial-spots/photos/2026-03-20-spot-2.jpg"
    done = CliRunner().invoke(root, ["add", str(tmp_path / "lawn"), *map(str, handed_in), str(spot)])
    assert done.exit_code == 0, done.output
    heading, lawns, spots = done.stderr.splitlines()[-3:]
    assert heading == "filed, but not placed yet, 3 photos:"
    assert all(photo_name in lawns for photo_name in ("03-14-window", "04-12-window"))
    assert "no view is marked yet" in lawns
    assert f"on the page that turfeye lawn new {tmp_path / 'lawn'} --propose PHOTO writes" in lawns
    assert "got card 2: write its [[spot]] in lawn.toml, with that number" in spots


def test_a_season_comes_back_to_a_refused_photo_and_places_it_well(tmp_path, monkeypatch, placed_only):
    """Real pictures of half the size; only laying 14 March directly over the marked evening is forbidden."""
    keep = (name("03-14"), EVENING, name("04-12"))
    place = marked(tmp_path / "lawn", ("window", EVENING), keep=keep, smaller=2)
    called = {}

    def named_scenery(picture):
        found = scenery(picture)
        called[id(found)] = picture.path.name
        return found

    def not_that_pair(later, first, first_view, *, outline_m):
        if (called[id(later)], called[id(first)]) == (name("03-14"), EVENING):
            raise AlignmentError("forbidden")
        return align(later, first, first_view, outline_m=outline_m)

    monkeypatch.setattr(standpoints, "scenery", named_scenery)
    monkeypatch.setattr(standpoints, "align", not_that_pair)
    measured = {one.path.name: one for one in survey.measure(place)}
    assert [one.why for one in measured.values()] == ["", "", ""]
    facts = measured[name("03-14")].facts
    assert facts["over"] == name("04-12")
    seen = view.from_dict(facts["pose"])
    corners = at_size(true_corners(name("03-14")), 2)
    off_m = np.linalg.norm(view.unproject(seen, corners) - place.outline_m, axis=1)
    assert off_m.max() < 0.05
    assert facts["residual_cm"] < 5
