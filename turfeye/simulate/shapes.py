"""Plain solids as (vertices, faces) and the painting that makes them parts. Metres, z up."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from turfeye.records import Floats, Whole
from turfeye.simulate.mesh import Part

Shape = tuple[Floats, Whole]  # (V, 3) float32, (F, 3) int

STRAP_M = 0.012  # how wide a strap leaf is at its foot
_BOX = np.array([[x, y, z] for z in (0, 1) for y in (-0.5, 0.5) for x in (-0.5, 0.5)], np.float32)
_BOX_FACES = np.array(
    [[0, 2, 3], [0, 3, 1], [4, 5, 7], [4, 7, 6], [0, 1, 5], [0, 5, 4],
     [2, 6, 7], [2, 7, 3], [0, 4, 6], [0, 6, 2], [1, 3, 7], [1, 7, 5]]
)  # fmt: skip


def join(shapes: Sequence[Shape]) -> Shape:
    """Several shapes as one."""
    starts = np.cumsum([0, *[len(vertices) for vertices, _ in shapes[:-1]]])
    faces = [faces + start for (_, faces), start in zip(shapes, starts, strict=True)]
    return np.concatenate([vertices for vertices, _ in shapes]), np.concatenate(faces)


def placed(shape: Shape, at: ArrayLike, turn_deg: float = 0.0) -> Shape:
    """Turned about z, then moved to ``at`` (x, y, z)."""
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]], np.float32)
    return shape[0] @ turn.T + np.asarray(at, np.float32), shape[1]


def box(size: ArrayLike, at: ArrayLike = (0, 0, 0), turn_deg: float = 0.0) -> Shape:
    """A box of (x, y, z) ``size`` standing with the middle of its base on ``at``."""
    return placed((_BOX * np.asarray(size, np.float32), _BOX_FACES), at, turn_deg)


def tube(path: ArrayLike, radius: ArrayLike, sides: int = 9) -> Shape:
    """A round rod along ``path`` (N, 3), of one radius or one a point, with closed ends."""
    line = np.asarray(path, np.float32)
    radii = np.broadcast_to(np.asarray(radius, np.float32), len(line))
    along = np.gradient(line, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True) + 1e-9
    helper = np.where(np.abs(along[:, 2:]) < 0.9, [[0.0, 0.0, 1.0]], [[1.0, 0.0, 0.0]])
    u = np.cross(along, helper)
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    v = np.cross(along, u)
    angle = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    around = np.cos(angle)[None, :, None] * u[:, None] + np.sin(angle)[None, :, None] * v[:, None]
    rings = line[:, None] + around * radii[:, None, None]
    vertices = np.concatenate([rings.reshape(-1, 3), line[[0, -1]]]).astype(np.float32)
    first, last = len(vertices) - 2, len(vertices) - 1
    side = np.arange(sides)
    after = (side + 1) % sides
    caps = [np.stack([np.full(sides, first), after, side], 1)]
    top = (len(line) - 1) * sides
    caps.append(np.stack([np.full(sides, last), top + side, top + after], 1))
    return vertices, np.concatenate([_ring_faces(len(line), sides), *caps])


def lathe(profile: Sequence[tuple[float, float]], sides: int = 20) -> Shape:
    """A solid of revolution from (radius, z) pairs, bottom first."""
    ring = np.asarray(profile, np.float32)
    angle = np.linspace(0, 2 * np.pi, sides, endpoint=False)
    x, y = ring[:, :1] * np.cos(angle), ring[:, :1] * np.sin(angle)
    z = np.broadcast_to(ring[:, 1:], x.shape)
    return np.stack([x, y, z], -1).reshape(-1, 3).astype(np.float32), _ring_faces(len(ring), sides)


def rings_shape(rings: Floats) -> Shape:
    """A surface through (N, M, 3) rings of M points each, in order."""
    return np.asarray(rings, np.float32).reshape(-1, 3), _ring_faces(len(rings), rings.shape[1])


def ellipsoid(radii: ArrayLike, at: ArrayLike = (0, 0, 0), rings: int = 11) -> Shape:
    """An ellipsoid about ``at``."""
    angle = np.linspace(-np.pi / 2, np.pi / 2, rings)
    vertices, faces = lathe(list(zip(np.cos(angle), np.sin(angle), strict=True)), sides=2 * rings - 4)
    return vertices * np.asarray(radii, np.float32) + np.asarray(at, np.float32), faces


def _ring_faces(rings: int, sides: int) -> Whole:
    """Two triangles for each square between rings, the last side of each joined to its first."""
    ring, side = np.meshgrid(np.arange(rings - 1), np.arange(sides), indexing="ij")
    a = (ring * sides + side).ravel()
    b = (ring * sides + (side + 1) % sides).ravel()
    return np.concatenate([np.stack([a, b, b + sides], 1), np.stack([a, b + sides, a + sides], 1)])


def grid_faces(rows: int, cols: int) -> Whole:
    """Two triangles for each square of a grid whose vertices go row by row, (2 (rows - 1) (cols - 1), 3)."""
    index = np.arange(rows * cols).reshape(rows, cols)
    a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]
    return np.concatenate([np.stack(half, -1).reshape(-1, 3) for half in ((a, b, c), (a, c, d))])


def leaves(at: Floats, size_m: ArrayLike, rng: np.random.Generator, *, facing: Floats | None = None) -> Shape:
    """One pointed, folded leaf a point: (N, 3) places → 4 vertices and 2 faces each.

    ``facing`` (N, 3) is the way that the leaves' upper sides tend to look.
    """
    count = len(at)
    normal = rng.normal(size=(count, 3)) * 0.6 + (np.array([0, 0, 0.5]) if facing is None else facing)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True) + 1e-9
    along = np.cross(normal, rng.normal(size=(count, 3)))
    along /= np.linalg.norm(along, axis=1, keepdims=True) + 1e-9
    across = np.cross(normal, along)
    size = np.broadcast_to(np.asarray(size_m), count)[:, None] * rng.uniform(0.7, 1.3, (count, 1))
    fold = normal * size * 0.12
    tip, base = at + along * size * 0.6, at - along * size * 0.5
    left, right = at - across * size * 0.3 + fold, at + across * size * 0.3 + fold
    vertices = np.stack([base, left, tip, right], axis=1).reshape(-1, 3).astype(np.float32)
    first = 4 * np.arange(count)[:, None]
    return vertices, np.concatenate([first + np.array(half) for half in ([0, 1, 2], [0, 2, 3])])


def straps(at: Floats, length_m: float, rng: np.random.Generator) -> Shape:
    """Arching strap leaves rising from (N, 3) places: long grasses, daffodils, blades at an edge."""
    count = len(at)
    heading = rng.uniform(0, 2 * np.pi, count)
    out = np.stack([np.cos(heading), np.sin(heading), np.zeros(count)], 1)
    side = np.stack([-np.sin(heading), np.cos(heading), np.zeros(count)], 1)
    length = length_m * rng.uniform(0.6, 1.2, (count, 1))
    lean = rng.uniform(0.1, 0.8, (count, 1))
    rows = []
    for t in (0.0, 0.4, 0.75, 1.0):
        middle = at + length * (out * lean * t**2 + np.array([0, 0, 1.0]) * (t - 0.45 * lean * t**2))
        half = side * STRAP_M * (1.0 - t**2 * 0.95) / 2
        rows += [middle - half, middle + half]
    vertices = np.stack(rows, axis=1).reshape(-1, 3).astype(np.float32)
    first = 8 * np.arange(count)[:, None]
    faces = [first + np.array(f) for k in (0, 2, 4) for f in ([k, k + 1, k + 3], [k, k + 3, k + 2])]
    return vertices, np.concatenate(faces)


def painted(
    name: str,
    shape: Shape,
    rgb_linear: ArrayLike,
    rng: np.random.Generator,
    *,
    vary: float = 0.08,
    each: int = 1,
    roughness: float | None = None,
    translucency: float = 0.0,
) -> Part:
    """A part in one colour that varies by ``vary`` (relative sd) between runs of ``each`` vertices."""
    count = len(shape[0])
    runs = -(-count // each)
    value = np.exp(rng.normal(0, vary, (runs, 1)) + rng.normal(0, vary * 0.3, (runs, 3)))
    colour = np.repeat(value, each, axis=0)[:count] * np.asarray(rgb_linear, np.float64)
    return Part(
        name=name,
        klass="other",
        vertices=shape[0].astype(np.float32),
        faces=shape[1],
        rgb_linear=np.clip(colour, 0.004, 0.9).astype(np.float32),
        roughness=roughness,
        translucency=translucency,
    )


def sheet(name: str, corners: Floats, texture: Floats, tile_m: float, *, turn_deg: float = 0.0) -> Part:
    """A flat textured quadrilateral, (4, 3) corners in order; the texture's width spans ``tile_m`` metres."""
    corners = np.asarray(corners, np.float64)
    u = corners[1] - corners[0]
    u /= np.linalg.norm(u)
    normal = np.cross(u, corners[3] - corners[0])
    v = np.cross(normal / np.linalg.norm(normal), u)
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    flat = np.stack([(corners - corners[0]) @ (c * u + s * v), (corners - corners[0]) @ (c * v - s * u)], 1)
    aspect = texture.shape[1] / texture.shape[0]
    return Part(
        name=name,
        klass="other",
        vertices=corners.astype(np.float32),
        faces=np.array([[0, 1, 2], [0, 2, 3]]),
        texture=texture,
        uv=(flat / tile_m * [1.0, aspect]).astype(np.float32),
    )
