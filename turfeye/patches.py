"""Patches: areas that stand out from their lawn, outlined below cell size.

Thin patches come from an outlook (cells that won't reach the target), bare ones from a lawn before the work;
pale ones are in :mod:`turfeye.palepatches`. They are described, never diagnosed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from turfeye.curve import expit
from turfeye.headline import passed
from turfeye.kriging import FEWEST
from turfeye.lawnrecords import Outlook, Patch, Season
from turfeye.outlook import CLEAR_DEFICIT, THIN_DEFICIT
from turfeye.passes import Strip, Told, by_strip
from turfeye.places import GAP_SE, Extent, Group, Place, numbered, outlined, robust_sd
from turfeye.records import CellTable, Flags, Floats
from turfeye.states import chance_short, next_look
from turfeye.unmix import Unmixed, in_or_out, unmix
from turfeye.words import LIKELY, likelihood, open_until, per_cent, short_day, wont_fill

WHOLE = 0.7
"""Of a patch that takes up less of every cell nobody saw how thin it is itself: half-bare cells may be half
of them bare, or all of them half covered. Ours."""
LEAST_M2 = 0.05
"""A smaller thin patch is worth no tape and no bag, and no piece of a strip: it stays in the map of cells."""
RIM = 0.5
"""What takes up less of its cells than this, beside ground that was just sown, is no patch yet. Ours."""
SOUND_CELLS = 100
"""A thin patch is told from this many of the sound cells next to it."""
UNPURE_SE = 0.12
"""Relative error of a thin patch's area on a lawn without sound cells, which is not cut below cell size."""

WAITS = LIKELY
"""A stretch of a strip waits where its seed is likely there and still coming: more on top of it is wasted,
and a week lost on one that was left out costs little. `docs/tried.md` has what other values do."""
PERHAPS = 0.1
"""From this chance on it is said that a stretch may yet come. Ours."""
NARROW_M = 0.2
"""What comes out narrower is no strip that a spreader leaves, but the thin edge of a lawn, say. Ours."""
STRIP_SE = 0.1
"""Relative error of a strip's width beyond what its cells tell, since they differ in depth: with it the truth
lies within one and two errors told in 76 and 95 % of simulated strips (bench), without in 66 and 88 %."""


def thin(outlook: Outlook, *, ground: str = "lawn", strips: bool = True) -> tuple[Patch, ...]:
    """Those of :func:`thin_or_slow` that are thin."""
    found = thin_or_slow(outlook, ground=ground, strips=strips)
    return tuple(patch for patch in found if patch.kind == "thin")


def thin_or_slow(outlook: Outlook, *, ground: str = "lawn", strips: bool = True) -> tuple[Patch, ...]:
    """Connected thin cells as patches, the largest first; ``ground`` is what the whole is called.

    Slow, and after the thin ones, are stretches of strips whose cells are thin each for itself, but which all
    together came late, or are likely still coming: these get no seed.

    ``strips`` says whether they may be pieces of strips that a spreader left: it does a lawn, not one plot
    of a trial, of which a photo shows a dozen cells in a line. Each cell's covers on all visits are unmixed
    into the lawn around and the patch itself (:mod:`turfeye.unmix`); the area is the sum of what belongs to
    the patch.
    """
    if not (outlook.state == "thin").any():
        return ()
    lawn = _Lawn.of(outlook, ground)
    area_m2 = outlook.season.area_m2
    groups = [one for one in lawn.place.groups(lawn.thin) if area_m2[one.inside].sum() >= LEAST_M2]
    nobodys: Flags = np.zeros(len(lawn.thin), bool)
    told = (
        by_strip(outlook, groups, lawn.sound) if strips else [Told((one,), None, nobodys) for one in groups]
    )
    patches = [patch for one in told for patch in _thin_patches(lawn, one)]
    rims = _rims(outlook.season, patches)
    kept = numbered([patch for patch in patches if patch.area_m2 >= LEAST_M2 and patch not in rims])
    in_order = sorted(kept, key=lambda patch: patch.kind == "slow")
    return tuple(replace(patch, number=number) for number, patch in enumerate(in_order, start=1))


def _rims(season: Season, patches: Sequence[Patch]) -> list[Patch]:
    """Those that are the rims of what was sown again since the last visit, told alone for want of the rest.

    They were thin by the patch that has been sown; whether more is wanted there the next visit tells.
    """
    last = season.visits[-1].taken.date()
    sown = [one.cells for one in season.oversown if one.sowing.date >= last]
    if not sown:
        return []
    there = np.stack([season.row, season.col], axis=1)
    fresh, rims = there[np.concatenate(sown)], []
    for patch in patches:
        away = np.abs(there[patch.cells][:, None] - fresh[None]).max(axis=2)
        if away.min() <= 1 and patch.area_m2 < RIM * season.area_m2[patch.cells].sum():
            rims.append(patch)
    return rims


