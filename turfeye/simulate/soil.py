"""The ground of an invented turf: a height grid with crumbs, its mesh, and the stones in it."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from turfeye.records import Floats, Whole
from turfeye.simulate.fields import fractal, hashed, noise, scatter
from turfeye.simulate.mesh import Part
from turfeye.simulate.shapes import grid_faces
from turfeye.simulate.turf import SOILS, Box, Turf, lawn_part


@dataclass(frozen=True, eq=False)
class Ground:
    """The soil's surface as a height grid; `height_m` reads it anywhere."""

    x0_m: float
    y0_m: float
    step_m: float
    z_m: Floats  # (rows, cols)

    def height_m(self, x_m: Floats, y_m: Floats) -> Floats:
        """Height of the nearest grid point."""
        col = np.clip(((x_m - self.x0_m) / self.step_m + 0.5).astype(int), 0, self.z_m.shape[1] - 1)
        row = np.clip(((y_m - self.y0_m) / self.step_m + 0.5).astype(int), 0, self.z_m.shape[0] - 1)
        return self.z_m[row, col]


def ground(turf: Turf, box_m: Box, step_m: float) -> Ground:
    """Soil with gentle unevenness and crumbs of several sizes."""
    x0, y0 = (np.floor(v / step_m) * step_m for v in box_m[:2])
    x = np.arange(x0, box_m[2] + step_m, step_m)
    y = np.arange(y0, box_m[3] + step_m, step_m)
    X, Y = np.meshgrid(x, y)
    z = 0.010 * fractal(turf.seed + 1, X, Y, scale_m=1.3, octaves=3)
    z += 0.0007 * turf.rough_mm * fractal(turf.seed + 2, X, Y, scale_m=0.07, octaves=4, gain=0.6)
    where = noise(turf.seed + 3, X, Y, 0.16)
    for size_mm, per_m2 in ((14.0, 700), (8.0, 3500), (4.5, 14000), (2.6, 40000)):
        if size_mm * 1e-3 > 1.5 * step_m:
            z += _crumbs(turf, box_m, (x0, y0, step_m), z.shape, size_mm, per_m2) * (0.35 + 0.9 * where)
    if turf.clods_per_m2 > 0:
        z += _clods(turf, box_m, (x0, y0), (X, Y))
    return Ground(float(x0), float(y0), step_m, z.astype(np.float32))


def _clods(turf: Turf, box_m: Box, corner_m: tuple[float, float], at: tuple[Floats, Floats]) -> Floats:
    """Lumps as broad as a hand and smaller ones among them, stamped coarsely, cracked: heights at ``at``."""
    step = 0.004
    rows, cols = (int((box_m[k + 2] - corner_m[k]) / step) + 3 for k in (1, 0))
    stamped = np.maximum(
        *(
            _crumbs(
                turf, box_m, (*corner_m, step), (rows, cols), turf.clod_mm / part, turf.clods_per_m2 * part
            )
            for part in (1, 2)
        )
    )
    bent = 0.008 * fractal(turf.seed + 4, *at, scale_m=0.03, octaves=4, gain=0.7)  # none is a smooth dome
    column, row = ((at[k] - corner_m[k] + bent) / step for k in (0, 1))
    lumps = cv2.remap(stamped, column.astype(np.float32), row.astype(np.float32), cv2.INTER_LINEAR)
    uneven = fractal(turf.seed + 5, *at, scale_m=0.02, octaves=4, gain=0.8)
    return np.asarray(lumps * (1.1 + 0.45 * uneven))


def _crumbs(
    turf: Turf,
    box_m: Box,
    frame: tuple[float, float, float],
    shape: tuple[int, int],
    size_mm: float,
    per_m2: float,
) -> Floats:
    """Lumps of one size, stamped on a height grid; where they meet the higher one shows."""
    x0, y0, step = frame
    lumps = scatter(turf.seed + int(size_mm * 10), box_m, per_m2)
    radius = 0.5e-3 * size_mm * (0.5 + 0.8 * lumps.draw(3))
    height = radius * (0.5 + 0.9 * lumps.draw(4)) * turf.rough_mm / 4.0
    stretch, turn = 0.6 + 0.8 * lumps.draw(5), np.pi * lumps.draw(6)
    reach = int(np.ceil(radius.max() * 1.4 / step))
    col0, row0 = ((lumps.x_m - x0) / step).astype(int), ((lumps.y_m - y0) / step).astype(int)
    z = np.zeros(shape, np.float32)
    for dr in range(-reach, reach + 1):
        for dc in range(-reach, reach + 1):
            row, col = row0 + dr, col0 + dc
            px, py = x0 + col * step - lumps.x_m, y0 + row * step - lumps.y_m
            a = (px * np.cos(turn) + py * np.sin(turn)) / stretch
            b = (py * np.cos(turn) - px * np.sin(turn)) * stretch
            bump = height * np.sqrt(np.clip(1 - (a * a + b * b) / radius**2, 0, None))
            ok = (bump > 0) & (row >= 0) & (row < shape[0]) & (col >= 0) & (col < shape[1])
            np.maximum.at(z, (row[ok], col[ok]), bump[ok])
    return z


