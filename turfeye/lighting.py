"""Light on a lawn: how much each place gets, where it is unlike the card's, where the lens leaves little."""

from __future__ import annotations

from typing import Final

import cv2
import numpy as np

from turfeye import reflectance
from turfeye.colourspace import LUMINANCE
from turfeye.records import Bytes, Correction, Flags, Floats, Shares, Whole

LIGHTS_APART: Final = 0.65
"""Log ratio from which two parts of a lawn stand in two lights: about twice. Sun is 4-8 times shade."""
LIGHTS_TOLD: Final = 0.72
"""Share of the variance that two lights must explain; one bell-shaped spread gives 0.64."""
GREEN_REFLECTANCE: Final = (0.015, 0.5)
"""Turf outside this is not in the card's light, whatever its colour."""
BLUER_LIGHTS: Final = (0.45, 0.6)
"""The same two where the darker part is `BLUER` too: a photo handed on by a messenger blurs what brightness
tells (a wall's evening shadow explains 0.72 of an untouched photo, 0.65 to 0.74 recompressed)."""
BLUER: Final = 0.4
"""By how much the log ratio of red to blue light is lower in shade, which the sky lights: 0.73 and more where
a shadow crosses the lawn, 0.24 at most elsewhere, by 46 rendered photos, recompressed too."""
BLUER_SHARE: Final = 0.1
"""And where it takes up more than this: a black boot and its rim are darker and bluer too."""
FURTHER_LIGHTS: Final = (0.9, 0.78)
"""The same two for a third and a fourth light: what is left of a light that was cut is never bell-shaped."""
LIT_SHARE: Final = 0.15
"""Least share of the ground near a card that a shadow crosses, of the light on its sunlit part."""
CORNER_LIGHT: Final = 0.55
USUAL_HARDNESS: Final = 0.25
"""Of light on turf: 0.15 to 0.3 under cloud and in shade, to 0.5 in sun and low sun, by rendered photos from
above. Lawn views have less, since their pixels hold more blades."""
LEAST_HARDNESS: Final = 0.2
"""Softer light makes cover no surer: a photo a little out of focus looks as soft."""
HARD: Final = 0.4
"""From here on cover has about 1.4 times its usual error, and a photo is told to be of hard light, or
sharpened."""
AT_LARGE: Final = 4
HARD_AT_LARGE: Final = 0.28
"""Of hard light squares of `AT_LARGE` pixels differ by so much too. Sharpening, by a phone or a messenger,
doubles what single pixels differ by and hardly changes this: 0.13 to 0.25 for rendered spots under cloud
and in shade, untouched and sharpened by up to two and a half times what is finer than 1.4 pixels, 0.25 to
0.56 in sun and low sun. Of 63 photographs of real turf, many of them sharpened, 37 have `HARD` and 19 of
them this too."""
SHARPENED: Final = 2.2
"""Times as much between pixels as at large: 1.4 to 1.7 in those spots as they are, 1.5 to 2.1 sharpened by
0.7 of it, 1.6 to 2.6 by one and a half."""
LEAST_PAIRS: Final = 100
SOFTENED: Final = 2.0
"""By how much, in logs, a blur of a square pixel's variance makes light look softer. Eleven spots enlarged
1.5, 2 and 3 times or made smaller by a quarter look 0.82 to 1.31 times as hard, with it 0.89 to 1.15. By 2.5
they scatter less still, but what enlarging itself blurs counts for more."""
USUAL_BLUR_PX2: Final = 0.078
"""By which the errors of the tuning set's and the samples' spots are as wide in the mean as without it."""


def log_light_of(
    rgb_coded: Bytes, shares: Shares, correction: Correction | None, beside: Flags, dark: Flags
) -> tuple[Floats, Floats]:
    """How much light each place gets, at a quarter of the size: smoothed log light, (h, w), NaN off the lawn.

    Beside it how warm it is, (h, w), not smoothed: the log ratio of red to blue. Each pixel is compared with
    the middle of its own class, so that bare soil is not taken for sun. The log is that of green's luminance:
    exp of it is the reflectance that turf there would seem to have. What is too dark to be classified has no
    say in those middles.
    """
    linear = reflectance.to_linear(np.ascontiguousarray(rgb_coded[::4, ::4]), correction)
    luma = np.log(np.maximum(linear @ LUMINANCE, 1e-4))
    ends = np.maximum(linear[..., ::2], 0) + 0.002  # noise in the dark is no colour
    warmth = np.log(ends[..., 0] / ends[..., 1])
    green, straw, bare = (share[::4, ::4] for share in (shares.green, shares.straw, shares.bare))
    ground = np.maximum(np.maximum(green, straw), bare) * ~beside[::4, ::4]
    kind = np.where(green >= np.maximum(straw, bare), 0, np.where(straw >= bare, 1, 2))
    sure = (ground > 0.6) & ~dark[::4, ::4]
    if sure.sum() < 200:
        sure = ground > 0.6
    middles = [np.median(luma[m]) if (m := (kind == k) & sure).sum() > 50 else np.nan for k in range(3)]
    anchor = (
        middles[0] if np.isfinite(middles[0]) else np.nanmean(middles) if np.any(np.isfinite(middles)) else 0
    )
    rest = luma - np.nan_to_num(np.array(middles), nan=float(anchor))[kind]
    sigma = max(2.0, min(luma.shape) / 45)
    weight = np.where(ground > 0.5, ground, 0).astype(np.float32)
    total: Floats = np.asarray(cv2.GaussianBlur(weight, (0, 0), sigma), dtype=np.float32)
    smooth: Floats = np.asarray(cv2.GaussianBlur(rest.astype(np.float32) * weight, (0, 0), sigma), np.float32)
    return np.where(total > 0.15, smooth / np.maximum(total, 1e-3) + anchor, np.nan), warmth


