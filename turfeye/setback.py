"""Setbacks: cover that a lawn loses for a while, mown too low or dried out, and makes good again.

A setback shows in one of two ways. Grass that establishes only gains, so a fall of the median cell is one
(:func:`fallen`). A loss during the fast rise is hidden by the gain: there the fit leaves one visit far below
the curve, and the visits after it are below too, by what is not yet made good (:func:`remaining`). Without
that the curve would follow them down to an end that the lawn doesn't have.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from turfeye.records import Flags, Floats

HALF_DAYS = 5.0
"""Half of a setback is made good in this time; ours."""
SDS = 3.0
"""A visit this many sds of light and camera below the curve is set back, not dark."""
UNSURE = 0.7
"""What is not yet made good is known to this share of itself; ours."""
FIRST_CUTS_DAYS = 30.0
RATES = (0.015, 0.001)
"""Chance a day that a lawn is set back between now and then, up to the first cuts and after them; ours, and
set so that simulated intervals (seeds below 1100) hold. A forecast has to carry what nobody can foresee."""
DEPTH = (0.05, 0.35)
"""Share of its cover that such a lawn loses at first; ours."""


def fallen(cover: Floats, x: Floats, offset_sd: float) -> Flags:
    """(V,) visits at times ``x`` on which the lawn is short of cover (N, V) that it had.

    A fall of the median cell beyond what light does (``offset_sd``) begins a setback; it lasts until the
    loss is made good, or for three of its half-lives.
    """
    set_back = np.zeros(len(x), bool)
    fallen_at = -np.inf
    for later in range(1, len(x)):
        falls = []
        for earlier in np.flatnonzero(~set_back[:later]):
            both = np.isfinite(cover[:, earlier]) & np.isfinite(cover[:, later])
            if both.any():
                falls.append(float(np.median(cover[both, earlier] - cover[both, later])))
        fall = max(falls, default=0.0)
        begins = fall > SDS * offset_sd
        lasts = fall > 0 and x[later] - fallen_at < 3 * HALF_DAYS
        if begins and not set_back[later - 1]:
            fallen_at = x[later]
        set_back[later] = begins or lasts
    return set_back


def remaining(offset: Floats, x: Floats, offset_sd: float) -> Floats:
    """(V,) offset, 0 or below, that each visit is expected to have from setbacks on visits before it."""
    since = x[None, :] - x[:, None]
    begun = np.where(offset < -SDS * offset_sd, offset, 0.0)[:, None]
    fading = np.where(since > 0, 0.5 ** (np.maximum(since, 0) / HALF_DAYS), 0.0)
    return np.asarray((begun * fading).min(axis=0, initial=0.0))


@dataclass(frozen=True)
class Loss:
    """What the lawn has lost to a setback on its last visit (0 or below), and what is left of that later."""

    cover: float
    age_days: float

    @classmethod
    def on_last(cls, offset: Floats, offset_sd: float, age_days: float) -> Loss:
        """From the visits' offsets (V,)."""
        last = float(offset[-1])
        return cls(last if last < -SDS * offset_sd else 0.0, age_days)

    def at(self, age_days: Floats | float) -> Floats:
        """Offset at later ages; 0 before."""
        since = np.asarray(age_days, float) - self.age_days
        return np.where(since >= 0, self.cover * 0.5 ** (np.maximum(since, 0) / HALF_DAYS), 0.0)


def ahead(now_age: float, age: float, when: Floats, depth: Floats) -> Floats:
    """Share of cover that a setback still to come has taken at an age; normal draws in."""
    from scipy.special import ndtr

    young, old = RATES
    first_cuts = max(FIRST_CUTS_DAYS - now_age, 0.0)
    hazard = -np.log1p(-ndtr(when))
    begins = np.where(
        hazard < young * first_cuts, hazard / young, first_cuts + (hazard - young * first_cuts) / old
    )
    low, high = DEPTH
    since = age - now_age - begins
    fading = 0.5 ** (np.maximum(since, 0) / HALF_DAYS)
    return np.where(since > 0, (low + (high - low) * ndtr(depth)) * fading, 0.0)
