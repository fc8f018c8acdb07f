"""Curves: against a certified fit, against numerical slopes, and on lawns whose truth is known."""

import bench_season
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import curve_fit

from turfeye import curve, growth, kinds, states
from turfeye.curve import cover_at, end_cover, reach_time

# NIST Statistical Reference Datasets, Rat42 (Ratkowsky 1983, pasture regrowth): certified parameters
RAT42_X = np.array([9, 14, 21, 28, 42, 57, 63, 70, 79.0])
RAT42_Y = np.array([8.93, 10.8, 18.59, 22.33, 39.35, 56.11, 61.73, 64.62, 67.08])
RAT42_B = np.array([72.462237576, 2.6180768402, 0.067359200066])
# certified standard deviations, from memory; the same to six figures by any other exact fit
RAT42_SD = np.array([1.7340283401, 0.088295217536, 0.0034465663377])


def rat42():
    """Our curve in NIST's parameters: b1 / (1 + exp(b2 - b3 x)), cover as a share."""

    def bare(free):  # nothing stood there before: the lower asymptote is 0
        return np.array([-50.0, *free])

    (gain, rate, half), free_cov = curve_fit(
        lambda x, *free: cover_at(bare(free), x),
        RAT42_X,
        RAT42_Y / 100,
        p0=(1.0, -2.5, 40.0),
        jac=lambda x, *free: curve.value_and_slope(bare(free), x, "logistic")[1][:, 1:],
        xtol=1e-14,
        ftol=1e-14,
    )
    share, pace = 1 / (1 + np.exp(-gain)), np.exp(rate)
    b = np.array([100 * share, pace * half, pace])
    slope = np.zeros((3, 3))
    slope[0, 0] = 100 * share * (1 - share)
    slope[1, 1], slope[1, 2] = pace * half, pace
    slope[2, 1] = pace
    return b, np.sqrt(np.diag(slope @ free_cov @ slope.T)), bare((gain, rate, half))


def test_rat42_certified_parameters():
    b, _, theta = rat42()
    np.testing.assert_allclose(b, RAT42_B, rtol=1e-5)
    residual = RAT42_Y - 100 * cover_at(theta, RAT42_X)
    assert residual @ residual == pytest.approx(8.0565229338, rel=1e-8)
    assert theta[3] == pytest.approx(38.8674, abs=1e-4)  # half-way, computed from the certified values


def test_rat42_certified_standard_deviations():
    _, sd, _ = rat42()
    np.testing.assert_allclose(sd, RAT42_SD, rtol=1e-5)


thetas = st.tuples(
    st.floats(-4, 1), st.floats(-3, 4), st.floats(-2.5, -0.5), st.floats(8, 40)
).map(np.array)  # fmt: skip


@given(thetas, st.floats(1, 60), st.sampled_from(["logistic", "gompertz"]))
def test_slopes_are_the_curves_derivatives(theta, x, shape):
    at = np.array([x])
    value, slope = curve.value_and_slope(theta, at, shape)
    assert value[0] == pytest.approx(float(cover_at(theta, at, shape)[0]))
    for k in range(4):
        step = np.zeros(4)
        step[k] = 1e-6
        numeric = (cover_at(theta + step, at, shape) - cover_at(theta - step, at, shape)) / 2e-6
        assert slope[0, k] == pytest.approx(float(numeric[0]), abs=1e-7)


@given(thetas, st.floats(0.02, 0.98), st.sampled_from(["logistic", "gompertz"]))
def test_reach_time_inverts_the_curve(theta, cover, shape):
    time = float(reach_time(theta, cover, shape))
    start = 1 / (1 + np.exp(-theta[0]))
    if np.isfinite(time):
        assert float(cover_at(theta, np.array(time), shape)) == pytest.approx(cover, abs=1e-6)
    elif time > 0:
        assert cover >= end_cover(theta) - 1e-12
    else:
        assert cover <= start + 1e-12


