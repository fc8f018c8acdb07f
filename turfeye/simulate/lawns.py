"""Whole lawns: an outline, a garden around it, a camera at a standing point, growth from sowing to sward."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import datetime

import numpy as np

from turfeye.records import Flags, Floats, View
from turfeye.simulate.fields import fractal, noise
from turfeye.simulate.garden import make_garden
from turfeye.simulate.mesh import Part
from turfeye.simulate.recipes import LIGHTS, PAPER_M, card_part, coarsening
from turfeye.simulate.render import Light, look_at
from turfeye.simulate.scene import pressed, turf_parts
from turfeye.simulate.turf import SOILS, Turf

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
    pale: tuple[tuple[float, float, float, float], ...] = ()  # coarse yellow-green patches
    closed: float = 0.985  # wanted cover at which growth ends


@dataclass(frozen=True)
class LawnRecipe:
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
    soil: str = "loam"
    soil_tint: tuple[float, float, float] = (1.0, 1.0, 1.0)
    green: tuple[float, float, float] = (0.062, 0.118, 0.030)
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

    @property
    def focal_px(self) -> float:
        """From the diagonal-based 35 mm equivalent."""
        return self.focal_35mm / 43.2666 * float(np.hypot(*self.size_px))

    def view(self) -> View:
        """The camera."""
        return look_at(
            self.camera_m, self.target_m, size_px=self.size_px, focal_px=self.focal_px, kind="lawn"
        )

    def lighting(self) -> Light:
        """The sky."""
        sky = self.light if self.light in ("overcast", "shade") else "clear"
        return Light(self.sun_elevation_deg, self.sun_azimuth_deg, self.turbidity, sky)  # type: ignore[arg-type]

    def when(self) -> datetime:
        """By the camera's clock."""
        return datetime.fromisoformat(self.taken)

    def as_json(self) -> dict:
        """Plain values."""
        return asdict(self)


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
        inside=inside(recipe.outline_m),
    )


def lawn_parts(recipe: LawnRecipe) -> list[Part]:
    """The lawn alone, cut to its outline."""
    corners = np.asarray(recipe.outline_m)
    box = (*(corners.min(axis=0) - 0.02), *(corners.max(axis=0) + 0.02))
    coarse = coarsening(recipe.view(), widest=recipe.widest)
    parts = turf_parts(turf_of(recipe), box, step_m=recipe.soil_step_m, coarser=coarse)  # type: ignore[arg-type]
    within = inside(recipe.outline_m)
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


def garden_parts(recipe: LawnRecipe) -> list[Part]:
    """The lawn in its garden."""
    rng = np.random.default_rng(recipe.garden_seed)
    seen_from = recipe.garden_camera_m or recipe.camera_m
    return [*lawn_parts(recipe), *make_garden(np.asarray(recipe.outline_m), rng, camera_m=seen_from)]


