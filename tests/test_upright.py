"""Lawn views whose header lost how the phone was held, on sample photos (invented, rendered)."""

import csv
import shutil
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from turfeye import charts, glance, lawn, newlawn, photo, region, summary, survey, upright

SAMPLES = Path(__file__).parents[1] / "sample_images"
FERRY = SAMPLES / "ferry-cottage"
FERRY_M = lawn.read(FERRY).outline_m
WINDOW = FERRY / "photos" / "2026-05-06-window.jpg"


def lying(path, into, turns):
    """The photo as a program leaves it that drops its header: its pixels turned, anticlockwise."""
    shown = Image.fromarray(np.ascontiguousarray(np.rot90(photo.read(path).rgb_coded, turns)))
    shown.save(into / f"{path.stem}.png")
    return into / f"{path.stem}.png"


@pytest.mark.parametrize("turns", range(4))
def test_points_turn_as_pixels_do(turns):
    """By NumPy's own ``rot90``."""
    marked = np.zeros((30, 40), int)
    places = np.array([[0, 0], [39, 0], [7, 21], [39, 29]])  # x, y
    marked[places[:, 1], places[:, 0]] = [1, 2, 3, 4]
    x, y = upright.turned_px(places, (40, 30), turns).astype(int).T
    assert np.rot90(marked, turns)[y, x].tolist() == [1, 2, 3, 4]
    size = (40, 30) if turns % 2 == 0 else (30, 40)
    assert upright.turned_px(np.stack([x, y], axis=1), size, -turns).tolist() == places.tolist()


def by_place(table):
    """Cover of the cells that were measured, by where they lie."""
    places = zip(table.x_m.round(3), table.y_m.round(3), table.cover, strict=True)
    return {(x, y): cover for x, y, cover in places if np.isfinite(cover)}


@pytest.fixture(scope="module")
def standing(tmp_path_factory):
    return glance.look(lying(WINDOW, tmp_path_factory.mktemp("upright"), 0))


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_a_lawn_view_that_lies_is_measured_as_upright(tmp_path, standing, turns):
    """It was told to be turned in the gallery; of this photo's cells some came out 24 points off then."""
    seen = glance.look(lying(WINDOW, tmp_path, turns))
    assert upright.quarter_turns(standing.view) == 0
    assert upright.quarter_turns(seen.view) == -turns % 4
    one, other = (by_place(each.table) for each in (standing, seen))
    both = sorted(one.keys() & other.keys())
    assert len(both) >= 0.95 * len(one)
    one, other = (np.array([each[place] for place in both]) for each in (one, other))
    assert np.abs(one - other).max() < 0.05
    assert not any("stands" in line for line in seen.warnings)


@pytest.mark.parametrize("turns", [1, 3])
def test_where_the_card_goes_unused_it_still_tells_which_way_is_up(tmp_path, turns):
    """Of this photo 64 % was told upright, and 70 or 71 % on its side."""
    april = FERRY / "photos" / "2026-04-19-window.jpg"
    told = [
        summary.as_dict(glance.look(lying(april, tmp_path, k), no_card=True))["summary"] for k in (0, turns)
    ]
    assert told[1]["cover"] == pytest.approx(told[0]["cover"], abs=0.02)
    assert told[1]["bare"] == pytest.approx(told[0]["bare"], abs=0.02)


def test_a_spot_view_has_no_way_up(tmp_path):
    seen = glance.look(lying(SAMPLES / "trial-spots" / "photos" / "2026-04-24-spot-2.jpg", tmp_path, 2))
    assert upright.quarter_turns(seen.view) == 0


def test_the_region_is_found_in_a_lying_picture_and_stays_on_its_pixels():
    coded = photo.read(WINDOW).rgb_coded
    true = region.lawn_region(coded) > 0.5
    for turns in (1, 2, 3):
        turned = np.ascontiguousarray(np.rot90(coded, turns))
        for of in (region.lawn_region, region.lawn_in_garden):
            found = of(turned, turns=-turns)
            assert found.shape == turned.shape[:2]
            assert np.mean((found > 0.5) == np.rot90(true, turns)) > 0.97
            assert np.array_equal(np.rot90(of(coded), turns), found)


def test_corners_are_proposed_in_an_outline_s_order_on_the_pixels_of_a_lying_photo(tmp_path):
    """The card lies obliquely in it and tells which way is up."""
    whole = photo.read(WINDOW)
    wanted = newlawn.corners_in(whole, FERRY_M)
    path = lying(WINDOW, tmp_path, 3)
    found = newlawn.corners_in(photo.read(path), FERRY_M)
    assert np.abs(found - upright.turned_px(wanted, whole.size_px, 3)).max() < 1


@pytest.mark.parametrize("first", [1, 2, 3])
def test_proposed_corners_begin_where_the_outline_does(first):
    """Whichever corner the tape began at: A needn't be the near left one in the photo."""
    turned = np.roll(FERRY_M, -first, axis=0) - FERRY_M[first]
    along, aside = turned[1] / np.hypot(*turned[1]), np.array([-turned[1, 1], turned[1, 0]])
    own = np.stack([turned @ along, turned @ aside / np.hypot(*aside)], axis=1)
    picture = photo.read(WINDOW)
    wanted = np.roll(newlawn.corners_in(picture, FERRY_M), -first, axis=0)
    assert np.abs(newlawn.corners_in(picture, own) - wanted).max() < 1


def test_a_season_takes_lying_photos_marked_and_later_ones(tmp_path):
    """Corners stay those of the picture as it lies, which is what somebody marked."""
    place = tmp_path / "lawn"
    shutil.copytree(FERRY, place, ignore=shutil.ignore_patterns("photos", "truth"))
    (place / "photos").mkdir()
    names = ["2026-03-14-window", "2026-04-27-window", "2026-05-06-window"]
    for name, turns in zip(names, (2, 1, 0), strict=True):
        lying(FERRY / "photos" / f"{name}.jpg", place / "photos", turns)
    text = (place / "lawn.toml").read_text(encoding="utf-8")
    marked = lawn.read(FERRY).views[0].corners_px
    turned = upright.turned_px(marked, photo.read(FERRY / "photos" / f"{names[0]}.jpg").size_px, 2)
    head = text[: text.index("corners_px")].replace(".jpg", ".png")
    (place / "lawn.toml").write_text(f"{head}corners_px = {turned.tolist()}\n", encoding="utf-8")

    first, later, last = survey.measure(lawn.read(place))
    assert first.facts["warnings"] == later.facts["warnings"] == last.facts["warnings"] == []
    true = {}
    with (FERRY / "truth" / "cells.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            if row["photo"] == f"{names[1]}.jpg":
                true[int(row["row"]), int(row["col"])] = float(row["cover"])
    table = later.table
    off = [
        cover - true[r, c]
        for r, c, cover in zip(table.row, table.col, table.cover, strict=True)
        if np.isfinite(cover) and (r, c) in true
    ]
    assert len(off) > 80
    assert np.sqrt(np.mean(np.square(off))) < 0.08


def test_the_overlay_of_a_lying_photo_is_drawn_upright(tmp_path, standing):
    seen = glance.look(lying(WINDOW, tmp_path, 1))
    whole, turned = (charts.overlay(one).axes[0] for one in (standing, seen))
    assert turned.images[0].get_array().shape == whole.images[0].get_array().shape
    card, same = (max(axes.lines, key=lambda line: len(line.get_xdata())) for axes in (turned, whole))
    assert np.abs(np.array(card.get_data()) - np.array(same.get_data())).max() < 3