def hardness(rgb_linear: Floats, green: Floats, counts: Flags) -> float:
    """How hard the light on the turf is: mean difference in log luminance of green pixels that touch.

    Low sun lights one blade and leaves the next in the dark, where what is turf and what is soil is a guess.

    Parameters
    ----------
    rgb_linear : (H, W, 3), in any unit of light
    green : (H, W) share of green
    counts : (H, W), the usable pixels in one light

    Returns NaN where hardly any turf shows. Each fourth row and column is enough.
    """
    turf = counts[::4] & (green[::4] > 0.5)
    pairs = turf[:, :-1:4] & turf[:, 1::4]
    if np.count_nonzero(pairs) < LEAST_PAIRS:
        return float("nan")
    light = cv2.transform(rgb_linear[::4], LUMINANCE[None])
    left, right = (np.log(side[pairs] + 0.002) for side in (light[:, :-1:4], light[:, 1::4]))
    return float(np.abs(left - right).mean())


def as_usually_shrunk(hardness: float, scale: float) -> float:
    """The hardness of light in a picture that was made smaller to ``scale``, as if by the usual factor.

    Pictures are averaged over squares that don't fall on whole pixels, those to less than half by way of
    exactly half. That blurs by two square boxes as wide as a pixel of the last step. So one view had another
    hardness from a camera of more pixels, or enlarged by a digital zoom. What was small from the start has
    the blur of whatever made it so: it stays as it is. It is for photos from above: lawn views hold hardly
    finer pixels than they are judged at, and what enlarging blurs of those weighs as much as this.
    """
    if scale >= 1:
        return hardness
    step = 2 * scale if scale < 0.5 else scale
    return hardness * float(np.exp(SOFTENED * (step**2 / 6 - USUAL_BLUR_PX2)))


def at_large(rgb_linear: Floats, green: Floats, counts: Flags) -> float:
    """The same between squares of `AT_LARGE` pixels of turf: what sharpening hardly changes."""
    size = counts.shape[1] // AT_LARGE, counts.shape[0] // AT_LARGE
    if min(size) < 2:
        return float("nan")
    usable = np.where(counts, green, np.float32(0))
    turf = np.asarray(cv2.resize(usable, size, interpolation=cv2.INTER_AREA)) > 0.5
    pairs = turf[:, :-1] & turf[:, 1:]
    if np.count_nonzero(pairs) < LEAST_PAIRS:
        return float("nan")
    light = cv2.transform(np.asarray(rgb_linear, np.float32), LUMINANCE[None].astype(np.float32))
    means = np.asarray(cv2.resize(light, size, interpolation=cv2.INTER_AREA))
    logs = np.log(np.maximum(means, 0) + 0.002)
    return float(np.abs(logs[:, :-1] - logs[:, 1:])[pairs].mean())


def other_light(
    log_light: Floats, warmth: Floats, correction: Correction | None, card: Flags
) -> tuple[Flags, bool]:
    """Places in other light than the card, (h, w), and whether the lawn stands in several lights.

    ``log_light`` and ``warmth`` are what `log_light_of` gives.
    """
    known = np.isfinite(log_light)
    nothing = np.zeros(log_light.shape, bool)
    if known.sum() < 200:
        return nothing, False
    values = log_light[known]
    cuts = _cuts(values, 0.03 * len(values), warmth[known])
    if not cuts:
        low, high = np.log(GREEN_REFLECTANCE)
        wrong = correction is not None and not low < np.median(values) < high
        return (known if wrong else nothing), False
    lights = np.digitize(log_light, cuts)
    near = (
        np.asarray(cv2.dilate(card[::4, ::4].astype(np.uint8), np.ones((3, 3), np.uint8), iterations=6)) > 0
    )
    half_lit = correction is not None and correction.half_lit
    return known & (lights != _light_of_card(log_light, lights, near & known, half_lit=half_lit)), True


