"""Before the work: what a lawn will need, from one survey of it, so that the van is loaded once."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from turfeye import cautions
from turfeye.amounts import (
    PlanSettings,
    bag_words,
    bare_rate_g_m2,
    dressing_bags,
    dressing_l,
    heaps_g,
    round_up,
    seed_g,
    turf_rate_g_m2,
)
from turfeye.contours import signed_distance_m
from turfeye.errors import LawnError
from turfeye.lawn import Hollow
from turfeye.lawnrecords import Patch, Task
from turfeye.mixes import Mix
from turfeye.outline import signed_area
from turfeye.palepatches import pale
from turfeye.patches import LEAST_M2, bare
from turfeye.records import CellTable, Floats
from turfeye.tape import fix
from turfeye.words import per_cent, square_metres

HOLLOW_REACH_M = 0.3
"""A hollow as near as this to a bare place lies in it: both are measured to about this."""
PREPARED_SHARE = 0.8
"""Where this much of what was seen is bare, it is prepared ground, not a lawn with holes. Ours, no source."""
NO_DEPTH = (
    "No fill is included, since a photo shows no depth: where the soil lies lower than the turf, measure "
    "with a straightedge and write [[hollow]] in lawn.toml."
)
BARE = 0.5
"""A cell with more soil than this is bare."""


@dataclass(frozen=True, slots=True)
class _Rates:
    """Seed in g/m² for bare ground and for turf, where each figure is from, and how bare ground is sown."""

    bare_g_m2: float
    bare_from: str
    turf_g_m2: float
    turf_from: str
    bare_words: str

    @property
    def alike(self) -> bool:
        """Whether bare ground and turf get the same."""
        return self.bare_g_m2 == self.turf_g_m2


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
    bare_words: str  # how bare ground is sown, by which rate
    alike: bool  # turf gets as much as bare ground
    heaps_g: tuple[int, ...]  # the whole-lawn seed split for crossing passes
    cautions: tuple[str, ...]
    spare_pct: float  # of the seed, in ``seed_kg``

    @property
    def amounts(self) -> str:
        """What to bring, in words."""
        parts = [f"{self.seed_kg:.1f} kg of {self.mix} ({self.seed_g} g and {self.spare_pct:g} % spare)"]
        if self.dressing_bags:
            parts.append(f"{bag_words(self.dressing_bags)} of dressing ({self.dressing_l:.1f} L)")
        if self.fill_l:
            parts.append(f"{round_up(self.fill_l)} L of fill")
        return ", ".join(parts)

    @property
    def sentence(self) -> str:
        """The list in some sentences: what to bring, what it rests on, what it can't say."""
        return _sentence(self)

    @property
    def sowing(self) -> str:
        """How bare ground is sown, in a sentence; "" where none is bare."""
        if self.prepared:
            taken_for = "It is bare nearly everywhere, so it counts as prepared ground"
            return f"{taken_for} and is sown all over {self.bare_words}."
        if not self.bare_m2:
            return ""
        rest = "too" if self.alike else "is overseeded"
        return f"{square_metres(self.bare_m2)} of bare ground is sown {self.bare_words}, the rest {rest}."

    @property
    def depth_unknown(self) -> bool:
        """Whether ground is bare and nobody measured how deep it lies."""
        return (self.bare_m2 > 0 or self.prepared) and not self.fill_l

    @property
    def bare_m2(self) -> float:
        """Area of the bare places together."""
        return sum(task.patch.area_m2 for task in self.tasks if task.patch.kind == "bare")

    @property
    def by_place(self) -> dict[str, Task]:
        """The marked places by the names that lines have."""
        return {_name_of(task.patch): task for task in self.tasks}

    @property
    def pale_m2(self) -> float:
        """Area of the pale places together."""
        return sum(task.patch.area_m2 for task in self.tasks if task.patch.kind == "pale")


