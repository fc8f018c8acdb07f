"""Procedural surfaces for surroundings: (h, w, 3) float32 linear reflectance, seamless, from a seed."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import ArrayLike

from turfeye.records import Floats

SIZE_PX = 768
GAP = 0.004  # between boards, of a texture's width


def clouds(
    rng: np.random.Generator, *, slope: float = 1.6, stretch: float = 1.0, size_px: int = SIZE_PX
) -> Floats:
    """Seamless 1/f^slope noise, mean 0, sd 1; ``stretch`` above 1 draws it out along y."""
    fy, fx = np.fft.fftfreq(size_px)[:, None] * stretch, np.fft.rfftfreq(size_px)[None, :]
    weight = 1.0 / np.maximum(np.hypot(fx, fy), 1.0 / size_px) ** slope
    weight[0, 0] = 0.0
    noise = np.fft.irfft2(
        np.fft.rfft2(rng.standard_normal((size_px, size_px))) * weight, s=(size_px, size_px)
    )
    return (noise / noise.std()).astype(np.float32)


def _reflectance(rgb_linear: Floats) -> Floats:
    """Held to what surfaces give back: nothing is black or brighter than fresh paint."""
    return np.clip(rgb_linear, 0.004, 0.9).astype(np.float32)


def plaster(rng: np.random.Generator, rgb_linear: ArrayLike) -> Floats:
    """Painted render, concrete or tarmac: fine grain, soft stains."""
    tone = np.exp(0.06 * clouds(rng, slope=0.4) + 0.07 * clouds(rng, slope=2.0))
    return _reflectance(tone[..., None] * np.asarray(rgb_linear, np.float32))


def blocks(
    rng: np.random.Generator,
    rgb_linear: ArrayLike,
    *,
    across: int,
    down: int,
    joint: float,
    bond: float = 0.5,
    vary: float = 0.12,
    joint_rgb: ArrayLike = (0.12, 0.11, 0.09),
) -> Floats:
    """Slabs, setts or bricks: ``across`` × ``down`` a tile, each row shifted by ``bond`` of a block."""
    down += down % 2 if bond else 0
    y, x = np.mgrid[0:SIZE_PX, 0:SIZE_PX].astype(np.float32) / SIZE_PX
    row = np.floor(y * down).astype(int)
    along = (x * across + bond * (row % 2)) % across
    column = np.floor(along).astype(int) % across
    edge = np.minimum.reduce(
        [along % 1 / across, (1 - along % 1) / across, y * down % 1 / down, (1 - y * down % 1) / down]
    )
    edge = edge + 0.0012 * clouds(rng, slope=1.0)
    tone = np.exp(rng.normal(0, vary, (down, across, 1)) + rng.normal(0, vary * 0.3, (down, across, 3)))
    face = (
        tone[row % down, column]
        * np.exp(0.07 * clouds(rng, slope=0.6) + 0.08 * clouds(rng, slope=1.9))[..., None]
    )
    solid = np.clip((edge - joint / 2) / 0.0025, 0, 1)[..., None]
    return _reflectance(solid * face * np.asarray(rgb_linear) + (1 - solid) * np.asarray(joint_rgb))


def crumbs(
    rng: np.random.Generator,
    rgb_linear: ArrayLike,
    *,
    count: int,
    vary: float = 0.25,
    stretch: float = 1.0,
) -> Floats:
    """Gravel, soil crumbs or bark chips: irregular pieces, each with its own tone and a dark rim."""
    reach = np.ones((SIZE_PX, max(int(SIZE_PX / stretch), 8)), np.uint8)
    reach[rng.integers(0, reach.shape[0], count), rng.integers(0, reach.shape[1], count)] = 0
    distance, label = cv2.distanceTransformWithLabels(reach, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    tone = np.exp(
        rng.normal(0, vary, (label.max() + 1, 1)) + rng.normal(0, vary * 0.25, (label.max() + 1, 3))
    )
    rim = np.clip(1.15 - distance / (1.6 * np.sqrt(reach.size / count)), 0.35, 1.0)
    pieces = (tone[label] * rim[..., None]).astype(np.float32)
    pieces = cv2.resize(pieces, (SIZE_PX, SIZE_PX), interpolation=cv2.INTER_LINEAR)
    pieces *= np.exp(0.10 * clouds(rng, slope=1.8))[..., None]
    return _reflectance(pieces * np.asarray(rgb_linear, np.float32))


def timber(rng: np.random.Generator, rgb_linear: ArrayLike, *, boards: int) -> Floats:
    """Upright boards side by side, with grain, weathering and dark gaps."""
    x = np.arange(SIZE_PX, dtype=np.float32)[None, :] / SIZE_PX * boards
    board = np.floor(x).astype(int) % boards
    tone = np.exp(rng.normal(0, 0.10, (boards, 1)) + rng.normal(0, 0.03, (boards, 3)))
    grain = np.exp(0.10 * clouds(rng, slope=1.0, stretch=14.0) + 0.10 * clouds(rng, slope=1.8))
    lap = 1.0 - 0.25 * (x % 1) ** 6  # each board's far edge lies in the next one's shade
    inside = np.clip((np.minimum(x % 1, 1 - x % 1) / boards - GAP / 2) / 0.002, 0.08, 1)
    return _reflectance(tone[board] * (grain * lap * inside)[..., None] * np.asarray(rgb_linear))
