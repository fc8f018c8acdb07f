import csv
import dataclasses
import math
import time
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from turfeye import colour, colourmatrix, colourspace, leafcolour, reflectance
from turfeye.card_layout import NOMINAL
from turfeye.colourmatrix import apply_matrix, root_polynomial
from turfeye.colourspace import decode, delta_e, dgci, encode, hsb, lab
from turfeye.errors import ColourError
from turfeye.records import CardValues, Sighting

RNG = np.random.default_rng


def card(*, measured: bool = False) -> CardValues:
    return dataclasses.replace(NOMINAL, measured=measured)


def sighting(codes: np.ndarray, values: CardValues, *, clipped: np.ndarray | None = None) -> Sighting:
    if clipped is None:
        clipped = (codes >= 252).any(axis=1) | (codes.max(axis=1) <= 3)
    corners = np.zeros((4, 4, 2))
    spread = np.full(len(codes), 0.02)
    return Sighting(
        0, corners, corners, np.eye(3), 0.3, np.zeros((4, 2)), values.names, codes, spread, clipped, 0.02
    )


def srgb(x: np.ndarray) -> np.ndarray:
    return encode(x) / 255


def narkowicz(x: np.ndarray) -> np.ndarray:
    """Filmic curve by K. Narkowicz (2015), "ACES filmic tone mapping curve"."""
    return srgb(x * (2.51 * x + 0.03) / (x * (2.43 * x + 0.59) + 0.14))


def hable(x: np.ndarray) -> np.ndarray:
    """Filmic curve by J. Hable (2010), "Filmic tonemapping operators"; white at 11.2."""

    def bend(y):
        return (y * (0.15 * y + 0.05) + 0.004) / (y * (0.15 * y + 0.5) + 0.06) - 0.02 / 0.3

    return srgb(bend(6 * x) / bend(11.2))


def smoothstep(x: np.ndarray) -> np.ndarray:
    v = srgb(x)
    return 0.3 * v + 0.7 * v * v * (3 - 2 * v)


def reinhard(x: np.ndarray) -> np.ndarray:
    """E. Reinhard et al. (2002), ACM Transactions on Graphics 21, 267-276, equation 4."""
    return srgb(1.5 * x * (1 + 1.5 * x / 4) / (1 + 1.5 * x))


def bt709(x: np.ndarray) -> np.ndarray:
    """Rec. ITU-R BT.709-6, item 1.2."""
    return np.where(x < 0.018, 4.5 * x, 1.099 * np.maximum(x, 1e-9) ** 0.45 - 0.099)


CURVES = [srgb, narkowicz, hable, smoothstep, reinhard, bt709]


def photographed(linear, curve=srgb, *, cast=(0.8, 0.7, 0.5), noise=0.0, seed=0):
    v = np.clip(255 * curve(np.asarray(linear) * np.asarray(cast)), 0, 255)
    return np.clip(np.rint(v + RNG(seed).normal(0, noise, v.shape)), 0, 255)


# ------------------------------------------------------------------------------------------- definitions


def test_srgb_at_known_points():
    # IEC 61966-2-1, computed from its definition
    assert encode(np.array([0.18, 0.5])) == pytest.approx([117.646, 187.516], abs=5e-4)
    assert decode(np.array(118.0)) == pytest.approx(0.181164, abs=5e-7)


@given(st.floats(0, 255))
def test_decode_undoes_encode(code):
    assert float(encode(decode(np.array(code)))) == pytest.approx(code, abs=1e-3)


def test_an_18_percent_grey_is_lightness_49_5():
    # CIE 15: L* = 116 (Y)^(1/3) - 16
    assert lab(np.full((1, 2, 3), 0.18))[0, 1] == pytest.approx([49.496, 0, 0], abs=1e-3)


def test_dgci_of_the_standard_disks():
    # Rorie et al. 2011: 0.5722 and 0.0733 (values from memory), from HSB rounded to whole numbers; here from
    # the nominal sRGB of Munsell 6.7GY 4.2/4.1 and 5Y 8/11.1
    disks = np.array([[87, 108, 67], [231, 199, 31]])
    hue, saturation, brightness = hsb(disks)
    assert (
        np.rint(hue).tolist(),
        np.rint(100 * saturation).tolist(),
        np.rint(100 * brightness).tolist(),
    ) == (
        [91, 50],
        [38, 87],
        [42, 91],
    )
    assert dgci(disks) == pytest.approx([0.5722, 0.0733], abs=0.003)


