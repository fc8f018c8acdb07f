"""Recipes: everything that a rendered picture follows from, as plain numbers that fit in a JSON file.

A recipe is a frozen dataclass of scalars; the same recipe gives the same scene. ``random_spot`` draws one.
`turfeye.simulate.lawns` holds those of whole lawns.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import datetime

import numpy as np

from turfeye.records import Floats, View
from turfeye.simulate.fields import fractal, noise
from turfeye.simulate.laying import laid_down
from turfeye.simulate.mesh import Part
from turfeye.simulate.phone import Phone
from turfeye.simulate.render import Light, look_at
from turfeye.simulate.scene import pressed, turf_parts
from turfeye.simulate.turf import PLANTS_PER_M2, SOILS, Box, Turf

PAPER_M = (0.297, 0.210)  # the sheet that the card is printed on
LIGHTS = ("sun", "low sun", "overcast", "half shade", "shade", "warm evening")


@dataclass(frozen=True)
class SpotRecipe:
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
    green: tuple[float, float, float] = (0.062, 0.118, 0.030)
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

    @property
    def focal_px(self) -> float:
        """From the diagonal-based 35 mm equivalent."""
        return self.focal_35mm / 43.2666 * float(np.hypot(*self.size_px))

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

    def lighting(self) -> Light:
        """The sky, without what throws shade."""
        sky = "overcast" if self.light == "overcast" else "shade" if self.light == "shade" else "clear"
        return Light(self.sun_elevation_deg, self.sun_azimuth_deg, self.turbidity, sky)  # type: ignore[arg-type]

    def when(self) -> datetime:
        """By the camera's clock."""
        return datetime.fromisoformat(self.taken)

    def as_json(self) -> dict:
        """Plain values."""
        return asdict(self)


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


def coarsening(
    view: View, *, leaf_m: float = 0.0022, widest: float = 4.0
) -> Callable[[Floats, Floats], Floats]:
    """How many times wider leaves may be drawn before a single one shows as too wide in this view."""
    camera = view.camera_m

    def widen(x: Floats, y: Floats) -> Floats:
        away = np.sqrt((x - camera[0]) ** 2 + (y - camera[1]) ** 2 + camera[2] ** 2)
        return np.clip(away / view.focal_px / leaf_m * 1.3, 1.0, widest).astype(np.float32)

    return widen


def card_part(
    spot: int, at_m: tuple[float, float, float], tilt_deg: tuple[float, float], *, turn_deg: float = 0.0
) -> Part:
    """The printed card on its sheet of paper, lying at ``at_m``, a little tilted and bent."""
    texture = card_texture(spot)
    u, v = np.meshgrid(np.linspace(0, 1, 9), np.linspace(0, 1, 7))
    x, y = (u - 0.5) * PAPER_M[0], (v - 0.5) * PAPER_M[1]
    z = np.tan(np.radians(tilt_deg[0])) * x + np.tan(np.radians(tilt_deg[1])) * y
    turn = np.radians(turn_deg)
    flat = np.stack([x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn), z], -1)
    index = np.arange(63).reshape(7, 9)
    a, b, c, d = (index[:-1, :-1], index[:-1, 1:], index[1:, 1:], index[1:, :-1])
    faces = np.concatenate([np.stack([a, b, c], -1).reshape(-1, 3), np.stack([a, c, d], -1).reshape(-1, 3)])
    return Part(
        name="card",
        klass="other",
        vertices=(flat.reshape(-1, 3) + np.asarray(at_m)).astype(np.float32),
        faces=faces.astype(np.int32),
        texture=texture,
        uv=np.stack([u.ravel(), 1 - v.ravel()], -1).astype(np.float32),
        lawn=True,
    )


