"""Colour: from a card's readings to a `Correction`, from camera RGB to reflectance, and colour measures.

A phone makes its picture from linear light by a gain a channel (white balance, exposure), then one tone curve
for all three, then sRGB coding. `fit` undoes that in the opposite order. The curve is taken from the family

    logit(c') = exp(a) * logit(c) + b,    linear = sRGB-decode(c'),    c, c' coded values in 0-1

with (a, b) = (0, 0) for a plain sRGB camera. It keeps black and white where they are, is strictly monotone
for every a and b, and bends both as an S-curve (a) and as a shoulder or a lift (b). Of eight families of two
parameters tried on fifteen curves (sRGB, gamma 2.2, BT.709, Narkowicz's, Hable's and Hejl's filmic curves,
Reinhard, smoothstep and logistic contrast, exponential shoulder) at three exposures, fitted to six neutral
steps, it came out best: 1.2 % rms in reflectance between 3 % and 80 %, 2.3 % on the worst curve; plain sRGB
is off by 23 %. What a phone's own matrix does to colours is undone by `_phone_matrix`.

Coded values are 0-255 throughout, as in the pictures; linear values are reflectance, 1 for a perfect white.
"""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from turfeye.colourspace import (
    RGB_TO_XYZ,
    WHITE_XYZ,
    decode,
    delta_e,
    dgci,
    encode,
    excess_green,
    green_leaf_index,
    green_red_difference,
    hsb,
    lab,
    visible_resistant_index,
)
from turfeye.errors import ColourError
from turfeye.records import Bytes, CardValues, Correction, Flags, Floats, Sighting

__all__ = [
    "apply_matrix",
    "corrected_coded",
    "decode",
    "delta_e",
    "dgci",
    "encode",
    "excess_green",
    "fit",
    "green_leaf_index",
    "green_red_difference",
    "hsb",
    "lab",
    "root_polynomial",
    "to_linear",
    "tone_to_linear",
    "visible_resistant_index",
]

TONE_PRIOR_SD: Final = np.array([0.35, 0.8])
"""How far a and b stray from plain sRGB in phones; wide, ours: the filmic curves above need |a| to 0.5."""

STEP_SD: Final = 0.025
"""Relative error of a printed neutral step, beyond its own spread. Ours."""

FLOOR_SD: Final = 0.002
"""Error in reflectance that no step is free of (8-bit coding, flare). Ours."""

_BRADFORD: Final = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
_CONES: Final = (_BRADFORD @ RGB_TO_XYZ) / (_BRADFORD @ WHITE_XYZ)[:, None]
TO_CAMERA: Final = np.linalg.inv(0.5 * np.eye(3) + 0.5 * np.linalg.inv(_CONES))
"""Linear sRGB to a stand-in for a camera's own primaries: half way to Bradford's cones."""

OWN_PRIMARIES: Final = np.array([[1.721, -0.661, -0.060], [-0.158, 1.639, -0.481], [0.058, -0.547, 1.488]])
"""A camera's own balanced RGB to linear sRGB: relative least squares over the 24 reflectances of a chart
under D65, by the sensitivities of a Nikon 5100 (National Physical Laboratory, in colour-science)."""

OWN_GREEN: Final = 1.3
"""Red and blue both needing this much more gain than green: no light does that, an unbalanced sensor does."""

SATURATION_SD, MIXING_SD, STEP_COLOUR_SD = 0.15, 0.15, 0.06
"""Spread of phones' saturation and of single terms of their matrices; of a printed step's colour as a share
of its luminance. Ours."""

FLOOR_CODE, LIT_CODE = 2, 40
"""A channel at or below the first is at its floor in a pixel whose brightest is above the second."""

EVEN_PATCH, SHADOW_STEP, TWINS_STEP, TWINS_APART = 0.15, 0.8, 0.35, 0.5
"""Spread of a patch that a shadow's edge crosses, at least; logarithm of the least step from shade to sun,
the second where twin greys differ by more than the last: that alone says that there are two lights."""

STRONG_CAST: Final = 2.0
"""Ratio of the largest to the smallest gain from which a cast is undone in the camera's primaries."""

# ------------------------------------------------------------------------------------------------ tone


