"""The shipped samples and the bench, as recipes. All of them are invented."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from turfeye.simulate.lawns import Growth, LawnRecipe, established, random_garden
from turfeye.simulate.phone import MAKES, Phone, random_phone
from turfeye.simulate.spots import SpotRecipe, random_spot


@dataclass(frozen=True)
class Job:
    """One picture to make: what is there, and the phone that takes it."""

    set: str
    recipe: SpotRecipe | LawnRecipe
    phone: Phone
    noise_seed: int = 1
    largest_bytes: int | None = None


SOWN = date(2026, 3, 14)
FERRY = LawnRecipe(
    name="ferry",
    seed=4711,
    outline_m=((0.0, 0.0), (3.6, 0.0), (4.7, 4.6), (-0.9, 5.0)),
    growth=Growth(
        first=0.06,
        full=0.95,
        half_days=25.0,
        pace_days=5.0,
        vary_days=3.0,
        patchiness=0.4,
        never=((0.75, 2.6, 0.62, 0.50),),
        strip=(3.05, 0.55, 17.0),
    ),
    age_days=0.0,
    garden_seed=23,
    camera_m=(1.8, -1.9, 3.1),
    target_m=(1.9, 1.75, 0.0),
    garden_camera_m=(1.8, -1.9, 3.1),
    card=0,
    card_at_m=(1.95, 0.42),
    focal_35mm=28,
)
# Age, time of day, light, sun's height and side, moisture, how far the standing point and the aim were off.
FERRY_VISITS = (
    (0, "09:12:40", "overcast", 35, 140, 0.45, (0.0, 0.0, 0.0), (0.0, 0.0)),
    (9, "10:05:11", "overcast", 40, 150, 0.60, (0.12, -0.05, 0.04), (0.10, 0.08)),
    (16, "12:31:52", "sun", 44, 200, 0.20, (-0.15, 0.06, -0.05), (-0.12, 0.10)),
    (22, "17:48:03", "warm evening", 14, 285, 0.25, (0.08, 0.10, 0.02), (0.15, -0.10)),
    (29, "11:02:19", "overcast", 48, 170, 0.50, (-0.22, -0.10, 0.05), (-0.18, -0.05)),
    (36, "13:20:44", "sun", 52, 215, 0.15, (0.25, 0.05, -0.08), (0.20, 0.05)),
    (44, "09:40:27", "shade", 45, 130, 0.35, (0.05, -0.12, 0.06), (-0.08, 0.12)),
    (53, "10:58:36", "overcast", 55, 160, 0.40, (-0.10, 0.08, 0.0), (0.05, -0.08)),
)


def _ferry() -> list[Job]:
    """One lawn from an upstairs window, on eight dates."""
    jobs = []
    for n, (age, time, light, height, side, wet, moved, aimed) in enumerate(FERRY_VISITS):
        day = SOWN + timedelta(days=age)
        x, y, z = np.add(FERRY.camera_m, moved).tolist()
        target = (FERRY.target_m[0] + aimed[0], FERRY.target_m[1] + aimed[1], 0.0)
        recipe = replace(
            FERRY,
            name=f"{day.isoformat()}-window",
            age_days=float(age),
            camera_m=(x, y, z),
            target_m=target,
            light=light,
            sun_elevation_deg=float(height),
            sun_azimuth_deg=float(side),
            wet=wet,
            straw=0.20 * 0.985**age,
            mown_mm=80.0 if age < 34 else 38.0,
            card_at_m=(1.95 + 0.05 * (n % 3 - 1), 0.42 + 0.03 * (n % 2)),
            card_turn_deg=(4.0, -6.0, 9.0, -3.0)[n % 4],
            card_tilt_deg=((0.8, -0.5), (-0.6, 0.7), (0.4, 0.9))[n % 3],
            taken=f"{day.isoformat()}T{time}",
        )
        stops = ((n % 3 - 1) * 0.15, (1 - n % 2) * 0.1)
        phone = replace(MAKES[2], exposure_stops=0.1, white_balance_stops=stops)
        jobs.append(Job("ferry-cottage", recipe, phone, n, 950_000))
    return jobs


# Spot number, soil, straw, cover on each date, and how the blades stand.
SPOT_DATES = ("2026-03-20", "2026-04-02", "2026-04-13", "2026-04-24", "2026-05-06")
SPOT_LIGHTS = ("overcast", "sun", "overcast", "warm evening", "half shade")
SPOTS = (
    (1, 311, "loam", 0.16, (0.02, 0.16, 0.42, 0.68, 0.86)),
    (2, 322, "dark loam", 0.10, (0.01, 0.07, 0.22, 0.44, 0.66)),
    (3, 333, "sandy dressing", 0.06, (0.04, 0.24, 0.55, 0.77, 0.88)),
)


def _spots() -> list[Job]:
    """Three spots on five dates."""
    jobs = []
    for number, seed, soil, straw, covers in SPOTS:
        for n, (day, cover) in enumerate(zip(SPOT_DATES, covers, strict=True)):
            rng = np.random.default_rng(seed * 10 + n)
            light = SPOT_LIGHTS[n] if _awkward(number, n) else "overcast"
            recipe = SpotRecipe(
                name=f"{day}-spot-{number}",
                seed=seed,
                cover=cover,
                patchiness=0.5,
                straw=straw * (1 - 0.12 * n),
                soil=soil,
                wet=float(rng.uniform(0.2, 0.55)),
                length_mm=48.0,
                width_mm=2.3,
                upright=0.55,
                mown_mm=70.0 if n < 4 else 40.0,
                gsd_mm=float(rng.uniform(0.68, 0.80)),
                tilt_deg=float(rng.uniform(3, 17)),
                turn_deg=float(rng.uniform(-12, 12)),
                aim_m=(float(rng.uniform(-0.06, 0.06)), float(rng.uniform(-0.05, 0.05))),
                light=light,
                sun_elevation_deg={"warm evening": 14.0}.get(light, float(rng.uniform(38, 52))),
                sun_azimuth_deg=float(rng.uniform(0, 360)),
                card=number,
                card_tilt_deg=(float(rng.normal(0, 0.6)), float(rng.normal(0, 0.6))),
                size_px=(1632, 1224),
                focal_35mm=26,
                taken=f"{day}T{9 + 2 * (n % 3):02d}:{10 + 7 * number:02d}:{11 + n:02d}",
            )
            phone = replace(MAKES[0], white_balance_stops=tuple(rng.normal(0, 0.12, 2).tolist()))
            jobs.append(Job("trial-spots", recipe, phone, n, 520_000))
    return jobs


def _awkward(number: int, visit: int) -> bool:
    """Not every spot gets the day's light as it is; the others are seen when a cloud passes."""
    return (number + visit) % 3 != 0