def test_both_shapes_are_half_way_at_half_days():
    theta = np.array([-2.0, 2.0, -1.3, 21.0])
    half = (1 / (1 + np.exp(2.0)) + end_cover(theta)) / 2
    for shape in ("logistic", "gompertz"):
        assert float(cover_at(theta, np.array(21.0), shape)) == pytest.approx(float(half), abs=1e-12)


def exact_lawn(seed, *, offset=None, cells=300, noise=0.03):
    """A lawn from the fitter's own model: (cover, se, x, theta)."""
    rng = np.random.default_rng(seed)
    x = np.array([3, 7, 10, 14, 17, 21, 24, 28, 33.0])
    theta = np.array([-2.0, 1.05, -1.3, 17.0]) + np.array([0.4, 0.2, 0.12, 1.5]) * rng.standard_normal(
        (cells, 4)
    )
    offset = np.zeros(len(x)) if offset is None else offset
    cover = cover_at(theta[:, None], x) + offset + noise * rng.standard_normal((cells, len(x)))
    return cover, np.full(cover.shape, noise), x, theta


def test_finds_the_lawns_mean_and_spread():
    cover, se, x, _ = exact_lawn(1)
    found = growth.fit(cover, se, x)
    np.testing.assert_array_less(np.abs(found.mean - [-2.0, 1.05, -1.3, 17.0]), [0.25, 0.4, 0.08, 0.5])
    assert 1.1 < found.cell_sd[3] < 1.9
    assert found.noise_scale == pytest.approx(1.0, abs=0.15)
    assert (found.odds[0] > 0.5).mean() > 0.98


def test_pooling_beats_each_cell_alone():
    cover, se, x, theta = exact_lawn(2, cells=200)
    found, _ = growth.fit(cover, se, x).best()
    ahead, truth = np.array(42.0), cover_at(theta, np.array(42.0))
    pooled = np.sqrt(np.mean((cover_at(found, ahead) - truth) ** 2))
    single = np.array([bench_season.own_curve(x, own) for own in cover])
    assert pooled < 0.7 * np.sqrt(np.mean((cover_at(single, ahead) - truth) ** 2))


def test_offsets_of_visits_are_found():
    offset = np.array([0.0, 0.03, -0.03, 0.02, 0.0, -0.04, 0.03, 0.0, -0.02])
    cover, se, x, _ = exact_lawn(3, offset=offset)
    found = growth.fit(cover, se, x)
    # a smooth part of them can't be told from growth; what is left must follow
    assert np.corrcoef(found.offset, offset)[0, 1] > 0.8


def test_a_setback_does_not_bend_the_curve():
    quiet, se, x, theta = exact_lawn(4)
    scalped = quiet.copy()
    scalped[:, 6] -= 0.25
    truth = cover_at(theta, np.array(56.0)).mean()
    for cover in (quiet, scalped):
        found = growth.fit(cover, se, x)
        assert cover_at(found.best()[0], np.array(56.0)).mean() == pytest.approx(truth, abs=0.03)
    assert found.offset[6] < -0.15


def test_a_setback_hidden_by_the_rise_does_not_bend_the_curve():
    # The lawn gains as fast as it loses: no visit is below the one before by what counts as a fall.
    quiet, se, x, theta = exact_lawn(6)
    at = 5  # day 21, in the middle of the rise
    since = np.maximum(x - x[at], 0)
    scalped = quiet * (1 - (x >= x[at]) * 0.3 * 0.5 ** (since / 4))
    assert np.diff(np.median(scalped, axis=0)).min() > -1.5 * growth.Settings().offset_sd
    truth = cover_at(theta, np.array(56.0)).mean()
    for end in (at + 2, at + 3):
        found = growth.fit(scalped[:, :end], se[:, :end], x[:end])
        assert cover_at(found.best()[0], np.array(56.0)).mean() == pytest.approx(truth, abs=0.03)


