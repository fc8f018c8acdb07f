"""An invented yard of textured planes, photographed from anywhere: only its lawn changes."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np

from turfeye.records import Photo, View

OUTLINE_M = np.array([[0.0, 0.0], [8.0, 0.0], [8.0, 6.0], [0.0, 6.0]])
PX_PER_M = 90


def _noise(rng, rows, cols, scales):
    out = np.zeros((rows, cols), np.float32)
    for scale in scales:
        coarse = rng.standard_normal((max(2, int(rows / scale) + 2), max(2, int(cols / scale) + 2))).astype(
            np.float32
        )
        out += cv2.resize(coarse, (cols, rows), interpolation=cv2.INTER_CUBIC)
    return out / out.std()


def _tinted(base, grain):
    return np.clip(np.array(base, np.float32) * (1 + 0.16 * grain[..., None]), 0, 1)


@lru_cache(maxsize=32)
def _boards(seed, width_m, height_m, step_m, base, flat):
    """Boards, bricks or slabs: pieces in rows, each its own tone, with dark joints, grain and stains."""
    rng = np.random.default_rng(seed)
    rows, cols = int(height_m * PX_PER_M), int(width_m * PX_PER_M)
    tall = int(PX_PER_M * (step_m if flat else height_m))
    wide = int(PX_PER_M * step_m * (1.5 if flat else 1))
    i, j = (
        np.arange(rows)[:, None] // tall,
        (np.arange(cols)[None] + (np.arange(rows)[:, None] // tall % 2) * wide // 2) // wide,
    )
    tone = rng.normal(0, 0.8, (rows // tall + 2, cols // wide + 3))[i, j]
    joint = ((np.arange(rows)[:, None] % tall) < 2) | (
        ((np.arange(cols)[None] + (np.arange(rows)[:, None] // tall % 2) * wide // 2) % wide) < 2
    )
    grain = tone + 0.8 * _noise(rng, rows, cols, (2, 5, 14, 40)) - 2.5 * joint
    return _tinted(base, grain.astype(np.float32))


@lru_cache(maxsize=16)
def _lawn(cover, seed):
    rng = np.random.default_rng(seed)
    rows, cols = int(6 * PX_PER_M), int(8 * PX_PER_M)
    green = (_noise(rng, rows, cols, (1.5, 3, 30)) < 6 * (cover - 0.5))[..., None]
    soil = _tinted((0.16, 0.11, 0.07), _noise(rng, rows, cols, (2, 6, 25)))
    blades = _tinted((0.10, 0.20, 0.05), _noise(rng, rows, cols, (1.5, 4)))
    return np.where(green, blades, soil).astype(np.float32)


def _planes(cover, lawn_seed, yard):
    """Far to near: corner, the two sides, texture (its upper left at corner + second side)."""
    return [
        ((-25, 24, 0), (60, 0, 0), (0, 0, 7), _boards(yard + 1, 60, 7, 2.3, (0.35, 0.25, 0.2), True)),
        ((-12, -6, 0), (34, 0, 0), (0, 30, 0), _boards(yard + 2, 34, 30, 0.6, (0.42, 0.40, 0.37), True)),
        ((0, 0, 0), (8, 0, 0), (0, 6, 0), _lawn(cover, lawn_seed)),
        ((-8, 8.5, 0), (24, 0, 0), (0, 0, 1.8), _boards(yard + 3, 24, 1.8, 0.15, (0.30, 0.20, 0.12), False)),
        (
            (-2.5, -3, 0),
            (0, 11.5, 0),
            (0, 0, 2.2),
            _boards(yard + 4, 11.5, 2.2, 0.12, (0.40, 0.18, 0.12), True),
        ),
        ((8.8, 5.2, 0), (2.2, 0, 0), (0, 0, 2.1), _boards(yard + 5, 2.2, 2.1, 0.2, (0.25, 0.3, 0.32), False)),
        ((-1.4, 3.0, 0), (0.9, 0, 0), (0, 0, 0.9), _boards(yard + 6, 0.9, 0.9, 0.1, (0.15, 0.3, 0.12), True)),
    ]


def view_from(camera_m, look_at_m, *, focal_px=800.0, size_px=(1000, 700), roll_deg=0.0):
    """A camera's view of the yard."""
    camera = np.asarray(camera_m, float)
    ahead = np.asarray(look_at_m, float) - camera
    ahead /= np.linalg.norm(ahead)
    right = np.cross(ahead, [0, 0, 1.0])
    right /= np.linalg.norm(right)
    level = np.stack([right, np.cross(ahead, right), ahead])
    roll = np.radians(roll_deg)
    rotation = (
        np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]]) @ level
    )
    matrix = np.array([[focal_px, 0, (size_px[0] - 1) / 2], [0, focal_px, (size_px[1] - 1) / 2], [0, 0, 1.0]])
    return View("lawn", size_px, matrix, rotation, -rotation @ camera, "given", 0.5)


