"""Growth curves for many cells at once, partially pooled, with an error shared by each visit.

The curve of a cell, against time x (days since sowing, or degree-days as days at a reference pace):

    cover(x) = s + (1 - s) g S(exp(r) (x - m)),    S(z) = 1 / (1 + exp(-z))

with s the cover that was there before (lower asymptote), g the share of the gap that fills, exp(r) the rate
and m the half-way time: the parameters ``theta`` are (logit s, logit g, r, m). By choice Gompertz:
S(z) = exp(-ln 2 exp(-z / (2 ln 2))), which has the same half-way time and the same slope there.

A visit sees cover(x) + its own offset (light and camera, shared by all cells) + noise. Cells belong to the
lawn (theta normal about the lawn's mean) or to a second kind on which the seed *failed* (g wide about a low
value); how likely each is comes from the evidence. The lawn's mean, the spread between cells, the offsets
and the share of failed cells are found together by empirical Bayes: Gauss-Newton steps on the arrow-shaped
normal equations (cells against shared terms), Gaussian approximations of the cells, EM steps for the
spreads. Noise has heavy tails (Student's t) and so have the offsets, so that a scalped or dry week is set
aside instead of bending the curve.

References
----------
Lindstrom and Bates 1990, Biometrics 46:673-687 (nonlinear mixed effects by linearisation); Lange, Little and
Taylor 1989, JASA 84:881-896 (t noise by reweighting). The priors are ours, and wide: no published parameters
of this curve were found for lawn grasses.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from turfeye.records import Floats

Curve = Literal["logistic", "gompertz"]

PARAMETERS = ("start_logit", "gain_logit", "log_rate", "half_days")
P = len(PARAMETERS)
_GAIN = 1
_STEP = np.array([1.5, 1.5, 0.4, 4.0])
"""Longest Gauss-Newton step a parameter takes at once."""
_POOL = 400
"""The shared terms are found on at most this many cells, evenly chosen: more add nothing but time."""
RISE = 4.394
"""A logistic curve takes RISE / rate from 10 % to 90 %: 2 ln 9."""


@dataclass(frozen=True)
class Prior:
    """What is believed before a photo is taken. Pairs are mean and sd. Ours, and wide."""

    start_logit: tuple[float, float] = (-2.0, 1.3)  # 12 %: most of the range from 1 to 60 %
    gain_logit: tuple[float, float] = (2.8, 0.7)  # 94 % of the gap, mostly 80 to 98
    log_rate: tuple[float, float] = (-1.29, 0.30)  # 16 days from 10 % to 90 %
    half_days: tuple[float, float] = (18.0, 4.5)
    cell_sd: tuple[float, float, float, float] = (0.6, 0.5, 0.15, 1.6)  # between cells of a lawn
    cell_sd_weight: float = 20.0  # that guess counts as this many cells
    failed_gain_logit: tuple[float, float] = (-2.5, 2.0)
    failed_share: float = 0.05
    failed_weight: float = 20.0

    @classmethod
    def of_spans(
        cls, half_days: tuple[float, float], pace_days: tuple[float, float], end_cover: tuple[float, float]
    ) -> Prior:
        """From a mix's table: half-way age, pace (1 / rate) and final cover, each as mean and sd.

        >>> Prior.of_spans((18, 4), (4, 1), (0.95, 0.03)).half_days
        (18, 4)
        """
        end, end_sd = end_cover
        return cls(
            half_days=half_days,
            log_rate=(-float(np.log(pace_days[0])), pace_days[1] / pace_days[0]),
            # on the logit scale, where a cover near 1 would make any sd look huge
            gain_logit=(float(np.log(end / (1 - end))), min(end_sd / (end * (1 - end)), 0.8)),
        )

    @property
    def mean(self) -> Floats:
        """(4,)"""
        return np.array([self.start_logit[0], self.gain_logit[0], self.log_rate[0], self.half_days[0]])

    @property
    def sd(self) -> Floats:
        """(4,) between lawns."""
        return np.array([self.start_logit[1], self.gain_logit[1], self.log_rate[1], self.half_days[1]])


@dataclass(frozen=True)
class Settings:
    """How the fit is done; the defaults suit lawns."""

    curve: Curve = "logistic"
    offset_sd: float = 0.025  # of a visit: light and camera
    curve_sd: float = 0.012  # what no smooth curve follows, a cell and a visit
    noise_tails: float = 8.0  # degrees of freedom of the noise
    offset_tails: float = 3.0  # and of the visits' offsets: a setback is rare and large
    rounds: int = 30
    worth: float = 40.0  # a lawn's cells count as this many in what all share: neighbours are alike


@dataclass(frozen=True, eq=False)
class Fit:
    """Curves of N cells of two kinds (lawn, failed) and what they share."""

    settings: Settings
    prior: Prior
    theta: Floats  # (2, N, 4)
    cov: Floats  # (2, N, 4, 4), given the shared terms
    pull: Floats  # (2, N, 4, 4 + V), how theta moves with the shared terms
    failed: Floats  # (N,) probability that the seed failed there
    mean: Floats  # (4,) of the lawn
    cell_sd: Floats  # (4,) between cells
    offset: Floats  # (V,)
    shared_cov: Floats  # (4 + V, 4 + V)
    noise_scale: float  # the stated errors were too small by this

    def best(self) -> tuple[Floats, Floats]:
        """theta (N, 4) of the likelier kind and its covariance, errors of the shared terms included."""
        kind = (self.failed > 0.5).astype(int)
        pick = np.arange(len(kind))
        pull = self.pull[kind, pick]
        return self.theta[kind, pick], self.cov[kind, pick] + pull @ self.shared_cov @ _t(pull)


def cover_at(theta: Floats, x: Floats, curve: Curve = "logistic") -> Floats:
    """Cover of curves ``theta`` (..., 4) at times ``x``, broadcast against theta[..., 0].

    >>> round(float(cover_at(np.array([-30.0, 30.0, 0.0, 5.0]), np.array(5.0))), 9)
    0.5
    """
    start, gain = _expit(theta[..., 0]), _expit(theta[..., 1])
    rise = _shape(np.exp(theta[..., 2]) * (x - theta[..., 3]), curve)
    return start + (1 - start) * gain * rise


def end_cover(theta: Floats) -> Floats:
    """Where the curves end: the upper asymptote, (...)."""
    start = _expit(theta[..., 0])
    return start + (1 - start) * _expit(theta[..., 1])


def reach_time(theta: Floats, cover: float, curve: Curve = "logistic") -> Floats:
    """Time at which the curves reach ``cover``: -inf when there from the start, inf when never."""
    start = _expit(theta[..., 0])
    with np.errstate(divide="ignore", invalid="ignore"):
        rise = (cover - start) / ((1 - start) * _expit(theta[..., 1]))
        inner = np.clip(rise, 1e-300, 1 - 1e-16)
        z = np.log(inner / (1 - inner))
        if curve == "gompertz":
            z = -2 * np.log(2) * np.log(-np.log(inner) / np.log(2))
        time = theta[..., 3] + z * np.exp(-theta[..., 2])
    return np.where(rise >= 1, np.inf, np.where(rise <= 0, -np.inf, time))


def fit(
    cover: Floats, se: Floats, x: Floats, *, prior: Prior | None = None, settings: Settings | None = None
) -> Fit:
    """Fit every cell of one lawn.

    Parameters
    ----------
    cover, se : (N, V), NaN where not seen
    x : (V,), time of each visit
    """
    prior, settings = prior or Prior(), settings or Settings()
    every = np.flatnonzero(np.isfinite(cover).any(axis=1))
    pool = every[:: max(1, -(-len(every) // _POOL))]
    shared = _Shared.start(prior, len(x))
    theta = np.broadcast_to(shared.kind_means(prior)[:, None], (2, len(pool), P)).copy()
    if len(pool):
        view = _Seen.of(cover[pool], se[pool], x, settings)
        cov = None
        for turn in range(settings.rounds):
            for _ in range(2):
                theta, cells = _cell_step(view, theta, cov, shared, prior, settings)
            cov = cells.cov if turn >= 3 else None
            shared, theta, moved = _shared_step(view, cells, shared, prior, settings, turn=turn)
            if turn > 20 and moved < 0.01:
                break
    return _all_cells(cover, se, x, shared, prior, settings)


@dataclass(frozen=True, eq=False)
class _Seen:
    """The measurements as the solver wants them: no NaN, weight 0 where not seen."""

    cover: Floats  # (N, V)
    weight: Floats  # (N, V), 1 / variance at noise scale 1
    x: Floats  # (V,)

    @classmethod
    def of(cls, cover: Floats, se: Floats, x: Floats, settings: Settings) -> _Seen:
        seen = np.isfinite(cover)
        variance = np.where(seen & np.isfinite(se), se, 0.05) ** 2 + settings.curve_sd**2
        return cls(np.where(seen, cover, 0.0), np.where(seen, 1 / variance, 0.0), x)


@dataclass(frozen=True, eq=False)
class _Shared:
    """What all cells share."""

    mean: Floats  # (P,)
    cell_sd: Floats  # (P,)
    offset: Floats  # (V,)
    failed_share: float
    noise_scale: float
    cov: Floats  # (P + V, P + V)

    @classmethod
    def start(cls, prior: Prior, visits: int) -> _Shared:
        return cls(
            prior.mean, np.array(prior.cell_sd), np.zeros(visits), prior.failed_share, 1.0,
            np.diag(np.concatenate([prior.sd**2, np.zeros(visits)])),
        )  # fmt: skip

    def kind_means(self, prior: Prior) -> Floats:
        """(2, P): of the lawn's cells, and of those where the seed failed."""
        failed = self.mean.copy()
        failed[_GAIN] = prior.failed_gain_logit[0]
        return np.stack([self.mean, failed])

    def kind_precisions(self, prior: Prior) -> Floats:
        """(2, P)"""
        failed = self.cell_sd.copy()
        failed[_GAIN] = prior.failed_gain_logit[1]
        return 1 / np.stack([self.cell_sd, failed]) ** 2


