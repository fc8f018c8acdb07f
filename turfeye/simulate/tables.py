"""Simulated seasons at table level: thousands of cells, known curves, visits that err, and a known future.

No pictures: each lawn is a truth (cover of every cell on every day) and what a few imperfect visits saw of
it. Everything is invented and seeded. The simulator knows nothing of the fitter in :mod:`turfeye.growth`;
its worlds include ones that the fitter's curve can't follow. Cover is what a faultless photo measures: dense
rendered lawns end at 0.76 to 0.83, not at 1, and their cells of 0.5 m differ by 0.03; the target is a
little less.

What is called thin (fixed before anything was tuned on it): a cell is *thin in truth* when the cover that it
would end at, and its cover on the target date, both lie more than :data:`CLEAR_DEFICIT` below the target.
A cell that only comes late is not thin. A cell short by less than that is in the *grey band*: calling it
thin is neither right nor wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Literal

import numpy as np

from turfeye.lawnrecords import Season, Sowing, Target, Visit
from turfeye.records import Flags, Floats, Grid, Whole

CLEAR_DEFICIT = 0.10
"""Cover short of the target by more than this is thin, not merely a little short."""

SOWN = date(2026, 3, 14)

World = Literal["logistic", "gompertz", "wobble", "logit-offset"]
WORLDS: tuple[World, ...] = ("logistic", "gompertz", "wobble", "logit-offset")


@dataclass(frozen=True)
class TableRecipe:
    """What a simulated lawn is like. Shares 0-1, times in days since sowing."""

    rows: int = 20
    cols: int = 30
    cell_m: float = 0.5
    visit_days: tuple[float, ...] = (3, 7, 10, 14, 17, 21, 24, 28)
    target_cover: float = 0.75
    target_day: int = 56
    world: World = "logistic"
    half_days: tuple[float, float] = (18.0, 4.0)  # mean and sd between lawns
    rise_days: tuple[float, float] = (16.0, 0.25)  # 10 % to 90 %: median and sd of its logarithm
    end_cover: tuple[float, float] = (0.80, 0.03)  # of closed turf in photos: mean and sd between lawns
    start_cover: tuple[float, float] = (0.02, 0.25)  # range between lawns: what was left before sowing
    length_m: float = 1.5  # over which neighbouring cells are alike
    noise_se: tuple[float, float] = (0.02, 0.05)  # range of the stated, and true, error of a cell on a visit
    visit_offset_sd: float = 0.02  # light and camera, shared by all cells of a visit
    failed_patches: int = 3  # where nothing more comes up
    lagging_strips: int = 1
    lag_days: tuple[float, float] = (4.0, 8.0)
    unseen: float = 0.08  # share of cell visits that a photo doesn't show
    lost_visit: float = 0.1  # chance that a visit wasn't made
    setback: float = 0.25  # chance that the lawn is mown too low or dries out once


@dataclass(frozen=True, eq=False)
class TableTruth:
    """What the lawn really does. Arrays (N,), or (N, D) by day 0, 1, 2 ... from sowing."""

    cover: Floats  # (N, D)
    end_cover: Floats  # where each cell would end, given time
    failed: Floats  # share of the cell's area on which the seed didn't take
    lagging: Flags
    thin: Flags
    grey: Flags  # short of the target by less than CLEAR_DEFICIT
    visit_offset: Floats  # (V,)
    setback_day: float | None


def smooth_field(rng: np.random.Generator, rows: int, cols: int, length_cells: float) -> Floats:
    """Gaussian random field (rows, cols), mean 0, sd 1, alike over about ``length_cells``."""
    from scipy.ndimage import gaussian_filter

    pad = int(4 * length_cells) + 1
    white = rng.standard_normal((rows + 2 * pad, cols + 2 * pad))
    # white noise blurred by a Gaussian keeps 1 / (4 pi s^2) of its variance
    blurred = gaussian_filter(white, length_cells, mode="wrap") * np.sqrt(4 * np.pi) * length_cells
    return blurred[pad : pad + rows, pad : pad + cols]


def lawn(
    seed: int, recipe: TableRecipe | None = None, *, until_day: float | None = None
) -> tuple[Season, TableTruth]:
    """One simulated lawn: what the visits saw up to ``until_day``, and the truth.

    The truth depends on ``seed`` and ``recipe`` alone, so the same lawn can be looked at on several days.

    >>> season, truth = lawn(7, TableRecipe(rows=4, cols=6), until_day=14)
    >>> season.cover.shape[0], bool(truth.cover.max() <= 1)
    (24, True)
    """
    recipe = recipe or TableRecipe()
    rng = np.random.default_rng([seed, 20260314])
    cover, end, failed, lagging = _growth(rng, recipe)
    setback_day = set_back(rng, recipe, cover)
    short_then = recipe.target_cover - cover[:, recipe.target_day]
    short_ever = recipe.target_cover - end
    truth_thin = (short_then > CLEAR_DEFICIT) & (short_ever > CLEAR_DEFICIT)
    days, seen_cover, se, offset = _visits(rng, recipe, cover)
    kept = days <= (np.inf if until_day is None else until_day)
    truth = TableTruth(
        cover=cover,
        end_cover=end,
        failed=failed,
        lagging=lagging,
        thin=truth_thin,
        grey=(short_then > 0) & (short_ever > 0) & ~truth_thin,
        visit_offset=offset[kept],
        setback_day=setback_day,
    )
    grid = Grid(recipe.cell_m, 0.0, 0.0, recipe.rows, recipe.cols)
    row, col = (index.ravel() for index in np.indices((recipe.rows, recipe.cols)))
    seen = season_of(recipe, grid, (row, col), days=days[kept], cover=seen_cover[:, kept], se=se[:, kept])
    return seen, truth


def _growth(rng: np.random.Generator, recipe: TableRecipe) -> tuple[Floats, Floats, Floats, Flags]:
    """Daily cover (N, D), where it ends, failed share and lagging flag of each cell."""
    rows, cols = recipe.rows, recipe.cols

    def field(sd: float) -> Floats:
        rough = rng.standard_normal((rows, cols))
        alike = smooth_field(rng, rows, cols, recipe.length_m / recipe.cell_m)
        return sd * (0.8 * alike + 0.6 * rough)

    half = rng.normal(*recipe.half_days) + field(rng.uniform(0.8, 2.0))
    rise = recipe.rise_days[0] * np.exp(rng.normal(0, recipe.rise_days[1]) + field(0.12))
    end_mean = np.clip(rng.normal(*recipe.end_cover), 0.72, 0.92)
    end = 1 / (1 + np.exp(-(np.log(end_mean / (1 - end_mean)) + field(0.2))))
    start_mean = rng.uniform(*recipe.start_cover)
    start = np.minimum(start_mean * np.exp(field(0.5)), 0.6 * end)
    lagging = _strips(rng, recipe)
    half = half + lagging * rng.uniform(*recipe.lag_days)
    failed = _failed(rng, recipe)
    # where the seed failed the old grass creeps back a little
    end_here = start + (1 - failed * rng.uniform(0.85, 1.0)) * (end - start)

    days = np.arange(recipe.target_day + 31.0)
    flat = [part.ravel()[:, None] for part in (start, end_here, half, rise)]
    cover = flat[0] + (flat[1] - flat[0]) * risen(rng, recipe, days, flat[2], flat[3])
    return cover, flat[1][:, 0], failed.ravel(), lagging.ravel()


def risen(rng: np.random.Generator, recipe: TableRecipe, days: Floats, half: Floats, rise: Floats) -> Floats:
    """0 to 1 by day, in this world's shape."""
    if recipe.world == "gompertz":
        # 10-90 % of a Gompertz curve takes 3.084 / rate
        return np.exp(-np.log(2) * np.exp(-3.084 / rise * (days - half)))
    if recipe.world == "wobble":
        # warm and cold spells: growth's own clock runs fast and slow by a fifth for about five days
        spells = np.exp(0.2 * smooth_field(rng, 3, len(days) + 40, 5.0)[1, : len(days)])
        days = np.concatenate([[0.0], np.cumsum(spells)[:-1]])
    return 1 / (1 + np.exp(-4.394 / rise * (days - half)))


