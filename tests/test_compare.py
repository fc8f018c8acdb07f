"""Season against season, with known differences (invented lawns)."""

from dataclasses import replace

import numpy as np
import pytest

from turfeye import compare, outlook, season
from turfeye.errors import SeasonError
from turfeye.simulate.tables import SOWN, TableRecipe, lawn

STILL = TableRecipe(
    rows=10, cols=14, half_days=(20.0, 0.0), rise_days=(16.0, 0.0), start_cover=(0.05, 0.05),
    failed_patches=0, lagging_strips=0, lost_visit=0, setback=0, visit_offset_sd=0.005,
)  # fmt: skip


def grown(seed, half_days, until_day=28):
    return outlook.fit(lawn(seed, replace(STILL, half_days=(half_days, 0.0)), until_day=until_day)[0])


def test_four_days_ahead():
    found = compare.against(grown(1, 18.0), grown(2, 22.0))
    assert found.at == 28
    assert found.ahead == pytest.approx(4, abs=1.5)
    assert found.ahead_low < 4 < found.ahead_high
    assert found.difference > 0.05
    assert found.sure > 0.95
    assert found.sentence.startswith(("three days ahead of", "four days ahead of", "five days ahead of"))


def test_the_other_way_round_is_behind():
    found = compare.against(grown(2, 22.0), grown(1, 18.0), name="Mill Lane")
    assert found.ahead < -2
    assert found.difference < 0
    assert "days behind Mill Lane" in found.sentence


def test_like_lawns_have_no_clear_difference():
    found = compare.against(grown(3, 20.0), grown(4, 20.0))
    assert found.difference_low < 0 < found.difference_high
    assert found.sentence.startswith("no clear difference from last year")


def test_lawns_meet_at_the_age_both_have_been_seen_at():
    assert compare.against(grown(1, 18.0, until_day=28), grown(2, 22.0, until_day=21)).at == 21


def test_no_age_in_common():
    early = lawn(1, replace(STILL, visit_days=(3, 7)))[0]
    late = lawn(2, replace(STILL, visit_days=(14, 21)))[0]
    with pytest.raises(SeasonError, match="share no age"):
        compare.against(outlook.fit(early), outlook.fit(late))


def heated(seed, half_days, mean_c):
    made = lawn(seed, replace(STILL, half_days=(half_days, 0.0)), until_day=28)[0]
    record = season.Temperatures(SOWN, np.full(120, mean_c - 5), np.full(120, mean_c + 5))
    by_age = season.degree_days(record, sown=SOWN, base_c=3.6, days=110)
    return outlook.fit(replace(made, degree_days_by_age=by_age))


def test_degree_days_take_the_weather_out():
    # the same grass: half-way at 200 degree-days, in a warm and in a cool spring
    warm, cool = heated(5, 200 / 11, 14.6), heated(6, 200 / 9, 12.6)
    by_days = compare.against(warm, cool)
    by_heat = compare.against(warm, cool, by="degree-days")
    assert by_days.ahead > 2
    assert abs(by_heat.ahead) < 0.6 * 10 * by_days.ahead
    assert by_heat.difference_low < 0.02
    assert by_heat.by == "degree-days"


def test_degree_days_need_temperatures_of_both():
    with pytest.raises(SeasonError, match="one has none"):
        compare.against(heated(5, 18.0, 14.6), grown(1, 18.0), by="degree-days")
