"""Cards laid the other way round, on the sample spots (rendered, invented), each turned by hand."""

import itertools
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from turfeye import lawn, survey, turned
from turfeye.readings import Reading

TRIAL = Path(__file__).parents[1] / "sample_images/trial-spots"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("turned") / "trial"
    shutil.copytree(TRIAL, place, ignore=shutil.ignore_patterns("truth"))
    survey.season(place, today=survey.date.max)
    return place


@pytest.fixture(scope="module")
def readings(folder):
    place = lawn.read(folder)
    return [one.reading for one in survey.measure(place)]


def about(reading: Reading) -> Reading:
    """The same photo with its card turned half round: every cell is taken for the one across."""
    table = reading.table
    return replace(reading, table=replace(table, x_m=-table.x_m, y_m=-table.y_m))


def by_spot(readings):
    names = dict.fromkeys(reading.view for reading in readings)
    return [[reading for reading in readings if reading.view == name] for name in names]


def test_none_is_noticed_where_all_lie_alike(readings):
    assert len(readings) == 15
    assert turned.said(readings) == []


@pytest.mark.parametrize("which", range(15))
def test_every_turned_card_is_noticed_by_its_photo(readings, which):
    mixed = [about(reading) if k == which else reading for k, reading in enumerate(readings)]
    (line,) = turned.said(mixed)
    name, spot = readings[which].photo, readings[which].view
    assert line.startswith(f"{name}: the card of {spot} lay the other way round")
    assert "turned_deg = 180" in line


def test_two_of_five_are_named_both(readings):
    for photos in by_spot(readings):
        for two in itertools.combinations(range(5), 2):
            mixed = [about(reading) if k in two else reading for k, reading in enumerate(photos)]
            (line,) = turned.said(mixed)
            assert line.startswith(", ".join(photos[k].photo for k in two) + ": ")


def test_of_two_photos_nobody_knows_which(readings):
    noticed = []
    for photos in by_spot(readings):
        for one, other in itertools.combinations(photos, 2):
            lines = turned.said([one, about(other)])
            noticed.append(bool(lines))
            assert all(one.photo in line and other.photo in line for line in lines)
            assert turned.said([one, other]) == []
    assert np.mean(noticed) > 0.95


def test_photos_of_unrelated_places_are_not_called_turned(readings):
    """Three spots' photos filed as one spot's, as they are and turned."""
    for one, other in itertools.combinations(readings, 2):
        if one.view != other.view:
            same = replace(other, view=one.view, at_m=one.at_m)
            assert turned.said([one, same]) == []
            assert turned.said([one, about(same)]) == []


def test_a_lawn_without_structure_tells_nothing(readings):
    rng = np.random.default_rng(5)
    flat = []
    for reading in readings[:5]:
        cover = 0.8 + 0.02 * rng.standard_normal(len(reading.table))
        flat.append(replace(reading, view="spot 1", table=replace(reading.table, cover=cover)))
    assert turned.said(flat) == []


def test_a_season_says_it_and_the_file_mends_it(folder):
    """What is written for a card that lay right turns it wrong, so the season must notice."""
    name = "2026-04-13-spot-2.jpg"
    file = folder / "lawn.toml"
    before = file.read_text()
    file.write_text(f'{before}\n[[photo]]\nname = "{name}"\nturned_deg = 180\n')
    said = survey.season(folder, today=survey.date.max).warnings
    assert any(line.startswith(f"{name}: the card of spot 2 lay the other way round") for line in said)
    file.write_text(before)
    said = survey.season(folder, today=survey.date.max).warnings
    assert not any("the other way round" in line for line in said)
