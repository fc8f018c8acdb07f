"""The reference card: found in a photo, its patches read.

Markers are searched for in a small copy first, larger ones after, and their corners refined at full size. Two
of the four are enough to place the card; a marker that doesn't fit the others is left out. All positions are
pixels of the photo as read, pixel centres at integers.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np

from turfeye.card_layout import CARD, NOMINAL, PAPER, SPOTS, lab_to_rgb_linear, srgb_decode, srgb_encode
from turfeye.card_print import draw, draw_for_print, print_pdf, print_png
from turfeye.card_values import read_values
from turfeye.errors import CardCutOffError, CardError, CardNotFoundError
from turfeye.records import Bytes, CardValues, Flags, Floats, Photo, Sighting

__all__ = [
    "CARD", "NOMINAL", "PAPER", "SPOTS", "draw", "draw_for_print", "find", "find_all", "lab_to_rgb_linear",
    "look_again", "print_pdf", "print_png", "read_target", "read_values",
]  # fmt: skip

QUICK_SIDE_PX: Final = 800
"""Long side of the small copy that is searched first: a spot photo's markers have some 20 px in it."""

SMALLEST_MARKER_PX: Final = 9.0
MOST_BRIGHT_PARTS: Final = 16

_MARKERS_M: Final = CARD.marker_corners_mm / 1000.0
_LINEAR: Final = srgb_decode(np.arange(256.0)).astype(np.float32)
"""A sensor averages light, not codes: in coded values every black square looks smaller than it is."""


@dataclass(frozen=True, eq=False, slots=True)
class _Mark:
    """One marker as seen: which spot, which corner of the card, where."""

    spot: int
    corner: int
    px: Floats  # (4, 2)

    @property
    def side_px(self) -> float:
        """Square root of its area."""
        return float(np.sqrt(max(cv2.contourArea(self.px.astype(np.float32)), 1e-9)))


def find(photo: Photo, *, spots: Collection[int] | None = None) -> Sighting:
    """Find the card; of several the largest in the picture (``find_all`` gives them all).

    ``spots`` limits the search to cards with these numbers. Raises CardNotFoundError (no card, or fewer than
    two of its marks readable) and CardCutOffError (part of it outside the picture).
    """
    return _found(photo, spots, every=False)[0]


def find_all(photo: Photo, *, spots: Collection[int] | None = None) -> list[Sighting]:
    """Every whole card in the picture, the largest first; slower. Raises as ``find`` does."""
    return _found(photo, spots, every=True)


def _found(photo: Photo, spots: Collection[int] | None, *, every: bool) -> list[Sighting]:
    gray = _gray(photo.rgb_coded)
    marks: list[_Mark] = []
    cards: list[list[_Mark]] = []
    for search in (_quick, _bright_parts, _whole):
        marks = _merge(marks, search(gray, spots, every))
        cards = _cards(marks)
        if cards and not (every and search is _quick):
            break
    if not cards:  # one mark seen: look closely around it for the others
        marks = [mark for mark in marks if _certain(gray, mark)]
        cards = _cards([more for mark in marks for more in _search_around(gray, [mark], spots)])
    cards = [_search_around(gray, card, spots) if len(card) < 4 else card for card in cards]
    return _sightings(photo, [_refine(gray, card) for card in cards], marks)


def look_again(
    photo: Photo, roi_px: tuple[float, float, float, float], *, spots: Collection[int] | None = None
) -> Sighting:
    """Look for a small card in a part of the picture (x0, y0, x1, y1), magnified.

    For lawn views in which the card is far away. Raises as ``find`` does.
    """
    width, height = photo.size_px
    x0, y0 = (max(int(np.floor(v)), 0) for v in roi_px[:2])
    x1, y1 = min(int(np.ceil(roi_px[2])) + 1, width), min(int(np.ceil(roi_px[3])) + 1, height)
    if x1 - x0 < 8 or y1 - y0 < 8:
        raise CardNotFoundError(
            f"no card can be in {roi_px}: that part holds too little of the {width} x {height} picture"
        )
    gray = _gray(photo.rgb_coded)
    marks = _detect_in(gray, (x0, y0, x1, y1), spots)
    return _sightings(photo, [_refine(gray, card) for card in _cards(marks)], marks)[0]


