"""Which visits showed each cell, and why the others did not. All lawns here are invented."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime

import numpy as np

from turfeye import cells, season, shown
from turfeye.lawnrecords import Sowing
from turfeye.readings import Reading
from turfeye.records import CellTable, Grid
from turfeye.store import PlacedTable

OUTLINE = np.array([[0.0, 0], [2, 0], [2, 1.5], [0, 1.5]])
LAWN = cells.lawn_grid(OUTLINE, 0.5)  # 3 rows, 4 columns
SPOT = Grid(0.5, -0.5, -0.25, rows=1, cols=2)
SOWN = Sowing(date(2026, 3, 14), "perennial ryegrass", 35.0)


def table(grid, whys=(), shade=()):
    """All cells seen but those with a reason, {index: reason}; ``shade`` are those in other light."""
    row, col = (part.ravel() for part in np.indices((grid.rows, grid.cols)))
    count = len(row)
    why = np.full(count, "", dtype="U60")
    for index, words in dict(whys).items():
        why[index] = words
    state = np.where(why == "", "seen", "not seen")
    x, y = grid.centres_m().reshape(-1, 2).T
    dark = np.zeros(count)
    dark[list(shade)] = 1.0
    values = {name: np.full(count, np.nan) for name in CellTable.column_names()}
    values |= {"row": row, "col": col, "x_m": x, "y_m": y, "area_m2": np.full(count, grid.cell_m**2)}
    values |= {"seen": (state == "seen").astype(float), "cover": np.where(state == "seen", 0.4, np.nan)}
    values |= {"cover_se": np.where(state == "seen", 0.05, np.nan), "state": state, "why": why, "shade": dark}
    return CellTable(grid=grid, **values)


def season_of(*photos):
    """(day, table, where its peg is) each, as a season and as its measured photos."""
    readings = [
        Reading(one, datetime(2026, 3, day, 10), "window" if at_m is None else "spot 1", f"{day}.jpg",
                       at_m=at_m)
        for day, one, at_m in photos
    ]  # fmt: skip
    made = season.build(readings, LAWN, sowing=SOWN, today=date(2026, 8, 1))
    measured = []
    for reading in readings:
        x, y = season.on_lawn_m(reading)
        placed = replace(reading.table, x_m=x, y_m=y)
        measured.append(PlacedTable(placed, reading.taken, 0.0, reading.view, reading.photo))
    return made, measured


def test_visits_are_counted_and_the_commonest_reason_told():
    oblique, leaf = f"{cells.OBLIQUE}: 68° from straight down", "something lies on it"
    made, photos = season_of(
        (20, table(LAWN, {0: oblique, 1: oblique, 2: leaf}), None),
        (25, table(LAWN, {0: oblique, 1: leaf}, shade=[5, 6]), None),
        (30, table(LAWN, {0: oblique, 1: leaf}, shade=[6]), None),
    )
    told = shown.of(made, photos)
    assert told.visits.tolist()[:4] == [0, 0, 2, 3]
    assert told.last.tolist()[:4] == ["", "", "2026-03-30", "2026-03-30"]
    assert told.missed_why.tolist()[:4] == [cells.OBLIQUE, leaf, leaf, ""]
    assert told.other_light.tolist()[4:8] == [0, 1, 2, 0]
    why = told.with_reasons(np.array(["no visit showed it"] * 3 + ["70 % expected"] * 9))
    assert why.tolist()[:4] == [
        f"no visit showed it: {cells.OBLIQUE}", f"no visit showed it: {leaf}", "no visit showed it",
        "70 % expected",
    ]  # fmt: skip


def test_spots_leave_the_rest_of_the_lawn_unseen():
    # the peg stands at (1.0, 0.75): its two cells are the lawn's of row 1, columns 1 and 2
    made, photos = season_of((20, table(SPOT), (1.0, 0.75)), (25, table(SPOT, {0: "too dark"}), (1.0, 0.75)))
    told = shown.of(made, photos)
    assert told.visits.reshape(3, 4).tolist() == [[0] * 4, [0, 1, 2, 0], [0] * 4]
    assert told.missed_why.reshape(3, 4)[1].tolist() == [shown.NO_SPOT, "too dark", "", shown.NO_SPOT]
    assert told.last.reshape(3, 4)[1].tolist() == ["", "2026-03-20", "2026-03-25", ""]


def test_a_lawn_s_cells_past_its_picture_are_outside_it():
    made, photos = season_of((20, table(LAWN), None))
    cover = made.cover.copy()
    cover[3] = np.nan  # seen, by its table, and yet in no visit
    assert shown.of(replace(made, cover=cover), photos).missed_why[3] == shown.TOO_LITTLE
    assert shown.of(replace(made, cover=cover), []).missed_why[3] == cells.OUTSIDE
