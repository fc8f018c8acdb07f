"""Soil hardly lighter than the leaves: how much of it an oblique view takes for turf.

Far off, a pixel holds blades and soil both. Where the soil is pale, the classifier sees how much of it there
is; where it is as dark as the gaps in a closed sward, as compost and wet loam are, sparse turf looks closed
to it, and to the eye. The leaves tell how dark the soil is, in any light and exposure.
"""

from __future__ import annotations

import numpy as np

from turfeye.colourspace import LUMINANCE
from turfeye.records import Flags, Floats, Shares

CONTRAST, EXCESS, MOST = 2.0, 0.5, 0.12
"""Times as light as the leaves below which soil passes for turf; how much too much of half-covered ground
counts as green for each e-fold by which it is less; and no more, or thin cells become thinner than bare ones.

Fitted to 32 rendered lawn views that trained nothing and carry no figure (make_samples.py --sets tune, the
sample lawn, make_tuning.py), each with one voice, with a card and without: left out one by one, their cells
are off by 4.2 points a photo instead of 5.8, without a card by 5.3 instead of 6.5. How dark the soil is in
the card's light adds nothing; what lies beside the lawn does: by its own soil and leaves alone they are off
by 6.3 points a cell instead of 5.9. Spots seen from above ask for nothing."""
LIT = 0.75
"""Soil and leaves are compared by this quantile of their light, by what is lit of both: in a low sun
shadows lie on soil."""
SURELY_BARE, SURELY_GREEN = 0.6, 0.8
"""Pixels with more than this of bare ground, and of green, tell how light soil and leaves are."""
LEAST_SHARE = 0.005
"""With fewer such pixels than this share of those that count, nothing does."""


def excess(rgb_linear: Floats, shares: Shares, counts: Flags) -> float:
    """How much too much of half-covered ground was called green; 0 where soil is not dark, or not to be seen.

    Parameters
    ----------
    rgb_linear : (H, W, 3), in any unit of light
    shares : what each pixel shows
    counts : (H, W), the usable pixels in one light. Soil beside a lawn tells of the lawn's too

    >>> bare = np.array([[1.0, 1.0, 0.0, 0.0]])
    >>> nothing = np.zeros((1, 4))
    >>> seen = Shares(1 - bare, nothing, bare, nothing)
    >>> loam = np.array([[0.09, 0.09, 0.05, 0.05]])[..., None] * np.ones(3)
    >>> round(excess(loam, seen, bare >= 0), 3)
    0.053
    """
    enough = LEAST_SHARE * np.count_nonzero(counts)
    soil = _lit(rgb_linear, counts & (shares.bare > SURELY_BARE), enough)
    leaf = _lit(rgb_linear, counts & (shares.green > SURELY_GREEN), enough)
    if not (np.isfinite(soil) and np.isfinite(leaf)):
        return 0.0
    return float(np.clip(EXCESS * np.log(CONTRAST * max(leaf, 1e-4) / max(soil, 1e-4)), 0.0, MOST))


def _lit(rgb_linear: Floats, some: Flags, enough: float) -> float:
    """The luminance of what is lit of some pixels; NaN where there are not enough."""
    if np.count_nonzero(some) <= enough:
        return np.nan
    return float(np.quantile(rgb_linear[some] @ LUMINANCE, LIT))


def without_excess(cover: Floats, too_much: float) -> Floats:
    """Cover with the excess taken off: none where all is soil or all is green, most where half is.

    >>> without_excess(np.array([0.0, 0.5, 1.0]), 0.1).round(2).tolist()
    [0.0, 0.4, 1.0]
    """
    return cover - too_much * 4 * cover * (1 - cover)
