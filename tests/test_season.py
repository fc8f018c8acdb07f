"""The season table, its doubts, temperatures, and what the outlook says in plain cases."""

import tracemalloc
from dataclasses import replace
from datetime import date, datetime, timedelta, timezone

import numpy as np
import pytest
from scipy.stats import chi2

from turfeye import covererror, mixes, outlook, season, states
from turfeye.clock import REFERENCE_PACE
from turfeye.covererror import SHARED
from turfeye.draws import usual
from turfeye.errors import DateError, SeasonError
from turfeye.growth import Settings
from turfeye.lawnrecords import STATES, Oversown, Sowing, Target
from turfeye.prior import Prior
from turfeye.readings import Reading
from turfeye.records import CellTable, Grid
from turfeye.simulate.tables import TableRecipe, lawn
from turfeye.temperatures import Temperatures

SOWN = date(2026, 3, 14)
GRID = Grid(0.5, 0.0, 0.0, rows=4, cols=6)
SOWING = Sowing(SOWN, "perennial ryegrass", 35.0)


def table(grid=GRID, cover=0.4, se=0.03, unseen=(), area_m2=None, centred=False):
    """A cell table with one cover everywhere; spot tables have their origin at their middle."""
    row, col = (part.ravel() for part in np.indices((grid.rows, grid.cols)))
    xy = grid.centres_m().reshape(-1, 2)
    if centred:
        xy = xy - np.array([grid.cols, grid.rows]) * grid.cell_m / 2
    count = len(row)
    state = np.full(count, "seen", dtype="<U8")
    state[list(unseen)] = "not seen"
    values = {name: np.full(count, np.nan) for name in CellTable.column_names()}
    values |= {
        "row": row,
        "col": col,
        "x_m": xy[:, 0],
        "y_m": xy[:, 1],
        "area_m2": np.full(count, grid.cell_m**2 if area_m2 is None else area_m2),
        "seen": np.where(state == "seen", 1.0, 0.0),
        "cover": np.where(state == "seen", cover, np.nan),
        "cover_se": np.where(state == "seen", se, np.nan),
        "dgci": np.full(count, 0.5),
        "dgci_se": np.full(count, 0.01),
        "lab_l": np.full(count, 40.0),
        "state": state,
        "why": np.where(state == "seen", "", "hard shade"),
    }
    return CellTable(grid=grid, **values)


def reading(day, *, cover=0.4, hour=10, name=None, **options):
    taken = datetime(2026, 3, 14, hour) + timedelta(days=day)
    facts = {k: options.pop(k) for k in ("digest", "view", "at_m", "turned_deg", "original") if k in options}
    return Reading(
        table(cover=cover, **options),
        taken,
        facts.pop("view", "window"),
        name or f"day{day}-{hour}.jpg",
        **facts,
    )


def build(*readings, **options):
    options = {"sowing": SOWING, "today": date(2026, 8, 1)} | options
    return season.build(readings, GRID, **options)


def test_visits_are_sorted_and_gaps_stay():
    built = build(reading(20, cover=0.6), reading(5, cover=0.1, unseen=(3, 4)), reading(12, cover=0.3))
    assert built.age_days.tolist() == [5, 12, 20]
    assert built.cover.shape == (24, 3)
    np.testing.assert_allclose(built.cover[0], [0.1, 0.3, 0.6])
    assert np.isnan(built.cover[3, 0])
    assert not np.isnan(built.cover[3, 1:]).any()
    assert built.flags == ()


def test_default_target_is_what_most_lawns_of_the_mix_come_to():
    assert build(reading(5)).target == Target(0.7, date(2026, 5, 9))
    slow = replace(SOWING, mix="Kentucky bluegrass")
    assert build(reading(5), sowing=slow).target == Target(0.65, SOWING.date + timedelta(days=84))


