"""Whole pictures, from a phone's codes to reflectance in the card's light, by a `Correction`.

Coded values are 0-255; linear values are reflectance, 1 for a perfect white (:mod:`turfeye.colour`).
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from turfeye import colourmatrix
from turfeye.colour import tone_to_linear
from turfeye.colourspace import RGB_TO_XYZ, decode, encode
from turfeye.records import Bytes, Correction, Floats, Whole

SMEAR_PX: Final = 0.8
"""How far a phone's file smears colour, one standard deviation, in its own pixels. Coding colour at half the
size (4:2:0), as nearly all do, acts like 0.5; smoothing colour noise adds to that, by how much differs from
phone to phone (0 to about 1: common practice, no source). Ours, between; no real phone was measured."""

LEAST_SMEAR_PX: Final = 0.1
"""In a picture made so small that colour is smeared by less, each pixel counts as having its own."""

_CODES: Final = np.rint(encode(np.arange(65536) / 65535)).astype(np.uint8)  # of linear light in 16 bits

_STRIP = 128  # rows worked on at a time: they stay in the processor's cache
_RIM = 8  # rows around them, more than two blurs reach

FLOOR_CODE, LIT_CODE = 2, 40
"""A channel at or below the first is at its floor in a pixel whose brightest is above the second."""


def _table(correction: Correction | None) -> Floats:
    """(256, 3) linear light of every code, tone and gain applied, stray light taken off."""
    codes = np.arange(256.0)[:, None]
    if correction is None:
        return np.repeat(decode(codes), 3, axis=1)
    light = tone_to_linear(codes, correction.tone) * np.asarray(correction.gain)
    return np.maximum(light - correction.stray, 0) if correction.stray else light


def to_linear(rgb_coded: Bytes, correction: Correction | None) -> Floats:
    """Reflectance, (H, W, 3) float32 linear sRGB, of a picture (H, W, 3) uint8.

    Without a correction it is the picture's own light, up to an unknown gain. Where a phone has pushed a
    saturated colour out of its gamut, one channel stands at its floor and says only "this or less": it is
    given the middle, in codes, of what it can have been. Where the light has little of that channel it is the
    light that brought it down, and the most it can have been is nearer.
    """
    table = _table(correction).astype(np.float32)[:, None, :]
    return _in_srgb(np.asarray(cv2.LUT(rgb_coded, table), np.float32), rgb_coded, correction)


def _in_srgb(light: Floats, rgb_coded: Bytes, correction: Correction | None) -> Floats:
    """The camera's light after gains, (H, W, 3), in sRGB's primaries; its memory may be used."""
    if correction is None or correction.matrix is None:
        return light
    if correction.matrix.shape[1] == 3:
        out = _transform(light, correction.matrix)
    else:
        out = _transform(light, correction.matrix[:, :3])
        np.maximum(light, 0, out=light)
        out += _transform(np.sqrt(light * light[..., [1, 2, 0]]), correction.matrix[:, 3:])
    return _out_of_gamut(out, rgb_coded, correction.gain)


def smear_px(scale: float) -> float:
    """How far colour is smeared, in pixels of a picture at this scale of its photo; 0 where hardly.

    >>> smear_px(1.0), smear_px(0.1)
    (0.8, 0.0)
    """
    return SMEAR_PX * scale if SMEAR_PX * scale >= LEAST_SMEAR_PX else 0.0


def unsmeared(rgb_coded: Bytes, correction: Correction, *, smear_px: float, places: Whole) -> Floats:
    """What `to_linear` gives at flat places (N,) of a picture, (N, 3), the file's smear of colour taken back.

    The places are in order. ``smear_px`` says how far the file smeared colour, in pixels of this picture,
    above 0 (`smear_px`). It is taken back as far as one step can: lightness is made as coarse as colour, then
    colour sharpened.

    A bright blade on dark ground keeps its lightness in the file, but part of its colour is the ground's.
    Under a cast it then has less of the cast than its lightness has, and what takes the cast away overshoots:
    in a warm photo it turns blue. So lightness, which phones sharpen besides, is first blurred in codes; then
    the difference from luminance C becomes C + (C - blur(C)), the first step of van Cittert's deconvolution
    (van Cittert, P. H. (1931). Zeitschrift fuer Physik 69, 298-308), in the camera's light before the gains.
    """
    if not len(places):  # bare soil on the day of sowing has no green pixel at all
        return np.zeros((0, 3), np.float32)
    light, coarse = np.empty((2, len(places), 3), np.float32)
    table = _table(correction).astype(np.float32)[:, None, :]
    height, width = rgb_coded.shape[:2]
    for top in range(0, height, _STRIP):
        first = max(top - _RIM, 0)
        whole = cv2.LUT(_soft(rgb_coded[first : top + _STRIP + _RIM], smear_px), table)
        here = slice(*np.searchsorted(places, [top * width, (top + _STRIP) * width]))
        for into, strip in ((light, whole), (coarse, _blurred(whole, smear_px))):
            into[here] = np.take(strip.reshape(-1, 3), places[here] - first * width, axis=0)
    gain, light = np.asarray(correction.gain), light[None]  # as one row: OpenCV goes row by row
    light += _transform(light - coarse, np.eye(3) - np.outer(gain, RGB_TO_XYZ[1] / gain))
    return _in_srgb(light, np.take(rgb_coded.reshape(1, -1, 3), places, axis=1), correction)[0]


def _soft(rgb_coded: Bytes, smear_px: float) -> Bytes:
    """Codes with their lightness made as coarse as their colour is."""
    grey = cv2.cvtColor(rgb_coded, cv2.COLOR_RGB2GRAY)
    sharp = cv2.subtract(grey, _blurred(grey, smear_px), dtype=cv2.CV_16S)
    return np.asarray(cv2.subtract(rgb_coded, cv2.merge([sharp] * 3), dtype=cv2.CV_8U), np.uint8)


def _blurred(picture: NDArray, sigma_px: float) -> NDArray:
    """Blurred by a bell of this standard deviation: three taps that have it, where a sampled bell has not."""
    if sigma_px > 0.6:
        return cv2.GaussianBlur(picture, (0, 0), sigma_px)
    side = sigma_px**2 / (2 * (1 - sigma_px**2))  # against the middle tap's 1
    return cv2.GaussianBlur(picture, (3, 3), float(np.sqrt(-0.5 / np.log(side))))


def _out_of_gamut(linear: Floats, rgb_coded: Bytes, gain: Floats) -> Floats:
    """Halve, in codes, the channels that stand at the floor where the others don't; in place."""
    r, g, b = cv2.split(rgb_coded)
    lowest, brightest = cv2.min(cv2.min(r, g), b), cv2.max(cv2.max(r, g), b)
    places = np.flatnonzero((lowest <= FLOOR_CODE) & (brightest > LIT_CODE))
    lost = rgb_coded.reshape(-1, 3)[places] <= FLOOR_CODE
    lost &= gain <= colourmatrix.STRONG_CAST * gain.min()
    light = linear.reshape(-1, 3)
    light[places] = np.where(lost, decode(encode(light[places]) / 2), light[places])
    return linear


