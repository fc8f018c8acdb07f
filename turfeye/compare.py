"""Season against season, lawn against lawn: at the same age, or at the same degree-days.

Two outlooks are compared by the likely courses of their means, drawn independently, so that what is unsure in
either is in the difference's interval. What all photos of one lawn err by, one network reading one soil and
one grass, is alike in both of its seasons and cancels (:data:`ALIKE`). Of two lawns nothing is counted on to.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from turfeye.errors import SeasonError
from turfeye.lawnrecords import Outlook, Season
from turfeye.outline import TAPE_MISFIT_M
from turfeye.outlook import astray
from turfeye.records import Floats

ALIKE = 0.85
"""Correlation of what the photos of one lawn err by in its two seasons. In rendered samples 38 % (lawn view)
and 64 % (spots) of the variance that a photo's cells share differ from visit to visit
(tools/calibrate_errors.py). Where it is 63 %, intervals with this correlation hold
nine times in ten on simulated pairs (seeds 8000-8039); where it is less, they are wider than they need be."""
By = Literal["days", "degree-days"]
NUMBERS = ("less than one", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


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
    level: float  # the cover that one had before the other
    ahead: float  # by so many days, or degree-days; NaN when the other never has it
    ahead_low: float
    ahead_high: float
    sure: float  # probability that the first has more cover
    sentence: str


def against(
    one: Outlook, other: Outlook, *, by: By = "days", name: str = "last year", same_lawn: bool = False
) -> Comparison:
    """Compare a lawn with ``other`` at the latest age that both have been seen at.

    How far it is ahead is how much later the other has a cover: the one that it has at that age, or one
    half-way to what both have then, whichever tells it more narrowly. Courses grown flat tell it by the
    latter.

    Parameters
    ----------
    one, other : outlooks of two seasons
    by : "degree-days" takes the weather out; both need temperatures
    name : what ``other`` is called in the sentence, e.g. "last year" or "Mill Lane"
    same_lawn : both are seasons of one lawn (``one_lawn``), whose photos err alike in part

    Raises SeasonError when the two have no age in common, or no temperatures for degree-days, or are one.
    """
    if _same_readings(one.season, other.season):
        raise SeasonError("both rest on the same photos; name last year's folder, or another lawn's")
    at = min(_time(one, one.season.age_days[-1:], by)[0], _time(other, other.season.age_days[-1:], by)[0])
    first = max(_time(one, one.season.age_days[:1], by)[0], _time(other, other.season.age_days[:1], by)[0])
    if at < first:
        raise SeasonError(
            f"the two seasons share no {'age' if by == 'days' else 'degree-days'}: one ends before the other "
            "begins; compare them again when both have been photographed at the same stage"
        )
    mine, theirs = _courses(one, other, by, alike=ALIKE if same_lawn else 0.0)
    cover, cover_other = _at(mine, at), _at(theirs, at)
    difference = np.quantile(cover - cover_other, [0.05, 0.5, 0.95])
    bare = max(np.median(draws[:, 0]) for _, draws in (mine, theirs))
    half_way = float(bare + min(np.median(cover), np.median(cover_other))) / 2
    ahead, earlier = _lead(theirs, cover, at), _lead(theirs, half_way, _when(mine, half_way))
    told_early = _width(earlier) < _width(ahead)
    ahead = earlier if told_early else ahead
    return Comparison(
        by=by,
        at=float(at),
        cover=float(np.median(cover)),
        cover_other=float(np.median(cover_other)),
        difference=float(difference[1]),
        difference_low=float(difference[0]),
        difference_high=float(difference[2]),
        level=half_way if told_early else float(np.median(cover)),
        ahead=float(ahead[1]) if np.isfinite(ahead[1]) else float("nan"),
        ahead_low=float(ahead[0]),
        ahead_high=float(ahead[2]),
        sure=float((cover > cover_other).mean()),
        sentence=_sentence(by, at, difference, ahead, half_way if told_early else None, name),
    )


def every_way(
    one: Outlook, other: Outlook, *, name: str = "last year", same_lawn: bool = False
) -> tuple[Comparison, ...]:
    """Compared by days and, where both seasons have temperatures, by degree-days.

    Raises SeasonError when the two have no age in common, or are one.
    """
    warm = all(outlook.season.degree_days_by_age is not None for outlook in (one, other))
    ways: tuple[By, ...] = ("days", "degree-days") if warm else ("days",)
    return tuple(against(one, other, by=by, name=name, same_lawn=same_lawn) for by in ways)


def one_lawn(season: Season, other: Season) -> bool:
    """Whether two seasons are of one lawn: with one outline, and one over before the other was sown.

    Two clients' lawns may both be 8 x 6 m, but a lawn is compared with another in the same weeks.
    """
    first, second = season.grid.outline_m, other.grid.outline_m
    if first is None or second is None or first.shape != second.shape:
        return False
    early, late = sorted((season, other), key=lambda one: one.sowing.date)
    apart = early.visits[-1].taken.date() < late.sowing.date
    return apart and bool(np.abs(first - second).max() <= TAPE_MISFIT_M)


def beds_of_one(season: Season, other: Season, *, name: str) -> tuple[str, ...]:
    """That of one lawn's two seasons only one leaves beds out; ``name`` is what ``other`` is called."""
    ours, theirs = bool(season.grid.beds_m), bool(other.grid.beds_m)
    if ours == theirs or not one_lawn(season, other):
        return ()
    which, has = (name, "this lawn") if ours else ("this lawn", name)
    return (
        f"{which} has no [[bed]] in its lawn.toml, but {has} has: bark or water counts as bare lawn there; "
        "copy the beds over if they were there",
    )