@pytest.mark.parametrize("name", ["fine fescue", "Kentucky bluegrass"])
def test_a_healthy_lawn_of_a_mix_that_ends_lower_is_not_called_slow(name):
    """Against 75 %, as it was, half of its cells and more were; simulated, growing as the table says."""
    mix = mixes.get(name)
    growth = mix.growth
    recipe = TableRecipe(
        rows=8, cols=11, visit_days=(7, 14, 21, 28, 35, 42, 49, 56), failed_patches=0, lagging_strips=0,
        half_days=(growth.half_cover_days[0], 0), rise_days=(4.4 * growth.pace_days[0], 0), setback=0,
        end_cover=(mixes.CLOSED_COVER * growth.final_cover[0], 0.01),
    )  # fmt: skip
    slow = {"now": 0, "was": 0}
    for seed in range(5):
        seen, _ = lawn(seed, recipe)
        now = season.usual_target(seen.sowing, mix)
        for rule, target in (("now", now), ("was", Target(0.75, seen.sowing.date + timedelta(days=56)))):
            slow[rule] += outlook.fit(replace(seen, target=target), mix=mix).lawn.counts["slow"]
    assert slow["was"] > 0.4 * 5 * 88
    assert slow["now"] < 0.1 * 5 * 88


def test_one_day_is_one_visit_weighted_by_precision():
    built = build(reading(9, cover=0.30, se=0.02), reading(9, hour=15, cover=0.36, se=0.04, view="path"))
    assert len(built.visits) == 1
    assert built.visits[0].view == "window + path"
    # textbook weighted mean: (0.30 / 0.02^2 + 0.36 / 0.04^2) / (1 / 0.02^2 + 1 / 0.04^2)
    np.testing.assert_allclose(built.cover[:, 0], 0.312)
    np.testing.assert_allclose(built.cover_se[:, 0], 1 / np.sqrt(1 / 0.02**2 + 1 / 0.04**2))


def test_cells_seen_by_one_photo_of_two_keep_its_value():
    built = build(reading(9, cover=0.3, unseen=(0,)), reading(9, hour=15, cover=0.36, unseen=(1,)))
    assert built.cover[0, 0] == pytest.approx(0.36)
    assert built.cover[1, 0] == pytest.approx(0.30)


def test_a_day_s_photos_are_merged_one_after_the_other():
    """Two hundred plots of a day, each a whole grid at once, took 1.9 GB."""
    cells = (np.arange(40, 44)[:, None] * 150 + np.arange(70, 75)).ravel()
    spot = np.tile((0.5, 0.05, 0.6, 0.02, 40.0, -20.0, 30.0), (20, 1))
    tracemalloc.start()
    merged, apart, _ = season._merge(((cells, spot.copy()) for _ in range(60)), 100 * 150)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 6 * merged.nbytes
    assert apart == 0
    np.testing.assert_allclose(merged[41 * 150 + 71], (0.5, 0.05 / np.sqrt(60), 0.6, 0.02, 40.0, -20.0, 30.0))
    assert np.isfinite(merged[:, 0]).sum() == 20


def test_photos_of_a_day_that_disagree_are_flagged():
    """And named: of two hundred photos of a day nobody finds the two."""
    two = [reading(9, cover=0.3), reading(9, hour=15, cover=0.7)]
    said = "photos of 2026-03-23 disagree by 40 points (day9-10.jpg and day9-15.jpg): is one from another"
    assert build(*two, reading(9, hour=12, cover=0.5)).flags == (f"{said} day?",)
    assert build(*(replace(one, plot=3) for one in two)).flags == (f"{said} day or plot?",)


def test_photos_from_outside_the_season_are_left_out_and_named():
    built = build(reading(-3, name="early.jpg"), reading(5), reading(300, name="late.jpg"))
    assert built.age_days.tolist() == [5]
    assert ["early.jpg" in built.flags[0], "late.jpg" in built.flags[1]] == [True, True]


def test_only_photos_from_outside_the_season_are_an_error():
    with pytest.raises(DateError) as caught:
        build(reading(-3, name="early.jpg"), reading(300, name="late.jpg"))
    assert "before the sowing on 2026-03-14: early.jpg (2026-03-11)" in str(caught.value)
    assert "after today (2026-08-01): late.jpg (2027-01-08)" in str(caught.value)


def test_camera_clock_offset_does_not_break_sorting():
    one = reading(5)
    two = replace(reading(7), taken=datetime(2026, 3, 21, 10, tzinfo=timezone(timedelta(hours=1))))
    assert build(two, one).age_days.tolist() == [5, 7]


