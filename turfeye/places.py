"""Cells in their places on the grid, and patches built of cells' shares: what every kind of patch needs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from turfeye.contours import outline, polygon_area_m2, polygon_centroid_m
from turfeye.records import CellTable, Flags, Floats, Grid, Patch, Season, Whole

AROUND_CELLS = 5
"""A patch is compared with the lawn up to this many cells beyond it."""
GAP_SE = 0.3
"""Error of the share of a cell that no photo showed, taken from its neighbours."""


@dataclass(frozen=True, eq=False, slots=True)
class Place:
    """Which cell lies where on the grid."""

    grid: Grid
    row: Whole
    col: Whole

    def spread(self, values: Floats | Flags | Whole, fill: float) -> Floats:
        """(N,) to (rows, cols)."""
        board = np.full((self.grid.rows, self.grid.cols), fill)
        board[self.row, self.col] = values
        return board

    def pick(self, board: NDArray[Any]) -> NDArray[Any]:
        """(rows, cols) to (N,)."""
        return board[self.row, self.col]

    def label(self, found: Flags) -> tuple[Whole, int]:
        """Numbers the groups of cells that touch by a side or a corner."""
        from scipy.ndimage import label

        labels, count = label(self.spread(found, 0) > 0, structure=np.ones((3, 3)))
        return labels, int(count)

    def bridged(self, share: Floats, se: Floats, known: Flags, gaps: Flags) -> tuple[Floats, Floats]:
        """Shares with the gaps (cells never seen) taken from their neighbours, and errors to match."""
        if not gaps.any():
            return share, se
        from scipy.ndimage import uniform_filter

        there = uniform_filter(self.spread(known.astype(float), 0.0), 3, mode="constant")
        sums = uniform_filter(self.spread(np.where(known, share, 0.0), 0.0), 3, mode="constant")
        around = self.pick(sums / np.maximum(there, 1e-9)) * (self.pick(there) > 1e-6)
        return np.where(gaps, around, share), np.where(gaps, GAP_SE, se)

    def surroundings(self, labels: Whole, number: int, own: Flags) -> tuple[Flags, Flags]:
        """(N,) cells of the patch or next to it, nearer to it than to another; and the lawn around it."""
        from scipy.ndimage import distance_transform_edt

        to_this = self.pick(distance_transform_edt(labels != number))
        others = (labels != number) & (labels > 0)
        to_other = (
            self.pick(distance_transform_edt(~others)) if others.any() else np.full(len(self.row), np.inf)
        )
        near = (to_this < 1.5) & (to_this < to_other)
        around = own & (to_this > 1.5) & (to_this < AROUND_CELLS) & (to_other > 1.5)
        return near, around if around.sum() >= 8 else own & (to_this > 1.5) & (to_other > 1.5)


def outlined(
    kind: Literal["thin", "pale", "bare"],
    cells: CellTable | Season,
    place: Place,
    share: Floats,
    known: Flags,
    inside: Flags,
    share_se: Floats,
    *,
    deficit: float,
    how_sure: float,
    because: str,
    relative_se: float = 0.0,
) -> Patch | None:
    """A patch from the share (N,) of each cell that belongs to it; None when nothing is left of it."""
    used = np.clip(np.where(known, share, 0.0), -0.25, 1.1)
    area = float(np.sum(used * cells.area_m2))
    if area <= 0:
        return None
    noise = float(np.sqrt(np.sum((share_se * cells.area_m2)[known & (share != 0)] ** 2)))
    shape = outline(place.spread(used, fill=float("nan")), place.grid, area)
    if shape is None:
        return None
    x_m, y_m = polygon_centroid_m(shape)
    return Patch(
        number=0,
        kind=kind,
        outline_m=shape,
        x_m=x_m,
        y_m=y_m,
        area_m2=polygon_area_m2(shape),
        area_se_m2=float(np.hypot(noise, relative_se * area)),
        deficit=deficit,
        how_sure=how_sure,
        cells=np.flatnonzero(inside),
        because=because,
    )


def numbered(patches: Sequence[Patch]) -> tuple[Patch, ...]:
    """The patches, numbered from 1, the largest first."""
    largest_first = sorted(patches, key=lambda patch: (-patch.area_m2, patch.y_m, patch.x_m))
    return tuple(replace(patch, number=number) for number, patch in enumerate(largest_first, start=1))


def core_of(place: Place, labels: Whole, number: int) -> Flags:
    """(N,) cells whose four neighbours belong to the patch too, or lie off the lawn."""
    from scipy.ndimage import binary_erosion

    cross = np.array([[0, 1, 0], [1, 1, 1], [0, 1, 0]], bool)
    on_lawn = place.spread(np.ones(len(place.row)), 0) > 0
    solid = (labels == number) | ~on_lawn
    core = binary_erosion(solid, cross, border_value=1) & (labels == number)
    return core[place.row, place.col]


def in_or_out(share: Floats, se: Floats) -> tuple[Floats, Floats]:
    """Posterior mean and sd of shares: a cell lies outside, inside, or on the edge (any share alike).

    Prior a third each. Without it the noise of the cells around a small patch would add up to area.
    """
    from scipy.special import ndtr

    se = np.maximum(se, 1e-3)
    low, high = (0 - share) / se, (1 - share) / se
    phi_low, phi_high = (np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi) for z in (low, high))
    edge = np.maximum(ndtr(high) - ndtr(low), 1e-12)
    out, full = phi_low / se + 1e-12, phi_high / se
    edge_mean = share + se * (phi_low - phi_high) / edge
    edge_square = se**2 * (1 + (low * phi_low - high * phi_high) / edge) + 2 * share * edge_mean - share**2
    total = out + full + edge
    mean = (full + edge * edge_mean) / total
    square = (full + edge * edge_square) / total
    return mean, np.sqrt(np.maximum(square - mean**2, 0))


def robust_sd(values: Floats) -> float:
    """Standard deviation from the median distance to the median (x 1.4826, as for a normal spread)."""
    return float(1.4826 * np.median(np.abs(values - np.median(values))))
