"""Whole lawns: an outline, a garden around it, a camera at a standing point, growth from sowing to sward."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from turfeye.records import Flags, Floats, View
from turfeye.simulate import chance
from turfeye.simulate.card_sheet import PAPER_M, card_part
from turfeye.simulate.fields import fractal, noise
from turfeye.simulate.garden import bark, make_garden
from turfeye.simulate.looks import LIGHTS, Look
from turfeye.simulate.mesh import Part
from turfeye.simulate.render import look_at
from turfeye.simulate.scene import coarsening, pressed, turf_parts
from turfeye.simulate.turf import GREEN, SOILS, Colour, Turf

Corners = tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Growth:
    """How an oversown lawn comes: wanted cover by place and age.

    Cover = first + (full - first) / (1 + exp(-(age - half) / pace)); ``half`` varies over the lawn.
    """

    first: float = 0.05  # old grass that the renovation left
    full: float = 0.92
    half_days: float = 26.0
    pace_days: float = 6.0
    vary_days: float = 4.0
    patchiness: float = 0.45
    never: tuple[tuple[float, float, float, float], ...] = ()  # x, y, radii: patches that don't take
    strip: tuple[float, float, float] | None = None  # x, width, lag in days: a missed spreader pass along y
    late: tuple[tuple[float, float, float, float, float], ...] = ()  # x, y, radii, lag in days: in shade
    pale: tuple[tuple[float, float, float, float], ...] = ()  # coarse yellow-green patches
    closed: float = 0.985  # wanted cover at which growth ends


@dataclass(frozen=True)
class LawnRecipe(Look):
    """A lawn, its garden, and one look at it. Metres, degrees, days."""

    name: str
    seed: int
    outline_m: Corners
    growth: Growth
    age_days: float
    garden_seed: int
    camera_m: tuple[float, float, float]
    target_m: tuple[float, float, float]
    garden_camera_m: tuple[float, float, float] | None = None  # the garden is built to be seen from here
    beds_m: tuple[Corners, ...] = ()  # amid the lawn, such as tree rings
    soil: str = "loam"
    soil_tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    green: Colour = GREEN
    wet: float = 0.3
    straw: float = 0.15
    leaves_per_m2: float = 0.2
    length_mm: float = 48.0
    width_mm: float = 2.4
    upright: float = 0.55
    mown_mm: float = 60.0
    light: str = "overcast"
    sun_elevation_deg: float = 45.0
    sun_azimuth_deg: float = 200.0
    turbidity: float = 3.0
    card: int | None = None
    card_at_m: tuple[float, float] = (1.0, 0.5)
    card_turn_deg: float = 0.0
    card_tilt_deg: tuple[float, float] = (0.6, -0.5)
    size_px: tuple[int, int] = (2016, 1512)
    focal_35mm: int = 28
    widest: float = 5.0  # times that far leaves may be drawn wider
    soil_step_m: float = 0.008
    taken: str = "2026-04-02T10:41:00"

    def view(self) -> View:
        """The camera."""
        return look_at(
            self.camera_m, self.target_m, size_px=self.size_px, focal_px=self.focal_px, kind="lawn"
        )


def inside(outline_m: Corners) -> Callable[[Floats, Floats], Flags]:
    """Whether points lie inside a polygon, by counting the sides to their right."""
    corners = np.asarray(outline_m, float)

    def test(x: Floats, y: Floats) -> Flags:
        within = np.zeros(np.shape(x), bool)
        for (ax, ay), (bx, by) in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            if ay != by:
                crosses = (ay > y) != (by > y)
                within ^= crosses & (x < (bx - ax) * (y - ay) / (by - ay) + ax)
        return within

    return test


def on_lawn(recipe: LawnRecipe) -> Callable[[Floats, Floats], Flags]:
    """Whether points lie inside the outline and in none of the beds."""
    outer, beds = inside(recipe.outline_m), [inside(bed) for bed in recipe.beds_m]

    def test(x: Floats, y: Floats) -> Flags:
        within = outer(x, y)
        for bed in beds:
            within &= ~bed(x, y)
        return within

    return test


def _ellipses(which: tuple[tuple[float, float, float, float], ...], seed: int) -> Callable:
    """1 inside any of some ellipses with ragged edges, 0 outside."""

    def field(x: Floats, y: Floats) -> Floats:
        most = np.zeros(np.broadcast(x, y).shape, np.float32)
        for cx, cy, rx, ry in which:
            reach = np.hypot((x - cx) / rx, (y - cy) / ry) + 0.18 * fractal(
                seed, x, y, scale_m=0.3, octaves=3
            )
            most = np.maximum(most, np.clip((1 - reach) * 6 + 0.5, 0, 1))
        return most

    return field


def cover_at(growth: Growth, age_days: float, seed: int) -> Callable[[Floats, Floats], Floats]:
    """The wanted cover by place on one day."""
    dead = _ellipses(growth.never, seed + 91)

    def cover(x: Floats, y: Floats) -> Floats:
        half = growth.half_days + growth.vary_days * fractal(seed + 90, x, y, scale_m=1.2, octaves=3)
        full = growth.full * (1 - 0.08 * noise(seed + 92, x, y, 0.5))
        if growth.strip is not None:
            at, width, lag = growth.strip
            missed = np.clip((width / 2 - np.abs(x - at)) / 0.06 + 0.5, 0, 1)
            half, full = half + lag * missed, full * (1 - 0.25 * missed)
        for cx, cy, rx, ry, lag in growth.late:
            half = half + lag * _ellipses(((cx, cy, rx, ry),), seed + 97)(x, y)
        first = growth.first * (0.3 + 1.4 * noise(seed + 93, x, y, 0.35))
        barren = dead(x, y)
        full = np.maximum(full * (1 - barren) + 0.05 * barren, first)
        mean = first + (full - first) / (1 + np.exp(-(age_days - half) / growth.pace_days))
        mean = np.clip(mean, 0.002, growth.closed)
        odds = np.log(mean / (1 - mean))
        bumps = fractal(seed + 94, x, y, scale_m=0.22, octaves=3)
        return 1 / (1 + np.exp(-(odds + 2.2 * growth.patchiness * bumps)))

    return cover


def turf_of(recipe: LawnRecipe) -> Turf:
    """The lawn's turf on one day."""
    return Turf(
        seed=recipe.seed,
        cover=cover_at(recipe.growth, recipe.age_days, recipe.seed),
        straw=lambda x, y: recipe.straw * (0.4 + 1.2 * noise(recipe.seed + 95, x, y, 0.4)),
        pale=_ellipses(recipe.growth.pale, recipe.seed + 96),
        soil=recipe.soil,
        soil_tint=recipe.soil_tint,
        green=recipe.green,
        wet=recipe.wet,
        stones_per_m2=12.0,
        leaves_per_m2=recipe.leaves_per_m2,
        length_mm=recipe.length_mm,
        width_mm=recipe.width_mm,
        upright=recipe.upright,
        mown_mm=recipe.mown_mm,
        closed=recipe.growth.closed,
        inside=on_lawn(recipe),
    )