def _failed(rng: np.random.Generator, recipe: TableRecipe) -> Floats:
    """Share of each cell (rows, cols) that lies in a patch where nothing takes: wobbly discs, 0.4-1.2 m."""
    fine = 5  # sub-cells a side
    y, x = np.mgrid[0 : recipe.rows * fine, 0 : recipe.cols * fine] / fine * recipe.cell_m
    inside = np.zeros(x.shape, bool)
    for _ in range(recipe.failed_patches):
        cx, cy = rng.uniform(0, x.max()), rng.uniform(0, y.max())
        angle = np.arctan2(y - cy, x - cx)
        edge = rng.uniform(0.4, 1.2) * (1 + 0.25 * np.sin(2 * angle + rng.uniform(0, 6.28)))
        inside |= np.hypot(x - cx, y - cy) < edge
    return inside.reshape(recipe.rows, fine, recipe.cols, fine).mean(axis=(1, 3))


def _strips(rng: np.random.Generator, recipe: TableRecipe) -> Flags:
    """Cells (rows, cols) in whole rows or columns that come late, as after a missed spreader pass."""
    lagging = np.zeros((recipe.rows, recipe.cols), bool)
    for _ in range(recipe.lagging_strips):
        if rng.random() < 0.5:
            lagging[rng.integers(recipe.rows), :] = True
        else:
            lagging[:, rng.integers(recipe.cols)] = True
    return lagging


