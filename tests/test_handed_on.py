"""Photos as messengers hand them on: recompressed, made smaller, without their header's facts."""

import csv
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from turfeye import card, cells, glance, lawn, leafcolour, lighting, photo, view

FERRY = Path(__file__).parents[1] / "sample_images" / "ferry-cottage"


def handed_on(name, into, *, quality, longest=None):
    """A sample photo (invented, rendered) saved anew with 4:2:0 colour and no header, its outline there."""
    coded = photo.read(FERRY / "photos" / name).rgb_coded
    scale = 1.0 if longest is None else longest / max(coded.shape)
    size = round(coded.shape[1] * scale), round(coded.shape[0] * scale)
    small = coded if longest is None else cv2.resize(coded, size, interpolation=cv2.INTER_AREA)
    Image.fromarray(small).save(into / name, quality=quality, subsampling=2)
    with (FERRY / "truth" / "corners.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if (row["photo"], row["what"]) == (name, "outline")]
    corners = np.array([(float(row["x_px"]), float(row["y_px"])) for row in rows])
    return into / name, (corners + 0.5) * scale - 0.5


@pytest.mark.parametrize(
    ("quality", "longest"), [(95, None), (88, None), (70, None), (50, None), (75, 1600), (75, 1280)]
)
def test_a_wall_s_shadow_stays_a_shadow_and_an_evenly_lit_card_even(tmp_path, quality, longest):
    """Untouched the photo says so; recompressed, something lay on the lawn and the card was dirty."""
    path, corners = handed_on("2026-04-05-window.jpg", tmp_path, quality=quality, longest=longest)
    shot, place = photo.read(path), lawn.read(FERRY)
    seen = view.from_corners(shot, corners, place.outline_m)
    grid = cells.lawn_grid(place.outline_m, 0.5)
    look = glance.look_through(shot, seen, grid, sighting=card.find(shot))
    said = " ".join(look.warnings)
    assert "in other light than the card on the right third" in said
    assert "something lies on the lawn" not in said
    assert "uneven light" not in said


@pytest.mark.parametrize(("quality", "longest"), [(95, None), (70, None), (75, 1280)])
def test_few_young_blades_have_a_leaf_s_colour(tmp_path, quality, longest):
    path, _ = handed_on("2026-03-30-window.jpg", tmp_path, quality=quality, longest=longest)
    assert leafcolour.NO_LEAVES not in glance.look(path).warnings


@pytest.mark.parametrize(("bluer", "apart", "told"), [(0.7, 0.8, True), (0.1, 0.8, False), (0.7, 0.2, False)])
def test_two_lights_that_brightness_alone_does_not_tell_are_told_where_the_darker_is_bluer(
    bluer, apart, told
):
    rng = np.random.default_rng(2)
    log_light, warmth = rng.normal(-2.5, 0.35, (150, 210)), rng.normal(0.9, 0.3, (150, 210))
    log_light[:, 150:] -= apart
    warmth[:, 150:] -= bluer
    assert lighting.other_light(log_light, 0 * log_light, None, np.zeros((600, 840), bool))[1] is False
    other, several = lighting.other_light(log_light, warmth, None, np.zeros((600, 840), bool))
    assert several is told
    assert not told or other[:, 150:].mean() > 0.85 > 4 * other[:, :150].mean()
