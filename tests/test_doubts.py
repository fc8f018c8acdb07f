"""What is said of a season's photos: that one visit alone carries it, and many photos in one line."""

import copy
import pickle
from datetime import date
from pathlib import Path

import cv2
import numpy as np
import pytest

from turfeye import doubts, lawn, notes, photo, whereabouts
from turfeye.errors import CardError, DateError
from turfeye.measurement import Measured
from turfeye.notes import Remark
from turfeye.simulate import tables
from turfeye.standpoints import Standpoints

SPOT = Path(__file__).parents[1] / "sample_images/trial-spots/photos/2026-04-13-spot-1.jpg"


@pytest.mark.parametrize(
    ("ages", "said"),
    [((20,), 1), ((14,), 1), ((9,), 0), ((9, 20), 0)],
    ids=["one late visit", "one on the day from which states are told", "too soon anyway", "two visits"],
)
def test_states_that_rest_on_one_visit_are_told_as_that(ages, said, tmp_path):
    (tmp_path / "lawn.toml").write_text(
        'schema = 1\nname = "Bank"\noutline_m = [[0, 0], [9, 0], [9, 6], [0, 6]]\n'
    )
    recipe = tables.TableRecipe(rows=12, cols=18, visit_days=ages, lost_visit=0.0, unseen=0.0)
    season, _ = tables.lawn(1, recipe)
    lines = doubts.of_season(lawn.read(tmp_path), [], season, [])
    assert len(lines) == said
    assert all("single visit" in str(line) for line in lines)


def test_of_many_photos_three_are_named():
    names = [f"2026-04-13T09-12-{k:02}-IMG_20260413_0912{k:02}-3fa2c1.jpg" for k in range(12)]
    (note,) = notes.gathered((name, "too dark") for name in names)
    assert str(note) == f"12 photos ({', '.join(names[:3])} and 9 more), each: too dark"
    assert note.brief == "12 photos, each: too dark"


def test_notes_on_the_same_photos_name_them_once():
    said = [("a.jpg", "too dark"), ("b.jpg", "too dark"), ("a.jpg", "no card"), ("b.jpg", "no card")]
    several, one = notes.gathered([*said, ("c.jpg", "blurred")])
    assert str(several) == "2 photos (a.jpg, b.jpg), each:\n  - too dark\n  - no card"
    assert several.said == ("too dark", "no card")
    assert str(one) == "c.jpg: blurred"
    assert notes.within([several])[0].splitlines()[1] == "    - too dark"


def test_a_verb_fits_one_photo_and_many():
    """Eighteen photos were told "18 photos (...): is dated ..., add it with --before"."""
    said = "is dated 2026-03-01, before the sowing; if it shows the work, add it with --before"
    names = [f"{k:02}.jpg" for k in range(18)]
    (one,), (many,) = (notes.gathered((name, said) for name in some) for some in (names[:1], names))
    assert str(one) == f"00.jpg: {said}"
    assert str(many) == f"18 photos (00.jpg, 01.jpg, 02.jpg and 15 more), each: {said}"
    verb = ("was not measured", "were not measured")
    (one,), (many,) = (notes.gathered(((n, "no card: go") for n in some), verb) for some in (["a"], "ab"))
    assert [str(note) for note in (one, many)] == [
        "a was not measured: no card: go",
        "2 photos (a, b) were not measured, each: no card: go",
    ]
    assert [note.brief for note in (one, many)] == ["a was not measured", "2 photos were not measured"]


def test_a_heading_counts_each_photo_once_and_a_single_note_counts_for_it():
    """It read "filed, but not placed yet, 3 photos:" above "3 photos (...): ..."."""
    alike = notes.gathered((name, "no card") for name in ("a", "b", "c"))
    assert notes.headed("not placed", alike) == "not placed: 3 photos (a, b, c), each: no card"
    unlike = notes.gathered([("a", "no card"), ("b", "no card"), ("a", "too dark")])
    assert notes.headed("not placed", unlike).splitlines() == [
        "not placed, 2 photos:",
        "  - 2 photos (a, b), each: no card",
        "  - a: too dark",
    ]


