"""Draw turf with pen and brush, with known truth, to train on: pictures that no light has made.

    python tools/draw_turf.py OUT --first 0 --count 240

Flat blades without shade, turf of nothing but noise, leaves of one even colour: turf as nobody rendered it.
What tools/make_training.py renders is of one make, and a network that has seen no other takes another's for
something else. Each picture: NAME.jpg, NAME-shares.png (four 8-bit channels in the order R, G, B, A: green,
straw, bare, other) and NAME.json (sample distance, the scene's name). All is invented, sizes and colours too.
"""

from __future__ import annotations

import colorsys
import json
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pool
from PIL import Image

GREEN, STRAW, BARE, OTHER = range(4)
SIZE_PX = (832, 624)
FINER = 2  # drawn so many times finer, and averaged down: shares, not classes
GSD_MM = (0.5, 1.6)
MOST_BLADES = 40_000
AS_NOISE, WITH_LEAVES, WITH_THINGS, WITH_STRAW = 0.2, 0.4, 0.15, 0.4  # shares of pictures with each of these


@dataclass
class Sheet:
    """What is drawn on: colours 0-255, (H, W, 3), and the class of each place, (H, W)."""

    rgb: np.ndarray
    kind: np.ndarray
    px_per_mm: float

    def put(self, shape: np.ndarray, colour: np.ndarray, kind: int) -> None:
        """Fill a polygon, (N, 2) in pixels."""
        cv2.fillPoly(self.rgb, [shape], colour.tolist())
        cv2.fillPoly(self.kind, [shape], kind)

    def shadow(self, shape: np.ndarray, by_px: np.ndarray, depth: float) -> None:
        """Darken what lies under a polygon's shadow."""
        moved = shape + by_px
        low, high = moved.min(0).clip(0), moved.max(0) + 1
        part = self.rgb[low[1] : high[1], low[0] : high[0]]
        if part.size:
            mask = np.zeros(part.shape[:2], np.uint8)
            cv2.fillPoly(mask, [moved - low], 1)
            part[mask > 0] = (part[mask > 0] * depth).astype(np.uint8)


def colour(rng: np.random.Generator, hue_deg: tuple[float, float], saturation, value) -> np.ndarray:
    """A colour 0-255, (3,), even between the limits."""
    hsv = rng.uniform(*hue_deg) / 360, rng.uniform(*saturation), rng.uniform(*value)
    return 255 * np.array(colorsys.hsv_to_rgb(*hsv))


def clouds(rng: np.random.Generator, shape: tuple[int, int], finest_px: float, octaves: int) -> np.ndarray:
    """Smooth noise, (H, W), mean 0 and spread 1."""
    total = np.zeros(shape, np.float32)
    for octave in range(octaves):
        step = finest_px * 2.0**octave
        small = rng.normal(size=[max(2, round(side / step)) + 1 for side in shape]).astype(np.float32)
        total += rng.uniform(0.3, 1) * cv2.resize(small, shape[::-1], interpolation=cv2.INTER_CUBIC)
    return (total - total.mean()) / total.std()


def ground(rng: np.random.Generator, shape: tuple[int, int]) -> np.ndarray:
    """Soil, sand, peat or clay, (H, W, 3) 0-255: of one colour, mottled, or grained."""
    base = colour(rng, (8, 45), (0.08, 0.55), (0.1, 0.8))
    grain = rng.choice([0, 0.06, 0.15, 0.3]) * clouds(rng, shape, rng.uniform(1, 4), int(rng.integers(1, 6)))
    broad = rng.uniform(0, 0.15) * clouds(rng, shape, 60, 3)
    hue = rng.uniform(0, 0.05) * clouds(rng, shape, 8, 3)[..., None] * np.array([1, 0, -1])
    return np.clip(base * np.exp(grain + broad)[..., None] * np.exp(hue), 0, 255).astype(np.uint8)


