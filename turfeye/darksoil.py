"""Soil as dark as the shade between blades: how much of it an oblique view takes for turf.

Far off, a pixel holds blades and soil both. Where the soil is pale, the classifier sees how much of it there
is; where it is as dark as the gaps in a closed sward, as compost and wet loam are, sparse turf looks closed
to it, and to the eye. The card tells how dark the soil is, and without one the leaves do.
"""

from __future__ import annotations

import numpy as np

from turfeye.colourspace import LUMINANCE
from turfeye.records import Flags, Floats, Shares

DARK, EXCESS, MOST = 0.06, 0.18, 0.25
"""Reflectance below which soil passes for shade; how much too much of half-covered ground counts as green for
each e-fold by which it is darker; and no more, or thin cells become thinner than bare ones.

Fitted to 31 rendered lawn views with a card that trained nothing and carry no figure (make_samples.py --sets
tune, and the sample lawn), each with one voice: left out one by one, their cells are off by 4.6 points
instead of 5.6. Seven of them have such soil, and were read 4 to 22 points too high. Spots seen from above ask
for nothing."""
CONTRAST, EXCESS_BY_CONTRAST, MOST_BY_CONTRAST = 2.0, 0.30, 0.12
"""The same by how many times as light as the leaves the soil is, whichever is more: no card is needed for it.

Fitted to the same pictures and two of make_tuning.py: photos without a card are off by 4.7 points instead of
6.7, those with one by 3.6 instead of 4.2, left out one by one as well. By contrast alone, those with one are
off by 4.2: in the long shadows of a low sun soil is not darker than it looks, hence the low limit."""
LIT = 0.75
"""Soil and leaves are compared by this quantile of their light, by what is lit of both: in a low sun
shadows lie on soil. With three more of make_tuning.py in a low sun, 35 views, those without a card are off
by 4.7 points instead of 4.9 by middles, those with one by 3.7 instead of 3.8, the five in a low sun by 4.5
instead of 4.9."""
SURELY_BARE, SURELY_GREEN = 0.6, 0.8
"""Pixels with more than this of bare ground, and of green, tell how light soil and leaves are."""
LEAST_SHARE = 0.005
"""With fewer such pixels than this share of those that count, nothing does."""


def excess(rgb_linear: Floats, shares: Shares, counts: Flags, *, in_card_light: bool) -> float:
    """How much too much of half-covered ground was called green; 0 where soil is not dark, or not to be seen.

    Parameters
    ----------
    rgb_linear : (H, W, 3), reflectance where the picture is ``in_card_light``, else in any unit
    shares : what each pixel shows
    counts : (H, W), the usable pixels in the card's light. Soil beside a lawn tells of the lawn's too: by
        what lies within the outlines alone, the lawn views it was set on are off by 4.45 points, not 4.38

    >>> bare = np.array([[1.0, 1.0, 0.0, 0.0]])
    >>> nothing = np.zeros((1, 4))
    >>> compost = np.full((1, 4, 3), 0.03)
    >>> seen = Shares(1 - bare, nothing, bare, nothing)
    >>> [round(excess(compost, seen, bare >= 0, in_card_light=known), 3) for known in (True, False)]
    [0.125, 0.12]
    """
    enough = LEAST_SHARE * np.count_nonzero(counts)
    soil, lit_soil = _lights(rgb_linear, counts & (shares.bare > SURELY_BARE), enough)
    _, lit_leaf = _lights(rgb_linear, counts & (shares.green > SURELY_GREEN), enough)
    by_contrast = _clipped(EXCESS_BY_CONTRAST, CONTRAST * lit_leaf, lit_soil, MOST_BY_CONTRAST)
    return max(by_contrast, _clipped(EXCESS, DARK, soil, MOST) if in_card_light else 0.0)


def _lights(rgb_linear: Floats, some: Flags, enough: float) -> tuple[float, float]:
    """The middle luminance of some pixels, and that of the lit ones; NaN where there are not enough."""
    if np.count_nonzero(some) <= enough:
        return np.nan, np.nan
    middle, lit = np.quantile(rgb_linear[some] @ LUMINANCE, (0.5, LIT))
    return float(middle), float(lit)


def _clipped(each: float, wanted: float, light: float, most: float) -> float:
    """So much for each e-fold by which a light falls short of what is wanted; 0 where either is unknown."""
    if not (np.isfinite(wanted) and np.isfinite(light)):
        return 0.0
    return float(np.clip(each * np.log(max(wanted, 1e-4) / max(light, 1e-4)), 0.0, most))


def without_excess(cover: Floats, too_much: float) -> Floats:
    """Cover with the excess taken off: none where all is soil or all is green, most where half is.

    >>> without_excess(np.array([0.0, 0.5, 1.0]), 0.1).round(2).tolist()
    [0.0, 0.4, 1.0]
    """
    return cover - too_much * 4 * cover * (1 - cover)
