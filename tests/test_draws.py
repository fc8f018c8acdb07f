"""Draws from a fit: even points have normal quantiles, kinds fall by their odds, curves spread as told."""

from statistics import NormalDist
from types import SimpleNamespace

import numpy as np
import pytest

from turfeye import draws
from turfeye.curve import P
from turfeye.kinds import FAILED, KINDS


@pytest.mark.parametrize(("count", "dims"), [(128, P + 4), (600, P), (200, 1)])
def test_even_points_are_normal_in_every_dimension(count, dims):
    points = draws.even_points(count, dims)
    normal = NormalDist()  # the standard library's own inverse
    want = [normal.inv_cdf((k + 0.5) / count) for k in range(count)]
    assert points.shape == (count, dims)
    for column in points.T:
        assert np.sort(column) == pytest.approx(want, abs=1e-9)


def test_kinds_fall_by_their_odds():
    odds = np.linspace(1, 3, KINDS * 5).reshape(KINDS, 5)
    odds /= odds.sum(axis=0)
    chance = np.broadcast_to((np.arange(1000) + 0.5) / 1000, (5, 1000))
    fell = draws.kinds_at(chance, odds)
    for which in range(KINDS):
        assert (fell == which).mean(axis=1) == pytest.approx(odds[which], abs=2e-3)


@pytest.mark.parametrize("which", range(KINDS))
def test_curves_spread_as_the_cells_and_what_they_share_do(which):
    rng = np.random.default_rng(which)
    shared = 3

    def spread(size):
        root = rng.standard_normal((size, size))
        return root @ root.T / size + 0.1 * np.eye(size)

    found = SimpleNamespace(
        theta=rng.standard_normal((KINDS, 2, P)),
        cov=np.array([[spread(P) for _ in range(2)] for _ in range(KINDS)]),
        pull=rng.standard_normal((KINDS, 2, P, shared)),
        shared_cov=spread(shared),
        odds=np.repeat(np.eye(KINDS)[which][:, None], 2, axis=1),
    )
    points = draws.even_points(4000, P + 1)
    theta, failed = draws.curves(found, slice(None), points[:, :P], points[:, P])
    assert theta.shape == (2, 4000, P)
    assert (failed == (which == FAILED)).all()
    for cell in range(2):
        pull = found.pull[which, cell]
        want = found.cov[which, cell] + pull @ found.shared_cov @ pull.T
        off = np.cov(theta[cell].T) - want
        assert np.abs(off).max() < 0.05 * np.abs(want).max()
        assert theta[cell].mean(axis=0) == pytest.approx(found.theta[which, cell], abs=0.05)
