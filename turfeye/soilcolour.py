"""What has the colour of a picture's own soil, by ratios of channels, which brightness leaves alone."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

from turfeye import reflectance
from turfeye.blocks import enlarged
from turfeye.colourspace import decode
from turfeye.records import Bytes, Correction, Flags, Floats, Shares

SOIL_COLOUR: Final = (0.25, 0.42)
"""So far from the middle of a picture's soil, in log ratios of red to green and green to blue, a thing still
has the soil's colour."""
LEAST_SOIL_PX: Final = 300
"""With less soil than this in sight, at half the working size, its colour is not known."""
_LOG_LIGHT: Final = np.log(decode(np.arange(256.0)).astype(np.float32) + np.float32(0.004))
"""Of each code; with a little added black has one too, and noise in the dark is no colour."""


def places(rgb_coded: Bytes, shares: Shares, correction: Correction | None, within: Flags) -> Flags:
    """(H, W), pixels ``within`` that have the colour of the soil seen there; none where no soil is seen."""
    sample = np.ascontiguousarray(rgb_coded[::2, ::2])
    ratios = log_ratios(reflectance.corrected_coded(sample, correction))
    like = near(ratios, (shares.bare[::2, ::2] > 0.6) & within[::2, ::2])
    return enlarged(like, within.shape) & within


def log_ratios(plain: Bytes) -> list[Floats]:
    """Log ratios of red to green and green to blue in linear light, smoothed, two (H, W)."""
    logs = np.asarray(cv2.LUT(plain, _LOG_LIGHT), np.float32)
    return [np.asarray(cv2.blur(logs[..., k] - logs[..., k + 1], (9, 9)), np.float32) for k in (0, 1)]


def near(ratios: list[Floats], soil: Flags) -> Flags:
    """Pixels whose ratios lie near the middle of those where there is soil."""
    if np.count_nonzero(soil) < LEAST_SOIL_PX:
        return np.zeros(soil.shape, bool)
    like = [np.abs(r - np.median(r[soil])) < d for r, d in zip(ratios, SOIL_COLOUR, strict=True)]
    return np.asarray(like[0] & like[1])
