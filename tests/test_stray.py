"""Stray light over a photo, laid on in the scene's light: told, taken off, not told where there is none.

It is an even light that is added to the picture's, as ISO 9358 has veiling glare (from memory).
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from turfeye import card, colour, colourspace, photo, reflectance, stray
from turfeye.records import Look, Photo
from turfeye.summary import as_dict
from turfeye.survey import look

HERE = Path(__file__).parent
SPOTS = HERE.parent / "sample_images/trial-spots/photos"
DENSE = HERE / "data/rendered/spots/spot-08.jpg"


def cover(seen: Look) -> tuple[float, float]:
    summary = as_dict(seen)["summary"]
    return summary["cover"], summary["cover_se"]


def veiled(seen: Look, amount: float, folder: Path, *, only_card: bool = False) -> Path:
    """The photo with as much reflectance added everywhere, as its camera would have coded it."""
    table = reflectance._table(seen.correction)
    codes = seen.photo.rgb_coded
    out = np.stack(
        [np.rint(np.interp(table[codes[..., k], k] + amount, table[:, k], np.arange(256))) for k in range(3)],
        axis=-1,
    ).astype(np.uint8)
    if only_card:
        (left, top), (right, bottom) = (
            np.rint(f(seen.sighting.corners_px, axis=0)).astype(int) for f in (np.min, np.max)
        )
        part, out = out, codes.copy()
        out[top:bottom, left:right] = part[top:bottom, left:right]
    path = folder / "veiled.png"
    with Image.open(seen.photo.path) as file:
        Image.fromarray(out).save(path, exif=file.getexif())
    return path


@pytest.mark.parametrize("path", [SPOTS / "2026-05-06-spot-2.jpg", DENSE], ids=lambda path: path.stem)
def test_stray_light_is_told_and_taken_off(path, tmp_path, monkeypatch):
    sound = look(path)
    there = veiled(sound, 0.02, tmp_path)
    mended = look(there)
    monkeypatch.setattr(stray, "LEAST", np.inf)
    left = look(there)
    assert sound.correction.stray == left.correction.stray == 0
    assert 0.0125 <= mended.correction.stray <= 0.025
    assert [line for line in mended.warnings if "stray light" in line]
    (true, true_se), (got, got_se), (wrong, _) = (cover(each) for each in (sound, mended, left))
    assert true - wrong > 0.09  # the harm that it does unseen: beyond two of the errors then told
    assert abs(got - true) < min(0.06, 0.5 * (true - wrong))
    assert got_se > true_se
    colours = [np.nanmean(each.table.dgci) for each in (sound, mended, left)]
    assert abs(colours[1] - colours[0]) < 0.6 * abs(colours[2] - colours[0])
    assert np.nanmean(mended.table.dgci_se) > np.nanmean(sound.table.dgci_se)


def test_a_card_printed_pale_is_no_stray_light_where_gaps_are_dark(tmp_path):
    sound = look(DENSE)
    pale = look(veiled(sound, 0.02, tmp_path, only_card=True))
    assert pale.correction.stray == 0


@pytest.mark.parametrize("path", sorted(SPOTS.glob("2026-04-*.jpg"))[::2], ids=lambda path: path.stem)
def test_none_is_told_where_there_is_none(path):
    seen: Photo = photo.read(path)
    sighting, _ = card.choose(card.seen_at_once(seen))
    found, _ = colour.misfit(sighting, card.NOMINAL, stray.LEVELS)
    assert np.isfinite(found).all()
    assert look(path).correction.stray == 0


def test_known_stray_light_is_undone_to_the_code():
    """Steps of a plain sRGB camera under a white light, 0.02 of it everywhere."""
    names = card.NOMINAL.names
    amount = 0.02
    seen = photo.read(DENSE)
    sighting, _ = card.choose(card.seen_at_once(seen))
    place = [names.index(name) for name in sighting.patch_names]
    want = np.asarray(card.NOMINAL.rgb_linear)[place]
    codes = colourspace.encode(want + amount)
    told = replace(
        sighting,
        patch_rgb_coded=codes,
        patch_clipped=np.zeros(len(want), bool),
        patch_spread=np.full(len(want), 0.01),
        twins_differ=0.0,
        evened=0.0,
    )
    fitted = colour.fit(told, card.NOMINAL, stray=amount)
    got = colour.tone_to_linear(codes, fitted.tone) * fitted.gain - fitted.stray
    assert got == pytest.approx(want, abs=0.004, rel=0.01)
    misfit, _ = colour.misfit(told, card.NOMINAL, np.array([0.0, amount, 0.06]))
    assert misfit.argmin() == 1