def photograph(
    view,
    *,
    cover=0.3,
    lawn_seed=0,
    yard=0,
    light=(1.0, 1.0, 1.0),
    shade=None,
    noise=0.01,
    seed=0,
    focal_known=True,
):
    """The yard as a Photo; averaged over a 2 x 2 grid a pixel, light in linear values."""
    width, height = view.size_px
    over = 2
    scene = np.full((height * over, width * over, 3), (0.55, 0.62, 0.75), np.float32)
    fine = np.array([[over, 0, (over - 1) / 2], [0, over, (over - 1) / 2], [0, 0, 1.0]])
    for corner, first, second, texture in _planes(cover, lawn_seed, yard):
        rows, cols = texture.shape[:2]
        own = np.array([[1 / cols, 0, 0.5 / cols], [0, -1 / rows, 1 - 0.5 / rows], [0, 0, 1]])
        plane = np.column_stack([first, second, corner]).astype(float)
        warp = view.camera_matrix @ (view.rotation @ plane + np.outer(view.translation, [0, 0, 1])) @ own
        _paste(scene, fine @ warp, texture)
    scene = cv2.resize(scene, (width, height), interpolation=cv2.INTER_AREA)
    if shade is not None:  # a soft edge across the picture
        x, y = np.meshgrid(np.linspace(-1, 1, width), np.linspace(-1, 1, height))
        scene *= (0.45 + 0.55 / (1 + np.exp(-8 * (np.cos(shade) * x + np.sin(shade) * y))))[..., None].astype(
            np.float32
        )
    scene = scene * np.array(light, np.float32)
    scene += np.random.default_rng(seed + 99).normal(0, noise, scene.shape).astype(np.float32)
    coded = np.rint(255 * np.clip(scene, 0, 1) ** (1 / 2.2)).astype(np.uint8)
    return Photo(Path("yard.jpg"), coded, None, None, view.focal_px if focal_known else None, None, "0" * 64)


def _on_plane(warp, texture, x, y):
    """Texture pixel and depth of scene pixels, and whether the plane is seen there."""
    inverse = np.linalg.inv(warp).astype(np.float32)
    u, v, w = (row[0] * x + row[1] * y + row[2] for row in inverse)
    with np.errstate(divide="ignore", invalid="ignore"):
        u, v = u / w, v / w
        depth = np.float32(warp[2, 0]) * u + np.float32(warp[2, 1]) * v + np.float32(warp[2, 2])
    rows, cols = texture.shape[:2]
    here = (depth > 0.05) & (u > -0.5) & (u < cols - 0.5) & (v > -0.5) & (v < rows - 0.5)
    return u, v, depth, here


def _paste(scene, warp, texture, *, step=8):
    """Draw the plane where it lies before the camera; looked for on every eighth pixel first."""
    y, x = (np.arange(size, dtype=np.float32) for size in scene.shape[:2])
    coarse = _on_plane(warp, texture, x[None, ::step], y[::step, None])[3]
    if not coarse.any():
        return
    (top, bottom), (left, right) = (np.flatnonzero(coarse.any(axis=k))[[0, -1]] * step for k in (1, 0))
    part = np.s_[max(top - step, 0) : bottom + step, max(left - step, 0) : right + step]
    scene = scene[part]
    u, v, depth, here = _on_plane(warp, texture, x[None, part[1]], y[part[0], None])
    # coarser copies for the far parts, or they would sparkle
    size = np.float32(np.sqrt(np.abs(np.linalg.det(warp)))) / np.maximum(np.abs(depth), 1e-6) ** 1.5
    level = np.clip(np.round(-np.log2(np.maximum(size, 1e-6))), 0, 5).astype(np.int8)
    small = texture
    for k in range(6):
        now = here & (level == k)
        if now.any():
            top, bottom = np.flatnonzero(now.any(axis=1))[[0, -1]]
            left, right = np.flatnonzero(now.any(axis=0))[[0, -1]]
            box = np.s_[top : bottom + 1, left : right + 1]
            at = [((place[box] + 0.5) / 2**k - 0.5).astype(np.float32) for place in (u, v)]
            drawn = cv2.remap(small, *at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            scene[box][now[box]] = drawn[now[box]]
        small = cv2.resize(small, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
