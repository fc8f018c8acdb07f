"""Growth curves for many cells at once, partially pooled, with an error shared by each visit.

The curve is that of :mod:`turfeye.curve`, against days since sowing, or degree-days as days at a pace.

A visit sees the curve + its own offset (light and camera, shared by all cells) + noise. Cells belong to the
lawn (theta normal about the lawn's mean), or are *late* (half-way some days after the lawn's: a strip that
lags), or the seed *failed* there (little gain); how likely each is comes from the evidence, and from what the
neighbours are. The lawn's mean, the spread between cells and the offsets are found together by empirical
Bayes: Gauss-Newton steps on the arrow-shaped normal equations (cells against shared terms), Gaussian
approximations of the cells, EM steps for the spreads. Noise has heavy tails (Student's t) and so have the
offsets, so that a scalped or dry week is set aside instead of bending the curve.

References
----------
Lindstrom and Bates 1990, Biometrics 46:673-687 (nonlinear mixed effects by linearisation); Lange, Little and
Taylor 1989, JASA 84:881-896 (t noise by reweighting). The priors are ours, and wide: no published parameters
of this curve were found for lawn grasses.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from turfeye import setback
from turfeye.curve import Curve, P, value_and_slope
from turfeye.kinds import FAILED, KINDS, LATE, share_out, with_neighbours
from turfeye.prior import Prior
from turfeye.records import Flags, Floats, Whole

_GAIN, _HALF = 1, 3
_STEP = np.array([1.5, 1.5, 0.4, 4.0])
"""Longest Gauss-Newton step a parameter takes at once."""
SPREADS_FROM, OFFSETS_FROM = 2, 4
"""Turns of the fit from which the spreads are learnt, and the visits' offsets are."""
_POOL = 400
"""The shared terms are found on at most this many cells, evenly chosen: more add nothing but time."""


@dataclass(frozen=True)
class Settings:
    """How the fit is done; the defaults suit lawns."""

    curve: Curve = "logistic"
    offset_sd: float = 0.022  # of a visit: light and camera
    curve_sd: float = 0.01  # what no smooth curve follows, a cell and a visit
    setback_sd: float = 0.15  # of a visit when the lawn has visibly lost cover, which no growth curve does
    noise_tails: float = 8.0  # degrees of freedom of the noise
    offset_tails: float = 2.0  # and of the visits' offsets: a setback is rare and large
    rounds: int = 30
    worth: float = 18.0  # a lawn's cells count as this many in what all share: neighbours are alike


@dataclass(frozen=True, eq=False)
class Fit:
    """Curves of N cells, as each of the three kinds (lawn, late, failed), and what they share."""

    settings: Settings
    prior: Prior
    theta: Floats  # (3, N, 4)
    cov: Floats  # (3, N, 4, 4), given the shared terms
    pull: Floats  # (3, N, 4, 4 + V), how theta moves with the shared terms
    odds: Floats  # (3, N) probability of each kind
    mean: Floats  # (4,) of the lawn
    cell_sd: Floats  # (4,) between cells
    offset: Floats  # (V,)
    shared_cov: Floats  # (4 + V, 4 + V)
    noise_scale: float  # the stated errors were too small by this

    def best(self) -> tuple[Floats, Floats]:
        """theta (N, 4) of the likelier kind and its covariance, errors of the shared terms included."""
        kind = self.odds.argmax(axis=0)
        pick = np.arange(len(kind))
        pull = self.pull[kind, pick]
        return self.theta[kind, pick], self.cov[kind, pick] + pull @ self.shared_cov @ _t(pull)


