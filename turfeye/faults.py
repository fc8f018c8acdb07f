"""Faults of light and picture: where a photo can't be measured, why, and how to take it better.

Everything is judged on blocks of about a sixtieth of the picture's short side, blur on blocks four times as
large. Thresholds are ours: set on pictures with faults put in by hand, and so that clean field photographs
and rendered lawns stay clean.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np

from turfeye import lighting, reflectance, sharpness, soilcolour
from turfeye.blocks import Blocks, enlarged, luma_of, steady
from turfeye.records import Bytes, Correction, Flags, Floats, Shares, Whole

REASONS: Final = (
    "",
    "the card lies on it",
    "burnt out",
    "too dark",
    "snow or frost",  # before blur: what is white has little texture to tell that by
    "blurred by movement",
    "out of focus",
    "wet glare",
    "fallen leaves",
    "something lies on it",
    "not lawn",
)
CARD, BURNT, DARK, SNOW, MOVED, SOFT, GLARE, LEAVES, THING, NOT_LAWN = range(1, len(REASONS))
OF_PHOTO: Final = REASONS[BURNT:NOT_LAWN]  # what another photo need not have

BURNT_CODE, BURNT_SHARE = 250, 0.25
DARK_CODE, DARK_SHARE = 24, 0.90
GLINT_CODE, GLINT_SHARE = 205, 0.08
SNOW_LIGHT, CORRECTED_SNOW_LIGHT = (222, 32), (130, 12)
"""Lowest channel, and by which part of itself red may lie above blue. Hoar frost that hides two thirds of a
lawn has 140; soils so bright are redder. A phone's own tones leave frost up to a sixteenth too red."""
HOAR: Final = (0.2, 0.75)
"""Share of a block that is as white as snow where frost lies on a part of the turf."""
SPARKLE_CODE: Final = 225
"""Lowest channel, as filed, that frost hardly reaches, which reflects less than paper; of the white of wet
blades in the sun six tenths and more are above it."""
MOST_SPARKLE: Final = 0.3
LEAST_HOAR: Final = 0.15
"""Of the picture, in such blocks: 0.03 at most in 36 photos without frost (rendered, and of real turf with a
card laid in, daisies and dew among them), 0.87 where frost hides a half of it."""
BLUER: Final = 5
"""By which part of itself blue may lie above the lowest channel of snow: it is whiter in blue, and the card's
correction errs most there."""
FOREIGN: Final = (0.12, 0.14)
"""Log ratios of red to green and green to blue below which nothing in the card's light is soil."""
LEAF_ABOVE_SOIL: Final = (45, 1.3)
"""Codes of saturation, and factor of value, by which a leaf stands out from the soil's lower quarter."""
AROUND_SHEET: Final = np.linspace(1.2, 1.4, 6)
"""Times as far from a card's middle as its own edge: just outside the sheet that it is printed on."""
NO_GROUND: Final = 0.6
"""Share of other things on the side with the least, before soil of their colour is put right: 0.25 at most
on turf and soils, 0.39 on gravel, on a book, a bucket and a stool hardly larger than the card, 0.75 and
more on tables, boxes and paving, which may stand above the ground too. By 38 photos of real ground with
such things drawn in."""
LEAST_TURF: Final = 0.1
"""With less of the picture green than this, its light can't be told from how bright its green is."""


@dataclass(frozen=True, eq=False, slots=True)
class Faults:
    """Why each pixel can't be used, (H, W), and which pixels are in other light than the card."""

    fault: Whole  # index into `REASONS`; 0 is usable
    other_light: Flags
    shade_edge: bool  # the lawn in the picture stands in two lights
    corners: Flags  # (H, W), where the lens leaves little light: cover is sound, colour is not
    lawn: Flags | None  # where hints look; None: everywhere

    @property
    def lit(self) -> Flags:
        """(H, W), pixels that can be used and lie in the card's light."""
        return (self.fault == 0) & ~self.other_light


