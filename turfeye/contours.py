"""Outlines finer than a cell, from how much of each cell belongs to a patch.

A cell that a patch's edge runs through holds a mixture. Unmixing gives the share f of each cell that
belongs to the patch; the sum of f times area is the patch's area, which no choice of a threshold can bias.
The outline is the contour of the smooth surface through the shares, at the level that encloses that area: in
several pieces where the patch is, and with holes where sound lawn lies within it.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import cv2
import numpy as np

from turfeye.outline import signed_area
from turfeye.records import Flags, Floats, Grid

FINE = 8
"""Points across a cell on which the contour is drawn."""
SIMPLER_M = 0.003
"""An outline's corner that lies within this of a straight line is left out."""
MIDDLES = 50
"""Points along each side of a piece's box among which its widest place is looked for."""
SPECK = 0.1
"""Pieces and holes smaller than this share of a cell are below what cells can tell."""


@dataclass(frozen=True, eq=False, slots=True)
class Piece:
    """One connected piece of ground, with the holes in it. No ring repeats its first point."""

    outline_m: Floats  # (K, 2), anticlockwise
    holes_m: tuple[Floats, ...] = ()  # each (K, 2), clockwise

    @property
    def area_m2(self) -> float:
        """What the outline encloses, without the holes."""
        return polygon_area_m2(self.outline_m) - sum(polygon_area_m2(hole) for hole in self.holes_m)

    @property
    def centroid_m(self) -> tuple[float, float]:
        """Centroid of the ground itself; of a ring that lies in its hole."""
        rings = (self.outline_m, *self.holes_m)
        areas = np.array([signed_area(ring) for ring in rings])
        x, y = areas @ np.array([polygon_centroid_m(ring) for ring in rings]) / areas.sum()
        return float(x), float(y)

    @property
    def middle_m(self) -> tuple[float, float]:
        """Where a tape leads to: the centroid if it lies on the ground itself, else where that is widest."""
        if self.depth_m(np.array([self.centroid_m]))[0] > 0:
            return self.centroid_m
        low, high = self.outline_m.min(axis=0), self.outline_m.max(axis=0)
        points = np.stack(np.meshgrid(*np.linspace(low, high, MIDDLES).T), axis=-1).reshape(-1, 2)
        x, y = points[np.argmax(self.depth_m(points))]
        return float(x), float(y)

    def depth_m(self, points_m: Floats) -> Floats:
        """(N,) how far within the ground points (N, 2) lie; below 0 beside it and in its holes."""
        beside = (-signed_distance_m(points_m, hole) for hole in self.holes_m)
        return np.minimum.reduce([signed_distance_m(points_m, self.outline_m), *beside])


def pieces(share: Floats, grid: Grid, area_m2: float) -> tuple[Piece, ...]:
    """The patch's ground, its pieces together as large as ``area_m2``, the largest first; () without any.

    Parameters
    ----------
    share : (rows, cols), share of each cell that belongs to the patch; NaN off the lawn and where no photo
        showed it. The surface is carried on there, so that a patch at the edge ends at the lawn's own
        outline or where the seen ground ends, and cut there: nothing is said of ground that nobody saw
    grid : the cells; its outline, where there is one, cuts the patch
    area_m2 : what all pieces together shall enclose. Specks smaller than SPECK of a cell are no pieces
    """
    window = _window(share)
    if window is None:
        return ()
    x, y, surface, inside_m = _surface(share, grid, window)
    low, high = 0.0, float(surface.max())
    speck_m2 = SPECK * grid.cell_m**2

    def at(level: float) -> list[Piece]:
        return _pieces_above_zero(x, y, np.minimum(surface - level, inside_m / grid.cell_m), speck_m2)

    for _ in range(24):
        level = (low + high) / 2
        if sum(piece.area_m2 for piece in at(level)) > area_m2:
            low = level
        else:
            high = level
    found = sorted(at(low), key=lambda piece: -piece.area_m2)
    return tuple(Piece(_simple(p.outline_m), tuple(_simple(hole) for hole in p.holes_m)) for p in found)


def _simple(ring: Floats) -> Floats:
    """A ring without the points that a straight line passes by."""
    simple = cv2.approxPolyDP(ring.astype(np.float32), SIMPLER_M, True)[:, 0].astype(float)
    return simple if len(simple) >= 3 and signed_area(simple) * signed_area(ring) > 0 else ring


def polygon_area_m2(points_m: Floats) -> float:
    """Area of a polygon (K, 2), by the shoelace formula.

    >>> polygon_area_m2(np.array([[0, 0], [2, 0], [2, 3], [0, 3]]))
    6.0
    """
    return abs(signed_area(points_m))


def polygon_centroid_m(points_m: Floats) -> tuple[float, float]:
    """Centroid of a polygon (K, 2).

    >>> polygon_centroid_m(np.array([[0, 0], [2, 0], [2, 3], [0, 3]]))
    (1.0, 1.5)
    """
    origin = points_m[0]
    x, y = (points_m - origin).T
    cross = x * np.roll(y, -1) - np.roll(x, -1) * y
    six_areas = 3 * cross.sum()
    cx = ((x + np.roll(x, -1)) * cross).sum() / six_areas + origin[0]
    cy = ((y + np.roll(y, -1)) * cross).sum() / six_areas + origin[1]
    return float(cx), float(cy)


