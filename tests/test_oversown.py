"""Parts that were sown again: on simulated lawns, whose truth is known, and through lawn.toml."""

import re
from dataclasses import replace
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np
import pytest
from click.testing import CliRunner

from turfeye import lawn, lawnfile, mixes, outlook, oversown, patches, workplan
from turfeye.cli import root
from turfeye.errors import LawnError
from turfeye.lawnrecords import Sowing
from turfeye.outline import cell_shares, signed_area
from turfeye.simulate.tables import SOWN, TableRecipe
from turfeye.simulate.tables import lawn as simulated

AGAIN = 21
AREA = ((2.0, 2.0), (7.0, 2.0), (7.0, 6.0), (2.0, 6.0))
AGAIN_THERE = Sowing(SOWN + timedelta(days=AGAIN), "perennial ryegrass", 20.0, AREA)
RECIPE = TableRecipe(
    visit_days=(3, 7, 10, 14, 17, 21, 24, 28, 32, 35, 39, 42, 46, 50),
    target_day=70,
    failed_patches=0,
    lagging_strips=0,
    setback=0,
    lost_visit=0,
)


def reseeded(seed, until_day):
    """A lawn on a part of which nothing came until it was sown again; and its truth (N, D). Invented."""
    season, truth = simulated(seed, RECIPE, until_day=until_day)
    _, second = simulated(seed + 500, replace(RECIPE, start_cover=(0.08, 0.08)))
    season = oversown.marked(season, [AGAIN_THERE])
    (part,) = season.oversown
    cover = truth.cover.copy()
    cover[part.cells, :AGAIN] = second.cover[part.cells, :1]
    cover[part.cells, AGAIN:] = second.cover[part.cells, : cover.shape[1] - AGAIN]
    noise = season.cover_se * np.random.default_rng(seed).standard_normal(season.cover.shape)
    seen = cover[:, season.age_days.astype(int)] + truth.visit_offset + noise
    return replace(season, cover=np.where(np.isfinite(season.cover), np.clip(seen, 0, 1), np.nan)), cover


@pytest.fixture(scope="module")
def lawns():
    """On day 42, three weeks after the second sowing."""
    made = []
    for seed in range(4):
        season, cover = reseeded(seed, 42)
        made.append((season, cover, outlook.fit(season), outlook.fit(replace(season, oversown=()))))
    return made


def test_the_cells_are_those_that_were_sown():
    season, _ = reseeded(0, 10)
    (part,) = season.oversown
    assert len(part.cells) == 10 * 8  # 5 x 4 m in cells of 0.5 m
    assert season.x_m[part.cells].min() == pytest.approx(2.25)
    assert season.y_m[part.cells].max() == pytest.approx(5.75)
    assert season.flags[-1].startswith("20.0 m² sown again on 4 April: its 80 cells begin anew")


def test_a_part_sown_again_is_forecast_from_its_own_sowing(lawns):
    off, blind, within = [], [], []
    for season, cover, made, by_first in lawns:
        cells = season.oversown[0].cells
        cells = cells[np.isfinite(season.cover[cells]).any(axis=1)]
        true = cover[cells, RECIPE.target_day]
        off += list(np.abs(made.cover_at_target[cells] - true))
        blind += list(np.abs(by_first.cover_at_target[cells] - true))
        within += list((made.cover_at_target_low[cells] <= true) & (true <= made.cover_at_target_high[cells]))
        assert not np.isin(made.state[cells], ["thin"]).any()
        assert all(why.startswith("sown again on 4 April: ") for why in made.why[cells])
    assert np.mean(blind) > 0.3  # by the first sowing it had failed
    assert np.mean(off) < 0.06
    assert np.mean(within) > 0.85


def test_the_lawn_is_forecast_with_its_part(lawns):
    for season, cover, made, by_first in lawns:
        seen = np.isfinite(season.cover).any(axis=1)
        true = float(np.average(cover[seen, RECIPE.target_day]))
        assert made.lawn.cover_at_target_low <= true <= made.lawn.cover_at_target_high
        assert abs(made.lawn.cover_at_target - true) < abs(by_first.lawn.cover_at_target - true)
        today = float(np.average(cover[seen, 42]))
        assert made.lawn.cover_now == pytest.approx(today, abs=0.05)


def test_the_rest_goes_on_as_it_was(lawns):
    for season, _, made, by_first in lawns:
        rest = np.setdiff1d(np.arange(len(season.row)), season.oversown[0].cells)
        moved = np.abs(made.cover_at_target - by_first.cover_at_target)[rest]
        assert np.mean(moved) < 0.02
        assert (made.state[rest] == by_first.state[rest]).mean() > 0.9


