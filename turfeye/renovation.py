"""Before the work: what a lawn will need, from one survey of it, so that the van is loaded once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from turfeye import cautions
from turfeye.errors import LawnError
from turfeye.mixes import Mix
from turfeye.patches import LEAST_M2, bare, pale
from turfeye.records import CellTable, Floats, Patch, Task
from turfeye.tape import fix
from turfeye.words import per_cent
from turfeye.workplan import (
    PlanSettings,
    dressing_bags,
    dressing_l,
    heaps_g,
    round_up,
    seed_g,
    sowing_rate_g_m2,
)

FILL_MM = 30.0
"""Depth that a hole or a worn place is filled by: common practice, no source; measure and set your own."""
PREPARED_SHARE = 0.8
"""Where this much of what was seen is bare, it is prepared ground, not a lawn with holes. Ours, no source."""
BARE = 0.5
"""A cell with more soil than this is bare."""


@dataclass(frozen=True, slots=True)
class Material:
    """One line of the list."""

    place: str  # "whole lawn", "bare place 1"
    what: str  # "seed", "dressing", "fill" or "look, lift or treat"
    area_m2: float
    amount: float
    unit: str  # "g", "L" or "m²"
    because: str


@dataclass(frozen=True, eq=False, slots=True)
class Materials:
    """What to bring: lines by kind of work, totals rounded up, and where the marked places are."""

    mix: str
    lines: tuple[Material, ...]
    tasks: tuple[Task, ...]  # the marked places by tape, numbered through; their litres are of fill
    area_m2: float  # of the lawn
    seen_share: float  # of it that the survey shows
    seed_g: int
    seed_kg: float  # with the spare, up to the next 0.1 kg
    fill_l: float
    dressing_l: float
    dressing_bags: int
    prepared: bool  # bare nearly everywhere: sown all over as a new lawn
    heaps_g: tuple[int, ...]  # the whole-lawn seed split for crossing passes
    cautions: tuple[str, ...]
    sentence: str

    @property
    def pale_m2(self) -> float:
        """Area of the pale places together."""
        return sum(task.patch.area_m2 for task in self.tasks if task.patch.kind == "pale")


def materials(
    table: CellTable,
    mix: Mix,
    *,
    outline_m: Floats,
    fill_mm: float = FILL_MM,
    whole_lawn: bool = True,
    settings: PlanSettings | None = None,
) -> Materials:
    """The materials list of a lawn surveyed before renovation.

    Bare places (more than half soil) are filled and sown at the new-lawn rate for what is bare of them; the
    rest is overseeded and dressed at the settings' rate and depth (``whole_lawn``); pale places are listed
    by area, to be looked at and, where a trained eye says so, lifted or treated: they are not diagnosed.
    A lawn that is bare nearly everywhere is prepared ground: all of it is sown at the new-lawn rate, and no
    place is filled.

    Raises LawnError when nothing was seen or no rate is known.
    """
    settings = settings or PlanSettings()
    if not (fill_mm >= 0 and math.isfinite(fill_mm)):
        raise LawnError(f"fill_mm must be 0 or more, got {fill_mm}")
    lawn_m2 = float(np.nansum(table.area_m2))
    seen_m2 = float(np.nansum(np.where(table.state == "seen", table.area_m2 * np.nan_to_num(table.seen), 0)))
    if seen_m2 <= 0:
        raise LawnError(
            "the survey shows none of the lawn; take it again as its cells say, then ask for materials"
        )
    prepared = _bare_share(table) >= PREPARED_SHARE
    marked = () if prepared else (*bare(table, above=BARE), *pale(table))
    places = _numbered([p for p in marked if p.area_m2 >= LEAST_M2])
    lines: list[Material] = []
    tasks = []
    for place in places:
        own = _for_bare(place, mix, fill_mm, settings) if place.kind == "bare" else [_for_pale(place)]
        lines += own
        amounts = {line.what: line.amount for line in own}
        tape = fix(place.x_m, place.y_m, outline_m, names=settings.corner_names)
        seed, fill = float(amounts.get("seed", 0)), amounts.get("fill", 0.0)
        tasks.append(Task(place, tape, seed, fill, place.because))
    rest_m2 = lawn_m2 - sum(place.area_m2 for place in places if place.kind == "bare")
    whole = _for_whole(rest_m2, mix, settings, prepared=prepared) if whole_lawn else []
    totals = _totals([*whole, *lines], rest_m2, settings)
    holes = any(place.kind == "bare" for place in places)
    touches = ["seed", "water", "iron", "weedkiller"] + ["dressing"] * bool(whole) + ["digging"] * holes
    result = Materials(
        mix=mix.name,
        lines=(*whole, *lines),
        tasks=tuple(tasks),
        area_m2=lawn_m2,
        seen_share=seen_m2 / lawn_m2,
        **totals,
        prepared=prepared,
        heaps_g=heaps_g(int(whole[0].amount)) if whole else (),
        cautions=cautions.about(*touches),
        sentence="",
    )
    return replace(result, sentence=_sentence(result, settings))


def best_of(tables: Sequence[CellTable]) -> CellTable:
    """One table of several on the same grid: each cell from the one that knows its cover best."""
    error = np.stack([np.where(table.state == "seen", table.cover_se, np.inf) for table in tables])
    best = error.argmin(axis=0), np.arange(error.shape[1])
    columns = {n: np.stack([getattr(t, n) for t in tables])[best] for n in CellTable.column_names()}
    return CellTable(grid=tables[0].grid, **columns)


def _numbered(patches: Sequence[Patch]) -> list[Patch]:
    """Numbered through, areas to two decimals as all amounts are worked out from them."""
    return [replace(p, number=k, area_m2=round(p.area_m2, 2)) for k, p in enumerate(patches, start=1)]


def _totals(lines: Sequence[Material], dressed_m2: float, settings: PlanSettings) -> dict[str, Any]:
    """Sums over the lines as printed; what is bought is rounded up."""
    grams, litres, fill = (
        sum(line.amount for line in lines if line.what == what) for what in ("seed", "dressing", "fill")
    )
    return {
        "seed_g": int(grams),
        "seed_kg": round_up(grams * (1 + settings.spare_pct / 100) / 100) / 10,
        "fill_l": round(fill, 1),
        "dressing_l": round(litres, 1),
        "dressing_bags": dressing_bags(litres, dressed_m2, settings),
    }


def _bare_share(table: CellTable) -> float:
    """Share of the seen ground that lies in bare cells."""
    known = (table.state == "seen") & np.isfinite(table.bare)
    weight = (table.area_m2 * table.seen)[known]
    return float(weight[table.bare[known] > BARE].sum() / weight.sum()) if weight.sum() > 0 else 0.0


def _new_rate_g_m2(mix: Mix, settings: PlanSettings) -> tuple[float, str]:
    """The rate for bare ground and where it is from: the user's, else the mix's for new lawns."""
    new = mix.rate_g_m2("new")
    rate, source = sowing_rate_g_m2(mix, None, replace(settings, rate_g_m2=settings.rate_g_m2 or new))
    if settings.rate_g_m2 is None and new:
        source = source.replace("your rate", f"{mix.name}'s rate for new lawns")
    return rate, source


def _for_bare(hole: Patch, mix: Mix, fill_mm: float, settings: PlanSettings) -> list[Material]:
    rate, source = _new_rate_g_m2(mix, settings)
    place, area = f"bare place {hole.number}", hole.area_m2
    lines = []
    if fill_mm:
        why = f"{hole.because}; {fill_mm:g} mm deep"
        lines.append(Material(place, "fill", area, dressing_l(fill_mm, area), "L", why))
    why = f"{rate:.4g} g/m² ({source}) × {area:.2f} m² × {hole.deficit:.2f} bare"
    lines.append(Material(place, "seed", area, seed_g(rate, area, hole.deficit), "g", why))
    return lines


def _for_pale(patch: Patch) -> Material:
    what = "look, then lift or treat"
    return Material(f"pale place {patch.number}", what, patch.area_m2, patch.area_m2, "m²", patch.because)


def _for_whole(area_m2: float, mix: Mix, settings: PlanSettings, *, prepared: bool) -> list[Material]:
    rate, source = _new_rate_g_m2(mix, settings) if prepared else sowing_rate_g_m2(mix, None, settings)
    area = round(area_m2, 2)
    why = f"{rate:.4g} g/m² ({source}) × {area:.2f} m²"
    lines = [Material("whole lawn", "seed", area, seed_g(rate, area), "g", why)]
    if settings.dressing_mm:
        litres = dressing_l(settings.dressing_mm, area)
        why = f"{settings.dressing_mm:g} mm × {area:.2f} m²"
        why += ", to cover the seed; none where it is raked in" if prepared else ""
        lines.append(Material("whole lawn", "dressing", area, litres, "L", why))
    return lines


def _sentence(found: Materials, settings: PlanSettings) -> str:
    parts = [f"{found.seed_kg:.1f} kg of {found.mix} ({found.seed_g} g and {settings.spare_pct:g} % spare)"]
    if found.dressing_bags:
        bags = f"{found.dressing_bags} bag{'s' if found.dressing_bags > 1 else ''}"
        parts.append(f"{bags} of dressing ({found.dressing_l:.0f} L)")
    if found.fill_l:
        parts.append(f"{found.fill_l:.1f} L of fill")
    text = f"For {found.area_m2:.1f} m²: {', '.join(parts)}."
    if found.prepared:
        text += (
            " It is bare nearly everywhere: taken for prepared ground, sown all over as a new lawn, no fill."
        )
    if found.pale_m2:
        text += f" {found.pale_m2:.1f} m² pale and yellower than the rest: look there first."
    if found.seen_share < 0.95:
        seen = per_cent(found.seen_share)
        rest = (
            "the rest is taken for bare too" if found.prepared else "places to mend elsewhere are not in this"
        )
        text += f" The survey shows {seen} of the lawn; {rest}."
    return text
