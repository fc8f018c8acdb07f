"""How obliquely seen cover relates to cover seen from straight above: leaf angles and gaps.

Blades hide the soil behind them, so an oblique view sees more green than there is from above.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from turfeye.errors import ViewError
from turfeye.records import Floats

SPARSE_LOG_ANGLE: Final = -0.03
DENSE_LOG_ANGLE: Final = 0.18
"""A dense sward lies over a little more: log chi = SPARSE + DENSE x cover as seen, the default.

The line through 81 rendered scenes, spots and lawns, by their true shares as seen and from above: with it
cover of their cells is off by 2.8 points, with each scene's own angle by 1.4 (tools/fit_leaf_angle.py). A
line fitted to what a classifier sees takes its errors for leaf angles: one through sixteen lawn views had chi
rise tenfold from bare to closed, and brought the true shares of 14 other scenes 5.3 points off."""
LEAF_ANGLE_SD: Final = 0.3
"""Of its logarithm, from lawn to lawn: 0.28 explains how far the true shares bring those scenes' covers off.
(tools/fit_leaf_angle.py.)"""
LEAN_PRIOR_SD: Final = 0.4
"""How far off it a lawn's own may be before two photos are asked: those scenes' own best angles spread by
0.36, sparse ones hardly telling theirs; gardens may more (ours)."""
CELL_SE: Final = 0.02
"""What the cover of a cell as seen may be off for itself (ours)."""
VIEW_SE: Final = 0.02
"""What the cover of a whole view may be off: the classifier's error that its cells share (ours)."""
LEAST_LEAN_SE: Final = 0.15
"""A lawn's blades change between two days, by mowing, rain and age (ours)."""
LEAST_GAP: Final = 0.004
"""A cover of 1 as seen may hide this much soil: pixels and classes aren't finer."""


@dataclass(frozen=True, slots=True)
class Blades:
    """How a lawn's blades lie, against what is usual at its cover: see `leaf_angle_of`."""

    lean: float = 0.0
    lean_se: float = LEAF_ANGLE_SD


def leaf_angle_of(cover_as_seen: Floats, *, lean: float = 0.0) -> Floats:
    """Campbell's chi that goes with a cover: 1 is spherical, below it more upright, above it flatter.

    ``lean`` is the logarithm of how far this lawn's own is off it: above 0 its blades lie flatter than usual.

    >>> leaf_angle_of(np.array([0.0, 0.5, 1.0])).round(2).tolist()
    [0.97, 1.06, 1.16]
    """
    return np.exp(SPARSE_LOG_ANGLE + lean + DENSE_LOG_ANGLE * np.clip(cover_as_seen, 0.0, 1.0))


def _shortening(zenith_deg: Floats, leaf_angle: float | Floats) -> Floats:
    """Depth of blades seen from straight above as a share of that seen obliquely: G(0) cos(theta) / G(theta).

    G(theta) is the mean projection of a unit of leaf area. For Campbell's ellipsoidal leaf-angle distribution
    it is sqrt(chi^2 + tan^2 theta) cos(theta), over a number that goes with chi alone [1]_.

    .. [1] Campbell, G. S. (1986). Extinction coefficients for radiation in plant canopies calculated using an
       ellipsoidal inclination angle distribution. Agricultural and Forest Meteorology 36, 317-321.
    """
    return leaf_angle / np.sqrt(leaf_angle**2 + np.tan(np.radians(zenith_deg)) ** 2)


def straight_down(
    cover_as_seen: Floats, zenith_deg: Floats, *, leaf_angle: float | Floats | None = None
) -> Floats:
    """Cover as from straight above, of cover seen at a zenith angle; by default with `leaf_angle_of` it.

    The gap fraction is P(theta) = exp(-G(theta) L / cos theta) (Beer and Lambert), so 1 - cover from above is
    the oblique gap to the power of the ratio of extinctions; the leaf area L, and any clumping that is the
    same at both angles, drops out.

    >>> round(float(straight_down(np.array(1 - math.exp(-1)), np.array(60.0), leaf_angle=1.0)), 4)
    0.3935
    """
    gap = 1 - np.clip(cover_as_seen, 0.0, 1.0)
    chi = leaf_angle_of(cover_as_seen) if leaf_angle is None else leaf_angle
    return 1 - gap ** _shortening(np.asarray(zenith_deg, dtype=float), chi)


