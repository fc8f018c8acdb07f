"""Seed, dressing, tape distances, window and files of a work plan."""

from __future__ import annotations

import csv
import io
import itertools
import json
import re
from dataclasses import replace
from datetime import date, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import pyproj
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from turfeye import cautions, mixes, newlawn, planfile, results, workplan
from turfeye import lawn as lawns
from turfeye.aftercare import follow_up
from turfeye.amounts import PlanSettings, dressing_bags, dressing_l, heaps_g, seed_g
from turfeye.contours import polygon_area_m2, signed_distance_m
from turfeye.errors import LawnError
from turfeye.lawnrecords import Patch, Sowing, Tape, Target, Task
from turfeye.outline import circle, signed_area
from turfeye.tape import corner_names, fix
from turfeye.temperatures import Temperatures
from turfeye.window import window
from turfeye.words import short_day
from turfeye.workplan import plan

LAWN = np.array([[0, 0], [8, 0], [8, 6], [0, 6.0]])
STRIP = np.array([[1.7, 1.0], [2.3, 1.0], [2.3, 5.0], [1.7, 5.0]])
TURN = np.array([[np.cos(0.5), np.sin(0.5)], [-np.sin(0.5), np.cos(0.5)]])
RYE = mixes.get("perennial ryegrass")
DAY = date(2026, 4, 11)


def patch(number=1, x=2.0, y=1.5, area=1.237, deficit=0.8349, kind="thin"):
    side = np.sqrt(area) / 2
    square = np.array(
        [[x - side, y - side], [x + side, y - side], [x + side, y + side], [x - side, y + side]]
    )
    return Patch(number, kind, square, x, y, area, 0.05, deficit, 0.97, np.arange(3), "it is thin")


def outlook(last=DAY, oversown=(), thin_m2=0.0, soon=0):
    """What a plan asks of an outlook: the sowings and the day of the last visit."""
    visit = SimpleNamespace(taken=datetime(last.year, last.month, last.day, 10))
    return SimpleNamespace(
        lawn=SimpleNamespace(
            thin_m2=thin_m2, counts={"too soon to say": soon, "on course": 10, "not seen": 0}
        ),
        season=SimpleNamespace(
            sowing=Sowing(date(2026, 3, 14), RYE.name, 40.0),
            visits=(visit,),
            oversown=oversown,
            target=Target(0.75, date(2026, 6, 9)),
        ),
    )


def to_come(last, oversown=()):
    """What a lawn without thin places is told to do, and its cautions."""
    found = plan(outlook(last, oversown), (), RYE, outline_m=LAWN)
    assert (found.sentence, found.window) == ("Nothing to reseed.", "")
    return [(when, what.split(",")[0].split(":")[0]) for when, what in found.dates], found.cautions


def test_what_was_sown_is_followed_up_where_nothing_is_to_be_reseeded(monkeypatch):
    # what is expected of parts is tested on real seasons, in test_oversown
    monkeypatch.setattr("turfeye.aftercare.oversown.parts", lambda season: ())
    # ryegrass is through 10 days after sowing (handbook); feed and cut are common practice, no source
    feed_and_cut = [(date(2026, 4, 7), "first feed"), (date(2026, 4, 14), "first cut")]
    dates, minded = to_come(date(2026, 3, 27))
    assert dates == feed_and_cut
    assert set(cautions.about("water", "iron", "feed")) <= set(minded)
    assert to_come(date(2026, 4, 14)) == ([], ())  # done
    again = SimpleNamespace(sowing=Sowing(date(2026, 5, 8), RYE.name, 12.0))
    dates, _ = to_come(date(2026, 5, 6), (again,))
    assert [when for when, _ in dates] == [date(2026, 5, 18), date(2026, 6, 1), date(2026, 6, 8)]
    other = SimpleNamespace(sowing=Sowing(date(2026, 5, 8), "fine fescue", 12.0))
    assert to_come(date(2026, 5, 6), (other,)) == ([], ())


def make(*patches, mix=RYE, **settings):
    return plan(outlook(), patches, mix, outline_m=LAWN, settings=PlanSettings(**settings))


