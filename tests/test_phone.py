"""The phone camera: deterministic, monotone, honest EXIF, noise as physics has it."""

import io
from dataclasses import replace
from datetime import datetime, timedelta, timezone

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import ExifTags, Image, ImageOps

from turfeye.errors import PhotoError
from turfeye.simulate.phone import (
    GREY,
    MAKES,
    Phone,
    Tone,
    _lens,
    _process,
    _sensor,
    metered,
    random_phone,
    shoot,
)

TAKEN = datetime(2026, 4, 2, 10, 41, tzinfo=timezone(timedelta(hours=1)))
PLAIN = Phone(
    vignetting=0.0,
    denoise_px=0.0,
    saturation=1.0,
    sharpen=0.0,
    jpeg_quality=97,
    subsample=False,
    electrons_at_white=1e7,
    read_electrons=0.0,
    tone=Tone(contrast=1.0, shoulder=2000.0, white=1.0, black=0.0),
)


def opened(jpeg: bytes) -> np.ndarray:
    return np.asarray(ImageOps.exif_transpose(Image.open(io.BytesIO(jpeg))))


def flat(value, shape=(48, 64)):
    return np.broadcast_to(np.asarray(value, np.float32), (*shape, 3)).copy()


@pytest.mark.parametrize(("linear", "code"), [(0.18, 117.646), (0.5, 187.516)])
def test_plain_phone_is_srgb(linear, code):
    """IEC 61966-2-1: linear 0.18 is code 117.646, 0.5 is 187.516."""
    coded = _process(_sensor(flat(linear), PLAIN, np.random.default_rng(1)), PLAIN)
    assert abs(coded.mean() - code) < 0.55  # half a code is the 8 bits' own
    picture = opened(shoot(flat(linear), PLAIN, seed=1, taken=TAKEN, white=1.0))
    assert abs(picture.mean() - code) < 1.05  # JPEG's YCbCr is rounded again


def test_same_seed_same_bytes_other_seed_other_noise():
    light = np.random.default_rng(0).uniform(0, 0.8, (40, 60, 3)).astype(np.float32)
    assert shoot(light, Phone(), seed=3, taken=TAKEN) == shoot(light, Phone(), seed=3, taken=TAKEN)
    assert shoot(light, Phone(), seed=3, taken=TAKEN) != shoot(light, Phone(), seed=4, taken=TAKEN)


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**32 - 1), st.booleans())
def test_every_drawn_phone_keeps_order_and_neutrals(seed, mishaps):
    phone = random_phone(np.random.default_rng(seed), mishaps=mishaps)
    assert phone == random_phone(np.random.default_rng(seed), mishaps=mishaps)
    curve = phone.tone(np.linspace(0, phone.tone.white, 200))
    assert np.all(np.diff(curve) >= 0)
    assert curve[-1] == pytest.approx(1.0)
    assert np.allclose(np.sum(phone.matrix, axis=1), 1.0)  # grey stays grey under the right white balance
    assert 70 <= phone.jpeg_quality <= 97


def test_makes_differ_in_tone():
    greys = np.array([0.05, 0.18, 0.5, 0.9])
    curves = np.array([make.tone(greys) for make in MAKES])
    assert np.ptp(curves, axis=0).min() > 0.004


def test_exif_as_cipa_dc_008_has_it():
    """CIPA DC-008: DateTimeOriginal 0x9003, OffsetTimeOriginal 0x9011, FocalLengthIn35mmFilm 0xA405."""
    exif = Image.open(io.BytesIO(shoot(flat(0.2), Phone(), seed=1, taken=TAKEN))).getexif()
    detail = exif.get_ifd(ExifTags.IFD.Exif)
    assert detail[0x9003] == "2026:04:02 10:41:00"
    assert detail[0x9011] == "+01:00"
    assert detail[0xA405] == 26
    assert exif[0x010F] == "Invented"
    naive = Image.open(io.BytesIO(shoot(flat(0.2), Phone(), seed=1, taken=TAKEN.replace(tzinfo=None))))
    assert 0x9011 not in naive.getexif().get_ifd(ExifTags.IFD.Exif)


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
def test_orientation_comes_back_upright(orientation):
    light = flat(0.05)
    light[:12, :20] = (0.8, 0.1, 0.1)  # a red corner, top left
    jpeg = shoot(light, replace(PLAIN, orientation=orientation), seed=1, taken=TAKEN, white=1.0)
    picture = opened(jpeg)
    assert picture.shape == (48, 64, 3)
    assert picture[4, 6, 0] > 200 > picture[40, 6, 0]
    assert Image.open(io.BytesIO(jpeg)).size == ((64, 48) if orientation in (1, 3) else (48, 64))