def test_no_photo_is_an_error():
    with pytest.raises(SeasonError, match="at least one measured photo"):
        build()


def test_tables_of_another_grid_are_refused():
    other = reading(5, grid=Grid(0.25, 0.0, 0.0, rows=8, cols=12))
    with pytest.raises(SeasonError, match=r"8 x 12 cells of 0.25 m, the lawn has 4 x 6 of 0.5 m"):
        build(other)


def test_cells_outside_the_outline_are_left_out():
    share = np.ones((4, 6))
    share[0, 0], share[0, 1] = 0.0, 0.4
    built = season.build([reading(5)], replace(GRID, share=share), sowing=SOWING, today=date(2026, 8, 1))
    assert len(built.row) == 23
    assert built.area_m2[0] == pytest.approx(0.4 * 0.25)


SPOT = Grid(0.1, 0.0, 0.0, rows=10, cols=12)


def test_a_spot_is_laid_where_its_peg_stands():
    built = build(reading(5, grid=SPOT, centred=True, cover=0.7, at_m=(1.2, 0.7), view="spot 3"))
    seen = np.isfinite(built.cover[:, 0])
    covered = set(zip(built.row[seen].tolist(), built.col[seen].tolist(), strict=True))
    # 1.2 m x 1.0 m about (1.2, 0.7): x 0.6-1.8, y 0.2-1.2; of cell (2, 3) it shows less than a quarter
    assert covered == {(r, c) for r in (0, 1, 2) for c in (1, 2, 3)} - {(2, 3)}
    whole = built.cover_se[(built.row == 1) & (built.col == 2), 0]
    partly = built.cover_se[(built.row == 0) & (built.col == 2), 0]
    assert partly > whole  # part of that cell was not in the picture
    np.testing.assert_allclose(built.cover[seen], 0.7)


def test_a_turned_spot_is_turned():
    spot = reading(5, grid=SPOT, centred=True, at_m=(1.25, 1.0), turned_deg=90, view="spot 3")
    built = build(spot)
    seen = np.isfinite(built.cover[:, 0])
    # turned a quarter it is 1.0 m wide and 1.2 m tall: x 0.75-1.75, y 0.4-1.6
    assert set(built.col[seen].tolist()) == {1, 2, 3}
    assert set(built.row[seen].tolist()) == {1, 2}


def steady(mean_c, days=60, first=SOWN):
    return Temperatures(first, np.full(days, mean_c - 4.0), np.full(days, mean_c + 4.0))


def test_degree_days_reach_the_visits_and_past_the_record_is_said():
    built = build(reading(5), reading(12), temperatures=steady(10, days=10), base_c=3.6)
    assert built.visits[0].degree_days == pytest.approx(5 * 6.4)
    assert built.visits[1].degree_days == pytest.approx(12 * 6.4)
    assert built.flags == ("temperatures end on 2026-03-23; later degree-days are at their last pace",)


def test_temperatures_that_end_long_before_the_last_photo_are_not_used_in_silence():
    built = build(reading(5), reading(40), temperatures=steady(10, days=10), base_c=3.6)
    assert built.degree_days_by_age is None
    assert np.isnan([visit.degree_days for visit in built.visits]).all()
    assert "growth is counted in days; add the missing days" in built.flags[0]


AGAIN = Sowing(SOWN + timedelta(days=21), "perennial ryegrass", 25.0)


def resown(*readings, again=AGAIN):
    earlier, since = season.split(readings, [SOWING, again])
    made = season.build(since, GRID, sowing=again, today=date(2026, 12, 1))
    return season.with_earlier(made, earlier)


def test_photos_from_before_a_second_sowing_are_shown_and_do_not_count():
    made = resown(
        reading(5, cover=0.1), reading(12, cover=0.2), reading(25, cover=0.3), reading(30, cover=0.4)
    )
    assert made.age_days.tolist() == [4, 9]
    assert [visit.age_days for visit in made.earlier] == [-16, -9]
    np.testing.assert_allclose(made.earlier_cover, np.tile([0.1, 0.2], (len(made.row), 1)))
    (said,) = made.flags
    assert said.startswith(
        "2 photos from before all of the lawn was sown again on 2026-04-04 are shown but don't"
    )
    assert "area_m" in said
    alone = season.build(
        [reading(25, cover=0.3), reading(30, cover=0.4)], GRID, sowing=AGAIN, today=date(2026, 12, 1)
    )
    np.testing.assert_array_equal(outlook.fit(made).cover_at_target, outlook.fit(alone).cover_at_target)


