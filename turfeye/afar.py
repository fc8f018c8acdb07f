"""A card too small in the picture for its marks to be read one by one: found and told by all of it at once.

A mark alone is read down to about 1.3 pixels a square of it, and messengers leave fewer. But a card is a
bright sheet with grey steps at known places and four marks, which carry 144 squares together, and any two
cards differ in 44 of them or more (AprilTag 36h11: 11 a mark; Olson 2011, doi 10.1109/ICRA.2011.5979561).
So what all cards have alike is laid over each bright sheet by the enhanced correlation coefficient (see
`overgrown`); then the number is told by whose marks are likest to what lies there, blurred as the picture
is.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import cv2
import numpy as np

from turfeye import marks, sheets
from turfeye.card_layout import CARD, NOMINAL, PAPER, SPOTS
from turfeye.colourspace import encode
from turfeye.marks import Mark
from turfeye.records import Bytes, Floats

MODULE_PX: Final = 3
"""Side of a mark's square in the view from straight above."""
MARK_PX: Final = 8 * MODULE_PX
WINDOW_PX: Final = MARK_PX + 2 * MODULE_PX
PER_M: Final = MARK_PX / (CARD.marker_mm / 1000)
SIZE_PX: Final = (round(CARD.width_mm / 1000 * PER_M), round(CARD.height_mm / 1000 * PER_M))
TO_M: Final = np.array(
    [[1 / PER_M, 0, (1 - SIZE_PX[0]) / 2 / PER_M], [0, -1 / PER_M, (SIZE_PX[1] - 1) / 2 / PER_M], [0, 0, 1]]
)
"""From pixels of the view from above to the card's metres."""
CENTRES_PX: Final = marks.project(np.linalg.inv(TO_M), CARD.marker_centres_mm / 1000)
BLURS_PX: Final = (0.6, 1.2, 2.0)
"""What lens, file and hand blur by, standard deviation in pixels of the photo."""
SMALLEST_PX, LARGEST_PX = 3.5, 40.0
"""Sides of marks that are looked for."""
WORDS_M: Final = (0.0, -0.042)
"""From where to where along y the card has words and its number, which tell nothing."""
LEAST_START, WORTH_SETTLING, WORTH_READING = 0.35, 0.5, 0.1
"""Correlation of a sheet as it is found, and once settled, and lead of a number, below which no more is
done."""
LEAST_AHEAD, LEAST_BY_MARKS, LEAST_ALIKE = 0.2, 0.42, 0.6
"""A number is told from these on, all once settled on its own marks. Of 284 drawn cards on turf
(tools/bench_cards.py; marks of 5 to 18 pixels), most in trouble, wrong numbers led by 0.17 at most; a sound
card of 5 pixels a mark leads by 0.23 and is like its marks by 0.56."""
SEEMS_A_CARD: Final = 0.73
"""Alike from here on it is told that a card seems to lie there: none of 140 photographs without one is."""
MOST_APART: Final = 2.0
"""Sides of one card's marks so far off; what settles on something else may collapse to more."""
CORNER_SD, MOST_SD_PX = 0.75, 0.9
"""By its blur, and at most: more would say that the card is bent."""
SOUND: Final = 0.86
"""Alike as a sound card is, once settled; glare, dirt and folds leave less, and it lies less surely."""


@dataclass(frozen=True, eq=False, slots=True)
class Laid:
    """The pattern of a card, laid over a bright sheet."""

    homography: Floats  # (3, 3), card metres to pixels
    alike: float  # correlation with what all cards have alike
    spot: int
    by_marks: float  # mean correlation of its marks with that number's, less what all marks have alike
    ahead: float  # by how much that is more than the next likest number's
    blur_px: float  # as which its marks are likest, in pixels of the photo

    @property
    def marks(self) -> list[Mark]:
        """Its four marks."""
        return [
            Mark(self.spot, corner, marks.project(self.homography, own))
            for corner, own in enumerate(marks.MARKERS_M)
        ]

    @property
    def corner_sd_px(self) -> float:
        """How far a corner may be off: all four are moved as one, so errors of one card don't average out.

        Of 102 drawn cards (tools/bench_cards.py) places 0.6 m off then lie within one and two errors in 77
        and 93 %.
        """
        doubt = max(1.0, (1 - self.alike) / (1 - SOUND))
        return min(CORNER_SD * self.blur_px * doubt, MOST_SD_PX)

    @property
    def mark_px(self) -> float:
        """Mean side of its marks."""
        return _mark_px(self.homography)


def cards(rgb_coded: Bytes) -> tuple[list[Laid], Laid | None]:
    """Cards of few pixels, and what looks most like one whose number can't be told."""
    gray = marks.to_gray(rgb_coded)
    found: list[Laid] = []
    doubtful: list[Laid] = []
    for one in laid(rgb_coded, gray):
        if one.ahead > WORTH_READING:
            alike, plane = _settled(gray, one.homography, one.spot)
            again = _told(gray, plane, alike)
            sure = again.ahead >= LEAST_AHEAD and again.by_marks >= LEAST_BY_MARKS and alike >= LEAST_ALIKE
            if sure and again.spot == one.spot:
                if not any(marks.same(again.marks[0], other.marks[0]) for other in found):
                    found.append(again)
                continue
        if one.alike >= SEEMS_A_CARD:
            doubtful.append(one)
    return found, max(doubtful, key=lambda one: one.alike, default=None)


