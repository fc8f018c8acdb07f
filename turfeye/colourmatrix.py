"""Matrices of a colour correction: what is left to do after gains and tone curve, solved or guessed."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from turfeye.colourspace import BRADFORD, RGB_TO_XYZ, WHITE_XYZ, delta_e, lab
from turfeye.records import Floats

_CONES: Final = (BRADFORD @ RGB_TO_XYZ) / (BRADFORD @ WHITE_XYZ)[:, None]
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

PHONES_APART: Final = 0.5
"""By which part of their prior, one standard deviation, phones differ in what steps left out would have told:
without any, the index of 16 rendered photos was off by 0.038 where the whole prior says 0.08; with three and
fewer left, as half a stop to two stops too much light leave them, by 0.014 to 0.019 where this says 0.009 to
0.018, in 20 rendered spots."""

STRONG_CAST: Final = 2.0
"""Ratio of the largest to the smallest gain from which a cast is undone in the camera's primaries."""


def root_polynomial(rgb_linear: NDArray) -> Floats:
    """Root-polynomial terms of degree 2, (..., 6): R, G, B, sqrt(RG), sqrt(GB), sqrt(RB).

    They scale with exposure as RGB do. Finlayson, G. D., Mackiewicz, M., Hurlbert, A. (2015). IEEE
    Transactions on Image Processing 24, 1460-1470.
    """
    rgb = np.maximum(np.asarray(rgb_linear), 0)
    r, g, b = rgb[..., 0], rgb[..., 1], rgb[..., 2]
    return np.stack([r, g, b, np.sqrt(r * g), np.sqrt(g * b), np.sqrt(r * b)], axis=-1)


def solved(terms: Floats, want: Floats) -> Floats:
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


def of_cast(gain: Floats) -> Floats | None:
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


def of_phone(linear: Floats, want: Floats) -> Floats:
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
        pull = (weight * mixed.T) @ (true - seen) / STEP_COLOUR_SD**2
        terms = np.linalg.solve(_precision(mixed, weight), pull.T.ravel()).reshape(3, 2)
        miss = np.sqrt(np.mean((true - seen - mixed @ terms.T) ** 2, axis=1))
        weight = (1.0 + (miss / (2 * STEP_COLOUR_SD)) ** 2) ** -2.0
    return np.eye(3) + terms @ _MIXES


def unread_cov(read: Floats, card: Floats) -> Floats:
    """(6, 6) covariance of what `of_phone` solves for that steps which can't be read would have taken away.

    With all of the card's steps it is none: what those leave unsure is alike in all photos of a card.
    ``read`` and ``card`` are linear colours, (N, 3), of the steps that were used and of all that it has. The
    prior is wide, and so is what it says of steps left out: `PHONES_APART` of it is taken.
    """
    left, all_read = (np.linalg.inv(_precision(_chroma(some) @ _MIXES.T)) for some in (read, card))
    size, axes = np.linalg.eigh(PHONES_APART**2 * (left - all_read))
    return (axes * np.maximum(size, 0)) @ axes.T


def moved(rgb_linear: Floats, terms: Floats) -> Floats:
    """Linear RGB (..., 3) by so much more of what `of_phone` solves for, (6,)."""
    return rgb_linear @ (np.eye(3) + terms.reshape(3, 2) @ _MIXES).T


def _precision(mixed: Floats, weight: Floats | float = 1.0) -> Floats:
    """(6, 6) by prior and steps, each of these two mixes (N, 2)."""
    precision = _MIXING_PRECISION.copy()
    for row in (0, 2, 4):
        precision[row : row + 2, row : row + 2] += (weight * mixed.T) @ mixed / STEP_COLOUR_SD**2
    return precision


def _chroma(rgb_linear: Floats) -> Floats:
    """Difference from the grey of the same luminance, as a share of it."""
    grey = np.maximum(rgb_linear @ RGB_TO_XYZ[1], 1e-4)[..., None]
    return rgb_linear / grey - 1.0


def without_trust(gain: Floats, linear: Floats, want: Floats) -> Floats | None:
    """What can be said without measured colours: from three coloured steps on a phone's matrix, of sRGB or of
    a camera's own primaries, whichever leaves the smaller difference; from one or two, where a bright photo
    burnt the others out, a phone's matrix after what a strong cast asks for; from none that alone, if any.

    Left with the darkest two, one and none of the card's six, the colour index of 16 rendered photos moves by
    0.007, 0.011 and 0.038 (root mean square).
    """
    if len(linear) < 3:
        base = of_cast(gain)
        if not len(linear):
            return base
        base = np.eye(3) if base is None else base
        return of_phone(apply_matrix(linear, base), want) @ base
    choices = [of_phone(apply_matrix(linear, base), want) @ base for base in (np.eye(3), OWN_PRIMARIES)]
    return min(choices, key=lambda matrix: float(delta_e(lab(linear @ matrix.T), lab(want)).mean()))


def left_out(linear: Floats, want: Floats, columns: int) -> Floats:
    """Each patch's CIEDE2000 under a matrix solved without it; 0 columns: no matrix."""
    if columns == 0:
        return delta_e(lab(linear), lab(want))
    terms = linear if columns == 3 else root_polynomial(linear)
    got = np.empty_like(want)
    for i in range(len(linear)):
        keep = np.arange(len(linear)) != i
        got[i] = terms[i] @ solved(terms[keep], want[keep]).T
    return delta_e(lab(got), lab(want))


def best(linear: Floats, want: Floats) -> Floats | None:
    """None, 3x3 or root polynomial: what gives patches left out the smallest mean difference."""
    choices = [columns for columns in (0, 3, 6) if len(linear) >= 3 * columns]
    scores = {columns: float(left_out(linear, want, columns).mean()) for columns in choices}
    best = min(scores, key=lambda c: scores[c])
    if best == 0:
        return None
    return solved(linear if best == 3 else root_polynomial(linear), want)
