"""What teaching a lawn brings: strokes drawn from known truth, scored where nothing was marked.

    python tools/bench_teach.py TRUTH --rendered rendered/tune/lawns [--draws 5]

Lawns: the sample lawn (a lawn view, eight dates), the sample trial (three spots, five dates), both once more
with their grass recoloured red-brown, in proportion to its true share of each pixel; and each rendered lawn
(make_samples.py --sets tune, or bench) as a lawn of one photo. Strokes are dots of 24 pixels that show one
thing in truth: 75 % green, 60 % straw, 80 % bare or more. A draw marks the photos of some dates and is scored
on the cells of the others; of a lawn of one photo half of the cells, drawn at random, may be marked and the
other half is scored. All goes through ``survey.teach_lawn`` and ``survey.measure``.

What each pixel shows is made from the pictures' recipes (extra ``simulate``; ten seconds a picture) and kept
in the folder TRUTH. Four minutes of one core once it is there.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
import shutil
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
import cv2
import numpy as np

cv2.setNumThreads(1)

from PIL import Image  # noqa: E402

from turfeye import card, lawn, photo, survey, teach, view  # noqa: E402
from turfeye.colourspace import decode, encode  # noqa: E402
from turfeye.errors import StrokesError  # noqa: E402
from turfeye.records import View  # noqa: E402
from turfeye.simulate import samples  # noqa: E402

ROOT = Path(__file__).resolve().parent.parent
CLASSES = ("green", "straw", "bare")
PURE = (0.75, 0.60, 0.80)
RED = (1.9, 0.75, 1.0)
"""Factors on the light of grass that make it red-brown."""
DOT_PX, MOST_OF_A_CLASS = 24, 5  # in one photo
SAME_PICTURE = 0.01
"""Mean shares of a picture's pixels may differ so much from those noted when it was rendered, no more."""
Place = tuple[float, float]


@dataclass(frozen=True, eq=False)
class Known:
    """A lawn's folder, and what each of its photos shows in truth."""

    name: str
    folder: Path
    cell_m: float
    origin_m: np.ndarray  # a corner of the cells
    truth: dict[str, dict[Place, np.ndarray]]  # photo: centre of a cell: shares from straight above
    pixels: dict[str, np.ndarray]  # photo: (H, W, 4) 0-1, what each pixel shows
    views: dict[str, View]

    def cell_at(self, xy_m: np.ndarray) -> Place:
        """The centre of the cell that a point lies in."""
        x, y = self.origin_m + (np.floor((xy_m - self.origin_m) / self.cell_m) + 0.5) * self.cell_m
        return round(float(x), 2), round(float(y), 2)

    def dots(self, name: str, rng: np.random.Generator, within: set[Place]) -> list[dict]:
        """Strokes of a photo, as a marks file has them: in cells ``within``, apart from one another."""
        disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (DOT_PX, DOT_PX)).astype(np.float32)
        mean = cv2.filter2D(self.pixels[name][..., :3], -1, disc / disc.sum())
        taken: list[np.ndarray] = []
        found = []
        for k, shows in enumerate(CLASSES):
            row, col = np.nonzero(mean[DOT_PX:-DOT_PX:4, DOT_PX:-DOT_PX:4, k] >= PURE[k])
            spots = DOT_PX + 4 * np.column_stack([col, row])
            drawn = 0
            for at in spots[rng.permutation(len(spots))[:400]]:
                apart = all(np.abs(at - other).max() > 3 * DOT_PX for other in taken)
                if apart and self.cell_at(view.unproject(self.views[name], at.astype(float))) in within:
                    taken.append(at)
                    found.append({"shows": shows, "line_px": [at.tolist()], "width_px": DOT_PX})
                    drawn += 1
                if drawn == MOST_OF_A_CLASS:
                    break
        return found


def pixel_truth(job: samples.Job, facts: dict, folder: Path) -> np.ndarray:
    """(H, W, 4) what each pixel of a picture shows: kept in the folder, or made from its recipe."""
    path = folder / f"{job.set}-{job.recipe.name}.png"
    if not path.is_file():
        from turfeye.simulate import lawns, spots
        from turfeye.simulate.render import Stage, release

        recipe = job.recipe
        is_spot = isinstance(recipe, spots.SpotRecipe)
        stage = Stage(spots.spot_parts(recipe) if is_spot else lawns.garden_parts(recipe), recipe.lighting())
        shares = stage.shown(recipe.view(), spp=8)[..., :4]
        folder.mkdir(parents=True, exist_ok=True)
        cv2.imwrite(str(path), np.rint(255 * shares).clip(0, 255).astype(np.uint8))
        del stage
        release()
    shares = cv2.imread(str(path), cv2.IMREAD_UNCHANGED).astype(np.float32) / 255
    noted = np.array(facts["mean_shares_as_seen"])
    if np.abs(shares.mean(axis=(0, 1)) - noted).max() > SAME_PICTURE:
        raise SystemExit(f"{path.name}: the simulator draws this otherwise now; render the picture again")
    return shares


