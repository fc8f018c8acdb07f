"""The work plan: where (by tape), how much seed and dressing, by when, and because of what.

Rounding, so that anyone can work a row out again by hand: area and deficit to two decimals first; seed from
those, to the nearest gram (half up); dressing up to the next 0.1 L. Totals are sums of the rows as printed;
spare seed, bags and heaps are rounded so that nothing runs out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from decimal import ROUND_HALF_UP, Decimal

import numpy as np

from turfeye import cautions, oversown
from turfeye.clock import Clock
from turfeye.draws import usual
from turfeye.errors import LawnError
from turfeye.lawnrecords import Outlook, Patch, Season, Task, WorkPlan
from turfeye.mixes import Mix, pure_live_seed_share
from turfeye.oversown import Part
from turfeye.plots import counted, named
from turfeye.prior import Prior
from turfeye.records import Floats
from turfeye.states import OLD_ENOUGH_DAYS
from turfeye.tape import fix
from turfeye.temperatures import Temperatures
from turfeye.window import window
from turfeye.words import per_cent, short_day, square_metres

BAG_COVERS_M2 = 9.0
"""A bag of compost dressing raked on by hand covers about this: common practice, no source."""
FEED_AFTER_DAYS = 14
"""First feed about two weeks after the seed is through: common practice, no source."""
CUT_AFTER_DAYS = 21
"""First cut about three weeks after the seed is through: common practice, no source."""
PASSES = 4
SPREADER_FROM_M2 = 4.0
"""Smaller patches are sown by hand."""
USUAL_DAYS = np.arange(366.0)
LONG = 3.0
"""A patch of so many times its width, and more, is told by both of its ends too. Ours."""
HEAPS_FROM_G = 10
"""Less seed than this is not worth splitting."""


@dataclass(frozen=True, eq=False, slots=True)
class PlanSettings:
    """What the user sets for a plan; the defaults are common practice, no source."""

    rate_g_m2: float | None = None  # None: the mix's overseeding rate, else the lawn's own sowing rate
    spare_pct: float = 10.0
    dressing_mm: float = 5.0
    bag_covers_m2: float | None = None  # None: from bag_l where given, else BAG_COVERS_M2
    bag_l: float | None = None
    purity: float = 1.0  # of the seed, from its bag; with germination it is the share of pure live seed
    germination: float = 1.0
    corner_names: tuple[str, ...] | None = None
    temperatures: Temperatures | None = None

    def __post_init__(self) -> None:
        for name, low in (("spare_pct", 0.0), ("dressing_mm", 0.0)):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= low):
                raise LawnError(f"{name} must be {low:g} or more, got {value}")
        for name in ("rate_g_m2", "bag_covers_m2", "bag_l"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value > 0):
                raise LawnError(f"{name} must be above 0, got {value}; leave it out for the default")
        pure_live_seed_share(self.purity, self.germination)


def plan(
    outlook: Outlook,
    patches: Sequence[Patch],
    mix: Mix,
    *,
    outline_m: Floats,
    settings: PlanSettings | None = None,
) -> WorkPlan:
    """What to do about the patches of a lawn.

    Parameters
    ----------
    outlook : its season gives the lawn's own sowing rate and the day to work from, that of the last visit
    patches : thin or bare ones get seed and dressing; others keep a row without either ("look there")
    mix : what is oversown
    outline_m : (K, 2), the corners that the tape starts from

    Raises LawnError where no rate is known or corner names don't match the outline.
    """
    settings = settings or PlanSettings()
    on = outlook.season.visits[-1].taken.date()
    rate, rate_from = sowing_rate_g_m2(mix, outlook.season.sowing.rate_g_m2, settings)
    tasks = tuple(_task(patch, rate, rate_from, outline_m, settings) for patch in patches)
    seed = sum(int(task.seed_g) for task in tasks)
    litres = round(sum(task.dressing_l for task in tasks), 1)
    area = sum(round(task.patch.area_m2, 2) for task in tasks if task.seed_g > 0)
    spare = round_up(seed * settings.spare_pct / 100)
    when = window(mix, on, settings.temperatures)
    bags = dressing_bags(litres, area, settings)
    if not seed:
        dates = _to_come(outlook.season, mix)
    else:
        dates = _if_sown(mix, on) if when.verdict in ("sow", "not known") else ()
    dates = tuple(sorted((*dates, *_of_parts(outlook, mix)), key=lambda entry: entry[0]))
    return WorkPlan(
        tasks=tasks,
        seed_g=float(seed),
        seed_spare_g=float(spare),
        dressing_l=litres,
        dressing_bags=bags,
        spreading=_spreading(tasks),
        verdict=when.verdict,
        window=when.words if seed else "",
        dates=dates,
        cautions=_plan_cautions(tasks, young=bool(seed or dates)),
        sentence=_sentence(tasks, area, seed, spare, bags, mix, when.verdict, outlook.lawn.thin_m2),
    )


def sowing_rate_g_m2(mix: Mix, own_g_m2: float | None, settings: PlanSettings) -> tuple[float, str]:
    """The rate to sow and where it is from: the user's, else the mix's overseeding, else the lawn's own.

    The rate is for pure live seed; a bag that is less pure or less alive needs more.

    >>> from turfeye.mixes import get
    >>> sowing_rate_g_m2(get("perennial ryegrass"), None, PlanSettings())
    (35.0, "perennial ryegrass's overseeding rate")
    """
    table = mix.rate_g_m2("over")
    if settings.rate_g_m2 is not None:
        rate, source = settings.rate_g_m2, "your rate"
    elif table is not None:
        rate, source = table, f"{mix.name}'s overseeding rate"
    elif own_g_m2 is not None and math.isfinite(own_g_m2):
        rate, source = own_g_m2, "the rate this lawn was sown at"
    else:
        raise LawnError(
            f"no sowing rate is known for {mix.name}; give one in g/m² (rate_over_g_m2 in [[mix]])"
        )
    live = pure_live_seed_share(settings.purity, settings.germination)
    return (rate, source) if live == 1 else (rate / live, f"{source} over {live:.2f} pure live seed")


def seed_g(rate_g_m2: float, area_m2: float, deficit: float = 1.0) -> int:
    """Whole grams for an area: rate x area x deficit, area and deficit taken to two decimals, half up.

    >>> seed_g(35, 2.0, 0.5)
    35
    """
    shown = _decimals(area_m2) * _decimals(deficit) * Decimal(repr(float(rate_g_m2)))
    return int(shown.quantize(Decimal(1), ROUND_HALF_UP))


def covered_m2(seed_kg: float, rate_g_m2: float) -> float:
    """Area that some seed does at a rate.

    >>> round(covered_m2(5, 35))
    143
    """
    return 1000 * seed_kg / rate_g_m2


def dressing_l(depth_mm: float, area_m2: float) -> float:
    """Litres of dressing, up to the next 0.1: 1 mm over 1 m² is 1 L.

    >>> dressing_l(5, 1.21)
    6.1
    """
    return round_up(depth_mm * float(_decimals(area_m2)) * 10) / 10


def dressing_bags(litres: float, area_m2: float, settings: PlanSettings) -> int:
    """Whole bags, rounded up: by the area a bag covers in the user's hands, its litres, or 9 m² a bag."""
    if settings.bag_covers_m2 is None and settings.bag_l is not None:
        return round_up(litres / settings.bag_l)
    return round_up(area_m2 / (settings.bag_covers_m2 or BAG_COVERS_M2)) if litres > 0 else 0