def test_dgci_against_its_definition():
    # Karcher and Richardson 2003, computed from the published formula
    got = dgci(np.array([[0, 255, 0], [0, 128, 0], [100, 130, 60], [60, 90, 40]]))
    assert got == pytest.approx([0.3333, 0.4993, 0.4601, 0.5638], abs=5e-5)


def test_dgci_of_the_disks_by_their_munsell_colour():
    # Munsell renotation by colour-science, C to D65 by Bradford, unrounded: 0.5661 and 0.0695
    reference = import_module("colour")
    coded = []
    for name in ("6.7GY 4.2/4.1", "5Y 8/11.1"):
        xyz = reference.xyY_to_XYZ(reference.munsell_colour_to_xyY(name))
        light_c = reference.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["C"]
        coded.append(255 * reference.XYZ_to_RGB(xyz, "sRGB", light_c, "Bradford", apply_cctf_encoding=True))
    got = dgci(np.array(coded))
    assert got == pytest.approx([0.5661, 0.0695], abs=5e-4)
    assert got == pytest.approx([0.5722, 0.0733], abs=0.010)


def test_raw_hue_is_not_held():
    assert float(hsb(np.array([231, 199, 31]))[0]) == pytest.approx(50.4, abs=0.05)


@given(st.tuples(st.integers(0, 255), st.integers(0, 255), st.integers(0, 255)))
def test_hsb_agrees_with_colorsys(rgb):
    import colorsys

    h, s, v = colorsys.rgb_to_hsv(*(c / 255 for c in rgb))
    got = [float(x) for x in hsb(np.array(rgb))]
    assert got == pytest.approx([360 * h, s, v], abs=1e-6)


# Sharma, Wu and Dalal 2005, table 1: some of the 34 pairs that break careless code
SHARMA = [
    ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
    ((50, -1.3802, -84.2814), (50, 0, -82.7485), 1.0000),
    ((50, 0, 0), (50, -1, 2), 2.3669),
    ((50, 2.49, -0.001), (50, -2.49, 0.0009), 7.1792),
    ((50, 2.49, -0.001), (50, -2.49, 0.0010), 7.1792),
    ((50, 2.49, -0.001), (50, -2.49, 0.0011), 7.2195),
    ((50, -0.001, 2.49), (50, 0.0011, -2.49), 4.7461),
    ((50, 2.5, 0), (50, 0, -2.5), 4.3065),
    ((50, 2.5, 0), (73, 25, -18), 27.1492),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ((22.7233, 20.0904, -46.694), (23.0331, 14.973, -42.5619), 2.0373),
    ((2.0776, 0.0795, -1.135), (0.9033, -0.0636, -0.5514), 0.9082),
]


@pytest.mark.parametrize(("one", "two", "want"), SHARMA)
def test_ciede2000_of_published_pairs(one, two, want):
    assert float(delta_e(np.array(one), np.array(two))) == pytest.approx(want, abs=1e-4)


def test_ciede2000_agrees_with_scikit_image():
    from skimage.color import deltaE_ciede2000

    one, two = RNG(3).uniform([0, -80, -80], [100, 80, 80], (2, 40, 30, 3))
    assert delta_e(one, two) == pytest.approx(deltaE_ciede2000(one, two), abs=1e-6)


def test_lab_agrees_with_scikit_image():
    from skimage.color import rgb2lab

    coded = RNG(1).integers(0, 256, (40, 30, 3))
    got = lab(decode(coded))
    assert np.abs(got - rgb2lab(coded / 255.0)).max() < 0.02  # its white point is rounded


def test_root_polynomial_against_the_paper():
    # Finlayson et al. 2015, degree 2; the numbers are colour-science's for polynomial_expansion_Finlayson2015
    rgb = np.array([0.17224810, 0.09170660, 0.06416938])
    want = [*rgb, 0.12568328, 0.07671216, 0.10513350]
    assert root_polynomial(rgb) == pytest.approx(want, abs=1e-8)
    reference = import_module("colour.characterisation")
    assert root_polynomial(rgb) == pytest.approx(
        reference.polynomial_expansion_Finlayson2015(rgb, 2, True), abs=1e-12
    )


