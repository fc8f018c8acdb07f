"""Stripes planted in invented lawns, and lawns without any."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from turfeye.records import Grid
from turfeye.simulate import tables
from turfeye.stripes import _arms, _at, _Names, stripes

OUTLINE = np.array([[0, 0], [12, 0], [12, 8], [0, 8.0]])
NAMES = ("the path", "the hedge", "the fence", "the wall")


def invented(seed, *, centre_m=None, width_m=0.55, depth=0.15, along="x", patch=False, cell_m=0.5):
    """Grid and cover of an invented lawn: smooth and rough unevenness, one stripe, one bare patch."""
    from scipy.ndimage import gaussian_filter

    rng = np.random.default_rng(seed)
    grid = Grid(cell_m, 0.0, 0.0, rows=round(8 / cell_m), cols=round(12 / cell_m), outline_m=OUTLINE)
    smooth = gaussian_filter(rng.standard_normal((grid.rows, grid.cols)), 3)
    cover = 0.75 + 0.04 * smooth / smooth.std() + rng.normal(0, 0.04, smooth.shape)
    x, y = np.moveaxis(grid.centres_m(), -1, 0)
    if centre_m is not None:
        v = y if along == "x" else x
        top, low = (
            np.minimum(v + cell_m / 2, centre_m + width_m / 2),
            np.maximum(v - cell_m / 2, centre_m - width_m / 2),
        )
        cover = cover - depth * np.clip(top - low, 0, None) / cell_m
    if patch:
        cover = np.where(np.hypot(x - 3, y - 5) < 1.2, 0.1, cover)
    return grid, x.ravel(), y.ravel(), cover.ravel()


def test_missed_strip_along_the_fence():
    found = stripes(*invented(3, centre_m=3.1, width_m=0.8, patch=True), side_names=NAMES)
    assert len(found.found) == 1
    strip = found.found[0]
    assert strip.kind == "missed"
    assert strip.offset_m == pytest.approx(3.1, abs=0.15)
    assert strip.width_m == pytest.approx(0.8, abs=0.25)
    assert strip.depth == pytest.approx(0.15, abs=0.05)
    assert found.p <= 0.02
    assert "running along the fence, its middle 3." in strip.told()
    assert "from the path" in strip.told()
    assert np.isnan(found.spacing_m)


def test_names_of_sides_without_names():
    found = stripes(*invented(5, centre_m=9.0, width_m=0.7, along="y", depth=0.2))
    assert "the fourth side (corner D to A)" in found.told()
    assert "from the second side (corner B to C)" in found.told()
    assert found.direction_deg == pytest.approx(90)


def test_doubled_passes_and_their_spacing():
    grid, x, y, cover = invented(8, centre_m=2.25, width_m=0.5, depth=-0.15)
    cover = cover + 0.15 * (np.abs(y - 5.25) < 0.2)
    found = stripes(grid, x, y, cover)
    assert [strip.kind for strip in found.found] == ["doubled", "doubled"]
    assert found.spacing_m == pytest.approx(3.0, abs=0.2)
    assert "2 such strips, 3.0 m apart" in found.told()


def test_slanting_strip_is_found_where_no_side_runs():
    grid, x, y, cover = invented(4)
    away = x * np.cos(np.radians(60)) + y * np.sin(np.radians(60)) - 6.0
    found = stripes(grid, x, y, np.where(np.abs(away) < 0.4, cover - 0.25, cover))
    assert found.found
    assert found.direction_deg == pytest.approx(150, abs=1)
    assert found.found[0].offset_m == pytest.approx(6.0, abs=0.3)


def test_patches_and_slopes_are_no_stripes():
    grid, x, y, cover = invented(11, patch=True)
    assert stripes(grid, x, y, cover + 0.03 * y - 0.02 * x).found == ()


@pytest.mark.parametrize("seed", [838000, 838007, 838067, 838123])
def test_a_deep_patch_that_reaches_into_the_next_bands_is_no_strip(seed):
    """Small simulated lawns with one dead patch, told as a missed strip: beside the piece that has most
    of it 4 points were left and more, but of far more."""
    rng = np.random.default_rng(seed)
    wide, tall = rng.uniform(4, 7, 2)
    recipe = tables.TableRecipe(
        rows=round(tall / 0.5), cols=round(wide / 0.5), failed_patches=0, lagging_strips=0
    )
    season, _ = tables.lawn(seed, recipe, until_day=30)
    (long, short), turn = rng.uniform(0.25, 1.1, 2), rng.uniform(0, np.pi)
    middle = rng.uniform(0, [wide, tall])
    parts = np.stack(np.meshgrid(*[np.linspace(-0.25, 0.25, 11)] * 2), axis=-1).reshape(-1, 2)
    off = np.stack([season.x_m, season.y_m], axis=-1)[:, None] + parts - middle
    along, across = off @ [np.cos(turn), np.sin(turn)], off @ [-np.sin(turn), np.cos(turn)]
    dead = ((along / long) ** 2 + (across / short) ** 2 < 1).mean(axis=1)
    found = stripes(season.grid, season.x_m, season.y_m, season.cover[:, -1] * (1 - 0.95 * dead))
    assert found.found == ()


@pytest.mark.parametrize(("x_m", "y_m"), [(2.0, 2.2), (0.4, 4.0)], ids=["on a line", "by the edge"])
def test_one_dead_patch_is_no_strip(x_m, y_m):
    """On a small lawn it lies on half of what a line is looked at by: 2 and 7 of these were told so."""
    half_x, half_y = 0.4, 0.9
    told = []
    for seed in range(16):
        rng = np.random.default_rng(seed)
        rows, cols = 11 + seed % 4, 14 + seed % 5
        outline = np.array([[0, 0], [cols, 0], [cols, rows], [0, rows]]) / 2
        grid = Grid(0.5, 0.0, 0.0, rows=rows, cols=cols, outline_m=outline)
        x, y = np.moveaxis(grid.centres_m(), -1, 0)
        across = np.clip(np.minimum(x + 0.25, x_m + half_x) - np.maximum(x - 0.25, x_m - half_x), 0, 1)
        along = np.clip(np.minimum(y + 0.25, y_m + half_y) - np.maximum(y - 0.25, y_m - half_y), 0, 1)
        cover = 0.62 + 0.02 * rng.standard_normal(x.shape) - 0.55 * (across * along / 0.25)
        told += stripes(grid, x.ravel(), y.ravel(), cover.ravel()).found
    assert told == []


ELL = np.array([[0, 0], [16, 0], [16, 5], [5, 5], [5, 12], [0, 12.0]])


def ell(seed, *, runs_deg=None):
    """An invented lawn of two arms of 5 m, a strip across one of them where it runs at an angle."""
    from scipy.ndimage import gaussian_filter

    rng = np.random.default_rng(seed)
    grid = Grid(0.5, 0.0, 0.0, rows=24, cols=32, outline_m=ELL)
    smooth = gaussian_filter(rng.standard_normal((grid.rows, grid.cols)), 3)
    cover = 0.6 + 0.03 * smooth / smooth.std() + rng.normal(0, 0.03, smooth.shape)
    x, y = np.moveaxis(grid.centres_m(), -1, 0)
    if runs_deg is not None:
        angle = np.radians(runs_deg)
        away = (y - 2.5) * np.cos(angle) - (x - 10.5) * np.sin(angle)
        cover = cover - 0.18 * np.clip(0.35 - np.abs(away) + 0.25, 0, 0.5) / 0.5 * (x > 5)
    lawn = (y < 5) | (x < 5)
    return grid, x[lawn], y[lawn], cover[lawn]


def test_a_strip_across_one_arm_of_a_lawn_is_found():
    """It is short beside the whole lawn, whose lines in other directions are long; half of them were not."""
    right = 0
    for seed in range(8):
        runs_deg = (35.0, 60.0, 115.0, 150.0)[seed % 4]
        for one in stripes(*ell(seed, runs_deg=runs_deg)).found:
            normal = np.radians(one.normal_deg)
            askew = (one.normal_deg - 90 - runs_deg + 90) % 180 - 90
            off = 10.5 * np.cos(normal) + 2.5 * np.sin(normal) - one.offset_m
            right += abs(askew) < 8 and abs(off) < 0.4
    assert right >= 7
    assert not any(stripes(*ell(seed)).found for seed in range(4))


def test_a_strip_on_a_lawn_with_arms_says_from_where_to_where_it_runs():
    """It was said to run at some angle to the first side, wherever; what is told here is measured anew."""
    sides = ("fence", "gate", "hedge", "house", "path", "wall")
    told = stripes(*ell(1, runs_deg=60.0), side_names=sides, corner_names=tuple("abcdef"))
    found = re.search(
        r"running from hedge, (.*) m from corner c, to fence, (.*) m from corner b,", told.told()
    )
    slope = 1 / np.tan(np.radians(60))  # through (10.5, 2.5), from y = 0 to y = 5; c is (16, 5), b (16, 0)
    assert float(found[1]) == pytest.approx(16 - (10.5 + 2.5 * slope), abs=0.3)
    assert float(found[2]) == pytest.approx(16 - (10.5 - 2.5 * slope), abs=0.3)

    grid, x, y, cover = ell(0)
    cover = cover - 0.2 * (np.abs(y - 9.25) < 0.5) * (x < 5)
    words = stripes(grid, x, y, cover, side_names=sides, corner_names=tuple("abcdef")).told()
    found = re.search(r"running from house, (.*) m from corner e, to wall, (.*) m from corner f,", words)
    assert [float(found[k]) for k in (1, 2)] == pytest.approx([12 - 9.25] * 2, abs=0.3)


def test_a_place_amid_the_lawn_is_told_by_two_tapes():
    """By Pythagoras: 13² + 4² = 13.6², 2² + 8² = 8.2²."""
    grid = ell(0)[0]
    names = _Names.of(grid, None, None)
    assert _at(grid, np.array([3.0, 4.0]), names) == "the point 13.6 m from B and 8.2 m from E"
    assert _at(grid, np.array([7.0, 0.3]), names) == "the first side (corner A to B), 7.0 m from corner A"
    ring = np.array([[6.0, 1.5], [8.0, 1.5], [8.0, 3.5], [6.0, 3.5]])  # a tree on the way from B
    beside = _at(replace(grid, beds_m=(ring,)), np.array([3.0, 4.0]), names)
    assert "from B" not in beside


def test_arms_are_what_lies_inside_sides_that_meet_at_an_inward_corner():
    grid, x, y, _ = ell(0)
    across, up = _arms(grid, x, y)
    assert np.array_equal(across, y < 5)
    assert np.array_equal(up, x < 5)
    assert _arms(replace(grid, outline_m=OUTLINE), x, y) == []
    bent = np.array([[0, 0], [8, 0.3], [16, 0], [16, 5], [0, 5.0]])  # by 4 degrees: no corner
    assert _arms(replace(grid, outline_m=bent), x, y) == []


def test_false_alarms_are_rare():
    alarms = sum(bool(stripes(*invented(seed)).found) for seed in range(100, 140))
    assert alarms <= 4  # 5 % of 40 is 2; P(more than 4) is below 5 % even at that rate


def test_unseen_cells_and_small_lawns():
    grid, x, y, cover = invented(3, centre_m=3.25, width_m=0.5)
    gone = np.random.default_rng(0).random(len(cover)) < 0.15
    assert stripes(grid, x, y, np.where(gone, np.nan, cover)).found
    few = stripes(grid, x, y, np.where(np.arange(len(cover)) < 30, cover, np.nan))
    assert few.found == ()
    assert few.p == 1
    assert "too few cells" in few.told()


@pytest.mark.parametrize("cell_m", [0.1, 0.25, 0.5])
@pytest.mark.parametrize("pegs", [1, 3, 4, 6])
def test_lawn_seen_by_spots_only(cell_m, pegs):
    # A few round pieces of an even lawn: no line is seen all along, so there is no stripe, and no warning.
    rng = np.random.default_rng(pegs)
    grid, x, y, _ = invented(pegs, cell_m=cell_m)
    cover = np.full(len(x), np.nan)
    for peg in rng.uniform([1, 1], [11, 7], (pegs, 2)):
        near = np.hypot(x - peg[0], y - peg[1]) < 0.75
        cover[near] = 0.8 + 0.05 * rng.standard_normal(near.sum())
    found = stripes(grid, x, y, cover)
    assert found.found == ()
    assert found.told().startswith(("no stripes", "too few cells", "too little of the lawn"))


def test_stripe_on_a_half_seen_lawn_is_as_deep_as_it_is():
    # Beside the strip whole lines were never seen: they are no bare ground to compare it with.
    grid, x, y, cover = invented(3, centre_m=3.25, width_m=0.5)
    cover = np.where((np.abs(y - 3.25) > 1.1) & (np.abs(y - 3.25) < 2.0), np.nan, cover)
    (strip,) = stripes(grid, x, y, cover, side_names=NAMES).found
    assert strip.kind == "missed"
    assert strip.depth == pytest.approx(0.15, abs=0.05)


def test_same_input_same_answer():
    lawn = invented(3, centre_m=3.1)
    assert stripes(*lawn).p == stripes(*lawn).p