def blurred(rgb_coded: Bytes) -> float:
    """Share of a picture, (H, W, 3) at its working size, that is out of focus, or moved: the larger."""
    shape = rgb_coded.shape[0], rgb_coded.shape[1]
    blocks, luma = Blocks(shape, block_px(shape)), luma_of(rgb_coded)
    return max(float(steady(told(luma, blocks)).mean()) for told in (sharpness.moved, sharpness.soft))


def find(
    rgb_coded: Bytes,
    *,
    shares: Shares,
    correction: Correction | None = None,
    card_px: Floats | None = None,
    lawn: Flags | None = None,
) -> Faults:
    """Every fault of a picture at its working size.

    Parameters
    ----------
    rgb_coded : (H, W, 3) as the camera wrote it, not corrected
    shares : what each pixel shows
    correction : of the card in the picture; without it no pixel counts as in other light
    card_px : (4, 2) the card's corners; what lies under it is not lawn
    lawn : (H, W), where the lawn is; hints leave out what is beside it

    A pixel has one fault: of several, the one that is named first in ``REASONS``.
    """
    shape = rgb_coded.shape[0], rgb_coded.shape[1]
    side = block_px(shape)
    blocks = Blocks(shape, side)
    sample = np.ascontiguousarray(rgb_coded[::2, ::2])
    plain = reflectance.corrected_coded(sample, correction)
    card = _card_mask(shape, card_px)
    # without a card white may be any bright grey, so only the very brightest counts
    snow = SNOW_LIGHT if correction is None else CORRECTED_SNOW_LIGHT
    luma = luma_of(rgb_coded)
    found = {
        **_exposure(sample, blocks),
        MOVED: steady(sharpness.moved(luma, blocks)),
        SOFT: steady(sharpness.soft(luma, blocks)),
        **_white(sample, plain, blocks, *snow),
    }
    beside = card if lawn is None else card | ~lawn
    log_light, warmth, corners = _light_on_turf(rgb_coded, shares, correction, beside, found)
    # How bright turf seems says whether it is in the card's light; how bright bare soil is says nothing.
    ground = ~beside[::4, ::4]
    turf = ground.any() and np.mean(shares.green[::4, ::4][ground] > 0.6) > LEAST_TURF
    elsewhere, edge = lighting.other_light(log_light, warmth, correction if turf else None, card)
    other_light = np.zeros(shape, bool) if correction is None else enlarged(elsewhere, shape) | corners
    strange, earthy = _foreign(plain, shares, corrected=correction is not None)
    strange &= ~_wider(other_light[::2, ::2], 2 * side)  # shade is bluer than the card's light
    thing_like = ((shares.other[::2, ::2] > 0.5) & ~earthy) | strange
    found |= _things(plain, thing_like, shares.bare[::2, ::2], side)
    return Faults(_first_of(found, card), other_light, edge, corners, lawn)


def raised(shares: Shares, card_px: Floats) -> bool:
    """Whether the card lies on a thing: on no side of its sheet does the classifier see turf or soil.

    card_px : (4, 2), the card's corners at the size of the shares, (H, W)

    A table that stands above the ground makes all lengths too short, and nothing else in the picture shows
    it. Sides outside the picture don't count, and one side alone tells nothing.
    """
    corners = np.asarray(card_px, dtype=float)
    along = np.linspace(0, 1, 24)[:, None]
    height, width = shares.other.shape
    sides = []
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        edge = a + along * (b - a) - corners.mean(axis=0)
        around = corners.mean(axis=0) + (AROUND_SHEET[:, None, None] * edge).reshape(-1, 2)
        x, y = np.rint(around).astype(int).T
        shown = (x >= 0) & (x < width) & (y >= 0) & (y < height)
        if shown.mean() > 0.5:
            sides.append(shares.other[y[shown], x[shown]].mean())
    return len(sides) > 1 and bool(min(sides) > NO_GROUND)


def beside_lawn(found: Faults) -> Faults:
    """The same, with all beside the lawn told as that; the card stays the card."""
    if found.lawn is None:
        return found
    kept = found.lawn | (found.fault == CARD)
    return replace(found, fault=np.where(kept, found.fault, NOT_LAWN).astype(np.uint8))


