"""The clock that a lawn grows by: days, or degree-days counted as days of a usual pace."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from turfeye.errors import SeasonError
from turfeye.lawnrecords import Season
from turfeye.records import Floats

REFERENCE_PACE = 10.0
"""Degree-days that count as one day of the priors: a spring day of 14 °C for grass of base 4 (ours)."""
TimeAxis = Literal["days", "degree-days"]


@dataclass(frozen=True, eq=False)
class Clock:
    """Ages in days to the curve's time and back: the same, or degree-days at the reference pace."""

    axis: TimeAxis
    by_age: Floats | None = None  # (D,) time at age 0, 1, 2 ...

    @classmethod
    def of(cls, season: Season, axis: TimeAxis | None) -> Clock:
        """The season's clock; by default in degree-days where it has them. Raises SeasonError without."""
        have = season.degree_days_by_age is not None
        if axis == "degree-days" and season.why_in_days:
            raise SeasonError(
                f"no degree-days here: {season.why_in_days}; to go on in days, leave out time_axis "
                "under [season]"
            )
        if axis == "degree-days" and not have:
            raise SeasonError(
                "degree-days need daily temperatures and the mix's base temperature; this season has none; "
                "put a temperatures.csv (date,min_c,max_c) in the lawn folder and give base_c under [[mix]], "
                "or use days"
            )
        if axis == "days" or not have:
            return cls("days")
        assert season.degree_days_by_age is not None
        return cls("degree-days", season.degree_days_by_age / REFERENCE_PACE)

    def time(self, age_days: Floats) -> Floats:
        """The curve's time at these ages; past the record at its last pace."""
        if self.by_age is None:
            return age_days
        past = np.maximum(age_days - (len(self.by_age) - 1), 0) * (self.by_age[-1] - self.by_age[-2])
        return np.interp(age_days, np.arange(len(self.by_age)), self.by_age) + past

    def age(self, time: Floats) -> Floats:
        """The inverse; inf stays inf and what lies before the sowing is 0."""
        if self.by_age is None:
            return np.maximum(time, 0)
        steady = self.by_age + 1e-9 * np.arange(len(self.by_age))  # cold days don't move the clock
        age = np.interp(time, steady, np.arange(len(steady)))
        return np.where(time > steady[-1], np.where(np.isinf(time), np.inf, self._beyond(time)), age)

    def _beyond(self, time: Floats) -> Floats:
        assert self.by_age is not None
        pace = max(float(self.by_age[-1] - self.by_age[-2]), 1e-6)
        return len(self.by_age) - 1 + (time - self.by_age[-1]) / pace
