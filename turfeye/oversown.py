"""Parts of a lawn that were sown again: they start anew on that day, while the rest of the lawn goes on.

A part is fitted as a lawn of its own, from its sowing on: it begins with the cover that was left there, and
what came up before says nothing of the new seed. Until a visit shows it, all that is known is what was left
and what its mix usually does, so its forecast is wide. What the whole lawn is told by takes each part from
there.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date, datetime, time, timedelta

import numpy as np

from turfeye.headline import percent
from turfeye.lawnrecords import Forecast, Outlook, Oversown, Season, Sowing, Task, Visit
from turfeye.outline import cell_shares, simplified
from turfeye.records import Floats, Whole
from turfeye.states import OLD_ENOUGH_DAYS, States, most_lack
from turfeye.words import short_day, square_metres

LEAST_SHARE = 0.05
"""A cell of which so much was sown again begins anew: a patch is outlined below cell size, and a tenth that
is bare takes seven points from a cell at its rim, which would else be told as thin by what it was. Ours."""
OUTLINE_M = 0.02
"""An outline is written down with no more corners than it needs to be so close."""
LEFT_SE = 0.05
"""Error of what was left in a cell on the day of its sowing, beyond that of the photo that last showed it:
it grew since, and was raked over for the seed. Ours."""
SOON = "too soon to say"


@dataclass(frozen=True, eq=False)
class Part:
    """Cells that were sown again, and their season since.

    Where no visit has ``shown`` them since, it is what was left there on that day; None where nobody knows,
    or where the target's date had passed by then, which new seed changes nothing about.
    """

    sowing: Sowing
    cells: Whole  # indexes into the lawn's cells
    age_days: float  # of the lawn on that day
    season: Season | None
    shown: bool
    ahead: Outlook | None = None  # of that season

    @property
    def judged_from(self) -> date:
        """The first day on which a photo tells whether it came."""
        return self.sowing.date + timedelta(days=OLD_ENOUGH_DAYS)

    @property
    def young(self) -> bool:
        """Whether its last visit was before that day."""
        return self.season is not None and self.season.visits[-1].taken.date() < self.judged_from


def by_plan(task: Task, on: date, mix: str) -> Sowing:
    """A patch of a work plan as it was sown: within its outline, at the rate that its seed makes."""
    corners = simplified(task.patch.outline_m, OUTLINE_M).round(2).tolist()
    rate = round(task.seed_g / task.patch.area_m2, 1)
    return Sowing(on, mix, rate, tuple((x, y) for x, y in corners))


def remark(task: Task) -> str:
    """How somebody who reads the lawn's file knows which patch was sown."""
    patch, tape = task.patch, task.tape
    by_tape = f"{tape.corner_a} {tape.from_a_m:.2f}, {tape.corner_b} {tape.from_b_m:.2f} m"
    return f"patch {patch.number}, {patch.area_m2:.2f} m², by tape {by_tape}"


def marked(season: Season, sowings: Sequence[Sowing]) -> Season:
    """The season with the cells that later sowings fell on, each by its last one; noted in its flags.

    Sowings of one day and mix are one part: their cells tell of one another.
    """
    last, sown_m2 = np.full(len(season.row), -1), np.zeros((len(sowings), len(season.row)))
    for k, sowing in enumerate(sowings):
        share = cell_shares(np.array(sowing.area_m), season.grid)[season.row, season.col]
        sown_m2[k] = share * season.grid.cell_m**2
        last[sown_m2[k] >= LEAST_SHARE * season.area_m2] = k
    together: dict[tuple[date, str], list[int]] = {}
    for k, sowing in enumerate(sowings):
        together.setdefault((sowing.date, sowing.mix), []).append(k)
    found, said = [], []
    for (when, _), several in together.items():
        cells = np.flatnonzero(np.isin(last, several))
        if len(cells):
            found.append(Oversown(sowings[several[0]], cells))
            count = "its cell begins" if len(cells) == 1 else f"its {len(cells)} cells begin"
            m2 = np.minimum(sown_m2[several][:, cells].sum(axis=0), season.area_m2[cells])
            ground = square_metres(float(m2.sum()))
            said.append(
                f"{ground} sown again on {short_day(when)}: {count} anew on that day; the rest goes on as "
                "before"
            )
        else:
            said.append(
                f"what was sown again on {short_day(when)} covers hardly any of a cell, or was sown over "
                "since: no cell begins anew by it; smaller cells (cell_m in lawn.toml) show smaller places"
            )
    return replace(season, oversown=tuple(found), flags=(*season.flags, *said))


def parts(season: Season) -> tuple[Part, ...]:
    """The parts of a season that were sown again."""
    return tuple(_part(season, one.sowing, one.cells) for one in season.oversown)


