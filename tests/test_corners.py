"""What speaks against marked corners and the outline's lengths where no card tells their size."""

import math
from dataclasses import replace

import numpy as np
import pytest
from posing import photo_of
from yards import OUTLINE_M, view_from

from turfeye import corners, photo, view

SIZE = (1000, 700)
FOCAL_PX = photo.focal_from_35mm(26.0, SIZE)
EYE = view_from((3.0, -3.5, 1.7), (4.2, 2.5, 0.0), focal_px=FOCAL_PX, size_px=SIZE)
WINDOW = view_from((2.0, -3.0, 4.5), (4.0, 3.0, 0.0), focal_px=FOCAL_PX, size_px=SIZE)


def shot(*, header=True):
    return photo_of(np.zeros((SIZE[1], SIZE[0], 3), np.uint8), FOCAL_PX if header else None)


def marked(seen, *, off=0.003, seed=0):
    """The true outline's corners in the photo, as a hand marks them: off by a part of the width."""
    rng = np.random.default_rng(seed)
    return view.project(seen, OUTLINE_M) + rng.normal(0, off * SIZE[0], OUTLINE_M.shape)


def focal_by_vanishing_points(px):
    """Focal length that makes a quadrilateral the picture of a rectangle, whatever its sides.

    The vanishing points v, w of its two pairs of sides are at right angles, so with the principal point p
    f^2 = -(v - p).(w - p) (Caprile and Torre 1990, International Journal of Computer Vision 4:127).
    """
    a, b, c, d = np.column_stack([px, np.ones(4)])
    across = np.cross(np.cross(a, b), np.cross(d, c))
    along = np.cross(np.cross(b, c), np.cross(a, d))
    middle = (np.array(SIZE) - 1) / 2
    return math.sqrt(-((across[:2] / across[2] - middle) @ (along[:2] / along[2] - middle)))


@pytest.mark.parametrize("seen", [EYE, WINDOW])
@pytest.mark.parametrize("mm", [20.0, 26.0, 34.0])
def test_the_lens_is_that_of_the_vanishing_points(seen, mm):
    """Whatever the header says: here always 26 mm."""
    focal_px = photo.focal_from_35mm(mm, SIZE)
    other = replace(seen, camera_matrix=view.camera_matrix(focal_px, SIZE))
    px = marked(other, off=0)
    assert focal_by_vanishing_points(px) == pytest.approx(focal_px, rel=1e-6)
    found_mm, sd, off_px = view.lens_by_corners(shot(), px, OUTLINE_M)
    assert found_mm == pytest.approx(mm, rel=0.01)
    assert 0 < sd < 0.1
    assert off_px < 0.5


@pytest.mark.parametrize("seen", [EYE, WINDOW])
@pytest.mark.parametrize("header", [True, False])
def test_right_lengths_are_not_doubted_however_large_they_are(seen, header):
    for seed in range(20):
        for times in (0.5, 1.0, 2.0):
            px = marked(seen, off=0.006, seed=seed)
            assert corners.of_lens(shot(header=header), px, times * OUTLINE_M) == []


@pytest.mark.parametrize("seen", [EYE, WINDOW])
@pytest.mark.parametrize("times", [0.75, 0.8, 1.25, 1.4])
def test_an_outline_too_long_or_too_narrow_is_told(seen, times):
    for seed in range(20):
        (said,) = corners.of_lens(shot(), marked(seen, seed=seed), OUTLINE_M * [1, times])
        assert said.endswith(corners.MEND)


def test_it_is_told_by_the_lens_that_the_header_has():
    (said,) = corners.of_lens(shot(), marked(EYE), OUTLINE_M * [1, 1.2])
    assert "need a lens of 31 mm (as on 35 mm film), and the photo was taken with 26 mm" in said


def test_a_longer_lens_may_be_a_part_of_a_photo():
    """Its header still tells the whole photo's; a shorter one can't be."""
    cut = replace(EYE, camera_matrix=view.camera_matrix(1.3 * FOCAL_PX, SIZE))
    (said,) = corners.of_lens(shot(), marked(cut), OUTLINE_M)
    assert "the photo was taken with 26 mm: the photo was cropped or zoomed (mark the whole one)" in said
    (said,) = corners.of_lens(shot(), marked(EYE), OUTLINE_M * [1, 0.75])
    assert "cropped" not in said


def test_without_a_header_only_what_no_phone_has_is_told():
    (said,) = corners.of_lens(shot(header=False), marked(EYE), OUTLINE_M * [1, 1.6])
    assert "phones' main cameras" in said
    assert "unless it was zoomed or cropped" in said
    assert corners.of_lens(shot(header=False), marked(EYE), OUTLINE_M * [1, 1.15]) == []


def test_one_wrong_corner_is_told_as_a_misfit():
    px = marked(WINDOW)
    px[2] += (0.06 * SIZE[0], 0.01 * SIZE[0])
    (said,) = corners.of_lens(shot(), px, OUTLINE_M)
    assert "miss the outline" in said


def test_where_it_was_taken_from_is_told_and_doubted_where_nobody_stands():
    words = corners.standpoint(EYE, OUTLINE_M)
    assert words.endswith("taken from 1.7 m above the lawn, 4.6 m along the ground from corner A")
    assert math.hypot(3.0, 3.5) == pytest.approx(4.6, abs=0.05)
    assert corners.of_height(EYE) == []
    for times, doubted in ((0.5, True), (4.0, False), (10.0, True)):
        larger = view.from_corners(shot(), marked(EYE, off=0), times * OUTLINE_M)
        assert larger.height_m == pytest.approx(times * 1.7, rel=0.01)
        assert bool(corners.of_height(larger)) == doubted


def test_lengths_by_which_no_camera_sees_the_corners_are_left_to_the_view():
    assert corners.of_lens(shot(), np.array([[0.0, 0], [1, 0], [2, 0], [3, 0]]), OUTLINE_M) == []


def test_a_second_view_marked_round_the_wrong_way_stands_where_the_first_did():
    """Of a lawn that looks alike from both ends neither lens nor lengths tell it."""
    across = view_from((5.1, 9.3, 1.7), (4.0, 3.5, 0.0), focal_px=FOCAL_PX, size_px=SIZE)
    right, wrong = marked(across), np.roll(marked(across), -2, axis=0)
    assert corners.of_lens(shot(), wrong, OUTLINE_M) == []
    seen = {name: view.from_corners(shot(), px, OUTLINE_M) for name, px in (("a", right), ("b", wrong))}
    assert corners.of_other_views(seen["a"], {"step": EYE}) == []
    (said,) = corners.of_other_views(seen["b"], {"step": EYE, "window": WINDOW})
    assert "from where view 'step' was" in said


def test_of_two_orders_that_are_both_off_the_right_one_is_less_astray():
    """As of a proposal with one corner 6 % of the width beside its place, of a lawn that is nearly square."""
    outline_m = np.array([[0.0, 0.0], [6.1, 0.0], [6.1, 4.9], [0.0, 4.9]])
    seen = view_from((8.2, 2.6, 4.1), (3.6, 2.4, 0.0), focal_px=FOCAL_PX, size_px=SIZE)
    px = view.project(seen, outline_m)
    px[1] += (-0.055 * SIZE[0], 0.027 * SIZE[0])
    assert corners.of_lens(shot(), px, outline_m) != []
    right, quarter = (corners.astray(shot(), np.roll(px, -k, axis=0), outline_m) for k in (0, 1))
    assert 0.5 < right < 2
    assert quarter > right + 1
    assert corners.astray(shot(header=False), px, outline_m) <= right
