"""Season against season, with known differences (invented lawns)."""

import re
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from turfeye import compare, outlook, temperatures
from turfeye.covererror import SHARED
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


# One lawn in two years, patches, strip and all; only its pace and what the visits err by differ.

LAST_YEAR = TableRecipe(
    rows=10, cols=14, half_days=(22.0, 0.0), failed_patches=1, setback=0, lost_visit=0,
    visit_days=(3, 7, 10, 14, 17, 21, 24, 28, 33, 38, 45),
)  # fmt: skip
THIS_YEAR = replace(LAST_YEAR, visit_days=(4, 8, 11, 15, 18, 21, 25, 28, 30, 34))


def two_years(seed, days_ahead, until_day=28):
    sooner = replace(THIS_YEAR, half_days=(22.0 - days_ahead, 0.0))
    return outlook.fit(lawn(seed, sooner, until_day=until_day)[0]), outlook.fit(lawn(seed, LAST_YEAR)[0])


@pytest.mark.parametrize("days_ahead", [4, -4])
def test_a_season_shifted_by_four_days_is_told_as_that(days_ahead):
    found = [compare.against(*two_years(seed, days_ahead)) for seed in range(7000, 7010)]
    off = np.array([one.ahead - days_ahead for one in found])
    assert np.abs(off).mean() < 0.6
    assert abs(off.mean()) < 0.4
    for one in found:
        assert one.ahead_low < days_ahead < one.ahead_high
        assert one.ahead_low > 0 if days_ahead > 0 else one.ahead_high < 0
        assert one.ahead_high - one.ahead_low < 9
        assert ("days ahead of last year" if days_ahead > 0 else "days behind last year") in one.sentence


def test_a_season_like_the_last_is_not_told_as_ahead_or_behind():
    found = [compare.against(*two_years(seed, 0)) for seed in range(7100, 7108)]
    assert all(one.ahead_low < 0 < one.ahead_high for one in found)
    assert all(one.sentence.startswith("no clear difference") for one in found)
    assert np.mean([abs(one.ahead) for one in found]) < 0.6


def test_a_lawn_grown_flat_is_still_told_in_days():
    # On day 34 both have stopped rising: the cover of that day tells no days, that of half-way up does.
    found = compare.against(*two_years(7005, 4, until_day=34))
    assert found.level < 0.7 * found.cover
    assert found.ahead == pytest.approx(4, abs=0.7)
    assert f"at {100 * found.level:.0f} % cover (90 % interval +" in found.sentence


def test_less_cover_in_the_end_is_said_though_it_came_as_soon():
    # 18 points less in the end, and that level reached sooner: the first is clear, the second is not
    poor = replace(THIS_YEAR, end_cover=(0.72, 0.0), failed_patches=9)
    mine, theirs = (lawn(7006, r, until_day=45)[0] for r in (poor, replace(LAST_YEAR, end_cover=(0.92, 0.0))))
    found = compare.against(outlook.fit(mine), outlook.fit(theirs), name="Mill Lane")
    assert found.difference_high < 0
    assert "points less cover" in found.sentence
    assert "no clear difference" not in found.sentence


def misread(made, errors):
    """A fitted season's photos with so many standard errors in all of their cells, read anew."""
    cover = np.clip(made.season.cover + np.asarray(errors) * np.sqrt(SHARED) * made.season.cover_se, 0, 1)
    return outlook.fit(replace(made.season, cover=cover))


def test_what_one_lawn_s_photos_err_by_alike_cancels():
    for seed in range(7400, 7404):
        rng = np.random.default_rng(seed)
        this, last = (misread(made, 1.5 + 0.4 * rng.standard_normal(len(made.season.visits)))
                      for made in two_years(seed, 4))  # fmt: skip
        one, two = (compare.against(this, last, same_lawn=same) for same in (True, False))
        assert one.ahead_low < 4 < one.ahead_high
        assert one.difference == pytest.approx(two.difference, abs=0.01)
        assert one.ahead_high - one.ahead_low < 0.8 * (two.ahead_high - two.ahead_low)
        assert one.difference_high - one.difference_low < 0.8 * (two.difference_high - two.difference_low)


def test_two_lawns_photos_may_err_the_other_way_round():
    for seed in range(7500, 7504):
        this, last = (misread(made, err) for made, err in zip(two_years(seed, 0), (1.2, -1.2), strict=True))
        found = compare.against(this, last)
        assert found.difference_low < 0 < found.difference_high


def test_a_season_is_not_compared_with_itself():
    made = grown(3, 20.0)
    with pytest.raises(SeasonError, match="both rest on the same photos"):
        compare.against(made, made)