def bare(table: CellTable, *, above: float = 0.5) -> tuple[Patch, ...]:
    """Connected cells with more than this share of bare soil, the largest first.

    Meant for a lawn before the work: holes, worn places, what an animal dug up.
    """
    place = Place(table.grid, table.row, table.col)
    known = (table.state == "seen") & np.isfinite(table.bare)
    found = known & (np.nan_to_num(table.bare) > above)
    patches: list[Patch] = []
    for group in place.groups(found):
        near, around = group.surroundings(known & ~found)
        if not around.any():  # where little else is left, all of it is beside bare cells
            around = known & ~found
        own = float(np.median(table.bare[around])) if around.any() else 0.0
        inside = group.inside
        level = float(np.max(table.bare[inside]))
        share = np.where(near & known, (table.bare - own) / (level - own), 0.0)
        # A lawn is never bare by the same share everywhere: its own spread is no part of the hole.
        spread = robust_sd(table.bare[around]) if around.any() else 0.0
        se = np.where(known, np.hypot(np.nan_to_num(table.cover_se), spread), 0.0) / (level - own)
        share, se = (np.where(near & known, part, 0.0) for part in in_or_out(share, se)[:2])
        text = f"{per_cent(level)} bare soil, against {per_cent(own)} in the lawn around it"
        extent = Extent(share, se, known, inside)
        patches += outlined("bare", table, place, extent, deficit=level, how_sure=1.0, because=text)
    return numbered(patches)


# -- thin ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False, slots=True)
class _Lawn:
    """What all thin patches of a lawn are told from. Flags are (N,)."""

    outlook: Outlook
    place: Place
    thin: Flags
    known: Flags  # some visit showed it as it is now
    sound: Flags  # known and not thin
    gaps: Flags
    start_cover: Floats  # (N,)
    usual_se: float  # of a cover
    ground: str  # what it is called

    @classmethod
    def of(cls, outlook: Outlook, ground: str) -> _Lawn:
        season = outlook.season
        place = Place(season.grid, season.row, season.col)
        thin = np.asarray(outlook.state == "thin")
        # what was sown again and isn't judged yet is neither the patch nor the lawn around it
        known = np.isfinite(season.cover).any(axis=1) & (thin | ~season.sown_again)
        sound = known & ~thin & (outlook.state != "not seen")
        return cls(
            outlook,
            place,
            thin,
            known,
            sound,
            gaps=place.gaps(known),
            start_cover=expit(outlook.theta[:, 0]),
            usual_se=float(np.nanmedian(season.cover_se)),
            ground=ground,
        )

    def unmixed(self, cells: Flags, sound: Flags, strip: Strip | None = None) -> tuple[Unmixed, float]:
        """The marked cells (N,) against the sound ones (N,), all (N,) and 0 of others; and the relative error
        of their area together, beyond their own."""
        season = self.outlook.season
        found = unmix(
            season,
            cells,
            sound,
            start_cover=self.start_cover,
            visit_offset=self.outlook.visit_offset,
            usual_se=self.usual_se,
            along=None if strip is None else strip.along(self.outlook, cells, sound),
        )
        share, se = np.zeros((2, len(cells)))
        share[cells], se[cells] = found.share, found.se
        ahead = found.ahead and found.ahead.spread(cells)
        relative_se = found.area_se_m2 / max(float(share @ season.area_m2), 1e-9)
        return Unmixed(share, se, found.area_se_m2, ahead), relative_se


@dataclass(frozen=True, eq=False, slots=True)
class _Thin:
    """Thin cells and what is theirs in the ground around them; arrays (N,)."""

    inside: Flags  # the thin cells
    cells: Flags  # those seen of them and next to them
    gaps: Flags  # and those not seen, but taken from their neighbours
    share: Floats  # of each of these that is the patch's; 0 of others
    se: Floats
    relative_se: float  # of the area, beyond that
    around: Flags  # the lawn that it is compared with
    beside: str  # what that is called
    strip: str = ""  # what is said of a strip's width
    beyond: Flags | None = None  # of a strip, where its lines go on beyond it: it ends square to them
    then: float | None = None  # cover that is expected of a strip itself, by all that is known of it
    p_short: float | None = None  # and the chance that it stays short
    p_coming: float = 0.0  # and that its seed is there and still coming
    gets_seed: bool = True
    ring_m: Floats | None = None  # (4, 2), of a strip that runs slanted to the cells