def blades(
    rng: np.random.Generator, sheet: Sheet, dense: np.ndarray, count: int, hue_deg: float, kind: int
) -> None:
    """Draw blades one over another, those below darker; where ``dense`` (0-1) is high there are more."""
    height, width = dense.shape
    x, y = rng.uniform(0, width, 4 * count), rng.uniform(0, height, 4 * count)
    keep = np.flatnonzero(rng.random(len(x)) < dense[y.astype(int), x.astype(int)])[:count]
    foot = np.stack([x, y], 1)[keep]
    count, mm = len(foot), sheet.px_per_mm
    if kind == GREEN:
        long = np.exp(rng.normal(np.log(rng.uniform(12, 60)), 0.35, count))
        wide = np.exp(rng.normal(np.log(rng.uniform(1.0, 3.5)), 0.2, count))
        base = colour(rng, (hue_deg - 4, hue_deg + 4), (0.25, 0.85), (0.22, 0.75))
    else:
        long, wide = rng.uniform(10, 60, count), rng.uniform(0.8, 3, count)
        base = colour(rng, (32, 52), (0.2, 0.6), (0.45, 0.95))
    lean = rng.uniform(0, 2 * np.pi)
    angle = np.where(
        rng.random(count) < rng.uniform(0, 0.7),
        rng.normal(lean, 0.5, count),
        rng.uniform(0, 2 * np.pi, count),
    )
    bend = rng.normal(0, rng.uniform(0, 0.9), count)
    t = np.linspace(0, 1, 5)
    turn = angle[:, None] + bend[:, None] * t
    step = long[:, None] * mm / (len(t) - 1)
    line = foot[:, None] + np.cumsum(np.stack([np.cos(turn), np.sin(turn)], -1) * step[..., None], 1)
    taper = 0.5 * wide[:, None] * mm * np.where(t < 0.5, 1, 2.1 - 2 * t).clip(0.1, 1)
    across = np.stack([-np.sin(turn), np.cos(turn)], -1) * taper[..., None]
    left = np.rint(np.concatenate([line, (line + across)[:, ::-1]], 1)).astype(np.int32)
    right = np.rint(np.concatenate([line, (line - across)[:, ::-1]], 1)).astype(np.int32)
    depth = 1 - rng.choice([0, 0.3, 0.6]) * (1 - np.arange(count) / max(count, 1))
    own = np.exp(
        rng.normal(0, rng.uniform(0, 0.2), (count, 1)) + rng.normal(0, rng.uniform(0, 0.08), (count, 3))
    )
    tone = np.clip(base * own * depth[:, None], 0, 255)
    folded = np.clip(tone * rng.choice([1, rng.uniform(0.7, 1.3)]), 0, 255)
    by_px = np.rint(rng.uniform(-8, 8, 2) * mm).astype(np.int32)
    dark = float(rng.uniform(0.35, 0.85)) if rng.random() < 0.4 else 1.0
    for k in range(count):
        if dark < 1:
            sheet.shadow(np.concatenate([left[k], right[k]]), by_px, dark)
        sheet.put(left[k], tone[k], kind)
        sheet.put(right[k], folded[k], kind)


def as_noise(rng: np.random.Generator, sheet: Sheet, dense: np.ndarray, hue_deg: float) -> None:
    """Turf of nothing but noise: green where a field is high, with grain of its own."""
    shape = dense.shape
    field = clouds(rng, shape, rng.uniform(1.5, 8) * sheet.px_per_mm, int(rng.integers(1, 4)))
    on = field > np.quantile(field, 1 - dense.mean()) + (dense.mean() - dense)
    grain = rng.uniform(0, 0.35) * clouds(rng, shape, rng.uniform(1, 6), int(rng.integers(1, 4)))
    tone = colour(rng, (hue_deg - 4, hue_deg + 4), (0.25, 0.8), (0.25, 0.7)) * np.exp(grain)[..., None]
    sheet.rgb[on] = np.clip(tone, 0, 255).astype(np.uint8)[on]
    sheet.kind[on] = GREEN


def leaves(rng: np.random.Generator, sheet: Sheet) -> None:
    """Fallen leaves of one tree: flat, of one colour or two, on top of all."""
    height, width = sheet.kind.shape
    base = colour(rng, (2, 48), (0.25, 0.85), (0.2, 0.85))
    long_mm, wide, lobes = rng.uniform(30, 95), rng.uniform(0.4, 0.9), rng.choice([0, 5, 7])
    area_px = 0.6 * (long_mm * sheet.px_per_mm) ** 2 * wide
    around = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    by_px = np.rint(rng.uniform(-5, 5, 2) * sheet.px_per_mm).astype(np.int32)
    for _ in range(1 + rng.poisson(rng.choice([0.03, 0.15, 0.6]) * height * width / area_px)):
        reach = 0.5 * long_mm * sheet.px_per_mm * np.exp(rng.normal(0, 0.2))
        radius = reach * (1 - (0.35 * (0.5 + 0.5 * np.cos(lobes * around)) if lobes else 0))
        outline = np.stack([radius * np.cos(around), radius * wide * np.sin(around)], 1)
        a = rng.uniform(0, 2 * np.pi)
        turned = outline @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
        shape = np.rint(turned + rng.uniform((0, 0), (width, height))).astype(np.int32)
        sheet.shadow(shape, by_px, 0.6)
        tone = np.clip(base * np.exp(rng.normal(0, 0.15) + rng.normal(0, 0.05, 3)), 0, 255)
        sheet.put(shape, tone, OTHER)
        if rng.random() < 0.6:
            rib = shape[[0, 20]]
            cv2.line(sheet.rgb, rib[0].tolist(), rib[1].tolist(), np.clip(1.3 * tone, 0, 255).tolist(), 2)