def _light_of_card(log_light: Floats, lights: Whole, near: Flags, *, half_lit: bool) -> int:
    """Which of the lights, 0 the darkest, falls on the card: that on most of the ground near it.

    A card that a shadow crosses is read by its sunlit part. Where nothing near it is known, the brightest
    light counts in which turf does not seem brighter than any turf is.
    """
    if near.sum() > 20:
        share = np.bincount(lights[near], minlength=lights.max() + 1) / near.sum()
        return int(np.flatnonzero(share > LIT_SHARE).max()) if half_lit else int(share.argmax())
    known = np.isfinite(log_light)
    high = np.log(GREEN_REFLECTANCE[1])
    for light in range(int(lights[known].max()), 0, -1):
        if np.median(log_light[known & (lights == light)]) < high:
            return light
    return 0


def _cuts(values: Floats, least: float, warmth: Floats | None = None) -> list[float]:
    """Between which levels of log light a lawn's lights part, in order: at most two halves of two halves.

    ``least`` is how many values the smaller of two lights has. Halves of halves are told without ``warmth``.
    """
    if len(values) < 2 * least:
        return []
    cut, apart, told = _two_lights(values)
    dark = values <= cut
    if not least < np.count_nonzero(dark) < len(values) - least:
        return []
    if warmth is None:
        return [cut] if apart > FURTHER_LIGHTS[0] and told > FURTHER_LIGHTS[1] else []
    cuts = [*_cuts(values[dark], least), cut, *_cuts(values[~dark], least)]
    if apart > LIGHTS_APART and (told > LIGHTS_TOLD or len(cuts) > 1):  # of three lights, two tell less
        return cuts
    if apart <= BLUER_LIGHTS[0] or told <= BLUER_LIGHTS[1] or dark.mean() <= BLUER_SHARE:
        return []
    return cuts if np.median(warmth[~dark]) - np.median(warmth[dark]) > BLUER else []


def _two_lights(values: Floats) -> tuple[float, float, float]:
    """Otsu's cut of log light into two, how far the halves are apart, and what share of variance they tell.

    Otsu, N. (1979). IEEE Transactions on Systems, Man, and Cybernetics 9, 62-66.
    """
    count, edges = np.histogram(values, bins=128)
    centre = (edges[1:] + edges[:-1]) / 2
    below = np.cumsum(count)[:-1]
    above = below[-1] + count[-1] - below
    sums = np.cumsum(count * centre)
    mean_below = sums[:-1] / np.maximum(below, 1)
    mean_above = (sums[-1] - sums[:-1]) / np.maximum(above, 1)
    between = below * above * (mean_above - mean_below) ** 2
    best = int(np.argmax(between))
    spread = float(np.sum(count * (centre - sums[-1] / count.sum()) ** 2)) * float(count.sum())
    apart = float(mean_above[best] - mean_below[best])
    return float(edges[best + 1]), apart, float(between[best]) / max(spread, 1e-12)


def dark_corners(log_light: Floats) -> Flags:
    """Places that the lens leaves with less than `CORNER_LIGHT`, by a tilted plane plus a round falloff.

    All four corners must be darker than the middle: a shade's edge leaves one light.
    """
    height, width = log_light.shape
    y, x = np.mgrid[-1 : 1 : height * 1j, -1 : 1 : width * 1j]
    scale = np.hypot(height, width)
    round_ = ((x * width) ** 2 + (y * height) ** 2) / scale**2  # 1 in the corners
    known = np.isfinite(log_light)
    far, middle = known & (round_ > 0.6), known & (round_ < 0.3)
    corners = [far & ((x > 0) == right) & ((y > 0) == lower) for right in (0, 1) for lower in (0, 1)]
    if known.mean() < 0.5 or not middle.any() or min(corner.sum() for corner in corners) < 20:
        return np.zeros(log_light.shape, bool)
    lightest = max(np.median(log_light[corner]) for corner in corners) - np.median(log_light[middle])
    if lightest > np.log(CORNER_LIGHT + 0.2):
        return np.zeros(log_light.shape, bool)
    step = max(1, int(np.sqrt(known.sum() / 2000)))
    pick = known[::step, ::step]
    value = log_light[::step, ::step][pick]
    terms = np.stack([np.ones(pick.shape), x[::step, ::step], y[::step, ::step]], axis=-1)[pick]
    bowl = round_[::step, ::step][pick]
    plane = value - terms @ np.linalg.lstsq(terms, value, rcond=None)[0]
    all_terms = np.column_stack([terms, bowl])
    found = np.linalg.lstsq(all_terms, value, rcond=None)[0]
    left = value - all_terms @ found
    if np.exp(found[3]) > CORNER_LIGHT or left.var() > 0.6 * plane.var():
        return np.zeros(log_light.shape, bool)
    return np.exp(found[3] * round_) < CORNER_LIGHT + 0.1
