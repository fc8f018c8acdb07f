"""Colour: from a card's readings to a `Correction`, from camera RGB to reflectance, and colour measures.

A phone makes its picture from linear light by a gain a channel (white balance, exposure), then one tone curve
for all three, then sRGB coding. `fit` undoes that in the opposite order. The curve is taken from the family

    logit(c') = exp(a) * logit(c) + b,    linear = sRGB-decode(c'),    c, c' coded values in 0-1

with (a, b) = (0, 0) for a plain sRGB camera. It keeps black and white where they are, is strictly monotone
for every a and b, and bends both as an S-curve (a) and as a shoulder or a lift (b). Of eight families of two
parameters tried on fifteen curves (sRGB, gamma 2.2, BT.709, Narkowicz's, Hable's and Hejl's filmic curves,
Reinhard, smoothstep and logistic contrast, exponential shoulder) at three exposures, fitted to six neutral
steps, it came out best: 1.2 % rms in reflectance between 3 % and 80 %, 2.3 % on the worst curve; plain sRGB
is off by 23 %. What a phone's own matrix does to colours is undone by `colourmatrix.of_phone`.

Coded values are 0-255 throughout, as in the pictures; linear values are reflectance, 1 for a perfect white.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from turfeye import colourmatrix
from turfeye.colourmatrix import apply_matrix, root_polynomial
from turfeye.colourspace import (
    RGB_TO_XYZ,
    decode,
    delta_e,
    dgci,
    dgci_of_hsb,
    encode,
    excess_green,
    green_leaf_index,
    green_red_difference,
    hsb,
    lab,
    visible_resistant_index,
)
from turfeye.errors import ColourError
from turfeye.records import Bytes, CardValues, Correction, Flags, Floats, Sighting, Whole

__all__ = [
    "apply_matrix",
    "corrected_coded",
    "decode",
    "delta_e",
    "dgci",
    "dgci_of_hsb",
    "encode",
    "excess_green",
    "fit",
    "green_leaf_index",
    "green_red_difference",
    "hsb",
    "lab",
    "root_polynomial",
    "smear_px",
    "to_linear",
    "tone_to_linear",
    "unsmeared",
    "visible_resistant_index",
]

TONE_PRIOR_SD: Final = np.array([0.35, 0.8])
"""How far a and b stray from plain sRGB in phones; wide, ours: the filmic curves above need |a| to 0.5."""

STEP_SD: Final = 0.025
"""Relative error of a printed neutral step, beyond its own spread. Ours."""

FLOOR_SD: Final = 0.002
"""Error in reflectance that no step is free of (8-bit coding, flare). Ours."""

SMEAR_PX: Final = 0.8
"""How far a phone's file smears colour, one standard deviation, in its own pixels. Coding colour at half the
size (4:2:0), as nearly all do, acts like 0.5; smoothing colour noise adds to that, by how much differs from
phone to phone (0 to about 1: common practice, no source). Ours, between; no real phone was measured."""

LEAST_SMEAR_PX: Final = 0.1
"""In a picture made so small that colour is smeared by less, each pixel counts as having its own."""

FLOOR_CODE, LIT_CODE = 2, 40
"""A channel at or below the first is at its floor in a pixel whose brightest is above the second."""

EVEN_PATCH, SHADOW_STEP, TWINS_STEP, TWINS_APART = 0.15, 0.8, 0.35, 0.5
"""Spread of a patch that a shadow's edge crosses, at least; logarithm of the least step from shade to sun,
the second where twin greys differ by more than the last: that alone says that there are two lights."""

# ------------------------------------------------------------------------------------------------ tone


def tone_to_linear(rgb_coded: NDArray, tone: tuple[float, float]) -> Floats:
    """Linear light, up to a gain, of a camera's codes 0-255 under the tone (a, b) described above."""
    c = np.clip(np.asarray(rgb_coded, dtype=np.float64) / 255.0, 0.0, 1.0)
    inside = np.clip(c, 1e-6, 1.0 - 1e-6)
    bent = 1.0 / (1.0 + np.exp(-np.exp(tone[0]) * np.log(inside / (1.0 - inside)) - tone[1]))
    return decode(255.0 * np.where((c > 0) & (c < 1), bent, c))


# --------------------------------------------------------------------------------------------- the fit


