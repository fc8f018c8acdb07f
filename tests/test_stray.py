"""Stray light over a photo, laid on in the scene's light: told, taken off, not told where there is none.

It is an even light that is added to the picture's, as ISO 9358 has veiling glare (from memory).
"""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from turfeye import card, colour, colourspace, photo, reflectance, stray
from turfeye.records import Look, Photo
from turfeye.simulate import card_sheet
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


def not_minded(monkeypatch):
    """Stray light is neither told, nor are gaps made dark."""
    monkeypatch.setattr(stray, "of", lambda *_: 0.0)
    monkeypatch.setattr(stray, "in_gaps", lambda *_, **__: (0.0, 0.0))


def looks(path, amount, folder, monkeypatch):
    """A photo as it is; veiled, and put right; and veiled, with nobody minding it."""
    sound = look(path)
    there = veiled(sound, amount, folder)
    mended = look(there)
    not_minded(monkeypatch)
    return sound, mended, look(there)


@pytest.mark.parametrize("path", [SPOTS / "2026-05-06-spot-2.jpg", DENSE], ids=lambda path: path.stem)
def test_stray_light_is_told_and_taken_off(path, tmp_path, monkeypatch):
    sound, mended, left = looks(path, 0.02, tmp_path, monkeypatch)
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


@pytest.mark.parametrize("amount", [0.0075, 0.01])
@pytest.mark.parametrize("path", [SPOTS / "2026-05-06-spot-1.jpg", DENSE], ids=lambda path: path.stem)
def test_dense_turf_suffers_less_from_little_of_it(path, amount, tmp_path, monkeypatch):
    every = looks(path, amount, tmp_path, monkeypatch)
    (true, _), (got, _), (wrong, _) = (cover(each) for each in every)
    assert true - wrong > 0.04
    assert abs(got - true) < 0.6 * (true - wrong)


@pytest.mark.parametrize("path", sorted(SPOTS.glob("*.jpg")), ids=lambda path: path.stem)
def test_where_there_is_none_cover_stays(path, monkeypatch):
    now = look(path)
    monkeypatch.setattr(stray, "in_gaps", lambda *_, **__: (0.0, 0.0))
    plain = look(path)
    assert now.table.cover == pytest.approx(plain.table.cover, abs=0.01, nan_ok=True)


def test_pale_gaps_are_told_and_make_cover_less_sure(tmp_path):
    with Image.open(DENSE) as file:
        facts, codes = file.getexif(), np.asarray(file.convert("RGB"))
    there = tmp_path / "smeared.png"
    light = colourspace.decode(codes)  # a lens smeared by sun cream: an eightieth of white everywhere
    Image.fromarray(np.rint(colourspace.encode(light + 0.0125)).astype(np.uint8)).save(there, exif=facts)
    sound, smeared = look(DENSE), look(there)
    assert smeared.correction.stray == 0  # not by the card
    assert sound.correction.pale_gaps <= stray.PALE_GAPS[0]
    assert not [line for line in sound.warnings if "gaps" in line]
    assert smeared.correction.pale_gaps > stray.PALE_GAPS[1]
    assert [line for line in smeared.warnings if "the gaps between blades are pale" in line]
    (true, true_se), (got, got_se) = cover(sound), cover(smeared)
    assert got_se > 1.2 * true_se
    assert abs(got - true) < 2 * got_se


def test_gaps_that_blur_made_pale_are_not_told_as_stray_light(tmp_path, monkeypatch):
    with Image.open(DENSE) as file:
        facts, codes = file.getexif(), np.asarray(file.convert("RGB"))
    there = tmp_path / "unfocused.png"
    Image.fromarray(cv2.GaussianBlur(codes, (0, 0), 2.0)).save(there, exif=facts)
    found = look(there)
    assert found.correction.pale_gaps == 0
    assert [line for line in found.warnings if "out of focus" in line]
    monkeypatch.setattr(stray, "BLURRED", 1.0)
    assert look(there).correction.pale_gaps > stray.PALE_GAPS[1]  # they are as pale


def test_ground_without_leaves_has_no_gaps():
    card_px = np.array([[10.0, 10], [30, 10], [30, 25], [10, 25]])
    soil = np.full((400, 400, 3), (0.2, 0.15, 0.1), np.float32)
    assert stray.in_gaps(soil, card_px, hardness=0.25) == (0.0, 0.0)
    leaf = np.full((400, 400, 3), (0.03, 0.075, 0.06), np.float32)
    assert stray.in_gaps(leaf, card_px, hardness=0.25)[0] > 0  # all is as light


