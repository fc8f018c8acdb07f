"""A card whose marks grass lies over: found by what its blades leave, placed by its whole pattern."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

from turfeye import marks
from turfeye.card_layout import CARD
from turfeye.marks import Mark
from turfeye.records import Bytes

SIDES_PX: Final = (1600, 1200, 2000)
"""Long sides of the copies in which marks under blades are searched: their squares have 3 to 8 px there."""
LEAST_ALIKE: Final = 0.8
"""Correlation of the pattern of a card's four marks with what lies there: 0.99 on a clear one, 0.83 with one
mark wholly hidden."""
ALL_SHOWN: Final = 0.9
BLADES_PX: Final = (5, 3, 7)
"""Widest blades that are taken off there; up to the width of a mark's own squares."""


def cards(gray: Bytes) -> list[list[Mark]]:
    """Cards whose marks blades lie across, each one's whole pattern laid over the picture where it fits.

    A blade over a mark's edge ties it to what is dark beside it, and no square is left to be found. So what
    is dark and narrower than a mark's own squares is filled up first (a grey closing). How wide blades are
    beside the squares nobody knows: several widths at several sizes each find some of the marks.
    """
    found: list[Mark] = []
    for side_px in SIDES_PX:
        scale = min(1.0, side_px / max(gray.shape))
        small = np.asarray(cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA))
        for wide in BLADES_PX:
            disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (wide, wide))
            read = marks.detect(np.asarray(cv2.morphologyEx(small, cv2.MORPH_CLOSE, disc), np.uint8), 1.0)
            full = [Mark(m.spot, m.corner, (m.px + 0.5) / scale - 0.5) for m in read]
            found += [m for m in full if not any(marks.same(m, known) for known in found)]
            laid = [laid_over(gray, card, least=LEAST_ALIKE) for card in marks.cards_of(found)]
            if any(laid):
                return [card for card in laid if card]
    return []


def laid_over(gray: Bytes, card: list[Mark], *, least: float = ALL_SHOWN) -> list[Mark]:
    """All four marks where the card's pattern lies best near where ``card`` has it; none where it fits badly.

    By the enhanced correlation coefficient (Evangelidis and Psarakis 2008, IEEE Transactions on Pattern
    Analysis and Machine Intelligence 30:1858): what lies over a part of the pattern pulls little at it.
    """
    module, spot = 6, card[0].spot
    per_m = 8 * module / (CARD.marker_mm / 1000)
    width, height = (round(side * per_m / 1000) for side in (CARD.width_mm, CARD.height_mm))
    to_m = np.array([[1 / per_m, 0, -0.5 * width / per_m], [0, -1 / per_m, 0.5 * height / per_m], [0, 0, 1]])
    pattern = np.full((height, width), 255, np.uint8)
    centres = marks.project(np.linalg.inv(to_m), CARD.marker_centres_mm / 1000)
    for corner, centre in enumerate(centres):
        mark = marks.pattern(spot, corner, module)
        to_place = np.column_stack([np.eye(2), centre - (mark.shape[0] - 1) / 2])
        laid = cv2.warpAffine(mark, to_place, (width, height), borderValue=255)
        pattern = np.minimum(pattern, np.asarray(laid, np.uint8))
    above = marks.fit(card) @ to_m
    for reach, blur_px in ((7 * module, 11), (5 * module, 5)):
        counts = np.zeros((height, width), np.uint8)
        for left, top in np.maximum(np.rint(centres).astype(int) - reach, 0):
            counts[top : top + 2 * reach, left : left + 2 * reach] = 1
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        seen = np.asarray(cv2.warpPerspective(gray, above, (width, height), flags=flags), np.uint8)
        ends = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 60, 1e-5)
        still = np.eye(3, dtype=np.float32)
        try:
            alike, moved = cv2.findTransformECC(
                pattern, seen, still, cv2.MOTION_HOMOGRAPHY, ends, counts, blur_px
            )
        except cv2.error:  # it strays where the pattern lies nowhere near
            return []
        above = above @ np.asarray(moved, float)
    if alike < least:
        return []
    whole = above @ np.linalg.inv(to_m)
    return [Mark(spot, corner, marks.project(whole, marks.MARKERS_M[corner])) for corner in range(4)]
