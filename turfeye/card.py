"""The reference card: found in a photo, its patches read.

Markers are searched for in a small copy first, larger ones after, and their corners refined at full size. Two
of the four are enough to place the card; a marker that doesn't fit the others is left out. All positions are
pixels of the photo as read, pixel centres at integers.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np

from turfeye import afar, bleed, edges, evened, marks, overgrown
from turfeye.card_layout import CARD, NOMINAL, PAPER, SPOTS
from turfeye.card_print import draw, draw_for_print, print_pdf, print_png
from turfeye.card_values import read_values
from turfeye.colourspace import decode, encode, lab_to_rgb_linear
from turfeye.errors import (
    CardCutOffError,
    CardError,
    CardNotFoundError,
    CardTooSmallError,
    SeveralCardsError,
)
from turfeye.marks import Mark
from turfeye.notes import Remark
from turfeye.records import Bytes, CardValues, Flags, Floats, Photo, Sighting

__all__ = [
    "CARD", "NOMINAL", "PAPER", "SPOTS", "choose", "draw", "draw_for_print", "find",
    "lab_to_rgb_linear", "print_pdf", "print_png", "read_target", "read_values", "readable",
    "readable_or_why", "seen_at_once", "shows",
]  # fmt: skip

LARGE_MISFIT = 0.02
"""With marks further off than this part of their side, or with one missing, the card is placed by its whole
pattern, if all of it shows: blades that lie over edges lead them astray."""
PHONE_PX = 2400
"""Phones' own photos are longer than this, of 8 megapixels and more: common practice, no source."""
INSET = 0.2
"""Share of a patch's sides that its reading leaves out."""
JPEG_BLOCK_PX = 8.0  # ISO/IEC 10918-1: a JPEG's grain is alike within blocks of so many pixels


def find(photo: Photo) -> Sighting:
    """Find the card; of several the largest in the picture.

    Raises CardNotFoundError (no card, or fewer than
    two of its marks readable), CardTooSmallError (what seems to be one has too few pixels) and
    CardCutOffError (part of it outside the picture).
    """
    return seen_at_once(photo)[0]


def seen_at_once(photo: Photo) -> list[Sighting]:
    """The whole cards seen where the first is found, the largest first: as quick as ``find``, and enough for
    cards that lie at one distance. Raises as ``find`` does.
    """
    gray = marks.to_gray(photo.rgb_coded)
    cards, seen = marks.search(gray)
    if cards:
        return _sightings(photo, cards, seen)
    small, doubtful = afar.cards(photo.rgb_coded)
    if small:
        sd_px = max(one.corner_sd_px for one in small)
        return _sightings(photo, [one.marks for one in small], seen, corner_sd_px=sd_px)
    cards = overgrown.cards(gray)
    if not cards and doubtful is not None:
        raise _too_small(doubtful, photo.size_px)
    if not cards and marks.plainly(np.ascontiguousarray(gray[:, ::-1])):
        raise CardNotFoundError(
            "the picture is mirrored, as front cameras do it, and so is its card: take it with the phone's "
            "main camera, or mirror it back before you hand it in"
        )
    return _sightings(photo, cards, seen)


def readable(photo: Photo) -> list[Sighting]:
    """The whole cards that a photo shows, the largest first; none where none can be read."""
    return readable_or_why(photo)[0]


def readable_or_why(photo: Photo) -> tuple[list[Sighting], str]:
    """The same, and where one seems to lie there and can't be read, why and what to do, in a line."""
    try:
        return seen_at_once(photo), ""
    except (CardTooSmallError, CardCutOffError) as error:
        return [], error.said
    except CardError:
        return [], ""


def shows(photo: Photo) -> bool:
    """Whether a photo plainly shows a card: 20 ms at 12 MP, where the whole search takes up to 800."""
    return marks.plainly(marks.to_gray(photo.rgb_coded))


