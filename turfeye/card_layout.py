"""The card's geometry and its patches' values: the one place that printing and finding share.

Card coordinates are millimetres here, with the origin at the card's centre, x to the right along the long
side as the text reads, y up the short side. A marker's corners, like the card's, are listed from
(-x, +y) clockwise as the text reads.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from turfeye.colourspace import lab_to_rgb_linear
from turfeye.records import CardValues, Floats

NEUTRAL_L = (94.0, 80.0, 66.0, 52.0, 38.0, 25.0)
"""CIE L* of the six grey steps; the first is the bare paper."""

COLOURED_LAB = {
    "light green": (70.0, -24.0, 34.0),
    "mid green": (52.0, -26.0, 31.0),
    "dark green": (36.0, -17.0, 18.0),
    "yellow-green": (73.0, -14.0, 52.0),
    "straw": (77.0, 2.0, 34.0),
    "brown": (38.0, 8.0, 19.0),
}
"""CIE L*a*b* (D65) of the six coloured steps: the range that a lawn goes through, from soil to full cover."""


@dataclass(frozen=True)
class CardLayout:
    """Where everything lies on the card, in millimetres.

    The active area (260 x 190) leaves at least 9 mm of margin on both A4 (297 x 210) and US Letter
    (279.4 x 215.9), laid on their long side.
    """

    width_mm: float = 260.0
    height_mm: float = 190.0
    marker_mm: float = 46.0
    marker_x_mm: float = 101.0  # centres at (+-x, +-y)
    marker_y_mm: float = 66.0
    neutral_size_mm: tuple[float, float] = (22.0, 34.0)
    neutral_gap_mm: float = 2.0
    neutral_y_mm: float = 66.0  # the two rows' centres are at +-y
    coloured_size_mm: tuple[float, float] = (38.0, 32.0)
    coloured_gap_mm: float = 4.0
    coloured_y_mm: float = 19.0
    rule_mm: float = 100.0
    rule_start_mm: tuple[float, float] = (-124.0, -35.0)

    @property
    def corners_mm(self) -> Floats:
        """The active area's corners, (4, 2)."""
        return _box(0.0, 0.0, self.width_mm, self.height_mm)

    @property
    def marker_centres_mm(self) -> Floats:
        """(4, 2), corner 0 at (-x, +y), then clockwise."""
        return _box(0.0, 0.0, 2 * self.marker_x_mm, 2 * self.marker_y_mm)

    @property
    def marker_corners_mm(self) -> Floats:
        """(4 markers, 4 corners, 2)."""
        own = _box(0.0, 0.0, self.marker_mm, self.marker_mm)
        return self.marker_centres_mm[:, None, :] + own

    @property
    def patch_names(self) -> tuple[str, ...]:
        """Eighteen names: the upper grey row, the lower grey row, the coloured row."""
        upper = tuple(f"grey {k + 1} upper" for k in range(6))
        lower = tuple(f"grey {k + 1} lower" for k in range(6))
        return upper + lower + tuple(COLOURED_LAB)

    @property
    def patch_boxes_mm(self) -> Floats:
        """(18, 4) as x0, y0, x1, y1, in the order of ``patch_names``.

        The lower grey row is the upper one turned half round about the card's centre, so a light gradient
        in any direction sets the two patches of a pair (k, k + 6) apart.
        """
        upper = _row(6, self.neutral_size_mm, self.neutral_gap_mm, self.neutral_y_mm)
        lower = -upper[:, [2, 3, 0, 1]]
        coloured = _row(6, self.coloured_size_mm, self.coloured_gap_mm, self.coloured_y_mm)
        return np.concatenate([upper, lower, coloured])


def _box(x: float, y: float, width: float, height: float) -> Floats:
    """Four corners from (-x, +y) clockwise."""
    half_w, half_h = width / 2, height / 2
    return np.array(
        [
            [x - half_w, y + half_h],
            [x + half_w, y + half_h],
            [x + half_w, y - half_h],
            [x - half_w, y - half_h],
        ]
    )


def _row(count: int, size: tuple[float, float], gap: float, y: float) -> Floats:
    """Boxes side by side, centred on x = 0; (count, 4)."""
    width, height = size
    left = (np.arange(count) - (count - 1) / 2) * (width + gap) - width / 2
    return np.stack(
        [left, np.full(count, y - height / 2), left + width, np.full(count, y + height / 2)], axis=1
    )


CARD = CardLayout()

SPOTS = range(146)
"""AprilTag 36h11 has 587 markers; marker id = 4 x spot + corner."""


def _nominal() -> CardValues:
    neutral = np.array([(lightness, 0.0, 0.0) for lightness in NEUTRAL_L])
    lab = np.concatenate([neutral, neutral, np.array(list(COLOURED_LAB.values()))])
    flags = np.arange(18) < 12
    return CardValues(CARD.patch_names, lab_to_rgb_linear(lab), flags, measured=False)


NOMINAL = _nominal()
"""What an office printer makes of the card on plain matt paper, near enough; greys hold better than colours.
Common practice, no source; measured values replace it (``read_values``)."""

PAPER = float(lab_to_rgb_linear(np.array([NEUTRAL_L[0], 0.0, 0.0])).mean())
"""Reflectance of the bare paper; a printer's white is the paper, so ink is sent relative to it."""