def test_a_sowing_of_another_season_sets_no_photo_apart():
    next_year = replace(AGAIN, date=SOWN + timedelta(days=365))
    photos = [reading(5), reading(370)]
    assert season.split(photos, [SOWING, next_year]) == ((), tuple(photos))
    part = replace(AGAIN, area_m=((0, 0), (1, 0), (1, 1)))
    assert season.split(photos, [SOWING, part]) == ((), tuple(photos))


def test_days_missing_among_the_temperatures_dont_stop_a_season():
    known = {SOWN + timedelta(days=k): (6.0, 14.0) for k in (*range(4), *range(6, 30))}
    built = build(reading(5), reading(12), temperatures=Temperatures.of(known), base_c=3.6)
    assert built.visits[1].degree_days == pytest.approx(12 * 6.4)
    assert built.flags[0].startswith("temperatures.csv lacks 2 days: 2026-03-18 to 2026-03-19 (2 days)")
    long = Temperatures.of({day: pair for day, pair in known.items() if not 8 < (day - SOWN).days < 20})
    built = build(reading(5), reading(12), temperatures=long, base_c=3.6)
    assert built.degree_days_by_age is None
    assert "lacks 2026-03-23 to 2026-04-02 (11 days), too many to fill in" in built.flags[-1]
    with pytest.raises(SeasonError, match=r"11 days.*to go on in days, leave out time_axis"):
        outlook.fit(built, time_axis="degree-days")


def test_temperatures_that_begin_after_the_sowing_dont_stop_a_season():
    built = build(reading(5), temperatures=steady(10, first=SOWN + timedelta(days=2)), base_c=3.6)
    assert built.degree_days_by_age is None
    assert "must include the sowing on 2026-03-14" in built.flags[0]


def test_temperatures_without_a_base_are_not_used_in_silence():
    built = build(reading(5), temperatures=steady(10))
    assert built.degree_days_by_age is None
    assert "no base temperature of 'perennial ryegrass' is known" in built.flags[0]


WHOLE_RISE = (0.05, 0.09, 0.28, 0.52, 0.64, 0.68, 0.69, 0.70)  # of visits a week apart


# --- what the outlook says -----------------------------------------------------------------------------


def course(days, covers):
    return build(*[reading(d, cover=c) for d, c in zip(days, covers, strict=True)])


def test_a_good_lawn_is_on_course():
    made = outlook.fit(course([4, 9, 14, 18, 23, 28, 33], [0.05, 0.08, 0.22, 0.45, 0.74, 0.88, 0.92]))
    assert set(made.state) == {"on course"}
    assert made.lawn.p_on_target > 0.6
    assert 85 < 100 * made.lawn.cover_now < 96


def test_a_lawn_where_nothing_comes_is_thin():
    made = outlook.fit(
        course([4, 9, 14, 21, 28, 35, 44, 55], [0.05, 0.05, 0.06, 0.06, 0.07, 0.06, 0.07, 0.07])
    )
    assert "on course" not in set(made.state)
    assert made.lawn.cover_at_target < 0.4


def test_day_nine_is_too_soon():
    made = outlook.fit(course([4, 9], [0.04, 0.05]))
    assert set(made.state) == {"too soon to say"}
    assert "too soon to say for 24 of 24 cells: nothing is judged before day 14" in made.lawn.sentence


def test_late_in_a_season_what_is_near_its_target_is_told_as_near_it():
    # the target lies in the middle of each cell's interval, three days ahead, then three days ago
    readings = [reading(d, cover=c) for d, c in zip(range(4, 54, 7), WHOLE_RISE, strict=True)]
    for days in (56, 50):
        target = Target(0.695, SOWN + timedelta(days=days))
        made = outlook.fit(build(*readings, target=target))
        p = made.p_on_target
        assert ((p > 0.3) & (p < 0.7)).all()
        above = made.cover_at_target >= target.cover
        assert made.state.tolist() == np.where(above, "on course", "slow").tolist()
        assert all(why.endswith("%: too near the target for photos to tell") for why in made.why)
        assert all(", between " in why for why in made.why)
        assert made.lawn.missing == ""


