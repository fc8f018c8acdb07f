"""Pale patches: places paler and yellower than the rest of their lawn; described, never diagnosed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from turfeye.lawnrecords import Patch, Season
from turfeye.places import Extent, Group, Place, numbered, outlined, robust_sd
from turfeye.records import CellTable, Flags, Floats
from turfeye.words import square_metres

PALE_DELTA_E, PALE_DISTANCES, LEAST_PALE_CELLS = 4.0, 4.0, 2
"""So far from the lawn's own green a cell is pale, in CIELAB (a difference of about 2.3 is just seen: Mahy
and others 1994, from memory) and in robust standard deviations; and so many together are a patch."""
UNPURE_SE = 0.12
"""Relative error of the area when no cell lies wholly inside, so that nobody saw how pale it is."""


def pale(cells: CellTable | Season, *, ground: str = "lawn") -> tuple[Patch, ...]:
    """Connected cells whose green is paler and yellower than the rest of the lawn, the largest first.

    ``ground`` is what the whole is called.

    The lawn's own green is a robust plane in x and y for each of L*, a* and b* (light falls off across a
    photo); what is left is measured along "paler and yellower": up in L* and turned from green towards
    yellow (a* and b* up). A cell is pale when it stands out by both `PALE_DELTA_E` and `PALE_DISTANCES`.
    For a season the last visit that carries colour is used. Cells without colour are left out. The area is
    unmixed as those of thin ones are, so it may be smaller than the cells.
    """
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
    stands_out = (paler > PALE_DELTA_E) & (signed > PALE_DISTANCES * spread)
    stands_out &= (away[:, 0] > 0) & (away[:, 1] + away[:, 2] > 0)
    sound = known & ~stands_out
    patches: list[Patch] = []
    for group in place.groups(stands_out):
        if group.inside.sum() >= LEAST_PALE_CELLS:
            patches += _pale_patches(cells, group, signed, known, sound, spread, ground=ground)
    return numbered(patches)


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


def _pale_patches(
    cells: CellTable | Season,
    group: Group,
    signed: Floats,
    known: Flags,
    sound: Flags,
    spread: float,
    *,
    ground: str,
) -> list[Patch]:
    near, around = group.surroundings(sound)
    inside, core = group.inside, group.core()
    level = float(np.median(signed[core])) if core.any() else float(np.max(signed[inside]))
    own = float(np.median(signed[around])) if around.any() else 0.0
    share = np.where(near & known, (signed - own) / (level - own), 0.0)
    se = np.where(known, spread / (level - own), 0.0)
    from scipy.stats import norm

    patches = outlined(
        "pale",
        cells,
        group.place,
        Extent(share, se, known, inside),
        deficit=float("nan"),
        how_sure=float(np.clip(1 - norm.sf(level / spread) * len(signed), 0, 1)),
        because="",
        relative_se=0.0 if core.any() else UNPURE_SE,
    )
    words = f"pale and yellower than the rest of this {ground}, {{}}: look there"
    return [replace(patch, because=words.format(square_metres(patch.area_m2))) for patch in patches]