def lawn_parts(recipe: LawnRecipe) -> list[Part]:
    """The lawn alone, cut to its outline."""
    corners = np.asarray(recipe.outline_m)
    box = (*(corners.min(axis=0) - 0.02), *(corners.max(axis=0) + 0.02))
    coarse = coarsening(recipe.view(), widest=recipe.widest)
    parts = turf_parts(turf_of(recipe), box, step_m=recipe.soil_step_m, coarser=coarse)  # type: ignore[arg-type]
    within = on_lawn(recipe)
    for n, part in enumerate(parts):
        if part.name == "soil":
            middle = part.vertices[part.faces].mean(axis=1)
            parts[n] = replace(part, faces=part.faces[within(middle[:, 0], middle[:, 1])])
    if recipe.card is not None:
        x, y = recipe.card_at_m
        parts, top_m = pressed(parts, x, y, (PAPER_M[0] / 2, PAPER_M[0] / 2))
        cover = float(cover_at(recipe.growth, recipe.age_days, recipe.seed)(np.array([x]), np.array([y]))[0])
        at = (x, y, top_m + 0.004 + 0.012 * cover)
        parts.append(card_part(recipe.card, at, recipe.card_tilt_deg, turn_deg=recipe.card_turn_deg))
    return parts


def garden_parts(recipe: LawnRecipe, *, today: np.random.Generator | None = None) -> list[Part]:
    """The lawn in its garden; ``today`` draws who and what is there that day only, else the garden does."""
    rng = np.random.default_rng(recipe.garden_seed)
    seen_from = recipe.garden_camera_m or recipe.camera_m
    around = make_garden(np.asarray(recipe.outline_m), rng, camera_m=seen_from, today=today)
    return [*lawn_parts(recipe), *around, *(bark(np.asarray(bed), rng) for bed in recipe.beds_m)]


SUN_DEG = dict.fromkeys(LIGHTS, (28.0, 60.0)) | {"low sun": (12.0, 25.0), "warm evening": (6.0, 12.0)}
"""How high the sun stands in each light."""


def random_garden(seed: int, *, size_px: tuple[int, int] = (640, 480)) -> LawnRecipe:
    """Draw a lawn view as varied as gardens are; a small picture gets coarser leaves and soil."""
    rng = np.random.default_rng(seed)
    wide, deep = rng.uniform(3.5, 8.0), rng.uniform(3.5, 7.5)
    outline_m = _random_outline(rng, wide, deep)
    camera = _random_camera(rng, wide, deep)
    light = chance.light(rng, p=[0.3, 0.1, 0.3, 0.08, 0.1, 0.12])
    low = {name: rng.uniform(*SUN_DEG[name]) for name in ("low sun", "warm evening")}
    growth = _random_growth(rng, wide, deep)
    turf = _random_turf(rng)
    sun = chance.sun(rng, SUN_DEG["sun"])
    small = size_px[0] < 1000
    return LawnRecipe(
        name=f"garden-{seed:04d}",
        seed=seed,
        outline_m=outline_m,
        growth=growth,
        garden_seed=seed + 100_000,
        **camera,
        **turf,
        light=light,
        **(sun | ({"sun_elevation_deg": low[light]} if light in low else {})),
        **_random_card(rng, wide),
        size_px=size_px,
        focal_35mm=int(rng.integers(24, 29)),
        widest=9.0 if small else 5.0,
        soil_step_m=0.016 if small else 0.008,
        taken=f"{chance.taken(rng)}:15:00",
    )


