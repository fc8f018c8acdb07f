"""A photo in plain numbers: what is told of it as a whole, and what is not."""

from __future__ import annotations

import numpy as np
import pytest

from turfeye import series, summary
from turfeye.records import CellTable, Grid


def photo(cover, dgci):
    """A table of one photo's cells (rows, cols), all seen."""
    cover, dgci = np.asarray(cover, float), np.asarray(dgci, float)
    grid = Grid(0.1, 0.0, 0.0, *cover.shape)
    row, col = (part.ravel() for part in np.indices(cover.shape))
    values = {name: np.full(cover.size, np.nan) for name in CellTable.column_names()}
    values |= {"row": row, "col": col, "area_m2": np.full(cover.size, 0.01), "seen": np.ones(cover.size)}
    values |= {"cover": cover.ravel(), "cover_se": np.full(cover.size, 0.02), "dgci": dgci.ravel()}
    values |= {"state": np.full(cover.size, "seen"), "why": np.full(cover.size, "")}
    return CellTable(grid=grid, **values)


def coloured(count, of=(9, 12), cover=0.1):
    """Of so many cells the first ``count`` have an index of 0.4."""
    return photo(np.full(of, cover), np.where(np.arange(np.prod(of)) < count, 0.4, np.nan).reshape(of))


@pytest.mark.parametrize(("count", "told"), [(0, None), (1, None), (26, None), (28, 0.4), (108, 0.4)])
def test_a_photo_s_index_rests_on_a_quarter_of_its_green(count, told):
    found = summary.means(coloured(count))
    assert found["dgci"] == told
    assert (found["dgci_se"] is None) == (told is None)
    assert found["dgci_cells"] == count
    assert found["cover"] == pytest.approx(0.1)


def test_it_is_the_green_that_counts_not_the_ground():
    # one dense tuft on bare ground holds all the green there is
    tuft = np.zeros((9, 12))
    tuft[4, 5:7] = 0.9
    found = summary.means(photo(tuft, np.where(tuft > 0, 0.47, np.nan)))
    assert (found["dgci"], found["dgci_cells"]) == (0.47, 2)


def test_a_row_says_why_it_has_no_index():
    facts = {"taken": "2026-04-13T10:00:00", "card": True, "view": "card 3"}
    said = "no index: cells that tell their colour (7) hold too little of the green"
    assert series.row("a.jpg", coloured(7), facts)["light"] == said
    assert series.row("a.jpg", coloured(60), facts)["light"] == ""
    assert series.row("a.jpg", coloured(0), facts)["light"] == ""
