"""Outlines below cell size, against shapes whose area and place are known."""

from __future__ import annotations

from dataclasses import replace
from importlib import import_module

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from turfeye.contours import pieces, polygon_area_m2, polygon_centroid_m, signed_distance_m
from turfeye.outline import circle, signed_area, without
from turfeye.records import Grid

LAWN = np.array([[0, 0], [8, 0], [8, 6], [0, 6.0]])
GRID = Grid(0.5, 0.0, 0.0, rows=12, cols=16, outline_m=LAWN)


def outline(share, grid, area_m2):
    """The outline of what is one piece without holes."""
    (piece,) = pieces(share, grid, area_m2)
    assert piece.holes_m == ()
    return piece.outline_m


def disc_share(x_m, y_m, radius_m, grid=GRID):
    """Share of each cell inside a disc, by counting 40 x 40 points a cell."""
    fine = 40
    x = grid.x0_m + (np.arange(grid.cols * fine) + 0.5) / fine * grid.cell_m
    y = grid.y0_m + (np.arange(grid.rows * fine) + 0.5) / fine * grid.cell_m
    inside = np.hypot(x[None] - x_m, y[:, None] - y_m) < radius_m
    return inside.reshape(grid.rows, fine, grid.cols, fine).mean(axis=(1, 3))


@settings(max_examples=25, deadline=None)
@given(st.floats(1.5, 6.5), st.floats(1.5, 4.5), st.floats(0.4, 1.2))
def test_disc_keeps_area_and_place(x, y, radius):
    share = disc_share(x, y, radius)
    area = share.sum() * GRID.cell_m**2
    shape = outline(share, GRID, area)
    assert polygon_area_m2(shape) == pytest.approx(np.pi * radius**2, rel=0.02)
    assert polygon_centroid_m(shape) == (pytest.approx(x, abs=0.05), pytest.approx(y, abs=0.05))
    assert np.abs(np.hypot(*(shape - [x, y]).T) - radius).max() < 0.15


def test_patch_at_the_edge_ends_at_the_lawns_outline():
    shape = outline(disc_share(4.0, 0.1, 0.9), GRID, disc_share(4.0, 0.1, 0.9).sum() * 0.25)
    assert signed_distance_m(shape, LAWN).min() > -0.011
    assert shape[:, 1].min() == pytest.approx(0, abs=0.03)


def test_slanting_outline_cuts_the_patch():
    lawn = np.array([[0, 0], [8, 0], [5, 6], [0, 6.0]])
    grid = Grid(0.5, 0.0, 0.0, rows=12, cols=16, outline_m=lawn)
    share = disc_share(6.2, 3.0, 1.0, grid)
    off_lawn = signed_distance_m(grid.centres_m(), lawn) < -0.4
    shape = outline(np.where(off_lawn, np.nan, share), grid, 1.6)
    assert signed_distance_m(shape, lawn).min() > -0.02
    assert polygon_area_m2(shape) == pytest.approx(1.6, rel=0.02)


def test_against_shapely():
    # shapely (GEOS) as reference for area, centroid and distance of a polygon that is not convex.
    shapely = import_module("shapely")
    corners = np.array([[0, 0], [4, 0], [4, 3], [2, 1], [0, 3.0]]) + np.array([100.0, -50.0])
    polygon = shapely.Polygon(corners)
    assert polygon_area_m2(corners) == pytest.approx(polygon.area)
    assert polygon_centroid_m(corners) == pytest.approx((polygon.centroid.x, polygon.centroid.y))
    points = np.random.default_rng(2).uniform([99, -51], [105, -46], (50, 2))
    ours = signed_distance_m(points, corners)
    for point, distance in zip(points, ours, strict=True):
        assert abs(distance) == pytest.approx(polygon.exterior.distance(shapely.Point(point)), abs=1e-9)
        assert (distance > 0) == polygon.contains(shapely.Point(point))


def test_nothing_has_no_outline():
    assert pieces(np.zeros((12, 16)), GRID, 0.5) == ()


def test_ring_keeps_its_hole():
    share = disc_share(4.0, 3.0, 2.0) - disc_share(4.3, 3.0, 1.0)
    (ring,) = pieces(share, GRID, share.sum() * 0.25)
    (hole,) = ring.holes_m
    assert ring.area_m2 == pytest.approx(np.pi * 3, rel=0.02)
    assert polygon_area_m2(hole) == pytest.approx(np.pi, rel=0.08)
    assert signed_area(ring.outline_m) > 0 > signed_area(hole)
    # the disc's moment less the hole's: (4 pi x 4.0 - pi x 4.3) / 3 pi
    assert ring.centroid_m == (pytest.approx(3.9, abs=0.03), pytest.approx(3.0, abs=0.03))


def test_a_tape_leads_onto_the_patch_itself():
    """A ring's and a hook's centroids lie beside them; shapely (GEOS) tells where they are widest."""
    shapely = import_module("shapely")
    rim = disc_share(4.0, 3.0, 2.0) - disc_share(4.0, 3.0, 1.0)
    hook = np.zeros((12, 16))
    hook[2:10, 4:6] = hook[2:4, 4:12] = hook[8:10, 4:12] = 1
    for share in (rim, hook):
        (piece,) = pieces(share, GRID, share.sum() * 0.25)
        ground = shapely.Polygon(piece.outline_m, piece.holes_m)
        assert not ground.contains(shapely.Point(piece.centroid_m))
        middle = shapely.Point(piece.middle_m)
        assert ground.contains(middle)
        widest_m = shapely.maximum_inscribed_circle(ground).length
        assert ground.boundary.distance(middle) == pytest.approx(widest_m, abs=0.03)
        assert piece.depth_m(np.array([piece.middle_m]))[0] == pytest.approx(ground.boundary.distance(middle))
    (disc,) = pieces(disc_share(4.0, 3.0, 2.0), GRID, disc_share(4.0, 3.0, 2.0).sum() * 0.25)
    assert disc.middle_m == disc.centroid_m


def test_a_patch_ends_at_a_bed():
    """A disc of a patch of 1.2 m about a round bed of 0.6 m: a ring, or pieces that lie beside the bed."""
    bed = circle((4.0, 3.0), 1.2)
    grid = without(replace(GRID, share=np.ones((12, 16))), [bed])
    share = disc_share(4.0, 3.0, 1.2) - disc_share(4.0, 3.0, 0.6)
    share[grid.share == 0] = np.nan
    area_m2 = np.pi * (1.44 - 0.49)  # the rim of 10 cm about it left out
    found = pieces(share, grid, area_m2)
    assert sum(piece.area_m2 for piece in found) == pytest.approx(area_m2, rel=0.02)
    rings = [ring for piece in found for ring in (piece.outline_m, *piece.holes_m)]
    assert max(signed_distance_m(ring, bed).max() for ring in rings) < -0.08


def test_two_pieces_are_as_large_as_they_are_together():
    # A neck that opens at some level must not make one piece stand for both.
    share = disc_share(2.0, 3.0, 1.2) + disc_share(4.4, 3.0, 0.9)
    large, small = pieces(share, GRID, share.sum() * 0.25)
    assert large.area_m2 + small.area_m2 == pytest.approx(share.sum() * 0.25, rel=0.01)
    assert large.area_m2 == pytest.approx(np.pi * 1.44, rel=0.06)
    assert small.centroid_m == (pytest.approx(4.4, abs=0.05), pytest.approx(3.0, abs=0.05))
