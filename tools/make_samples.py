"""Render the shipped samples and the bench again, from recipes, with their truth.

    python tools/make_samples.py OUT --sets ferry spots bench tune lights large
    python tools/make_samples.py OUT --arrange sample_images      # OUT must hold ferry and spots

A graphics card does all of it in minutes; two processor cores take hours (``--scale 0.3`` for a quick look).
What OUT holds already is not made again, so a stopped run goes on where it was.
"""

from __future__ import annotations

import argparse
import csv
import functools
import json
import shutil
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pool

from turfeye.records import Grid
from turfeye.simulate import lawns, samples, spots, truth
from turfeye.simulate.card_sheet import card_corners
from turfeye.simulate.phone import balanced, metered, shoot
from turfeye.simulate.render import Stage, white


def expose(picture, job: samples.Job, recipe) -> bytes:
    """Meter without clipping white paper; a smaller quality if the file would be larger than wanted."""
    phone = balanced(job.phone, np.asarray(white(recipe.lighting())))
    paper = max(1.0 / metered(picture.rgb_linear), 0.62)
    for quality in (phone.jpeg_quality, 86, 80, 74, 68, 60, 52):
        jpeg = shoot(
            picture.rgb_linear,
            replace(phone, jpeg_quality=min(quality, phone.jpeg_quality)),
            seed=recipe.seed + job.noise_seed,
            taken=recipe.when(),
            white=paper,
        )
        if job.largest_bytes is None or len(jpeg) <= job.largest_bytes:
            break
    return jpeg


def write_rows(path: Path, head, rows) -> None:
    with path.open("w", newline="") as file:
        out = csv.writer(file)
        out.writerow(head)
        out.writerows([[f"{v:.5g}" if isinstance(v, float) else v for v in row] for row in rows])


