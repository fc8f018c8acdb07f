"""The table-level simulator, and the season's promises measured on it (invented lawns, known futures)."""

import time
from dataclasses import replace

import bench_season as bench
import numpy as np
import pytest

from turfeye import outlook
from turfeye.simulate.tables import CLEAR_DEFICIT, WORLDS, TableRecipe, lawn, smooth_field

SMALL = TableRecipe(rows=12, cols=18, failed_patches=2)


def test_same_seed_same_lawn():
    one, two = lawn(5, SMALL), lawn(5, SMALL)
    assert one[0].cover.tobytes() == two[0].cover.tobytes()
    assert one[0].cover.tobytes() != lawn(6, SMALL)[0].cover.tobytes()


def test_the_truth_does_not_depend_on_when_it_is_looked_at():
    early, late = lawn(5, SMALL, until_day=14), lawn(5, SMALL, until_day=28)
    np.testing.assert_array_equal(early[1].cover, late[1].cover)
    visits = len(early[0].visits)
    np.testing.assert_array_equal(early[0].cover, late[0].cover[:, :visits])
    assert early[0].age_days.max() <= 14 < late[0].age_days.max()


@pytest.mark.parametrize("world", WORLDS)
def test_worlds_stay_within_bounds(world):
    season, truth = lawn(3, replace(SMALL, world=world))
    assert truth.cover.min() >= 0
    assert truth.cover.max() <= 1
    seen = np.isfinite(season.cover)
    assert 0.8 < seen.mean() < 1
    np.testing.assert_array_equal(seen, np.isfinite(season.cover_se))


def test_stated_errors_are_the_true_ones():
    quiet = replace(SMALL, visit_offset_sd=0.0, rows=40, cols=60, setback=0.0)
    season, truth = lawn(8, quiet)
    true = truth.cover[:, season.age_days.astype(int)]
    z = ((season.cover - true) / season.cover_se)[(true > 0.15) & (true < 0.85)]
    assert np.nanstd(z) == pytest.approx(1, abs=0.05)
    assert np.nanmean(z) == pytest.approx(0, abs=0.05)


def test_thin_is_what_its_definition_says():
    recipe = replace(SMALL, failed_patches=4)
    _, truth = lawn(9, recipe)
    assert truth.thin.any()
    assert (truth.cover[truth.thin, recipe.target_day] < recipe.target_cover - CLEAR_DEFICIT).all()
    assert (truth.failed[truth.thin] > 0).all()
    assert not (truth.thin & truth.grey).any()


def test_a_healthy_lawn_has_no_thin_cell():
    assert not lawn(9, replace(SMALL, failed_patches=0))[1].thin.any()


def test_a_setback_recovers():
    recipe = replace(SMALL, setback=1.0)
    _, hit = lawn(10, recipe)
    day = int(hit.setback_day)
    assert hit.cover[:, day].mean() < hit.cover[:, day - 1].mean() - 0.02
    sound = ~hit.thin & ~hit.grey
    assert hit.cover[sound, -1].mean() > 0.99 * hit.end_cover[sound].mean()


def test_smooth_field_has_unit_spread_and_its_length():
    field = smooth_field(np.random.default_rng(1), 150, 200, 3.0)
    assert field.std() == pytest.approx(1, abs=0.1)
    near = np.corrcoef(field[:, :-1].ravel(), field[:, 1:].ravel())[0, 1]
    far = np.corrcoef(field[:, :-20].ravel(), field[:, 20:].ravel())[0, 1]
    # white noise blurred by a Gaussian of s cells correlates as exp(-d^2 / (4 s^2))
    assert near == pytest.approx(np.exp(-1 / 36), abs=0.02)
    assert abs(far) < 0.15


# --- what the season promises, on lawns that nothing was tuned on -----------------------------------------


@pytest.fixture(scope="module")
def scores():
    return bench.scores(range(500, 516), SMALL, (14, 21, 28))


def test_intervals_hold_the_truth(scores):
    held = [np.mean(scores[day]["held"]) for day in (14, 21, 28)]
    # cells of a lawn err together, so 16 lawns leave four points of chance on each figure
    assert min(held) > 0.80
    assert 0.84 < np.mean(held) < 0.96


def test_a_young_lawns_forecast_leans_neither_way(scores):
    for day in (14, 21, 28):
        assert abs(np.mean(scores[day]["lean"])) < 0.03


def test_dates_of_eighty_per_cent_of_closed_turf(scores):
    assert np.mean(scores[21]["dates"]) <= 2


def test_thin_cells_are_found_and_few_others(scores):
    precision, recall = bench.precision_recall(scores[28]["thin"])
    assert precision >= 0.95
    # the aim, 0.95 of larger lawns, is measured by the bench; what these small ones miss are rims of patches,
    # a third bare, and one lawn whose last visits were not made
    assert recall >= 0.90
    precision, recall = bench.precision_recall(scores[21]["thin"])
    assert precision >= 0.90
    assert recall >= 0.75  # 0.85 of larger lawns


def test_a_mask_that_was_not_finished_is_told():
    mask = np.zeros((120, 160), bool)
    mask[20:100, 30:130] = True
    assert not bench.is_whole(mask)  # much plant, and an empty frame
    mask[0, 5] = True
    assert bench.is_whole(mask)
    sparse = np.zeros((120, 160), bool)
    sparse[60, 60:80] = True
    assert bench.is_whole(sparse)  # young plants needn't touch the rim


def test_nothing_is_thin_on_day_nine():
    for seed in range(520, 526):
        season, _ = lawn(seed, SMALL, until_day=9)
        assert "thin" not in outlook.fit(season).state


def test_healthy_lawns_are_left_in_peace():
    wrong = cells = 0
    for seed in range(600, 615):
        season, truth = lawn(seed, replace(SMALL, failed_patches=0), until_day=28)
        counts = bench.thin_counts(season, truth, bench.fitted(season))
        wrong, cells = wrong + counts[:2].sum(), cells + counts[3]
    assert wrong <= 0.01 * cells


def test_more_sure_is_more_right():
    sure, right = [], []
    for seed in range(640, 648):
        season, truth = lawn(seed, SMALL, until_day=28)
        made = outlook.fit(season)
        sure.append(made.p_on_target)
        right.append(truth.cover[:, SMALL.target_day] >= SMALL.target_cover)
    sure, right = np.concatenate(sure), np.concatenate(right)
    assert right[sure > 0.9].mean() > 0.9
    assert right[sure < 0.1].mean() < 0.1


def test_time_grows_linearly_with_cells():
    def seconds(rows):
        season, _ = lawn(1, TableRecipe(rows=rows, cols=60, lost_visit=0))
        start = time.process_time()
        outlook.fit(season)
        return time.process_time() - start

    seconds(10)
    small, large = seconds(35), seconds(140)
    assert large < 6 * small  # four times the cells