def test_what_was_seldom_seen_lacks_photos_not_age():
    whole, _ = lawn(3, TableRecipe(rows=8, cols=12, visit_days=tuple(range(4, 54, 7)), lost_visit=0))
    cover = whole.cover.copy()
    cover[:48, 2:] = np.nan  # half of the lawn was seen on two visits only
    made = outlook.fit(replace(whole, cover=cover))
    twice = np.isfinite(cover).sum(axis=1) == 2
    open_ = made.state == "too soon to say"
    assert (open_ & twice).sum() > 5
    said = "%; seen on too few visits, photograph again"
    assert all(why.endswith(said) for why in made.why[open_ & twice])
    assert made.lawn.missing == said[3:]
    assert not open_[48:].any()


def test_growth_short_of_what_is_judged_is_not_rounded_up_to_it():
    """It read: the lawn has made 15 % of its growth, and is judged from 15 % on."""
    assert "made 14 % of its growth, and is judged from 15 % on" in states._too_early(True, 0.1496, False, 16)


def test_what_no_visit_showed_since_the_lawn_began_to_rise_is_open():
    """A corner that was washed out, then taken for something that lies there, was told as on course."""
    whole, _ = lawn(3, TableRecipe(rows=8, cols=12, visit_days=(2, 5, 8, 25, 32, 39), lost_visit=0))
    cover = whole.cover.copy()
    cover[:4, 3:] = np.nan
    made, all_seen = outlook.fit(replace(whole, cover=cover)), outlook.fit(whole)
    assert set(made.state[:4]) == {"too soon to say"}
    gone = "not seen since the grass came up, photograph again"
    few = np.isfinite(cover[:4]).sum(axis=1) <= 2
    assert [why.endswith(gone) for why in made.why[:4]] == (~few).tolist()
    assert not few.all()
    assert (made.state[4:] == all_seen.state[4:]).mean() > 0.97


def test_a_lawn_that_does_not_come_is_told_as_overdue():
    days, covers = [4, 11, 18, 25, 32], [0.03, 0.03, 0.04, 0.04, 0.05]
    early, late = outlook.fit(course(days[:3], covers[:3])), outlook.fit(course(days, covers))
    assert set(early.state) == {"too soon to say"}
    assert "% of its growth, and is judged from 15 %" in early.lawn.missing
    # what may never come is not forecast as if it were only late: 75 % (61 to 86) without that doubt
    assert late.lawn.cover_at_target < 0.2
    assert late.lawn.cover_at_target_high > 0.5
    assert (late.p_on_target < 0.3).all()
    assert "24 of 24 cells: hardly any growth by day 32, when such lawns are half grown" in late.lawn.sentence
    due = replace(late.season, target=Target(0.75, SOWN + timedelta(days=30)))
    assert set(outlook.fit(due).state) == {"slow"}  # what was due by now is not too soon to judge


def test_in_the_middle_of_a_season_the_next_visits_tell():
    made = outlook.fit(lawn(3, TableRecipe(rows=8, cols=12), until_day=21)[0])
    open_ = made.state == "too soon to say"
    assert open_.any()
    assert made.lawn.missing == "still open, the next visits will tell"
    assert np.mean([why.endswith("will tell") for why in made.why[open_]]) > 0.8


def test_cells_never_seen_say_so():
    made = outlook.fit(build(*[reading(d, unseen=(7,)) for d in (5, 10, 15)]))
    assert made.state[7] == "not seen"
    assert made.why[7] == "no visit showed it"
    assert made.lawn.sentence.endswith("1 cell was never seen")


