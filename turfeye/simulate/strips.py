"""A strip that the spreader left in part, laid into a simulated lawn: at any width and place, any depth.

Where it lies less came up than in the lawn around, or later, or both; or later in one stretch and hardly at
all in another. It is no whole number of cells wide, so
nearly every cell that shows it is a mixture. Invented, as all of :mod:`turfeye.simulate.tables`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from turfeye.lawnrecords import Season
from turfeye.outline import cell_shares
from turfeye.records import Floats
from turfeye.simulate.tables import TableRecipe, lawn

ROWS, CELL_M = 12, 0.5
VISIT_DAYS = (3, 9, 16, 22, 29, 36, 44, 53)
NOTHING_TOOK = 0.07
"""Share of the lawn's rise in a hole: the old grass creeps back."""


@dataclass(frozen=True)
class StripRecipe:
    """One strip across a lawn of ROWS rows, and how it grows."""

    width_m: float
    middle_m: float  # its x, half way up the lawn
    late_days: float  # behind the lawn
    comes_to: float  # share of the lawn's rise
    cols: int = 16
    left_out_m: tuple[tuple[float, float], ...] = ()  # y from and to, where hardly any seed fell
    left_out_to: float = 0.1  # share of the lawn's rise that it comes to there
    runs_deg: float = 90.0  # from the x axis: along the columns
    hole_m: tuple[float, float, float] | None = None  # x, y and radius of a disc where no seed took at all

    @classmethod
    def random(cls, seed: int) -> StripRecipe:
        """One of 35 to 90 cm; a fifth of them is not late, and all come to 30 to 100 %."""
        rng = np.random.default_rng([seed, 77])
        cols = int(rng.integers(10, 18))
        width_m, middle_m = rng.uniform(0.35, 0.9), rng.uniform(2.0, cols / 2 - 2.0)
        late_days = rng.uniform(0, 20) if rng.random() < 0.8 else 0.0
        return cls(width_m, middle_m, late_days, rng.uniform(0.3, 1.0), cols)

    @classmethod
    def mixed(cls, seed: int) -> StripRecipe:
        """One of 25 to 90 cm, late by 5 to 18 days, but left out over 1.8 to 4.2 m of its 6 m, in one stretch
        or two."""
        rng = np.random.default_rng([seed, 78])
        cols, deep_m = int(rng.integers(10, 18)), ROWS * CELL_M
        width_m, middle_m = rng.uniform(0.25, 0.9), rng.uniform(2.0, cols / 2 - 2.0)
        stretches: tuple[tuple[float, float], ...]
        if rng.random() < 0.5:
            long_m = rng.uniform(0.3, 0.7) * deep_m
            first = rng.uniform(0, deep_m - long_m)
            stretches = ((first, first + long_m),)
        else:
            long_m, half_m = rng.uniform(0.2, 0.35) * deep_m, deep_m / 2
            first, second = rng.uniform(0, half_m - long_m), rng.uniform(half_m + 0.5, deep_m - long_m)
            stretches = ((first, first + long_m), (second, second + long_m))
        return cls(
            width_m,
            middle_m,
            late_days=rng.uniform(5, 18),
            comes_to=rng.uniform(0.85, 1.0),
            cols=cols,
            left_out_m=stretches,
            left_out_to=rng.uniform(0.0, 0.2),
        )

    def slanted(self, seed: int) -> StripRecipe:
        """The same at 20 to 70 degrees to the rows, either way, near the lawn's middle."""
        rng = np.random.default_rng([seed, 79])
        runs_deg = rng.uniform(20, 70)
        middle_m = self.cols * CELL_M * rng.uniform(0.4, 0.6)
        return replace(self, runs_deg=float(rng.choice([runs_deg, 180 - runs_deg])), middle_m=middle_m)

    def into_hole(self, seed: int) -> StripRecipe:
        """The same, and a hole of 40 to 110 cm radius that it runs into."""
        rng = np.random.default_rng([seed, 80])
        radius_m, y_m = rng.uniform(0.4, 1.1), rng.uniform(1.2, ROWS * CELL_M - 1.2)
        way = np.radians(self.runs_deg)
        off_m = rng.uniform(-0.8, 0.8) * radius_m
        x_m = self.middle_m + (y_m - ROWS * CELL_M / 2) / np.tan(way) + off_m / np.sin(way)
        return replace(self, hole_m=(float(x_m), y_m, radius_m))