def card_texture(spot: int, *, dpi: float = 150) -> Floats:
    """The whole sheet as linear reflectance, (H, W, 3): the card's active area amid bare paper."""
    from turfeye.card import draw
    from turfeye.card_layout import PAPER
    from turfeye.colourspace import decode

    active = decode(draw(spot, dpi=dpi).astype(np.float64)).astype(np.float32)
    height, width = round(PAPER_M[1] / 0.0254 * dpi), round(PAPER_M[0] / 0.0254 * dpi)
    sheet = np.full((height, width, 3), PAPER, np.float32)
    top, left = (height - active.shape[0]) // 2, (width - active.shape[1]) // 2
    sheet[top : top + active.shape[0], left : left + active.shape[1]] = active
    return sheet


def shade_part(recipe: SpotRecipe) -> Part:
    """Something tall, 4 m off towards the sun, whose ragged shadow's edge crosses the picture."""
    to_sun = recipe.lighting().to_sun
    rng = np.random.default_rng(recipe.seed + 80)
    away = 4.0 * to_sun / np.hypot(to_sun[0], to_sun[1])
    side = np.array([-to_sun[1], to_sun[0], 0.0]) / np.hypot(to_sun[0], to_sun[1])
    shift = rng.normal(0, 0.12 * recipe.gsd_mm)
    # A wall whose upright edge throws the shadow's edge; ragged like a hedge's.
    t = np.linspace(-0.3, 3.0, 60)
    rag = 0.02 * recipe.gsd_mm**0.3 * np.cumsum(rng.normal(0, 1, 60)) * 0.6
    reach = 6.0
    near = away * [1, 1, 0] + side * shift + t[:, None] * np.array([0, 0, away[2]])
    near = near + rag[:, None] * side
    far = away * [1, 1, 0] + side * reach + t[:, None] * np.array([0, 0, away[2]])
    vertices = np.concatenate([near, far]).astype(np.float32)
    k = np.arange(59)
    faces = np.concatenate([np.stack([k, k + 1, k + 61], -1), np.stack([k, k + 61, k + 60], -1)])
    rgb = np.tile(np.array([[0.08, 0.10, 0.05]], np.float32), (120, 1))
    return Part("shade", "other", vertices, faces.astype(np.int32), rgb)


def random_spot(seed: int, *, oblique: bool = False, card: int | None = None) -> SpotRecipe:
    """Draw a spot picture as varied as gardens are."""
    rng = np.random.default_rng(seed)
    u = rng.uniform
    light = str(rng.choice(LIGHTS, p=[0.28, 0.1, 0.28, 0.14, 0.08, 0.12]))
    elevation = {"low sun": u(12, 25), "warm evening": u(5, 12)}.get(light, u(25, 62))
    cover = float(np.clip(rng.beta(0.8, 0.8), 0.0, 0.98)) if rng.random() > 0.06 else 0.0
    old = cover > 0.7 and rng.random() < 0.5  # an established sward rather than new seed
    closed = (
        1 - float(np.exp(np.random.default_rng(seed + 31).uniform(*np.log([5e-4, 1e-2])))) if old else 0.985
    )
    hue = rng.normal(0, 1)
    gsd = float(u(0.45, 1.1) if card is not None else np.exp(u(np.log(0.25), np.log(3.0))))
    return SpotRecipe(
        name=f"spot-{seed:04d}",
        seed=seed,
        cover=max(cover, 1 - 3 * (1 - closed)) if old else cover,
        closed=closed,
        patchiness=u(0.1, 1.0),
        patch_m=float(np.exp(u(np.log(0.08), np.log(0.6)))),
        straw=float(rng.choice([u(0, 0.05), u(0.05, 0.25), u(0.25, 0.6)], p=[0.3, 0.5, 0.2])),
        soil=str(rng.choice(list(SOILS))),
        wet=u(0, 1) ** 1.4,
        rough_mm=u(2, 7),
        stones_per_m2=float(rng.choice([u(0, 10), u(10, 80), u(80, 250)], p=[0.5, 0.35, 0.15])),
        clover_per_m2=float(rng.random() < 0.15) * u(5, 60),
        leaves_per_m2=float(rng.random() < 0.3) * u(1, 14),
        moss=float(rng.random() < 0.15) * u(0.03, 0.4),
        pale=float(rng.random() < 0.25) * u(0.05, 0.4),
        length_mm=u(40, 85) if old else u(28, 70),
        width_mm=u(2.0, 3.8) if old else u(1.3, 3.0),
        upright=u(0.25, 0.95),
        mown_mm=u(25, 50) if old else float(rng.choice([u(25, 50), 150.0])),
        vigour=float(np.clip(rng.normal(0.92, 0.12), 0.5, 1.0)),
        green=random_green(rng, hue),
        gsd_mm=float(u(0.8, 2.0)) if oblique else gsd,
        tilt_deg=u(40, 60) if oblique else u(0, 38) * u(0.2, 1),
        turn_deg=u(0, 360) if card is None else u(-30, 30) + 180 * float(rng.random() < 0.3),
        aim_m=(0.0, 0.0) if card is None else (u(-0.12, 0.12), u(-0.08, 0.08)),
        light=light,
        sun_elevation_deg=elevation,
        sun_azimuth_deg=u(0, 360),
        turbidity=u(2.2, 7),
        card=card,
        card_tilt_deg=(rng.normal(0, 0.9), rng.normal(0, 0.9)),
        taken=f"2026-{rng.integers(3, 6):02d}-{rng.integers(1, 29):02d}"
        f"T{rng.integers(8, 19):02d}:{rng.integers(60):02d}:00",
    )  # fmt: skip