@dataclass(frozen=True, eq=False)
class _Cells:
    """The cells' state given the shared terms, by kind (2, N, ...)."""

    theta: Floats  # (2, N, P)
    cov: Floats  # (2, N, P, P)
    odds: Floats  # (2, N), probability of each kind
    weight: Floats  # (2, N, V), with the tails' reweighting
    leaning: Floats  # (2, N, V), weight times residual
    slope: Floats  # (2, N, V, P), weight times slope
    misfit: Floats  # (2, N), expected sum of squared residuals over their variance


def _points(theta: Floats, cov: Floats | None) -> Floats:
    """(2, N, S, P): the curve itself, or 2 P cubature points of its distribution."""
    if cov is None:
        return theta[..., None, :]
    arms = np.sqrt(P) * _t(np.linalg.cholesky(cov))
    return theta[..., None, :] + np.concatenate([arms, -arms], axis=-2)


def _cell_step(
    view: _Seen, theta: Floats, cov: Floats | None, shared: _Shared, prior: Prior, settings: Settings
) -> tuple[Floats, _Cells]:
    """One Gauss-Newton step of every cell, shared terms held: where it leads, and the state it started from.

    With ``cov`` the step is towards the best Gaussian approximation (fit and slope are averaged over the
    distribution, Opper and Archambeau 2009, Neural Computation 21:786-792), without it to the peak. The peak
    alone leans to steep curves, because it forgets how little room they leave.
    """
    means = shared.kind_means(prior)[:, None]
    precision = shared.kind_precisions(prior)
    nu = settings.noise_tails
    base = (view.weight / shared.noise_scale)[:, None, :]
    value, slope = _value_and_slope(_points(theta, cov), view.x, settings.curve)
    size = value.shape[-2]
    residual = np.where(base > 0, view.cover[:, None, :] - value - shared.offset, 0.0)
    square = residual**2 * base
    weight = base * (nu + 1) / (nu + square) / size
    weighted = slope * weight[..., None]
    flat = (*theta.shape[:2], -1, P)
    hessian = _t(weighted.reshape(flat)) @ slope.reshape(flat)
    hessian[..., np.arange(P), np.arange(P)] += precision[:, None]
    gradient = (weighted * residual[..., None]).sum(axis=(-3, -2)) - precision[:, None] * (theta - means)
    move = np.linalg.solve(hessian, gradient[..., None])[..., 0]
    # shorten the whole step, not one parameter of it: the direction stays downhill
    move /= np.maximum(1, np.abs(move / _STEP).max(axis=-1, keepdims=True))
    here = np.linalg.inv(hessian)
    log_fit = -(nu + 1) / 2 * np.log1p(square / nu).sum(axis=(-2, -1)) / size
    spread = 0.0 if cov is None else np.diagonal(cov, axis1=-2, axis2=-1)
    log_prior = -0.5 * (precision[:, None] * ((theta - means) ** 2 + spread)).sum(axis=-1)
    log_room = 0.5 * (np.log(precision).sum(axis=-1)[:, None] + np.linalg.slogdet(here)[1])
    share = np.array([1 - shared.failed_share, shared.failed_share])
    evidence = log_fit + log_prior + log_room + np.log(share)[:, None]
    odds = np.exp(evidence - evidence.max(axis=0))
    cells = _Cells(
        theta=theta,
        cov=here,
        odds=odds / odds.sum(axis=0),
        weight=weight.sum(axis=-2),
        leaning=(weight * residual).sum(axis=-2),
        slope=weighted.sum(axis=-3),
        misfit=(weight * residual**2).sum(axis=(-2, -1)),
    )
    return theta + move, cells


