"""Render pictures with known truth to train on: spots of turf, and lawn views with gardens.

    python tools/make_training.py spots OUT --first 0 --count 240
    python tools/make_training.py gardens OUT --first 5000 --count 100

Each scene may be seen several times, each time in another light (``--looks``). Each look: NAME.jpg, as a
phone files it; NAME-judged.jpg and NAME-judged-2.jpg, as `sward.classify` has it once a card in the picture
has put its colours right, by two other phones (tools/pasted_card.py); NAME-shares.png (four 8-bit channels in
the order R, G, B, A: green, straw, bare, other); NAME-cells.csv (the truth from straight above); NAME.json
(the recipe, the camera's pose, sample distance, where the cards lie); for gardens NAME-lawn.png (255 = lawn).

Spots are rendered finer than they are judged, as photos are finer, and averaged down when learnt from. What
OUT holds already is not made again, so a stopped run goes on where it was.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pasted_card
import pool
from make_samples import cell_truth, write_rows
from PIL import Image

from turfeye.records import CLASSES
from turfeye.simulate import chance, lawns, spots, truth
from turfeye.simulate.phone import Phone, balanced, random_phone, shoot
from turfeye.simulate.render import Stage, release, white

GARDEN_PX = (1344, 1008)
SPOT_PX = (1632, 1088)
SPOT_GSD_MM = (0.25, 0.75)
OBLIQUE_GSD_MM = (0.4, 1.0)
ESTABLISHED = 0.3  # share of gardens whose lawn is years old
OLIVE, OLIVE_HUE = 0.2, (0.5, 3.0)  # share of scenes whose grass is yellower than fresh grass, and how much
WITH_THINGS, WITH_LEAVES, WITH_CLODS = 0.12, 0.25, 0.25  # shares of spots with each of these


def spot_looks(seed: int, count: int) -> tuple[list, list]:
    """Recipes and meshes."""
    recipe = spot_recipe(seed)
    return [recipe, *spots.other_looks(recipe, count - 1)], spots.spot_parts(recipe)


def spot_recipe(seed: int) -> spots.SpotRecipe:
    """A spot. Every sixth with a card, every fifth oblique, each on a soil of its own."""
    rng = np.random.default_rng(seed + 77)
    card = int(rng.integers(1, 20)) if seed % 6 == 0 else None
    oblique = card is None and seed % 5 == 1
    recipe = spots.random_spot(seed, oblique=oblique, card=card)
    tint = random_tint(rng)
    low, high = OBLIQUE_GSD_MM if oblique else SPOT_GSD_MM
    recipe = replace(
        recipe,
        soil_tint=tint,
        size_px=SPOT_PX,
        gsd_mm=float(np.exp(rng.uniform(np.log(low), np.log(high)))),
        **littered(seed),
    )
    if rng.random() < OLIVE:
        recipe = replace(recipe, green=chance.green(rng, rng.uniform(*OLIVE_HUE)))
    return recipe


def random_tint(rng: np.random.Generator) -> tuple[float, float, float]:
    """A soil lighter or darker, redder or bluer than its kind."""
    red, green, blue = np.exp(0.2 * rng.normal() + 0.06 * rng.normal(size=3))
    return float(red), float(green), float(blue)


def littered(seed: int) -> dict[str, float | int]:
    """What lies on a spot, drawn apart so that its turf stays what it was: things, leaves, clods."""
    rng = np.random.default_rng(seed + 79)
    things, leaves = rng.random() < WITH_THINGS, rng.random() < WITH_LEAVES
    return {
        "things": int(things) * int(rng.integers(1, 3)),
        "fallen": float(leaves) * float(rng.choice([rng.uniform(0.05, 0.3), rng.uniform(0.3, 0.85)])),
        "fallen_area": float(rng.choice([rng.uniform(0.15, 0.5), 1.0], p=[0.7, 0.3])),
        "clods_per_m2": float(rng.random() < WITH_CLODS)
        * float(np.exp(rng.uniform(np.log(30), np.log(500)))),
        "clod_mm": float(rng.uniform(25, 70)),
    }


def garden_looks(seed: int, count: int) -> tuple[list, list]:
    """Recipes and meshes."""
    recipe = garden_recipe(seed)
    return [recipe, *lawns.other_looks(recipe, count - 1)], lawns.garden_parts(recipe)


def garden_recipe(seed: int) -> lawns.LawnRecipe:
    """A lawn view in its garden; some lawns years old, soils and greens of their own."""
    recipe = lawns.random_garden(seed, size_px=GARDEN_PX)
    rng = np.random.default_rng(seed + 78)
    if rng.random() < ESTABLISHED:
        recipe = lawns.established(recipe)
    tint, hue = random_tint(rng), 0.6 * rng.normal()
    if rng.random() < OLIVE:
        hue = rng.uniform(*OLIVE_HUE)
    return replace(recipe, soil_tint=tint, green=chance.green(rng, hue))


def make(kind: str, out: Path, seed: int, count: int, spp: int) -> str:
    """Render one scene's looks, in a process of its own."""
    if any(out.glob(f"*-{seed}-{count - 1}.json")):  # written last
        return f"{seed}: there already"
    start = time.time()
    looks, parts = spot_looks(seed, count) if kind == "spots" else garden_looks(seed, count)
    built = time.time()
    stage = Stage(parts, looks[0].lighting())
    for number, recipe in enumerate(looks):
        more = spots.shades(recipe) if kind == "spots" else []
        picture = stage.relit(recipe.lighting(), more).photograph(recipe.view(), spp=spp, seed=seed + number)
        name = f"{recipe.name}-{number}"
        write_rows(out / f"{name}-cells.csv", truth.COLUMNS, cell_truth(stage, recipe)[1])
        save(out, name, recipe, picture, [phone_of(seed, number, k) for k in range(1 + len(JUDGED))])
    del stage
    release()
    return f"{seed}: built {built - start:.1f} s, rendered and saved {time.time() - built:.1f} s"