def read_target(photo: Photo, corners_px: Floats, values: CardValues, *, rows: int, cols: int) -> Sighting:
    """Read any other target of flat patches in a regular grid, for ``colour.fit``.

    corners_px : (4, 2), the outer corners of the grid of patches, from its first patch's corner clockwise
    values : rows x cols patches, row by row; a plain grey card is one neutral patch, 1 x 1

    The sighting's homography takes grid units (patch widths and heights) to pixels; it has no markers and
    spot -1, so it places no view. Raises CardError when the corners or the number of values can't be right.
    """
    corners = np.asarray(corners_px, float)
    if len(values.names) != rows * cols:
        raise CardError(
            f"the target has {rows} x {cols} patches, but {len(values.names)} values came: give one a patch"
        )
    if (
        corners.shape != (4, 2)
        or not cv2.isContourConvex(corners.astype(np.float32))
        or _signed_area(corners) <= 0
    ):
        raise CardError("wanted the target's four corners clockwise from its first patch, in pixels (x, y)")
    width, height = photo.size_px
    if (corners < -0.5).any() or (corners > np.array([width, height]) - 0.5).any():
        raise CardCutOffError(f"the target's corners must lie in the {width} x {height} picture")
    own = np.array([[0, 0], [cols, 0], [cols, rows], [0, rows]], float)
    square = cv2.getPerspectiveTransform(own.astype(np.float32), corners.astype(np.float32))
    homography = np.asarray(square, float)
    col, row = np.meshgrid(np.arange(cols), np.arange(rows))
    boxes = np.stack([col, row, col + 1, row + 1], axis=-1).reshape(-1, 4).astype(float)
    coded, spread, clipped = _read_patches(photo.rgb_coded, homography, boxes, inset=0.25)
    empty = np.empty((0, 4, 2))
    return Sighting(
        -1, empty, empty, homography, 0.0, corners, values.names, coded, spread, clipped, float("nan")
    )


# ------------------------------------------------------------------------------------------------ markers


def _gray(rgb_coded: Bytes) -> Bytes:
    return np.asarray(cv2.cvtColor(rgb_coded, cv2.COLOR_RGB2GRAY), np.uint8)


def _quick(gray: Bytes, spots: Collection[int] | None, every: bool) -> list[_Mark]:
    """In a small copy of the whole picture: enough for nearly every spot photo."""
    return _detect(gray, min(1.0, QUICK_SIDE_PX / max(gray.shape)), spots, quick=True)