def test_of_a_lawn_never_seen_nothing_is_known():
    made_season, _ = lawn(4, TableRecipe(rows=6, cols=8), until_day=28)
    unseen = np.full(made_season.cover.shape, np.nan)
    made = outlook.fit(replace(made_season, cover=unseen, cover_se=unseen)).lawn
    for figure in (made.cover_now, made.cover_at_target, made.cover_at_target_high, made.p_on_target):
        assert np.isnan(figure)
    assert "nothing can be said" in made.sentence


def test_the_headline():
    made_season, _ = lawn(4, TableRecipe(rows=10, cols=14), until_day=28)
    made = outlook.fit(made_season)
    counts = made.lawn.counts
    assert tuple(counts) == STATES
    assert sum(counts.values()) == made.lawn.cells == 140
    assert made.lawn.sentence.startswith(f"{100 * made.lawn.cover_now:.0f} % covered on day 28 (this mix")
    assert f"{counts['thin']} of 140 cells" in made.lawn.sentence
    assert (
        f"cells ({made.lawn.thin_m2:.1f} m²) are thin and likely won't fill in by 9 May" in made.lawn.sentence
    )
    assert 2 / 3 < states.chance_short(made.p_thin[made.state == "thin"]).mean() < 0.9
    assert made.lawn.thin_m2 == pytest.approx(0.25 * counts["thin"])


def test_a_target_in_the_past_is_not_forecast():
    made_season, _ = lawn(4, TableRecipe(rows=10, cols=14), until_day=28)
    due = made_season.sowing.date + timedelta(days=21)
    made = outlook.fit(replace(made_season, target=Target(0.9, due)))
    assert "had not filled in by 4 April" in made.lawn.sentence
    assert "won't" not in made.lawn.sentence
    assert all("expected" not in why for why in made.why)
    assert "% on 4 April, target 90 %" in made.why[0]


def test_degree_days_and_days_agree_in_steady_weather():
    readings = [reading(d, cover=c) for d, c in ((5, 0.06), (12, 0.2), (18, 0.45), (24, 0.75), (30, 0.88))]
    base_c = mixes.get("perennial ryegrass").base_c
    warm = build(*readings, temperatures=steady(base_c + REFERENCE_PACE, days=200), base_c=base_c)
    by_days, by_heat = outlook.fit(warm, time_axis="days"), outlook.fit(warm)
    assert (by_days.time_axis, by_heat.time_axis) == ("days", "degree-days")
    np.testing.assert_allclose(by_heat.cover_at_target, by_days.cover_at_target, atol=1e-6)
    np.testing.assert_allclose(by_heat.reach_days, by_days.reach_days, atol=1e-3)


def test_degree_days_without_temperatures_are_refused():
    with pytest.raises(SeasonError, match=r"temperatures\.csv"):
        outlook.fit(course([5, 12], [0.1, 0.2]), time_axis="degree-days")


def test_a_setback_is_said_and_made_good():
    covers = [0.05, 0.1, 0.25, 0.5, 0.74, 0.86, 0.62]
    made = outlook.fit(course([4, 9, 14, 18, 23, 27, 31], covers))
    assert made.lawn.cover_now < 0.8
    assert made.lawn.cover_at_target > 0.82
    assert "points of cover were lost" in made.lawn.sentence


@pytest.mark.parametrize("days", [(75,), (62, 75)])
def test_what_was_never_seen_higher_was_not_lost(days):
    """A first photo far below its age is a lawn that came badly: nothing says that it ever had more."""
    made = outlook.fit(course(days, [0.3] * len(days)))
    assert "lost" not in made.lawn.sentence
    assert made.lawn.cover_now == pytest.approx(0.3, abs=0.08)
    assert made.lawn.cover_at_target < 0.4
    assert set(made.state) == {"thin"}


def errs_together(rng, truth, se, grid):
    """A season off by what its photos tell: in step over all cells and visits, and each cell alone."""
    together = np.sqrt(covererror.SHARED) * rng.standard_normal()
    readings = []
    for day, true in truth.items():
        alone = np.sqrt(1 - covererror.SHARED) * rng.standard_normal(grid.rows * grid.cols)
        cover = np.clip(true + se * (together + alone), 0, 1)
        readings.append(reading(day, grid=grid, cover=cover, se=se))
    return season.build(readings, grid, sowing=SOWING, today=date(2026, 8, 1))


