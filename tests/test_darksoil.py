"""Soil as dark as shade: how much too green an oblique view reads above it, and what takes that off."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from turfeye import darksoil
from turfeye.records import Shares

SHAPE = (20, 30)


def shares(bare: np.ndarray) -> Shares:
    nothing = np.zeros(SHAPE, np.float32)
    return Shares(1 - bare, nothing, bare, nothing)


def half_bare() -> np.ndarray:
    bare = np.zeros(SHAPE, np.float32)
    bare[:, :15] = 1
    return bare


def picture(soil: float, leaves: float = 0.04) -> np.ndarray:
    return np.where(half_bare()[..., None] > 0, soil, leaves) * np.ones(3)


def everywhere() -> np.ndarray:
    return np.ones(SHAPE, bool)


@pytest.mark.parametrize("soil", [0.06, 0.1, 0.4])
def test_soil_that_is_not_dark_asks_for_nothing(soil):
    assert darksoil.excess(picture(soil), shares(half_bare()), everywhere()) == 0


def test_the_darker_the_soil_the_more_is_taken_off():
    found = [darksoil.excess(picture(s), shares(half_bare()), everywhere()) for s in (0.05, 0.03, 0.015)]
    assert 0 < found[0] < found[1] < found[2]
    assert found[2] - found[1] == pytest.approx(darksoil.EXCESS * np.log(2), abs=1e-4)


def test_where_hardly_any_soil_shows_nothing_is_known_of_it():
    bare = np.zeros(SHAPE, np.float32)
    bare[0, :3] = 1
    assert darksoil.excess(np.full((*SHAPE, 3), 0.01), shares(bare), everywhere()) == 0


def test_a_dark_bed_or_shadow_beside_the_lawn_tells_nothing_of_its_soil():
    rgb = picture(0.2)
    rgb[:, :5] = 0.01
    counts = everywhere()
    counts[:, :5] = False
    assert darksoil.excess(rgb, shares(half_bare()), counts) == 0


def test_a_lawn_of_which_nothing_counts_asks_for_nothing():
    assert darksoil.excess(picture(0.02), shares(half_bare()), ~everywhere()) == 0


@given(
    st.lists(st.floats(0, 1), min_size=2, max_size=8),
    st.floats(0.0001, 0.4),
)
def test_cover_stays_a_share_in_the_same_order_however_black_the_soil(covers, soil):
    too_much = darksoil.excess(picture(soil), shares(half_bare()), everywhere())
    cover = np.array([0.0, *sorted(covers), 1.0])
    found = darksoil.without_excess(cover, too_much)
    assert found[0] == 0
    assert found[-1] == pytest.approx(1)
    assert np.all((found >= 0) & (found <= cover + 1e-12))
    assert np.all(np.diff(found) >= -1e-12)  # thin stays thinner than dense
