import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from turfeye import gapfraction, view
from turfeye.errors import ViewError
from turfeye.records import Photo, Sighting, View

SIZE = (1600, 1200)
LAWN = np.array([[0, 0], [8, 0], [8, 6], [0, 6]], dtype=float)
WEDGE = np.array([[0, 0], [9, 0], [10, 5], [4, 7], [-1, 4]], dtype=float)
RNG = np.random.default_rng


def photo(focal_px=None, size=SIZE):
    picture = np.zeros((size[1], size[0], 3), np.uint8)
    return Photo(Path("p.jpg"), picture, None, None, focal_px, None, "0" * 64)


def camera(place, target, *, focal_px=1200.0, size=SIZE, roll_deg=0.0):
    """A camera at a place in lawn metres that looks at a lawn point, y of the lawn upwards in the picture."""
    place, target = np.array(place, float), np.array([*target, 0.0])
    ahead = (target - place) / np.linalg.norm(target - place)
    right = np.cross(ahead, [0, 1, 0] if abs(ahead[2]) > 0.9 else [0, 0, 1])
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(ahead, right), ahead])
    c, s = math.cos(math.radians(roll_deg)), math.sin(math.radians(roll_deg))
    rotation = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ rotation
    matrix = np.array([[focal_px, 0, (size[0] - 1) / 2], [0, focal_px, (size[1] - 1) / 2], [0, 0, 1]])
    return View("lawn", size, matrix, rotation, -rotation @ place, "given", 0.0)


STANDING = camera([3.0, -3.0, 1.7], [4.0, 3.0])
ABOVE = camera([0.1, -0.15, 1.3], [0.0, 0.0])


def card_sighting(seen, noise=0.0, seed=0):
    half = 0.023
    centres = np.array([[-0.101, 0.066], [0.101, 0.066], [0.101, -0.066], [-0.101, -0.066]])
    own = half * np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])
    at_m = centres[:, None] + own
    at_px = view.project(seen, at_m) + RNG(seed).normal(0, noise, (4, 4, 2))
    return Sighting(
        0, at_px, at_m, np.eye(3), max(noise, 0.05), at_px[:, 0], (), np.zeros((0, 3)), np.zeros(0),
        np.zeros(0, bool), 0.0,
    )  # fmt: skip


# ----------------------------------------------------------------------------------------------- geometry


def test_focal_length_from_the_header():
    # CIPA DC-008: FocalLengthIn35mmFilm is by the diagonal; 26 mm at 4000 x 3000 is 3004.6 px, 67.30° across
    focal = view.focal_from_35mm(26, (4000, 3000))
    assert focal == pytest.approx(3004.6, abs=0.05)
    assert 2 * math.degrees(math.atan(2000 / focal)) == pytest.approx(67.30, abs=0.01)


@given(st.floats(-2, 9), st.floats(0.5, 8))
def test_unproject_undoes_project(x, y):
    xy = np.array([[x, y]])
    assert view.unproject(STANDING, view.project(STANDING, xy)) == pytest.approx(xy, abs=1e-8)


def test_ground_before_and_behind():
    assert np.isnan(view.project(STANDING, np.array([3.0, -60.0]))).all()
    # no roll, so the horizon lies level, a quarter turn from straight down
    horizon = STANDING.camera_matrix[1, 2] - STANDING.focal_px / math.tan(math.radians(STANDING.tilt_deg))
    for x in (0.0, 800.0, 1599.0):
        assert np.isnan(view.unproject(STANDING, np.array([x, horizon - 1]))).all()
        assert np.linalg.norm(view.unproject(STANDING, np.array([x, horizon + 1]))) > 300


def test_zenith_and_height():
    assert STANDING.height_m == pytest.approx(1.7)
    assert view.zenith_deg(STANDING, np.array([[3.0, -3.0], [3.0, -1.3], [4.7, -3.0]])) == pytest.approx(
        [0, 45, 45]
    )