def heaps_g(total_g: int, parts: int = PASSES) -> tuple[int, ...]:
    """Weighed seed split into heaps of whole grams, as even as can be; they add up to the total.

    >>> heaps_g(1250, 4)
    (313, 313, 312, 312)
    """
    small, over = divmod(int(total_g), parts)
    return tuple(small + (i < over) for i in range(parts))


def follow_up(mix: Mix, sown: date) -> tuple[tuple[date, str], ...]:
    """Look again, first feed, first cut: common practice for the mix, no source; empty when it is unknown."""
    if mix.days_to_emerge is None:
        return ()
    first, last = (round(days) for days in mix.days_to_emerge)
    through = sown + timedelta(days=last)
    usual = "common practice, no source"
    return (
        (through, f"look again: {mix.name} should be through ({first}-{last} days after sowing, handbook)"),
        (through + timedelta(days=FEED_AFTER_DAYS), f"first feed, two weeks after it is through ({usual})"),
        (through + timedelta(days=CUT_AFTER_DAYS), f"first cut, taking no more than a third ({usual})"),
    )


def _if_sown(mix: Mix, on: date) -> tuple[tuple[date, str], ...]:
    """What follows a sowing that is still to be done, counted as if it were done on the day planned from."""
    dates = follow_up(mix, on)
    counted = f"look again, if it is sown on {short_day(on)} (else all this as much later):"
    return tuple((when, what.replace("look again:", counted)) for when, what in dates)


