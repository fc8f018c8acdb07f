"""When to sow: the soil's warmth now, and how long it stays, from the user's own temperatures."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from typing import Literal

import numpy as np

from turfeye.mixes import Mix
from turfeye.temperatures import Temperatures
from turfeye.words import short_day

MEAN_DAYS = 7
"""Soil follows the air's daily mean over about a week: common practice, no source."""
SEEDLING_DAYS = 28
"""Warm days that seedlings want after they emerge: common practice, no source."""
STALE_DAYS = 10


@dataclass(frozen=True, slots=True)
class Window:
    """Whether to sow on the day asked about, and the words for it."""

    verdict: Literal["sow", "too early", "too late", "not known"]
    words: str
    until: date | None = None  # the last day that still leaves time, where known


def window(mix: Mix, day: date, temperatures: Temperatures | None = None) -> Window:
    """Whether seed can go down on ``day``.

    The mean of the last seven days' (min + max) / 2 must reach the mix's least soil temperature. Where the
    record goes back a year, last year's calendar tells when the soil will fall below it; seed must have
    emerged and grown four weeks by then. Below the least temperature, a falling mean says "too late this
    year, wait" and a rising one "too early". Without figures the answer is "not known", with what to measure.
    """
    if mix.soil_min_c is None:
        return Window(
            "not known", f"the least soil temperature of {mix.name} is not known: go by the seed bag"
        )
    needs = f"{mix.name} needs soil at {mix.soil_min_c:g} °C or more"
    means = _means(temperatures)
    known = [d for d in means if d <= day]
    if not known or (day - max(known)).days > STALE_DAYS:
        return Window(
            "not known",
            f"{needs}; no temperatures are known near {short_day(day)}: measure 5 cm deep before sowing",
        )
    latest = max(known)
    now = means[latest]
    seen = f"the air, which the soil follows, is at {now:.1f} °C (seven-day mean)"
    until = _last_day(mix, day, means)
    if now < mix.soil_min_c:
        return _cold(means, latest, f"{needs}, and {seen}")
    if until is not None and day > until:
        text = (
            f"too late this year, wait for spring: {needs}; {seen}, but by last year's temperatures it gets "
        )
        text += f"too cold before seedlings are strong; the last day to sow was {short_day(until)}"
        return Window("too late", text, until)
    limit = f"; by last year's temperatures until {short_day(until)}" if until else ""
    return Window("sow", f"can be sown: {needs}, and {seen}{limit}", until)


def _means(temperatures: Temperatures | None) -> dict[date, float]:
    """Seven-day means by their last day, where all seven days are known."""
    if temperatures is None or len(temperatures.min_c) < MEAN_DAYS:
        return {}
    daily = (temperatures.min_c + temperatures.max_c) / 2
    means = np.convolve(daily, np.full(MEAN_DAYS, 1 / MEAN_DAYS), mode="valid")
    first = temperatures.first + timedelta(days=MEAN_DAYS - 1)
    return {first + timedelta(days=k): float(mean) for k, mean in enumerate(means) if np.isfinite(mean)}


def _cold(means: dict[date, float], latest: date, words: str) -> Window:
    before = [means[d] for d in means if 21 <= (latest - d).days <= 35]
    if not before:
        return Window("not known", f"wait: {words}; a month of temperatures would tell spring from autumn")
    if means[latest] < sum(before) / len(before):
        return Window("too late", f"too late this year, wait for spring: {words} and falling")
    return Window("too early", f"too early, wait: {words} and rising")


def _last_day(mix: Mix, day: date, means: dict[date, float]) -> date | None:
    """The last day that leaves seedlings time before the soil cools, by last year's calendar, if known."""
    if mix.days_to_emerge is None or mix.soil_min_c is None:
        return None
    year = timedelta(days=365)
    warm_at = {
        d + year: mean >= mix.soil_min_c for d, mean in means.items() if d + year > day - timedelta(days=120)
    }
    ahead = sorted(warm_at)
    # the day after the last warm one: across days that are not known, the first cold one would be too late
    cools = [a + timedelta(days=1) for a, b in pairwise(ahead) if warm_at[a] and not warm_at[b]]
    lasting = [d for d in cools if not any(warm_at.get(d + timedelta(days=k), False) for k in range(1, 15))]
    if not lasting:
        return None
    return lasting[0] - timedelta(days=round(mix.days_to_emerge[1]) + SEEDLING_DAYS)