def fit(sighting: Sighting, values: CardValues) -> Correction:
    """The correction that turns this card's readings into its values.

    Gain a channel and the shared tone curve from the neutral steps, in log light, held near sRGB by a prior;
    clipped steps are left out and a step that disagrees with the rest (shaded, covered) loses its say. A
    full matrix from the coloured steps is added only where the values are measured and only where it lowers
    the difference of patches left out. Printed colours that nobody measured give a matrix held near no change
    by what phones do (`colourmatrix.of_phone`).
    ``delta_e_*`` are CIEDE2000 over patches left out of the fit, one at a time.

    Raises ColourError when too few neutral steps are readable, or when they contradict each other.
    """
    read, want, neutral, sd, half_lit = _readings(sighting, values)
    gain_log, bend, covariance, weight = _fit_neutrals(read[neutral], want[neutral], sd[neutral])
    _check_agreement(read[neutral], want[neutral], gain_log, bend, weight)
    gain, tone = np.exp(gain_log), (float(bend[0]), float(bend[1]))
    trusted = np.ones(len(read), dtype=bool)
    trusted[np.flatnonzero(neutral)[weight < 0.2]] = False
    linear = tone_to_linear(read, tone) * gain
    if values.measured and np.sum(trusted & ~neutral) >= 6:
        matrix = colourmatrix.best(linear[trusted], want[trusted])
        left_out = colourmatrix.left_out(
            linear[trusted], want[trusted], 0 if matrix is None else matrix.shape[1]
        )
    else:
        matrix = colourmatrix.without_trust(gain, linear[~neutral], want[~neutral])
        left_out = _patches_left_out(read, want, neutral, sd, (gain_log, bend, weight), matrix)[trusted]
    gain_se = float(np.sqrt(covariance[:3, :3].mean()))
    return Correction(
        tone=tone,
        gain=gain,
        matrix=matrix,
        delta_e_mean=float(left_out.mean()),
        delta_e_max=float(left_out.max()),
        gain_se=gain_se,
        values=values,
        half_lit=half_lit,
        fit_cov=covariance,
        darkest_code=float(read[neutral][weight >= 0.2].min(initial=255.0)),
    )


def _readings(sighting: Sighting, values: CardValues) -> tuple[Floats, Floats, Flags, Floats, bool]:
    """Codes, reflectances, neutral flags and relative sds of the patches that can be used; whether a shadow
    crosses the card and only those in the sun are."""
    place = {name: i for i, name in enumerate(values.names)}
    pairs = [(i, place[name]) for i, name in enumerate(sighting.patch_names) if name in place]
    if not pairs:
        raise ColourError(
            f"wanted values for the card's patches ({', '.join(sighting.patch_names[:4])} ...), got values "
            f"for {', '.join(values.names[:4])} ...; use the file of values that belongs to this card"
        )
    here, there = np.array(pairs).T
    codes = np.asarray(sighting.patch_rgb_coded, dtype=np.float64)[here]
    usable = ~np.asarray(sighting.patch_clipped)[here] & np.isfinite(codes).all(axis=1)
    neutral = np.asarray(values.neutral)[there]
    steps, left = int(neutral.sum()), int((neutral & usable).sum())
    if left < min(3, steps) or left == 0:
        raise ColourError(
            f"wanted at least {max(1, min(3, steps))} readable grey steps on the card, got {left}; "
            "the others are burnt out, black or covered: take the photo again with the card in the same "
            "light as the lawn, unshaded and without glare"
        )
    want = np.maximum(np.asarray(values.rgb_linear, dtype=np.float64)[there], 1e-4)
    spread = np.nan_to_num(np.asarray(sighting.patch_spread, dtype=np.float64)[here], nan=0.1)
    sd = np.hypot(np.hypot(STEP_SD, 0.3 * spread), FLOOR_SD / want.mean(axis=1))
    step = TWINS_STEP if sighting.twins_differ > TWINS_APART else SHADOW_STEP
    sunlit = _sunlit(codes, want, neutral, usable & (spread < EVEN_PATCH), least_step=step)
    half_lit = bool((usable & ~sunlit).any())
    usable = usable & sunlit
    return codes[usable], want[usable], neutral[usable], sd[usable], half_lit