@pytest.mark.parametrize(("until", "says"), [(17, "not seen since"), (28, "photograph it from 18 April on")])
def test_too_soon_to_say_after_a_second_sowing(until, says):
    season, _ = reseeded(1, until)
    made = outlook.fit(season)
    cells = season.oversown[0].cells
    assert set(made.state[cells]) <= {"too soon to say", "not seen"}
    assert all(says in why for state, why in zip(made.state[cells], made.why[cells], strict=True)
               if state != "not seen")  # fmt: skip


def test_a_part_that_later_visits_did_not_show_is_no_bare_part():
    season, cover = reseeded(1, 42)
    cells = season.oversown[0].cells
    hidden = season.cover.copy()
    hidden[np.ix_(cells, season.age_days > 21)] = np.nan
    blind = outlook.fit(replace(season, cover=hidden))
    assert set(blind.state[cells]) <= {"too soon to say", "not seen"}
    seen = np.isfinite(hidden).any(axis=1)
    # it is taken to come as its mix does, not to have gone, nor to be as it was
    assert blind.lawn.cover_now == pytest.approx(float(cover[seen, 42].mean()), abs=0.04)
    assert all("not seen since: " in why for why in blind.why[cells] if why != "no visit showed it")


@pytest.mark.parametrize("day", [42, 70])
def test_a_part_that_nobody_has_seen_since_is_forecast_as_its_mix_comes(day):
    """On the day of its sowing, three and seven weeks ahead: where it was left, and widely."""
    within, wide, off, old = [], [], [], []
    for seed in range(12):
        season, cover = reseeded(seed, AGAIN)
        season = replace(season, target=replace(season.target, date=SOWN + timedelta(days=day)))
        made, by_first = outlook.fit(season), outlook.fit(replace(season, oversown=()))
        cells = season.oversown[0].cells
        cells = cells[np.isfinite(season.cover[cells]).any(axis=1)]
        true = cover[cells, day]
        low, high = made.cover_at_target_low[cells], made.cover_at_target_high[cells]
        within += list((low <= true) & (true <= high))
        wide.append((high - low).mean())
        off.append((made.cover_at_target[cells] - true).mean())
        old.append((by_first.cover_at_target[cells] - true).mean())
        assert np.abs(made.cover_now - by_first.cover_now)[cells].mean() < 0.05
        assert set(made.state[cells]) == {"too soon to say"}
        assert all(why.startswith("sown again on 4 April and not seen since: ") for why in made.why[cells])
        assert all(why.endswith("; photograph it from 18 April on") for why in made.why[cells])
    assert np.mean(old) < -0.2  # by the first sowing nothing comes there any more
    assert abs(np.mean(off)) < 0.05
    assert np.mean(within) > 0.8
    assert np.mean(wide) > 0.2


def test_a_part_sown_after_the_targets_date_keeps_its_forecast_for_it():
    season, _ = reseeded(0, AGAIN)
    passed = replace(season, target=replace(season.target, date=AGAIN_THERE.date))
    made, by_first = outlook.fit(passed), outlook.fit(replace(passed, oversown=()))
    cells = season.oversown[0].cells
    moved = np.abs(made.cover_at_target - by_first.cover_at_target)[
        cells
    ]  # the visit of that day is left out
    assert moved.mean() < 0.02
    assert set(made.state[cells]) <= {"too soon to say", "not seen"}


def test_a_part_that_was_never_seen_at_all_stays_so():
    season, _ = reseeded(0, AGAIN)
    cells = season.oversown[0].cells
    hidden = season.cover.copy()
    hidden[cells] = np.nan
    made = outlook.fit(replace(season, cover=hidden))
    assert set(made.state[cells]) == {"not seen"}


def reached_on(start, end, target, *, half_days, pace_days):
    """Days after its sowing at which a logistic curve reaches the target, by hand."""
    return half_days - pace_days * np.log((end - start) / (target - start) - 1)


def test_the_plan_says_when_to_look_and_what_to_expect():
    season, _ = reseeded(0, AGAIN)
    mix = mixes.get("perennial ryegrass")
    made = outlook.fit(season)
    outline = np.array([[0, 0], [15, 0], [15, 10], [0, 10.0]])
    dates = workplan.plan(made, (), mix, outline_m=outline).dates
    assert [when for when, _ in dates] == sorted(when for when, _ in dates)
    ((judged, words),) = [entry for entry in dates if entry[1].startswith("photograph")]
    assert judged == AGAIN_THERE.date + timedelta(days=14)
    low, high = map(int, re.search(r"usually (\d+)–(\d+) % covered", words).groups())
    assert 2 <= low < high <= 60
    ((_, words),) = [entry for entry in dates if entry[1].startswith("earliest date for 75 % cover")]
    assert "usually by" not in words  # a sixth of such lawns stay below it
    # half of its gain after 19 days, at a pace of 4.5 (data/mixes.toml)
    end = mixes.CLOSED_COVER * mix.growth.final_cover[0]
    start = float(np.nanquantile(made.cover_now[season.oversown[0].cells], 0.1))
    target = 0.7
    middle = reached_on(start, end, target, half_days=19, pace_days=4.5)
    nearer = replace(season, target=replace(season.target, cover=target))
    dates = workplan.plan(outlook.fit(nearer), (), mix, outline_m=outline).dates
    ((first, words),) = [entry for entry in dates if entry[1].startswith("earliest date for 70 % cover")]
    by = date(2026, 5, int(re.search(r"usually by (\d+) May", words)[1]))
    assert (first - AGAIN_THERE.date).days < middle < (by - AGAIN_THERE.date).days