def test_one_wild_value_does_not_bend_a_cell():
    cover, se, x, theta = exact_lawn(5)
    cover[0, 5] += 0.5
    found, _ = growth.fit(cover, se, x).best()
    assert float(cover_at(found[0], np.array(42.0))) == pytest.approx(
        float(cover_at(theta[0], np.array(42.0))), abs=0.06
    )


def test_failed_and_late_cells_are_told_apart():
    cover, se, x, theta = exact_lawn(6)
    rng = np.random.default_rng(6)
    theta[:10, 1] = -3.0  # nothing more comes
    theta[10:20, 3] += 7.0  # a week late
    changed = slice(0, 20)
    cover[changed] = cover_at(theta[changed, None], x) + 0.03 * rng.standard_normal((20, len(x)))
    found = growth.fit(cover, se, x)
    assert (found.odds[2, :10] > 0.9).all()
    assert (found.odds[2, 10:20] < 0.1).all()
    healthy = found.best()[0][20:]
    assert end_cover(healthy).mean() == pytest.approx(end_cover(theta[20:]).mean(), abs=0.03)


def test_neighbours_tell_of_each_other():
    evidence = np.zeros((kinds.KINDS, 9))
    evidence[2, [1, 3, 5]] = 8.0  # sure failures on three sides of the middle of a 3 x 3 lawn
    place = np.stack(np.divmod(np.arange(9), 3), axis=1)
    share = growth.Prior().shares
    apart = kinds.with_neighbours(evidence, share, None)
    together = kinds.with_neighbours(evidence, share, place)
    assert together[2, 4] > apart[2, 4]
    np.testing.assert_allclose(together.sum(axis=0), 1)


def test_a_patch_of_weak_cells_is_found_and_a_single_one_is_not():
    place = np.stack([part.ravel() for part in np.indices((10, 14))], axis=1)
    inside = (abs(place[:, 0] - 4) <= 1) & (abs(place[:, 1] - 6) <= 1)
    single = (place == [8, 12]).all(axis=1)
    evidence = np.zeros((kinds.KINDS, len(place)))
    evidence[kinds.LAWN] = np.where(inside | single, -3.0, 6.0)
    evidence[kinds.LATE] = -4.0
    odds = kinds.with_neighbours(evidence, growth.Prior().shares, place)
    assert (odds[kinds.FAILED, inside] > 0.5).all()
    assert odds[kinds.FAILED, single] < 0.5
    assert (odds[kinds.FAILED, ~inside & ~single] < 0.01).all()


@pytest.mark.parametrize(("failed", "kind"), [(20.0, kinds.FAILED), (3.0, kinds.LATE)])
def test_a_strip_is_late_or_left_out_by_what_its_own_cells_say(failed, kind):
    # 16 in log odds between the two, as of a strip that held 20 % where its curve as a late one had 67 %
    place = np.stack([part.ravel() for part in np.indices((8, 12))], axis=1)
    strip = place[:, 1] == 2
    evidence = np.zeros((kinds.KINDS, len(place)))
    evidence[kinds.LATE] = np.where(strip, 5.0, -3.0)
    evidence[kinds.FAILED] = np.where(strip, failed, -2.5)
    odds = kinds.with_neighbours(evidence, growth.Prior().shares, place)
    assert (odds[kind, strip] > 0.9).all()
    assert (odds[kinds.LAWN, ~strip] > 0.5).all()


