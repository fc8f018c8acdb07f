"""A photo in plain numbers: what is told of it as a whole, and what is not."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from turfeye import glance, series, summary
from turfeye.records import CellTable, Grid

SPOT = Path(__file__).parents[1] / "sample_images/trial-spots/photos/2026-04-02-spot-1.jpg"


def photo(cover, dgci, dgci_se=0.01):
    """A table of one photo's cells (rows, cols), all seen."""
    cover, dgci = np.asarray(cover, float), np.asarray(dgci, float)
    grid = Grid(0.1, 0.0, 0.0, *cover.shape)
    row, col = (part.ravel() for part in np.indices(cover.shape))
    values = {name: np.full(cover.size, np.nan) for name in CellTable.column_names()}
    values |= {"row": row, "col": col, "area_m2": np.full(cover.size, 0.01), "seen": np.ones(cover.size)}
    values |= {"cover": cover.ravel(), "cover_se": np.full(cover.size, 0.02), "dgci": dgci.ravel()}
    values |= {"dgci_se": np.where(np.isfinite(dgci), dgci_se, np.nan).ravel()}
    values |= {"state": np.full(cover.size, "seen"), "why": np.full(cover.size, "")}
    return CellTable(grid=grid, **values)


def coloured(count, of=(9, 12), cover=0.1):
    """Of so many cells the first ``count`` have an index of 0.4."""
    return photo(np.full(of, cover), np.where(np.arange(np.prod(of)) < count, 0.4, np.nan).reshape(of))


@pytest.mark.parametrize("no_card", [False, True])
def test_a_cell_tells_where_it_lies_in_the_photo(no_card):
    seen = glance.look(SPOT, no_card=no_card)
    table, place = seen.table, summary.middles_px(seen)
    if no_card:  # 16 squares in a row, from the upper left
        side = seen.photo.size_px[0] / 16
        assert place["x_px"][17] == pytest.approx(1.5 * side - 0.5)
        assert place["y_px"][17] == pytest.approx(1.5 * side - 0.5)
        return
    # the truth's corners of the printed area, from its upper left; its middle is the origin
    with (SPOT.parents[1] / "truth/corners.csv").open() as file:
        truth = [row for row in csv.DictReader(file) if row["photo"] == SPOT.name and row["what"] == "card"]
    corners = np.array([[float(row["x_px"]), float(row["y_px"])] for row in truth])
    around = [
        np.flatnonzero(np.hypot(table.x_m - x, table.y_m - y) < 0.01)
        for x in (-0.05, 0.05)
        for y in (-0.05, 0.05)
    ]
    middle = np.mean([(place["x_px"][k], place["y_px"][k]) for k in np.concatenate(around)], axis=0)
    assert middle == pytest.approx(corners.mean(axis=0), abs=3)
    right, left = table.x_m > 0.3, table.x_m < -0.3
    assert (place["x_px"][right].mean() > place["x_px"][left].mean()) == (corners[1, 0] > corners[0, 0])


@pytest.mark.parametrize(("count", "told"), [(0, None), (1, None), (26, None), (28, 0.4), (108, 0.4)])
def test_a_photo_s_index_rests_on_a_quarter_of_its_green(count, told):
    found = summary.means(coloured(count))
    assert found["dgci"] == told
    assert (found["dgci_se"] is None) == (told is None)
    assert found["dgci_cells"] == count
    assert found["cover"] == pytest.approx(0.1)


@pytest.mark.parametrize("count", [2, 108, 10_800])
def test_what_all_cells_err_by_alike_does_not_average_away(count):
    """Draws, not the formula: photos of one turf whose cells all have one error of their photo's."""
    rng = np.random.default_rng(count)
    cells, light, alike, own = (count, 1), summary.DGCI_LIGHT_SE, 0.04, 0.03
    off, told = [], []
    for _ in range(400):
        shared = rng.normal(0, light) + rng.normal(0, alike)
        found = summary.means(photo(np.full(cells, 0.5), 0.5 + shared + rng.normal(0, own, cells), alike))
        off.append(found["dgci"] - 0.5)
        told.append(found["dgci_se"])
    within = [np.mean(np.abs(off) <= times * np.array(told)) for times in (1, 2)]
    assert within == pytest.approx([0.683, 0.954], abs=0.07)  # of a normal error


def test_a_photo_s_index_is_as_unsure_as_its_tones_and_its_stray_light_make_it():
    half, even = np.full((9, 12), 0.5), np.full((9, 12), 0.4)
    sound, spoilt = (summary.means(photo(half, even, se)) for se in (0.0, 0.04))
    assert sound["dgci_se"] == summary.DGCI_LIGHT_SE
    assert spoilt["dgci_se"] == pytest.approx(np.hypot(summary.DGCI_LIGHT_SE, 0.04), abs=1e-4)


def test_it_is_the_green_that_counts_not_the_ground():
    # one dense tuft on bare ground holds all the green there is
    tuft = np.zeros((9, 12))
    tuft[4, 5:7] = 0.9
    found = summary.means(photo(tuft, np.where(tuft > 0, 0.47, np.nan)))
    assert (found["dgci"], found["dgci_cells"]) == (0.47, 2)


def test_a_row_says_why_it_has_no_index():
    facts = {"taken": "2026-04-13T10:00:00", "card": True, "view": "card 3"}
    said = "no index: cells whose colour can be told (7) hold too little of the green"
    assert series.row("a.jpg", coloured(7), facts)["light"] == said
    assert series.row("a.jpg", coloured(60), facts)["light"] == ""
    assert series.row("a.jpg", coloured(0), facts)["light"] == ""
