"""Bright sheets of paper in a picture, as a card is: where they may lie, and their four corners."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

from turfeye.card_layout import CARD
from turfeye.records import Bytes, Floats

SMALL_SIDE_PX: Final = 800
"""Long side of the small copy that is searched."""
AROUND_PX: Final = 81
"""Side of the surroundings that a sheet stands out of, in the small copy."""
NARROWEST_PX, WIDEST_PX = 8, 160
"""Of a sheet in the small copy; wider cards are found there by their marks."""
STANDS_OUT, OF_ITS_SIDE, MOST = 30, 1 / 3, 16
"""Codes above its surroundings, how much of these a box takes in by the longer side, and how many boxes."""
LIT_PART, OF_ITS_LIT_SIDE, MOST_LIT = 70, 0.8, 8
"""The same, for the lit half of a sheet that a shadow crosses, or one on ground that is nearly as bright."""
ALIKE: Final = 0.7
"""Boxes that share so much of both are one."""
SIZES_MM: Final = ((297.0, 210.0), (279.4, 215.9), (CARD.width_mm, CARD.height_mm))
"""ISO 216 A4, ANSI Letter, and a card cut along its line."""
INK_MM: Final = (2 * CARD.marker_x_mm + CARD.marker_mm, 2 * CARD.marker_y_mm + CARD.marker_mm)
"""From a mark's outermost edge to that of the mark across."""
Box = tuple[int, int, int, int]
"""Left, top, right, bottom, in pixels."""


def whiteness(rgb_coded: Bytes) -> Bytes:
    """(H, W, 3) to (H, W), the lowest channel: paper in the shade has more of it than turf in the sun."""
    red, green, blue = cv2.split(rgb_coded)
    return np.asarray(cv2.min(cv2.min(red, green), blue), np.uint8)


def boxes(light: Bytes) -> list[Box]:
    """What is brighter than around it, with some of that, the brightest first. light : (H, W)"""
    return _boxes(light, STANDS_OUT, OF_ITS_SIDE, MOST)


def every_box(light: Bytes) -> list[Box]:
    """The same, and where more of the brightness is asked for, with more around it: half a sheet shows so."""
    found = boxes(light)
    for box in _boxes(light, LIT_PART, OF_ITS_LIT_SIDE, MOST_LIT):
        if not any(_shared(box, other) > ALIKE for other in found):
            found.append(box)
    return found


def _boxes(light: Bytes, stands_out: int, of_its_side: float, most: int) -> list[Box]:
    scale = min(1.0, SMALL_SIDE_PX / max(light.shape))
    small = np.asarray(cv2.resize(light, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA))
    above = cv2.subtract(small, cv2.blur(small, (AROUND_PX, AROUND_PX)))
    joined = cv2.morphologyEx(
        (above > stands_out).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8)
    )
    count, label, facts, _ = cv2.connectedComponentsWithStats(joined)
    strength = np.bincount(label.ravel(), weights=above.ravel(), minlength=count)
    wide = facts[:, 2:4].max(axis=1)
    background = np.arange(count) == 0
    likely = np.flatnonzero((wide >= NARROWEST_PX) & (wide <= WIDEST_PX) & ~background)
    found = []
    for left, top, width, height, _ in facts[likely[np.argsort(-strength[likely])][:most]]:
        pad = 4 + int(max(width, height) * of_its_side)
        box = np.array([left - pad, top - pad, left + width + pad, top + height + pad]) / scale
        x0, y0, x1, y1 = np.clip(box, 0, np.tile(light.shape[::-1], 2)).astype(int).tolist()
        found.append((x0, y0, x1, y1))
    return found


def _shared(one: Box, other: Box) -> float:
    """Intersection over union."""
    low, high = np.maximum(one[:2], other[:2]), np.minimum(one[2:], other[2:])
    both = float(np.prod(np.maximum(high - low, 0)))
    areas = [(right - left) * (bottom - top) for left, top, right, bottom in (one, other)]
    return both / max(sum(areas) - both, 1.0)


def quads_in(part: Bytes) -> list[tuple[Floats, tuple[float, float]]]:
    """Quadrilaterals (4, 2), clockwise as seen, that may be a sheet or its ink, and what size that has."""
    scale = float(np.clip(300 / max(part.shape), 0.25, 6.0))
    large = np.asarray(cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC), np.uint8)
    rim = np.concatenate([large[:4].ravel(), large[-4:].ravel(), large[:, :4].ravel(), large[:, -4:].ravel()])
    paper = float(np.percentile(large, 95))
    found: list[tuple[Floats, tuple[float, float]]] = []
    usual, most = np.percentile(rim, [50, 95])
    # the lowest is for paper in the shade beside sunlit turf
    for level in ((paper + usual) / 2, (paper + most) / 2, 0.8 * most + 0.2 * paper):
        count, label, facts, _ = cv2.connectedComponentsWithStats((large > level).astype(np.uint8))
        if count < 2:
            continue
        sheet = (label == 1 + int(facts[1:, cv2.CC_STAT_AREA].argmax())).astype(np.uint8)
        hull = _hull(sheet)
        if (quad := _quad(hull)) is not None:
            found += [((quad + 0.5) / scale - 0.5, size) for size in SIZES_MM]
        inside = cv2.fillConvexPoly(np.zeros_like(sheet), hull, 1)
        wide = 2 * (max(large.shape) // 24) + 1
        inside = cv2.erode(inside, np.ones((wide, wide), np.uint8))
        ink = ((large < level) & (inside > 0)).astype(np.uint8)
        if ink.any() and (quad := _quad(_hull(ink))) is not None:
            found.append(((quad + 0.5) / scale - 0.5, INK_MM))
    return found


def _hull(mask: Bytes) -> np.ndarray:
    """(K, 2) convex hull of all that is set, clockwise as seen."""
    points = cv2.findNonZero(mask)
    return np.asarray(cv2.convexHull(points, clockwise=False))[:, 0]  # OpenCV has y run up there


def _quad(hull: np.ndarray) -> Floats | None:
    """The quadrilateral around a convex outline that adds the least, side by side left out; a covered corner
    comes back where the sides beside it meet.
    """
    least_px = 0.01 * cv2.arcLength(hull[:, None], True)
    around = cv2.approxPolyDP(hull[:, None], least_px, True)[:, 0].astype(float)
    while len(around) > 4:
        found = []
        for k in range(len(around)):
            before, start, end, after = (around[(k + i) % len(around)] for i in (-1, 0, 1, 2))
            along = np.column_stack([start - before, after - end])
            if abs(np.linalg.det(along)) < 1e-6:
                continue
            reach = np.linalg.solve(along, end - start)
            if reach.min() <= 0:
                continue
            meet = start + reach[0] * (start - before)
            added = abs(np.linalg.det(np.stack([end - start, meet - start]))) / 2
            found.append((added, k, meet))
        if not found:
            return None
        _, k, meet = min(found, key=lambda one: one[0])
        around[k] = meet
        around = np.delete(around, (k + 1) % len(around), axis=0)
    if len(around) != 4 or not cv2.isContourConvex(around.astype(np.float32)):
        return None
    return around