def test_vegetation_indices_against_spyndex():
    spyndex = import_module("spyndex")
    table = np.array(
        [[87, 108, 67], [231, 199, 31], [60, 90, 40], [140, 120, 90], [30, 200, 60]], dtype=float
    )
    share = table / table.sum(axis=1, keepdims=True)
    pairs = {
        "ExG": colourspace.excess_green(table),
        "NGRDI": colourspace.green_red_difference(table),
        "VARI": colourspace.visible_resistant_index(table),
        "GLI": colourspace.green_leaf_index(table),
    }
    for name, got in pairs.items():
        bands = share if name == "ExG" else table
        r, g, b = bands.T
        assert got == pytest.approx(spyndex.computeIndex(name, {"R": r, "G": g, "B": b}), abs=1e-12), name
    # computed from the definitions
    assert [round(float(v[0]), 4) for v in pairs.values()] == [0.2366, 0.1077, 0.1641, 0.1676]


# ----------------------------------------------------------------------------------------- tone and fit


@given(st.floats(-1.5, 1.5), st.floats(-2, 2))
def test_tone_curve_rises_everywhere(a, b):
    light = colour.tone_to_linear(np.arange(256.0), (a, b))
    assert np.all(np.diff(light) > 0)
    assert (light[0], light[-1]) == (0.0, pytest.approx(1.0))


def test_tone_zero_is_srgb():
    codes = np.arange(256.0)
    assert colour.tone_to_linear(codes, (0.0, 0.0)) == pytest.approx(decode(codes), abs=1e-6)


@pytest.mark.parametrize("curve", CURVES)
@pytest.mark.parametrize("exposure", [0.5, 0.8])
def test_fit_undoes_published_curves(curve, exposure):
    values = card()
    cast = exposure * np.array([1.0, 0.85, 0.62])
    got = colour.fit(sighting(photographed(values.rgb_linear, curve, cast=cast), values), values)
    light = np.geomspace(0.04, 0.75, 40)[:, None] * np.ones(3)
    read = colour.tone_to_linear(255 * curve(light * cast), got.tone) * got.gain
    miss = np.log(read / light)
    assert np.sqrt(np.mean(miss**2)) < 0.035
    assert got.delta_e_mean < 2.0


@pytest.mark.parametrize("curve", CURVES)
def test_standard_disks_through_a_cast_photo(curve):
    # Rorie et al. 2011: the disks' index is 0.5722 and 0.0733 (values from memory)
    values = card()
    cast = np.array([0.75, 0.62, 0.45])
    got = colour.fit(sighting(photographed(values.rgb_linear, curve, cast=cast, noise=0.5), values), values)
    disks = np.repeat(decode(np.array([[[87, 108, 67]], [[231, 199, 31]]])), 90, axis=1)
    seen = photographed(disks, curve, cast=cast, noise=2.0, seed=5).astype(np.uint8)
    mean = reflectance.to_linear(seen, got).mean(axis=1)
    assert dgci(encode(mean)) == pytest.approx([0.5722, 0.0733], abs=0.02)
    assert np.abs(dgci(seen.mean(axis=1)) - [0.5722, 0.0733]).max() > 0.03  # what the cast had done


def test_fit_survives_a_shaded_step():
    values = card()
    clean = photographed(values.rgb_linear, hable, cast=(0.8, 0.7, 0.5))
    light = values.rgb_linear.copy()
    light[3] *= 0.35
    shaded = photographed(light, hable, cast=(0.8, 0.7, 0.5))
    a = colour.fit(sighting(clean, values), values)
    b = colour.fit(sighting(shaded, values), values)
    assert b.gain == pytest.approx(a.gain, rel=0.02)
    assert b.delta_e_mean < 2.5  # the shaded step is not scored as if it were sound


