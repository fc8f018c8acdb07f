"""Cells against pictures painted so that the answer is known by arithmetic."""

from dataclasses import replace

import numpy as np
import pytest

from turfeye import cells, colourspace, covererror, faults
from turfeye.card_layout import NOMINAL
from turfeye.errors import ViewError
from turfeye.records import Correction, Pixels, Shares, View

WIDTH, HEIGHT = 640, 400


def camera(*, height_m=1.3, tilt_deg=0.0, focal_px=500.0, at=(0.0, 0.0)):
    """A camera above ``at``, its top towards +y, tilted to look towards +y."""
    tilt = np.radians(tilt_deg)
    forward = np.array([0, np.sin(tilt), -np.cos(tilt)])
    right = np.array([1.0, 0, 0])
    down = np.cross(forward, right)
    rotation = np.stack([right, down, forward])
    place = np.array([*at, height_m])
    matrix = np.array([[focal_px, 0, (WIDTH - 1) / 2], [0, focal_px, (HEIGHT - 1) / 2], [0, 0, 1.0]])
    return View("spot", (WIDTH, HEIGHT), matrix, rotation, -rotation @ place, "given", 0.3)


def ground(seen):
    """Lawn x and y of every pixel, (H, W, 2); NaN above the horizon."""
    x, y = np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT))
    plane = seen.camera_matrix @ np.column_stack([seen.rotation[:, 0], seen.rotation[:, 1], seen.translation])
    point = np.stack([x, y, np.ones_like(x)], axis=-1) @ np.linalg.inv(plane).T
    return np.where(point[..., 2:] > 1e-6, point[..., :2] / point[..., 2:], np.nan)


def shares_of(green):
    green = green.astype(np.float32)
    nothing = np.zeros_like(green)
    return Shares(green, nothing, 1 - green, nothing)


def sound(shape=(HEIGHT, WIDTH), **known):
    """No faults but those given."""
    nowhere = np.zeros(shape, bool)
    return replace(faults.Faults(nowhere.astype(np.uint8), nowhere, False, nowhere, None), **known)


def plain(gain=(1.0, 1.0, 1.0)):
    return Correction((0.0, 0.0), np.array(gain), None, 1.0, 2.0, 0.01, NOMINAL)


def table_of(seen, green, grid=None, *, found=None, rgb_linear=(0.2, 0.2, 0.2), correction=None, grain=0.0):
    linear = np.broadcast_to(np.float32(rgb_linear), (HEIGHT, WIDTH, 3))
    coded = np.rint(colourspace.encode(linear)).astype(np.uint8)
    pixels = Pixels(seen, coded, linear, shares_of(green), correction, smear_px=0.0)
    return cells.measure(
        pixels,
        found or sound(),
        grid or cells.spot_grid(seen, 0.1),
        conditions=covererror.Conditions(grain=grain),
    )


def test_straight_down_cover_is_the_painted_share():
    seen = camera()
    x = ground(seen)[..., 0]
    table = table_of(seen, np.mod(x, 0.1) < 0.03)  # 30 % of every cell, in stripes
    whole = table.seen > 0.99
    assert whole.sum() > 80
    assert np.abs(table.cover_as_seen[whole] - 0.3).max() < 0.02


def test_what_lies_on_part_of_a_cell_may_hide_bare_soil():
    seen = camera()
    x = ground(seen)[..., 0]
    part = np.mod(x, 0.1) < 0.04
    whole = table_of(seen, np.ones(part.shape))
    for fault, more in (
        (faults.THING, covererror.UNDER_THINGS_SE),
        (faults.LEAVES, covererror.UNDER_THINGS_SE),
        (faults.DARK, 0),
    ):
        table = table_of(
            seen, np.ones(part.shape), found=sound(fault=np.where(part, fault, 0).astype(np.uint8))
        )
        inner = (table.state == "seen") & (np.abs(table.x_m) < 0.3) & (np.abs(table.y_m) < 0.3)
        found = np.sqrt(np.maximum(table.cover_se[inner] ** 2 - whole.cover_se[inner] ** 2, 0))
        assert found == pytest.approx(np.full(inner.sum(), more * 0.4), abs=0.02)