def test_ground_area_is_that_of_a_pixels_square():
    for seen in (STANDING, ABOVE):
        pixel = np.array([700.0, 900.0])
        corners = view.unproject(seen, pixel + 0.01 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) / 2)
        x, y = corners.T
        area = abs(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) / 2 / 0.01**2
        at = view.unproject(seen, pixel)
        assert view.ground_area_m2(seen, at) == pytest.approx(area, rel=1e-3)
        assert view.gsd_mm(seen, at) == pytest.approx(1000 * math.sqrt(area), rel=1e-3)


def test_straight_above_the_sample_distance_is_height_over_focal():
    seen = camera([0, 0, 1.2], [1e-9, 0], focal_px=1000)
    assert view.gsd_mm(seen, np.zeros(2)) == pytest.approx(1.2, rel=1e-6)


def test_resizing_keeps_places():
    small = view.resized(STANDING, (400, 300))
    corner = np.array([[-0.5, -0.5], [1599.5, 1199.5]])
    same = np.array([[-0.5, -0.5], [399.5, 299.5]])
    assert view.unproject(small, same)[1] == pytest.approx(view.unproject(STANDING, corner)[1])
    at = np.array([4.0, 3.0])
    assert view.gsd_mm(small, at) == pytest.approx(4 * view.gsd_mm(STANDING, at))


# ---------------------------------------------------------------------------------------------------- poses


@pytest.mark.parametrize("roll", [0.0, 95.0, 180.0])
def test_pose_from_a_card(roll):
    true = camera([0.5, -0.6, 1.2], [0.05, 0.0], roll_deg=roll)
    got = view.from_card(photo(1200.0), card_sighting(true, noise=0.2, seed=1))
    assert got.kind == "spot"
    assert got.focal_from == "exif"
    assert got.camera_m == pytest.approx(true.camera_m, abs=0.04)
    assert got.tilt_deg == pytest.approx(true.tilt_deg, abs=1.0)
    at = np.array([[0.4, 0.3], [-0.5, 0.2]])
    assert view.unproject(got, view.project(true, at)) == pytest.approx(at, abs=0.01)


def test_straight_above_without_a_focal_length_stays_near_a_usual_phone():
    usual = view.focal_from_35mm(26, SIZE)
    true = camera([0.0, -0.02, 1.2], [0.0, 0.0], focal_px=usual * 1.15)
    got = view.from_card(photo(), card_sighting(true, noise=0.1, seed=2))
    assert got.focal_from == "solved"
    assert 0.85 * usual < got.focal_px < 1.35 * usual
    assert got.pose_cov is not None
    assert math.sqrt(got.pose_cov[5, 5]) > 0.05  # it owns up to not knowing the height
    at = np.array([[0.4, 0.3], [-0.5, 0.2]])
    assert view.unproject(got, view.project(true, at)) == pytest.approx(at, abs=0.015)


def test_tilted_without_a_focal_length_it_is_solved():
    true = camera([4.0, -3.0, 4.5], [4.0, 3.0], focal_px=1500)
    marks = view.project(true, LAWN) + RNG(3).normal(0, 0.5, (4, 2))
    got = view.from_corners(photo(), marks, LAWN, corner_sd_px=0.5)
    assert got.focal_px == pytest.approx(1500, rel=0.02)
    assert got.camera_m == pytest.approx(true.camera_m, abs=0.1)


def test_five_corners():
    true = camera([3.0, -4.0, 5.0], [4.0, 3.0])
    got = view.from_corners(photo(1200.0), view.project(true, WEDGE), WEDGE)
    assert got.camera_m == pytest.approx(true.camera_m, abs=0.01)
    assert (got.kind, got.focal_from) == ("lawn", "exif")