def test_one_lawn_has_one_outline_and_its_seasons_lie_apart():
    made = grown(3, 20.0).season
    outline = np.array([[0, 0], [7, 0], [7, 5], [0, 5.0]])

    def of_year(year, corners):
        visits = tuple(replace(v, taken=v.taken.replace(year=year)) for v in made.visits)
        sowing = replace(made.sowing, date=made.sowing.date.replace(year=year))
        return replace(made, grid=replace(made.grid, outline_m=corners), visits=visits, sowing=sowing)

    this, last = of_year(2026, outline), of_year(2025, outline + 0.1)
    assert compare.one_lawn(this, last)
    assert compare.one_lawn(last, this)
    assert not compare.one_lawn(this, of_year(2026, outline))  # two clients' lawns in one spring
    assert not compare.one_lawn(this, of_year(2025, outline * 1.1))
    assert not compare.one_lawn(this, of_year(2025, outline[:3]))
    assert not compare.one_lawn(this, of_year(2025, None))

    # bark that still counts as bare lawn in one of them would be told as what they differ by
    bedded, less = (
        replace(one, grid=replace(one.grid, beds_m=(outline / 9 + 1,)))
        for one in (this, of_year(2025, outline))
    )
    (told,) = compare.beds_of_one(bedded, last, name="last year")
    assert told.startswith("last year has no [[bed]] in its lawn.toml, but this lawn has")
    (told,) = compare.beds_of_one(last, bedded, name="this year")
    assert told.startswith("this lawn has no [[bed]] in its lawn.toml, but this year has")
    assert compare.beds_of_one(bedded, less, name="last year") == ()
    assert compare.beds_of_one(bedded, of_year(2026, outline), name="Mill Lane") == ()


def test_the_readme_shows_what_comes_out():
    found = compare.against(*two_years(7003, 4), name="Ferry Cottage 2025", same_lawn=True)
    page = " ".join((Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8").split())
    number = r"([+-]?\d+)"
    shown = re.search(
        rf"four days ahead of Ferry Cottage 2025 at {number} % cover \(90 % interval {number} to {number}\), "
        rf"\w+ points more cover on day 28 \({number} to {number}\)",
        page,
    )
    assert shown
    assert found.sentence.startswith("four days ahead of Ferry Cottage 2025 at ")
    came = [
        100 * found.level, found.ahead_low, found.ahead_high,
        100 * found.difference_low, 100 * found.difference_high,
    ]  # fmt: skip
    assert [float(one) for one in shown.groups()] == pytest.approx(came, abs=1.5)


# Growth by degree-days: a spring that warms up, and the same grass in it whatever the year.

BASE_C, HALF_DD, AGES = 3.6, 200, np.array([3, 7, 10, 14, 17, 21, 24, 28, 33, 38, 45])


def spring(seed, first_c, *, sooner_dd=0, visits=AGES):
    """A season whose cover is a curve of degree-days, and visits on calendar days of a warming spring."""
    mean_c = first_c + 0.15 * np.arange(120)
    record = temperatures.Temperatures(SOWN, mean_c - 5, mean_c + 5)
    by_age = temperatures.degree_days(record, sown=SOWN, base_c=BASE_C, days=110)
    # the simulator's clock is 2 degree-days a tick
    ticks = tuple(np.rint((by_age[visits] + sooner_dd) / 2))
    recipe = replace(
        LAST_YEAR, half_days=(HALF_DD / 2, 0.0), rise_days=(80.0, 0.25), visit_days=ticks, target_day=600
    )
    made = lawn(seed, recipe)[0]
    dated = [
        replace(visit, taken=visit.taken + timedelta(days=float(age) - visit.age_days), age_days=float(age))
        for visit, age in zip(made.visits, visits, strict=True)
    ]
    target = replace(made.target, date=SOWN + timedelta(days=56))
    return outlook.fit(replace(made, visits=tuple(dated), target=target, degree_days_by_age=by_age))


def test_degree_days_take_the_weather_out():
    # this spring is 3 °C warmer than last, and nothing else differs
    for seed in range(7200, 7204):
        warm, cool = spring(seed, 10.0, visits=AGES[:-3]), spring(seed, 7.0)
        by_days, by_heat = compare.every_way(warm, cool)
        assert (by_days.by, by_heat.by) == ("days", "degree-days")
        assert by_days.ahead_low > 0
        assert by_days.ahead > 4
        assert by_heat.ahead_low < 0 < by_heat.ahead_high
        assert abs(by_heat.ahead) < 12  # of 200; a day has some 10
        assert by_heat.sentence.startswith("no clear difference from last year")


def test_a_lead_in_degree_days_is_told_in_them():
    # as warm as last year, and 40 degree-days sooner
    for seed in range(7300, 7304):
        found = compare.against(spring(seed, 8.0, sooner_dd=40), spring(seed, 8.0), by="degree-days")
        assert found.ahead == pytest.approx(40, abs=10)
        assert 0 < found.ahead_low < 40 < found.ahead_high
        assert "degree-days ahead of last year" in found.sentence


def heated(seed, half_days, mean_c):
    made = lawn(seed, replace(STILL, half_days=(half_days, 0.0)), until_day=28)[0]
    record = temperatures.Temperatures(SOWN, np.full(120, mean_c - 5), np.full(120, mean_c + 5))
    by_age = temperatures.degree_days(record, sown=SOWN, base_c=BASE_C, days=110)
    return outlook.fit(replace(made, degree_days_by_age=by_age))


def test_degree_days_need_temperatures_of_both():
    with pytest.raises(SeasonError, match="one has none"):
        compare.against(heated(5, 18.0, 14.6), grown(1, 18.0), by="degree-days")
