"""Simulated trials at table level: plots of several varieties in complete blocks, each with its own truth.

As in :mod:`turfeye.simulate.tables`, nothing is a picture, everything is invented and seeded, and cover is
what a faultless photo measures. The visits are faultless here: who wants errors adds them, for how photos err
is not the simulator's to know.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from turfeye.lawnrecords import Plot, Season
from turfeye.records import Flags, Floats, Grid, Whole
from turfeye.simulate.tables import TableRecipe, risen, season_of, set_back, smooth_field


@dataclass(frozen=True)
class TrialRecipe:
    """What a simulated trial is like. Pairs are mean and sd, times are days since sowing."""

    varieties: int = 12
    blocks: int = 4
    rows: int = 8  # cells of a plot that its photo shows
    cols: int = 10
    cell_m: float = 0.1
    visit_days: tuple[float, ...] = (4, 11, 18, 25)
    lawn: TableRecipe = field(default_factory=TableRecipe)  # its world, target, setback; how lawns differ
    half_sd_days: tuple[float, float, float] = (2.0, 0.7, 0.7)  # between varieties, blocks, plots
    end_logit_sd: tuple[float, float, float] = (0.20, 0.05, 0.10)
    rise_sd: tuple[float, float, float] = (0.12, 0.03, 0.05)  # of its logarithm
    thin_varieties: float = 0.1  # share of varieties that end far lower
    thin_end_logit: tuple[float, float] = (-0.9, 0.25)  # by so much
    holed_plots: float = 0.1  # share of plots in part of which nothing comes up
    lagging_plots: float = 0.0  # and of plots in part of which all comes later
    lag_days: tuple[float, float] = (4.0, 8.0)


@dataclass(frozen=True, eq=False)
class TrialTruth:
    """What is really there. Arrays by cell (N,), by cell and day (N, D), or by plot (P,)."""

    plots: tuple[Plot, ...]
    number: Whole  # (N,) the plot of each cell
    cover: Floats  # (N, D)
    failed: Flags  # (N,) nothing comes up there
    lagging: Flags  # (N,) comes later there
    variety: Whole  # (P,)
    block: Whole  # (P,)
    thin_variety: Flags  # (P,)

    def plot_cover(self, day: int) -> Floats:
        """(P,) mean cover of each plot's cells."""
        return self.cover[:, day].reshape(len(self.plots), -1).mean(axis=1)


def trial(
    seed: int, recipe: TrialRecipe | None = None, *, until_day: float | None = None
) -> tuple[Season, TrialTruth]:
    """One simulated trial, seen without error, and its truth; cells come plot by plot.

    >>> season, truth = trial(3, TrialRecipe(varieties=2, blocks=2), until_day=12)
    >>> season.cover.shape, len(truth.plots)
    ((320, 2), 4)
    """
    recipe = recipe or TrialRecipe()
    rng = np.random.default_rng([seed, 20260401])
    count = recipe.varieties * recipe.blocks
    block = np.repeat(np.arange(recipe.blocks), recipe.varieties)
    variety = np.concatenate([rng.permutation(recipe.varieties) for _ in range(recipe.blocks)])
    thin = (rng.random(recipe.varieties) < recipe.thin_varieties)[variety]
    cover, failed, lagging = _growth(rng, recipe, variety, block, thin)
    set_back(rng, recipe.lawn, cover)
    wide, tall = recipe.cols * recipe.cell_m, recipe.rows * recipe.cell_m
    at = [divmod(k, recipe.varieties) for k in range(count)]
    plots = tuple(
        Plot(k + 1, ((i + 0.5) * wide, (j + 0.5) * tall), (wide, tall)) for k, (j, i) in enumerate(at)
    )
    number = np.repeat(np.arange(count) + 1, recipe.rows * recipe.cols)
    truth = TrialTruth(plots, number, cover, failed, lagging, variety, block, thin)
    return _season(recipe, cover, until_day), truth


