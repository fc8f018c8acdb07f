"""A cell's green: how sure its colour is, when it is withheld, what coarsely coded colour does to it."""

from __future__ import annotations

import dataclasses
import io

import cv2
import numpy as np
import pytest
from PIL import Image
from test_cells import HEIGHT, WIDTH, camera, shares_of, sound
from test_colour import CURVES, card, photographed, sighting

from turfeye import cells, colour, colourmatrix, leafcolour, reflectance
from turfeye.colourmatrix import apply_matrix
from turfeye.colourspace import LUMINANCE, decode, dgci, encode
from turfeye.covererror import Conditions
from turfeye.records import Correction, Pixels

GREENS = np.array([[87, 108, 67], [60, 90, 40], [100, 130, 60], [40, 62, 25], [30, 40, 16]])
"""Coded sRGB; first the green standard disk of Rorie et al. 2011 (from memory), the others are ours."""


def plain(gain) -> Correction:
    """A plain sRGB camera that gave each channel 1 / gain of its light."""
    return Correction((0.0, 0.0), np.array(gain), None, 1.0, 2.0, 0.02, card(), darkest_code=60.0)


def index(linear):
    return dgci(encode(np.clip(linear, 0, 1)))


# --------------------------------------------------------------------------------------- how sure it is


def test_the_error_told_for_dark_codes_is_that_of_published_tone_curves():
    # the curves' sources stand in test_colour
    misses, told = [], []
    for curve in CURVES:
        for exposure in (0.2, 0.4, 0.8):
            for cast in ([1, 1, 1], [1.4, 1, 0.5], [0.6, 1, 1.5]):
                light = exposure * np.array(cast) / max(cast)
                values = card()
                got = colour.fit(sighting(photographed(values.rgb_linear, curve, cast=light), values), values)
                codes = 255 * curve(decode(GREENS) * light)
                read = apply_matrix(colour.tone_to_linear(codes, got.tone) * got.gain, got.matrix)
                misses.append(index(read) - dgci(GREENS))
                told.append(leafcolour.index_se(codes, got))
    ratio = np.abs(np.ravel(misses)) / np.ravel(told)
    print(f"within 1 and 2: {np.mean(ratio < 1):.2f}, {np.mean(ratio < 2):.2f}")
    assert 0.6 < np.mean(ratio < 1) < 0.95
    assert np.mean(ratio < 2) > 0.9


def test_darker_codes_are_less_sure():
    got = plain([1.0, 1.0, 1.0])
    told = [float(leafcolour.index_se(k * np.array([[95.0, 110, 60]]), got)[0]) for k in (1, 0.5, 0.2, 0.05)]
    assert told == sorted(told)
    assert told[0] < 0.005
    assert told[-1] > leafcolour.MOST_INDEX_SE


def test_what_the_grey_steps_leave_open_is_in_the_error():
    got = plain([1.0, 1.0, 1.0])
    red = dataclasses.replace(got, fit_cov=np.diag([0.1**2, 0, 0, 0, 0]))
    codes = np.array([[90.0, 110, 60]])
    by_hand = abs(float(index(decode(codes) * [1.1, 1, 1])[0] - index(decode(codes) / [1.1, 1, 1])[0]) / 2)
    extra = np.sqrt(leafcolour.index_se(codes, red) ** 2 - leafcolour.index_se(codes, got) ** 2)
    assert extra == pytest.approx(by_hand, rel=0.1)


# ------------------------------------------------------------------------------- green without leaves


def pixels_of(codes, *, share=1.0, correction=None):
    """A picture of these codes, each in its own columns, green all over by a share ``share``."""
    picture = np.empty((HEIGHT, WIDTH, 3), np.uint8)
    for part, code in zip(np.array_split(np.arange(WIDTH), len(codes)), codes, strict=True):
        picture[:, part] = code
    correction = correction or plain([1.0, 1.0, 1.0])
    linear = reflectance.to_linear(picture, correction)
    green = shares_of(np.full((HEIGHT, WIDTH), share))
    return Pixels(camera(), picture, linear, green, correction, 0.0)


