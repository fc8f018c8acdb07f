"""Whether a photo is whole or a part of a larger one, as a gallery cuts it out: what tells it, a line each.

The lens that the header tells is the whole photo's, and so is its middle: of a part height, view angle and
what lies far from the card come out wrong, with no other sign. It is told by the size that the header has, a
shape that no camera writes, the card's perspective, and in a lawn's view by what lies around the lawn.
"""

from __future__ import annotations

import math
from typing import Final

from turfeye import photo, view
from turfeye.notes import Remark
from turfeye.records import Photo, Sighting

OTHER_LENS: Final = 0.1
"""Relative. Headers round to whole millimetres, and phones' lenses bend a little: a card that asks for a lens
less unlike its header's is not told. Ours."""
SURE_SDS: Final = 4.0
"""So many of its own errors a card's lens must differ from its header's. Whole photos, rendered, have 1.1 at
most (36 spots, 20 lawn views), cards bent by up to 30 mm 3.8 (720 simulated photos): no lens fits them."""
PLAIN_SDS: Final = 3.0
"""A card whose lens is so surely nearer to its header's than to a part's shows all of the photo. Ours."""
LEAST_SMALLER: Final = 0.02
"""Relative: sides that are shorter than the header says by less are whole blocks of pixels. Ours."""
WHOLE: Final = "use the whole photo, as the camera wrote it"


def of_photo(picture: Photo, sighting: Sighting | None, *, lens_told: bool = False) -> list[str]:
    """That a photo is, or may be, a part of a larger one, by its header, its shape and the card in it.

    ``lens_told`` says that something else shows its lens to be the header's: one that is smaller than its
    header says was made so then.
    """
    (width, height), shot = picture.size_px, picture.shot_px
    unknown = f"its lens is not known any more, and height and view angle are less sure; {WHOLE}"
    if shot is not None and not photo.same_shape(shot, picture.size_px):
        return [
            f"cropped since it was taken (its header says {shot[0]} x {shot[1]} pixels, it has {width} x "
            f"{height}): {unknown}"
        ]
    if picture.camera is not None and not photo.of_a_camera(picture.size_px):
        return [f"cropped, by its shape ({width} x {height} pixels), which no camera writes: {unknown}"]
    smaller = 1.0 if shot is None else max(shot) / max(picture.size_px)
    if sighting is not None and (by_card := view.lens_by_card(picture, sighting)) is not None:
        off, sd = math.log(by_card[0]), by_card[1]
        if abs(off) > max(math.log1p(OTHER_LENS), SURE_SDS * sd):
            return [
                Remark(
                    "cropped or zoomed: by the card's shape the lens is {:.2f} times as long as the header "
                    f"says, so height, view angle and places far from the card are off; {WHOLE}",
                    by_card[0],
                )
            ]
        # cut out and not made smaller, its lens would be longer by as much as its sides are shorter
        lens_told |= off + PLAIN_SDS * sd < math.log(smaller) / 2
    if shot is None or lens_told or smaller < 1 + LEAST_SMALLER:
        return []
    return [
        f"cropped or made smaller since it was taken (its header says {shot[0]} x {shot[1]} pixels, it has "
        f"{width} x {height}): if it was cropped, height, view angle and places far from the card are off; "
        f"{WHOLE}"
    ]


def of_surroundings(times: float, over: str, *, header: bool = True) -> str:
    """That a photo whose lens is so many times as long as its header says, or the one that it was laid over,
    is a part of a larger one; without a ``header`` that it is by the lens' middle."""
    words = (
        "{which}: by what lies around the lawn {tells}. Places go by a lens worked out from the photo, and "
        "are less sure; file the whole photo, as the camera wrote it"
    )
    if not header:
        which, tells = f"cropped, or laid over {over}, which was", "its middle is not the lens'"
        return Remark(words, which=which, tells=tells)
    which = "cropped or zoomed" if times > 1 else f"laid over {over}, which was cropped"
    return Remark(
        words.replace("{tells}", "the lens is {:.2f} times as long as the header says"), times, which=which
    )
