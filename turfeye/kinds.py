"""The kinds of cells on a young lawn, and how neighbours tell of each other's kind."""

from __future__ import annotations

import numpy as np

from turfeye.records import Floats, Whole

KINDS = 3
LAWN, LATE, FAILED = range(KINDS)
"""Like the lawn; some days behind it (a strip that lags); where the seed failed."""
RARE = 8.0
"""What four neighbours add to the odds of the rare kinds, whatever they are themselves. They outvote a cell
by exp(4 x ``neighbours``): right for single wild cells, but the middle of a patch would never be found, for
each of its cells is outvoted before the others speak. Ours, set on simulated lawns (seeds 4000-4035)."""
CAUTION = 14.0
"""What the odds of failure are raised by at the end, with four neighbours: a mean field leans to the common
kind. Of simulated cells (the same seeds) counted at 0.05 to 0.1 six in ten had failed in part, at 0.2 to 0.3
three in four."""


def share_out(log_weight: Floats) -> Floats:
    """(KINDS, N) log weights to probabilities."""
    odds = np.exp(log_weight - log_weight.max(axis=0))
    return odds / odds.sum(axis=0)


def with_neighbours(
    evidence: Floats, share: Floats, place: Whole | None, *, neighbours: float, strips: float
) -> Floats:
    """Odds of the kinds (KINDS, N) when a cell is likelier what the cells about it are.

    A Potts field in mean-field approximation (Zhang 1992, IEEE Transactions on Signal Processing
    40:2570-2583): each of four neighbours adds ``neighbours`` times its own odds to the log odds. What lags
    are strips, where the spreader passed; so late is likelier in a long straight row of cells that are not
    like the lawn, and failed in a spot. Without ``place`` the cells stand alone.
    """
    log_weight = evidence + np.log(share)[:, None]
    if place is None or not len(place):
        return share_out(log_weight)
    odds = share_out(log_weight)
    row, col = (place - place.min(axis=0) + 1).T
    shape = (row.max() + 2, col.max() + 2)
    field = np.zeros((KINDS, *shape))
    there = np.zeros(shape)
    there[row, col] = 1
    asked = _around(there)[row, col] / 4
    log_weight[[LATE, FAILED]] += asked * np.log(RARE)
    for _ in range(10):
        field[:, row, col] = odds
        pull = neighbours * _around(field)[:, row, col]
        unlike = there - field[LAWN]
        straight = np.maximum(_along(unlike, there, 0), _along(unlike, there, 1))[row, col]
        pull[LATE] += strips * (straight - 0.35)
        odds = (odds + share_out(log_weight + pull)) / 2  # half a step: whole ones swing like a chessboard
    odds[FAILED] *= CAUTION**asked
    return odds / odds.sum(axis=0)


def _around(field: Floats) -> Floats:
    """Sum over the four neighbours; ``field`` (..., rows, cols) has an empty rim."""
    total = np.zeros_like(field)
    inner = total[..., 1:-1, 1:-1]
    inner += field[..., :-2, 1:-1] + field[..., 2:, 1:-1] + field[..., 1:-1, :-2] + field[..., 1:-1, 2:]
    return total


def _along(field: Floats, there: Floats, axis: int) -> Floats:
    """Mean of a field over the 13 cells along one axis, of those that are there."""
    total, count = np.zeros_like(field), np.zeros_like(field)
    length = field.shape[axis]
    for shift in range(-min(6, length - 1), min(6, length - 1) + 1):
        into = [slice(None)] * 2
        from_ = [slice(None)] * 2
        into[axis] = slice(max(shift, 0), length + min(shift, 0))
        from_[axis] = slice(max(-shift, 0), length + min(-shift, 0))
        total[tuple(into)] += field[tuple(from_)]
        count[tuple(into)] += there[tuple(from_)]
    return total / np.maximum(count, 1)
