"""Things that stand or lie on turf: shoes and legs, a dog, a hose, a glove, a tool, a bucket, a slab, a ball.

Each is built about the origin on z = 0, of the right size. Surfaces are fine meshes of rings, so that folds,
fur and grain are real bumps; many are as brown as soil. `turfeye.simulate.laying` puts them in a picture.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from turfeye.records import Floats
from turfeye.simulate.fields import fractal
from turfeye.simulate.furniture import moved
from turfeye.simulate.mesh import Part
from turfeye.simulate.shapes import rings_shape
from turfeye.simulate.turf import SOILS

BROWNS = np.array(
    [
        [0.075, 0.042, 0.024],
        [0.13, 0.075, 0.040],
        [0.19, 0.105, 0.050],
        [0.045, 0.030, 0.020],
        [0.27, 0.17, 0.085],
        *SOILS.values(),
    ]
)
"""Leather, coats and cloth as brown as soils are. Linear reflectance, ours, as are those that follow."""
GREYS = np.array([[0.018, 0.018, 0.019], [0.06, 0.06, 0.063], [0.20, 0.20, 0.20], [0.55, 0.52, 0.46]])
BRIGHT = np.array(
    [[0.03, 0.06, 0.16], [0.10, 0.16, 0.30], [0.40, 0.05, 0.04], [0.50, 0.33, 0.04], [0.03, 0.12, 0.05],
     [0.06, 0.085, 0.035], [0.45, 0.12, 0.02], [0.35, 0.10, 0.22]]
)  # fmt: skip
COATS = np.array([[0.16, 0.095, 0.05], [0.09, 0.05, 0.028], [0.27, 0.16, 0.075], [0.02, 0.019, 0.018],
                  [0.50, 0.42, 0.30], [0.20, 0.19, 0.17], [0.22, 0.10, 0.04]])  # fmt: skip
SKIN = np.array([[0.50, 0.31, 0.22], [0.36, 0.20, 0.12], [0.12, 0.065, 0.04]])
WOOD = np.array([[0.38, 0.26, 0.13], [0.24, 0.15, 0.08], [0.28, 0.25, 0.21], [0.14, 0.085, 0.05]])


@dataclass(frozen=True)
class Finish:
    """How a surface looks: colour, blotches, bumps, gloss."""

    rgb_linear: Floats
    vary: float = 0.08  # relative spread of the colour between blotches
    grain_m: float = 0.02  # size of blotches and bumps
    bump_m: float = 0.0  # height of the bumps
    stretch: float = 1.0  # how much longer they are along y
    roughness: float | None = None


# ----------------------------------------------------------------------------------------------- surfaces


def _rod(path: ArrayLike, half: ArrayLike, *, step_m: float = 0.003, power: float = 2.0) -> Floats:
    """Rings (N, M, 3) about a smooth curve through ``path`` (K, 3); ``half`` (K, 2): half width, half height.

    ``power`` 2 makes ellipses, more makes them boxy. The ends are closed.
    """
    from scipy.interpolate import PchipInterpolator

    path, half = np.asarray(path, float), np.asarray(half, float)
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    count = int(np.clip(run[-1] / step_m, 12, 420))
    s = 0.5 * run[-1] * (1 - np.cos(np.linspace(0, np.pi, count)))  # finer at the ends
    line, radii = PchipInterpolator(run, path)(s), PchipInterpolator(run, half)(s)
    along = np.gradient(line, s, axis=0)
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    standing = np.abs(along[:, 2]).mean() > 0.7
    side = [1.0, 0.0, 0.0] - along[:, :1] * along if standing else np.cross(along, [0.0, 0.0, 1.0])
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    up = np.cross(side, along)
    sides = int(np.clip(2 * np.pi * radii.max() / step_m, 14, 260))
    angle = np.linspace(0, 2 * np.pi, sides, endpoint=False) - np.pi / 2  # the seam lies below
    ring = np.stack([np.cos(angle), np.sin(angle)], -1)
    ring = np.sign(ring) * np.abs(ring) ** (2 / power)
    offset = ring[None] * radii[:, None]  # (N, M, 2)
    rings = line[:, None] + offset[..., :1] * side[:, None] + offset[..., 1:] * up[:, None]
    return np.concatenate([rings[:1] * 0 + line[:1, None], rings, rings[-1:] * 0 + line[-1:, None]])


def _turned(profile: ArrayLike, *, step_m: float = 0.004) -> Floats:
    """Rings of a solid of revolution about z through (radius, z) pairs."""
    profile = np.asarray(profile, float)
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(profile, axis=0), axis=1))])
    s = np.linspace(0, run[-1], int(run[-1] / step_m) + 2)
    radius, z = (np.interp(s, run, values) for values in profile.T)
    angle = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    return np.stack(
        [radius[:, None] * np.cos(angle), radius[:, None] * np.sin(angle), z[:, None] + 0 * angle], -1
    )


def _part(name: str, rings: Floats, finish: Finish, rng: np.random.Generator) -> Part:
    """Rings as a part: bumps along the outward direction, blotches of colour that go with them."""
    middle = rings.mean(axis=1, keepdims=True)
    out = rings - middle
    radius = np.linalg.norm(out, axis=-1, keepdims=True)
    # the grain is that of a plane which no side of a thing stands upright on
    around, along = (
        rings[..., 0] + 0.6 * rings[..., 2],
        (rings[..., 1] + 0.35 * rings[..., 2]) / finish.stretch,
    )
    seed = int(rng.integers(1 << 30))
    fine = fractal(seed, around, along, scale_m=finish.grain_m, octaves=3, gain=0.7)[..., None]
    broad = fractal(seed + 7, around, along, scale_m=8 * finish.grain_m, octaves=2)[..., None]
    bumped = rings + finish.bump_m * fine * out / np.maximum(radius, 1e-4) * (radius > 1e-4)
    rgb = finish.rgb_linear * np.exp(finish.vary * (fine + 0.6 * broad))
    vertices, faces = rings_shape(bumped)
    return Part(
        name, "other", vertices, faces,
        rgb_linear=np.clip(rgb, 0.006, 0.85).reshape(-1, 3).astype(np.float32), roughness=finish.roughness,
    )  # fmt: skip


def _tone(rng: np.random.Generator, *palettes: Floats) -> Floats:
    """One colour of one of the palettes, lighter or darker, redder or yellower."""
    palette = palettes[rng.integers(len(palettes))]
    tone = palette[rng.integers(len(palette))] * np.exp(0.25 * rng.normal() + 0.06 * rng.normal(size=3))
    return np.asarray(np.clip(tone, 0.012, 0.7))


# ------------------------------------------------------------------------------------------------- things


def _shoe(rng: np.random.Generator, leather: Finish, *, shaft_m: float) -> list[Part]:
    """One shoe or boot, toe to +y, its opening dark."""
    long, wide = rng.uniform(0.26, 0.32), rng.uniform(0.045, 0.055)
    at = np.array([0.0, 0.06, 0.22, 0.45, 0.70, 0.90, 1.0])
    across = np.array([0.35, 0.72, 0.78, 0.76, 1.0, 0.80, 0.25]) * wide
    tall = np.array([0.30, 0.48, 0.52, 0.50, 0.36, 0.27, 0.08]) * rng.uniform(0.085, 0.105)
    y = (at - 0.5) * long
    bend = rng.uniform(-0.01, 0.01) * at**2
    upper = _rod(np.stack([bend, y, 0.012 + tall], -1), np.stack([across, tall], -1), power=2.4)
    flat = np.full(7, rng.uniform(0.010, 0.018))
    sole = _rod(np.stack([bend, y, flat], -1), np.stack([across * 1.08, flat], -1), power=4.0)
    heel, top = -0.27 * long, 0.07 + shaft_m
    rings = _rod(
        [[0, heel, 0.04], [0, heel, 0.10], [0, heel - 0.01, top]],
        [[0.036, 0.045], [0.038, 0.048], [0.05, 0.058]],
    )
    shaft = _part("shaft", rings, leather, rng)
    assert shaft.rgb_linear is not None
    colour = shaft.rgb_linear.copy()
    colour[-2 * rings.shape[1] :] *= 0.15
    under = Finish(_tone(rng, GREYS, BROWNS))
    return [
        _part("shoe", upper, leather, rng),
        _part("sole", sole, under, rng),
        replace(shaft, rgb_linear=colour),
    ]


def shoes(rng: np.random.Generator, camera_m: float, *, legs: bool = False) -> list[Part]:
    """A pair or a single one of shoes or boots, empty or with somebody's legs in them."""
    leather = Finish(
        _tone(rng, BROWNS, BROWNS, GREYS, BRIGHT), vary=rng.uniform(0.05, 0.25),
        grain_m=rng.uniform(0.004, 0.02), bump_m=rng.uniform(0.0002, 0.0012),
        roughness=float(rng.uniform(0.3, 0.6)) if rng.random() < 0.5 else None,
    )  # fmt: skip
    cloth = Finish(
        _tone(rng, BROWNS, GREYS, BRIGHT) if rng.random() < 0.75 else _tone(rng, SKIN),
        vary=rng.uniform(0.03, 0.12), grain_m=0.045, bump_m=rng.uniform(0.001, 0.007), stretch=0.5,
    )  # fmt: skip
    shaft = float(rng.choice([0.02, rng.uniform(0.05, 0.30)]))
    parts: list[Part] = []
    apart = rng.uniform(0.07, 0.16)
    for side in (-1, 1) if rng.random() < 0.7 else (1,):
        foot = _shoe(rng, leather, shaft_m=min(shaft, 0.4 * camera_m))
        if legs:
            top = min(0.9, 0.85 * camera_m)
            heel, lean = -0.08, rng.uniform(-0.1, 0.1)
            foot.append(
                _part("leg", _rod(
                    [[0, heel, 0.09], [0, heel, 0.09 + 0.3 * (top - 0.09)], [0, heel + lean * top, top]],
                    [[0.048, 0.055], [0.06, 0.066], [0.072, 0.08]],
                ), cloth, rng)
            )  # fmt: skip
        parts += moved(foot, (side * apart, rng.uniform(-0.05, 0.05), 0.0), rng.uniform(-18, 18))
    return parts