@pytest.mark.parametrize("focal", [None, 1200.0])
def test_placement_is_honest(focal):
    true = camera([3.0, -4.0, 5.0], [4.0, 3.0])
    at = np.array([[1.0, 1.0], [4.0, 3.0], [7.0, 5.5]])
    off, told = [], []
    for seed in range(60):
        marks = view.project(true, WEDGE) + RNG(seed).normal(0, 2.0, WEDGE.shape)
        got = view.from_corners(photo(focal), marks, WEDGE, corner_sd_px=2.0)
        off.append(np.linalg.norm(view.unproject(got, view.project(true, at)) - at, axis=1))
        told.append(view.placement_m(got, at))
    ratio = np.sqrt(np.mean(np.square(off), axis=0) / np.mean(np.square(told), axis=0))
    assert ratio == pytest.approx(np.ones(3), abs=0.35)


def test_a_cards_places_get_worse_with_distance():
    got = view.from_card(photo(1200.0), card_sighting(camera([0.3, -1.2, 1.5], [0.1, 0.4]), 0.3))
    near, far = view.placement_m(got, np.array([[0.1, 0.1], [0.0, 5.0]]))
    assert near < 0.005
    assert far > 5 * near


# ------------------------------------------------------------------------------------------------- mistakes


def marks_in(order):
    return view.project(STANDING_BACK, LAWN)[list(order)]


STANDING_BACK = camera([3.0, -4.0, 3.0], [4.0, 3.0])


@pytest.mark.parametrize(
    ("order", "words"),
    [
        ((0, 2, 1, 3), "swap corners B and C"),
        ((0, 1, 3, 2), "swap corners C and D"),
        ((0, 3, 2, 1), "swap corners B and D"),
        (
            (1, 2, 3, 0),  # half a turn of a rectangle is the same one: only the user knows which corner is A
            "begins at the lawn's corner A: B, C, D, A: in lawn.toml .*; or D, A, B, C: in lawn.toml ",
        ),
    ],
)
def test_corners_in_the_wrong_order_are_named(order, words):
    with pytest.raises(ViewError, match=words):
        view.from_corners(photo(1200.0), marks_in(order), LAWN)


def test_corners_in_the_wrong_order_come_back_in_the_right_one_to_be_pasted():
    right = view.project(STANDING_BACK, LAWN)
    with pytest.raises(ViewError) as error:
        view.from_corners(photo(1200.0), marks_in((0, 2, 1, 3)), LAWN)
    pasted = tomllib.loads(str(error.value).split("in lawn.toml ")[1])
    np.testing.assert_allclose(pasted["corners_px"], right, atol=0.06)


def test_corners_listed_backwards_are_named():
    marks = view.project(STANDING_BACK, WEDGE)[::-1]
    with pytest.raises(ViewError, match="order of the present marks: E, D, C, B, A"):
        view.from_corners(photo(1200.0), marks, WEDGE)


def test_too_few_corners():
    with pytest.raises(ViewError, match="at least four corners, got 3 marks"):
        view.from_corners(photo(), view.project(STANDING, LAWN)[:3], LAWN[:3])


def test_marks_and_outline_must_pair():
    with pytest.raises(ViewError, match="got 5 marks for 4 corners"):
        view.from_corners(photo(), np.zeros((5, 2)), LAWN)


def test_outline_that_crosses_itself():
    with pytest.raises(ViewError, match="side 1 crossing side 3"):
        view.from_corners(photo(), marks_in((0, 1, 2, 3)), LAWN[[0, 2, 1, 3]])


def test_outline_the_wrong_way_round():
    with pytest.raises(ViewError, match="anticlockwise"):
        view.from_corners(photo(), marks_in((0, 1, 2, 3)), LAWN[::-1])


def test_marks_of_another_lawn():
    marks = np.array([[100, 1100], [1500, 1150], [1450, 1000], [200, 100]], dtype=float)
    with pytest.raises(ViewError, match="fit none"):
        view.from_corners(photo(1200.0), marks, LAWN)


