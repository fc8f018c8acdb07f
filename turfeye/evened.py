"""Whether a photo's tones were evened out place by place (local tone mapping, as HDR modes do it).

Such a mode darkens what lies amid bright and lightens what lies amid dark, so turf beside a card is no longer
as dark against it as it is. The card shows that by itself: its bare paper is everywhere the same, but at its
rim, beside dark turf, such a photo has it brighter than amid the sheet. A shadow, a slope of light or a bent
sheet brightens one side or two that face each other, not all four against the middle.

In a view of the whole lawn the card is too small for that. There the lawn shows it: what lies around it
(paving, walls, sky, hedges), and the card, darken the turf beside them where they are bright and lighten it
where they are dark, as far as the mode's own blur reaches. Light does the opposite: walls shine on, hedges
shade.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import cv2
import numpy as np

from turfeye import marks
from turfeye.colourspace import LUMINANCE, decode
from turfeye.records import Bytes, Correction, Flags, Floats

RIM_MM: Final = (
    (-70.0, 85.0, 70.0, 93.5), (-70.0, -93.5, 70.0, -85.0),
    (-129.5, -38.0, -126.0, 38.0), (126.0, -38.0, 129.5, 38.0),
)  # fmt: skip
"""Bare paper along the card's four sides, x0, y0, x1, y1."""
MIDDLE_MM: Final = ((-70.0, 37.5, 70.0, 46.5), (-120.0, -46.5, 0.0, -40.5))
"""Bare paper between the rows of patches."""
LEAST_MARK_PX: Final = 24.0
"""With smaller marks these strips are narrower than two pixels, and what lies beside them reaches in."""
TOLD: Final = 0.04
"""Rise of the lowest side, in log light, from which on it is told: 27 rendered spots have 0.004 at most
untouched, sharpened or made small; evened out 25 of them have 0.08 to 0.34, the others 0.03 and (in a
shadow) none."""
INDEX_SE: Final = 0.17
"""How far the colour index is off by the rise of the second lowest side, which no blade lies over: 0.17 of
it (root mean square), 0.10 of the index at most, in 22 rendered spots with turf
(tools/bench_handed_on.py)."""

WIDE_PX: Final = 320
"""Width at which the lawn is looked at: such modes even out over twentieths of a picture."""
REACHES: Final = (1 / 30, 1 / 15)
"""How far the surroundings are taken to reach in, standard deviations by the picture's width."""
TOLD_ON_LAWN: Final = -0.55
"""Log light of turf for one of surroundings, below which it is told, by the outline and by the lawn that the
region's network sees alike: untouched 32 views (tuning, the sample's) have -0.49 at the least, 24 others
-0.43. Evened out by five tenths 84 % of the 32 are below it, by three tenths 38 %."""
LAWN_INDEX_SE: Final = 0.023
"""How far the index is off in such lawn views, root mean square of tuning views evened out (0.067 at most),
whatever the slope."""
LEAST_LAWN_PX: Final = 2000
LEAST_LIGHT: Final = 0.003
"""Added to light before its log is taken: what is black has one too."""
SHEET: Final = 1.2
"""Times as far from the card's middle as its own edge: about the sheet that it is printed on."""


def index_se(correction: Correction) -> float:
    """How far the colour index may be off for it."""
    return max(INDEX_SE * correction.evened, LAWN_INDEX_SE * correction.haloed)


def on_lawn(rgb_coded: Bytes, lawns: Sequence[Flags], card_px: Floats) -> bool:
    """Whether tones were evened out by what lies around the lawn, by each of several guesses where it is."""
    return all(lawn_slope(rgb_coded, lawn, card_px) < TOLD_ON_LAWN for lawn in lawns)


