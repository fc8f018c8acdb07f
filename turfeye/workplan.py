"""The work plan: where (by tape), how much seed and dressing, by when, and because of what.

Amounts are rounded as :mod:`turfeye.amounts` says, and totals are sums of the rows as printed.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import date

import numpy as np

from turfeye import aftercare, amounts, cautions
from turfeye.amounts import PlanSettings
from turfeye.lawnrecords import Outlook, Patch, Task, WorkPlan
from turfeye.mixes import Mix
from turfeye.plots import by_plot, counted, named
from turfeye.records import Floats
from turfeye.states import next_look
from turfeye.tape import fix
from turfeye.window import window
from turfeye.words import likelihood, open_until, square_metres, together_m2

SPREADER_FROM_M2 = 4.0
"""Smaller patches are sown by hand."""
PART_OPEN = 0.05
"""From this share of what was seen on, cells that are still open are told though the rest is judged. Ours."""
LONG = 3.0
"""A patch of so many times its width, and more, is told by both of its ends too. Ours."""
BY_ROW = "Weigh the seed for each plot and sow it by hand. A pinch is too little to weigh."
OWN_SEED = (
    "A plot that is sown again is no longer the plot that was sown: do it only if the trial allows it, with "
    "the plot's own seed, and note it down (common practice, no source)."
)


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
    patches : thin or bare ones get seed and dressing; others keep a row without ("look there", "waits")
    mix : what is oversown
    outline_m : (K, 2), the corners that the tape starts from

    Raises LawnError where no rate is known or corner names don't match the outline.
    """
    settings = settings or PlanSettings()
    on = outlook.season.visits[-1].taken.date()
    rate, rate_from = amounts.bare_rate_g_m2(mix, outlook.season.sowing.rate_g_m2, settings)
    tasks = tuple(_task(patch, rate, rate_from, outline_m, settings) for patch in patches)
    seed = sum(int(task.seed_g) for task in tasks)
    litres = round(sum(task.dressing_l for task in tasks), 1)
    area = together_m2(task.patch.area_m2 for task in tasks if task.seed_g > 0)
    spare = amounts.round_up(seed * settings.spare_pct / 100)
    when = window(mix, on, settings.temperatures)
    bags = amounts.dressing_bags(litres, area, settings)
    in_passing = 0 < seed < amounts.SMALL_G
    dates = () if seed else aftercare.to_come(outlook.season, mix)
    parts, soon = aftercare.of_parts(outlook, mix), mostly_too_soon(outlook)
    young = bool(seed or dates or parts)
    partly = not (seed or parts) and partly_too_soon(outlook)
    looks = _to_look_at(tasks, next_look(outlook.season), soon=partly or (soon and not parts))
    dates = tuple(sorted((*dates, *parts, *looks), key=lambda entry: entry[0]))
    return WorkPlan(
        tasks=tasks,
        seed_g=float(seed),
        seed_spare_g=float(spare),
        in_passing=in_passing,
        dressing_l=litres,
        dressing_bags=bags,
        spreading=_spreading(tasks),
        verdict=when.verdict,
        window=when.words if seed else "",
        dates=dates,
        after_sowing=aftercare.after_sowing(mix) if seed else (),
        cautions=_plan_cautions(tasks, young=young),
        sentence=_sentence(
            tasks,
            area_m2=area,
            amount=f"{seed} g of {mix.name} and {spare} g spare{_in_bags(bags, litres)}",
            in_passing=in_passing,
            verdict=when.verdict,
            thin_m2=outlook.lawn.thin_m2,
            soon=soon,
            partly=partly,
            look=next_look(outlook.season),
        ),
    )


def _task(patch: Patch, rate: float, rate_from: str, outline_m: Floats, settings: PlanSettings) -> Task:
    """What to do about one patch, area and deficit rounded first; no seed where it is not thin or bare."""
    shown = replace(patch, area_m2=float(amounts.two_decimals(patch.area_m2)))
    tape = fix(patch.x_m, patch.y_m, outline_m, names=settings.corner_names, beds_m=settings.beds_m)
    ends = _ends_m(patch) if patch.kind in ("thin", "bare", "slow") else None
    why = patch.because if ends is None else f"{patch.because}; {_from_end_to_end(ends, outline_m, settings)}"
    if patch.kind not in ("thin", "bare") or not math.isfinite(patch.deficit):
        return Task(shown, tape, 0.0, 0.0, why)
    shown = replace(shown, deficit=float(amounts.two_decimals(patch.deficit)))
    grams = amounts.seed_g(rate, shown.area_m2, shown.deficit)
    words = f"{why}; {rate:.4g} g/m² ({rate_from}) × {shown.area_m2:.2f} m² × {shown.deficit:.2f}"
    if grams < amounts.LEAST_WEIGHED_G and not likelihood(patch.how_sure):
        return Task(
            shown,
            tape,
            0.0,
            0.0,
            f"{words} would be a pinch, {grams} g: left until it is clear whether it is needed",
        )
    litres = amounts.dressing_l(settings.dressing_mm, shown.area_m2) if grams else 0.0
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
    tapes = [fix(x, y, outline_m, names=settings.corner_names, beds_m=settings.beds_m) for x, y in ends]
    places = [f"{t.corner_a} {t.from_a_m:.2f}, {t.corner_b} {t.from_b_m:.2f} m" for t in tapes]
    return f"it is {np.hypot(*(ends[1] - ends[0])):.1f} m long, from {places[0]} to {places[1]}"


