"""A strip that the spreader left in part, laid into a simulated lawn: at any width and place, any depth.

Where it lies less came up than in the lawn around, or later, or both. It is no whole number of cells wide, so
nearly every cell that shows it is a mixture. Invented, as all of :mod:`turfeye.simulate.tables`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from turfeye.lawnrecords import Season
from turfeye.records import Floats
from turfeye.simulate.tables import TableRecipe, lawn

VISIT_DAYS = (3, 9, 16, 22, 29, 36, 44, 53)


@dataclass(frozen=True)
class StripRecipe:
    """One strip along the columns of a lawn of 12 rows, and how it grows."""

    width_m: float
    middle_m: float  # its x
    late_days: float  # behind the lawn
    comes_to: float  # share of the lawn's rise
    cols: int = 16

    @classmethod
    def random(cls, seed: int) -> StripRecipe:
        """One of 35 to 90 cm; a fifth of them is not late, and all come to 30 to 100 %."""
        rng = np.random.default_rng([seed, 77])
        cols = int(rng.integers(10, 18))
        width_m, middle_m = rng.uniform(0.35, 0.9), rng.uniform(2.0, cols / 2 - 2.0)
        late_days = rng.uniform(0, 20) if rng.random() < 0.8 else 0.0
        return cls(width_m, middle_m, late_days, rng.uniform(0.3, 1.0), cols)


@dataclass(frozen=True, eq=False)
class StripTruth:
    """The strip in truth."""

    share: Floats  # (N,) of each cell
    cover: Floats  # (D,) of the strip itself by day, its mean


def lawn_with_strip(
    seed: int, recipe: StripRecipe, *, until_day: float, target_cover: float = 0.65
) -> tuple[Season, StripTruth]:
    """A lawn without other failures, as visits up to a day saw it, and the strip in it."""
    table = TableRecipe(
        rows=12,
        cols=recipe.cols,
        visit_days=VISIT_DAYS,
        lagging_strips=0,
        failed_patches=0,
        target_cover=target_cover,
        setback=0,
    )
    season, truth = lawn(seed, table, until_day=until_day)
    edges = np.arange(recipe.cols + 1) * table.cell_m
    low, high = recipe.middle_m - recipe.width_m / 2, recipe.middle_m + recipe.width_m / 2
    inside = np.clip(np.minimum(high, edges[1:]) - np.maximum(low, edges[:-1]), 0, None) / table.cell_m
    share = np.tile(inside, table.rows)
    days = np.arange(truth.cover.shape[1])
    then = np.stack([np.interp(days - recipe.late_days, days, cell) for cell in truth.cover])
    start = truth.cover[:, :1]
    strip = start + recipe.comes_to * (then - start)
    missing = share[:, None] * (truth.cover - strip)
    seen = np.clip(season.cover - missing[:, season.age_days.astype(int)], 0, 1)
    return replace(season, cover=seen), StripTruth(share, share @ strip / share.sum())