def lawn_slope(rgb_coded: Bytes, lawn: Flags, card_px: Floats) -> float:
    """By how much the light of turf rises with that of what lies around it, in logs, the lowest by reach;
    NaN where too little lawn shows.

    rgb_coded : (H, W, 3), as filed
    lawn : (H, W), where the lawn is, the card on it or not
    card_px : (4, 2), the card's corners
    """
    height, width = rgb_coded.shape[:2]
    scale = WIDE_PX / width
    size = WIDE_PX, round(height * scale)
    small = np.asarray(cv2.resize(rgb_coded, size, interpolation=cv2.INTER_AREA), np.uint8)
    light = np.log(decode(small) @ LUMINANCE + LEAST_LIGHT).astype(np.float32)
    grown = (card_px.mean(axis=0) + SHEET * (card_px - card_px.mean(axis=0)) + 0.5) * scale - 0.5
    sheet = cv2.fillPoly(np.zeros(light.shape, np.uint8), [np.rint(grown).astype(np.int32)], 1)
    turf = (cv2.resize(lawn.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0) & (sheet == 0)
    inner = cv2.erode(turf.astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
    if np.count_nonzero(inner) < LEAST_LAWN_PX:
        return float("nan")
    beside = np.where(turf, 0, light - np.median(light[inner])).astype(np.float32)
    return min(_slope(light, beside, inner, reach * WIDE_PX) for reach in REACHES)


def _slope(light: Floats, beside: Floats, inner: Flags, reach_px: float) -> float:
    """Slope of what stands out near by, of the turf's light on what is around it as far as ``reach_px``."""
    near = 2.5 * reach_px
    weight = np.maximum(_wide(inner.astype(np.float32), near), 1e-4)

    def out_of_near(field: Floats) -> Floats:
        return np.asarray((field - _wide(field * inner, near) / weight)[inner])

    told, by_them = out_of_near(light), out_of_near(_wide(beside, reach_px))
    weights, slope = np.ones(len(told)), 0.0
    for _ in range(5):  # Huber's
        slope = float((weights * by_them) @ told / max(float((weights * by_them) @ by_them), 1e-9))
        off = np.abs(told - slope * by_them)
        weights = np.minimum(1.0, (1.5 * np.median(off) + 1e-6) / np.maximum(off, 1e-9))
    return slope


def _wide(field: Floats, sd_px: float) -> Floats:
    """Blurred as by a bell of this width: three running means, which take no longer where it is wide."""
    side = 2 * round((np.sqrt(4 * sd_px**2 + 1) - 1) / 2) + 1
    for _ in range(3):
        field = np.asarray(cv2.blur(field, (side, side), borderType=cv2.BORDER_REFLECT), np.float32)
    return field


def by(rgb_coded: Bytes, homography: Floats) -> float:
    """The rise in log light, of the second lowest side, by which tones were evened out; 0 where it isn't
    told."""
    lowest, second, *_ = rises(rgb_coded, homography)
    return second if lowest > TOLD else 0.0


def rises(rgb_coded: Bytes, homography: Floats) -> list[float]:
    """How much brighter paper is at a card's four sides than amid it, in log light, the lowest first; NaN
    where the card is too small to tell."""
    own = marks.project(homography, marks.MARKERS_M).astype(np.float32)
    if min(cv2.contourArea(mark) for mark in own) < LEAST_MARK_PX**2:
        return [float("nan")] * len(RIM_MM)
    middle = float(np.mean([_light(rgb_coded, homography, box) for box in MIDDLE_MM]))
    return sorted(_light(rgb_coded, homography, box) - middle for box in RIM_MM)


def _light(rgb_coded: Bytes, homography: Floats, box_mm: tuple[float, float, float, float]) -> float:
    """Log light of a strip of paper, by the median of its codes: blades and words on it are the few."""
    x0, y0, x1, y1 = box_mm
    net = np.stack(np.meshgrid(np.linspace(x0, x1, 20), np.linspace(y0, y1, 20)), axis=-1) / 1000
    column, row = np.rint(marks.project(homography, net)).astype(int).reshape(-1, 2).T
    height, width = rgb_coded.shape[:2]
    codes = rgb_coded[np.clip(row, 0, height - 1), np.clip(column, 0, width - 1)]
    return float(np.log(max(float(decode(np.median(codes, axis=0)) @ LUMINANCE), 1e-4)))
