"""Draws from a fit: likely curves of its cells, at fixed points, so the same fit gives the same draws."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from turfeye.growth import Fit
from turfeye.kinds import FAILED, KINDS
from turfeye.records import Flags, Floats, Whole


@dataclass(frozen=True, eq=False, slots=True)
class Parts:
    """What a fit's rows (R,) are where they are no cells: parts of P wholes (a trial's plots), means of many
    cells. The first P rows are one of each whole."""

    whole: Whole  # (R,) of which whole it is a part, 0 to P - 1
    share: Floats  # (R,) of that whole's ground
    alike_now: Floats  # (R,) what every visit's readings of it err by alike
    alike_then: Floats  # (R,) and on the target's date

    def astray(self, draws: Floats, alike: Floats, common: Floats) -> Floats:
        """(P, K) means of the wholes, from draws (R, K) that are off by ``common`` (K,) of what is alike."""
        return self.together(np.clip(draws + alike[:, None] * common, 0, 1))

    def together(self, values: Floats) -> Floats:
        """(P, K) means of the wholes, from those of their parts (R, K)."""
        total = np.zeros((int(self.whole.max(initial=-1)) + 1, values.shape[1]))
        np.add.at(total, self.whole, self.share[:, None] * values)
        return total


def curves(found: Fit, block: slice, normal: Floats, kind: Floats) -> tuple[Floats, Flags]:
    """Likely curves (n, K, P) of a block's cells, shared errors included; whether the seed failed in them.

    ``normal`` (K, P) and ``kind`` (K,) are standard normal points: where in its spread each curve lies, and
    of which kind it is.
    """
    from scipy.special import ndtr

    drawn = []
    for which in range(KINDS):
        pull = found.pull[which, block]
        cov = found.cov[which, block] + pull @ found.shared_cov @ np.swapaxes(pull, -1, -2)
        root = np.linalg.cholesky(cov)
        drawn.append(found.theta[which, block][:, None, :] + normal @ np.swapaxes(root, -1, -2))
    which_kind = kinds_at(np.broadcast_to(ndtr(kind), drawn[0].shape[:2]), found.odds[:, block])
    return picked(drawn, which_kind), which_kind == FAILED


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