def _bright_parts(gray: Bytes, spots: Collection[int] | None, every: bool) -> list[_Mark]:
    """Where something is brighter than its surroundings, as a sheet of paper on a lawn is, magnified."""
    scale = min(1.0, QUICK_SIDE_PX / max(gray.shape))
    small = np.asarray(cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA))
    stands_out = cv2.subtract(small, cv2.blur(small, (81, 81)))  # a card this size is found in the small copy
    joined = cv2.morphologyEx((stands_out > 30).astype(np.uint8), cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    count, label, facts, _ = cv2.connectedComponentsWithStats(joined)
    strength = np.bincount(label.ravel(), weights=stands_out.ravel(), minlength=count)
    wide = facts[:, 2:4].max(axis=1)
    likely = np.flatnonzero((wide >= 8) & (wide <= 160) & (np.arange(count) > 0))  # 0 is the background
    marks: list[_Mark] = []
    for left, top, width, height, _ in facts[likely[np.argsort(-strength[likely])][:MOST_BRIGHT_PARTS]]:
        pad = 4 + max(width, height) // 3
        box = np.array([left - pad, top - pad, left + width + pad, top + height + pad]) / scale
        box = np.clip(box, 0, np.tile(gray.shape[::-1], 2)).astype(int)
        marks = _merge(marks, _detect_in(gray, (box[0], box[1], box[2], box[3]), spots))
        if not every and _cards(marks):
            break
    return marks


def _whole(gray: Bytes, spots: Collection[int] | None, every: bool) -> list[_Mark]:
    """In the whole picture at half and at full size: slow, and needed least often."""
    marks: list[_Mark] = []
    for scale in (0.5, 1.0):
        if scale * max(gray.shape) > QUICK_SIDE_PX:
            marks = _merge(marks, _detect(gray, scale, spots))
            if _cards(marks):
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


def _detect(
    gray: Bytes, scale: float, spots: Collection[int] | None, *, strict: bool = False, quick: bool = False
) -> list[_Mark]:
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
        if spot in SPOTS and (spots is None or spot in spots):
            marks.append(_Mark(spot, corner, (px[0].astype(float) + 0.5) / scale - 0.5))
    return marks


def _certain(gray: Bytes, mark: _Mark) -> bool:
    """Whether a marker that stands alone is also read without tolerance: grass makes false ones."""
    pad = mark.side_px
    low = np.clip(mark.px.min(axis=0) - pad, 0, None).astype(int)
    high = (mark.px.max(axis=0) + pad).astype(int)
    part = gray[low[1] : high[1], low[0] : high[0]]
    scale = 1.0 if mark.side_px > 60 else 3.0
    return any(m.corner == mark.corner for m in _detect(part, scale, [mark.spot], strict=True))


def _detect_in(gray: Bytes, box: tuple[int, int, int, int], spots: Collection[int] | None) -> list[_Mark]:
    """As ``_detect``, in a part of the picture, magnified until it is about 1500 px (at most fourfold)."""
    x0, y0, x1, y1 = box
    part = gray[y0:y1, x0:x1]
    largest = float(np.clip(1500 / max(part.shape), 0.25, 4.0))
    for scale in (largest, largest / 2):
        marks = _detect(part, scale, spots)
        if len(marks) > 1:
            break
    return [_Mark(m.spot, m.corner, m.px + np.array([x0, y0])) for m in marks]


def _merge(marks: list[_Mark], more: list[_Mark]) -> list[_Mark]:
    """Both lists, the later (finer) finding of the same marker instead of the earlier one."""
    fresh = [m for m in marks if not any(_same(m, n) for n in more)]
    return fresh + more


def _same(a: _Mark, b: _Mark) -> bool:
    near = float(np.linalg.norm(a.px.mean(axis=0) - b.px.mean(axis=0)))
    return (a.spot, a.corner) == (b.spot, b.corner) and near < 0.5 * max(a.side_px, b.side_px)


def _search_around(gray: Bytes, card: list[_Mark], spots: Collection[int] | None) -> list[_Mark]:
    """Look closely where the card's missing markers can be; what was known stays."""
    if len(card) > 1:
        homography = _fit(card)
        outline = _project(homography, CARD.corners_mm / 1000)
    else:  # one marker's perspective reaches no further than its neighbourhood
        reach = 6.5 * float(np.ptp(card[0].px, axis=0).max())
        outline = card[0].px.mean(axis=0) + np.array([[-reach, -reach], [reach, reach]])
    height, width = gray.shape
    x0, y0 = np.clip(np.floor(outline.min(axis=0)), 0, [width - 1, height - 1]).astype(int)
    x1, y1 = np.clip(np.ceil(outline.max(axis=0)) + 1, 1, [width, height]).astype(int)
    found = _detect_in(gray, (int(x0), int(y0), int(x1), int(y1)), spots)
    joined = [
        *card,
        *(m for m in found if m.spot == card[0].spot and all(m.corner != c.corner for c in card)),
    ]
    return max(_cards(joined), key=len, default=card)


# ------------------------------------------------------------------------------------------------ the card


def _cards(marks: list[_Mark]) -> list[list[_Mark]]:
    """Groups of two to four markers that lie as they do on a card, one of each corner."""
    cards = []
    left = sorted(marks, key=lambda m: -m.side_px)
    while left:
        anchor = left.pop(0)
        expect = _project(_fit([anchor]), CARD.marker_centres_mm / 1000)
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


def _fitting(card: list[_Mark]) -> list[_Mark]:
    """Leave out the worst marker until the rest agree on one plane."""
    while len(card) > 1:
        homography = _fit(card)
        off = [np.abs(_project(homography, _MARKERS_M[m.corner]) - m.px).max() for m in card]
        allowed = max(1.5, 0.06 * float(np.median([m.side_px for m in card])))
        if max(off) <= allowed:
            return card
        if len(card) == 2:
            return card[:1]
        rest = [[m for m in card if m is not out] for out in card]
        card = min(rest, key=lambda some: _rms(_fit(some), some))
    return card


def _fit(card: list[_Mark]) -> Floats:
    """Homography, card metres to pixels, least squares over all corners."""
    own = np.concatenate([_MARKERS_M[m.corner] for m in card])
    seen = np.concatenate([m.px for m in card])
    homography, _ = cv2.findHomography(own, seen, 0)
    return np.full((3, 3), np.nan) if homography is None else np.asarray(homography, float)


def _rms(homography: Floats, card: list[_Mark]) -> float:
    off = [_project(homography, _MARKERS_M[m.corner]) - m.px for m in card]
    return float(np.sqrt((np.concatenate(off) ** 2).sum(axis=1).mean()))


def _project(homography: Floats, points: Floats) -> Floats:
    """(..., 2) through a homography."""
    mapped = points @ homography[:, :2].T + homography[:, 2]
    return mapped[..., :2] / mapped[..., 2:]


def _signed_area(corners: Floats) -> float:
    """Positive for clockwise as seen (y runs down)."""
    x, y = corners.T
    return 0.5 * float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum())


