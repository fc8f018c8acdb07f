"""An invented turf as meshes: soil, stones, straw, blades, weeds, fallen leaves.

Everything follows from a `Turf`: what the ground is and, as fields over the lawn in metres, how much of it
grass should cover. How much it does cover is not assumed anywhere: it is measured on the meshes, from straight
above (`turfeye.simulate.render`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np

from turfeye.records import Flags, Floats
from turfeye.simulate.fields import Places, fractal, hashed, noise, scatter
from turfeye.simulate.mesh import Part

Box = tuple[float, float, float, float]
Field = Callable[[Floats, Floats], Floats]

SOILS: dict[str, tuple[float, float, float]] = {
    "loam": (0.165, 0.112, 0.072),
    "dark loam": (0.085, 0.060, 0.042),
    "pale clay": (0.290, 0.225, 0.155),
    "red clay": (0.230, 0.125, 0.070),
    "sandy dressing": (0.420, 0.330, 0.215),
    "compost dressing": (0.050, 0.036, 0.027),
    "grey silt": (0.205, 0.175, 0.135),
}
"""Dry reflectances, linear RGB, ours: ordinary soils lie between these."""

SEEDLINGS_PER_M2 = 20_000


def level(value: float) -> Field:
    """A field that is the same everywhere."""
    return lambda x, y: np.full(np.broadcast(x, y).shape, value, np.float32)


@dataclass(frozen=True, eq=False)
class Turf:
    """What the turf is made of. Fields take x and y in metres and give shares 0-1."""

    seed: int
    cover: Field  # wanted green cover, straight down
    straw: Field = field(default_factory=lambda: level(0.1))  # wanted share of straw on the ground
    pale: Field = field(
        default_factory=lambda: level(0.0)
    )  # 1 where the grass is a coarse, yellow-green kind
    moss: Field = field(default_factory=lambda: level(0.0))
    soil: str = "loam"
    wet: float = 0.3  # 0 dry, 1 soaked
    rough_mm: float = 4.0  # height of crumbs
    stones_per_m2: float = 15.0
    clover_per_m2: float = 0.0
    leaves_per_m2: float = 0.0
    length_mm: float = 55.0  # of a full-grown leaf
    width_mm: float = 2.6
    upright: float = 0.5  # 0 lies flat, 1 stands
    mown_mm: float = 200.0  # nothing stands higher
    green: tuple[float, float, float] = (0.062, 0.118, 0.030)
    vigour: float = 1.0  # below 1: yellower
    inside: Callable[[Floats, Floats], Flags] | None = None  # where the lawn is; None is everywhere


@dataclass(frozen=True, eq=False)
class Ground:
    """The soil's surface as a height grid; `height_m` reads it anywhere."""

    x0_m: float
    y0_m: float
    step_m: float
    z_m: Floats  # (rows, cols)

    def height_m(self, x_m: Floats, y_m: Floats) -> Floats:
        """Height of the nearest grid point."""
        col = np.clip(((x_m - self.x0_m) / self.step_m + 0.5).astype(int), 0, self.z_m.shape[1] - 1)
        row = np.clip(((y_m - self.y0_m) / self.step_m + 0.5).astype(int), 0, self.z_m.shape[0] - 1)
        return self.z_m[row, col]


def ground(turf: Turf, box_m: Box, step_m: float) -> Ground:
    """Soil with gentle unevenness and crumbs of several sizes."""
    x0, y0 = (np.floor(v / step_m) * step_m for v in box_m[:2])
    x = np.arange(x0, box_m[2] + step_m, step_m)
    y = np.arange(y0, box_m[3] + step_m, step_m)
    X, Y = np.meshgrid(x, y)
    z = 0.010 * fractal(turf.seed + 1, X, Y, scale_m=1.3, octaves=3)
    z += 0.0007 * turf.rough_mm * fractal(turf.seed + 2, X, Y, scale_m=0.07, octaves=4, gain=0.6)
    where = noise(turf.seed + 3, X, Y, 0.16)
    for size_mm, per_m2 in ((14.0, 700), (8.0, 3500), (4.5, 14000), (2.6, 40000)):
        if size_mm * 1e-3 > 1.5 * step_m:
            z += _crumbs(turf, box_m, (x0, y0, step_m), z.shape, size_mm, per_m2) * (0.35 + 0.9 * where)
    return Ground(float(x0), float(y0), step_m, z.astype(np.float32))


