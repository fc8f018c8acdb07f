"""The kinds of cells on a young lawn, and how the cells around one tell of its kind."""

from __future__ import annotations

import numpy as np

from turfeye.records import Floats, Whole

KINDS = 3
LAWN, LATE, FAILED = range(KINDS)
"""Like the lawn; some days behind it (a strip that lags); where the seed failed."""
NEAR_CELLS, BESIDE_CELLS, CLOSE_CELLS = 1.2, 1.0, 0.7
"""Seed fails in patches: evidence is averaged over Gaussians of these standard deviations, in cells. This and
what follows is ours, the likeliest on simulated lawns (seeds 4100-4159, 5000-5071 and 5100-5209)."""
SURE = -3.0, 7.0
"""One cell's evidence says no less and no more than this, in log odds, of the cells around it."""
TOLD_BY = 2.8
"""The mean evidence of failure close to a cell counts as that of so many cells; that of a wider ring too, at
first, when no neighbour's kind is known."""
BESIDE, AMONG_LAWN = 10.5, -1.2
"""After that the cells beside it count by how likely each has failed, and those of the lawn against it."""
UNEVEN = 1.6
"""Ground that is late all around is lawn that comes unevenly: the mean evidence of lateness nearby, counted
so often, speaks against both other kinds."""
STRIP, STRIP_CELLS = 8.6, 13
"""What lags are strips, where the spreader passed: mean evidence, between -2 and 2, that a straight row of so
many cells is unlike the lawn."""
STRETCH_CELLS, LEFT_OUT = 1.5, 2.0
"""A straight row says strip, not whether it comes late or was left out: that is told stretch by stretch, by
how much better failure fits than lateness (between -8 and 8), the mean of a Gaussian of so many cells along
it. What is beyond the second speaks against lateness, and there the row's word counts for failure too. Set on
simulated strips (seeds 71000-71059 and 81000-84039)."""
PERHAPS = 0.3
"""A row of which nothing tells whether it comes late or was left out is left out by this chance, and by less
where lateness fits better. It is below what would be called thin (`states.CAUTION`), but such cells aren't on
course either. Ours."""


def share_out(log_weight: Floats) -> Floats:
    """(KINDS, N) log weights to probabilities."""
    odds = np.exp(log_weight - log_weight.max(axis=0))
    return odds / odds.sum(axis=0)


def with_neighbours(evidence: Floats, share: Floats, place: Whole | None) -> Floats:
    """Odds of the kinds (KINDS, N) when a cell is likelier what the cells about it are.

    ``evidence`` (KINDS, N) is log and ``place`` (N, 2) row and column; without it the cells stand alone. Of a
    patch whose cells each say little, together they say much: so their evidence is averaged first, and only
    then is each asked for its kind by what its neighbours are (a Potts field, which begins with that, loses
    young patches whole).
    """
    alone = evidence + np.log(share)[:, None]
    if place is None or not len(place):
        return share_out(alone)
    from scipy.ndimage import correlate1d, gaussian_filter1d

    row, col = (place - place.min(axis=0)).T
    late, failed = evidence[[LATE, FAILED]] - evidence[LAWN]
    unlike, worse = np.maximum(late, failed).clip(-2, 2), (failed - late).clip(-8, 8)
    said = [np.ones(len(row)), late.clip(*SURE), failed.clip(*SURE), unlike, worse]
    field = np.zeros((5, row.max() + 1, col.max() + 1))
    field[:, row, col] = said
    there, late_near, failed_near = _around(field[:3], NEAR_CELLS)[:, row, col]
    failed_close = _around(field[:3], CLOSE_CELLS)[2, row, col]
    count, unlike = (
        np.stack([correlate1d(part, np.ones(STRIP_CELLS), axis=axis, mode="constant") for axis in (0, 1)])
        for part in field[[0, 3]]
    )
    weight, worse = (
        np.stack([gaussian_filter1d(part, STRETCH_CELLS, axis=axis, mode="constant") for axis in (0, 1)])
        for part in field[[0, 4]]
    )
    straight, worse = (unlike / np.maximum(count, 1))[:, row, col], worse[:, row, col]
    way = straight.argmax(axis=0), np.arange(len(row))
    strip = STRIP * straight[way]
    worse = worse[way] / weight[:, row, col][way]
    left_out = (worse - LEFT_OUT).clip(0) * (strip > 0)
    denied = np.minimum(failed - SURE[0], 0)  # counts whole for the cell itself
    near = np.log(share)[:, None] + np.stack([
        UNEVEN * late_near,
        strip - left_out,
        TOLD_BY * failed_close + denied,
    ])  # fmt: skip
    first = near.copy()
    first[FAILED] += TOLD_BY * failed_near
    near[FAILED] += AMONG_LAWN + BESIDE * _beside(share_out(first)[FAILED], field[0], row, col)
    there_too = np.where(left_out > 0, np.log(share[FAILED]) + strip + denied, -np.inf)
    perhaps = near[LATE] + np.log(PERHAPS / (1 - PERHAPS)) + worse.clip(None, 0)
    near[FAILED] = np.maximum(near[FAILED], there_too)
    told_late = (strip > 0) & (near.argmax(axis=0) == LATE)
    near[FAILED] = np.where(told_late, np.maximum(near[FAILED], perhaps), near[FAILED])
    # a cell by itself is 1 / (2 pi s^2) of its Gaussian; it keeps its own odds, and few neighbours tell less
    company = np.minimum((1 - 1 / (2 * np.pi * NEAR_CELLS**2) / there).clip(0) / 0.8, 1)
    return share_out(alone + company * (near - alone))


def _beside(chance: Floats, there: Floats, row: Whole, col: Whole) -> Floats:
    """Gaussian mean (N,) of the other cells' ``chance``; 0 for a cell that has none beside it."""
    field = np.stack([there, np.zeros_like(there)])
    field[1, row, col] = chance
    share, mean = _around(field, BESIDE_CELLS)[:, row, col]
    own = np.minimum(1 / (2 * np.pi * BESIDE_CELLS**2) / share, 1)
    return np.where(own < 0.99, (mean - own * chance) / np.maximum(1 - own, 0.01), 0.0)


def _around(field: Floats, cells: float) -> Floats:
    """Gaussian means (K, rows, cols) over the cells that are there: ``field[0]`` is 1 there and 0 elsewhere.

    The first is the share of the Gaussian that has cells.
    """
    from scipy.ndimage import gaussian_filter

    smooth = gaussian_filter(field, (0, cells, cells), mode="constant")
    smooth[1:] /= np.maximum(smooth[0], 1e-12)
    return np.asarray(smooth)
