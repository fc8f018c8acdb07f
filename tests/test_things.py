"""Things, fallen leaves and clods on invented turf: sizes, where they may lie, the turf kept as it was."""

import dataclasses

import cv2
import numpy as np
import pytest

from turfeye.card_layout import CARD as LAYOUT
from turfeye.simulate import card_sheet, fallen, laying, soil, spots, things, truth, turf
from turfeye.simulate.mesh import Part

BOX = (0.0, 0.0, 1.2, 0.8)
SPOT = dataclasses.replace(
    spots.random_spot(3), card=None, cover=0.3, gsd_mm=0.8, size_px=(408, 272), leaves_per_m2=0.0, moss=0.0,
    clover_per_m2=0.0, tilt_deg=8.0, things=0, fallen=0.0,
)  # fmt: skip

# Least and largest extent, metres: ordinary sizes, from memory, no source.
SIZES = {
    "shoes": (0.25, 0.75), "standing": (0.5, 1.0), "dog": (0.5, 1.4), "hose": (0.8, 3.2), "glove": (0.2, 0.3),
    "tool": (1.1, 1.6), "bucket": (0.11, 0.4), "slab": (0.18, 1.2), "ball": (0.06, 0.23),
}  # fmt: skip


@pytest.mark.parametrize("kind", things.KINDS, ids=lambda kind: kind.__name__)
def test_every_kind_is_sound_and_of_its_size(kind):
    for seed in range(3):
        parts = kind(np.random.default_rng(seed), 1.4)
        points = np.concatenate([part.vertices for part in parts])
        low, high = SIZES[kind.__name__]
        assert np.isfinite(points).all()
        assert low <= np.ptp(points, axis=0).max() <= high
        assert -0.02 < points[:, 2].min() < 0.03  # it stands on the ground
        for part in parts:
            assert part.klass == "other"
            assert not part.lawn
            assert part.faces.max() < len(part.vertices)
            assert part.rgb_linear.min() > 0
            assert part.rgb_linear.max() < 0.9


def test_many_things_are_as_brown_as_soil():
    """For a quarter of shoes, red:green and green:blue within 12 % of the soils' (those are tinted too)."""
    soils = np.array(list(turf.SOILS.values()))
    low, high = (soils[:, :2] / soils[:, 1:]).min(axis=0), (soils[:, :2] / soils[:, 1:]).max(axis=0)
    brown = 0
    for seed in range(60):
        rgb = things.shoes(np.random.default_rng(seed), 1.0)[0].rgb_linear.mean(axis=0)
        ratio = rgb[:2] / rgb[1:]
        brown += bool((ratio > low * 0.88).all() and (ratio < high * 1.12).all())
    assert brown >= 15


def flat_ground(view, step_m=0.01):
    x0, y0, x1, y1 = spots.seen_box(view, 0.1)
    x, y = np.meshgrid(np.arange(x0, x1, step_m), np.arange(y0, y1, step_m))
    points = np.stack([x, y, 0 * x], -1).reshape(-1, 3)
    return turf.lawn_part("soil", "bare", points, np.array([[0, 1, 2]]), np.full(points.shape, 0.2))


def in_picture(points, view):
    pixel = truth.project(view, points)
    ahead = (points @ view.rotation.T + view.translation)[:, 2] > 0
    return pixel[ahead & (pixel > -0.5).all(axis=1) & (pixel < np.array(view.size_px) - 0.5).all(axis=1)]


@pytest.mark.parametrize("turn_deg", [0.0, 90.0])
def test_the_card_s_corners_lie_where_its_print_has_them(turn_deg):
    """From its layout: the active area in the middle of the sheet, (-x, +y) first, clockwise."""
    part = card_sheet.card_part(4, (1.0, 2.0, 0.3), (0.0, 0.0), turn_deg=turn_deg)
    x, y = LAYOUT.corners_mm.T / 1e3
    if turn_deg:
        x, y = -y, x
    flat = np.column_stack([1.0 + x, 2.0 + y, np.full(4, 0.3)])
    np.testing.assert_allclose(card_sheet.card_corners(part), flat, atol=1e-6)


@pytest.mark.parametrize("seed", range(8))
def test_nothing_lies_before_the_card(seed):
    recipe = dataclasses.replace(
        SPOT, card=4, gsd_mm=1.2 + 0.2 * seed, tilt_deg=4.0 * seed, turn_deg=40.0 * seed
    )
    view = recipe.view()
    sheet = card_sheet.card_part(4, (0.0, 0.0, 0.01), (1.0, -1.0))
    parts = laying.laid_down([flat_ground(view), sheet], view, 2, seed)
    laid = [part for part in parts if not part.lawn]
    assert laid
    corners = truth.project(view, sheet.vertices[[0, 8, 62, 54]])
    for part in laid:
        away = np.concatenate([in_picture(part.vertices, view), np.full((1, 2), -1e4)])
        ahead = np.roll(corners, -1, axis=0) - corners
        side = [
            d[0] * (away[:, 1] - c[1]) > d[1] * (away[:, 0] - c[0])
            for c, d in zip(corners, ahead, strict=True)
        ]
        assert not (np.all(side, axis=0) | ~np.any(side, axis=0)).any()