def _crumbs(
    turf: Turf,
    box_m: Box,
    frame: tuple[float, float, float],
    shape: tuple[int, int],
    size_mm: float,
    per_m2: float,
) -> Floats:
    """Lumps of one size, stamped on a height grid; where they meet the higher one shows."""
    x0, y0, step = frame
    lumps = scatter(turf.seed + int(size_mm * 10), box_m, per_m2)
    radius = 0.5e-3 * size_mm * (0.5 + 0.8 * lumps.draw(3))
    height = radius * (0.5 + 0.9 * lumps.draw(4)) * turf.rough_mm / 4.0
    stretch, turn = 0.6 + 0.8 * lumps.draw(5), np.pi * lumps.draw(6)
    reach = int(np.ceil(radius.max() * 1.4 / step))
    col0, row0 = ((lumps.x_m - x0) / step).astype(int), ((lumps.y_m - y0) / step).astype(int)
    z = np.zeros(shape, np.float32)
    for dr in range(-reach, reach + 1):
        for dc in range(-reach, reach + 1):
            row, col = row0 + dr, col0 + dc
            px, py = x0 + col * step - lumps.x_m, y0 + row * step - lumps.y_m
            a = (px * np.cos(turn) + py * np.sin(turn)) / stretch
            b = (py * np.cos(turn) - px * np.sin(turn)) * stretch
            bump = height * np.sqrt(np.clip(1 - (a * a + b * b) / radius**2, 0, None))
            ok = (bump > 0) & (row >= 0) & (row < shape[0]) & (col >= 0) & (col < shape[1])
            np.maximum.at(z, (row[ok], col[ok]), bump[ok])
    return z


def soil(turf: Turf, surface: Ground) -> Part:
    """The ground's mesh, dark where it is moist, paler where it has dried."""
    rows, cols = surface.z_m.shape
    X, Y = np.meshgrid(
        surface.x0_m + np.arange(cols) * surface.step_m, surface.y0_m + np.arange(rows) * surface.step_m
    )
    damp = np.clip(turf.wet + 0.35 * fractal(turf.seed + 7, X, Y, scale_m=0.5, octaves=4), 0, 1)
    fine = fractal(turf.seed + 8, X, Y, scale_m=max(0.012, 2 * surface.step_m), octaves=3, gain=0.8)
    smooth = surface.z_m - np.roll(surface.z_m, 3, axis=0) * 0.5 - np.roll(surface.z_m, 3, axis=1) * 0.5
    dry_tops = np.clip(smooth / (turf.rough_mm * 0.5e-3), -1, 1)
    tone = np.exp(0.16 * fine + 0.10 * dry_tops - 0.75 * damp)
    warm = 1 + 0.08 * fractal(turf.seed + 9, X, Y, scale_m=0.09, octaves=3)
    dry = np.array(SOILS[turf.soil], np.float32)
    rgb = dry * tone[..., None] * np.stack([np.sqrt(warm), np.ones_like(warm), 1 / warm], axis=-1)
    grain = hashed(turf.seed + 10, np.rint(X / surface.step_m), np.rint(Y / surface.step_m))
    rgb = np.clip(rgb * (0.82 + 0.36 * grain[..., None]), 0.01, 0.9)
    index = np.arange(rows * cols).reshape(rows, cols)
    a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1]
    faces = np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])
    vertices = np.stack([X, Y, surface.z_m], axis=-1).reshape(-1, 3)
    return _part("soil", "bare", vertices, faces, rgb.reshape(-1, 3))


def _part(
    name: str,
    klass: str,
    vertices: Floats,
    faces: Floats,
    rgb: Floats,
    translucency: float = 0.0,
    roughness: float | None = None,
) -> Part:
    return Part(
        name=name,
        klass=klass,
        vertices=vertices.astype(np.float32),
        faces=faces.astype(np.int32),
        rgb_linear=rgb.astype(np.float32),
        translucency=translucency,
        roughness=roughness,
        lawn=True,
    )


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

    def mesh(self, segments: int) -> tuple[Floats, Floats, Floats]:
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


