"""What else lies and grows on an invented turf: straw, clover, moss, fallen leaves."""

from __future__ import annotations

import numpy as np

from turfeye.records import Floats
from turfeye.simulate.fields import Places, fractal, noise, scatter
from turfeye.simulate.mesh import Part
from turfeye.simulate.ribbons import Ribbons
from turfeye.simulate.soil import Ground
from turfeye.simulate.turf import Box, Field, Turf, lawn_part


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
        parts.append(lawn_part(what, "other", vertices.reshape(-1, 3), faces, rgb, translucency=0.3))
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
        parts.append(lawn_part("moss", "other", vertices, faces, rgb, translucency=0.3))
    return parts