@pytest.mark.parametrize("failed", [2.5, 4.0])
def test_a_strip_that_may_be_late_or_left_out_is_neither_for_sure(failed):
    """Of a lawn half grown on day 33 a missed strip fits both alike: it was told as late, over 99 % sure."""
    place = np.stack([part.ravel() for part in np.indices((11, 10))], axis=1)
    strip = place[:, 1] == 2
    evidence = np.zeros((kinds.KINDS, len(place)))
    evidence[kinds.LATE] = np.where(strip, 3.0, -3.0)
    evidence[kinds.FAILED] = np.where(strip, failed, -1.5)
    odds = kinds.with_neighbours(evidence, growth.Prior().shares, place)
    perhaps = odds[kinds.FAILED, strip]
    assert (perhaps > 0.15).all()
    raised = perhaps * np.exp(states.CAUTION) / (1 - perhaps + perhaps * np.exp(states.CAUTION))
    assert (raised < states.SURE_THIN).all()
    assert (odds[kinds.LATE, strip] > 0.65).all()
    assert (odds[kinds.LAWN, ~strip] > 0.5).all()


def test_a_strip_is_late_in_one_stretch_and_left_out_in_the_next():
    place = np.stack([part.ravel() for part in np.indices((16, 12))], axis=1)
    strip = place[:, 1] == 5
    out = strip & (place[:, 0] >= 8)
    evidence = np.zeros((kinds.KINDS, len(place)))
    evidence[kinds.LATE] = np.where(strip, 3.0, -3.0)
    evidence[kinds.FAILED] = np.where(out, 7.0, np.where(strip, 0.0, -2.5))
    odds = kinds.with_neighbours(evidence, growth.Prior().shares, place)
    clear = abs(place[:, 0] - 7.5) > 1
    assert (odds[kinds.FAILED, out & clear] > 0.9).all()
    assert (odds[kinds.LATE, strip & ~out & clear] > 0.9).all()


def test_a_young_patch_is_found_though_each_of_its_cells_says_little():
    place = np.stack([part.ravel() for part in np.indices((14, 17))], axis=1)
    inside = np.hypot(place[:, 0] - 6, place[:, 1] - 9) < 2.4
    evidence = np.zeros((kinds.KINDS, len(place)))
    evidence[kinds.LATE] = np.where(inside, 0.5, -1.5)
    evidence[kinds.FAILED] = np.where(inside, 1.5, -1.2)
    share = growth.Prior().shares
    alone = kinds.with_neighbours(evidence, share, None)
    together = kinds.with_neighbours(evidence, share, place)
    assert (alone[kinds.FAILED, inside] < 0.25).all()
    assert together[kinds.FAILED, inside].mean() > 0.5
    assert together[kinds.FAILED, ~inside].mean() < 0.02


def test_a_cell_without_neighbours_keeps_its_own_odds():
    evidence = np.array([[0.0], [-1.0], [-0.5]])
    share = growth.Prior().shares
    near = kinds.with_neighbours(evidence, share, np.array([[3, 5]]))
    np.testing.assert_allclose(near, kinds.share_out(evidence + np.log(share)[:, None]), rtol=0.01)


def test_a_straight_row_of_odd_cells_is_late_and_not_failed():
    place = np.stack([part.ravel() for part in np.indices((15, 19))], axis=1)
    row = place[:, 0] == 6
    evidence = np.zeros((kinds.KINDS, len(place)))
    evidence[kinds.LAWN] = np.where(row, -2.0, 2.0)
    odds = kinds.with_neighbours(evidence, growth.Prior().shares, place)
    assert (odds[kinds.LATE, row] > 0.5).all()
    assert (odds[kinds.LAWN, ~row] > 0.9).all()


def test_a_lawn_ends_at_the_same_cover_whatever_it_starts_from():
    # The belief is about the end: nothing seen but the start, the lawn's end stays where it was believed.
    x = np.array([1.0, 3.0, 5.0, 7.0])
    noise = 0.01 * np.random.default_rng(1).standard_normal((30, 4))
    ends = []
    for start in (0.15, 0.5):
        found = growth.fit(start + noise, np.full((30, 4), 0.01), x)
        assert 1 / (1 + np.exp(-found.mean[0])) == pytest.approx(start, abs=0.02)
        ends.append(float(end_cover(found.mean)))
    assert ends == pytest.approx([1 / (1 + np.exp(-growth.Prior().end_logit[0]))] * 2, abs=0.02)


