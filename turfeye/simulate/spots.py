"""Spots: a phone held over a piece of turf, as recipes.

A recipe is a frozen dataclass of plain numbers that fit in a JSON file; everything in the picture follows
from it. ``random_spot`` draws one. `turfeye.simulate.lawns` holds those of whole lawns.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from turfeye.records import Floats, View
from turfeye.simulate import chance
from turfeye.simulate.card_sheet import PAPER_M, card_part
from turfeye.simulate.fields import fractal, noise
from turfeye.simulate.laying import laid_down
from turfeye.simulate.looks import LIGHTS, Look
from turfeye.simulate.mesh import Part
from turfeye.simulate.render import look_at
from turfeye.simulate.scene import coarsening, pressed, turf_parts
from turfeye.simulate.shapes import grid_faces
from turfeye.simulate.turf import GREEN, PLANTS_PER_M2, SOILS, Box, Colour, Turf


@dataclass(frozen=True)
class SpotRecipe(Look):
    """A phone held over a spot of turf. Metres, degrees, shares 0-1; the card, if any, lies at the origin."""

    name: str
    seed: int
    cover: float  # wanted mean cover
    patchiness: float = 0.5  # 0 even, 1 holes and tufts, 3 islands with sharp edges
    patch_m: float = 0.25  # size of the holes and tufts
    straw: float = 0.12
    soil: str = "loam"
    soil_tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    wet: float = 0.3
    rough_mm: float = 4.0
    clods_per_m2: float = 0.0  # lumps of soil as broad as ``clod_mm``
    clod_mm: float = 45.0
    stones_per_m2: float = 15.0
    clover_per_m2: float = 0.0
    leaves_per_m2: float = 0.0
    fallen: float = 0.0  # share of the ground that leaves of trees hide where they lie thickest
    fallen_area: float = 1.0  # share of the ground on which they lie so thick; elsewhere a tenth of it
    things: int = 0  # shoes, a dog, a hose and the like that stand or lie in the picture
    moss: float = 0.0
    pale: float = 0.0  # share of the area with a coarse yellow-green grass
    plants_per_m2: float = PLANTS_PER_M2
    length_mm: float = 50.0
    width_mm: float = 2.4
    upright: float = 0.5
    mown_mm: float = 120.0
    vigour: float = 0.95
    closed: float = 0.985  # wanted cover at which growth ends
    green: Colour = GREEN
    gsd_mm: float = 0.5  # at the picture's centre
    tilt_deg: float = 10.0
    turn_deg: float = 0.0  # of the phone about the upright
    aim_m: tuple[float, float] = (0.0, 0.0)  # where the picture's centre falls
    light: str = "sun"
    sun_elevation_deg: float = 45.0
    sun_azimuth_deg: float = 200.0
    turbidity: float = 3.0
    card: int | None = None  # its spot number
    card_tilt_deg: tuple[float, float] = (0.8, -0.6)
    size_px: tuple[int, int] = (816, 544)
    focal_35mm: int = 26
    taken: str = "2026-04-02T10:41:00"

    def view(self) -> View:
        """The camera."""
        tilt, turn = np.radians(self.tilt_deg), np.radians(self.turn_deg)
        up = np.array([np.sin(turn), np.cos(turn), 0.0])
        away = self.gsd_mm * 1e-3 * self.focal_px
        target = np.array([*self.aim_m, 0.01])
        camera = target + away * (np.array([0, 0, np.cos(tilt)]) - np.sin(tilt) * up)
        return look_at(
            camera.tolist(), target.tolist(), size_px=self.size_px, focal_px=self.focal_px, up=up.tolist()
        )


def seen_box(view: View, margin_m: float, *, far_m: float = 6.0) -> Box:
    """The box on the ground that a picture shows, with a margin; what lies further than ``far_m`` is cut."""
    width, height = view.size_px
    u, v = np.meshgrid(np.linspace(-0.5, width - 0.5, 21), np.linspace(-0.5, height - 0.5, 21))
    rays = np.stack([u.ravel(), v.ravel(), np.ones(u.size)], -1) @ np.linalg.inv(view.camera_matrix).T
    rays = rays @ view.rotation
    reach = np.where(rays[:, 2] < -1e-6, -view.height_m / np.minimum(rays[:, 2], -1e-6), np.inf)
    flat = rays[:, :2] * np.minimum(reach, far_m / np.hypot(rays[:, 0], rays[:, 1]).clip(1e-9))[:, None]
    points = view.camera_m[:2] + flat
    x0, y0 = points.min(axis=0) - margin_m
    x1, y1 = points.max(axis=0) + margin_m
    return float(x0), float(y0), float(x1), float(y1)


def cover_field(recipe: SpotRecipe) -> Callable[[Floats, Floats], Floats]:
    """The wanted cover by place: the mean, with holes and tufts."""
    mean = np.clip(recipe.cover, 1e-3, 1 - 2 * (1 - recipe.closed))
    middle = np.log(mean / (1 - mean))

    def cover(x: Floats, y: Floats) -> Floats:
        bumps = fractal(recipe.seed + 70, x, y, scale_m=recipe.patch_m, octaves=3)
        wanted = 1 / (1 + np.exp(-(middle + 2.6 * recipe.patchiness * bumps)))
        return np.where(recipe.cover <= 0.002, 0.0, wanted)

    return cover


def _blotches(seed: int, share: float, size_m: float) -> Callable[[Floats, Floats], Floats]:
    """About ``share`` of the area at 1, the rest 0, in blotches."""
    edge = float(np.interp(share, [0, 0.02, 0.1, 0.3, 0.5, 1.0], [1.2, 0.86, 0.72, 0.58, 0.5, -0.1]))
    return lambda x, y: np.clip((noise(seed, x, y, size_m) - edge) * 9, 0, 1)


def _piles(recipe: SpotRecipe) -> Callable[[Floats, Floats], Floats]:
    """Where fallen leaves lie: thick in piles, thin between them, none on the card."""
    thick = _blotches(recipe.seed + 74, recipe.fallen_area, 0.35)
    half = np.array(PAPER_M) / 2 + 0.05 if recipe.card is not None else np.zeros(2)

    def share(x: Floats, y: Floats) -> Floats:
        free = (np.abs(x) >= half[0]) | (np.abs(y) >= half[1])
        return free * recipe.fallen * (0.1 + 0.9 * thick(x, y))

    return share


def turf_of(recipe: SpotRecipe) -> Turf:
    """The turf under a spot picture."""
    return Turf(
        seed=recipe.seed,
        cover=cover_field(recipe),
        straw=lambda x, y: recipe.straw * (0.4 + 1.2 * noise(recipe.seed + 71, x, y, 0.3)),
        pale=_blotches(recipe.seed + 72, recipe.pale, 0.4),
        moss=_blotches(recipe.seed + 73, recipe.moss, 0.3),
        soil=recipe.soil,
        soil_tint=recipe.soil_tint,
        wet=recipe.wet,
        rough_mm=recipe.rough_mm,
        clods_per_m2=recipe.clods_per_m2,
        clod_mm=recipe.clod_mm,
        stones_per_m2=recipe.stones_per_m2,
        clover_per_m2=recipe.clover_per_m2,
        leaves_per_m2=recipe.leaves_per_m2,
        fallen=_piles(recipe) if recipe.fallen > 0 else None,
        plants_per_m2=recipe.plants_per_m2,
        length_mm=recipe.length_mm,
        width_mm=recipe.width_mm,
        upright=recipe.upright,
        mown_mm=recipe.mown_mm,
        green=recipe.green,
        vigour=recipe.vigour,
        closed=recipe.closed,
    )


def spot_parts(recipe: SpotRecipe) -> list[Part]:
    """All meshes of a spot picture, the card included; what throws shade comes with the light."""
    view = recipe.view()
    box = seen_box(view, 0.10, far_m=5.0)
    area = (box[2] - box[0]) * (box[3] - box[1])
    nearest = recipe.gsd_mm * 1e-3 * (1 if recipe.tilt_deg < 40 else 0.6)
    step = max(1.3 * nearest, (area / 2.5e6) ** 0.5, 0.0006)
    coarser = None
    if recipe.tilt_deg >= 40:
        coarser = coarsening(view)
    parts = turf_parts(turf_of(recipe), box, step_m=step, coarser=coarser)
    if recipe.card is not None:
        parts, top_m = pressed(parts, 0.0, 0.0, (PAPER_M[0] / 2 - 0.003, PAPER_M[1] / 2 - 0.003))
        lift_m = 0.004 + 0.010 * recipe.cover  # it lies on pressed grass, one edge a little higher
        parts.append(card_part(recipe.card, (0.0, 0.0, top_m + lift_m), recipe.card_tilt_deg))
    return laid_down(parts, view, recipe.things, recipe.seed + 90)


def shades(recipe: SpotRecipe) -> list[Part]:
    """What throws a shadow's edge across the picture, if the light asks for one."""
    return [shade_part(recipe)] if recipe.light == "half shade" else []


