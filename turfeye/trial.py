"""A trial: each plot is told against the others as a plot, each cell against the rest of its own plot.

A plot of a thin variety is a result and no failure of its cells; a hole in a dense plot is one, though the
hole's ground may be as green as another plot is. So a trial is fitted in two steps. First the plots, a row
each: the mean of a plot's cells on every visit follows a curve, and the plots borrow from one another, since
they were sown on one day and grow under one sky. Then the cells of each plot, as a lawn of its own, with the
curve of its sound cells for a belief.

The mean of a plot is of many cells and few photos. What all cells of a photo err by together
(:data:`turfeye.covererror.SHARED`) is not less for being shared by many. Part of it is new with every photo
(its light) and becomes less with every visit; the rest, soil and leaves of the place, never does
(:data:`LIGHT`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from turfeye import growth, outlook
from turfeye.clock import Clock, TimeAxis
from turfeye.covererror import SHARED, Accuracy, classifier_se
from turfeye.curve import Curve, P, end_cover
from turfeye.draws import PlotRows, even_points, of_kind
from turfeye.growth import Settings
from turfeye.kinds import LAWN
from turfeye.lawnrecords import STATES, Outlook, Season
from turfeye.mixes import Mix
from turfeye.prior import Prior
from turfeye.records import Flags, Floats, Whole
from turfeye.states import most_lack

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
    plots = of_plots(season, number, curve=curve, time_axis=time_axis, mix=mix)
    levels = dict(zip(plots.numbers.tolist(), _levels(plots, mix), strict=True))
    own = {}
    for plot in np.unique(number).tolist():
        cells = np.flatnonzero(number == plot)
        ahead = outlook.fit(
            _cut(season, cells),
            curve=curve,
            time_axis=plots.outlook.time_axis,
            mix=mix,
            users=users,
            level=levels.get(plot),
            own_level=True,
        )
        own[plot] = cells, ahead
    return Trial(_whole(season, plots, own), plots.outlook, plots.numbers, own)


@dataclass(frozen=True, eq=False, slots=True)
class OfPlots:
    """The P plots of a trial by themselves: what `fit` starts from."""

    numbers: Whole  # (P,)
    outlook: Outlook  # one row a plot, in their order
    fit: growth.Fit  # its first P rows are the plots' sound ground, the others their holes


def of_plots(
    season: Season, number: Whole, *, curve: Curve = "logistic", time_axis: TimeAxis | None = None, mix: Mix
) -> OfPlots:
    """Fit and forecast the plots alone; the parameters are those of `fit`.

    Holes follow curves of their own: a mean over both would be expected to rise as sound ground does. What
    was sown again is no longer what the plot was sown with: it doesn't count where there is other ground.
    """
    here = np.flatnonzero((number >= 0) & ~_sown_again(season, number))
    numbers, of = np.unique(number[here], return_inverse=True)
    count, some = len(numbers), season.at(here)
    plots, _ = by_plot(some, of, count)
    halves, noise_se = by_plot(some, of + count * ~sound_cells(some, of, count), 2 * count)
    kept = np.concatenate([np.arange(count), count + np.flatnonzero(halves.area_m2[count:])])
    halves, noise_se = halves.at(kept), noise_se[kept]
    clock = Clock.of(season, time_axis)
    belief = replace(Prior.of_mix(mix), late_share=NONE, cell_sd=BETWEEN_PLOTS)
    x = clock.time(season.age_days)
    found = growth.fit(halves.cover, noise_se, x, prior=belief, settings=Settings(curve=curve))
    share = halves.area_m2 / np.maximum(plots.area_m2, 1e-12)[kept % count]
    share[:count][plots.area_m2 == 0] = 1.0  # of one never seen
    rows = PlotRows(kept % count, share, *_alike(halves, found))
    return OfPlots(numbers, outlook.forecast(plots, found, time_axis=clock.axis, plots=rows), found)


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
        dgci_se=mean(season.dgci_se),
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
    again = season.sown_again
    seen = np.isfinite(season.cover).any(axis=1)
    return again & np.isin(number, number[seen & ~again])


def _levels(plots: OfPlots, mix: Mix) -> list[Prior]:
    """Of each plot what is believed of its cells before they are seen: the level of its sound ground."""
    own = slice(len(plots.numbers))
    draws = of_kind(plots.fit, LAWN, own, even_points(outlook.DRAWS, P))
    end = end_cover(draws).clip(1e-3, 1 - 1e-3)
    draws[..., 1] = np.log(end / (1 - end))
    middle, sd = draws.mean(axis=1), np.maximum(draws.std(axis=1), LEAST_SDS)
    usual = replace(Prior.of_mix(mix), late_share=NONE)
    pairs = (zip(ms, sds, strict=True) for ms, sds in zip(middle.tolist(), sd.tolist(), strict=True))
    return [
        replace(usual, start_logit=start, end_logit=end, log_rate=rate, half_days=half)
        for start, end, rate, half in pairs
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
    return replace(season.at(cells), grid=small, row=row - r0, col=col - c0)


PER_CELL = (
    "theta", "theta_cov", "cover_now", "cover_now_se", "cover_at_target", "cover_at_target_low",
    "cover_at_target_high", "p_on_target", "reach_days", "state", "why", "p_thin",
)  # fmt: skip
"""What an outlook has for each cell."""


def _whole(season: Season, plots: OfPlots, own: Mapping[int, tuple[Whole, Outlook]]) -> Outlook:
    """All cells as their own plots tell them, and the plots' ground together.

    Of a plot that is thin as a whole the cells that are slow are thin with it; the lawn's ground in thin
    cells is that of cells which stay behind their own plot.
    """
    order = np.argsort(np.concatenate([cells for cells, _ in own.values()]), kind="stable")
    columns: dict[str, Any] = {
        name: np.concatenate([getattr(ahead, name) for _, ahead in own.values()])[order] for name in PER_CELL
    }
    behind_m2 = float(season.area_m2[columns["state"] == "thin"].sum())
    columns["why"] = columns["why"].astype(object)
    for k in np.flatnonzero(plots.outlook.state == "thin"):
        cells, ahead = own[int(plots.numbers[k])]
        cells = cells[ahead.state == "slow"]
        columns["state"][cells] = "thin"
        columns["why"][cells] = f"as its plot is: {plots.outlook.why[k]}"
    columns["why"] = columns["why"].astype(np.str_)
    lacks: Counter[str] = Counter()
    for _, ahead in own.values():
        lacks[ahead.lawn.missing] += ahead.lawn.counts["too soon to say"]
    lawn = replace(
        plots.outlook.lawn,
        cells=len(order),
        counts={word: int((columns["state"] == word).sum()) for word in STATES},
        thin_m2=behind_m2,
        missing=most_lack(lacks),
    )
    return replace(plots.outlook, season=season, lawn=lawn, **columns)
