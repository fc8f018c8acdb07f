"""What is believed of a lawn's curves before a photo is taken.

Ours, and wide: no published parameters of this curve were found for lawn grasses. A mix's own figures come
from the mix table. All cover is on the scale of photos, on which closed turf is about 80 %.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from turfeye.curve import P, expit
from turfeye.mixes import CLOSED_COVER, CLOSED_COVER_SD, Mix
from turfeye.records import Floats


@dataclass(frozen=True)
class Prior:
    """What is believed before a photo is taken. Pairs are mean and sd. Ours, and wide."""

    start_logit: tuple[float, float] = (-2.0, 1.3)  # 12 %: most of the range from 1 to 60 %
    end_logit: tuple[float, float] = (1.2, 0.26)  # 77 %, mostly 72 to 81, whatever it started from
    log_rate: tuple[float, float] = (-1.29, 0.30)  # 16 days from 10 % to 90 %
    half_days: tuple[float, float] = (18.0, 4.5)
    cell_sd: tuple[float, float, float, float] = (0.6, 0.3, 0.15, 1.6)  # between cells of a lawn
    cell_sd_weight: float = 20.0  # that guess counts as this many cells
    failed_gain_logit: tuple[float, float] = (-1.0, 2.0)
    failed_share: float = 0.05
    late_days: tuple[float, float] = (6.0, 2.5)  # how much later a lagging strip is
    late_share: float = 0.01

    @classmethod
    def of_mix(cls, mix: Mix) -> Prior:
        """What the mix table says of a lawn's curve, on the scale of what photos measure."""
        end, between_lawns = (CLOSED_COVER * share for share in mix.growth.final_cover)
        end_cover = end, float(np.hypot(between_lawns, CLOSED_COVER_SD))
        return cls.of_spans(mix.growth.half_cover_days, mix.growth.pace_days, end_cover)

    @classmethod
    def of_spans(
        cls, half_days: tuple[float, float], pace_days: tuple[float, float], end_cover: tuple[float, float]
    ) -> Prior:
        """From a mix's table: half-way age, pace (1 / rate) and final cover, each as mean and sd.

        >>> Prior.of_spans((18, 4), (4, 1), (0.76, 0.06)).half_days
        (18, 4)
        """
        end, end_sd = end_cover
        return cls(
            half_days=half_days,
            log_rate=(-float(np.log(pace_days[0])), pace_days[1] / pace_days[0]),
            # on the logit scale, where a cover near 1 would make any sd look huge
            end_logit=(float(np.log(end / (1 - end))), min(end_sd / (end * (1 - end)), 0.6)),
        )

    @property
    def mean(self) -> Floats:
        """(4,) theta of the middle lawn."""
        start, end = expit(np.array([self.start_logit[0], self.end_logit[0]]))
        gain = np.log((end - start) / (1 - end))
        return np.array([self.start_logit[0], gain, self.log_rate[0], self.half_days[0]])

    @property
    def shares(self) -> Floats:
        """(KINDS,) of lawn, late and failed cells."""
        return np.array([1 - self.late_share - self.failed_share, self.late_share, self.failed_share])

    @property
    def sd(self) -> Floats:
        """(4,) between lawns: of start, end (both on the logit scale), rate and half-way time."""
        return np.array([self.start_logit[1], self.end_logit[1], self.log_rate[1], self.half_days[1]])

    def draw_back(self, mean: Floats) -> tuple[Floats, Floats]:
        """Gradient (4,) and information (4, 4) by which this belief draws a lawn's ``mean`` (4,) back.

        Believed is where a lawn ends, not what share of the gap fills: turf closes to the same cover from
        bare soil and from half a sward. With e = s + (1 - s) g, d logit e = (s d logit s + g d logit g) / e.
        """
        start, gain = expit(mean[:2])
        end = start + (1 - start) * gain
        middle = np.array([self.start_logit[0], self.end_logit[0], self.log_rate[0], self.half_days[0]])
        away = np.array([mean[0], np.log(end / (1 - end)), *mean[2:]]) - middle
        slope = np.eye(P)
        slope[1, :2] = np.array([start, gain]) / end
        slope /= self.sd[:, None]
        return -slope.T @ (away / self.sd), slope.T @ slope
