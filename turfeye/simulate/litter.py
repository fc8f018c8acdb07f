"""What else lies and grows on an invented turf: straw, clover, moss, fallen leaves."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from turfeye.records import Floats
from turfeye.simulate.fields import Places, fractal, noise, scatter
from turfeye.simulate.mesh import Part
from turfeye.simulate.ribbons import Ribbons
from turfeye.simulate.soil import Ground
from turfeye.simulate.turf import Box, Field, Turf, lawn_part

RIM = 8  # points about a small leaf


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
    """One stem a place, on the ground from end to end; ``k`` is the first number drawn."""
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
    rgb = np.repeat(straw_rgb(places, k), len(along) // len(places), axis=0)
    return lawn_part("straw", "straw", vertices, faces, rgb, translucency=0.15, roughness=0.6)


def straw_rgb(places: Places, k: int) -> Floats:
    """Colour of a dead stem at each place, (N, 3), fresh to weathered; ``k`` is the first number drawn."""
    fresh, old = np.array([0.47, 0.37, 0.19]), np.array([0.20, 0.16, 0.115])
    mix = places.draw(k + 15)[:, None] ** 1.3
    return (fresh + (old - fresh) * mix) * np.exp(0.2 * places.normal(k + 16))[:, None]


@dataclass(frozen=True)
class Leaflet:
    """A small leaf as a cupped disc. Pairs are the least and what chance adds to it."""

    name: str
    count: int  # on one stalk, turned about it
    size_m: tuple[float, float]  # half its width
    length: float  # over its width
    cup: float  # how high its rim stands, over half its width
    off: float  # its middle from the stalk, over half its width
    lift_m: tuple[float, float]  # above the ground


CLOVER = Leaflet("clover", 3, (0.0045, 0.003), 1.0, 0.25, 1.0, (0.008, 0.022))
LYING = Leaflet("fallen leaves", 1, (0.012, 0.022), 1.5, 0.35, 0.0, (0.004, 0.012))


def litter(turf: Turf, box_m: Box, surface: Ground) -> list[Part]:
    """Clover, moss and small leaves that lie about: what counts as *other*."""
    parts = []
    if turf.clover_per_m2 > 0:
        places = scatter(turf.seed + 60, box_m, turf.clover_per_m2 * 8)
        clump = noise(turf.seed + 61, places.x_m, places.y_m, 0.25) > 0.62
        parts += _discs(turf, places.only(clump), surface, CLOVER)
    if turf.leaves_per_m2 > 0:
        parts += _discs(turf, scatter(turf.seed + 62, box_m, turf.leaves_per_m2), surface, LYING)
    places = scatter(turf.seed + 63, box_m, 9000)
    mossy = turf.moss(places.x_m, places.y_m) > places.draw(3)
    if mossy.any():
        parts += _moss(turf, places.only(mossy), surface)
    return parts


def _discs(turf: Turf, places: Places, surface: Ground, kind: Leaflet) -> list[Part]:
    """All small leaves of one kind, a part for each on a stalk."""
    if turf.inside is not None:
        places = places.only(turf.inside(places.x_m, places.y_m))
    if not len(places):
        return []
    angle = np.linspace(0, 2 * np.pi, RIM + 1)[:-1]
    rim = np.stack([kind.length * np.cos(angle), np.sin(angle), kind.cup * np.abs(np.sin(angle))], -1)
    flat = np.concatenate([[[0.0, 0, 0]], rim]) + np.array([kind.off, 0, 0])
    fan = np.array([(0, 1 + n, 1 + (n + 1) % RIM) for n in range(RIM)])
    faces = (fan[None] + np.arange(len(places))[:, None, None] * len(flat)).reshape(-1, 3)
    rgb = np.repeat(_disc_rgb(places, kind), len(flat), axis=0)
    low, more = kind.lift_m
    foot = surface.height_m(places.x_m, places.y_m) + (low + more * places.draw(6))
    parts = []
    for leaflet in range(kind.count):
        k = 20 + 10 * leaflet
        shape = flat[None] * (kind.size_m[0] + kind.size_m[1] * places.draw(k))[:, None, None]
        heading = 2 * np.pi * (places.draw(5) + leaflet / 3)
        tip = 0.25 * places.normal(k + 1)[:, None]
        z = shape[..., 2] + shape[..., 0] * tip
        x = shape[..., 0] * np.cos(heading)[:, None] - shape[..., 1] * np.sin(heading)[:, None]
        y = shape[..., 0] * np.sin(heading)[:, None] + shape[..., 1] * np.cos(heading)[:, None]
        vertices = np.stack([x + places.x_m[:, None], y + places.y_m[:, None], z + foot[:, None]], -1)
        parts.append(lawn_part(kind.name, "other", vertices.reshape(-1, 3), faces, rgb, translucency=0.3))
    return parts


def _disc_rgb(places: Places, kind: Leaflet) -> Floats:
    """Colour of each small leaf, (N, 3): clover's green, or from rust to tan."""
    if kind is CLOVER:
        return np.array([0.055, 0.125, 0.045]) * np.exp(0.15 * places.normal(7))[:, None]
    rust, tan = np.array([0.22, 0.10, 0.035]), np.array([0.30, 0.22, 0.09])
    return rust + (tan - rust) * places.draw(8)[:, None]


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
        parts.append(lawn_part("moss", "other", vertices, faces, rgb, translucency=0.3))
    return parts
