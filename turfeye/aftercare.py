"""Aftercare: what is to come after a sowing, and on which day: look again, feed, cut."""

from __future__ import annotations

import re
from datetime import date, timedelta

import numpy as np

from turfeye import oversown
from turfeye.clock import Clock
from turfeye.draws import usual
from turfeye.lawnrecords import Outlook, Season
from turfeye.mixes import Mix
from turfeye.oversown import Part
from turfeye.prior import Prior
from turfeye.states import OLD_ENOUGH_DAYS
from turfeye.words import per_cent, short_day

FEED_AFTER_DAYS = 14
"""First feed about two weeks after the seed is through: common practice, no source."""
CUT_AFTER_DAYS = 21
"""First cut about three weeks after the seed is through: common practice, no source."""
USUAL = "common practice, no source"
WHERE_SOWN_AGAIN = " where sown again"
USUAL_DAYS = np.arange(366.0)
"""Ages for which it is told what a mix usually does."""


def after_sowing(mix: Mix) -> tuple[tuple[int, str], ...]:
    """Look again, first feed, first cut, each with how many days after the sowing; common practice for the
    mix, no source; empty when it is unknown."""
    if mix.days_to_emerge is None:
        return ()
    first, last = (round(days) for days in mix.days_to_emerge)
    return (
        (last, f"look again: {mix.name} should have emerged ({first}–{last} days after sowing, handbook)"),
        (last + FEED_AFTER_DAYS, f"first feed, two weeks after emergence ({USUAL})"),
        (last + CUT_AFTER_DAYS, f"first cut, taking off no more than a third of the height ({USUAL})"),
    )


def follow_up(mix: Mix, sown: date, *, again: bool = False) -> tuple[tuple[date, str], ...]:
    """`after_sowing` by date; ``again`` is of parts alone, and each entry says so: it may stand alone."""
    where = WHERE_SOWN_AGAIN if again else ""
    return tuple(
        (sown + timedelta(days=days), re.sub("[:,]", lambda sign: where + sign[0], what, count=1))
        for days, what in after_sowing(mix)
    )


def to_come(season: Season, mix: Mix) -> tuple[tuple[date, str], ...]:
    """What is still to come after the last visit for what was sown last: the lawn, or parts of it."""
    last = max((season.sowing, *(one.sowing for one in season.oversown)), key=lambda sowing: sowing.date)
    if last.mix != mix.name:
        return ()
    on, again = season.visits[-1].taken.date(), last is not season.sowing
    return tuple((when, what) for when, what in follow_up(mix, last.date, again=again) if when > on)


def of_parts(outlook: Outlook, mix: Mix) -> list[tuple[date, str]]:
    """When to look at parts sown again with the lawn's mix, and for what: until a visit may judge them."""
    season, on = outlook.season, outlook.season.visits[-1].taken.date()
    own = [part for part in oversown.parts(season) if part.sowing.mix == mix.name]
    entries = [entry for part in own if not part.shown for entry in _of_part(outlook, mix, part)]
    entries += [
        (part.judged_from, f"photograph what was {_sown_again(part)}: from this day on it is judged")
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
    words = f"photograph what was {sown}: from this day on it is judged; its barest places are usually "
    entries = [(part.judged_from, f"{words}{_span(low[by_then], high[by_then])} covered by then")]
    if start < target <= high.max():
        first, last = (
            part.sowing.date + timedelta(days=int((course >= target).argmax())) for course in (high, low)
        )
        words = f"earliest date for {per_cent(target)} cover: the barest places {sown}"
        until = f", usually by {short_day(last)}" if target <= low.max() else ""
        entries.append((first, f"{words}{until} (at this mix's usual pace)"))
    return entries


def _sown_again(part: Part) -> str:
    return f"sown again on {short_day(part.sowing.date)}"


def _span(low: float, high: float) -> str:
    """ "12–20 %", or one figure where both are alike."""
    return per_cent(low) if per_cent(low) == per_cent(high) else f"{100 * low:.0f}–{per_cent(high)}"
