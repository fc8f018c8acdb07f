"""Lays things on the turf of a picture: where they may lie, on the ground; what grows under them goes."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import cv2
import numpy as np

from turfeye.records import Bytes, Flags, Floats, View
from turfeye.simulate.furniture import moved
from turfeye.simulate.mesh import Part
from turfeye.simulate.scene import cleared
from turfeye.simulate.things import CHANCES, KINDS

LEAST, MOST = (0.01, 0.08), 0.4
"""Shares of the picture that a thing hides; the least is drawn anew for each try, or tips would do."""
LOW = 0.6  # of the camera's height: nothing higher is laid within the picture
LYING_M = 0.05  # what is lower lies on the ground: no grass stands where it is
UNDER_M = 0.006  # cells in which it is told what lies under something
COARSE = 48  # cells across a picture in which it is told what hides what


def laid_down(parts: list[Part], view: View, count: int, seed: int) -> list[Part]:
    """``parts`` with ``count`` things more, wholly or partly in the picture, none of them before the card.

    Where no place is found for one after some tries, there is one less.
    """
    rng = np.random.default_rng(seed)
    for _ in range(count):
        for _ in range(8):
            thing = KINDS[rng.choice(len(KINDS), p=CHANCES)](rng, view.height_m)
            if (found := _with(thing, parts, view, rng)) is not None:
                parts = found
                break
    return parts


def _with(thing: list[Part], parts: list[Part], view: View, rng: np.random.Generator) -> list[Part] | None:
    """The parts and the thing somewhere in the picture, turned anyhow; None if no place was found."""
    soil = next(part for part in parts if part.name == "soil").vertices
    taken = _taken(parts, view)
    for _ in range(30):
        pixel = rng.uniform(-0.15, 1.15, 2) * view.size_px
        ray = view.rotation.T @ np.linalg.solve(view.camera_matrix, [*pixel, 1.0])
        if ray[2] > -0.2 * np.linalg.norm(ray):
            continue
        at = view.camera_m - view.camera_m[2] / ray[2] * ray
        laid = moved(thing, (at[0], at[1], 0.0), float(rng.uniform(0, 360)))
        hidden, low = _hidden(np.concatenate([part.vertices for part in laid]), view)
        if not low or not rng.uniform(*LEAST) < hidden.mean() < MOST or (taken & (hidden > 0)).any():
            continue
        under = _footprint(laid)
        below = under(soil)
        if below.any():
            base = float(np.median(soil[below, 2])) + rng.uniform(-0.004, 0.010)
            return [*cleared(parts, under), *moved(laid, (0.0, 0.0, base))]
    return None


def _taken(parts: Sequence[Part], view: View) -> Flags:
    """Cells of the picture where the card or a thing is, and those beside them."""
    taken = np.zeros(_cells_shape(view), np.uint8)
    for part in parts:
        if part.name == "card":
            _, pixel = _seen(part.vertices, view)
            cv2.fillConvexPoly(taken, cv2.convexHull(np.floor(pixel).astype(np.int32)), 1)
        elif not part.lawn:
            taken |= _hidden(part.vertices, view)[0]
    return np.asarray(cv2.dilate(taken, np.ones((3, 3), np.uint8))) > 0


def _hidden(points: Floats, view: View) -> tuple[Bytes, bool]:
    """Cells of the picture that points fall in (1), and whether all of those points are low."""
    ahead, pixel = _seen(points, view)
    rows, cols = _cells_shape(view)
    inside = (pixel[:, 0] >= 0) & (pixel[:, 0] < cols) & (pixel[:, 1] >= 0) & (pixel[:, 1] < rows)
    column, row = pixel[inside].astype(int).T
    hidden = np.zeros((rows, cols), np.uint8)
    hidden[row, column] = 1
    return hidden, bool((points[ahead][inside, 2] <= LOW * view.height_m).all())


def _seen(points: Floats, view: View) -> tuple[Flags, Floats]:
    """Which points are ahead of the camera, and where those fall, in cells."""
    seen = points @ view.rotation.T + view.translation
    ahead = seen[:, 2] > 0.02
    pixel = seen[ahead] @ view.camera_matrix.T
    return ahead, (pixel[:, :2] / pixel[:, 2:] + 0.5) * (COARSE / view.size_px[0])


def _cells_shape(view: View) -> tuple[int, int]:
    return int(np.ceil(COARSE * view.size_px[1] / view.size_px[0])), COARSE


def _footprint(parts: Sequence[Part]) -> Callable[[Floats], Flags]:
    """Whether points lie under what of the parts is lower than LYING_M."""
    points = np.concatenate([part.vertices for part in parts])
    points = points[points[:, 2] < LYING_M]
    origin = points[:, :2].min(axis=0) - 4 * UNDER_M
    cols, rows = (np.ptp(points[:, :2], axis=0) / UNDER_M).astype(int) + 9
    grid = np.zeros((rows, cols), np.uint8)
    column, row = ((points[:, :2] - origin) / UNDER_M).astype(int).T
    grid[row, column] = 1
    grid = np.asarray(cv2.morphologyEx(grid, cv2.MORPH_CLOSE, np.ones((7, 7), np.uint8)))

    def under(where: Floats) -> Flags:
        column, row = np.floor((where[:, :2] - origin) / UNDER_M).astype(int).T
        inside = (column >= 0) & (column < cols) & (row >= 0) & (row < rows)
        return inside & (grid[np.clip(row, 0, rows - 1), np.clip(column, 0, cols - 1)] > 0)

    return under