def _strip_faces(count: int, segments: int) -> Floats:
    quads = [
        f for k in range(segments - 1) for f in ((2 * k, 2 * k + 1, 2 * k + 3), (2 * k, 2 * k + 3, 2 * k + 2))
    ]
    one = np.array([*quads, (2 * segments - 2, 2 * segments - 1, 2 * segments)])
    return (one[None] + np.arange(count)[:, None, None] * (2 * segments + 1)).reshape(-1, 3)


def _strip_along(count: int, segments: int) -> Floats:
    one = np.append(np.repeat(np.arange(segments), 2), segments) / segments
    return np.tile(one.astype(np.float32), count)


_ONSET = 0.20  # a leaf follows the one before it this much growth later
_LEAVES = 5


def _leaf_growth(age: Floats) -> tuple[Floats, Floats]:
    """Share of full length and of full width of a leaf of this age (growth units; 1 is full-grown)."""
    a = np.clip(age, 0, None)
    return 1 - np.exp(-3.2 * a), 0.38 + 0.62 * np.clip(1.3 * a, 0, 1)


def _emergence(u: Floats) -> Floats:
    return 0.75 * u**1.2


def _stage_of_cover(turf: Turf, cover: Floats) -> Floats:
    """Growth at which seedlings, scattered at random, cover this share: 1 - exp(-projected leaf area)."""
    stages = np.linspace(0, 2.6, 80)
    u = (np.arange(200) + 0.5) / 200
    area = np.zeros(len(stages))
    for leaf in range(_LEAVES):
        length, width = _leaf_growth(stages[:, None] - _emergence(u) - _ONSET * leaf)
        area += np.mean(length * width * _reach(turf, length), axis=1)
    index = area * SEEDLINGS_PER_M2 * turf.length_mm * turf.width_mm * 1e-6
    wanted = -np.log(1 - np.clip(cover, 0, 0.985))
    return np.interp(wanted, index, stages).astype(np.float32)


def _posture(turf: Turf, share: Floats) -> tuple[Floats, Floats]:
    """Middle lean and bend (radians) of a leaf that has ``share`` of its full length: needles stand, leaves arch."""
    lean = np.radians(14 + 36 * (1 - turf.upright) * (0.5 + 0.5 * share))
    return lean, np.radians((30 + 75 * (1 - turf.upright)) * share**1.5)


def _reach(turf: Turf, share: Floats) -> Floats:
    """Ground covered by a leaf as a share of its length x width: how far it leans, less its pointed end."""
    lean, bend = _posture(turf, share)
    return 0.85 * np.sin(np.minimum(np.hypot(lean, np.radians(12)) + 0.38 * bend, np.pi / 2))


def blades(turf: Turf, box_m: Box, surface: Ground, *, coarser: Field | None = None) -> list[Part]:
    """All live grass leaves.

    ``coarser`` says, by place, how many times wider leaves may be drawn (1 or more): that many times fewer
    are drawn, so that leaf area and shares stay true where single leaves can't be made out anyway.
    """
    plants = scatter(turf.seed + 20, box_m, SEEDLINGS_PER_M2)
    if turf.inside is not None:
        plants = plants.only(turf.inside(plants.x_m, plants.y_m))
    widen = np.ones(len(plants), np.float32) if coarser is None else coarser(plants.x_m, plants.y_m)
    stage = _stage_of_cover(turf, turf.cover(plants.x_m, plants.y_m))
    age = stage - _emergence(plants.draw(3))
    keep = (age > 0) & (plants.draw(4) * widen < 1)
    plants, age, widen = plants.only(keep), age[keep], widen[keep]
    pale = turf.pale(plants.x_m, plants.y_m) > plants.draw(5)
    parts = []
    for leaf in range(_LEAVES):
        grown = age - _ONSET * leaf > 0
        if grown.any():
            parts += _leaves(turf, plants.only(grown), age[grown], widen[grown], pale[grown], surface, leaf)
    return parts