# -- seed and dressing -----------------------------------------------------------------------------------


def test_five_kilos_do_143_square_metres():
    # Overseeding a domestic ryegrass lawn at 35 g/m2: common practice, no source.
    assert RYE.rate_g_m2() == 35
    assert seed_g(35, 143) == pytest.approx(5000, abs=35 / 2)


def test_trade_units():
    # 1 mm over 1 m2 is 1 L. 1 lb/1000 ft2 = 4.88243 g/m2 and 1 oz/yd2 = 33.906 g/m2, from the pound
    # (453.59237 g) and the foot (0.3048 m) of the international agreement of 1959.
    assert dressing_l(1, 1) == 1
    assert pytest.approx(4.88243, abs=1e-5) == 453.59237 / (1000 * 0.3048**2)
    assert pytest.approx(33.906, abs=5e-4) == 453.59237 / 16 / (3 * 0.3048) ** 2


def test_seed_to_the_gram_from_what_is_printed():
    made = make(patch())
    row = planfile.rows(made)[0]
    assert (row["area_m2"], row["deficit"]) == (1.24, 0.83)
    assert row["seed_g"] == round(35 * 1.24 * 0.83) == 36
    assert row["dressing_l"] == 6.2
    assert "35 g/m² (perennial ryegrass's overseeding rate) × 1.24 m² × 0.83" in row["because"]


def test_bare_ground_in_a_lawn_gets_as_much_as_before_the_work():
    # 4-5 lb/1000 ft2 of fine fescue for a new lawn, 19.5-24.4 g/m2 (extension tables); overseeding is half
    row = planfile.rows(make(patch(), mix=mixes.get("fine fescue")))[0]
    assert row["seed_g"] == round(21.95 * 1.24 * 0.83)
    assert "21.95 g/m² (fine fescue's rate for new lawns) × 1.24 m² × 0.83" in row["because"]


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(0.05, 30), st.floats(0.01, 1)), min_size=1, max_size=12))
def test_totals_are_the_sums_of_the_rows(sizes):
    made = make(*(patch(n, area=a, deficit=d) for n, (a, d) in enumerate(sizes, 1)))
    rows = planfile.rows(made)
    assert made.seed_g == sum(row["seed_g"] for row in rows)
    assert made.dressing_l == pytest.approx(sum(row["dressing_l"] for row in rows), abs=0.05)
    assert made.seed_spare_g >= made.seed_g * 0.1
    assert made.seed_spare_g < made.seed_g * 0.1 + 1
    area = sum(row["area_m2"] for row in rows if row["seed_g"])
    assert made.dressing_bags * 9 >= area - 1e-6
    assert (made.dressing_bags - 1) * 9 < area or made.dressing_bags == 0


def test_half_a_gram_goes_up():
    assert seed_g(35, 0.5, 0.2) == 4  # 3.5
    assert seed_g(35, 1.0, 0.7) == 25  # 24.5


def test_pure_live_seed_needs_a_quarter_more():
    # 0.95 purity x 0.85 germination = 0.8075: sow 23.8 % more.
    made = make(patch(area=100.0, deficit=1.0), purity=0.95, germination=0.85)
    assert made.seed_g == pytest.approx(3500 * 1.238, abs=3)
    assert "0.81 pure live seed" in made.tasks[0].because


def test_rates_users_then_mix_then_lawns_own():
    assert make(patch(area=10.0, deficit=1.0), rate_g_m2=20).seed_g == 200
    bent = mixes.get("creeping bent")
    own = make(patch(area=10.0, deficit=1.0), mix=bent)
    assert own.seed_g == 400
    assert "the rate this lawn was sown at" in own.tasks[0].because


def test_bags_by_the_users_coverage_by_litres_or_by_nine():
    assert dressing_bags(50, 18.1, PlanSettings()) == 3  # 9 m2 a bag: common practice, no source
    assert dressing_bags(50, 18.0, PlanSettings()) == 2
    assert dressing_bags(50, 18.1, PlanSettings(bag_covers_m2=6)) == 4
    assert dressing_bags(50, 18.1, PlanSettings(bag_l=25)) == 2


