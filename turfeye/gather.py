"""Pixels gathered into cells: sums over what each pixel shows, weighted by the ground that it covers."""

from __future__ import annotations

from copy import copy
from functools import cached_property

import cv2
import numpy as np

from turfeye.errors import ViewError
from turfeye.records import Flags, Floats, Grid, View, Whole

BLOCKS = 5
"""Each cell is cut into BLOCKS x BLOCKS: blades stand together, so a block, not a pixel, is one sample."""
MOST_CELLS = 2**24 // BLOCKS**2
"""The numbers of blocks are warped as float32, which holds whole numbers up to 2**24."""


class Gather:
    """Sums over the pixels of each cell, weighted by the ground that each pixel covers.

    The grid's own index picture, at BLOCKS x BLOCKS a cell, is warped into the photo without mixing its
    numbers: that says which block each pixel shows far faster than working out its coordinates.

    Raises ViewError for more than `MOST_CELLS`.
    """

    def __init__(self, seen: View, grid: Grid, shape: tuple[int, int]) -> None:
        self.count = grid.rows * grid.cols
        if self.count > MOST_CELLS:
            raise ViewError(f"wanted at most {MOST_CELLS} cells, got {self.count}: make the cells larger")
        rows, cols = grid.rows * BLOCKS, grid.cols * BLOCKS
        self.blocks = rows * cols
        row, col = np.divmod(np.arange(self.blocks), cols)
        self.cell_of_block = (row // BLOCKS) * grid.cols + col // BLOCKS
        self.block_centres_m = np.stack(
            [grid.x0_m + (col + 0.5) * grid.cell_m / BLOCKS, grid.y0_m + (row + 0.5) * grid.cell_m / BLOCKS],
            axis=1,
        )
        index, step_m = _index_picture(grid)
        to_lawn = np.array(
            [[step_m, 0, grid.x0_m + step_m / 2], [0, step_m, grid.y0_m + step_m / 2], [0, 0, 1.0]]
        )
        height, width = shape
        warped = cv2.warpPerspective(
            index,
            seen.plane @ to_lawn,
            (width, height),
            flags=cv2.INTER_NEAREST,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=-1,
        )
        self._weight = _pixel_area(seen.plane, width, height).ravel()
        self._weight[warped.ravel() < 0] = 0
        self.block_of_pixel = np.maximum(warped, 0).ravel().astype(np.intp)

    def only(self, usable: Flags) -> Gather:
        """The same pixels, of which only these count."""
        some = copy(self)
        vars(some).pop("block_area", None)  # no longer theirs
        some._weight = self._weight * usable.ravel()
        return some

    def cell_of(self, pixels: Whole) -> Whole:
        """The cell that each of these pixels shows, given by place in the flat picture."""
        return self.cell_of_block[self.block_of_pixel[pixels]]

    @property
    def shown(self) -> Flags:
        """(H * W,) pixels that count and show a cell."""
        return self._weight > 0

    @cached_property
    def block_area(self) -> Floats:
        """(blocks,) square metres shown."""
        return self._block_sums(self._weight)

    def block_means(self, values: Floats | Flags) -> Floats:
        """(blocks,) area-weighted mean of what the pixels (H, W) show; NaN where nothing is shown."""
        if values.dtype == bool and not values.any():  # as most flags are
            return np.where(self.block_area > 0, 0.0, np.nan)
        return divide(self._block_sums(self._weight * values.ravel()), self.block_area)

    def mean(self, blocks: Floats) -> Floats:
        """(cells,) area-weighted mean of the blocks of each; NaN where nothing is shown."""
        known = np.where(self.block_area > 0, self.block_area * blocks, 0)
        return divide(self.to_cells(known), self.area)

    @property
    def area(self) -> Floats:
        """(cells,) square metres shown."""
        return self.to_cells(self.block_area)

    def areas(self, kind: Whole, kinds: int) -> Floats:
        """(kinds, cells) square metres shown of the pixels of kind 1 up to ``kinds``, ``kind`` (H, W)."""
        pixels = np.flatnonzero(kind.ravel() > 0)
        place = (kind.ravel()[pixels] - np.intp(1)) * self.count + self.cell_of(pixels)
        sums = np.bincount(place, self._weight[pixels], minlength=kinds * self.count)
        return np.asarray(sums.reshape(kinds, self.count), float)

    def to_cells(self, blocks: Floats) -> Floats:
        """(cells,) sums over the blocks of each."""
        return np.asarray(np.bincount(self.cell_of_block, blocks, minlength=self.count), float)

    def _block_sums(self, weight: Floats) -> Floats:
        return np.asarray(np.bincount(self.block_of_pixel, weight, minlength=self.blocks), float)


def divide(total: Floats, by: Floats) -> Floats:
    """The quotient, NaN where there is nothing to divide by."""
    return np.divide(total, by, out=np.full(len(total), np.nan), where=by > 0)


def _index_picture(grid: Grid) -> tuple[Floats, float]:
    """A picture of the plan whose values are block numbers, -1 outside the outline; and its step, metres."""
    rows, cols = grid.rows * BLOCKS, grid.cols * BLOCKS
    index = np.arange(rows * cols, dtype=np.float32).reshape(rows, cols)
    if grid.outline_m is None:
        return index, grid.cell_m / BLOCKS
    finer = 4  # the outline is followed to a quarter of a block
    step_m = grid.cell_m / BLOCKS / finer
    index = np.kron(index, np.ones((finer, finer), np.float32))
    x = grid.x0_m + (np.arange(index.shape[1]) + 0.5) * step_m
    y = grid.y0_m + (np.arange(index.shape[0]) + 0.5) * step_m
    inside = _within(grid.outline_m, x, y)
    for bed in grid.beds_m:
        inside &= ~_within(bed, x, y)
    return np.where(inside, index, np.float32(-1)), step_m


def _within(outline_m: Floats, x: Floats, y: Floats) -> Flags:
    """(len(y), len(x)), points inside the outline: a ray from each crosses it an odd number of times."""
    inside = np.zeros((len(y), len(x)), bool)
    for (x0, y0), (x1, y1) in zip(outline_m, np.roll(outline_m, -1, axis=0), strict=True):
        if y0 != y1:
            spans = (y0 > y) != (y1 > y)
            crossing = x0 + (y[spans] - y0) * (x1 - x0) / (y1 - y0)
            inside[spans] ^= x[None, :] < crossing[:, None]
    return inside


def _pixel_area(plane: Floats, width: int, height: int) -> Floats:
    """(H, W) ground that each pixel covers, square metres; 0 at and above the horizon."""
    to_lawn = np.linalg.inv(plane)
    x = (to_lawn[2, 0] * np.arange(width)).astype(np.float32)
    y = (to_lawn[2, 1] * np.arange(height) + to_lawn[2, 2]).astype(np.float32)
    inverse_depth = y[:, None] + x[None, :]
    det = abs(np.linalg.det(to_lawn))
    area = np.multiply(cv2.pow(inverse_depth, -3), det, dtype=np.float64)  # so that no sum converts it again
    area[inverse_depth <= 1e-6] = 0
    return area
