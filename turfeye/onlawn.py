"""On the lawn: what of a placed photo is lawn, the soil in it, and what lies on it.

Each pixel was judged for itself: what the lawn is as a whole puts right what soil was taken for, and what is
surely lawn.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from turfeye import evened, faults, region, soilcolour, upright
from turfeye.records import Flags, Floats, Pixels, Shares

LEAST_GROUND = 0.08
"""With more of the picture than this taken for other things of the soil's own colour they are soil. Dogs take
up a twentieth of a spot photo, shoes a hundredth (ours)."""


def marked(pixels: Pixels, card_px: Floats | None, outline_px: Floats) -> tuple[faults.Faults, Pixels]:
    """Faults, and the pixels put right: what has the colour of the lawn's soil is soil.

    From afar the classifier takes a bare patch for a bed in part.
    """
    mask = np.zeros(pixels.view.size_px[::-1], np.uint8)
    cv2.fillPoly(mask, [np.rint(outline_px).astype(np.int32)], 1)
    lawn = mask > 0
    grass = _lawn_region(pixels)
    if pixels.correction is not None and card_px is not None and not pixels.correction.evened:
        haloed = evened.on_lawn(pixels.rgb_coded, (lawn, grass >= 0.5), card_px)
        pixels = replace(pixels, correction=replace(pixels.correction, haloed=haloed))
    pixels = _with_soil(pixels, lawn & (grass >= 0.5))
    shares = pixels.shares
    return _with_things(_faults(pixels, card_px, lawn), grass, shares, outline_px), pixels


def unmarked(pixels: Pixels, card_px: Floats | None, *, find_lawn: bool) -> tuple[faults.Faults, Pixels]:
    """Faults anywhere in a photo without an outline, and the pixels put right; all of it is lawn, or what is
    found to be."""
    lawn = _lawn_region(pixels) >= 0.5 if find_lawn else None
    pixels = with_ground(pixels, lawn)
    return _faults(pixels, card_px, lawn), pixels


def _with_soil(pixels: Pixels, within: Flags, *, least: float = 0.0) -> Pixels:
    """What has the colour of the soil seen ``within`` is soil there, if more than ``least`` of it is."""
    shares = pixels.shares
    soil = soilcolour.places(pixels.rgb_coded, shares, pixels.correction, within)
    moved = np.where(soil, shares.other, np.float32(0))
    if moved.sum() <= least * np.count_nonzero(within):
        return pixels
    return replace(pixels, shares=replace(shares, bare=shares.bare + moved, other=shares.other - moved))


def with_ground(pixels: Pixels, lawn: Flags | None) -> Pixels:
    """Soil put right where a card tells its colour but no outline is marked; ``lawn`` None is all of it.

    Between rows of young grass, and where it is cracked or stony, the classifier takes real soil for other
    things. A little of that colour may be a shoe or a dog, and stays what it was taken for.
    """
    other = pixels.shares.other if lawn is None else pixels.shares.other[lawn]
    if pixels.correction is None or other.sum() <= LEAST_GROUND * other.size:
        return pixels
    within = np.ones(pixels.rgb_coded.shape[:2], bool) if lawn is None else lawn
    return _with_soil(pixels, within, least=LEAST_GROUND)


def _with_things(found: faults.Faults, grass: Floats, shares: Shares, corners_px: Floats) -> faults.Faults:
    """What stands on the outlined lawn among the faults."""
    found = without_doubted(found, grass)
    things = region.standing_on(grass, corners_px, shares.other) & (found.fault == 0)
    return replace(found, fault=np.where(things, faults.THING, found.fault).astype(np.uint8))


def without_doubted(found: faults.Faults, grass: Floats) -> faults.Faults:
    """Where there is surely lawn nothing lies, whatever the sward classifier takes it for."""
    doubted = (found.fault == faults.THING) & (grass >= region.SURELY_LAWN)
    return replace(found, fault=np.where(doubted, 0, found.fault).astype(np.uint8))


def _lawn_region(pixels: Pixels) -> Floats:
    """Probability that each pixel shows the lawn, (H, W), however the picture lies."""
    return region.lawn_region(pixels.rgb_coded, turns=upright.quarter_turns(pixels.view))


def _faults(pixels: Pixels, card_px: Floats | None, lawn: Flags | None) -> faults.Faults:
    """The faults of a placed photo."""
    return faults.find(
        pixels.rgb_coded, shares=pixels.shares, correction=pixels.correction, card_px=card_px, lawn=lawn
    )