@given(st.integers(0, 100_000), st.integers(1, 9))
def test_heaps_add_up_and_are_even(total, parts):
    heaps = heaps_g(total, parts)
    assert sum(heaps) == total
    assert max(heaps) - min(heaps) <= 1


def test_spreading_weighs_each_patch():
    made = make(patch(area=1.0, deficit=1.0), patch(2, area=6.0, deficit=0.5))
    assert made.spreading[0] == (
        "Patch 1: weigh out 35 g, split into 18 g + 17 g; sow by hand, one heap lengthways, the other "
        "crossways."
    )
    assert "weigh out 105 g, split into 27 g + 26 g + 26 g + 26 g; use the spreader" in made.spreading[1]
    assert "common practice, no source" in made.spreading[2]


def test_little_seed_is_no_trip_of_its_own():
    # half a handful, 15 g: ours, no source
    small, enough = make(patch(area=0.4, deficit=1.0)), make(patch(area=0.43, deficit=1.0))
    assert (small.seed_g, enough.seed_g) == (14, 15)
    assert (small.in_passing, enough.in_passing) == (True, False)
    assert small.sentence == (
        "1 patch, 0.40 m² to reseed when you are next there (too little for a trip of its own): "
        "14 g of perennial ryegrass and 2 g spare, 1 bag of dressing (2.0 L)."
    )
    assert small.spreading == ("Patch 1: weigh out 14 g and sow it by hand.",)
    assert "next there" not in enough.sentence
    two = make(patch(area=0.4, deficit=1.0), patch(2, area=1.0, deficit=1.0))  # done on the way
    assert not two.in_passing
    assert not plan(outlook(), (), RYE, outline_m=LAWN).in_passing


def test_a_pinch_that_may_not_be_needed_is_left():
    open_, sure = (replace(patch(area=0.08, deficit=0.9), how_sure=chance) for chance in (0.5, 0.8))
    made = make(open_)
    assert (made.seed_g, made.dressing_l, made.spreading, made.after_sowing) == (0, 0.0, (), ())
    assert made.tasks[0].because.endswith(
        "× 0.08 m² × 0.90 would be a pinch, 3 g: left until it is clear whether it is needed"
    )
    words = "needs a pinch at most, perhaps not even that, and gets no seed yet"
    assert made.sentence.startswith(f"Nothing to reseed yet. Patch 1 {words}: a photo around ")
    assert any(
        what.startswith("photograph again: it is still open whether patch 1 will fill in")
        for _, what in made.dates
    )
    grown = plan(outlook(date(2026, 6, 1)), (open_,), RYE, outline_m=LAWN)
    assert grown.cautions == ()  # a photo to come makes no grass young
    assert make(sure).seed_g == 3
    larger = replace(open_, area_m2=0.2)  # 6 g can be weighed
    assert make(larger).seed_g == 6
    both = make(sure, replace(open_, number=2))
    assert both.seed_g == 3
    assert f" Patch 2 {words}: a photo around " in both.sentence
    late = replace(open_, number=3, kind="slow", deficit=float("nan"))
    every = make(replace(open_, number=1), replace(open_, number=2), late).sentence
    assert "Patch 3 is merely late and gets no seed yet. Patches 1 and 2 each need a pinch at most" in every


def test_a_long_patch_is_told_by_both_ends():
    strip = replace(patch(1, x=2.0, y=3.0, area=2.4), outline_m=STRIP)  # 0.6 m x 4 m, from y = 1 to 5
    made = make(strip, patch(2))
    # Pythagoras: from corners A (0, 0) and D (0, 6) to (2, 1) and (2, 5)
    near, far = np.hypot(2, 1), np.hypot(2, 5)
    ends = f"A {near:.2f}, D {far:.2f} m to A {far:.2f}, D {near:.2f} m"
    assert f"it is thin; it is 4.0 m long, from {ends}; 35 g/m²" in made.tasks[0].because
    assert "runs" not in made.tasks[1].because
    assert "by hand, one heap up the strip, the other back down" in made.spreading[0]
    assert "the other crossways" in made.spreading[1]
    turned = replace(strip, outline_m=(STRIP - [2, 3]) @ TURN + [2, 3])
    assert "it is 4.0 m long, from" in make(turned).tasks[0].because


