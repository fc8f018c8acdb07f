"""What a small card's patches have of their neighbours' colour, taken back.

A patch of four pixels is read through a lens, a file made smaller and a JPEG that codes colour at half the
size: its dark greys are lighter than they are, its colours paler, and by paler colours a correction makes
lawns too vivid. Where each patch lies is known, so is how much of each reading is its neighbours': readings
are that mixture, and solving for the patches is a small linear system. It is done in the codes in which
files mix, with a bell for lightness and a wider one for colour (luma and chroma of ITU-R BT.601, as JFIF
has them).
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

from turfeye import marks
from turfeye.card_layout import CARD
from turfeye.records import Floats

SMALL_PATCH_PX: Final = 9.0
"""Patches whose smaller side is longer are read from their inside alone, where neighbours hardly reach."""
LIGHT_PX, COLOUR_PX = 0.6, 1.6
"""What lightness and colour are blurred by in a photo made smaller, standard deviations in its pixels. Of
29 rendered views at 1,280 pixels (quality 75) the light of a grey came out 3.3 % too dark in the mean, now
0.5 too light; the index of a green 0.015 too low, now 0.007."""
FINE: Final = 4  # so many steps a pixel
TO_YCC: Final = np.array([[0.299, 0.587, 0.114], [-0.168736, -0.331264, 0.5], [0.5, -0.418688, -0.081312]])


def taken_back(coded: Floats, paper: Floats, homography: Floats, *, inset: float) -> Floats:
    """The patches' own codes (P, 3), from readings (P, 3) of their inner parts and the paper's code (3,).

    inset : share of each patch's sides that was left out of its reading
    """
    labels, low = _map(homography)
    inner = _inner(homography, low, labels.shape, inset)
    each = (labels[..., None] == np.arange(len(coded))).astype(np.float32)
    shares = []
    for blur_px in (LIGHT_PX, COLOUR_PX):
        there = cv2.GaussianBlur(each, (0, 0), FINE * blur_px).reshape(-1, len(coded))
        shares.append(np.array([there[own].mean(axis=0) for own in inner], float))
    # what is no patch is taken for paper; marks lie further off than a blur reaches
    codes, white = (np.asarray(some, float) @ TO_YCC.T for some in (coded, paper))
    own = np.stack(
        [
            np.linalg.solve(mixed, codes[:, c] - (1 - mixed.sum(axis=1)) * white[c])
            for c, mixed in enumerate((shares[0], shares[1], shares[1]))
        ],
        axis=1,
    )
    return np.clip(own @ np.linalg.inv(TO_YCC).T, 0, 255)


def _map(homography: Floats) -> tuple[np.ndarray, Floats]:
    """Which patch each fine step of the picture shows, -1 for none, and the pixel at which the map begins."""
    rim = marks.project(homography, CARD.corners_mm / 1000)
    low = np.floor(rim.min(axis=0)) - 2
    size = np.ceil((rim.max(axis=0) + 2 - low) * FINE).astype(int)
    labels = np.full((size[1], size[0]), -1, np.int16)
    for k, box in enumerate(CARD.patch_boxes_mm / 1000):
        cv2.fillConvexPoly(labels, _fine(homography, box, low), k)
    return labels, low


def _inner(homography: Floats, low: Floats, shape: tuple[int, ...], inset: float) -> list[np.ndarray]:
    found = []
    for x0, y0, x1, y1 in CARD.patch_boxes_mm / 1000:
        dx, dy = inset * (x1 - x0), inset * (y1 - y0)
        mask = np.zeros(shape, np.uint8)
        box = np.array([x0 + dx, y0 + dy, x1 - dx, y1 - dy])
        cv2.fillConvexPoly(mask, _fine(homography, box, low), 1)
        found.append(np.flatnonzero(mask))
    return found


def _fine(homography: Floats, box: Floats, low: Floats) -> np.ndarray:
    """A box's corners (4, 2) in whole fine steps."""
    corners = np.array([[box[0], box[3]], [box[2], box[3]], [box[2], box[1]], [box[0], box[1]]])
    at = (marks.project(homography, corners) + 0.5 - low) * FINE - 0.5
    return np.rint(at).astype(np.int32)