def other_looks(recipe: SpotRecipe, count: int) -> list[SpotRecipe]:
    """The same turf seen ``count`` more times: other light, and every other time from nearer.

    Every look stays within the ground that the recipe's own picture needs, so that its meshes serve them all.
    """
    rng = np.random.default_rng(recipe.seed + 4000)
    looks = []
    for n in range(count):
        light = str(rng.choice(LIGHTS))
        look = replace(
            recipe,
            light=light,
            sun_elevation_deg=_elevation(rng, light),
            sun_azimuth_deg=float(rng.uniform(0, 360)),
            turbidity=float(rng.uniform(2.2, 7)),
        )
        if n % 2 == 0 and recipe.tilt_deg < 40 and recipe.card is None:
            look = replace(
                look,
                gsd_mm=recipe.gsd_mm * float(rng.uniform(0.45, 0.6)),
                tilt_deg=recipe.tilt_deg * float(rng.uniform(0, 1)),
                turn_deg=float(rng.uniform(0, 360)),
            )
        looks.append(look)
    return looks


def _elevation(rng: np.random.Generator, light: str) -> float:
    low = {"low sun": (12, 25), "warm evening": (5, 12)}
    return float(rng.uniform(*low.get(light, (25, 62))))


def random_green(rng: np.random.Generator, hue: float) -> tuple[float, float, float]:
    """A leaf colour: lighter or darker, bluer or yellower (``hue``, in standard deviations)."""
    change = 0.22 * rng.normal() + np.array([0.16, 0.0, -0.05]) * hue
    red, green, blue = np.array([0.062, 0.118, 0.030]) * np.exp(change)
    return float(red), float(green), float(blue)


def with_phone(recipe: SpotRecipe, phone: Phone) -> SpotRecipe:
    """The same spot, seen through that phone's lens."""
    return replace(recipe, focal_35mm=phone.focal_35mm)


def balanced(phone: Phone, white_rgb: Floats, *, strength: float = 0.85) -> Phone:
    """A phone that takes out most of the light's own cast by itself, on top of how far it is set off."""
    cast = np.log2(white_rgb / white_rgb[1]) * strength
    red, blue = phone.white_balance_stops
    return replace(phone, white_balance_stops=(float(red - cast[0]), float(blue - cast[2])))