def test_pale_patches_keep_a_row_without_seed():
    pale = replace(patch(2, kind="pale"), deficit=float("nan"), because="pale and yellower: look there")
    made = make(patch(), pale)
    row = planfile.rows(made)[1]
    assert (row["seed_g"], row["dressing_l"], row["deficit"]) == (0, 0.0, None)
    assert row["because"] == "pale and yellower: look there"
    nothing = plan(outlook(date(2026, 6, 1)), (), RYE, outline_m=LAWN)
    assert (nothing.sentence, nothing.seed_g, nothing.dates, nothing.cautions) == (
        "Nothing to reseed.",
        0,
        (),
        (),
    )


def test_cautions_where_they_touch():
    made = make(patch())
    text = " ".join(made.cautions)
    for word in ("Iron sulphate", "two weeks", "label", "local licence", "watering", "lift"):
        assert word in text
    assert len(set(made.cautions)) == len(made.cautions)
    assert set(cautions.topics()) >= {"ladder", "digging"}


@pytest.mark.parametrize(
    ("settings", "words"),
    [({"rate_g_m2": 0}, "rate_g_m2 must be above 0"), ({"spare_pct": -1}, "spare_pct must be 0 or more")],
)
def test_settings_that_can_not_be(settings, words):
    with pytest.raises(LawnError, match=words):
        PlanSettings(**settings)


# -- tape ------------------------------------------------------------------------------------------------


@given(st.floats(0.3, 7.7), st.floats(0.3, 5.7))
def test_tape_finds_the_place_again(x, y):
    tape = fix(x, y, LAWN)
    names = dict(zip(corner_names(4), LAWN, strict=True))
    a, b = names[tape.corner_a], names[tape.corner_b]
    assert np.hypot(*(a - [x, y])) == pytest.approx(tape.from_a_m)
    assert np.hypot(*(b - [x, y])) == pytest.approx(tape.from_b_m)
    assert 0.05 <= tape.error_m < 0.09


def test_tape_error_is_what_trying_gives():
    # Monte Carlo: tape readings with 5 cm of error, solved again; the worse direction's spread is error_m.
    from scipy.optimize import fsolve

    tape = fix(2.0, 1.5, LAWN)
    names = dict(zip(corner_names(4), LAWN, strict=True))
    a, b = names[tape.corner_a], names[tape.corner_b]
    rng = np.random.default_rng(5)
    places = [
        fsolve(lambda p, r: [np.hypot(*(p - a)) - r[0], np.hypot(*(p - b)) - r[1]], [2.0, 1.5], args=(read,))
        for read in rng.normal([tape.from_a_m, tape.from_b_m], 0.05, (600, 2))
    ]
    worse = np.sqrt(np.linalg.eigvalsh(np.cov(np.array(places).T))[-1])
    assert worse == pytest.approx(tape.error_m, rel=0.12)


def test_a_tape_does_not_go_through_the_house_that_a_lawn_goes_round():
    """A lawn about two sides of a house, E its corner: a tape from F or D would have to go indoors."""
    ell = np.array([[0.0, 0], [9, 0], [9, 6], [4, 6], [4, 3], [0, 3]])
    house = np.array([[0.0, 3], [4, 3], [4, 6], [0, 6]])
    corners = dict(zip("ABCDEF", ell, strict=True))
    for x, y in itertools.product(np.arange(0.3, 9, 0.4), np.arange(0.3, 6, 0.4)):
        if x < 4.1 and y > 2.9:
            continue
        tape = fix(x, y, ell)
        assert tape.error_m <= 0.3
        for name in (tape.corner_a, tape.corner_b):
            way = np.linspace(corners[name], (x, y), 200)
            assert signed_distance_m(way, house).max() < 0.11, (x, y, name)


