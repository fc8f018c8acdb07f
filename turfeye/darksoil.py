"""Soil as dark as the shade between blades: how much of it an oblique view takes for turf.

Far off, a pixel holds blades and soil both. Where the soil is pale, the classifier sees how much of it there
is; where it is as dark as the gaps in a closed sward, as compost and wet loam are, sparse turf looks closed
to it, and to the eye. The card tells how dark the soil is.
"""

from __future__ import annotations

import numpy as np

from turfeye.colourspace import LUMINANCE
from turfeye.records import Flags, Floats, Shares

DARK = 0.06
"""Reflectance below which soil passes for shade."""
EXCESS = 0.18
"""How much too much of half-covered ground counts as green for each e-fold by which the soil is darker.

Fitted, with `DARK`, to 31 rendered lawn views with a card that trained nothing and carry no figure
(make_samples.py --sets tune, and the sample lawn), each with one voice: left out one by one, their cells are
off by 4.6 points instead of 5.6. Seven of them have such soil, and were read 4 to 22 points too high. How
light soil is against the leaves, which needs no card, did nearly as well (4.8), but took soil in the long
shadows of a low sun for dark. Spots seen from above ask for nothing."""
MOST = 0.25
"""More would make thin cells thinner than bare ones."""
SURELY_BARE = 0.6
"""Pixels with more than this of bare ground tell how dark the soil is."""
LEAST_BARE = 0.005
"""With fewer such pixels than this share of those that count, nothing does."""


def excess(rgb_linear: Floats, shares: Shares, counts: Flags) -> float:
    """How much too much of half-covered ground was called green; 0 where soil is not dark, or not to be seen.

    Parameters
    ----------
    rgb_linear : (H, W, 3), reflectance
    shares : what each pixel shows
    counts : (H, W), the usable pixels in the card's light. Soil beside a lawn tells of the lawn's too: by
        what lies within the outlines alone, the lawn views it was set on are off by 4.45 points, not 4.38

    >>> bare = np.array([[1.0, 1.0, 0.0, 0.0]])
    >>> nothing = np.zeros((1, 4))
    >>> compost = np.full((1, 4, 3), 0.03)
    >>> round(excess(compost, Shares(1 - bare, nothing, bare, nothing), bare >= 0), 3)
    0.125
    """
    soil = counts & (shares.bare > SURELY_BARE)
    if np.count_nonzero(soil) <= LEAST_BARE * np.count_nonzero(counts):
        return 0.0
    light = float(np.median(rgb_linear[soil] @ LUMINANCE))
    return float(np.clip(EXCESS * np.log(DARK / max(light, 1e-4)), 0.0, MOST))


def without_excess(cover: Floats, too_much: float) -> Floats:
    """Cover with the excess taken off: none where all is soil or all is green, most where half is.

    >>> without_excess(np.array([0.0, 0.5, 1.0]), 0.1).round(2).tolist()
    [0.0, 0.4, 1.0]
    """
    return cover - too_much * 4 * cover * (1 - cover)
