"""Plants around a lawn: hedges, shrubs, flowers, pots, tall grasses, trees. A leaf is one folded quad."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from turfeye.records import Floats
from turfeye.simulate.mesh import Part
from turfeye.simulate.shapes import box, ellipsoid, lathe, leaves, painted, placed, straps, tube

Point = Sequence[float] | Floats

FOLIAGE = np.array(
    [[0.05, 0.11, 0.03], [0.07, 0.15, 0.035], [0.035, 0.075, 0.03], [0.10, 0.17, 0.05], [0.08, 0.10, 0.06],
     [0.12, 0.15, 0.10], [0.16, 0.20, 0.04], [0.14, 0.04, 0.04], [0.10, 0.13, 0.12]]
)  # fmt: skip
PETALS = np.array(
    [[0.70, 0.68, 0.62], [0.62, 0.45, 0.04], [0.55, 0.05, 0.06], [0.45, 0.12, 0.42], [0.20, 0.14, 0.55],
     [0.68, 0.32, 0.40], [0.66, 0.22, 0.03]]
)  # fmt: skip
BARK = (0.10, 0.075, 0.055)


def foliage_colour(rng: np.random.Generator) -> Floats:
    """A leaf colour, (3,) linear; mostly greens, sometimes grey, golden or copper."""
    weight = np.array([5, 5, 4, 4, 2, 1, 1, 0.6, 1])
    return FOLIAGE[rng.choice(len(FOLIAGE), p=weight / weight.sum())] * rng.uniform(0.9, 1.7)


def _foliage(
    name: str, at: Floats, size_m: float, rgb: Floats, rng: np.random.Generator, out: Floats
) -> Part:
    """One leaf a place (N, 3), its upper side mostly towards ``out`` (N, 3)."""
    return painted(
        name,
        leaves(at, size_m, rng, facing=out),
        rgb,
        rng,
        vary=0.28,
        each=4,
        translucency=0.3,
        roughness=0.35,
    )


def bush(
    at: Point,
    radii: ArrayLike,
    rng: np.random.Generator,
    *,
    leaf_m: float = 0.045,
    rgb: Floats | None = None,
) -> list[Part]:
    """A rounded shrub or a tree's crown, lumpy, of ``radii`` (x, y, z) about ``at``."""
    rgb = foliage_colour(rng) if rgb is None else rgb
    radii = np.asarray(radii, np.float64)
    surface = 4 * np.pi * np.prod(radii) ** (2 / 3)
    count = int(np.clip(1.5 * surface / leaf_m**2, 120, 9000))
    out = rng.normal(size=(count, 3))
    out /= np.linalg.norm(out, axis=1, keepdims=True)
    lumps = rng.normal(size=(7, 3))
    lump = (np.maximum(out @ (lumps / np.linalg.norm(lumps, axis=1, keepdims=True)).T, 0) ** 4).sum(1)
    depth = (0.78 + 0.25 * lump) * (1.0 - 0.35 * rng.random(count) ** 2)
    place = np.asarray(at) + out * radii * depth[:, None]
    keep = place[:, 2] > 0.01
    core = painted("core", ellipsoid(radii * 0.74, at), rgb * 0.5, rng, vary=0.3)
    return [core, _foliage("leaves", place[keep], leaf_m, rgb, rng, out[keep])]


def hedge(
    start: Floats, end: Floats, height_m: float, thick_m: float, rng: np.random.Generator
) -> list[Part]:
    """A clipped hedge from ``start`` to ``end``, (2,) metres."""
    rgb = foliage_colour(rng)
    length = float(np.hypot(*(end - start)))
    leaf_m = rng.uniform(0.04, 0.07)
    faces = np.array([length * height_m, length * thick_m, thick_m * height_m])
    count = int(np.clip(1.3 * (2 * faces[0] + faces[1] + 2 * faces[2]) / leaf_m**2, 500, 26000))
    share = np.array([faces[0], faces[0], faces[1], faces[2], faces[2]])
    side = rng.choice(5, count, p=share / share.sum())
    p = rng.random((count, 3)) * [length, thick_m, height_m]
    out = np.zeros((count, 3))
    for which, axis, value in ((0, 1, 0.0), (1, 1, thick_m), (2, 2, height_m), (3, 0, 0.0), (4, 0, length)):
        chosen = side == which
        p[chosen, axis] = value
        out[chosen, axis] = 1.0 if value else -1.0
    wave = 0.04 * np.sin(p[:, :1] * rng.uniform(1, 3) + p[:, 2:] * 2 + rng.uniform(0, 6))
    p += out * (wave + rng.normal(0, 0.025, (count, 1)) - 0.03)
    core = box((length - 0.12, thick_m - 0.12, height_m - 0.06), (length / 2, thick_m / 2, 0))
    leaf = leaves(p, leaf_m, rng, facing=out)
    turn = float(np.degrees(np.arctan2(*(end - start)[::-1])))
    at = (start[0], start[1], 0.0)
    return [
        painted("hedge core", placed(core, at, turn), rgb * 0.5, rng, vary=0.2),
        painted(
            "hedge", placed(leaf, at, turn), rgb, rng, vary=0.25, each=4, translucency=0.3, roughness=0.35
        ),
    ]


