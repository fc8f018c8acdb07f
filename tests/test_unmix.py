"""Shares of cells that a patch takes up: against numerical integration, and on invented lawns."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import norm

from turfeye.simulate.tables import TableRecipe, lawn
from turfeye.unmix import ANY_SHARE, WILD, _sides, in_or_out, unmix


@pytest.mark.parametrize("likely", [ANY_SHARE, (-0.4, 0.4), (1.1, 0.4)])
@pytest.mark.parametrize("inside_se", [0.0, 0.2])
def test_shares_agree_with_numerical_integration(likely, inside_se):
    before = norm(*likely)
    for share, se in [(-0.2, 0.15), (0.3, 0.05), (0.55, 0.3), (0.95, 0.2), (1.3, 0.25)]:
        ends = np.array(
            [
                norm.pdf(share, 0, se) * before.cdf(0),
                norm.pdf(share, 1, np.hypot(se, inside_se)) * before.sf(1),
            ]
        )
        edge = [
            quad(lambda f, k=k: f**k * norm.pdf(share, f, se) * before.pdf(f), 0, 1, points=[0.3])[0]  # noqa: B023
            for k in range(3)
        ]
        total = ends.sum() + edge[0]
        mean, square = (ends[1] + edge[1]) / total, (ends[1] + edge[2]) / total
        found = in_or_out(np.array([share]), np.array([se]), inside_se=inside_se, likely=likely)
        assert found[0][0] == pytest.approx(mean, abs=1e-6)
        assert found[1][0] == pytest.approx(np.sqrt(square - mean**2), abs=1e-5)
        assert found[2][0] == pytest.approx(0.5 * (share / se) ** 2 + np.log(se * total), abs=1e-6)


def test_outside_inside_and_edge_are_alike_before_anything_is_seen():
    before = norm(*ANY_SHARE)
    assert before.cdf(0) == pytest.approx(1 / 3, abs=1e-3)
    assert before.sf(1) == pytest.approx(1 / 3, abs=1e-3)


@given(st.floats(-50, 50), st.floats(1e-4, 3), st.floats(0, 1), st.floats(-0.4, 1.6))
@example(24.0, 1.5, 0.0, -0.375)
def test_shares_stay_shares(share, se, inside_se, before):
    shares = np.array([share, share + 0.3])
    for likely in (ANY_SHARE, (before, 0.4)):
        mean, sd, evidence = in_or_out(shares, np.full(2, se), inside_se=inside_se, likely=likely)
        assert np.all((mean >= 0) & (mean <= 1) & (sd >= 0) & (sd <= 0.5 + 1e-9))
        assert np.isfinite(evidence).all()
        # Far beyond is inside: nothing there brings it back to the lawn, but for a prior that says outside by
        # up to 1 to 800 where inside explains the share hardly better (22 by 2: e^5.4 times). A share that is
        # wilder than `WILD` counts as that wild only.
        noise = np.hypot(se, inside_se)
        counted = min(share, 1 + WILD * noise)
        better = np.inf if likely is ANY_SHARE else (counted - 0.5) / noise**2
        if share > 1 + 10 * noise and better > 10:
            assert mean.min() > 0.3


# -- on invented lawns ---------------------------------------------------------------------------------------

RECIPE = TableRecipe(
    rows=14, cols=18, failed_patches=0, lagging_strips=0, setback=0, lost_visit=0, start_cover=(0.15, 0.25)
)


def lawn_with_hole(seed, *, radius_m, filled=0.08):
    """A lawn seen until day 28 with a disc where little came up; its shares, and each cell's distance."""
    season, truth = lawn(seed, RECIPE)
    rng = np.random.default_rng(seed)
    x, y = np.array([4.5, 3.5]) + rng.uniform(-0.25, 0.25, 2)
    step = (np.arange(20) + 0.5) / 20 * RECIPE.cell_m - RECIPE.cell_m / 2
    away_x, away_y = np.meshgrid(step, step)
    inside = (
        np.hypot(
            season.x_m[:, None, None] + away_x - x,
            season.y_m[:, None, None] + away_y - y,
        )
        < radius_m
    )
    share = inside.mean(axis=(1, 2))
    days = [int(visit.age_days) for visit in season.visits]
    grown = truth.cover[:, days] - truth.cover[:, :1]
    away_m = np.where(np.isfinite(season.cover).any(axis=1), np.hypot(season.x_m - x, season.y_m - y), np.inf)
    season = replace(season, cover=season.cover - share[:, None] * (1 - filled) * grown)
    return season, truth, share, away_m


def areas_apart(radius_m, seeds):
    """Relative errors of the area of one disc on each of some lawns."""
    apart = []
    for seed in seeds:
        season, truth, share, away_m = lawn_with_hole(seed, radius_m=radius_m)
        cells = away_m < radius_m + 0.6
        sound = ~cells & (away_m <= np.sort(away_m)[cells.sum() + 100])
        found = unmix(
            season,
            cells,
            sound,
            start_cover=truth.cover[:, 0],
            visit_offset=truth.visit_offset,
            usual_se=float(np.nanmedian(season.cover_se)),
        )
        apart.append(found.share.sum() / share[cells].sum() - 1)
    return np.array(apart)


def test_small_bare_patch_is_no_large_half_bare_one():
    # Four to seven cells, hardly one of them wholly inside: alone they could as well all be half bare.
    small = areas_apart(0.5, range(40))
    assert np.mean(np.abs(small)) < 0.13
    assert np.abs(small).max() < 0.35


def test_area_of_a_larger_patch():
    assert np.mean(np.abs(areas_apart(1.4, range(6)))) < 0.05


def test_cells_beside_leave_out_what_was_never_seen():
    season, _ = lawn(1, TableRecipe(rows=3, cols=4, failed_patches=0, lost_visit=0, unseen=0))
    cover = season.cover.copy()
    cover[2] = np.nan  # row 0, column 2
    cells = np.zeros(12, bool)
    cells[[1, 5, 11]] = True  # (0, 1), (1, 1), and the last corner
    above_below_left_right = _sides(replace(season, cover=cover), cells)
    assert above_below_left_right.tolist() == [[4, 1, 3, 4], [0, 3, 3, 3], [3, 4, 3, 4]]
