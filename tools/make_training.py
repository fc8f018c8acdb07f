"""Render pictures with known truth to train on: spots of turf, and lawn views with gardens.

    python tools/make_training.py spots OUT --first 0 --count 160
    python tools/make_training.py gardens OUT --first 5000 --count 80

Each picture: NAME.jpg, NAME-shares.png (four 8-bit channels in the order R, G, B, A: green, straw, bare,
other), NAME.json (the recipe, the camera's pose, sample distance), for gardens NAME-lawn.png (255 = lawn).
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import time
import traceback
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

import numpy as np
from PIL import Image

from turfeye.simulate import recipes
from turfeye.simulate.phone import random_phone, shoot
from turfeye.simulate.render import Stage, white


def spot_recipe(seed: int) -> recipes.SpotRecipe:
    """Every sixth with a card, every fifth oblique."""
    rng = np.random.default_rng(seed + 77)
    card = int(rng.integers(1, 20)) if seed % 6 == 0 else None
    recipe = recipes.random_spot(seed, oblique=card is None and seed % 5 == 1, card=card)
    return recipes.with_phone(recipe, random_phone(np.random.default_rng(seed), mishaps=seed % 4 == 0))


def build(kind: str, seed: int) -> tuple:
    """Recipe and meshes of one picture."""
    if kind == "spots":
        recipe = spot_recipe(seed)
        return recipe, recipes.spot_parts(recipe)
    from turfeye.simulate import lawns

    recipe = lawns.random_garden(seed)
    return recipe, lawns.garden_parts(recipe)


def make(kind: str, out: Path, seed: int, spp: int, deadline: float) -> str:
    """Render one picture, in a process of its own."""
    start = time.time()
    if start > deadline:
        return f"{seed} left out: no time"
    recipe, parts = build(kind, seed)
    built = time.time()
    view = recipe.view()
    picture = Stage(parts, recipe.lighting()).photograph(view, spp=spp, seed=seed)
    seen = time.time()
    save(out, recipe, view, picture, seed, kind, getattr(recipe, "gsd_mm", float("nan")))
    took = built - start, seen - built, time.time() - seen
    return f"{seed}: built {took[0]:.1f} s, rendered {took[1]:.1f} s, saved {took[2]:.1f} s"


def save(out: Path, recipe, view, picture, seed: int, kind: str, gsd_mm: float) -> None:
    phone = random_phone(np.random.default_rng(seed), mishaps=seed % 4 == 0)
    phone = recipes.balanced(phone, np.asarray(white(recipe.lighting())))
    jpeg = shoot(picture.rgb_linear, phone, seed=seed, taken=recipe.when())
    (out / f"{recipe.name}.jpg").write_bytes(jpeg)
    shares = (17 * np.rint(picture.shares * 15)).astype(np.uint8)  # sixteen steps: a third of the bytes
    Image.fromarray(shares, "RGBA").save(out / f"{recipe.name}-shares.png")
    if kind == "gardens":
        Image.fromarray(np.where(picture.lawn > 0.5, 255, 0).astype(np.uint8)).save(
            out / f"{recipe.name}-lawn.png"
        )
    facts = {
        "recipe": recipe.as_json(),
        "scene": recipe.name,
        "gsd_mm": gsd_mm,
        "tilt_deg": view.tilt_deg,
        "camera_matrix": view.camera_matrix.tolist(),
        "rotation": view.rotation.tolist(),
        "translation": view.translation.tolist(),
        "mean_shares": dict(
            zip(
                ("green", "straw", "bare", "other"),
                picture.shares.mean((0, 1)).round(4).tolist(),
                strict=True,
            )
        ),
    }
    (out / f"{recipe.name}.json").write_text(json.dumps(facts, indent=1))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kind", choices=["spots", "gardens"])
    parser.add_argument("out", type=Path)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=4)
    parser.add_argument("--spp", type=int, default=96)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--stop-after-s", type=float, default=1e9)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    end = time.time() + args.stop_after_s
    with ProcessPoolExecutor(args.workers, mp_context=multiprocessing.get_context("spawn")) as pool:
        jobs = [
            pool.submit(make, args.kind, args.out, seed, args.spp, end)
            for seed in range(args.first, args.first + args.count)
        ]
        for job in as_completed(jobs):
            try:
                print(job.result(), flush=True)
            except Exception:
                traceback.print_exc()


if __name__ == "__main__":
    main()
