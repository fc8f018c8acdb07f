"""A lawn's photos, a row each: what each shows of the lawn, or of its own plot."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any, Final

from turfeye import plots, series, store
from turfeye.filing import Filed
from turfeye.lawn import Lawn, locked
from turfeye.lawnrecords import Plot, Season, spot_of
from turfeye.measurement import Measured
from turfeye.readings import Reading
from turfeye.records import CellTable
from turfeye.season import on_lawn_m

PHOTOS: Final = "photos.csv"
"""In the lawn's results; its columns are `series.COLUMNS`."""
FILED: Final = "filed.csv"
FILED_COLUMNS: Final = ("source", "photo", "taken", "taken_from", "state", "note", "why")


def rows(place: Lawn, season: Season, measured: Sequence[Measured]) -> list[dict[str, Any]]:
    """A row a photo, of a plot its own ground; spots are ranked among those of their visit."""
    own = place.plot_of_peg
    tables = [None if one.table is None else _own_ground(place, one, own) for one in measured]
    visit_of = {name: k for k, visit in enumerate(season.visits) for name in visit.photos}
    found = [
        series.row(one.path.name, own_table, one.facts, sown=season.sowing.date, left_out=season.left_out)
        for one, own_table in zip(measured, tables, strict=True)
    ]
    groups = [visit_of.get(one.path.name) if "at_m" in one.facts else None for one in measured]
    return series.ranked(found, groups)


def readings(place: Lawn, measured: Iterable[Measured]) -> list[Reading]:
    """Measured photos as readings, spots without beds, each of a plot as that plot's.

    Where paths lie between plots it has its plot's ground only: a path is no lawn. Elsewhere it has what lies
    beside all plots too.
    """
    own, found = place.plot_of_peg, []
    for one in measured:
        plot = _plot_of(one, own)
        table = _own_ground(place, one, own if place.paths else {})
        found.append(replace(one.reading, table=table, plot=plot.number if plot else None))
    return found


def _plot_of(one: Measured, own: Mapping[int, Plot]) -> Plot | None:
    """The plot that a measured photo shows, of these by their pegs; None where it shows none of them."""
    number = spot_of(one.facts["view"]) if "at_m" in one.facts else None
    return None if number is None else own.get(number)


def _own_ground(place: Lawn, one: Measured, own: Mapping[int, Plot]) -> CellTable:
    """A measured photo's table; of a spot without beds, of a plot, ``own`` by its peg, without what lies
    beside that."""
    plot, reading = _plot_of(one, own), one.reading
    table = reading.table if plot is None else plots.within(reading.table, *on_lawn_m(reading), plot)
    if reading.at_m is None or not place.beds_m:  # a view's own grid is without them
        return table
    return plots.beside_beds(table, *on_lawn_m(reading), place.beds_m)


def list_filed(place: Lawn, filed: Sequence[Filed], unplaced: Mapping[str, str]) -> Path:
    """Write what became of photos handed in beside what became of earlier ones; ``unplaced``, why, by filed
    name.

    A row a photo, under each name that it was handed in by; of one that was handed in again the last time
    counts, and what was deleted from the lawn since goes.
    """
    told = [
        {
            "source": str(one.source),
            "photo": one.path.name,
            "taken": one.taken.isoformat(),
            "taken_from": one.taken_from,
            "state": "filed before" if one.already else "filed",
            "note": one.note,
            "why": unplaced.get(one.path.name, ""),
        }
        for one in filed
    ]
    path = place.results_dir / FILED
    with locked(place.folder):
        there = {photo.name for photo in place.every_photo()}
        by_name = {
            (row["photo"], Path(row["source"]).name): row
            for row in (*store.read_table(path, FILED_COLUMNS), *told)
            if row["photo"] in there
        }
        return store.write_table(path, FILED_COLUMNS, by_name.values())


def placed(reading: Reading, sown: date) -> store.PlacedTable:
    """The reading with its cells' centres in lawn metres, as the results have it."""
    x_m, y_m = on_lawn_m(reading)
    table = replace(reading.table, x_m=x_m, y_m=y_m)
    age_days = (reading.taken.date() - sown).days
    return store.PlacedTable(table, reading.taken, age_days, reading.view, reading.photo)