def tone_to_linear(rgb_coded: NDArray, tone: tuple[float, float]) -> Floats:
    """Linear light, up to a gain, of a camera's codes 0-255 under the tone (a, b) described above."""
    c = np.clip(np.asarray(rgb_coded, dtype=np.float64) / 255.0, 0.0, 1.0)
    inside = np.clip(c, 1e-6, 1.0 - 1e-6)
    bent = 1.0 / (1.0 + np.exp(-np.exp(tone[0]) * np.log(inside / (1.0 - inside)) - tone[1]))
    return decode(255.0 * np.where((c > 0) & (c < 1), bent, c))


# --------------------------------------------------------------------------------------------- the fit


def root_polynomial(rgb_linear: NDArray) -> Floats:
    """Root-polynomial terms of degree 2, (..., 6): R, G, B, sqrt(RG), sqrt(GB), sqrt(RB).

    They scale with exposure as RGB do. Finlayson, G. D., Mackiewicz, M., Hurlbert, A. (2015). IEEE
    Transactions on Image Processing 24, 1460-1470.
    """
    rgb = np.maximum(np.asarray(rgb_linear), 0)
    r, g, b = rgb[..., 0], rgb[..., 1], rgb[..., 2]
    return np.stack([r, g, b, np.sqrt(r * g), np.sqrt(g * b), np.sqrt(r * b)], axis=-1)


