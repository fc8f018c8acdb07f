"""Render small garden pictures with a painted lawn, to train the lawn region on many gardens at little cost.

    python tools/quick_gardens.py OUT --first 0 --count 200

The lawn is a flat sheet whose picture holds grass, straw, bare soil, pale and missed parts; at this size (416
pixels across) blades would not be seen anyway. Each picture: NAME.jpg, NAME-lawn.png (255 = lawn) and
NAME-bare.png (255 = bare or straw part of the lawn).
"""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
import pool

from turfeye.simulate import surfaces
from turfeye.simulate.garden import make_garden
from turfeye.simulate.mesh import Part
from turfeye.simulate.phone import random_phone, shoot
from turfeye.simulate.render import Light, Stage, look_at
from turfeye.simulate.turf import GREEN
from turfeye.view import focal_from_35mm

PATCH_PX = 768
LONG_PX, SHORT_PX = 416, 312


def random_outline(rng: np.random.Generator) -> np.ndarray:
    """Four to seven corners, anticlockwise, first side towards the camera."""
    wide, deep = rng.uniform(3.0, 12.0), rng.uniform(3.0, 12.0)
    corners = np.array([[0, 0], [wide, 0], [wide, deep], [0, deep]], float)
    corners[2:] += rng.normal(0, 0.08, (2, 2)) * [wide, deep]
    if rng.random() < 0.3:  # a cut-off corner
        k, share = int(rng.integers(2, 4)), rng.uniform(0.15, 0.4)
        before, after = corners[k - 1], corners[(k + 1) % 4]
        cut = [corners[k] + share * (before - corners[k]), corners[k] + share * (after - corners[k])]
        corners = np.concatenate([corners[:k], cut, corners[k + 1 :]])
    return corners


def spots(rng: np.random.Generator, share: float) -> np.ndarray:
    """(P, P) 0-1: cloudy patches that take about ``share`` of the ground, some discs and strips."""
    field = surfaces.clouds(rng, slope=rng.uniform(0.9, 2.0), size_px=PATCH_PX)
    field = field + 0.5 * surfaces.clouds(rng, slope=0.3, size_px=PATCH_PX)
    cut = np.quantile(field, 1 - np.clip(share, 0.001, 0.999))
    mask = np.clip((field - cut) * rng.uniform(1.0, 5.0) + 0.5, 0, 1)
    drawn = np.zeros((PATCH_PX, PATCH_PX), np.float32)
    for _ in range(int(rng.integers(0, 4))):
        centre = tuple(int(v) for v in rng.integers(0, PATCH_PX, 2))
        if rng.random() < 0.6:
            axes = tuple(int(v) for v in rng.integers(20, 150, 2))
            cv2.ellipse(drawn, centre, axes, float(rng.uniform(0, 180)), 0, 360, 1.0, -1)
        else:
            x, width = centre[0], int(rng.integers(15, 60))
            drawn[:, x : x + width] = 1.0
    soft = cv2.GaussianBlur(drawn, (0, 0), float(rng.uniform(2, 15)))
    return np.clip(np.maximum(mask, soft * (rng.random() < 0.7)), 0, 1)