def straight_down_se(
    cover_as_seen: Floats,
    zenith_deg: Floats,
    *,
    leaf_angle: float | Floats | None = None,
    leaf_angle_sd: float = LEAF_ANGLE_SD,
) -> Floats:
    """Error of `straight_down` from not knowing the lawn's leaf angle, one standard deviation.

    ``leaf_angle_sd`` is of its logarithm. A cover of 1 as seen is taken for one that hides `LEAST_GAP`.
    """
    log_gap = np.log(np.clip(1 - np.asarray(cover_as_seen, dtype=float), LEAST_GAP, 1.0))
    chi = leaf_angle_of(cover_as_seen) if leaf_angle is None else leaf_angle
    share = _shortening(np.asarray(zenith_deg, dtype=float), chi)
    by_log_angle = share * (1 - share**2)
    return np.abs(np.exp(share * log_gap) * log_gap * by_log_angle) * leaf_angle_sd


def fit_lean(covers: Sequence[Floats], zeniths_deg: Sequence[Floats]) -> tuple[float, float]:
    """A lawn's own lean from two or more views of the same cells, and its error: see `leaf_angle_of`.

    Parameters
    ----------
    covers : for each view (N,) covers as seen; NaN where not seen
    zeniths_deg : for each view (N,) the zenith angles

    The lean is the most likely one that makes the views' straight-down covers agree; cells whose views
    disagree for other reasons lose their say. Its error also has what one view may be off as a whole, by
    `VIEW_SE`, and how a lawn changes between two days, `LEAST_LEAN_SE`. What lawns' leans spread by,
    `LEAN_PRIOR_SD`, is known beforehand: two photos that say little leave the usual angle nearly as it was.

    On seven rendered pairs, read by an earlier network (23 and 50 degrees on average), cover of the oblique
    photo missed its truth by 5.5 points instead of 6.0; with upright blades by 5.2 instead of 10.7, with
    sprawling ones by 6.0 instead of 4.4. What limits it is what the classifier gets wrong in the photo from
    above (4 points there).

    Raises ViewError when fewer than three cells were seen by all views at angles that differ.
    """
    seen, angle = np.array(covers, dtype=float), np.array(zeniths_deg, dtype=float)
    tilt = np.ptp(np.tan(np.radians(angle)) + 0 * seen, axis=0)  # NaN where a view did not see the cell
    told = np.isfinite(tilt) & (tilt > 0.3) & (seen.mean(axis=0) < 0.98) & (seen.mean(axis=0) > 0.02)
    if told.sum() < 3:
        raise ViewError(
            f"wanted at least three half-covered cells seen by all photos at angles that differ, got "
            f"{told.sum()}; "
            "take one photo from straight above and one at about 50 degrees of the same place"
        )
    seen, angle = seen[:, told], angle[:, told]
    lean, sd = _most_likely(seen, angle)
    lowest = np.arange(len(seen)) == np.argmax(angle.mean(axis=1))
    off = (VIEW_SE * np.where(lowest, side, 0.0)[:, None] for side in (-1, 1))
    less, more = (_most_likely(np.clip(seen + shift, 0, 1), angle)[0] for shift in off)
    variance = sd**2 + ((more - less) / 2) ** 2 + LEAST_LEAN_SE**2
    trust = LEAN_PRIOR_SD**2 / (LEAN_PRIOR_SD**2 + variance)
    return trust * lean, math.sqrt(trust * variance)


def _most_likely(seen: Floats, angle: Floats) -> tuple[float, float]:
    """Mean and standard deviation of the lean, over leans that are all as likely beforehand."""
    tries = np.linspace(-2.5, 2.5, 501)
    cost = np.array([_disagreement(seen, angle, leaf_angle_of(seen, lean=t)) for t in tries])
    weight = np.exp(-(cost - cost.min()) / 2)
    best = float(np.sum(tries * weight) / weight.sum())
    return best, float(np.sqrt(np.sum((tries - best) ** 2 * weight) / weight.sum()))


def _disagreement(seen: Floats, angle: Floats, leaf_angle: Floats) -> float:
    """Minus twice the log likelihood that views of the same cells agree straight down; Cauchy errors."""
    down = straight_down(seen, angle, leaf_angle=leaf_angle)
    share = _shortening(angle, leaf_angle)
    slope = share * np.clip(1 - seen, LEAST_GAP, 1) ** (share - 1)
    sd = CELL_SE * np.maximum(slope, 0.1)
    mean = np.sum(down / sd**2, axis=0) / np.sum(sd**-2, axis=0)
    return float(2 * np.sum(np.log1p(((down - mean) / sd) ** 2 / 2)))
