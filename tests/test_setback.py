"""Setbacks: losses that are seen, that are hidden by growth, and that are still to come."""

from __future__ import annotations

import numpy as np
import pytest

from turfeye import setback

X = np.array([4, 9, 14, 18, 22, 26, 30, 50.0])


def test_a_visible_loss_is_a_setback_until_it_is_made_good():
    lawn = np.array([0.1, 0.2, 0.5, 0.7, 0.45, 0.60, 0.75, 0.9])
    cover = np.tile(lawn, (20, 1))
    flagged = setback.fallen(cover, X, 0.022)
    assert flagged.tolist() == [False, False, False, False, True, True, False, False]
    assert not setback.fallen(np.sort(cover, axis=1), X, 0.022).any()


def test_what_remains_halves_and_little_offsets_leave_nothing():
    offset = np.array([0.0, 0.02, -0.05, 0.0, -0.20, 0.0, 0.0, 0.0])
    left = setback.remaining(offset, X, 0.022)
    assert (left[:5] == 0).all()
    assert left[5] == pytest.approx(-0.20 * 0.5 ** (4 / setback.HALF_DAYS))
    assert left[7] == pytest.approx(-0.20 * 0.5 ** (28 / setback.HALF_DAYS))
    assert (setback.remaining(-offset.clip(max=0), X, 0.022) == 0).all()


def test_the_last_visits_loss_is_made_good():
    loss = setback.Loss.on_last(np.array([0.0, 0.01, -0.2]), 0.022, 24.0)
    assert loss.at(np.array([20.0, 24.0, 24.0 + setback.HALF_DAYS])) == pytest.approx([0, -0.2, -0.1])
    assert setback.Loss.on_last(np.array([-0.2, 0.0, -0.05]), 0.022, 24.0).cover == 0


def test_a_setback_to_come_is_likelier_the_longer_one_waits():
    when, depth = np.random.default_rng(0).standard_normal((2, 4000))
    soon, later = (setback.ahead(10.0, age, when, depth) for age in (12.0, 24.0))
    # a fortnight at 0.015 a day before the first cuts: 1 - exp(-0.21) = 19 %
    assert np.mean(later > 0) == pytest.approx(0.19, abs=0.02)
    assert np.mean(soon > 0) == pytest.approx(0.03, abs=0.01)
    assert later.max() <= setback.DEPTH[1]
