"""Soil as dark as shade: how much too green an oblique view reads above it, and what takes that off."""

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from turfeye import card, cells, darksoil, glance, lawn, photo, view
from turfeye.records import Shares

SHAPE = (20, 30)


def shares(bare: np.ndarray) -> Shares:
    nothing = np.zeros(SHAPE, np.float32)
    return Shares(1 - bare, nothing, bare, nothing)


def half_bare() -> np.ndarray:
    bare = np.zeros(SHAPE, np.float32)
    bare[:, :15] = 1
    return bare


def picture(soil: float, leaves: float = 0.04) -> np.ndarray:
    """Half soil, half leaves."""
    return np.where(half_bare()[..., None] > 0, soil, leaves) * np.ones(3)


def everywhere() -> np.ndarray:
    return np.ones(SHAPE, bool)


def excess(rgb: np.ndarray, bare: np.ndarray, counts: np.ndarray) -> float:
    return darksoil.excess(rgb, shares(bare), counts)


@pytest.mark.parametrize("soil", [0.08, 0.1, 0.4])
def test_soil_twice_as_light_as_the_leaves_asks_for_nothing(soil):
    assert excess(picture(soil), half_bare(), everywhere()) == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("scale", [0.1, 1, 10])
def test_the_darker_the_soil_beside_the_leaves_the_more_is_taken_off_in_any_exposure(scale):
    found = [excess(scale * picture(s), half_bare(), everywhere()) for s in (0.075, 0.07, 0.03, 0.015)]
    assert 0 < found[0] < found[1] < found[2] == found[3] == darksoil.MOST
    assert found[1] - found[0] == pytest.approx(darksoil.EXCESS * np.log(0.075 / 0.07), abs=1e-4)


def test_without_leaves_nothing_tells():
    bare = np.ones(SHAPE, np.float32)
    assert excess(np.full((*SHAPE, 3), 0.03), bare, everywhere()) == 0


def test_where_hardly_any_soil_shows_nothing_is_known_of_it():
    bare = np.zeros(SHAPE, np.float32)
    bare[0, :3] = 1
    assert excess(np.full((*SHAPE, 3), 0.01), bare, everywhere()) == 0


def test_a_dark_bed_or_shadow_beside_the_lawn_tells_nothing_of_its_soil():
    rgb = picture(0.2)
    rgb[:, :5] = 0.01
    counts = everywhere()
    counts[:, :5] = False
    assert excess(rgb, half_bare(), counts) == 0


def test_a_lawn_of_which_nothing_counts_asks_for_nothing():
    assert excess(picture(0.02), half_bare(), ~everywhere()) == 0


def test_shadows_on_half_of_the_soil_and_leaves_count_for_nothing_in_their_contrast():
    """By what is lit of both: a low sun lays long shadows on soil, and one blade on another."""
    dark = np.zeros(SHAPE, bool)
    dark[::2] = True
    shaded = np.where(dark[..., None], 0.2, 1.0) * picture(0.20, 0.04)
    assert excess(shaded, half_bare(), everywhere()) == 0
    soil_alone = np.where((dark & (half_bare() > 0))[..., None], 0.2, 1.0) * picture(0.20, 0.04)
    assert excess(soil_alone, half_bare(), everywhere()) == 0


def marked(folder, shot):
    """A look at a photo of the sample lawn, its corners marked where they truly are."""
    with (folder / "truth" / "corners.csv").open(encoding="utf-8", newline="") as file:
        rows = [
            row for row in csv.DictReader(file) if (row["photo"], row["what"]) == (shot.path.name, "outline")
        ]
    corners = np.array([(float(row["x_px"]), float(row["y_px"])) for row in rows])
    outline_m = lawn.read(folder).outline_m
    seen = view.from_corners(shot, corners, outline_m)
    return glance.look_through(shot, seen, cells.lawn_grid(outline_m, 0.5), sighting=card.find(shot))


@pytest.mark.parametrize(("day", "told"), [("2026-04-05", True), ("2026-04-12", False)])
def test_what_is_taken_off_for_dark_soil_is_told(day, told):
    """The sample lawn in a low evening sun, and under cloud a week later (invented, rendered)."""
    folder = Path(__file__).parent.parent / "sample_images" / "ferry-cottage"
    look = marked(folder, photo.read(folder / "photos" / f"{day}-window.jpg"))
    assert any("long shadows" in line and "12 points" in line for line in look.warnings) is told


def test_a_look_takes_off_as_much_as_a_season_does(monkeypatch):
    """Half of the sample lawn's picture lies beside the lawn, and both ask all of it."""
    folder = Path(__file__).parent.parent / "sample_images" / "ferry-cottage"
    taken: list[float] = []
    asked = cells.hidden_by_dark_soil

    def heard(pixels, found):
        taken.append(asked(pixels, found))
        return taken[-1]

    monkeypatch.setattr(cells, "hidden_by_dark_soil", heard)
    shot = photo.read(folder / "photos" / "2026-04-12-window.jpg")
    marked(folder, shot)
    glance.look(shot.path)
    assert taken[0] == pytest.approx(taken[1], abs=0.005)


@given(
    st.lists(st.floats(0, 1), min_size=2, max_size=8),
    st.floats(0.0001, 0.4),
)
def test_cover_stays_a_share_in_the_same_order_however_black_the_soil(covers, soil):
    too_much = excess(picture(soil), half_bare(), everywhere())
    cover = np.array([0.0, *sorted(covers), 1.0])
    found = darksoil.without_excess(cover, too_much)
    assert found[0] == 0
    assert found[-1] == pytest.approx(1)
    assert np.all((found >= 0) & (found <= cover + 1e-12))
    assert np.all(np.diff(found) >= -1e-12)  # thin stays thinner than dense