EVERYWHERE = np.ones((HEIGHT, WIDTH), bool)
FOLIAGE, YELLOW_GREEN, YELLOW, SKIN = (87, 108, 67), (157, 188, 64), (231, 199, 31), (115, 82, 68)
"""Of the 24-patch colour chart (McCamy, Marcus and Davidson 1976), coded sRGB from memory."""


@pytest.mark.parametrize(
    ("codes", "leafless"),
    [
        ([FOLIAGE], False),
        ([YELLOW_GREEN], False),
        ([YELLOW], True),
        ([SKIN], True),
        ([FOLIAGE, *[YELLOW] * 4], False),  # a fifth of leaves among dry ones are leaves
        ([FOLIAGE, *[YELLOW] * 19], True),
    ],
)
def test_green_without_a_leaf_s_colour_is_told_by_the_card(codes, leafless):
    assert leafcolour.leafless(pixels_of(codes), EVERYWHERE) == leafless


def test_where_nothing_is_surely_green_or_no_card_tells_colours_nothing_is_said():
    assert not leafcolour.leafless(pixels_of([YELLOW], share=0.5), EVERYWHERE)
    assert not leafcolour.leafless(pixels_of([YELLOW]), ~EVERYWHERE)
    lamp = plain([1.0, 1.0, 2 * leafcolour.MOST_CAST])
    assert not leafcolour.leafless(pixels_of([YELLOW], correction=lamp), EVERYWHERE)
    unknown = dataclasses.replace(pixels_of([YELLOW]), correction=None)
    assert not leafcolour.leafless(unknown, EVERYWHERE)


def test_a_colour_of_which_the_correction_leaves_less_than_nothing_is_a_leaf_s():
    deep = pixels_of([FOLIAGE])
    deep = dataclasses.replace(deep, rgb_linear=deep.rgb_linear - np.float32([0.3, 0, 0]))
    with np.errstate(all="raise"):
        assert not leafcolour.leafless(deep, EVERYWHERE)


def test_cover_without_a_leaf_s_colour_is_a_guess():
    pixels = pixels_of([YELLOW])
    grid = cells.spot_grid(pixels.view, 0.1)
    sure, guess = (
        cells.measure(pixels, sound(), grid, conditions=Conditions(leafless=told)) for told in (False, True)
    )
    seen = sure.state == "seen"
    assert (guess.cover[seen] == sure.cover[seen]).all()
    more = np.sqrt(guess.cover_se[seen] ** 2 - sure.cover_se[seen] ** 2)
    assert more == pytest.approx(leafcolour.LEAFLESS_SE * sure.cover[seen])


# ------------------------------------------------------------------------------------------- withheld


def measured(codes, correction, *, linear=None, smear_px=0.0, green=1.0):
    """Cells of a picture of these camera codes, green all over or by a share ``green`` of every pixel."""
    picture = np.empty((HEIGHT, WIDTH, 3), np.uint8)
    picture[:] = codes
    picture += np.random.default_rng(0).integers(0, 3, picture.shape, dtype=np.uint8)
    seen = camera()
    linear = reflectance.to_linear(picture, correction) if linear is None else linear
    pixels = Pixels(seen, picture, linear, shares_of(np.full((HEIGHT, WIDTH), green)), correction, smear_px)
    return cells.measure(pixels, sound(), cells.spot_grid(seen, 0.1))


def test_colour_too_dark_to_tell_is_withheld_with_the_reason_and_cover_stays():
    dark = measured([20, 16, 2], plain([1.0, 1.0, 3.0]))
    seen = dark.state == "seen"
    assert seen.any()
    assert (dark.why[seen] == leafcolour.TOO_DARK).all()
    for name in leafcolour.NAMES:
        assert np.isnan(getattr(dark, name)).all()
    assert np.nanmin(dark.cover[seen]) > 0.9
    assert leafcolour.hints(dark) == [leafcolour.ADVICE[leafcolour.TOO_DARK]]
    some = dark.why.copy()
    some[np.flatnonzero(seen)[:2]] = leafcolour.TOO_SMEARED  # a few for another reason are not "most"
    assert leafcolour.hints(dataclasses.replace(dark, why=some)) == [leafcolour.ADVICE[leafcolour.TOO_DARK]]
    light = measured([90, 108, 66], plain([1.0, 1.0, 1.0]))
    assert (light.why[light.state == "seen"] == "").all()
    assert light.dgci[light.state == "seen"] == pytest.approx(float(dgci(np.array([91, 109, 67]))), abs=0.002)
    assert np.nanmax(light.dgci_se) < 0.01
    assert leafcolour.hints(light) == []