def test_a_tape_goes_round_a_tree_ring() -> None:
    """Of an 8 x 6 m lawn with a tree ring in its middle every place has two corners that see it."""
    ring = circle((4.0, 3.0), 1.2)
    corners = dict(zip("ABCD", LAWN, strict=True))
    through = 0
    for x, y in itertools.product(np.arange(0.3, 8, 0.4), np.arange(0.3, 6, 0.4)):
        if signed_distance_m(np.array([[x, y]]), ring)[0] > -0.15:
            continue
        tape, straight = fix(x, y, LAWN, beds_m=[ring]), fix(x, y, LAWN)
        assert tape.error_m <= 0.3
        for one, most in ((tape, 0.11), (straight, 9.0)):
            for name in (one.corner_a, one.corner_b):
                over_m = signed_distance_m(np.linspace(corners[name], (x, y), 200), ring).max()
                assert over_m < most, (x, y, name)
                through += over_m > 0.11
    assert through > 20  # without the ring they would go through it


def test_a_tape_goes_round_a_slender_trunk_on_a_large_lawn() -> None:
    """0.3 m wide on the way of 28 m from A: between places looked at 0.6 m apart it was not met."""
    lawn = np.array([[0, 0], [30, 0], [30, 20], [0, 20.0]])
    for along in np.linspace(0.2, 0.8, 61):
        point = np.array([24.0, 15.0])
        tape = fix(*point, lawn, beds_m=[circle(along * point, 0.3)])
        assert "A" not in (tape.corner_a, tape.corner_b)


def test_tape_takes_users_names_and_the_unambiguous_side():
    names = ("gate", "oak", "shed", "step")
    tape = fix(4.0, 0.4, LAWN, names=names)
    assert {tape.corner_a, tape.corner_b} <= set(names)
    with pytest.raises(LawnError, match="4 corners and 2 names"):
        fix(1, 1, LAWN, names=("a", "b"))
    assert corner_names(28)[25:] == ("Z", "A2", "B2")


# -- window ----------------------------------------------------------------------------------------------


def temperatures(first, last, warmest=18.0, coldest=2.0):
    """Invented: a cosine year, warmest on 20 July."""
    days = [first + timedelta(days=k) for k in range((last - first).days + 1)]
    phase = np.array([(d - date(d.year, 7, 20)).days / 365.25 for d in days])
    mean = (warmest + coldest) / 2 + (warmest - coldest) / 2 * np.cos(2 * np.pi * phase)
    return Temperatures(first, mean - 4, mean + 4)


YEARS = temperatures(date(2025, 1, 1), date(2026, 12, 31))


@pytest.mark.parametrize(
    ("day", "verdict"),
    [
        (date(2026, 2, 10), "too early"),
        (date(2026, 5, 1), "sow"),
        (date(2026, 8, 20), "sow"),
        (date(2026, 10, 20), "too late"),  # warm enough today, but not for long enough
        (date(2026, 12, 5), "too late"),
    ],
)
def test_window_over_the_year(day, verdict):
    found = window(RYE, day, YEARS)
    assert found.verdict == verdict
    assert "7 °C" in found.words  # soil temperature to sow ryegrass mixes, at least: a British seed house


def test_window_says_until_when():
    found = window(RYE, date(2026, 8, 20), YEARS)
    assert date(2026, 9, 1) < found.until < date(2026, 10, 15)
    assert "until" in found.words
    late = window(RYE, date(2026, 10, 20), YEARS)
    assert "too late this year, wait" in late.words


def test_window_with_days_missing_is_never_later():
    year = {
        YEARS.first + timedelta(days=k): (float(YEARS.min_c[k]), float(YEARS.max_c[k])) for k in range(600)
    }
    until = window(RYE, date(2026, 8, 20), Temperatures.of(year)).until
    for begin in range(270, 330, 10):  # autumn of the first year, in which the soil cools
        lacking = [day for k, day in enumerate(year) if not begin <= k < begin + 20]
        found = window(RYE, date(2026, 8, 20), Temperatures.of({day: year[day] for day in lacking}))
        assert until - timedelta(days=30) < found.until <= until
    recent = {day: pair for day, pair in year.items() if not 0 < (date(2026, 8, 20) - day).days <= 20}
    assert window(RYE, date(2026, 8, 20), Temperatures.of(recent)).verdict == "not known"