def test_rows_run_away_from_the_reader_and_columns_to_the_right():
    seen = camera()
    xy = ground(seen)
    table = table_of(seen, (xy[..., 0] > 0) & (xy[..., 1] > 0))
    seen_cells = table.state == "seen"
    corner = (table.x_m > 0) & (table.y_m > 0) & seen_cells
    assert table.cover_as_seen[corner].min() > 0.95
    assert table.cover_as_seen[~corner & seen_cells].max() < 0.05


def test_a_tilted_view_weighs_pixels_by_the_ground_they_cover():
    seen = camera(tilt_deg=40, height_m=1.5)
    y = ground(seen)[..., 1]
    table = table_of(seen, np.mod(y, 0.2) < 0.1, grid=cells.spot_grid(seen, 0.2))
    whole = (table.seen > 0.99) & (table.state == "seen") & (table.gsd_mm < 8)
    assert whole.sum() > 10
    # Unweighted, the nearer half of every cell would count for more than half.
    assert abs(table.cover_as_seen[whole].mean() - 0.5) < 0.01


def test_oblique_cells_are_not_seen_and_say_why():
    seen = camera(tilt_deg=62, height_m=1.6)
    table = table_of(seen, np.zeros((HEIGHT, WIDTH)), grid=cells.spot_grid(seen, 0.5))
    far = table.zenith_deg > cells.MAX_ZENITH_DEG
    assert far.any()
    assert (table.state[far] == "not seen").all()
    assert np.isnan(table.cover[far]).all()
    assert any("oblique" in why for why in table.why[far])


@pytest.mark.parametrize("cell_m", [0.0, -0.1, np.nan, np.inf])
def test_cells_need_a_size(cell_m):
    with pytest.raises(ViewError, match="wanted a cell's side above 0 m"):
        cells.spot_grid(camera(), cell_m)


def test_more_cells_than_can_be_told_apart_are_refused():
    grid = cells.spot_grid(camera(), 0.001)
    with pytest.raises(ViewError, match="make the cells larger"):
        table_of(camera(), np.zeros((HEIGHT, WIDTH)), grid=grid)


