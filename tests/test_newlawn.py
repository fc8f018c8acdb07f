"""A new lawn: what its file holds, and outlines that are refused before anything is written."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from turfeye import lawn, newlawn
from turfeye.cli import root
from turfeye.errors import LawnError

OUTLINE = ((0.0, 0.0), (8.0, 0.0), (8.0, 6.0), (0.0, 6.0))


def test_what_is_made_is_what_read_reads(tmp_path: Path) -> None:
    folder = tmp_path / "back"
    newlawn.make(folder, outline_m=OUTLINE, sown=date(2026, 3, 14))
    back = lawn.read(folder)
    assert back.name == "Back"
    assert back.target is not None
    assert (back.target.date - back.sowings[0].date).days == 56
    with pytest.raises(LawnError, match="already holds a lawn"):
        newlawn.make(folder, outline_m=OUTLINE)


@pytest.mark.parametrize(
    ("mix", "rate"), [("perennial ryegrass", 35), ("ryegrass and fescue", 11.25), ("tall fescue", 17.05)]
)  # the middles of the ranges that data/mixes.toml has for overseeding, with their sources
def test_the_usual_rate_is_the_mix_s_own(tmp_path: Path, mix: str, rate: float) -> None:
    made = newlawn.make(tmp_path / "a", outline_m=OUTLINE, sown=date(2026, 3, 14), mix=mix)
    assert made.sowings[0].rate_g_m2 == pytest.approx(rate, abs=0.05)


@pytest.mark.parametrize(
    "words",
    [
        ("--outline", "26x20ft"),
        ("--outline", "26 ft × 20 ft"),
        ("--outline", "26' x 20'"),
        ("--outline", "0,0 26,0 26,20 0,20 ft"),
        ("--sides", "26,20,26,20 feet", "--diagonals", "32.802ft"),
    ],
)
def test_feet_become_metres(tmp_path: Path, words: tuple[str, ...]) -> None:
    """A foot is 0.3048 m exactly (international yard and pound agreement of 1959; NIST SP 811, B.8)."""
    done = CliRunner().invoke(root, ["lawn", "new", str(tmp_path / "a"), *words])
    assert done.exit_code == 0, done.output
    made = lawn.read(tmp_path / "a").outline_m
    assert made == pytest.approx(np.array([[0, 0], [26, 0], [26, 20], [0, 20]]) * 0.3048, abs=0.005)
    assert "sides: A–B 7.92, B–C 6.10, C–D 7.92, D–A 6.10 m" in done.output


@pytest.mark.parametrize("outline", ["26ft6 x 20ft", "26'6\" x 20'", "26 ft x 8 m", "ft"])
def test_what_is_no_length_is_told(tmp_path: Path, outline: str) -> None:
    done = CliRunner().invoke(root, ["lawn", "new", str(tmp_path / "a"), "--outline", outline])
    assert done.exit_code == 2
    assert "in metres, or in feet as 26x20ft" in " ".join(done.output.split())


def test_a_mistyped_corner_shows_in_the_sides(tmp_path: Path) -> None:
    outline = "0,0 3.6,0 47,4.6 -0.9,5"
    done = CliRunner().invoke(root, ["lawn", "new", str(tmp_path / "a"), "--outline", outline])
    assert "sides: A–B 3.60, B–C 43.64, C–D 47.90, D–A 5.08 m" in done.output
    assert "sides: A–B 3.60" in CliRunner().invoke(root, ["lawn", "show", str(tmp_path / "a")]).output


def test_a_lawn_with_mistakes_leaves_nothing_behind(tmp_path: Path) -> None:
    with pytest.raises(LawnError, match="crosses"):
        newlawn.make(tmp_path / "x", outline_m=[(0, 0), (8, 6), (8, 0), (0, 6)])
    assert not (tmp_path / "x").exists()


@pytest.mark.parametrize("move", [(0.0, 0.0, 90.0), (3.0, 0.0, 0.0), (100.0, -50.0, 33.0)])
def test_an_outline_in_other_axes_comes_back_in_the_lawn_s_own(
    tmp_path: Path, move: tuple[float, float, float]
) -> None:
    """Pegs and places are told along side A-B from corner A: in a site plan's metres they lie elsewhere."""
    x, y, turn = move
    cos, sin = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    moved = [(x + cos * a - sin * b, y + sin * a + cos * b) for a, b in OUTLINE]
    with pytest.raises(LawnError, match="begins at A") as wrong:
        newlawn.make(tmp_path / "x", outline_m=moved)
    assert 'write --outline "0,0 8,0 8,6 0,6"' in str(wrong.value)
    assert not (tmp_path / "x").exists()
    about = [(0.02, -0.03), (8.0, 0.1), (8.1, 6.0), (0.0, 6.0)]  # as a tape reads
    assert newlawn.make(tmp_path / "y", outline_m=about).area_m2 == pytest.approx(48, abs=1)


