"""Before the work: what a lawn will need, from one survey of it, so that the van is loaded once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from turfeye import cautions
from turfeye.errors import LawnError
from turfeye.mixes import Mix
from turfeye.patches import bare, pale
from turfeye.records import CellTable, Patch
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


@dataclass(frozen=True, slots=True)
class Material:
    """One line of the list."""

    what: str
    area_m2: float
    amount: float
    unit: str  # "g", "L", "bags" or "m²"
    because: str


@dataclass(frozen=True, eq=False, slots=True)
class Materials:
    """What to bring: lines by kind of work, totals rounded up, and where the marked places are."""

    lines: tuple[Material, ...]
    bare: tuple[Patch, ...]
    pale: tuple[Patch, ...]
    area_m2: float  # of the lawn
    seen_share: float  # of it that the survey shows
    seed_g: int
    seed_kg: float  # with the spare, up to the next 0.1 kg
    fill_l: float
    dressing_l: float
    dressing_bags: int
    heaps_g: tuple[int, ...]  # the whole-lawn seed split for crossing passes
    cautions: tuple[str, ...]
    sentence: str


def materials(
    table: CellTable,
    mix: Mix,
    *,
    fill_mm: float = FILL_MM,
    whole_lawn: bool = True,
    settings: PlanSettings | None = None,
) -> Materials:
    """The materials list of a lawn surveyed before renovation.

    Bare places (more than half soil) are filled and sown at the new-lawn rate for what is bare of them; the
    rest is overseeded and dressed at the settings' rate and depth (``whole_lawn``); pale places are listed
    by area, to be looked at and, where a trained eye says so, lifted or treated: they are not diagnosed.

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
    holes, yellow = bare(table), pale(table)
    lines = _for_bare(holes, mix, fill_mm, settings)
    hole_m2 = sum(round(patch.area_m2, 2) for patch in holes)
    if whole_lawn:
        lines += _for_whole(lawn_m2 - hole_m2, mix, settings)
    lines += [
        Material(f"pale patch {p.number}", round(p.area_m2, 2), round(p.area_m2, 2), "m²", p.because)
        for p in yellow
    ]
    grams = int(sum(line.amount for line in lines if line.unit == "g"))
    litres = round(sum(line.amount for line in lines if line.what.endswith("dressing")), 1)
    fill = round(sum(line.amount for line in lines if line.what.endswith("fill")), 1)
    bags = dressing_bags(litres, lawn_m2 - hole_m2, settings)
    kilos = round_up(grams * (1 + settings.spare_pct / 100) / 100) / 10
    whole_g = sum(int(line.amount) for line in lines if line.what == "whole lawn: seed")
    touches = ["seed", "water", "iron", "weedkiller"] + ["dressing"] * (bags > 0) + ["digging"] * bool(holes)
    result = Materials(
        lines=tuple(lines),
        bare=holes,
        pale=yellow,
        area_m2=lawn_m2,
        seen_share=seen_m2 / lawn_m2,
        seed_g=grams,
        seed_kg=kilos,
        fill_l=fill,
        dressing_l=litres,
        dressing_bags=bags,
        heaps_g=heaps_g(whole_g) if whole_g else (),
        cautions=cautions.about(*touches),
        sentence="",
    )
    return replace(result, sentence=_sentence(result, mix, settings))


def _for_bare(holes: Sequence[Patch], mix: Mix, fill_mm: float, settings: PlanSettings) -> list[Material]:
    lines = []
    new = mix.rate_g_m2("new")
    asked = replace(settings, rate_g_m2=settings.rate_g_m2 or new)
    for hole in holes:
        rate, source = sowing_rate_g_m2(mix, None, asked)
        source = f"{mix.name}'s rate for new lawns" if settings.rate_g_m2 is None and new else source
        area = round(hole.area_m2, 2)
        name = f"bare patch {hole.number}"
        if fill_mm:
            why = f"{hole.because}; {fill_mm:g} mm deep"
            lines.append(Material(f"{name}: fill", area, dressing_l(fill_mm, area), "L", why))
        why = f"{rate:.4g} g/m² ({source}) × {area:.2f} m² × {hole.deficit:.2f} bare"
        lines.append(Material(f"{name}: seed", area, seed_g(rate, area, hole.deficit), "g", why))
    return lines


def _for_whole(area_m2: float, mix: Mix, settings: PlanSettings) -> list[Material]:
    rate, source = sowing_rate_g_m2(mix, None, settings)
    area = round(area_m2, 2)
    why = f"{rate:.4g} g/m² ({source}) × {area:.2f} m²"
    lines = [Material("whole lawn: seed", area, seed_g(rate, area), "g", why)]
    if settings.dressing_mm:
        litres = dressing_l(settings.dressing_mm, area)
        why = f"{settings.dressing_mm:g} mm × {area:.2f} m²"
        lines.append(Material("whole lawn: dressing", area, litres, "L", why))
    return lines


def _sentence(found: Materials, mix: Mix, settings: PlanSettings) -> str:
    parts = [f"{found.seed_kg:.1f} kg of {mix.name} ({found.seed_g} g and {settings.spare_pct:g} % spare)"]
    if found.dressing_bags:
        bags = f"{found.dressing_bags} bag{'s' if found.dressing_bags > 1 else ''}"
        parts.append(f"{bags} of dressing ({found.dressing_l:.0f} L)")
    if found.fill_l:
        parts.append(f"{found.fill_l:.1f} L of fill")
    text = f"For {found.area_m2:.1f} m²: {', '.join(parts)}."
    if found.pale:
        text += (
            f" {sum(p.area_m2 for p in found.pale):.1f} m² pale and yellower than the rest: look there first."
        )
    if found.seen_share < 0.95:
        text += f" The survey shows {found.seen_share:.0%} of the lawn; what is elsewhere is not in this."
    return text
