"""The sward classifier: shape, arithmetic, scale and light; tools/score_sward.py measures its accuracy."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from turfeye import colourspace, reflectance, sward
from turfeye.errors import PhotoError, ViewError
from turfeye.records import CardValues, Correction

CROPS = Path(__file__).parent / "data" / "sward-crops"
GREEN, STRAW, SOIL, PAPER = (78, 112, 42), (196, 170, 112), (112, 88, 66), (244, 243, 240)


def ground(height, width, colour, seed=0, grain=10.0):
    """Mottled ground of one colour."""
    rng = np.random.default_rng(seed)
    mottle = cv2.GaussianBlur(rng.normal(0, 1, (height, width, 1)), (0, 0), 1.2)[..., None] * grain * 3
    return np.clip(np.array(colour) + mottle, 0, 255).astype(np.uint8)


def blades(height, width, count, seed=0, back=SOIL):
    """Curved green blades on soil, and the mask they cover: invented, drawn without anti-aliasing."""
    rng = np.random.default_rng(seed)
    picture, mask = ground(height, width, back, seed), np.zeros((height, width), np.uint8)
    for _ in range(count):
        foot = rng.uniform((0, 0), (width, height))
        tip = foot + rng.normal(0, 16, 2)
        bend = (foot + tip) / 2 + rng.normal(0, 4, 2)
        t = np.linspace(0, 1, 9)[:, None]
        line = ((1 - t) ** 2 * foot + 2 * t * (1 - t) * bend + t**2 * tip).round().astype(np.int32)
        shade = np.clip(np.array(GREEN) * rng.uniform(0.8, 1.25), 0, 255)
        cv2.polylines(picture, [line], False, shade.tolist(), 3)
        cv2.polylines(mask, [line], False, 1, 3)
    return picture, mask


def stacked(shares):
    return np.stack([shares.green, shares.straw, shares.bare, shares.other])


@settings(max_examples=15, deadline=None)
@given(st.integers(1, 90), st.integers(1, 70), st.integers(0, 9), st.sampled_from([None, 0.3, 1.0, 4.0]))
def test_shares_of_any_picture_are_shares(height, width, seed, gsd_mm):
    picture = np.random.default_rng(seed).integers(0, 256, (height, width, 3), np.uint8)
    planes = stacked(sward.classify(picture, gsd_mm=gsd_mm))
    assert planes.shape == (4, height, width)
    assert planes.dtype == np.float32
    assert planes.min() >= 0
    np.testing.assert_allclose(planes.sum(0), 1, atol=1e-4)


def test_bare_soil_and_paper_are_not_green():
    assert sward.classify(ground(120, 180, SOIL), gsd_mm=1.0).green.mean() < 0.03
    assert sward.classify(ground(120, 180, PAPER, grain=1), gsd_mm=1.0).green.mean() < 0.03


def turf(name):
    """A piece of a rendered photo that trained nothing, corrected, at 1.3 mm a pixel; its true green shares.

    From tools/make_samples.py --sets tune, invented; cover 0.19, 0.35 and 0.52.
    """
    picture = cv2.cvtColor(cv2.imread(str(CROPS / f"{name}.png")), cv2.COLOR_BGR2RGB)
    return picture, cv2.imread(str(CROPS / f"{name}-green.png"), cv2.IMREAD_GRAYSCALE) / np.float32(255)


@pytest.mark.parametrize("name", ["spot-02", "spot-04", "spot-05"])
def test_blades_are_counted_by_area(name):
    """As in use: what a card has corrected is exposed first."""
    picture, green = turf(name)
    cover = sward.classify(sward.exposed(picture), gsd_mm=1.3).green.mean()
    assert cover == pytest.approx(green.mean(), abs=0.08)


def test_where_the_blades_are():
    picture, green = turf("spot-02")
    found, truth = (
        cv2.resize(plane, (15, 10), interpolation=cv2.INTER_AREA).ravel()  # squares of 2 cm
        for plane in (sward.classify(picture, gsd_mm=1.3).green, green)
    )
    assert np.corrcoef(found, truth)[0, 1] > 0.85
    picture[:, 120:] = ground(160, 120, SOIL, 9)
    found = sward.classify(picture, gsd_mm=1.3).green
    assert found[:, :110].mean() > 5 * found[:, 130:].mean()
    assert found[:, :120].mean() == pytest.approx(green[:, :120].mean(), abs=0.08)


@pytest.mark.parametrize(("count", "seed"), [(80, 1), (160, 160), (300, 7), (600, 3)])
def test_drawn_blades_are_found(count, seed):
    """Flat blades without shade, as nobody photographs them; cover 0.12 to 0.66."""
    picture, mask = blades(200, 300, count, seed=seed)
    green = sward.classify(picture, gsd_mm=1.0).green
    assert 0.8 * mask.mean() < green.mean() < mask.mean()
    assert green[mask > 0].mean() > 4 * green[mask == 0].mean()


def test_mirrored_picture_gives_the_same_cover():
    picture, _ = blades(160, 256, 200, seed=2)
    cover = sward.classify(picture).green.mean()
    assert sward.classify(picture[:, ::-1].copy()).green.mean() == pytest.approx(cover, abs=0.02)
    assert sward.classify(picture.transpose(1, 0, 2).copy()).green.mean() == pytest.approx(cover, abs=0.02)


def test_finer_photo_is_judged_at_the_working_scale():
    picture, _ = blades(160, 240, 200, seed=3)
    fine = cv2.resize(picture, (720, 480), interpolation=cv2.INTER_LINEAR)
    coarse = sward.classify(picture, gsd_mm=sward.WORKING_GSD_MM)
    same = sward.classify(fine, gsd_mm=sward.WORKING_GSD_MM / 3)
    assert same.green.shape == (480, 720)
    assert same.green.mean() == pytest.approx(coarse.green.mean(), abs=0.03)


def test_the_finest_tenth_of_a_picture_sets_its_scale():
    rows = np.linspace(1.9, 0.5, 120)[:, None] * np.ones((1, 200))
    rows[:5] = np.nan  # above the horizon
    finest = float(np.nanquantile(rows, 0.1))
    assert sward.working_scale((120, 200), rows) == pytest.approx(finest / sward.WORKING_GSD_MM)


def correction(gain):
    values = CardValues(("grey",), np.full((1, 3), 0.5), np.array([True]), measured=False)
    return Correction((0.0, 0.0), np.array(gain), None, 1.0, 2.0, 0.01, values)


def corrected_green(picture, gain):
    plain = reflectance.corrected_coded(picture, correction(gain))
    return sward.classify(sward.exposed(plain), gsd_mm=1.3).green.mean()


def test_a_correction_takes_a_cast_away():
    picture, green = turf("spot-05")
    cast = np.array([1.8, 1.0, 0.5])
    seen = colourspace.encode(colourspace.decode(picture) / cast).clip(0, 255).round().astype(np.uint8)
    right, mended = corrected_green(picture, [1.0, 1.0, 1.0]), corrected_green(seen, cast)
    assert mended == pytest.approx(right, abs=0.03)
    assert right == pytest.approx(green.mean(), abs=0.08)


def test_how_bright_a_corrected_picture_is_changes_little():
    picture, _ = blades(200, 300, 300, seed=7)
    covers = [corrected_green(picture, [k] * 3) for k in (0.5, 0.8, 1.1)]
    assert max(covers) - min(covers) < 0.03


def test_the_same_picture_gives_the_same_bytes_and_is_not_touched():
    picture, _ = blades(100, 150, 80)
    before = picture.copy()
    first, second = (stacked(sward.classify(picture, gsd_mm=0.7)) for _ in range(2))
    np.testing.assert_array_equal(first, second)
    np.testing.assert_array_equal(picture, before)


@pytest.mark.parametrize(
    "picture",
    [
        np.zeros((20, 30), np.uint8),
        np.zeros((20, 30, 4), np.uint8),
        np.zeros((20, 30, 3)),
        np.zeros((0, 30, 3), np.uint8),
    ],
)
@pytest.mark.parametrize("asked", [sward.classify, sward.at_large])
def test_other_arrays_are_refused(picture, asked):
    with pytest.raises(PhotoError, match=r"wanted a picture of shape \(H, W, 3\) in uint8"):
        asked(picture)


@pytest.mark.parametrize("gsd_mm", [0.0, -1.0, float("nan")])
def test_impossible_scales_are_refused(gsd_mm):
    with pytest.raises(ViewError, match="above 0 mm"):
        sward.classify(np.zeros((20, 30, 3), np.uint8), gsd_mm=gsd_mm)


def test_squares_of_logits_become_shares_where_they_belong():
    """Against the softmax by its definition, pixel by pixel; more rows than one strip, logits of any size."""
    logits = np.random.default_rng(8).normal(0, 40, (16, 11, 7)).astype(np.float32)
    shares = sward._shares(logits)
    assert shares.shape == (4, 22, 14)
    for y, x in ((0, 0), (1, 0), (0, 1), (21, 13), (16, 5)):
        own = logits[np.arange(4) * 4 + 2 * (y % 2) + x % 2, y // 2, x // 2].astype(float)
        wanted = np.exp(own - own.max())
        np.testing.assert_allclose(shares[:, y, x], wanted / wanted.sum(), rtol=1e-5, atol=1e-7)


def test_the_finest_tenth_decides_the_working_scale():
    assert sward.working_scale((300, 400)) == 1
    assert sward.working_scale((300, 400), 2 * sward.WORKING_GSD_MM) == 1
    assert sward.working_scale((300, 400), sward.WORKING_GSD_MM / 4) == pytest.approx(0.25)
    far = np.array([np.nan] * 5 + [0.65] * 2 + [9.0] * 8)
    assert sward.working_scale((300, 400), far) == pytest.approx(0.65 / sward.WORKING_GSD_MM)
    assert sward.working_scale((3000, 4000)) == pytest.approx((sward.LARGEST_PX / 12e6) ** 0.5)
