"""One row a photo: how plots rank, and how even each is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from turfeye import leafcolour, series
from turfeye.records import CellTable, Grid

FACTS = {"taken": "2026-04-13T10:00:00", "card": True, "view": "card 3"}


def plot(cover):
    """A table of one plot photo, every cell seen."""
    cover = np.asarray(cover, float)
    grid = Grid(0.1, 0.0, 0.0, *cover.shape)
    row, col = (part.ravel() for part in np.indices(cover.shape))
    values = {name: np.full(cover.size, np.nan) for name in CellTable.column_names()}
    values |= {"row": row, "col": col, "area_m2": np.full(cover.size, 0.01), "seen": np.ones(cover.size)}
    values |= {"cover": cover.ravel(), "cover_se": np.full(cover.size, 0.02)}
    values |= {"state": np.full(cover.size, "seen"), "why": np.full(cover.size, "")}
    return CellTable(grid=grid, **values)


def test_a_row_says_why_it_has_no_colour():
    table = plot(np.full((3, 5), 0.9))
    why = np.array([leafcolour.TOO_DARK] * 10 + [leafcolour.TOO_SMEARED] * 5)
    assert series.row("a.jpg", replace(table, why=why), FACTS)["light"] == leafcolour.TOO_DARK
    some = replace(
        table, why=np.where(np.arange(15) < 5, why, ""), dgci=np.where(np.arange(15) < 5, np.nan, 0.5)
    )
    assert series.row("a.jpg", some, FACTS)["light"] == ""


def rows(covers, se=0.02):
    blank = dict.fromkeys(series.COLUMNS)
    return [blank | {"photo": f"{k}.jpg", "cover": c, "cover_se": se} for k, c in enumerate(covers)]


def test_plots_that_can_t_be_told_apart_share_their_places():
    # 0.70 and 0.68 differ by 0.02, 0.7 of their difference's error; 0.50 by far more
    ranked = series.ranked(rows([0.50, 0.70, 0.68, 0.20]), [0] * 4)
    assert [r["rank"] for r in ranked] == [3, 1, 2, 4]
    assert [(r["rank_low"], r["rank_high"]) for r in ranked] == [(3, 3), (1, 2), (1, 2), (4, 4)]


def test_places_are_among_those_of_one_group_and_unknown_ones_have_none():
    ranked = series.ranked(rows([0.5, 0.7, None, 0.9, 0.6]), ["a", "a", "a", None, "b"])
    assert [r["rank"] for r in ranked] == [2, 1, None, None, 1]


@given(st.lists(st.floats(0, 1), min_size=1, max_size=12), st.floats(0, 0.2))
def test_a_place_lies_between_what_its_error_allows(covers, se):
    for one in series.ranked(rows(covers, se), [0] * len(covers)):
        assert 1 <= one["rank_low"] <= one["rank"] <= one["rank_high"] <= len(covers)


def test_the_allowed_places_hold_the_true_one():
    rng = np.random.default_rng(0)
    true = np.linspace(0.3, 0.8, 40)
    place = np.arange(40, 0, -1)
    held = []
    for _ in range(50):
        ranked = series.ranked(rows(true + rng.normal(0, 0.05, 40), 0.05), [0] * 40)
        held.append([r["rank_low"] <= p <= r["rank_high"] for r, p in zip(ranked, place, strict=True)])
    assert np.mean(held) > 0.9


def test_plots_in_different_lights_are_not_told_apart_by_their_lights():
    # four plots in two lights each, seen astray by what a light may do beside their own error
    rng = np.random.default_rng(1)
    true = np.repeat([0.30, 0.45, 0.60, 0.75], 2)
    wrong = pairs = 0
    for _ in range(200):
        light = series.LIGHT * true * (1 - true) * rng.standard_normal(8)
        cover = np.clip(true + light + 0.02 * rng.standard_normal(8), 0, 1).tolist()
        for k in range(0, 8, 2):
            low = series.ranked(rows(cover[k : k + 2]), [0, 0])
            wrong += any(one["rank_low"] == one["rank_high"] for one in low)
            pairs += 1
    assert 0.05 < wrong / pairs < 0.15  # one in ten is told apart that is alike
    # and by its own error alone a plot is surer at the ends, where light changes little
    near_bare, half = (series.ranked(rows([c, c + 0.07]), [0, 0])[1] for c in (0.01, 0.50))
    assert (near_bare["rank_high"], half["rank_high"]) == (1, 2)


def test_each_spot_s_last_row_counts_and_what_was_never_seen_has_none():
    days = ["2026-04-13", "2026-04-13", "2026-05-06", "2026-05-06", "2026-05-06"]
    views = ["spot 10", "spot 2", "spot 2", "spot 4", "step"]
    dated = [
        one | {"taken": f"{day}T10:00:00", "view": view}
        for one, day, view in zip(rows([0.3, 0.9, 0.6, None, 0.8]), days, views, strict=True)
    ]
    last = series.latest(series.ranked(dated, [0, 0, 1, 1, None]))
    assert [(one["view"], one["cover"], one["rank"]) for one in last] == [
        ("spot 2", 0.6, 1),
        ("spot 10", 0.3, 2),
    ]


def last_seen(covers, views, days=None):
    """The latest rows of spots with these covers, on one day if no others are given."""
    days = days or [6] * len(covers)
    made = series.ranked(rows(covers), days)
    every = zip(made, views, days, strict=True)
    return series.latest([
        one | {"view": f"spot {k}", "taken": f"2026-05-{on:02}T10:00:00"} for one, k, on in every
    ])  # fmt: skip


def test_the_sentence_says_how_sure_the_best_is():
    named = last_seen([0.70, 0.68, 0.20], [1, 2, 3])
    assert series.words(named) == (
        "Greenest is spot 1 (70 ± 2 %), though 2 of 3 could be the greenest; least green spot 3 (20 ± 2 %)"
    )
    assert series.words(named[:1]) == series.words(()) == ""
    assert ", clear of all others; " in series.words(last_seen([0.8, 0.2], [1, 2]))


def test_the_sentence_names_the_ends_of_its_table():
    tied = last_seen([0.7, 0.7, 0.2, 0.2], [10, 9, 12, 2])
    assert [one["view"] for one in tied] == ["spot 9", "spot 10", "spot 2", "spot 12"]
    told = series.words(tied, peg="plot")
    assert told.startswith("Greenest is plot 9 (70")
    assert "least green plot 12 (20" in told
    # one seen earlier heads the table: then the sentence says of which day it is
    two_days = last_seen([0.9, 0.7, 0.2], [1, 2, 3], [5, 6, 6])
    assert two_days[0]["view"] == "spot 1"
    assert series.words(two_days).startswith("Greenest on 6 May is spot 2 (70")


def test_each_plot_has_its_evenness():
    # Christiansen and distribution uniformity of 15 irrigation catches: documentation of CRAN's spreval
    catches = [47, 42, 45, 24, 13, 26, 33, 34, 27, 30, 40, 44, 32, 12, 12]
    row = series.row("a.jpg", plot(np.reshape(catches, (3, 5)) / 100), FACTS)
    assert row["christiansen_pct"] == pytest.approx(69.13955, abs=0.06)
    assert row["distribution_pct"] == pytest.approx(49.62039, abs=0.06)
    assert row["cv_pct"] == pytest.approx(100 * np.std(catches, ddof=1) / np.mean(catches), abs=0.06)
    assert row["age_days"] is None
    assert row["state"] == "used"
    # y = 1 ... 9 on a 3 x 3 rook lattice: Moran's I 0.5 (tests of the esda library)
    nine = series.row("b.jpg", plot(np.arange(1, 10).reshape(3, 3) / 10), FACTS)
    assert nine["moran_i"] == pytest.approx(0.5, abs=1e-3)


def test_a_photo_of_which_no_cell_was_seen_is_not_called_used():
    table = plot(np.full((2, 3), 0.4))
    unseen = replace(table, state=np.full(6, "not seen"), cover=np.full(6, np.nan))
    row = series.row("a.jpg", unseen, FACTS)
    assert (row["state"], row["cover"]) == ("left out", None)
    assert row["why"] == "it shows no cell that can be measured"
    assert series.row("a.jpg", unseen, FACTS, left_out={"a.jpg": "a twin"})["why"] == "a twin"


def test_evenness_of_three_cells_is_not_told():
    assert series.row("a.jpg", plot([[0.1, 0.2, 0.3]]), FACTS)["cv_pct"] is None