def lawn_picture(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Linear reflectance (P, P, 3) of a whole lawn from above, and its share that is not green (P, P)."""
    green = np.array(GREEN) * rng.uniform(0.7, 1.5) * rng.uniform([0.8, 0.9, 0.7], [1.4, 1.1, 1.4])
    soil = np.array([(0.165, 0.112, 0.072), (0.085, 0.06, 0.042), (0.29, 0.225, 0.155), (0.42, 0.33, 0.215),
                     (0.05, 0.036, 0.027), (0.23, 0.125, 0.07)][rng.integers(6)])  # fmt: skip
    state = rng.choice(["good", "patchy", "thin", "bare", "straw"], p=[0.25, 0.3, 0.2, 0.15, 0.1])
    bare_share = {"good": 0.01, "patchy": 0.25, "thin": 0.5, "bare": 0.93, "straw": 0.1}[str(state)]
    straw_share = {"good": 0.03, "patchy": 0.15, "thin": 0.15, "bare": 0.1, "straw": 0.7}[str(state)]
    grain = np.exp(0.25 * surfaces.clouds(rng, slope=0.2, size_px=PATCH_PX))
    broad = np.exp(0.12 * surfaces.clouds(rng, slope=1.8, size_px=PATCH_PX))
    picture = green * (grain * broad)[..., None]
    pale = spots(rng, rng.uniform(0.0, 0.15))[..., None]
    picture = picture * (1 - pale) + pale * picture * np.array([1.7, 1.4, 1.2])
    straw = spots(rng, straw_share * rng.uniform(0.5, 1.3))[..., None]
    picture = picture * (1 - straw) + straw * np.array([0.30, 0.24, 0.13]) * (grain * broad)[..., None]
    bare = spots(rng, min(bare_share * rng.uniform(0.5, 1.3), 0.97))[..., None]
    crumbs = surfaces.crumbs(rng, soil, count=30000, vary=0.25)
    picture = picture * (1 - bare) + bare * crumbs
    if rng.random() < 0.2:  # mowing stripes
        across = np.sin(np.arange(PATCH_PX) * 2 * np.pi / rng.uniform(30, 90))
        picture = picture * (1 + 0.12 * np.sign(across))[None, :, None]
    return np.clip(picture, 0.004, 0.9).astype(np.float32), np.maximum(straw, bare)[..., 0]


def lawn_sheet(outline: np.ndarray, texture: np.ndarray) -> Part:
    """The painted lawn, 2 cm above the beds; the picture spans the outline's bounding box once."""
    points = np.concatenate([outline, outline.mean(0, keepdims=True)])
    low, high = outline.min(0), outline.max(0)
    count = len(outline)
    faces = [[k, (k + 1) % count, count] for k in range(count)]
    vertices = np.column_stack([points, np.full(count + 1, 0.02)]).astype(np.float32)
    uv = ((points - low) / (high - low) * 0.999).astype(np.float32)
    return Part("lawn", "green", vertices, np.array(faces), texture=texture, uv=uv, lawn=True)


def make(out: Path, seed: int) -> str:
    """One picture with its truth."""
    start = time.time()
    rng = np.random.default_rng([seed, 20260402])
    outline = random_outline(rng)
    span = outline.max(0) - outline.min(0)
    upstairs = rng.random() < 0.35
    height = rng.uniform(3.2, 6.0) if upstairs else rng.uniform(1.35, 1.9)
    camera = np.array([span[0] * rng.uniform(-0.05, 1.05), -rng.uniform(0.1, 2.5), height])
    parts = make_garden(outline, rng, camera_m=camera)
    texture, off_green = lawn_picture(rng)
    size = (LONG_PX, SHORT_PX) if rng.random() < 0.75 else (SHORT_PX, LONG_PX)
    focal = focal_from_35mm(rng.uniform(24, 28), size)
    target = [*(outline.mean(0) + rng.normal(0, 0.12, 2) * span), rng.uniform(0.0, 0.6)]
    view = look_at(camera, target, size_px=size, focal_px=focal, kind="lawn")
    light = Light(
        sun_elevation_deg=rng.uniform(12, 62), sun_azimuth_deg=rng.uniform(0, 360),
        turbidity=rng.uniform(2, 7), sky=str(rng.choice(["clear", "shade", "overcast"], p=[0.5, 0.15, 0.35])),
    )  # fmt: skip
    picture = Stage([*parts, lawn_sheet(outline, texture)], light, bounces=3).photograph(
        view, spp=14, seed=seed
    )
    phone = random_phone(rng, mishaps=seed % 3 == 0)
    phone = replace(phone, electrons_at_white=phone.electrons_at_white * 4)  # small pictures: noise averaged
    taken = datetime(2026, 3, 1, 12, 0)
    (out / f"quick{seed:05d}.jpg").write_bytes(shoot(picture.rgb_linear, phone, seed=seed, taken=taken))
    lawn = picture.lawn > 0.5
    cv2.imwrite(str(out / f"quick{seed:05d}-lawn.png"), lawn.astype(np.uint8) * 255)
    cv2.imwrite(
        str(out / f"quick{seed:05d}-bare.png"),
        (lawn & _seen(view, outline, off_green)).astype(np.uint8) * 255,
    )
    return f"{seed}: {time.time() - start:.1f} s"


def _seen(view, outline: np.ndarray, picture: np.ndarray) -> np.ndarray:
    """Where the camera sees the parts of a lawn's picture that are above one half."""
    low, high = outline.min(0), outline.max(0)
    u, v = np.meshgrid(np.arange(view.size_px[0]), np.arange(view.size_px[1]))
    rays = np.stack([u, v, np.ones_like(u)], -1) @ np.linalg.inv(view.camera_matrix).T @ view.rotation
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (0.02 - view.camera_m[2]) / rays[..., 2]
    ground = view.camera_m[:2] + t[..., None] * rays[..., :2]
    place = np.where((t > 0)[..., None], (ground - low) / (high - low), -1.0)
    at = np.clip(place * PATCH_PX, -1, PATCH_PX)
    map_x, map_y = at[..., 0].astype(np.float32), at[..., 1].astype(np.float32)
    seen = cv2.remap(picture.astype(np.float32), map_x, map_y, cv2.INTER_LINEAR, borderValue=0)
    return seen > 0.5


if __name__ == "__main__":
    pool.main(make, __doc__)
