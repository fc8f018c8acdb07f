"""The growth curve of one cell: cover against time.

    cover(x) = s + (1 - s) g S(exp(r) (x - m)),    S(z) = 1 / (1 + exp(-z))

with s the cover that was there before (lower asymptote), g the share of the gap that fills, exp(r) the rate
and m the half-way time: the parameters ``theta`` are (logit s, logit g, r, m). By choice Gompertz:
S(z) = exp(-ln 2 exp(-z / (2 ln 2))), which has the same half-way time and the same slope there.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from turfeye.errors import SeasonError
from turfeye.records import Floats

Curve = Literal["logistic", "gompertz"]

PARAMETERS = ("start_logit", "gain_logit", "log_rate", "half_days")
P = len(PARAMETERS)


RISE = 4.394
"""A logistic curve takes RISE / rate from 10 % to 90 %: 2 ln 9."""


def cover_at(theta: Floats, x: Floats, curve: Curve = "logistic") -> Floats:
    """Cover of curves ``theta`` (..., 4) at times ``x``, broadcast against theta[..., 0].

    >>> round(float(cover_at(np.array([-30.0, 30.0, 0.0, 5.0]), np.array(5.0))), 9)
    0.5
    """
    start, gain = expit(theta[..., 0]), expit(theta[..., 1])
    return start + (1 - start) * gain * risen_at(theta, x, curve)


def risen_at(theta: Floats, x: Floats, curve: Curve = "logistic") -> Floats:
    """Share of their rise that curves ``theta`` have made at times ``x``, wherever they start and end: 0-1.

    >>> risen_at(np.array([-2.0, 1.0, 0.0, 5.0]), np.array([5.0, 99.0])).tolist()
    [0.5, 1.0]
    """
    return _shape(np.exp(theta[..., 2]) * (x - theta[..., 3]), curve)


def end_cover(theta: Floats) -> Floats:
    """Where the curves end: the upper asymptote, (...)."""
    start = expit(theta[..., 0])
    return start + (1 - start) * expit(theta[..., 1])


def reach_time(theta: Floats, cover: float, curve: Curve = "logistic") -> Floats:
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


def alone(
    x: Floats,
    cover: Floats,
    *,
    start_cover: float | None = None,
) -> tuple[Floats, Floats]:
    """Least squares of a logistic curve for one cell by itself: no prior, no lawn.

    For a plot with visits enough to stand alone.

    Parameters
    ----------
    x, cover : (V,), every value known
    start_cover : the lower asymptote, where it is known (0 for bare soil); else it is fitted

    Returns
    -------
    theta (4,) and its covariance (4, 4), zero for what was held.

    Raises SeasonError when there are too few visits, or the visits don't show a curve.
    """
    free = np.arange(P) if start_cover is None else np.arange(1, P)
    spare = len(x) - len(free)
    if spare < 1:
        raise SeasonError(f"a curve of its own needs {len(free) + 1} visits and there are {len(x)}")
    theta = _first_guess(x, cover, start_cover)
    damping, best = 1e-3, np.inf
    for _ in range(500):
        value, slope = value_and_slope(theta, x, "logistic")
        residual, slope = cover - value, slope[:, free]
        cost = float(residual @ residual)
        normal = slope.T @ slope
        if cost <= best:
            kept, best, damping = theta, cost, damping / 5
            kept_normal, kept_gradient = normal, slope.T @ residual
        else:
            damping *= 4
        damped = kept_normal + damping * np.diag(np.diag(kept_normal) + 1e-12)
        move = np.linalg.solve(damped, kept_gradient)
        if np.abs(move).max() < 1e-11 or damping > 1e12:
            break
        theta = kept.copy()
        theta[free] += np.clip(move, -5, 5)
    if np.linalg.cond(kept_normal) > 1e14:
        raise SeasonError(
            "the visits don't show a whole curve: give more dates, or fit the lawn's cells together"
        )
    cov = np.zeros((P, P))
    cov[np.ix_(free, free)] = best / spare * np.linalg.inv(kept_normal)
    return kept, cov


def _first_guess(x: Floats, cover: Floats, start_cover: float | None) -> Floats:
    low = start_cover if start_cover is not None else max(float(np.min(cover)), 0.01)
    high = min(float(np.max(cover)) + 0.02, 0.99)
    half = float(x[np.argmin(np.abs(cover - (low + high) / 2))])
    gain = np.clip((high - low) / (1 - low), 0.02, 0.98)
    start = np.log(max(low, 1e-18) / (1 - low))
    return np.array([start, np.log(gain / (1 - gain)), np.log(RISE / max(float(np.ptp(x)), 1e-9)), half])


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