def laid(rgb_coded: Bytes, gray: Bytes) -> list[Laid]:
    """What may be a card over each bright sheet in the picture, the surest first."""
    found = []
    white = sheets.whiteness(rgb_coded)
    for left, top, right, bottom in sheets.every_box(white):
        inside = sheets.quads_in(white[top:bottom, left:right])
        places = [(quad + np.array([left, top]), size) for quad, size in inside]
        if (one := _laid_on(gray, places)) is not None:
            found.append(one)
    return sorted(found, key=lambda one: -one.ahead)


def _laid_on(gray: Bytes, places: list[tuple[Floats, tuple[float, float]]]) -> Laid | None:
    starts = []
    for quad, size_mm in places:
        own = np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]) * np.array(size_mm) / 2000
        area_px = cv2.contourArea(quad.astype(np.float32))
        side_px = CARD.marker_mm * float(np.sqrt(area_px / (size_mm[0] * size_mm[1])))
        for turn in range(4):
            plane = np.asarray(
                cv2.getPerspectiveTransform(
                    own.astype(np.float32), np.roll(quad, turn, axis=0).astype(np.float32)
                ),
                float,
            )
            if SMALLEST_PX <= side_px <= LARGEST_PX:
                pattern, counts = (_coarse(each) for each in _all_alike(_blur_px(BLURS_PX[0], side_px)))
                starts.append((_correlation(pattern, _from_above(gray, plane, step=3), counts), plane))
    starts = sorted((one for one in starts if one[0] > LEAST_START), key=lambda one: -one[0])[:2]
    best = None
    for _, plane in starts:
        alike, plane = _settled(gray, plane)
        sides_px = _sides_px(plane)
        if alike < WORTH_SETTLING or max(sides_px) > MOST_APART * min(sides_px):
            continue
        for turned in (plane, plane @ np.diag([-1.0, -1.0, 1.0])):
            one = _told(gray, turned, alike)
            if best is None or one.ahead > best.ahead:
                best = one
    return best


def _mark_px(plane: Floats) -> float:
    return float(np.mean(_sides_px(plane)))


def _sides_px(plane: Floats) -> list[float]:
    own = marks.project(plane, marks.MARKERS_M).astype(np.float32)
    return [float(cv2.contourArea(mark)) ** 0.5 for mark in own]


def _blur_px(blur_px: float, side_px: float) -> float:
    """A blur in the photo as one in the view from above, in steps of a half: patterns are kept by it."""
    return max(0.5, round(2 * blur_px * MARK_PX / side_px) / 2)


# ------------------------------------------------------------------------------------------------ where


