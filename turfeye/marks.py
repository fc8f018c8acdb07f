"""The card's markers: searched for in a picture, grouped to cards, sharpened at full size by their `edges`.

Markers are looked for in a small copy first, then where something bright lies, then everywhere. A card is two
to four markers that lie as the card's geometry says; one that doesn't fit the others is left out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np

from turfeye import edges, sheets
from turfeye.card_layout import CARD, SPOTS
from turfeye.records import Bytes, Floats

SMALLEST_MARKER_PX, EASY_MARKER_PX = 9.0, 60.0
"""Least side of a mark that can be read; and the one to which smaller marks are magnified for it. Ours."""
MARKERS_M: Final = CARD.marker_corners_mm / 1000.0


@dataclass(frozen=True, eq=False, slots=True)
class Mark:
    """One marker as seen: which spot, which corner of the card, where."""

    spot: int
    corner: int
    px: Floats  # (4, 2)

    @property
    def side_px(self) -> float:
        """Square root of its area."""
        return float(np.sqrt(max(cv2.contourArea(self.px.astype(np.float32)), 1e-9)))


def search(gray: Bytes) -> tuple[list[list[Mark]], list[Mark]]:
    """The cards (two to four sharpened marks each) seen where the first is found, and all marks seen."""
    marks: list[Mark] = []
    cards: list[list[Mark]] = []
    for search in (_quick, _bright_parts, _whole):
        marks = _merge(marks, search(gray))
        cards = cards_of(marks)
        if cards:
            break
    if any(len(card) < 4 for card in cards):  # a small copy is too coarse to tell marks of one plane
        cards = cards_of([_sharpen(gray, mark) for mark in marks])
    if not cards:  # one mark seen: look closely around it for the others
        marks = [mark for mark in marks if _certain(gray, mark)]
        cards = cards_of([more for mark in marks for more in _search_around(gray, [mark])])
    cards = [_refine(gray, card) for card in cards]
    cards = [_refine(gray, _search_around(gray, card)) if len(card) < 4 else card for card in cards]
    return each_once(cards), marks


def plainly(gray: Bytes) -> bool:
    """Whether a card is seen in a small copy already, as in nearly every spot photo."""
    return bool(cards_of(_quick(gray)))


def to_gray(rgb_coded: Bytes) -> Bytes:
    """(H, W, 3) to (H, W)."""
    return np.asarray(cv2.cvtColor(rgb_coded, cv2.COLOR_RGB2GRAY), np.uint8)


def _quick(gray: Bytes) -> list[Mark]:
    """In a small copy of the whole picture, in which a spot photo's marks have some 20 px: mostly enough."""
    return detect(gray, min(1.0, sheets.SMALL_SIDE_PX / max(gray.shape)), quick=True)


def _bright_parts(gray: Bytes) -> list[Mark]:
    """Where something is brighter than its surroundings, as a sheet of paper on a lawn is, magnified."""
    marks: list[Mark] = []
    for box in sheets.boxes(gray):
        marks = _merge(marks, _detect_in(gray, box))
        if cards_of(marks):
            break
    return marks


def _whole(gray: Bytes) -> list[Mark]:
    """In the whole picture at half and at full size: slow, and needed least often."""
    marks: list[Mark] = []
    for scale in (0.5, 1.0):
        if scale * max(gray.shape) > sheets.SMALL_SIDE_PX:
            marks = _merge(marks, detect(gray, scale))
            if cards_of(marks):
                break
    return marks


def _detector(long_side_px: int, scale: float, *, strict: bool, quick: bool) -> cv2.aruco.ArucoDetector:
    """Small markers need every tolerance there is; the card's geometry then throws out what was misread."""
    settings = cv2.aruco.DetectorParameters()
    # no smaller than can be read: grass makes thousands of smaller outlines, and they take the time
    settings.minMarkerPerimeterRate = 4 * SMALLEST_MARKER_PX * max(scale, 1.0) / long_side_px
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE  # done once, at full size
    if quick:  # one threshold window instead of three
        settings.adaptiveThreshWinSizeMin = settings.adaptiveThreshWinSizeMax = 9
    if not strict:
        settings.errorCorrectionRate = 1.0  # five of the 36 bits: what the family can mend
        settings.perspectiveRemovePixelPerCell = 8
        settings.perspectiveRemoveIgnoredMarginPerCell = 0.3
        settings.adaptiveThreshConstant = 10.0  # fewer contours in grass
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    return cv2.aruco.ArucoDetector(family, settings)


def detect(gray: Bytes, scale: float, *, strict: bool = False, quick: bool = False) -> list[Mark]:
    """Markers of possible cards in the picture resized by ``scale``; positions in its own pixels."""
    if scale != 1.0:
        how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
        gray = np.asarray(cv2.resize(gray, None, fx=scale, fy=scale, interpolation=how), np.uint8)
    corners, ids, _ = _detector(max(gray.shape), scale, strict=strict, quick=quick).detectMarkers(gray)
    if ids is None:
        return []
    marks = []
    for number, px in zip(ids.ravel(), corners, strict=True):
        spot, corner = divmod(int(number), 4)
        if spot in SPOTS:
            marks.append(Mark(spot, corner, (px[0].astype(float) + 0.5) / scale - 0.5))
    return marks


