"""Cells that no photo showed: how many, where by tape, why, what to do. All lawns here are invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from turfeye import cells, unseen
from turfeye.lawnrecords import Season
from turfeye.records import CellTable
from turfeye.simulate import tables

OUTLINE = np.array([[0.0, 0], [9, 0], [9, 6], [0, 6]])  # 12 rows, 18 columns of 0.5 m
OBLIQUE = f"{cells.OBLIQUE}: 68° from straight down"


@pytest.fixture(scope="module")
def season() -> Season:
    found, _ = tables.lawn(7, tables.TableRecipe(rows=12, cols=18), until_day=28)
    return replace(found, visits=tuple(replace(visit, view="window") for visit in found.visits))


def photo(season: Season, *hidden: tuple[np.ndarray, str]) -> CellTable:
    """One photo's table with these cells not seen, each group with its reason."""
    why = np.full(len(season.row), "", dtype="U60")
    for which, words in hidden:
        why[which] = words
    nothing = np.full(len(season.row), np.nan)
    columns = {name: getattr(season, name, nothing) for name in CellTable.column_names()}
    columns |= {"why": why, "state": np.where(why == "", "seen", "not seen"), "cover": nothing}
    return CellTable(grid=season.grid, **columns)


def notes(season: Season, *photos: CellTable, view: str = "window") -> tuple[str, ...]:
    """The notes on a season in which only what one of these photos shows was seen."""
    seen = np.any([table.state == "seen" for table in photos], axis=0)
    cover = np.where(seen[:, None], np.nan_to_num(season.cover, nan=0.5), np.nan)
    visits = tuple(replace(visit, view=view) for visit in season.visits)
    return unseen.notes(
        replace(season, cover=cover, visits=visits),
        photos,
        outline_m=OUTLINE,
        corner_names=("A", "B", "C", "D"),
        side_names=("A–B", "B–C", "C–D", "fence"),
    )


def test_a_strip_is_told_from_its_side(season: Season) -> None:
    far = season.y_m > 4.5  # three rows of 18 cells: 13.5 m²
    (line,) = notes(season, photo(season, (far, OBLIQUE)))
    assert line.startswith("54 cells were never seen (13.5 m²), the strip within 1.5 m of the side C–D: ")
    assert "too flat an angle" in line
    assert "near the side C–D" in line
    assert "measures up to 3.4 m" in line  # 1.6 m × tan 65°


def test_a_wide_strip_is_measured_from_the_nearer_line(season: Season) -> None:
    (line,) = notes(season, photo(season, (season.x_m > 2.0, cells.OUTSIDE)))
    assert "the strip beyond 2.0 m from the side fence: outside the picture" in line


def test_a_strip_of_a_lawn_with_an_inner_corner_lies_along_its_own_side(season: Season) -> None:
    """Beyond the inner corner E the line of E–F runs across the lawn: the far strip lay "within -0.0 m"."""
    ell = np.array([[0.0, 0], [9, 0], [9, 6], [4, 6], [4, 3], [0, 3]])
    inside = (season.x_m > 4) | (season.y_m < 3)
    columns = ("row", "col", "x_m", "y_m", "area_m2", "cover", "cover_se", "dgci", "lab")
    part = replace(season, **{name: getattr(season, name)[inside] for name in columns})
    far = part.y_m > 5
    table = photo(part, (far, OBLIQUE))
    (line,) = unseen.notes(
        replace(part, cover=np.where(far[:, None], np.nan, 0.5)),
        [table],
        outline_m=ell,
        corner_names="ABCDEF",
        side_names=("A–B", "B–C", "C–D", "D–E", "E–F", "F–A"),
    )
    assert "the strip within 1.0 m of the side C–D" in line
    assert "near the side C–D" in line


def test_a_thing_is_found_by_tape_and_each_cause_has_its_line(season: Season) -> None:
    thing = np.hypot(season.x_m - 3.0, season.y_m - 4.0) < 0.6  # 4 cells about (3, 4): 5 m from A
    edge = season.x_m > 8.5
    first = photo(season, (thing, "something lies on it"), (edge, cells.OUTSIDE))
    outside, hidden = notes(season, first)
    assert outside.startswith(
        "12 cells were never seen (3.00 m²), the strip within 0.5 m of the side B–C: outside"
    )
    assert hidden.startswith("4 cells were never seen (1.00 m²), around the place 5.0 m from A and")
    assert ": something lies on it; clear or avoid that" in hidden


def test_the_photo_that_came_nearest_gives_the_cause(season: Season) -> None:
    corner = (season.x_m < 1) & (season.y_m < 1)
    (line,) = notes(season, photo(season, (corner, cells.OUTSIDE)), photo(season, (corner, OBLIQUE)))
    assert "too flat an angle" in line
    assert notes(season, photo(season, (corner, cells.OUTSIDE)), photo(season)) == ()


def test_a_sliver_that_the_outline_cuts_off_is_not_told(season: Season) -> None:
    area = season.area_m2.copy()
    area[0] = 0.04
    sliver = replace(season, area_m2=area)
    assert notes(sliver, photo(sliver, (np.arange(len(area)) == 0, OBLIQUE))) == ()
    assert notes(season, photo(season, (np.arange(len(area)) == 0, OBLIQUE))) != ()


def test_nothing_is_said_where_spots_were_meant(season: Season) -> None:
    far = season.y_m > 4.5
    assert notes(season, photo(season, (far, OBLIQUE)), view="spot 1") == ()


def test_all_of_the_lawn(season: Season) -> None:
    (line,) = notes(season, photo(season, (season.y_m > -1, OBLIQUE)))
    assert "nearly all of the lawn" in line