def _from_above(gray: Bytes, plane: Floats, *, rim: int = 0, step: int = 1) -> Floats:
    """The card seen from straight above, (H, W) float32, with ``rim`` pixels around it, every ``step``-th.

    All against the paper near by, since a shadow may cross the card.
    """
    first = (step - 1) / 2 - rim
    to_px = plane @ TO_M @ np.array([[step, 0, first], [0, step, first], [0, 0, 1.0]])
    size = (SIZE_PX[0] + 2 * rim) // step, (SIZE_PX[1] + 2 * rim) // step
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    seen = np.asarray(cv2.warpPerspective(gray, to_px, size, flags=flags), np.float32)
    near = np.ones((30 // step + 1, 30 // step + 1), np.uint8)
    paper = cv2.blur(cv2.dilate(seen, near), (15 // step, 15 // step))
    return np.asarray(200 * seen / np.maximum(paper, 8), np.float32)


def _coarse(pattern: np.ndarray) -> np.ndarray:
    size = SIZE_PX[0] // 3, SIZE_PX[1] // 3
    return np.asarray(cv2.resize(pattern[: 3 * size[1], : 3 * size[0]], size, interpolation=cv2.INTER_AREA))


def _correlation(a: Floats, b: Floats, counts: Bytes) -> float:
    a, b = a[counts > 0], b[counts > 0]
    a, b = a - a.mean(), b - b.mean()
    return float((a @ b) / np.sqrt((a @ a) * (b @ b) + 1e-9))


def _settled(gray: Bytes, plane: Floats, spot: int | None = None) -> tuple[float, Floats]:
    """The pattern moved to where it lies best: its correlation there, and the homography."""
    blur = _blur_px(BLURS_PX[0], _mark_px(plane))
    pattern, counts = _all_alike(blur) if spot is None else _pattern(spot, blur)
    ends = (cv2.TERM_CRITERIA_COUNT | cv2.TERM_CRITERIA_EPS, 60, 1e-4)
    still = np.eye(3, dtype=np.float32)
    try:
        alike, moved = cv2.findTransformECC(
            pattern, _from_above(gray, plane), still, cv2.MOTION_HOMOGRAPHY, ends, counts, 3
        )
    except cv2.error:
        return -1.0, plane
    return float(alike), plane @ TO_M @ np.asarray(moved, float) @ np.linalg.inv(TO_M)


# ------------------------------------------------------------------------------------------------ which


def _told(gray: Bytes, plane: Floats, alike: float) -> Laid:
    """Whose marks they are."""
    rim = 2 * MODULE_PX
    above = _from_above(gray, plane, rim=rim)
    seen = []
    for centre in CENTRES_PX:
        left, top = np.rint(centre - (WINDOW_PX - 1) / 2 + rim).astype(int)
        seen.append(
            [
                above[top + down : top + down + WINDOW_PX, left + right : left + right + WINDOW_PX].ravel()
                for down in (-1, 0, 1)
                for right in (-1, 0, 1)
            ]
        )
    windows = np.array(seen)  # (4, 9, pixels)
    best = None
    for blur_px in BLURS_PX:
        own, mean = _marks(_blur_px(blur_px, _mark_px(plane)))
        here = windows - windows.mean(axis=2, keepdims=True)
        here = here - (here @ mean)[..., None] * mean
        here /= np.linalg.norm(here, axis=2, keepdims=True) + 1e-6
        likeness = np.einsum("scp,cmp->scm", own, here).max(axis=2).mean(axis=1)  # (spots,)
        likest, second = np.argsort(-likeness)[:2]
        one = Laid(
            plane,
            alike,
            SPOTS[likest],
            float(likeness[likest]),
            float(likeness[likest] - likeness[second]),
            blur_px,
        )
        if best is None or one.ahead > best.ahead:
            best = one
    assert best is not None
    return best


# ------------------------------------------------------------------------------------------------ patterns


@lru_cache(maxsize=1)
def _plain_marks() -> Floats:
    """Every mark with its quiet zone, (spots, 4, N, N), in codes of print on paper."""
    white = float(encode(np.array([PAPER]))[0])
    own = [[marks.pattern(spot, corner, MODULE_PX) for corner in range(4)] for spot in SPOTS]
    return np.array(own, np.float32) / 255 * (white - 20) + 20


@lru_cache(maxsize=12)
def _marks(blur: float) -> tuple[Floats, Floats]:
    """Every mark blurred, less what all have alike, of length 1, (spots, 4, pixels); what they have alike."""
    blurred = np.array([[cv2.GaussianBlur(mark, (0, 0), blur) for mark in four] for four in _plain_marks()])
    flat = blurred.reshape(*blurred.shape[:2], -1)
    flat -= flat.mean(axis=2, keepdims=True)
    mean = flat.mean(axis=(0, 1))
    mean /= np.linalg.norm(mean)
    flat -= (flat @ mean)[..., None] * mean
    return flat / np.linalg.norm(flat, axis=2, keepdims=True), mean


@lru_cache(maxsize=12)
def _all_alike(blur: float) -> tuple[Floats, Bytes]:
    """What all cards have alike, in codes, (H, W), and what of it counts."""
    return _drawn(np.repeat(_plain_marks().mean(axis=(0, 1))[None], 4, axis=0), blur)


@lru_cache(maxsize=4)
def _pattern(spot: int, blur: float) -> tuple[Floats, Bytes]:
    """The same of one card."""
    return _drawn(_plain_marks()[spot - SPOTS[0]], blur)


def _drawn(four: Floats, blur: float) -> tuple[Floats, Bytes]:
    width, height = SIZE_PX
    sheet = np.full((height, width), encode(np.array([PAPER]))[0], np.float32)
    to_px = np.linalg.inv(TO_M)
    for box_mm, linear in zip(CARD.patch_boxes_mm, NOMINAL.rgb_linear, strict=True):
        ends = marks.project(to_px, box_mm.reshape(2, 2) / 1000) + 0.5
        left, top = np.rint(ends.min(axis=0)).astype(int)
        right, bottom = np.rint(ends.max(axis=0)).astype(int)
        code = encode(linear)
        sheet[top:bottom, left:right] = cv2.cvtColor(code.astype(np.float32)[None, None], cv2.COLOR_RGB2GRAY)
    for mark, centre in zip(four, CENTRES_PX, strict=True):
        to_place = np.column_stack([np.eye(2), centre - (WINDOW_PX - 1) / 2])
        over = cv2.warpAffine(mark, to_place, (width, height), borderValue=-1.0)
        sheet = np.where(over >= 0, over, sheet).astype(np.float32)
    counts = np.full((height, width), 255, np.uint8)
    rows = marks.project(to_px, np.array([[0.0, WORDS_M[0]], [0.0, WORDS_M[1]]]))[:, 1].round().astype(int)
    counts[rows[0] : rows[1]] = 0
    return np.asarray(cv2.GaussianBlur(sheet, (0, 0), blur), np.float32), counts
