"""Stateless random fields: the same place of the same lawn always gets the same numbers.

A number depends only on the seed and the place, never on what else was drawn. So a seedling keeps its place,
lean and colour from one date to the next, whatever part of the lawn a picture shows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from turfeye.records import Flags, Floats, Whole

_MULTIPLIERS = np.array([0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9], np.uint64)


def hashed(seed: int, i: Whole, j: Whole, k: int = 0) -> Floats:
    """Uniform numbers in [0, 1) for whole-number places (any shape), mixed as splitmix64 does.

    >>> bool(hashed(1, np.array([3]), np.array([4]))[0] == hashed(1, np.array([3]), np.array([4]))[0])
    True
    """
    start = np.uint64((seed * 0x632BE59BD9B4E019 + k * 0xD6E8FEB86659FD93) & 0xFFFFFFFFFFFFFFFF)
    h = np.asarray(i, np.int64).astype(np.uint64) * _MULTIPLIERS[0]
    h ^= np.asarray(j, np.int64).astype(np.uint64) * _MULTIPLIERS[1] + start
    h ^= h >> np.uint64(30)
    h *= np.uint64(0xBF58476D1CE4E5B9)
    h ^= h >> np.uint64(27)
    h *= np.uint64(0x94D049BB133111EB)
    h ^= h >> np.uint64(31)
    return ((h >> np.uint64(40)).astype(np.float32)) * np.float32(2.0**-24)


def noise(seed: int, x_m: Floats, y_m: Floats, scale_m: float) -> Floats:
    """Smooth noise in [0, 1] with bumps of about ``scale_m``, at points of any shape."""
    u, v = np.asarray(x_m) / scale_m, np.asarray(y_m) / scale_m
    i, j = np.floor(u).astype(np.int64), np.floor(v).astype(np.int64)
    s, t = (u - i).astype(np.float32), (v - j).astype(np.float32)
    s, t = s * s * s * (s * (s * 6 - 15) + 10), t * t * t * (t * (t * 6 - 15) + 10)
    a, b, c, d = _corners(seed, i, j)
    low, high = a * (1 - s) + b * s, c * (1 - s) + d * s
    return low * (1 - t) + high * t


def _corners(seed: int, i: Whole, j: Whole) -> tuple[Floats, Floats, Floats, Floats]:
    """Numbers of the lattice's nodes about each point, at (i, j), (i + 1, j), (i, j + 1) and (i + 1, j + 1).

    Where there are fewer nodes than points each node's is made once: the same numbers in a third of the time.
    """
    if i.size:
        first, last = (i.min(), j.min()), (i.max() + 2, j.max() + 2)
        rows, cols = (high - low for low, high in zip(first, last, strict=True))
        if rows * cols < i.size:
            nodes = hashed(seed, *np.mgrid[first[0] : last[0], first[1] : last[1]]).ravel()
            at = (i - first[0]) * cols + (j - first[1])
            return nodes.take(at), nodes.take(at + cols), nodes.take(at + 1), nodes.take(at + cols + 1)
    return (
        hashed(seed, i, j),
        hashed(seed, i + 1, j),
        hashed(seed, i, j + 1),
        hashed(seed, i + 1, j + 1),
    )


def fractal(
    seed: int, x_m: Floats, y_m: Floats, *, scale_m: float, octaves: int = 4, gain: float = 0.5
) -> Floats:
    """Several octaves of `noise`, about -1 to 1, mean 0."""
    total = np.zeros(np.broadcast(x_m, y_m).shape, np.float32)
    weight = 1.0
    for octave in range(octaves):
        total += weight * (2 * noise(seed + 101 * octave, x_m, y_m, scale_m / 2**octave) - 1)
        weight *= gain
    return total / sum(gain**octave for octave in range(octaves)) * 1.6


@dataclass(frozen=True, eq=False)
class Places:
    """Candidate places (N) scattered one to a square of a fixed lattice, each with its own hidden numbers."""

    seed: int
    i: Whole
    j: Whole
    x_m: Floats
    y_m: Floats

    def __len__(self) -> int:
        return len(self.i)

    def draw(self, which: int) -> Floats:
        """The ``which``-th uniform number of every place."""
        return hashed(self.seed, self.i, self.j, which)

    def normal(self, which: int) -> Floats:
        """The ``which``-th roughly normal number of every place, within ±3."""
        total = sum((self.draw(1000 + 4 * which + k) for k in range(4)), np.float32(0))
        return np.asarray(total * 1.732 - 3.464)

    def only(self, keep: Flags) -> Places:
        """Those places for which ``keep`` is true."""
        return Places(self.seed, self.i[keep], self.j[keep], self.x_m[keep], self.y_m[keep])


def scatter(seed: int, box_m: tuple[float, float, float, float], per_m2: float) -> Places:
    """Candidate places in a box (x0, y0, x1, y1), on average ``per_m2`` to the square metre."""
    step = per_m2**-0.5
    x0, y0, x1, y1 = box_m
    grid = np.meshgrid(
        np.arange(np.floor(x0 / step), np.ceil(x1 / step), dtype=np.int64),
        np.arange(np.floor(y0 / step), np.ceil(y1 / step), dtype=np.int64),
    )
    i, j = grid[0].ravel(), grid[1].ravel()
    x, y = (i + hashed(seed, i, j, 1)) * step, (j + hashed(seed, i, j, 2)) * step
    return Places(seed, i, j, x.astype(np.float32), y.astype(np.float32))
