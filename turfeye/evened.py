"""Whether a photo's tones were evened out place by place (local tone mapping, as HDR modes do it).

Such a mode darkens what lies amid bright and lightens what lies amid dark, so turf beside a card is no longer
as dark against it as it is. The card shows that by itself: its bare paper is everywhere the same, but at its
rim, beside dark turf, such a photo has it brighter than amid the sheet. A shadow, a slope of light or a bent
sheet brightens one side or two that face each other, not all four against the middle.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

from turfeye import marks
from turfeye.colourspace import LUMINANCE, decode
from turfeye.records import Bytes, Floats

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