def _plan_cautions(tasks: Sequence[Task], *, young: bool) -> tuple[str, ...]:
    """What the tasks touch; and where grass is ``young``, or about to be, what harms it."""
    own = dict.fromkeys(text for task in tasks for text in task.cautions)
    general = cautions.about("water", "iron", "weedkiller", "feed", "mowing") if young else ()
    return (*own, *(text for text in general if text not in own))


def sown_how(task: Task) -> str:
    """How a patch is sown, in few words, or that it waits; "" where it gets no seed for another reason."""
    if not task.seed_g:
        return "waits" if task.waits else ""
    if task.seed_g < amounts.LEAST_WEIGHED_G:
        return "a pinch by hand"
    return "spreader" if task.patch.area_m2 >= SPREADER_FROM_M2 else "by hand"


def _spreading(tasks: Sequence[Task]) -> tuple[str, ...]:
    """How the weighed seed lasts to the end: a heap a patch, in crossing passes at a low setting.

    Patches that get the same are told together; what is too little to weigh last, plot by plot.
    """
    if by_plot(tasks):
        return (BY_ROW, OWN_SEED) if any(task.seed_g for task in tasks) else ()
    alike: dict[tuple[int, bool, bool], list[Patch]] = {}
    for task in tasks:
        if (grams := int(task.seed_g)) >= amounts.LEAST_WEIGHED_G:
            long = _ends_m(task.patch) is not None
            alike.setdefault((grams, task.patch.area_m2 >= SPREADER_FROM_M2, long), []).append(task.patch)
    lines = []
    for (grams, by_spreader, long), patches in alike.items():
        each = " for each" if len(patches) > 1 else ""
        if grams < amounts.SMALL_G:
            lines.append(f"{named(patches)}: weigh out {grams} g{each} and sow it by hand.")
            continue
        heaps = " + ".join(
            f"{part} g" for part in amounts.heaps_g(grams, amounts.PASSES if by_spreader else 2)
        )
        if by_spreader:
            how = "use the spreader at the lowest setting that lets seed through, two heaps "
            how += "up the strip and two back down" if long else "lengthways and two crossways"
        else:
            ways = "up the strip, the other back down" if long else "lengthways, the other crossways"
            how = f"sow by hand, one heap {ways}"
        lines.append(f"{named(patches)}: weigh out {grams} g{each}, split into {heaps}; {how}.")
    if any("split" in line for line in lines):
        lines.append(
            "Go over the patch until the first heap is used up, then start the next; don't sow thicker to "
            "finish sooner (common practice, no source)."
        )
    return (*lines, *_pinches([task for task in tasks if 0 < task.seed_g < amounts.LEAST_WEIGHED_G]))


def _pinches(tasks: Sequence[Task]) -> list[str]:
    """Seed too little to weigh: a line for each plot that together needs enough; the rest in one."""
    by_plot: dict[int | None, list[Task]] = {}
    for task in tasks:
        by_plot.setdefault(task.patch.plots[0][0] if task.patch.plots else None, []).append(task)
    weighed = [some for some in by_plot.values() if _grams(some) >= amounts.LEAST_WEIGHED_G]
    rest = [task for some in by_plot.values() if some not in weighed for task in some]
    lines = [
        f"{named([task.patch for task in some])}: weigh out {_grams(some)} g for all; a pinch each, by hand."
        for some in weighed
    ]
    if rest:
        each = f"a pinch each, by hand, {_grams(rest)} g in all" if len(rest) > 1 else "a pinch, by hand"
        lines.append(f"{named([task.patch for task in rest])}: {each}: too little to weigh.")
    return lines


def _grams(tasks: Sequence[Task]) -> int:
    return sum(int(task.seed_g) for task in tasks)


def _in_bags(bags: int, litres: float) -> str:
    """The dressing, as the end of what is needed; "" where there is none."""
    return f", {amounts.bag_words(bags)} of dressing ({litres:.1f} L)" if bags else ""


def in_doubt(tasks: Sequence[Task]) -> list[Patch]:
    """The patches to be sown of which it is open whether they fill by themselves."""
    return [
        t.patch for t in tasks if t.seed_g > 0 and t.patch.kind == "thin" and not likelihood(t.patch.how_sure)
    ]