def read_truth(path: Path) -> dict[str, dict[Place, np.ndarray]]:
    """True cells by photo ("" in a file of one) and centre: green, straw, bare; not those under the card."""
    found: dict[str, dict[Place, np.ndarray]] = {}
    with path.open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if float(row["card"]) < 0.05]
    largest = max(float(row["area_m2"]) for row in rows)
    for row in rows:
        if float(row["area_m2"]) > 0.3 * largest:
            place = (round(float(row["x_m"]), 2), round(float(row["y_m"]), 2))
            shares = np.array([float(row[name]) for name in ("cover", "straw", "bare")])
            found.setdefault(row.get("photo", ""), {})[place] = shares
    return found


def outline_px(path: Path) -> dict[str, np.ndarray]:
    """The outline's corners in pixels by photo."""
    found: dict[str, list] = {}
    with path.open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            if row["what"] == "outline":
                found.setdefault(row.get("photo", ""), []).append((float(row["x_px"]), float(row["y_px"])))
    return {name: np.array(corners) for name, corners in found.items()}


def recolour(path: Path, green: np.ndarray) -> None:
    """Give the grass of a photo another colour, by its share ``green`` of each pixel, in linear light."""
    with Image.open(path) as picture:
        exif, rgb = picture.info["exif"], np.asarray(picture.convert("RGB"))
    light = decode(rgb) * (1 + green[..., None] * (np.array(RED) - 1))
    Image.fromarray(np.rint(encode(light)).astype(np.uint8)).save(path, quality=95, exif=exif)


def sample(name: str, jobs: list[samples.Job], into: Path, pixels: Path, *, red: bool = False) -> Known:
    """One of the shipped lawns, copied; ``red`` gives it leaves that the classifier has not seen."""
    source, folder = ROOT / "sample_images" / name, into / (f"red {name}" if red else name)
    shutil.copytree(source, folder, ignore=shutil.ignore_patterns("truth", "results"))
    place = lawn.read(folder)
    corners = outline_px(source / "truth" / "corners.csv")
    facts = json.loads((source / "truth" / "recipes.json").read_text(encoding="utf-8"))
    seen, shown = {}, {}
    for job in jobs:
        path = place.photo_path(f"{job.recipe.name}.jpg")
        file = path.name
        shown[file] = pixel_truth(job, facts[job.recipe.name], pixels)
        if red:
            recolour(path, shown[file][..., 0])
        picture = photo.read(path)
        seen[file] = (
            view.from_corners(picture, corners[file], place.outline_m)
            if file in corners
            else view.from_card(picture, card.find(picture))
        )
    origin = place.outline_m.min(axis=0) if corners else np.zeros(2)
    truth = read_truth(source / "truth" / "cells.csv")
    return Known(folder.name, folder, 0.5 if corners else 0.1, origin, truth, shown, seen)


def is_of(job: samples.Job, rendered: Path) -> bool:
    """Whether a folder holds a job's picture: both sets have a lawn-16, of other seeds."""
    facts = rendered / f"{job.recipe.name}.json"
    return facts.is_file() and json.loads(facts.read_text("utf-8"))["recipe"]["seed"] == job.recipe.seed


def single(job: samples.Job, rendered: Path, into: Path, pixels: Path) -> Known:
    """A rendered lawn view as a lawn of its own."""
    path, folder = rendered / f"{job.recipe.name}.jpg", into / job.recipe.name
    facts = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
    outline_m = np.array(facts["recipe"]["outline_m"])
    name = f"{facts['recipe']['taken'][:10]}-{path.name}"
    (folder / "photos").mkdir(parents=True)
    shutil.copy(path, folder / "photos" / name)
    corners = outline_px(path.with_name(path.stem + "-corners.csv"))[""]
    lines = [
        "schema = 1", f'name = "{path.stem}"', f"outline_m = {outline_m.tolist()}", "cell_m = 0.5",
        "[[view]]", 'name = "window"', f'photo = "{name}"', f"corners_px = {corners.tolist()}",
    ]  # fmt: skip
    (folder / lawn.FILE_NAME).write_text("\n".join(lines) + "\n", encoding="utf-8")
    truth = read_truth(path.with_name(path.stem + "-cells.csv"))[""]
    seen = view.from_corners(photo.read(path), corners, outline_m)
    shown = pixel_truth(job, facts, pixels)
    return Known(path.stem, folder, 0.5, outline_m.min(axis=0), {name: truth}, {name: shown}, {name: seen})


def errors(known: Known, measured: Iterable[survey.Measured], scored: dict[str, set[Place]]) -> np.ndarray:
    """(cells, 3) points by which green, straw and bare are off, in these cells of these photos."""
    found = []
    for one in measured:
        if one.table is None or one.path.name not in scored:
            continue
        table = one.table
        for i in np.flatnonzero(table.state == "seen"):
            place = (round(float(table.x_m[i]), 2), round(float(table.y_m[i]), 2))
            if place in scored[one.path.name]:
                came = np.array([table.cover[i], table.straw[i], table.bare[i]])
                found.append(100 * (came - known.truth[one.path.name][place]))
    return np.array(found).reshape(-1, len(CLASSES))


