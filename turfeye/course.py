"""A lawn's course: its cover against age with an interval, and what its mix usually does."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from turfeye import curve
from turfeye.mixes import Mix
from turfeye.outlook import prior_of
from turfeye.records import Floats, Outlook

USUAL_POINTS = 600


@dataclass(frozen=True, eq=False, slots=True)
class Course:
    """Cover of the whole lawn. Arrays (T,) by age or (V,) by visit, shares 0-1."""

    age_days: Floats
    cover: Floats  # the middle one of the likely courses
    low: Floats  # 90 % interval
    high: Floats
    visit_days: Floats  # (V,)
    visit_cover: Floats  # (V,), mean of the cells seen, each by its area
    visit_se: Floats  # (V,), half of a cell's error taken as shared by the photo, half as its own
    usual_low: Floats | None = None  # middle two thirds of lawns of the mix; None by degree-days
    usual_high: Floats | None = None


def of(outlook: Outlook, *, mix: Mix | None = None) -> Course:
    """The course of an outlook; with ``mix``, beside what that mix usually does from the same start."""
    season = outlook.season
    ages = np.unique(np.concatenate([np.linspace(0, outlook.lawn_age_days[-1], 141), outlook.lawn_age_days]))
    low, middle, high = _between(outlook, ages, np.quantile(outlook.lawn_draws, [0.05, 0.5, 0.95], axis=0))
    seen = np.isfinite(season.cover)
    weight = np.where(seen, season.area_m2[:, None], 0.0)
    weight = weight / np.maximum(weight.sum(axis=0), 1e-12)
    mean = (weight * np.where(seen, season.cover, 0.0)).sum(axis=0)
    se = np.where(seen, season.cover_se, 0.0)
    shared, own = (weight * se).sum(axis=0), np.sqrt((weight**2 * se**2).sum(axis=0))
    usual_low = usual_high = None
    if mix is not None and outlook.time_axis == "days":
        usual_low, usual_high = _usual(outlook, mix, ages)
    return Course(
        age_days=ages,
        cover=middle,
        low=low,
        high=high,
        visit_days=season.age_days,
        visit_cover=np.where(seen.any(axis=0), mean, np.nan),
        visit_se=np.sqrt(0.5 * shared**2 + 0.5 * own**2),
        usual_low=usual_low,
        usual_high=usual_high,
    )


def _between(outlook: Outlook, ages: Floats, at_draws: Floats) -> Floats:
    """Quantiles (Q, T) at the ages of the draws, brought to finer ages without overshoot."""
    from scipy.interpolate import PchipInterpolator

    return np.clip(PchipInterpolator(outlook.lawn_age_days, at_draws, axis=1)(ages), 0, 1)


def _usual(outlook: Outlook, mix: Mix, ages: Floats) -> tuple[Floats, Floats]:
    """Middle two thirds of lawns of this mix at every age, from this lawn's own cover at the start."""
    prior = prior_of(mix)
    normal = np.random.default_rng(20260314).standard_normal((USUAL_POINTS, curve.P))
    theta = prior.mean + prior.sd * normal
    known = np.isfinite(outlook.theta[:, 0])
    theta[:, 0] = outlook.theta[known, 0].mean() if known.any() else prior.mean[0]
    cover = np.stack([curve.cover_at(theta, np.array(age), outlook.curve) for age in ages])
    low, high = np.quantile(cover, [1 / 6, 5 / 6], axis=1)
    return low, high
