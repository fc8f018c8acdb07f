"""The colour of the green in each cell: its index, hue and L*a*b*, and how far that may be off.

A photo can be too dark or too coarse to tell the colour of what it shows, though not that it is green: then
the colour is withheld, with the reason, and cover stays.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from turfeye import colour, colourmatrix, colourspace, evened, reflectance, stray
from turfeye.colourspace import LUMINANCE
from turfeye.gather import Gather
from turfeye.records import CellTable, Correction, Flags, Floats, Pixels, Words

MOST_CAST: Final = 5.0
"""With one channel raised so many times more than another, grass lies at that channel's first few codes, in
steps of a fifth and more: its hue is a guess, and colour is withheld."""
GREEN: Final = 0.6
"""A pixel with at least this share of green carries colour; less, and the soil beside it does."""
MOST_COLOURED: Final = 100_000
"""Colour is averaged over at most about this many pixels: twice as many change the third decimal of a cell's
index, and take 20 ms."""
FEWEST_COLOURED: Final = 20
"""A cell with fewer green pixels than this has no colour of its own."""
MOST_INDEX_SE: Final = 0.05
"""An index that may be off by more than this is withheld: twice what one turf differs by from light to light
(`summary.DGCI_LIGHT_SE`), it would tell of its own photo more than of the turf. Up to that it is given, with
its error: at 0.035 closed dark turf in good daylight, which is what the index is for, lost its colour."""
STEP_CODES: Final = 0.29
"""Standard deviation of what rounding to whole codes takes away, 1 / sqrt(12)."""
BELOW_SD: Final = 0.19
"""How far the tone curve is off below the darkest grey step, in log light by log of the code: 0.16 to 0.22
(root mean square) from four fifths of that step's code down to a tenth of it, over the published curves of
tests/test_colour.py and fourteen simulated phones, each at three exposures."""
TOO_DARK: Final = "colour withheld: too dark in one channel to tell its colour"
TOO_SMEARED: Final = "colour withheld: blades too fine here to part their colour from the ground's"
STRAY_LIGHT: Final = "colour withheld: stray light lies over the photo"
EVENED_OUT: Final = "colour withheld: the photo's tones were evened out place by place"
FEW_STEPS: Final = "colour withheld: too few coloured steps of the card could be read"
ADVICE: Final = {
    FEW_STEPS: "most colour is withheld, too few of the card's coloured steps can be read: print it in "
    "colour, keep shadows off it, and take the photo less bright",
    STRAY_LIGHT: "most colour is withheld, stray light lies over the photo: wipe the lens, shade it",
    EVENED_OUT: "most colour is withheld, the photo's tones were evened out: switch HDR and filters off",
    TOO_DARK: "most colour is withheld, too dark to tell: take the photo in more light",
    TOO_SMEARED: "most colour is withheld, blades are too fine to part it from the ground's: go nearer, or "
    "set the phone's white balance to automatic or daylight",
}
LEAF_RATIO: Final = -0.17
"""Log ratio of red to green light that the greenest tenth of what is surely green stays below where leaves
are: it is -0.23 and less in rendered spots and lawns and in photographs of real turf with a card laid in,
yellow and thin ones among them; -0.11 and more in what was read as green without leaves: dead turf, dry
grass, algae on soil."""
LEAST_LEAVES: Final = 50
LEAST_LEAFY: Final = 0.01
"""Of what counts: below it recompression mixes the few green places of young turf with the soil's colour
(by a messenger's JPEG the log ratio rose from -0.19 to -0.12), and what they put in doubt is little."""
LEAFLESS_SE: Final = 0.85
"""Of a cover that has no leaf's colour. The mean of a photo has 0.6 of it (`covererror.SHARED`), which is
about what is off if any share of it, as likely as any other, is leaves; the cells of a photo err alike in
this."""
NO_LEAVES: Final = (
    "what is read as green has no leaf's colour: dry or dead turf and algae can be read as green, and turf "
    "among dry grass missed, so cover is a guess; go and look"
)
NAMES: Final = ("dgci", "dgci_sd", "dgci_se", "hue_deg", "exg", "lab_l", "lab_a", "lab_b")


def trusted(correction: Correction | None) -> Correction | None:
    """The correction if colour can rest on it; None without one, or where it undoes too strong a cast."""
    return None if correction is None or correction.cast > MOST_CAST else correction


def leafless(pixels: Pixels, in_card_light: Flags) -> bool:
    """Whether what is surely green has nowhere a leaf's colour; False where hardly any is, or no card tells.

    Pixels are averaged over squares of four first: phones smear colour, and single ones have noise.
    """
    size = in_card_light.shape[1] // 4, in_card_light.shape[0] // 4
    if trusted(pixels.correction) is None or min(size) < 1:
        return False
    green = np.where(in_card_light, pixels.shares.green, np.float32(0))
    sure = np.asarray(cv2.resize(green, size, interpolation=cv2.INTER_AREA)) > GREEN
    least = max(LEAST_LEAVES, LEAST_LEAFY * in_card_light.mean() * sure.size)
    if np.count_nonzero(sure) < least:
        return False
    light = np.asarray(cv2.resize(pixels.rgb_linear, size, interpolation=cv2.INTER_AREA))[sure]
    light = np.maximum(light, 0) + 0.002  # a correction may leave less than nothing of a saturated colour
    return bool(np.quantile(np.log(light[:, 0] / light[:, 1]), 0.1) > LEAF_RATIO)


def of_cells(cells: Gather, pixels: Pixels, in_card_light: Flags) -> tuple[dict[str, Floats], Words]:
    """Mean colour of each cell's lit green pixels, (cells,) by name, and why it is withheld, "" where not.

    Leaves below others are lit by the sky and through their neighbours, in sun quite unlike those on top. So
    only pixels at least as bright as the cell's own mean count: one turf in sun, cloud, shade and evening
    light then has an index within 0.015 (sd) instead of 0.022.

    Colour comes from light with the file's smear taken back (`reflectance.unsmeared`). Since phones differ in
    how far they smear, what that changes in the index is part of its error. Without a trusted correction
    every colour is unknown.

    Parameters
    ----------
    cells : the usable pixels, gathered
    pixels : the photo
    in_card_light : (H, W)
    """
    correction = trusted(pixels.correction)
    if correction is None:
        return dict.fromkeys(NAMES, np.full(cells.count, np.nan)), np.full(cells.count, "")
    lifted = replace(correction, stray=correction.stray + correction.gap_light)
    wanted = np.flatnonzero(((pixels.shares.green >= GREEN) & in_card_light).ravel() & cells.shown)
    picked = wanted[:: max(1, len(wanted) // MOST_COLOURED)]
    cell, plain = cells.cell_of(picked), np.take(pixels.rgb_linear.reshape(-1, 3), picked, axis=0)
    plain = np.maximum(plain - np.float32(correction.gap_light), 0)
    linear = plain
    if pixels.smear_px > 0:
        linear = reflectance.unsmeared(pixels.rgb_coded, lifted, smear_px=pixels.smear_px, places=picked)
    light = linear @ LUMINANCE
    total = np.bincount(cell, light, minlength=cells.count)
    lit = np.flatnonzero(light * np.bincount(cell, minlength=cells.count)[cell] >= total[cell])
    cell, picked = cell[lit], picked[lit]
    plain, linear = (np.take(each, lit, axis=0) for each in (plain, linear))
    count = np.bincount(cell, minlength=cells.count)
    enough = count >= FEWEST_COLOURED

    def mean(values: Floats) -> Floats:
        sums = np.bincount(cell, values, minlength=cells.count)
        return np.where(enough, sums / np.maximum(count, 1), np.nan)

    def colours(values: NDArray) -> Floats:
        return np.stack([mean(channel) for channel in values.T], axis=-1)

    found = _measures(linear, mean)
    dark, unread = np.full((2, cells.count), np.nan)
    codes = colours(np.take(pixels.rgb_coded.reshape(-1, 3), picked, axis=0))
    dark[enough], unread[enough] = index_se(codes[enough], lifted), unread_se(codes[enough], lifted)
    smeared = np.abs(_index(colours(linear)) - _index(colours(plain)))
    toned = evened.index_se(correction)
    strayed = stray.index_se(correction)
    found["dgci_se"] = np.sqrt(dark**2 + unread**2 + smeared**2 + toned**2 + strayed**2)
    most = np.maximum(np.maximum(dark, smeared), unread)
    why = np.select(
        [
            ~(found["dgci_se"] > MOST_INDEX_SE),
            strayed > np.maximum(most, toned),
            toned > most,
            unread > np.maximum(dark, smeared),
            dark > smeared,
        ],
        ["", STRAY_LIGHT, EVENED_OUT, FEW_STEPS, TOO_DARK],
        default=TOO_SMEARED,
    )
    return {name: np.where(why == "", values, np.nan) for name, values in found.items()}, why


def hints(table: CellTable) -> list[str]:
    """What to do where more than half of the green cells have no colour: for the commonest reason."""
    why = mostly_withheld(table)
    return [ADVICE[why]] if why else []


def mostly_withheld(table: CellTable) -> str:
    """Why more than half of the green cells have no colour, the commonest reason; "" where they have."""
    known = np.isfinite(table.dgci).sum()
    withheld = {why: np.sum(table.why == why) for why in ADVICE}
    return max(withheld, key=lambda why: withheld[why]) if sum(withheld.values()) > known else ""


def _measures(linear: Floats, mean: Callable[[Floats], Floats]) -> dict[str, Floats]:
    """Every measure of pixels (N, 3), averaged over cells by ``mean``; the index's error still unknown."""
    coded = colourspace.encode(np.clip(linear, 0, 1))
    hsb, lab = colourspace.hsb(coded), colourspace.lab(linear)
    dgci, hue = colourspace.dgci_of_hsb(*hsb), np.radians(hsb[0])
    average = mean(dgci)
    return {
        "dgci": average,
        "dgci_sd": np.sqrt(np.maximum(mean(dgci**2) - average**2, 0)),
        "dgci_se": np.full(len(average), np.nan),
        "hue_deg": np.degrees(np.arctan2(mean(np.sin(hue)), mean(np.cos(hue)))) % 360,
        "exg": mean(colourspace.excess_green(coded)),
        "lab_l": mean(lab[..., 0]),
        "lab_a": mean(lab[..., 1]),
        "lab_b": mean(lab[..., 2]),
    }


def index_se(codes: Floats, correction: Correction) -> Floats:
    """Standard error of the index of greens of these camera codes, (N, 3), 0-255: (N,).

    From what the grey steps leave unsure of gains and tone curve, from the curve's run below the darkest
    step, which is one guess for all channels, and from rounding, in each channel apart; by differences.
    """
    log_gain, tone = np.log(correction.gain), np.asarray(correction.tone)
    codes = np.maximum(np.asarray(codes, float), 0.5)
    below = np.log(np.maximum(correction.darkest_code / codes, 1.0))

    def light(moved: Floats, tone: Floats = tone, codes: Floats = codes) -> Floats:
        seen = colour.tone_to_linear(codes, (float(tone[0]), float(tone[1]))) * np.exp(log_gain + moved)
        return np.maximum(seen - correction.stray, 0)

    still, small = np.zeros(3), 0.02
    to_both_sides = [
        *((light(d), light(-d)) for d in small * np.eye(3)),
        *((light(still, tone + d), light(still, tone - d)) for d in small * np.eye(2)),
        (light(BELOW_SD * below), light(-BELOW_SD * below)),
        *((light(still, tone, codes + d), light(still, tone, codes - d)) for d in STEP_CODES * np.eye(3)),
    ]
    there = _index(colourmatrix.apply_matrix(np.array(to_both_sides), correction.matrix))  # (9, 2, N)
    half = (there[:, 0] - there[:, 1]) / 2
    known = np.zeros((5, 5)) if correction.fit_cov is None else correction.fit_cov
    of_fit = np.einsum("in,ij,jn->n", half[:5], known, half[:5]) / small**2
    return np.sqrt(of_fit + np.sum(half[5:] ** 2, axis=0))


def unread_se(codes: Floats, correction: Correction) -> Floats:
    """Standard error of the same from coloured steps that could not be read: (N,), by differences."""
    if correction.unread_cov is None:
        return np.zeros(len(codes))
    light = colour.tone_to_linear(codes, correction.tone) * np.asarray(correction.gain) - correction.stray
    linear = colourmatrix.apply_matrix(np.maximum(light, 0), correction.matrix)
    small = 0.02
    to_both_sides = [
        [_index(colourmatrix.moved(linear, d)) for d in (one, -one)] for one in small * np.eye(6)
    ]
    half = np.diff(to_both_sides, axis=1)[:, 0] / 2
    return np.sqrt(np.einsum("in,ij,jn->n", half, correction.unread_cov, half)) / small


def _index(linear: Floats) -> Floats:
    return np.asarray(colourspace.dgci(colourspace.encode(np.clip(linear, 0, 1))))