def test_what_was_sown_is_told_by_its_ground_not_by_its_cells():
    season, _ = reseeded(0, 10)
    season = replace(season, oversown=(), flags=())
    # 1.2 x 0.9 m across the cells of 0.5 m, in one piece and in two that share cells
    one = replace(AGAIN_THERE, area_m=((2.2, 2.2), (3.4, 2.2), (3.4, 3.1), (2.2, 3.1)))
    assert oversown.marked(season, [one]).flags[0].startswith("1.08 m² sown again on 4 April: its 9 cells")
    left, right = (
        ((2.2, 2.2), (2.8, 2.2), (2.8, 3.1), (2.2, 3.1)),
        ((2.8, 2.2), (3.4, 2.2), (3.4, 3.1), (2.8, 3.1)),
    )
    two = [replace(one, area_m=left), replace(one, area_m=right)]
    assert oversown.marked(season, two).flags == oversown.marked(season, [one]).flags


def test_a_part_photographed_too_early_is_to_be_photographed_again():
    season, _ = reseeded(0, 28)
    made = outlook.fit(season)
    outline = np.array([[0, 0], [15, 0], [15, 10], [0, 10.0]])
    dates = workplan.plan(made, (), mixes.get("perennial ryegrass"), outline_m=outline).dates
    assert (
        date(2026, 4, 18),
        "photograph what was sown again on 4 April: from this day on it is judged",
    ) in dates


def test_the_plan_says_nothing_of_parts_that_were_seen_since():
    season, _ = reseeded(0, 42)
    outline = np.array([[0, 0], [15, 0], [15, 10], [0, 10.0]])
    dates = workplan.plan(outlook.fit(season), (), mixes.get("perennial ryegrass"), outline_m=outline).dates
    assert not any(what.startswith(("photograph", "expect")) for _, what in dates)


def test_all_of_the_lawn_as_a_part_counts_from_its_second_sowing():
    season, _ = reseeded(2, 35)
    everywhere = replace(AGAIN_THERE, area_m=((0, 0), (15, 0), (15, 10), (0, 10)))
    season = oversown.marked(replace(season, oversown=(), flags=()), [everywhere])
    made = outlook.fit(season)
    assert len(season.oversown[0].cells) == len(season.row)
    assert np.isfinite(made.lawn.cover_at_target)
    assert all("sown again" in why for why in made.why[made.state != "not seen"])


def test_the_later_of_two_sowings_counts_and_small_ones_are_told():
    season, _ = reseeded(3, 42)
    later = replace(AGAIN_THERE, date=AGAIN_THERE.date + timedelta(days=10))
    small = replace(AGAIN_THERE, area_m=((9.3, 3.3), (9.4, 3.3), (9.4, 3.4), (9.3, 3.4)))
    season = oversown.marked(replace(season, oversown=(), flags=()), [AGAIN_THERE, later])
    assert [one.sowing for one in season.oversown] == [later]
    assert "or was sown over since" in season.flags[0]
    assert season.flags[1].startswith("20.0 m² sown again on 14 April: its 80 cells begin")
    season = oversown.marked(replace(season, oversown=(), flags=()), [small])
    assert not season.oversown
    assert "covers hardly any of a cell" in season.flags[0]


def test_places_sown_on_one_day_are_one_part():
    season, _ = reseeded(3, 42)
    halves = [((2, 2), (4, 2), (4, 6), (2, 6)), ((4, 2), (7, 2), (7, 6), (4, 6))]
    found = oversown.marked(
        replace(season, oversown=()), [replace(AGAIN_THERE, area_m=area) for area in halves]
    )
    (part,) = found.oversown
    assert part.cells.tolist() == season.oversown[0].cells.tolist()