def block_px(shape: tuple[int, int]) -> int:
    """A block's side in pixels of the working picture."""
    return max(8, round(min(shape) / 60))


# ------------------------------------------------------------------------------------------------- blocks


def _wider(mask: Flags, by_px: int) -> Flags:
    square = np.ones((2 * by_px + 1, 2 * by_px + 1), np.uint8)
    return np.asarray(cv2.dilate(mask.astype(np.uint8), square)) > 0


def _card_mask(shape: tuple[int, int], card_px: Floats | None) -> Flags:
    """The sheet that the card is printed on: A4 and Letter stand out by up to a seventh."""
    mask = np.zeros(shape, np.uint8)
    if card_px is not None:
        corners = np.asarray(card_px, dtype=float)
        grown = corners.mean(axis=0) + 1.16 * (corners - corners.mean(axis=0))
        cv2.fillPoly(mask, [np.rint(grown).astype(np.int32)], 1)
    return mask > 0


# ------------------------------------------------------------------------------------------------- faults


def _first_of(found: dict[int, Flags], card: Flags) -> Whole:
    """(H, W) the lowest code of the faults found at each pixel, 0 where none is."""
    fault = np.zeros(card.shape, np.uint8)
    for code in sorted(found, reverse=True):
        if found[code].any():
            np.copyto(fault, code, where=enlarged(found[code], card.shape))
    fault[card] = CARD
    return fault


def _light_on_turf(
    rgb_coded: Bytes, shares: Shares, correction: Correction | None, beside: Flags, found: dict[int, Flags]
) -> tuple[Floats, Floats, Flags]:
    """The light on the turf and its warmth, as `lighting.log_light_of` has it, and dark corners, (H, W)."""
    # what is white or burnt out says nothing about the light that falls on turf
    burnt, glare, snowy, dark = (enlarged(found[code], beside.shape) for code in (BURNT, GLARE, SNOW, DARK))
    left_out = beside | burnt | glare | snowy
    log_light, warmth = lighting.log_light_of(rgb_coded, shares, correction, left_out, dark)
    corners = lighting.dark_corners(np.where(dark[::4, ::4], np.nan, log_light))
    return log_light, warmth, enlarged(corners, beside.shape)


def _exposure(sample: Bytes, blocks: Blocks) -> dict[int, Flags]:
    """Blocks in which many pixels have two channels at the top, or nearly all are black."""
    full = (sample >= BURNT_CODE).view(np.uint8)
    burnt = (full[..., 0] + full[..., 1] + full[..., 2] >= 2).view(np.uint8)
    dark = (luma_of(sample) < DARK_CODE).view(np.uint8)
    # gaps between leaves are black in sound pictures too, but small
    return {BURNT: blocks.mean(burnt) > BURNT_SHARE, DARK: steady(blocks.mean(dark) > DARK_SHARE)}


def _lowest(rgb: Bytes) -> Bytes:
    r, g, b = cv2.split(rgb)
    return np.asarray(cv2.min(cv2.min(r, g), b), np.uint8)