def test_lengths_that_fit_no_marks_are_named():
    """A corner typed as 18 for 8: whoever measured sees which side it is."""
    mistyped = np.array([[0, 0], [8, 0], [18, 6], [0, 6]], dtype=float)
    marks = np.array([[100, 1100], [1500, 1150], [1450, 1000], [200, 100]], dtype=float)
    with pytest.raises(ViewError, match=r"lengths: A–B 8\.00, B–C 11\.66, C–D 18\.00, D–A 6\.00 m$"):
        view.from_corners(photo(1200.0), marks, mistyped)


# ------------------------------------------------------------------------------------------- angle of view


def extinction(zenith_deg, *, leaf_angle):
    """G(theta) / cos(theta) of Campbell's ellipsoidal leaf-angle distribution.

    sqrt(chi^2 + tan^2 theta) / Lambda, with Lambda = 2 at chi = 1 (spherical) [1]_.

    .. [1] Campbell, G. S. (1986). Extinction coefficients for radiation in plant canopies calculated using an
       ellipsoidal inclination angle distribution. Agricultural and Forest Meteorology 36, 317-321.
    """
    chi = leaf_angle
    if abs(chi - 1) < 1e-6:
        size = 2.0
    elif chi < 1:
        round_ = math.sqrt(1 - chi**2)
        size = chi + math.asin(round_) / round_
    else:
        round_ = math.sqrt(1 - chi**-2)
        size = chi + math.log((1 + round_) / (1 - round_)) / (2 * round_ * chi)
    return np.sqrt(chi**2 + np.tan(np.radians(zenith_deg)) ** 2) / size


def projection(zenith_deg, *, leaf_angle):
    """G(theta): mean projection of a unit of leaf area towards the zenith angle, Campbell's distribution."""
    return extinction(zenith_deg, leaf_angle=leaf_angle) * np.cos(np.radians(zenith_deg))


def projected(zenith, density):
    """G(theta) of a density of leaf inclinations, by integration (Goudriaan 1988; Warren Wilson 1960)."""
    leaf = np.linspace(1e-6, np.pi / 2 - 1e-6, 20_001)
    weight = density(leaf)
    weight = weight / np.trapezoid(weight, leaf)
    cot = 1 / np.maximum(np.tan(leaf) * np.tan(max(zenith, 1e-9)), 1e-12)
    turn = np.arccos(np.clip(-cot, -1, 1))
    steep = np.cos(zenith) * np.cos(leaf) * (1 + 2 / np.pi * (np.tan(turn) - turn))
    with np.errstate(invalid="ignore"):
        steep = np.where(cot > 1, np.cos(zenith) * np.cos(leaf), 0.0)
        beta = np.arccos(np.clip(cot, -1, 1))
        other = np.cos(zenith) * np.cos(leaf) * (1 + 2 / np.pi * (np.tan(beta) - beta))
    return float(np.trapezoid(weight * np.where(cot > 1, steep, other), leaf))


def test_de_wits_distributions():
    # de Wit 1965: planophile 8/(3 pi), erectophile 4/(3 pi), spherical 1/2, uniform 2/pi at nadir; at 57.5°
    # 0.4969, 0.5041, 0.5 (analytic). They hold the integral to which Campbell's form is held below.
    planophile = lambda a: 2 * (1 + np.cos(2 * a)) / np.pi  # noqa: E731
    erectophile = lambda a: 2 * (1 - np.cos(2 * a)) / np.pi  # noqa: E731
    at = math.radians(57.5)
    assert projected(0, planophile) == pytest.approx(8 / (3 * np.pi), abs=1e-4)
    assert projected(0, erectophile) == pytest.approx(4 / (3 * np.pi), abs=1e-4)
    assert projected(0, np.sin) == pytest.approx(0.5, abs=1e-4)
    assert projected(0, np.ones_like) == pytest.approx(2 / np.pi, abs=1e-4)
    assert [projected(at, d) for d in (planophile, erectophile, np.sin)] == pytest.approx(
        [0.4969, 0.5041, 0.5], abs=1e-4
    )