def _certain(gray: Bytes, mark: Mark) -> bool:
    """Whether a marker that stands alone is also read without tolerance: grass makes false ones."""
    pad = mark.side_px
    low = np.clip(mark.px.min(axis=0) - pad, 0, None).astype(int)
    high = (mark.px.max(axis=0) + pad).astype(int)
    part = gray[low[1] : high[1], low[0] : high[0]]
    scale = 1.0 if mark.side_px > EASY_MARKER_PX else 3.0
    again = detect(part, scale, strict=True)
    return any((m.spot, m.corner) == (mark.spot, mark.corner) for m in again)


def _detect_in(gray: Bytes, box: tuple[int, int, int, int], *, most: float = 4.0) -> list[Mark]:
    """As ``detect``, in a part of the picture, magnified up to ``most`` times, until about 1500 px."""
    x0, y0, x1, y1 = box
    part = gray[y0:y1, x0:x1]
    largest = float(np.clip(1500 / max(part.shape), 0.25, most))
    for scale in (largest, largest / 2):
        marks = detect(part, scale)
        if len(marks) > 1:
            break
    return [Mark(m.spot, m.corner, m.px + np.array([x0, y0])) for m in marks]


def _merge(marks: list[Mark], more: list[Mark]) -> list[Mark]:
    """Both lists, the later (finer) finding of the same marker instead of the earlier one."""
    fresh = [m for m in marks if not any(same(m, n) for n in more)]
    return fresh + more


def same(a: Mark, b: Mark) -> bool:
    """Whether both are findings of one marker."""
    near = float(np.linalg.norm(a.px.mean(axis=0) - b.px.mean(axis=0)))
    return (a.spot, a.corner) == (b.spot, b.corner) and near < 0.5 * max(a.side_px, b.side_px)


def _search_around(gray: Bytes, card: list[Mark]) -> list[Mark]:
    """Look closely where the card's missing markers can be; what was known stays."""
    if len(card) > 1:
        homography = fit(card)
        outline = project(homography, CARD.corners_mm / 1000)
    else:  # one marker's perspective reaches no further than its neighbourhood
        reach = 6.5 * float(np.ptp(card[0].px, axis=0).max())
        outline = card[0].px.mean(axis=0) + np.array([[-reach, -reach], [reach, reach]])
    height, width = gray.shape
    x0, y0 = np.clip(np.floor(outline.min(axis=0)), 0, [width - 1, height - 1]).astype(int)
    x1, y1 = np.clip(np.ceil(outline.max(axis=0)) + 1, 1, [width, height]).astype(int)
    most = float(np.clip(EASY_MARKER_PX / card[0].side_px, 0.25, 4.0))  # more only takes more time
    found = _detect_in(gray, (int(x0), int(y0), int(x1), int(y1)), most=most)
    joined = [
        *card,
        *(m for m in found if m.spot == card[0].spot and all(m.corner != c.corner for c in card)),
    ]
    return max(cards_of(joined), key=len, default=card)


# ------------------------------------------------------------------------------------------------ the card


def cards_of(marks: list[Mark]) -> list[list[Mark]]:
    """Groups of two to four markers that lie as they do on a card, one of each corner."""
    cards = []
    left = sorted(marks, key=lambda m: -m.side_px)
    while left:
        anchor = left.pop(0)
        expect = project(fit([anchor]), CARD.marker_centres_mm / 1000)
        card = [anchor]
        for corner in set(range(4)) - {anchor.corner}:
            likely = [m for m in left if (m.spot, m.corner) == (anchor.spot, corner)]
            # a marker's own four corners foretell its neighbours' places to about a marker's side
            near = [
                m for m in likely if np.linalg.norm(m.px.mean(axis=0) - expect[corner]) < 2.5 * anchor.side_px
            ]
            if near:
                card.append(
                    min(near, key=lambda m: float(np.linalg.norm(m.px.mean(axis=0) - expect[corner])))
                )
        card = _fitting(card)
        if len(card) > 1:
            cards.append(card)
            left = [m for m in left if not any(m is c for c in card)]
    return cards


def each_once(cards: list[list[Mark]]) -> list[list[Mark]]:
    """Without cards whose marks another holds too: pairs of one card, of which one has found the others."""
    kept: list[list[Mark]] = []
    for card in sorted(cards, key=len, reverse=True):
        if not any(all(any(same(m, n) for n in other) for m in card) for other in kept):
            kept.append(card)
    return kept


