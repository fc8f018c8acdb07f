"""Groups of cells and what lies about them, against distances worked out cell by cell."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage
from scipy.spatial.distance import cdist

from turfeye.places import AROUND_CELLS, Place
from turfeye.records import Grid


def board(rows, cols, *, found, off=0.0, seed=0):
    """A place of ``rows`` x ``cols`` cells, a share of them off the lawn, and which of the rest are found."""
    rng = np.random.default_rng(seed)
    row, col = np.nonzero(rng.random((rows, cols)) >= off)
    place = Place(Grid(0.5, 0.0, 0.0, rows=rows, cols=cols), row, col)
    return place, rng.random(len(row)) < found, rng.random(len(row)) < 0.7


def apart(place, mine):
    """(N,) distance of every cell from the nearest of these, in cells; inf where there is none."""
    at = np.stack([place.row, place.col], axis=1).astype(float)
    return cdist(at, at[mine]).min(axis=1) if mine.any() else np.full(len(at), np.inf)


@settings(max_examples=60, deadline=None)
@given(
    st.integers(3, 30), st.integers(3, 40), st.sampled_from([0.02, 0.1, 0.3]), st.sampled_from([0.0, 0.2]),
    st.integers(0, 10_000), st.sampled_from([1, 20, 100]),
)  # fmt: skip
def test_what_lies_about_a_group_is_told_by_distance(rows, cols, share, off, seed, count):
    place, found, seen = board(rows, cols, found=share, off=off, seed=seed)
    own = seen & ~found
    groups = place.groups(found)
    every = sum((group.inside.astype(int) for group in groups), np.zeros(len(found), int))
    assert np.array_equal(every, found.astype(int))  # each cell found is in one group
    free = own & (apart(place, found) > 1.5)
    for group in groups[:4]:
        mine = group.inside
        to_this, to_other = apart(place, mine), apart(place, found & ~mine)
        near, around = group.surroundings(own)
        assert np.array_equal(near, (to_this < 1.5) & (to_this < to_other))
        close = free & (to_this < AROUND_CELLS)
        assert np.array_equal(around, close if close.sum() >= 8 else free)
        nearest = group.nearest(own, count)
        order = np.argsort(to_this[free], kind="stable")[:count]
        assert np.array_equal(np.flatnonzero(nearest), np.sort(np.flatnonzero(free)[order]))
        assert group.beside(around) == bool((to_this[around] < AROUND_CELLS).all())


def test_cells_that_touch_by_a_corner_are_one_group():
    place = Place(Grid(0.5, 0.0, 0.0, rows=3, cols=4), *np.indices((3, 4)).reshape(2, -1))
    found = np.array([1, 0, 0, 1, 0, 1, 0, 1, 0, 0, 0, 0], bool)
    assert [np.flatnonzero(group.inside).tolist() for group in place.groups(found)] == [[0, 5], [3, 7]]
    assert place.groups(np.zeros(12, bool)) == ()


def test_a_core_cell_has_its_four_neighbours_or_none_there():
    place = Place(Grid(0.5, 0.0, 0.0, rows=5, cols=6), *np.indices((5, 6)).reshape(2, -1))
    found = np.zeros((5, 6), bool)
    found[0:3, 0:4] = True  # in the corner of the lawn: its own edge is no edge of the group
    (group,) = place.groups(found.ravel())
    core = group.core().reshape(5, 6)
    assert np.argwhere(core).tolist() == [[0, 0], [0, 1], [0, 2], [1, 0], [1, 1], [1, 2]]


def test_a_small_group_of_a_large_lawn_is_looked_at_in_its_own_window(monkeypatch: pytest.MonkeyPatch):
    """Of two hundred plots each patch was looked for over the whole trial, five times."""
    rows, cols = 200, 300
    place = Place(Grid(0.1, 0.0, 0.0, rows=rows, cols=cols), *np.indices((rows, cols)).reshape(2, -1))
    found = np.zeros((rows, cols), bool)
    found[90:93, 100:104] = found[10, 20] = True
    sizes = []
    real = ndimage.distance_transform_edt

    def noted(window):
        sizes.append(window.size)
        return real(window)

    monkeypatch.setattr(ndimage, "distance_transform_edt", noted)
    group = place.groups(found.ravel())[1]
    own = ~found.ravel()
    group.surroundings(own)
    assert group.nearest(own, 100).sum() == 100
    assert 0 < max(sizes) < 40 * 40
