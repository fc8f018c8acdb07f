"""Photos too bright or too dark: what they cost is told, and more the worse they are.

Exposures are made in linear light with clipping, as IEC 61966-2-1 codes it: a stop is twice the light.
"""

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from turfeye import caveats, colourspace
from turfeye.errors import ColourError
from turfeye.records import Look
from turfeye.summary import as_dict
from turfeye.survey import look

HERE = Path(__file__).parent
SPOTS = HERE.parent / "sample_images/trial-spots/photos"
DENSE = HERE / "data/rendered/spots/spot-08.jpg"
SHADOWED = SPOTS / "2026-05-06-spot-1.jpg"
STOPS = (0.0, 0.5, 1.0, 1.5, 2.0)


def exposed(path: Path, stops: float, folder: Path) -> Path:
    """The photo with so many stops more light."""
    out = folder / f"{path.stem}.png"
    with Image.open(path) as file:
        facts, codes = file.getexif(), np.asarray(file.convert("RGB"))
    light = colourspace.decode(codes) * 2.0**stops
    Image.fromarray(np.rint(colourspace.encode(np.minimum(light, 1))).astype(np.uint8)).save(out, exif=facts)
    return out


def burnt(seen: Look) -> list[str]:
    return [line for line in seen.warnings if line.startswith("too bright")]


@pytest.mark.parametrize("path", [SPOTS / "2026-04-24-spot-3.jpg", DENSE], ids=lambda path: path.stem)
def test_the_brighter_a_photo_the_wider_its_errors_and_it_is_told(path, tmp_path):
    looks = [look(exposed(path, stops, tmp_path)) for stops in STOPS]
    own = np.array([np.nanmean(each.table.dgci_se) for each in looks])
    index = np.array([np.nanmean(each.table.dgci) for each in looks])
    cover_se = np.array([np.nanmean(each.table.cover_se) for each in looks])
    assert (np.diff(own[1:]) > -0.03 * own[1:-1]).all()
    assert (own[1:] > 0.93 * own[0]).all()  # half a stop more light may tell dark greens better
    assert own[-1] > 1.4 * own[0]
    assert (np.diff(cover_se[1:]) > -0.03 * cover_se[1:-1]).all()
    assert (np.abs(index - index[0]) < 1.5 * own).all()
    assert not burnt(looks[0])
    assert all(burnt(each) for each in looks[2:])


def test_burnt_out_steps_are_named(tmp_path):
    seen = look(exposed(SPOTS / "2026-04-24-spot-3.jpg", 1.5, tmp_path))
    (line,) = burnt(seen)
    names = set(np.array(seen.sighting.patch_names)[seen.sighting.burnt])
    assert {"grey 1 upper", "grey 4 lower", "light green", "straw"} <= names
    assert "grey 5 upper" not in names
    assert "grey 1 to 4, light green, " in line
    assert "straw" in line
    assert seen.sighting.burnt.mean() >= caveats.MUCH_BURNT


def test_a_photo_far_too_bright_is_refused_for_that(tmp_path):
    with pytest.raises(ColourError, match=r"the others are burnt out: .*less bright"):
        look(exposed(SPOTS / "2026-04-24-spot-3.jpg", 3.0, tmp_path))


def test_a_card_that_a_shadow_crosses_bears_a_little_more_light(tmp_path):
    still, brighter = (look(exposed(SHADOWED, np.log2(times), tmp_path)) for times in (1.0, 1.1))
    assert still.correction.half_lit
    assert brighter.correction.half_lit
    assert any("a shadow crosses the card" in line for line in brighter.warnings)
    there = np.isfinite(still.table.dgci) & np.isfinite(brighter.table.dgci)
    assert there.sum() > 0.9 * np.isfinite(still.table.dgci).sum()
    off = np.nanmean(brighter.table.dgci - still.table.dgci)
    assert abs(off) < np.nanmean(brighter.table.dgci_se)
    assert np.nanmean(np.abs(brighter.table.cover - still.table.cover)) < 0.5 * np.nanmean(
        still.table.cover_se
    )


def test_a_card_whose_sunlit_part_is_burnt_out_is_refused_for_that(tmp_path):
    with pytest.raises(ColourError, match=r"sunlit part of the card.*got 2; others there are burnt out"):
        look(exposed(SHADOWED, 0.5, tmp_path))


@pytest.mark.parametrize("stops", [-1.0, -2.0, -3.0])
def test_a_dark_photo_is_read_as_the_sound_one_within_its_errors(stops, tmp_path):
    path = SPOTS / "2026-04-13-spot-1.jpg"  # two stops darker its card's greys "didn't agree"
    sound, dark = look(path), look(exposed(path, stops, tmp_path))
    both = np.isfinite(dark.table.cover) & np.isfinite(sound.table.cover)
    assert both.sum() > 0.9 * np.isfinite(sound.table.cover).sum()
    off = np.abs(dark.table.cover - sound.table.cover)[both]
    assert np.mean(off < 2 * dark.table.cover_se[both]) > 0.95
    index, index_se = (
        (as_dict(each)["summary"]["dgci"] for each in (sound, dark)),
        as_dict(dark)["summary"]["dgci_se"],
    )
    assert abs(np.subtract(*index)) < 2 * index_se
