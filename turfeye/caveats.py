"""What one photo's card, lens and light make doubtful, and what to do about it, a line each."""

from __future__ import annotations

import cv2
import numpy as np

from turfeye import covererror, evened, leafcolour, lighting, photo, stray
from turfeye.notes import Remark
from turfeye.records import Correction, Photo, Sighting

FLAT_MISFIT = 0.02
FLAT_MISFIT_PX = 0.9
"""Marks off by more than this share of their side, and so many pixels, say that the card is bent. On sound
photos they are off by up to 0.016 with grass over the card; with its ends 40 mm up by 0.021 to 0.068."""
WIDE_MM = 18.0
"""Phones' main cameras are equivalent to 23 to 28 mm, wide ones to 13 to 16: common practice, no source."""
LIGHTER = ("grey 1 ", "grey 2 ", "grey 3 ", "grey 4 ")
LONG, LONGEST = 1.9, 2.5
"""How much longer than wide: photos are 4 to 3, 3 to 2 or 16 to 9, phones' screens 18 to 9 and longer, and
cameras that fill those write a header: common practice, no source. Panoramas are longer still."""
MUCH_BURNT = 1 / 3
"""Of the card's steps, from which on a photo is told as too bright: phones' own exposure burns out a sixth at
most (rendered photos), half a stop more a quarter, one stop more two fifths."""
GRAINY = 0.085
"""From this relative spread of light grey steps on a photo is grainy. Rendered photos have 0.066 at most."""
MUCH_HIDDEN = 0.05
"""So much taken off half-covered ground for dark soil is told."""
EVENED_ON_LAWN = (
    "the photo's tones were adjusted locally, as HDR modes do (turf is darker beside what is bright): the "
    f"colour index may be off by {evened.LAWN_INDEX_SE:.2f} because of it; switch HDR and filters off"
)
UNEVEN_TWINS = 0.12
"""Twin grey steps further apart than this say that the card lies in uneven light."""
COARSE = 0.06
"""From here on (1,130 pixels and less) a small photo is told: its cells are by half as unsure again."""
RAISED = (
    "the card lies on something other than turf or soil: if that stands above the ground, all lengths "
    "come out too short and cells lie elsewhere; lay the card on the ground"
)


def of_lens(picture: Photo) -> list[str]:
    """That a very wide lens bends what lies near the picture's rim, or that none took it as it is."""
    longer, shorter = max(picture.size_px), min(picture.size_px)
    if longer > (LONG if picture.camera is None else LONGEST) * shorter:
        return [
            f"longer and narrower ({longer} x {shorter} pixels) than a camera's own photo: if it was taken "
            "off a screen, or is a panorama, its places, and the date of a screen's picture, are wrong; use "
            "the photo itself"
        ]
    if picture.focal_px is None:
        return []
    equivalent_mm = picture.focal_px / photo.focal_from_35mm(1.0, picture.size_px)
    if equivalent_mm >= WIDE_MM:
        return []
    return [
        f"taken with a very wide lens ({equivalent_mm:.0f} mm as on 35 mm film): places near the picture's "
        "rim may be far off; use the phone's main camera"
    ]


def of_size(picture: Photo) -> list[str]:
    """That a photo was made small, and its file holds colour more coarsely still."""
    if covererror.coarse_colour(picture) < COARSE:
        return []
    width, height = picture.size_px
    return [
        f"a small photo ({width} x {height} pixels), as messengers make them: its colours run from blades "
        "into gaps, and cover may read too high; use the camera's own file"
    ]


def of_card(sighting: Sighting | None, correction: Correction | None, *, spot: bool) -> list[str]:
    """What makes colours, places and heights by this card doubtful."""
    if sighting is None:
        return [
            "no card could be read: cover has a wider error and colour is withheld; lay the card flat on the "
            "lawn, near you, in the next photo"
        ]
    said: list[str] = []
    if correction is not None and correction.half_lit:
        said.append(
            "a shadow crosses the card: its sunlit part was used, and colour is given for the sunlit lawn "
            "only; step aside and take the photo again for the rest"
        )
    elif sighting.twins_differ > UNEVEN_TWINS:
        said.append(
            Remark(
                "the card lies in uneven light or is dirty (its twin greys differ by {:.0f} %): keep grass, "
                "its shadows and dirt off it, or turn it",
                100 * sighting.twins_differ,
            )
        )
    if sighting.burnt.mean() >= MUCH_BURNT:
        said.append(
            Remark(
                "too bright: {:.0f} % of the card's steps are burnt out ({steps}), which makes colour and "
                "cover less sure; tap the brightest part of the picture to set the exposure",
                100 * float(sighting.burnt.mean()),
                steps=_burnt_steps(sighting),
            )
        )
    if correction is not None and correction.grey_print:
        said.append(
            "the card's coloured steps show no colour: colours are only as right as the phone's own; print "
            "the card in colour, and use no filter"
        )
    if correction is not None and correction.evened:
        said.append(
            Remark(
                "the photo's tones were adjusted locally, as HDR modes do (paper at the card's sides is "
                "{:.0f} % brighter than in its middle): the colour index may be off by {index_se:.2f} "
                "because of it; switch HDR and filters off",
                100 * float(np.exp(correction.evened) - 1),
                index_se=evened.INDEX_SE * correction.evened,
            )
        )
    if correction is not None and correction.stray:
        said.append(
            Remark(
                "stray light lies over the whole photo ({:.0f} % of white, subtracted): cover and colour are "
                "less sure; wipe the lens, keep the sun off it and wait for mist to go. A card that was "
                "printed pale, or one that shines, looks the same",
                100 * correction.stray,
            )
        )
    elif correction is not None and correction.pale_gaps > stray.PALE_GAPS[1]:
        said.append(
            "the gaps between blades are pale, as stray light makes them (corrected for): cover and "
            "colour are less sure; wipe the lens, keep the sun off it and wait for mist to go"
        )
    if spot:
        said += _flatness(sighting)
    if correction is not None and leafcolour.trusted(correction) is None:
        said.append(
            Remark(
                "colour is withheld: the photo's white balance is off so far that one channel had to be "
                "raised {:.0f} times as much as another; set the phone's white balance to automatic or "
                "daylight",
                correction.cast,
            )
        )
    return said


