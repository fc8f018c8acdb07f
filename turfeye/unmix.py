"""How much of each cell belongs to a thin patch, from its covers on all visits.

A cell that a patch's edge runs through holds a mixture: its cover is c = h - f (h - b) on each visit, with h
what the lawn would have there, b the patch's own cover and f the share asked for. None of them is seen, so

- h comes from the sound cells around by kriging: cells near each other, and cells of one row or one column
  (the spreader's passes), are alike; a late strip that runs through a patch is no part of it;
- b lies somewhere between what was there before and the lawn; the result is the mean over where, weighted
  by how well each explains the cells;
- the errors are those that sound cells showed against their own neighbours, visit by visit.

Kriging: Cressie 1993, Statistics for Spatial Data, chapter 3; errors of a cell left out of its own
prediction from the inverse matrix: Dubrule 1983, Mathematical Geology 15:687-699 (both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from turfeye.places import robust_sd
from turfeye.records import Flags, Floats, Season

FEWEST = 12
"""Sound cells that a visit must show for it to say anything of the lawn."""
NEAR_CELLS, PASS_CELLS = 3.0, 8.0
"""Cells are alike over about so many cells all round, and along a pass; ours."""
NEAR, PASS = 0.5, 0.5
"""How alike, as a share of what a cell differs by alone; ours. On simulated lawns half or twice as much of
these four changes the mean error of the areas by a hundredth or less."""
FILLED = np.array([-0.1, 0.0, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6])
"""How far a patch itself may have filled: b lies this share of the way from the start to the lawn."""
FILLED_MEAN = 0.1
"""Where the seed failed little comes up: the mean believed before it is seen (exponential); ours."""
INSIDE_SD = 0.7
"""What cells inside a patch differ by among themselves, against the spread of the sound cells' start; set on
simulated lawns (seeds 200000-201099; the figures are measured on others)."""
TOGETHER_CELLS = 1500
"""In a larger patch the errors of neighbouring cells are taken as their own: they hardly count there."""


@dataclass(frozen=True, eq=False, slots=True)
class Unmixed:
    """Of n cells: the share of each that belongs to the patch, and how sure that is."""

    share: Floats  # (n,)
    se: Floats  # (n,) each cell's own
    area_se_m2: float  # of what the cells err by together, beyond their own


@dataclass(frozen=True, eq=False, slots=True)
class _Lawn:
    """What the lawn would have in n cells on V visits, NaN where a visit tells nothing."""

    cover: Floats  # (n, V)
    spread: Floats  # (n, V), how much more than a sound cell such a guess errs
    shared: Floats  # (n, n), how the guesses' errors go together
    covariance: Floats  # (V, V) of what sound cells err by


def unmix(
    season: Season, cells: Flags, sound: Flags, *, start_cover: Floats, visit_offset: Floats
) -> Unmixed:
    """Unmix the marked cells (N,) against the sound ones (N,), at least FEWEST of them.

    ``start_cover`` (N,) is what stood in each before the sowing; ``visit_offset`` (V,) what each visit
    reads too high.
    """
    lawn = _lawn_in(season, cells, sound)
    usable = np.isfinite(lawn.cover).all(axis=0)
    here, spread = lawn.cover[:, usable], lawn.spread[:, usable]
    covariance = lawn.covariance[np.ix_(usable, usable)]
    cover, cover_se = season.cover[cells][:, usable], season.cover_se[cells][:, usable]
    unseen = ~np.isfinite(cover)
    short = np.where(unseen, 0.0, here - cover)
    # a cell that is seen worse than most errs by so much more
    worse = np.nan_to_num(cover_se**2 - np.nanmedian(season.cover_se) ** 2)
    own = np.where(unseen, 1e4, np.clip(worse, 1e-4, None))
    noise = covariance * spread[:, :, None] * spread[:, None, :] + own[:, :, None] * np.eye(short.shape[1])
    inverse = np.linalg.inv(noise)
    typical = here.mean(axis=0)
    # light moves what is read of the patch as it moves the lawn's
    start = start_cover[sound]
    light = np.clip(typical / np.maximum(typical - visit_offset[usable], 0.02), 0.4, 1.6)
    bare = np.minimum(np.median(start) * light, typical)
    area = season.area_m2[cells]
    means, variances, sums, log_odds = [], [], [], []
    for filled in FILLED:
        contrast = here - (bare + filled * (typical - bare))
        pull = np.einsum("nv,nvw->nw", contrast, inverse)
        power = np.maximum((pull * contrast).sum(axis=1), 1e-9)
        share, se = (pull * short).sum(axis=1) / power, 1 / np.sqrt(power)
        gain = pull / power[:, None]
        mean, sd, evidence = in_or_out(
            share, se, inside_se=np.abs(gain.sum(axis=1)) * INSIDE_SD * robust_sd(start)
        )
        # how far the mean follows a common error of the lawn's guess
        follows = area * (sd / np.maximum(se, 1e-3)) ** 2
        sums.append(float(follows @ (lawn.shared * (gain @ covariance @ gain.T)) @ follows))
        means.append(mean)
        variances.append(sd**2)
        log_odds.append(float(evidence.sum()) - max(filled, 0.0) / FILLED_MEAN)
    weight = np.exp(np.array(log_odds) - max(log_odds)) * np.gradient(FILLED)
    weight /= weight.sum()
    areas = np.array(means) @ area
    level_variance = float(weight @ (areas - weight @ areas) ** 2)
    return Unmixed(
        share=weight @ np.array(means),
        se=np.sqrt(weight @ np.array(variances)),
        area_se_m2=float(np.sqrt(level_variance + max(float(weight @ np.array(sums)), 0.0))),
    )


def _lawn_in(season: Season, cells: Flags, sound: Flags) -> _Lawn:
    """Predict the marked cells' covers on every visit from the sound cells'."""
    at = np.stack([season.row, season.col], axis=1).astype(float)
    count, visits = int(cells.sum()), season.cover.shape[1]
    cover, spread = np.full((2, count, visits), np.nan)
    shared = np.zeros((count, count)) if count <= TOGETHER_CELLS else np.zeros((1, 1))
    missed = np.full((len(at), visits), np.nan)
    told = 0
    for visit in range(visits):
        known = np.flatnonzero(sound & np.isfinite(season.cover[:, visit]))
        if len(known) < FEWEST:
            continue
        told += 1
        seen = season.cover[known, visit]
        middle = float(np.median(seen))
        inverse = np.linalg.inv(_alike(at[known], at[known]) + np.eye(len(known)))
        pull = inverse @ (seen - middle)
        # each sound cell against what the others say of it, in its own standard deviations
        missed[known, visit] = pull / np.sqrt(np.diag(inverse))
        across = _alike(at[cells], at[known])
        weights = across @ inverse
        cover[:, visit] = middle + across @ pull
        spread[:, visit] = np.sqrt(2 + NEAR + 2 * PASS - np.einsum("nk,nk->n", weights, across))
        if count <= TOGETHER_CELLS:
            shared += _alike(at[cells], at[cells]) - weights @ across.T
    shared = shared / max(told, 1)
    np.fill_diagonal(shared, 0.0)
    return _Lawn(cover, spread, shared, _covariance(missed))


def _alike(a: Floats, b: Floats) -> Floats:
    """(n, m) covariance of cells at (row, col), (n, 2) and (m, 2); what a cell has alone, 1, is not in it."""
    rows, cols = np.abs(a[:, None, 0] - b[None, :, 0]), np.abs(a[:, None, 1] - b[None, :, 1])
    near = np.exp(-(rows**2 + cols**2) / (2 * NEAR_CELLS**2))
    along = (rows == 0) * np.exp(-cols / PASS_CELLS) + (cols == 0) * np.exp(-rows / PASS_CELLS)
    return 1.0 + NEAR * near + PASS * along


def _covariance(missed: Floats) -> Floats:
    """(V, V) of errors (N, V), NaN where unknown; single wild cells are held to three robust sds."""
    known = np.isfinite(missed)
    held = 3 * 1.4826 * float(np.median(np.abs(missed[known]))) if known.any() else 0.0
    values = np.clip(np.where(known, missed, 0.0), -held, held) / np.sqrt(np.maximum(known.sum(axis=0), 1))
    return values.T @ values


def in_or_out(share: Floats, se: Floats, *, inside_se: Floats | float = 0.0) -> tuple[Floats, Floats, Floats]:
    """Posterior mean and sd of shares: a cell lies outside, inside, or on the edge (any share alike).

    Prior a third each. Without it the noise of the cells around a small patch would add up to area.
    ``inside_se`` is what cells wholly inside differ by among themselves, in shares, beyond ``se``. Third
    comes the log evidence: how well some contrast explains the cell, up to a constant that all contrasts
    share.
    """
    from scipy.special import ndtr

    se = np.maximum(se, 1e-3)
    out, full = _normal(share, se) + 1e-12, _normal(share - 1, np.hypot(se, inside_se))
    low, high = (0 - share) / se, (1 - share) / se
    edge = np.maximum(ndtr(high) - ndtr(low), 1e-12)
    phi_low, phi_high = _normal(low, np.ones_like(low)), _normal(high, np.ones_like(high))
    mean = share + se * (phi_low - phi_high) / edge
    square = se**2 * (1 + (low * phi_low - high * phi_high) / edge) + 2 * share * mean - share**2
    total = out + full + edge
    mean, square = (full + edge * mean) / total, (full + edge * square) / total
    return mean, np.sqrt(np.maximum(square - mean**2, 0)), 0.5 * (share / se) ** 2 + np.log(se * total)


def _normal(away: Floats, sd: Floats) -> Floats:
    """Density of a normal at this distance from its middle."""
    return np.exp(-0.5 * (away / sd) ** 2) / (np.sqrt(2 * np.pi) * sd)
