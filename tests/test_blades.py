"""A lawn's own leaf angle from two rendered photos of one place, with truth from straight above."""

import csv
import datetime as dt
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from turfeye import card, cells, glance, lawn, newlawn, photo, store, view
from turfeye.cli import root
from turfeye.gapfraction import Blades

PAIR = Path(__file__).parent / "data/rendered/pairs"
TOP, LOW = PAIR / "upright-top.jpg", PAIR / "upright-low.jpg"


@pytest.fixture(scope="module")
def fitted(tmp_path_factory):
    """A lawn whose blades were fitted by the command line, and its key of a photo before that."""
    folder = tmp_path_factory.mktemp("blades") / "front"
    before = newlawn.make(folder, outline_m=[(0, 0), (5, 0), (5, 3), (0, 3)], sown=dt.date(2026, 3, 14))
    result = CliRunner().invoke(root, ["lawn", "blades", str(folder), str(TOP), str(LOW)])
    assert result.exit_code == 0, result.output
    return lawn.read(folder), before, result.stdout


def test_upright_blades_are_found_and_written_down(fitted):
    place, before, words = fitted
    assert "more upright than usual" in words
    assert place.blades.lean < -0.2
    assert place.blades.lean_se < 0.35  # surer than without: 0.4
    assert (place.folder / lawn.FILE_NAME).read_text().count("[blades]") == 1
    # Tables measured before the fit are not used any more.
    assert store.cell_key(place, "a" * 64) != store.cell_key(before, "a" * 64)


def test_oblique_cover_is_nearer_its_truth(fitted):
    with (PAIR / "upright-cells.csv").open() as file:
        truth = {(round(float(r["x_m"]), 2), round(float(r["y_m"]), 2)): r for r in csv.DictReader(file)}
    picture = photo.read(LOW)
    sighting = card.find(picture)
    seen = view.from_card(picture, sighting)
    grid = cells.spot_grid(seen, 0.1)
    miss, se = {}, {}
    for name, blades in (("nothing known", None), ("usual", Blades()), ("fitted", fitted[0].blades)):
        table = glance.look_through(picture, seen, grid, sighting=sighting, blades=blades).table
        pairs = [
            (cover - float(row["cover"]), error)
            for x, y, cover, error in zip(table.x_m, table.y_m, table.cover, table.cover_se, strict=True)
            if np.isfinite(cover)
            and (row := truth.get((round(x, 2), round(y, 2))))
            and float(row["card"]) < 0.05
        ]
        miss[name], se[name] = np.array(pairs).T
    assert len(miss["usual"]) > 60
    # by the leaf angle alone; where nothing is known of it, what dark soil hides is taken off too
    assert np.abs(miss["fitted"]).mean() < 0.7 * np.abs(miss["usual"]).mean()
    assert np.abs(miss["fitted"]).mean() < np.abs(miss["nothing known"]).mean()
    assert se["fitted"].mean() < se["nothing known"].mean()


def test_photos_of_two_places_are_refused(tmp_path):
    folder = tmp_path / "front"
    newlawn.make(folder, outline_m=[(0, 0), (5, 0), (5, 3), (0, 3)])
    text = (folder / lawn.FILE_NAME).read_text()
    other = Path(__file__).parent.parent / "sample_images/trial-spots/photos/2026-04-13-spot-2.jpg"
    result = CliRunner().invoke(root, ["lawn", "blades", str(folder), str(TOP), str(other)])
    assert result.exit_code == 2
    assert "two photos of one place" in result.stderr
    assert (folder / lawn.FILE_NAME).read_text() == text


def test_two_photos_from_above_say_nothing(tmp_path):
    folder = tmp_path / "front"
    newlawn.make(folder, outline_m=[(0, 0), (5, 0), (5, 3), (0, 3)])
    text = (folder / lawn.FILE_NAME).read_text()
    result = CliRunner().invoke(root, ["lawn", "blades", str(folder), str(TOP), str(TOP)])
    assert result.exit_code == 2
    assert "angles that differ" in result.stderr
    assert (folder / lawn.FILE_NAME).read_text() == text