def test_a_green_without_gaps_keeps_its_colour(tmp_path):
    """Even green on even brown, an invented drawing with nothing dark in it: the index was 0.15 too low."""
    rng = np.random.default_rng(1)
    size = (900, 1200, 1)
    found = {}
    for name, share in (("sparse", 0.3), ("closed", 1.0)):
        squares = np.kron(rng.random((9, 12)) < share, np.ones((100, 100), bool))[..., None]
        codes = np.where(squares, (70, 128, 50), (120, 92, 66)) + rng.normal(0, 6, size)
        codes = np.clip(codes, 0, 255).astype(np.uint8)
        sheet = np.rint(colourspace.encode(card_sheet.card_texture(3))).astype(np.uint8)
        codes[240:660, 300:894] = cv2.resize(sheet, (594, 420), interpolation=cv2.INTER_AREA)
        path = tmp_path / f"{name}.png"
        Image.fromarray(codes).save(path)
        found[name] = look(path)
        assert not [line for line in found[name].warnings if "gaps" in line]
    index = {name: as_dict(seen)["summary"]["dgci"] for name, seen in found.items()}
    assert index["closed"] == pytest.approx(index["sparse"], abs=0.005)
    assert cover(found["closed"])[0] > 0.95


@pytest.mark.parametrize("hardness", [0.2, 0.45])
def test_gaps_come_out_as_light_as_light_so_hard_leaves_them(hardness):
    rng = np.random.default_rng(1)
    leaves = rng.uniform(0.3, 1.0, (400, 400, 1)) * np.array([0.02, 0.04, 0.01])
    leaves[rng.random((400, 400)) < 0.02] *= 0.01  # gaps, all but black
    card_px = np.array([[10.0, 10], [30, 10], [30, 25], [10, 25]])
    assert stray.in_gaps(leaves, card_px, hardness=hardness) == (0.0, 0.0)
    amount, share = stray.in_gaps(leaves + 0.02, card_px, hardness=hardness)
    usual, darkest = (np.quantile(leaves @ colourspace.LUMINANCE, q) + 0.02 for q in (0.5, stray.DARKEST))
    sound = stray.GAPS[0] - stray.GAPS[1] * hardness
    assert (darkest - amount) / (usual - amount) == pytest.approx(sound, abs=0.01)
    assert share == pytest.approx(amount / usual, rel=0.05)


def test_one_brightness_of_gaps_is_sound_in_soft_light_and_pale_in_hard():
    rng = np.random.default_rng(1)
    leaves = rng.uniform(0.3, 1.0, (400, 400, 1)) * np.array([0.02, 0.04, 0.01])
    leaves[rng.random((400, 400)) < 0.02] = np.median(leaves.reshape(-1, 3), axis=0) * 0.25
    card_px = np.array([[10.0, 10], [30, 10], [30, 25], [10, 25]])
    assert stray.in_gaps(leaves, card_px, hardness=0.2)[0] == 0
    assert stray.in_gaps(leaves, card_px, hardness=0.48)[1] > stray.PALE_GAPS[0]


@pytest.mark.parametrize(
    "path", [SPOTS / f"2026-{name}.jpg" for name in ("04-24-spot-1", "05-06-spot-3")], ids=str
)
def test_cover_and_colour_are_freed_of_what_only_gaps_show(path, tmp_path, monkeypatch):
    sound, mended, left = looks(path, 0.01, tmp_path, monkeypatch)
    assert mended.correction.stray == 0  # not by the card
    assert [line for line in mended.warnings if "the gaps between blades are pale" in line]
    off, wrong = (np.nanmean(each.table.dgci - sound.table.dgci) for each in (mended, left))
    assert wrong > 0.008
    assert abs(off) < 0.6 * wrong
    assert abs(off) < np.nanmean(mended.table.dgci_se)
    assert np.nanmean(mended.table.dgci_se) > np.nanmean(left.table.dgci_se)
    less, far = (np.nanmean(each.table.cover - sound.table.cover) for each in (mended, left))
    assert far < -0.12
    assert abs(less) < 0.5 * abs(far)


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