def materials(
    table: CellTable,
    mix: Mix,
    *,
    outline_m: Floats,
    hollows: Sequence[Hollow] = (),
    settings: PlanSettings | None = None,
) -> Materials:
    """The materials list of a lawn surveyed before renovation.

    Bare places (more than half soil) are sown at the rate for bare ground (`amounts.bare_rate_g_m2`) for
    what is bare of them; the rest, of them too, is overseeded, and all of it dressed to the settings' depth.
    A photo shows no depth: only ``hollows``, which somebody measured, are filled, and dressed no more. Pale
    places are listed by area, to be looked at and, where a trained eye says so, lifted or treated: they
    are not diagnosed. A lawn that is bare nearly everywhere is prepared ground: all of it is sown as bare.

    Raises LawnError when nothing was seen, no rate is known, or a hollow's area is not known.
    """
    settings = settings or PlanSettings()
    read_m2 = lawn_m2 = float(np.nansum(table.area_m2))
    if settings.beds_m:  # of what lies close beside them nothing is read, but it is sown
        lawn_m2 = abs(signed_area(outline_m)) - sum(map(signed_area, settings.beds_m))
    seen_m2 = float(np.nansum(np.where(table.state == "seen", table.area_m2 * np.nan_to_num(table.seen), 0)))
    if seen_m2 <= 0:
        whys = Counter(filter(None, table.reasons.tolist()))
        mostly = f" (most of it: {whys.most_common(1)[0][0]})" if whys else ""
        raise LawnError(
            f"the survey shows none of the lawn well enough to measure{mostly}; check the marked corners, "
            "take the photos again, then ask for the list again"
        )
    prepared = _bare_share(table) >= PREPARED_SHARE
    marked = () if prepared else (*bare(table, above=BARE), *pale(table))
    places, hollows_in = _with_hollows([p for p in marked if p.area_m2 >= LEAST_M2], hollows)
    rates = _rates(mix, settings, prepared=prepared)
    lines: list[Material] = []
    tasks = []
    for place, lows in zip(places, hollows_in, strict=True):
        own = [*_for_hollows(place, lows), *_for_place(place, rates)]
        lines += own
        tasks.append(_task(place, own, outline_m, settings))
    bare_m2 = sum(place.area_m2 for place in places if place.kind == "bare")
    dressed_m2 = lawn_m2 - sum(line.area_m2 for line in lines if line.what == "fill")
    whole = _for_whole(lawn_m2 - bare_m2, dressed_m2, rates, settings, prepared=prepared)
    totals = _totals([*whole, *lines], dressed_m2, settings)
    touches = ["seed", "water", "iron", "weedkiller", "dressing"]
    touches += ["digging"] * any(place.kind != "pale" for place in places)
    return Materials(
        mix=mix.name,
        lines=(*whole, *lines),
        tasks=tuple(tasks),
        area_m2=lawn_m2,
        seen_share=seen_m2 / read_m2,
        **totals,
        prepared=prepared,
        bare_words=rates.bare_words,
        alike=rates.alike,
        heaps_g=heaps_g(int(whole[0].amount)),
        cautions=cautions.about(*touches),
        spare_pct=settings.spare_pct,
    )


def _task(place: Patch, lines: Sequence[Material], outline_m: Floats, settings: PlanSettings) -> Task:
    """What its lines bring to a place, and where that is by tape."""
    seed, fill = (sum(line.amount for line in lines if line.what == what) for what in ("seed", "fill"))
    tape = fix(place.x_m, place.y_m, outline_m, names=settings.corner_names, beds_m=settings.beds_m)
    return Task(place, tape, seed, fill, place.because)


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


def _rates(mix: Mix, settings: PlanSettings, *, prepared: bool) -> _Rates:
    """What is sown where; of prepared ground, all bare, no rate for turf need be known."""
    bare, bare_from = bare_rate_g_m2(mix, None, settings)
    turf, turf_from = (bare, bare_from) if prepared else turf_rate_g_m2(mix, None, settings)
    new, over = mix.rate_g_m2("new"), mix.rate_g_m2("over")
    words = "at the rate for new lawns"
    if settings.rate_g_m2 is not None:
        words = "at your rate"
    elif over is not None and (new is None or new < over):
        lower = f"{mix.name}'s for new lawns is " + ("not known" if new is None else f"lower, {new:.3g} g/m²")
        words = f"at the rate for overseeding ({lower})"
    return _Rates(bare, bare_from, turf, turf_from, words)