def test_window_without_figures():
    assert window(RYE, DAY).verdict == "not known"
    assert "measure 5 cm deep" in window(RYE, DAY).words
    assert window(mixes.get("bermudagrass"), DAY, YEARS).verdict == "not known"
    old = temperatures(date(2026, 1, 1), date(2026, 3, 1))
    assert window(RYE, DAY, old).verdict == "not known"


def test_too_late_reaches_the_plan():
    settings = PlanSettings(temperatures=YEARS)
    made = plan(outlook(date(2026, 12, 5)), [patch()], RYE, outline_m=LAWN, settings=settings)
    assert "it is too late this year: wait" in made.sentence
    assert made.dates == ()


def test_what_is_still_to_be_sown_counts_from_its_sowing_and_promises_no_day():
    made = make(patch())
    assert made.dates == ()
    # ryegrass is through 10 days after sowing (handbook); feed and cut are common practice, no source
    told = [(days, re.split("[,:]", what)[0]) for days, what in made.after_sowing]
    assert told == [(10, "look again"), (24, "first feed"), (31, "first cut")]
    assert planfile.plan_dict(made)["after_sowing"][0]["days"] == 10
    assert plan(outlook(), (), RYE, outline_m=LAWN).after_sowing == ()


def test_cells_too_small_for_a_patch_are_told():
    few = plan(outlook(thin_m2=0.04), (), RYE, outline_m=LAWN)
    words = "Nothing to reseed: what is thin (0.04 m²) is too small or too scattered to be worth sowing."
    assert few.sentence == words


def test_follow_up_dates():
    # First feed about two weeks after the seed is through: common practice, no source.
    dates = {words.split(",")[0].split(":")[0]: day for day, words in follow_up(RYE, DAY)}
    assert dates["look again"] == DAY + timedelta(days=10)
    assert dates["first feed"] == DAY + timedelta(days=24)
    assert dates["first cut"] > dates["first feed"]
    assert all("no source" in words for _, words in follow_up(RYE, DAY)[1:])
    again = [re.split("[,:]", words)[0] for _, words in follow_up(RYE, DAY, again=True)]
    assert again == [f"{head} where sown again" for head in dates]
    assert follow_up(mixes.get("creeping bent"), DAY) == ()


# -- files -----------------------------------------------------------------------------------------------


def test_plan_csv_begins_with_the_contract():
    text = planfile.plan_csv(make(patch(), patch(2, x=6.0, y=4.0)))
    rows = list(csv.DictReader(io.StringIO(text)))
    assert list(rows[0])[:8] == [
        "patch",
        "x_m",
        "y_m",
        "area_m2",
        "deficit",
        "seed_g",
        "dressing_l",
        "because",
    ]
    assert [row["patch"] for row in rows] == ["1", "2"]
    assert rows[1]["x_m"] == "6.0"
    assert {"corner_a", "from_a_m", "corner_b", "from_b_m"} <= set(rows[0])


def test_outlines_in_lawn_metres_say_that_they_are_not_wgs84():
    found = json.loads(planfile.outlines_text([patch()], LAWN))
    assert "NOT WGS 84" in found["coordinates_are"]
    lawn, thin = found["features"]
    assert lawn["geometry"]["coordinates"][0] == [[0, 0], [8, 0], [8, 6], [0, 6], [0, 0]]
    assert thin["properties"]["patch"] == 1