def test_hundreds_of_names_are_told_by_what_they_differ_in():
    assert notes.photos_alike([f"5 May plot {k:03}.jpg" for k in (7, 17, 170)]) == (
        "3 photos (5 May plot 007.jpg, 017, 170)"
    )
    assert notes.alike(["IMG_0042.JPG", "IMG_0043.HEIC"]) == ["IMG_0042.JPG", "0043.HEIC"]
    assert notes.alike(["2026-04-01 a.jpg", "2026-05-01 a.jpg"]) == ["2026-04-01 a.jpg", "05-01 a"]


OF_CARD = "wanted a known spot, got card {number}: write it"


def test_cards_of_few_unknown_spots_are_told_one_by_one():
    found = notes.gathered((f"{k}.jpg", Remark(OF_CARD, number=k)) for k in (3, 7))
    assert [note.said for note in found] == [(OF_CARD.format(number=k),) for k in (3, 7)]


def test_a_name_in_a_note_is_no_figure():
    """Copies of two plots' photos were told as one, the same as "2026-05-06 to 2026-05-13 plot 5"."""
    said = [(f"{day}.jpg", f"the same picture as 2026-05-{day} plot 5.jpg") for day in ("06", "13")]
    assert len(notes.gathered(said)) == 2


def test_a_remark_keeps_its_figures_in_an_error_of_its_photo():
    error = DateError(Remark("is dated {}", date(2026, 5, 6)), photo=Path("{a}.jpg"))
    assert str(error) == "{a}.jpg is dated 2026-05-06"
    (note,) = notes.gathered((name, error.said) for name in ("a.jpg", "b.jpg"))
    assert str(note) == "2 photos (a.jpg, b.jpg), each: is dated 2026-05-06"


@pytest.mark.parametrize("again", [copy.copy, copy.deepcopy, lambda one: pickle.loads(pickle.dumps(one))])
def test_a_copied_remark_keeps_its_figures_and_a_name_with_braces(again):
    """As where looks are measured by several processes, or written by `dataclasses.asdict`."""
    there = [Remark("{over} is {:.0f} % off", pct, over="plot {3}.jpg") for pct in (3.2, 8.0)]
    assert [again(one) for one in there] == ["plot {3}.jpg is 3 % off", "plot {3}.jpg is 8 % off"]
    (note,) = notes.gathered(zip(("a.jpg", "b.jpg"), map(again, there), strict=True))
    assert str(note) == "2 photos (a.jpg, b.jpg), each: plot {3}.jpg is 3 to 8 % off"


def test_cards_of_many_unknown_spots_are_one_note():
    said = [(f"{k}.jpg", Remark(OF_CARD, number=k)) for k in range(1, 201)]
    (note,) = notes.gathered(said)
    assert str(note).endswith("and 197 more), each: wanted a known spot, got card 1 to 200: write it")


def test_notes_that_differ_in_what_was_measured_are_one():
    words, measured = "its twin greys differ by {:.0f} %: turn it", (21.2, 18.9, 9.0)
    said = [(f"{k}.jpg", Remark(words, pct)) for k, pct in enumerate(measured)]
    (note,) = notes.gathered(said)
    assert str(note) == "3 photos (0.jpg, 1.jpg, 2.jpg), each: its twin greys differ by 9 to 21 %: turn it"


@pytest.fixture
def trial(tmp_path):
    """Ten plots in a row; the file says of photos 1 to 8 which plot they were filed as."""
    lines = [
        'schema = 1\nname = "Trial"\noutline_m = [[0, 0], [20, 0], [20, 3], [0, 3]]\n',
        "[[plots]]\ncolumns = 10\nat_m = [1.0, 1.5]\nstep_m = [2.0, 2.0]\n",
        *(f'[[photo]]\nname = "{name}"\nspot = {k}\n' for k, name in enumerate(OF_PLOTS[:8], start=1)),
    ]
    (tmp_path / "lawn.toml").write_text("\n".join(lines))
    return lawn.read(tmp_path)