@pytest.mark.parametrize("seed", range(5))
def test_what_is_laid_shows_and_leaves_most_of_the_picture(seed):
    view = dataclasses.replace(SPOT, gsd_mm=2.0).view()
    parts = laying.laid_down([flat_ground(view)], view, 1, seed)
    shown = np.zeros((17, 26), bool)
    for part in parts[1:]:
        column, row = (in_picture(part.vertices, view) // 16).astype(int).T
        shown[row, column] = True
        high = part.vertices[:, 2] > laying.LOW * view.height_m + 0.02
        assert not len(in_picture(part.vertices[high], view))
    assert 0.005 < shown.mean() < 0.5


def test_things_leave_the_turf_as_it_was_and_nothing_grows_under_them():
    plain, with_things = (spots.spot_parts(dataclasses.replace(SPOT, things=n)) for n in (0, 2))
    assert with_things[0].name == "soil"
    fewer = 0
    for before, after in zip(plain, with_things, strict=False):
        np.testing.assert_array_equal(before.vertices, after.vertices)
        fewer += len(before.faces) - len(after.faces)
    assert fewer > 50
    assert len(with_things) > len(plain)
    assert {part.klass for part in with_things[len(plain) :]} == {"other"}


def leaves(share, seed=5):
    made = turf.Turf(seed=seed, cover=turf.level(0.4), fallen=turf.level(share))
    around = (-0.12, -0.12, 1.32, 0.92)
    return made, fallen.fallen(made, around, soil.ground(made, around, 0.02))


def hidden_share(parts, pixel_m=0.002):
    """Share of BOX that triangles hide, straight down."""
    seen = np.zeros((int(BOX[3] / pixel_m), int(BOX[2] / pixel_m)), np.uint8)
    for part in parts:
        for corners in np.rint(part.vertices[part.faces][..., :2] / pixel_m).astype(np.int32):
            cv2.fillConvexPoly(seen, corners, 1)
    return seen.mean()


@pytest.mark.parametrize("share", [0.1, 0.4, 0.75])
def test_fallen_leaves_hide_about_what_was_asked(share):
    """Within 4 points, as the mean of three turfs: few leaves lie unevenly by chance."""
    hidden = [hidden_share(leaves(share, seed)[1]) for seed in range(3)]
    assert np.mean(hidden) == pytest.approx(share, abs=0.04)


def test_fallen_leaves_are_of_their_size_and_on_the_ground():
    made, parts = leaves(0.5)
    per = 1 + len(fallen.RINGS) * fallen.AROUND
    for part in parts:
        assert part.klass == "other"
        assert part.lawn
        each = part.vertices.reshape(-1, per, 3)
        widest = np.linalg.norm(each - each[:, :1], axis=2).max(axis=1)  # from the middle
        assert np.quantile(widest, 0.02) > 0.008
        assert widest.max() < 0.09
        assert each[:, 0, 2].max() < 0.06
        assert part.rgb_linear.min() > 0
        assert part.rgb_linear.max() < 0.9
    assert made.fallen is not None


def test_piles_are_thick_and_thin_and_keep_off_the_card():
    recipe = dataclasses.replace(SPOT, card=4, fallen=0.8, fallen_area=0.3)
    x, y = np.meshgrid(np.linspace(-2, 2, 300), np.linspace(-2, 2, 200))
    share = spots.turf_of(recipe).fallen(x, y)
    assert (share[(abs(x) < 0.15) & (abs(y) < 0.105)] == 0).all()
    away = share[abs(x) > 0.25]
    assert away.min() == pytest.approx(0.08, abs=0.01)
    assert away.max() == pytest.approx(0.8, abs=0.01)
    assert 0.15 < np.mean(away > 0.4) < 0.45


def test_clods_stand_above_the_soil_and_are_soil():
    around = (0.0, 0.0, 0.6, 0.4)
    plain = turf.Turf(seed=3, cover=turf.level(0.0))
    lumpy = dataclasses.replace(plain, clods_per_m2=150.0, clod_mm=50.0)
    before, after = (soil.ground(made, around, 0.003) for made in (plain, lumpy))
    raised = after.z_m - before.z_m
    assert np.median(raised) < 0.012
    assert 0.010 < np.quantile(raised, 0.97) < 0.06
    assert 0.1 < np.mean(raised > 0.006) < 0.8
    part = soil.soil(lumpy, after)
    assert part.klass == "bare"
    light = part.rgb_linear.mean(axis=1).reshape(after.z_m.shape)
    assert light[raised > 0.015].mean() > light[raised < 0.001].mean()  # they have dried


def test_without_asking_there_are_none():
    recipe = spots.SpotRecipe("plain", 1, 0.5)
    assert recipe.things == 0
    assert spots.turf_of(recipe).fallen is None
    assert spots.random_spot(6).things == 0
    assert spots.random_spot(6).fallen == 0
    assert spots.random_spot(6).clods_per_m2 == 0


def test_parts_are_named_parts():
    made, parts = leaves(0.2)
    assert all(isinstance(part, Part) and part.name == "tree leaves" for part in parts)
    assert fallen.fallen(dataclasses.replace(made, fallen=None), BOX, soil.ground(made, BOX, 0.01)) == []
