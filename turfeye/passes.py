"""Passes: whether a group of thin cells is a piece of a strip that the spreader left, whole or in part.

Rows and columns of cells are the lines that are looked along, and where the lawn as a whole has a stripe at
another angle (:mod:`turfeye.stripes`), lines along that. A strip's piece lies on lines whose other cells
are short of the lawn too, though too little, or too late, to be called thin each for itself. Then those cells
are no sound lawn to tell the piece from, but more of the same strip.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from turfeye.clock import Clock
from turfeye.curve import risen_at
from turfeye.histories import Along, Edges
from turfeye.kriging import FEWEST
from turfeye.lawnrecords import Outlook, Season
from turfeye.outlook import THIN_DEFICIT
from turfeye.places import AROUND_CELLS, Group
from turfeye.records import Flags, Floats, Whole
from turfeye.stripes import Stripe, stripes

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
SLANTED_DEG = 4.0
"""A stripe that runs closer to the grid's rows or columns is looked for along these."""
ON_EDGE, BESIDE = 0.35, 0.5
"""A cell lies on a stripe if its middle is no further beyond it than the first, and beside it if further than
the second, in cells. Ours."""


@dataclass(frozen=True, eq=False, slots=True)
class Way:
    """A way to look across the lawn; all (N,), in cells."""

    line: Whole  # which line along it each cell lies on
    place: Whole  # and where along that
    across: Floats  # its middle, measured across and along
    along: Floats
    slant_deg: float = 0.0  # to the grid's rows or columns, 0-90
    stripe: Stripe | None = None  # of the lawn as a whole, that it follows
    beyond: Floats | None = None  # how far cells' middles lie beyond its edges

    @classmethod
    def of_stripe(cls, season: Season, stripe: Stripe) -> Way:
        """Along a stripe: its middle is that of line 0."""
        angle, cell_m = np.radians(stripe.normal_deg), season.grid.cell_m
        across = (season.x_m * np.cos(angle) + season.y_m * np.sin(angle) - stripe.offset_m) / cell_m
        along = (season.y_m * np.cos(angle) - season.x_m * np.sin(angle)) / cell_m
        line, place = np.round(across).astype(int), np.floor(along - along.min() + 1e-6).astype(int)
        slant_deg = float(stripe.normal_deg % 90)
        slanted = SLANTED_DEG < slant_deg < 90 - SLANTED_DEG
        beyond = np.abs(across) - stripe.width_m / cell_m / 2
        return cls(line, place, across, along, slant_deg * slanted, stripe, beyond)

    @property
    def slanted(self) -> bool:
        """Whether cells of one line lie here more and there less on it."""
        return self.slant_deg > 0


@dataclass(frozen=True, eq=False, slots=True)
class Strip:
    """A strip that a group is a piece of."""

    way: Way  # that it runs
    own: tuple[int, ...]  # the lines that it lies on
    rest: Flags  # (N,) its cells that are not thin each for itself

    @property
    def line(self) -> Whole:
        """(N,) the line along it that each cell lies on."""
        return self.way.line

    @property
    def place(self) -> Whole:
        """(N,) where along it."""
        return self.way.place

    def joins(self, other: Strip) -> bool:
        """Whether the other lies on a line of this one."""
        return self.way is other.way and not set(self.own).isdisjoint(other.own)

    def joined(self, other: Strip) -> Strip:
        """Both as one."""
        return Strip(self.way, tuple(sorted({*self.own, *other.own})), self.rest | other.rest)

    def ring_m(self, season: Season, edges: Edges, here: Flags) -> Floats | None:
        """(4, 2) corners of its stretch with these cells (N,); None along rows or columns."""
        stripe, cell_m = self.way.stripe, season.grid.cell_m
        if stripe is None or not self.way.slanted:
            return None
        start = self.way.along.min()
        far = [self.place[here].min() + start, self.place[here].max() + 1 + start]
        corners = [(edges.across(far[k])[which], far[k]) for k, which in ((0, 0), (1, 0), (1, 1), (0, 1))]
        across, along = np.array(corners).T * cell_m + [[stripe.offset_m], [0.0]]
        angle = np.radians(stripe.normal_deg)
        turned = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        return np.stack([across, along], axis=1) @ turned

    def between(self, shows: Flags) -> Flags:
        """(N,) the cells about it from the first to the last place of those that show it (N,).

        Where it lies slanted no line of cells has one share of it, so each cell is asked.
        """
        if not self.way.slanted or not shows.any():
            return np.zeros(len(shows), bool)
        here = (self.line >= self.own[0] - 1) & (self.line <= self.own[-1] + 1)
        return here & (self.place >= self.place[shows].min()) & (self.place <= self.place[shows].max())

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
            self.way.across[cells],
            self.way.along[cells],
            self.way.slant_deg,
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


@dataclass(frozen=True, eq=False, slots=True)
class Told:
    """What groups of thin cells turned out to be."""

    groups: tuple[Group, ...]
    strip: Strip | None  # that they are pieces of
    others: Flags  # (N,) cells of something else: a strip that it is no piece of, or patches on its strip