def shade_part(recipe: SpotRecipe) -> Part:
    """Something tall, 4 m off towards the sun, whose ragged shadow's edge crosses the picture."""
    to_sun = recipe.lighting().to_sun
    rng = np.random.default_rng(recipe.seed + 80)
    away = 4.0 * to_sun / np.hypot(to_sun[0], to_sun[1])
    side = np.array([-to_sun[1], to_sun[0], 0.0]) / np.hypot(to_sun[0], to_sun[1])
    shift = rng.normal(0, 0.12 * recipe.gsd_mm)
    # A wall whose upright edge throws the shadow's edge; ragged like a hedge's.
    count, reach_m = 60, 6.0
    upwards = np.linspace(-0.3, 3.0, count)[:, None] * np.array([0, 0, away[2]])
    rag = 0.02 * recipe.gsd_mm**0.3 * np.cumsum(rng.normal(0, 1, count)) * 0.6
    near = away * [1, 1, 0] + side * shift + upwards + rag[:, None] * side
    far = away * [1, 1, 0] + side * reach_m + upwards
    vertices = np.concatenate([near, far]).astype(np.float32)
    rgb = np.tile(np.array([[0.08, 0.10, 0.05]], np.float32), (2 * count, 1))
    return Part("shade", "other", vertices, grid_faces(2, count).astype(np.int32), rgb)


