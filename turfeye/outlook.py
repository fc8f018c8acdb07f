"""From a season to its outlook: what each cell, and the lawn, will be on the target date, and how surely.

Everything is counted on draws from the fit (:mod:`turfeye.growth`): a cell's curve with all that is uncertain
about it, the shared terms included. The draws are fixed points, so the same season gives the same outlook.
What that makes of a cell is in :mod:`turfeye.states`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import partial
from typing import Any

import numpy as np

from turfeye import growth, mixes, oversown, setback, states
from turfeye.clock import Clock, TimeAxis
from turfeye.covererror import SHARED, Accuracy, classifier_se, shared_se
from turfeye.curve import Curve, P, cover_at, end_cover, expit, reach_time, risen_at
from turfeye.draws import PlotRows, curves, even_points, kinds_at, picked, usual
from turfeye.errors import SeasonError
from turfeye.growth import Fit, Settings
from turfeye.headline import sentence
from turfeye.kinds import KINDS
from turfeye.lawnrecords import STATES, Forecast, LawnOutlook, Outlook, Season
from turfeye.mixes import Mix
from turfeye.oversown import Part
from turfeye.prior import Prior
from turfeye.records import Flags, Floats
from turfeye.setback import Loss
from turfeye.states import GROWN_UP, States

THIN_DEFICIT, CLEAR_DEFICIT = 0.05, 0.10
"""Where the seed failed, cover that stays short of the target by more than the first is thin. (A clear case
is short by the second; this lets a cell be called that is expected in between.) Cells like their lawn, which
is itself not known to better than some points, must be clear cases."""
PART_FAILED = 0.1
"""A plot with more failed ground than this is thin as a cell is whose seed failed. Ours."""
LATEST_SDS = 2.0
"""A lawn older than its mix's usual half-way age by so many of that's standard deviations is overdue."""
LAWN_CURVE_SD = 0.015
"""How far the mean of a whole lawn strays from any smooth curve: weather; ours."""
LEVEL_TURNS = 6
"""Turns of the fit of a plot's cells, whose level the plots' fit knows already. With 30, as for a lawn, it
takes twice as long and the level follows what is bare: of bare cells 71 % were found by day 25, with 6 85 %,
as sure (simulated, seeds 400-407)."""
DRAWS, LAWN_DRAWS = 128, 200
"""Of each cell's curve, and of the lawn's mean."""


def fit(
    season: Season,
    *,
    curve: Curve = "logistic",
    time_axis: TimeAxis | None = None,
    mix: Mix | None = None,
    users: Sequence[Mapping[str, Any]] = (),
    level: Prior | None = None,
    own_level: bool = False,
) -> Outlook:
    """Fit a curve to every cell and forecast it to the target date; parts sown again by their own sowing.

    Parameters
    ----------
    season : the dated table
    curve : "logistic", or "gompertz" for a quick start and a long tail
    time_axis : "degree-days" needs a season with temperatures, and is the default when it has them
    mix : by default the shipped one of the sowing's name; hand in a user's own
    users : the user's own mixes, for parts that were sown again with another one
    level : what is known of a trial's plot as a whole, in place of what the mix's lawns are like
    own_level : a cell is thin only where it stays short of what the healthy cells themselves come to, if
        that is less than the target: so a plot of a trial that is thin as a whole has no thin cells. How
        the plot goes on as a whole its trial tells (`trial.of_plots`); here that is unknown, and not drawn

    Raises LawnError when no mix of that name is known, SeasonError when there is no visit or when degree-days
    are wanted of a season without temperatures.
    """
    if not season.visits:
        raise SeasonError("a season needs at least one visit and this one has none; file photos with `add`")
    clock = Clock.of(season, time_axis)
    parts = []
    for part in oversown.parts(season):
        if part.season is not None:
            own = mix if part.sowing.mix == season.sowing.mix else mixes.get(part.sowing.mix, users)
            # without the level: what is known of it is of the seed that was
            ahead = fit(part.season, curve=curve, time_axis=clock.axis, mix=own, own_level=own_level)
            part = replace(part, ahead=ahead)
        parts.append(part)
    found = growth.fit(
        oversown.before(season),
        season.cover_se,
        clock.time(season.age_days),
        place=np.stack([season.row, season.col], axis=1),
        prior=level or Prior.of_mix(mix or mixes.get(season.sowing.mix)),
        settings=Settings(curve=curve) if level is None else Settings(curve=curve, rounds=LEVEL_TURNS),
    )
    return forecast(season, found, time_axis=time_axis, parts=parts, own_level=own_level)


@dataclass(frozen=True, eq=False)
class _Basis:
    """What all forecasts of a season rest on."""

    found: Fit
    clock: Clock
    now_age: float  # days since sowing
    target_age: float
    loss: Loss  # to a setback on the last visit
    grown: float  # share of their rise that the lawn's healthy cells have made
    doubt: float  # chance that the lawn never rises

    @classmethod
    def of(cls, season: Season, found: Fit, time_axis: TimeAxis | None) -> _Basis:
        """By the season's last visit."""
        clock, now_age = Clock.of(season, time_axis), float(season.age_days[-1])
        now = float(clock.time(season.age_days[-1:])[0])
        grown = float(_grown(found, np.array([now]))[0])
        return cls(
            found,
            clock,
            now_age,
            target_age=float((season.target.date - season.sowing.date).days),
            loss=Loss.on_last(found.offset, found.settings.offset_sd, now_age),
            grown=grown,
            doubt=_doubt(found, now, grown),
        )