def random_garden(seed: int, *, size_px: tuple[int, int] = (640, 480)) -> LawnRecipe:
    """Draw a lawn view as varied as gardens are."""
    rng = np.random.default_rng(seed)
    u = rng.uniform
    wide, deep = u(3.5, 8.0), u(3.5, 7.5)
    lean = rng.normal(0, 0.06, 8) * np.tile([wide, deep], 4)
    corners = np.array([[0, 0], [wide, 0], [wide, deep], [0, deep]], float)
    corners[2:] += lean.reshape(4, 2)[2:]
    height = float(rng.choice([u(1.5, 1.9), u(2.4, 4.2)]))
    camera = (wide * u(0.2, 0.8), -u(0.8, 2.4), height)
    target = (wide * u(0.4, 0.6), deep * u(0.3, 0.55), 0.0)
    light = str(rng.choice(LIGHTS, p=[0.3, 0.1, 0.3, 0.08, 0.1, 0.12]))
    low = {"low sun": u(12, 25), "warm evening": u(6, 12)}
    some = rng.random() < 0.4
    ellipse = (wide * u(0.2, 0.8), deep * u(0.2, 0.8), u(0.25, 0.7), u(0.25, 0.7))
    return LawnRecipe(
        name=f"garden-{seed:04d}",
        seed=seed,
        outline_m=tuple((round(float(x), 2), round(float(y), 2)) for x, y in corners),
        growth=Growth(
            first=u(0.0, 0.25),
            full=u(0.75, 0.97),
            half_days=u(20, 30),
            pace_days=u(4, 8),
            vary_days=u(1, 7),
            patchiness=u(0.1, 0.9),
            never=(ellipse,) if rng.random() < 0.5 else (),
            strip=(wide * u(0.2, 0.8), u(0.4, 0.8), u(8, 25)) if rng.random() < 0.3 else None,
            pale=((wide * u(0.2, 0.8), deep * u(0.2, 0.8), u(0.3, 0.8), u(0.3, 0.8)),) if some else (),
        ),
        age_days=float(rng.choice([u(0, 15), u(15, 40), u(40, 90)])),
        garden_seed=seed + 100_000,
        camera_m=camera,
        target_m=target,
        soil=str(rng.choice(list(SOILS))),
        wet=u(0, 1) ** 1.4,
        straw=float(rng.choice([u(0, 0.1), u(0.1, 0.4)])),
        leaves_per_m2=float(rng.random() < 0.3) * u(0.1, 4),
        length_mm=u(35, 65),
        width_mm=u(1.6, 3.2),
        upright=u(0.3, 0.9),
        mown_mm=u(25, 80),
        light=light,
        sun_elevation_deg=low.get(light, u(28, 60)),
        sun_azimuth_deg=u(0, 360),
        turbidity=u(2.2, 7),
        card=int(rng.integers(1, 60)) if rng.random() < 0.5 else None,
        card_at_m=(wide * u(0.35, 0.65), u(0.3, 1.2)),
        card_turn_deg=u(-25, 25),
        size_px=size_px,
        focal_35mm=int(rng.integers(24, 29)),
        widest=9.0 if size_px[0] < 1000 else 5.0,
        soil_step_m=0.016 if size_px[0] < 1000 else 0.008,
        taken=f"2026-{rng.integers(3, 6):02d}-{rng.integers(1, 29):02d}T{rng.integers(8, 19):02d}:15:00",
    )


def established(recipe: LawnRecipe) -> LawnRecipe:
    """The same lawn years on: closed but for what never takes."""
    closed = 1 - float(np.exp(np.random.default_rng(recipe.seed + 31).uniform(*np.log([5e-4, 1e-2]))))
    growth = replace(recipe.growth, full=closed, patchiness=0.3 * recipe.growth.patchiness, closed=closed)
    return replace(recipe, growth=growth, age_days=400.0, straw=0.3 * recipe.straw)


def other_looks(recipe: LawnRecipe, count: int) -> list[LawnRecipe]:
    """The same lawn in its garden seen ``count`` more times: other light, from beside, higher or lower."""
    rng = np.random.default_rng(recipe.seed + 4000)
    looks = []
    for _ in range(count):
        light = str(rng.choice(LIGHTS))
        low = {"low sun": (12, 25), "warm evening": (6, 12)}
        x, y, z = recipe.camera_m
        aside, higher = rng.uniform(-1.2, 1.2), rng.uniform(0.8, 1.3)
        looks.append(
            replace(
                recipe,
                light=light,
                sun_elevation_deg=float(rng.uniform(*low.get(light, (28, 60)))),
                sun_azimuth_deg=float(rng.uniform(0, 360)),
                turbidity=float(rng.uniform(2.2, 7)),
                camera_m=(x + float(aside), y, max(z * float(higher), 1.4)),
                target_m=tuple(np.add(recipe.target_m, [*rng.normal(0, 0.4, 2), 0.0]).tolist()),
                focal_35mm=int(rng.integers(24, 29)),
            )
        )
    return looks
