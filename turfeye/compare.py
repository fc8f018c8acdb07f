"""Season against season, lawn against lawn: at the same age, or at the same degree-days.

Two outlooks are compared by the likely courses of their means (``Outlook.lawn_draws``), drawn independently,
so that what is unsure in either is in the difference's interval.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from turfeye.errors import SeasonError
from turfeye.records import Floats, Outlook

By = Literal["days", "degree-days"]


@dataclass(frozen=True)
class Comparison:
    """One lawn (or season) against another. Low and high are 90 % intervals; positive is better, or ahead."""

    by: By
    at: float  # age in days, or degree-days, at which covers are compared
    cover: float
    cover_other: float
    difference: float
    difference_low: float
    difference_high: float
    ahead: float  # in days, or degree-days: how much later the other has this cover; NaN when it never has
    ahead_low: float
    ahead_high: float
    sure: float  # probability that the first has more cover
    sentence: str


def against(one: Outlook, other: Outlook, *, by: By = "days", name: str = "last year") -> Comparison:
    """Compare a lawn with ``other`` at the latest age that both have been seen at.

    Parameters
    ----------
    one, other : outlooks of two seasons
    by : "degree-days" takes the weather out; both need temperatures
    name : what ``other`` is called in the sentence, e.g. "last year" or "Mill Lane"

    Raises SeasonError when the two have no age in common, or no temperatures for degree-days.
    """
    at = min(_time(one, one.season.age_days[-1:], by)[0], _time(other, other.season.age_days[-1:], by)[0])
    first = max(_time(one, one.season.age_days[:1], by)[0], _time(other, other.season.age_days[:1], by)[0])
    if at < first:
        raise SeasonError(
            f"the two seasons share no {'age' if by == 'days' else 'degree-days'}: one ends before the other "
            "begins; compare them again when both have been photographed at the same stage"
        )
    mine, theirs = _course(one, by), _course(other, by)
    # every outlook is drawn from the same random numbers: unpaired, they are independent
    theirs = theirs[0], theirs[1][np.random.default_rng(1).permutation(len(theirs[1]))]
    cover, cover_other = _at(mine, at), _at(theirs, at)
    difference = cover - cover_other
    ahead = np.array([
        _when(theirs[0], course, level) - at for course, level in zip(theirs[1], cover, strict=True)
    ])  # fmt: skip
    low, middle, high = np.quantile(difference, [0.05, 0.5, 0.95])
    # inf (never, within the other's forecast) sorts last and so stays honest
    ahead_low, ahead_mid, ahead_high = np.quantile(ahead, [0.05, 0.5, 0.95], method="nearest")
    sure = float((difference > 0).mean())
    return Comparison(
        by=by,
        at=float(at),
        cover=float(np.median(cover)),
        cover_other=float(np.median(cover_other)),
        difference=float(middle),
        difference_low=float(low),
        difference_high=float(high),
        ahead=float(ahead_mid) if np.isfinite(ahead_mid) else float("nan"),
        ahead_low=float(ahead_low),
        ahead_high=float(ahead_high),
        sure=sure,
        sentence=_sentence(by, at, (low, middle, high), (ahead_low, ahead_mid, ahead_high), name),
    )


def _time(outlook: Outlook, age_days: Floats, by: By) -> Floats:
    if by == "days":
        return age_days
    by_age = outlook.season.degree_days_by_age
    if by_age is None:
        raise SeasonError(
            "degree-days need daily temperatures of both seasons and one has none; "
            "put a temperatures.csv (date,min_c,max_c) in its lawn folder, or compare by days"
        )
    return np.interp(age_days, np.arange(len(by_age)), by_age)


def _course(outlook: Outlook, by: By) -> tuple[Floats, Floats]:
    """Times (T,) and likely covers (K, T)."""
    return _time(outlook, outlook.lawn_age_days, by), outlook.lawn_draws


def _at(course: tuple[Floats, Floats], at: float) -> Floats:
    time, draws = course
    return np.array([np.interp(at, time, draw) for draw in draws])


def _when(time: Floats, course: Floats, level: float) -> float:
    """When a course first has this cover: -inf when it had more from the start, inf when never."""
    if course[0] >= level:
        return -np.inf
    above = np.flatnonzero(course >= level)
    if not len(above):
        return np.inf
    k = above[0]
    rise = course[k] - course[k - 1]
    return float(time[k - 1] + (level - course[k - 1]) / rise * (time[k] - time[k - 1]))


def _sentence(
    by: By, at: float, difference: tuple[float, float, float], ahead: tuple[float, float, float], name: str
) -> str:
    low, middle, high = (100 * part for part in difference)
    unit = "day" if by == "days" else "degree-day"
    when = f"on day {at:.0f}" if by == "days" else f"at {at:.0f} degree-days"
    word = "point" if f"{abs(middle):.0f}" == "1" else "points"
    points = f"{abs(middle):.0f} {word} {'more' if middle >= 0 else 'less'} cover {when}"
    points += f" (90 % interval {low:+.0f} to {high:+.0f})"
    if low <= 0 <= high:
        return f"no clear difference from {name}: {points}"
    count = abs(ahead[1])
    if not np.isfinite(count):
        return f"{'ahead of' if middle > 0 else 'behind'} {name} by more than its course can tell: {points}"
    word = _NUMBERS[round(count)] if round(count) < len(_NUMBERS) else f"{count:.0f}"
    plural = "" if round(count) == 1 else "s"
    side = "ahead of" if middle > 0 else "behind"
    return f"{word} {unit}{plural} {side} {name}: {points}"


_NUMBERS = ("less than one", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