def coming_late(tasks: Sequence[Task]) -> list[Patch]:
    """The strips that come late, and get no seed."""
    return [task.patch for task in tasks if task.patch.kind == "slow"]


def left(tasks: Sequence[Task]) -> list[Patch]:
    """The thin patches that get no seed so far: a pinch, of which it is open whether it is wanted."""
    return [task.patch for task in tasks if task.patch.kind == "thin" and not task.seed_g]


def mostly_too_soon(outlook: Outlook) -> bool:
    """Whether most of what was seen is not judged yet."""
    counts = outlook.lawn.counts
    return counts["too soon to say"] > (sum(counts.values()) - counts["not seen"]) / 2


def partly_too_soon(outlook: Outlook) -> bool:
    """Whether a part of what was seen is not judged yet that is worth a photo and a word."""
    counts = outlook.lawn.counts
    return counts["too soon to say"] > PART_OPEN * (sum(counts.values()) - counts["not seen"])


def _to_look_at(tasks: Sequence[Task], look: date | None, *, soon: bool) -> list[tuple[date, str]]:
    """When to photograph what is open, or the whole where it is too soon to say."""
    doubtful, waiting = in_doubt(tasks), [*coming_late(tasks), *left(tasks)]
    if look is None or not (doubtful or waiting or soon):
        return []
    if doubtful:
        return [
            (look, f"photograph again, before sowing {named(doubtful, capital=False)}: {_open(doubtful)}")
        ]
    if waiting:
        need = "need" if len(waiting) > 1 else "needs"
        will = (
            f"it is still open whether {named(waiting, capital=False)} will fill in or {need} seed after all"
        )
        return [(look, f"photograph again: {will}")]
    what = "what else" if any(task.seed_g > 0 for task in tasks) else "what"
    return [(look, f"photograph again: until then it is too soon to say {what} needs seed")]


def _open(doubtful: Sequence[Patch]) -> str:
    """What is not known of patches in doubt."""
    fills = "it fills in by itself" if len(doubtful) == 1 else "they fill in by themselves"
    return f"whether {fills} is still open"


def _no_seed(tasks: Sequence[Task], look: date | None) -> str:
    """What is said of strips that come late, and of what is left; "" where there are none."""
    told = []
    if late := coming_late(tasks):
        told.append(
            f"{named(late)} {'is merely late and gets' if len(late) == 1 else 'are merely late and get'}"
        )
    if few := left(tasks):
        want, get = ("needs", "gets") if len(few) == 1 else ("each need", "get")
        told.append(f"{named(few)} {want} a pinch at most, perhaps not even that, and {get}")
    when = f": {open_until(look)}" if look and told else ""
    return " ".join(f"{who} no seed yet{when if who is told[-1] else ''}." for who in told)


def _sentence(
    tasks: Sequence[Task],
    *,
    area_m2: float,
    amount: str,
    in_passing: bool,
    verdict: str,
    thin_m2: float,
    soon: bool,
    partly: bool,
    look: date | None,
) -> str:
    """What is to be reseeded and needed for it; where nothing is, that what is thin is too small, or that it
    is too ``soon`` to say of most, or ``partly``."""
    sown = [task.patch for task in tasks if task.seed_g > 0]
    if not sown and (waiting := _no_seed(tasks, look)):
        return f"Nothing to reseed yet. {waiting}"
    if not sown:
        small = f": what is thin ({square_metres(thin_m2)}) is too small or too scattered to be worth sowing"
        if soon and not thin_m2:
            return f"Nothing to reseed yet, too soon to say: {open_until(look)}."
        if partly and look and not thin_m2:
            return f"Nothing to reseed yet. Whether all of it fills in is still open: {open_until(look)}."
        return f"Nothing to reseed{small if thin_m2 > 0 and not tasks else ''}."
    doubtful = in_doubt(tasks)
    waiting = _no_seed(tasks, None if doubtful else look)
    waits = f" {waiting}" if waiting else ""
    what = f"{len(sown)} patch{'es' if len(sown) > 1 else ''}{counted(sown)}, {area_m2:.2f} m²"
    if verdict == "too late":
        return f"{what} to reseed, but it is too late this year: wait. When it is time: {amount}.{waits}"
    if verdict == "too early":
        return f"{what} to reseed, but it is too early: wait. When it is time: {amount}.{waits}"
    there = in_passing * " when you are next there (too little for a trip of its own)"
    if len(doubtful) == len(sown):
        perhaps = f"perhaps{',' * in_passing}{there}"
        why = f"{_open(sown).capitalize()}: {open_until(look)}"
        return f"{what} to reseed, {perhaps}: {amount}. {why}.{waits}"
    of_some = (
        f" Whether {len(doubtful)} of them need{'s' * (len(doubtful) == 1)} it is still open: "
        f"{open_until(look)}."
        if doubtful
        else ""
    )
    return f"{what} to reseed{there}: {amount}.{of_some}{waits}"