def test_colours_as_the_phone_makes_them_are_less_sure():
    known, none = plain([1.0, 1.0, 1.0]), np.zeros((0, 3))
    own = dataclasses.replace(known, unread_cov=colourmatrix.unread_cov(none, colour.CARD_COLOURS))
    told = [measured([90, 108, 66], correction) for correction in (known, own)]
    by_steps, alone = (table.dgci_se[np.isfinite(table.dgci_se)] for table in told)
    unread = leafcolour.unread_se(np.array([[90.0, 108, 66]]), own)
    assert alone == pytest.approx(np.hypot(by_steps, unread), rel=0.02)
    # by so much 16 rendered photos were off without these steps
    assert leafcolour.unread_se(GREENS[1:].astype(float), own).mean() == pytest.approx(0.038, abs=0.01)
    # with little else that is unsure it is too much, and the reason is the card's
    dim = measured([60, 90, 40], dataclasses.replace(own, evened=0.2))
    assert set(dim.why[dim.state == "seen"]) == {leafcolour.FEW_STEPS}
    assert leafcolour.hints(dim) == [leafcolour.ADVICE[leafcolour.FEW_STEPS]]


def test_colour_that_hangs_on_how_far_it_was_smeared_is_withheld():
    far = np.broadcast_to(decode(np.array([90, 108, 40.0])), (HEIGHT, WIDTH, 3)).astype(np.float32)
    table = measured([90, 108, 66], plain([1.0, 1.0, 1.0]), linear=far, smear_px=0.8)
    assert (table.why[table.state == "seen"] == leafcolour.TOO_SMEARED).all()
    assert np.isnan(table.dgci).all()


@pytest.mark.parametrize("smear_px", [0.0, 0.8])
def test_a_picture_without_green_has_no_colour_and_no_reason(smear_px):
    # with a matrix, as a card's coloured steps set one: bare soil on the day of sowing ended the program
    correction = dataclasses.replace(plain([1.0, 1.0, 1.0]), matrix=np.eye(3))
    table = measured([90, 90, 90], correction, smear_px=smear_px, green=0.0)
    assert np.isnan(table.dgci).all()
    assert (table.why[table.state == "seen"] == "").all()


# ------------------------------------------------------------------------------- colour coded coarsely

BLADE, SOIL = np.array([0.10, 0.16, 0.05]), np.array([0.05, 0.042, 0.032])


