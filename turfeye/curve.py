"""The growth curve of one cell: cover against time.

    cover(x) = s + (1 - s) g S(exp(r) (x - m)),    S(z) = 1 / (1 + exp(-z))

with s the cover that was there before (lower asymptote), g the share of the gap that fills, exp(r) the rate
and m the half-way time: the parameters ``theta`` are (logit s, logit g, r, m). By choice Gompertz:
S(z) = exp(-ln 2 exp(-z / (2 ln 2))), which has the same half-way time and the same slope there.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from turfeye.records import Floats

Curve = Literal["logistic", "gompertz"]

P = 4
"""How many parameters a curve has."""


def cover_at(theta: Floats, x: Floats, curve: Curve = "logistic") -> Floats:
    """Cover of curves ``theta`` (..., 4) at times ``x``, broadcast against theta[..., 0].

    >>> round(float(cover_at(np.array([-30.0, 30.0, 0.0, 5.0]), np.array(5.0))), 9)
    0.5
    """
    start, gain = expit(theta[..., 0]), expit(theta[..., 1])
    return start + (1 - start) * gain * risen_at(theta, x, curve)


def risen_at(theta: Floats, x: Floats, curve: Curve) -> Floats:
    """Share of their rise that curves ``theta`` have made at times ``x``, wherever they start and end: 0-1.

    >>> risen_at(np.array([-2.0, 1.0, 0.0, 5.0]), np.array([5.0, 99.0]), "logistic").tolist()
    [0.5, 1.0]
    """
    return _shape(np.exp(theta[..., 2]) * (x - theta[..., 3]), curve)


def end_cover(theta: Floats) -> Floats:
    """Where the curves end: the upper asymptote, (...)."""
    start = expit(theta[..., 0])
    return start + (1 - start) * expit(theta[..., 1])


def reach_time(theta: Floats, cover: float, curve: Curve) -> Floats:
    """Time at which the curves reach ``cover``: -inf when there from the start, inf when never."""
    start = expit(theta[..., 0])
    with np.errstate(divide="ignore", invalid="ignore"):
        rise = (cover - start) / ((1 - start) * expit(theta[..., 1]))
        inner = np.clip(rise, 1e-300, 1 - 1e-16)
        z = np.log(inner / (1 - inner))
        if curve == "gompertz":
            z = -2 * np.log(2) * np.log(-np.log(inner) / np.log(2))
        time = theta[..., 3] + z * np.exp(-theta[..., 2])
    return np.where(rise >= 1, np.inf, np.where(rise <= 0, -np.inf, time))


def value_and_slope(theta: Floats, x: Floats, curve: Curve) -> tuple[Floats, Floats]:
    """Curves (..., V) and their derivatives (..., V, P) at ``x`` (V,)."""
    start, gain = expit(theta[..., 0:1]), expit(theta[..., 1:2])
    rate = np.exp(theta[..., 2:3])
    z = rate * (x - theta[..., 3:4])
    rise = _shape(z, curve)
    gap = (1 - start) * gain
    if curve == "gompertz":
        steep = rise * np.log(np.maximum(rise, 1e-300)) * (-gap / (2 * np.log(2)))
    else:
        steep = gap * rise * (1 - rise)
    slope = np.empty((P, *z.shape))  # a parameter in one piece: faster to write and to weight
    slope[0] = start * (1 - start) * (1 - gain * rise)
    np.multiply(rise, gap * (1 - gain), out=slope[1])
    np.multiply(steep, z, out=slope[2])
    np.multiply(steep, -rate, out=slope[3])
    return start + gap * rise, np.moveaxis(slope, 0, -1)


def _shape(z: Floats, curve: Curve) -> Floats:
    if curve == "gompertz":
        return np.exp(-np.log(2) * np.exp(-np.clip(z, -60, 700) / (2 * np.log(2))))
    return expit(z)


def expit(z: Floats) -> Floats:
    """1 / (1 + exp(-z)), without overflow."""
    return 0.5 + 0.5 * np.tanh(0.5 * z)
