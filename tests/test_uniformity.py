"""Evenness against worked examples and a reference library."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest

from turfeye import outlook
from turfeye import uniformity as u
from turfeye.simulate.tables import TableRecipe
from turfeye.simulate.tables import lawn as simulated

# Irrigation catches and both coefficients: documentation of the CRAN package spreval.
CATCHES = np.array([47, 42, 45, 24, 13, 26, 33, 34, 27, 30, 40, 44, 32, 12, 12.0])


def test_christiansen_and_distribution_uniformity():
    assert u.christiansen_pct(CATCHES) == pytest.approx(69.13955, abs=5e-6)
    assert u.distribution_pct(CATCHES) == pytest.approx(49.62039, abs=5e-6)  # lowest 4 of 15: rounded up


def test_moran_on_a_lattice():
    # 3 x 3 rook lattice, y = 1 ... 9, binary weights: the tests of esda.
    row, col = (index.ravel() for index in np.indices((3, 3)))
    moran = u.morans_i(np.arange(1.0, 10.0), *u.rook_neighbours(row, col))
    assert moran.i == pytest.approx(0.5)
    assert moran.variance == pytest.approx(0.0596875)


def test_moran_of_the_st_louis_homicides():
    # Data shipped with libpysal (stl, HR8893, stl.gal), against esda.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the reference libraries' own deprecations
        esda_moran = pytest.importorskip("esda.moran")
        libpysal = pytest.importorskip("libpysal")
        w = libpysal.io.open(libpysal.examples.get_path("stl.gal")).read()
        y = np.array(
            libpysal.io.open(libpysal.examples.get_path("stl_hom.txt")).by_col["HR8893"], dtype=float
        )
        theirs = esda_moran.Moran(y, w, transformation="B", permutations=0)
        pairs = [(a, w.id2i[n]) for a, name in enumerate(w.id_order) for n in w.neighbors[name]]
    ours = u.morans_i(y, *np.array(pairs).T)
    assert ours.i == pytest.approx(theirs.I)
    assert ours.variance == pytest.approx(theirs.VI_rand)
    assert ours.p == pytest.approx(theirs.p_rand)


def test_patchy_and_scattered_are_told_apart():
    row, col = (index.ravel() for index in np.indices((12, 17)))
    rng = np.random.default_rng(1)
    scattered = u.uniformity(rng.uniform(0.4, 0.8, len(row)), row, col)
    patchy = u.uniformity(0.5 + 0.02 * row + rng.normal(0, 0.02, len(row)), row, col)
    assert scattered.moran.p > 0.05
    assert "scattered" in scattered.lines()[3]
    assert patchy.moran.p < 0.001
    assert "lie in patches (p < 0.001)" in patchy.lines()[3]


def test_even_lawn_and_unseen_cells():
    row, col = (index.ravel() for index in np.indices((4, 5)))
    cover = np.full(20, 0.6)
    cover[3] = np.nan
    even = u.uniformity(cover, row, col)
    assert (even.cells, even.cv_pct, even.christiansen_pct) == (19, pytest.approx(0, abs=1e-9), 100)
    assert np.isnan(even.moran.i)
    assert "not known" in even.lines()[3]
    assert u.uniformity(np.array([0.5, np.nan, 0.6]), np.arange(3), np.arange(3)) is None


def test_a_lawn_of_which_little_was_seen_is_as_even_as_what_was_seen():
    """What a fit takes for cells that no photo showed is all alike, and would make any lawn look even."""
    season, _ = simulated(3, TableRecipe(failed_patches=0, unseen=0, lost_visit=0, setback=0))
    far = season.x_m > 4
    hidden = np.where(far[:, None], np.nan, season.cover)
    ahead = outlook.fit(replace(season, cover=hidden))
    (spread, *_) = u.told(ahead.cover_seen, season.row, season.col)
    near = ahead.cover_now[~far]
    by_hand = 100 * near.std(ddof=1) / near.mean()
    assert spread.startswith(f"Coefficient of variation {by_hand:.0f} %")
    everything = 100 * ahead.cover_now.std(ddof=1) / ahead.cover_now.mean()
    assert everything < 0.8 * by_hand


@pytest.mark.parametrize(("cells", "told"), [(4, False), (11, False), (12, True)])
def test_a_lawn_s_evenness_is_told_from_twelve_cells_on(cells: int, told: bool) -> None:
    """Of one spot four cells of half a metre are seen: Moran's I of those is a number, no answer."""
    row, col = np.indices((4, 5)).reshape(2, -1)
    seen = np.arange(20) < cells
    cover = np.random.default_rng(3).uniform(0.5, 0.8, 20)
    assert bool(u.told(np.where(seen, cover, np.nan), row, col)) is told