def choose(cards: Sequence[Sighting], *, spot: int | None = None) -> tuple[Sighting, str]:
    """The card that a photo of one place goes by, and a warning where its number lies there twice.

    ``cards`` are those in the picture, at least one, the largest first; ``spot`` names one of them. A number
    that none of them has is left out of account: one card may serve several pegs.

    Raises SeveralCardsError where cards of different numbers leave open which place it is.
    """
    named = [card for card in cards if card.spot == spot] or list(cards)
    numbers = sorted({card.spot for card in named})
    if len(numbers) > 1:
        words = ", ".join(map(str, numbers[:-1])) + f" and {numbers[-1]}"
        raise SeveralCardsError(
            f"wanted one card, but cards {words} lie in the picture: name the one it goes by "
            f"(--spot {named[0].spot}), or take the photo again with one card in it"
        )
    twice = f"card {numbers[0]} lies in the picture twice: the larger one was used" if len(named) > 1 else ""
    return named[0], twice


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
            f"the target has {rows} x {cols} patches, but {len(values.names)} values were given: give one "
            "for each patch"
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


def _signed_area(corners: Floats) -> float:
    """Positive for clockwise as seen (y runs down)."""
    x, y = corners.T
    return 0.5 * float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum())


# ------------------------------------------------------------------------------------------------ the record


def _sightings(
    photo: Photo, cards: list[list[Mark]], seen: list[Mark], *, corner_sd_px: float = 0.0
) -> list[Sighting]:
    """Records of the cards that lie wholly in the picture, largest first; errors when there are none."""
    cards = sorted((c for c in cards if len(c) > 1), key=lambda c: -max(m.side_px for m in c))
    whole = [card for card in cards if not _sides_cut(marks.fit(card), photo.size_px)]
    if whole:
        found = [_sighting(photo, card) for card in whole]
        return [replace(one, reprojection_px=max(one.reprojection_px, corner_sd_px)) for one in found]
    if cards:
        spot, sides = cards[0][0].spot, _sides_cut(marks.fit(cards[0]), photo.size_px)
        raise CardCutOffError(
            f"the card (spot {spot}) is cut off at the picture's {' and '.join(sides)}: "
            "keep the whole card, with a little lawn around it, in the picture"
        )
    if not seen:
        raise CardNotFoundError(
            "no card found: lay the printed card flat in the picture, all four square marks showing, "
            "large enough that a mark is at least 20 pixels wide, and sharp"
        )
    mark = max(seen, key=lambda m: m.side_px)
    sides = _sides_cut(marks.fit([mark]), photo.size_px)
    if sides:
        raise CardCutOffError(
            f"only one mark of the card (spot {mark.spot}) shows, the rest seems cut off at the picture's "
            f"{' and '.join(sides)}: keep the whole card in the picture"
        )
    raise CardNotFoundError(
        f"only one of the four marks of the card (spot {mark.spot}) can be read, and two are needed: "
        "clear the grass from it, hold still, go nearer"
    )


def _too_small(doubtful: afar.Laid, size_px: tuple[int, int]) -> CardTooSmallError:
    """What to do about what looks like a card whose number can't be told."""
    words = (
        "a card seems to lie there, but can't be read (its marks are {:.0f} pixels wide): stand nearer and "
        "hold still"
    )
    if max(size_px) >= PHONE_PX:
        return CardTooSmallError(Remark(words, doubtful.mark_px))
    words += ", or send the camera's own file (this one is {} pixels long: messengers make photos smaller)"
    return CardTooSmallError(Remark(words, doubtful.mark_px, max(size_px)))


def _sides_cut(homography: Floats, size_px: tuple[int, int]) -> list[str]:
    """The sides of the picture beyond which a marker or a patch reaches."""
    boxes = np.concatenate([CARD.patch_boxes_mm.reshape(-1, 2), CARD.marker_corners_mm.reshape(-1, 2)]) / 1000
    x, y = marks.project(homography, boxes).T
    width, height = size_px
    cut = {
        "left edge": x.min() < -0.5,
        "right edge": x.max() > width - 0.5,
        "upper edge": y.min() < -0.5,
        "lower edge": y.max() > height - 0.5,
    }
    return [side for side, yes in cut.items() if yes]


