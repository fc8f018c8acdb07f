"""Colour: from a card's readings to a `Correction`.

A phone makes its picture from linear light by a gain a channel (white balance, exposure), then one tone curve
for all three, then sRGB coding. `fit` undoes that in the opposite order. The curve is taken from the family

    logit(c') = exp(a) * logit(c) + b,    linear = sRGB-decode(c'),    c, c' coded values in 0-1

with (a, b) = (0, 0) for a plain sRGB camera. It keeps black and white where they are, is strictly monotone
for every a and b, and bends both as an S-curve (a) and as a shoulder or a lift (b). Of eight families of two
parameters tried on fifteen curves (sRGB, gamma 2.2, BT.709, Narkowicz's, Hable's and Hejl's filmic curves,
Reinhard, smoothstep and logistic contrast, exponential shoulder) at three exposures, fitted to six neutral
steps, it came out best: 1.2 % rms in reflectance between 3 % and 80 %, 2.3 % on the worst curve; plain sRGB
is off by 23 %. What a phone's own matrix does to colours is undone by `colourmatrix.of_phone`; whole pictures
go through a correction in :mod:`turfeye.reflectance`.

Coded values are 0-255 throughout, as in the pictures; linear values are reflectance, 1 for a perfect white.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from turfeye import colourmatrix
from turfeye.card_layout import CARD, NOMINAL
from turfeye.colourmatrix import apply_matrix
from turfeye.colourspace import decode, delta_e, lab
from turfeye.errors import ColourError
from turfeye.notes import Remark
from turfeye.records import CardValues, Correction, Flags, Floats, Sighting

TONE_PRIOR_SD: Final = np.array([0.35, 0.8])
"""How far a and b stray from plain sRGB in phones; wide, ours: the filmic curves above need |a| to 0.5."""

LONGEST_STEP: Final = 0.3
"""By which a tone parameter moves at once: further away the curve is no longer what its slope says."""

STEP_SD: Final = 0.025
"""Relative error of a printed neutral step, beyond its own spread. Ours."""

FLOOR_SD: Final = 0.002
"""Error in reflectance that no step is free of (8-bit coding, flare). Ours."""

EVEN_PATCH, SHADOW_STEP, TWINS_STEP, TWINS_APART = 0.15, 0.8, 0.35, 0.5
"""Spread of a patch that a shadow's edge crosses, at least; logarithm of the least step from shade to sun,
the second where twin greys differ by more than the last: that alone says that there are two lights."""

PLACES_MM: Final = dict(
    zip(CARD.patch_names, CARD.patch_boxes_mm.reshape(-1, 2, 2).mean(axis=1).tolist(), strict=True)
)
"""Where each patch of the printed card has its middle."""

LAWN_LIGHT: Final = 0.07
"""Reflectance of turf and dark soil, between the two darkest grey steps. Ours."""

CARD_COLOURS: Final = NOMINAL.rgb_linear[~NOMINAL.neutral]
"""Linear colours of the printed card's coloured steps, (6, 3)."""

FEWEST_SUNLIT: Final = (4, 3)
"""Grey steps that the sunlit part must hold, without and with twins that tell of two lights: three are enough
for any card, and with four it is no chance that they are brighter."""

FEW_SHADED: Final = 3
"""So few dark patches are in a shadow only if its straight edge could part them from the others; else they
are dirty or covered."""

GREY_PRINT: Final = 0.3
"""With less of its meant spread over the channels the usual coloured step is printed without colour. A dull
printer (six tenths of the colour) in a pale photo has 0.5."""

# ------------------------------------------------------------------------------------------------ tone


def tone_to_linear(rgb_coded: NDArray, tone: tuple[float, float] | tuple[Floats, Floats]) -> Floats:
    """Linear light, up to a gain, of a camera's codes 0-255 under the tone (a, b) described above."""
    c = np.clip(np.asarray(rgb_coded, dtype=np.float64) / 255.0, 0.0, 1.0)
    inside = np.clip(c, 1e-6, 1.0 - 1e-6)
    bent = 1.0 / (1.0 + np.exp(-np.exp(tone[0]) * np.log(inside / (1.0 - inside)) - tone[1]))
    return decode(255.0 * np.where((c > 0) & (c < 1), bent, c))


# --------------------------------------------------------------------------------------------- the fit