def fit(
    cover: Floats,
    se: Floats,
    x: Floats,
    *,
    place: Whole | None = None,
    prior: Prior | None = None,
    settings: Settings | None = None,
) -> Fit:
    """Fit every cell of one lawn.

    Parameters
    ----------
    cover, se : (N, V), NaN where not seen
    x : (V,), time of each visit
    place : (N, 2), row and column of each cell, when neighbours may tell of each other
    """
    prior, settings = prior or Prior(), settings or Settings()
    every = np.flatnonzero(np.isfinite(cover).any(axis=1))
    pool = every[:: max(1, -(-len(every) // _POOL))]
    shared = _Shared.start(prior, len(x))
    set_back = setback.fallen(cover, x, settings.offset_sd)
    theta = np.broadcast_to(shared.kind_means(prior)[:, None], (KINDS, len(pool), P)).copy()
    if len(pool):
        view = _Seen.of(cover[pool], se[pool], x, set_back, settings)
        cov = None
        for turn in range(settings.rounds):
            cells = _cell_step(view, theta, cov, shared, prior, settings)
            cov = cells.cov if turn >= 1 else None
            shared, theta, moved = _shared_step(view, cells, shared, prior, settings, turn=turn)
            if turn > 20 and moved < 0.01:
                break
    return _all_cells(cover, se, x, place, set_back, shared, prior, settings)


@dataclass(frozen=True, eq=False)
class _Seen:
    """The measurements as the solver wants them: no NaN, weight 0 where not seen."""

    cover: Floats  # (N, V)
    weight: Floats  # (N, V), 1 / variance at noise scale 1
    x: Floats  # (V,)
    set_back: Flags  # (V,)

    @classmethod
    def of(cls, cover: Floats, se: Floats, x: Floats, set_back: Flags, settings: Settings) -> _Seen:
        seen = np.isfinite(cover)
        variance = np.where(seen & np.isfinite(se), se, 0.05) ** 2 + settings.curve_sd**2
        return cls(np.where(seen, cover, 0.0), np.where(seen, 1 / variance, 0.0), x, set_back)


@dataclass(frozen=True, eq=False)
class _Shared:
    """What all cells share."""

    mean: Floats  # (P,)
    cell_sd: Floats  # (P,)
    offset: Floats  # (V,)
    noise_scale: float
    cov: Floats  # (P + V, P + V)

    @classmethod
    def start(cls, prior: Prior, visits: int) -> _Shared:
        cov = np.zeros((P + visits, P + visits))
        cov[:P, :P] = np.linalg.inv(prior.draw_back(prior.mean)[1])
        return cls(prior.mean, np.array(prior.cell_sd), np.zeros(visits), 1.0, cov)

    def kind_means(self, prior: Prior) -> Floats:
        """(KINDS, P)"""
        means = np.repeat(self.mean[None], KINDS, axis=0)
        means[LATE, _HALF] += prior.late_days[0]
        means[FAILED, _GAIN] = prior.failed_gain_logit[0]
        return means

    def kind_precisions(self, prior: Prior) -> Floats:
        """(KINDS, P)"""
        sd = np.repeat(self.cell_sd[None], KINDS, axis=0)
        sd[LATE, _HALF] = prior.late_days[1]
        sd[FAILED, _GAIN] = prior.failed_gain_logit[1]
        return 1 / sd**2


@dataclass(frozen=True, eq=False)
class _Cells:
    """The cells' state given the shared terms, by kind (KINDS, N, ...)."""

    theta: Floats  # (KINDS, N, P)
    move: Floats  # (KINDS, N, P), the way from there to a better fit
    cov: Floats  # (KINDS, N, P, P)
    evidence: Floats  # (KINDS, N), log, before the kinds' shares
    odds: Floats  # (KINDS, N), probability of each kind
    weight: Floats  # (KINDS, N, V), with the tails' reweighting
    leaning: Floats  # (KINDS, N, V), weight times residual
    slope: Floats  # (KINDS, N, V, P), weight times slope
    misfit: Floats  # (KINDS, N), expected sum of squared residuals over their variance


def _points(theta: Floats, cov: Floats | None) -> Floats:
    """(KINDS, N, S, P): the curve itself, or 2 P cubature points of its distribution."""
    if cov is None:
        return theta[..., None, :]
    arms = np.sqrt(P) * _t(np.linalg.cholesky(cov))
    return theta[..., None, :] + np.concatenate([arms, -arms], axis=-2)


def _cell_step(
    view: _Seen, theta: Floats, cov: Floats | None, shared: _Shared, prior: Prior, settings: Settings
) -> _Cells:
    """The cells' state at ``theta``, and a Gauss-Newton step of every cell with the shared terms held.

    With ``cov`` the step is towards the best Gaussian approximation (fit and slope are averaged over the
    distribution, Opper and Archambeau 2009, Neural Computation 21:786-792), without it to the peak. The peak
    alone leans to steep curves, because it forgets how little room they leave.
    """
    precision = shared.kind_precisions(prior)[:, None]
    astray = theta - shared.kind_means(prior)[:, None]
    nu = settings.noise_tails
    base = (view.weight / shared.noise_scale)[:, None, :]
    value, slope = value_and_slope(_points(theta, cov), view.x, settings.curve)
    points = value.shape[-2]
    residual = (view.cover - shared.offset)[:, None, :] - value
    tail = 1 + residual**2 * (base / nu)
    weight = base * ((nu + 1) / nu / points) / tail
    weighted = slope * weight[..., None]
    move, here = _newton(weighted, slope, residual, astray, precision)
    log_fit = -(nu + 1) / 2 * np.log(tail).sum(axis=(-2, -1)) / points
    evidence = log_fit + _log_prior(astray, cov, here, precision)
    return _Cells(
        theta=theta,
        move=move,
        cov=here,
        evidence=evidence,
        odds=share_out(evidence + np.log(prior.shares)[:, None]),
        weight=weight.sum(axis=-2),
        leaning=(weight * residual).sum(axis=-2),
        slope=weighted.sum(axis=-3),
        misfit=(weight * residual**2).sum(axis=(-2, -1)),
    )


def _newton(
    weighted: Floats, slope: Floats, residual: Floats, astray: Floats, precision: Floats
) -> tuple[Floats, Floats]:
    """Step (KINDS, N, P) and covariance: (J'WJ + D) step = J'W residual - D astray, D the prior's part."""
    flat = (*astray.shape[:2], -1, P)
    hessian = _t(weighted.reshape(flat)) @ slope.reshape(flat)
    hessian[..., np.arange(P), np.arange(P)] += precision
    cov = np.linalg.inv(hessian)
    gradient = _t(weighted.reshape(flat)) @ residual.reshape(*flat[:3], 1)
    return _shortened((cov @ (gradient - (precision * astray)[..., None]))[..., 0]), cov


def _shortened(step: Floats) -> Floats:
    """Steps (..., P) no longer than _STEP; the whole step shrinks, so that its direction stays downhill."""
    return step / np.maximum(1, np.abs(step / _STEP).max(axis=-1, keepdims=True))


def _log_prior(astray: Floats, cov: Floats | None, here: Floats, precision: Floats) -> Floats:
    """(KINDS, N) Laplace's log of prior times room: -(astray' D astray + tr D cov)/2 + log(|D| |here|)/2."""
    spread = 0.0 if cov is None else np.diagonal(cov, axis1=-2, axis2=-1)
    room = np.log(precision).sum(axis=-1) + np.linalg.slogdet(here)[1]
    return 0.5 * room - 0.5 * (precision * (astray**2 + spread)).sum(axis=-1)


def _pull(cells: _Cells, precision: Floats) -> Floats:
    """(KINDS, N, P, P + V): how the cells' curves follow the shared mean and offsets."""
    link = np.broadcast_to(np.stack([np.diag(p) for p in precision])[:, None], cells.cov.shape).copy()
    link[FAILED, :, _GAIN, _GAIN] = 0  # the failed cells' gain follows nothing
    return cells.cov @ np.concatenate([link, -_t(cells.slope)], axis=-1)


def _shared_step(
    view: _Seen, cells: _Cells, shared: _Shared, prior: Prior, settings: Settings, *, turn: int
) -> tuple[_Shared, Floats, float]:
    """One step of the shared terms, the cells' curves in tow; also how far it went, in prior sds."""
    gradient, information, pull = _normal_equations(cells, shared, prior, settings)
    expected, offset_precision = _offset_prior(view, shared, settings, turn)
    back, believed = prior.draw_back(shared.mean)
    information[:P, :P] += believed
    information[P:, P:] += np.diag(offset_precision)
    gradient += np.concatenate([back, offset_precision * (expected - shared.offset)])
    cov = np.linalg.inv(information)
    move = cov @ gradient
    longest = np.concatenate([_STEP, np.full(len(view.x), 0.1)])
    move /= max(1.0, float(np.abs(move / longest).max()))
    moved = float(np.abs(move * np.sqrt(np.concatenate([1 / prior.sd**2, offset_precision]))).max())
    tow = _shortened(cells.move + pull @ move)
    deviation = cells.theta - shared.kind_means(prior)[:, None]
    shared = replace(shared, mean=shared.mean + move[:P], offset=shared.offset + move[P:], cov=cov)
    if turn >= SPREADS_FROM:
        shared = _spreads_step(cells, deviation, shared, prior)
    return shared, cells.theta + tow, moved


def _normal_equations(
    cells: _Cells, shared: _Shared, prior: Prior, settings: Settings
) -> tuple[Floats, Floats, Floats]:
    """Gradient (P + V), information (P + V, P + V) of mean and offsets, the cells eliminated; and their pull.

    The equations are arrow-shaped: each cell meets the shared terms only, so its own block is solved away
    (Schur complement), with the step that it takes itself. Cells count by their odds, and failed ones say
    nothing of the lawn's gain.
    """
    linked = shared.kind_precisions(prior)
    pull = _pull(cells, linked)
    linked[FAILED, _GAIN] = 0
    deviation = cells.theta - shared.kind_means(prior)[:, None]
    odds = cells.odds * min(1.0, settings.worth / max(cells.odds.sum(), 1.0))
    gradient = np.concatenate([
        (odds[..., None] * deviation * linked[:, None]).sum(axis=(0, 1)),
        (odds[..., None] * cells.leaning).sum(axis=(0, 1)),
    ])  # fmt: skip
    own = np.concatenate([
        (odds.sum(axis=1)[:, None] * linked).sum(axis=0),
        (odds[..., None] * cells.weight).sum(axis=(0, 1)),
    ])  # fmt: skip
    link = np.broadcast_to(np.stack([np.diag(p) for p in linked])[:, None], cells.cov.shape)
    cross = np.concatenate([link, -_t(cells.slope)], axis=-1)
    size = len(gradient)
    left = (cross * odds[..., None, None]).reshape(-1, size)
    gradient += left.T @ cells.move.reshape(-1)
    return gradient, np.diag(own) - left.T @ pull.reshape(-1, size), pull


def _offset_prior(view: _Seen, shared: _Shared, settings: Settings, turn: int) -> tuple[Floats, Floats]:
    """(V,) mean and precision of the offsets' t prior, by reweighting.

    At first next to no offset, so that a curve is found; and on a single day none, which could not be told
    from the lawn. After a visit far below the curve, what it lost comes back little by little.
    """
    sd, tails = settings.offset_sd, settings.offset_tails
    if turn < OFFSETS_FROM or np.ptp(view.x) == 0:
        return np.zeros(len(view.x)), np.full(len(view.x), 1e4 / sd**2)
    expected = setback.remaining(shared.offset, view.x, sd)
    variance = sd**2 + (setback.UNSURE * expected) ** 2
    precision = (tails + 1) / (tails + (shared.offset - expected) ** 2 / variance) / variance
    first = view.x == view.x.min()  # then nothing says that the lawn ever had more
    precision[first] = np.maximum(precision[first], 1 / sd**2)
    return expected, np.where(view.set_back, 1 / settings.setback_sd**2, precision)


def _spreads_step(cells: _Cells, deviation: Floats, shared: _Shared, prior: Prior) -> _Shared:
    """EM steps for the spread between cells and the noise.

    The kinds' shares are not learnt: on a young lawn one kind would swallow the other.
    """
    odds = cells.odds
    square = deviation**2 + np.diagonal(cells.cov, axis1=-2, axis2=-1)
    weight = np.repeat(odds[..., None], P, axis=-1)
    weight[FAILED, :, _GAIN] = 0
    weight[LATE, :, _HALF] = 0
    guess = np.array(prior.cell_sd) ** 2 * prior.cell_sd_weight
    cell_var = (guess + (weight * square).sum(axis=(0, 1))) / (prior.cell_sd_weight + weight.sum(axis=(0, 1)))
    count = (odds * (cells.weight > 0).sum(axis=-1)).sum()
    misfit = (odds * cells.misfit).sum() * shared.noise_scale
    # stated errors are believed until the residuals of many cells say otherwise
    noise = float(np.clip((50 + misfit) / (50 + count), 1.0, 16.0))
    return replace(shared, cell_sd=np.sqrt(cell_var), noise_scale=noise)


def _all_cells(
    cover: Floats,
    se: Floats,
    x: Floats,
    place: Whole | None,
    set_back: Flags,
    shared: _Shared,
    prior: Prior,
    settings: Settings,
) -> Fit:
    """Every cell's curve under the shared terms, a block at a time so that memory stays small.

    Of the cells never seen, most of a trial's, one stands for all.
    """
    precision = shared.kind_precisions(prior)
    seen = np.isfinite(cover).any(axis=1)
    fitted = np.concatenate([np.flatnonzero(seen), np.flatnonzero(~seen)[:1]])
    of_cell = np.where(seen, np.cumsum(seen) - 1, seen.sum())
    parts = []
    for block in blocks(len(fitted)):
        view = _Seen.of(cover[fitted[block]], se[fitted[block]], x, set_back, settings)
        start = np.broadcast_to(shared.kind_means(prior)[:, None], (KINDS, len(view.cover), P))
        theta, cov = start.copy(), None
        for turn in range(9):
            cells = _cell_step(view, theta, cov, shared, prior, settings)
            theta, cov = theta + cells.move, cells.cov if turn >= 5 else None
        parts.append((cells.theta, cells.cov, _pull(cells, precision), cells.evidence))
    theta, cov, pull, evidence = (
        np.concatenate(part, axis=1)[:, of_cell] for part in zip(*parts, strict=True)
    )
    return Fit(
        settings=settings,
        prior=prior,
        theta=theta,
        cov=cov,
        pull=pull,
        odds=with_neighbours(evidence, prior.shares, place),
        mean=shared.mean,
        cell_sd=shared.cell_sd,
        offset=shared.offset,
        shared_cov=shared.cov,
        noise_scale=shared.noise_scale,
    )


def blocks(count: int, size: int = 256) -> Iterator[slice]:
    """Slices that cover ``count`` rows; at least one, even when empty."""
    for first in range(0, max(count, 1), size):
        yield slice(first, min(first + size, count))


def _t(matrix: Floats) -> Floats:
    return np.swapaxes(matrix, -1, -2)
