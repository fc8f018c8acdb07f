"""Stray light: what a smeared lens, mist or sun shining into it lays over the whole picture.

It adds as much to every pixel, so gaps between blades are no longer dark, colours are duller, and dense turf
looks thin: by a hundredth of white it reads 11 points too low, by two 16 (rendered spots). Two things tell it
together: the card's dark grey steps are lighter than any tone curve makes them, and nothing in the picture is
darker than it. Alone neither does: a card may be printed pale, and ground without gaps has nothing dark.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

from turfeye import colour
from turfeye.colourspace import LUMINANCE
from turfeye.records import CardValues, Correction, Floats, Sighting

LEVELS: Final = np.array([0.0075, 0.01, 0.015, 0.02, 0.03, 0.04, 0.06])
"""What is tried, as reflectance: 1 is what a perfect white sends back. The first stands for less, too."""
SURELY: Final = 6.0
"""Least gain in misfit by which steps ask for stray light: two and a half standard errors."""
LEAST: Final = 0.0125
"""Less is neither told nor taken off. Without any, 144 rendered photos have 0.0075 at most; so have 91 of 102
photos of real ground with a card laid in, whose tone curves are others (of the rest cover moves by three
points at most, but of one by five). With 0.02 of it four in five are told, with 0.04 all."""
DARKEST: Final = 0.002
"""Share of the picture that is darker than its darkest ground: grain, and pixels beside bright edges."""
COVER_SE, INDEX_SE = 5.0, 1.3
"""What is left of its harm, times the stray light taken off: of a cover, as a share of it, and of the colour
index. By rendered spots with 0.02 to 0.04 of it."""
SHEET: Final = 1.35
"""Times as far from the card's middle as its corners: the sheet with the card on it."""


def of(rgb_linear: Floats, card_px: Floats, sighting: Sighting, correction: Correction) -> float:
    """Stray light over a photo, as reflectance; 0 where there is hardly any, or it can't be told.

    Parameters
    ----------
    rgb_linear : (H, W, 3) in the card's light, nothing taken off
    card_px : (4, 2) the card's corners in it
    """
    if correction.half_lit or correction.evened:  # few steps are left, or dark ones were raised by themselves
        return 0.0
    most = _darkest(rgb_linear, card_px)
    if most < LEAST:
        return 0.0
    found = min(_by_card(sighting, correction.values), most)
    return found if found >= LEAST else 0.0


def cover_se(correction: Correction | None) -> float:
    """Error of cover from what was not taken off, as a share of it."""
    return 0.0 if correction is None else COVER_SE * correction.stray


def index_se(correction: Correction) -> float:
    """Error of the colour index from what was not taken off."""
    return INDEX_SE * correction.stray


def _darkest(rgb_linear: Floats, card_px: Floats) -> float:
    """Luminance of the darkest ground in the picture, the card's sheet left out."""
    step = 4  # a sixteenth of the pixels has the same quantile, in a quarter of the time
    some = np.ascontiguousarray(rgb_linear[::step, ::step], np.float32)
    light = cv2.transform(some, LUMINANCE[None].astype(np.float32))
    ground = np.ones(light.shape, np.uint8)
    middle = card_px.mean(axis=0)
    sheet = (middle + (card_px - middle) * SHEET) / step
    cv2.fillPoly(ground, [np.rint(sheet).astype(np.int32)], 0)
    seen = light[ground > 0]
    return float(np.quantile(seen, DARKEST)) if seen.size else 0.0


def _by_card(sighting: Sighting, values: CardValues) -> float:
    """The least stray light that the card's grey steps allow."""
    misfit, free = colour.misfit(sighting, values, LEVELS)
    best = misfit.min()
    noise = max(1.0, float(best) / free)
    return float(LEVELS[np.argmax((misfit - best) / noise < SURELY)])