def _thin_patches(lawn: _Lawn, told: Told) -> list[Patch]:
    """The pieces of a strip, or what is none, each group alone."""
    if told.strip is not None and (found := _as_strip(lawn, told, told.strip)) is not None:
        return [patch for stretch in found for patch in _outlined(lawn, stretch)]
    return [patch for group in told.groups for patch in _outlined(lawn, _alone(lawn, group, told.others))]


def _alone(lawn: _Lawn, group: Group, others: Flags) -> _Thin:
    """A group that is of no strip, told against the sound cells next to it; by whole cells where few are.

    Of the others (N,), which are a strip's that it lies on, it has nothing.
    """
    near, around = group.surroundings(lawn.sound)
    near &= ~others | group.inside
    sound = group.nearest(lawn.sound & ~others, SOUND_CELLS)
    cells = near & lawn.known
    share: Floats = group.inside.astype(float)
    se: Floats = np.zeros(len(cells))
    relative_se = UNPURE_SE
    if sound.sum() >= FEWEST:
        found, relative_se = lawn.unmixed(cells, sound)
        share, se = found.share, found.se
    around = around if around.any() else lawn.sound
    beside = f"the {lawn.ground} around it" if group.beside(around) else "the rest that was seen"
    gaps = near & lawn.gaps & ~others
    share, se = lawn.place.bridged(share, se, lawn.known, gaps)
    return _Thin(group.inside, cells, gaps, share, se, relative_se, around, beside)


def _as_strip(lawn: _Lawn, told: Told, strip: Strip) -> list[_Thin] | None:
    """The stretches of a strip that stay short: where its cells are thin, and where others of it clearly are.

    None where too little of the lawn beside it was seen, or it is narrower than any that a spreader leaves.
    """
    season = lawn.outlook.season
    inside = np.any([group.inside for group in told.groups], axis=0)
    near = np.any([group.surroundings(lawn.sound)[0] for group in told.groups], axis=0)
    shows = near & lawn.known | strip.rest
    shows |= strip.between(inside | strip.rest)
    shows &= ~told.others | inside
    sound = strip.beside(lawn.sound) & ~shows
    if sound.sum() < FEWEST:
        return None
    found, relative_se = lawn.unmixed(shows, sound, strip)
    relative_se = float(np.hypot(relative_se, STRIP_SE))
    if (ahead := found.ahead) is None:
        return None
    wide_m = (ahead.edges.last - ahead.edges.first) * season.grid.cell_m
    if wide_m < NARROW_M:
        return None
    target = season.target.cover
    late = ahead.p_coming >= WAITS
    short = inside & (ahead.then < target - THIN_DEFICIT)
    late &= ~strip.lone(late, short & ~late)  # the change lies in it
    short &= ~late
    rest = strip.rest & (ahead.then < target - CLEAR_DEFICIT) & ~late
    width = f"strip {wide_m:.2f} ± {relative_se * wide_m:.2f} m wide"
    of_line = np.zeros(np.ptp(strip.line) + 1)
    lines_of = strip.line - strip.line.min()
    np.maximum.at(of_line, lines_of[shows], found.share[shows])
    share = found.share if strip.way.slanted else of_line[lines_of]
    apart: Flags = np.zeros(len(sound), bool)
    stretches = []
    for own_in, rest_in, gets_seed in ((short, rest, True), (inside & ~short, strip.rest & ~rest, False)):
        for first, last in strip.stretches((own_in | rest_in) & ~apart):
            here = (strip.place >= first) & (strip.place <= last) & ~apart
            own, more = own_in & here, rest_in & here
            if not own.any():
                continue
            apart = apart | here
            cells, lines = shows & here, np.isin(strip.line, strip.line[shows & here])
            # a strip goes on through lone cells that no photo showed, or that aren't short
            gaps = lawn.gaps & here & lines
            whole = not ((inside | strip.rest) & ~here).any()
            words = f"a {width}" if whole else f"a piece of a {width}"
            if gets_seed and more.sum() > own.sum():
                words += ", though most of its cells are not thin by themselves"
            stretches.append(
                _Thin(
                    inside=own | (more & (found.share >= 0.5)),
                    cells=cells,
                    share=share * (here & lines & (lawn.known | gaps)),
                    se=np.where(gaps, GAP_SE, found.se * cells),
                    gaps=gaps,
                    relative_se=relative_se,
                    around=sound,
                    beside=f"the {lawn.ground} around it",
                    strip=words,
                    beyond=lines & (of_line[lines_of] > 0) & ~here,
                    then=_mean(ahead.then, cells, found.share),
                    p_short=_mean(ahead.p_short, cells, found.share),
                    p_coming=_mean(ahead.p_coming, cells, found.share),
                    gets_seed=gets_seed,
                    ring_m=strip.ring_m(season, ahead.edges, here),
                )
            )
    return stretches