def _sighting(photo: Photo, card: list[Mark]) -> Sighting:
    read = sorted(card, key=lambda m: m.corner)
    off_px = marks.rms(marks.fit(read), read)
    card = read
    if len(read) < 4 or off_px > LARGE_MISFIT * np.median([m.side_px for m in read]):
        card = overgrown.laid_over(marks.to_gray(photo.rgb_coded), read) or read
    homography = marks.fit(card)
    coded, spread, clipped = _read_patches(
        photo.rgb_coded, homography, CARD.patch_boxes_mm / 1000, inset=INSET
    )
    if _patch_side_px(homography) < bleed.SMALL_PATCH_PX:
        own = bleed.taken_back(coded, coded[[0, 6]].mean(axis=0), homography, inset=INSET)
        coded = np.where(clipped[:, None], coded, own)
    return Sighting(
        spot=card[0].spot,
        marker_corners_px=np.stack([m.px for m in card]),
        marker_corners_m=np.stack([marks.MARKERS_M[m.corner] for m in card]),
        homography=homography,
        reprojection_px=off_px,
        corners_px=marks.project(homography, CARD.corners_mm / 1000),
        patch_names=CARD.patch_names,
        patch_rgb_coded=coded,
        patch_spread=spread,
        patch_clipped=clipped,
        twins_differ=_twins_differ(coded, spread, clipped, side_px=_patch_side_px(homography)),
        evened=evened.by(photo.rgb_coded, homography),
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
    places = marks.project(homography, low + size * inner)  # (P, 1600, 2)
    column, line = np.rint(places).astype(int).transpose(2, 0, 1)
    height, width = rgb_coded.shape[:2]
    codes = rgb_coded[np.clip(line, 0, height - 1), np.clip(column, 0, width - 1)]  # (P, 1600, 3)
    linear = edges.LINEAR[codes]
    middle = np.median(linear, axis=1, keepdims=True)
    off = np.abs(linear - middle)
    sd = 1.4826 * np.median(off, axis=1, keepdims=True)
    usual = (off <= 2.5 * sd + 0.002).all(axis=2)
    usual[~usual.any(axis=1)] = True
    mean = (linear * usual[..., None]).sum(axis=1) / usual.sum(axis=1)[:, None]
    burnt = ((codes >= 254).any(axis=2) & usual).sum(axis=1) / usual.sum(axis=1)
    dark = ((codes <= 1).all(axis=2) & usual).sum(axis=1) / usual.sum(axis=1)
    coded = encode(mean)
    clipped = (burnt > 0.02) | (dark > 0.02) | (coded.max(axis=1) > 250) | (coded.max(axis=1) < 6)
    return coded, sd[:, 0].mean(axis=1) / np.maximum(mean.mean(axis=1), 1e-6), clipped


def _patch_side_px(homography: Floats) -> float:
    """Of the smallest patch, about."""
    x0, y0, x1, y1 = CARD.patch_boxes_mm.T / 1000
    corners = marks.project(homography, np.stack([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]).transpose(2, 0, 1))
    return float(np.sqrt(min(cv2.contourArea(patch.astype(np.float32)) for patch in corners)))


def _twins_differ(coded: Floats, spread: Floats, clipped: Flags, *, side_px: float) -> float:
    """Largest relative difference within a grey pair, in linear light; NaN when no pair can be used.

    Less what the file's grain explains, which is alike within a JPEG's blocks: dark steps of ten pixels
    differ by a fifth in sound photos that a messenger made small.
    """
    light = decode(coded[:12]).mean(axis=1)
    upper, lower = light[:6], light[6:]
    usable = ~(clipped[:6] | clipped[6:12])
    if not usable.any():
        return float("nan")
    grain = (spread[:6] + spread[6:12]) / 2 / max(1.0, side_px / JPEG_BLOCK_PX)
    beyond = 2 * np.abs(upper - lower) / (upper + lower) - grain
    return float(np.maximum(beyond, 0)[usable].max())
