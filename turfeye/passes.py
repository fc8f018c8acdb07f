"""Passes: whether a group of thin cells is a piece of a strip that the spreader left, whole or in part.

Rows and columns of cells are the lines that are looked along. A strip's piece lies on lines whose other cells
are short of the lawn too, though too little, or too late, to be called thin each for itself. Then those cells
are no sound lawn to tell the piece from, but more of the same strip.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from turfeye.clock import Clock
from turfeye.curve import risen_at
from turfeye.histories import Along
from turfeye.kriging import FEWEST
from turfeye.lawnrecords import Outlook, Season
from turfeye.outlook import THIN_DEFICIT
from turfeye.places import AROUND_CELLS, Group
from turfeye.records import Flags, Floats, Whole

LIKE, IN_PART, MOST = 0.45, 0.25, 0.6
"""A line is the strip's where the middle one of its other cells is short by more than the first of what the
group is short by; one beside these, by more than the second, has part of it. The group is a strip's where the
third of its cells lie on such lines. Set on simulated strips (seeds 60000-60199, where 0.6, not 0.45, has
an area error of 0.16 instead of 0.14); a patch that a late strip runs through is none."""
RUN_CELLS, RUN = 5, 0.5
"""The strip runs where the middle one of so many cells along a line is short by so much of what the line's
middle one is. Ours."""
BEYOND = 2
"""A line is looked at alongside a slender group of RUN_CELLS and more, and so many cells beyond its ends:
further on the strip may have come late, and have filled since."""
FEWEST_IN_LINE = 3
"""Of fewer other cells a line tells nothing of itself."""
SLENDER = 2.0
"""A group that takes up its lines whole is a strip if it is so many times as long as wide."""
RIMS_TOO = 2.5
"""If it is so many times as long as wide, its own cells count among its lines' too: of a strip that takes up
a line whole, those beside it are thin in part and sound for the rest. Ours; patches are hardly so slender."""
MOST_BESIDE = 300
"""A strip is told from at most so many sound cells beside it."""
DAYS_BEHIND = np.arange(3.0, 22.0, 3.0)
"""A late strip is so far behind its lawn."""


@dataclass(frozen=True, eq=False, slots=True)
class Strip:
    """A strip that a group is a piece of."""

    line: Whole  # (N,) the row or the column of each cell, whichever runs along it
    place: Whole  # (N,) the other: where along it
    own: tuple[int, ...]  # the lines that it lies on
    rest: Flags  # (N,) its cells that are not thin each for itself

    def joins(self, other: Strip) -> bool:
        """Whether the other lies on a line of this one."""
        same_way = self.line is other.line  # both run along rows, or along columns
        return same_way and not set(self.own).isdisjoint(other.own)

    def joined(self, other: Strip) -> Strip:
        """Both as one."""
        return Strip(self.line, self.place, tuple(sorted({*self.own, *other.own})), self.rest | other.rest)

    def beside(self, sound: Flags) -> Flags:
        """(N,) the sound cells on the lines next to it, MOST_BESIDE of them at most, evenly chosen."""
        away = np.maximum(self.own[0] - self.line, self.line - self.own[-1])
        found = np.flatnonzero(sound & ~self.rest & (away > 1) & (away <= AROUND_CELLS))
        flags = np.zeros(len(sound), bool)
        flags[found[:: max(1, -(-len(found) // MOST_BESIDE))]] = True
        return flags

    def along(self, outlook: Outlook, cells: Flags, sound: Flags) -> Along:
        """What the cells (N,) have in common, the lawn being as the sound ones (N,) are."""
        clock, age_days = Clock.of(outlook.season, outlook.time_axis), outlook.season.age_days
        middle = np.median(outlook.theta[sound], axis=0)
        due_age = (outlook.due_on - outlook.season.sowing.date).days
        ages = np.append(age_days, due_age)
        before = np.maximum(ages - np.append(0.0, DAYS_BEHIND)[:, None], 0)
        now, *then = risen_at(middle, clock.time(before), outlook.curve) * (before > 0)
        return Along(
            self.line[cells],
            self.place[cells],
            np.array(then) / np.maximum(now, 1e-6),
            due_cover=outlook.cover_due,
            enough=outlook.season.target.cover - THIN_DEFICIT,
        )

    def stretches(self, cells: Flags) -> list[tuple[int, int]]:
        """From where to where along it cells (N,) lie; one place missing between two breaks no stretch."""
        places = np.unique(self.place[cells])
        runs = np.split(places, np.flatnonzero(np.diff(places) > 2) + 1) if len(places) else []
        return [(int(run[0]), int(run[-1])) for run in runs]

    def lone(self, cells: Flags, others: Flags) -> Flags:
        """Which of the cells (N,) are one place long, and next to a place of the others (N,)."""
        places, beside = set(self.place[cells].tolist()), set(self.place[others].tolist())
        alone = [k for k in places if not places & {k - 1, k + 1} and beside & {k - 1, k + 1}]
        return cells & np.isin(self.place, alone)

    def width_m(self, season: Season, cells: Flags, share: Floats) -> float:
        """How wide it is, by the shares (N,) that it has of these cells (N,)."""
        lines = np.unique(self.line[cells])
        shares = [np.average(share[cells & (self.line == k)]) for k in lines]
        return season.grid.cell_m * float(np.sum(shares))


def by_strip(
    outlook: Outlook, groups: Sequence[Group], sound: Flags
) -> list[tuple[tuple[Group, ...], Strip | None]]:
    """The groups of thin cells, those together that are pieces of one strip; the others alone."""
    found: list[tuple[tuple[Group, ...], Strip | None]] = []
    for group in groups:
        pieces: tuple[Group, ...] = (group,)
        strip = strip_of(outlook, group, sound)
        for other in list(found):
            if strip is not None and other[1] is not None and strip.joins(other[1]):
                found.remove(other)
                pieces, strip = (*other[0], *pieces), strip.joined(other[1])
        found.append((pieces, strip))
    return found


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
    from scipy.ndimage import median_filter

    own = np.unique(line[inside])
    away = np.maximum(own[0] - line, line - own[-1])
    beside = sound & (away > 1) & (away <= AROUND_CELLS)
    if beside.sum() < FEWEST:
        return None
    lawn = float(np.median(cover[beside]))
    group_short = lawn - float(np.median(cover[inside]))
    first, last = across[inside].min(), across[inside].max()
    slender = last - first + 1 >= SLENDER * len(own)
    long, alongside = False, sound
    if slender and last - first + 1 >= RUN_CELLS:
        alongside = sound & (across >= first - BEYOND) & (across <= last + BEYOND)
        long = bool(last - first + 1 >= RIMS_TOO * len(own))
        alongside = alongside | (inside & long)
    others = {int(k): alongside & (line == k) for k in range(own[0] - 1, own[-1] + 2)}
    short = {
        k: lawn - float(np.median(cover[cells]))
        for k, cells in others.items()
        if cells.sum() >= FEWEST_IN_LINE
    }
    if not short.keys() & set(own) and not slender:
        return None
    its = [k for k in own if short.get(k, np.inf) > LIKE * group_short]
    parts = [k for k, by in short.items() if k not in its and by > IN_PART * group_short]
    if np.isin(line[inside], its + parts * long).mean() < MOST:
        return None
    its += parts
    rest = np.zeros(len(sound), bool)
    for k in its:
        cells = np.flatnonzero((sound | inside) & (line == k))
        cells = cells[np.argsort(across[cells])]
        along = median_filter(lawn - cover[cells], RUN_CELLS, mode="nearest")
        rest[cells] = along > RUN * short.get(k, 0.0)
    return Strip(line, across, tuple(sorted(map(int, its))), rest & sound)