def forecast(
    season: Season,
    found: Fit,
    *,
    time_axis: TimeAxis | None = None,
    parts: Sequence[Part] = (),
    own_level: bool = False,
    plots: PlotRows | None = None,
) -> Outlook:
    """The outlook of a season that was fitted before; the target may be another one than then.

    ``parts`` of it were sown again, each with its own outlook; ``own_level`` is as in `fit`. Where the
    season's rows are a trial's plots, ``plots`` says what of them the fit's rows are.
    """
    basis = _Basis.of(season, found, time_axis)
    end = _end_of_healthy(found) if own_level else 1.0
    cells = _forecast(basis, season.target.cover, enough=min(season.target.cover, end), plots=plots)
    grown_at = _grown(found, basis.clock.time(season.age_days))
    told = states.of_cells(cells, season, grown=basis.grown, grown_at=grown_at, overdue=basis.doubt > 0)
    cells, told = oversown.forecast(cells, parts), oversown.states(told, parts)
    theta, theta_cov = (values[: len(season.row)] for values in found.best())
    for part in parts:
        if part.ahead is not None:
            theta[part.cells], theta_cov[part.cells] = part.ahead.theta, part.ahead.theta_cov
    weight: Floats = season.area_m2 * np.isfinite(season.cover).any(axis=1)
    weight = weight if plots is None else weight[plots.plot] * plots.share
    if own_level:
        ages, own = _no_course(basis)
    else:
        ages, own = oversown.courses(parts, weight, partial(_lawn_draws, basis))
    shared = _shared_se(season, ages, own)
    common = np.random.default_rng(20260315).permutation(even_points(len(own), 1)[:, 0])
    draws = astray(own, shared, common)
    return Outlook(
        season=season,
        curve=found.settings.curve,
        time_axis=basis.clock.axis,
        theta=theta,
        theta_cov=theta_cov,
        visit_offset=found.offset,
        **{field.name: getattr(cells, field.name) for field in fields(cells)},
        state=told.state,
        why=told.why,
        lawn=_lawn(season, told, cells.p_thin, basis, ages, draws, plots=plots is not None),
        lawn_age_days=ages,
        lawn_draws=draws,
        lawn_own_draws=own,
        lawn_shared_se=shared,
    )


def _forecast(basis: _Basis, target: float, *, enough: float, plots: PlotRows | None) -> Forecast:
    """Count on draws of every cell, or plot; a share of them, `_Basis.doubt`, never rises.

    Thin is what stays short of ``enough``.
    """
    from scipy.special import ndtr

    found, loss = basis.found, basis.loss
    now_age, target_age = basis.now_age, basis.target_age
    curve, noise_sd = found.settings.curve, found.settings.curve_sd
    x_now, x_then = basis.clock.time(np.array([now_age, target_age]))
    points = even_points(DRAWS, P + (4 if plots is None else 5))
    normal, kind, wobble = points[:, :P], points[:, P], points[:, P + 1]
    kept = 1 - setback.ahead(now_age, target_age, points[:, P + 2], points[:, P + 3])
    stays = ndtr(points[:, P + 3]) < basis.doubt
    told = []
    rows = found.odds.shape[1]
    for block in growth.blocks(rows) if plots is None else (slice(rows),):
        theta, failed = curves(found, block, normal, kind)
        now = cover_at(theta, np.array(x_now), curve) + float(loss.at(now_age))
        quiet = np.where(stays, now, cover_at(theta, np.array(x_then), curve))
        then: Floats = quiet + float(loss.at(target_age))
        then = np.clip(then * kept + noise_sd * wobble, 0, 1)
        most = np.where(stays, now, np.maximum(quiet, end_cover(theta)))
        reached = np.where(stays, np.inf, reach_time(theta, target, curve))
        if plots is not None:
            now = plots.astray(now, plots.alike_now, points[:, P + 4])
            then, most = (plots.astray(d, plots.alike_then, points[:, P + 4]) for d in (then, most))
            failed = plots.together(failed.astype(float)) > PART_FAILED
            reached = np.where(most < target, np.inf, reached[: len(now)])  # as where the seed took
        p_thin = _p_thin(most, failed, enough, grown_up=basis.grown >= GROWN_UP)
        low, middle, high = np.quantile(then, [0.05, 0.5, 0.95], axis=1)
        reach = np.quantile(reached, 0.5, axis=1, method="lower")
        told.append((
            np.clip(now.mean(axis=1), 0, 1), now.std(axis=1), middle, low, high,
            (then >= target).mean(axis=1), p_thin, basis.clock.age(reach),
        ))  # fmt: skip
    return Forecast(*(np.concatenate(part) for part in zip(*told, strict=True)))


