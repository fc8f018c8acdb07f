"""A picture cut into blocks, and the means over them that faults are judged by."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from turfeye.records import Bytes, Flags, Floats


@dataclass(frozen=True)
class Blocks:
    """A picture cut into blocks; means come from summed-area tables."""

    shape: tuple[int, int]
    side: int

    def mean(self, picture: Bytes, *, times: int = 1) -> Floats:
        """Block means of a picture (h, w) uint8 that covers the same field at any size."""
        return self._mean_of(np.asarray(cv2.integral(picture)), times)

    def mean_square(self, picture: Bytes, *, times: int) -> Floats:
        """Block means of the squares."""
        return self._mean_of(np.asarray(cv2.integral2(picture)[1]), times)

    def _mean_of(self, table: Floats, times: int) -> Floats:
        counts = [max(1, round(n / (self.side * times))) for n in self.shape]
        rows = np.linspace(0, table.shape[0] - 1, counts[0] + 1).round().astype(int)
        cols = np.linspace(0, table.shape[1] - 1, counts[1] + 1).round().astype(int)
        sums = table[np.ix_(rows, cols)].astype(np.float64)
        inside = np.diff(np.diff(sums, axis=0), axis=1)
        return inside / (np.diff(rows)[:, None] * np.diff(cols))


def steady(blocks: Flags) -> Flags:
    """Blocks whose neighbours mostly agree: one odd block is texture, not a fault."""
    around = cv2.blur(blocks.astype(np.float32), (3, 3), borderType=cv2.BORDER_REFLECT_101)
    return blocks & (np.asarray(around) > 0.5) if min(blocks.shape) >= 3 else blocks


def luma_of(rgb_coded: Bytes) -> Bytes:
    """Coded brightness, (H, W), of coded colours."""
    return np.asarray(cv2.cvtColor(rgb_coded, cv2.COLOR_RGB2GRAY), np.uint8)


def enlarged(mask: Flags, shape: tuple[int, int]) -> Flags:
    """Flags of blocks, or of a smaller picture, at a picture's size (H, W)."""
    if mask.shape == shape:
        return mask
    if not mask.any():
        return np.zeros(shape, bool)
    size = (shape[1], shape[0])
    return np.asarray(cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)) > 0
