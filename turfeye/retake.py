"""How to take a photo better: what its faults ask for, in a line each, and where in the picture they are."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

from turfeye.faults import BURNT, CARD, DARK, GLARE, LEAVES, MOVED, SNOW, SOFT, THING, Faults, block_px
from turfeye.notes import Remark
from turfeye.records import Flags

ADVICE: Final = {
    BURNT: "burnt out {where}: tap the brightest part to set the exposure, or wait for cloud",
    DARK: "too dark {where}: turn round or wait for cloud",
    MOVED: "blurred by movement {where}: hold the phone still and take it again",
    SOFT: "out of focus {where}: wipe the lens, tap the grass to focus and take it again",
    GLARE: "wet glare {where}: let the grass dry, or stand with the sun behind you",
    SNOW: "snow or frost {where}: wait until it has gone",
    LEAVES: "fallen leaves {where}, or bare soil of that colour, then not counted: rake leaves off first",
    THING: "something lies on the lawn {where}: move it away; bare holes can look so, and then don't count",
}
WORTH_A_HINT: Final = {MOVED: 0.12, SOFT: 0.12, THING: 0.005}
"""From which share of the lawn a fault is told; 2 % for the others. Single blocks look blurred by chance, and
a boot is a hundredth of a spot photo."""
MUCH: Final = 0.075
"""From this share of the lawn on it is said how much leaves and things take up: that may be bare ground, and
the mean of a photo is that of the rest."""
UNSCALED_THING: Final = 0.03
"""Without a card nothing says how large a thing is, and clods may look like one."""


def hints(found: Faults) -> tuple[str, ...]:
    """How to take the photo better, one line a fault, the largest first; none for a sound photo."""
    lawn = np.ones(found.fault.shape, bool) if found.lawn is None else found.lawn
    scaled = (found.fault == CARD).any()
    lawn = lawn & (found.fault != CARD)
    if not lawn.any():
        return ()
    said: list[tuple[float, str]] = []
    for code, words in ADVICE.items():
        mask = found.fault == code
        if not mask.any():
            continue
        lying = code in (THING, LEAVES)
        mask &= _inner(lawn, block_px(lawn.shape)) if lying else lawn
        share = _share(mask, lawn)
        if share >= (UNSCALED_THING if code == THING and not scaled else WORTH_A_HINT.get(code, 0.02)):
            where = _where(mask, lawn)
            if lying and share >= MUCH:
                much = words.replace("{where}", "{where} ({} % of it)")
                said.append((share, Remark(much, 5 * round(20 * share), where=where)))
            else:
                said.append((share, Remark(words, where=where)))
    if (share := _share(found.corners & lawn, lawn)) >= 0.02:
        said.append((share, "dark corners: check for a case or a finger at the lens"))
    mask = found.other_light & lawn & ~found.corners
    share = _share(mask, lawn)
    if share >= 0.02:
        where = _where(mask, lawn)
        words = (
            f"the light {where} differs from that on the card: lay the card in the lawn's light, or wait for "
            "cloud"
        )
        said.append((share, words))
    elif found.shade_edge:
        said.append(
            (share, "the edge of a shadow crosses the picture: wait until it has passed, or for cloud")
        )
    return tuple(words for _, words in sorted(said, reverse=True))


def _share(mask: Flags, of: Flags) -> float:
    """How many flags are up beside those of another: counted, which is ten times quicker than added."""
    return np.count_nonzero(mask) / np.count_nonzero(of)


def _inner(lawn: Flags, side: int) -> Flags:
    """The lawn without its rim and one about the card: an edging of bricks is no thing left lying there."""
    rim = np.ones((4 * side + 1, 4 * side + 1), np.uint8)  # a square: OpenCV takes it side by side
    return np.asarray(cv2.erode(lawn.view(np.uint8), rim)) > 0


def _where(mask: Flags, lawn: Flags) -> str:
    """Which third of the picture, in words: where more of the lawn is marked than in the others together.

    Of its lawn, as seen obliquely the outer and upper thirds hold less of it; and most of what is marked.
    """
    if _share(mask, lawn) > 0.6:
        return "all over"
    best, words = 0.0, "in places"
    for axis, names in ((1, ("left", "middle", "right")), (0, ("upper", "middle", "lower"))):
        thirds = zip(np.array_split(mask, 3, axis=axis), np.array_split(lawn, 3, axis=axis), strict=True)
        parts = [(_share(part, mask), _share(part, on) if on.any() else 0.0) for part, on in thirds]
        of_mask, of_lawn = np.array(parts).T
        third, held = int(of_lawn.argmax()), float(of_lawn.max() / of_lawn.sum())
        if held > max(best, 0.62) and of_mask[third] > 0.5 and names[third] != "middle":
            best, words = held, f"in the {names[third]} third"
    return words
