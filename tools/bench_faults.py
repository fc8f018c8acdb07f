"""Puts faults of light and picture into sound spot photos and counts cells found and falsely marked.

python tools/bench_faults.py FOLDER [--sheet OUT.png] [--only NAME ...]

FOLDER holds rendered spot photos with a card (rendered/bench/spots). Each fault is put in by hand, in linear
light, over a known part of each photo; the photo is then saved as a JPEG and measured whole. What lies on the
turf has its reflectance in the light that the photo's own card shows. A cell is affected where the fault lies
on at least three quarters of it, sound where on none of it and where the untouched photo marks nothing; the
card's cells and the fault's rim are left out. For shade, found means that colour is withheld and falsely
marked that it is so in the card's light; cover is kept there.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from turfeye import card, cells, colourspace, faults, glance, photo, view
from turfeye.card_layout import PAPER
from turfeye.errors import TurfeyeError
from turfeye.gather import Gather
from turfeye.records import CellTable, Flags, Floats, Look, Whole

Fault = Callable[[Floats, np.random.Generator, Flags], tuple[Floats, Whole]]
LEFT_OUT = 2  # in a mask: neither affected nor sound
GREEN_LIGHT = 0.4  # linear green over all light, above which a pixel is called green here


def half(shape: tuple[int, int], rng: np.random.Generator, keep: Flags) -> Flags:
    """One side of a line through the picture that leaves the card alone."""
    height, width = shape
    y, x = np.mgrid[:height, :width]
    angle = rng.uniform(0, 2 * np.pi)
    along = x * np.cos(angle) + y * np.sin(angle)
    return np.asarray(along > max(np.quantile(along[::9, ::9], 0.6), along[keep].max() + 30))


def blob(shape: tuple[int, int], rng: np.random.Generator, keep: Flags, size: tuple[int, int]) -> Flags:
    """A turned ellipse clear of the card and of the picture's edge."""
    for _ in range(200):
        mask = np.zeros(shape, np.uint8)
        at = [int(rng.uniform(max(size), side - max(size))) for side in shape]
        cv2.ellipse(mask, (at[1], at[0]), size, rng.uniform(0, 180), 0, 360, 1, -1)
        if not (mask[keep] > 0).any():
            break
    return mask > 0


def noise(shape: tuple[int, int], rng: np.random.Generator, coarse: int) -> Floats:
    """Smooth noise of unit spread, grains of ``coarse`` pixels."""
    small = rng.normal(0, 1, (shape[0] // coarse + 2, shape[1] // coarse + 2)).astype(np.float32)
    return np.asarray(cv2.resize(small, shape[::-1], interpolation=cv2.INTER_CUBIC))[..., None]


def white_of(light: Floats, keep: Flags) -> Floats:
    """What a perfect white gives back, (3,), by the card's paper: its brighter part if a shadow crosses."""
    return np.asarray(np.quantile(light[keep], 0.85, axis=0) / PAPER, np.float32)


def shade_edge(light: Floats, rng: np.random.Generator, keep: Flags) -> tuple[Floats, Whole]:
    mask = half(light.shape[:2], rng, keep)
    soft = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 9)[..., None]
    return light * (1 - soft + soft * np.array([0.9, 1.0, 1.2], np.float32) / 5), mask


def blown(light: Floats, rng: np.random.Generator, keep: Flags) -> tuple[Floats, Whole]:
    """Affected where over a third of the pixels are clipped; what is merely bright is left out."""
    mask = half(light.shape[:2], rng, keep)
    lit = np.where(mask[..., None], light * 25, light)
    clipped = ((lit >= 1).sum(axis=2) >= 2) & ~keep
    many = np.asarray(cv2.blur(clipped.astype(np.float32), (41, 41))) > 0.35
    return lit, np.where(many & mask, 1, np.where(mask, LEFT_OUT, 0))


def too_dark(light: Floats, rng: np.random.Generator, keep: Flags) -> tuple[Floats, Whole]:
    mask = half(light.shape[:2], rng, keep)
    return np.where(mask[..., None], light * 0.03, light), mask


def moved(length: int) -> Fault:
    def put(light: Floats, rng: np.random.Generator, keep: Flags) -> tuple[Floats, Whole]:
        kernel = np.zeros((length, length), np.float32)
        kernel[length // 2] = 1
        middle = ((length - 1) / 2, (length - 1) / 2)
        turn = cv2.getRotationMatrix2D(middle, rng.uniform(0, 180), 1)
        kernel = np.asarray(cv2.warpAffine(kernel, turn, (length, length)))
        return np.asarray(cv2.filter2D(light, -1, kernel / kernel.sum())), np.ones(light.shape[:2], bool)

    return put


def defocus(radius: int, *, part: bool = False) -> Fault:
    def put(light: Floats, rng: np.random.Generator, keep: Flags) -> tuple[Floats, Whole]:
        disc = np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1)))
        soft = np.asarray(cv2.filter2D(light, -1, disc.astype(np.float32) / disc.sum()))
        mask = half(light.shape[:2], rng, keep) if part else np.ones(light.shape[:2], bool)
        return np.where(mask[..., None], soft, light), mask

    return put


