import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from turfeye import outline
from turfeye.errors import ViewError
from turfeye.records import Grid

L_SHAPE = np.array([[0, 0], [5, 0], [5, 2], [2, 2], [2, 3.5], [0, 3.5]], dtype=float)


def test_shares_of_a_rectangle_by_hand():
    got = outline.cell_shares(
        np.array([[0, 0], [2.5, 0], [2.5, 1.2], [0, 1.2]]), Grid(1.0, 0, 0, rows=2, cols=3)
    )
    assert got == pytest.approx(np.array([[1, 1, 0.5], [0.2, 0.2, 0.1]]))


def test_share_of_a_triangle_by_hand():
    got = outline.cell_shares(
        np.array([[0, 0], [2, 0], [0, 1]], dtype=float), Grid(1.0, 0, 0, rows=1, cols=2)
    )
    assert got == pytest.approx(np.array([[0.75, 0.25]]))


@pytest.mark.parametrize("turned", [False, True])
def test_a_notch_stays_out(turned):
    points = L_SHAPE[::-1] if turned else L_SHAPE
    got = outline.cell_shares(points, Grid(0.5, 0, 0, rows=7, cols=10))
    want = np.ones((7, 10))
    want[4:, 4:] = 0
    assert got == pytest.approx(want)


@given(st.integers(0, 10_000), st.integers(3, 9), st.floats(0.11, 0.9))
def test_shares_add_up_to_the_area(seed, corners, cell_m):
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, corners))
    radius = rng.uniform(0.5, 3, corners)
    star = np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1)
    assume(np.diff(angle, append=angle[0] + 2 * np.pi).max() <= np.pi)  # else no star about the origin
    n = int(np.ceil(6.2 / cell_m))
    got = outline.cell_shares(star, Grid(cell_m, -3.1, -3.1, rows=n, cols=n + 1))
    assert got.sum() * cell_m**2 == pytest.approx(outline.signed_area(star), rel=1e-9, abs=1e-9)


def test_shares_agree_with_counting_points():
    import cv2

    grid = Grid(0.7, -0.3, 0.2, rows=6, cols=9)
    got = outline.cell_shares(L_SHAPE, grid)
    fine = 80
    scale = fine / grid.cell_m
    picture = np.zeros((grid.rows * fine, grid.cols * fine), np.uint8)
    corners = np.rint((L_SHAPE - [grid.x0_m, grid.y0_m]) * scale - 0.5).astype(np.int32)
    cv2.fillPoly(picture, [corners], 1)
    counted = picture.reshape(grid.rows, fine, grid.cols, fine).mean(axis=(1, 3))
    assert got == pytest.approx(counted, abs=0.03)


def test_tape_gives_the_corners_back():
    pairs = {(0, 2): 0.0, (0, 3): 0.0, (0, 4): 0.0}
    lengths = {pair: float(np.hypot(*(L_SHAPE[pair[0]] - L_SHAPE[pair[1]]))) for pair in pairs}
    lengths[(1, 3)] = float(np.hypot(*(L_SHAPE[1] - L_SHAPE[3])))
    lengths[(2, 4)] = float(np.hypot(*(L_SHAPE[2] - L_SHAPE[4])))
    sides = np.hypot(*(np.roll(L_SHAPE, -1, axis=0) - L_SHAPE).T)
    assert outline.from_tape(list(sides), lengths) == pytest.approx(L_SHAPE, abs=1e-6)


def test_a_second_diagonal_spreads_the_tapes_error():
    got = outline.from_tape([8.02, 5.99, 7.98, 6.01], {(0, 2): 10.03, (1, 3): 9.98})
    assert got == pytest.approx(np.array([[0, 0], [8, 0], [8, 6], [0, 6]]), abs=0.06)


def test_tape_too_few_diagonals():
    with pytest.raises(
        ViewError, match=r"wanted 2 diagonals or more for 5 corners.*got 1; .*A to corners C, D"
    ):
        outline.from_tape([4, 4, 4, 4, 4], {(0, 2): 6})


def test_tape_that_contradicts_itself():
    with pytest.raises(ViewError, match=r"agree to 0.15 m, got .* between corners [A-D] and [A-D];"):
        outline.from_tape([8, 6, 8, 6], {(0, 2): 10, (1, 3): 12})


def test_tape_that_forms_no_triangle():
    with pytest.raises(ViewError, match="form a triangle of corners A, B and C"):
        outline.from_tape([8, 6, 8, 6], {(0, 2): 15})


def test_tape_between_corners_that_are_not_there():
    with pytest.raises(ViewError, match=r"corners A to D.*got one to a corner that is not there"):
        outline.from_tape([8, 6, 8, 6], {(0, 5): 10})
    # it would take the place of side D-A
    with pytest.raises(ViewError, match=r"share no side.*got one from A to D: leave it out"):
        outline.from_tape([8, 6, 8, 6], {(0, 2): 10, (0, 3): 9})


def test_crossing_is_found():
    assert outline.crossing_sides(L_SHAPE) is None
    assert outline.crossing_sides(L_SHAPE[[0, 2, 1, 3, 4, 5]]) is not None