SUN_DEG = dict.fromkeys(LIGHTS, (25.0, 62.0)) | {"low sun": (12.0, 25.0), "warm evening": (5.0, 12.0)}
"""How high the sun stands in each light."""


def random_spot(seed: int, *, oblique: bool = False, card: int | None = None) -> SpotRecipe:
    """Draw a spot picture as varied as gardens are."""
    rng = np.random.default_rng(seed)
    sky = _random_sky(rng)
    stand, old = _random_stand(rng, seed)
    hue = rng.normal(0, 1)
    gsd_mm = rng.uniform(0.45, 1.1) if card is not None else chance.by_ratio(rng, 0.25, 3.0)
    return SpotRecipe(
        name=f"spot-{seed:04d}",
        seed=seed,
        card=card,
        **sky,
        **stand,
        **_random_ground(rng),
        **_random_company(rng),
        **_random_blades(rng, hue, old=old),
        **_random_camera(rng, gsd_mm, oblique=oblique, card=card is not None),
        sun_azimuth_deg=rng.uniform(0, 360),
        turbidity=rng.uniform(2.2, 7),
        card_tilt_deg=(rng.normal(0, 0.9), rng.normal(0, 0.9)),
        taken=f"{chance.taken(rng)}:{rng.integers(60):02d}:00",
    )


def _random_sky(rng: np.random.Generator) -> dict[str, Any]:
    """The light and how high its sun stands."""
    light = chance.light(rng, p=[0.28, 0.1, 0.28, 0.14, 0.08, 0.12])
    height = {name: rng.uniform(*SUN_DEG[name]) for name in ("low sun", "warm evening", "sun")}
    return {"light": light, "sun_elevation_deg": height.get(light, height["sun"])}