def draw(known: Known, rng: np.random.Generator) -> tuple[list[dict], dict[str, set[Place]]]:
    """The photos of a marks file, and the cells that are scored."""
    names = sorted(known.truth)
    cells = {name: set(known.truth[name]) for name in names}
    dates = sorted({name[:10] for name in names})
    if len(dates) > 1:
        chosen = set(rng.choice(dates, 2 if len(dates) < 6 else 3, replace=False).tolist())
        may = {name: cells[name] for name in names if name[:10] in chosen}
        scored = {name: cells[name] for name in names if name[:10] not in chosen}
    else:
        may = {name: {p for p in sorted(cells[name]) if rng.random() < 0.5} for name in names}
        scored = {name: cells[name] - may[name] for name in names}
    marked = [{"photo": name, "strokes": known.dots(name, rng, may[name])} for name in may]
    return [one for one in marked if one["strokes"]], scored


def trials(known: Known, draws: int, seed: int) -> Iterable[tuple[teach.Lesson, np.ndarray, np.ndarray]]:
    """Each draw's lesson, and the errors before and after, where it isn't kept too."""
    rng, place = np.random.default_rng(seed), lawn.read(known.folder)
    marks = known.folder / "marks.json"
    untaught = survey.measure(place)
    for _ in range(draws):
        photos, scored = draw(known, rng)
        marks.write_text(json.dumps({"schema": 1, "photos": photos}), encoding="utf-8")
        try:
            lesson = survey.teach_lawn(known.folder, [marks])
        except StrokesError as error:
            print(f"{known.name}: {str(error).splitlines()[0]}", flush=True)
            continue
        teach.save(place, lesson.teaching)
        yield lesson, errors(known, untaught, scored), errors(known, survey.measure(place), scored)


def told(name: str, lesson: teach.Lesson, before: np.ndarray, after: np.ndarray) -> str:
    """A draw in one line: left out before and after (strokes), then error (bias) of each class."""
    scores = lesson.teaching.scores
    left = ", ".join(f"{s.shows} {100 * s.before:.0f}→{100 * s.after:.0f} ({s.strokes})" for s in scores)
    parts = [f"{name:17} {'kept' if lesson.kept else 'not kept'}: {left} by {lesson.left_out}"]
    for k, shows in enumerate(CLASSES):
        was, now = (f"{np.abs(e[:, k]).mean():.1f} ({e[:, k].mean():+.1f})" for e in (before, after))
        parts.append(f"{shows} {was} → {now}")
    return "; ".join(parts)


def table(done: dict[str, list[tuple[teach.Lesson, np.ndarray, np.ndarray]]]) -> list[str]:
    """Mean errors before and after by kind of lawn, of what was kept and what was not."""
    lines = [
        "| marked and scored | | times | green, error before → after | straw | bare | better; worse by 2 |",
        "|---|---|---|---|---|---|---|",
    ]
    for kind, every in done.items():
        for kept, words in ((True, "kept"), (False, "not kept (what it would have done)")):
            some = [(before, after) for lesson, before, after in every if lesson.kept == kept]
            if some:
                means = np.array([[np.abs(e).mean(axis=0) for e in pair] for pair in some])
                pairs = " | ".join(f"{a:.1f} → {b:.1f}" for a, b in means.mean(axis=0).T)
                gain = means[:, 0, 0] - means[:, 1, 0]
                lines.append(
                    f"| {kind} | {words} | {len(some)} | {pairs} | {np.sum(gain > 0)}; {np.sum(gain < -2)} |"
                )
    return lines


def main() -> None:
    """Print every draw, then the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("truth", type=Path, help="where what each pixel shows is kept")
    parser.add_argument("--rendered", type=Path, help="a folder of the tuning or of the bench's lawns")
    parser.add_argument("--draws", type=int, default=5)
    options = parser.parse_args()
    done: dict[str, list] = {}
    with tempfile.TemporaryDirectory() as temporary:
        into = Path(temporary)
        shipped = [("lawn views", "ferry-cottage", "ferry"), ("spots", "trial-spots", "spots")]
        lawns = [
            (
                f"{kind}{', red-brown' if red else ''}, other dates",
                sample(name, samples.SETS[key](), into, options.truth, red=red),
            )
            for red in (False, True)
            for kind, name, key in shipped
        ]
        for job in (*samples.SETS["tune"](), *samples.SETS["bench"]()) if options.rendered else ():
            if is_of(job, options.rendered):
                found = single(job, options.rendered, into, options.truth)
                lawns.append(("lawn views, the same photo", found))
        for number, (kind, known) in enumerate(lawns):
            draws = options.draws if len(known.truth) > 1 else options.draws // 2
            for one in trials(known, draws, 7000 + number):
                print(told(known.name, *one), flush=True)
                done.setdefault(kind, []).append(one)
    print("\n" + "\n".join(table(done)))


if __name__ == "__main__":
    main()