def _refine(gray: Bytes, card: list[_Mark]) -> list[_Mark]:
    """Corners to a fraction of a pixel at full size; markers not read are looked for where they must be."""
    card = _fitting([_sharpen(gray, mark) for mark in card])
    if not 2 <= len(card) < 4:
        return card
    homography = _fit(card)
    for corner in set(range(4)) - {m.corner for m in card}:
        mark = _sharpen(gray, _foretold(gray, homography, card[0].spot, corner))
        if _likeness(gray, mark) > 0.7:
            card.append(mark)
    return _fitting(card)


def _pattern(spot: int, corner: int, module_px: int) -> Bytes:
    """The marker's picture with a one-module quiet zone, (10 m, 10 m)."""
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    modules = np.pad(cv2.aruco.generateImageMarker(family, 4 * spot + corner, 8), 1, constant_values=255)
    return np.kron(modules, np.ones((module_px, module_px), np.uint8)).astype(np.uint8)


def _foretold(gray: Bytes, homography: Floats, spot: int, corner: int) -> _Mark:
    """Where a marker matches best near its place by two others, in a view from straight above.

    Two small markers foretell the other two only to several pixels.
    """
    module = int(
        np.clip(
            round(cv2.contourArea(_project(homography, _MARKERS_M[corner]).astype(np.float32)) ** 0.5 / 8),
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
    match = cv2.matchTemplate(above, _pattern(spot, corner, module), cv2.TM_CCOEFF_NORMED)
    column, row = cv2.minMaxLoc(match)[3]
    own = np.array([[0, 0], [8, 0], [8, 8], [0, 8]]) * module - 0.5 + module + np.array([column, row])
    return _Mark(spot, corner, _project(homography @ to_m, own))


def _likeness(gray: Bytes, mark: _Mark) -> float:
    """Correlation of what lies there with the marker's own pattern, -1 to 1."""
    height, width = gray.shape
    if (mark.px < 0).any() or (mark.px > np.array([width - 1, height - 1])).any():
        return -1.0
    own = np.array([[0.5, 0.5], [8.5, 0.5], [8.5, 8.5], [0.5, 8.5]])
    warp = cv2.getPerspectiveTransform(mark.px.astype(np.float32), own.astype(np.float32))
    seen = cv2.warpPerspective(gray, warp, (10, 10), flags=cv2.INTER_LINEAR).astype(float)
    pattern = _pattern(mark.spot, mark.corner, 1).astype(float)
    return float(np.corrcoef(pattern.ravel(), seen.ravel())[0, 1]) if seen.std() > 1 else -1.0


def _sharpen(gray: Bytes, mark: _Mark) -> _Mark:
    """Corners where straight lines along the marker's four edges meet.

    Better than a corner search: it uses the whole edge and shrugs off a blade that lies over part of it.
    """
    px = mark.px
    for _ in range(3):
        before, px = px, _edges_meet(gray, px)
        if np.abs(px - before).max() < 0.02:
            break
    strayed = np.linalg.norm(px - mark.px, axis=1).max() > max(2.5, mark.side_px / 6)
    return mark if strayed or not np.isfinite(px).all() else _Mark(mark.spot, mark.corner, px)


def _edges_meet(gray: Bytes, px: Floats) -> Floats:
    """One round: measure each edge along its length, fit its line, intersect neighbours; (4, 2)."""
    start, along = px, np.roll(px, -1, axis=0) - px
    length = np.linalg.norm(along, axis=1)
    outward = np.stack([along[:, 1], -along[:, 0]], axis=1) / length[:, None]  # corners run clockwise, y down
    area = cv2.contourArea(px.astype(np.float32))
    reach = np.clip(0.85 * area / length / 8, 1.0, 14.0)  # within the black border, and as far into the white
    share = np.linspace(0.1, 0.9, 24)
    step = np.linspace(-1, 1, 41)
    base = start[:, None] + share[None, :, None] * along[:, None]  # (4, 24, 2)
    places = base[:, :, None] + (step[None, :] * reach[:, None])[:, None, :, None] * outward[:, None, None]
    low = np.floor(places.min(axis=(0, 1, 2))).astype(int) - 1
    high = np.ceil(places.max(axis=(0, 1, 2))).astype(int) + 2
    height, width = gray.shape
    low, high = np.clip(low, 0, None), np.minimum(high, [width, height])
    part = _LINEAR[gray[low[1] : high[1], low[0] : high[0]]]
    at = (places - low).astype(np.float32).reshape(4, -1, 2)
    light = cv2.remap(
        part, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    ).reshape(4, 24, 41)
    black = np.median(light[:, :, :8].min(axis=2), axis=1)[:, None, None]
    white = np.median(light[:, :, -8:].max(axis=2), axis=1)[:, None, None]
    rise = np.clip((light - black) / np.maximum(white - black, 1e-6), 0, 1)
    offset = (1 - 2 * rise.mean(axis=2)) * reach[:, None]  # how far outside the guess the edge lies
    lines = _lines(share, offset)
    ends = np.stack([lines[:, 0], lines.sum(axis=1)], axis=1)  # offsets at share 0 and 1
    a = start + ends[:, :1] * outward
    b = start + along + ends[:, 1:] * outward
    return np.stack([_meet(a[k - 1], b[k - 1], a[k], b[k]) for k in range(4)])


def _lines(x: Floats, y: Floats) -> Floats:
    """Robust straight lines y = c0 + c1 x, (K, 2), through (N,) and (K, N); outliers lose their weight."""
    weight = np.ones_like(y)
    for _ in range(4):
        total = weight.sum(axis=1, keepdims=True)
        x_mean, y_mean = (
            (weight * x).sum(axis=1, keepdims=True) / total,
            (weight * y).sum(axis=1, keepdims=True) / total,
        )
        slope = (weight * (x - x_mean) * (y - y_mean)).sum(axis=1, keepdims=True)
        slope = slope / (weight * (x - x_mean) ** 2).sum(axis=1, keepdims=True)
        off = np.abs(y - y_mean - slope * (x - x_mean))
        usual = np.maximum(1.5 * np.median(off, axis=1, keepdims=True), 0.02)
        weight = 1 / (1 + (off / usual) ** 2) ** 2
    return np.asarray(np.hstack([y_mean - slope * x_mean, slope]))


def _meet(a: Floats, b: Floats, c: Floats, d: Floats) -> Floats:
    """Where the line through a and b meets the line through c and d."""
    ab, cd = b - a, d - c
    across = ab[0] * cd[1] - ab[1] * cd[0]
    if abs(across) < 1e-9:
        return np.full(2, np.nan)
    share = ((c - a)[0] * cd[1] - (c - a)[1] * cd[0]) / across
    return a + share * ab


def _sightings(photo: Photo, cards: list[list[_Mark]], marks: list[_Mark]) -> list[Sighting]:
    """Records of the cards that lie wholly in the picture, largest first; errors when there are none."""
    cards = sorted((c for c in cards if len(c) > 1), key=lambda c: -max(m.side_px for m in c))
    whole = [card for card in cards if not _sides_cut(_fit(card), photo.size_px)]
    if whole:
        return [_sighting(photo, card) for card in whole]
    if cards:
        spot, sides = cards[0][0].spot, _sides_cut(_fit(cards[0]), photo.size_px)
        raise CardCutOffError(
            f"the card (spot {spot}) is cut off at the picture's {' and '.join(sides)}: "
            "keep the whole card, with a little lawn around it, in the picture"
        )
    if not marks:
        raise CardNotFoundError(
            "no card found: lay the printed card flat in the picture, all four square marks showing, "
            "large enough that a mark is at least 20 pixels wide, and sharp"
        )
    mark = max(marks, key=lambda m: m.side_px)
    sides = _sides_cut(_fit([mark]), photo.size_px)
    if sides:
        raise CardCutOffError(
            f"only one mark of the card (spot {mark.spot}) shows, the rest seems cut off at the picture's "
            f"{' and '.join(sides)}: keep the whole card in the picture"
        )
    raise CardNotFoundError(
        f"only one of the four marks of the card (spot {mark.spot}) can be read, and two are needed: "
        "clear the grass from it, hold still, go nearer"
    )


def _sides_cut(homography: Floats, size_px: tuple[int, int]) -> list[str]:
    """The sides of the picture beyond which a marker or a patch reaches."""
    boxes = np.concatenate([CARD.patch_boxes_mm.reshape(-1, 2), CARD.marker_corners_mm.reshape(-1, 2)]) / 1000
    x, y = _project(homography, boxes).T
    width, height = size_px
    cut = {
        "left edge": x.min() < -0.5,
        "right edge": x.max() > width - 0.5,
        "upper edge": y.min() < -0.5,
        "lower edge": y.max() > height - 0.5,
    }
    return [side for side, yes in cut.items() if yes]


def _sighting(photo: Photo, card: list[_Mark]) -> Sighting:
    card = sorted(card, key=lambda m: m.corner)
    homography = _fit(card)
    coded, spread, clipped = _read_patches(photo.rgb_coded, homography, CARD.patch_boxes_mm / 1000, inset=0.2)
    return Sighting(
        spot=card[0].spot,
        marker_corners_px=np.stack([m.px for m in card]),
        marker_corners_m=np.stack([_MARKERS_M[m.corner] for m in card]),
        homography=homography,
        reprojection_px=_rms(homography, card),
        corners_px=_project(homography, CARD.corners_mm / 1000),
        patch_names=CARD.patch_names,
        patch_rgb_coded=coded,
        patch_spread=spread,
        patch_clipped=clipped,
        twins_differ=_twins_differ(coded, clipped),
    )


# ------------------------------------------------------------------------------------------------ patches


def _read_patches(
    rgb_coded: Bytes, homography: Floats, boxes: Floats, *, inset: float
) -> tuple[Floats, Floats, Flags]:
    """Colour, relative spread and clipping of each patch, from its inner part.

    boxes : (P, 4), x0, y0, x1, y1 in the homography's units
    inset : share of the width and height left out on each side

    A blade lying over a patch, a speck or its own small shadow are outliers to the median and left out.
    """
    steps = (np.arange(40) + 0.5) / 40 * (1 - 2 * inset) + inset
    low, size = boxes[:, None, :2], boxes[:, None, 2:] - boxes[:, None, :2]
    inner = np.stack(np.meshgrid(steps, steps), axis=-1).reshape(1, -1, 2)
    places = _project(homography, low + size * inner)  # (P, 1600, 2)
    column, line = np.rint(places).astype(int).transpose(2, 0, 1)
    height, width = rgb_coded.shape[:2]
    codes = rgb_coded[np.clip(line, 0, height - 1), np.clip(column, 0, width - 1)]  # (P, 1600, 3)
    linear = _LINEAR[codes]
    middle = np.median(linear, axis=1, keepdims=True)
    sd = 1.4826 * np.median(np.abs(linear - middle), axis=1, keepdims=True)
    usual = (np.abs(linear - middle) <= 2.5 * sd + 0.002).all(axis=2)
    usual[~usual.any(axis=1)] = True
    mean = (linear * usual[..., None]).sum(axis=1) / usual.sum(axis=1)[:, None]
    burnt = ((codes >= 254).any(axis=2) & usual).sum(axis=1) / usual.sum(axis=1)
    dark = ((codes <= 1).all(axis=2) & usual).sum(axis=1) / usual.sum(axis=1)
    coded = srgb_encode(mean)
    clipped = (burnt > 0.02) | (dark > 0.02) | (coded.max(axis=1) > 250) | (coded.max(axis=1) < 6)
    return coded, sd[:, 0].mean(axis=1) / np.maximum(mean.mean(axis=1), 1e-6), clipped


def _twins_differ(coded: Floats, clipped: Flags) -> float:
    """Largest relative difference within a grey pair, in linear light; NaN when no pair can be used."""
    light = srgb_decode(coded[:12]).mean(axis=1)
    upper, lower = light[:6], light[6:]
    usable = ~(clipped[:6] | clipped[6:12])
    if not usable.any():
        return float("nan")
    return float((2 * np.abs(upper - lower) / (upper + lower))[usable].max())