def fit(sighting: Sighting, values: CardValues, *, stray: float = 0.0) -> Correction:
    """The correction that turns this card's readings into its values.

    ``stray`` is light that lies over the whole picture, as reflectance (:mod:`turfeye.stray`): taken off.

    Gain a channel and the shared tone curve from the neutral steps, in log light, held near sRGB by a prior;
    clipped steps are left out and a step that disagrees with the rest (shaded, covered) loses its say. A
    full matrix from the coloured steps is added only where the values are measured and only where it lowers
    the difference of patches left out. Printed colours that nobody measured give a matrix held near no change
    by what phones do (`colourmatrix.of_phone`).
    ``delta_e_*`` are CIEDE2000 over patches left out of the fit, one at a time.

    Raises ColourError when too few neutral steps are readable, or when they contradict each other.
    """
    read, want, neutral, sd, half_lit = _readings(sighting, values)
    lit = want[neutral] + stray
    gain_log, bend, covariance, weight = _fit_neutrals(read[neutral], lit, sd[neutral])
    _check_agreement(read[neutral], lit, gain_log, bend, weight)
    gain, tone = np.exp(gain_log), (float(bend[0]), float(bend[1]))
    grey_print = _grey_print(tone_to_linear(read[~neutral], tone) * gain - stray, want[~neutral])
    if grey_print:
        read, want, sd = (each[neutral] for each in (read, want, sd))
        neutral = np.ones(len(read), dtype=bool)
    trusted = np.ones(len(read), dtype=bool)
    trusted[np.flatnonzero(neutral)[weight < 0.2]] = False
    linear = tone_to_linear(read, tone) * gain - stray
    if values.measured and np.sum(trusted & ~neutral) >= 6:
        matrix = colourmatrix.best(linear[trusted], want[trusted])
        left_out = colourmatrix.left_out(
            linear[trusted], want[trusted], 0 if matrix is None else matrix.shape[1]
        )
    else:
        matrix = colourmatrix.without_trust(gain, linear[~neutral], want[~neutral])
        solved = gain_log, bend, weight
        left_out = _patches_left_out(read, want, neutral, sd, solved, matrix, stray)[trusted]
    return Correction(
        tone=tone,
        gain=gain,
        matrix=matrix,
        delta_e_mean=float(left_out.mean()),
        delta_e_max=float(left_out.max()),
        light_se=_light_se(gain_log, bend, covariance),
        values=values,
        half_lit=half_lit,
        grey_print=grey_print,
        fit_cov=covariance,
        evened=sighting.evened,
        darkest_code=float(read[neutral][weight >= 0.2].min(initial=255.0)),
        stray=stray,
        own_colours=bool(neutral.all()),
        unread=1 - np.sum(trusted) / len(values.names),
        unread_cov=colourmatrix.unread_cov(want[trusted & ~neutral], CARD_COLOURS),
    )


def _light_se(gain_log: Floats, bend: Floats, covariance: Floats) -> float:
    """Relative standard error of the light of what is as dark as a lawn."""
    codes = np.arange(1.0, 255.0)
    light = tone_to_linear(codes, (float(bend[0]), float(bend[1]))) * np.exp(gain_log.mean())
    code = np.full((1, 3), np.interp(LAWN_LIGHT, light, codes))
    logs = np.log(_positive(code, bend + 1e-4 * np.eye(3, 2, -1)))[:, 0, 0]
    along = np.array([1 / 3, 1 / 3, 1 / 3, *(logs[1:] - logs[0]) / 1e-4])
    return float(np.sqrt(along @ covariance @ along))


def misfit(sighting: Sighting, values: CardValues, strays: Floats) -> tuple[Floats, int]:
    """How badly the grey steps agree under each of these strengths of stray light (N,), and how many readings
    are left over by the fit.

    In squared standard errors, what the tone curve strays from sRGB with it; a step that disagrees with the
    rest counts as three of its own at most. Raises ColourError as `fit` does.
    """
    read, want, neutral, sd, _ = _readings(sighting, values)
    read, want, sd = read[neutral], want[neutral], sd[neutral]
    out = []
    for stray in strays:
        gain_log, bend, _, _ = _fit_neutrals(read, want + stray, sd)
        miss = (_miss(read, np.log(want + stray), gain_log, bend) / sd) ** 2
        out.append(3 * np.sum(miss / (1 + miss / 9)) + np.sum((bend / TONE_PRIOR_SD) ** 2))
    return np.array(out), max(3 * len(read) - 5, 1)


