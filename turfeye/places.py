"""Cells in their places on the grid, and patches built of cells' shares: what every kind of patch needs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from turfeye.contours import Piece, pieces, signed_distance_m
from turfeye.lawnrecords import Patch, Season
from turfeye.outline import cell_shares
from turfeye.records import CellTable, Flags, Floats, Grid, Whole

AROUND_CELLS = 5
"""A patch is compared with the lawn up to this many cells beyond it."""
GAP_SE = 0.3
"""Error of the share of a cell that no photo showed, taken from its neighbours."""
FINER = 4
"""Straight edges are outlined on cells so many times smaller."""
GAP_SEEN = 0.75
"""Such a cell is taken from its neighbours where at least this share of them was seen, and else left out."""


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

    def groups(self, found: Flags) -> tuple[Group, ...]:
        """The groups of cells (N,) that touch by a side or a corner."""
        from scipy.ndimage import binary_dilation, find_objects, label

        around = np.ones((3, 3), bool)
        board = self.spread(found, 0) > 0
        labels, _ = label(board, structure=around)
        apart = self.pick(~binary_dilation(board, around))
        return tuple(
            Group(self, k, labels, box, apart) for k, box in enumerate(find_objects(labels), start=1)
        )

    def parted(self, groups: Sequence[Group], off: Flags) -> tuple[Group, ...]:
        """The groups without the cells (N,) that are cut off, and those as groups of their own."""
        from scipy.ndimage import find_objects, label

        around = np.ones((3, 3), bool)
        cut = self.spread(off, 0) > 0
        kept, count = label((groups[0].labels > 0) & ~cut, structure=around)
        cut_off, _ = label(cut, structure=around)
        labels = np.where(cut, cut_off + count, kept)
        boxes = enumerate(find_objects(labels), start=1)
        return tuple(Group(self, k, labels, box, groups[0].apart) for k, box in boxes)

    def gaps(self, known: Flags) -> Flags:
        """(N,) lone cells that no photo showed, with seen ground on nearly all sides.

        Only there do the neighbours say what lies between them; past the seen ground's edge they don't.
        """
        from scipy.ndimage import uniform_filter

        on_lawn = uniform_filter(self.spread(np.ones(len(known)), 0.0), 3, mode="constant") - 1 / 9
        seen = uniform_filter(self.spread(known.astype(float), 0.0), 3, mode="constant")
        around = np.asarray(self.pick(seen) >= GAP_SEEN * self.pick(on_lawn) - 1e-6)
        return ~known & around & (self.pick(on_lawn) > 1e-6)

    def bridged(self, share: Floats, se: Floats, known: Flags, gaps: Flags) -> tuple[Floats, Floats]:
        """Shares with the gaps (lone cells never seen) taken from their neighbours, and errors to match."""
        if not gaps.any():
            return share, se
        from scipy.ndimage import uniform_filter

        there = uniform_filter(self.spread(known.astype(float), 0.0), 3, mode="constant")
        sums = uniform_filter(self.spread(np.where(known, share, 0.0), 0.0), 3, mode="constant")
        around = self.pick(sums / np.maximum(there, 1e-9)) * (self.pick(there) > 1e-6)
        return np.where(gaps, around, share), np.where(gaps, GAP_SE, se)


@dataclass(frozen=True, eq=False, slots=True)
class Group:
    """One group of cells that touch, among others. All distances are in cells."""

    place: Place
    number: int
    labels: Whole  # (rows, cols), each group's number where it lies, else 0
    box: tuple[slice, ...]  # the rows and columns that it spans
    apart: Flags  # (N,) cells that touch no group

    @property
    def inside(self) -> Flags:
        """(N,) its cells."""
        return np.asarray(self.place.pick(self.labels) == self.number)

    def nearest(self, own: Flags, count: int) -> Flags:
        """(N,) the ``count`` own cells nearest to it that touch no group."""
        apart, reach = own & self.apart, 2.0 * AROUND_CELLS
        away = self._away(reach)
        while (away[apart] <= reach).sum() < count and reach < sum(self.labels.shape):
            reach *= 2
            away = self._away(reach)
        chosen = np.flatnonzero(apart & (away <= reach))
        chosen = chosen[np.argsort(away[chosen], kind="stable")[:count]]
        flags = np.zeros(len(own), bool)
        flags[chosen] = True
        return flags

    def surroundings(self, own: Flags) -> tuple[Flags, Flags]:
        """(N,) its cells and those next to it, nearer to it than to another; and the lawn around it."""
        away = self._away(AROUND_CELLS)
        near = (away < 1.5) & (away < self._away(AROUND_CELLS, others=True))
        around = own & self.apart & (away < AROUND_CELLS)
        return near, around if around.sum() >= 8 else own & self.apart

    def beside(self, cells: Flags) -> bool:
        """Whether all of the cells (N,) lie so near to it that they count as the lawn around it."""
        return bool((self._away(AROUND_CELLS)[cells] < AROUND_CELLS).all())

    def core(self) -> Flags:
        """(N,) cells whose four neighbours belong to it too, or lie off the lawn."""
        from scipy.ndimage import binary_erosion

        cross = np.array([[0, 1, 0], [1, 1, 1], [0, 1, 0]], bool)
        on_lawn = self.place.spread(np.ones(len(self.place.row)), 0) > 0
        mine = self.labels == self.number
        return np.asarray(self.place.pick(binary_erosion(mine | ~on_lawn, cross, border_value=1) & mine))

    def _away(self, reach: float, *, others: bool = False) -> Floats:
        """(N,) distance from it, or from the nearest of the others, where it is no further than ``reach``.

        Looked for about the group only: of two hundred plots each would ask for the whole trial.
        """
        from scipy.ndimage import distance_transform_edt

        margin = int(reach) + 1
        rows, cols = (slice(max(side.start - margin, 0), side.stop + margin) for side in self.box)
        window = self.labels[rows, cols]
        target = (window != self.number) & (window > 0) if others else window == self.number
        away = np.full(len(self.place.row), np.inf)
        if target.any():
            row, col = self.place.row - rows.start, self.place.col - cols.start
            here = np.flatnonzero((row >= 0) & (row < window.shape[0]) & (col >= 0) & (col < window.shape[1]))
            away[here] = distance_transform_edt(~target)[row[here], col[here]]
        return away


@dataclass(frozen=True, eq=False, slots=True)
class Extent:
    """What of each cell belongs to something that stands out, (N,)."""

    share: Floats
    se: Floats  # of the share
    known: Flags  # other ground is no part of it
    inside: Flags  # the cells that stood out
    ring_m: Floats | None = None  # (K, 2), where its edges are known to be straight: what it lies within

    def board(self, place: Place, used: Floats) -> tuple[Floats, Grid]:
        """(rows, cols) of what belongs to it, NaN where nothing is known, and the cells of that: smaller
        ones than the lawn's where its edges are known, which run through the lawn's as they will."""
        known, grid = place.spread(np.where(self.known, used, np.nan), fill=float("nan")), place.grid
        if self.ring_m is None:
            return known, grid
        fine = replace(
            grid, cell_m=grid.cell_m / FINER, rows=grid.rows * FINER, cols=grid.cols * FINER, share=None
        )
        there = np.kron(np.isfinite(known), np.ones((FINER, FINER))) > 0
        return np.where(there, cell_shares(self.ring_m, fine), np.nan), fine


def outlined(
    kind: Literal["thin", "slow", "pale", "bare"],
    cells: CellTable | Season,
    place: Place,
    extent: Extent,
    *,
    deficit: float,
    how_sure: float,
    because: str,
    relative_se: float = 0.0,
) -> list[Patch]:
    """Patches of one extent: none when nothing is left of it, several when its cells were joined by a corner
    only, or by what turned out to be sound. ``relative_se`` is of the area, beside what the shares err by.
    """
    share, known, inside = extent.share, extent.known, extent.inside
    used = np.clip(np.where(known, share, 0.0), -0.25, 1.1)
    area = float(np.sum(used * cells.area_m2))
    if area <= 0:
        return []
    noise = float(np.sqrt(np.sum((extent.se * cells.area_m2)[known & (share != 0)] ** 2)))
    se = float(np.hypot(noise, relative_se * area))
    found = pieces(*extent.board(place, used), area)
    owner = _owners(found, np.stack([cells.x_m, cells.y_m], axis=1)[inside])
    patches = []
    for number, piece in enumerate(found):
        if not (owner == number).any():
            continue
        x_m, y_m = piece.middle_m
        patches.append(
            Patch(
                number=0,
                kind=kind,
                outline_m=piece.outline_m,
                holes_m=piece.holes_m,
                x_m=x_m,
                y_m=y_m,
                area_m2=piece.area_m2,
                area_se_m2=float(se * np.sqrt(min(piece.area_m2 / area, 1.0))),
                deficit=deficit,
                how_sure=how_sure,
                cells=np.flatnonzero(inside)[owner == number],
                because=because,
            )
        )
    return patches


def _owners(found: Sequence[Piece], points_m: Floats) -> Whole:
    """(n,) which piece each of the points (n, 2) belongs to: the one it is deepest in, or nearest to."""
    if len(found) < 2:
        return np.zeros(len(points_m), int)
    return np.argmax([signed_distance_m(points_m, piece.outline_m) for piece in found], axis=0)


def numbered(patches: Sequence[Patch]) -> tuple[Patch, ...]:
    """The patches, numbered from 1, the largest first."""
    largest_first = sorted(patches, key=lambda patch: (-patch.area_m2, patch.y_m, patch.x_m))
    return tuple(replace(patch, number=number) for number, patch in enumerate(largest_first, start=1))


def robust_sd(values: Floats) -> float:
    """Standard deviation from the median distance to the median (x 1.4826, as for a normal spread)."""
    return float(1.4826 * np.median(np.abs(values - np.median(values))))
