"""Patches: areas that stand out from their lawn, outlined below cell size.

Thin patches come from an outlook (cells that won't reach the target), pale ones from the colour of the green,
bare ones from a lawn before the work. They are described, never diagnosed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from turfeye.places import Place, core_of, in_or_out, numbered, outlined, robust_sd
from turfeye.records import CellTable, Flags, Floats, Outlook, Patch, Season, Whole
from turfeye.words import per_cent

LEAST_M2 = 0.05
"""A smaller thin patch is not worth a tape and a bag: it stays in the map of cells."""
EARLY_DAYS = 2.0
"""Sound cells are early or late against each other by about this (one standard deviation)."""
FULLER = 0.04
"""Sound cells are fuller or emptier than each other by about this share (one standard deviation)."""
WHOLLY = 0.85
"""A cell with this share or more lies wholly inside."""
UNPURE_SE = 0.12
"""Relative error of the area from not knowing how bare the patch itself is: with one cell or none wholly
inside; it falls as the root of their number. By simulated lawns."""


def thin(outlook: Outlook) -> tuple[Patch, ...]:
    """Connected thin cells as patches, the largest first.

    Each cell's covers on all visits are unmixed into the lawn around the patch and the patch's own middle:
    with h the lawn's cover and b the patch's on each visit, a cell of cover c belongs to the patch by
    f = sum (h - c)(h - b) / sum (h - b)^2, weighted by the errors. A shared error of a visit cancels.
    """
    season = outlook.season
    place = Place(season.grid, season.row, season.col)
    found = outlook.state == "thin"
    if not found.any():
        return ()
    labels, count = place.label(found)
    patches = []
    for number in range(1, count + 1):
        patch = _thin_patch(outlook, place, labels, number)
        if patch is not None:
            patches.append(patch)
    return numbered([patch for patch in patches if patch.area_m2 >= LEAST_M2])


@dataclass(frozen=True, eq=False, slots=True)
class PaleSettings:
    """When green counts as paler and yellower than the lawn's own."""

    delta_e: float = 4.0  # CIELAB; a difference of about 2.3 is just seen (Mahy and others 1994, from memory)
    distances: float = 4.0  # robust standard deviations from the lawn's own green
    min_cells: int = 2


def pale(cells: CellTable | Season, *, settings: PaleSettings | None = None) -> tuple[Patch, ...]:
    """Connected cells whose green is paler and yellower than the rest of the lawn, the largest first.

    The lawn's own green is a robust plane in x and y for each of L*, a* and b* (light falls off across a
    photo); what is left is measured along "paler and yellower": up in L* and turned from green towards yellow
    (a* and b* up). A cell is pale when it stands out by both ``delta_e`` and ``distances``. For a season the
    last visit that carries colour is used. Cells without colour are left out. The area is unmixed as in
    :func:`thin`, so it may be smaller than the cells.
    """
    settings = settings or PaleSettings()
    place = Place(cells.grid, cells.row, cells.col)
    lab = _last_lab(cells)
    known = np.asarray(np.isfinite(lab).all(axis=1))
    if known.sum() < 12:
        return ()
    away = _from_own_green(lab, cells.x_m, cells.y_m, known)
    step = np.clip(away, 0, None)
    paler = np.where(known, np.hypot(step[:, 0], np.hypot(step[:, 1], step[:, 2])), 0.0)
    signed = np.where(known, away @ np.array([1.0, 0.6, 1.0]) / np.sqrt(2.36), 0.0)
    spread = max(robust_sd(signed[known]), 0.5)
    stands_out = (paler > settings.delta_e) & (signed > settings.distances * spread)
    stands_out &= (away[:, 0] > 0) & (away[:, 1] + away[:, 2] > 0)
    labels, count = place.label(stands_out)
    patches = []
    for number in range(1, count + 1):
        inside = place.pick(labels) == number
        if inside.sum() >= settings.min_cells:
            patches.append(_pale_patch(cells, place, labels, number, signed, known, spread))
    return numbered([patch for patch in patches if patch is not None])


def bare(table: CellTable, *, above: float = 0.5) -> tuple[Patch, ...]:
    """Connected cells with more than this share of bare soil, the largest first.

    Meant for a lawn before the work: holes, worn places, what an animal dug up.
    """
    place = Place(table.grid, table.row, table.col)
    known = (table.state == "seen") & np.isfinite(table.bare)
    found = known & (np.nan_to_num(table.bare) > above)
    labels, count = place.label(found)
    patches = []
    for number in range(1, count + 1):
        near, around = place.surroundings(labels, number, known & ~found)
        own = float(np.median(table.bare[around])) if around.any() else 0.0
        inside = place.pick(labels) == number
        level = float(np.max(table.bare[inside]))
        share = np.where(near & known, (table.bare - own) / (level - own), 0.0)
        # A lawn is never bare by the same share everywhere: its own spread is no part of the hole.
        spread = robust_sd(table.bare[around]) if around.any() else 0.0
        se = np.where(known, np.hypot(np.nan_to_num(table.cover_se), spread), 0.0) / (level - own)
        share, se = (np.where(near & known, part, 0.0) for part in in_or_out(share, se))
        text = f"{per_cent(level)} bare soil, where the lawn around it has {per_cent(own)}"
        patch = outlined(
            "bare", table, place, share, known, inside, se, deficit=level, how_sure=1.0, because=text
        )
        if patch is not None:
            patches.append(patch)
    return numbered(patches)


