"""The plots of a trial: in which of them a patch lies, and what is said of each."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image
from shapely import Polygon, box

from turfeye import answer, bydate, charts, lawn, planfile, plots, results, sheet, survey
from turfeye.cells import lawn_grid
from turfeye.cli import root
from turfeye.cli.plan import _show_by_patch
from turfeye.errors import LawnError
from turfeye.lawnrecords import Patch, Plot, Tape, Task
from turfeye.measurement import Measured
from turfeye.records import CellTable, Grid
from turfeye.treatments import Treatments
from turfeye.workplan import _spreading

TRIAL = """schema = 1
name = "Invented trial"
outline_m = [[0, 0], [8, 0], [8, 5], [0, 5]]
cell_m = 0.1

[[plots]]
first = 11
columns = 4
rows = 2
at_m = [1.0, 1.2]
step_m = [2.0, 2.5]
"""


def patch(ring, *, number=1, holes=(), kind="thin", **facts):
    ring = np.array(ring, float)
    area = Polygon(ring, holes).area
    x, y = Polygon(ring, holes).centroid.coords[0]
    return Patch(
        number, kind, ring, x, y, area, 0.01, 0.5, 0.9, np.arange(3), "it is thin",
        holes_m=tuple(np.array(hole, float) for hole in holes), **facts,
    )  # fmt: skip


def square(x, y, side):
    return [(x, y), (x + side, y), (x + side, y + side), (x, y + side)]


def task(one, grams):
    return Task(one, Tape("A", "B", 1.0, 2.0, 0.05), grams, 1.5, "because it is thin")


@pytest.fixture
def trial(tmp_path: Path) -> lawn.Lawn:
    (tmp_path / "lawn.toml").write_text(TRIAL)
    return lawn.read(tmp_path)


def test_plots_reach_half_way_to_their_neighbours_unless_they_have_a_size(trial: lawn.Lawn) -> None:
    assert trial.plots[5] == Plot(16, (3.0, 3.7), (2.0, 2.5))
    assert [plot.number for plot in trial.plots] == list(range(11, 19))
    (trial.folder / "lawn.toml").write_text(TRIAL + "size_m = [1.5, 2.0]\n")
    assert lawn.read(trial.folder).plots[5].size_m == (1.5, 2.0)
    (trial.folder / "lawn.toml").write_text(TRIAL.replace("rows = 2\n", "").replace("2.5]", "0]"))
    assert lawn.read(trial.folder).plots[0].size_m == (2.0, 2.0)  # a single row: from row to row is nothing
    row = "[[plots]]\nfirst = {}\ncolumns = 4\nat_m = [{}, {}]\nstep_m = [{}, 2.5]\nsize_m = [1.5, 2]\n"
    to_and_fro = row.format(1, 1, 1.2, 2) + row.format(5, 7, 3.7, -2)
    (trial.folder / "lawn.toml").write_text(TRIAL.split("[[plots]]")[0] + to_and_fro)
    assert lawn.read(trial.folder).plots[3:5] == (Plot(4, (7, 1.2), (1.5, 2)), Plot(5, (7, 3.7), (1.5, 2)))
    (trial.folder / "lawn.toml").write_text(
        TRIAL.split("[[plots]]")[0] + "[[spot]]\nnumber = 1\nat_m = [1, 1]\n"
    )
    assert lawn.read(trial.folder).plots == ()


@pytest.mark.parametrize(
    ("size", "says"),
    [
        (
            "[2.2, 2.0]",
            r"1st \[\[plots\]\], size_m: plots of 2.2 m along x overlap where pegs stand 2 m apart",
        ),
        ("[1.5, 0]", r"1st \[\[plots\]\], size_m, 2nd entry: must be above 0.0, found 0"),
        ("[1.5]", r"1st \[\[plots\]\], size_m: needs at least 2 entries.*write size_m = \[1.2, 1.8\]"),
    ],
)
def test_mistakes_in_a_plot_s_size_are_told(trial: lawn.Lawn, size: str, says: str) -> None:
    (trial.folder / "lawn.toml").write_text(f"{TRIAL}size_m = {size}\n")
    with pytest.raises(LawnError, match=says):
        lawn.read(trial.folder)


def test_a_patch_over_two_plots_is_shared_out_by_area(trial: lawn.Lawn) -> None:
    # from x 1.5 to 2.5: plots 11 and 12 meet at 2.0; half of it each, but for the hole in the left half
    one = patch(square(1.5, 1.0, 1.0), holes=(square(1.6, 1.2, 0.3)[::-1],))
    found = dict(plots.shares(one, trial.plots))
    assert list(found) == [12, 11]  # the larger share first
    assert found == {12: pytest.approx(0.5 / 0.91), 11: pytest.approx(0.41 / 0.91)}
    assert plots.where(plots.placed([one], trial.plots)[0]) == "plots 12 (55 %) and 11 (45 %)"
    assert plots.where(replace(one, plots=((3, 0.5), (4, 0.3), (9, 0.2)))) == (
        "plots 3 (50 %), 4 (30 %) and 9 (20 %)"
    )
    assert plots.where(replace(one, plots=((3, 0.97),))) == "plot 3"


def test_a_sliver_in_the_next_plot_is_no_share_and_beside_the_plots_is_none(trial: lawn.Lawn) -> None:
    assert plots.shares(patch(square(1.0, 1.0, 1.005)), trial.plots) == (
        (11, pytest.approx(0.995, abs=0.001)),
    )
    assert plots.shares(patch(square(7.95, 4.95, 0.04)), trial.plots) == ()
    assert plots.where(patch(square(7.95, 4.95, 0.04))) == ""
    assert plots.named([patch(square(0, 0, 1), number=7)]) == "Patch 7"


def test_of_many_patches_a_line_has_how_many_they_are() -> None:
    many = [replace(patch(square(0, 0, 1), number=n), plots=((n // 2, 1.0),)) for n in range(2, 17)]
    assert plots.named(many[:2]) == "Patches 2 and 3 (plot 1)"
    assert plots.named(many[:12]).startswith("Patches 2, 3, ")
    assert plots.named(many) == "15 patches in 8 plots"


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.tuples(st.floats(-0.3, 6.3), st.floats(-0.3, 5.3)), min_size=3, max_size=9),
    st.floats(0.5, 2.0), st.floats(0.5, 2.5),
)  # fmt: skip
def test_shares_are_those_of_clipped_polygons(points, wide, tall):
    """Against shapely 2 (GEOS), by any ring round its middle: a star, so that it doesn't cross itself."""
    points = np.array(points)
    middle = points.mean(axis=0)
    ring = points[np.argsort(np.arctan2(*(points - middle).T[::-1]))]
    shape = Polygon(ring)
    assume(shape.is_valid and shape.area >= 0.05)
    some = [Plot(k, (1.0 + 2 * (k % 3), 1.25 + 2.5 * (k // 3)), (wide, tall)) for k in range(6)]
    found = dict(plots.shares(patch(ring), some))
    for plot in some:
        (x, y), half = plot.at_m, (wide / 2, tall / 2)
        want = shape.intersection(box(x - half[0], y - half[1], x + half[0], y + half[1])).area / shape.area
        assert found.get(plot.number, 0.0) == pytest.approx(
            want if want >= plots.LEAST_SHARE else 0, abs=1e-9
        ) or (abs(want - plots.LEAST_SHARE) < 1e-9)


# -- what is told of them ------------------------------------------------------------------------------------


def placed(trial: lawn.Lawn) -> tuple[Patch, ...]:
    rings = (square(1.5, 1.0, 1.0), square(4.5, 3.0, 0.5), square(7.95, 4.95, 0.04))
    return plots.placed([patch(ring, number=k) for k, ring in enumerate(rings, start=1)], trial.plots)


def test_the_plan_s_files_have_the_plots(trial: lawn.Lawn) -> None:
    patches = placed(trial)
    plan = SimpleNamespace(tasks=tuple(task(one, 20) for one in patches))
    rows = list(csv.DictReader(io.StringIO(planfile.plan_csv(plan))))
    assert [(row["plots"], row["plot_shares"]) for row in rows] == [
        ("11 12", "0.5 0.5"),
        ("17", "1"),
        ("", ""),
    ]
    assert [(row["plots"], row["plot_shares"]) for row in planfile.rows(plan)] == [
        ([11, 12], [0.5, 0.5]),
        ([17], [1.0]),
        ([], []),
    ]
    shapes = json.loads(planfile.outlines_text(patches, trial.outline_m))
    assert [one["properties"].get("plots") for one in shapes["features"]] == [None, [11, 12], [17], []]


def test_lines_for_people_name_the_plots(trial: lawn.Lawn) -> None:
    patches = placed(trial)
    steps = _spreading([task(patches[0], 20), task(patches[1], 4), task(patches[2], 3)])
    assert steps[0].startswith(
        "Patch 1 (plots 11 (50 %) and 12 (50 %)): weigh out 20 g, split into 10 g + 10 g;"
    )
    pinches = "Patches 2 and 3 (plot 17): a pinch each, by hand, 7 g in all: too little to weigh."
    assert steps[2] == pinches  # one lies beside the plots: nothing is weighed for both
    steps = _spreading([task(patches[0], 20), task(patches[1], 20), task(patches[2], 4)])
    assert steps[0].startswith(
        "Patches 1 and 2 (plots 11, 12 and 17): weigh out 20 g for each, split into 10 g + 10 g;"
    )
    line = answer._patches("Thin", patches)
    assert line.startswith("Thin: 3 patches in 3 plots, ")
    assert "in plots 11 (50 %) and 12 (50 %), " in line
    assert " in plot 17, " in line
    assert line.endswith(" at (8.0, 5.0) m")


@settings(max_examples=60, deadline=None)
@given(
    st.floats(-0.4, 2.3), st.floats(-0.4, 1.9), st.floats(0.1, 1.5), st.floats(0.1, 1.5),
    st.sampled_from([0.1, 0.25, 0.5]),
)  # fmt: skip
def test_a_cell_is_of_the_plot_that_holds_its_middle(x, y, wide, tall, cell_m):
    grid = Grid(cell_m, -0.2, 0.1, rows=7, cols=9)
    row, col = np.indices((7, 9)).reshape(2, -1)
    season = SimpleNamespace(grid=grid, row=row, col=col)
    away = np.abs(grid.centres_m().reshape(-1, 2) - (x, y)) - np.array([wide, tall]) / 2
    number = plots.of_cells(season, [Plot(7, (x, y), (wide, tall))])
    assert (number[(away < -1e-6).all(axis=1)] == 7).all()
    assert (number[(away > 1e-6).any(axis=1)] == -1).all()


def test_a_plot_stands_by_its_row_and_its_cells() -> None:
    cells = SimpleNamespace(
        season=SimpleNamespace(area_m2=np.full(10, 0.01)), state=np.array(["thin"] * 4 + ["on course"] * 6)
    )
    row = SimpleNamespace(
        season=SimpleNamespace(area_m2=np.array([0.1])), state=np.array(["slow"]), why=np.array(["66 %"]),
        cover_now=np.array([0.5]), cover_now_se=np.array([0.04]), cover_at_target=np.array([0.66]),
        cover_at_target_low=np.array([0.6]), cover_at_target_high=np.array([0.7]),
        p_on_target=np.array([0.1]),
    )  # fmt: skip
    found = SimpleNamespace(plots=row, numbers=np.array([1]), own={1: (np.arange(10), cells)})
    two = [Plot(1, (0.5, 0.5), (1.0, 1.0)), Plot(3, (9.5, 0.5), (1.0, 1.0))]
    tasks = [task(replace(patch(square(0.6, 0, 0.5)), plots=((1, 0.8), (2, 0.2))), 10)]
    given = Treatments(("treatment", "lot"), {1: {"treatment": "A", "lot": "7"}})
    first, unseen = plots.standings(found, two, tasks, given)
    assert (first.seen_m2, first.cover_now, first.cover_now_se) == (0.1, 0.5, 0.04)
    assert (first.cover_at_target_low, first.cover_at_target, first.cover_at_target_high) == (0.6, 0.66, 0.7)
    assert (first.p_on_target, first.state, first.why) == (0.1, "slow", "66 %")
    assert first.states == pytest.approx({"on course": 0.6, "slow": 0, "thin": 0.4, "too soon to say": 0})
    assert first.thin_m2 == pytest.approx(0.2)
    assert (first.patches, first.seed_g) == ((1,), pytest.approx(8))
    assert (first.given, unseen.given) == ({"treatment": "A", "lot": "7"}, {"treatment": "", "lot": ""})
    assert (unseen.state, unseen.seen_m2) == ("not seen", 0)
    assert np.isnan(
        [unseen.cover_now, unseen.cover_now_se, unseen.cover_at_target, *unseen.states.values()]
    ).all()
    assert (unseen.patches, unseen.thin_m2, unseen.seed_g) == ((), 0, 0)


def test_paths_between_the_plots_are_no_lawn(trial: lawn.Lawn) -> None:
    assert not trial.paths
    (trial.folder / "lawn.toml").write_text(TRIAL + "size_m = [1.5, 2.0]\n")
    place = lawn.read(trial.folder)
    assert place.paths
    grid = plots.only(lawn_grid(place.outline_m, place.cell_m), place.plots)
    assert grid.share.sum() * grid.cell_m**2 == pytest.approx(8 * 1.5 * 2.0)
    x, y = grid.centres_m()[grid.share > 0].T
    assert (np.abs((x - 1.0 + 1) % 2 - 1) < 0.751).all()  # pegs at x = 1, 3, 5, 7 and y = 1.2, 3.7
    assert (np.abs((y - 1.2 + 1.25) % 2.5 - 1.25) < 1.001).all()
    cut = plots.only(replace(grid, share=np.full(grid.share.shape, 0.4)), place.plots)  # at the lawn's edge
    assert set(np.unique(cut.share)) == {0.0, 0.4}


def test_a_photo_tells_of_its_own_plot_where_paths_lie_between_them(tmp_path: Path) -> None:
    """A photo of plot 41 reaches over the path to 42: green there is no figure of 42, which has no photo."""
    (tmp_path / "lawn.toml").write_text(
        TRIAL.replace("columns = 4\nrows = 2", "columns = 2\nrows = 1").replace("first = 11", "first = 41")
        + "size_m = [1.5, 2.0]\n"
        + '[[sowing]]\ndate = 2026-03-14\nmix = "perennial ryegrass"\nrate_g_m2 = 35\n'
    )
    place = lawn.read(tmp_path)
    wide = Grid(0.1, -2.0, -0.5, rows=10, cols=40)  # from x = -1 to 3 m; plot 42 begins at 2.25 m
    measured = [spot(wide, np.full(400, 0.6), 41, day, (1.0, 1.2), place) for day in (12, 21, 30)]
    answer = survey.answered(place, tuple(measured))
    assert np.isfinite(answer.season.cover).any()
    with (place.results_dir / "plots-by-date.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["cover"] for row in rows if row["plot"] == "41"} == {"0.6"}
    assert {(row["cover"], row["why"]) for row in rows if row["plot"] == "42"} == {("", "no photo")}


def table(place: lawn.Lawn, name: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO((place.results_dir / name).read_text(encoding="utf-8"))))


@pytest.mark.parametrize(
    ("size", "peg"),
    [
        ("", (1.03, 1.2)),  # no paths: plots reach half way to the next
        ("size_m = [1.96, 2.0]\n", (1.03, 1.2)),  # a path of 4 cm, and cells of 10 cm across it
        ("size_m = [1.5, 2.0]\n[[spot]]\nnumber = 7\nat_m = [1.6, 1.2]\n", (1.6, 1.2)),
    ],
    ids=["no paths", "a path narrower than a cell", "a second peg in the plot"],
)
def test_nothing_of_a_plot_is_told_by_the_photo_of_another(
    tmp_path: Path, size: str, peg: tuple[float, float]
) -> None:
    """Plot 43 has no photo, and 42 is half as green as 41, whose photo reaches over both."""
    number = 7 if "number" in size else 41
    (tmp_path / "lawn.toml").write_text(
        TRIAL.replace("columns = 4\nrows = 2", "columns = 3\nrows = 1")
        .replace("first = 11", "first = 41")
        .replace("[1.0, 1.2]", "[1.03, 1.2]")
        + size
        + '[[sowing]]\ndate = 2026-03-14\nmix = "perennial ryegrass"\nrate_g_m2 = 35\n'
    )
    place = lawn.read(tmp_path)
    wide, narrow = Grid(0.1, -2.0, -0.5, rows=10, cols=60), Grid(0.1, -0.5, -0.5, rows=10, cols=10)
    measured = []
    for day in (12, 21, 30):
        measured.append(spot(wide, np.full(600, 0.6), number, day, peg, place))
        measured.append(spot(narrow, np.full(100, 0.3), 42, day, (3.03, 1.2), place))
    found = survey.answered(place, tuple(measured))
    rows = [(row["plot"], row["cover"], row["why"]) for row in table(place, "plots-by-date.csv")]
    assert set(rows) == {("41", "0.6", ""), ("42", "0.3", ""), ("43", "", "no photo")}
    photos = {(row["view"], row["cover"]) for row in table(place, "photos.csv")}
    assert photos == {(f"spot {number}", "0.6"), ("spot 42", "0.3")}
    assert [(one.state == "not seen", one.seen_m2 > 0) for one in found.standings] == [
        (False, True), (False, True), (True, False)
    ]  # fmt: skip
    assert not any("disagree" in str(note) for note in found.notes)


def test_a_plot_without_a_cell_is_told(tmp_path: Path) -> None:
    """Its photo was measured and ranked, yet in the means it was missing without a word."""
    (tmp_path / "lawn.toml").write_text(
        TRIAL.split("[[plots]]")[0].replace("cell_m = 0.1", "cell_m = 0.5")
        + '[[sowing]]\ndate = 2026-03-14\nmix = "perennial ryegrass"\nrate_g_m2 = 35\n'
    )
    (tmp_path / "treatments.csv").write_text(
        "plot,treatment,x_from_m,x_to_m,y_from_m,y_to_m\n1,A,0,2,0,2\n2,B,2.26,2.46,0,2\n3,B,3,5,0,2\n"
    )
    place, narrow = lawn.read(tmp_path), Grid(0.1, -0.5, -0.5, rows=10, cols=10)
    middles = ((1, (1.0, 1.0)), (2, (2.36, 1.0)), (3, (4.0, 1.0)))
    measured = [spot(narrow, np.full(100, 0.5), plot, 30, at_m, place) for plot, at_m in middles]
    found = survey.answered(place, tuple(measured))
    assert (found.standings[1].state, found.standings[1].why) == ("not seen", plots.NO_CELL)
    told = (
        "plot 2 has figures from its own photos only, because no 0.5 m cell of the lawn has its middle in it"
    )
    assert sum(told in str(note) for note in found.notes) == 1


# -- a season of a trial -------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def sown(tmp_path_factory: pytest.TempPathFactory) -> answer.Answer:
    """Two plots, seen by one spot photo each on four days; half of the second came to nothing. Invented."""
    folder = tmp_path_factory.mktemp("trial") / "trial"
    folder.mkdir()
    (folder / "lawn.toml").write_text(
        TRIAL.replace("columns = 4\nrows = 2", "columns = 2\nrows = 1").replace("first = 11", "first = 41")
        + '[[sowing]]\ndate = 2026-03-14\nmix = "perennial ryegrass"\nrate_g_m2 = 35\n'
    )
    place = lawn.read(folder)
    return survey.answered(place, measured_in(place))


def measured_in(place: lawn.Lawn) -> tuple[Measured, ...]:
    grid = Grid(0.1, -0.6, -0.5, rows=10, cols=12)
    rng = np.random.default_rng(3)
    found = []
    for day in (12, 21, 30, 42):
        for plot, x_m in ((41, 1.0), (42, 3.0)):
            cover = 0.8 / (1 + np.exp(-(day - 20) / 4)) + rng.normal(0, 0.02, 120)
            col = np.tile(np.arange(12), 10)
            cover = np.where((plot == 42) & (col < 6), 0.03, cover)
            found.append(spot(grid, cover, plot, day, (x_m, 1.2), place))
    return tuple(found)


def spot(grid, cover, plot, day, at_m, place) -> Measured:
    """One measured spot photo, filed as a picture of one colour."""
    taken = datetime(2026, 3, 14, 9) + timedelta(days=day)
    place.photos_dir.mkdir(exist_ok=True)
    path = place.photos_dir / f"{taken:%Y-%m-%d}-plot-{plot}.png"
    Image.new("RGB", (240, 180), (plot, 110, day)).save(path)
    row, col = (index.ravel() for index in np.indices((grid.rows, grid.cols)))
    x_m, y_m = grid.centres_m().reshape(-1, 2).T
    values = dict.fromkeys(CellTable.column_names(), np.zeros(len(row)))
    values |= {"row": row, "col": col, "x_m": x_m, "y_m": y_m, "area_m2": np.full(len(row), grid.cell_m**2)}
    values |= {"seen": np.ones(len(row)), "cover": cover, "cover_se": np.full(len(row), 0.03)}
    values |= {"state": np.full(len(row), "seen"), "why": np.full(len(row), "")}
    facts = {
        "taken": taken.isoformat(),
        "view": f"spot {plot}",
        "at_m": at_m,
        "turned_deg": 0.0,
        "card": True,
        "warnings": [],
    }
    return Measured(path, f"{plot}-{day}", CellTable(grid=grid, **values), facts)


def test_a_season_tells_what_is_thin_by_plot(sown: answer.Answer) -> None:
    first, second = sown.standings
    assert first.thin == 0
    # 60 cells of 0.1 m failed; the fit is told by neighbours too, so the rim may go either way
    assert second.thin == pytest.approx(0.5, abs=0.06)
    assert second.thin_m2 == pytest.approx(0.6, rel=0.12)
    assert second.seed_g == pytest.approx(sown.plan.seed_g)
    assert [(number, round(share, 6)) for one in sown.thin for number, share in one.plots] == [(42, 1)]
    lines = answer.ten_lines(sown)
    assert any(line.startswith("Greenest is plot 41 (") for line in lines)
    assert any(
        re.match(r"Thin: 1 patch in 1 plot, 0\.6\d* m² by outline: 0\.6\d* m² in plot 42$", line)
        for line in lines
    )
    assert sown.plan.sentence.startswith("1 patch in 1 plot, 0.6")


def test_bare_paths_are_neither_thin_nor_sown(sown: answer.Answer, tmp_path: Path) -> None:
    """As if the failed half of plot 42 were a path: plots 0.5 m wide that lie right of the cards."""
    shutil.copytree(sown.lawn.photos_dir, tmp_path / "photos")
    text = (sown.lawn.folder / "lawn.toml").read_text().replace("at_m = [1.0,", "at_m = [1.35,")
    (tmp_path / "lawn.toml").write_text(
        text.replace("step_m = [2.0, 2.5]", "step_m = [2.0, 2.5]\nsize_m = [0.5, 1]")
    )
    place = lawn.read(tmp_path)
    found = survey.answered(place, measured_in(place))
    assert found.thin == ()
    assert found.plan.seed_g == 0
    assert [one.seen_m2 for one in found.standings] == pytest.approx([0.5, 0.5])
    assert found.season.area_m2.sum() == pytest.approx(1.0)
    rows = list(csv.DictReader(io.StringIO((place.results_dir / "photos.csv").read_text())))
    last = {row["view"]: row for row in rows}
    covers = [float(last[view]["cover"]) for view in ("spot 41", "spot 42")]
    assert covers[1] == pytest.approx(covers[0], abs=0.02)  # with the path 42 would have half of it
    assert last["spot 42"]["cells_seen"] == "50"


def test_a_trial_s_files_and_page_are_by_plot(sown: answer.Answer) -> None:
    results = sown.lawn.results_dir
    rows = list(csv.DictReader(io.StringIO((results / "plots.csv").read_text())))
    assert [row["plot"] for row in rows] == ["41", "42"]
    assert (float(rows[0]["thin"]), rows[0]["patches"], rows[1]["patches"]) == (0, "", "1")
    assert float(rows[0]["cover_now"]) == pytest.approx(0.78, abs=0.04)
    for row in rows:
        states = ("on_course", "slow", "thin", "too_soon_to_say")
        assert sum(float(row[name]) for name in states) == pytest.approx(1, abs=0.002)
    cells = list(csv.DictReader(io.StringIO((results / "season.csv").read_text())))
    number = {(row["x_m"], row["y_m"]): row["plot"] for row in cells}
    assert [number[x, "1.25"] for x in ("0.45", "1.95", "2.05", "5.05")] == ["41", "41", "42", ""]
    page = (results / "sheet.html").read_text()
    assert "How each plot is doing" in page
    assert '<th class="n">Plot</th>' in page
    assert re.search(r'Thin, %</th></tr>.*<td class="n">41</td>.*<td class="n">0</td></tr>', page, re.DOTALL)
    assert "<td>1 thin</td><td>42</td>" in page
    assert "Thin as a whole: plot 42. That is how these plots turned out" in page


def test_plots_of_a_lawn_seen_as_a_whole_have_a_table_too(sown: answer.Answer) -> None:
    assert "Seed, g" not in sheet.page(sown, dict.fromkeys(("map-states", "curve", "visits"), b""))
    seen = replace(sown, plots=())  # no spot photos: no rows of them
    page = sheet.page(seen, dict.fromkeys(("map-states", "curve", "visits"), b""))
    rows = re.findall(r"<tr>((?:<td(?: class=\"(?:n|where)\")?>[^<]*</td>){7})</tr>", page)
    cells = [re.findall(r">([^<]+)</td>", row) for row in rows]
    assert [row[0] for row in cells] == ["41", "42"]
    assert cells[0][1] == cells[1][1] == "1.20"
    assert re.match(r"(7\d|80)\u00a0±\u00a0\d$", cells[0][2])
    assert re.match(r"(7\d|8\d) \(\d\d–\d\d\)$", cells[0][3])
    assert (cells[0][4], cells[1][4]) == ("on course", "thin")
    assert (cells[0][5], cells[0][6]) == ("0", "0")
    assert cells[1][5] == f"{100 * sown.standings[1].thin:.0f}"
    assert cells[1][6] == f"{sown.plan.seed_g:.0f}"


def test_plots_seen_in_views_only_stand_beside_those_with_photos_of_their_own(sown: answer.Answer) -> None:
    """Two spots' photos took the other plots' figures, and the treatments, off the page."""
    rows = (sown.plots[0], {**sown.plots[0], "view": "spot 7"})
    visits = tuple(replace(one, view=f"{one.view} + window") for one in sown.season.visits)
    season = replace(sown.season, visits=visits)
    means = Treatments(("treatment",), {41: {"treatment": "A"}, 42: {"treatment": "B"}})
    with_views = replace(sown, plots=rows, outlook=replace(sown.outlook, season=season))
    page = sheet.page(with_views, dict.fromkeys(("map-states", "curve", "visits"), b""))
    assert "How each plot is doing, from all photos" in page
    assert re.search(r"from all photos.*Seed, g.*<td class=\"n\">42</td>", page, re.DOTALL)
    by_date = bydate.rows(
        sown.lawn, sown.season, plots.of_cells(sown.season, sown.lawn.plots), measured_in(sown.lawn), means
    )
    compared = bydate.compared(by_date, means)
    told = replace(with_views, treatments=tuple(one for one in compared if one.on == compared[-1].on))
    page = sheet.page(told, dict.fromkeys(("map-states", "curve", "visits"), b""))
    assert page.count("Treatments compared") == 1


def test_a_lawn_that_is_no_trial_any_more_keeps_no_plots(sown: answer.Answer, tmp_path: Path) -> None:
    (tmp_path / "results").mkdir()
    (tmp_path / "results/plots.csv").write_text("plot\n41\n")
    shutil.copytree(sown.lawn.photos_dir, tmp_path / "photos")
    plain = replace(sown.lawn, folder=tmp_path, spots=())
    results.write(replace(sown, lawn=plain, standings=()))
    assert not (tmp_path / "results/plots.csv").exists()


def test_plots_are_drawn_with_their_numbers(sown: answer.Answer) -> None:
    ground = sheet.ground(sown.lawn)
    few = charts.plan_picture(sown.plan.tasks, ground=ground, title="t")
    assert {"41", "42"} <= {text.get_text() for text in few.axes[0].texts}
    assert len(few.axes) == 2  # the map and its table
    one = sown.plan.tasks[0]
    tasks = [replace(one, patch=replace(one.patch, number=k)) for k in range(100, 130)]
    many = charts.plan_picture(tasks, ground=ground, title="t")
    written = {text.get_text() for text in many.axes[0].texts}
    assert {"41", "42"} <= written
    assert not written & {str(k) for k in range(100, 130)}  # patches are found by their plots
    assert len(many.axes) == 1
    assert {"41", "42"} <= {
        text.get_text() for text in charts.state_map(sown.outlook, ground=ground).axes[0].texts
    }


def many_patches(sown: answer.Answer, count: int) -> answer.Answer:
    """The plan with so many patches of 1 g and more in place of its own: three in plot 42, the rest in 41."""
    rings = [square(0.1 + 0.07 * k, 1.0, 0.05) for k in range(count - 4)]
    rings += [square(2.5, 0.42, 0.2), square(3.0, 1.22, 0.2), square(3.2, 1.82, 0.2), square(6.0, 4.0, 0.2)]
    numbered = [patch(ring, number=k) for k, ring in enumerate(rings, start=1)]
    found = plots.placed(numbered, sown.lawn.plots)
    tasks = tuple(task(one, 0.0 if k == 0 else 2.0) for k, one in enumerate(found))
    seed = sum(one.seed_g for one in tasks)
    return replace(sown, plan=replace(sown.plan, tasks=tasks, seed_g=seed, spreading=_spreading(tasks)))


def test_a_plan_of_very_many_small_patches_goes_plot_by_plot(sown: answer.Answer, monkeypatch) -> None:
    """A trial's plan had a row of a gram for each of 132 holes, by tape from corners 40 m away."""
    answered = many_patches(sown, 25)
    in_41, in_42, beside = plots.sown(answered.plan.tasks, sown.lawn.plots)
    assert (in_41.number, len(in_41.at_m), in_41.seed_g) == (41, 20, 40.0)  # one of its 21 waits
    # plot 42 begins at x = 2 and y = -0.05: the lawn's plots are 2.0 by 2.5 m
    assert np.array(in_42.at_m) == pytest.approx(np.array([(0.6, 0.57), (1.1, 1.37), (1.3, 1.97)]))
    assert (in_42.area_m2, in_42.seed_g) == pytest.approx((0.12, 6.0))
    assert beside.number is None
    assert np.array(beside.at_m) == pytest.approx(np.array([(6.1, 4.1)]))

    monkeypatch.setattr(survey, "season", lambda folder, tell: answered)
    result = CliRunner().invoke(root, ["plan", str(sown.lawn.folder)])
    assert result.exit_code == 0, result.output
    rows = [line.split() for line in result.stdout.splitlines()]
    numbers = ["22,", "23,", "24"]  # by which --patch takes them
    assert ["42", *numbers, "0.6,", "0.6;", "1.1,", "1.4;", "1.3,", "2.0", "0.12", "6", "g", "4.5"] in rows
    assert sum(row[:1] in (["41"], ["42"], ["beside"]) for row in rows) == 3
    assert (
        "along the side A–B, then in from it, measured from the plot's corner nearest to A." in result.stdout
    )

    page = sheet.page(answered, dict.fromkeys(("map-states", "curve", "visits", "plan"), b""))
    assert "0.6, 0.6; 1.1, 1.4; 1.3, 2.0" in page
    assert "22, 23, 24" in page
    assert '<table class="tasks' not in page
    assert "only if the trial allows it" in page
    few = sheet.page(sown, dict.fromkeys(("map-states", "curve", "visits", "plan"), b""))
    assert '<table class="tasks' in few


@pytest.mark.parametrize(
    ("told", "written", "refused"),
    [
        (["--plot", "42"], ["22", "23", "24"], ""),
        (["--plot", "42", "--patch", "25"], ["22", "23", "24", "25"], ""),
        (["--patch", "24"], ["24"], ""),
        (["--plot", "42", "--plot", "40"], [], "nothing was written; those that do: 41 and 42"),
        (["--plot", "40", "--patch", "1"], [], "patch 1 and plot 40 get no seed"),
    ],
)  # fmt: skip
def test_what_was_sown_of_a_trial_s_plan_is_told_by_plot(
    sown: answer.Answer, tmp_path: Path, monkeypatch, told: list[str], written: list[str], refused: str
) -> None:
    """Its plan names plots: "the holes in plot 42 were sown" could be told by 132 patches' numbers only."""
    shutil.copy(sown.lawn.folder / "lawn.toml", tmp_path)
    answered = many_patches(sown, 25)
    monkeypatch.setattr(
        survey, "season", lambda folder, tell, **_: replace(answered, lawn=lawn.read(tmp_path))
    )
    result = CliRunner().invoke(root, ["plan", str(tmp_path), "--sown", "2026-05-01", *told])
    assert (result.exit_code == 0) == (not refused), result.output
    assert refused in result.output
    remarks = re.findall(r"# patch (\d+),", (tmp_path / "lawn.toml").read_text())
    assert remarks == written
    assert len(lawn.read(tmp_path).oversowings) == len(written)
    alone = CliRunner().invoke(root, ["plan", str(tmp_path), "--plot", "42"])
    assert alone.exit_code == 2
    assert "--plot needs --sown" in alone.output


def greys(figure: Figure, at_m: tuple[float, float]) -> float:
    """How light a print in grey (ITU-R BT.601 weights) is at a place of the lawn, 0-255."""
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    x, y = figure.axes[0].transData.transform(at_m)
    rgba = np.asarray(canvas.buffer_rgba(), float)
    return float(rgba[round(rgba.shape[0] - 1 - y), round(x), :3] @ (0.299, 0.587, 0.114))


@pytest.mark.parametrize("count", [5, 25], ids=["a lawn's few", "a trial's many"])
def test_patches_that_wait_are_told_from_those_to_be_sown_without_colour(
    sown: answer.Answer, count: int
) -> None:
    """In a grey print as well: filled or hollow, and in words on the page and in the table for programs."""
    wide = plots.placed(
        [patch(square(x, 0.6, 0.8), number=count + k) for k, x in enumerate((4.2, 2.3))], sown.lawn.plots
    )
    some = (*many_patches(sown, count - 2).plan.tasks, task(wide[0], 0.0), task(wide[1], 9.0))
    waits = [one.waits for one in some]
    assert waits[-2:] == [True, False]
    ground = sheet.ground(sown.lawn)
    figure = charts.plan_picture(some, ground=ground, title="t")
    # in a corner of each patch, beside its number; and beside all patches
    waiting, filled = (greys(figure, tuple(one.patch.outline_m.max(axis=0) - 0.1)) for one in some[-2:])
    assert waiting == pytest.approx(greys(figure, (7.8, 2.5)), abs=2)
    assert waiting - filled > 60
    words = {text.get_text() for axes in figure.axes for text in axes.texts}
    assert {
        f"filled, to be sown: {len(some) - sum(waits)}",
        f"hollow, waits: no seed yet: {sum(waits)}",
    } <= words
    plan = replace(sown.plan, tasks=some)
    page = sheet.page(replace(sown, plan=plan), dict.fromkeys(("map-states", "curve", "visits", "plan"), b""))
    assert f"</svg>waits, no seed yet: {sum(waits)}</span>" in page
    assert page.count(">waits</td>") == (sum(waits) if count == 5 else 0)
    assert [row["how"] == "waits" for row in planfile.plan_dict(plan)["patches"]] == waits


def test_in_a_terminal_a_patch_that_waits_gets_no_dressing(
    sown: answer.Answer, capsys: pytest.CaptureFixture[str]
) -> None:
    """It read 0.0, and a dash in the picture and on the page."""
    (wide,) = plots.placed([patch(square(4.2, 0.6, 0.8), number=1)], sown.lawn.plots)
    _show_by_patch(replace(sown.plan, tasks=(replace(task(wide, 0.0), dressing_l=0.0),)))
    (row,) = [line for line in capsys.readouterr().out.splitlines() if "waits" in line]
    assert row.split()[-2:] == ["waits", "–"]


def test_a_trial_s_patches_that_all_wait_make_no_walk(sown: answer.Answer) -> None:
    answered = many_patches(sown, 25)
    tasks = tuple(replace(one, seed_g=0.0, dressing_l=0.0) for one in answered.plan.tasks)
    assert plots.sown(tasks, sown.lawn.plots) == ()
    assert _spreading(tasks) == ()
    waiting = replace(answered, plan=replace(answered.plan, tasks=tasks, seed_g=0.0, spreading=()))
    page = sheet.page(waiting, dict.fromkeys(("map-states", "curve", "visits", "plan"), b""))
    assert "Along, in (m)" not in page


def test_two_hundred_plots_over_fifty_metres_have_their_numbers(tmp_path: Path) -> None:
    """They had none, and a plan that goes plot by plot is walked by them."""
    file = (
        TRIAL.replace("[8, 0], [8, 5], [0, 5]", "[50, 0], [50, 20], [0, 20]")
        .replace("columns = 4\nrows = 2", "columns = 20\nrows = 10")
        .replace("at_m = [1.0, 1.2]\nstep_m = [2.0, 2.5]", "at_m = [1.0, 1.0]\nstep_m = [2.4, 2.0]")
    )
    (tmp_path / "lawn.toml").write_text(file + "size_m = [1.2, 1.6]\n")
    figure = charts.plan_picture([], ground=sheet.ground(lawn.read(tmp_path)), title="t", table=False)
    figure.canvas.draw()
    texts = [text for text in figure.axes[0].texts if text.get_text().isdigit()]
    assert {text.get_text() for text in texts} == {str(k) for k in range(11, 211)}
    sides = figure.axes[0].transData.transform([(0, 0), (1.2, 0)])
    assert max(text.get_window_extent().width for text in texts) < np.ptp(sides[:, 0])
