"""The four edges of a mark: lines along them, and its corners where they meet, to a fraction of a pixel."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

from turfeye.colourspace import decode
from turfeye.records import Bytes, Floats

LINEAR: Final = decode(np.arange(256.0)).astype(np.float32)
"""A sensor averages light, not codes: in coded values every black square looks smaller than it is."""


def sharpened(gray: Bytes, guess_px: Floats) -> Floats:
    """Corners (4, 2) of a black square, clockwise as seen, where lines along its edges meet, from a guess.

    Better than a corner search: it uses the whole edge and shrugs off a blade that lies over part of it.
    The guess comes back as it is where the picture's rim cuts the square, and where none is there to sharpen.
    """
    px = guess_px
    size = np.array(gray.shape[::-1])
    if (px < 0).any() or (px > size - 1).any():
        return guess_px  # cut by the picture's edge: its own edges can't all be measured
    furthest = max(2.5, cv2.contourArea(px.astype(np.float32)) ** 0.5 / 6)
    for _ in range(3):
        before, px = px, _edges_meet(gray, px)
        # Edges that run alike meet nowhere, or far off: no marker is there to sharpen.
        if not np.isfinite(px).all() or np.abs(px - before).max() > furthest:
            return guess_px
        if np.abs(px - before).max() < 0.02:
            break
    strayed = np.linalg.norm(px - guess_px, axis=1).max() > furthest
    return guess_px if strayed else px


def _edges_meet(gray: Bytes, px: Floats) -> Floats:
    """One round: measure each edge along its length, fit its line, intersect neighbours; (4, 2)."""
    start, along = px, np.roll(px, -1, axis=0) - px
    length = np.linalg.norm(along, axis=1)
    outward = np.stack([along[:, 1], -along[:, 0]], axis=1) / length[:, None]  # corners run clockwise, y down
    area = cv2.contourArea(px.astype(np.float32))
    reach = np.clip(0.85 * area / length / 8, 1.0, 14.0)  # within the black border, and as far into the white
    share = np.linspace(0.1, 0.9, 24)
    step = np.linspace(-1, 1, 41)
    base = start[:, None] + share[None, :, None] * along[:, None]  # (4, 24, 2)
    places = base[:, :, None] + (step[None, :] * reach[:, None])[:, None, :, None] * outward[:, None, None]
    outermost = places[:, [0, 0, -1, -1], [0, -1, 0, -1]].reshape(-1, 2)
    low = np.floor(outermost.min(axis=0)).astype(int) - 1
    high = np.ceil(outermost.max(axis=0)).astype(int) + 2
    height, width = gray.shape
    low, high = np.clip(low, 0, None), np.minimum(high, [width, height])
    part = LINEAR[gray[low[1] : high[1], low[0] : high[0]]]
    at = (places - low).astype(np.float32).reshape(4, -1, 2)
    light = cv2.remap(
        part, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    ).reshape(4, 24, 41)
    black = _middle(light[:, :, :8].min(axis=2))[:, :, None]
    white = _middle(light[:, :, -8:].max(axis=2))[:, :, None]
    rise = np.clip((light - black) / np.maximum(white - black, 1e-6), 0, 1)
    offset = (1 - 2 * rise.mean(axis=2)) * reach[:, None]  # how far outside the guess the edge lies
    lines = _lines(share, offset)
    ends = np.stack([lines[:, 0], lines.sum(axis=1)], axis=1)  # offsets at share 0 and 1
    a = start + ends[:, :1] * outward
    b = start + along + ends[:, 1:] * outward
    return np.stack([_meet(a[k - 1], b[k - 1], a[k], b[k]) for k in range(4)])


def _lines(x: Floats, y: Floats) -> Floats:
    """Robust straight lines y = c0 + c1 x, (K, 2), through (N,) and (K, N); outliers lose their weight."""
    weight = np.ones_like(y)
    for _ in range(4):
        total = weight.sum(axis=1, keepdims=True)
        x_mean, y_mean = (
            (weight * x).sum(axis=1, keepdims=True) / total,
            (weight * y).sum(axis=1, keepdims=True) / total,
        )
        slope = (weight * (x - x_mean) * (y - y_mean)).sum(axis=1, keepdims=True)
        slope = slope / (weight * (x - x_mean) ** 2).sum(axis=1, keepdims=True)
        off = np.abs(y - y_mean - slope * (x - x_mean))
        usual = np.maximum(1.5 * _middle(off), 0.02)
        weight = 1 / (1 + (off / usual) ** 2) ** 2
    return np.asarray(np.hstack([y_mean - slope * x_mean, slope]))


def _middle(rows: Floats) -> Floats:
    """Median of each row, (K, 1): NumPy's own takes ten times as long on so few numbers."""
    ranked = np.sort(rows, axis=1)
    n = rows.shape[1]
    return (ranked[:, [(n - 1) // 2]] + ranked[:, [n // 2]]) / 2


def _meet(a: Floats, b: Floats, c: Floats, d: Floats) -> Floats:
    """Where the line through a and b meets the line through c and d."""
    ab, cd = b - a, d - c
    across = ab[0] * cd[1] - ab[1] * cd[0]
    if abs(across) < 1e-9:
        return np.full(2, np.nan)
    share = ((c - a)[0] * cd[1] - (c - a)[1] * cd[0]) / across
    return a + share * ab
