"""What a photo loses where a messenger or a cheap phone hands it on: each photo against itself, untouched.

    python tools/bench_handed_on.py rendered/tune rendered/samples [--only "1280 px, q 75" ...]

The folders are as tools/make_samples.py writes them, spots and lawns with their truth. Each photo is
recompressed (4:2:0), made smaller without its header, sharpened, its tones evened out place by place, its
colours deepened, stray light laid over it or its exposure changed, and measured anew: spots by their card,
lawns by their true corners with and without it.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from collections import Counter
from collections.abc import Callable
from functools import partial
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
import cv2
import numpy as np
from PIL import Image
from rendered_truth import LAWN_CELL_M, card_in, corners_of, outline_of, pairs, pictures

from turfeye import cells, faults, glance, photo, survey, view
from turfeye.colourspace import decode, encode
from turfeye.errors import TurfeyeError
from turfeye.records import Bytes, Look

LUMA = np.array([0.299, 0.587, 0.114], np.float32)  # ITU-R BT.601
FAULTS = tuple(faults.REASONS[faults.BURNT : faults.NOT_LAWN])


def smaller(rgb: Bytes, longest: int) -> Bytes:
    scale = longest / max(rgb.shape)
    size = round(rgb.shape[1] * scale), round(rgb.shape[0] * scale)
    return rgb if scale >= 1 else np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.uint8)


def coded(rgb: np.ndarray) -> Bytes:
    return np.clip(np.rint(rgb), 0, 255).astype(np.uint8)


def sharpened(rgb: Bytes, amount: float) -> Bytes:
    light = rgb.astype(np.float32)
    return coded(light + amount * (light - cv2.GaussianBlur(light, (0, 0), 1.0)))


def evened_out(rgb: Bytes) -> Bytes:
    """Three tenths of what wide places differ by taken off, a tenth of what is finer put on top."""
    light = rgb.astype(np.float32) / 255
    log = np.log(light @ LUMA + np.float32(0.02))
    small = cv2.resize(log, None, fx=1 / 8, fy=1 / 8, interpolation=cv2.INTER_AREA)
    wide = cv2.resize(cv2.GaussianBlur(small, (0, 0), rgb.shape[1] / 240), (rgb.shape[1], rgb.shape[0]))
    return coded(255 * light * np.exp(0.1 * (log - wide) - 0.3 * (wide - wide.mean()))[..., None])


def deepened(rgb: Bytes) -> Bytes:
    grey = (rgb.astype(np.float32) @ LUMA)[..., None]
    return coded(grey + 1.2 * (rgb - grey))


def veiled(rgb: Bytes, share: float) -> Bytes:
    """Stray light over all of it: a share of what the photo's brightest code stands for."""
    return coded(encode(np.float32(1 - share) * decode(rgb) + np.float32(share)))


def exposed(rgb: Bytes, stops: float) -> Bytes:
    """So many stops more of the file's own light, burnt out above its brightest code."""
    return coded(encode(np.minimum(decode(rgb) * np.float32(2.0**stops), 1)))


WAYS: dict[str, tuple[Callable[[Bytes], Bytes], int, bool]] = {
    **{f"q {quality}": (lambda rgb: rgb, quality, True) for quality in (95, 88, 80, 70, 50)},
    "2048 px, q 80": (lambda rgb: smaller(rgb, 2048), 80, False),
    "1600 px, q 75": (lambda rgb: smaller(rgb, 1600), 75, False),
    "1280 px, q 75": (lambda rgb: smaller(rgb, 1280), 75, False),
    "sharpened by a half": (lambda rgb: sharpened(rgb, 0.5), 92, True),
    "sharpened by one": (lambda rgb: sharpened(rgb, 1.0), 92, True),
    "tones evened out": (evened_out, 92, True),
    "saturation + 20 %": (deepened, 92, True),
    **{
        f"stray light {share:g}": (partial(veiled, share=share), 95, True)
        for share in (0.002, 0.004, 0.008, 0.016, 0.032)
    },
    **{
        f"{stops:+g} stops": (partial(exposed, stops=stops), 95, True)
        for stops in (-3, -2, -1, 0.5, 1, 1.5, 2, 2.5)
    },
}
"""How each hands a photo on: what it does to the pixels, its JPEG's quality, whether it keeps the header."""