def by_strip(outlook: Outlook, groups: Sequence[Group], sound: Flags) -> list[Told]:
    """The groups of thin cells, those together that are pieces of one strip; the others alone.

    A patch that a strip runs into is parted from it.
    """
    cover, every = outlook.cover_now, ways(outlook)
    square, of_stripes = ([way for way in every if (way.stripe is None) == grid] for grid in (True, False))
    # along rows and columns one look tells a strip with what lies beside it; slanted none does
    slanted = [way for way in of_stripes if way.slanted]
    nothing: Flags = np.zeros(len(sound), bool)
    found: list[Told] = []
    arms = nothing
    for group in groups:
        asked = slanted if strip_of(cover, group, sound, square) else of_stripes
        arms = np.any([arms, *(_arms(way, group.inside)[0] for way in asked)], axis=0)
    groups = groups[0].place.parted(groups, arms) if arms.any() else groups
    for group in groups:
        # what was parted from a patch is of no other strip than the stripe that it lies on
        cut_off = bool(arms[group.inside].any())
        strip = strip_of(cover, group, sound, of_stripes if cut_off else [*square, *slanted])
        if strip is None:
            its = np.any([nothing, *(_arms(way, group.inside)[1] for way in of_stripes)], axis=0)
            found.append(Told((group,), None, its))
            continue
        pieces: tuple[Group, ...] = (group,)
        for other in list(found):
            if other.strip is not None and strip.joins(other.strip):
                found.remove(other)
                pieces, strip = (*other.groups, *pieces), strip.joined(other.strip)
        found.append(Told(pieces, strip, nothing))
    # where a patch lies on a strip its ground is the patch's
    patches = [group.surroundings(sound)[0] for one in found if one.strip is None for group in one.groups]
    whole = np.any([nothing, *patches], axis=0)
    return [one if one.strip is None else replace(one, others=whole & ~one.strip.rest) for one in found]


def _arms(way: Way, inside: Flags) -> tuple[Flags, Flags]:
    """(N,) a group's cells on a stripe beyond what of it lies beside the stripe; and all cells there.

    None where it hardly lies beside the stripe, or on it beyond that.
    """
    nothing = inside & ~inside
    if way.beyond is None:
        return nothing, nothing
    on: Flags = way.beyond <= ON_EDGE
    beside = inside & (way.beyond > BESIDE)
    if beside.sum() < FEWEST_IN_LINE or not (inside & on).any():
        return nothing, nothing
    first, last = way.place[beside].min(), way.place[beside].max()
    beyond = on & ((way.place < first) | (way.place > last))
    if (inside & beyond).sum() < FEWEST_IN_LINE:  # too few to be told as a strip by themselves
        return nothing, nothing
    return inside & beyond, beyond


def ways(outlook: Outlook) -> list[Way]:
    """Along rows and columns; and along each missed stripe that the lawn as a whole has."""
    season = outlook.season
    row, col = season.row.astype(float), season.col.astype(float)
    found = stripes(season.grid, season.x_m, season.y_m, outlook.cover_seen).found
    return [
        Way(season.row, season.col, row, col),
        Way(season.col, season.row, col, row),
        *(Way.of_stripe(season, one) for one in found if one.kind == "missed"),
    ]


def strip_of(cover: Floats, group: Group, sound: Flags, along: Sequence[Way]) -> Strip | None:
    """The strip along any of these ways that a group of thin cells is a piece of, the one with most other
    cells; None where it is none, or none can be told. ``cover`` and ``sound`` are (N,)."""
    found = [
        (_on_line if way.stripe is None else _on_stripe)(cover, way, group.inside, sound) for way in along
    ]
    strips = [strip for strip in found if strip is not None]
    return max(strips, key=lambda strip: int(strip.rest.sum()), default=None)


def _on_stripe(cover: Floats, way: Way, inside: Flags, sound: Flags) -> Strip | None:
    """The strip that a group on a stripe of the lawn is a piece of; all (N,)."""
    if way.beyond is None or (way.beyond[inside] <= ON_EDGE).mean() < MOST:
        return None
    own = np.unique(way.line[way.beyond <= ON_EDGE])
    lawn = _beside(cover, way, own, sound)
    if lawn is None:
        return None
    short, cells = lawn - cover, sound | inside
    level = {
        int(k): max(float(np.median(short[its])), 0.0) for k in own if (its := cells & (way.line == k)).any()
    }
    return Strip(way, tuple(map(int, own)), _running(way, level, short, cells) & sound)


def _beside(cover: Floats, way: Way, own: Whole, sound: Flags) -> float | None:
    """Cover of the sound lawn on the lines next to some; None where too little of it was seen."""
    away = np.maximum(own[0] - way.line, way.line - own[-1])
    beside = sound & (away > 1) & (away <= AROUND_CELLS)
    return float(np.median(cover[beside])) if beside.sum() >= FEWEST else None


def _running(way: Way, level: Mapping[int, float], short: Floats, cells: Flags) -> Flags:
    """(N,) the cells of some lines where it runs: those short (N,) by RUN of their line's ``level``."""
    from scipy.ndimage import median_filter

    runs = np.zeros(len(cells), bool)
    for k, by in level.items():
        its = np.flatnonzero(cells & (way.line == k))
        its = its[np.argsort(way.place[its], kind="stable")]
        runs[its] = median_filter(short[its], RUN_CELLS, mode="nearest") > RUN * by
    return runs


def _on_line(cover: Floats, way: Way, inside: Flags, sound: Flags) -> Strip | None:
    """The strip along this row or column that a group is a piece of; all (N,)."""
    line, place = way.line, way.place
    own = np.unique(line[inside])
    lawn = _beside(cover, way, own, sound)
    if lawn is None:
        return None
    group_short = lawn - float(np.median(cover[inside]))
    first, last = place[inside].min(), place[inside].max()
    length = last - first + 1
    slender, long = length >= SLENDER * len(own), False
    alongside = sound
    if slender and length >= RUN_CELLS:
        long = bool(length >= RIMS_TOO * len(own))
        alongside = sound & (place >= first - BEYOND) & (place <= last + BEYOND) | (inside & long)
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
    level = {int(k): short.get(k, 0.0) for k in its + parts}
    return Strip(way, tuple(sorted(level)), _running(way, level, lawn - cover, sound | inside) & sound)