def signed_distance_m(points_m: Floats, polygon_m: Floats) -> Floats:
    """Distance of points (..., 2) to a polygon's sides, metres; above 0 inside it.

    >>> signed_distance_m(np.array([[1.0, 1.0], [1.0, 5.0]]), np.array([[0, 0], [2, 0], [2, 3], [0, 3.0]]))
    array([ 1., -2.])
    """
    distance = np.full(points_m.shape[:-1], np.inf)
    inside = np.zeros(points_m.shape[:-1], bool)
    x, y = points_m[..., 0], points_m[..., 1]
    for a, b in zip(polygon_m, np.roll(polygon_m, -1, axis=0), strict=True):
        side = b - a
        along = np.clip(((points_m - a) @ side) / max(side @ side, 1e-12), 0, 1)
        distance = np.minimum(distance, np.hypot(x - a[0] - along * side[0], y - a[1] - along * side[1]))
        if a[1] != b[1]:
            crosses = (a[1] > y) != (b[1] > y)
            inside ^= crosses & (x < a[0] + (y - a[1]) / (b[1] - a[1]) * side[0])
    return np.where(inside, distance, -distance)


def _window(share: Floats) -> tuple[slice, slice] | None:
    """The part of the grid that holds the patch, with two cells more on every side."""
    rows, cols = np.nonzero(np.nan_to_num(share) > 0.02)
    if not len(rows):
        return None
    return (
        slice(max(rows.min() - 2, 0), rows.max() + 3),
        slice(max(cols.min() - 2, 0), cols.max() + 3),
    )


def _surface(share: Floats, grid: Grid, window: tuple[slice, slice]) -> tuple[Floats, Floats, Floats, Floats]:
    """x (n,), y (m,), smooth surface (m, n) and signed distance inside the seen lawn (m, n) of the window."""
    from scipy.ndimage import distance_transform_edt, map_coordinates

    part = share[window]
    off = np.isnan(part)
    nearest = distance_transform_edt(off, return_distances=False, return_indices=True)
    part = part[tuple(nearest)] if off.any() else part
    rows, cols = part.shape
    r = (np.arange(rows * FINE) + 0.5) / FINE - 0.5
    c = (np.arange(cols * FINE) + 0.5) / FINE - 0.5
    # beyond the outermost centres the surface goes on level; the grid's own edge cuts it
    at = np.meshgrid(r, c, indexing="ij")
    surface = map_coordinates(part, at, order=3, mode="nearest")
    x = grid.x0_m + (window[1].start + c + 0.5) * grid.cell_m
    y = grid.y0_m + (window[0].start + r + 0.5) * grid.cell_m
    points = np.stack(np.meshgrid(x, y), axis=-1)
    inside = signed_distance_m(points, grid_outline_m(grid) if grid.outline_m is None else grid.outline_m)
    for bed in grid.beds_m:
        inside = np.minimum(inside, -signed_distance_m(points, bed))
    return x, y, surface, np.minimum(inside, _within_m(~off, grid.cell_m))


def _within_m(cells: Flags, cell_m: float) -> Floats:
    """Signed distance of the fine points to the edge of the marked cells, above 0 inside them, metres."""
    from scipy.ndimage import distance_transform_edt

    if cells.all():
        return np.full((FINE * cells.shape[0], FINE * cells.shape[1]), np.inf)
    fine = np.kron(cells, np.ones((FINE, FINE), bool))
    # the edge lies half a fine step from the points on both sides of it
    steps = np.where(fine, distance_transform_edt(fine) - 0.5, 0.5 - distance_transform_edt(~fine))
    return steps * cell_m / FINE


def grid_outline_m(grid: Grid) -> Floats:
    """The grid's own rectangle, (4, 2), anticlockwise."""
    right, top = grid.x0_m + grid.cols * grid.cell_m, grid.y0_m + grid.rows * grid.cell_m
    return np.array([[grid.x0_m, grid.y0_m], [right, grid.y0_m], [right, top], [grid.x0_m, top]])


def _pieces_above_zero(x: Floats, y: Floats, surface: Floats, speck_m2: float) -> list[Piece]:
    """The pieces of ground where the surface is above zero, without specks."""
    from contourpy import FillType, contour_generator

    # a border below zero closes every contour within half a fine step of the window's edge
    step = x[1] - x[0]
    x = np.concatenate([[x[0] - step], x, [x[-1] + step]])
    y = np.concatenate([[y[0] - step], y, [y[-1] + step]])
    closed = np.pad(surface, 1, mode="edge")
    closed[[0, -1], :] = closed[:, [0, -1]] = -np.maximum(np.abs(closed).max(), 1e-6)
    filled = contour_generator(x, y, closed, fill_type=FillType.OuterOffset).filled(0.0, np.inf)
    found = []
    for points, offsets in zip(*filled, strict=True):
        rings = [points[a : b - 1] for a, b in itertools.pairwise(offsets)]
        # contourpy: outer rings anticlockwise, holes clockwise
        outer, *holes = rings
        if signed_area(outer) >= speck_m2:
            found.append(Piece(outer, tuple(hole for hole in holes if -signed_area(hole) >= speck_m2)))
    return found