def _grey_print(linear: Floats, want: Floats) -> bool:
    """Whether coloured steps show hardly any colour: what a printer without colours makes of them."""
    if len(want) < 3:
        return False
    shown, meant = (np.ptp(each, axis=1) / each.mean(axis=1) for each in (np.maximum(linear, 1e-4), want))
    return bool(np.median(shown / np.maximum(meant, 1e-6)) < GREY_PRINT)


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
    burnt = neutral & sighting.burnt[here]
    if left < min(3, steps) or left == 0:
        rest, advice = "burnt out, black or covered", "unshaded and without glare"
        if 2 * burnt.sum() > steps:
            rest, advice = (
                "burnt out",
                "less bright: tap the brightest part of the picture to set the exposure",
            )
        raise ColourError(
            f"wanted at least {max(1, min(3, steps))} readable grey steps on the card, got {left}; the "
            f"others are {rest}: take the photo again with the card in the same light as the lawn, {advice}"
        )
    want = np.maximum(np.asarray(values.rgb_linear, dtype=np.float64)[there], 1e-4)
    spread = np.nan_to_num(np.asarray(sighting.patch_spread, dtype=np.float64)[here], nan=0.1)
    sd = np.hypot(np.hypot(STEP_SD, 0.3 * spread), FLOOR_SD / want.mean(axis=1))
    twins = bool(sighting.twins_differ > TWINS_APART)
    at_mm = np.array([PLACES_MM.get(sighting.patch_names[i], (np.nan, np.nan)) for i in here])
    sunlit = _sunlit(codes, want, usable & (spread < EVEN_PATCH), at_mm, twins=twins)
    if (left := int((sunlit & neutral).sum())) < FEWEST_SUNLIT[twins]:
        if twins and burnt.any():
            raise ColourError(
                f"wanted {FEWEST_SUNLIT[twins]} readable grey steps in the sunlit part of the card, which a "
                f"shadow crosses, got {left}; others there are burnt out: step aside, tap the brightest "
                "part of the picture to set the exposure, and take the photo again"
            )
        sunlit = np.ones(len(codes), bool)
    half_lit = bool((usable & ~sunlit).any())
    usable = usable & sunlit
    return codes[usable], want[usable], neutral[usable], sd[usable], half_lit


def _sunlit(codes: Floats, want: Floats, even: Flags, places: Floats, *, twins: bool) -> Flags:
    """Patches in the sun where a shadow's edge crosses the card, all where none does.

    Who photographs a card often throws a shadow on it. Sun and shade are 4-8 times apart, the steps of one
    light under any tone curve at most twice from one to the next. Patches that the edge itself crosses are
    uneven. ``twins`` says that twin greys differ so far that there are two lights.
    """
    light = np.log(np.maximum(decode(codes).mean(axis=1), 1e-5) / want.mean(axis=1))
    levels = np.sort(light[even])
    if len(levels) < 2 or np.diff(levels).max() < (TWINS_STEP if twins else SHADOW_STEP):
        return np.ones(len(codes), bool)
    edge = int(np.diff(levels).argmax())
    sunlit = even & (light > (levels[edge] + levels[edge + 1]) / 2)
    shaded = even & ~sunlit
    told = shaded.sum() > FEW_SHADED or _edge_between(places[shaded], places[sunlit])
    return sunlit if told else np.ones(len(codes), bool)


def _edge_between(some: Floats, others: Floats) -> bool:
    """Whether a straight line has some places (N, 2) on one side and the others on the other."""
    turn = np.radians(np.arange(0, 360, 5))
    along = np.stack([np.cos(turn), np.sin(turn)])
    return bool(((some @ along).max(axis=0) < (others @ along).min(axis=0)).any())


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
    """Linear light of codes (N, 3), above 0, under each of tones (..., 2): (..., N, 3)."""
    a, b = np.moveaxis(tone, -1, 0)[..., None, None]
    return np.maximum(tone_to_linear(codes, (a, b)), 1e-5)


def _miss(codes: Floats, target: Floats, gain_log: Floats, tone: Floats) -> Floats:
    """Root mean square over the channels of each step's residual in log light."""
    return np.sqrt(np.mean((np.log(_positive(codes, tone)) + gain_log - target) ** 2, axis=1))