def _p_thin(most: Floats, failed: Flags, enough: float, *, grown_up: bool) -> Floats:
    """Chance (n,) to be thin, by draws (n, K) of the most cover that a cell comes to, and of failed seed."""
    odds = failed.mean(axis=1)
    raised = odds * np.exp(states.CAUTION) / (1 - odds + odds * np.exp(states.CAUTION))
    fails = (failed & (most < enough - THIN_DEFICIT)).sum(axis=1) / np.maximum(failed.sum(axis=1), 1)
    clear = (~failed & (most < enough - CLEAR_DEFICIT)).sum(axis=1) / np.maximum((~failed).sum(axis=1), 1)
    return raised * fails + (1 - raised) * clear * grown_up


def _doubt(found: Fit, time: float, grown: float) -> float:
    """Chance that a lawn which should be half grown and has hardly risen never will; 0 for any other.

    That all of it failed is as likely as that the seed fails in a cell, against that it comes as late as the
    fit has it: a t of 4 degrees of freedom about the mix's usual half-way age, since cold springs are longer
    than a bell curve has them.
    """
    half, between_lawns = found.prior.half_days
    if grown >= states.GROWN_ENOUGH or time < half + LATEST_SDS * between_lawns:
        return 0.0
    late = (1 + ((found.mean[3] - half) / between_lawns) ** 2 / 4) ** -2.5
    return found.prior.failed_share / (found.prior.failed_share + float(late))


def _some_stay(draws: Floats, ages: Floats, basis: _Basis) -> Floats:
    """Courses (K, T), of which as many as there is doubt stay as they are now."""
    stays = (np.arange(len(draws)) < basis.doubt * len(draws))[:, None] & (ages > basis.now_age)
    return np.where(stays, draws[:, [np.searchsorted(ages, basis.now_age)]], draws)


def _end_of_healthy(found: Fit) -> float:
    """Where the lawn's healthy cells end."""
    return float(end_cover(found.mean))


def _grown(found: Fit, times: Floats) -> Floats:
    """Share of their rise that the lawn's healthy cells have made at times (T,)."""
    return risen_at(found.mean, times, found.settings.curve)


def _no_course(basis: _Basis) -> tuple[Floats, Floats]:
    """As `_lawn_draws`, of a mean that is told elsewhere."""
    ages = np.unique([basis.now_age, basis.target_age])
    return ages, np.full((1, len(ages)), np.nan)


