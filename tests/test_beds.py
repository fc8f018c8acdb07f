"""Beds amid a lawn: ground that is no lawn, against areas by geometry and what is painted."""

from __future__ import annotations

import numpy as np
import pytest
from click.testing import CliRunner
from test_cells import camera, ground, table_of

from turfeye import cells, charts, doubts, drawing, lawn, outline, plots
from turfeye.cli import root
from turfeye.records import Grid

LAWN = np.array([[-0.6, -0.4], [0.6, -0.4], [0.6, 0.4], [-0.6, 0.4]])
POND = np.array([[-0.5, -0.1], [-0.4, -0.1], [-0.4, 0.2], [-0.5, 0.2]])
RING = outline.circle((0.1, 0.0), 0.5)


def test_a_circle_has_its_area_and_width() -> None:
    assert outline.signed_area(RING) == pytest.approx(np.pi * 0.25**2)
    away = np.hypot(*(RING - (0.1, 0.0)).T)
    assert away == pytest.approx(np.full(len(RING), 0.25), rel=1 / 200)


def test_bark_and_water_in_a_lawn_are_no_bare_lawn() -> None:
    """A tree ring of bark and a pond of 0.1 x 0.3 m in closed turf."""
    whole = cells.lawn_grid(LAWN, 0.2)
    grid = outline.without(whole, (RING, POND))
    seen = camera(height_m=2.0)
    x, y = np.moveaxis(ground(seen), -1, 0)
    bare = (np.hypot(x - 0.1, y) < 0.25) | ((np.abs(x + 0.45) < 0.05) & (np.abs(y - 0.05) < 0.15))
    table = table_of(seen, ~bare, grid=grid)
    # 10 cm about each go with them: of a polygon of 36 sides these are as much further from its middle
    half = np.pi / 36
    apothem = 0.25 * np.sqrt(2 * half / np.sin(2 * half)) * np.cos(half)
    ring_m2 = 36 * (apothem + 0.1) ** 2 * np.tan(half)
    assert ring_m2 == pytest.approx(np.pi * 0.35**2, rel=0.005)
    assert table.area_m2.sum() == pytest.approx(1.2 * 0.8 - ring_m2 - 0.3 * 0.5, rel=1e-6)
    assert np.nanmin(table.cover_as_seen) > 0.97
    beside = np.roll(bare, 12, axis=1)  # measured 5 cm off
    assert np.nanmin(table_of(seen, ~beside, grid=grid).cover_as_seen) > 0.97
    assert np.nanmin(table_of(seen, ~bare, grid=whole).cover_as_seen) < 0.05
    assert outline.without(whole, ()) is whole


def test_what_lies_in_two_rims_or_beyond_the_edge_goes_once() -> None:
    """Two ponds 0.1 m apart, one at the lawn's edge, in one cell: their rims of 0.1 m by arithmetic."""
    grid = cells.lawn_grid(np.array([[0.0, 0], [2, 0], [2, 1], [0, 1]]), 2.0)
    ponds = [
        np.array([[x, low], [x + 0.4, low], [x + 0.4, low + 0.4], [x, low + 0.4]])
        for x, low in ((0.5, 0.0), (1.0, 0.3))
    ]
    left = outline.without(grid, ponds)
    assert left.share is not None
    # rims: 0.6 x 0.5 of the one (0.1 lies beyond the edge) and 0.6 x 0.6, of which 0.1 x 0.3 is the other's
    assert left.share.sum() * 4 == pytest.approx(2 - (0.3 + 0.36 - 0.03), abs=0.02)


