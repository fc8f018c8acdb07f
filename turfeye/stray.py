"""Stray light: what a smeared lens, mist or sun shining into it lays over the whole picture.

It adds as much to every pixel, so gaps between blades are no longer dark, colours are duller, and dense turf
looks thin: by a hundredth of white it reads 11 points too low, by two 16 (rendered spots). Two things tell it
together: the card's dark grey steps are lighter than any tone curve makes them, and nothing in the picture is
darker than it. Alone neither does: a card may be printed pale, and ground without gaps has nothing dark.

Of less than that, and of other light than the card gets, no card knows. From straight above the gaps between
blades tell: in sound photos they are the darker for what is around them the harder the light is, so one
brightness of them is sound in the shade and stray light in the sun. What they are lighter is taken off before
leaf is told from soil, and of the colour of leaves, unless it is more than the card's dark steps allow: a
green so even has no gaps.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

from turfeye import colour
from turfeye.colourspace import LUMINANCE, decode, encode
from turfeye.records import Bytes, CardValues, Correction, Flags, Floats, Sighting

LEVELS: Final = np.array([0.0075, 0.01, 0.015, 0.02, 0.03, 0.04, 0.06])
"""What is tried, as reflectance: 1 is what a perfect white sends back. The first stands for less, too."""
SURELY: Final = 6.0
"""Least gain in misfit by which steps ask for stray light: two and a half standard errors."""
LEAST: Final = 0.0125
"""Less is neither told nor taken off. Without any, 144 rendered photos have 0.0075 at most; so have 91 of 102
photos of real ground with a card laid in, whose tone curves are others (of the rest cover moves by three
points at most, but of one by five). With 0.02 of it four in five are told, with 0.04 all."""
GAPS, GAPS_HELD = (0.37, 0.57), (0.03, 0.35)
"""Light of the darkest ground for the middle one, above which a spot's gaps are lit by stray light: 0.37 less
0.57 times how hard the light is, as soft light reaches into gaps and hard light leaves them dark. Rendered
spots with dense turf have 0.05 to 0.36, with a spread of 0.05 about that, and 0.14 above it where 0.01 of
white lies over them. Held to the second."""
MOST: Final = 0.02
"""More is not put down to stray light by gaps alone: the card itself tells of it."""
LEAFY: Final = (0.4, 0.7)
"""Share of the ground that is greener than red from which on gaps count, and count in full."""
PALE_GAPS: Final = (0.11, 0.15)
"""Share of the ground's light from which on it is taken off, and where it is so in full, and told: 32
rendered spots with dense turf and 64 photos of real turf with a card laid in have 0.10 and 0.04 at most; of
25 spots with 0.01 of white over them that the card doesn't tell 17 have 0.11 and more."""
BLURRED: Final = 0.05
"""Share of a picture out of focus or moved above which its gaps say nothing: blur makes them pale, too.
Rendered spots with gaps as pale have 0.08 to 1 where 2 or 4 pixels or a movement blurred them, none by stray
light."""
DARKEST: Final = 0.002
"""Share of the picture that is darker than its darkest ground: grain, and pixels beside bright edges."""
COVER_SE, INDEX_SE = 5.0, 1.3
"""What is left of its harm, times the stray light taken off: of a cover, as a share of it, and of the colour
index. By rendered spots with 0.02 to 0.04 of it."""
GAPS_COVER_SE, GAPS_INDEX_SE = 0.4, 0.012
"""The same where only gaps show it: of a cover, times their share; of the index, where it is taken off in
full. By 23 photos of rendered spots with 0.0025 to 0.015 of it, the index is off by 0.009 then."""
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
    light = _ground(rgb_linear, card_px) @ LUMINANCE
    most = float(np.quantile(light, DARKEST)) if light.size else 0.0
    if most < LEAST:
        return 0.0
    found = min(float(LEVELS[np.argmax(_allowed(sighting, correction.values))]), most)
    return found if found >= LEAST else 0.0


def most_by_card(sighting: Sighting, values: CardValues) -> float:
    """The most stray light, as reflectance, that the card's grey steps allow and would not tell of."""
    return min(float(LEVELS[np.flatnonzero(_allowed(sighting, values))[-1]]), MOST)


def in_gaps(rgb_linear: Floats, card_px: Floats, *, hardness: float) -> tuple[float, float]:
    """How much lighter than sound ones a spot's gaps are, as reflectance and as a share of the light of its
    middle ground.

    Ground that is redder than it is green has no gaps: they count where half of it is leafy, or more.

    Parameters
    ----------
    rgb_linear, card_px : as for `of`, with the stray light that it told taken off
    hardness : of the light on what is greener than red, as `lighting.hardness` has it
    """
    ground = _ground(rgb_linear, card_px)
    if not len(ground):
        return 0.0, 0.0
    darkest, usual = np.quantile(ground @ LUMINANCE, (DARKEST, 0.5))
    leafy = np.interp(np.mean(ground[:, 1] > ground[:, 0]), LEAFY, (0, 1))
    gaps = np.clip(GAPS[0] - GAPS[1] * hardness, *GAPS_HELD)
    shown = float(leafy * max((darkest - gaps * usual) / (1 - gaps), 0))
    return shown, float(shown / usual) if shown else 0.0


def faded(shown: float, share: float) -> float:
    """How much of what gaps show is taken off: nothing of what sound ones may show as well."""
    return shown * float(np.interp(share, PALE_GAPS, (0, 1)))


def taken_off(rgb_coded: Bytes, amount: float) -> Bytes:
    """A corrected picture, uint8, with so much reflectance less everywhere."""
    if not amount:
        return rgb_coded
    table = encode(np.maximum(decode(np.arange(256.0)) - amount, 0))
    return np.asarray(cv2.LUT(rgb_coded, np.rint(table).astype(np.uint8)), np.uint8)


def cover_se(correction: Correction | None) -> float:
    """Error of cover from what was not taken off, as a share of it."""
    if correction is None:
        return 0.0
    return float(np.hypot(COVER_SE * correction.stray, GAPS_COVER_SE * correction.pale_gaps))


def index_se(correction: Correction) -> float:
    """Error of the colour index from what was not taken off."""
    gaps = np.interp(correction.pale_gaps, PALE_GAPS, (0, 1))
    return float(np.hypot(INDEX_SE * correction.stray, GAPS_INDEX_SE * gaps))


def ground(shape: tuple[int, int], card_px: Floats) -> Flags:
    """(H, W), all but the sheet with the card on it, whose corners are (4, 2)."""
    free = np.ones(shape, np.uint8)
    middle = card_px.mean(axis=0)
    sheet = middle + (card_px - middle) * SHEET
    return cv2.fillPoly(free, [np.rint(sheet).astype(np.int32)], 0) > 0


def _ground(rgb_linear: Floats, card_px: Floats) -> Floats:
    """Some of the picture's pixels, (N, 3), none of the sheet with the card on it."""
    step = 4  # a sixteenth of the pixels has the same quantiles, in a quarter of the time
    some = rgb_linear[::step, ::step]
    return np.asarray(some[ground((some.shape[0], some.shape[1]), card_px / step)])


def _allowed(sighting: Sighting, values: CardValues) -> Flags:
    """Which of LEVELS the card's grey steps allow."""
    misfit, free = colour.misfit(sighting, values, LEVELS)
    best = misfit.min()
    noise = max(1.0, float(best) / free)
    return np.asarray((misfit - best) / noise < SURELY)
