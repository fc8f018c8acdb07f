"""Charts: the right colours in the right places, nothing overlapping, the same bytes every time."""

from __future__ import annotations

import io
import time
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import matplotlib
import numpy as np
import pytest
from matplotlib.figure import Figure
from PIL import Image
from skimage.color import deltaE_ciede2000, rgb2lab

from turfeye import cells, charts, drawing, sheet
from turfeye.answer import Answer
from turfeye.lawnrecords import STATES
from turfeye.records import CellTable, Grid, Look, Photo, View


def pixels(data: bytes) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))


def rgb(colour: str) -> np.ndarray:
    return np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)])


def lightness(colour: str) -> float:
    return float(rgb2lab(rgb(colour)[None, None] / 255)[0, 0, 0])


def cell_table(grid: Grid, cover: np.ndarray) -> CellTable:
    row, col = (index.ravel() for index in np.indices((grid.rows, grid.cols)))
    count = len(row)
    columns = {name: np.zeros(count) for name in CellTable.column_names()}
    known = np.isfinite(cover)
    columns |= {
        "row": row,
        "col": col,
        "area_m2": np.full(count, grid.cell_m**2),
        "seen": known.astype(float),
        "cover": cover,
        "state": np.where(known, "seen", "not seen"),
        "why": np.where(known, "", "too oblique"),
    }
    return CellTable(grid=grid, **columns)


def look_from_above(cover: np.ndarray, grid: Grid) -> Look:
    """A camera 2 m straight above the origin, 1000 px a unit of depth, so 1 m is 500 px."""
    picture = np.full((600, 900, 3), 120, np.uint8)
    photo = Photo(Path("a.jpg"), picture, datetime(2026, 4, 2, 10, 41), "exif", 1000.0, None, "0" * 64)
    camera = np.array([[1000.0, 0, 449.5], [0, 1000.0, 299.5], [0, 0, 1]])
    down = np.diag([1.0, -1.0, -1.0])
    view = View("spot", (900, 600), camera, down, np.array([0, 0, 2.0]), "exif", 0.2)
    return Look(photo, None, None, view, cell_table(grid, cover))


def test_the_same_figure_gives_the_same_bytes_whatever_the_user_s_settings(answer: Answer) -> None:
    ground = sheet.ground(answer.lawn)
    once = drawing.png(charts.state_map(answer.outlook, ground=ground))
    with matplotlib.rc_context({"font.size": 20, "axes.facecolor": "red", "figure.dpi": 40}):
        again = drawing.png(charts.state_map(answer.outlook, ground=ground))
    assert once == again


def test_charts_never_load_pyplot() -> None:
    import subprocess
    import sys

    code = "import sys, turfeye.charts, turfeye.drawing; "
    code += "print('matplotlib' in sys.modules, 'matplotlib.pyplot' in sys.modules)"
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.split() == ["False", "False"]


def test_the_cover_map_puts_each_cell_where_it_lies() -> None:
    # One dark cell, second row from the bottom, third column: it must show up there, not mirrored.
    grid = Grid(1.0, 0.0, 0.0, rows=3, cols=5)
    cover = np.zeros(15)
    cover[1 * 5 + 2] = 1.0
    ground = drawing.ground_of(np.array([[0, 0], [5, 0], [5, 3], [0, 3]]), "ABCD")
    figure = charts.cover_map(cell_table(grid, cover), ground=ground, title="t")
    image = pixels(drawing.png(figure))
    axes = figure.axes[0]
    tall = image.shape[0]

    def at(x: float, y: float) -> np.ndarray:
        px, py = axes.transData.transform((x, y))
        return image[round(tall - py), round(px)]

    for r in range(3):
        for c in range(5):
            wanted = drawing.COVER_RAMP[-1] if (r, c) == (1, 2) else drawing.COVER_RAMP[0]
            np.testing.assert_allclose(at(c + 0.2, r + 0.2), rgb(wanted), atol=3)


