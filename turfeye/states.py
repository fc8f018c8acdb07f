"""The state of each cell, and why: what is expected of it against the target, and what is missing to tell.

In this order:

- *not seen*: no visit showed it;
- *thin*: likelier than not, with some caution, to fall short of the target on the date and for good: by more
  than 5 points where the seed failed, by more than 10 like the lawn around (``outlook``). Never said before
  the lawn itself is well on its way: youth is not failure;
- *on course*: at least 70 % sure to reach the target by the date;
- *slow*: at least 70 % sure not to, but still coming, or short by little;
- in the last week before the date, or once the lawn has grown full, waiting tells no more: a cell known well
  enough is then *on course* or *slow* by what is expected of it, near the target as it is;
- *too soon to say*: anything else, with what is missing; and what no visit showed since the lawn was far
  enough to be judged, whatever its neighbours do.
"""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from turfeye.headline import date_at, passed, percent
from turfeye.lawnrecords import Forecast, Season
from turfeye.records import Floats, Words
from turfeye.words import short_day, wont_fill

CAUTION = 0.75
"""Log odds that speak for failure beyond the evidence where a cell is called thin: a patch looked at for
nothing costs less than one passed over. Ours; on the simulated lawns it was set on (`kinds`) nine in ten
called on day 21 are thin, and 86 of 100 thin ones are called."""
SURE_THIN = 0.5
SURE_COURSE = 0.7
GROWN_UP = 0.85
"""Before the lawn has made this share of its rise, only a cell unlike its lawn can be thin: where the lawn
itself will end can't be known yet."""
GROWN_ENOUGH, OLD_ENOUGH_DAYS = 0.15, 14.0
"""Nothing is called thin before the lawn's healthy cells have made this share of their rise, and never in the
first two weeks."""
FULL, LAST_DAYS = 0.95, 7.0
"""When the lawn has made this share of its rise, or the target is so near, the next visits change little."""
WIDE = 0.25
"""A cell whose 90 % interval is wider is not known well enough to be told from the target by its middle. Of
cells that five visits showed and more it is 0.18 in the middle. Ours."""
NEXT_LOOK_DAYS = 7
"""A young lawn looks another one after a week; ours."""
FEW_VISITS = 2
"""Where so few visits showed a cell, more photos are what is missing."""


@dataclass(frozen=True, eq=False)
class States:
    """State and reason of each cell, (N,), and what most of those lack of which it is too soon to say."""

    state: Words
    why: Words
    missing: str  # "" where nothing is


def of_cells(cells: Forecast, season: Season, *, grown: float, grown_at: Floats, overdue: bool) -> States:
    """The states of a season's cells.

    Parameters
    ----------
    grown : share of their rise that the lawn's healthy cells have made
    grown_at : (V,) the same at each visit
    overdue : it has hardly risen at an age at which nearly all lawns of its mix are half grown
    """
    visits = np.isfinite(season.cover).sum(axis=1)
    age = season.age_days[-1]
    old = bool(age >= OLD_ENOUGH_DAYS)
    begun = old and grown >= GROWN_ENOUGH
    judged = begun or (old and passed(season))
    # what was seen only of bare ground, before any cell could be judged, goes by its neighbours' word alone
    shown = np.isfinite(season.cover) & (grown_at >= GROWN_ENOUGH)
    stale = np.asarray(begun & ~shown.any(axis=1))
    last = grown >= FULL or (season.target.date - season.sowing.date).days - age <= LAST_DAYS
    decided = last & (cells.cover_at_target_high - cells.cover_at_target_low <= WIDE)
    course = (cells.p_on_target >= SURE_COURSE) | (decided & (cells.cover_at_target >= season.target.cover))
    slow = (cells.p_on_target <= 1 - SURE_COURSE) | decided
    state = np.select(
        [visits == 0, stale, begun & (cells.p_thin >= SURE_THIN), judged & course, judged & slow],
        ["not seen", "too soon to say", "thin", "on course", "slow"],
        "too soon to say",
    )
    early = "" if judged else _too_early(old, grown, overdue, age)
    more = "photograph once more" if last else "still open, the next visits will tell"
    few = "seen on too few visits, photograph again"
    gone = "not seen since the grass came up, photograph again"
    lacks = [
        (early or (few if seen <= FEW_VISITS else gone if old_news else more))
        if word == "too soon to say"
        else ""
        for word, seen, old_news in zip(state, visits, stale, strict=True)
    ]
    why = [_why(cells, k, season, str(word), lacks[k]) for k, word in enumerate(state)]
    missing = most_lack(Counter(word for word in lacks if word))
    return States(state.astype(np.str_), np.array(why, np.str_), missing)


def chance_short(p_thin: Floats) -> Floats:
    """How likely it is that what is called thin won't fill: without the caution that it was called by.

    Of simulated cells told 0.3 to 0.67 on days 21 and 28 (seeds 5100-5139) 33 % are thin in truth, from 0.67
    to 0.9 55 %, beyond 96 %.
    """
    p_thin = np.asarray(p_thin)
    return p_thin / (p_thin + (1 - p_thin) * np.exp(CAUTION))


def with_caution(chance: float) -> float:
    """The chance to be thin that `chance_short` takes for this one."""
    return float(chance / (chance + (1 - chance) * np.exp(-CAUTION)))


def next_look(season: Season) -> date | None:
    """When the next photo will tell more; None where the target's date has passed."""
    on = season.visits[-1].taken.date() + timedelta(days=NEXT_LOOK_DAYS)
    return None if passed(season) else min(on, season.target.date)


def most_lack(lacks: Counter[str]) -> str:
    """What most cells lack, by how many lack each; "" where none lacks anything."""
    most = lacks.most_common(1)
    return most[0][0] if most and most[0][1] > 0 else ""


def _too_early(old: bool, grown: float, overdue: bool, age_days: float) -> str:
    """Why no cell of a lawn that has not begun to rise is judged."""
    if not old:
        return f"nothing is judged before day {OLD_ENOUGH_DAYS:.0f}"
    if overdue:
        return (
            f"hardly any growth by day {age_days:.0f}, when such lawns are half grown: look what is coming up"
        )
    return (
        f"the lawn has made {math.floor(100 * grown)} % of its growth, and is judged from "
        f"{percent(GROWN_ENOUGH)} % on"
    )


def _why(cells: Forecast, k: int, season: Season, word: str, missing: str) -> str:
    if word == "not seen":
        return "no visit showed it"
    by, goal = short_day(season.target.date), season.target.cover
    low, high = cells.cover_at_target_low[k], cells.cover_at_target_high[k]
    between = f"between {percent(low)} and {percent(high)} %"
    expected = "on" if passed(season) else "expected on"
    why = f"{percent(cells.cover_at_target[k])} % {expected} {by}, target {percent(goal)} %"
    if word == "too soon to say":
        return f"{why}, {between}; {missing}"
    if word == "thin":
        return f"{why}; {wont_fill(float(chance_short(cells.p_thin[k])), next_look(season))}"
    if 1 - SURE_COURSE < cells.p_on_target[k] < SURE_COURSE:
        return f"{why}, {between}: too near the target for photos to tell"
    if word == "slow" and np.isfinite(cells.reach_days[k]):
        return f"{why}; reaches it about {short_day(date_at(season, cells.reach_days[k]))}"
    return why