# -- thin ------------------------------------------------------------------------------------------------


def _thin_patch(outlook: Outlook, place: Place, labels: Whole, number: int) -> Patch | None:
    season = outlook.season
    known = np.asarray(np.isfinite(season.cover).any(axis=1))
    own = known & (outlook.state != "thin") & (outlook.state != "not seen")
    near, around = place.surroundings(labels, number, own)
    inside = place.pick(labels) == number
    if not around.any():
        around = own
    lawn = (
        _level(season, around) if around.any() else np.full(len(season.visits), outlook.season.target.cover)
    )
    some = (near | around) & known
    core = _lowest(season, core_of(place, labels, number) & known)
    pure = bool(core.any())
    bare_level = _supposed_bare(outlook, inside, lawn)
    patch = _level(season, core) if pure else bare_level
    share, se = _unmix(season, some, lawn, patch)
    wholly = inside & (share > WHOLLY)
    if pure and wholly.any():
        trust = (wholly.sum() - 1) / (wholly.sum() + 1)
        share, se = _unmix(season, some, lawn, _blend(_level(season, wholly), bare_level, trust))
    if around.any():
        se *= max(1.0, robust_sd(share[around & known] / se[around & known]))
    share, se = (np.where(near & known, part, 0.0) for part in in_or_out(share, se))
    here, there = _forecast(outlook, share, near & known, around)
    share, se = place.bridged(share, se, known, near & ~known)
    sure = np.average(1 - np.nan_to_num(outlook.p_on_target[inside], nan=0.5), weights=season.area_m2[inside])
    return outlined(
        "thin",
        season,
        place,
        share,
        known | near,
        inside,
        se,
        deficit=float(np.clip(1 - here / season.target.cover, 0, 1)),
        how_sure=float(sure),
        because=_thin_words(outlook, here, there, pure),
        relative_se=UNPURE_SE / np.sqrt(max(int(wholly.sum()), 1)),
    )


def _level(season: Season, cells: Flags) -> Floats:
    """(V,) median cover of some cells; NaN on a visit that saw none of them."""
    seen = season.cover[cells]
    level = np.full(seen.shape[1], np.nan)
    some = np.isfinite(seen).any(axis=0)
    level[some] = np.nanmedian(seen[:, some], axis=0)
    return level