def _white(sample: Bytes, plain: Bytes, blocks: Blocks, snow_code: int, red: int) -> dict[int, Flags]:
    """Blocks with white glints among green (wet glare), and wide white ones, not reddish (snow or frost)."""
    r, g, b = cv2.split(plain)
    warmer, low = cv2.max(r, g), _lowest(plain)
    grey = (cv2.subtract(warmer, low) < warmer // 6) & (cv2.subtract(b, low) < b // BLUER)
    cold = grey & (low > snow_code) & (b >= r - r // red)
    brightness = _lowest(sample)
    glint = (brightness > GLINT_CODE).view(np.uint8)
    share = blocks.mean(glint, times=3)
    around = (blocks.mean(luma_of(sample), times=3) - 255 * share) / np.maximum(1 - share, 0.05)
    green_code = plain[..., 1]
    greenish = green_code - (green_code >> 4) > np.maximum(plain[..., 0], plain[..., 2])
    green = blocks.mean((greenish & (glint == 0)).view(np.uint8), times=3) / np.maximum(1 - share, 0.05)
    snow = steady(blocks.mean(cold.view(np.uint8)) > 0.7)
    snow |= enlarged(_hoar(cold, brightness, greenish, blocks), (snow.shape[0], snow.shape[1]))
    glare = (share > GLINT_SHARE) & (share < 0.7) & (around < GLINT_CODE - 50) & (green > 0.3)
    return {GLARE: steady(glare), SNOW: snow}


def _hoar(cold: Flags, brightness: Bytes, greenish: Flags, blocks: Blocks) -> Flags:
    """Blocks of turf with hoar frost on a part of its blades, none where little of the picture has it.

    Daisies, dew and a card's own paper are as white, but take up little; glints of wet blades are brighter.
    """
    white = blocks.mean(cold.view(np.uint8), times=3)
    sparkling = blocks.mean((cold & (brightness > SPARKLE_CODE)).view(np.uint8), times=3)
    green = blocks.mean((greenish & ~cold).view(np.uint8), times=3) / np.maximum(1 - white, 0.05)
    hoar = (white > HOAR[0]) & (white < HOAR[1]) & (green > 0.3) & (sparkling < MOST_SPARKLE * white)
    return hoar if np.mean(hoar) > LEAST_HOAR else np.zeros_like(hoar)


def _foreign(plain: Bytes, shares: Shares, *, corrected: bool) -> tuple[Flags, Flags]:
    """Pixels of a colour that no soil has, and those of the colour of this picture's own soil.

    In the card's light soil is redder than neutral: a black, grey or blue thing that the classifier takes for
    soil is foreign. Without a card nothing is known to be foreign, and what has the colour of most that is no
    plant is clods, whatever the classifier takes it for: scale is unknown too.
    """
    ratios, nothing = soilcolour.log_ratios(plain), np.zeros(plain.shape[:2], bool)
    ground = shares.bare[::2, ::2] + shares.other[::2, ::2] > 0.6
    if corrected:
        return ground & (ratios[0] < FOREIGN[0]) & (ratios[1] < FOREIGN[1]), nothing
    return nothing, soilcolour.near(ratios, ground)


def _things(plain: Bytes, thing_like: Flags, bare: Floats, side: int) -> dict[int, Flags]:
    """Wide areas of other things than turf and soil; those of a warm saturated colour are fallen leaves.

    The classifier takes many leaves for soil: of what it calls bare, those are leaves that are far more
    saturated and brighter than the duller soil of the same picture.
    """
    hsv = cv2.cvtColor(plain, cv2.COLOR_RGB2HSV)
    hue, saturation, value = cv2.split(hsv)  # OpenCV: hue 0-180, the others 0-255
    warm = ((hue <= 20) | (hue >= 172)) & (saturation > 90) & (value > 60)
    leaf = thing_like & warm
    if (soil := bare > 0.5).mean() > 0.01:
        dull, dark = (_lower_quarter(np.asarray(plane[soil], np.uint8)) for plane in (saturation, value))
        leaf |= soil & warm & (saturation > dull + LEAF_ABOVE_SOIL[0]) & (value > LEAF_ABOVE_SOIL[1] * dark)
    wide = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side | 1, side | 1))
    broad = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, ((side // 3) | 1, (side // 3) | 1))
    return {
        THING: np.asarray(cv2.morphologyEx(thing_like.view(np.uint8), cv2.MORPH_OPEN, wide)) > 0,
        LEAVES: np.asarray(cv2.morphologyEx(leaf.view(np.uint8), cv2.MORPH_OPEN, broad)) > 0,
    }


def _lower_quarter(codes: Bytes) -> float:
    """The quantile 0.25 of codes, as ``np.quantile`` has it, by counting: a tenth of the time."""
    place = 0.25 * (codes.size - 1)
    below = np.cumsum(np.bincount(codes, minlength=256))
    low, high = np.searchsorted(below, [np.floor(place), np.ceil(place)], side="right")
    return float(low + (high - low) * (place % 1))