WHOLE = """# Our corner of the garden.
schema = 1
name = "Back"
outline_m = [[0, 0], [8, 0], [8, 6], [0, 6]]
corner_names = ["gate", "shed", "oak", "tap"]
cell_m = 0.25

[[mix]]
name = "our sports mix"
like = "ryegrass and fescue"

[[sowing]]
date = 2026-03-14
mix = "our sports mix"
rate_g_m2 = 21

[[sowing]]
date = 2026-05-02
mix = "tall fescue"
rate_g_m2 = 30
area_m = [[1, 1], [3, 1], [3, 2.5], [1, 2.5]]

[target]
cover = 0.7
date = 2026-05-09

[[plots]]
columns = 3
at_m = [1.0, 1.0]  # by the gate
step_m = [1.5, 2.0]

[[photo]]
name = "2026-04-02-a.jpg"
spot = 2

[[hollow]]
at_m = [2.0, 2.0]
depth_mm = 30

[dressing]
bag_l = 50
"""


def test_another_season_takes_over_what_the_lawn_is_and_nothing_of_last_time_s(tmp_path: Path) -> None:
    last = tmp_path / "back-2026"
    (last / "photos").mkdir(parents=True)
    (last / "photos/2026-04-02-a.jpg").write_bytes(b"x")
    (last / "lawn.toml").write_text(WHOLE)
    (last / "treatments.csv").write_text("plot,treatment\n1,A\n")
    made = newlawn.again(tmp_path / "back-2027", last, sown=date(2027, 3, 20))
    assert (made.name, made.corner_names, made.cell_m) == ("Back", ("gate", "shed", "oak", "tap"), 0.25)
    assert [(one.date, one.mix, one.rate_g_m2, one.area_m) for one in made.sowings] == [
        (date(2027, 3, 20), "our sports mix", 21, ())
    ]
    assert made.target == lawn.Target(0.7, date(2027, 5, 15))
    assert [plot.number for plot in made.plots] == [1, 2, 3]
    assert (made.notes, made.hollows, made.photos(), made.dressing.bag_l) == ((), (), (), 50)
    text = (tmp_path / "back-2027/lawn.toml").read_text()
    assert text.startswith("# Our corner of the garden.\n")
    assert "at_m = [1.0, 1.0]  # by the gate" in text
    assert (tmp_path / "back-2027/treatments.csv").read_text() == "plot,treatment\n1,A\n"
    assert (last / "lawn.toml").read_text() == WHOLE
    with pytest.raises(LawnError, match="already holds a lawn"):
        newlawn.again(tmp_path / "back-2027", last)


def test_another_mix_of_one_s_own_has_its_own_rate(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    own = '[[mix]]\nname = "our shade mix"\nlike = "fine fescue"\nrate_over_g_m2 = [8, 9]\n'
    (tmp_path / "a/lawn.toml").write_text(
        f'schema = 1\nname = "A"\noutline_m = [[0, 0], [8, 0], [8, 6]]\n{own}'
    )
    made = newlawn.again(tmp_path / "b", tmp_path / "a", sown=date(2027, 3, 20), mix="our shade mix")
    assert made.sowings[0].rate_g_m2 == 8.5


def test_another_season_may_have_another_mix_or_no_sowing_yet(tmp_path: Path) -> None:
    last = tmp_path / "a"
    newlawn.make(last, outline_m=OUTLINE, sown=date(2026, 3, 14), rate_g_m2=20)
    other = newlawn.again(tmp_path / "b", last, sown=date(2027, 3, 20), mix="tall fescue", name="B")
    assert (other.name, other.sowings[0].mix) == ("B", "tall fescue")
    assert other.sowings[0].rate_g_m2 == pytest.approx(17.05, abs=0.05)  # its own, not last time's 20
    unsown = newlawn.again(tmp_path / "c", last)
    assert (unsown.name, unsown.sowings, unsown.target) == ("A", (), None)
    for words in ({"mix": "tall fescue"}, {"target_cover": 0.6}):
        with pytest.raises(LawnError, match="add --"):
            newlawn.again(tmp_path / "d", last, **words)
        assert not (tmp_path / "d").exists()
    with pytest.raises(LawnError, match="no seed mix is called 'clover'"):
        newlawn.again(tmp_path / "d", last, sown=date(2027, 3, 20), mix="clover")
    assert not (tmp_path / "d").exists()


def test_a_mix_without_a_sowing_says_where_it_goes_with_the_folder(tmp_path):
    folder = tmp_path / "back lawn"
    with pytest.raises(LawnError, match=f"turfeye plan '{folder}' --before --mix"):
        newlawn.make(folder, outline_m=[(0, 0), (8, 0), (8, 6), (0, 6)], mix="fine fescue")