def _leaves(
    turf: Turf, plants: Places, age: Floats, widen: Floats, pale: Flags, surface: Ground, leaf: int
) -> list[Part]:
    """The ``leaf``-th leaf of every plant."""
    k = 100 + 20 * leaf
    long, wide = _leaf_growth(age - _ONSET * leaf)
    length = 1e-3 * turf.length_mm * long * np.exp(0.28 * plants.normal(k)) * np.where(pale, 1.15, 1)
    width = 1e-3 * turf.width_mm * wide * np.exp(0.18 * plants.normal(k + 1)) * np.where(pale, 1.6, 1)
    lean, bend = _posture(turf, long)
    lean = lean + np.radians((10 + 3 * leaf) * plants.normal(k + 2))
    bend = bend * (0.4 + 1.2 * plants.draw(k + 3))
    # A cut leaf ends where the mower went: what stands higher is taken off.
    height = length * np.cos(np.clip(lean + 0.4 * bend, -1.4, 1.4))
    length = length * np.clip(1e-3 * turf.mown_mm * (0.85 + 0.3 * plants.draw(k + 4)) / height, None, 1)
    spread = 0.003 * np.stack([plants.draw(k + 5) - 0.5, plants.draw(k + 6) - 0.5], axis=-1)
    x, y = plants.x_m + spread[:, 0], plants.y_m + spread[:, 1]
    strips = Ribbons(
        base_m=np.stack([x, y, surface.height_m(x, y) - 0.001], axis=-1).astype(np.float32),
        azimuth=2 * np.pi * (plants.draw(7) + 0.5 * leaf + 0.22 * plants.draw(k + 7)),
        lean=lean,
        bend=bend,
        length_m=length,
        width_m=width * widen,
        twist=np.radians(35) * plants.normal(k + 8),
    )
    dead = plants.draw(k + 9) < (0.03 if leaf == 0 else 0.006)
    parts = []
    for name, klass, which in (("blades", "green", ~dead), ("dead blades", "straw", dead)):
        if which.any():
            segments = 4 if np.median(widen) < 1.6 else 3
            chosen = Ribbons(**{f: getattr(strips, f)[which] for f in strips.__dataclass_fields__})
            vertices, faces, along = chosen.mesh(segments)
            some = plants.only(which)
            rgb = _leaf_rgb(turf, some, along, age[which], pale[which], k) if klass == "green" else None
            if rgb is None:
                rgb = np.repeat(_straw_rgb(some, k), len(along) // len(some), axis=0)
            parts.append(_part(name, klass, vertices, faces, rgb, translucency=0.45, roughness=0.45))
    return parts


def _leaf_rgb(turf: Turf, plants: Places, along: Floats, age: Floats, pale: Flags, k: int) -> Floats:
    """Colour along each leaf: whitish at the base, lighter and yellower when young, some tips brown."""
    young = np.exp(-2.2 * np.clip(age, 0, None))[:, None]
    green = np.array(turf.green, np.float32)
    light, yellow = np.array([0.115, 0.205, 0.040]), np.array([0.165, 0.205, 0.048])
    own = green + (light - green) * 0.75 * young
    sickly = np.clip(1 - turf.vigour + 0.10 * np.abs(plants.normal(k + 10)), 0, 1)[:, None]
    own = own + (yellow - own) * np.where(pale[:, None], 0.8, sickly)
    own = own * np.exp(0.16 * plants.normal(k + 11))[:, None]
    own[:, 0] *= np.exp(0.09 * plants.normal(k + 12))
    per = len(along) // len(plants)
    rgb, s = np.repeat(own, per, axis=0), along[:, None]
    base = np.array([0.20, 0.22, 0.11])
    rgb = rgb + (base - rgb) * 0.55 * np.clip(1 - 3.5 * s, 0, 1)
    brown = np.repeat(plants.draw(k + 13) < 0.10, per)[:, None] * np.clip(6 * s - 5.0, 0, 1)
    return rgb + (np.array([0.27, 0.19, 0.09]) - rgb) * brown


def _straw_rgb(places: Places, k: int) -> Floats:
    fresh, old = np.array([0.47, 0.37, 0.19]), np.array([0.20, 0.16, 0.115])
    mix = places.draw(k + 15)[:, None] ** 1.3
    return (fresh + (old - fresh) * mix) * np.exp(0.2 * places.normal(k + 16))[:, None]


def straw(turf: Turf, box_m: Box, surface: Ground, *, coarser: Field | None = None) -> list[Part]:
    """Dead stems and clippings that lie on the ground, singly and in tufts."""
    per_m2 = 9_000
    places = scatter(turf.seed + 30, box_m, per_m2)
    if turf.inside is not None:
        places = places.only(turf.inside(places.x_m, places.y_m))
    widen = (
        np.ones(len(places), np.float32)
        if coarser is None
        else np.minimum(coarser(places.x_m, places.y_m), 4)
    )
    length = 1e-3 * (7 + 38 * places.draw(3) ** 2.2)
    width = 1e-3 * (0.7 + 1.7 * places.draw(4) ** 1.5)
    wanted = -np.log(1 - np.clip(turf.straw(places.x_m, places.y_m), 0, 0.95))
    tufts = np.clip(
        1 + 0.9 * fractal(turf.seed + 31, places.x_m, places.y_m, scale_m=0.10, octaves=3), 0.05, 3
    )
    chance = wanted * tufts / (per_m2 * float(np.mean(length * width)) * 0.85) / widen
    longer, wider = length * widen**0.4, width * widen**0.6
    extra = np.ceil(np.clip(chance, 1, 6)).max().astype(int)
    parts = []
    for copy in range(extra):
        keep = places.draw(40 + copy) < chance - copy if copy else places.draw(40) < chance
        if keep.any():
            parts.append(_lying(places.only(keep), longer[keep], wider[keep], surface, 300 + 40 * copy))
    return parts


def _lying(places: Places, length: Floats, width: Floats, surface: Ground, k: int) -> Part:
    x = places.x_m + 0.02 * (places.draw(k) - 0.5)
    y = places.y_m + 0.02 * (places.draw(k + 1) - 0.5)
    azimuth = 2 * np.pi * places.draw(k + 2)
    z0 = surface.height_m(x, y)
    z1 = surface.height_m(x + length * np.cos(azimuth), y + length * np.sin(azimuth))
    rise = np.arctan2(z1 - z0, length) + np.radians(5) * np.abs(places.normal(k + 3))
    strips = Ribbons(
        base_m=np.stack([x, y, z0 + 0.0012 + 0.003 * places.draw(k + 4)], axis=-1),
        azimuth=azimuth,
        lean=np.pi / 2 - rise,
        bend=np.radians(14) * places.normal(k + 5),
        length_m=length,
        width_m=width,
        twist=np.radians(30) * places.normal(k + 6),
    )
    vertices, faces, along = strips.mesh(3)
    rgb = np.repeat(_straw_rgb(places, k), len(along) // len(places), axis=0)
    return _part("straw", "straw", vertices, faces, rgb, translucency=0.15, roughness=0.6)


def stones(turf: Turf, box_m: Box, surface: Ground) -> list[Part]:
    """Pebbles, half sunk in the soil."""
    places = scatter(turf.seed + 50, box_m, max(turf.stones_per_m2, 1e-3))
    if turf.inside is not None:
        places = places.only(turf.inside(places.x_m, places.y_m))
    if not len(places) or turf.stones_per_m2 <= 0:
        return []
    ball, faces = _ball()
    radius = 1e-3 * (2 + 11 * places.draw(3) ** 3)
    squash = np.stack(
        [0.7 + 0.6 * places.draw(4), 0.7 + 0.6 * places.draw(5), 0.45 + 0.4 * places.draw(6)], -1
    )
    turn = 2 * np.pi * places.draw(7)[:, None]
    lump = 1 + 0.35 * (
        hashed(turf.seed + 51, places.i[:, None] * 64 + np.arange(len(ball)), places.j[:, None]) - 0.5
    )
    shape = ball[None] * lump[..., None] * (squash * radius[:, None])[:, None]
    x = shape[..., 0] * np.cos(turn) - shape[..., 1] * np.sin(turn) + places.x_m[:, None]
    y = shape[..., 0] * np.sin(turn) + shape[..., 1] * np.cos(turn) + places.y_m[:, None]
    z = shape[..., 2] + (surface.height_m(places.x_m, places.y_m) + 0.1 * radius)[:, None]
    tint = np.array([0.26, 0.24, 0.21]) + (places.draw(8)[:, None] - 0.5) * np.array([0.16, 0.12, 0.07])
    rgb = np.repeat(tint * np.exp(0.35 * places.normal(9))[:, None], len(ball), axis=0)
    index = (faces[None] + np.arange(len(places))[:, None, None] * len(ball)).reshape(-1, 3)
    return [_part("stones", "bare", np.stack([x, y, z], -1).reshape(-1, 3), index, np.clip(rgb, 0.02, 0.8))]


def _ball() -> tuple[Floats, Floats]:
    """A small sphere of 26 points."""
    rows = [np.array([[0, 0, 1.0]])]
    turn = np.arange(8) * np.pi / 4
    for tilt in (45, 90, 135):
        t = np.radians(tilt)
        rows.append(np.stack([np.sin(t) * np.cos(turn), np.sin(t) * np.sin(turn), 0 * turn + np.cos(t)], -1))
    ball = np.concatenate([*rows, [[0, 0, -1.0]]])
    after = np.roll(np.arange(8), -1)
    faces = [np.stack([0 * after, 1 + np.arange(8), 1 + after], -1)]
    for ring in (1, 9):
        a, b = ring + np.arange(8), ring + after
        faces += [np.stack([a, a + 8, b + 8], -1), np.stack([a, b + 8, b], -1)]
    faces.append(np.stack([17 + np.arange(8), 0 * after + 25, 17 + after], -1))
    return ball, np.concatenate(faces)


def litter(turf: Turf, box_m: Box, surface: Ground) -> list[Part]:
    """Clover, moss and fallen leaves: what counts as *other*."""
    parts = []
    if turf.clover_per_m2 > 0:
        places = scatter(turf.seed + 60, box_m, turf.clover_per_m2 * 8)
        clump = noise(turf.seed + 61, places.x_m, places.y_m, 0.25) > 0.62
        parts += _discs(turf, places.only(clump), surface, "clover")
    if turf.leaves_per_m2 > 0:
        parts += _discs(turf, scatter(turf.seed + 62, box_m, turf.leaves_per_m2), surface, "fallen leaves")
    places = scatter(turf.seed + 63, box_m, 9000)
    mossy = turf.moss(places.x_m, places.y_m) > places.draw(3)
    if mossy.any():
        parts += _moss(turf, places.only(mossy), surface)
    return parts


def _discs(turf: Turf, places: Places, surface: Ground, what: str) -> list[Part]:
    """Small leaves: clover in threes on short stalks, or single leaves that lie about."""
    if turf.inside is not None:
        places = places.only(turf.inside(places.x_m, places.y_m))
    if not len(places):
        return []
    clover = what == "clover"
    angle = np.linspace(0, 2 * np.pi, 9)[:-1]
    count, parts = len(places), []
    for leaflet in range(3 if clover else 1):
        k = 20 + 10 * leaflet
        size = (0.0045 + 0.003 * places.draw(k)) if clover else (0.012 + 0.022 * places.draw(k))
        heading = 2 * np.pi * (places.draw(5) + leaflet / 3)
        oval = np.stack([np.cos(angle) * (1.0 if clover else 1.5), np.sin(angle), 0 * angle], -1)
        oval[:, 2] = (0.25 if clover else 0.35) * np.abs(np.sin(angle))
        flat = np.concatenate([[[0.0, 0, 0]], oval]) + (np.array([1.0, 0, 0]) if clover else 0)
        shape = flat[None] * size[:, None, None]
        tip = 0.25 * places.normal(k + 1)[:, None]
        z = shape[..., 2] + shape[..., 0] * tip
        x = shape[..., 0] * np.cos(heading)[:, None] - shape[..., 1] * np.sin(heading)[:, None]
        y = shape[..., 0] * np.sin(heading)[:, None] + shape[..., 1] * np.cos(heading)[:, None]
        lift = surface.height_m(places.x_m, places.y_m) + (
            0.008 + 0.022 * places.draw(6) if clover else 0.004 + 0.012 * places.draw(6)
        )
        vertices = np.stack([x + places.x_m[:, None], y + places.y_m[:, None], z + lift[:, None]], -1)
        fan = np.array([(0, 1 + n, 1 + (n + 1) % 8) for n in range(8)])
        faces = (fan[None] + np.arange(count)[:, None, None] * 9).reshape(-1, 3)
        if clover:
            rgb = np.array([0.055, 0.125, 0.045]) * np.exp(0.15 * places.normal(7))[:, None]
        else:
            rust, tan = np.array([0.22, 0.10, 0.035]), np.array([0.30, 0.22, 0.09])
            rgb = rust + (tan - rust) * places.draw(8)[:, None]
        rgb = np.repeat(rgb, 9, axis=0)
        parts.append(_part(what, "other", vertices.reshape(-1, 3), faces, rgb, translucency=0.3))
    return parts


def _moss(turf: Turf, places: Places, surface: Ground) -> list[Part]:
    """Low, soft, yellowish cushions made of many short strips."""
    parts = []
    for copy in range(3):
        k = 30 + 20 * copy
        x, y = places.x_m + 0.008 * (places.draw(k) - 0.5), places.y_m + 0.008 * (places.draw(k + 1) - 0.5)
        strips = Ribbons(
            base_m=np.stack([x, y, surface.height_m(x, y) - 0.001], -1),
            azimuth=2 * np.pi * places.draw(k + 2),
            lean=np.radians(30 + 25 * places.normal(k + 3)),
            bend=np.radians(40) * places.draw(k + 4),
            length_m=0.006 + 0.006 * places.draw(k + 5),
            width_m=0.0016 + 0.001 * places.draw(k + 6),
            twist=np.radians(30) * places.normal(k + 7),
        )
        vertices, faces, along = strips.mesh(2)
        rgb = np.array([0.085, 0.105, 0.022]) * np.exp(0.2 * places.normal(k + 8))[:, None]
        rgb = np.repeat(rgb, len(along) // len(places), axis=0) * (0.5 + 0.7 * along[:, None])
        parts.append(_part("moss", "other", vertices, faces, rgb, translucency=0.3))
    return parts


def turf_parts(turf: Turf, box_m: Box, *, step_m: float, coarser: Field | None = None) -> list[Part]:
    """Everything that grows or lies in a box (x0, y0, x1, y1) of the lawn; the soil's grid has ``step_m``."""
    surface = ground(turf, box_m, step_m)
    return [
        soil(turf, surface),
        *stones(turf, box_m, surface),
        *straw(turf, box_m, surface, coarser=coarser),
        *litter(turf, box_m, surface),
        *blades(turf, box_m, surface, coarser=coarser),
    ]


def pressed(
    parts: list[Part], x_m: float, y_m: float, half_m: tuple[float, float]
) -> tuple[list[Part], float]:
    """Parts as a flat sheet leaves them that lies at (x, y), and the height that it comes to lie at.

    Plants and litter that begin under it go; the highest crumbs are pressed down.
    """

    def under(points: Floats) -> Flags:
        return (np.abs(points[:, 0] - x_m) < half_m[0]) & (np.abs(points[:, 1] - y_m) < half_m[1])

    soil_part = next(part for part in parts if part.name == "soil")
    below = under(soil_part.vertices)
    top = float(np.quantile(soil_part.vertices[below, 2], 0.97)) if below.any() else 0.0
    kept = []
    for part in parts:
        if part.name == "soil":
            vertices = part.vertices.copy()
            vertices[below, 2] = np.minimum(vertices[below, 2], top)
            part = replace(part, vertices=vertices)
        elif part.lawn:
            part = replace(part, faces=part.faces[~under(part.vertices[part.faces[:, 0]])])
        kept.append(part)
    return kept, top
