"""A trial: each plot is told against the others as a plot, each cell against the rest of its own plot.

A plot of a thin variety is a result and no failure of its cells; a hole in a dense plot is one, though the
hole's ground may be as green as another plot is. So a trial is fitted in two steps. First the plots, a row
each: the mean of a plot's cells on every visit follows a curve, and the plots borrow from one another, since
they were sown on one day and grow under one sky. Then the cells of each plot, as a lawn of its own, with the
curve of its sound cells for a belief.

The mean of a plot is of many cells and few photos. What all cells of a photo err by together
(:data:`turfeye.cells.SHARED`) is not less for being shared by many. Part of it is new with every photo (its
light) and becomes less with every visit; the rest, soil and leaves of the place, never does (:data:`LIGHT`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from turfeye import growth, outlook
from turfeye.cells import SHARED, Accuracy, classifier_se
from turfeye.clock import Clock, TimeAxis
from turfeye.curve import Curve, P, end_cover
from turfeye.draws import Parts, even_points
from turfeye.growth import Settings
from turfeye.kinds import LAWN
from turfeye.lawnrecords import STATES, Outlook, Season
from turfeye.mixes import Mix
from turfeye.prior import Prior
from turfeye.records import Flags, Floats, Whole

LIGHT = 0.5
"""Share of what all cells of a photo err by together that is new with every photo of a place. In rendered
samples 20 % (lawn views) and 51 % (spots) of it differ from visit to visit (tools/calibrate_errors.py)."""
HOLE = 0.15
"""Cells this far in cover below the upper quarter of their plot are a hole, no part of its level. Ours."""
LEAST_SDS = np.array([0.3, 0.15, 0.1, 0.5])
"""A plot's level is never known better by itself than so: start and end (logit), log rate, half-way days."""
BETWEEN_PLOTS = (0.6, 0.5, 0.15, 1.6)
"""What plots differ by among themselves, believed before they are seen, as `Prior.cell_sd`: as cells of one
lawn do, but for where they end, for they are of several varieties. From days 11, 18, 25 of simulated trials
(seeds 200-279) 90 % intervals for a day two weeks ahead held 89, 93 and 93 % of plots with it, with a lawn's
85, 90 and 92."""
TURNS = 6
"""Turns of the fit of a plot's cells, whose level the plots' fit knows already. With 30, as for a lawn, it
takes twice as long and the level follows what is bare: of bare cells 71 % were found by day 25, with 6 85 %,
as sure (simulated, seeds 400-407)."""
NONE = 1e-6
"""Chance of a kind that isn't looked for. No plot is late, and one that fails is one that ends low. In a plot
no strip is late: a hole as long as the plot was taken for one (`kinds.STRIP`), and by day 18 41 % of bare
cells were found, not 58 (simulated, seeds 300-305). Of strips that do come late 19 % are called then, not
14."""


@dataclass(frozen=True, eq=False, slots=True)
class Trial:
    """How a trial's plots and their cells stand."""

    whole: Outlook  # of all cells; its lawn is the plots' ground together
    plots: Outlook  # one row a plot
    numbers: Whole  # (P,) of the plots, in the order of those rows
    own: Mapping[int, tuple[Whole, Outlook]]  # by plot, -1 beside them: cells in the season, outlook


def fit(
    season: Season,
    number: Whole,
    *,
    curve: Curve = "logistic",
    time_axis: TimeAxis | None = None,
    mix: Mix,
    users: Sequence[Mapping[str, Any]] = (),
) -> Trial:
    """Fit a trial's plots and their cells, and forecast both to the target date.

    Parameters
    ----------
    season : the dated table
    number : (N,) of each cell's plot, -1 beside the plots; such cells are a plot of their own, not among
        ``plots``
    curve, time_axis, mix, users : as in `outlook.fit`
    """
    numbers, ahead, levels = _of_plots(season, number, curve=curve, time_axis=time_axis, mix=mix)
    own = {}
    for plot in np.unique(number).tolist():
        cells = np.flatnonzero(number == plot)
        mine = outlook.fit(
            _cut(season, cells),
            curve=curve,
            time_axis=ahead.time_axis,
            mix=mix,
            prior=levels.get(plot),
            settings=Settings(curve=curve, rounds=TURNS) if plot in levels else None,
            users=users,
            own_level=True,
        )
        own[plot] = cells, mine
    told = Trial(ahead, ahead, numbers, own)
    return replace(told, whole=_whole(season, told))


def of_plots(
    season: Season, number: Whole, *, curve: Curve = "logistic", time_axis: TimeAxis | None = None, mix: Mix
) -> tuple[Whole, Outlook]:
    """The plots alone, as in `fit`: their numbers (P,), and an outlook with a row for each."""
    return _of_plots(season, number, curve=curve, time_axis=time_axis, mix=mix)[:2]