def test_a_spot_s_photo_tells_nothing_of_a_bed_beside_its_peg() -> None:
    """A ring of bark within what the photo shows of the ground: it was bare lawn in the spot's figures."""
    seen = camera(height_m=2.0)
    x, y = np.moveaxis(ground(seen), -1, 0)
    table = table_of(seen, np.hypot(x - 0.1, y) > 0.25, grid=cells.spot_grid(seen, 0.1))
    x_m, y_m = table.x_m + 3.0, table.y_m + 2.0  # its peg is at (3, 2)
    kept = plots.beside_beds(table, x_m, y_m, [RING + np.array([3.0, 2.0])])
    ours = kept.state == "seen"
    assert np.nanmin(table.cover_as_seen) < 0.05
    assert ours.sum() > 20
    assert kept.cover_as_seen[ours].min() > 0.97
    assert set(kept.why[(table.state == "seen") & ~ours]) == {"in a bed"}


def test_a_plot_lost_to_a_bed_is_told_as_that(tmp_path) -> None:
    """It was told that a finer cell_m would give it a figure."""
    (tmp_path / "lawn.toml").write_text(
        'schema = 1\nname = "x"\noutline_m = [[0, 0], [8, 0], [8, 6], [0, 6]]\ncell_m = 0.5\n'
        "[[plots]]\ncolumns = 3\nat_m = [1, 3]\nstep_m = [2, 2]\nsize_m = [0.3, 0.3]\n"
        "[[bed]]\nat_m = [3, 3]\nacross_m = 1\n"
    )
    (lost,) = doubts.of_plots_in_beds(lawn.read(tmp_path))
    (small,) = doubts.of_small_plots(lawn.read(tmp_path), np.array([1]))
    assert lost.startswith("plot 2 lies in a [[bed]] and has no figure; ")
    assert small.startswith("plot 3 has figures from its own photos only, because no 0.5 m cell")


def test_plots_partly_in_a_bed_are_told_with_what_is_left_of_them(tmp_path) -> None:
    """With its rim of 10 cm a round bed is as wide as plot 2, a square one leaves 0.3 m of plot 3."""
    (tmp_path / "lawn.toml").write_text(
        'schema = 1\nname = "x"\noutline_m = [[0, 0], [12, 0], [12, 6], [0, 6]]\ncell_m = 0.5\n'
        "[[plots]]\ncolumns = 3\nat_m = [1, 3]\nstep_m = [2, 2]\nsize_m = [1, 1]\n"
        "[[bed]]\nat_m = [3, 3]\nacross_m = 0.8\n"
        "[[bed]]\narea_m = [[4.9, 2], [5.6, 2], [5.6, 4], [4.9, 4]]\n"
    )
    place = lawn.read(tmp_path)
    (said,) = doubts.of_plots_in_beds(place)
    assert said.startswith(
        "plots 2 (21 % left), 3 (30 % left) lie partly in a [[bed]], and their figures are that of the rest; "
    )
    shown = CliRunner().invoke(root, ["lawn", "show", str(tmp_path)])
    assert f"note: {said}" in shown.stderr
    assert plots.left_of(place.plots[1], place.beds_m) == pytest.approx(1 - np.pi / 4, abs=0.005)


def test_maps_show_a_bed_and_mark_what_is_left_beside_it() -> None:
    """A bed over the right half of the first of two unit cells."""
    bed = np.array([[0.5, 0.0], [1.0, 0.0], [1.0, 1.0], [0.5, 1.0]])
    shape = np.array([[0.0, 0], [2, 0], [2, 1], [0, 1]])
    here = drawing.ground_of(shape, "ABCD", beds_m=[bed])
    grid = outline.without(cells.lawn_grid(shape, 1.0), here.beds_m)
    middles = drawing.visible_middles(grid, here)
    assert middles[0] == pytest.approx(np.array([[0.25, 0.5], [1.5, 0.5]]), abs=0.03)
    figure = charts.ground_map(here, title="A bed", pegs={})
    assert "bed" in [text.get_text() for text in figure.axes[0].texts]


def test_a_grid_of_no_outline_has_no_beds() -> None:
    grid = Grid(0.1, 0.0, 0.0, rows=2, cols=2)
    assert outline.without(grid, (POND,)) is grid