def fit(sighting: Sighting, values: CardValues) -> Correction:
    """The correction that turns this card's readings into its values.

    Gain a channel and the shared tone curve from the neutral steps, in log light, held near sRGB by a prior;
    clipped steps are left out and a step that disagrees with the rest (shaded, covered) loses its say. A
    full matrix from the coloured steps is added only where the values are measured and only where it lowers
    the difference of patches left out. Printed colours that nobody measured give a matrix held near no change
    by what phones do (`_phone_matrix`).
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
        matrix = _best_matrix(linear[trusted], want[trusted])
        left_out = _matrix_left_out(linear[trusted], want[trusted], 0 if matrix is None else matrix.shape[1])
    else:
        matrix = _matrix_without_trust(gain, linear[~neutral], want[~neutral])
        left_out = _patches_left_out(read, want, neutral, sd, (gain_log, bend, weight))[trusted]
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
            f"wanted grey steps that agree on one light, got steps off by {np.median(miss):.0%} of their "
            f"value in the middle and {np.max(miss):.0%} at worst: the card lies partly in shade, is wet or "
            "dirty, or these aren't its values; lay it flat, dry and wholly in the lawn's light, and take "
            "the photo again"
        )


# ------------------------------------------------------------------------------------------- the matrix


def _solve_matrix(terms: Floats, want: Floats) -> Floats:
    """(3, T) matrix with terms @ matrix.T close to want: relative least squares, held near identity."""
    weight = 1.0 / (want.mean(axis=1) + 0.03)
    a = terms * weight[:, None]
    start = np.eye(3, terms.shape[1])
    rest = (want - terms @ start.T) * weight[:, None]
    ridge = 1e-3 * len(a) * np.eye(terms.shape[1]) * np.mean(a**2)
    return start + np.linalg.solve(a.T @ a + ridge, a.T @ rest).T


def apply_matrix(rgb_linear: Floats, matrix: Floats | None) -> Floats:
    """Linear RGB (..., 3) through a (3, 3) or root-polynomial (3, 6) matrix."""
    if matrix is None:
        return rgb_linear
    terms = rgb_linear if matrix.shape[1] == 3 else root_polynomial(rgb_linear)
    return terms @ matrix.T


def _cast_matrix(gain: Floats) -> Floats | None:
    """What is left to do after the gains when a cast is strong, (3, 3); None when it is not.

    A camera balances white in its own primaries, not in sRGB's, so a strong cast is undone there (von Kries).
    Half way between sRGB's and Bradford's cones did best on four photographs of a chart in warm light: mean
    CIEDE2000 of the colours 4.1, 4.1, 4.8, 4.9, against 5.0, 4.6, 6.9, 6.4 in sRGB and 4.1, 4.4, 5.2, 5.7 in
    Bradford's. Below a cast of two the two ways differ little, and gains alone are faster. A cast that no
    light has is the sensor's own green: the picture never went through a camera's matrix. From greys alone
    that is a guess, so half of `OWN_PRIMARIES` is taken: 5.7 where sRGB leaves 9.8 and the whole 3.8, but the
    whole makes faint casts of greys half as large again.
    """
    if min(gain[0], gain[2]) > OWN_GREEN * gain[1]:
        return 0.5 * np.eye(3) + 0.5 * OWN_PRIMARIES
    if gain.max() < STRONG_CAST * gain.min():
        return None
    white = 1.0 / gain
    balance = (TO_CAMERA @ np.ones(3)) / (TO_CAMERA @ white)
    return np.linalg.inv(TO_CAMERA) @ np.diag(balance) @ TO_CAMERA @ np.diag(white)


_MIXES: Final = np.array([[1, -1, 0], [1, 1, -2]]) / np.sqrt([[2], [6]])
_MIXING_PRECISION: Final = np.linalg.inv(
    SATURATION_SD**2 * np.outer(*2 * [((np.eye(3) - RGB_TO_XYZ[1]) @ _MIXES.T).ravel()])
    + MIXING_SD**2 * np.eye(6)
)


def _phone_matrix(linear: Floats, want: Floats) -> Floats:
    """(3, 3) that undoes a phone's matrix, as far as printed steps of nominal colour can tell.

    Phones boost saturation by 0-25 % and mix channels by their matrix; either moves the colour index as much
    as a season does. White stays white, so each row has two unknowns. Their prior is no change, with the
    spread of phones; each step's colour, as a share of its luminance, has a printer's error; a step far off
    loses its say. A printer that is off throughout shifts all photos of that card alike. On forty simulated
    phones in seven lights the index of eight greens is off by 0.017 (rms) where one saturation leaves 0.025,
    and differs by 0.005 (sd) between lights where that leaves 0.013. On four photographs of a chart in warm
    light, six patches used, the others are off by 3.2, 3.5, 3.5, 3.7 (4.3, 4.1, 4.7, 4.9).
    """
    seen, true = _chroma(linear), _chroma(want)
    mixed = seen @ _MIXES.T
    weight = np.ones(len(seen))
    for _ in range(5):
        normal = (weight * mixed.T) @ mixed / STEP_COLOUR_SD**2
        pull = (weight * mixed.T) @ (true - seen) / STEP_COLOUR_SD**2
        precision = _MIXING_PRECISION.copy()
        for row in (0, 2, 4):
            precision[row : row + 2, row : row + 2] += normal
        terms = np.linalg.solve(precision, pull.T.ravel()).reshape(3, 2)
        miss = np.sqrt(np.mean((true - seen - mixed @ terms.T) ** 2, axis=1))
        weight = (1.0 + (miss / (2 * STEP_COLOUR_SD)) ** 2) ** -2.0
    return np.eye(3) + terms @ _MIXES


def _chroma(rgb_linear: Floats) -> Floats:
    """Difference from the grey of the same luminance, as a share of it."""
    grey = np.maximum(rgb_linear @ RGB_TO_XYZ[1], 1e-4)[..., None]
    return rgb_linear / grey - 1.0


def _matrix_without_trust(gain: Floats, linear: Floats, want: Floats) -> Floats | None:
    """What can be said without measured colours: from three coloured steps on a phone's matrix, of sRGB or of
    a camera's own primaries, whichever leaves the smaller difference; from fewer a strong cast's or none."""
    if len(linear) < 3:
        return _cast_matrix(gain)
    choices = [_phone_matrix(apply_matrix(linear, base), want) @ base for base in (np.eye(3), OWN_PRIMARIES)]
    return min(choices, key=lambda matrix: float(delta_e(lab(linear @ matrix.T), lab(want)).mean()))


def _matrix_left_out(linear: Floats, want: Floats, columns: int) -> Floats:
    """Each patch's CIEDE2000 under a matrix solved without it; 0 columns: no matrix."""
    if columns == 0:
        return delta_e(lab(linear), lab(want))
    terms = linear if columns == 3 else root_polynomial(linear)
    got = np.empty_like(want)
    for i in range(len(linear)):
        keep = np.arange(len(linear)) != i
        got[i] = terms[i] @ _solve_matrix(terms[keep], want[keep]).T
    return delta_e(lab(got), lab(want))