def tree(at: Point, height_m: float, rng: np.random.Generator) -> list[Part]:
    """A garden tree: trunk, some branches, several crowns of leaves."""
    x, y = at[0], at[1]
    crown = height_m * rng.uniform(0.25, 0.36)
    bend = rng.normal(0, 0.15, (5, 2))
    z = np.linspace(-0.1, height_m - crown, 5)
    trunk = np.column_stack([x + bend[:, 0] * z / height_m, y + bend[:, 1] * z / height_m, z])
    parts = [painted("trunk", tube(trunk, np.linspace(0.03, 0.014, 5) * height_m), BARK, rng, vary=0.2)]
    top, rgb = trunk[-1], foliage_colour(rng)
    for _ in range(int(rng.integers(3, 6))):
        offset = rng.normal(0, 0.55, 3) * crown * [1, 1, 0.5]
        branch = np.stack([trunk[2], trunk[3] + offset * 0.4, top + offset])
        parts.append(painted("branch", tube(branch, [0.05, 0.035, 0.015], 7), BARK, rng, vary=0.2))
        parts += bush(top + offset, crown * rng.uniform(0.6, 0.9, 3), rng, leaf_m=0.13, rgb=rgb)
    return parts


def flowers(at: Point, radius_m: float, height_m: float, rng: np.random.Generator) -> list[Part]:
    """A clump of leaves with blooms on top."""
    count = int(60 + 900 * radius_m)
    r, angle = radius_m * np.sqrt(rng.random(count)), rng.uniform(0, 2 * np.pi, count)
    dome = height_m * (1 - 0.5 * (r / radius_m) ** 2)
    ground = np.stack([at[0] + r * np.cos(angle), at[1] + r * np.sin(angle), dome * rng.random(count)], 1)
    up = np.tile([0.0, 0.0, 0.8], (count, 1))
    parts = [_foliage("leaves", ground, 0.05, foliage_colour(rng), rng, up)]
    blooms = ground[rng.random(count) < rng.uniform(0.15, 0.5)].copy()
    blooms[:, 2] = height_m * rng.uniform(0.75, 1.15, len(blooms))
    petals = np.repeat(blooms, 4, axis=0) + rng.normal(0, 0.008, (4 * len(blooms), 3))
    colour = PETALS[rng.integers(len(PETALS))]
    shape = leaves(petals, rng.uniform(0.025, 0.05), rng)
    return [*parts, painted("blooms", shape, colour, rng, vary=0.1, each=4, translucency=0.25)]


def tall_grass(at: Point, height_m: float, rng: np.random.Generator) -> list[Part]:
    """An ornamental grass or a clump of strap leaves."""
    count = int(rng.integers(90, 220))
    foot = np.column_stack([rng.normal(at[0], 0.05, count), rng.normal(at[1], 0.05, count), np.zeros(count)])
    rgb = foliage_colour(rng) if rng.random() < 0.6 else np.array([0.30, 0.24, 0.12])
    return [painted("tall grass", straps(foot, height_m, rng), rgb, rng, vary=0.2, each=8, translucency=0.3)]


def pot(at: Point, radius_m: float, rng: np.random.Generator) -> list[Part]:
    """A planted pot."""
    height = radius_m * rng.uniform(1.4, 2.2)
    profile = [
        (radius_m * 0.65, 0),
        (radius_m, height),
        (radius_m * 1.08, height),
        (radius_m * 0.9, height * 0.9),
        (0, height * 0.9),
    ]
    rgb = [(0.36, 0.15, 0.08), (0.10, 0.11, 0.13), (0.45, 0.42, 0.36), (0.06, 0.14, 0.22)][rng.integers(4)]
    shape = placed(lathe(profile), at)
    parts = [painted("pot", shape, rgb, rng, vary=0.06, roughness=0.4)]
    top = (at[0], at[1], at[2] + height + radius_m * 0.5)
    if rng.random() < 0.5:
        return parts + bush(
            top, (radius_m * 1.1, radius_m * 1.1, radius_m * rng.uniform(0.8, 2.0)), rng, leaf_m=0.04
        )
    lifted = [part.moved((0, 0, at[2] + height * 0.9)) for part in flowers(at, radius_m * 1.2, 0.25, rng)]
    return parts + lifted