def _of_plots(
    season: Season, number: Whole, *, curve: Curve, time_axis: TimeAxis | None, mix: Mix
) -> tuple[Whole, Outlook, dict[int, Prior]]:
    """Numbers and outlook of the plots, and what is believed of each one's cells: the level of sound ones.

    Holes follow curves of their own: a mean over both would be expected to rise as sound ground does. What
    was sown again is no longer what the plot was sown with: it doesn't count where there is other ground.
    """
    here = np.flatnonzero((number >= 0) & ~_sown_again(season, number))
    numbers, of = np.unique(number[here], return_inverse=True)
    count, some = len(numbers), _rows(season, here)
    plots, _ = by_plot(some, of, count)
    halves, noise_se = by_plot(some, of + count * ~sound_cells(some, of, count), 2 * count)
    kept = np.concatenate([np.arange(count), count + np.flatnonzero(halves.area_m2[count:])])
    halves, noise_se = _rows(halves, kept), noise_se[kept]
    clock = Clock.of(season, time_axis)
    belief = replace(outlook.prior_of(mix), late_share=NONE, cell_sd=BETWEEN_PLOTS)
    x = clock.time(season.age_days)
    found = growth.fit(halves.cover, noise_se, x, prior=belief, settings=Settings(curve=curve))
    share = halves.area_m2 / np.maximum(plots.area_m2, 1e-12)[kept % count]
    share[:count][plots.area_m2 == 0] = 1.0  # of one never seen
    parts = Parts(kept % count, share, *_alike(halves, found))
    ahead = outlook.forecast(plots, found, time_axis=clock.axis, plots=parts)
    return numbers, ahead, dict(zip(numbers.tolist(), _levels(found, count, mix), strict=True))


def by_plot(season: Season, of: Whole, count: int) -> tuple[Season, Floats]:
    """The season with a row a plot, of its cells' means; and of each mean what one photo errs by alone.

    Parameters
    ----------
    of : (N,) the plot of each cell, 0 to ``count`` - 1

    Returns
    -------
    The season, in which ``cover_se`` is that of a cell, all of it shared out as a lawn's is; ``area_m2`` is
    the ground seen. And (P, V) the error that is new on every visit: of light, and what the cells err by each
    for itself.
    """
    visits = season.cover.shape[1]
    weight = np.where(np.isfinite(season.cover), season.area_m2[:, None], 0.0)

    def total(values: Floats) -> Floats:
        return np.stack([np.bincount(of, values[:, v], count) for v in range(visits)], axis=1)

    def mean(values: Floats) -> Floats:
        known = np.where(np.isfinite(values), weight, 0.0)
        mass = total(known)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(mass > 0, total(known * np.nan_to_num(values)) / mass, np.nan)

    cover, se = mean(season.cover), mean(season.cover_se)
    mass = np.maximum(total(weight), 1e-12)
    apart = (1 - SHARED) * total((weight * np.nan_to_num(season.cover_se)) ** 2) / mass**2
    ground = np.where(weight.any(axis=1), season.area_m2, 0.0)
    middle = np.maximum(np.bincount(of, season.area_m2, count), 1e-12)
    rows = replace(
        season,
        row=np.arange(count),
        col=np.zeros(count, int),
        x_m=np.bincount(of, season.area_m2 * season.x_m, count) / middle,
        y_m=np.bincount(of, season.area_m2 * season.y_m, count) / middle,
        area_m2=np.bincount(of, ground, count).astype(float),
        cover=cover,
        cover_se=se,
        dgci=mean(season.dgci),
        lab=np.full((*cover.shape, 3), np.nan),
        oversown=(),
        earlier=(),
        earlier_cover=np.empty((0, 0)),
    )
    return rows, np.sqrt(SHARED * LIGHT * se**2 + apart)


def lasting_se(se: Floats) -> Floats:
    """What all visits' means of one place err by alike, from the errors of its cells."""
    return np.sqrt(SHARED * (1 - LIGHT)) * se


def _alike(plots: Season, found: growth.Fit) -> tuple[Floats, Floats]:
    """(P,) what all visits of a plot err by alike: now, and on the target's date.

    Ahead it is more by as much as the classifier errs more at the cover to come, as of a lawn.
    """
    seen = np.isfinite(plots.cover)
    last = seen.shape[1] - 1 - seen[:, ::-1].argmax(axis=1)
    now = lasting_se(np.nan_to_num(plots.cover_se[np.arange(len(last)), last]))
    cover = plots.cover[np.arange(len(last)), last]
    end = end_cover(found.best()[0])
    more = classifier_se(end, Accuracy()) - classifier_se(np.nan_to_num(cover), Accuracy())
    return now, now + lasting_se(np.maximum(more, 0.0))


def _sown_again(season: Season, number: Whole) -> Flags:
    """(N,) cells that were sown again, of plots that were seen elsewhere too."""
    again = np.zeros(len(number), bool)
    for part in season.oversown:
        again[part.cells] = True
    seen = np.isfinite(season.cover).any(axis=1)
    return again & np.isin(number, number[seen & ~again])