def test_unseen_cells_are_hatched_not_coloured() -> None:
    grid = Grid(1.0, 0.0, 0.0, rows=2, cols=3)
    cover = np.array([0.5, np.nan, 0.5, 0.5, 0.5, 0.5])
    ground = drawing.ground_of(np.array([[0, 0], [3, 0], [3, 2], [0, 2]]), "ABCD")
    figure = charts.cover_map(cell_table(grid, cover), ground=ground, title="t")
    image = pixels(drawing.png(figure))
    (x0, y0), (x1, y1) = (figure.axes[0].transData.transform(p) for p in ((1.1, 0.1), (1.9, 0.9)))
    tall = image.shape[0]
    box = image[round(tall - y1) : round(tall - y0), round(x0) : round(x1)].reshape(-1, 3)
    assert np.mean(np.all(np.abs(box - rgb(drawing.STATE_FILL["not seen"])) <= 2, axis=1)) > 0.6
    assert len(np.unique(box, axis=0)) > 2


@pytest.mark.parametrize(
    ("along", "turn_deg"),
    [((1, 0), 0), ((-1, 0), 0), ((0, 2), 90), ((0, -2), -90), ((-1, -1), 45), ((-1, 1), -45), ((1, -1), -45)],
)
def test_words_along_a_line_never_stand_on_their_head(along: tuple[float, float], turn_deg: float) -> None:
    assert drawing.reading_deg(*along) == pytest.approx(turn_deg)


def test_what_hatching_means_is_written_where_there_is_some() -> None:
    grid = Grid(1.0, 0.0, 0.0, rows=2, cols=3)
    ground = drawing.ground_of(np.array([[0, 0], [3, 0], [3, 2], [0, 2]]), "ABCD")
    for first in (np.nan, 0.5):
        cover = np.array([first, 0.5, 0.5, 0.5, 0.5, 0.5])
        for figure in (
            charts.cover_map(cell_table(grid, cover), ground=ground, title="t"),
            charts.overlay(look_from_above(cover, grid)),
        ):
            words = " ".join(text.get_text() for text in figure.texts)
            assert ("hatched: not seen" in words) == np.isnan(first)


def test_cells_off_the_outline_are_cut_off() -> None:
    grid = Grid(1.0, 0.0, 0.0, rows=2, cols=3)
    ground = drawing.ground_of(np.array([[0, 0], [3, 0], [0, 2]]), "ABC")
    figure = charts.cover_map(cell_table(grid, np.ones(6)), ground=ground, title="t")
    image = pixels(drawing.png(figure))
    px, py = figure.axes[0].transData.transform((2.6, 1.6))
    np.testing.assert_array_equal(image[round(image.shape[0] - py), round(px)], rgb(drawing.PAPER))


def test_the_overlay_lies_on_the_photo_where_the_view_says() -> None:
    grid = Grid(0.2, -0.6, -0.4, rows=4, cols=6)
    cover = np.zeros(24)
    cover[23] = 1.0  # upper right cell: x 0.4 to 0.6, y 0.2 to 0.4 m, so 649.5 to 749.5 and 99.5 to 199.5 px
    figure = charts.overlay(look_from_above(cover, grid))
    image = pixels(drawing.png(figure))
    px, py = figure.axes[0].transData.transform((670.0, 120.0))
    tint = image[round(image.shape[0] - py), round(px)].astype(float)
    np.testing.assert_allclose(tint, (rgb(drawing.COVER_RAMP[-1]) + 120) / 2, atol=4)
    px, py = figure.axes[0].transData.transform((470.0, 320.0))
    tint = image[round(image.shape[0] - py), round(px)].astype(float)
    np.testing.assert_allclose(tint, (rgb(drawing.COVER_RAMP[0]) + 120) / 2, atol=4)


def test_the_overlay_of_a_photo_without_a_card_covers_the_whole_picture() -> None:
    grid = Grid(100.0, 0.0, 0.0, rows=6, cols=9)
    look = look_from_above(np.linspace(0, 1, 54), grid)
    figure = charts.overlay(replace(look, view=None))
    image = pixels(drawing.png(figure))
    for (x, y), value in (((20.0, 20.0), 0.0), ((820.0, 520.0), 1.0)):
        px, py = figure.axes[0].transData.transform((x, y))
        tint = image[round(image.shape[0] - py), round(px)].astype(float)
        wanted = rgb(drawing.COVER_RAMP[-1 if value else 0])
        np.testing.assert_allclose(tint, (wanted + 120) / 2, atol=6)