def _transform(picture: Floats, matrix: Floats) -> Floats:
    return np.asarray(cv2.transform(picture, np.ascontiguousarray(matrix, dtype=np.float32)), np.float32)


def corrected_coded(rgb_coded: Bytes, correction: Correction | None) -> Bytes:
    """The picture as sRGB in the card's light, (H, W, 3) uint8: code 255 is a perfect white.

    Tone and gain make one table a channel; a matrix takes the long way round, by what `to_linear` gives.
    """
    if correction is None:
        return rgb_coded
    if correction.matrix is None:
        table = np.rint(encode(_table(correction))).astype(np.uint8)
        return np.asarray(cv2.LUT(rgb_coded, table[:, None, :]), np.uint8)
    return _coded(to_linear(rgb_coded, correction))


def in_card_light(rgb_coded: Bytes, correction: Correction | None) -> tuple[Floats, Bytes]:
    """What `to_linear` and `corrected_coded` give, the work that they share done once."""
    if correction is None or correction.matrix is None:
        return to_linear(rgb_coded, correction), corrected_coded(rgb_coded, correction)
    linear, coded = np.empty(rgb_coded.shape, np.float32), np.empty_like(rgb_coded)
    for top in range(0, len(rgb_coded), _STRIP):
        rows = slice(top, top + _STRIP)
        linear[rows] = to_linear(rgb_coded[rows], correction)
        coded[rows] = _coded(linear[rows])
    return linear, coded


def _coded(rgb_linear: Floats) -> Bytes:
    """As `encode`, in whole codes; 16-bit light steps by a twentieth of a code where codes are densest."""
    steps = cv2.addWeighted(rgb_linear, 65535, rgb_linear, 0, -0.5, dtype=cv2.CV_16U)  # rounds down and clips
    return np.asarray(cv2.LUT(steps, _CODES), np.uint8)
