"""Passes: whether a group of thin cells is a piece of a strip that the spreader left, whole or in part.

Rows and columns of cells are the lines that are looked along. A strip's piece lies on lines whose other cells
are short of the lawn too, though too little, or too late, to be called thin each for itself. Then the rest of
those lines is no sound lawn to tell the piece from, but more of the same strip.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from turfeye.clock import Clock
from turfeye.curve import cover_at
from turfeye.places import AROUND_CELLS, Group
from turfeye.records import Flags, Floats, Outlook, Season, Whole
from turfeye.unmix import FEWEST, Along

LIKE, IN_PART, MOST = 0.45, 0.25, 0.75
"""A line is the strip's where the middle one of its other cells is short by more than the first of what the
group is short by; one beside these, by more than the second, has part of it. The group is a strip's where the
third of its cells lie on such lines. Ours; a patch that a late strip runs through is none."""
FEWEST_IN_LINE = 3
"""Of fewer other cells a line tells nothing of itself."""
SLENDER = 2.0
"""A group that takes up its lines whole is a strip if it is so many times as long as wide."""
DAYS_BEHIND = np.arange(3.0, 22.0, 3.0)
"""A late strip is so far behind its lawn."""


@dataclass(frozen=True, eq=False, slots=True)
class Strip:
    """A strip that a group is a piece of."""

    line: Whole  # (N,) the row or the column of each cell, whichever runs along it
    rest: Flags  # (N,) sound cells of its lines

    def along(self, outlook: Outlook, cells: Flags, sound: Flags) -> Along:
        """What the cells (N,) have in common, the lawn being as the sound ones (N,) are."""
        clock, age_days = Clock.of(outlook.season, outlook.time_axis), outlook.season.age_days
        rise = np.median(outlook.theta[sound], axis=0)
        rise[:2] = -40.0, 40.0  # the share of it, from 0 to 1
        before = np.maximum(age_days - np.append(0.0, DAYS_BEHIND)[:, None], 0)
        now, *then = cover_at(rise, clock.time(before), outlook.curve) * (before > 0)
        return Along(self.line[cells], np.array(then) / np.maximum(now, 1e-6))

    def width_m(self, season: Season, cells: Flags, share: Floats) -> float:
        """How wide it is, by the shares (N,) that it has of these cells (N,)."""
        lines = np.unique(self.line[cells])
        shares = [np.average(share[cells & (self.line == k)]) for k in lines]
        return season.grid.cell_m * float(np.sum(shares))


def strip_of(outlook: Outlook, group: Group, sound: Flags) -> Strip | None:
    """The strip that a group of thin cells is a piece of; None where it is none, or none can be told."""
    season, inside = outlook.season, group.inside
    found = [
        strip
        for line, across in ((season.row, season.col), (season.col, season.row))
        if (strip := _strip(outlook.cover_now, line, across, inside, sound)) is not None
    ]
    return max(found, key=lambda strip: int(strip.rest.sum()), default=None)


def _strip(cover: Floats, line: Whole, across: Whole, inside: Flags, sound: Flags) -> Strip | None:
    """The strip along these lines; all (N,)."""
    own = np.unique(line[inside])
    away = np.maximum(own[0] - line, line - own[-1])
    beside = sound & (away > 1) & (away <= AROUND_CELLS)
    if beside.sum() < FEWEST:
        return None
    lawn = float(np.median(cover[beside]))
    group_short = lawn - float(np.median(cover[inside]))
    others = {int(k): sound & (line == k) for k in range(own[0] - 1, own[-1] + 2)}
    short = {
        k: lawn - float(np.median(cover[cells]))
        for k, cells in others.items()
        if cells.sum() >= FEWEST_IN_LINE
    }
    if not short.keys() & set(own) and np.ptp(across[inside]) + 1 < SLENDER * len(own):
        return None
    its = [k for k in own if short.get(k, np.inf) > LIKE * group_short]
    if np.isin(line[inside], its).mean() < MOST:
        return None
    its += [k for k, by in short.items() if k not in its and by > IN_PART * group_short]
    return Strip(line, sound & np.isin(line, its))
