"""Of each cell of a season: how many visits showed it, when last, in what light, and why others did not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from turfeye import cells
from turfeye.lawnrecords import Season
from turfeye.records import Floats, Whole, Words
from turfeye.store import PlacedTable

NO_SPOT: Final = "no spot's photo shows it"
TOO_LITTLE: Final = "too little of it was seen"


@dataclass(frozen=True, eq=False, slots=True)
class Shown:
    """Arrays (N,), one entry a cell of the season."""

    visits: Whole  # that showed it
    last: Words  # the date of the last of them, ISO 8601; "" where none did
    missed_why: Words  # the commonest reason why a visit did not; "" where all did
    other_light: Whole  # visits in which it lay in other light than the card, so that it has no colour

    def columns(self) -> dict[str, list[Any]]:
        """As columns of ``season.csv``."""
        return {
            "visits_seen": self.visits.tolist(),
            "last_seen": self.last.tolist(),
            "missed_why": self.missed_why.tolist(),
            "visits_other_light": self.other_light.tolist(),
        }

    def with_reasons(self, why: Words) -> Words:
        """What the states rest on (N,), with the reason where no visit showed the cell."""
        never = np.char.add(np.char.add(why, ": "), self.missed_why)
        return np.where((self.visits == 0) & (self.missed_why != ""), never, why)


def of(season: Season, photos: Sequence[PlacedTable]) -> Shown:
    """What the visits showed; ``photos`` are the season's, with their cells' centres in lawn metres."""
    seen = np.isfinite(season.cover)
    dates = np.array([visit.taken.date().isoformat() for visit in season.visits])
    latest = seen.shape[1] - 1 - seen[:, ::-1].argmax(axis=1)
    by_name = {photo.photo: photo for photo in photos}
    other_light = np.zeros(len(seen), int)
    reasons: list[str] = []
    missed = np.full(seen.shape, -1)  # index into reasons
    for v, visit in enumerate(season.visits):
        mine = [by_name[name] for name in visit.photos if name in by_name]
        shaded = np.zeros(len(seen), bool)
        said = np.full(len(seen), _unless_said(mine), dtype=object)
        for photo in mine:
            place, rows = _places(season, photo)
            table = photo.table
            shaded[place[table.shade[rows] > cells.MAX_OTHER_LIGHT]] = True
            said[place] = [reason or TOO_LITTLE for reason in table.reasons[rows].tolist()]
        other_light += shaded & seen[:, v]
        words, missed[:, v] = np.unique(said.astype(str), return_inverse=True)
        missed[:, v] += len(reasons)
        reasons += words.tolist()
    return Shown(
        visits=seen.sum(axis=1),
        last=np.where(seen.any(axis=1), dates[latest], ""),
        missed_why=_commonest(np.where(seen, -1, missed), reasons),
        other_light=other_light,
    )


def _unless_said(photos: Sequence[PlacedTable]) -> str:
    """Why a cell is in none of a visit's tables."""
    lawn = any(photo.table.grid.outline_m is not None for photo in photos)
    return cells.OUTSIDE if lawn or not photos else NO_SPOT


def _places(season: Season, photo: PlacedTable) -> tuple[Whole, Whole]:
    """Of a photo's cells that lie on the lawn: the season's cell, and the row of its table."""
    grid, table = season.grid, photo.table
    board = np.full((grid.rows, grid.cols), -1)
    board[season.row, season.col] = np.arange(len(season.row))

    def index(centres: Floats, first: float, count: int) -> Whole:
        return np.clip(np.floor((centres - first) / grid.cell_m).astype(int), -1, count)

    row, col = index(table.y_m, grid.y0_m, grid.rows), index(table.x_m, grid.x0_m, grid.cols)
    on = (row >= 0) & (row < grid.rows) & (col >= 0) & (col < grid.cols)
    place = np.where(on, board[np.where(on, row, 0), np.where(on, col, 0)], -1)
    rows = np.flatnonzero(place >= 0)
    return place[rows], rows


def _commonest(missed: Whole, reasons: Sequence[str]) -> Words:
    """The reason found most often in each row; "" where all are -1, the first by name of equal ones."""
    names = sorted(set(reasons))
    if not names:
        return np.full(len(missed), "", dtype=np.str_)
    same = np.array([names.index(reason) for reason in reasons])
    counts = np.zeros((len(missed), len(names)), int)
    for column in missed.T:
        there = column >= 0
        counts[np.flatnonzero(there), same[column[there]]] += 1
    return np.where(counts.any(axis=1), np.array(names)[counts.argmax(axis=1)], "")