@pytest.mark.parametrize("curve", CURVES)
def test_a_card_half_in_shadow_is_read_by_its_sunlit_half(curve):
    values, cast = card(), np.array([0.75, 0.62, 0.45])
    shaded = np.array([0, 1, 2, 9, 10, 11, 12, 13, 14])  # the left half: the lower greys run the other way
    light = values.rgb_linear.copy()
    light[shaded] *= 0.2 * np.array([0.8, 1.0, 1.3])  # the sky's own light
    whole = colour.fit(sighting(photographed(values.rgb_linear, curve, cast=cast), values), values)
    got = colour.fit(sighting(photographed(light, curve, cast=cast), values), values)
    assert got.half_lit
    assert not whole.half_lit
    assert got.delta_e_mean < 2.5
    green = photographed(decode(np.array([[87, 108, 67]])), curve, cast=cast)
    linear = [apply_matrix(colour.tone_to_linear(green, c.tone) * c.gain, c.matrix) for c in (got, whole)]
    index = dgci(encode(np.array(linear)))
    assert index[0] == pytest.approx(index[1], abs=0.02)


@pytest.mark.parametrize(("steps", "refused"), [(3, False), (2, True)])
def test_a_shadow_across_a_bright_photos_card_needs_three_sunlit_greys(steps, refused):
    """The sunlit half burns out from its lightest step on, and that is the reason told, not the shadow's."""
    values = card()
    lit = np.isin(np.arange(18), [0, 1, 2, 3, 5, 10, 15, 17])
    light = np.where(lit, 1.0, 0.2)[:, None]
    codes = photographed(values.rgb_linear * light, hable)
    whole = dataclasses.replace(sighting(codes, values), twins_differ=1.4)
    greys = np.flatnonzero(lit & values.neutral)
    burnt = np.isin(np.arange(18), greys[np.argsort(-values.rgb_linear[greys, 1])][: len(greys) - steps])
    codes = np.where(burnt[:, None], 255.0, codes)
    bright = dataclasses.replace(whole, patch_rgb_coded=codes, patch_clipped=burnt)
    if refused:
        with pytest.raises(ColourError, match=r"wanted 3 readable grey steps in the sunlit part.*burnt out"):
            colour.fit(bright, values)
        return
    got, all_read = colour.fit(bright, values), colour.fit(whole, values)
    assert got.half_lit
    assert all_read.half_lit
    turf = photographed(np.array([[0.05, 0.1, 0.03]]), hable)
    seen, known = (
        apply_matrix(colour.tone_to_linear(turf, c.tone) * c.gain, c.matrix) for c in (got, all_read)
    )
    told = np.hypot(leafcolour.index_se(turf, got), leafcolour.unread_se(turf, got))
    assert np.abs(dgci(encode(seen)) - dgci(encode(known))) < 2 * told
    assert seen.mean() == pytest.approx(known.mean(), rel=0.05)


def test_two_dirty_patches_amid_clean_ones_are_no_shadow():
    """No straight edge has the second grey's neighbours on one side and it and a green on the other."""
    values = card()
    light = values.rgb_linear.copy()
    light[[2, 14]] = [0.09, 0.055, 0.03]  # wet loam: common practice, no source
    clean = colour.fit(sighting(photographed(values.rgb_linear, hable), values), values)
    dirty = colour.fit(sighting(photographed(light, hable), values), values)
    assert not dirty.half_lit
    assert dirty.gain == pytest.approx(clean.gain, rel=0.02)


def test_a_card_printed_without_colours_gives_gains_only():
    values = card()
    light = values.rgb_linear.copy()
    light[12:] = (light[12:] @ colourspace.LUMINANCE)[:, None]
    got = colour.fit(sighting(photographed(light, hable), values), values)
    whole = colour.fit(sighting(photographed(values.rgb_linear, hable), values), values)
    assert got.grey_print
    assert got.own_colours
    assert not whole.own_colours
    assert not whole.grey_print
    assert got.matrix is None
    assert got.gain == pytest.approx(whole.gain, rel=0.01)
    assert got.delta_e_mean < 2.5  # its coloured steps are not scored


def test_clipped_steps_are_left_out():
    values = card()
    codes = photographed(values.rgb_linear, cast=(1.6, 1.5, 1.2))
    assert (codes >= 252).any()
    got = colour.fit(sighting(codes, values), values)
    assert got.gain == pytest.approx([1 / 1.6, 1 / 1.5, 1 / 1.2], rel=0.04)