def _part(season: Season, sowing: Sowing, cells: Whole) -> Part:
    """Cells (n,) and what visits from their own sowing on show of them; ages and degree-days begin there."""
    age_days = (sowing.date - season.sowing.date).days
    later = np.flatnonzero(season.age_days > age_days)
    shown = bool(np.isfinite(season.cover[np.ix_(cells, later)]).any())
    since = np.flatnonzero(season.age_days >= age_days) if shown else later
    heat = season.degree_days_by_age
    start = 0.0 if heat is None else heat[age_days]
    visits = tuple(
        replace(visit, age_days=visit.age_days - age_days, degree_days=visit.degree_days - start)
        for visit in (season.visits[v] for v in since)
    )
    by_visit = ("cover", "cover_se", "dgci", "dgci_se", "lab")
    seen = {name: getattr(season, name)[np.ix_(cells, since)] for name in by_visit}
    if not shown:
        left = _left(season, cells, age_days)
        if sowing.date >= season.target.date or not np.isfinite(left["cover"]).any():
            return Part(sowing, cells, float(age_days), None, shown)
        # what was left stands for a visit on the day itself
        noon = datetime.combine(sowing.date, time(12), season.visits[-1].taken.tzinfo)
        visits = (Visit(noon, 0.0, "", (), float("nan") if heat is None else 0.0), *visits)
        unknown = {name: np.full((len(cells), 1, *values.shape[2:]), np.nan) for name, values in seen.items()}
        seen = {n: np.concatenate([(unknown | left)[n], values], axis=1) for n, values in seen.items()}
    own = replace(
        season.at(cells),
        **seen,
        visits=visits,
        sowing=sowing,
        degree_days_by_age=None if heat is None else heat[age_days:] - start,
        oversown=(),
    )
    return Part(sowing, cells, float(age_days), own, shown)


def _left(season: Season, cells: Whole, age_days: float) -> dict[str, Floats]:
    """Cover (n, 1) that was last seen in the cells (n,) up to an age, and its error; NaN where none was."""
    until = np.flatnonzero(season.age_days <= age_days)
    if not len(until):
        return {"cover": np.full((len(cells), 1), np.nan)}
    cover, cover_se = (values[np.ix_(cells, until)] for values in (season.cover, season.cover_se))
    last = len(until) - 1 - np.isfinite(cover)[:, ::-1].argmax(axis=1)[:, None]
    left, left_se = (np.take_along_axis(values, last, axis=1) for values in (cover, cover_se))
    return {"cover": left, "cover_se": np.hypot(left_se, LEFT_SE)}


def before(season: Season) -> Floats:
    """Cover (N, V) by which the first sowing is told: of each part that from before it was sown again."""
    cover = season.cover.copy()
    for part in parts(season):
        cover[np.ix_(part.cells, season.age_days >= part.age_days)] = np.nan
    return cover


def courses(
    found: Sequence[Part], weight: Floats, draws: Callable[[Floats], tuple[Floats, Floats]]
) -> tuple[Floats, Floats]:
    """Ages (T,) and likely courses of the lawn's mean (K, T), each part by its own sowing from that on.

    ``draws`` gives them by the first sowing, for the cells that a weight (N,) counts.
    """
    if not found:
        return draws(weight)
    rest = weight.copy()
    for part in found:
        rest[part.cells] = 0
    ages, total = draws(rest)
    total = total * rest.sum()
    for part in found:
        own = np.zeros_like(weight)
        own[part.cells] = weight[part.cells]
        course = draws(own)[1]
        if part.ahead is not None:
            since, theirs = ages - part.age_days, part.ahead
            anew = np.stack([np.interp(since, theirs.lawn_age_days, one) for one in theirs.lawn_own_draws])
            course = np.where(since < 0, course, anew)
        total = total + course * own.sum()
    return ages, total / max(float(weight.sum()), 1e-12)


def forecast(cells: Forecast, found: Sequence[Part]) -> Forecast:
    """The forecast of all cells, each part's by its own sowing."""
    whole = {field.name: getattr(cells, field.name).copy() for field in fields(cells)}
    for part in found:
        if part.ahead is not None:
            for name, values in whole.items():
                values[part.cells] = getattr(part.ahead, name)
            whole["reach_days"][part.cells] += part.age_days
    return Forecast(**whole)


def states(told: States, found: Sequence[Part]) -> States:
    """The states of all cells, each part's by its own sowing; a part's reasons say so."""
    state, why = told.state.astype(object), told.why.astype(object)
    lacks = Counter({told.missing: int((told.state == SOON).sum())})
    for part in found:
        sown, ahead = f"sown again on {short_day(part.sowing.date)}", part.ahead
        by_first = told.state[part.cells]
        lacks[told.missing] -= int((by_first == SOON).sum())
        again = f"photograph it from {short_day(part.judged_from)} on"
        for k, cell in enumerate(part.cells):
            if ahead is None or ahead.state[k] == "not seen":
                if by_first[k] != "not seen":
                    state[cell], why[cell] = SOON, f"{sown} and not seen since"
            elif part.shown:
                state[cell], why[cell] = ahead.state[k], f"{sown}: {ahead.why[k]}"
                if part.young and state[cell] == SOON:
                    why[cell] = f"{sown}: {_expected(ahead, k)}; {again}"
            else:
                expected = _expected(ahead, k)
                state[cell], why[cell] = SOON, f"{sown} and not seen since: {expected}; {again}"
        missing = f"{sown}, {again}"
        if part.shown and ahead is not None and not part.young:
            missing = f"{sown}, {ahead.lawn.missing or 'photograph it again'}"
        lacks[missing] += int((state[part.cells] == SOON).sum())
    return States(state.astype(np.str_), why.astype(np.str_), most_lack(lacks))


def _expected(ahead: Outlook, k: int) -> str:
    """What is expected of a part's cell that no visit has shown since it was sown."""
    target = ahead.season.target
    low, high = percent(ahead.cover_at_target_low[k]), percent(ahead.cover_at_target_high[k])
    words = f"{percent(ahead.cover_at_target[k])} % expected on {short_day(target.date)}"
    return f"{words}, target {percent(target.cover)} %, between {low} and {high} %"