@dataclass(frozen=True, eq=False)
class StripTruth:
    """The strip in truth."""

    share: Floats  # (N,) of each cell
    left_out: Floats  # (N,) share of the strip, along it, where hardly any seed fell
    own: Floats  # (N, D) cover of the strip itself by day, by the cell that it runs through
    hole: Floats  # (N,) of each cell where no seed took

    @property
    def cover(self) -> Floats:
        """(D,) of the strip itself by day, its mean."""
        return np.asarray(self.share @ self.own / self.share.sum())

    def lacks_m2(self, season: Season) -> Floats:
        """(N,) ground that is to be sown at the full rate, of each cell."""
        then = self.own[:, (season.target.date - season.sowing.date).days]
        return self.share * season.area_m2 * np.clip(1 - then / season.target.cover, 0, 1)


def lawn_with_strip(
    seed: int, recipe: StripRecipe, *, until_day: float, target_cover: float = 0.65
) -> tuple[Season, StripTruth]:
    """A lawn without other failures, as visits up to a day saw it, and the strip in it."""
    table = TableRecipe(
        rows=ROWS,
        cols=recipe.cols,
        cell_m=CELL_M,
        visit_days=VISIT_DAYS,
        lagging_strips=0,
        failed_patches=0,
        target_cover=target_cover,
        setback=0,
    )
    season, truth = lawn(seed, table, until_day=until_day)
    share, hole = _share(recipe, season), _hole(recipe, season)
    left_out = np.repeat(
        sum((_within(*ends, ROWS) for ends in recipe.left_out_m), np.zeros(ROWS)), recipe.cols
    )
    days = np.arange(truth.cover.shape[1])
    then = np.stack([np.interp(days - recipe.late_days, days, cell) for cell in truth.cover])
    start = truth.cover[:, :1]
    late, out = start + recipe.comes_to * (then - start), start + recipe.left_out_to * (truth.cover - start)
    own = late + left_out[:, None] * (out - late)
    nothing = start + NOTHING_TOOK * (truth.cover - start)
    missing = (share * (1 - hole))[:, None] * (truth.cover - own) + hole[:, None] * (truth.cover - nothing)
    seen = np.clip(season.cover - missing[:, season.age_days.astype(int)], 0, 1)
    return replace(season, cover=seen), StripTruth(share, left_out, own, hole)


def _share(recipe: StripRecipe, season: Season) -> Floats:
    """(N,) share of each cell that the strip takes up."""
    if recipe.runs_deg == 90:
        low, high = recipe.middle_m - recipe.width_m / 2, recipe.middle_m + recipe.width_m / 2
        return np.tile(_within(low, high, recipe.cols), ROWS)
    angle = np.radians(recipe.runs_deg)
    along, across = np.array([np.cos(angle), np.sin(angle)]), np.array([-np.sin(angle), np.cos(angle)])
    middle, far = np.array([recipe.middle_m, ROWS * CELL_M / 2]), 50.0
    half = across * recipe.width_m / 2
    band = np.array([middle - far * along - half, middle + far * along - half,
                     middle + far * along + half, middle - far * along + half])  # fmt: skip
    return cell_shares(band, season.grid).ravel()


def _hole(recipe: StripRecipe, season: Season) -> Floats:
    """(N,) share of each cell that the hole takes up."""
    if recipe.hole_m is None:
        return np.zeros(len(season.row))
    x_m, y_m, radius_m = recipe.hole_m
    turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    ring = np.stack([x_m + radius_m * np.cos(turn), y_m + radius_m * np.sin(turn)], axis=1)
    return cell_shares(ring, season.grid).ravel()


def _within(low_m: float, high_m: float, count: int) -> Floats:
    """(count,) share of each cell in a row that lies between two places."""
    edges = np.arange(count + 1) * CELL_M
    return np.clip(np.minimum(high_m, edges[1:]) - np.maximum(low_m, edges[:-1]), 0, None) / CELL_M
