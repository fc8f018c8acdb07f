"""A trial's plots on every date, and the means of its treatments: tables for statistics elsewhere."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any, Final

import numpy as np

from turfeye import store, treatments
from turfeye.covererror import mean_se
from turfeye.lawn import Lawn
from turfeye.lawnrecords import Season
from turfeye.measurement import Measured
from turfeye.photo import parse_taken_from_name
from turfeye.plots import NO_CELL
from turfeye.records import Whole
from turfeye.season import on_lawn_m
from turfeye.summary import chance, index_of, number
from turfeye.treatments import BLOCK, PLOT, TREATMENT, Compared, Treatments

BY_DATE, MEANS = "plots-by-date.csv", "treatment-means.csv"
"""In the lawn's results: a row a plot a visit, and a row a treatment a visit and measure."""
FIGURES: Final = (
    "date", "age_days", "cover", "cover_se", "dgci", "dgci_se", "cells", "seen_m2", "why",
)  # fmt: skip
"""Columns behind the plot's number and what ``treatments.csv`` says of it."""
MEAN_COLUMNS: Final = (
    "date", "age_days", "measure", "treatment", "plots", "mean", "sed", "lsd_5pct", "df", "p", "cv_pct",
    "why",
)  # fmt: skip
MEASURES: Final = ("cover", "dgci")
ROUND_DAYS: Final = 3
"""A round of photos of all plots may take so many days; cover grows by a few points in them. Ours."""
NO_PHOTO: Final = "no photo"


def columns(given: Treatments) -> tuple[str, ...]:
    """The names of the columns, in order."""
    return (PLOT, *given.columns, *FIGURES)


def rows(
    place: Lawn, season: Season, number_of: Whole, measured: Sequence[Measured], given: Treatments
) -> list[dict[str, Any]]:
    """A row a plot a visit, the plots in their order, None where a figure is not known; then ``why`` says.

    ``number_of`` (N,) is the plot of each of the season's cells.
    """
    found = []
    why = _Whys.among(place, measured)
    for plot in place.plots:
        cells = np.flatnonzero(number_of == plot.number)
        own = {PLOT: plot.number} | {name: given.value(plot.number, name) for name in given.columns}
        for v, visit in enumerate(season.visits):
            on = visit.taken.date()
            when = {"date": on.isoformat(), "age_days": int(visit.age_days)}
            told = _figures(season, cells, v) or {"why": why.of(plot.number, on, season, cells)}
            found.append(own | dict.fromkeys(FIGURES) | when | {"cells": 0, "why": ""} | told)
    return found


def _figures(season: Season, cells: Whole, v: int) -> dict[str, Any]:
    """What visit ``v`` shows of a plot's cells (n,); nothing where it shows none of them."""
    cover, se = season.cover[cells, v], season.cover_se[cells, v]
    weight = np.where(np.isfinite(cover), season.area_m2[cells], 0.0)
    if not weight.any():
        return {}
    index, index_se = index_of(season.dgci[cells, v], season.dgci_se[cells, v], np.nan_to_num(cover), weight)
    return {
        "cover": number(float(np.average(np.nan_to_num(cover), weights=weight)), 4),
        "cover_se": number(float(mean_se(np.nan_to_num(se), weight)), 4),
        "dgci": index,
        "dgci_se": index_se,
        "cells": int((weight > 0).sum()),
        "seen_m2": number(float(weight.sum()), 3),
    }


@dataclass(frozen=True, eq=False, slots=True)
class _Whys:
    """Why a plot has no figure on a day: the photos of each day, those of a plot alone apart."""

    of_plot: Mapping[tuple[date | None, int], Sequence[Measured]]
    of_lawn: Mapping[date | None, Sequence[Measured]]

    @classmethod
    def among(cls, place: Lawn, measured: Sequence[Measured]) -> _Whys:
        """A plot's own photo is told by its peg, one that was not measured by what was filed with it."""
        filed = {note.photo: note.spot for note in place.notes}
        own = place.plot_of_peg
        alone, whole = defaultdict(list), defaultdict(list)
        for one in measured:
            seen = re.fullmatch(r"spot (\d+)", str(one.facts.get("view", "")))
            peg = int(seen[1]) if seen else filed.get(one.path.name)
            if peg is not None:
                alone[_day_of(one), own[peg].number if peg in own else peg].append(one)
            elif one.table is not None:
                whole[_day_of(one)].append(one)
        return cls(alone, whole)

    def of(self, plot: int, day: date, season: Season, cells: Whole) -> str:
        """What became of the plot's own photo, else why photos of the whole lawn don't show it."""
        if not len(cells):
            return NO_CELL
        said: Counter[str] = Counter()
        for one in (*self.of_plot.get((day, plot), ()), *self.of_lawn.get(day, ())):
            if one.table is None:
                return f"not measured: {one.why}"
            if left_out := season.left_out.get(one.path.name):
                return f"left out: {left_out}"
            said.update(_unseen_in(one, season, cells))
        return said.most_common(1)[0][0] if said else NO_PHOTO