def _levels(found: growth.Fit, count: int, mix: Mix) -> list[Prior]:
    """Of the first ``count`` rows what is believed of a lawn that has their curve."""
    pull = found.pull[LAWN, :count]
    cov = found.cov[LAWN, :count] + pull @ found.shared_cov @ np.swapaxes(pull, -1, -2)
    draws = found.theta[LAWN, :count, None] + even_points(outlook.DRAWS, P) @ np.swapaxes(
        np.linalg.cholesky(cov), -1, -2
    )
    end = end_cover(draws).clip(1e-3, 1 - 1e-3)
    draws[..., 1] = np.log(end / (1 - end))
    middle, sd = draws.mean(axis=1), np.maximum(draws.std(axis=1), LEAST_SDS)
    ends = [
        [(float(m), float(s)) for m, s in zip(ms, sds, strict=True)]
        for ms, sds in zip(middle, sd, strict=True)
    ]
    return [
        replace(
            outlook.prior_of(mix),
            late_share=NONE,
            start_logit=start,
            end_logit=end,
            log_rate=rate,
            half_days=half,
        )
        for start, end, rate, half in ends
    ]


def sound_cells(season: Season, of: Whole, count: int) -> Flags:
    """(N,) cells that are not far below the upper quarter of their plot, by the visits that show a sward.

    Where most of a plot is bare, bare is what the plot is.
    """
    sound = np.ones(len(of), bool)
    for k in range(count):
        cells = np.flatnonzero(of == k)
        cover = season.cover[cells][:, np.isfinite(season.cover[cells]).any(axis=0)]
        if cover.size == 0:
            continue
        middle = np.nanmedian(cover, axis=0)
        weight = np.where(np.isfinite(cover), middle, 0.0)
        mass = weight.sum(axis=1)
        away = (weight * np.nan_to_num(cover - middle)).sum(axis=1) / np.maximum(mass, 1e-9)
        if (mass > 0).any():
            sound[cells] = (mass == 0) | (away >= np.quantile(away[mass > 0], 0.75) - HOLE)
    return sound


def _rows(season: Season, kept: Whole) -> Season:
    """Some rows of a season."""
    names = ("row", "col", "x_m", "y_m", "area_m2", "cover", "cover_se", "dgci", "lab")
    return replace(season, **{name: getattr(season, name)[kept] for name in names})


def _cut(season: Season, cells: Whole) -> Season:
    """The season of some cells alone, on the part of the grid that they span."""
    grid, row, col = season.grid, season.row[cells], season.col[cells]
    r0, c0, rows, cols = row.min(), col.min(), np.ptp(row) + 1, np.ptp(col) + 1
    small = replace(
        grid,
        x0_m=grid.x0_m + c0 * grid.cell_m,
        y0_m=grid.y0_m + r0 * grid.cell_m,
        rows=int(rows),
        cols=int(cols),
        share=None if grid.share is None else grid.share[r0 : r0 + rows, c0 : c0 + cols],
    )
    place = np.full(len(season.row), -1)
    place[cells] = np.arange(len(cells))
    again = [replace(one, cells=place[one.cells][place[one.cells] >= 0]) for one in season.oversown]
    part = _rows(season, cells)
    return replace(
        part, grid=small, row=row - r0, col=col - c0, oversown=tuple(one for one in again if len(one.cells))
    )


PER_CELL = (
    "theta", "theta_cov", "cover_now", "cover_now_se", "cover_at_target", "cover_at_target_low",
    "cover_at_target_high", "p_on_target", "reach_days", "state", "why", "p_thin",
)  # fmt: skip
"""What an outlook has for each cell."""


def _whole(season: Season, found: Trial) -> Outlook:
    """All cells as their own plots tell them, and the plots' ground together.

    Of a plot that is thin as a whole the cells that are slow are thin with it; the lawn's ground in thin
    cells is that of cells which stay behind their own plot.
    """
    own, plots = tuple(found.own.values()), found.plots
    order = np.argsort(np.concatenate([cells for cells, _ in own]), kind="stable")
    columns: dict[str, Any] = {
        name: np.concatenate([getattr(ahead, name) for _, ahead in own])[order] for name in PER_CELL
    }
    behind_m2 = float(season.area_m2[columns["state"] == "thin"].sum())
    columns["why"] = columns["why"].astype(object)
    for k in np.flatnonzero(plots.state == "thin"):
        cells = found.own[int(found.numbers[k])][0]
        cells = cells[columns["state"][cells] == "slow"]
        columns["state"][cells] = "thin"
        columns["why"][cells] = f"as its plot is: {plots.why[k]}"
    columns["why"] = columns["why"].astype(np.str_)
    counts = {word: int((columns["state"] == word).sum()) for word in STATES}
    lacks: Counter[str] = Counter()
    for _, ahead in own:
        lacks[ahead.lawn.missing] += ahead.lawn.counts["too soon to say"]
    most = [words for words, count in lacks.most_common(1) if count > 0]
    lawn = replace(
        plots.lawn,
        cells=len(order),
        counts=counts,
        thin_m2=behind_m2,
        missing=most[0] if most else "",
    )
    return replace(plots, season=season, lawn=lawn, **columns)
