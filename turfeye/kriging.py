"""What the lawn would have in some cells, predicted from its sound cells on every visit: kriging.

Cells near each other, and cells of one row or one column (the spreader's passes), are alike. What a
prediction errs by is what sound cells showed against their own neighbours, visit by visit.

Cressie 1993, Statistics for Spatial Data, chapter 3; errors of a cell left out of its own prediction from the
inverse matrix: Dubrule 1983, Mathematical Geology 15:687-699 (both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from turfeye.lawnrecords import Season
from turfeye.records import Flags, Floats, Whole

FEWEST = 12
"""Sound cells that a visit must show for it to say anything of the lawn."""
NEAR_CELLS, PASS_CELLS = 3.0, 8.0
"""Cells are alike over about so many cells all round, and along a pass; ours."""
NEAR, PASS = 0.5, 0.5
"""How alike, as a share of what a cell differs by alone; ours. On simulated lawns half or twice as much of
these four changes the mean error of the areas by a hundredth or less."""
TOGETHER_CELLS = 1500
"""In a larger patch the errors of neighbouring cells are taken as their own: they hardly count there."""


@dataclass(frozen=True, eq=False, slots=True)
class Kriged:
    """What the lawn would have in n cells on V visits, NaN where a visit tells nothing."""

    cover: Floats  # (n, V)
    spread: Floats  # (n, V), how much more than a sound cell such a guess errs
    shared: Floats  # (n, n), how the guesses' errors go together
    covariance: Floats  # (V, V) of what sound cells err by

    def on(self, visits: Flags) -> Kriged:
        """The same on some of the visits, flags (V,)."""
        return replace(
            self,
            cover=self.cover[:, visits],
            spread=self.spread[:, visits],
            covariance=self.covariance[np.ix_(visits, visits)],
        )


def kriged(season: Season, cells: Flags, sound: Flags) -> Kriged:
    """Predict the marked cells' covers on every visit from the sound cells', flags (N,)."""
    at = np.stack([season.row, season.col], axis=1).astype(float)
    marked, around = np.flatnonzero(cells), np.flatnonzero(sound)
    visits = season.cover.shape[1]
    cover, spread = np.full((2, len(marked), visits), np.nan)
    missed = np.full((len(around), visits), np.nan)
    near, shared, told = None, np.zeros((1, 1)), 0
    for visit in range(visits):
        shown = np.isfinite(season.cover[around, visit])
        if shown.sum() < FEWEST:
            continue
        if near is None or not np.array_equal(near.known, around[shown]):
            near = _Near.of(at, marked, around[shown])
        seen = season.cover[near.known, visit]
        middle = float(np.median(seen))
        pull = near.inverse @ (seen - middle)
        # each sound cell against what the others say of it, in its own standard deviations
        missed[shown, visit] = pull / np.sqrt(np.diag(near.inverse))
        cover[:, visit] = middle + near.across @ pull
        spread[:, visit] = near.spread
        shared, told = shared + near.shared, told + 1
    shared = shared / max(told, 1)
    np.fill_diagonal(shared, 0.0)
    return Kriged(cover, spread, shared, _covariance(missed))


@dataclass(frozen=True, eq=False, slots=True)
class _Near:
    """How S sound cells that a visit showed tell of n marked ones."""

    known: Whole  # (S,)
    inverse: Floats  # (S, S)
    across: Floats  # (n, S)
    spread: Floats  # (n,)
    shared: Floats  # (n, n), or (1, 1) of zero for more than TOGETHER_CELLS

    @classmethod
    def of(cls, at: Floats, cells: Whole, known: Whole) -> _Near:
        inverse = np.linalg.inv(_alike(at[known], at[known]) + np.eye(len(known)))
        across = _alike(at[cells], at[known])
        weights = across @ inverse
        spread = np.sqrt(2 + NEAR + 2 * PASS - np.einsum("nk,nk->n", weights, across))
        shared = np.zeros((1, 1))
        if len(cells) <= TOGETHER_CELLS:
            shared = _alike(at[cells], at[cells]) - weights @ across.T
        return cls(known, inverse, across, spread, shared)


def _alike(a: Floats, b: Floats) -> Floats:
    """(n, m) covariance of cells at (row, col), (n, 2) and (m, 2); what a cell has alone, 1, is not in it."""
    rows, cols = np.abs(a[:, None, 0] - b[None, :, 0]), np.abs(a[:, None, 1] - b[None, :, 1])
    near = np.exp(-(rows**2 + cols**2) / (2 * NEAR_CELLS**2))
    along = (rows == 0) * np.exp(-cols / PASS_CELLS) + (cols == 0) * np.exp(-rows / PASS_CELLS)
    return 1.0 + NEAR * near + PASS * along


def _covariance(missed: Floats) -> Floats:
    """(V, V) of errors (n, V), NaN where unknown; single wild cells are held to three robust sds."""
    known = np.isfinite(missed)
    held = 3 * 1.4826 * float(np.median(np.abs(missed[known]))) if known.any() else 0.0
    values = np.clip(np.where(known, missed, 0.0), -held, held) / np.sqrt(np.maximum(known.sum(axis=0), 1))
    return values.T @ values