def _unseen_in(one: Measured, season: Season, cells: Whole) -> list[str]:
    """Why a photo doesn't show some cells of the season, cell by cell."""
    assert one.table is not None
    x_m, y_m = on_lawn_m(one.reading)
    half = season.grid.cell_m / 2
    there = np.ones(len(x_m), bool)
    for places, own in ((x_m, season.x_m[cells]), (y_m, season.y_m[cells])):
        there &= (places >= own.min() - half) & (places <= own.max() + half)
    return one.table.reasons[there & (one.table.state != "seen")].tolist()


def _day_of(one: Measured) -> date | None:
    """The calendar day of a photo, measured or not."""
    if one.facts.get("taken"):
        return datetime.fromisoformat(one.facts["taken"]).date()
    taken = parse_taken_from_name(one.path.name)
    return taken.date() if taken else None


def compared(by_date: Sequence[dict[str, Any]], given: Treatments) -> tuple[Compared, ...]:
    """Treatments compared at every round by every measure that some plot has; () without treatments."""
    if TREATMENT not in given.columns:
        return ()
    found = []
    for some in _rounds(by_date):
        days = sorted({row["date"] for row in some if row["cover"] is not None} or {some[0]["date"]})
        first, last = (date.fromisoformat(day) for day in (days[0], days[-1]))
        age_days = max(row["age_days"] for row in some if row["date"] == days[-1])
        arms = [row[TREATMENT] for row in some]
        blocks = [row[BLOCK] for row in some] if BLOCK in given.columns else None
        for measure in MEASURES:
            values = np.array([row[measure] for row in some], float)
            if np.isfinite(values).any():
                means = treatments.compare(values, arms, blocks)
                found.append(Compared(last, age_days, measure, means, first))
    return tuple(found)


def _rounds(by_date: Sequence[dict[str, Any]]) -> list[list[dict[str, Any]]]:
    """A row a plot of each round: dates within ROUND_DAYS on which no plot was seen twice."""
    of_day: dict[str, dict[int, dict[str, Any]]] = defaultdict(dict)
    for row in by_date:
        of_day[row["date"]][row[PLOT]] = row
    found: list[tuple[date, set[int], dict[int, dict[str, Any]]]] = []
    for day, rows in sorted(of_day.items()):
        seen, on = {n for n, row in rows.items() if row["cover"] is not None}, date.fromisoformat(day)
        if found and (on - found[-1][0]).days < ROUND_DAYS and seen.isdisjoint(found[-1][1]):
            found[-1][1].update(seen)
            found[-1][2].update({n: rows[n] for n in seen})
        else:
            found.append((on, seen, dict(rows)))
    return [list(rows.values()) for _, _, rows in found]


def mean_rows(found: Sequence[Compared]) -> list[dict[str, Any]]:
    """A row a treatment, date and measure (MEAN_COLUMNS)."""
    return [
        {
            "date": one.on.isoformat(),
            "age_days": one.age_days,
            "measure": one.measure,
            "treatment": name,
            "plots": int(one.means.plots[k]),
            "mean": number(float(one.means.mean[k]), 4),
            "sed": number(one.means.sed, 4),
            "lsd_5pct": number(one.means.lsd, 4),
            "df": one.means.df or None,
            "p": chance(one.means.p),
            "cv_pct": number(one.means.cv_pct, 1),
            "why": one.means.why,
        }
        for one in found
        for k, name in enumerate(one.means.treatments)
    ]


def write(
    folder: Path, by_date: Sequence[dict[str, Any]], found: Sequence[Compared], given: Treatments
) -> tuple[Path, ...]:
    """Write both tables, where there is something for them; those of an earlier run go where there isn't."""
    written = []
    for name, names, lines in (
        (BY_DATE, columns(given), by_date),
        (MEANS, MEAN_COLUMNS, mean_rows(found)),
    ):
        if lines:
            written.append(store.write_table(folder / name, names, lines))
        else:
            (folder / name).unlink(missing_ok=True)
    return tuple(written)
