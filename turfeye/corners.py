"""What speaks against corners that were marked in a photo, or against the outline's lengths, a line each.

By a card, where one lies in it; by the lens, which lengths that don't go together contradict; by where the
camera would have stood, which is all that tells an outline of another size where no card lies.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import cv2
import numpy as np

from turfeye import outline, photo, view
from turfeye.card_layout import CARD
from turfeye.errors import ViewError
from turfeye.notes import Remark
from turfeye.records import Floats, Photo, Sighting, View

OFF_SIZE = 0.12
"""A card that comes out larger or smaller than it is by more than this speaks against the outline's lengths.
With corners marked to 1 % of the width, rendered photos have 0.06 at most."""
OTHER_LENS = 0.15
"""Relative. With corners marked to 1 % of the width the lens that they ask for is off by 0.07 at most, with
an outline a seventh too long or too narrow by 0.13 and more (rendered tuning lawns)."""
PHONES_MM = (20.0, 36.0)
"""Main cameras of phones, as on 35 mm film, with some room: common practice, no source."""
OFF_CORNERS = 0.009
"""Of the width. Corners marked to 1 % of it miss by 0.006 at most, with one of them a fifth off by 0.010."""
HELD_M = (1.0, 15.0)
"""From where lawns are photographed: no lower than a hand, no higher than a fourth floor. Ours."""
SAME_STAND_M, SAME_AIM_DEG = 0.8, 15.0
"""Two marked views whose cameras would be no further apart, and look so alike, are one standing point, or
one of them is marked round the wrong way. Ours."""
MEND = "measure the sides and a diagonal again, and check which corner is where"


def of_size(sighting: Sighting, seen: View, *, rule_mm: float) -> list[str]:
    """That the card comes out larger or smaller than it is in a view by the outline's marked corners.

    ``rule_mm`` is what the card's 100 mm rule measures as printed.
    """
    ground_m2 = cv2.contourArea(view.unproject(seen, sighting.corners_px).astype(np.float32))
    card_m2 = CARD.width_mm * CARD.height_mm / 1e6 * (rule_mm / CARD.rule_mm) ** 2
    times = math.sqrt(ground_m2 / card_m2)
    if not times > 0 or abs(math.log(times)) <= math.log1p(OFF_SIZE):
        return []
    return [
        Remark(
            "by the outline's lengths the card in it would be {0:.2g} times as large as it is; if it lies "
            "on the ground, they are about {0:.2g} times the true ones, and areas and seed {1:.2g} times: "
            "measure a side again, then check outline_m in lawn.toml, the marked corners, and the card's 100 "
            "mm rule",
            times,
            times**2,
        )
    ]


def of_lens(picture: Photo, corners_px: Floats, outline_m: Floats) -> list[str]:
    """That no lens sees the marked corners so, or another than took the photo."""
    wanted = view.lens_by_corners(picture, corners_px, outline_m)
    if wanted is None:
        return []
    mm, doubt, off_px = wanted[0], 3 * wanted[1], wanted[2]
    if off_px > OFF_CORNERS * picture.size_px[0]:
        return [
            f"the marked corners miss the outline by {off_px:.0f} pixels on average, whatever the lens: one "
            f"is not where it is marked, or a length is wrong; {MEND}"
        ]
    asked = f"by the outline's lengths the marked corners would need a lens of {mm:.0f} mm (as on 35 mm film)"
    if picture.focal_px is None:
        low_mm, high_mm = PHONES_MM
        if low_mm * math.exp(-doubt) <= mm <= high_mm * math.exp(doubt):
            return []
        return [
            f"{asked}, and phones' main cameras have {low_mm:.0f} to {high_mm:.0f}: unless it was zoomed or "
            f"cropped, a length is wrong; {MEND}"
        ]
    own_mm = picture.focal_px / photo.focal_from_35mm(1.0, picture.size_px)
    if abs(math.log(mm / own_mm)) <= max(math.log1p(OTHER_LENS), doubt):
        return []
    cropped = "the photo was cropped or zoomed (mark the whole one), " if mm > own_mm else ""
    return [
        f"{asked}, and the photo was taken with {own_mm:.0f} mm: {cropped}the outline is too long or too "
        f"narrow one way, or a corner is not where it is marked; {MEND}"
    ]


def astray(picture: Photo, corners_px: Floats, outline_m: Floats) -> float:
    """How far corners, in whatever order, are from what a lens sees of the outline: 1 is where `of_lens`
    begins to tell the lens, or the corners' misfit. Without a header any phone's lens will do.

    Infinite where no camera sees them so.
    """
    try:
        wanted = view.lens_by_corners(picture, corners_px, outline_m)
    except ViewError:
        return math.inf
    if wanted is None:
        return math.inf
    mm, _, off_px = wanted
    low_mm, high_mm = PHONES_MM
    if picture.focal_px is not None:
        low_mm = high_mm = picture.focal_px / photo.focal_from_35mm(1.0, picture.size_px)
    lens = max(math.log(low_mm / mm), math.log(mm / high_mm), 0.0) / math.log1p(OTHER_LENS)
    return lens + off_px / (OFF_CORNERS * picture.size_px[0])


def of_height(seen: View) -> list[str]:
    """That nobody stands so low or so high as a view by marked corners has it."""
    low_m, high_m = HELD_M
    if low_m <= seen.height_m <= high_m:
        return []
    return [
        f"by the outline's lengths it {standpoint(seen)}: if that is wrong, so are they, and all areas; "
        "check outline_m in lawn.toml, in metres"
    ]


def stand_alike(one: View, other: View) -> bool:
    """Whether two views would be taken from one place, looking the same way."""
    ahead = float(np.clip(one.rotation[2] @ other.rotation[2], -1, 1))
    near = float(np.linalg.norm(one.camera_m - other.camera_m)) <= SAME_STAND_M
    return near and math.degrees(math.acos(ahead)) <= SAME_AIM_DEG


def of_other_views(seen: View, others: Mapping[str, View]) -> list[str]:
    """That a photo would be taken from where another view was: of a lawn that looks alike from both ends,
    the letters may be on the corners across."""
    return [
        f"by these corners it was taken from where view {name!r} was. If it was taken from elsewhere, the "
        "letters are on the wrong corners: move them round and mark it anew"
        for name, other in others.items()
        if stand_alike(seen, other)
    ]


def standpoint(seen: View, outline_m: Floats | None = None) -> str:
    """From where a photo was taken, by the outline's lengths: whoever took it can tell if that is right."""
    words = f"was taken from {seen.height_m:.1f} m above the lawn"
    if outline_m is None:
        return words
    away_m = np.linalg.norm(np.asarray(outline_m, float) - seen.camera_m[:2], axis=1)
    nearest = int(np.argmin(away_m))
    name = outline.corner_names(len(away_m))[nearest]
    return f"{words}, {away_m[nearest]:.1f} m along the ground from corner {name}"