def _pull(cells: _Cells, precision: Floats) -> Floats:
    """(2, N, P, P + V): how the cells' curves follow the shared mean and offsets."""
    link = np.broadcast_to(np.stack([np.diag(p) for p in precision])[:, None], cells.cov.shape).copy()
    link[1, :, _GAIN, _GAIN] = 0  # the failed cells' gain follows nothing
    return cells.cov @ np.concatenate([link, -_t(cells.slope)], axis=-1)


def _shared_step(
    view: _Seen, cells: _Cells, shared: _Shared, prior: Prior, settings: Settings, *, turn: int
) -> tuple[_Shared, Floats, float]:
    """One step of the shared terms, the cells' curves in tow; also how far it went, in prior sds."""
    precision = shared.kind_precisions(prior)
    visits = len(view.x)
    deviation = cells.theta - shared.kind_means(prior)[:, None]
    deviation_linked, linked = deviation.copy(), precision.copy()
    deviation_linked[1, :, _GAIN] = 0
    linked[1, _GAIN] = 0

    odds = cells.odds * min(1.0, settings.worth / max(cells.odds.sum(), 1.0))
    gradient = np.concatenate([
        (odds[..., None] * deviation_linked * precision[:, None]).sum(axis=(0, 1)),
        (odds[..., None] * cells.leaning).sum(axis=(0, 1)),
    ])  # fmt: skip
    own = np.concatenate([
        (odds.sum(axis=1)[:, None] * linked).sum(axis=0),
        (odds[..., None] * cells.weight).sum(axis=(0, 1)),
    ])  # fmt: skip
    pull = _pull(cells, precision)
    cross = np.concatenate([
        np.broadcast_to(np.stack([np.diag(p) for p in linked])[:, None], cells.cov.shape),
        -_t(cells.slope),
    ], axis=-1)  # fmt: skip
    size = P + visits
    left = (cross * odds[..., None, None]).reshape(-1, size)
    information = np.diag(own) - left.T @ pull.reshape(-1, size)

    tails, offset_var = settings.offset_tails, settings.offset_sd**2
    offset_precision = np.full(visits, 1e4 / offset_var)  # first a curve without offsets, then these
    if turn >= 8:
        offset_precision = (tails + 1) / (tails + shared.offset**2 / offset_var) / offset_var
    prior_precision = np.concatenate([1 / prior.sd**2, offset_precision])
    gradient -= prior_precision * np.concatenate([shared.mean - prior.mean, shared.offset])
    cov = np.linalg.inv(information + np.diag(prior_precision))
    move = cov @ gradient
    scale = np.concatenate([_STEP, np.full(visits, 0.1)])
    move /= max(1.0, float(np.abs(move / scale).max()))
    tow = pull @ move
    tow /= np.maximum(1, np.abs(tow / _STEP).max(axis=-1, keepdims=True))
    moved = float(np.abs(move * np.sqrt(prior_precision)).max())
    shared = replace(shared, mean=shared.mean + move[:P], offset=shared.offset + move[P:], cov=cov)
    if turn >= 4:
        shared = _spreads_step(cells, deviation, shared, prior)
    return shared, cells.theta + tow, moved