def _newton_step(
    codes: Floats, target: Floats, sd: Floats, weight: Floats, gain_log: Floats, tone: Floats
) -> tuple[Floats, Floats]:
    """Step (..., 5) and normal matrix (..., 5, 5), for one fit or, by weights (..., N), several at once."""
    logs = np.log(_positive(codes, tone[..., None, :] + 1e-4 * np.eye(3, 2, -1)))
    now = logs[..., 0, :, :]
    slope = np.moveaxis((logs[..., 1:, :, :] - now[..., None, :, :]) / 1e-4, -3, -1)
    jacobian = np.zeros((*now.shape, 5))
    jacobian[..., :3] = np.eye(3)
    jacobian[..., 3:] = slope
    flat = jacobian.reshape(*now.shape[:-2], -1, 5)
    weighted = np.repeat(weight / sd**2, 3, axis=-1)[..., None] * flat
    residual = (target - now - gain_log[..., None, :]).reshape(*flat.shape[:-1], 1)
    normal = np.swapaxes(flat, -1, -2) @ weighted
    pull = np.swapaxes(weighted, -1, -2) @ residual
    normal[..., 3:, 3:] += np.diag(TONE_PRIOR_SD**-2)
    pull[..., 3:, 0] -= tone / TONE_PRIOR_SD**2
    step = np.linalg.solve(normal + 1e-9 * np.eye(5), pull)[..., 0]
    far = np.abs(step[..., 3:]).max(axis=-1, keepdims=True)  # gain and tone together, or they part
    return step * np.minimum(1.0, LONGEST_STEP / np.maximum(far, 1e-9)), normal


def _check_agreement(codes: Floats, want: Floats, gain_log: Floats, tone: Floats, weight: Floats) -> None:
    """Raise ColourError when the grey steps don't tell one story."""
    if len(codes) < 3:
        return
    miss = _miss(codes, np.log(want), gain_log, tone)
    if np.median(miss) > 0.15 or np.sum(weight > 0.2) < max(3, 0.5 * len(weight)):
        words = (
            "wanted grey steps that agree on one light, got steps off by {:.0f} % of their value in the "
            "middle and {:.0f} % at worst: the card lies partly in shade or under a leaf, is wet or dirty, "
            "or these aren't its values; lay it flat, dry, free and wholly in the lawn's light, and take the "
            "photo again"
        )
        raise ColourError(Remark(words, 100 * float(np.median(miss)), 100 * float(np.max(miss))))


# ------------------------------------------------------------------------------------------- the matrix


def _patches_left_out(
    codes: Floats,
    want: Floats,
    neutral: Flags,
    sd: Floats,
    solved: tuple[Floats, Floats, Floats],
    matrix: Floats | None,
    stray: float,
) -> Floats:
    """CIEDE2000 of every patch from a fit that did not use it, where nothing was measured.

    ``solved`` is the whole fit's log gain, tone and weights, from where two steps find the fit without one;
    ``matrix`` is the whole fit's.
    """
    gain_log, bend, weight = solved
    linear = tone_to_linear(codes, (float(bend[0]), float(bend[1]))) * np.exp(gain_log) - stray
    coloured = np.flatnonzero(~neutral)
    steps = np.flatnonzero(neutral)
    got = apply_matrix(linear, matrix)
    for i in coloured:
        others = coloured[coloured != i]
        got[i] = apply_matrix(
            linear[i], colourmatrix.without_trust(np.exp(gain_log), linear[others], want[others])
        )
    if len(steps) > 3:
        left = weight * (1 - np.eye(len(steps)))
        gains, bends = np.tile(gain_log, (len(steps), 1)), np.tile(bend, (len(steps), 1))
        target = np.log(want[steps] + stray)
        for _ in range(2):
            step, _ = _newton_step(codes[steps], target, sd[steps], left, gains, bends)
            gains, bends = gains + step[:, :3], bends + step[:, 3:]
        for i, gain, own_bend in zip(steps, np.exp(gains), bends, strict=True):
            light = tone_to_linear(codes[i], (float(own_bend[0]), float(own_bend[1]))) * gain - stray
            # with coloured steps the matrix is theirs alone, whatever the gain
            own = matrix if len(coloured) else colourmatrix.of_cast(gain)
            got[i] = apply_matrix(light, own)
    return delta_e(lab(got), lab(want))