def test_cover_gets_darker_all_the_way() -> None:
    shades = drawing.cover_colours(np.linspace(0, 1, 60))[:, :3]
    light = rgb2lab(shades[None])[0, :, 0]
    assert np.all(np.diff(light) < 0)
    assert light[0] - light[-1] > 60


# Machado, Oliveira and Fernandes 2009 (IEEE TVCG 15:1291-1298), severity 1, from memory.
PROTAN = np.array(
    [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
)
DEUTAN = np.array(
    [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
)


@pytest.mark.parametrize("sight", [np.eye(3), PROTAN, DEUTAN])
def test_states_can_be_told_apart_by_the_colour_blind(sight: np.ndarray) -> None:
    coded = np.array([rgb(drawing.STATE_FILL[state]) for state in STATES]) / 255
    linear = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    seen = np.clip(linear @ sight.T, 0, 1)
    seen = np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen ** (1 / 2.4) - 0.055)
    lab = rgb2lab(seen[None])[0]
    for i in range(len(STATES)):
        for j in range(i):
            assert deltaE_ciede2000(lab[i], lab[j]) > 7, (STATES[i], STATES[j])


def test_every_state_has_its_own_mark_and_thin_is_the_darkest() -> None:
    assert set(drawing.STATE_FILL) == set(drawing.STATE_MARK) == set(STATES)
    assert len(set(drawing.STATE_MARK.values())) == len(STATES)
    light = {state: lightness(fill) for state, fill in drawing.STATE_FILL.items()}
    assert min(light, key=lambda state: light[state]) == "thin"
    assert sorted(light.values())[1] - light["thin"] > 25


def texts_in_reach(figure: Figure) -> list:
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    renderer = canvas.get_renderer()
    artists = [*figure.texts, *(t for axes in figure.axes for t in axes.texts)]
    return [
        (t.get_text(), t.get_window_extent(renderer)) for t in artists if t.get_text() and t.get_visible()
    ]


def test_nothing_is_written_off_the_page_or_over_other_writing(answer: Answer) -> None:
    ground = sheet.ground(answer.lawn)
    title = "Ferry Cottage, back: 3 patches"
    for figure in (
        charts.state_map(answer.outlook, ground=ground),
        charts.ground_map(ground, title=title, pegs={3: (2.0, 1.5), 144: (6.0, 4.5)}),
        charts.plan_picture(answer.plan.tasks, ground=ground, title=title, subtitle="Pull a tape " * 12),
        charts.season_curve(answer.course, target=(answer.target_age_days, 0.9)),
        charts.season_curve(
            answer.course, target=(answer.target_age_days, 0.9), other=(title + " 2025", answer.course)
        ),
        charts.growth_panels(answer.season, ground=ground),
    ):
        wide, tall = figure.bbox.size
        boxes = texts_in_reach(figure)
        for text, box in boxes:
            assert box.x0 >= 0, text
            assert box.y0 >= 0, text
            assert box.x1 <= wide, text
            assert box.y1 <= tall, text
        heads = [b for b in boxes if b[0] not in {t.get_text() for t in figure.axes[0].texts}]
        for i, (text, box) in enumerate(heads):
            for other, place in heads[:i]:
                assert not box.overlaps(place) or text == other, (text, other)


def test_a_plan_with_nothing_to_do(answer: Answer) -> None:
    nothing = replace(answer.plan, tasks=())
    data = drawing.png(charts.plan_picture(nothing.tasks, ground=sheet.ground(answer.lawn), title="t"))
    assert len(np.unique(pixels(data).reshape(-1, 3), axis=0)) > 5


def test_one_visit_is_drawn_to_the_scale_of_several(answer: Answer) -> None:
    """Its figure was half as wide, so a page drew its letters twice as large."""
    season, ground = answer.season, sheet.ground(answer.lawn)
    by_visit = ("cover", "cover_se", "dgci", "dgci_se", "lab")
    columns = {name: getattr(season, name)[:, -1:] for name in by_visit}
    one = replace(season, visits=season.visits[-1:], **columns)
    wide = [charts.growth_panels(s, ground=ground).get_size_inches()[0] for s in (one, season)]
    assert wide[0] == pytest.approx(wide[1], abs=0.3)


def test_visits_before_a_second_sowing_stand_first(answer: Answer) -> None:
    season, ground = answer.season, sheet.ground(answer.lawn)
    before = replace(season.visits[0], age_days=-12.0)
    resown = replace(season, earlier=(before,), earlier_cover=np.full((len(season.row), 1), 0.1))
    titles = [axes.get_title(loc="left") for axes in charts.growth_panels(resown, ground=ground).axes]
    plain = [axes.get_title(loc="left") for axes in charts.growth_panels(season, ground=ground).axes]
    assert titles == ["Day −12", *plain]


def test_tapes_to_many_patches_do_not_cover_them(answer: Answer) -> None:
    """Two hundred plots to reseed were four hundred lines from four corners."""
    one, ground = answer.plan.tasks[0], sheet.ground(answer.lawn)
    places = [(x, y) for y in np.arange(0.4, 4.4, 0.5) for x in np.arange(0.2, 3.4, 0.8)]
    tasks = [
        replace(one, patch=replace(one.patch, number=k + 1, x_m=x, y_m=y)) for k, (x, y) in enumerate(places)
    ]
    many, few = (charts.plan_picture(some, ground=ground, title="t") for some in (tasks, tasks[:3]))
    dashed = [[line for line in f.axes[0].lines if line.is_dashed()] for f in (many, few)]
    assert [len(lines) for lines in dashed] == [0, 6]
    text = {t.get_text() for t in many.axes[0].texts}
    assert {str(k + 1) for k in range(len(places))} <= text


def test_a_narrow_lawn_is_drawn_at_one_scale(answer: Answer) -> None:
    ground = drawing.ground_of(
        np.array([[0, 0], [2, 0], [2, 11], [0, 11]]), "ABCD", ("wall", "hedge", "road", "path")
    )
    grid = Grid(0.5, 0.0, 0.0, rows=22, cols=4)
    figure = charts.cover_map(cell_table(grid, np.full(88, 0.4)), ground=ground, title="A long narrow strip")
    origin, right, up = (figure.axes[0].transData.transform(p) for p in ((0, 0), (1, 0), (0, 1)))
    assert right[0] - origin[0] == pytest.approx(up[1] - origin[1], rel=1e-6)


def test_figures_stand_in_what_is_left_of_a_cell_at_the_rim():
    """A triangle over two unit cells cuts the second to a triangle: its middle is the mean of its corners."""
    outline = np.array([[0.0, 0.0], [2.0, 0.0], [0.0, 2.0]])
    grid = cells.lawn_grid(outline, 1.0)
    middles = drawing.visible_middles(grid, drawing.Ground(outline))
    assert middles[0, 1] == pytest.approx([1 + 1 / 3, 1 / 3], abs=0.03)
    assert middles[1, 0] == pytest.approx([1 / 3, 1 + 1 / 3], abs=0.03)
    assert middles[0, 0] == pytest.approx([0.5, 0.5], abs=0.03)


def test_pictures_name_months_alike_in_every_locale(answer: Answer, monkeypatch: pytest.MonkeyPatch) -> None:
    def of_a_locale(*_: object) -> str:
        raise AssertionError("strftime goes by the machine's locale")

    monkeypatch.setattr(time, "strftime", of_a_locale)  # what "%b" of a date ends in
    with pytest.raises(AssertionError, match="locale"):
        f"{answer.season.visits[0].taken:%b}"
    sheet.pictures(answer)
    figure = charts.growth_panels(answer.season, ground=sheet.ground(answer.lawn))
    titles = {axes.get_title(loc="right") for axes in figure.axes}
    last = answer.season.visits[-1].taken
    assert f"{last.day} {('Mar', 'Apr', 'May')[last.month - 3]}" in titles