@pytest.mark.parametrize("chi", [0.3, 0.7, 1.0, 1.8, 4.0])
@pytest.mark.parametrize("zenith", [0.0, 30.0, 57.5, 70.0])
def test_campbells_closed_form_is_the_integral_of_his_density(chi, zenith):
    # Campbell 1990, Agricultural and Forest Meteorology 49, 173-176, equation 1
    density = lambda a: np.sin(a) / (np.cos(a) ** 2 + chi**2 * np.sin(a) ** 2) ** 2  # noqa: E731
    got = float(projection(np.array(zenith), leaf_angle=chi))
    assert got == pytest.approx(projected(math.radians(zenith), density), abs=2e-4)


def test_spherical_is_one_half_everywhere():
    assert projection(np.linspace(0, 85, 18), leaf_angle=1.0) == pytest.approx(np.full(18, 0.5))


def test_a_spherical_canopy_of_leaf_area_one():
    # analytic: soil shows through 0.6065 at nadir and 0.3679 at 60°, so 39 % cover reads as 63 %
    gap = np.exp(-extinction(np.array([0.0, 60.0]), leaf_angle=1.0))
    assert gap == pytest.approx([0.6065, 0.3679], abs=5e-5)
    got = gapfraction.straight_down(np.array([1 - gap[1]]), np.array([60.0]), leaf_angle=1.0)
    assert got == pytest.approx([1 - gap[0]])


@given(st.floats(0, 1), st.floats(0, 75), st.floats(0.3, 4))
def test_straight_down_never_adds_cover(cover, zenith, chi):
    got = float(gapfraction.straight_down(np.array(cover), np.array(zenith), leaf_angle=chi))
    assert -1e-12 <= got <= cover + 1e-9
    assert float(gapfraction.straight_down(np.array(cover), np.array(0.0), leaf_angle=chi)) == pytest.approx(
        cover
    )


def test_the_angles_error_is_the_slope():
    cover, zenith = np.array([0.2, 0.6, 0.9]), np.array([20.0, 50.0, 62.0])
    up, down = (gapfraction.straight_down(cover, zenith, leaf_angle=math.exp(d)) for d in (0.01, -0.01))
    got = gapfraction.straight_down_se(cover, zenith, leaf_angle=1.0, leaf_angle_sd=0.01)
    assert got == pytest.approx(np.abs(up - down) / 2, rel=1e-3)
    assert float(gapfraction.straight_down_se(np.array(0.5), np.array(0.0))) == 0


@pytest.mark.parametrize("chi", [0.5, 1.0, 2.0])
def test_lean_from_two_photos(chi):
    """Covers by Campbell's closed form with one leaf angle; the lean is how far that is off the usual."""
    rng = RNG(7)
    area = rng.uniform(0.9, 1.1, 80)
    zeniths = [rng.uniform(0, 12, 80), rng.uniform(52, 54, 80)]
    covers = [1 - np.exp(-area * extinction(z, leaf_angle=chi)) + rng.normal(0, 0.02, 80) for z in zeniths]
    usual = float(np.log(gapfraction.leaf_angle_of(covers[1])).mean())
    covers[1][:6] = 0.05  # somebody's feet
    lean, se = gapfraction.fit_lean(covers, zeniths)
    assert abs(math.log(chi) - (usual + lean)) < se
    assert 0.15 <= se < 0.4
    chi_fitted = gapfraction.leaf_angle_of(covers[1], lean=lean)
    down = gapfraction.straight_down(covers[1], zeniths[1], leaf_angle=chi_fitted)
    assert np.median(down - (1 - np.exp(-area * extinction(0.0, leaf_angle=chi)))) == pytest.approx(
        0, abs=0.025
    )


def test_lean_wants_angles_that_differ():
    covers = [np.full(10, 0.5), np.full(10, 0.5)]
    with pytest.raises(ViewError, match="angles that differ, got 0"):
        gapfraction.fit_lean(covers, [np.full(10, 5.0), np.full(10, 8.0)])