@given(st.floats(-4, 1), st.floats(-2, 3))
def test_the_belief_draws_back_by_its_own_gradient(start, gain):
    prior, mean = growth.Prior(), np.array([start, gain, -1.3, 18.0])
    middle = np.array([prior.start_logit[0], prior.end_logit[0], prior.log_rate[0], prior.half_days[0]])

    def cost(at):
        end = float(end_cover(at))
        away = np.array([at[0], np.log(end / (1 - end)), *at[2:]]) - middle
        return 0.5 * float(((away / prior.sd) ** 2).sum())

    steps = 1e-5 * np.eye(4)
    numeric = [(cost(mean - step) - cost(mean + step)) / 2e-5 for step in steps]
    np.testing.assert_allclose(prior.draw_back(mean)[0], numeric, rtol=1e-4, atol=1e-5)


def test_gaps_stay_gaps_and_unseen_cells_follow_the_lawn():
    cover, se, x, _ = exact_lawn(7)
    cover[0] = np.nan
    cover[1, ::2] = np.nan
    found = growth.fit(cover, se, x)
    theta, cov = found.best()
    assert np.isfinite(theta).all()
    np.testing.assert_allclose(theta[0], found.mean, atol=0.1)
    assert cov[0, 3, 3] > cov[2, 3, 3]


def test_cells_never_seen_lie_anywhere_among_the_others():
    """One of them is fitted for all: the seen ones keep their own curves, in their order."""
    cover, se, x, _ = exact_lawn(5, cells=60)
    alone = growth.fit(cover, se, x)
    gone = np.zeros(150, bool)
    gone[np.random.default_rng(5).permutation(150)[:90]] = True
    more, more_se = np.full((2, 150, len(x)), np.nan)
    more[~gone], more_se[~gone] = cover, se
    found = growth.fit(more, more_se, x)
    for name in ("theta", "cov", "pull", "odds"):
        np.testing.assert_allclose(
            getattr(found, name)[:, ~gone], getattr(alone, name), rtol=1e-9, err_msg=name
        )
    np.testing.assert_allclose(found.theta[kinds.LAWN, gone], np.tile(found.mean, (90, 1)))
    np.testing.assert_allclose(found.cov[kinds.LAWN, gone], np.tile(np.diag(found.cell_sd**2), (90, 1, 1)))


def test_same_input_same_output():
    cover, se, x, _ = exact_lawn(8, cells=60)
    one, two = growth.fit(cover, se, x), growth.fit(cover, se, x)
    assert one.theta.tobytes() == two.theta.tobytes()


def test_gompertz_fits_gompertz_better():
    rng = np.random.default_rng(9)
    x = np.array([3, 7, 10, 14, 17, 21, 24, 28, 35, 42.0])
    theta = np.array([-2.0, 1.2, -1.3, 17.0]) + 0.1 * rng.standard_normal((200, 4))
    cover = cover_at(theta[:, None], x, "gompertz") + 0.02 * rng.standard_normal((200, len(x)))
    error = {}
    for shape in ("logistic", "gompertz"):
        found = growth.fit(cover, np.full(cover.shape, 0.02), x, settings=growth.Settings(curve=shape))
        value = cover_at(found.best()[0][:, None], x, shape)
        error[shape] = np.abs(value - cover_at(theta[:, None], x, "gompertz")).mean()
    assert error["gompertz"] < 0.8 * error["logistic"]
    assert error["gompertz"] < 0.01


def test_mix_table_to_prior():
    prior = growth.Prior.of_spans((19, 5), (4.5, 1.5), (0.77, 0.05))
    assert prior.half_days == (19, 5)
    assert np.exp(-prior.log_rate[0]) == pytest.approx(4.5)
    assert end_cover(prior.mean) == pytest.approx(0.77)
