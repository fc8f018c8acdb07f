"""How flat green is read obliquely: lawns drawn on the ground, seen by a phone, a card in the picture.

    python tools/bench_flat_lawns.py [--count 18] [--first 7000]

Blades, blobs and squares lying on the ground, and moss of noise, on four soils, from 45 to 63 degrees and
1.6 to 3 m, through simulated phones of 3 and 12 megapixels. Each is measured with the rule about flat green
(`turfeye.foreshortening`) and without it; nothing is above the ground, so true cover is what is seen. All is
invented. Four minutes.
"""

from __future__ import annotations

import argparse
import os
import tempfile
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from functools import partial
from pathlib import Path
from unittest.mock import patch

os.environ.setdefault("OMP_NUM_THREADS", "1")
import cv2
import numpy as np
from draw_turf import clouds
from rendered_truth import card_in

from turfeye import cells, foreshortening, glance, photo
from turfeye.records import Photo, View
from turfeye.simulate.card_sheet import PAPER_M, card_texture
from turfeye.simulate.phone import metered, random_phone, shoot
from turfeye.simulate.render import look_at

LAWN_M = np.array([[0.0, 0.0], [3.2, 0.0], [3.2, 4.2], [0.0, 4.2]])
BESIDE_M, CELL_M, GROUND_MM = 1.0, 0.5, 1.2
CARD_M = (1.6, 0.35)  # its middle
SIZES_PX = ((2016, 1512), (4032, 3024), (1512, 2016))
ZENITHS_DEG, HEIGHTS_M = (48, 53, 58, 63, 45, 61), (1.7, 2.0, 2.5, 1.6, 3.0)
MEANS, SPREADS = (0.15, 0.4, 0.6, 0.8, 0.9), (0.1, 0.2, 0.3, 0.2, 0.08)  # of the cover asked for
SOILS = ((0.30, 0.25, 0.17), (0.115, 0.075, 0.045), (0.05, 0.036, 0.026), (0.16, 0.15, 0.135))
LEAF, PAVING = np.array([0.045, 0.115, 0.022]), (0.32, 0.31, 0.30)
CLOSEST = 0.96  # cover at which shapes are thrown all over the lawn

Make = Callable[[np.random.Generator, np.ndarray], tuple[np.ndarray, np.ndarray]]


def shapes(rng: np.random.Generator, cover: np.ndarray, *, long_mm: float, wide_mm: float) -> tuple:
    """Shapes thrown at random, more where the cover wanted (H, W) is high: where green is, and how bright."""
    height, width = cover.shape
    area_px = long_mm * wide_mm / GROUND_MM**2
    count = int(-np.log(1 - CLOSEST) * cover.size / area_px)
    foot = rng.uniform((0, 0), (width, height), (count, 2))
    wanted = np.log(1 - np.minimum(cover, CLOSEST)) / np.log(1 - CLOSEST)
    foot = foot[rng.random(count) < wanted[foot[:, 1].astype(int), foot[:, 0].astype(int)]]
    turn, size = rng.uniform(0, np.pi, len(foot)), np.exp(rng.normal(0, 0.25, len(foot)))
    lit = np.zeros(cover.shape, np.uint8)
    along = np.stack([np.cos(turn), np.sin(turn)], 1) * (size * long_mm / (2 * GROUND_MM))[:, None]
    across = np.stack([-along[:, 1], along[:, 0]], 1) * (wide_mm / long_mm)
    corners = np.stack([along + across, across - along, -along - across, along - across], 1) + foot[:, None]
    for shape, tone in zip(
        np.rint(16 * corners).astype(np.int32), rng.integers(60, 255, len(foot)), strict=True
    ):
        cv2.fillConvexPoly(lit, shape, int(tone), cv2.LINE_8, 4)
    return lit > 0, lit / 255


def moss(rng: np.random.Generator, cover: np.ndarray, *, grain_mm: float) -> tuple:
    """Patches of no shape."""
    from scipy.special import ndtri

    on = clouds(rng, cover.shape, grain_mm / GROUND_MM, 1) < ndtri(np.clip(cover, 0.003, 0.997))
    return on, np.clip(0.6 + 0.15 * clouds(rng, cover.shape, 1.5, 2), 0.1, 1.2)


MAKES: dict[str, Make] = {
    "blades": partial(shapes, long_mm=45, wide_mm=3),
    "fine blades": partial(shapes, long_mm=30, wide_mm=1.6),
    "blobs": partial(shapes, long_mm=16, wide_mm=16),
    "squares": partial(shapes, long_mm=8, wide_mm=8),
    "moss": partial(moss, grain_mm=12),
    "coarse moss": partial(moss, grain_mm=40),
}


def ground(rng: np.random.Generator, make: Make, number: int) -> tuple[np.ndarray, np.ndarray]:
    """Linear light of the lawn and what is beside it, (H, W, 3), top row farthest; where green is, (H, W)."""
    wide, deep = np.rint((LAWN_M.max(0) + 2 * BESIDE_M) * 1000 / GROUND_MM).astype(int)
    uneven = clouds(rng, (deep, wide), 450 / GROUND_MM, 1)
    cover = np.clip(MEANS[number % 5] + SPREADS[number % 5] * uneven, 0.04, CLOSEST).astype(np.float32)
    on, lit = make(rng, cover)
    grain = 0.25 * clouds(rng, cover.shape, 3, 1) + 0.15 * clouds(rng, cover.shape, 12, 1)
    light = np.array(SOILS[number % 4], np.float32) * np.exp(grain)[..., None]
    light[on] = (LEAF * np.exp(rng.normal(0, 0.12, 3)) * (0.35 + lit)[..., None])[on]
    beside = np.ones(on.shape, bool)
    rim = round(BESIDE_M * 1000 / GROUND_MM)
    beside[rim:-rim, rim:-rim] = False
    light[beside] = PAVING * np.exp(0.1 * clouds(rng, cover.shape, 8, 2))[beside][:, None]
    return light.astype(np.float32), on & ~beside