def blades():
    """Leaning stripes of one green, 3 to 6 pixels wide, on dark soil: (H, W, 3) light and (H, W) share."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[:300.0, :420.0]
    share = np.zeros(y.shape)
    for _ in range(90):
        angle, at, half = rng.uniform(0, np.pi), rng.uniform(0, 420, 2), rng.uniform(1.5, 3)
        across = (x - at[0]) * np.sin(angle) - (y - at[1]) * np.cos(angle)
        along = (x - at[0]) * np.cos(angle) + (y - at[1]) * np.sin(angle)
        blade = np.clip(half + 0.5 - np.abs(across), 0, 1) * (np.abs(along) < 25)
        share = np.maximum(share, blade)
    return share[..., None] * BLADE + (1 - share[..., None]) * SOIL, share


def filed(light, *, denoise_px, subsampling):
    """The picture as a JPEG holds it (ISO/IEC 10918-1), subsampling 2 is 4:2:0, 0 is 4:4:4; before that its
    colour, not its luminance, is smoothed."""
    if denoise_px:
        luma = (light @ LUMINANCE.astype(float))[..., None]
        light = np.clip(luma + cv2.GaussianBlur(light - luma, (0, 0), denoise_px), 0, 1)
    file = io.BytesIO()
    coded = np.rint(encode(light)).astype(np.uint8)
    Image.fromarray(coded).save(file, "JPEG", quality=95, subsampling=subsampling)
    return np.array(Image.open(file))


CASTS = np.array([[1.5, 1.0, 0.5], [1.0, 1.0, 1.0], [0.55, 1.0, 1.5]])


def read(picture, correction, smear_px):
    """Light of every pixel, smear of more than 0 pixels taken back, (N, 3)."""
    if not smear_px:
        return reflectance.to_linear(picture, correction).reshape(-1, 3)
    places = np.arange(picture.shape[0] * picture.shape[1])
    return reflectance.unsmeared(picture, correction, smear_px=smear_px, places=places)


def off(*, smear_px, denoise_px=0.0, subsampling=2):
    """How far the index of the blades' brighter half is off, in a warm, a neutral and a cold file."""
    light, share = blades()
    misses = []
    for cast in CASTS:
        picture = filed(light * cast, denoise_px=denoise_px, subsampling=subsampling)
        green = read(picture, plain(1 / cast), smear_px)[share.ravel() >= leafcolour.GREEN]
        luma = green @ LUMINANCE
        misses.append(index(green[luma >= luma.mean()]).mean() - index(BLADE))
    return np.array(misses)


def test_coding_colour_at_half_the_size_turns_blades_under_a_cast():
    whole, half = off(smear_px=0, subsampling=0), off(smear_px=0)
    assert np.ptp(whole) < 0.25 * np.ptp(half)
    assert half[0] > half[1] > half[2]  # too blue in a warm photo, too yellow in a cold one
    assert np.ptp(off(smear_px=0.5)) < 0.5 * np.ptp(half)  # it acts like half a pixel


@pytest.mark.parametrize("denoise_px", [0.6, 1.0, 1.2])
def test_smeared_colour_is_taken_back(denoise_px):
    before, after = (
        off(smear_px=0, denoise_px=denoise_px),
        off(smear_px=reflectance.SMEAR_PX, denoise_px=denoise_px),
    )
    assert np.ptp(after) < 0.6 * np.ptp(before)
    assert np.abs(after).mean() < 0.6 * np.abs(before).mean()


@pytest.mark.parametrize("denoise_px", [0.0, 0.6, 1.0, 1.2])
def test_how_much_was_taken_back_is_as_much_as_it_can_be_off(denoise_px):
    before, after = (
        off(smear_px=0, denoise_px=denoise_px),
        off(smear_px=reflectance.SMEAR_PX, denoise_px=denoise_px),
    )
    assert (np.abs(after) < np.abs(after - before) + 0.01).all()


def test_an_even_picture_has_nothing_to_take_back():
    picture = np.full((31, 47, 3), [70, 95, 40], np.uint8)
    got = plain([1.3, 1.0, 2.2])
    np.testing.assert_allclose(read(picture, got, 0.8), read(picture, got, 0), rtol=1e-5)


def test_of_a_picture_made_small_nothing_is_taken_back():
    assert reflectance.smear_px(1.0) == reflectance.SMEAR_PX
    assert reflectance.smear_px(0.99 * reflectance.LEAST_SMEAR_PX / reflectance.SMEAR_PX) == 0
    picture = np.random.default_rng(1).integers(0, 256, (31, 47, 3)).astype(np.uint8)
    got = plain([1.3, 1.0, 2.2])
    assert not np.array_equal(read(picture, got, 0.8), read(picture, got, 0))


def test_smear_is_taken_back_at_the_places_asked_for():
    picture = np.random.default_rng(2).integers(0, 256, (31, 47, 3)).astype(np.uint8)
    places = np.array([0, 46, 700, 31 * 47 - 1])
    some = reflectance.unsmeared(picture, plain([1.3, 1.0, 2.2]), smear_px=0.8, places=places)
    np.testing.assert_allclose(some, read(picture, plain([1.3, 1.0, 2.2]), 0.8)[places], rtol=1e-5)