def _best_matrix(linear: Floats, want: Floats) -> Floats | None:
    """None, 3x3 or root polynomial: what gives patches left out the smallest mean difference."""
    choices = [columns for columns in (0, 3, 6) if len(linear) >= 3 * columns]
    scores = {columns: float(_matrix_left_out(linear, want, columns).mean()) for columns in choices}
    best = min(scores, key=lambda c: scores[c])
    if best == 0:
        return None
    return _solve_matrix(linear if best == 3 else root_polynomial(linear), want)


def _patches_left_out(
    codes: Floats, want: Floats, neutral: Flags, sd: Floats, solved: tuple[Floats, Floats, Floats]
) -> Floats:
    """CIEDE2000 of every patch from a fit that did not use it, where nothing was measured.

    ``solved`` is the whole fit's log gain, tone and weights: two steps from there find the fit without one.
    """
    gain_log, bend, weight = solved
    linear = tone_to_linear(codes, (float(bend[0]), float(bend[1]))) * np.exp(gain_log)
    coloured = np.flatnonzero(~neutral)
    steps = np.flatnonzero(neutral)
    got = apply_matrix(linear, _matrix_without_trust(np.exp(gain_log), linear[coloured], want[coloured]))
    for i in coloured:
        others = coloured[coloured != i]
        got[i] = apply_matrix(
            linear[i], _matrix_without_trust(np.exp(gain_log), linear[others], want[others])
        )
    for i in steps if len(steps) > 3 else ():
        own_gain, own_bend = gain_log, bend
        for _ in range(2):
            left = weight * (steps != i)
            step, _ = _newton_step(codes[steps], np.log(want[steps]), sd[steps], left, own_gain, own_bend)
            own_gain, own_bend = own_gain + step[:3], own_bend + step[3:]
        gain = np.exp(own_gain)
        light = tone_to_linear(codes[i], (float(own_bend[0]), float(own_bend[1]))) * gain
        got[i] = apply_matrix(light, _matrix_without_trust(gain, linear[coloured], want[coloured]))
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
    linear = np.asarray(cv2.LUT(rgb_coded, _table(correction).astype(np.float32)[:, None, :]), np.float32)
    if correction is None or correction.matrix is None:
        return linear
    if correction.matrix.shape[1] == 3:
        out = _transform(linear, correction.matrix)
    else:
        out = _transform(linear, correction.matrix[:, :3])
        np.maximum(linear, 0, out=linear)
        out += _transform(np.sqrt(linear * linear[..., [1, 2, 0]]), correction.matrix[:, 3:])
    return _out_of_gamut(out, rgb_coded, correction.gain)


def _out_of_gamut(linear: Floats, rgb_coded: Bytes, gain: Floats) -> Floats:
    """Halve, in codes, the channels that stand at the floor where the others don't; in place."""
    channels = cv2.split(rgb_coded)
    brightest = cv2.max(cv2.max(channels[0], channels[1]), channels[2])
    for channel, codes in enumerate(channels):
        lost = cv2.inRange(codes, 0, FLOOR_CODE)
        if gain[channel] <= STRONG_CAST * gain.min() and cv2.countNonZero(lost):
            row, col = np.nonzero(cv2.bitwise_and(lost, cv2.inRange(brightest, LIT_CODE + 1, 255)))
            linear[row, col, channel] = decode(encode(linear[row, col, channel]) / 2)
    return linear


def _transform(picture: Floats, matrix: Floats) -> Floats:
    return np.asarray(cv2.transform(picture, np.ascontiguousarray(matrix, dtype=np.float32)), np.float32)


def corrected_coded(rgb_coded: Bytes, correction: Correction | None) -> Bytes:
    """The picture as sRGB in the card's light, (H, W, 3) uint8: code 255 is a perfect white.

    Tone and gain make one table a channel; a matrix takes the long way round.
    """
    if correction is None:
        return rgb_coded
    if correction.matrix is None:
        table = np.rint(encode(_table(correction))).astype(np.uint8)
        return np.asarray(cv2.LUT(rgb_coded, table[:, None, :]), np.uint8)
    # 16-bit linear light steps by a twentieth of a code where codes are densest
    light = np.clip(to_linear(rgb_coded, correction), 0.0, 1.0) * np.float32(65535)
    table = np.rint(encode(np.arange(65536) / 65535.0)).astype(np.uint8)
    return np.asarray(cv2.LUT(light.astype(np.uint16), table), np.uint8)