def _growth(
    rng: np.random.Generator, recipe: TrialRecipe, variety: Whole, block: Whole, thin: Flags
) -> tuple[Floats, Flags, Flags]:
    """Daily cover (N, D), and the cells in which nothing comes up, or all comes later."""
    lawn, count = recipe.lawn, len(variety)

    def of_plots(sds: tuple[float, float, float]) -> Floats:
        between, blocks, own = sds
        return (
            rng.normal(0, between, recipe.varieties)[variety]
            + rng.normal(0, blocks, recipe.blocks)[block]
            + rng.normal(0, own, count)
        )

    def within(sd: float) -> Floats:
        """(P, cells) as cells of a lawn differ; two thirds of it alike over three cells."""
        alike = [smooth_field(rng, recipe.rows, recipe.cols, 3.0).ravel() for _ in range(count)]
        return sd * (0.8 * np.array(alike) + 0.6 * rng.standard_normal((count, recipe.rows * recipe.cols)))

    end_mean = np.clip(rng.normal(*lawn.end_cover), 0.72, 0.92)
    lower = thin * rng.normal(*recipe.thin_end_logit, recipe.varieties)[variety]
    end_logit = np.log(end_mean / (1 - end_mean)) + of_plots(recipe.end_logit_sd) + lower
    half = rng.normal(*lawn.half_days) + of_plots(recipe.half_sd_days)
    rises = lawn.rise_days[0] * np.exp(rng.normal(0, lawn.rise_days[1]) + of_plots(recipe.rise_sd))
    end = 1 / (1 + np.exp(-(end_logit[:, None] + within(0.25))))
    start = np.minimum(rng.uniform(*lawn.start_cover) * np.exp(within(0.5)), 0.6 * end)
    failed = _strips(rng, recipe, count, recipe.holed_plots)
    lagging = _strips(rng, recipe, count, recipe.lagging_plots)
    end = np.where(failed, start + 0.08 * (end - start), end)
    half = half[:, None] + lagging * rng.uniform(*recipe.lag_days, (count, 1))
    halves, rises = half + within(1.2), rises[:, None] * np.exp(within(0.1))
    flat = [part.reshape(-1, 1) for part in (start, end, halves, rises)]
    days = np.arange(lawn.target_day + 31.0)
    return (
        flat[0] + (flat[1] - flat[0]) * risen(rng, lawn, days, flat[2], flat[3]),
        failed.ravel(),
        lagging.ravel(),
    )


def _strips(rng: np.random.Generator, recipe: TrialRecipe, count: int, chance: float) -> Flags:
    """(P, cells): in some plots a strip at one side, an eighth to a half of it: a blocked coulter."""
    col = np.tile(np.arange(recipe.cols), recipe.rows)
    wide = np.ceil(rng.uniform(0.125, 0.5, count) * recipe.cols)
    here = rng.random(count) < chance
    return np.asarray(here[:, None] & (col < wide[:, None]))


def _season(recipe: TrialRecipe, cover: Floats, until_day: float | None) -> Season:
    """What faultless visits saw of the cells (N, D) up to a day."""
    days = np.array([day for day in recipe.visit_days if until_day is None or day <= until_day])
    rows, cols = recipe.rows * recipe.blocks, recipe.cols * recipe.varieties
    wide, tall = recipe.cols * recipe.cell_m * recipe.varieties, recipe.rows * recipe.cell_m * recipe.blocks
    grid = Grid(
        recipe.cell_m, 0.0, 0.0, rows, cols, outline_m=np.array([[0, 0], [wide, 0], [wide, tall], [0, tall]])
    )
    by_plot = np.arange(rows * cols).reshape(recipe.blocks, recipe.rows, recipe.varieties, recipe.cols)
    row, col = np.divmod(by_plot.transpose(0, 2, 1, 3).ravel(), cols)
    view = " + ".join(f"spot {k + 1}" for k in range(recipe.blocks * recipe.varieties))
    seen = cover[:, days.astype(int)]
    return season_of(recipe.lawn, grid, (row, col), days=days, cover=seen, se=np.zeros(seen.shape), view=view)
