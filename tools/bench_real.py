"""Real turf on real soil with a printed card laid in: cover of 10 cm cells of photographed pixels.

    python tools/bench_real.py

The pixels of turf and of soil are photographs by others that taught nothing (tests/data/real-ground, each
under its own licence); how they lie, in blots of known outline, the card and the phone are ours. What is
true of a cell is how much of it is turf, times the share that an eye sees green in that turf: good to
some points, and dark gaps between blades count as green, which a measurement does not. So what this can
show is whether bare ground among turf is found, and where turf as photographed is read too low.
"""

from __future__ import annotations

import csv
import os
import tempfile
from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
import cv2
import numpy as np
import pasted_card
from bench_row import Row, row, table

from turfeye import summary, survey
from turfeye.colourspace import LUMINANCE, decode
from turfeye.errors import TurfeyeError
from turfeye.records import Flags, Floats
from turfeye.simulate.phone import metered, random_phone, shoot

FOLDER = Path(__file__).resolve().parent.parent / "tests" / "data" / "real-ground"
TURFS = (
    "lawn_close_jojo07",
    "lawn_mown_torcs_e2",
    "grass_long_megaglest",
    "clover_megaglest",
    "grass_dark_megaglest",
)
SOILS = ("soil_loose_0ad", "soil_smooth_0ad", "soil_cracked_0ad", "sand_coarse_torcs_w1")
LIGHT = {"turf": 0.09, "soil": 0.16}  # luminance given back, 1 is white paper: common practice, no source
SIZE_PX, GSD_MM, CELL_M = (1368, 1824), 0.9, 0.10
BLOTS_MM = (30, 120)  # narrowest and widest blur that makes the blots, standard deviation


def ground(name: str, side_mm: float, light: float) -> Floats:
    """A piece as linear light, (H, W, 3), mirrored out over the picture; ``side_mm`` is its pixels' side."""
    piece = cv2.cvtColor(cv2.imread(str(FOLDER / f"{name}.jpg")), cv2.COLOR_BGR2RGB)
    piece = cv2.resize(piece, None, fx=side_mm / GSD_MM, fy=side_mm / GSD_MM, interpolation=cv2.INTER_CUBIC)
    linear = decode(piece).astype(np.float32)
    height, width = SIZE_PX
    below, right = (max(0, wanted - own) for wanted, own in zip(SIZE_PX, linear.shape[:2], strict=True))
    wide = np.pad(linear, ((0, below), (0, right), (0, 0)), mode="symmetric")[:height, :width]
    return wide * np.float32(light / (wide @ LUMINANCE).mean())


def blots(rng: np.random.Generator, share: float) -> Flags:
    """(H, W), True on so much of the picture, in blots."""
    sigma = float(np.exp(rng.uniform(*np.log(BLOTS_MM)))) / GSD_MM
    field = cv2.GaussianBlur(rng.normal(size=SIZE_PX).astype(np.float32), (0, 0), sigma)
    return field <= np.quantile(field, share)


def pairs(turf: str, soil: str, share: float, facts: dict[str, dict[str, str]], seed: int) -> Floats:
    """(N, 3) cover, its error and what is true, of the cells of one photo that the card leaves free.

    Raises TurfeyeError where the photo can't be measured.
    """
    rng = np.random.default_rng(seed)
    on = blots(rng, share)
    both = [
        ground(name, float(facts[name]["mm_per_px_by_eye"]), LIGHT[kind])
        for name, kind in ((turf, "turf"), (soil, "soil"))
    ]
    scene = np.where(on[..., None], *both)
    light, (x0, y0, x1, y1) = pasted_card.laid_in(scene, np.ones(3), gsd_mm=GSD_MM, rng=rng)
    phone = replace(random_phone(rng), shake_px=0.0)
    paper = max(1.0 / metered(scene), pasted_card.DARKEST_PAPER)
    jpeg = shoot(light, phone, seed=seed, taken=datetime(2026, 5, 1, 12), white=paper)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "spot.jpg"
        path.write_bytes(jpeg)
        look = survey.look(path, cell_m=CELL_M)
    places = summary.middles_px(look)
    cells, half = look.table, 0.5e3 * CELL_M / GSD_MM
    green = np.where(on, float(facts[turf]["green_percent_by_eye"]) / 100, 0)
    found = []
    for k in np.flatnonzero(cells.state == "seen"):
        x, y = places["x_px"][k], places["y_px"][k]
        left, right, top, bottom = (round(v) for v in (x - half, x + half, y - half, y + half))
        under = left < x1 and right > x0 and top < y1 and bottom > y0
        if not under and min(left, top) >= 0 and right <= SIZE_PX[1] and bottom <= SIZE_PX[0]:
            found.append((cells.cover[k], cells.cover_se[k], green[top:bottom, left:right].mean()))
    return np.array(found).reshape(-1, 3)


def rows() -> Iterable[Row]:
    """A row over all photos, one a turf."""
    with (FOLDER / "index.csv").open(encoding="utf-8", newline="") as file:
        facts = {Path(one["file"]).stem: one for one in csv.DictReader(file)}
    by_turf: dict[str, list[Floats]] = {}
    refused = 0
    for number, turf in enumerate(TURFS):
        for other, soil in enumerate(SOILS):
            seed = 10 * number + other
            share = float(np.random.default_rng([seed, 1]).uniform(0.1, 0.95))
            try:
                by_turf.setdefault(turf, []).append(pairs(turf, soil, share, facts, seed))
            except TurfeyeError as error:
                print(f"  {turf} on {soil}: {error}")
                refused += 1
    every = np.concatenate([one for some in by_turf.values() for one in some])
    miss = every[:, 0] - every[:, 2]
    r2 = np.corrcoef(every[:, 0], every[:, 2])[0, 1] ** 2
    photos = sum(len(some) for some in by_turf.values())
    yield row(
        "real turf on real soil with a card, 10 cm cells: cover, mean absolute error; bias; r²",
        f"{100 * np.abs(miss).mean():.1f} points; {100 * miss.mean():+.1f}; {r2:.3f} "
        f"({photos} pictures, {len(every)} cells; {refused} refused)",
        known="true is mask times eye, which counts dark gaps between blades as green",
    )
    told = []
    for turf, some in by_turf.items():
        mine = np.concatenate(some)
        told.append(f"{turf} {100 * np.mean(mine[:, 0] - mine[:, 2]):+.1f}")
    yield row("real turf on real soil with a card: bias by turf", ", ".join(told))


if __name__ == "__main__":
    print(table(rows()))