def _sunlit(codes: Floats, want: Floats, neutral: Flags, even: Flags, *, least_step: float) -> Flags:
    """Patches in the sun where a shadow's edge crosses the card, all where none does.

    Who photographs a card often throws a shadow on it. Sun and shade are 4-8 times apart, the steps of one
    light under any tone curve at most twice from one to the next. Patches that the edge itself crosses are
    uneven. The sunlit part must hold four grey steps, else nothing is told apart here.
    """
    light = np.log(np.maximum(decode(codes).mean(axis=1), 1e-5) / want.mean(axis=1))
    levels = np.sort(light[even])
    if len(levels) < 2 or np.diff(levels).max() < least_step:
        return np.ones(len(codes), bool)
    edge = int(np.diff(levels).argmax())
    sunlit = even & (light > (levels[edge] + levels[edge + 1]) / 2)
    return sunlit if (sunlit & neutral).sum() >= 4 else np.ones(len(codes), bool)


def _fit_neutrals(codes: Floats, want: Floats, sd: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Log gain (3,), tone (2,), covariance (5, 5) and each step's weight 0-1, by robust Gauss-Newton.

    Every start leaves the curve at sRGB and takes its gain from the middle of the steps. A step's weight is
    Geman-McClure's (1 + (r / k sd)^2)^-2, annealed from a wide k so that no single bad step decides.
    """
    target = np.log(want)
    tone = np.zeros(2)
    gain_log = np.median(target - np.log(_positive(codes, tone)), axis=0)
    weight = np.ones(len(codes))
    many = len(codes) >= 3
    for k in (30.0, 15.0, 8.0, 5.0, 4.0, 3.0, 3.0, 3.0, 3.0, 3.0):
        for _ in range(3 if k > 3 else 1):
            step, normal = _newton_step(codes, target, sd, weight, gain_log, tone)
            gain_log, tone = gain_log + step[:3], np.clip(tone + step[3:], -2.0, 2.0)
        miss = _miss(codes, target, gain_log, tone)
        weight = (1.0 + (miss / (k * sd)) ** 2) ** -2.0 if many else weight
    noise = max(1.0, float(np.sum(weight * (miss / sd) ** 2) / max(weight.sum() - 5 / 3, 1.0)))
    return gain_log, tone, np.linalg.inv(normal) * noise, weight


def _positive(codes: Floats, tone: Floats) -> Floats:
    return np.maximum(tone_to_linear(codes, (float(tone[0]), float(tone[1]))), 1e-5)


def _miss(codes: Floats, target: Floats, gain_log: Floats, tone: Floats) -> Floats:
    """Root mean square over the channels of each step's residual in log light."""
    return np.sqrt(np.mean((np.log(_positive(codes, tone)) + gain_log - target) ** 2, axis=1))


def _newton_step(
    codes: Floats, target: Floats, sd: Floats, weight: Floats, gain_log: Floats, tone: Floats
) -> tuple[Floats, Floats]:
    now = np.log(_positive(codes, tone))
    slope = np.stack([(np.log(_positive(codes, tone + d)) - now) / 1e-4 for d in 1e-4 * np.eye(2)], axis=-1)
    jacobian = np.zeros((len(codes), 3, 5))
    jacobian[:, :, :3] = np.eye(3)
    jacobian[:, :, 3:] = slope
    w = np.repeat(weight / sd**2, 3)
    flat = jacobian.reshape(-1, 5)
    residual = (target - now - gain_log).ravel()
    normal = flat.T @ (w[:, None] * flat)
    pull = flat.T @ (w * residual)
    normal[3:, 3:] += np.diag(TONE_PRIOR_SD**-2)
    pull[3:] -= tone / TONE_PRIOR_SD**2
    step = np.linalg.solve(normal + 1e-9 * np.eye(5), pull)
    step[3:] = np.clip(step[3:], -0.3, 0.3)
    return step, normal


def _check_agreement(codes: Floats, want: Floats, gain_log: Floats, tone: Floats, weight: Floats) -> None:
    """Raise ColourError when the grey steps don't tell one story."""
    if len(codes) < 3:
        return
    miss = _miss(codes, np.log(want), gain_log, tone)
    if np.median(miss) > 0.15 or np.sum(weight > 0.2) < max(3, 0.5 * len(weight)):
        raise ColourError(
            "wanted grey steps that agree on one light, got steps off by "
            f"{100 * np.median(miss):.0f} % of their value in the middle and {100 * np.max(miss):.0f} % at "
            "worst: the card lies partly in shade, is wet or dirty, or these aren't its values; lay it flat, "
            "dry and wholly in the lawn's light, and take the photo again"
        )


# ------------------------------------------------------------------------------------------- the matrix


def _patches_left_out(
    codes: Floats,
    want: Floats,
    neutral: Flags,
    sd: Floats,
    solved: tuple[Floats, Floats, Floats],
    matrix: Floats | None,
) -> Floats:
    """CIEDE2000 of every patch from a fit that did not use it, where nothing was measured.

    ``solved`` is the whole fit's log gain, tone and weights, from where two steps find the fit without one;
    ``matrix`` is the whole fit's.
    """
    gain_log, bend, weight = solved
    linear = tone_to_linear(codes, (float(bend[0]), float(bend[1]))) * np.exp(gain_log)
    coloured = np.flatnonzero(~neutral)
    steps = np.flatnonzero(neutral)
    got = apply_matrix(linear, matrix)
    for i in coloured:
        others = coloured[coloured != i]
        got[i] = apply_matrix(
            linear[i], colourmatrix.without_trust(np.exp(gain_log), linear[others], want[others])
        )
    for i in steps if len(steps) > 3 else ():
        own_gain, own_bend = gain_log, bend
        for _ in range(2):
            left = weight * (steps != i)
            step, _ = _newton_step(codes[steps], np.log(want[steps]), sd[steps], left, own_gain, own_bend)
            own_gain, own_bend = own_gain + step[:3], own_bend + step[3:]
        gain = np.exp(own_gain)
        light = tone_to_linear(codes[i], (float(own_bend[0]), float(own_bend[1]))) * gain
        # with coloured steps the matrix is theirs alone, whatever the gain
        own = matrix if len(coloured) > 2 else colourmatrix.of_cast(gain)
        got[i] = apply_matrix(light, own)
    return delta_e(lab(got), lab(want))


# ------------------------------------------------------------------------------------------- whole pictures


def _table(correction: Correction | None) -> Floats:
    """(256, 3) linear light of every code, tone and gain applied."""
    codes = np.arange(256.0)[:, None]
    if correction is None:
        return np.repeat(decode(codes), 3, axis=1)
    return tone_to_linear(codes, correction.tone) * np.asarray(correction.gain)


def to_linear(rgb_coded: Bytes, correction: Correction | None) -> Floats:
    """Reflectance, (H, W, 3) float32 linear sRGB, of a picture (H, W, 3) uint8.

    Without a correction it is the picture's own light, up to an unknown gain. Where a phone has pushed a
    saturated colour out of its gamut, one channel stands at its floor and says only "this or less": it is
    given the middle, in codes, of what it can have been. Where the light has little of that channel it is the
    light that brought it down, and the most it can have been is nearer.
    """
    table = _table(correction).astype(np.float32)[:, None, :]
    return _in_srgb(np.asarray(cv2.LUT(rgb_coded, table), np.float32), rgb_coded, correction)


def _in_srgb(light: Floats, rgb_coded: Bytes, correction: Correction | None) -> Floats:
    """The camera's light after gains, (H, W, 3), in sRGB's primaries; its memory may be used."""
    if correction is None or correction.matrix is None:
        return light
    if correction.matrix.shape[1] == 3:
        out = _transform(light, correction.matrix)
    else:
        out = _transform(light, correction.matrix[:, :3])
        np.maximum(light, 0, out=light)
        out += _transform(np.sqrt(light * light[..., [1, 2, 0]]), correction.matrix[:, 3:])
    return _out_of_gamut(out, rgb_coded, correction.gain)


def smear_px(scale: float) -> float:
    """How far colour is smeared, in pixels of a picture at this scale of its photo; 0 where hardly.

    >>> smear_px(1.0), smear_px(0.1)
    (0.8, 0.0)
    """
    return SMEAR_PX * scale if SMEAR_PX * scale >= LEAST_SMEAR_PX else 0.0


def unsmeared(rgb_coded: Bytes, correction: Correction, *, smear_px: float, places: Whole) -> Floats:
    """What `to_linear` gives at flat places (N,) of a picture, (N, 3), the file's smear of colour taken back.

    ``smear_px`` says how far the file smeared colour, in pixels of this picture, above 0 (`smear_px`). It is
    taken back as far as one step can: lightness is made as coarse as colour, then colour sharpened.

    A bright blade on dark ground keeps its lightness in the file, but part of its colour is the ground's.
    Under a cast it then has less of the cast than its lightness has, and what takes the cast away overshoots:
    in a warm photo it turns blue. So lightness, which phones sharpen besides, is first blurred in codes; then
    the difference from luminance C becomes C + (C - blur(C)), the first step of van Cittert's deconvolution
    (van Cittert, P. H. (1931). Zeitschrift fuer Physik 69, 298-308), in the camera's light before the gains.
    """
    if not len(places):  # bare soil on the day of sowing has no green pixel at all
        return np.zeros((0, 3), np.float32)
    grey = cv2.cvtColor(rgb_coded, cv2.COLOR_RGB2GRAY)
    sharp = cv2.subtract(grey, _blurred(grey, smear_px), dtype=cv2.CV_16S)
    soft = cv2.subtract(rgb_coded, cv2.merge([sharp] * 3), dtype=cv2.CV_8U)
    whole = np.asarray(cv2.LUT(soft, _table(correction).astype(np.float32)[:, None, :]), np.float32)
    # as one row: OpenCV goes row by row
    light, coarse, codes = (
        np.take(each.reshape(1, -1, 3), places, axis=1)
        for each in (whole, _blurred(whole, smear_px), rgb_coded)
    )
    gain = np.asarray(correction.gain)
    light += _transform(light - coarse, np.eye(3) - np.outer(gain, RGB_TO_XYZ[1] / gain))
    return _in_srgb(light, codes, correction)[0]


def _blurred(picture: NDArray, sigma_px: float) -> NDArray:
    """Blurred by a bell of this standard deviation: three taps that have it, where a sampled bell has not."""
    if sigma_px > 0.6:
        return cv2.GaussianBlur(picture, (0, 0), sigma_px)
    side = sigma_px**2 / (2 * (1 - sigma_px**2))  # against the middle tap's 1
    return cv2.GaussianBlur(picture, (3, 3), float(np.sqrt(-0.5 / np.log(side))))


def _out_of_gamut(linear: Floats, rgb_coded: Bytes, gain: Floats) -> Floats:
    """Halve, in codes, the channels that stand at the floor where the others don't; in place."""
    channels = cv2.split(rgb_coded)
    brightest = cv2.max(cv2.max(channels[0], channels[1]), channels[2])
    for channel, codes in enumerate(channels):
        lost = cv2.inRange(codes, 0, FLOOR_CODE)
        if gain[channel] <= colourmatrix.STRONG_CAST * gain.min() and cv2.countNonZero(lost):
            lit = cv2.inRange(brightest, LIT_CODE + 1, 255)
            place = np.flatnonzero(cv2.bitwise_and(lost, lit) > 0)  # quicker of flags than of bytes, and flat
            plane = linear.reshape(-1, 3)[:, channel]
            plane[place] = decode(encode(plane[place]) / 2)
    return linear


def _transform(picture: Floats, matrix: Floats) -> Floats:
    return np.asarray(cv2.transform(picture, np.ascontiguousarray(matrix, dtype=np.float32)), np.float32)


def corrected_coded(
    rgb_coded: Bytes, correction: Correction | None, *, rgb_linear: Floats | None = None
) -> Bytes:
    """The picture as sRGB in the card's light, (H, W, 3) uint8: code 255 is a perfect white.

    Tone and gain make one table a channel; a matrix takes the long way round, by what `to_linear` gives:
    ``rgb_linear``, where that is known already.
    """
    if correction is None:
        return rgb_coded
    if correction.matrix is None:
        table = np.rint(encode(_table(correction))).astype(np.uint8)
        return np.asarray(cv2.LUT(rgb_coded, table[:, None, :]), np.uint8)
    # 16-bit linear light steps by a twentieth of a code where codes are densest
    light = to_linear(rgb_coded, correction) if rgb_linear is None else rgb_linear
    light = np.clip(light, 0.0, 1.0) * np.float32(65535)
    table = np.rint(encode(np.arange(65536) / 65535.0)).astype(np.uint8)
    return np.asarray(cv2.LUT(light.astype(np.uint16), table), np.uint8)