def scaled(job: samples.Job, scale: float) -> samples.Job:
    """The same job at another picture size."""
    recipe = job.recipe
    size = tuple(int(v * scale) // 2 * 2 for v in recipe.size_px)
    recipe = replace(recipe, size_px=size)
    if isinstance(recipe, spots.SpotRecipe):
        recipe = replace(recipe, gsd_mm=recipe.gsd_mm / scale)
    return replace(job, recipe=recipe)


def scene_of(job: samples.Job) -> tuple:
    """What jobs must share for one set of meshes to serve them all."""
    return job.set, replace(job.recipe, name="", light="", sun_elevation_deg=0.0, sun_azimuth_deg=0.0)


class Scene:
    """The meshes of jobs that differ in light and phone only, made when first needed, and what they show."""

    def __init__(self, job: samples.Job, spp: int) -> None:
        self.recipe = recipe = job.recipe
        self.spot = isinstance(recipe, spots.SpotRecipe)
        self.view, self._spp = recipe.view(), spp
        self.parts = spots.spot_parts(recipe) if self.spot else lawns.garden_parts(recipe)
        self._stage = Stage(self.parts, recipe.lighting())
        self._seen: dict = {}

    def photograph(self, recipe):
        """The picture in a recipe's light; the same light is rendered once."""
        light = replace(recipe, name="")
        if light not in self._seen:
            shades = spots.shades(recipe) if self.spot else ()
            stage = self._stage.relit(recipe.lighting(), shades)
            self._seen = {light: stage.photograph(self.view, spp=self._spp, seed=recipe.seed % 10_000)}
        return self._seen[light]

    @functools.cached_property
    def truth(self) -> tuple[Grid, list]:
        """The cells, and one row a cell as seen straight from above."""
        return cell_truth(self._stage, self.recipe)

    @functools.cached_property
    def points(self) -> list[tuple]:
        """Where the card's and the outline's corners show."""
        places = [("card", card_corners(part)) for part in self.parts if part.name == "card"]
        if not self.spot:
            flat = np.zeros(len(self.recipe.outline_m))
            places.append(("outline", np.column_stack([self.recipe.outline_m, flat])))
        return [
            (what, k, *point)
            for what, corners in places
            for k, point in enumerate(truth.project(self.view, corners).tolist())
        ]


def cell_truth(stage: Stage, recipe) -> tuple[Grid, list]:
    """The cells of a scene, and one row a cell as seen straight from above."""
    card = None
    if isinstance(recipe, spots.SpotRecipe):
        grid, pixel_m = truth.spot_cells(recipe.view()), 0.002
        card = truth.CardPlace() if recipe.card is not None else None
    else:
        grid, pixel_m = lawn_cells(recipe.outline_m), 0.004
        if recipe.card is not None:
            card = truth.CardPlace(*recipe.card_at_m, recipe.card_turn_deg)
    x1, y1 = grid.x0_m + grid.cols * grid.cell_m, grid.y0_m + grid.rows * grid.cell_m
    down = stage.straight_down((grid.x0_m, grid.y0_m, x1, y1), pixel_m=pixel_m, spp=16)
    table = truth.cell_table(down, grid, pixel_m=pixel_m, card=card)
    return grid, [[int(r[0]), int(r[1]), *map(float, r[2:])] for r in table]


def make(jobs: list[samples.Job], out: Path, spp: int, scale: float, deadline: float) -> str:
    """The pictures of one scene, and their truth; those that ``out`` holds are left as they are."""
    said, scene = [], None
    for job in jobs:
        start = time.time()
        path = out / job.set / job.recipe.name
        if path.with_name(f"{path.name}.json").exists():  # written last
            said.append(f"{job.set}/{path.name}: there already")
        elif start > deadline:
            said.append(f"{job.set}/{path.name}: left out, no time")
        else:
            job = scaled(job, scale) if scale != 1 else job
            scene = scene or Scene(job, spp)
            save(job, scene, path)
            said.append(f"{job.set}/{path.name}: {time.time() - start:.1f} s")
            print(said[-1], flush=True)
    return "\n".join(line for line in said if not line.endswith(" s"))


def save(job: samples.Job, scene: Scene, path: Path) -> None:
    """One picture, its cells, its corners and its facts."""
    path.parent.mkdir(parents=True, exist_ok=True)
    picture = scene.photograph(job.recipe)
    grid, rows = scene.truth
    path.with_name(f"{path.name}.jpg").write_bytes(expose(picture, job, job.recipe))
    write_rows(path.with_name(f"{path.name}-cells.csv"), truth.COLUMNS, rows)
    write_rows(path.with_name(f"{path.name}-corners.csv"), ("what", "corner", "x_px", "y_px"), scene.points)
    facts = {
        "kind": "spot" if scene.spot else "lawn",
        "recipe": job.recipe.as_json(),
        "cell_m": grid.cell_m,
        "focal_px": scene.view.focal_px,
        "rotation": scene.view.rotation.tolist(),
        "translation": scene.view.translation.tolist(),
        "mean_shares_as_seen": picture.shares.mean((0, 1)).round(4).tolist(),
    }
    path.with_name(f"{path.name}.json").write_text(json.dumps(facts, indent=1))


def lawn_cells(outline_m, cell_m: float = 0.5) -> Grid:
    """The grid that the measuring lays over an outline: cell (0, 0) at its least x and y."""
    corners = np.asarray(outline_m, float)
    low = corners.min(axis=0)
    cols, rows = np.ceil((corners.max(axis=0) - low) / cell_m - 1e-9).astype(int)
    return Grid(cell_m, float(low[0]), float(low[1]), rows=int(rows), cols=int(cols))


def arrange(made: Path, target: Path) -> None:
    """Lay the two shipped lawns out as their owner would send them: photos, lawn.toml, truth beside."""
    for name, text in samples.LAWN_FILES.items():
        photos, facts = target / name / "photos", target / name / "truth"
        for folder in (photos, facts):
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir(parents=True)
        cells, corners, pictures = [], [], sorted((made / name).glob("*.jpg"))
        for picture in pictures:
            shutil.copy(picture, photos / picture.name)
            for kind, rows in (("cells", cells), ("corners", corners)):
                with (made / name / f"{picture.stem}-{kind}.csv").open(newline="") as file:
                    head, *body = list(csv.reader(file))
                rows += [["photo", *head]] if not rows else []
                rows += [[picture.name, *row] for row in body]
        write_rows(facts / "cells.csv", cells[0], cells[1:])
        write_rows(facts / "corners.csv", corners[0], corners[1:])
        recipe = {p.stem: json.loads((made / name / f"{p.stem}.json").read_text()) for p in pictures}
        (facts / "recipes.json").write_text(json.dumps(recipe, indent=1) + "\n")
        first = [row for row in corners[1:] if row[0] == pictures[0].name and row[1] == "outline"]
        marked = ", ".join(f"[{float(row[3]):.1f}, {float(row[4]):.1f}]" for row in first)
        (target / name / "lawn.toml").write_text(
            text.replace("FIRST_PHOTO", pictures[0].name).replace("CORNERS", marked)
        )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("out", type=Path)
    parser.add_argument("--sets", nargs="*", default=[], choices=list(samples.SETS))
    parser.add_argument("--only", default="", help="only recipes whose name holds this")
    parser.add_argument("--spp", type=int, default=160)
    parser.add_argument("--scale", type=float, default=1.0)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--stop-after-s", type=float, default=1e9)
    parser.add_argument("--arrange", type=Path)
    args = parser.parse_args()
    if args.arrange:
        arrange(args.out, args.arrange)
        return
    end = time.time() + args.stop_after_s
    jobs = [job for name in args.sets for job in samples.SETS[name]() if args.only in job.recipe.name]
    scenes: dict[tuple, list[samples.Job]] = {}
    for job in jobs:
        scenes.setdefault(scene_of(job), []).append(job)
    pool.run(
        make, ((some, args.out, args.spp, args.scale, end) for some in scenes.values()), workers=args.workers
    )


if __name__ == "__main__":
    main()