def with_card(light: np.ndarray) -> np.ndarray:
    """The card laid on the lawn; where it lies."""
    long, short = (round(side * 1000 / GROUND_MM) for side in PAPER_M)
    x, y = to_ground_px(np.array([CARD_M]))[0]
    rows, cols = (
        slice(round(at) - side // 2, round(at) - side // 2 + side) for at, side in ((y, short), (x, long))
    )
    light[rows, cols] = cv2.resize(card_texture(7), (long, short), interpolation=cv2.INTER_AREA)
    covered = np.zeros(light.shape[:2], bool)
    covered[rows, cols] = True
    return covered


def to_ground_px(points_m: np.ndarray) -> np.ndarray:
    """Lawn points (N, 2) to the drawn ground's pixels."""
    top = LAWN_M[:, 1].max() + BESIDE_M
    return (np.array([1, -1]) * points_m + (BESIDE_M, top)) * 1000 / GROUND_MM - 0.5


def photographed(rng: np.random.Generator, light: np.ndarray, number: int) -> tuple[Photo, View]:
    """The drawn ground by a phone, and the true view."""
    size, zenith = SIZES_PX[number % 3], np.radians(ZENITHS_DEG[number % 6])
    phone = replace(random_phone(rng), shake_px=0.0)
    height, middle = HEIGHTS_M[number % 5], LAWN_M.max(0) * (0.5, 0.45)
    camera = (middle[0], middle[1] - height * np.tan(zenith), height)
    focal_px = photo.focal_from_35mm(phone.focal_35mm, size)
    seen = look_at(camera, (*middle, 0.0), size_px=size, focal_px=focal_px, kind="lawn")
    step, fine = GROUND_MM / 1000, 2
    corner = LAWN_M[:, 1].max() + BESIDE_M - step / 2
    to_lawn = np.array([[step, 0, step / 2 - BESIDE_M], [0, -step, corner], [0, 0, 1]])
    finer = np.array([[fine, 0, (fine - 1) / 2], [0, fine, (fine - 1) / 2], [0, 0, 1]])
    large = cv2.warpPerspective(
        light, finer @ seen.plane @ to_lawn, (fine * size[0], fine * size[1]), borderValue=(0.3, 0.3, 0.3)
    )
    shown = np.maximum(cv2.resize(large, size, interpolation=cv2.INTER_AREA), 0)
    jpeg = shoot(
        shown, phone, seed=number, taken=datetime(2026, 5, 2, 12), white=max(1 / metered(shown), 0.62)
    )
    with tempfile.NamedTemporaryFile(suffix=".jpg") as file:
        file.write(jpeg)
        file.flush()
        return photo.read(Path(file.name)), seen


def true_cover(green: np.ndarray, covered: np.ndarray, x_m: float, y_m: float) -> float:
    """Cover of the cell with that middle; NaN where the card lies in it."""
    (left, bottom), (right, top) = to_ground_px(np.array([(x_m, y_m)]) + np.array([[-1], [1]]) * CELL_M / 2)
    rows, cols = slice(round(top), round(bottom)), slice(round(left), round(right))
    return float("nan") if covered[rows, cols].any() else float(green[rows, cols].mean())


def readings(shot: Photo, seen: View, green: np.ndarray, covered: np.ndarray) -> tuple[np.ndarray, bool]:
    """(N, 4) cover, its error, true cover, zenith of the cells seen; whether it was told as flat."""
    look = glance.look_through(shot, seen, cells.lawn_grid(LAWN_M, CELL_M), sighting=card_in(shot))
    table, found = look.table, []
    for k in np.flatnonzero((table.state == "seen") & (table.area_m2 > 0.99 * CELL_M**2)).tolist():
        true = true_cover(green, covered, float(table.x_m[k]), float(table.y_m[k]))
        found.append((table.cover[k], table.cover_se[k], true, table.zenith_deg[k]))
    rows = np.array(found).reshape(-1, 4)
    return rows[np.isfinite(rows[:, 2])], any("hides no ground" in line for line in look.warnings)


def line(name: str, rows: np.ndarray) -> str:
    off = rows[:, 0] - rows[:, 2]
    within = (100 * np.mean(np.abs(off) <= times * rows[:, 1]) for times in (1, 2))
    share = ", ".join(f"{part:.0f}" for part in within)
    return f"| {name} | {len(rows)} | {100 * np.abs(off).mean():.1f} | {100 * off.mean():+.1f} | {share} % |"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--count", type=int, default=18)
    parser.add_argument("--first", type=int, default=7000)
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    with_rule, without = [], []
    for number in range(asked.count):
        rng = np.random.default_rng(asked.first + number)
        name = list(MAKES)[number % len(MAKES)]
        light, green = ground(rng, MAKES[name], number)
        covered = with_card(light)
        shot, seen = photographed(rng, light, number)
        ruled, told = readings(shot, seen, green, covered)
        with patch.object(foreshortening, "lying", return_value=0.0):
            plain, _ = readings(shot, seen, green, covered)
        with_rule.append(ruled)
        without.append(plain)
        said = "told as flat" if told else "not told"
        print(line(f"{name}, {ZENITHS_DEG[number % 6]}°, {shot.size_px[0]} px, {said}", ruled), flush=True)
    print("| what | cells | off, points | bias | within 1, 2 errors |\n|---|---|---|---|---|")
    print(line("without the rule", np.concatenate(without)))
    print(line("with it", np.concatenate(with_rule)))


if __name__ == "__main__":
    main()