def _to_come(season: Season, mix: Mix) -> tuple[tuple[date, str], ...]:
    """What is still to come after the last visit for what was sown last: the lawn, or parts of it."""
    last = max((season.sowing, *(one.sowing for one in season.oversown)), key=lambda sowing: sowing.date)
    if last.mix != mix.name:
        return ()
    on = season.visits[-1].taken.date()
    return tuple((when, what) for when, what in follow_up(mix, last.date) if when > on)


def _of_parts(outlook: Outlook, mix: Mix) -> list[tuple[date, str]]:
    """When to look at parts sown again with the lawn's mix, and for what: until a visit may judge them."""
    season, on = outlook.season, outlook.season.visits[-1].taken.date()
    own = [part for part in oversown.parts(season) if part.sowing.mix == mix.name]
    entries = [entry for part in own if not part.shown for entry in _of_part(outlook, mix, part)]
    entries += [
        (part.judged_from, f"photograph what was {_sown_again(part)}: from now on it is judged")
        for part in own
        if part.shown
    ]
    return [(when, what) for when, what in entries if when > on]


def _of_part(outlook: Outlook, mix: Mix, part: Part) -> list[tuple[date, str]]:
    """Of one part, by its barest tenth: what the middle two thirds of lawns do from there."""
    left = outlook.cover_now[part.cells]
    if not np.isfinite(left).any():
        return []
    clock, target = Clock.of(outlook.season, outlook.time_axis), outlook.season.target.cover
    times = clock.time(part.age_days + USUAL_DAYS) - clock.time(np.array([part.age_days]))
    start = float(np.nanquantile(left, 0.1))
    low, high = usual(Prior.of_mix(mix), start, times, outlook.curve)
    sown, by_then = _sown_again(part), round(OLD_ENOUGH_DAYS)
    words = f"photograph what was {sown}: from now on it is judged; its barest places are usually "
    entries = [(part.judged_from, f"{words}{_span(low[by_then], high[by_then])} covered by then")]
    if start < target <= high.max():
        first, last = (
            part.sowing.date + timedelta(days=int((course >= target).argmax())) for course in (high, low)
        )
        words = f"at the earliest {per_cent(target)} covered in the barest places {sown}"
        until = f", usually by {short_day(last)}" if target <= low.max() else ""
        entries.append((first, f"{words}{until} (as this mix comes)"))
    return entries


def _sown_again(part: Part) -> str:
    return f"sown again on {short_day(part.sowing.date)}"


def _span(low: float, high: float) -> str:
    """ "12–20 %", or one figure where both are alike."""
    return per_cent(low) if per_cent(low) == per_cent(high) else f"{100 * low:.0f}–{per_cent(high)}"


def round_up(value: float) -> int:
    """Up to the next whole number; a hair above one (float dust) stays.

    >>> round_up(2.0000000001), round_up(2.1)
    (2, 3)
    """
    return math.ceil(round(value, 6))


def _decimals(value: float) -> Decimal:
    return Decimal(repr(float(value))).quantize(Decimal("0.01"), ROUND_HALF_UP)


def _task(patch: Patch, rate: float, rate_from: str, outline_m: Floats, settings: PlanSettings) -> Task:
    """What to do about one patch, area and deficit rounded first; no seed where it is not thin or bare."""
    shown = replace(patch, area_m2=float(_decimals(patch.area_m2)))
    tape = fix(patch.x_m, patch.y_m, outline_m, names=settings.corner_names)
    if patch.kind not in ("thin", "bare") or not math.isfinite(patch.deficit):
        return Task(shown, tape, 0.0, 0.0, patch.because)
    shown = replace(shown, deficit=float(_decimals(patch.deficit)))
    grams = seed_g(rate, shown.area_m2, shown.deficit)
    ends = _ends_m(patch)
    why = patch.because if ends is None else f"{patch.because}; {_from_end_to_end(ends, outline_m, settings)}"
    words = f"{why}; {rate:.4g} g/m² ({rate_from}) × {shown.area_m2:.2f} m² × {shown.deficit:.2f}"
    litres = dressing_l(settings.dressing_mm, shown.area_m2) if grams else 0.0
    touches = ("seed", "water", "iron") + (("dressing",) if litres else ())
    return Task(shown, tape, float(grams), litres, words, cautions.about(*touches))