def glare(light: Floats, rng: np.random.Generator, keep: Flags) -> tuple[Floats, Whole]:
    mask = half(light.shape[:2], rng, keep)
    green = light[..., 1] / np.maximum(light.sum(axis=2), 1e-4) > GREEN_LIGHT
    glints = np.zeros(light.shape[:2], np.uint8)
    places = np.argwhere(mask & green)
    for y, x in places[rng.integers(len(places), size=int(len(places) * 0.004))]:
        cv2.ellipse(glints, (int(x), int(y)), (8, 3), rng.uniform(0, 180), 0, 360, 1, -1)
    soft = cv2.GaussianBlur(glints.astype(np.float32), (0, 0), 0.7)[..., None]
    dense = cv2.blur((mask & green).astype(np.float32), (61, 61)) > 0.6
    return light * (1 - soft) + 0.95 * soft, mask & dense


def thing(tint: tuple[float, float, float], size_cm: tuple[float, float]) -> Fault:
    """Something textured, with a shaded rim: sizes are half axes."""

    def put(light: Floats, rng: np.random.Generator, keep: Flags) -> tuple[Floats, Whole]:
        per_cm = np.sqrt(keep.sum() / (29.7 * 21.0))
        shape = light.shape[:2]
        mask = blob(shape, rng, keep, (int(size_cm[0] * per_cm), int(size_cm[1] * per_cm)))
        grain = 0.18 * noise(shape, rng, 3) + 0.22 * noise(shape, rng, 12)
        round_ = cv2.distanceTransform(mask.astype(np.uint8), cv2.DIST_L2, 5)[..., None]
        body = (
            np.array(tint)
            * white_of(light, keep)
            * np.exp(grain)
            * (0.5 + 0.5 * np.clip(round_ / (2.5 * per_cm), 0, 1))
        )
        soft = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 0.8)[..., None]
        return light * (1 - soft) + body * soft, mask

    return put


def leaves(light: Floats, rng: np.random.Generator, keep: Flags) -> tuple[Floats, Whole]:
    shape = light.shape[:2]
    side = half(shape, rng, keep)
    per_cm = np.sqrt(keep.sum() / (29.7 * 21.0))
    places = np.argwhere(side)
    places = places[rng.integers(len(places), size=int(side.sum() / per_cm**2 / 14))]
    tints = np.array([0.30, 0.13, 0.04]) * np.exp(rng.normal(0, 0.25, (len(places), 3)) * [1, 0.8, 0.6])
    which = np.zeros(shape, np.float32)
    for number, (y, x) in enumerate(places.tolist(), start=1):
        axes = (int(rng.uniform(2, 3.5) * per_cm), int(rng.uniform(1.2, 2) * per_cm))
        cv2.ellipse(which, (x, y), axes, rng.uniform(0, 180), 0, 360, number, -1)
    which[keep] = 0
    tints *= white_of(light, keep)
    body = np.vstack([np.zeros(3), tints])[which.astype(int)] * np.exp(0.2 * noise(shape, rng, 4))
    return np.where(which[..., None] > 0, body, light), which > 0