@pytest.mark.parametrize("seed", range(6))
def test_a_patch_that_was_sown_is_not_to_be_sown_again(seed):
    """Nor is its rim, which was thin by what the patch was: only time tells what came."""
    failed = replace(RECIPE, failed_patches=2, target_day=50)
    season, _ = simulated(seed, failed, until_day=42)
    ahead = outlook.fit(season)
    found = patches.thin(ahead)
    assert found
    tasks = [SimpleNamespace(patch=patch, seed_g=30 * patch.area_m2) for patch in found]
    sown = [oversown.by_plan(task, SOWN + timedelta(days=44), "perennial ryegrass") for task in tasks]
    left = patches.thin(outlook.fit(oversown.marked(season, sown)))
    was = sum(cell_shares(np.array(one.outline_m), season.grid) for one in found)
    for one in left:
        both = np.minimum(cell_shares(np.array(one.outline_m), season.grid), was)
        assert both.sum() * season.grid.cell_m**2 < patches.LEAST_M2
    assert sum(one.area_m2 for one in left) < 0.05 * sum(one.area_m2 for one in found)


def test_rims_of_what_was_just_sown_are_no_patches_until_the_next_visit():
    """Near its target a lawn has many thin cells; of them some only beside what was sown are left over."""
    near = replace(RECIPE, failed_patches=2, target_day=50, target_cover=0.8)
    season, _ = simulated(3, near, until_day=42)
    found = patches.thin(outlook.fit(season))
    tasks = [SimpleNamespace(patch=patch, seed_g=30 * patch.area_m2) for patch in found]
    last = season.visits[-1].taken.date()
    after = [oversown.by_plan(task, last + timedelta(days=2), "perennial ryegrass") for task in tasks]
    ahead = outlook.fit(oversown.marked(season, after))
    assert (ahead.state == "thin").sum() >= 5  # the map still shows them
    assert patches.thin(ahead) == ()
    # elsewhere, where nothing was sown, a small patch stays one
    largest, *others = sorted(after, key=lambda one: -abs(signed_area(np.array(one.area_m))))
    left = patches.thin(outlook.fit(oversown.marked(season, [largest])))
    assert len(left) == len(others) > 0


def test_degree_days_start_anew_too():
    season, _ = reseeded(0, 42)
    warm = replace(
        season,
        degree_days_by_age=np.arange(140.0) * 10,  # the clock's own pace, so the same as days
        visits=tuple(replace(visit, degree_days=10 * visit.age_days) for visit in season.visits),
    )
    by_days, by_heat = outlook.fit(season), outlook.fit(warm)
    assert by_heat.time_axis == "degree-days"
    np.testing.assert_allclose(by_heat.cover_at_target, by_days.cover_at_target, atol=1e-6)


# ------------------------------------------------------------------------------------------------ lawn.toml

FILE = """schema = 1
name = "back"
outline_m = [[0, 0], [8, 0], [8, 6], [0, 6]]

[[sowing]]
date = 2026-03-14
mix = "perennial ryegrass"
rate_g_m2 = 35

[[sowing]]
date = 2026-04-04
mix = "perennial ryegrass"
rate_g_m2 = 20
area_m = [[1, 1], [3, 1], [3, 2.5], [1, 2.5]]
"""


def test_a_part_in_the_lawns_file(tmp_path):
    (tmp_path / lawn.FILE_NAME).write_text(FILE)
    place = lawn.read(tmp_path)
    assert place.sowing.date.isoformat() == "2026-03-14"  # the season goes on
    (again,) = place.oversowings
    assert again.area_m == ((1, 1), (3, 1), (3, 2.5), (1, 2.5))


@pytest.mark.parametrize(
    ("area", "words"),
    [
        ("[[1, 1], [3, 1]]", "needs at least 3 corners"),
        ("[[1, 1], [3, 1], [3]]", "every corner must be two numbers"),
        ("[[1, 1], [3, 2.5], [3, 1], [1, 2.5]]", "in the order of a walk round it"),
        ("[[1, 1], [30, 1], [30, 2.5]]", "reaches off the lawn"),
    ],
)
def test_an_area_that_is_none_is_told(area, words):
    with pytest.raises(LawnError) as caught:
        lawnfile.parse(FILE.replace("[[1, 1], [3, 1], [3, 2.5], [1, 2.5]]", area))
    (said,) = caught.value.mistakes
    assert said.startswith("2nd [[sowing]], area_m")
    assert words in said


def test_a_part_alone_is_no_first_sowing():
    with pytest.raises(LawnError) as caught:
        lawnfile.parse(FILE.replace("date = 2026-04-04", "date = 2026-03-01"))
    assert "nothing before it; leave area_m out of the first sowing" in caught.value.mistakes[0]


def test_a_plan_is_sown_only_where_the_lawn_grows(tmp_path):
    (tmp_path / lawn.FILE_NAME).write_text(FILE)
    done = CliRunner().invoke(root, ["plan", str(tmp_path), "--before", "--sown", "2026-04-04"])
    assert done.exit_code == 2
    assert "leave out --before" in done.stderr