def in_all_weathers(rng, truth):
    """The truth as one lawn has it, off its smooth curve by weather, and as its visits see it, by light."""
    dense = rng.uniform(0.8, 1.15)  # not what the mix usually is, or that would tell too much
    own = {day: dense * true + outlook.LAWN_CURVE_SD * rng.standard_normal() for day, true in truth.items()}
    light = Settings().offset_sd
    return own, {day: true + light * rng.standard_normal() for day, true in own.items()}


GROWING = {9: 0.12, 16: 0.25, 23: 0.45, 30: 0.62, 37: 0.7, 44: 0.73}


def test_the_lawns_interval_is_as_wide_as_its_errors_where_a_photos_cells_err_together():
    # Both ways: errors over their stated sds have a mean square of 1, within the middle 99 % of chi square.
    # (Counting how many of 40 a 90 % interval holds can't tell one that is too wide: all 40 would be fine.)
    rng = np.random.default_rng(8)
    astray = []
    for _ in range(60):
        true, seen = in_all_weathers(rng, GROWING)
        made = outlook.fit(errs_together(rng, seen, 0.08, Grid(0.5, 0.0, 0.0, 8, 11)))
        now = made.lawn_draws[:, np.searchsorted(made.lawn_age_days, 44.0)]
        astray.append((true[44] - now.mean()) / now.std())
    low, high = chi2.ppf([0.005, 0.995], len(astray))
    assert low < np.sum(np.square(astray)) < high


@pytest.mark.parametrize(("rows", "cols"), [(2, 3), (10, 13), (40, 50)])
def test_no_number_of_cells_brings_the_lawns_error_below_what_they_share(rows, cols):
    made_season = errs_together(np.random.default_rng(3), GROWING, 0.08, Grid(0.5, 0.0, 0.0, rows, cols))
    made = outlook.fit(made_season).lawn
    shared = np.sqrt(covererror.SHARED) * 0.08
    assert made.cover_now_se > 0.97 * shared  # draws are cut off at bare and closed
    assert made.cover_at_target_high - made.cover_at_target_low > 2 * 1.645 * 0.97 * shared


def test_a_young_lawns_forecast_errs_as_the_classifier_does_at_the_cover_to_come():
    made_season = errs_together(
        np.random.default_rng(4), {7: 0.05, 14: 0.1}, 0.01, Grid(0.5, 0.0, 0.0, 8, 11)
    )
    due = Target(0.7, made_season.sowing.date + timedelta(days=56))
    made = outlook.fit(replace(made_season, target=due)).lawn
    at_target = np.sqrt(covererror.SHARED) * covererror.classifier_se(
        made.cover_at_target, covererror.Accuracy()
    )
    assert made.cover_at_target_high - made.cover_at_target_low > 2 * at_target


# --- where a mix usually is ----------------------------------------------------------------------------


@pytest.mark.parametrize("mix", mixes.table().values(), ids=lambda mix: mix.name)
def test_a_mix_usually_ends_at_what_photos_measure_of_closed_turf(mix):
    low, high = usual(Prior.of_mix(mix), 0.05, np.array([0.0, 28.0, 365.0]), "logistic")
    assert (low <= high).all()
    assert (np.diff(low) > 0).all()
    assert high[0] < 0.35
    # rendered swards years old: 0.77 to 0.82 straight down
    assert 0.65 < low[-1] < high[-1] < 0.82


def test_a_lawn_that_starts_closed_is_usually_as_it_is():
    low, high = usual(Prior.of_mix(mixes.get("fescue")), 0.85, np.array([0.0, 60.0]), "logistic")
    assert low.tolist() == high.tolist() == [0.85, 0.85]


def test_a_grown_lawn_is_as_its_mix_usually_is():
    made = outlook.fit(course([4, 9, 14, 18, 23, 28, 44, 60], [0.05, 0.08, 0.2, 0.4, 0.6, 0.7, 0.77, 0.77]))
    assert 0.75 <= made.lawn.cover_now <= 0.8
    assert "(this mix is usually at 75–80 % by then);" in made.lawn.sentence