def phone_of(seed: int, look: int, number: int = 0) -> Phone:
    """Another phone for every look, and for every time it is taken; every fourth has mishaps."""
    rng = np.random.default_rng([seed, look, number] if number else [seed, look])
    return random_phone(rng, mishaps=(seed + look + number) % 4 == 0)


JUDGED = ("-judged", "-judged-2")


def save(out: Path, name: str, recipe, picture, phones: list[Phone]) -> None:
    """The picture by the first phone, as corrected by the others, the truth and the facts of one look."""
    white_rgb = np.asarray(white(recipe.lighting()))
    gsd_mm = getattr(recipe, "gsd_mm", float("nan"))
    first, *others = (balanced(phone, white_rgb) for phone in phones)
    jpeg = shoot(picture.rgb_linear, first, seed=recipe.seed, taken=recipe.when())
    (out / f"{name}.jpg").write_bytes(jpeg)
    cards_px = {}
    for number, (suffix, phone) in enumerate(zip(JUDGED, others, strict=True)):
        seed, taken = 10 * recipe.seed + number, recipe.when()
        judged = pasted_card.judged(
            picture.rgb_linear, white_rgb, phone, gsd_mm=gsd_mm, seed=seed, taken=taken
        )
        if judged is not None:
            rgb, cards_px[suffix] = judged
            Image.fromarray(rgb).save(out / f"{name}{suffix}.jpg", quality=97, subsampling=0)
    shares = (17 * np.rint(picture.shares * 15)).astype(np.uint8)  # sixteen steps: a third of the bytes
    Image.fromarray(shares, "RGBA").save(out / f"{name}-shares.png", compress_level=1)
    if isinstance(recipe, lawns.LawnRecipe):
        lawn = np.where(picture.lawn > 0.5, 255, 0).astype(np.uint8)
        Image.fromarray(lawn).save(out / f"{name}-lawn.png")
    view = recipe.view()
    facts = {
        "recipe": recipe.as_json(),
        "scene": recipe.name,
        "gsd_mm": gsd_mm,
        "cards_px": cards_px,
        "tilt_deg": view.tilt_deg,
        "camera_matrix": view.camera_matrix.tolist(),
        "rotation": view.rotation.tolist(),
        "translation": view.translation.tolist(),
        "mean_shares": dict(zip(CLASSES, picture.shares.mean((0, 1)).round(4).tolist(), strict=True)),
    }
    (out / f"{name}.json").write_text(json.dumps(facts, indent=1))


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("kind", choices=["spots", "gardens"])
    pool.add_arguments(parser, count=4, workers=2)
    parser.add_argument("--looks", type=int, default=1)
    parser.add_argument("--spp", type=int, default=80)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    jobs = ((args.kind, args.out, seed, args.looks, args.spp) for seed in pool.seeds(args))
    pool.run(make, jobs, workers=args.workers, stop_after_s=args.stop_after_s)


if __name__ == "__main__":
    main()