def _spreads_step(cells: _Cells, deviation: Floats, shared: _Shared, prior: Prior) -> _Shared:
    """EM steps for the spread between cells, the share of failed cells and the noise."""
    odds = cells.odds
    square = deviation**2 + np.diagonal(cells.cov, axis1=-2, axis2=-1)
    weight = np.repeat(odds[..., None], P, axis=-1)
    weight[1, :, _GAIN] = 0
    guess = np.array(prior.cell_sd) ** 2 * prior.cell_sd_weight
    cell_var = (guess + (weight * square).sum(axis=(0, 1))) / (prior.cell_sd_weight + weight.sum(axis=(0, 1)))
    failed = (prior.failed_share * prior.failed_weight + odds[1].sum()) / (
        prior.failed_weight + odds.shape[1]
    )
    count = (odds * (cells.weight > 0).sum(axis=-1)).sum()
    misfit = (odds * cells.misfit).sum() * shared.noise_scale
    # stated errors are believed until the residuals of many cells say otherwise
    noise = float(np.clip((50 + misfit) / (50 + count), 1.0, 16.0))
    return replace(shared, cell_sd=np.sqrt(cell_var), failed_share=float(failed), noise_scale=noise)


def _all_cells(
    cover: Floats, se: Floats, x: Floats, shared: _Shared, prior: Prior, settings: Settings
) -> Fit:
    """Every cell's curve under the shared terms, a block at a time so that memory stays small."""
    precision = shared.kind_precisions(prior)
    parts = []
    for block in blocks(len(cover)):
        view = _Seen.of(cover[block], se[block], x, settings)
        start = np.broadcast_to(shared.kind_means(prior)[:, None], (2, len(view.cover), P))
        theta, cov = start.copy(), None
        for turn in range(9):
            last = theta
            theta, cells = _cell_step(view, theta, cov, shared, prior, settings)
            cov = cells.cov if turn >= 5 else None
        parts.append((last, cells.cov, _pull(cells, precision), cells.odds[1]))
    thetas, covs, pulls, failed = zip(*parts, strict=True)
    return Fit(
        settings=settings,
        prior=prior,
        theta=np.concatenate(thetas, axis=1),
        cov=np.concatenate(covs, axis=1),
        pull=np.concatenate(pulls, axis=1),
        failed=np.concatenate(failed),
        mean=shared.mean,
        cell_sd=shared.cell_sd,
        offset=shared.offset,
        shared_cov=shared.cov,
        noise_scale=shared.noise_scale,
    )


