"""The mix table, its sources, and mixes that a user adds."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from turfeye import mixes
from turfeye.errors import LawnError

FIGURES = (
    "base_c",
    "half_germination_degree_days",
    "days_to_emerge",
    "rate_new_g_m2",
    "rate_over_g_m2",
    "seeds_per_g",
    "soil_min_c",
)


@pytest.mark.parametrize("mix", mixes.table().values(), ids=lambda mix: mix.name)
def test_every_figure_has_a_source_and_no_source_stands_alone(mix):
    given = {name for name in FIGURES if getattr(mix, name) is not None}
    assert set(mix.sources) == given
    assert {f.name for f in fields(mix)} >= set(FIGURES)


# Larsen and Bibby 2005, Crop Science 45:2030-2037: degree-days to half of final germination and base
# temperature; the days at 10 and 15 degrees are computed from them.
@pytest.mark.parametrize(
    ("name", "at_10", "at_15"),
    [("perennial ryegrass", 9.98, 5.61), ("red fescue", 5.92, 3.53), ("Kentucky bluegrass", 15.62, 9.32)],
)
def test_thermal_time_to_half_germination(name, at_10, at_15):
    mix = mixes.get(name)
    assert mix.half_germination_degree_days / (10 - mix.base_c) == pytest.approx(at_10, abs=0.006)
    assert mix.half_germination_degree_days / (15 - mix.base_c) == pytest.approx(at_15, abs=0.006)


def test_new_rates_agree_with_extension_tables_in_pounds():
    # Cornell, Nebraska and other extension tables, lb/1000 ft2; 1 lb/1000 ft2 = 4.88243 g/m2.
    pounds = {"perennial ryegrass": (4, 9), "Kentucky bluegrass": (1, 3), "tall fescue": (6, 8)}
    pounds |= {"fine fescue": (4, 5), "bermudagrass": (1, 2)}
    for name, (low, high) in pounds.items():
        assert mixes.get(name).rate_new_g_m2 == pytest.approx((low * 4.88243, high * 4.88243), abs=0.06)


def test_seeds_of_the_table_give_at_least_the_plants_wanted():
    # UMass: 7-14 plants a square inch, 10,850-21,700 per m2; seeding at the middle of the new rate puts down
    # that many seeds or more for every species whose two figures are known.
    for mix in mixes.table().values():
        if mix.seeds_per_g and mix.rate_new_g_m2:
            assert mix.rate_g_m2("new") * mix.seeds_per_g[0] > 10_850


def test_pure_live_seed():
    # Trade arithmetic: 0.95 purity x 0.85 germination = 0.8075, so sow 23.8 % more.
    share = mixes.pure_live_seed_share(0.95, 0.85)
    assert share == pytest.approx(0.8075)
    assert 1 / share == pytest.approx(1.238, abs=5e-4)
    with pytest.raises(LawnError, match="purity must be above 0"):
        mixes.pure_live_seed_share(95, 0.85)


def test_unknown_name_lists_the_names():
    with pytest.raises(
        LawnError, match=r"no seed mix is called 'moss'; there are: perennial ryegrass, .*\[\[mix\]\]"
    ):
        mixes.get("moss")


def test_unknown_stays_unknown():
    bent = mixes.get("creeping bentgrass")
    assert bent.base_c is None
    assert bent.rate_g_m2() is None


def test_users_mix_joins_and_replaces():
    own = [
        {
            "name": "shade mix",
            "like": "red fescue",
            "rate_over_g_m2": 25,
            "source": "its bag",
            "soil_min_c": None,
        },
        {"name": "Perennial Ryegrass", "days_to_emerge": [6, 12]},
    ]
    shade = mixes.get("shade mix", own)
    assert shade.rate_g_m2() == 25
    assert shade.base_c == 2.6
    assert shade.sources["rate_over_g_m2"] == "its bag"
    assert shade.soil_min_c == 11
    replaced = mixes.get("perennial ryegrass", own)
    assert replaced.days_to_emerge == (6, 12)
    assert replaced.base_c is None
    assert replaced.sources == {"days_to_emerge": mixes.USERS_OWN}
    assert mixes.get("perennial ryegrass").base_c == 3.6


def test_no_mix_ends_beyond_closed_turf():
    with pytest.raises(
        LawnError, match=r"growth\.final_cover is at most 1, which is closed turf, got \[95, 5\]"
    ):
        mixes.table([{"name": "x", "growth": {"final_cover": [95, 5]}}])


def test_all_mistakes_at_once():
    wrong = [
        {"rate_over_g_m2": -3, "colour": "green"},
        {"name": "x", "like": "moss", "growth": {"pace_days": [1]}, "soil_min_c": "warm"},
    ]
    with pytest.raises(LawnError) as caught:
        mixes.table(wrong)
    assert len(caught.value.mistakes) == 6
    assert "mix 1 (no name)" in caught.value.mistakes[0]


@pytest.mark.parametrize("mix", mixes.table().values(), ids=lambda mix: mix.name)
def test_most_lawns_of_a_mix_reach_its_usual_target_and_hardly_any_is_asked_for_more_than_it_ends_with(mix):
    """20,000 lawns drawn from the mix's own figures, each by the logistic that the table describes."""
    cover, days = mix.usual_target()
    rng = np.random.default_rng(4)
    half, pace, final = (
        rng.normal(*span, 20_000)
        for span in (mix.growth.half_cover_days, mix.growth.pace_days, mix.growth.final_cover)
    )
    end = mixes.CLOSED_COVER * final
    reached = end / (1 + np.exp(-(days - half) / np.maximum(pace, 1.0))) >= cover
    assert np.mean(end >= cover) > 5 / 6
    assert 0.75 < np.mean(reached) < 0.98