def test_the_error_of_a_lawns_light_is_honest():
    misses, told = [], []
    values, cast = card(), np.array([0.8, 0.7, 0.6])
    seen = photographed(np.full((1, 3), colour.LAWN_LIGHT), cast=cast)
    for seed in range(120):
        printed = values.rgb_linear.copy()
        printed[:12] *= np.exp(RNG(seed).normal(0, 0.025, (12, 1)))
        got = colour.fit(sighting(photographed(printed, cast=cast, noise=0.4, seed=seed), values), values)
        misses.append(np.log((colour.tone_to_linear(seen, got.tone) * got.gain).mean() / colour.LAWN_LIGHT))
        told.append(got.light_se)
    assert 0.6 < np.std(misses) / np.mean(told) < 1.5


def test_measured_colours_carry_a_matrix():
    values = card(measured=True)
    mix = np.array([[0.78, 0.18, 0.04], [0.10, 0.82, 0.08], [0.02, 0.20, 0.78]])
    codes = photographed(values.rgb_linear @ mix.T, cast=(0.8, 0.7, 0.6))
    got = colour.fit(sighting(codes, values), values)
    plain = colour.fit(sighting(codes, values), dataclasses.replace(values, measured=False))
    assert got.matrix is not None
    assert got.delta_e_mean < 0.8 * plain.delta_e_mean


@pytest.mark.parametrize("boost", [1.0, 1.12, 1.25])
@pytest.mark.parametrize("seed", range(3))
def test_a_phones_saturation_is_undone_by_nominal_colours(boost, seed):
    # the disks of Rorie et al. 2011 again; each coloured step printed a little wrong (CIEDE2000 about 2)
    values = card()
    grey = np.array([0.2126, 0.7152, 0.0722])
    boosted = boost * np.eye(3) + (1 - boost) * grey
    printed = values.rgb_linear.copy()
    printed[12:] *= np.exp(RNG(seed).normal(0, 0.03, (6, 3)))
    cast = np.array([0.7, 0.62, 0.5])
    got = colour.fit(sighting(photographed(printed @ boosted.T, hable, cast=cast), values), values)
    disks = decode(np.array([[87, 108, 67], [60, 90, 40], [100, 130, 60]]))
    read = colour.tone_to_linear(photographed(disks @ boosted.T, hable, cast=cast), got.tone) * got.gain
    index = dgci(encode(apply_matrix(read, got.matrix)))
    assert index == pytest.approx([0.5722, 0.5638, 0.4601], abs=0.025)


@pytest.mark.parametrize(("steps", "within"), [(2, 0.02), (1, 0.03), (0, None)])
def test_a_phones_colours_are_undone_by_the_few_steps_that_a_bright_photo_leaves(steps, within):
    """As above, by the darkest coloured steps alone: the others burn out first."""
    values = card()
    grey = np.array([0.2126, 0.7152, 0.0722])
    boosted = 1.25 * np.eye(3) - 0.25 * grey
    codes = photographed(values.rgb_linear @ boosted.T, hable, cast=(0.7, 0.62, 0.5))
    darkest = 12 + np.argsort(values.rgb_linear[12:].max(axis=1))
    clipped = np.isin(np.arange(18), darkest[steps:])
    got = colour.fit(sighting(codes, values, clipped=clipped), values)
    assert got.own_colours == (steps == 0)
    disks = decode(np.array([[87, 108, 67], [60, 90, 40], [100, 130, 60]]))
    read = colour.tone_to_linear(photographed(disks @ boosted.T, hable, cast=(0.7, 0.62, 0.5)), got.tone)
    off = np.abs(dgci(encode(apply_matrix(read * got.gain, got.matrix))) - [0.5722, 0.5638, 0.4601])
    told = leafcolour.unread_se(photographed(disks @ boosted.T, hable, cast=(0.7, 0.62, 0.5)), got)
    assert (off < 2.5 * told).all()  # with a saturation as high as phones have
    if within is None:
        assert 0.04 < off.max() < 0.12  # what the phone's own colours do to them
    else:
        assert off.max() < within


def test_a_single_grey_card_gives_gains_only():
    values = CardValues(("grey",), np.full((1, 3), 0.18), np.array([True]), True)
    got = colour.fit(sighting(np.array([[120.0, 100.0, 80.0]]), values), values)
    assert got.gain == pytest.approx(0.18 / decode(np.array([120, 100, 80])), rel=1e-3)
    assert got.tone == pytest.approx((0, 0), abs=1e-6)