def _same_readings(season: Season, other: Season) -> bool:
    return np.array_equal(season.age_days, other.age_days) and np.array_equal(
        season.cover, other.cover, equal_nan=True
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


def _courses(
    one: Outlook, other: Outlook, by: By, *, alike: float
) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats]]:
    """Of each its times (T,) and likely covers (K, T), row by row as they may be together.

    ``alike`` is the correlation of what the photos of either err by.
    """
    from scipy.special import ndtri

    count = len(one.lawn_own_draws)
    even = ndtri((np.arange(count) + 0.5) / count)
    rng = np.random.default_rng(1)
    order, first, second = (rng.permutation(count) for _ in range(3))
    mine = even[first]
    theirs = alike * mine + np.sqrt(1 - alike**2) * even[second]
    own = other.lawn_own_draws[order]  # every outlook is drawn from the same random numbers
    return (
        (_time(one, one.lawn_age_days, by), astray(one.lawn_own_draws, one.lawn_shared_se, mine)),
        (_time(other, other.lawn_age_days, by), astray(own, other.lawn_shared_se, theirs)),
    )


def _at(course: tuple[Floats, Floats], at: float) -> Floats:
    time, draws = course
    return np.array([np.interp(at, time, draw) for draw in draws])


def _when(course: tuple[Floats, Floats], levels: Floats | float) -> Floats:
    """When each course (K,) first has a cover: -inf when it had more from the start, inf when never."""
    time, draws = course
    levels = np.broadcast_to(levels, len(draws))
    above = draws >= levels[:, None]
    k = np.clip(above.argmax(axis=1), 1, None)
    rows = np.arange(len(draws))
    low, high = draws[rows, k - 1], draws[rows, k]
    with np.errstate(divide="ignore", invalid="ignore"):
        when = time[k - 1] + (levels - low) / (high - low) * (time[k] - time[k - 1])
    return np.select([above[:, 0], ~above.any(axis=1)], [-np.inf, np.inf], when)


def _lead(course: tuple[Floats, Floats], levels: Floats | float, mine: Floats | float) -> Floats:
    """The 5, 50 and 95 % quantiles of how much later than ``mine`` these courses have a cover.

    Never, within the forecast, is infinite: it sorts last and so stays honest.
    """
    with np.errstate(invalid="ignore"):  # never in both, or in both from the start: not known
        later = np.nan_to_num(_when(course, levels) - mine, nan=np.inf, posinf=np.inf, neginf=-np.inf)
    return np.quantile(later, [0.05, 0.5, 0.95], method="nearest")


def _width(quantiles: Floats) -> float:
    """Of an interval, infinite where either end is not known."""
    return float(quantiles[2] - quantiles[0]) if np.isfinite(quantiles).all() else np.inf


def _sentence(by: By, at: float, difference: Floats, ahead: Floats, level: float | None, name: str) -> str:
    """What differs clearly comes first. ``level`` is the cover at which days are told, None for the last."""
    points = 100 * difference
    when = f"on day {at:.0f}" if by == "days" else f"at {at:.0f} degree-days"
    where = "" if level is None else f" at {100 * level:.0f} % cover"
    more = "the same cover"
    if round(points[1]):
        more = f"{_count(abs(points[1]), 'point')} {'more' if points[1] > 0 else 'less'} cover"
    if not np.isfinite(ahead[1]):
        lead, side = "ahead or behind by more than its course can tell", ""
    else:
        side = "ahead" if ahead[1] > 0 else "behind"
        lead = f"{_count(abs(ahead[1]), 'day' if by == 'days' else 'degree-day')} {side}"
    if side and _clear(ahead):
        head = f"{lead}{' of' * (side == 'ahead')} {name}{where} (90 % interval {_interval(ahead)})"
        return f"{head}, {more} {when} ({_interval(points)})"
    tail = f" {when} (90 % interval {_interval(points)}), {lead}" + (
        f"{where} ({_interval(ahead)})" if side else ""
    )
    return f"{more} than {name}{tail}" if _clear(points) else f"no clear difference from {name}: {more}{tail}"


def _clear(quantiles: Floats) -> bool:
    """Whether nought lies outside an interval."""
    return bool(quantiles[0] > 0 or quantiles[2] < 0)


def _count(number: float, unit: str) -> str:
    """Four days, 13 points, one degree-day."""
    whole = round(number)
    word = NUMBERS[whole] if whole < len(NUMBERS) else f"{whole}"
    return f"{word} {unit}{'s' * (whole > 1)}"


def _interval(quantiles: Floats) -> str:
    low, high = ("no end" if not np.isfinite(value) else _signed(value) for value in quantiles[[0, 2]])
    return f"{low} to {high}"


def _signed(value: float) -> str:
    """With its sign; nought has none."""
    return f"{value:+.0f}" if round(value) else "0"