def standing(rng: np.random.Generator, camera_m: float) -> list[Part]:
    """Somebody's feet and legs."""
    return shoes(rng, camera_m, legs=True)


def dog(rng: np.random.Generator, camera_m: float) -> list[Part]:
    """A dog lying or standing, nose to +y: a small one, or none that fits, where the camera is low."""
    lying = rng.random() < 0.6
    low = 0.12 if lying else 0.42
    size = max(0.45, min(rng.uniform(0.45, 1.1), 0.55 * camera_m / (low + 0.2)))
    fur = Finish(
        _tone(rng, COATS),
        vary=rng.uniform(0.12, 0.4),
        grain_m=rng.uniform(0.006, 0.014),
        bump_m=rng.uniform(0.002, 0.006),
        stretch=rng.uniform(1.5, 4.0),
    )
    rods = [*_trunk(low, rng.uniform(-0.1, 0.1)), *_legs(low, lying, rng)]
    return [_part("dog", rod * size, fur, rng) for rod in rods]


def _trunk(low: float, curl: float) -> list[Floats]:
    """Body, neck, head, tail and ears of a dog whose body's middle is at ``low``."""
    body = [
        [curl, -0.34, low - 0.01],
        [curl * 0.5, -0.28, low],
        [0, 0, low],
        [0, 0.24, low + 0.02],
        [0, 0.36, low + 0.06],
    ]
    head = [[0, 0.36, low + 0.15], [0, 0.44, low + 0.16], [0, 0.54, low + 0.12], [0, 0.62, low + 0.10]]
    tail = [[curl, -0.32, low + 0.03], [curl + 0.06, -0.48, low + 0.02], [curl + 0.15, -0.6, low + 0.08]]
    ears = [[[x * 0.06, 0.42, low + 0.2], [x * 0.10, 0.40, low + 0.1]] for x in (-1, 1)]
    return [
        _rod(body, [[0.03, 0.03], [0.10, 0.11], [0.115, 0.12], [0.125, 0.13], [0.05, 0.05]]),
        _rod([[0, 0.24, low + 0.04], [0, 0.42, low + 0.15]], [[0.09, 0.09], [0.06, 0.06]]),
        _rod(head, [[0.03, 0.03], [0.075, 0.07], [0.045, 0.045], [0.02, 0.02]]),
        _rod(tail, [[0.035, 0.035], [0.03, 0.03], [0.01, 0.01]]),
        *[_rod(ear, [[0.02, 0.03], [0.01, 0.02]]) for ear in ears],
    ]


