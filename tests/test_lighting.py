"""How hard the light on turf is, and what that does to how sure cover is."""

from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image, ImageFilter

from turfeye import lighting
from turfeye.covererror import Accuracy, classifier_se
from turfeye.summary import as_dict
from turfeye.survey import look

PHOTOS = Path(__file__).parent.parent / "sample_images/trial-spots/photos"
SHAPE = (120, 160)
ALL = np.ones(SHAPE, bool)


def striped(dark: float, light: float) -> np.ndarray:
    """Blades one pixel wide, every other one in the dark."""
    picture = np.full((*SHAPE, 3), light)
    picture[:, 1::2] = dark
    return picture


def hardness(picture: np.ndarray, green: np.ndarray = ALL, counts: np.ndarray = ALL) -> float:
    return lighting.hardness(picture, green.astype(np.float32), counts)


def test_hardness_is_the_mean_log_ratio_of_pixels_that_touch():
    assert hardness(striped(0.018, 0.098)) == pytest.approx(np.log(0.1 / 0.02), rel=1e-9)
    assert hardness(striped(0.05, 0.05)) == 0


def test_brighter_light_is_no_harder():
    assert hardness(4 * striped(0.1, 0.4)) == pytest.approx(hardness(striped(0.1, 0.4)), rel=0.02)


def test_only_usable_turf_counts():
    picture = striped(0.05, 0.05)
    picture[:, 80:] = striped(0.01, 0.4)[:, 80:]
    left = np.zeros(SHAPE, bool)
    left[:, :80] = True
    assert hardness(picture, green=left) == 0
    assert hardness(picture, counts=left) == 0
    assert np.isnan(hardness(picture, green=~ALL))


def test_error_grows_with_hardness_and_is_the_usual_where_it_is_unknown():
    cover = np.array([0.2, 0.5, 0.9])
    usual = classifier_se(cover, Accuracy())
    low = classifier_se(cover, Accuracy(), hardness=0.5)
    assert low == pytest.approx(usual * 2 ** Accuracy().hard)
    assert classifier_se(cover, Accuracy(), hardness=np.nan) == pytest.approx(usual)
    each = classifier_se(cover, Accuracy(), hardness=np.array([np.nan, 0.25, 0.5]))
    assert each == pytest.approx([usual[0], usual[1], low[2]])


def test_a_photo_out_of_focus_is_no_surer_for_looking_soft():
    half = np.array([0.5])
    least = classifier_se(half, Accuracy(), hardness=lighting.LEAST_HARDNESS)
    assert classifier_se(half, Accuracy(), hardness=0.05) == pytest.approx(least)
    assert least > 0.8 * classifier_se(half, Accuracy())


def test_low_sun_makes_a_photo_unsure_and_says_so():
    """Two of the sample trial's pegs, one under cloud (invented scenes, rendered)."""
    soft, low = (look(PHOTOS / f"{name}.jpg") for name in ("2026-04-24-spot-3", "2026-05-06-spot-1"))
    assert soft.hardness < 0.3 < lighting.HARD < low.hardness
    assert not any("hard light" in line for line in soft.warnings)
    assert any("hard light" in line and "under cloud" in line for line in low.warnings)
    assert as_dict(low)["light_hardness"] == pytest.approx(low.hardness, abs=1e-3)


def test_blades_one_pixel_wide_are_even_at_large_and_wide_ones_are_not():
    wide = np.repeat(np.repeat(striped(0.018, 0.098)[:30, :40], 4, axis=0), 4, axis=1)
    assert lighting.at_large(striped(0.018, 0.098), ALL.astype(np.float32), ALL) < 0.01
    told = lighting.at_large(wide, ALL.astype(np.float32), ALL)
    assert told == pytest.approx(np.log(0.1 / 0.02), rel=1e-6)
    assert np.isnan(lighting.at_large(wide, (~ALL).astype(np.float32), ALL))


def test_a_sharpened_photo_under_cloud_is_not_told_as_hard_light(tmp_path):
    """By Pillow's unsharp mask, as strong as messengers' and phones' enhancements."""
    for name, percent, word in (
        ("2026-05-06-spot-2", 150, "sharpened"),
        ("2026-05-06-spot-1", 60, "hard light"),
    ):
        with Image.open(PHOTOS / f"{name}.jpg") as photo:
            sharp = photo.filter(ImageFilter.UnsharpMask(radius=1.4, percent=percent))
            sharp.save(tmp_path / f"{name}.jpg", quality=93, exif=photo.getexif())
        seen = look(tmp_path / f"{name}.jpg")
        assert seen.hardness > lighting.HARD
        assert [word in line for line in seen.warnings if "times as uncertain" in line] == [True]


def test_a_soft_picture_has_soft_light():
    one = cv2.imread(str(PHOTOS / "2026-04-24-spot-1.jpg")).astype(float) / 255
    sharp, soft = (hardness(part[:120, :160]) for part in (one, cv2.GaussianBlur(one, (0, 0), 2)))
    assert soft < sharp / 2


@pytest.mark.parametrize("times", [0.75, 1.5, 2, 3])
def test_light_is_about_as_hard_however_many_pixels_a_view_has(tmp_path, times):
    """Enlarged as by a digital zoom, or made smaller; by Pillow, whose filters are others than ours."""
    for name in ("2026-04-24-spot-2", "2026-05-06-spot-1"):
        with Image.open(PHOTOS / f"{name}.jpg") as photo:
            size = round(times * photo.width), round(times * photo.height)
            other = photo.resize(size, Image.Resampling.BICUBIC if times > 1 else Image.Resampling.LANCZOS)
            other.save(tmp_path / f"{name}.jpg", quality=95, subsampling=2, exif=photo.getexif())
        whole, told = look(PHOTOS / f"{name}.jpg"), look(tmp_path / f"{name}.jpg")
        assert told.hardness == pytest.approx(whole.hardness, rel=0.16)
        assert np.nanmean(told.table.cover_se) == pytest.approx(np.nanmean(whole.table.cover_se), rel=0.12)


@pytest.mark.parametrize(("rows", "columns"), [(1, 0), (0, 1), (1, 1)])
def test_light_is_as_hard_whether_a_photo_has_odd_or_even_sides(tmp_path, rows, columns):
    """Half of its size is exact for even sides only; cropped by a pixel a photo shows the same light."""
    name = "2026-04-24-spot-2"
    with Image.open(PHOTOS / f"{name}.jpg") as photo:
        cropped = photo.crop((0, 0, photo.width - columns, photo.height - rows))
        cropped.save(tmp_path / f"{name}.png", exif=photo.getexif())
    whole, odd = look(PHOTOS / f"{name}.jpg"), look(tmp_path / f"{name}.png")
    assert odd.hardness == pytest.approx(whole.hardness, rel=0.02)
    assert odd.warnings == whole.warnings
    errors = [np.nanmean(one.table.cover_se) for one in (odd, whole)]
    assert errors[0] == pytest.approx(errors[1], rel=0.02)