def _fitting(card: list[Mark]) -> list[Mark]:
    """Leave out the worst marker until the rest agree on one plane."""
    while len(card) > 1:
        homography = fit(card)
        off = [np.abs(project(homography, MARKERS_M[m.corner]) - m.px).max() for m in card]
        allowed = max(1.5, 0.06 * float(np.median([m.side_px for m in card])))
        if max(off) <= allowed:
            return card
        if len(card) == 2:
            return card[:1]
        rest = [[m for m in card if m is not out] for out in card]
        card = min(rest, key=lambda some: rms(fit(some), some))
    return card


def fit(card: list[Mark]) -> Floats:
    """Homography, card metres to pixels, least squares over all corners."""
    own = np.concatenate([MARKERS_M[m.corner] for m in card])
    seen = np.concatenate([m.px for m in card])
    homography, _ = cv2.findHomography(own, seen, 0)
    return np.full((3, 3), np.nan) if homography is None else np.asarray(homography, float)


def rms(homography: Floats, card: list[Mark]) -> float:
    """Root mean square distance of the marks' corners from where the homography puts them, pixels.

    Burnt paper eats into every mark alike from all sides: what all corners lie further in says nothing.
    """
    off = np.concatenate([m.px - project(homography, MARKERS_M[m.corner]) for m in card])
    out = np.concatenate([m.px - m.px.mean(axis=0) for m in card])
    out /= np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-9)
    off = off - out * np.mean((off * out).sum(axis=1))
    return float(np.sqrt((off**2).sum(axis=1).mean()))


def project(homography: Floats, points: Floats) -> Floats:
    """(..., 2) through a homography."""
    mapped = points @ homography[:, :2].T + homography[:, 2]
    return mapped[..., :2] / mapped[..., 2:]


def _refine(gray: Bytes, card: list[Mark]) -> list[Mark]:
    """Corners to a fraction of a pixel at full size; markers not read are looked for where they must be."""
    card = _fitting([_sharpen(gray, mark) for mark in card])
    if not 2 <= len(card) < 4:
        return card
    homography = fit(card)
    for corner in set(range(4)) - {m.corner for m in card}:
        mark = _sharpen(gray, _foretold(gray, homography, card[0].spot, corner))
        if _likeness(gray, mark) > 0.7:
            card.append(mark)
    return _fitting(card)


def _sharpen(gray: Bytes, mark: Mark) -> Mark:
    return replace(mark, px=edges.sharpened(gray, mark.px))


def pattern(spot: int, corner: int, module_px: int) -> Bytes:
    """The marker's picture with a one-module quiet zone, (10 m, 10 m)."""
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    modules = np.pad(cv2.aruco.generateImageMarker(family, 4 * spot + corner, 8), 1, constant_values=255)
    return np.kron(modules, np.ones((module_px, module_px), np.uint8)).astype(np.uint8)


def _foretold(gray: Bytes, homography: Floats, spot: int, corner: int) -> Mark:
    """Where a marker matches best near its place by two others, in a view from straight above.

    Two small markers foretell the other two only to several pixels.
    """
    module = int(
        np.clip(
            round(cv2.contourArea(project(homography, MARKERS_M[corner]).astype(np.float32)) ** 0.5 / 8),
            3,
            8,
        )
    )
    per_m = 8 * module / (CARD.marker_mm / 1000)
    side = 22 * module  # the marker and seven modules around it
    x, y = CARD.marker_centres_mm[corner] / 1000
    to_m = np.array(
        [[1 / per_m, 0, x - (side - 1) / 2 / per_m], [0, -1 / per_m, y + (side - 1) / 2 / per_m], [0, 0, 1]]
    )
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    above = cv2.warpPerspective(gray, homography @ to_m, (side, side), flags=flags)
    match = cv2.matchTemplate(above, pattern(spot, corner, module), cv2.TM_CCOEFF_NORMED)
    column, row = cv2.minMaxLoc(match)[3]
    own = np.array([[0, 0], [8, 0], [8, 8], [0, 8]]) * module - 0.5 + module + np.array([column, row])
    return Mark(spot, corner, project(homography @ to_m, own))


def _likeness(gray: Bytes, mark: Mark) -> float:
    """Correlation of what lies there with the marker's own pattern, -1 to 1."""
    height, width = gray.shape
    if (mark.px < 0).any() or (mark.px > np.array([width - 1, height - 1])).any():
        return -1.0
    own = np.array([[0.5, 0.5], [8.5, 0.5], [8.5, 8.5], [0.5, 8.5]])
    warp = cv2.getPerspectiveTransform(mark.px.astype(np.float32), own.astype(np.float32))
    seen = cv2.warpPerspective(gray, warp, (10, 10), flags=cv2.INTER_LINEAR).astype(float)
    wanted = pattern(mark.spot, mark.corner, 1).astype(float)
    return float(np.corrcoef(wanted.ravel(), seen.ravel())[0, 1]) if seen.std() > 1 else -1.0