def _legs(low: float, lying: bool, rng: np.random.Generator) -> list[Floats]:
    """Four legs, stretched forward if it lies."""
    half = [[0.06, 0.07], [0.035, 0.035], [0.028, 0.028], [0.02, 0.02]]
    rods = []
    for side in (-1, 1):
        for y in (-0.22, 0.2):
            reach = rng.uniform(0.1, 0.2) if lying else rng.uniform(-0.05, 0.05)
            hip = np.array([side * 0.09, y, low])
            foot = np.array([side * (0.13 if lying else 0.09), y + reach + 0.02, 0.025])
            rods.append(
                _rod(np.stack([hip, (hip + foot) / 2 - [0, 0.02, 0], foot, foot - [0, -0.05, 0]]), half)
            )
    return rods


def hose(rng: np.random.Generator, _: float) -> list[Part]:
    """A garden hose that winds across the picture."""
    turn = np.cumsum(rng.normal(0, 0.5, 11)) + rng.uniform(0, 6)
    path = np.cumsum(np.stack([np.cos(turn), np.sin(turn)], -1) * 0.3, axis=0)
    path -= path[5]
    radius = rng.uniform(0.008, 0.014)
    z = radius + 0.01 * rng.random(11)
    finish = Finish(_tone(rng, BRIGHT, BRIGHT, GREYS, BROWNS), vary=0.06, grain_m=0.01, roughness=0.35)
    rings = _rod(np.column_stack([path, z]), np.full((11, 2), radius), step_m=0.008)
    return [_part("hose", rings, finish, rng)]