def test_shot_noise_variance_is_the_mean():
    """Photon counts are Poisson: variance equals mean (physics; the normal limit of it is used)."""
    phone = replace(PLAIN, electrons_at_white=1000.0, read_electrons=0.0)
    raw = _sensor(flat(0.4, (200, 300)), phone, np.random.default_rng(5))
    reds = raw[2:-2:2, 2:-2:2, 0]  # at a red pixel demosaicing returns what was caught
    assert reds.mean() * 1000 == pytest.approx(400, rel=0.01)
    assert (reds * 1000).var() == pytest.approx(400, rel=0.05)


def test_vignetting_loses_what_it_says_in_the_corner():
    light = _lens(flat(1.0, (90, 120)), Phone(vignetting=0.3))
    assert light[0, 0, 0] == pytest.approx(0.7, abs=0.01)
    assert light[45, 60, 0] == pytest.approx(1.0, abs=0.001)


def test_white_balance_and_exposure_move_the_right_way():
    base = opened(shoot(flat(0.2), PLAIN, seed=1, taken=TAKEN, white=1.0)).mean((0, 1))
    warm = replace(PLAIN, white_balance_stops=(1.0, -1.0))
    warmed = opened(shoot(flat(0.2), warm, seed=1, taken=TAKEN, white=1.0)).mean((0, 1))
    assert warmed[0] > base[0] + 20
    assert warmed[2] < base[2] - 20
    brighter = opened(shoot(flat(0.2), replace(PLAIN, exposure_stops=1.0), seed=1, taken=TAKEN, white=1.0))
    assert brighter.mean() == pytest.approx(169.6, abs=1.5)  # linear 0.4 by IEC 61966-2-1


def test_wrong_white_balance_burns_out_to_white():
    """A channel that is raised clips where the sensor does, at code 255: nothing else can say it did."""
    warm = replace(PLAIN, white_balance_stops=(1.5, -1.5))
    bright = opened(shoot(flat(4.0), warm, seed=1, taken=TAKEN, white=1.0))
    assert bright.min() == 255
    red = opened(shoot(flat(0.6), warm, seed=1, taken=TAKEN, white=1.0)).mean((0, 1))
    assert red[0] > 254 > red[1] > red[2]


def test_blur_softens_and_keeps_the_light():
    light = np.zeros((60, 80, 3), np.float32)
    light[:, 40:] = 0.5
    for blurred in (
        _lens(light, replace(PLAIN, defocus_px=3.0)),
        _lens(light, replace(PLAIN, shake_px=7.0, shake_deg=0.0)),
    ):
        assert np.abs(np.diff(blurred[30, :, 0])).max() < 0.2
        assert blurred.mean() == pytest.approx(light.mean(), rel=0.02)


def test_meter_ignores_the_scale_of_the_light():
    light = np.random.default_rng(2).uniform(0.1, 0.3, (30, 50, 3)).astype(np.float32)
    assert metered(light * 40) * 40 == pytest.approx(metered(light), rel=1e-3)
    assert metered(flat(0.05)) * 0.05 == pytest.approx(GREY, rel=1e-2)


@pytest.mark.parametrize("light", [np.zeros((4, 6)), np.zeros((4, 6, 4)), np.full((4, 6, 3), np.nan)])
def test_no_picture_is_refused(light):
    with pytest.raises(PhotoError, match="finite"):
        shoot(light, Phone(), seed=1, taken=TAKEN)


def test_the_project_reads_its_own_phone(tmp_path):
    """What `turfeye.photo` takes from the file is what went into it (checks: f35 / 43.2666 × diagonal)."""
    from turfeye import photo

    light = np.random.default_rng(0).uniform(0, [0.2, 0.5, 0.1], (480, 640, 3)).astype(np.float32)
    path = tmp_path / "a.jpg"
    path.write_bytes(shoot(light, Phone(orientation=6), seed=1, taken=TAKEN))
    read = photo.read(path)
    assert read.rgb_coded.shape == (480, 640, 3)
    assert read.taken == TAKEN
    assert read.focal_px == pytest.approx(26 / 43.2666 * 800, rel=1e-3)
