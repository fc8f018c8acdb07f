"""Draws from a fit, or from what is believed before one: likely curves, at fixed points.

So the same fit gives the same draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from turfeye.curve import Curve, P, expit, risen_at
from turfeye.growth import Fit
from turfeye.kinds import FAILED, KINDS
from turfeye.prior import Prior
from turfeye.records import Flags, Floats, Whole

USUAL_DRAWS = 600
"""Lawns of the mix, by which it is told what is usual."""


@dataclass(frozen=True, eq=False, slots=True)
class PlotRows:
    """What a fit's rows (R,) are where they are no cells but ground of a trial's plots, each the mean of many
    cells. The first rows are one of each plot, in their order."""

    plot: Whole  # (R,) which plot each is of, from 0
    share: Floats  # (R,) of that plot's ground
    alike_now: Floats  # (R,) cover by which every visit's readings of it err alike
    alike_then: Floats  # (R,) and on the target's date

    def astray(self, draws: Floats, alike: Floats, common: Floats) -> Floats:
        """(plots, K) means, from draws (R, K) that are off by ``common`` (K,) times ``alike`` (R,)."""
        return self.together(np.clip(draws + alike[:, None] * common, 0, 1))

    def together(self, values: Floats) -> Floats:
        """(plots, K) means of the plots, from those of their rows (R, K)."""
        total = np.zeros((int(self.plot.max(initial=-1)) + 1, values.shape[1]))
        np.add.at(total, self.plot, self.share[:, None] * values)
        return total


def curves(found: Fit, block: slice, normal: Floats, kind: Floats) -> tuple[Floats, Flags]:
    """Likely curves (n, K, P) of a block's cells, shared errors included; whether the seed failed in them.

    ``normal`` (K, P) and ``kind`` (K,) are standard normal points: where in its spread each curve lies, and
    of which kind it is.
    """
    from scipy.special import ndtr

    drawn = [of_kind(found, which, block, normal) for which in range(KINDS)]
    which_kind = kinds_at(np.broadcast_to(ndtr(kind), drawn[0].shape[:2]), found.odds[:, block])
    return picked(drawn, which_kind), which_kind == FAILED


def of_kind(found: Fit, kind: int, block: slice, normal: Floats) -> Floats:
    """Likely curves (n, K, P) of a block's cells as one of the kinds, at standard normal points (K, P)."""
    pull = found.pull[kind, block]
    cov = found.cov[kind, block] + pull @ found.shared_cov @ np.swapaxes(pull, -1, -2)
    return found.theta[kind, block][:, None, :] + normal @ np.swapaxes(np.linalg.cholesky(cov), -1, -2)


def kinds_at(chance: Floats, odds: Floats) -> Whole:
    """The kind (n, K) on which ``chance`` (n, K) falls, by the cells' odds (KINDS, n)."""
    edges = np.cumsum(odds, axis=0)[:-1]
    return (chance[None] > edges[..., None]).sum(axis=0)


def picked(drawn: Sequence[Floats], kind: Whole) -> Floats:
    """The draws (n, K, P) of the kinds that fell."""
    theta = drawn[0]
    for which in range(1, KINDS):
        theta = np.where((kind == which)[..., None], drawn[which], theta)
    return theta


def usual(prior: Prior, start: float, times: Floats, curve: Curve) -> tuple[Floats, Floats]:
    """Between what the middle two thirds of a mix's lawns are at times (T,), from a lawn's own start."""
    astray = prior.sd * even_points(USUAL_DRAWS, P)
    gap = np.maximum(expit(prior.end_logit[0] + astray[:, 1]) - start, 0)
    theta = prior.mean + astray
    filled = risen_at(theta[:, None], times, curve)
    low, high = np.quantile(start + gap[:, None] * filled, [1 / 6, 5 / 6], axis=0)
    return low, high


def even_points(count: int, dims: int) -> Floats:
    """(count, dims) standard normal points, evenly spread: the R sequence, mapped.

    Martin Roberts, The unreasonable effectiveness of quasirandom sequences, 2018. Each dimension is even;
    pairs of them correlate by 0.07 (root mean square) for 128 points in 8 dimensions and for 600 in 4, where
    independent points do by 0.09 and 0.04.
    """
    from scipy.special import ndtri

    root = 2.0
    for _ in range(40):
        root = (1 + root) ** (1 / (dims + 1))
    steps = root ** -np.arange(1.0, dims + 1)
    points = (0.5 + np.arange(1, count + 1)[:, None] * steps) % 1
    # rank by rank: every dimension has exactly the same, even margin
    ranks = points.argsort(axis=0).argsort(axis=0)
    return ndtri((ranks + 0.5) / count)