def set_back(rng: np.random.Generator, recipe: TableRecipe, cover: Floats) -> float | None:
    """Scalp or dry out the lawn once, in place; the loss halves every 3 to 6 days."""
    if rng.random() >= recipe.setback:
        return None
    day = int(rng.integers(12, 30))
    depth, half_life = rng.uniform(0.1, 0.35), rng.uniform(3, 6)
    since = np.arange(cover.shape[1]) - day
    loss = np.where(since >= 0, depth * 0.5 ** (np.maximum(since, 0) / half_life), 0)
    cover *= 1 - loss
    return float(day)


def _visits(
    rng: np.random.Generator, recipe: TableRecipe, cover: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Days visited, cover seen and its stated error (N, V) with NaN where unseen, offset of each visit."""
    days = np.array([day for day in recipe.visit_days if rng.random() >= recipe.lost_visit])
    true = cover[:, days.astype(int)]
    offset = rng.normal(0, recipe.visit_offset_sd, len(days))
    se = rng.uniform(*recipe.noise_se, true.shape)
    shifted = true + offset
    if recipe.world == "logit-offset":
        # light can't turn full cover or bare soil into something else: it shifts what lies between
        odds = np.log(np.clip(true, 0.003, 0.997) / (1 - np.clip(true, 0.003, 0.997)))
        shifted = 1 / (1 + np.exp(-(odds + 5 * offset)))
    seen = np.clip(shifted + se * rng.standard_normal(true.shape), 0, 1)
    hidden = rng.random(true.shape) < recipe.unseen
    hidden |= (rng.random(len(true)) < recipe.unseen / 4)[:, None]  # behind the shed, always
    return days, np.where(hidden, np.nan, seen), np.where(hidden, np.nan, se), offset


def season_of(
    recipe: TableRecipe,
    grid: Grid,
    place: tuple[Whole, Whole],
    *,
    days: Floats,
    cover: Floats,
    se: Floats,
    view: str = "simulated",
) -> Season:
    """Visits on these days (V,) as the fitter has them: cover (N, V) and its stated error, no colour.

    ``place`` is row (N,) and column (N,) of each cell.
    """
    centres = grid.centres_m()[place]
    noon = datetime(SOWN.year, SOWN.month, SOWN.day, 12)
    return Season(
        grid=grid,
        row=place[0],
        col=place[1],
        x_m=centres[:, 0],
        y_m=centres[:, 1],
        area_m2=np.full(len(centres), grid.cell_m**2),
        visits=tuple(Visit(noon + timedelta(days=float(day)), float(day), view, ()) for day in days),
        cover=cover,
        cover_se=se,
        dgci=np.full(cover.shape, np.nan),
        dgci_se=np.full(cover.shape, np.nan),
        lab=np.full((*cover.shape, 3), np.nan),
        sowing=Sowing(SOWN, "perennial ryegrass", 35.0),
        target=Target(recipe.target_cover, SOWN + timedelta(days=recipe.target_day)),
    )