def _burnt_steps(sighting: Sighting) -> str:
    """Which of the card's steps are burnt out; a grey one is named where one of its pair is."""
    named = [name for name, burnt in zip(sighting.patch_names, sighting.burnt, strict=True) if burnt]
    greys = sorted({int(name.split()[1]) for name in named if name.startswith("grey")})
    told = [f"grey {' and '.join(map(str, greys[-2:]))}"] if 0 < len(greys) < 3 else []
    told += [f"grey {greys[0]} to {greys[-1]}"] if len(greys) > 2 else []
    return ", ".join(told + [name for name in named if not name.startswith("grey")])


def _flatness(sighting: Sighting) -> list[str]:
    """What makes places and heights by this card doubtful: it is bent, or a mark could not be read."""
    sides = [np.sqrt(cv2.contourArea(corners.astype(np.float32))) for corners in sighting.marker_corners_px]
    side_px = float(np.mean(sides))
    off_px = sighting.reprojection_px
    if off_px > max(FLAT_MISFIT * side_px, FLAT_MISFIT_PX):
        return [
            f"the card does not lie flat, or blades lie over its marks (off by {off_px:.1f} pixels): places, "
            "areas and height are less sure; clear it, press it flat or stick it to a board"
        ]
    if sighting.markers < 4:
        return [
            f"only {sighting.markers} of the card's 4 marks could be read: places, areas and tilt are less "
            "sure; clear the card, keep it flat and out of glare"
        ]
    return []


def grain_of(sighting: Sighting) -> float:
    """Relative spread of the lighter grey steps where a noisy photo shows in it, else 0."""
    light = [k for k, name in enumerate(sighting.patch_names) if name.startswith(LIGHTER)]
    spread = float(np.median(sighting.patch_spread[light])) if light else 0.0
    return spread if spread > GRAINY else 0.0


def of_light(hardness: float, grain: float = 0.0, *, at_large: float = np.nan) -> list[str]:
    """Too little light, or light too hard; where it is hard up close only, the photo was sharpened."""
    if grain:  # which makes any light seem hard
        return [
            "a grainy photo, taken in little light: blades melt into the ground, and cover may read too low; "
            "take it in more light"
        ]
    if not hardness >= lighting.HARD:
        return []
    times = (hardness / lighting.USUAL_HARDNESS) ** covererror.Accuracy().hard
    unsure = "cover {:.1f} times as uncertain as usual"
    if at_large >= lighting.HARD_AT_LARGE:
        words = f"hard light: dark gaps between sunlit blades make {unsure}; it is most certain under cloud"
        return [Remark(words, times)]
    if hardness > lighting.SHARPENED * at_large:
        return [
            Remark(
                f"a sharpened photo: blades and gaps stand out more than they do, which makes {unsure}; use "
                "the camera's own file, without enhancement",
                times,
            )
        ]
    return []


def of_soil(hidden: float) -> list[str]:
    """Much taken off half-covered ground for dark soil (`darksoil`)."""
    if hidden < MUCH_HIDDEN:
        return []
    return [
        Remark(
            "dark soil, or long shadows on it: seen obliquely it can look like closed turf, so {:.0f} points "
            "are taken off half-covered ground, less elsewhere; a spot photo from straight above is surer",
            100 * hidden,
        )
    ]


def of_lie(flat: float) -> list[str]:
    """Green that lies flat (`foreshortening`), of which cover isn't lowered for the view angle."""
    if flat == 0:
        return []
    if flat == 1:
        return [
            "the green lies flat, as moss, clover or a drawn picture does, and hides no ground: cover is "
            "taken as it is seen, not lowered for what standing blades would hide"
        ]
    return [
        "the green may lie flat, as moss, clover or a drawn picture does, and hide no ground: cover is "
        "lowered less for what standing blades would hide, and less sure"
    ]