FINGERS = ((-0.036, 0.075, -0.2), (-0.012, 0.09, -0.05), (0.013, 0.085, 0.08), (0.036, 0.065, 0.25))
"""Where each begins across the hand, how long it is, how far it is spread (radians)."""


def glove(rng: np.random.Generator, _: float) -> list[Part]:
    """A work glove lying flat, fingers to +y."""
    cloth = Finish(
        _tone(rng, BROWNS, GREYS, BRIGHT), vary=0.15, grain_m=0.012, bump_m=rng.uniform(0.001, 0.003)
    )
    palm = [[0, -0.13, 0.014], [0, -0.07, 0.014], [0, 0.03, 0.017], [0, 0.055, 0.013]]
    thumb = [[0.03, -0.05, 0.013], [0.075, 0.0, 0.014], [0.085, 0.025, 0.012]]
    rods = [
        _rod(palm, [[0.045, 0.012], [0.04, 0.013], [0.05, 0.016], [0.03, 0.01]], step_m=0.002),
        _rod(thumb, [[0.02, 0.013], [0.015, 0.012], [0.006, 0.005]], step_m=0.002),
    ]
    for x, long, spread in FINGERS:
        turn = spread + rng.normal(0, 0.1)
        root = np.array([x, 0.03, 0.013])
        tip = np.add(root, [long * np.sin(turn), long * np.cos(turn), rng.uniform(0, 0.02)])
        half = [[0.012, 0.011], [0.0125, 0.011], [0.006, 0.005]]
        rods.append(_rod(np.stack([root, (root + tip) / 2, tip]), half, step_m=0.002))
    return [_part("glove", rod, cloth, rng) for rod in rods]