def blocks(count: int, size: int = 2048) -> Iterator[slice]:
    """Slices that cover ``count`` rows; at least one, even when empty."""
    for first in range(0, max(count, 1), size):
        yield slice(first, min(first + size, count))


def _value_and_slope(theta: Floats, x: Floats, curve: Curve) -> tuple[Floats, Floats]:
    """Curves (..., V) and their derivatives (..., V, P) at ``x`` (V,)."""
    start, gain = _expit(theta[..., 0:1]), _expit(theta[..., 1:2])
    rate = np.exp(theta[..., 2:3])
    z = rate * (x - theta[..., 3:4])
    rise = _shape(z, curve)
    steep = rise * (1 - rise)
    if curve == "gompertz":
        steep = -rise * np.log(np.maximum(rise, 1e-300)) / (2 * np.log(2))
    gap = (1 - start) * gain
    slope = np.empty((*z.shape, P))
    slope[..., 0] = start * (1 - start) * (1 - gain * rise)
    slope[..., 1] = gap * (1 - gain) * rise
    slope[..., 2] = gap * steep * z
    slope[..., 3] = -gap * steep * rate
    return start + gap * rise, slope


def _shape(z: Floats, curve: Curve) -> Floats:
    if curve == "gompertz":
        return np.exp(-np.log(2) * np.exp(-np.clip(z, -60, 700) / (2 * np.log(2))))
    return _expit(z)


def _expit(z: Floats) -> Floats:
    return 0.5 + 0.5 * np.tanh(0.5 * z)


def _t(matrix: Floats) -> Floats:
    return np.swapaxes(matrix, -1, -2)