def test_burnt_out_card_is_refused():
    values = card()
    codes = photographed(values.rgb_linear, cast=(0.8, 0.8, 0.8))
    clipped = np.arange(18) > 1
    with pytest.raises(ColourError, match=r"at least 3 readable grey steps.*got 2.*take the photo again"):
        colour.fit(sighting(codes, values, clipped=clipped), values)


def test_every_step_that_burns_out_makes_the_colour_less_sure():
    values = card()
    codes = photographed(values.rgb_linear, hable, cast=(0.7, 0.62, 0.5))
    brightest = 12 + np.argsort(-values.rgb_linear[12:].max(axis=1))
    green = photographed(decode(np.array([[87.0, 108, 67]])), hable, cast=(0.7, 0.62, 0.5))
    lost = [np.isin(np.arange(18), brightest[:count]) for count in range(7)]
    fitted = [colour.fit(sighting(codes, values, clipped=clipped), values) for clipped in lost]
    told = [float(leafcolour.unread_se(green, one)[0]) for one in fitted]
    assert told[0] == pytest.approx(0, abs=1e-6)
    assert (np.diff(told) > 0).all()
    assert 0.02 < told[-1] < 0.05
    assert [round(18 * one.unread) for one in fitted] == list(range(7))


@pytest.mark.parametrize("stops", [1.0, 1.5, 2.0, 2.5])
@pytest.mark.parametrize("curve", CURVES)
def test_a_photo_that_an_editor_made_darker_can_be_read(curve, stops):
    """Its white then lies at a middling code, where no camera's curve has its shoulder."""
    values = card()
    codes = np.rint(encode(decode(photographed(values.rgb_linear, curve)) * 2.0**-stops))
    got = colour.fit(sighting(codes, values), values)
    grey = colour.tone_to_linear(codes[:12], got.tone) * got.gain
    assert np.median(np.abs(np.log(grey / values.rgb_linear[:12]))) < 0.06


def test_contradicting_steps_are_refused():
    values = card()
    light = values.rgb_linear * RNG(2).uniform(0.2, 1.0, (18, 1))
    with pytest.raises(ColourError, match="agree on one light"):
        colour.fit(sighting(photographed(light), values), values)


def test_values_of_another_card_are_refused():
    values = card()
    other = dataclasses.replace(values, names=tuple(f"other {i}" for i in range(18)))
    with pytest.raises(ColourError, match="use the file of values that belongs to this card"):
        colour.fit(sighting(photographed(values.rgb_linear), values), other)


# ------------------------------------------------------------------------------------------- chart photos


def chart_photos():
    lines = (Path(__file__).parent / "data" / "chart_photos.csv").read_text(encoding="utf-8").splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    for picture in dict.fromkeys(row["picture"] for row in rows):
        mine = [row for row in rows if row["picture"] == picture]
        numbers = np.array([[float(v) for v in list(row.values())[2:]] for row in mine])
        yield picture, tuple(row["patch"] for row in mine), numbers[:, :3], numbers[:, 3:]


@pytest.mark.parametrize("photo", list(chart_photos()), ids=lambda photo: photo[0])
def test_chart_photographs_under_casts(photo):
    # Photographs of a 24-patch chart in the notebooks of colour-checker-detection 0.2.3 and colour-hdri 0.2.6
    # (BSD-3-Clause); values of the chart from colour-science. Only the grey row is fitted at first.
    picture, names, codes, linear = photo
    neutral = np.arange(24) >= 18
    greys = CardValues(names[18:], linear[18:], np.ones(6, bool), measured=False)
    on_greys = colour.fit(sighting(codes[18:], greys), greys)
    got = apply_matrix(colour.tone_to_linear(codes, on_greys.tone) * on_greys.gain, on_greys.matrix)
    colours = delta_e(lab(got), lab(linear))[~neutral].mean()
    values = CardValues(names, linear, neutral, measured=True)
    with_matrix = colour.fit(sighting(codes, values), values)
    before = delta_e(lab(decode(codes)), lab(linear))[~neutral].mean()
    print(f"{picture}: colours {before:.1f} -> {colours:.2f} on greys, matrix {with_matrix.delta_e_mean:.2f}")
    assert with_matrix.delta_e_mean <= 3.0
    middle = lab(got[19:23])  # the white is burnt out in red, the black is at the floor of 8 bits
    assert np.hypot(middle[:, 1], middle[:, 2]).max() < 3.0
    assert colours <= 6.0