def test_true_geojson_against_pyproj():
    # RFC 7946: longitude first, ring closed and anticlockwise. Distances on the ground by pyproj (PROJ).
    geod = pyproj.Geod(ellps="WGS84")
    lon, lat = 0.1218, 52.2053
    lon_b, lat_b, _ = geod.fwd(lon, lat, 90 - 25, 8.0)  # side A to B turned 25 degrees to the north
    found = planfile.outlines([patch()], LAWN[::-1][[3, 2, 1, 0]], anchors={0: (lat, lon), 1: (lat_b, lon_b)})
    assert "coordinates_are" not in found
    ring = np.array(found["features"][0]["geometry"]["coordinates"][0])
    assert ring[0] == pytest.approx([lon, lat], abs=2e-7)
    lengths = [geod.inv(*ring[k], *ring[k + 1])[2] for k in range(4)]
    assert lengths == pytest.approx([8, 6, 8, 6], rel=0.0005)
    bearing = geod.inv(*ring[0], *ring[1])[0]
    assert bearing == pytest.approx(65, abs=0.01)
    assert np.sum(ring[:-1, 0] * ring[1:, 1] - ring[1:, 0] * ring[:-1, 1]) > 0
    with pytest.raises(LawnError, match=r"8\.00 m apart by the outline"):
        planfile.outlines([], LAWN, anchors={0: (lat, lon), 1: (lat + 0.01, lon)})
    with pytest.raises(LawnError, match="give two"):
        planfile.outlines([], LAWN, anchors={0: (lat, lon)})


def test_a_plan_says_which_patches_may_need_no_seed_and_when_that_will_be_known():
    sure, doubtful = patch(), replace(patch(x=6.0), number=2, how_sure=0.52)
    made = plan(outlook(), (sure, doubtful), RYE, outline_m=LAWN)
    look = DAY + timedelta(days=7)
    tells = f"a photo around {short_day(look)} will tell"
    assert made.sentence.endswith(f"Whether 1 of them needs it is still open: {tells}.")
    wanted = (look, "photograph again, before sowing patch 2: whether it fills in by itself is still open")
    assert wanted in made.dates
    alone = plan(outlook(), (doubtful,), RYE, outline_m=LAWN)
    assert "to reseed, perhaps: " in alone.sentence
    assert alone.sentence.endswith(f"Whether it fills in by itself is still open: {tells}.")
    clear = plan(outlook(), (sure,), RYE, outline_m=LAWN)
    assert "open" not in clear.sentence
    assert not any("photograph again" in what for _, what in clear.dates)
    # looked back on the target's date, no photo is waited for
    late = plan(outlook(last=date(2026, 6, 12)), (doubtful,), RYE, outline_m=LAWN)
    assert "photograph it once more" in late.sentence


def test_what_is_too_soon_to_say_is_no_all_clear():
    made = plan(outlook(soon=12), (), RYE, outline_m=LAWN)
    look = DAY + timedelta(days=7)
    assert made.sentence == (
        f"Nothing to reseed yet, too soon to say: a photo around {short_day(look)} will tell."
    )
    assert (look, "photograph again: until then it is too soon to say what needs seed") in made.dates


@pytest.mark.parametrize("soon", [1, 9])
def test_a_part_that_is_open_gets_a_photo_and_a_word(soon):
    """Of a lawn with a missed strip whose cells were open it was said: nothing to reseed; and no date."""
    made = plan(outlook(soon=soon), (), RYE, outline_m=LAWN)
    look = DAY + timedelta(days=7)
    assert made.sentence == (
        "Nothing to reseed yet. Whether all of it fills in is still open: "
        f"a photo around {short_day(look)} will tell."
    )
    assert (look, "photograph again: until then it is too soon to say what needs seed") in made.dates
    # with seed to be sown anyway, or once the target's date has passed, no further photo is asked for
    sown = plan(outlook(soon=soon), (replace(patch(), how_sure=0.95),), RYE, outline_m=LAWN)
    assert not any("photograph again" in what for _, what in sown.dates)
    late = plan(outlook(soon=soon, last=date(2026, 6, 12)), (), RYE, outline_m=LAWN)
    assert late.sentence == "Nothing to reseed."


def test_beside_a_patch_that_gets_seed_it_is_too_soon_to_say_what_else_does():
    made = plan(outlook(soon=12), (replace(patch(), how_sure=0.95),), RYE, outline_m=LAWN)
    look = DAY + timedelta(days=7)
    assert (look, "photograph again: until then it is too soon to say what else needs seed") in made.dates


def in_plot(number, plot, grams):
    """A task of so much seed for a patch that lies in a plot."""
    found = replace(patch(area=0.1), number=number, plots=((plot, 1.0),))
    return Task(found, Tape("A", "B", 1.0, 2.0, 0.05), float(grams), 0.5, "")