def things(rng: np.random.Generator, sheet: Sheet) -> None:
    """A thing or two of any colour but a leaf's: rounded, smooth or mottled."""
    height, width = sheet.kind.shape
    for _ in range(int(rng.integers(1, 3))):
        mask = np.zeros((height, width), np.uint8)
        at, axes = rng.uniform((0, 0), (width, height)), rng.uniform(20, 140, 2) * sheet.px_per_mm
        cv2.ellipse(mask, tuple(np.rint(at).astype(int).tolist()), tuple(np.rint(axes).astype(int).tolist()),
                    rng.uniform(0, 180), 0, 360, 1, -1)  # fmt: skip
        tone = colour(rng, (170, 420), (0.0, 0.9), (0.05, 0.95))
        round_ = cv2.distanceTransform(mask, cv2.DIST_L2, 5)
        body = tone * (0.5 + 0.5 * np.clip(round_ / (25 * sheet.px_per_mm), 0, 1))[..., None]
        body = body * np.exp(rng.uniform(0, 0.2) * clouds(rng, mask.shape, 3, 3))[..., None]
        sheet.rgb[mask > 0] = np.clip(body, 0, 255).astype(np.uint8)[mask > 0]
        sheet.kind[mask > 0] = OTHER


def drawn(seed: int) -> tuple[np.ndarray, np.ndarray, float]:
    """A picture, (H, W, 3) uint8; its shares, (H, W, 4) 0-1; its ground sample distance in mm."""
    rng = np.random.default_rng([seed, 81])
    gsd_mm = float(np.exp(rng.uniform(*np.log(GSD_MM))))
    shape = (FINER * SIZE_PX[1], FINER * SIZE_PX[0])
    sheet = Sheet(ground(rng, shape), np.full(shape, BARE, np.uint8), FINER / gsd_mm)
    if rng.random() < WITH_STRAW:
        blades(rng, sheet, np.full(shape, 0.5, np.float32), int(rng.uniform(50, 4000)), 0, STRAW)
    uneven = rng.choice([0, 0.3, 1.5]) * clouds(rng, shape, 120, 3)
    dense = 1 / (1 + np.exp(-uneven - rng.normal(0, 1.5)))
    hue_deg = rng.uniform(72, 142)
    if rng.random() < AS_NOISE:
        as_noise(rng, sheet, dense * rng.uniform(0, 1), hue_deg)
    else:
        count = int(MOST_BLADES * rng.uniform(0, 1) ** 2)
        blades(rng, sheet, dense, count, hue_deg, GREEN)
        if rng.random() < 0.4:
            blades(rng, sheet, dense, count // 12, 0, STRAW)
    if rng.random() < WITH_LEAVES:
        leaves(rng, sheet)
    if rng.random() < WITH_THINGS:
        things(rng, sheet)
    light = (sheet.rgb / 255.0) ** 2.2  # light is averaged, not codes
    small = cv2.resize(light.astype(np.float32), SIZE_PX, interpolation=cv2.INTER_AREA) ** (1 / 2.2)
    kinds = np.stack([sheet.kind == k for k in range(4)], -1).astype(np.float32)
    return (
        np.rint(255 * small).astype(np.uint8),
        cv2.resize(kinds, SIZE_PX, interpolation=cv2.INTER_AREA),
        gsd_mm,
    )


def make(out: Path, seed: int) -> str:
    """Write one picture with its truth."""
    rgb, shares, gsd_mm = drawn(seed)
    name = f"drawn-{seed}-0"
    Image.fromarray(rgb).save(out / f"{name}.jpg", quality=int(np.random.default_rng(seed).integers(75, 98)))
    steps = (17 * np.rint(shares * 15)).astype(np.uint8)
    Image.fromarray(steps, "RGBA").save(out / f"{name}-shares.png", compress_level=1)
    facts = {"scene": f"drawn-{seed}", "gsd_mm": gsd_mm}
    (out / f"{name}.json").write_text(json.dumps(facts), encoding="utf-8")
    return f"{seed}: {' '.join(f'{share:.2f}' for share in shares.mean((0, 1)))}"


if __name__ == "__main__":
    pool.main(make, __doc__)
