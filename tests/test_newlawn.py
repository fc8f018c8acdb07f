"""A new lawn: what its file holds, and outlines that are refused before anything is written."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pytest

from turfeye import lawn, newlawn
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
