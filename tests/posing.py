"""Photographs of a drawn card at a known pose, made here for the tests: a plane seen by a pinhole camera."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np

from turfeye import card
from turfeye.card_layout import CARD
from turfeye.colourspace import decode, encode
from turfeye.records import Photo


def photo_of(rgb_coded, focal_px=None) -> Photo:
    return Photo(Path("made.jpg"), np.ascontiguousarray(rgb_coded), None, None, focal_px, None, "0" * 64)


def homography_of(*, focal_px, size_px, distance_m, tilt_deg, turn_deg=0.0, roll_deg=0.0, at_px=None):
    """Card metres to pixels: the card's centre at ``at_px``, ``distance_m`` away, its plane tilted."""
    width, height = size_px
    tilt, turn, roll = np.radians([tilt_deg, turn_deg, roll_deg])
    about_z = [[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]]
    about_x = [[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]]
    spin = [[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]]
    flip = np.diag([1.0, -1.0, -1.0])  # camera y runs down, z away from it
    rotation = np.array(spin) @ flip @ np.array(about_x) @ np.array(about_z)
    matrix = np.array([[focal_px, 0, (width - 1) / 2], [0, focal_px, (height - 1) / 2], [0, 0, 1.0]])
    at_px = np.array([(width - 1) / 2, (height - 1) / 2] if at_px is None else at_px)
    centre = np.linalg.solve(matrix, [*at_px, 1.0]) * distance_m
    return matrix @ np.column_stack([rotation[:, 0], rotation[:, 1], centre])


def through(homography, points):
    mapped = np.asarray(points) @ homography[:, :2].T + homography[:, 2]
    return mapped[..., :2] / mapped[..., 2:]


def grassy(size_px, seed=0):
    """Blade-like streaks in greens and browns, (H, W, 3) linear light."""
    width, height = size_px
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((height, width)).astype(np.float32)
    streaks = cv2.GaussianBlur(noise, (0, 0), 1.2) + 1.5 * cv2.GaussianBlur(
        noise, (0, 0), sigmaX=0.8, sigmaY=6
    )
    patches = cv2.resize(
        rng.standard_normal((6, 9)).astype(np.float32), size_px, interpolation=cv2.INTER_CUBIC
    )
    green = np.clip(0.5 + 0.5 * streaks / streaks.std() + 0.3 * patches, 0, 1)[..., None]
    return green * np.array([0.10, 0.20, 0.04]) + (1 - green) * np.array([0.10, 0.07, 0.05])


def shoot(
    homographies,
    size_px,
    *,
    seed=0,
    blur_px=0.0,
    noise=0.004,
    gain=(1.0, 1.0, 1.0),
    over=3,
    light=None,
    lie=None,
):
    """Cards {spot: homography} on grass, (H, W, 3) coded. Averaged in linear light, as a sensor does.

    light : (H, W) factor on the scene's light; lie(linear) -> linear puts things on top
    """
    scene = grassy(size_px, seed).astype(np.float32)
    for spot, homography in homographies.items():
        scene = _lay(scene, spot, homography, over)
    if lie is not None:
        scene = lie(scene)
    if light is not None:
        scene = scene * light[..., None]
    scene = scene * np.asarray(gain, np.float32)
    if blur_px:
        scene = cv2.GaussianBlur(scene, (0, 0), blur_px)
    scene = scene + np.random.default_rng(seed + 1).normal(0, noise, scene.shape).astype(np.float32)
    return np.rint(encode(scene)).astype(np.uint8)


@lru_cache(maxsize=8)
def _flat(spot, dpi):
    return decode(np.arange(256.0)).astype(np.float32)[card.draw(spot, dpi=dpi)]


def _lay(scene, spot, homography, over):
    height, width = scene.shape[:2]
    outline = through(homography, CARD.corners_mm / 1000)
    low = np.clip(np.floor(outline.min(axis=0)) - 2, 0, None).astype(int)
    high = np.minimum(np.ceil(outline.max(axis=0)) + 3, [width, height]).astype(int)
    longest = np.linalg.norm(outline - np.roll(outline, 1, axis=0), axis=1).max()
    wanted = longest * over / (CARD.width_mm / 25.4)
    flat = _flat(spot, next((dpi for dpi in (50, 100, 200) if dpi >= wanted), 300))
    rows, cols = flat.shape[:2]
    to_flat = np.array([[cols / 0.26, 0, cols / 2 - 0.5], [0, -rows / 0.19, rows / 2 - 0.5], [0, 0, 1]])
    fine = np.array(
        [[over, 0, (over - 1) / 2 - over * low[0]], [0, over, (over - 1) / 2 - over * low[1]], [0, 0, 1]]
    )
    size = tuple(int(v) for v in (high - low) * over)
    warp = fine @ homography @ np.linalg.inv(to_flat)
    layer = np.dstack([flat, np.ones((rows, cols), np.float32)])
    placed = cv2.warpPerspective(layer, warp, size, flags=cv2.INTER_LINEAR)
    placed = cv2.resize(placed, None, fx=1 / over, fy=1 / over, interpolation=cv2.INTER_AREA)
    out = scene.copy()
    part = out[low[1] : high[1], low[0] : high[0]]
    part[:] = placed[..., :3] + (1 - placed[..., 3:]) * part
    return out