def _with_hollows(
    places: list[Patch], hollows: Sequence[Hollow]
) -> tuple[list[Patch], list[list[tuple[float, float]]]]:
    """All places numbered through, and depth (mm) and area (m²) of the hollows in each.

    A hollow in no bare place is a place of its own, drawn round.
    """
    inside: list[list[tuple[float, float]]] = [[] for _ in places]
    for hollow in hollows:
        at = np.array([hollow.at_m], float)
        near = [signed_distance_m(at, p.outline_m)[0] if p.kind == "bare" else -np.inf for p in places]
        k = int(np.argmax(near)) if near else -1
        if k < 0 or near[k] < -HOLLOW_REACH_M:
            places, k = [*places, _round(hollow)], len(places)
            inside.append([])
        area_m2 = hollow.area_m2 or places[k].area_m2
        inside[k].append((hollow.depth_mm, round(area_m2, 2)))
    return _numbered(places), inside


def _round(hollow: Hollow) -> Patch:
    """A hollow that no photo shows, as a disc of its area."""
    if hollow.area_m2 is None:
        raise LawnError(
            f"the hollow at {list(hollow.at_m)} lies in no bare place that the photos show: give its area_m2 "
            "in lawn.toml, under [[hollow]]"
        )
    angle = np.linspace(0, 2 * np.pi, 25)
    disc = np.stack([np.cos(angle), np.sin(angle)], axis=1) * math.sqrt(hollow.area_m2 / math.pi)
    x_m, y_m = hollow.at_m
    words = "lower than the turf around it, as you measured"
    return Patch(0, "hollow", disc + hollow.at_m, x_m, y_m, hollow.area_m2, 0.0, math.nan, 1.0,
                 np.zeros(0, int), words)  # fmt: skip


def _name_of(place: Patch) -> str:
    return f"{place.kind} place {place.number}"


def _for_hollows(place: Patch, hollows: Sequence[tuple[float, float]]) -> list[Material]:
    return [
        Material(
            _name_of(place), "fill", area_m2, dressing_l(depth_mm, area_m2), "L",
            f"{depth_mm:g} mm deep, as you measured, × {area_m2:.2f} m²",
        )
        for depth_mm, area_m2 in hollows
    ]  # fmt: skip


def _for_place(place: Patch, rates: _Rates) -> list[Material]:
    """Seed for a bare place; a look at a pale one."""
    name, area = _name_of(place), place.area_m2
    if place.kind == "bare":
        soil, turf = round(place.deficit, 2), 1 - round(place.deficit, 2)
        rate, words = rates.bare_g_m2, f"{rates.bare_g_m2:.4g} g/m² ({rates.bare_from})"
        if not rates.alike:
            rate = rates.bare_g_m2 * soil + rates.turf_g_m2 * turf
            over = f"{rates.turf_g_m2:.4g} g/m² ({rates.turf_from}) × {turf:.2f}"
            words = f"({words} × {soil:.2f} bare + {over})"
        why = f"{place.because}; {words} × {area:.2f} m²"
        return [Material(name, "seed", area, seed_g(rate, area), "g", why)]
    if place.kind == "pale":
        return [Material(name, "look, then lift or treat", area, area, "m²", place.because)]
    return []


def _for_whole(
    sown_m2: float, dressed_m2: float, rates: _Rates, settings: PlanSettings, *, prepared: bool
) -> list[Material]:
    rate, source = rates.turf_g_m2, rates.turf_from
    area = round(sown_m2, 2)
    why = f"{rate:.4g} g/m² ({source}) × {area:.2f} m²"
    lines = [Material("whole lawn", "seed", area, seed_g(rate, area), "g", why)]
    if settings.dressing_mm:
        area = round(dressed_m2, 2)
        litres = dressing_l(settings.dressing_mm, area)
        why = f"{settings.dressing_mm:g} mm × {area:.2f} m²"
        why += ", to cover the seed; none where it is raked in" if prepared else ""
        lines.append(Material("whole lawn", "dressing", area, litres, "L", why))
    return lines


def _sentence(found: Materials) -> str:
    text = f"For {square_metres(found.area_m2)}: {found.amounts}."
    if found.sowing:
        text += f" {found.sowing}"
    if found.depth_unknown:
        text += f" {NO_DEPTH}"
    if found.pale_m2:
        text += f" {square_metres(found.pale_m2)} is paler and yellower than the rest: look there first."
    if found.seen_share < 0.95:
        seen = per_cent(found.seen_share)
        rest = (
            "the rest is taken to be bare too"
            if found.prepared
            else "bare or pale places in the rest are not in this list"
        )
        text += f" The survey shows {seen} of the lawn; {rest}."
    return text
