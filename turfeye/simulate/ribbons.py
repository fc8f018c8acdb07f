"""Curved strips: grass leaves, straw, moss."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from turfeye.records import Floats, Whole


@dataclass(frozen=True, eq=False)
class Ribbons:
    """Curved strips (N): where they start, which way they lean and how they bend."""

    base_m: Floats  # (N, 3)
    azimuth: Floats  # radians, all (N,)
    lean: Floats  # from upright at the base, radians
    bend: Floats  # added along the length, radians
    length_m: Floats
    width_m: Floats
    twist: Floats  # of the strip about its own line, radians

    def mesh(self, segments: int) -> tuple[Floats, Whole, Floats]:
        """Vertices, faces, and how far along the strip (0-1) each vertex lies. Strips end in a point."""
        s = np.linspace(0, 1, segments + 1, dtype=np.float32)
        angle = self.lean[:, None] + self.bend[:, None] * s**1.6
        mid = 0.5 * (angle[:, 1:] + angle[:, :-1])
        step = self.length_m[:, None] / segments
        out = np.concatenate([0 * step, np.cumsum(np.sin(mid) * step, axis=1)], axis=1)
        up = np.concatenate([0 * step, np.cumsum(np.cos(mid) * step, axis=1)], axis=1)
        ca, sa = np.cos(self.azimuth)[:, None], np.sin(self.azimuth)[:, None]
        line = np.stack([out * ca, out * sa, up], axis=-1) + self.base_m[:, None]
        turn = self.twist[:, None] * (0.5 + s)
        ct, st = np.cos(turn), np.sin(turn)
        side = np.stack(
            [-sa * ct - np.cos(angle) * ca * st, ca * ct - np.cos(angle) * sa * st, np.sin(angle) * st],
            axis=-1,
        )
        half = 0.5 * self.width_m[:, None] * (0.75 + 0.25 * np.sin(np.pi * s)) * np.sqrt(1 - s**3)
        left, right = line - side * half[..., None], line + side * half[..., None]
        vertices = np.concatenate(
            [np.stack([left, right], axis=2)[:, :-1].reshape(len(line), -1, 3), line[:, -1:]], axis=1
        )
        return vertices.reshape(-1, 3), _strip_faces(len(line), segments), _strip_along(len(line), segments)


def _strip_faces(count: int, segments: int) -> Whole:
    """Two triangles a segment, one for the last, which ends in a point."""
    quads = [
        f for k in range(segments - 1) for f in ((2 * k, 2 * k + 1, 2 * k + 3), (2 * k, 2 * k + 3, 2 * k + 2))
    ]
    one = np.array([*quads, (2 * segments - 2, 2 * segments - 1, 2 * segments)])
    return (one[None] + np.arange(count)[:, None, None] * (2 * segments + 1)).reshape(-1, 3)


def _strip_along(count: int, segments: int) -> Floats:
    """How far along its strip, 0-1, each vertex lies."""
    one = np.append(np.repeat(np.arange(segments), 2), segments) / segments
    return np.tile(one.astype(np.float32), count)