def soil(turf: Turf, surface: Ground) -> Part:
    """The ground's mesh, dark where it is moist, paler where it has dried."""
    rows, cols = surface.z_m.shape
    X, Y = np.meshgrid(
        surface.x0_m + np.arange(cols) * surface.step_m, surface.y0_m + np.arange(rows) * surface.step_m
    )
    damp = np.clip(turf.wet + 0.35 * fractal(turf.seed + 7, X, Y, scale_m=0.5, octaves=4), 0, 1)
    fine = fractal(turf.seed + 8, X, Y, scale_m=max(0.012, 2 * surface.step_m), octaves=3, gain=0.8)
    smooth = surface.z_m - np.roll(surface.z_m, 3, axis=0) * 0.5 - np.roll(surface.z_m, 3, axis=1) * 0.5
    dry_tops = np.clip(smooth / (turf.rough_mm * 0.5e-3), -1, 1)
    tone = np.exp(0.16 * fine + 0.10 * dry_tops - 0.75 * damp)
    if turf.clods_per_m2 > 0:  # lumps dry first, and the gaps between them stay moist
        tone *= np.exp(0.25 * np.clip((surface.z_m - np.median(surface.z_m)) / 0.008, -1, 1))
    warm = 1 + 0.08 * fractal(turf.seed + 9, X, Y, scale_m=0.09, octaves=3)
    dry = np.array(SOILS[turf.soil], np.float32) * np.array(turf.soil_tint, np.float32)
    rgb = dry * tone[..., None] * np.stack([np.sqrt(warm), np.ones_like(warm), 1 / warm], axis=-1)
    grain = hashed(turf.seed + 10, np.rint(X / surface.step_m), np.rint(Y / surface.step_m))
    rgb = np.clip(rgb * (0.82 + 0.36 * grain[..., None]), 0.01, 0.9)
    vertices = np.stack([X, Y, surface.z_m], axis=-1).reshape(-1, 3)
    return lawn_part("soil", "bare", vertices, grid_faces(rows, cols), rgb.reshape(-1, 3))


def stones(turf: Turf, box_m: Box, surface: Ground) -> list[Part]:
    """Pebbles, half sunk in the soil."""
    places = scatter(turf.seed + 50, box_m, max(turf.stones_per_m2, 1e-3))
    if turf.inside is not None:
        places = places.only(turf.inside(places.x_m, places.y_m))
    if not len(places) or turf.stones_per_m2 <= 0:
        return []
    ball, faces = _ball()
    radius = 1e-3 * (2 + 11 * places.draw(3) ** 3)
    squash = np.stack(
        [0.7 + 0.6 * places.draw(4), 0.7 + 0.6 * places.draw(5), 0.45 + 0.4 * places.draw(6)], -1
    )
    turn = 2 * np.pi * places.draw(7)[:, None]
    lump = 1 + 0.35 * (
        hashed(turf.seed + 51, places.i[:, None] * 64 + np.arange(len(ball)), places.j[:, None]) - 0.5
    )
    shape = ball[None] * lump[..., None] * (squash * radius[:, None])[:, None]
    x = shape[..., 0] * np.cos(turn) - shape[..., 1] * np.sin(turn) + places.x_m[:, None]
    y = shape[..., 0] * np.sin(turn) + shape[..., 1] * np.cos(turn) + places.y_m[:, None]
    z = shape[..., 2] + (surface.height_m(places.x_m, places.y_m) + 0.1 * radius)[:, None]
    tint = np.array([0.26, 0.24, 0.21]) + (places.draw(8)[:, None] - 0.5) * np.array([0.16, 0.12, 0.07])
    rgb = np.repeat(tint * np.exp(0.35 * places.normal(9))[:, None], len(ball), axis=0)
    index = (faces[None] + np.arange(len(places))[:, None, None] * len(ball)).reshape(-1, 3)
    return [
        lawn_part("stones", "bare", np.stack([x, y, z], -1).reshape(-1, 3), index, np.clip(rgb, 0.02, 0.8))
    ]


def _ball() -> tuple[Floats, Whole]:
    """A small sphere of 26 points."""
    rows = [np.array([[0, 0, 1.0]])]
    turn = np.arange(8) * np.pi / 4
    for tilt in (45, 90, 135):
        t = np.radians(tilt)
        rows.append(np.stack([np.sin(t) * np.cos(turn), np.sin(t) * np.sin(turn), 0 * turn + np.cos(t)], -1))
    ball = np.concatenate([*rows, [[0, 0, -1.0]]])
    after = np.roll(np.arange(8), -1)
    faces = [np.stack([0 * after, 1 + np.arange(8), 1 + after], -1)]
    for ring in (1, 9):
        a, b = ring + np.arange(8), ring + after
        faces += [np.stack([a, a + 8, b + 8], -1), np.stack([a, b + 8, b], -1)]
    faces.append(np.stack([17 + np.arange(8), 0 * after + 25, 17 + after], -1))
    return ball, np.concatenate(faces)