def test_seed_too_little_to_weigh_is_a_pinch_and_is_weighed_plot_by_plot():
    tasks = [in_plot(1, 7, 6), in_plot(2, 12, 3), in_plot(3, 12, 4), in_plot(4, 15, 1), in_plot(5, 16, 2)]
    assert workplan._spreading(tasks) == (
        "Patch 1 (plot 7): weigh out 6 g and sow it by hand.",
        "Patches 2 and 3 (plot 12): weigh out 7 g for all; a pinch each, by hand.",
        "Patches 4 and 5 (plots 15 and 16): a pinch each, by hand, 3 g in all: too little to weigh.",
    )
    assert workplan._spreading(tasks[3:4]) == ("Patch 4 (plot 15): a pinch, by hand: too little to weigh.",)
    assert [workplan.sown_how(task) for task in (tasks[0], tasks[1], in_plot(6, 7, 0))] == [
        "by hand",
        "a pinch by hand",
        "waits",
    ]


def test_patch_outlines_keep_their_area_in_the_file():
    found = planfile.outlines([patch(area=1.2)], LAWN)
    ring = np.array(found["features"][1]["geometry"]["coordinates"][0])
    assert polygon_area_m2(ring[:-1]) == pytest.approx(1.2, abs=0.01)


@pytest.mark.parametrize(("lat", "lon", "azimuth"), [(52.2053, 0.1218, 77.0), (-36.85, 174.76, 310.0)])
def test_true_geojson_lies_where_geodesics_say(tmp_path, lat, lon, azimuth):
    """Every corner of a 30 x 20 m lawn within 1 cm of PROJ's geodesics on WGS 84 (pyproj, Karney 2013)."""
    geod = pyproj.Geod(ellps="WGS84")
    lon_b, lat_b, _ = geod.fwd(lon, lat, azimuth, 30.0)
    folder = tmp_path / "mapped"
    newlawn.make(folder, outline_m=[(0, 0), (30, 0), (30, 20), (0, 20)], sown=date(2026, 3, 14))
    with (folder / "lawn.toml").open("a") as file:
        for corner, at in (("A", (lat, lon)), ("B", (lat_b, lon_b))):
            file.write(f'\n[[anchor]]\ncorner = "{corner}"\nlat_deg = {at[0]!r}\nlon_deg = {at[1]!r}\n')
    place = lawns.read(folder)
    anchors = results.anchors_of(place)
    found = planfile.outlines([patch()], place.outline_m, anchors=anchors)
    assert "coordinates_are" not in found
    ring = found["features"][0]["geometry"]["coordinates"][0]
    assert ring[0] == ring[-1]
    true = [(lon, lat), (lon_b, lat_b)]
    true += [geod.fwd(*start, azimuth - 90, 20.0)[:2] for start in (true[1], true[0])]
    for (got_lon, got_lat), (want_lon, want_lat) in zip(ring, true, strict=False):
        assert geod.inv(got_lon, got_lat, want_lon, want_lat)[2] < 0.01
    area, _ = geod.polygon_area_perimeter(*zip(*ring, strict=True))
    assert area == pytest.approx(600, rel=1e-3)  # above 0: anticlockwise, as RFC 7946 wants


def test_hole_of_a_patch_is_a_clockwise_ring_of_its_own():
    # RFC 7946, section 3.1.6: the first ring is the outer one, anticlockwise; others are holes, clockwise.
    square = np.array([[0, 0], [1, 0], [1, 1], [0, 1.0]])
    ringed = Patch(1, "thin", 3 * square[::-1], 1.5, 1.5, 8.0, 0.1, 0.9, 0.9, np.arange(3), "", (square + 1,))
    (_, feature) = planfile.outlines([ringed], 4 * square)["features"]
    assert feature["geometry"]["type"] == "Polygon"
    outer, hole = (np.array(ring) for ring in feature["geometry"]["coordinates"])
    assert signed_area(outer[:-1]) == pytest.approx(9)
    assert signed_area(hole[:-1]) == pytest.approx(-1)
    assert (outer[0] == outer[-1]).all()
    assert (hole[0] == hole[-1]).all()