def _ends_m(patch: Patch) -> Floats | None:
    """(2, 2) both ends of a patch that is LONG times as long as wide, on its axis; None for any other.

    Its middle alone, which the tape finds, doesn't say how it lies.
    """
    ring = np.asarray(patch.outline_m, float)
    way = np.roll(ring, -1, axis=0) - ring
    middle = np.array([patch.x_m, patch.y_m])
    points, weight = ring + way / 2 - middle, np.hypot(*way.T)
    axis = np.linalg.eigh((points * weight[:, None]).T @ points)[1][:, 1]
    along = (ring - middle) @ axis
    if np.ptp(along) ** 2 < LONG * patch.area_m2:
        return None
    first, last = sorted((along.min(), along.max()), key=lambda a: tuple((middle + a * axis).round(2)))
    return np.array([middle + first * axis, middle + last * axis])


def _from_end_to_end(ends: Floats, outline_m: Floats, settings: PlanSettings) -> str:
    """Where a long patch runs, by tape."""
    tapes = [fix(x, y, outline_m, names=settings.corner_names) for x, y in ends]
    places = [f"{t.corner_a} {t.from_a_m:.2f}, {t.corner_b} {t.from_b_m:.2f} m" for t in tapes]
    return f"it runs {np.hypot(*(ends[1] - ends[0])):.1f} m, from {places[0]} to {places[1]}"


def _plan_cautions(tasks: Sequence[Task], *, young: bool) -> tuple[str, ...]:
    """What the tasks touch; and where grass is ``young``, or about to be, what harms it."""
    own = dict.fromkeys(text for task in tasks for text in task.cautions)
    general = cautions.about("water", "iron", "weedkiller", "feed", "mowing") if young else ()
    return (*own, *(text for text in general if text not in own))


def _spreading(tasks: Sequence[Task]) -> tuple[str, ...]:
    """How the weighed seed lasts to the end: a heap a patch, in crossing passes at a low setting.

    Patches that get the same are told together.
    """
    alike: dict[tuple[int, bool, bool], list[Patch]] = {}
    for task in tasks:
        if grams := int(task.seed_g):
            long = _ends_m(task.patch) is not None
            alike.setdefault((grams, task.patch.area_m2 >= SPREADER_FROM_M2, long), []).append(task.patch)
    lines = []
    for (grams, by_spreader, long), patches in alike.items():
        each = " for each" if len(patches) > 1 else ""
        if grams < HEAPS_FROM_G:
            lines.append(f"{named(patches)}: {grams} g{each}, by hand.")
            continue
        heaps = " + ".join(f"{part} g" for part in heaps_g(grams, PASSES if by_spreader else 2))
        if by_spreader:
            how = "spreader at its lowest setting that lets seed through, "
            how += "two heaps up it and two down it" if long else "two heaps lengthways and two across"
        else:
            how = (
                f"by hand, one heap {'up it, the other down it' if long else 'to and fro, the other across'}"
            )
        lines.append(f"{named(patches)}: weigh {grams} g{each}, split {heaps}; {how}.")
    if any("split" in line for line in lines):
        lines.append(
            "Go over a heap's patch until that heap is used up, never wider open to finish sooner; then the "
            "next (common practice, no source)."
        )
    return tuple(lines)


def _sentence(
    tasks: Sequence[Task],
    area: float,
    seed: int,
    spare: int,
    bags: int,
    mix: Mix,
    verdict: str,
    thin_m2: float,
) -> str:
    count = sum(task.seed_g > 0 for task in tasks)
    if not count:
        small = f": in what is thin ({square_metres(thin_m2)}) no patch is worth a tape and a bag"
        return f"Nothing to reseed{small if thin_m2 > 0 and not tasks else ''}."
    sown = counted([task.patch for task in tasks if task.seed_g > 0])
    what = f"{count} patch{'es' if count > 1 else ''}{sown}, {area:.2f} m²"
    dressing = f", {bags} bag{'s' if bags != 1 else ''} of dressing" if bags else ""
    amount = f"{seed} g of {mix.name} and {spare} g spare{dressing}"
    if verdict == "too late":
        return f"{what} to reseed, but too late this year, wait: {amount} when it is time."
    if verdict == "too early":
        return f"{what} to reseed, but too early, wait: {amount} when it is time."
    return f"{what} to reseed: {amount}."