def test_same_season_same_outlook():
    made_season, _ = lawn(2, TableRecipe(rows=6, cols=9), until_day=21)
    one, two = outlook.fit(made_season), outlook.fit(made_season)
    assert one.lawn == two.lawn
    assert one.cover_at_target_low.tobytes() == two.cover_at_target_low.tobytes()


@pytest.mark.parametrize(("at_m", "turned_deg"), [((1.25, 1.05), 0), ((1.223, 1.071), 0), ((1.25, 1.0), 30)])
def test_a_spot_leaves_no_gaps_wherever_its_peg_stands(at_m, turned_deg):
    """By the middles of its cells a peg half a cell off the lawn's cells filled every second column twice."""
    lawn = Grid(0.1, 0.0, 0.0, rows=20, cols=30)
    spot = Grid(0.1, -0.5, -0.4, rows=8, cols=10)
    one = reading(5, grid=spot, at_m=at_m, turned_deg=turned_deg, view="spot 3")
    built = season.build([one], lawn, sowing=SOWING, today=date(2026, 8, 1))
    away = np.stack([built.x_m, built.y_m], axis=1) - at_m
    turn = np.radians(turned_deg)
    inside = np.abs(away @ [[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    well_inside = (inside < [0.42, 0.32]).all(axis=1)
    beyond = (inside > [0.58, 0.48]).any(axis=1)
    shown = np.isfinite(built.cover[:, 0])
    assert shown[well_inside].all()
    assert not shown[beyond].any()
    np.testing.assert_allclose(built.cover[shown, 0], 0.4)


def test_half_a_cell_off_a_cell_takes_the_mean_of_two():
    lawn = Grid(0.1, 0.0, 0.0, rows=4, cols=8)
    spot = Grid(0.1, -0.2, -0.1, rows=2, cols=4)
    one = reading(5, grid=spot, at_m=(0.45, 0.2), view="spot 3", se=0.02)
    one = replace(one, table=replace(one.table, cover=np.tile([0.2, 0.4, 0.6, 0.8], 2)))
    built = season.build([one], lawn, sowing=SOWING, today=date(2026, 8, 1))
    cover, se = (values[:, 0].reshape(4, 8) for values in (built.cover, built.cover_se))
    np.testing.assert_allclose(cover[1, 2:7], [0.2, 0.3, 0.5, 0.7, 0.8])  # the ends half seen
    # what all cells of a photo share stays, of their own errors the mean of two has half the variance
    np.testing.assert_allclose(se[1, 3], 0.02 * np.sqrt(SHARED + (1 - SHARED) / 2))
    assert se[1, 2] > 0.05  # half of it was not seen


def test_the_ground_that_a_spot_shows_stays_the_same():
    """What the cells of a turned spot give to the lawn's adds up to what they are."""
    lawn = Grid(0.1, 0.0, 0.0, rows=20, cols=30)
    one = reading(
        5, grid=Grid(0.1, -0.5, -0.4, rows=8, cols=10), at_m=(1.5, 1.0), turned_deg=17, view="spot 3"
    )
    _, rows, part = season._overlaps(lawn, one, np.ones(80, bool))
    np.testing.assert_allclose(np.bincount(rows, part), 1)


# --- some cells of a season ----------------------------------------------------------------------------


def test_some_cells_of_a_season_keep_all_that_is_known_of_them():
    made, _ = lawn(5, TableRecipe(rows=4, cols=5))
    again = (Oversown(replace(made.sowing, area_m=((0, 0), (1, 0), (1, 1))), np.array([2, 7, 9])),)
    made = replace(made, oversown=again, earlier=made.visits[:2], earlier_cover=made.cover[:, :2])
    some = made.at(np.array([9, 3, 2]))
    for name in ("row", "x_m", "area_m2", "cover", "cover_se", "lab", "earlier_cover"):
        assert np.array_equal(getattr(some, name), getattr(made, name)[[9, 3, 2]], equal_nan=True), name
    assert some.oversown[0].cells.tolist() == [2, 0]  # cells 2 and 9
    assert some.sown_again.tolist() == [True, False, True]
    assert made.sown_again.nonzero()[0].tolist() == [2, 7, 9]
    assert made.at(np.array([0, 1])).oversown == ()