def _random_outline(rng: np.random.Generator, wide: float, deep: float) -> Corners:
    """A rectangle whose far side leans; anticlockwise, the first side towards the camera."""
    lean = (rng.normal(0, 0.06, 8) * np.tile([wide, deep], 4)).reshape(4, 2)
    corners = np.array([[0, 0], [wide, 0], [wide, deep], [0, deep]], float)
    corners[2:] += lean[2:]
    return tuple((round(float(x), 2), round(float(y), 2)) for x, y in corners)


def _random_camera(rng: np.random.Generator, wide: float, deep: float) -> dict[str, Any]:
    """Where somebody stands, or leans out of a window, and what the phone is aimed at."""
    height = chance.one_of(rng, (1.5, 1.9), (2.4, 4.2))
    return {
        "camera_m": (wide * rng.uniform(0.2, 0.8), -rng.uniform(0.8, 2.4), height),
        "target_m": (wide * rng.uniform(0.4, 0.6), deep * rng.uniform(0.3, 0.55), 0.0),
    }


def _random_growth(rng: np.random.Generator, wide: float, deep: float) -> Growth:
    """How the lawn comes; half of them have a patch that doesn't take, some a missed pass or a pale patch."""

    def place() -> tuple[float, float]:
        return wide * rng.uniform(0.2, 0.8), deep * rng.uniform(0.2, 0.8)

    pale = rng.random() < 0.4
    patch = (*place(), rng.uniform(0.25, 0.7), rng.uniform(0.25, 0.7))
    return Growth(
        first=rng.uniform(0.0, 0.25),
        full=rng.uniform(0.75, 0.97),
        half_days=rng.uniform(20, 30),
        pace_days=rng.uniform(4, 8),
        vary_days=rng.uniform(1, 7),
        patchiness=rng.uniform(0.1, 0.9),
        never=(patch,) if rng.random() < 0.5 else (),
        strip=_random_strip(rng, wide) if rng.random() < 0.3 else None,
        pale=((*place(), rng.uniform(0.3, 0.8), rng.uniform(0.3, 0.8)),) if pale else (),
    )


def _random_strip(rng: np.random.Generator, wide: float) -> tuple[float, float, float]:
    """A missed spreader pass: where, how wide, how many days late."""
    return wide * rng.uniform(0.2, 0.8), rng.uniform(0.4, 0.8), rng.uniform(8, 25)


def _random_turf(rng: np.random.Generator) -> dict[str, Any]:
    """Its age, the ground, and how the blades stand."""
    return {
        "age_days": chance.one_of(rng, (0, 15), (15, 40), (40, 90)),
        "soil": str(rng.choice(list(SOILS))),
        "wet": rng.uniform(0, 1) ** 1.4,
        "straw": chance.one_of(rng, (0, 0.1), (0.1, 0.4)),
        "leaves_per_m2": chance.now_and_then(rng, 0.3, (0.1, 4)),
        "length_mm": rng.uniform(35, 65),
        "width_mm": rng.uniform(1.6, 3.2),
        "upright": rng.uniform(0.3, 0.9),
        "mown_mm": rng.uniform(25, 80),
    }


def _random_card(rng: np.random.Generator, wide: float) -> dict[str, Any]:
    """Half of the lawns have a card near the camera."""
    return {
        "card": int(rng.integers(1, 60)) if rng.random() < 0.5 else None,
        "card_at_m": (wide * rng.uniform(0.35, 0.65), rng.uniform(0.3, 1.2)),
        "card_turn_deg": rng.uniform(-25, 25),
    }


def established(recipe: LawnRecipe) -> LawnRecipe:
    """The same lawn years on: closed but for what never takes."""
    closed = chance.closed_sward(recipe.seed)
    growth = replace(recipe.growth, full=closed, patchiness=0.3 * recipe.growth.patchiness, closed=closed)
    return replace(recipe, growth=growth, age_days=400.0, straw=0.3 * recipe.straw)


def other_looks(recipe: LawnRecipe, count: int) -> list[LawnRecipe]:
    """The same lawn in its garden seen ``count`` more times: other light, from beside, higher or lower."""
    rng = np.random.default_rng(recipe.seed + 4000)
    x, y, z = recipe.camera_m
    looks = []
    for _ in range(count):
        light = chance.light(rng)
        aside, higher = rng.uniform(-1.2, 1.2), rng.uniform(0.8, 1.3)
        look = replace(
            recipe,
            light=light,
            **chance.sun(rng, SUN_DEG[light]),
            camera_m=(x + aside, y, max(z * higher, 1.4)),
            target_m=tuple(np.add(recipe.target_m, [*rng.normal(0, 0.4, 2), 0.0]).tolist()),
            focal_35mm=int(rng.integers(24, 29)),
        )
        looks.append(look)
    return looks