def _various_spots(which: str, first_seed: int, *, first_card: int) -> list[Job]:
    """Twelve spots with a card, from bare to closed, in four lights."""
    jobs = []
    lights = ("overcast", "sun", "shade", "warm evening")
    for n in range(12):
        seed = first_seed + n
        recipe = random_spot(seed, card=first_card + n)
        phone = random_phone(np.random.default_rng(seed))
        light = lights[(n + n // 4) % 4]
        recipe = replace(
            recipe,
            name=f"spot-{n:02d}",
            cover=(0.02, 0.1, 0.25, 0.4, 0.55, 0.68, 0.78, 0.86, 0.92, 0.97, 0.99, 0.998)[n],
            closed=0.985 if n < 9 else 0.9995,
            light=light,
            sun_elevation_deg=16.0 if light == "warm evening" else 45.0,
            gsd_mm=0.55 + 0.035 * n,
            size_px=(1824, 1368),
            focal_35mm=phone.focal_35mm,
        )
        jobs.append(Job(which, recipe, phone, n, 1_300_000))
    return jobs


def _various_lawns(which: str, first_seed: int, *, first_card: int) -> list[Job]:
    """Sixteen lawns in their gardens, six days to years old, from a person's height and from upstairs."""
    jobs = []
    lights = ("overcast", "sun", "overcast", "shade")
    for n in range(16):
        seed = first_seed + n
        recipe = random_garden(seed, size_px=(2016, 1512))
        if n >= 13:
            recipe = established(recipe)
        phone = random_phone(np.random.default_rng(seed))
        wide = recipe.outline_m[1][0]
        recipe = replace(
            recipe,
            name=f"lawn-{n:02d}",
            age_days=float((6, 14, 20, 25, 30, 38, 48, 60, 10, 18, 23, 28, 34, 400, 400, 400)[n]),
            camera_m=(wide / 2, -1.6 - 0.1 * (n % 8), 1.75 + 0.25 * (n % 8)),
            target_m=(wide / 2, 1.6 + 0.1 * (n % 8), 0.0),
            light=lights[(n + n // 8) % 4],
            sun_elevation_deg=45.0,
            card=first_card + n,
            card_at_m=(wide / 2, 0.45),
            focal_35mm=phone.focal_35mm,
        )
        jobs.append(Job(which, recipe, phone, n, 1_300_000))
    return jobs


def _bench() -> list[Job]:
    """What every figure is reported on; nothing is fitted to it."""
    return [
        *_various_spots("bench-spots", 9100, first_card=20),
        *_numbered(_various_spots("bench-spots", 9200, first_card=100), "spot", 12),
        *_various_lawns("bench-lawns", 9300, first_card=40)[8:],
        *_numbered(_various_lawns("bench-lawns", 9600, first_card=120), "lawn", 16),
    ]


def _tune() -> list[Job]:
    """What the leaf angle by cover and the error bars are fitted to."""
    return [
        *_various_spots("tune-spots", 9800, first_card=60),
        *_various_lawns("tune-lawns", 9300, first_card=40)[:8],
        *_numbered(_various_lawns("tune-lawns", 9400, first_card=80), "lawn", 16),
    ]


def _numbered(jobs: list[Job], name: str, start: int) -> list[Job]:
    """The same jobs, named on from a number."""
    named = (replace(job.recipe, name=f"{name}-{n:02d}") for n, job in enumerate(jobs, start))
    return [replace(job, recipe=recipe) for job, recipe in zip(jobs, named, strict=True)]


# Name, sky, the sun's height, and how far the phone's white balance is off: red and blue, in stops.
LIGHTS: tuple[tuple[str, str, float, tuple[float, float]], ...] = (
    ("sun", "sun", 48.0, (0.0, 0.0)),
    ("shade", "shade", 48.0, (0.0, 0.0)),
    ("evening", "warm evening", 14.0, (0.0, 0.0)),
    ("overcast", "overcast", 45.0, (0.0, 0.0)),
    ("warm", "overcast", 45.0, (0.75, -0.75)),
    ("cold", "overcast", 45.0, (-0.75, 0.75)),
    ("harsh-warm", "overcast", 45.0, (1.5, -1.5)),
    ("harsh-cold", "overcast", 45.0, (-1.5, 1.5)),
)
LIT_COVERS = (0.15, 0.35, 0.6, 0.8, 0.93)


def _lights() -> list[Job]:
    """Five spots, sparse to dense, each by one phone in every light."""
    jobs = []
    for n, cover in enumerate(LIT_COVERS):
        phone = MAKES[n % len(MAKES)]
        turf = random_spot(9500 + n, card=60 + n)
        turf = replace(
            turf, cover=cover, straw=min(turf.straw, 0.25), gsd_mm=0.40, size_px=(4000, 3000), tilt_deg=9.0,
            pale=0.0, clover_per_m2=0.0, moss=0.0, leaves_per_m2=0.0, focal_35mm=phone.focal_35mm,
        )  # fmt: skip
        for name, light, height, stops in LIGHTS:
            recipe = replace(turf, name=f"lights-{n}-{name}", light=light, sun_elevation_deg=height)
            set_so = replace(phone, white_balance_stops=stops)
            jobs.append(Job("bench-lights", recipe, set_so, 7, 2_900_000))
    return jobs


def _large() -> list[Job]:
    """One spot at the size of a phone's picture."""
    recipe = replace(
        random_spot(9700, card=61), name="spot-12mp", cover=0.55, light="overcast", gsd_mm=0.30,
        tilt_deg=8.0, size_px=(4000, 3000), focal_35mm=26,
    )  # fmt: skip
    return [Job("bench-large", recipe, MAKES[0], 1, 5_500_000)]


SETS: dict[str, Callable[[], list[Job]]] = {
    "ferry": _ferry,
    "spots": _spots,
    "bench": _bench,
    "tune": _tune,
    "lights": _lights,
    "large": _large,
}

_OUTLINE = ", ".join(f"[{x:g}, {y:g}]" for x, y in FERRY.outline_m)
LAWN_FILES = {
    "ferry-cottage": f"""# An invented lawn. Its photos are rendered; truth/ says what is really there.
schema = 1
name = "Ferry Cottage, back"
outline_m = [{_OUTLINE}]
cell_m = 0.5

[[sowing]]
date = {SOWN.isoformat()}
mix = "perennial ryegrass"
rate_g_m2 = 35

[target]
cover = 0.65
date = 2026-05-09

[[view]]
name = "window"
photo = "FIRST_PHOTO"
corners_px = [CORNERS]
""",
    "trial-spots": f"""# An invented trial. Its photos are rendered; truth/ says what is really there.
schema = 1
name = "Three spots, top lawn"
outline_m = [[0, 0], [8, 0], [8, 6], [0, 6]]
cell_m = 0.1

[[sowing]]
date = {SOWN.isoformat()}
mix = "perennial ryegrass"
rate_g_m2 = 35

[target]
cover = 0.6
date = 2026-05-09

[[spot]]
number = 1
at_m = [2.0, 1.5]
turned_deg = 0

[[spot]]
number = 2
at_m = [4.0, 3.0]
turned_deg = 0

[[spot]]
number = 3
at_m = [6.0, 4.5]
turned_deg = 0
""",
}
"""lawn.toml of the shipped lawns; make_samples.py puts the first photo's name and corners in."""
