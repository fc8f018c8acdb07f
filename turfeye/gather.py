"""Pixels gathered into cells: sums over what each pixel shows, weighted by the ground that it covers."""

from __future__ import annotations

import cv2
import numpy as np

from turfeye.records import Flags, Floats, Grid, View, Whole

BLOCKS = 5
"""Each cell is cut into BLOCKS x BLOCKS: blades stand together, so a block, not a pixel, is one sample."""


class Gather:
    """Sums over the pixels of each cell, weighted by the ground that each pixel covers.

    The grid's own index picture, at BLOCKS x BLOCKS a cell, is warped into the photo without mixing its
    numbers: that says which block each pixel shows far faster than working out its coordinates.
    """

    def __init__(self, seen: View, grid: Grid, shape: tuple[int, int]) -> None:
        self.count = grid.rows * grid.cols
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
        plane = seen.camera_matrix @ np.column_stack(
            [seen.rotation[:, 0], seen.rotation[:, 1], seen.translation]
        )
        height, width = shape
        warped = cv2.warpPerspective(
            index,
            plane @ to_lawn,
            (width, height),
            flags=cv2.INTER_NEAREST,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=-1,
        )
        weight = _pixel_area(plane, width, height)
        self.pixels = np.flatnonzero((warped >= 0) & (weight > 0))
        self.block_of_pixel = warped.ravel()[self.pixels].astype(np.intp)
        self._weight = weight.ravel()[self.pixels]

    @property
    def cell_of_pixel(self) -> Whole:
        """(pixels,) the cell that each gathered pixel shows."""
        return self.cell_of_block[self.block_of_pixel]

    def block_sums(self, values: Floats | Flags, usable: Flags) -> Floats:
        """(blocks,) of area times value over the usable pixels."""
        weight = self._weight * usable.ravel()[self.pixels]
        return np.asarray(
            np.bincount(self.block_of_pixel, weight * values.ravel()[self.pixels], minlength=self.blocks),
            float,
        )

    def block_area(self, usable: Flags) -> Floats:
        """(blocks,) square metres shown."""
        sums = np.bincount(
            self.block_of_pixel, self._weight * usable.ravel()[self.pixels], minlength=self.blocks
        )
        return np.asarray(sums, float)

    def to_cells(self, blocks: Floats) -> Floats:
        """(cells,) sums over the blocks of each."""
        return np.asarray(np.bincount(self.cell_of_block, blocks, minlength=self.count), float)

    def area(self, usable: Flags) -> Floats:
        """(cells,) square metres shown."""
        return self.to_cells(self.block_area(usable))

    def mean(self, values: Floats | Flags, usable: Flags) -> Floats:
        """(cells,) area-weighted mean; NaN where nothing is shown."""
        return divide(self.to_cells(self.block_sums(values, usable)), self.area(usable))


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
    return np.where(_within(grid.outline_m, x, y), index, np.float32(-1)), step_m


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
    det = np.float32(abs(np.linalg.det(to_lawn)))
    positive = np.maximum(inverse_depth, np.float32(1e-9))
    return np.where(inverse_depth > 1e-6, det / (positive * positive * positive), np.float32(0))