OF_PLOTS = [f"2026-04-{13 + k % 2}T09-12-00-IMG_{k:04}-3fa2c1.jpg" for k in range(10)]


def measured(name, *, why="", warnings=(), view=""):
    facts = {"why": why} if why else {"warnings": list(warnings), "view": view}
    return Measured(Path(name), "", None, facts)


def test_of_a_trial_s_photos_the_plots_are_named(trial):
    dark = [measured(name, warnings=["too dark"], view=f"spot {k}") for k, name in enumerate(OF_PLOTS, 1)]
    numbers = ", ".join(str(k) for k in range(1, 11))
    (every,), (one,) = doubts.noted(trial, dark), doubts.noted(trial, dark[:1])
    assert str(every) == f"10 photos (plots {numbers}; 13 April to 14 April), each: too dark"
    assert str(one) == f"plot 1 on 13 April ({OF_PLOTS[0]}): too dark"


def test_plots_to_photograph_again_are_named_day_by_day(trial):
    lost = [measured(name, why="no card") for name in OF_PLOTS]
    (note,) = doubts.not_measured(trial, lost)
    days = "13 April: plots 1, 3, 5, 7; 14 April: plots 2, 4, 6, 8"
    two = "2 photos (" + ", ".join(OF_PLOTS[8:]) + ")"  # filed without a number: their plots aren't known
    assert str(note) == f"8 photos ({days}) and {two} were not measured, each: no card"


def test_a_photo_filed_as_a_plot_s_is_asked_for_a_card_and_not_for_a_view(trial, tmp_path):
    path = tmp_path / OF_PLOTS[2]
    ground = np.random.default_rng(1).integers(60, 120, (900, 1200, 3), np.uint8)
    cv2.imwrite(str(path), ground)
    with pytest.raises(CardError) as caught:
        whereabouts.find(trial, photo.read(path), Standpoints(trial))
    assert str(caught.value).startswith("no card found: lay the printed card flat in the picture")
    assert "view" not in str(caught.value)


def test_a_plot_s_photo_with_its_card_cut_off_says_so(trial, tmp_path):
    """All such photos were told that no card could be read, and that a view wasn't marked."""
    path = tmp_path / OF_PLOTS[2]
    shot = cv2.imread(str(SPOT))
    cv2.imwrite(str(path), shot[: round(0.52 * len(shot))])
    with pytest.raises(CardError, match="cut off at the picture's lower edge: keep the whole card"):
        whereabouts.find(trial, photo.read(path), Standpoints(trial))


def test_plots_that_the_last_round_left_out_are_named(trial):
    """Two hundred plots are photographed one by one; whoever misses some learnt of it from a table."""
    first, second = OF_PLOTS[:8:2], OF_PLOTS[1:8:2]  # plots 1, 3, 5, 7 on 13 April, 2, 4, 6, 8 on the 14th
    said = doubts._not_photographed
    every = [measured(name, why="no card") for name in (*first, *second)]
    assert said(trial, every) == ["no photo from 13 April to 14 April of plots 9, 10"]
    assert said(trial, every[:3]) == []  # a look at a few plots is no round
    assert said(trial, [*every, measured(OF_PLOTS[8], view="spot 9")]) == [
        "no photo from 13 April to 14 April of plot 10"
    ]
    old = [
        measured(name.replace("2026-04-13", "2026-03-13"), view=f"spot {2 * k + 9}")
        for k, name in enumerate(first)
    ]
    assert said(trial, [*every, *old]) == ["no photo from 13 April to 14 April of plots 9, 10"]
