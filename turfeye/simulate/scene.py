"""An invented turf as meshes: soil, stones, straw, blades, weeds, fallen leaves.

Everything follows from a `Turf`: what the ground is and, as fields over the lawn in metres, how much of it
grass should cover. How much it does cover is not assumed anywhere: it is measured on the meshes, from
straight above (`turfeye.simulate.render`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from turfeye.records import Flags, Floats, View
from turfeye.simulate.fallen import fallen
from turfeye.simulate.fields import Places, scatter
from turfeye.simulate.litter import litter, straw, straw_rgb
from turfeye.simulate.mesh import Part
from turfeye.simulate.ribbons import Ribbons
from turfeye.simulate.soil import Ground, ground, soil, stones
from turfeye.simulate.turf import Box, Field, Turf, lawn_part

_ONSET = 0.20  # a leaf follows the one before it this much growth later
_LEAVES = 5
LEAF_M = 0.0022  # how wide a leaf is


def _leaf_growth(age: Floats) -> tuple[Floats, Floats]:
    """Share of full length and of full width of a leaf of this age (growth units; 1 is full-grown)."""
    a = np.clip(age, 0, None)
    return 1 - np.exp(-3.2 * a), 0.38 + 0.62 * np.clip(1.3 * a, 0, 1)


def _emergence(u: Floats) -> Floats:
    """Growth at which a seedling comes up, for its uniform number 0-1."""
    return 0.75 * u**1.2


def _stage_of_cover(turf: Turf, cover: Floats) -> Floats:
    """Growth at which seedlings, scattered at random, cover this share: 1 - exp(-projected leaf area)."""
    stages = np.linspace(0, 2.6, 80)
    u = (np.arange(200) + 0.5) / 200
    area = np.zeros(len(stages))
    for leaf in range(_LEAVES):
        length, width = _leaf_growth(stages[:, None] - _emergence(u) - _ONSET * leaf)
        area += np.mean(length * width * _reach(turf, length), axis=1)
    index = area * turf.plants_per_m2 * turf.length_mm * turf.width_mm * 1e-6
    wanted = -np.log(1 - np.clip(cover, 0, turf.closed))
    return np.interp(wanted, index, stages).astype(np.float32)


def _posture(turf: Turf, share: Floats) -> tuple[Floats, Floats]:
    """Middle lean and bend (radians) of a leaf of this share of its length: needles stand, leaves arch."""
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
    plants = scatter(turf.seed + 20, box_m, turf.plants_per_m2)
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
                rgb = np.repeat(straw_rgb(some, k), len(along) // len(some), axis=0)
            parts.append(lawn_part(name, klass, vertices, faces, rgb, translucency=0.45, roughness=0.45))
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


def coarsening(view: View, *, widest: float = 4.0) -> Field:
    """How many times wider leaves may be drawn before a single one shows as too wide in this view."""
    camera = view.camera_m

    def widen(x: Floats, y: Floats) -> Floats:
        away = np.sqrt((x - camera[0]) ** 2 + (y - camera[1]) ** 2 + camera[2] ** 2)
        return np.clip(away / view.focal_px / LEAF_M * 1.3, 1.0, widest).astype(np.float32)

    return widen


def turf_parts(turf: Turf, box_m: Box, *, step_m: float, coarser: Field | None = None) -> list[Part]:
    """Everything that grows or lies in a box (x0, y0, x1, y1) of the lawn; the soil's grid has ``step_m``."""
    surface = ground(turf, box_m, step_m)
    return [
        soil(turf, surface),
        *stones(turf, box_m, surface),
        *straw(turf, box_m, surface, coarser=coarser),
        *litter(turf, box_m, surface),
        *fallen(turf, box_m, surface),
        *blades(turf, box_m, surface, coarser=coarser),
    ]


def cleared(parts: list[Part], under: Callable[[Floats], Flags]) -> list[Part]:
    """Parts without the plants and litter that begin ``under`` something, (N, 3) points to (N,) flags."""
    return [
        replace(part, faces=part.faces[~under(part.vertices[part.faces[:, 0]])])
        if part.lawn and part.name != "soil"
        else part
        for part in parts
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
    vertices = soil_part.vertices.copy()
    vertices[below, 2] = np.minimum(vertices[below, 2], top)
    flat = replace(soil_part, vertices=vertices)
    return cleared([flat if part is soil_part else part for part in parts], under), top
