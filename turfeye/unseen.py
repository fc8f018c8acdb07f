"""Cells that no photo of a season showed: how many, where to find them by tape, why, and what to do."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from turfeye import cells
from turfeye.headline import spots_only
from turfeye.lawnrecords import Season
from turfeye.places import Place
from turfeye.records import CellTable, Flags, Floats
from turfeye.tape import fix
from turfeye.words import square_metres

LIKE_A_STRIP: Final = 0.75
"""Area in common over area of either, from which cells are told as a strip along a side."""
NEARLY_ALL: Final = 0.95
LEAST_CELLS: Final = 0.25
"""Less ground than this part of a cell, as in corners that the outline cuts off cells, is worth no standing
point and no word. Ours."""
MOST_PLACES: Final = 3
HAND_HEIGHT_M: Final = 1.6
"""How high a phone is held: common practice, no source."""


class Cause(NamedTuple):
    """Why cells were not seen, in words for several of them, and what shows them."""

    words: str
    remedy: str  # {near}: the side nearest to them


HIDDEN, ANGLE, OUTSIDE = range(3)  # from what came nearest to showing a cell to what came least near
SECOND: Final = (
    "take photos from a second place too, near the side {near}, and mark the lawn's corners in one of them "
    "(turfeye add --corner)"
)
CAUSES: Final = {
    ANGLE: Cause(
        f"seen at too flat an angle or from too far (beyond {cells.MAX_ZENITH_DEG:.0f}° from straight down)",
        SECOND + "; a phone held at "
        f"{HAND_HEIGHT_M} m measures up to "
        f"{HAND_HEIGHT_M * math.tan(math.radians(cells.MAX_ZENITH_DEG)):.1f} m in front of you",
    ),
    OUTSIDE: Cause(
        "outside the picture",
        "get the whole lawn into the picture, or " + SECOND,
    ),
}
CLEAR: Final = (
    "clear or avoid that in the next photo, or take photos from a second place too, near the side {near}"
)


def notes(
    season: Season,
    tables: Sequence[CellTable],
    *,
    outline_m: Floats,
    corner_names: Sequence[str],
    side_names: Sequence[str],
) -> tuple[str, ...]:
    """Cells that were never seen, a line a cause; none of a lawn of which only spots were to be seen.

    ``tables`` are those of the photos of the whole lawn, on the season's grid. A cell's cause is that of the
    photo which came nearest to showing it.
    """
    never = ~np.isfinite(season.cover).any(axis=1)
    if not never.any() or not tables or spots_only(season):
        return ()
    place = Place(season.grid, season.row, season.col)
    stages = np.stack([_stages(place, table) for table in tables])
    stage = stages.min(axis=0)
    lines = []
    for cause in (ANGLE, OUTSIDE, HIDDEN):
        group = never & (stage == cause)
        if season.area_m2[group].sum() < LEAST_CELLS * season.grid.cell_m**2:
            continue
        words, remedy = CAUSES.get(cause) or Cause(_commonest(place, tables, group), CLEAR)
        where = _where(season, place, group, outline_m, corner_names, side_names)
        count, m2 = int(group.sum()), season.area_m2[group].sum()
        were = "cell was" if count == 1 else "cells were"
        near = side_names[int(_from_sides(season, outline_m)[:, group].mean(axis=1).argmin())]
        lines.append(
            f"{count} {were} never seen ({square_metres(m2)}), {where}: {words}; {remedy.format(near=near)}"
        )
    return tuple(lines)


def _stages(place: Place, table: CellTable) -> Floats:
    """(N,) how near one photo came to showing each cell of the season."""
    why = np.char.array(table.why)
    angle = why.startswith(cells.OBLIQUE) | np.isin(table.why, (cells.COARSE, cells.MISPLACED))
    outside = np.isin(table.why, (cells.OUTSIDE, cells.MOSTLY_OUTSIDE))
    own = Place(table.grid, table.row, table.col)
    return place.pick(own.spread(np.select([outside, angle], [OUTSIDE, ANGLE], HIDDEN), OUTSIDE))


def _commonest(place: Place, tables: Sequence[CellTable], group: Flags) -> str:
    """The reason that the photos give most often for these cells, past angle and picture's edge."""
    said: list[str] = []
    for table in tables:
        board = np.full((table.grid.rows, table.grid.cols), "", dtype=object)
        board[table.row, table.col] = np.where(table.state == "seen", "", table.why)
        said += [why for why in place.pick(board)[group & (_stages(place, table) == HIDDEN)] if why]
    return max(sorted(set(said)), key=said.count) if said else "too little of them is usable in any photo"


def _from_sides(season: Season, outline_m: Floats) -> Floats:
    """(K, N) distance of the cells' centres from each side, in metres.

    Not from its line: in a lawn with an inner corner that runs on across the lawn.
    """
    points = np.stack([season.x_m, season.y_m], axis=-1)
    along = (np.roll(outline_m, -1, axis=0) - outline_m)[:, None]
    to = points[None] - outline_m[:, None]
    share = np.clip((to * along).sum(axis=-1) / (along**2).sum(axis=-1), 0, 1)
    return np.asarray(np.linalg.norm(to - share[..., None] * along, axis=-1))


def _where(
    season: Season,
    place: Place,
    group: Flags,
    outline_m: Floats,
    corner_names: Sequence[str],
    side_names: Sequence[str],
) -> str:
    """Where these cells are: a strip along a side where they nearly are one, else by two tape distances."""
    area = season.area_m2
    if area[group].sum() > NEARLY_ALL * area.sum():
        return "nearly all of the lawn"
    fits = []
    for side, away in zip(side_names, _from_sides(season, outline_m), strict=True):
        for form, order in (
            ("within {} m of the side {}", np.argsort(away)),
            ("beyond {} m from the side {}", np.argsort(-away)),
        ):
            taken = np.cumsum(area[order])
            common = np.cumsum((area * group)[order])
            fit = common / (taken + area[group].sum() - common)
            # Cells at one distance from a side are taken together: an edge lies between two distances.
            edge = np.diff(away[order], append=np.inf)
            fit = np.where(np.abs(edge) > 1e-6, fit, 0.0)[:-1]
            last = int(fit.argmax())
            at_m = max(0.1, float(away[order][last : last + 2].mean()))
            fits.append((round(float(fit[last]), 3), -at_m, form.format(f"{at_m:.1f}", side)))
    best, _, words = max(fits)
    if best >= LIKE_A_STRIP:
        return f"the strip {words}"
    places = _by_tape(season, place, group, outline_m, corner_names)
    return f"around the place{'s' if len(places) > 1 else ''} " + "; ".join(places)


def _by_tape(
    season: Season, place: Place, group: Flags, outline_m: Floats, corner_names: Sequence[str]
) -> list[str]:
    """The largest connected groups, each by two tape distances, and how many more there are."""
    parts = [part.inside for part in place.groups(group)]
    parts.sort(key=lambda part: -season.area_m2[part].sum())
    words = []
    for part in parts[:MOST_PLACES]:
        x, y = (np.average(v[part], weights=season.area_m2[part]) for v in (season.x_m, season.y_m))
        tape = fix(float(x), float(y), outline_m, names=corner_names, beds_m=season.grid.beds_m)
        at = f"{tape.from_a_m:.1f} m from {tape.corner_a} and {tape.from_b_m:.1f} m from {tape.corner_b}"
        words.append(f"{at} ({square_metres(season.area_m2[part].sum())})" if len(parts) > 1 else at)
    return words + ([f"{len(parts) - MOST_PLACES} more places"] if len(parts) > MOST_PLACES else [])