def snow(share: float) -> Fault:
    def put(light: Floats, rng: np.random.Generator, keep: Flags) -> tuple[Floats, Whole]:
        mask = half(light.shape[:2], rng, keep)
        white = (
            np.array([0.70, 0.75, 0.82])
            * white_of(light, keep)
            * np.exp(0.06 * noise(light.shape[:2], rng, 5))
        )
        layer = np.clip(share + 0.12 * noise(light.shape[:2], rng, 4), 0, 1)
        return np.where(mask[..., None], light * (1 - layer) + white * layer, light), mask

    return put


FAULTS: dict[str, tuple[Fault, tuple[int, ...]]] = {
    "shade edge, 1/5 of the light": (shade_edge, ()),
    "blown highlights": (blown, (faults.BURNT,)),
    "too dark": (too_dark, (faults.DARK,)),
    "moved by 9 px": (moved(9), (faults.MOVED, faults.SOFT)),
    "moved by 21 px": (moved(21), (faults.MOVED, faults.SOFT)),
    "out of focus, 5 px": (defocus(5), (faults.SOFT, faults.MOVED)),
    "out of focus in part, 7 px": (defocus(7, part=True), (faults.SOFT, faults.MOVED)),
    "wet glare": (glare, (faults.GLARE, faults.BURNT)),
    "a boot, black": (thing((0.018, 0.017, 0.018), (14, 5.5)), (faults.THING,)),
    "a boot, brown": (thing((0.075, 0.042, 0.024), (14, 5.5)), (faults.THING, faults.LEAVES)),
    "a dog's back, brown": (thing((0.16, 0.095, 0.05), (22, 10)), (faults.THING, faults.LEAVES)),
    "a blue bucket": (thing((0.03, 0.07, 0.30), (12, 12)), (faults.THING,)),
    "fallen leaves": (leaves, (faults.LEAVES, faults.THING)),
    "snow": (snow(0.97), (faults.SNOW, faults.BURNT)),
    "hoar frost, 70 %": (snow(0.7), (faults.SNOW,)),
}


def _marked(table: CellTable) -> Flags:
    """Cells with something wrong: a colour withheld for its own error alone is nothing of the kind."""
    unsure = np.char.startswith(table.why, "colour withheld") & (table.why != cells.OTHER_LIGHT)
    return np.asarray((table.why != "") & ~unsure)


def marked_cells(one: Look) -> set[tuple[float, float]]:
    """Where cells are that a photo marks."""
    table = one.table
    said = _marked(table)
    return set(zip(table.x_m[said].round(3).tolist(), table.y_m[said].round(3).tolist(), strict=True))


def score(
    one: Look, mask: Whole, codes: tuple[int, ...], before: set[tuple[float, float]]
) -> tuple[list[int], list[str]]:
    """Affected cells, of them found, found by its right name; sound cells, of them marked; the hints.

    ``before`` are the cells marked in the untouched photo.
    """
    table = one.table
    assert one.view is not None
    factor = min(1.0, 1000 / mask.shape[1])
    small = view.resized(one.view, (round(mask.shape[1] * factor), round(mask.shape[0] * factor)))
    sized = cv2.resize(mask.astype(np.uint8), small.size_px, interpolation=cv2.INTER_NEAREST)
    gather = Gather(small, table.grid, sized.shape)
    assert one.sighting is not None
    paper = np.zeros(mask.shape, np.uint8)
    cv2.fillPoly(paper, [np.rint(one.sighting.corners_px).astype(np.int32)], 1)
    sized[cv2.resize(paper, small.size_px, interpolation=cv2.INTER_NEAREST) > 0] = LEFT_OUT
    areas = np.vstack([gather.only(sized == 0).area, gather.areas(sized, 2)])
    areas = areas[:, table.row * table.grid.cols + table.col]
    total = np.maximum(areas.sum(axis=0), 1e-12)
    whole = (total > 0.6 * table.area_m2) & (areas[2] <= 0)
    affected, sound = whole & (areas[1] / total >= 0.75), whole & (areas[1] <= 0)
    outer = np.array([w.startswith(("outside", "mostly", "too oblique", "too coarse")) for w in table.why])
    places = zip(table.x_m.round(3).tolist(), table.y_m.round(3).tolist(), strict=True)
    told = outer | np.array([place in before for place in places])
    affected, sound = affected & ~outer, sound & ~told
    if codes:
        named = np.isin(table.why, [faults.REASONS[code] for code in codes])
        marked = table.state != "seen"
    else:
        named = marked = table.shade > cells.MAX_OTHER_LIGHT
    counts = [affected.sum(), (affected & marked).sum(), (affected & named).sum(), sound.sum()]
    return [*map(int, counts), int((sound & _marked(table)).sum())], list(one.warnings)


