"""Whether two photos from above show the very same ground, by its texture about the card.

A second photo of a plot that goes by the next one's number shifts all numbers after it. Where the card lay
still, what lies about it has the same metres in both, from wherever they were taken; other ground has nothing
in common.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Final

import cv2
import numpy as np

from turfeye import view
from turfeye.records import Floats, Photo, View

STEP_M: Final = 0.005
FINER: Final = 4
"""So many samples a step and way are averaged: blades between them would come out by chance."""
REACH_M: Final = (0.42, 0.36)
"""So far from the card's middle ground is compared, along and across it: what photos from 1.3 m show."""
CARD_M: Final = (0.40, 0.31)
"""Left out about the card's middle: A4, with 5 cm about it for its shadow."""
AROUND_M: Final = 0.085
"""Lighter or darker than so wide a part around it: light and cover change over more than that."""
ALIKE: Final = 0.3
"""Correlation from which ground is the same. Of the sample trial's 75 pairs of different spots it is 0.02 at
most, of 132 pairs of other rendered spots 0.03. In the sample's spots photographed once more (rendered, from
4 cm and up to 20 degrees off, 21 pairs) it is 0.86 at least in March, 0.78 in April, 0.65 in closed turf.
"""
ASIDE_M: Final = 0.04
"""Moved so far aside the same ground is like nothing, so less alike by `LESS`; drilled rows stay alike."""
LESS: Final = ALIKE / 2
PART: Final = 16
"""Steps that a part is wide and deep."""
LEAST_SHOWN: Final = 2000
"""So many steps that both show are enough to compare: a twelfth of all."""


def about_card(photo: Photo, seen: View) -> Floats:
    """The ground's texture about the card of a photo, (H, W) float32; NaN where it shows none or the card."""
    gray = cv2.cvtColor(photo.rgb_coded, cv2.COLOR_RGB2GRAY).astype(np.float32)
    at_px = view.project(seen, _net(STEP_M / FINER)).astype(np.float32)
    x_px, y_px = at_px[..., 0], at_px[..., 1]
    fine = np.asarray(cv2.remap(gray, x_px, y_px, cv2.INTER_LINEAR, borderValue=np.nan))
    middles = _net(STEP_M)
    ground = fine.reshape(middles.shape[0], FINER, middles.shape[1], FINER).mean(axis=(1, 3))
    ground[(np.abs(middles) < np.array(CARD_M) / 2).all(axis=-1)] = np.nan
    return _texture(ground)


def _net(step_m: float) -> Floats:
    """The middles (H, W, 2) of squares of that side, all over what is compared, metres from the card's."""
    x, y = ((np.arange(round(2 * reach / step_m)) + 0.5) * step_m - reach for reach in REACH_M)
    return np.stack(np.meshgrid(x, y), axis=-1)


def _texture(ground: Floats) -> Floats:
    """How much lighter than what is around it each part is, in standard deviations there."""
    shown, side = np.isfinite(ground), round(AROUND_M / STEP_M)

    def mean(values: Floats) -> Floats:
        share = cv2.blur(shown.astype(np.float32), (side, side))
        return np.asarray(
            cv2.blur(np.where(shown, values, 0).astype(np.float32), (side, side)) / np.maximum(share, 1e-6)
        )

    off = np.where(shown, ground - mean(ground), 0)
    return np.where(shown, off / np.sqrt(np.maximum(mean(off**2), 1e-6)), np.nan).astype(np.float32)


def pairs(grounds: Sequence[Floats]) -> list[tuple[int, int]]:
    """Which of some photos' grounds (`about_card`) are the same, by their indexes, each pair once."""
    if len(grounds) < 2:
        return []
    flat = np.stack([ground.ravel() for ground in grounds])
    shown = np.isfinite(flat).astype(np.float32)
    flat = np.nan_to_num(flat)
    squares = (flat**2) @ shown.T
    alike = flat @ flat.T / np.sqrt(np.maximum(squares * squares.T, 1e-9))
    alike[shown @ shown.T < LEAST_SHOWN] = 0
    near = np.argwhere(np.triu(alike, 1) > ALIKE).tolist()
    return [
        (a, b)
        for a, b in near
        if _everywhere(grounds[a], grounds[b]) > ALIKE and alike[a, b] - _aside(grounds[a], grounds[b]) > LESS
    ]


def _everywhere(one: Floats, other: Floats) -> float:
    """What three quarters of the parts of two grounds correlate by at least; 0 where no part is whole.

    A frame that is laid with the card is the same in all photos, and all that it doesn't hold is not.
    """
    parts = []
    for row, column in itertools.product(*(range(0, side - PART + 1, PART) for side in one.shape)):
        a, b = (ground[row : row + PART, column : column + PART].ravel() for ground in (one, other))
        if np.isfinite(a + b).all() and a.std() > 0 < b.std():
            parts.append(float(np.corrcoef(a, b)[0, 1]))
    return float(np.quantile(parts, 0.25)) if parts else 0.0


def _aside(one: Floats, other: Floats) -> float:
    """The greatest correlation of two grounds moved against each other, aside, along or both."""
    steps = round(ASIDE_M / STEP_M)
    found = []
    for down, right in itertools.product((-steps, 0, steps), repeat=2):
        if down or right:
            moved = np.roll(other, (down, right), axis=(0, 1))
            both = np.isfinite(one) & np.isfinite(moved)
            found.append(float(np.corrcoef(one[both], moved[both])[0, 1]))
    return max(found)
