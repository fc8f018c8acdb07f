"""Whether a picture is that of a screen, not a camera's: it has bars of one colour, or says so itself.

Such a picture has the date on which it was taken off the screen, no lens, a size of its own, and tones that
the screen made brighter. None of it shows in its figures, so it must be told before there are any. A frame or
a bar for words, as cameras can put around a photo, moves the picture's middle, where the lens looks.
"""

from __future__ import annotations

import re
from typing import Final

import numpy as np

from turfeye.records import Bytes, Flags

LEAST_BAR: Final = 0.02
"""Of the picture's side. A phone's status line alone is about three hundredths of it."""
ALIKE: Final = 4
"""Codes by which a bar's own pixels differ, where a JPEG was made of it."""
PLAIN: Final = 0.6
"""Share of a bar's line that has its colour: the rest are a clock, words and buttons."""
RIM: Final = 0.015
"""Of a line at either end, which has nothing but the bar's colour."""
STILL_BAR: Final = 0.35
"""Share of the first lines of the photo that may have the bar's colour too: with more the edge is not the
straight one of a bar, as of a white sky over trees."""
EDGE_LINES: Final = 4
"""Lines over which a bar's edge may be smeared."""
STEP: Final = 3
_NAMES: Final = re.compile(r"screen[ _-]?(shot|capture|grab)|bildschirmfoto", re.IGNORECASE)
_SAID: Final = "screenshot"


def named(name: str, comment: str) -> bool:
    """Whether a file's name or its header's comment says that it was taken off a screen.

    >>> named("Screenshot_20260402-104100.png", ""), named("IMG_0042.PNG", "")
    (True, False)
    """
    return _NAMES.search(name) is not None or _SAID in comment.casefold()


def barred(rgb_coded: Bytes) -> bool:
    """Whether a picture, (H, W, 3), has a bar of one colour below it, or bars on its left and right.

    With a bar above it alone it may still be a photo: a white sky may end at a wall. No photo ends so below.
    """
    turned = rgb_coded.transpose(1, 0, 2)
    return _begins_with_bar(rgb_coded[::-1]) or (_begins_with_bar(turned) and _begins_with_bar(turned[::-1]))


def _begins_with_bar(lines: Bytes) -> bool:
    """Whether the first lines, (N, M, 3), have one colour as far as a straight edge."""
    lines = lines[:, ::STEP]
    colour = np.median(lines[:EDGE_LINES].reshape(-1, 3), axis=0).astype(np.int16)

    def like(some: Bytes) -> Flags:
        return np.asarray((np.abs(some.astype(np.int16) - colour) <= ALIKE).all(axis=2))

    if not _plain(like(lines[: int(np.ceil(LEAST_BAR * len(lines)))])).all():  # so nearly every photo
        return False
    same = like(lines)
    plain = _plain(same)
    first = int(np.argmin(plain)) + EDGE_LINES
    after = same[first : first + EDGE_LINES]
    return not plain.all() and bool(after.size) and bool(after.mean() < STILL_BAR)


def _plain(same: Flags) -> Flags:
    """Which lines have the bar's colour at both ends and nearly all along."""
    rim = max(1, round(RIM * same.shape[1]))
    return np.asarray(same[:, :rim].all(axis=1) & same[:, -rim:].all(axis=1) & (same.mean(axis=1) >= PLAIN))