def _lawn_draws(basis: _Basis, weight: Floats) -> tuple[Floats, Floats]:
    """Ages (T,) and likely courses of the lawn's mean (K, T): shared errors in step, the cells' own apart.

    ``weight`` (N,) is the area of each cell that was seen.
    """
    found, now_age = basis.found, basis.now_age
    rng = np.random.default_rng(20260314)
    horizon = max(now_age, basis.target_age) + 14
    ages = np.unique(np.concatenate([np.linspace(0, horizon, 19), [now_age, basis.target_age]]))
    times = basis.clock.time(ages)
    root = np.linalg.cholesky(found.shared_cov + 1e-12 * np.eye(len(found.shared_cov)))
    common = rng.standard_normal((LAWN_DRAWS, len(root))) @ root.T
    total = np.zeros(LAWN_DRAWS * len(ages))
    for block in growth.blocks(len(weight), 64):
        chance = rng.random((block.stop - block.start, LAWN_DRAWS))
        own = rng.standard_normal((*chance.shape, P))
        if not weight[block].any():  # never seen, as most of a trial's cells
            continue
        drawn = []
        for which in range(KINDS):
            root_here = np.linalg.cholesky(found.cov[which, block])
            moved = common @ np.swapaxes(found.pull[which, block], -1, -2)
            drawn.append(found.theta[which, block][:, None] + moved + own @ np.swapaxes(root_here, -1, -2))
        theta = picked(drawn, kinds_at(chance, found.odds[:, block]))
        course = cover_at(theta[..., None, :], times, found.settings.curve)
        total += weight[block] @ course.reshape(len(course), -1)
    mean = total.reshape(LAWN_DRAWS, -1) / max(float(weight.sum()), 1e-12)
    # light and weather err for the lawn as a whole
    astray = LAWN_CURVE_SD * rng.standard_normal(LAWN_DRAWS)[:, None]
    when, depth = rng.standard_normal((2, LAWN_DRAWS))
    kept = np.stack([1 - setback.ahead(now_age, age, when, depth) for age in ages], axis=1)
    courses = np.clip((mean + basis.loss.at(ages)) * kept + astray, 0, 1)
    return ages, _some_stay(courses, ages, basis)


def _shared_se(season: Season, ages: Floats, draws: Floats) -> Floats:
    """What all cells of a photo err by together, (T,), in the mean of courses (K, T).

    No number of cells helps, nor does any number of visits: all are taken to err alike, since one camera
    reads one sward in them. At a visit it is what its cells tell; ahead, more by as much as the classifier
    errs more at the cover to come.
    """
    weight = np.where(np.isfinite(season.cover), season.area_m2[:, None], 0.0)
    shown = weight.any(axis=0)
    if not shown.any():
        return np.zeros(len(ages))
    told = np.interp(ages, season.age_days[shown], shared_se(season.cover_se, weight)[shown])
    alone = classifier_se(np.median(draws, axis=0), Accuracy())
    now = alone[np.searchsorted(ages, season.age_days[-1])]
    ahead = np.where(ages > season.age_days[-1], np.maximum(alone - now, 0), 0)
    return told + np.sqrt(SHARED) * ahead


def astray(draws: Floats, shared: Floats, common: Floats) -> Floats:
    """Courses (K, T), up and down by ``common`` (K,) of their shared standard errors (T,): (2 K, T)."""
    off = common[:, None] * shared
    return np.clip(np.concatenate([draws + off, draws - off]), 0, 1)


def _usual_by_now(basis: _Basis) -> tuple[float, float]:
    """Between what the middle two thirds of the mix's lawns are by the last visit, from this lawn's start."""
    found = basis.found
    start = float(expit(found.mean[0]))
    time = basis.clock.time(np.array([basis.now_age]))
    low, high = usual(found.prior, start, time, found.settings.curve)
    return float(low[0]), float(high[0])


def _lawn(
    season: Season, told: States, p_thin: Floats, basis: _Basis, ages: Floats, draws: Floats, *, plots: bool
) -> LawnOutlook:
    """The whole lawn, by its likely courses (K, T) at ages (T,), and its cells' chances to be thin (N,)."""
    counts = {word: int((told.state == word).sum()) for word in STATES}
    if counts["not seen"] == len(told.state):  # of no cell is the mean nothing, not 0
        draws = np.full_like(draws, np.nan)
    now = draws[:, np.searchsorted(ages, basis.now_age)]
    then = draws[:, np.searchsorted(ages, basis.target_age)]
    thin_m2 = float(season.area_m2[told.state == "thin"].sum())
    cover_now, usual_now = float(np.median(now)), _usual_by_now(basis)
    low, middle, high = (float(q) for q in np.quantile(then, [0.05, 0.5, 0.95]))
    return LawnOutlook(
        cover_now=cover_now,
        cover_now_se=float(now.std()),
        cover_at_target=middle,
        cover_at_target_low=low,
        cover_at_target_high=high,
        p_on_target=float(np.where(np.isnan(then), np.nan, then >= season.target.cover).mean()),
        cells=len(told.state),
        counts=counts,
        thin_m2=thin_m2,
        missing=told.missing,
        sentence=sentence(
            season,
            cover_now,
            counts,
            thin_m2,
            usual=usual_now,
            loss=basis.loss.cover,
            missing=told.missing,
            chances=states.chance_short(p_thin[told.state == "thin"]),
            look=states.next_look(season),
            plots=plots,
        ),
        usual_now=usual_now,
        loss=basis.loss.cover,
    )