def _lowest(season: Season, cells: Flags) -> Flags:
    """The third of some cells (at least one) that have least cover, over all visits."""
    if not cells.any():
        return cells
    seen = np.nan_to_num(season.cover[cells] - _level(season, cells)).sum(axis=1)
    lowest = np.zeros(len(cells), bool)
    lowest[np.flatnonzero(cells)[np.argsort(seen, kind="stable")[: max(1, len(seen) // 3)]]] = True
    return lowest


def _blend(own: Floats, supposed: Floats, trust: float) -> Floats:
    """(V,) a patch's level where few cells hold it: they are rarely pure, and mixed ones read too high."""
    blend = np.where(np.isfinite(supposed), trust * own + (1 - trust) * supposed, own)
    return np.minimum(own, blend)


def _supposed_bare(outlook: Outlook, inside: Flags, lawn: Floats) -> Floats:
    """(V,) cover of a patch too small to hold a pure cell: as on the first visit, when nothing had come up.

    Where the first visit came too late for that, the lowest of the patch's cells on each visit.
    """
    season = outlook.season
    lowest = np.full(len(lawn), np.nan)
    seen = season.cover[inside]
    some = np.isfinite(seen).any(axis=0)
    lowest[some] = np.nanmin(seen[:, some], axis=0)
    start = season.cover[:, 0]
    if not np.isfinite(start).any() or np.nanmedian(start) > 0.3:
        return lowest
    return np.minimum(np.nanmedian(start) + outlook.visit_offset - outlook.visit_offset[0], lawn)


def _unmix(season: Season, cells: Flags, lawn: Floats, patch: Floats) -> tuple[Floats, Floats]:
    """(N,) share of each cell that belongs to the patch, and its error; 0 for other cells.

    Generalised least squares of what a cell is short of the lawn, (V,), on the patch's contrast. The errors
    are the cell's own plus what sound cells differ by from each other: early or late by EARLY_DAYS, fuller
    or emptier by FULLER.
    """
    contrast = lawn - patch
    visits = np.isfinite(contrast)
    share, se = np.zeros(len(season.row)), np.zeros(len(season.row))
    if visits.sum() == 0 or not cells.any():
        return share, se
    lawn, contrast = lawn[visits], contrast[visits]
    slope = np.gradient(lawn, season.age_days[visits]) if len(lawn) > 1 else np.zeros(1)
    cover, cover_se = season.cover[cells][:, visits], season.cover_se[cells][:, visits]
    unseen = ~np.isfinite(cover)
    short = np.where(unseen, 0.0, lawn - cover)
    own = np.where(unseen, 1e3, np.maximum(np.nan_to_num(cover_se, nan=0.1), 0.01))
    shared = EARLY_DAYS**2 * np.outer(slope, slope) + FULLER**2 * np.outer(lawn, lawn)
    inverse = np.linalg.inv(shared + own[:, :, None] ** 2 * np.eye(len(lawn)))
    pull = np.einsum("v,nvw->nw", contrast, inverse)
    power = np.maximum(pull @ contrast, 1e-9)
    share[cells] = np.einsum("nw,nw->n", pull, short) / power
    se[cells] = 1 / np.sqrt(power)
    return share, se


def _forecast(outlook: Outlook, share: Floats, near: Flags, around: Flags) -> tuple[float, float]:
    """Forecast cover of the patch itself, unmixed, and of the lawn around it."""
    cover = outlook.cover_at_target
    usable = near & np.isfinite(cover)
    lawn = around & np.isfinite(cover)
    there = float(np.median(cover[lawn])) if lawn.any() else float(outlook.season.target.cover)
    f = np.clip(share[usable], 0, 1)
    here = there - float(f @ (there - cover[usable]) / max(f @ f, 1e-9))
    return float(np.clip(here, 0, 1)), there


def _thin_words(outlook: Outlook, here: float, there: float, pure: bool) -> str:
    target = outlook.season.target
    day = f"{target.date.day} {target.date:%B}"
    text = (
        f"will be {here:.0%} covered on {day}, where the target is {target.cover:.0%} "
        f"and the lawn around it comes to {there:.0%}"
    )
    return text if pure else f"{text}; too small for a whole cell, so taken as bare in the middle"


# -- pale ------------------------------------------------------------------------------------------------


def _last_lab(cells: CellTable | Season) -> Floats:
    """(N, 3) L*, a*, b* of the green; of a season, on its last visit with colour."""
    if isinstance(cells, CellTable):
        lab = np.stack([cells.lab_l, cells.lab_a, cells.lab_b], axis=1)
        return np.where((cells.state == "seen")[:, None], lab, np.nan)
    with_colour = [v for v in range(cells.lab.shape[1]) if np.isfinite(cells.lab[:, v]).any()]
    return cells.lab[:, with_colour[-1]] if with_colour else np.full((len(cells.row), 3), np.nan)


def _from_own_green(lab: Floats, x_m: Floats, y_m: Floats, known: Flags) -> Floats:
    """(N, 3) what is left of L*, a*, b* after a robust plane (Tukey's biweight); 0 where unknown."""
    basis = np.stack([np.ones_like(x_m), x_m - x_m.mean(), y_m - y_m.mean()], axis=1)
    away = np.zeros_like(lab)
    for channel in range(3):
        values = lab[known, channel]
        left = values - np.median(values)
        for _ in range(12):
            scale = 4.685 * max(robust_sd(left), 0.2)
            weight = np.clip(1 - (left / scale) ** 2, 0, None)
            plane, *_ = np.linalg.lstsq(basis[known] * weight[:, None], values * weight, rcond=None)
            left = values - basis[known] @ plane
        away[known, channel] = left
    return away


def _pale_patch(
    cells: CellTable | Season,
    place: Place,
    labels: Whole,
    number: int,
    signed: Floats,
    known: Flags,
    spread: float,
) -> Patch | None:
    near, around = place.surroundings(labels, number, known & (place.pick(labels) == 0))
    inside = place.pick(labels) == number
    core = core_of(place, labels, number)
    level = float(np.median(signed[core])) if core.any() else float(np.max(signed[inside]))
    own = float(np.median(signed[around])) if around.any() else 0.0
    share = np.where(near & known, (signed - own) / (level - own), 0.0)
    se = np.where(known, spread / (level - own), 0.0)
    from scipy.stats import norm

    patch = outlined(
        "pale",
        cells,
        place,
        share,
        known,
        inside,
        se,
        deficit=float("nan"),
        how_sure=float(1 - norm.sf(level / spread) * len(signed)) if level > 0 else 0.0,
        because="",
        relative_se=0.0 if core.any() else UNPURE_SE,
    )
    if patch is None:
        return None
    words = f"pale and yellower than the rest of this lawn, {patch.area_m2:.1f} m²: look there"
    return replace(patch, because=words, how_sure=float(np.clip(patch.how_sure, 0, 1)))