def _random_stand(rng: np.random.Generator, seed: int) -> tuple[dict[str, Any], bool]:
    """How much grass there is; whether it is an established sward rather than new seed."""
    cover = float(np.clip(rng.beta(0.8, 0.8), 0.0, 0.98)) if rng.random() > 0.06 else 0.0
    old = cover > 0.7 and rng.random() < 0.5
    if not old:
        return {"cover": cover, "closed": 0.985}, old
    closed = chance.closed_sward(seed)
    return {"cover": max(cover, 1 - 3 * (1 - closed)), "closed": closed}, old


def _random_ground(rng: np.random.Generator) -> dict[str, Any]:
    """Holes and tufts, straw, and the soil beneath."""
    return {
        "patchiness": rng.uniform(0.1, 1.0),
        "patch_m": chance.by_ratio(rng, 0.08, 0.6),
        "straw": chance.one_of(rng, (0, 0.05), (0.05, 0.25), (0.25, 0.6), p=[0.3, 0.5, 0.2]),
        "soil": str(rng.choice(list(SOILS))),
        "wet": rng.uniform(0, 1) ** 1.4,
        "rough_mm": rng.uniform(2, 7),
        "stones_per_m2": chance.one_of(rng, (0, 10), (10, 80), (80, 250), p=[0.5, 0.35, 0.15]),
    }


def _random_company(rng: np.random.Generator) -> dict[str, Any]:
    """What grows or lies among the grass."""
    return {
        "clover_per_m2": chance.now_and_then(rng, 0.15, (5, 60)),
        "leaves_per_m2": chance.now_and_then(rng, 0.3, (1, 14)),
        "moss": chance.now_and_then(rng, 0.15, (0.03, 0.4)),
        "pale": chance.now_and_then(rng, 0.25, (0.05, 0.4)),
    }


def _random_blades(rng: np.random.Generator, hue: float, *, old: bool) -> dict[str, Any]:
    """How the leaves of an old sward, or of new seed, stand and look."""
    return {
        "length_mm": rng.uniform(40, 85) if old else rng.uniform(28, 70),
        "width_mm": rng.uniform(2.0, 3.8) if old else rng.uniform(1.3, 3.0),
        "upright": rng.uniform(0.25, 0.95),
        "mown_mm": rng.uniform(25, 50) if old else float(rng.choice([rng.uniform(25, 50), 150.0])),
        "vigour": float(np.clip(rng.normal(0.92, 0.12), 0.5, 1.0)),
        "green": chance.green(rng, hue),
    }


def _random_camera(rng: np.random.Generator, gsd_mm: float, *, oblique: bool, card: bool) -> dict[str, Any]:
    """How far off the phone is held, how tilted and turned, and where it is aimed."""
    return {
        "gsd_mm": rng.uniform(0.8, 2.0) if oblique else gsd_mm,
        "tilt_deg": rng.uniform(40, 60) if oblique else rng.uniform(0, 38) * rng.uniform(0.2, 1),
        "turn_deg": rng.uniform(-30, 30) + 180 * float(rng.random() < 0.3) if card else rng.uniform(0, 360),
        "aim_m": (rng.uniform(-0.12, 0.12), rng.uniform(-0.08, 0.08)) if card else (0.0, 0.0),
    }


def other_looks(recipe: SpotRecipe, count: int) -> list[SpotRecipe]:
    """The same turf seen ``count`` more times: other light, and every other time from nearer.

    Every look stays within the ground that the recipe's own picture needs, so that its meshes serve them all.
    """
    rng = np.random.default_rng(recipe.seed + 4000)
    looks = []
    for n in range(count):
        light = chance.light(rng)
        look = replace(recipe, light=light, **chance.sun(rng, SUN_DEG[light]))
        if n % 2 == 0 and recipe.tilt_deg < 40 and recipe.card is None:
            look = replace(
                look,
                gsd_mm=recipe.gsd_mm * rng.uniform(0.45, 0.6),
                tilt_deg=recipe.tilt_deg * rng.uniform(0, 1),
                turn_deg=rng.uniform(0, 360),
            )
        looks.append(look)
    return looks