def test_a_cameras_own_primaries():
    """Nikon 5100 and chart reflectances as colour-science carries them (National Physical Laboratory;
    BabelColor's average of 30 charts): the matrix of least relative squares that keeps white."""
    reference = import_module("colour")
    shape = reference.SpectralShape(400, 700, 10)

    def aligned(spectra):
        return spectra.copy().align(shape).values

    sensitivity = aligned(reference.MSDS_CAMERA_SENSITIVITIES["Nikon 5100 (NPL)"])
    observer = aligned(reference.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"])
    light = aligned(reference.SDS_ILLUMINANTS["D65"])
    chart = np.array([aligned(s) for s in reference.SDS_COLOURCHECKERS["BabelColor Average"].values()])
    raw = chart @ (light[:, None] * sensitivity) / (light @ sensitivity)
    xyz = chart @ (light[:, None] * observer) / (light @ observer[:, 1])
    linear = xyz @ np.linalg.inv(colourspace.RGB_TO_XYZ).T
    weight = 1 / (linear.mean(axis=1) + 0.03)
    terms = (raw[:, :2] - raw[:, 2:]) * weight[:, None]
    two = np.linalg.lstsq(terms, (linear - raw[:, 2:]) * weight[:, None], rcond=None)[0].T
    assert np.column_stack([two, 1 - two.sum(axis=1)]) == pytest.approx(colourmatrix.OWN_PRIMARIES, abs=2e-3)


# ------------------------------------------------------------------------------------------ whole pictures


def correction(matrix=None):
    values = card()
    base = colour.fit(sighting(photographed(values.rgb_linear, hable), values), values)
    return dataclasses.replace(base, matrix=matrix)


@pytest.mark.parametrize("columns", [0, 3, 6])
def test_pictures_and_patches_take_the_same_way(columns):
    matrix = None if columns == 0 else np.eye(3, columns) + RNG(4).normal(0, 0.05, (3, columns))
    got = correction(matrix)
    picture = RNG(5).integers(3, 256, (31, 47, 3)).astype(np.uint8)  # none at its floor
    want = apply_matrix(colour.tone_to_linear(picture, got.tone) * got.gain, matrix)
    assert reflectance.to_linear(picture, got) == pytest.approx(want, abs=1e-4)
    coded = reflectance.corrected_coded(picture, got)
    assert coded.dtype == np.uint8
    assert coded.shape == picture.shape
    assert np.abs(coded - encode(want)).max() < 1.01


def test_a_channel_at_its_floor_is_given_the_middle_of_what_it_can_have_been():
    less = 1 / 1.2
    matrix = less * np.eye(3) + (1 - less) * colourspace.RGB_TO_XYZ[1]
    got = dataclasses.replace(correction(matrix), gain=np.ones(3), tone=(0.0, 0.0))
    picture = np.array([[[230, 200, 0], [230, 200, 8], [20, 18, 0]]], np.uint8)
    most = encode(apply_matrix(decode(picture), matrix))[..., 2]
    blue = encode(reflectance.to_linear(picture, got))[0, :, 2]
    assert blue == pytest.approx([most[0, 0] / 2, most[0, 1], most[0, 2]], abs=0.05)
    cast = dataclasses.replace(got, gain=np.array([1.0, 1.0, 2.1]))
    assert encode(reflectance.to_linear(picture, cast))[0, 0, 2] == pytest.approx(most[0, 0], abs=0.05)


def test_no_correction_leaves_the_picture_alone():
    picture = RNG(5).integers(0, 256, (31, 47, 3)).astype(np.uint8)
    assert reflectance.to_linear(picture, None) == pytest.approx(decode(picture), abs=1e-6)
    assert np.array_equal(reflectance.corrected_coded(picture, None), picture)


def test_twelve_megapixels_take_tens_of_milliseconds():
    picture = RNG(6).integers(0, 256, (1500, 2000, 3)).astype(np.uint8)
    got = correction()
    best = math.inf
    for _ in range(5):
        start = time.process_time()
        reflectance.corrected_coded(picture, got)
        best = min(best, time.process_time() - start)
    assert (
        best < 0.05
    )  # a quarter of 12 megapixels; processor time, so that other work on the machine does not count