def tool(rng: np.random.Generator, _: float) -> list[Part]:
    """A long handle with a rake's or a spade's head."""
    wood = Finish(_tone(rng, WOOD, WOOD, BROWNS, BRIGHT), vary=0.15, grain_m=0.004, stretch=14.0)
    metal = Finish(_tone(rng, GREYS, BROWNS), vary=0.15, grain_m=0.01, roughness=0.4)
    thick = np.full((3, 2), rng.uniform(0.012, 0.018))
    handle = _rod([[0, -0.6, 0.03], [0, 0, 0.03], [0, 0.55, 0.03]], thick)
    if rng.random() < 0.5:
        head = [_rod([[-0.2, 0.56, 0.03], [0.2, 0.56, 0.03]], np.full((2, 2), 0.011), power=4)]
        for x in np.linspace(-0.19, 0.19, 12).tolist():
            head.append(_rod([[x, 0.56, 0.03], [x, 0.60, 0.012]], [[0.004, 0.004], [0.002, 0.002]]))
    else:
        blade = [[0, 0.52, 0.03], [0, 0.58, 0.03], [0, 0.78, 0.02], [0, 0.84, 0.015]]
        head = [_rod(blade, [[0.02, 0.018], [0.09, 0.008], [0.09, 0.006], [0.02, 0.003]], power=3)]
    return [_part("handle", handle, wood, rng), *[_part("head", rod, metal, rng) for rod in head]]


def bucket(rng: np.random.Generator, camera_m: float) -> list[Part]:
    """A bucket or a flower pot, empty or with soil in it."""
    tall = max(0.11, min(rng.uniform(0.14, 0.30), 0.45 * camera_m))
    foot, rim = tall * rng.uniform(0.35, 0.42), tall * rng.uniform(0.45, 0.6)
    full = tall * rng.uniform(0.05, 0.9)
    within = foot + (rim - foot) * full / tall - 0.004
    wall = Finish(_tone(rng, BRIGHT, GREYS, BROWNS), vary=0.05, roughness=float(rng.uniform(0.25, 0.5)))
    fill = Finish(_tone(rng, BROWNS, GREYS), vary=0.3, grain_m=0.01)
    outer = _turned(
        [
            (0.0, 0.0),
            (foot, 0.0),
            (rim, tall),
            (rim + 0.006, tall),
            (rim - 0.003, tall - 0.002),
            (within, full),
        ]
    )
    inner = _turned([(within, full), (within * 0.6, full + 0.01), (0.0, full + 0.006)])
    return [_part("bucket", outer, wall, rng), _part("fill", inner, fill, rng)]


SLABS = ((0.2, 0.2, 0.022), (0.11, 0.052, 0.033), (0.30, 0.15, 0.025), (0.5, 0.07, 0.012))  # half sizes


def slab(rng: np.random.Generator, _: float) -> list[Part]:
    """A stone slab, brick or board."""
    half = np.array(SLABS[rng.integers(len(SLABS))]) * rng.uniform(0.85, 1.15)
    stone = Finish(
        _tone(rng, GREYS, BROWNS, WOOD),
        vary=rng.uniform(0.08, 0.25),
        grain_m=rng.uniform(0.006, 0.02),
        bump_m=0.0008,
        stretch=6.0 if half[0] > 0.4 else 1.0,
    )
    y = np.array([-1.0, -0.985, 0.985, 1.0]) * half[0]
    across = np.array([0.97, 1.0, 1.0, 0.97])[:, None] * half[1:]
    rings = _rod(np.stack([0 * y, y, 0 * y + half[2]], -1), across, power=9.0)
    return [_part("slab", rings, stone, rng)]


def ball(rng: np.random.Generator, camera_m: float) -> list[Part]:
    """A ball, from a tennis ball to a football."""
    radius = min(float(rng.choice([0.033, rng.uniform(0.05, 0.08), 0.11])), 0.28 * camera_m)
    tilt = np.linspace(-np.pi / 2, np.pi / 2, 40)
    rings = _turned(np.stack([radius * np.cos(tilt), radius * (1 + np.sin(tilt))], -1), step_m=0.003)
    finish = Finish(
        _tone(rng, BRIGHT, GREYS, BROWNS), vary=rng.uniform(0.03, 0.3), grain_m=0.02, roughness=0.4
    )
    return [_part("ball", rings, finish, rng)]


KINDS: tuple[Callable[[np.random.Generator, float], list[Part]], ...] = (
    shoes, standing, dog, hose, glove, tool, bucket, slab, ball,
)  # fmt: skip
CHANCES = (0.18, 0.20, 0.20, 0.06, 0.08, 0.07, 0.07, 0.08, 0.06)