def _outlined(lawn: _Lawn, found: _Thin) -> list[Patch]:
    """What is outlined of some thin cells, with what is expected of it."""
    outlook, season, inside = lawn.outlook, lawn.outlook.season, found.inside
    here, there = _forecast(outlook, found.share, found.cells, found.around)
    here = here if found.then is None else found.then
    in_cells = None
    if not (found.share[inside] >= WHOLE).any():
        in_cells = float(np.average(outlook.cover_due[inside], weights=season.area_m2[inside]))
    known = lawn.known | found.gaps if found.beyond is None else (lawn.known | found.gaps) & ~found.beyond
    sure = found.p_short
    if sure is None:
        sure = _mean(chance_short(outlook.p_thin), inside & lawn.thin, found.share * season.area_m2)
    extent = Extent(found.share, found.se, known, inside, found.ring_m)
    if found.gets_seed:
        deficit, how_sure = float(np.clip(1 - here / season.target.cover, 0, 1)), sure
        because = _thin_words(lawn, found, here, there, sure, in_cells=in_cells)
    else:
        deficit, how_sure = float("nan"), found.p_coming if found.p_coming >= WAITS else 1 - sure
        because = _slow_words(lawn, found, here)
    patches = outlined(
        "thin" if found.gets_seed else "slow",
        season,
        lawn.place,
        extent,
        deficit=deficit,
        how_sure=how_sure,
        because=because,
        relative_se=found.relative_se,
    )
    return [replace(patch, of_strip=bool(found.strip)) for patch in patches]


def _mean(values: Floats, cells: Flags, weight: Floats) -> float:
    """Mean of values (N,) over cells (N,) by their weight (N,)."""
    return float(np.average(values[cells], weights=np.maximum(weight[cells], 1e-9)))


def _forecast(outlook: Outlook, share: Floats, near: Flags, around: Flags) -> tuple[float, float | None]:
    """Cover when seed is due, unmixed, of the patch and of the lawn around it, None where none was seen."""
    cover = outlook.cover_due
    usable = near & np.isfinite(cover)
    lawn = around & np.isfinite(cover)
    f = np.clip(share, 0, 1) * usable
    if not lawn.any():  # then the shares are whole cells
        return float(np.average(cover[f > 0], weights=(f * outlook.season.area_m2)[f > 0])), None
    there = float(np.median(cover[lawn]))
    here = there - float(f[usable] @ (there - cover[usable]) / max(f @ f, 1e-9))
    return float(np.clip(here, 0, 1)), there


def _thin_words(
    lawn: _Lawn, found: _Thin, here: float, there: float | None, sure: float, *, in_cells: float | None
) -> str:
    """Why a patch is thin, and how ``sure`` it won't fill; ``in_cells`` is the cover of its cells where none
    lies wholly inside."""
    season = lawn.outlook.season
    target, late = season.target, passed(season)
    be, on = ("was", "were") if late else ("will be", "will be"), short_day(lawn.outlook.due_on)
    aim = per_cent(target.cover)
    aim = f"was {aim} by {short_day(target.date)}" if late else f"is {aim}"
    if in_cells is None or found.strip:
        words = f"{be[0]} {per_cent(here)} covered on {on}"
    else:
        words = (
            f"the cells it lies in {be[1]} {per_cent(in_cells)} covered on {on}, as if the patch itself were "
        )
        words += f"at {per_cent(here)}"
    if found.strip:
        unless = "unless it is merely late, " if found.p_coming >= PERHAPS else ""
        words = f"{found.strip}: {unless}it {words}"
        words += "" if in_cells is None else f" (the cells it lies in: {per_cent(in_cells)})"
    words += f", while the target {aim}"
    if there is None:
        words = f"{words}; all that was seen of the {lawn.ground} is thin"
    else:
        words = f"{words} and {found.beside} {'was at' if late else 'reaches'} {per_cent(there)}"
    return f"{words}; {wont_fill(sure, next_look(season))}"


def _slow_words(lawn: _Lawn, found: _Thin, here: float) -> str:
    """Why a stretch of a strip gets no seed, though it is thin to look at."""
    season = lawn.outlook.season
    enough = season.target.cover - THIN_DEFICIT
    if found.p_coming >= WAITS or here < enough:
        sure = likelihood(found.p_coming)
        there = f"the seed is {sure} there" if sure else "it is still open whether the seed is there"
        words = f"waits: {there} and merely late ({per_cent(found.p_coming)}), so sow none yet"
        return f"{found.strip} {words}; {open_until(next_look(season))}"
    be = "was" if passed(season) else "will be"
    words = f"is late and {be} {per_cent(here)} covered on {short_day(lawn.outlook.due_on)}"
    return (
        f"{found.strip} {words}, while the target is {per_cent(season.target.cover)}: it needs time, not seed"
    )