def hand_on(picture: Path, way: str, into: Path) -> Path:
    """Where the photo lies, handed on."""
    change, quality, header = WAYS[way]
    with Image.open(picture) as untouched:
        facts = untouched.getexif().tobytes() if header else b""
    found = into / picture.name
    changed = Image.fromarray(change(photo.read(picture).rgb_coded))
    changed.save(found, quality=quality, subsampling=2, exif=facts)
    return found


def looks(path: Path, picture: Path, kind: str) -> dict[str, Look]:
    """What is measured of a photo, by kind; ``picture`` is the untouched one, with its truth beside it."""
    if kind == "spot":
        try:
            return {"spot": survey.look(path)}
        except TurfeyeError as error:
            print(f"  {picture.name}: {str(error)[:90]}")
            return {}
    shot, outline_m = photo.read(path), outline_of(picture)
    with Image.open(picture) as untouched:
        scale = shot.rgb_coded.shape[1] / untouched.width
    corners = (corners_of(picture, "outline") + 0.5) * scale - 0.5
    seen = shot, view.from_corners(shot, corners, outline_m), cells.lawn_grid(outline_m, LAWN_CELL_M)
    found = {"lawn, no card": glance.look_through(*seen, sighting=None)}
    if (sighting := card_in(shot)) is not None:
        found["lawn, card"] = glance.look_through(*seen, sighting=sighting)
    return found


def by_place(look: Look) -> dict[tuple[float, float], int]:
    places = zip(look.table.x_m.round(2).tolist(), look.table.y_m.round(2).tolist(), strict=True)
    return {place: k for k, place in enumerate(places)}


def line(way: str, kind: str, both: list[tuple[Look, Look, Path]], lost: int) -> str:
    """One row of the table: off and bias against truth, error bars, and what is told that was not."""
    rows = np.concatenate([pairs(look.table, picture) for look, _, picture in both])
    miss, se = rows[:, 0] - rows[:, 2], rows[:, 1]
    marked: Counter[str] = Counter()
    hinted: Counter[str] = Counter()
    index: list[float] = []
    for look, before, _ in both:
        there = by_place(before)
        same = [(k, there[place]) for place, k in by_place(look).items() if place in there]
        for k, was in same:
            why = str(look.table.why[k])
            if why in FAULTS and before.table.why[was] not in FAULTS:
                marked[why] += 1
        apart = np.array([look.table.dgci[k] - before.table.dgci[was] for k, was in same])
        index += [float(apart[known].mean())] if (known := np.isfinite(apart)).any() else []
        said = {words[:22] for words in before.warnings}
        hinted.update(words[:40] for words in look.warnings if words[:22] not in said)
    told = "; ".join(f"{count} {name}" for name, count in (marked + hinted).most_common()) or "nothing"
    one, two = (100 * np.mean(np.abs(miss) <= times * se) for times in (1, 2))
    return (
        f"| {way} | {kind} | {len(both)} ({lost}) | {100 * np.abs(miss).mean():.1f} "
        f"| {100 * miss.mean():+.1f} | {one:.0f}, {two:.0f} % "
        f"| {f'{np.mean(index):+.3f}' if index else '–'} | {told} |"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--only", nargs="*", default=list(WAYS), choices=list(WAYS))
    options = parser.parse_args()
    cv2.setNumThreads(1)
    every = [(kind, picture) for kind in ("spot", "lawn") for picture in pictures(options.folders, kind)]
    before = {picture: looks(picture, picture, kind) for kind, picture in every}
    print("| handed on | kind | photos (refused) | off | bias | within 1, 2 errors | index by | newly told |")
    print("|---|---|---|---|---|---|---|---|")
    for way in options.only:
        both: dict[str, list[tuple[Look, Look, Path]]] = {}
        with tempfile.TemporaryDirectory() as folder:
            for kind, picture in every:
                for name, look in looks(hand_on(picture, way, Path(folder)), picture, kind).items():
                    if name in before[picture]:
                        both.setdefault(name, []).append((look, before[picture][name], picture))
        for name, some in both.items():
            wanted = sum(name in found for found in before.values())
            print(line(way, name, some, wanted - len(some)), flush=True)


if __name__ == "__main__":
    main()
