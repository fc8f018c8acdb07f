"""A lawn's course: its cover against age with an interval, and what its mix usually does."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from turfeye.covererror import mean_se
from turfeye.curve import expit
from turfeye.draws import usual
from turfeye.lawnrecords import Outlook
from turfeye.mixes import Mix
from turfeye.prior import Prior
from turfeye.records import Floats


@dataclass(frozen=True, eq=False, slots=True)
class Course:
    """Cover of the whole lawn. Arrays (T,) by age or (V,) by visit, shares 0-1."""

    age_days: Floats
    cover: Floats  # the middle one of the likely courses
    low: Floats  # 90 % interval
    high: Floats
    visit_days: Floats  # (V,)
    visit_cover: Floats  # (V,), mean of the cells seen, each by its area
    visit_se: Floats  # (V,), what all cells of the visit share included
    usual_low: Floats | None = None  # middle two thirds of lawns of the mix; None by degree-days
    usual_high: Floats | None = None


def of(outlook: Outlook, *, mix: Mix | None = None) -> Course:
    """The course of an outlook; with ``mix``, beside what that mix usually does from the same start."""
    season = outlook.season
    ages = np.unique(np.concatenate([np.linspace(0, outlook.lawn_age_days[-1], 141), outlook.lawn_age_days]))
    low, middle, high = _between(outlook, ages, np.quantile(outlook.lawn_draws, [0.05, 0.5, 0.95], axis=0))
    seen = np.isfinite(season.cover)
    weight = np.where(seen, season.area_m2[:, None], 0.0)
    share = weight / np.maximum(weight.sum(axis=0), 1e-12)
    mean = (share * np.where(seen, season.cover, 0.0)).sum(axis=0)
    usual_low = usual_high = None
    if mix is not None and outlook.time_axis == "days":
        known = np.isfinite(outlook.theta[:, 0])
        start = float(expit(outlook.theta[known, 0].mean())) if known.any() else 0.0
        usual_low, usual_high = usual(Prior.of_mix(mix), start, ages, outlook.curve)
    return Course(
        age_days=ages,
        cover=middle,
        low=low,
        high=high,
        visit_days=season.age_days,
        visit_cover=np.where(seen.any(axis=0), mean, np.nan),
        visit_se=mean_se(season.cover_se, weight),
        usual_low=usual_low,
        usual_high=usual_high,
    )


def _between(outlook: Outlook, ages: Floats, at_draws: Floats) -> Floats:
    """Quantiles (Q, T) at the ages of the draws, brought to finer ages without overshoot."""
    from scipy.interpolate import PchipInterpolator

    return np.clip(PchipInterpolator(outlook.lawn_age_days, at_draws, axis=1)(ages), 0, 1)
