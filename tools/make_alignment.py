"""Render gardens visited again and again, to measure how well later photos are laid over the first.

    python tools/make_alignment.py OUT --first 7000 --count 8 --workers 8

Each garden is seen once on bare soil, as its owner would mark it, then at growing ages in other light, from
up to 0.5 m beside the first standing point and aimed up to 10 degrees off, once through another lens, and
last from clearly too far off (0.9-2 m). People and things left about are others on each visit. Each picture:
GARDEN-VISIT.jpg and GARDEN-VISIT.json (the pose, the outline, what differs). What OUT holds is not made
again. A graphics card with 16 cores takes a second or two a picture.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pool
from make_samples import expose

from turfeye.records import View
from turfeye.simulate import chance, lawns, samples
from turfeye.simulate.garden import make_garden
from turfeye.simulate.phone import MAKES, random_phone
from turfeye.simulate.render import Stage, look_at
from turfeye.simulate.truth import project

AGES = (1.0, 9.0, 17.0, 24.0, 31.0, 42.0, 70.0, 28.0)
"""Days since sowing at each visit; the first is marked, the last but one is grown up, the last stands off."""
MOVED_M, AIMED_DEG, FAR_M = 0.5, 10.0, (0.9, 2.0)
OTHER_LENS = 4  # the visit with another phone
SUN_DEG = {"low sun": (12.0, 25.0), "warm evening": (6.0, 14.0)}
LARGEST_BYTES = 600_000


@dataclass(frozen=True)
class Look:
    """One visit: the recipe, and a camera that may be rolled."""

    recipe: lawns.LawnRecipe
    view: View
    visit: int
    moved_m: tuple[float, float, float]
    aimed_deg: tuple[float, float]
    roll_deg: float

    def facts(self) -> dict[str, Any]:
        """What is written beside the picture."""
        return {
            "visit": self.visit,
            "light": self.recipe.light,
            "age_days": self.recipe.age_days,
            "outline_m": self.recipe.outline_m,
            "size_px": self.recipe.size_px,
            "focal_px": self.view.focal_px,
            "rotation": self.view.rotation.tolist(),
            "translation": self.view.translation.tolist(),
            "moved_m": self.moved_m,
            "aimed_deg": self.aimed_deg,
            "roll_deg": self.roll_deg,
        }


def garden(seed: int, long_px: int) -> lawns.LawnRecipe:
    """A lawn whose corners are all in the first picture."""
    size = (long_px, long_px * 3 // 4)
    rng = np.random.default_rng([seed, 5])
    base = replace(lawns.random_garden(seed, size_px=size), widest=7.0, soil_step_m=0.012, card=None)
    upstairs = rng.random() < 0.5
    while True:
        wide, deep = rng.uniform(2.8, 5.5), rng.uniform(3.5, 7.5)
        lean = rng.normal(0, 0.06, (2, 2)) * [wide, deep]
        corners = np.array([[0, 0], [wide, 0], [wide, deep] + lean[0], [0, deep] + lean[1]])
        height = rng.uniform(2.6, 4.5) if upstairs else rng.uniform(1.5, 1.9)
        recipe = replace(
            base,
            outline_m=tuple((round(float(x), 2), round(float(y), 2)) for x, y in corners),
            camera_m=(wide * rng.uniform(0.3, 0.7), -rng.uniform(0.8, 3.4), height),
            target_m=(wide * rng.uniform(0.4, 0.6), deep * rng.uniform(0.2, 0.6), 0.0),
        )
        at = project(recipe.view(), np.column_stack([recipe.outline_m, np.zeros(4)]))
        if np.isfinite(at).all() and (at > 8).all() and (at < np.array(size) - 8).all():
            scale = np.array([wide, deep]) / np.array(base.outline_m[2])
            growth = replace(
                base.growth,
                never=tuple((x * scale[0], y * scale[1], a, b) for x, y, a, b in base.growth.never),
                half_days=float(rng.uniform(18, 26)),
                full=float(rng.uniform(0.85, 0.97)),
            )
            return replace(recipe, growth=growth, garden_camera_m=recipe.camera_m)


def look(seed: int, visit: int, long_px: int) -> Look:
    """One visit to one garden."""
    base = garden(seed, long_px)
    rng = np.random.default_rng([seed, visit, 6])
    light = chance.light(rng)
    focal_35mm = MAKES[seed % len(MAKES)].focal_35mm
    shift, aim, roll = (np.zeros(3), np.zeros(2), 0.0) if visit == 0 else off_by(rng, visit)
    if visit == OTHER_LENS:
        focal_35mm = round(focal_35mm * float(rng.choice([0.8, 1.25, 1.4])))
    camera = np.add(base.camera_m, shift)
    target = camera + turned(np.subtract(base.target_m, base.camera_m), aim)
    recipe = replace(
        base,
        name=f"garden-{seed}-{visit}",
        age_days=AGES[visit],
        camera_m=tuple(camera.tolist()),
        target_m=tuple(target.tolist()),
        light=light,
        sun_elevation_deg=float(rng.uniform(*SUN_DEG.get(light, (28.0, 60.0)))),
        sun_azimuth_deg=float(rng.uniform(0, 360)),
        wet=float(rng.uniform(0, 0.6)),
        mown_mm=80.0 if AGES[visit] < 35 else 40.0,
        focal_35mm=focal_35mm,
        taken=f"2026-{3 + int(AGES[visit]) // 31:02d}-{1 + int(AGES[visit]) % 28:02d}T{9 + visit:02d}:10:00",
    )
    up = np.array([np.sin(np.radians(roll)), 0.0, np.cos(np.radians(roll))])
    view = look_at(
        camera.tolist(),
        target.tolist(),
        size_px=recipe.size_px,
        focal_px=recipe.focal_px,
        up=up.tolist(),
        kind="lawn",
    )
    return Look(recipe, view, visit, tuple(shift.tolist()), tuple(aim.tolist()), roll)


def off_by(rng: np.random.Generator, visit: int) -> tuple[np.ndarray, np.ndarray, float]:
    """Off the first standing point, (3,) m; off its aim, left and up, (2,) degrees; rolled, degrees."""
    far = visit == len(AGES) - 1
    reach = rng.uniform(*FAR_M) if far else MOVED_M * np.sqrt(rng.random())
    way = rng.uniform(0, 2 * np.pi)
    shift = np.array([reach * np.cos(way), reach * np.sin(way), rng.normal(0, 0.06)])
    way, off = rng.uniform(0, 2 * np.pi), AIMED_DEG * np.sqrt(rng.random())
    return shift, off * np.array([np.cos(way), np.sin(way)]), float(rng.normal(0, 1.5))


def turned(ahead: np.ndarray, aim_deg: np.ndarray) -> np.ndarray:
    """A direction (3,) turned to the left and upwards by degrees (2,)."""
    left, up = np.radians(aim_deg)
    flat = np.hypot(*ahead[:2])
    way, rise = np.arctan2(ahead[1], ahead[0]) + left, np.arctan2(ahead[2], flat) + up
    length = np.linalg.norm(ahead)
    return length * np.array([np.cos(rise) * np.cos(way), np.cos(rise) * np.sin(way), np.sin(rise)])


def make(seed: int, visit: int, out: Path, long_px: int, spp: int) -> str:
    """One picture and its truth."""
    start = time.time()
    one = look(seed, visit, long_px)
    recipe = one.recipe
    if (out / f"{recipe.name}.json").exists():  # written last
        return f"{recipe.name}: there already"
    around = make_garden(
        np.asarray(recipe.outline_m),
        np.random.default_rng(recipe.garden_seed),
        camera_m=recipe.garden_camera_m,
        today=np.random.default_rng([seed, visit, 8]),
    )
    stage = Stage([*lawns.lawn_parts(recipe), *around], recipe.lighting())
    built = time.time()
    picture = stage.photograph(one.view, spp=spp, seed=(seed * 31 + visit) % 10_000)
    seen = time.time()
    rng = np.random.default_rng(seed)
    phone = MAKES[seed % len(MAKES)] if visit != OTHER_LENS else random_phone(rng)
    stops = tuple(np.random.default_rng([seed, visit, 7]).normal(0, 0.15, 2).tolist())
    phone = replace(phone, focal_35mm=recipe.focal_35mm, white_balance_stops=stops)
    job = samples.Job("align", recipe, phone, visit, LARGEST_BYTES)
    (out / f"{recipe.name}.jpg").write_bytes(expose(picture, job, recipe))
    (out / f"{recipe.name}.json").write_text(json.dumps({"garden": seed, **one.facts()}, indent=1))
    return f"{recipe.name}: built {built - start:.1f}, rendered {seen - built:.1f} s"


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    pool.add_arguments(parser, first=7000, count=8)
    parser.add_argument("--visits", type=int, default=len(AGES))
    parser.add_argument("--long-px", type=int, default=1600)
    parser.add_argument("--spp", type=int, default=64)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    jobs = (
        (seed, visit, args.out, args.long_px, args.spp)
        for seed in pool.seeds(args)
        for visit in range(args.visits)
    )
    pool.run(make, jobs, workers=args.workers, stop_after_s=args.stop_after_s)


if __name__ == "__main__":
    main()
