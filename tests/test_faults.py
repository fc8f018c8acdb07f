import dataclasses
import time
from pathlib import Path

import bench_faults as bench
import cv2
import numpy as np
import pytest
from PIL import Image
from posing import homography_of, photo_of, shoot, through

from turfeye import (
    card,
    caveats,
    colourspace,
    faults,
    glance,
    lighting,
    onlawn,
    photo,
    retake,
    sharpness,
    soilcolour,
)
from turfeye.blocks import Blocks
from turfeye.card_layout import CARD as LAYOUT
from turfeye.records import CardValues, Correction, Pixels, Shares

SAMPLES = Path(__file__).parents[1] / "sample_images" / "trial-spots" / "photos"

SIZE = (600, 840)
CARD = np.array([[120, 90], [330, 90], [330, 240], [120, 240]], dtype=float)
SUN = 0.55  # linear light at which a perfect white gives code 196


def turf(seed=0, blades=15_000, size=SIZE):
    """Strokes of green over soil: linear light of a lawn in even sun, and what is green. Invented."""
    rng = np.random.default_rng(seed)
    height, width = size
    soil = rng.normal(0, 1, (height // 4, width // 4)).astype(np.float32)
    soil = cv2.resize(soil, (width, height), interpolation=cv2.INTER_CUBIC)
    soil += rng.normal(0, 0.6, size).astype(np.float32)
    light = np.array([0.17, 0.12, 0.08]) * np.exp(0.25 * soil)[..., None]
    green = np.zeros(size, np.uint8)
    start = rng.uniform([0, 0], [width, height], (blades, 2))
    angle, length = rng.uniform(0, 2 * np.pi, blades), rng.uniform(12, 40, blades)
    end = start + (length * [np.cos(angle), np.sin(angle)]).T
    tone = np.array([0.07, 0.13, 0.035]) * np.exp(rng.normal(0, 0.45, (blades, 1)))
    for a, b, colour_ in zip(start, end, tone, strict=True):
        p, q = (tuple(int(v) for v in point) for point in (a, b))
        cv2.line(light, p, q, colour_.tolist(), 2)
        cv2.line(green, p, q, 1, 2)
    return light, green.astype(np.float32)


LIGHT, GREEN = turf()


def picture(light=LIGHT, *, exposure=SUN * 3, noise=1.5, seed=1):
    coded = colourspace.encode(light * exposure)
    return np.clip(coded + np.random.default_rng(seed).normal(0, noise, coded.shape), 0, 255).astype(np.uint8)


def shares(green=GREEN, other=None):
    other = np.zeros_like(green) if other is None else other.astype(np.float32)
    nothing = np.zeros_like(green)
    return Shares(green * (1 - other), nothing, (1 - green) * (1 - other), other)


def correction(exposure=SUN * 3):
    values = CardValues(("grey",), np.full((1, 3), 0.18), np.array([True]), False)
    return Correction((0.0, 0.0), np.full(3, 1 / exposure), None, 1.0, 2.0, 0.02, values)


def found(rgb, **options):
    options.setdefault("shares", shares())
    return faults.find(rgb, **options)


def share_of(got, code, where=np.s_[:]):
    return float((got.fault[where] == code).mean())


# ---------------------------------------------------------------------------------------------- false alarms


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("blades", [0, 2_000, 15_000])
def test_sound_pictures_stay_clean(seed, blades):
    light, green = turf(seed, blades)
    got = found(picture(light, seed=seed), shares=shares(green), correction=correction())
    assert (got.fault > 0).mean() < 0.01
    assert not got.other_light.any()
    assert retake.hints(got) == ()


@pytest.mark.parametrize("cast", [(1.0, 0.8, 0.55), (0.8, 1.0, 1.15)])
def test_a_cast_is_no_fault(cast):
    got = found(picture(LIGHT * cast))
    assert retake.hints(got) == ()


def test_half_bare_is_no_shade():
    light, green = turf(4)
    soil, _ = turf(4, 0)
    light[:, 420:], green[:, 420:] = soil[:, 420:], 0
    got = found(picture(light), shares=shares(green), correction=correction())
    assert not got.shade_edge
    assert not got.other_light.any()


def test_a_lens_that_darkens_a_little_is_no_fault():
    assert not found(picture(LIGHT * bowl(0.25))).corners.any()


# ------------------------------------------------------------------------------------------------- exposure


def test_burnt_out_is_found_where_it_is():
    light = LIGHT.copy()
    light[:, 560:] *= 30
    got = found(picture(light))
    assert share_of(got, faults.BURNT, np.s_[:, 580:]) > 0.9
    assert share_of(got, faults.BURNT, np.s_[:, :540]) == 0
    assert any(h.startswith("burnt out in the right third") for h in retake.hints(got))


def test_too_dark_says_where_and_what_to_do():
    light = LIGHT.copy()
    light[:, :270] *= 0.02
    got = found(picture(light))
    assert share_of(got, faults.DARK, np.s_[:, :260]) > 0.95
    assert share_of(got, faults.DARK, np.s_[:, 300:]) == 0
    assert "too dark in the left third: turn round or wait for cloud" in retake.hints(got)


# ----------------------------------------------------------------------------------------------------- blur


def streak(length, angle):
    kernel = np.zeros((length, length), np.float32)
    kernel[length // 2] = 1
    centre = (length - 1) / 2
    kernel = cv2.warpAffine(kernel, cv2.getRotationMatrix2D((centre, centre), angle, 1), (length, length))
    return kernel / kernel.sum()


@pytest.mark.parametrize("angle", [0, 45, 90, 135])
@pytest.mark.parametrize("length", [9, 15])
def test_movement(angle, length):
    got = found(picture(cv2.filter2D(LIGHT, -1, streak(length, angle))))
    assert share_of(got, faults.MOVED) > 0.75
    assert share_of(got, faults.SOFT) < 0.2
    assert retake.hints(got)[0].startswith("blurred by movement")


@pytest.mark.parametrize("sigma", [2.0, 3.0])
def test_out_of_focus(sigma):
    got = found(picture(cv2.GaussianBlur(LIGHT, (0, 0), sigma)))
    assert share_of(got, faults.SOFT) > 0.8
    assert share_of(got, faults.MOVED) < 0.1


def test_half_in_focus():
    light = LIGHT.copy()
    light[:200] = cv2.GaussianBlur(LIGHT, (0, 0), 3)[:200]
    got = found(picture(light))
    assert share_of(got, faults.SOFT, np.s_[:170]) > 0.8
    assert share_of(got, faults.SOFT, np.s_[240:]) < 0.02
    assert retake.hints(got)[0].startswith("out of focus in the upper third")


@pytest.mark.parametrize("sigma", [4, 12])
def test_the_wider_the_blur_the_less_it_passes_for_sharp(sigma):
    """A blur that leaves no texture at all is told by that: no ground in focus is so flat."""
    got = found(picture(cv2.GaussianBlur(LIGHT, (0, 0), sigma), noise=0.5))
    assert share_of(got, faults.SOFT) > 0.95


@pytest.mark.parametrize(("noise", "sigma"), [(0, 0), (1, 0), (0, 0.7)])
def test_even_colours_with_sharp_edges_are_not_out_of_focus(noise, sigma):
    """As one draws a lawn: squares of green and brown, hardly any texture, a few edges, some smoothed."""
    height, width = LIGHT.shape[:2]
    green = np.kron(np.random.default_rng(3).random((3, 4)) < 0.5, np.ones((height // 3, width // 4)))
    light = np.where(green[..., None] > 0, (0.07, 0.2, 0.04), (0.08, 0.05, 0.03))
    light = cv2.GaussianBlur(light, (0, 0), sigma) if sigma else light
    assert share_of(found(picture(light, noise=noise)), faults.SOFT) < 0.1


def test_a_flat_sky_above_a_sharp_lawn_is_not_out_of_focus():
    light = LIGHT.copy()
    light[:240] = 0.3
    got = found(picture(light, noise=0.5))
    assert share_of(got, faults.SOFT, np.s_[:220]) == 0
    assert share_of(got, faults.SOFT, np.s_[260:]) < 0.02


@pytest.mark.parametrize("angle", [22, 67, 110])
def test_a_slight_movement_is_told_in_the_photos_own_direction(angle):
    got = found(picture(cv2.filter2D(LIGHT, -1, streak(7, angle))))
    assert share_of(got, faults.MOVED) > 0.75


def test_broad_leaves_are_neither_soft_nor_moved():
    """Smooth inside and sharp at the edge, as many leaves of field crops are."""
    rng = np.random.default_rng(3)
    light = LIGHT.copy()
    for x, y in rng.uniform([0, 0], [840, 600], (700, 2)).astype(int).tolist():
        tone = np.array([0.07, 0.15, 0.04]) * np.exp(rng.normal(0, 0.35))
        cv2.ellipse(light, (x, y), (26, 14), rng.uniform(0, 180), 0, 360, tone.tolist(), -1)
    got = found(picture(light))
    assert share_of(got, faults.SOFT) < 0.01
    assert share_of(got, faults.MOVED) < 0.01


def combed(spread_deg, lean_deg=0.0):
    """Blades over soil that lean within so many degrees of one direction."""
    rng = np.random.default_rng(4)
    light, _ = turf(4, 0)
    for x, y in rng.uniform([0, 0], [840, 600], (15_000, 2)).tolist():
        turn, length = np.radians(rng.normal(lean_deg, spread_deg)), rng.uniform(12, 40)
        tone = np.array([0.07, 0.13, 0.035]) * np.exp(rng.normal(0, 0.45))
        tip = int(x + length * np.cos(turn)), int(y + length * np.sin(turn))
        cv2.line(light, (int(x), int(y)), tip, tone.tolist(), 2)
    return light


def test_ridges_across_the_picture_are_no_movement():
    """Grass that stands up, on ground that rises and falls in rows, as far lawns and furrows look."""
    rng = np.random.default_rng(3)
    blades = cv2.GaussianBlur(rng.normal(0, 40, (900, 1400)), (0, 0), 0.9, sigmaY=1.0)
    ridges = cv2.GaussianBlur(rng.normal(0, 1, (900, 1400)), (0, 0), 60, sigmaY=9)
    luma = np.clip(110 + blades + ridges * 25 / ridges.std(), 0, 255).round().astype(np.uint8)
    assert not sharpness.moved(luma, Blocks(luma.shape, 24)).any()


@pytest.mark.parametrize("lean_deg", [0, 45])
@pytest.mark.parametrize("spread_deg", [3, 10, 40])
def test_blades_that_lean_one_way_are_not_moved(spread_deg, lean_deg):
    assert share_of(found(picture(combed(spread_deg, lean_deg))), faults.MOVED) < 0.01


@pytest.mark.parametrize("angle", [0, 45, 90])
def test_combed_blades_are_moved_where_they_are(angle):
    got = found(picture(cv2.filter2D(combed(10), -1, streak(9, angle))))
    assert share_of(got, faults.MOVED) + share_of(got, faults.SOFT) > 0.75


# ---------------------------------------------------------------------------------------------------- white


def test_wet_glare():
    light = LIGHT.copy()
    rng = np.random.default_rng(8)
    for x, y in rng.uniform([300, 0], [840, 600], (4_000, 2)).astype(int).tolist():
        cv2.circle(light, (x, y), 2, (0.7, 0.7, 0.7), -1)
    got = found(picture(light))
    assert share_of(got, faults.GLARE, np.s_[:, 340:]) > 0.7
    assert share_of(got, faults.GLARE, np.s_[:, :280]) == 0
    assert any("wet glare" in hint for hint in retake.hints(got))


def test_snow():
    light = LIGHT.copy()
    light[300:] = np.array([0.72, 0.75, 0.80]) * np.exp(
        0.05 * np.random.default_rng(1).normal(0, 1, (300, 840, 1))
    )
    got = found(picture(light, exposure=1.0), correction=correction(1.0))
    assert share_of(got, faults.SNOW, np.s_[340:]) > 0.9
    assert share_of(got, faults.SNOW, np.s_[:260]) == 0


def test_smooth_snow_is_snow_before_it_is_out_of_focus():
    light = LIGHT.copy()
    light[300:] = cv2.GaussianBlur(np.random.default_rng(1).normal(1, 0.2, (300, 840)), (0, 0), 3)[..., None]
    light[300:] *= np.array([0.72, 0.75, 0.80])
    got = found(picture(light, exposure=1.0), correction=correction(1.0))
    assert share_of(got, faults.SNOW, np.s_[340:]) > 0.9
    assert share_of(got, faults.SOFT, np.s_[340:]) == 0


def test_bluish_snow_is_snow_and_a_blue_thing_is_none():
    """A correction that errs leaves snow up to a fifth too blue; a pale blue thing is bluer than that."""
    for blue, expected in ((0.97, 1), (1.6, 0)):
        light = LIGHT.copy()
        light[300:] = np.array([0.55, 0.60, 0.60 * blue * 1.3])
        got = found(picture(light, exposure=0.75), correction=correction(0.75))
        assert share_of(got, faults.SNOW, np.s_[340:]) == pytest.approx(expected, abs=0.05), blue


def test_pale_dry_soil_is_not_snow():
    light, _ = turf(3, 0)
    got = found(
        picture(light * [2.4, 2.9, 3.6], exposure=1.0), shares=shares(0 * GREEN), correction=correction(1.0)
    )
    assert share_of(got, faults.SNOW) == 0


def test_chalky_soil_is_not_snow():
    """Paler than any soil of the simulator, and almost grey: linear 0.45, 0.42, 0.36."""
    light, _ = turf(3, 0)
    chalk = light / light.mean(axis=(0, 1)) * [0.45, 0.42, 0.36]
    got = found(picture(chalk, exposure=1.0), shares=shares(0 * GREEN), correction=correction(1.0))
    assert share_of(got, faults.SNOW) == 0


# ---------------------------------------------------------------------------------------------------- light


def shaded(mask, depth=5.0):
    """Shade: less light, and bluer (the sky's)."""
    soft = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 4)[..., None]
    return LIGHT * (1 - soft + soft * np.array([0.9, 1.0, 1.25]) / depth)


def half():
    mask = np.zeros(SIZE, bool)
    mask[:, 420:] = True
    return mask


@pytest.mark.parametrize(("hidden", "told"), [(0.04, False), (0.4, True), (0.6, True)])
def test_hoar_frost_on_a_part_of_the_blades(hidden, told):
    """Such turf read 26 % green for 78, with no word; as many daisies as hide a 25th of it are none."""
    specks = cv2.GaussianBlur(np.random.default_rng(3).normal(size=LIGHT.shape[:2]), (0, 0), 3)
    white = (specks > np.quantile(specks, 1 - hidden))[..., None]
    frosted = np.where(white, [0.60, 0.62, 0.65], LIGHT)
    got = found(picture(frosted, exposure=SUN), correction=correction(SUN))
    assert (share_of(got, faults.SNOW) > 0.8) == told
    assert told or share_of(got, faults.SNOW) == 0


@pytest.mark.parametrize("depth", [3.0, 6.0])
def test_shade_while_the_card_is_in_the_sun(depth):
    got = found(picture(shaded(half(), depth)), correction=correction(), card_px=CARD)
    assert got.shade_edge
    assert got.other_light[:, 445:].mean() > 0.97
    assert got.other_light[:, :395].mean() < 0.03
    assert any("differs from that on the card" in hint for hint in retake.hints(got))


def test_sun_while_the_card_is_in_shade():
    light = shaded(~half(), 5.0)
    got = found(picture(light, exposure=SUN * 5), correction=correction(SUN), card_px=CARD)
    assert got.other_light[:, 445:].mean() > 0.97
    assert got.other_light[:, :395].mean() < 0.03


def test_all_the_lawn_in_other_light_than_the_card():
    got = found(picture(LIGHT / 12, exposure=SUN * 3), correction=correction(SUN * 3), card_px=CARD)
    assert got.other_light.mean() > 0.9


def test_without_a_correction_a_shade_edge_is_only_a_hint():
    got = found(picture(shaded(half())))
    assert not got.other_light.any()
    assert any(hint.startswith("the edge of a shadow crosses the picture") for hint in retake.hints(got))


def bowl(lost):
    height, width = SIZE
    y, x = np.mgrid[:height, :width]
    r2 = ((x - width / 2) ** 2 + (y - height / 2) ** 2) / ((width**2 + height**2) / 4)
    return (1 - lost * r2)[..., None]


def test_dark_corners_of_the_lens():
    got = found(picture(LIGHT * bowl(0.7)), correction=correction())
    assert got.corners[:60, :80].mean() > 0.9
    assert not got.corners[150:450, 200:640].any()
    assert got.other_light[:60, :80].mean() > 0.9  # their colour is withheld
    assert share_of(got, 0) > 0.99  # and their cover kept
    assert any(hint.startswith("dark corners") for hint in retake.hints(got))


# --------------------------------------------------------------------------------------------------- things


def test_a_shoe_on_the_lawn():
    light, other = LIGHT.copy(), np.zeros(SIZE)
    cv2.ellipse(light, (600, 400), (110, 45), 30, 0, 360, (0.02, 0.03, 0.15), -1)
    cv2.ellipse(other, (600, 400), (110, 45), 30, 0, 360, 1, -1)
    got = found(picture(light), shares=shares(other=other))
    assert share_of(got, faults.THING, other > 0) > 0.85
    assert share_of(got, faults.THING, other == 0) < 0.005
    assert any(hint.startswith("something lies on the lawn") for hint in retake.hints(got))


def test_small_stones_are_no_thing():
    light, other = LIGHT.copy(), np.zeros(SIZE)
    for x, y in np.random.default_rng(5).uniform([10, 10], [830, 590], (300, 2)).astype(int).tolist():
        cv2.circle(light, (x, y), 3, (0.3, 0.3, 0.28), -1)
        cv2.circle(other, (x, y), 3, 1, -1)
    assert share_of(found(picture(light), shares=shares(other=other)), faults.THING) == 0


def test_fallen_leaves():
    light, leaf = LIGHT.copy(), np.zeros(SIZE, np.uint8)
    for x, y in np.random.default_rng(2).uniform([40, 40], [800, 560], (60, 2)).astype(int).tolist():
        cv2.ellipse(light, (x, y), (16, 11), x % 180, 0, 360, (0.34, 0.12, 0.03), -1)
        cv2.ellipse(leaf, (x, y), (16, 11), x % 180, 0, 360, 1, -1)
    got = found(picture(light), shares=shares(other=leaf))
    assert share_of(got, faults.LEAVES, leaf > 0) > 0.8
    assert share_of(got, faults.LEAVES, leaf == 0) < 0.01
    assert any(hint.startswith("fallen leaves") for hint in retake.hints(got))


def test_leaves_that_are_read_as_soil():
    light, leaf = turf(5, 6_000)[0], np.zeros(SIZE, np.uint8)
    for x, y in np.random.default_rng(2).uniform([40, 40], [400, 560], (60, 2)).astype(int).tolist():
        cv2.ellipse(light, (x, y), (22, 14), x % 180, 0, 360, (0.34, 0.12, 0.03), -1)
        cv2.ellipse(leaf, (x, y), (22, 14), x % 180, 0, 360, 1, -1)
    got = found(picture(light), shares=shares(turf(5, 6_000)[1] * (leaf == 0)))
    assert share_of(got, faults.LEAVES, leaf > 0) > 0.6
    assert share_of(got, faults.LEAVES, leaf == 0) < 0.01


def test_the_card_is_not_lawn():
    got = found(picture(), card_px=CARD)
    assert share_of(got, faults.CARD, np.s_[90:240, 120:330]) == 1
    assert share_of(got, faults.CARD, np.s_[260:, :]) == 0
    assert retake.hints(got) == ()


def test_hints_look_at_the_lawn_only():
    light = LIGHT.copy()
    light[:, :270] *= 0.02
    lawn = np.ones(SIZE, bool)
    lawn[:, :280] = False
    assert retake.hints(found(picture(light), lawn=lawn)) == ()


def test_a_quarter_of_codes_as_numpy_has_it():
    rng = np.random.default_rng(2)
    for _ in range(200):
        codes = rng.integers(0, rng.integers(1, 256), rng.integers(1, 40)).astype(np.uint8)
        assert faults._lower_quarter(codes) == pytest.approx(np.quantile(codes, 0.25), abs=1e-9)


def test_quick_enough():
    rgb = np.tile(picture(), (2, 1, 1))  # one megapixel
    both = Shares(*(np.tile(share, (2, 1)) for share in (GREEN, 0 * GREEN, 1 - GREEN, 0 * GREEN)))
    best = 1.0
    for _ in range(5):
        start = time.process_time()
        found(rgb, shares=both, correction=correction())
        best = min(best, time.process_time() - start)
    assert (
        best < 0.09
    )  # 30 ms on a core of one's own; processor time, so that other work on the machine does not count


def test_reddish_soil_is_no_fallen_leaf():
    light, _ = turf(6, 0)
    got = found(picture(light * [1.6, 0.8, 0.45]), shares=shares(0 * GREEN))
    assert share_of(got, faults.LEAVES) == 0


def test_a_black_shoe_that_is_read_as_soil():
    light, there = LIGHT.copy(), np.zeros(SIZE, np.float32)
    grain = np.exp(0.2 * np.random.default_rng(3).normal(0, 1, SIZE))[..., None]
    cv2.ellipse(there, (600, 400), (80, 32), 30, 0, 360, 1, -1)
    light = np.where(there[..., None] > 0, np.array([0.022, 0.021, 0.022]) * grain, light)
    got = found(picture(light), shares=shares(GREEN * (1 - there)), correction=correction(), card_px=CARD)
    assert share_of(got, faults.THING, there > 0) > 0.7
    assert share_of(got, faults.THING, there == 0) < 0.005
    assert any(hint.startswith("something lies on the lawn") for hint in retake.hints(got))  # 1.6 % of it


def test_soil_in_shade_is_no_thing():
    got = found(picture(shaded(half(), 5.0)), correction=correction(), card_px=CARD)
    assert share_of(got, faults.THING) < 0.002


def test_clods_of_the_soils_own_colour_are_no_thing():
    """Without a card nothing says how large they are, and the classifier takes large ones for other."""
    light, green = turf(6, 2_000)
    other = np.zeros(SIZE)
    for x, y in np.random.default_rng(5).uniform([60, 60], [780, 540], (25, 2)).astype(int).tolist():
        cv2.circle(other, (x, y), 40, 1, -1)
    got = found(picture(light), shares=shares(green, other=other))
    assert share_of(got, faults.THING) < 0.002
    assert retake.hints(got) == ()
    cv2.circle(light, (400, 300), 60, (0.02, 0.05, 0.25), -1)
    cv2.circle(other, (400, 300), 60, 1, -1)
    got = found(picture(light), shares=shares(green, other=other))
    assert share_of(got, faults.THING, np.s_[270:330, 370:430]) == 1


def test_hoar_frost():
    layer = np.clip(0.7 + 0.12 * np.random.default_rng(4).normal(0, 1, (300, 840, 1)), 0, 1)
    light = LIGHT.copy()
    light[300:] = light[300:] * (1 - layer) + np.array([0.70, 0.75, 0.82]) * layer
    got = found(picture(light, exposure=1.0), correction=correction(1.0))
    assert share_of(got, faults.SNOW, np.s_[340:]) > 0.9
    assert share_of(got, faults.SNOW, np.s_[:260]) == 0
    assert any(hint.startswith("snow or frost") for hint in retake.hints(got))


def test_frost_on_one_side_leaves_the_other_its_light(tmp_path):
    """Put into a sample photo and measured whole: nothing more of the sound part is marked than before."""
    path, (put, codes) = SAMPLES / "2026-04-13-spot-3.jpg", bench.FAULTS["hoar frost, 70 %"]
    before = bench.marked_cells(glance.look(path))
    mask = bench.spoiled(path, put, 8, tmp_path / "frosty.jpg")
    counts, _ = bench.score(glance.look(tmp_path / "frosty.jpg"), mask, codes, before)
    assert counts[3] >= 20
    assert counts[4] == 0
    assert counts[2] >= 0.9 * counts[0]


def test_wet_blades_in_the_sun_are_no_frost(tmp_path):
    """They were told as frost on dense turf: "wait until it has gone", in May."""
    path, (put, codes) = SAMPLES / "2026-05-06-spot-1.jpg", bench.FAULTS["wet glare"]
    before = bench.marked_cells(glance.look(path))
    mask = bench.spoiled(path, put, 2, tmp_path / "wet.jpg")
    one = glance.look(tmp_path / "wet.jpg")
    counts, hints = bench.score(one, mask, codes, before)
    assert counts[0] >= 20
    assert counts[2] >= 0.9 * counts[0]
    assert faults.REASONS[faults.SNOW] not in one.table.why
    assert any(hint.startswith("wet glare") for hint in hints)


@pytest.mark.parametrize("half_lit", [False, True])
def test_of_three_lights_one_is_the_cards(half_lit):
    """Shade on the left, glare below, and a card in the sun or on the shade's edge."""
    log_light = np.random.default_rng(0).normal(-3.0, 0.15, (150, 210))
    log_light[:, :90] -= 1.6
    log_light[110:, :] += 3.2
    card_px = np.zeros(SIZE, bool)
    card_px[100:220, slice(300, 480) if half_lit else slice(500, 700)] = True
    lit = dataclasses.replace(correction(), half_lit=half_lit)
    other, several = lighting.other_light(log_light, np.zeros_like(log_light), lit, card_px)
    assert several
    assert other[:110, :90].all()
    assert other[110:].mean() > 0.99
    assert other[:110, 90:].mean() < 0.01


def test_a_dark_side_is_no_dark_corner():
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    dark = x + 0.6 * y < 330
    got = found(picture(np.where(dark[..., None], LIGHT * 0.01, LIGHT)), correction=correction())
    assert share_of(got, faults.DARK, dark) > 0.8
    assert not got.corners.any()


def test_black_gaps_between_leaves_are_not_too_dark():
    light = LIGHT.copy()
    for x, y in np.random.default_rng(7).uniform([30, 30], [800, 560], (60, 2)).astype(int).tolist():
        light[y : y + 13, x : x + 17] *= 0.03
    got = found(picture(light))
    assert share_of(got, faults.DARK) < 0.003
    assert retake.hints(got) == ()


def test_overexposed_turf_is_burnt_out_before_its_blue_is():
    light = LIGHT.copy()
    light[:, 420:] = np.minimum(light[:, 420:] * 12, [9, 9, 0.4])
    got = found(picture(light))
    assert share_of(got, faults.BURNT, np.s_[:, 450:]) > 0.9
    assert share_of(got, faults.BURNT, np.s_[:, :400]) == 0


# ------------------------------------------------------------------------------------------- the card itself


def bent(rgb, up_m, *, height_m, half_m=0.13):
    """A picture from straight above of a card whose short ends stand up: what is higher seems further out."""
    height, width = rgb.shape[:2]
    x, y = np.meshgrid(np.arange(width), np.arange(height))
    from_x, from_y = x - (width - 1) / 2, y - (height - 1) / 2
    lift = up_m * np.clip(from_x / (FOCAL * half_m / height_m), -1, 1) ** 2
    nearer = 1 - lift / height_m
    to_x, to_y = from_x * nearer + (width - 1) / 2, from_y * nearer + (height - 1) / 2
    return cv2.remap(rgb, to_x.astype(np.float32), to_y.astype(np.float32), cv2.INTER_LINEAR)


FOCAL, SHOT = 1500, (1500, 1100)


@pytest.mark.parametrize(("up_m", "said"), [(0.0, False), (0.01, False), (0.06, True)])
def test_a_bent_card_is_said(up_m, said):
    square_on = homography_of(focal_px=FOCAL, size_px=SHOT, distance_m=1.0, tilt_deg=0)
    sighting = card.find(photo_of(bent(shoot({3: square_on}, SHOT), up_m, height_m=1.0)))
    words = caveats.of_card(sighting, None, spot=True)
    assert any("does not lie flat" in word for word in words) == said
    assert said or not words


def test_a_card_with_a_mark_missing_is_said():
    square_on = homography_of(focal_px=FOCAL, size_px=SHOT, distance_m=1.0, tilt_deg=4)
    spot = tuple(int(v) for v in through(square_on, LAYOUT.marker_centres_mm[2] / 1000))
    rgb = shoot({3: square_on}, SHOT, lie=lambda light: cv2.circle(light, spot, 30, (0.9, 0.9, 0.9), -1))
    assert "only 3 of the card's 4 marks" in caveats.of_card(card.find(photo_of(rgb)), None, spot=True)[0]


@pytest.mark.parametrize(("across", "much"), [(120, " (15 % of it)"), (50, "")])
def test_how_much_of_the_ground_things_take_up_is_said_where_it_is_much(across, much):
    other, light = np.zeros(SIZE), LIGHT.copy()
    other[:, 300 : 300 + across] = 1
    light[other > 0] = [0.05, 0.08, 0.30]
    said = retake.hints(found(picture(light), shares=shares(other=other), correction=correction()))
    assert any(words.startswith("something lies on the lawn") and f"{much}: move" in words for words in said)
    assert any("% of it" in words for words in said) == bool(much)


SHEET = np.array([[300, 250], [500, 250], [500, 390], [300, 390]], float)


@pytest.mark.parametrize(
    ("rows", "cols", "moved", "told"),
    [
        ((150, 490), (200, 600), (0, 0), True),  # a table
        ((150, 490), (200, 505), (0, 0), False),  # its edge: turf on one side
        ((245, 395), (295, 505), (0, 0), False),  # a board as large as the sheet
        ((0, 600), (0, 800), (-290, -240), True),  # in a corner of the picture: two sides show
        ((0, 600), (0, 800), (-290, -400), False),  # one side alone tells nothing
    ],
)
def test_a_card_that_lies_on_a_thing_is_told(rows, cols, moved, told):
    other = np.zeros(SIZE)
    other[slice(*rows), slice(*cols)] = 1
    assert faults.raised(shares(other=other), SHEET + moved) is told


def test_a_card_on_a_table_makes_lengths_too_short_and_is_told(tmp_path):
    """The table is painted about the card of a sample photo, which is rendered."""
    path = SAMPLES / "2026-04-24-spot-3.jpg"
    with Image.open(path) as untouched:
        rgb, header = np.array(untouched.convert("RGB")), untouched.getexif()
    corners = card.find(photo.read(path)).corners_px
    keep, board = (np.zeros(rgb.shape[:2], np.uint8) for _ in range(2))
    for mask, times in ((keep, 1.12), (board, 2.0)):
        out = corners.mean(axis=0) + times * (corners - corners.mean(axis=0))
        cv2.fillPoly(mask, [np.rint(out).astype(np.int32)], 1)
    grain = np.random.default_rng(1).normal(0, 2, rgb.shape)
    table = np.clip(np.array([150, 148, 152]) + grain, 0, 255).astype(np.uint8)
    spoiled = np.where(((board > 0) & (keep == 0))[..., None], table, rgb)
    Image.fromarray(spoiled).save(tmp_path / path.name, quality=93, exif=header)
    assert caveats.RAISED in glance.look(tmp_path / path.name).warnings
    assert caveats.RAISED not in glance.look(path).warnings


def test_an_edging_along_the_outline_is_no_thing_left_on_the_lawn():
    lawn = np.zeros(SIZE, bool)
    lawn[100:500, 120:720] = True
    light, rim, pot = LIGHT.copy(), np.zeros(SIZE), np.zeros(SIZE)
    rim[470:500, 120:720] = 1  # bricks stand a little over the marked line
    pot[280:360, 380:460] = 1
    for other, said in ((rim, False), (rim + pot, True)):
        light[other > 0] = [0.05, 0.08, 0.30]
        seen = found(picture(light), shares=shares(other=other), correction=correction(), lawn=lawn)
        assert any("something lies" in hint for hint in retake.hints(seen)) is said
        assert (seen.fault[480:490, 200:600] == faults.THING).mean() > 0.9  # but no turf is measured there


def test_what_has_the_colour_of_the_lawns_soil():
    bed, lawn, green = np.zeros(SIZE), np.ones(SIZE, bool), GREEN.copy()
    bed[200:400, 300:500] = 1  # bare ground that a classifier takes for something else
    green[:, 620:] = 0
    light = LIGHT.copy()
    light[(bed > 0) | (np.arange(SIZE[1]) >= 620)] = [0.17, 0.12, 0.08]
    told = shares(green=green, other=bed)
    soil = soilcolour.places(picture(light), told, correction(), lawn)
    assert soil[210:390, 310:490].mean() > 0.95
    within = lawn & (np.arange(SIZE[1]) > 400)
    assert not soilcolour.places(picture(light), told, correction(), within)[:, :400].any()
    light[bed > 0] = [0.10, 0.10, 0.30]
    assert soilcolour.places(picture(light), told, correction(), lawn)[210:390, 310:490].mean() < 0.05
    no_soil = shares(green=np.ones_like(GREEN))
    assert not soilcolour.places(picture(light), no_soil, correction(), lawn).any()


@pytest.mark.parametrize(("across", "told"), [(120, True), (40, False)])
def test_wide_ground_of_the_soils_colour_is_soil_and_a_little_may_be_a_shoe(across, told):
    """Real soil between rows of turf was "fallen leaves" and "something": its cells were not measured."""
    taken = np.zeros(SIZE)
    taken[:, 300 : 300 + across] = 1  # 14 and 5 % of the picture
    light, green = turf(4, 2_000)
    pixels = Pixels(None, picture(light), light, shares(green * (1 - taken), other=taken), correction(), 0.0)
    right = onlawn.with_ground(pixels, None).shares
    assert bool((right.other[:, 310 : 290 + across] < 0.5).mean() > 0.9) is told
    np.testing.assert_allclose(right.bare + right.other, pixels.shares.bare + pixels.shares.other)
    assert onlawn.with_ground(dataclasses.replace(pixels, correction=None), None).shares is pixels.shares
    blue = np.where(taken[..., None] > 0, np.array([0.05, 0.06, 0.3]), light)
    a_cover = dataclasses.replace(pixels, rgb_coded=picture(blue))
    assert (onlawn.with_ground(a_cover, None).shares.other[:, 310 : 290 + across] == 1).all()


@pytest.mark.parametrize(
    ("equivalent_mm", "said"), [(13.0, True), (16.0, True), (23.0, False), (77.0, False)]
)
def test_a_very_wide_lens_is_said(equivalent_mm, said):
    """A lens that bends the rim by a quarter put cells of 0.1 m into their neighbours with no word said."""
    shot = photo_of(np.zeros((300, 400, 3), np.uint8), equivalent_mm * photo.focal_from_35mm(1.0, (400, 300)))
    assert any("very wide lens" in words for words in caveats.of_lens(shot)) == said


@pytest.mark.parametrize(
    ("size", "camera", "said"),
    [
        ((432, 936), None, True),
        ((432, 936), "Maker One", False),
        ((1400, 400), "Maker One", True),
        ((400, 300), None, False),
        ((480, 270), None, False),
    ],
)
def test_a_picture_of_a_screen_s_or_a_panorama_s_shape_is_said(size, camera, said):
    shot = dataclasses.replace(photo_of(np.zeros((size[1], size[0], 3), np.uint8)), camera=camera)
    assert any("longer and narrower" in words for words in caveats.of_lens(shot)) == said


@pytest.mark.parametrize(("noise", "said"), [(0.004, False), (0.06, True)])
def test_a_photo_taken_in_too_little_light_is_said_to_be_grainy(noise, said):
    """Of ten photos of real turf in ever less light, cover was 17 points too low where its error told 11."""
    square_on = homography_of(focal_px=FOCAL, size_px=SHOT, distance_m=1.0, tilt_deg=0)
    grain = caveats.grain_of(card.find(photo_of(shoot({3: square_on}, SHOT, noise=noise))))
    assert (grain > 0) == said
    assert any("grainy" in words for words in caveats.of_light(0.3, grain)) == said
