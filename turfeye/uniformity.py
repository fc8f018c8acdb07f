"""How even a lawn's cover is: four figures that the trade and the statistics books know, each in one line."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from turfeye.records import Floats, Whole

FEWEST = 4
"""Evenness of fewer cells says nothing."""
TOLD_FROM = 12
"""A lawn's is told from so many cells on, of which the thinnest quarter are three. Ours."""


@dataclass(frozen=True, slots=True)
class Moran:
    """Moran's I and how likely it is by chance; NaN where values are all alike or no cells are neighbours."""

    i: float
    variance: float  # under randomisation
    p: float  # two-sided, normal


@dataclass(frozen=True, slots=True)
class Uniformity:
    """How even some values are over a lawn's cells; per cent where said."""

    cells: int
    mean: float
    cv_pct: float
    christiansen_pct: float
    distribution_pct: float
    moran: Moran

    def lines(self) -> tuple[str, ...]:
        """Each figure in one line of plain words."""
        moran = self.moran
        if math.isnan(moran.i):
            patchy = "not known (all cells alike, or no neighbours)"
        elif moran.p >= 0.05:
            patchy = f"{moran.i:.2f}: thick and thin cells are scattered, not in patches ({_chance(moran.p)})"
        elif moran.i > 0:
            patchy = (
                f"{moran.i:.2f}: neighbours are alike, so thick and thin lie in patches ({_chance(moran.p)})"
            )
        else:
            patchy = f"{moran.i:.2f}: neighbours differ more than by chance ({_chance(moran.p)})"
        return (
            f"Coefficient of variation {self.cv_pct:.0f} %: how far cells differ from the mean; 0 is even.",
            f"Christiansen's coefficient {self.christiansen_pct:.0f} %: 100 is even.",
            f"Distribution uniformity {self.distribution_pct:.0f} %: the thinnest quarter against the mean; "
            "100 is even.",
            f"Moran's I {patchy}.",
        )


def _chance(p: float) -> str:
    return "p < 0.001" if p < 0.001 else f"p = {p:.2g}"


def uniformity(values: Floats, row: Whole, col: Whole) -> Uniformity | None:
    """Evenness of values (N,) over cells at (row, col), NaN cells left out; None of fewer than `FEWEST`."""
    known = np.isfinite(values)
    if known.sum() < FEWEST:
        return None
    values, row, col = values[known], np.asarray(row)[known], np.asarray(col)[known]
    mean = float(values.mean())
    i, j = rook_neighbours(row, col)
    return Uniformity(
        cells=len(values),
        mean=mean,
        cv_pct=float(100 * values.std(ddof=1) / mean) if mean else float("nan"),
        christiansen_pct=christiansen_pct(values),
        distribution_pct=distribution_pct(values),
        moran=morans_i(values, i, j),
    )


def told(values: Floats, row: Whole, col: Whole) -> tuple[str, ...]:
    """`uniformity` in lines; none where fewer than `TOLD_FROM` cells are known."""
    found = uniformity(values, row, col)
    return found.lines() if found and found.cells >= TOLD_FROM else ()


def christiansen_pct(values: Floats) -> float:
    """Christiansen's coefficient, 100 (1 - mean absolute deviation / mean) (Christiansen 1942).

    >>> christiansen_pct(np.array([3.0, 5.0]))
    75.0
    """
    mean = values.mean()
    return float(100 * (1 - np.abs(values - mean).mean() / mean)) if mean else float("nan")


def distribution_pct(values: Floats) -> float:
    """Distribution uniformity: 100 x mean of the lowest quarter / mean; a quarter is rounded up.

    >>> distribution_pct(np.array([2.0, 4.0, 5.0, 5.0]))
    50.0
    """
    mean = values.mean()
    lowest = np.sort(values)[: math.ceil(len(values) / 4)]
    return float(100 * lowest.mean() / mean) if mean else float("nan")


def rook_neighbours(row: Whole, col: Whole) -> tuple[Whole, Whole]:
    """Pairs (i, j), both ways, of cells that share a side."""
    index = {(int(r), int(c)): n for n, (r, c) in enumerate(zip(row, col, strict=True))}
    pairs = [
        (n, index[place])
        for (r, c), n in index.items()
        for place in ((r - 1, c), (r + 1, c), (r, c - 1), (r, c + 1))
        if place in index
    ]
    both = np.array(pairs, dtype=int).reshape(-1, 2)
    return both[:, 0], both[:, 1]


def morans_i(values: Floats, i: Whole, j: Whole) -> Moran:
    """Moran's I of values (N,) over pairs of neighbours (i, j), both ways, each with weight 1.

    I = N / S0 x sum z_i z_j / sum z_i^2; expectation -1 / (N - 1); variance under randomisation after Cliff
    and Ord 1981, Spatial Processes, chapter 2.
    """
    n, s0 = len(values), len(i)
    z = values - values.mean()
    m2 = float(z @ z) / n
    if n < FEWEST or m2 <= 1e-30 or s0 == 0:
        return Moran(math.nan, math.nan, math.nan)
    statistic = float((z[i] * z[j]).sum()) / (s0 * m2)
    s1, s2 = 2 * s0, 4 * int((np.bincount(i, minlength=n) ** 2).sum())  # of weights that are all 1
    expected = -1 / (n - 1)
    b2 = float((z**4).mean()) / m2**2
    top: float = n * ((n * n - 3 * n + 3) * s1 - n * s2 + 3 * s0**2)
    top -= b2 * ((n * n - n) * s1 - 2 * n * s2 + 6 * s0**2)
    variance = top / ((n - 1) * (n - 2) * (n - 3) * s0**2) - expected**2
    score = (statistic - expected) / math.sqrt(variance) if variance > 0 else math.nan
    return Moran(statistic, variance, math.erfc(abs(score) / math.sqrt(2)))