def test_nothing_above_the_horizon_is_taken_for_ground():
    seen = camera(tilt_deg=85, height_m=1.6)
    green = np.zeros((HEIGHT, WIDTH))
    green[: HEIGHT // 4] = 1  # sky painted green
    table = table_of(seen, green, grid=cells.spot_grid(seen, 0.5))
    assert np.nansum(table.cover_as_seen) == 0


def test_the_outline_cuts_cells_and_keeps_their_share():
    seen = camera(height_m=2.0)
    outline = np.array([[-0.55, -0.4], [0.5, -0.4], [0.5, 0.4], [-0.55, 0.4]])
    grid = cells.lawn_grid(outline, 0.2)
    xy = ground(seen)
    inside = (xy[..., 0] > -0.55) & (xy[..., 0] < 0.5) & (np.abs(xy[..., 1]) < 0.4)
    table = table_of(seen, ~inside, grid=grid)  # everything beside the lawn is green
    assert table.area_m2.sum() == pytest.approx(1.05 * 0.8, rel=1e-6)
    assert np.nanmax(table.cover_as_seen) < 0.06


def test_a_fault_takes_a_cell_out_and_gives_the_reason():
    seen = camera()
    x = ground(seen)[..., 0]
    table = table_of(seen, np.ones((HEIGHT, WIDTH)), found=sound(fault=np.where(x > 0.2, faults.BURNT, 0)))
    lost = table.x_m > 0.2
    assert (table.why[lost & (table.seen == 0) & (np.abs(table.y_m) < 0.3)] == "burnt out").any()
    assert (table.state[table.x_m < 0.1] == "seen").any()
    assert np.isnan(table.cover[lost]).all()


def test_colour_is_unknown_without_a_correction():
    table = table_of(camera(), np.ones((HEIGHT, WIDTH)))
    assert np.isnan(table.dgci).all()


def test_cover_under_a_cast_beyond_correcting_is_as_unsure_as_without_a_card():
    """Colours that a card could not put right say no more of cover than a picture without one."""
    seen, half = camera(), np.full((HEIGHT, WIDTH), 0.5, np.float32)
    none = table_of(seen, half)
    given_up = table_of(seen, half, correction=plain([1.0, 1.0, 5.1]))
    assert given_up.cover_se == pytest.approx(none.cover_se, nan_ok=True)
    mended = table_of(seen, half, correction=plain([1.0, 1.0, 4.9]))
    assert (mended.cover_se < 0.9 * none.cover_se)[none.state == "seen"].all()


def test_grain_makes_what_is_green_unsure_and_bare_ground_not():
    """By twice the grain of its cover: our own photos in too little light (`covererror.LOST_IN_GRAIN`)."""
    for green in (0.5, 0.0):
        share = np.full((HEIGHT, WIDTH), green, np.float32)
        clean, grainy = (table_of(camera(), share, grain=grain) for grain in (0.0, 0.2))
        known = clean.state == "seen"
        added = grainy.cover_se[known] ** 2 - clean.cover_se[known] ** 2
        assert np.sqrt(np.maximum(added, 0)) == pytest.approx(2 * 0.2 * clean.cover[known], abs=0.005)


def test_colour_in_other_light_is_withheld_with_the_reason_but_cover_stays():
    seen = camera()
    x = ground(seen)[..., 0]
    green = np.ones((HEIGHT, WIDTH))
    table = table_of(
        seen, green, rgb_linear=(0.08, 0.15, 0.04), correction=plain(), found=sound(other_light=x < 0)
    )
    shaded = (table.x_m < 0) & (table.state == "seen")
    assert np.isnan(table.dgci[shaded]).all()
    assert (np.char.find(table.why[shaded], "different light") >= 0).all()
    assert np.isfinite(table.cover[shaded]).all()
    assert np.isfinite(table.dgci[(table.x_m > 0) & (table.state == "seen")]).all()


def test_picture_cells_read_like_the_picture():
    green = np.zeros((HEIGHT, WIDTH), np.float32)
    green[:100, :320] = 1
    table = cells.measure_picture(shares_of(green), sound(green.shape), columns=16)
    assert len(table) == 16 * 10
    top_left = (table.row < 2) & (table.col < 8)
    assert table.cover[top_left].min() > 0.99
    assert table.cover[(table.row > 2)].max() < 0.01
    assert np.isnan(table.x_m).all()


@pytest.mark.parametrize(("height", "rows"), [(426, 11), (410, 10), (30, 1)])
def test_picture_cells_leave_no_row_out_that_shows_half_its_height(height, rows):
    """640 x 426 is 3:2: its lowest row, the ground nearest to the camera, was left out."""
    green = np.zeros((height, 640), np.float32)
    green[-20:] = 1
    table = cells.measure_picture(shares_of(green), sound(green.shape), columns=16)
    assert len(table) == 16 * rows
    if rows == 11:
        assert (table.state == "seen").all()
        assert table.cover[table.row == 10] == pytest.approx(20 / 26, abs=0.02)


@pytest.mark.parametrize("count", [1, 7, 1000])
def test_the_error_of_a_mean_never_falls_below_what_its_cells_share(count):
    rng = np.random.default_rng(count)
    se, weight = rng.uniform(0.02, 0.12, (2, count))
    mean = np.average(se, weights=weight)
    told = covererror.mean_se(se, weight)
    # together and alone, by the sum of the whole covariance matrix
    share = weight / weight.sum()
    corr = np.full((count, count), covererror.SHARED) + (1 - covererror.SHARED) * np.eye(count)
    assert told == pytest.approx(np.sqrt((share * se) @ corr @ (share * se)))
    assert np.sqrt(covererror.SHARED) * mean <= told <= se.max()
    assert covererror.shared_se(se, weight) == pytest.approx(np.sqrt(covererror.SHARED) * mean)


def test_cells_without_weight_have_no_part_in_the_error_of_a_mean():
    se, weight = (
        np.array([[0.1, np.nan], [np.nan, np.nan], [0.1, np.nan]]),
        np.array([[1.0, 0], [0, 0], [1, 0]]),
    )
    assert covererror.mean_se(se, weight) == pytest.approx([0.1 * np.sqrt(0.75), 0])