def spoiled(path: Path, put: Fault, seed: int, out: Path) -> Whole:
    """Writes the photo with the fault in it; where it lies."""
    picture = photo.read(path)
    keep = np.zeros(picture.rgb_coded.shape[:2], np.uint8)
    corners = card.find(picture).corners_px
    grown = corners.mean(axis=0) + 1.16 * (corners - corners.mean(axis=0))
    cv2.fillPoly(keep, [np.rint(grown).astype(np.int32)], 1)
    light = colourspace.decode(picture.rgb_coded.astype(np.float32)).astype(np.float32)
    light, mask = put(light, np.random.default_rng(seed), keep > 0)
    coded = np.clip(np.rint(colourspace.encode(np.clip(light, 0, 1))), 0, 255).astype(np.uint8)
    with Image.open(path) as untouched:
        Image.fromarray(coded).save(out, quality=93, exif=untouched.getexif())
    return np.asarray(mask)


def line(name: str, before: dict[Path, set[tuple[float, float]]], into: Path) -> str:
    """A fault's row of the table over all photos, with the cells that each marks ``before`` it is put in.

    The spoiled photos stay in the folder ``into``.
    """
    put, codes = FAULTS[name]
    counts, hinted, refused = np.zeros(5, int), 0, 0
    for seed, (path, marked) in enumerate(before.items()):
        mask = spoiled(path, put, seed, into / path.name)
        try:
            one = glance.look(into / path.name)
        except TurfeyeError as error:
            refused += 1
            print(f"<!-- {path.name}: {error} -->")
            continue
        got, words = score(one, mask, codes, marked)
        counts += got
        hinted += bool(words)
    found, right, wrong = (
        f"{a / b:.0%}" if b else "-" for a, b in zip(counts[[1, 2, 4]], counts[[0, 0, 3]], strict=True)
    )
    row = [name, counts[0], found, right, f"{wrong} of {counts[3]}", hinted, refused]
    return f"| {' | '.join(map(str, row))} |"


def tile(name: str, picture: Path) -> np.ndarray:
    """A spoiled photo, small, with its fault's name on it."""
    small = cv2.resize(cv2.imread(str(picture)), (640, 480))
    return np.asarray(cv2.putText(small, name, (10, 30), 0, 0.8, (255, 255, 255), 2))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--sheet", type=Path, help="a picture of one example of each fault")
    parser.add_argument("--only", nargs="*", default=list(FAULTS))
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    print("| fault | affected cells | found | by its name | sound cells marked | photos hinted | refused |")
    print("|---|---|---|---|---|---|---|")
    before = {path: marked_cells(glance.look(path)) for path in sorted(asked.folder.glob("*.jpg"))}
    tiles = []
    with tempfile.TemporaryDirectory() as folder:
        for name in asked.only:
            print(line(name, before, Path(folder)), flush=True)
            if asked.sheet:
                tiles.append(tile(name, Path(folder) / list(before)[1].name))
    if tiles:
        tiles += [np.zeros_like(tiles[0])] * (-len(tiles) % 4)
        rows = [np.hstack(tiles[k : k + 4]) for k in range(0, len(tiles), 4)]
        cv2.imwrite(str(asked.sheet), np.vstack(rows))


if __name__ == "__main__":
    main()
