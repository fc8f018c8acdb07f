"""Figures of season against season: simulated pairs whose true lead and difference are known.

``rows()`` makes the table's rows; run alone, it prints them. Each pair is one invented lawn, patches and late
strip and all, in two years: last year photographed to the end, this year up to the day of asking. Photos err
as the classifier does, half of it by cell and half in all cells of a photo; of that half part is the lawn's
own, alike in both years, and part is new with every visit: how much of it is measured on the sample photos
(tools/calibrate_errors.py). Two lawns have nothing alike. Seeds are apart from those that anything was tried
on.
"""

from __future__ import annotations

from dataclasses import replace

import bench_row
import numpy as np
from bench_row import Row

from turfeye import compare, outlook
from turfeye.covererror import SHARED, Accuracy, classifier_se
from turfeye.lawnrecords import Season
from turfeye.simulate.tables import TableRecipe, lawn

FIRST_SEED = 2100
LEADS_DAYS = (-4.0, 0.0, 4.0)
BY_VISIT = {"lawn views": 0.25, "spots": 0.63}
"""Share of what a photo's cells err by together that differs from visit to visit of one place."""
LAST_YEAR = TableRecipe(
    rows=10, cols=14, half_days=(22.0, 0.0), setback=0, lost_visit=0, noise_se=(0.0, 0.0), visit_offset_sd=0,
    visit_days=(3, 7, 10, 14, 17, 21, 24, 28, 33, 38, 45),
)  # fmt: skip
THIS_YEAR = replace(LAST_YEAR, visit_days=(4, 8, 11, 15, 18, 21, 25, 28))


def rows(*, lawns: int = 40) -> list[Row]:
    """Every figure as name, value, reach, known."""
    seeds = range(FIRST_SEED, FIRST_SEED + lawns)
    kinds = [(f"one lawn, {name}", share, True) for name, share in BY_VISIT.items()]
    kinds.append(("two lawns, lawn views", BY_VISIT["lawn views"], False))
    return [
        line
        for day in (21, 28)
        for name, share, same in kinds
        for line in _rows(day, name, share, same, seeds)
    ]


def _rows(day: int, name: str, by_visit: float, same: bool, seeds: range) -> list[Row]:
    pairs = [(lead, *_compared(seed, lead, day, by_visit, same)) for lead in LEADS_DAYS for seed in seeds]
    leads, found, truths = zip(*pairs, strict=True)
    off = np.array([one.ahead - lead for one, lead in zip(found, leads, strict=True)])
    told = np.array([one.ahead_low > 0 or one.ahead_high < 0 for one in found])
    apart = np.array(leads) != 0
    held = np.mean([o.ahead_low <= lead <= o.ahead_high for o, lead in zip(found, leads, strict=True)])
    more = np.array([one.difference - true for one, true in zip(found, truths, strict=True)])
    within = np.mean([o.difference_low <= t <= o.difference_high for o, t in zip(found, truths, strict=True)])
    known = np.isfinite(off)
    ahead = f"{np.abs(off[known]).mean():.2f} d (bias {off[known].mean():+.2f}); {held:.0%}"
    clear = f"{told[apart].mean():.0%} told as ahead or behind; of like ones {told[~apart].mean():.0%}"
    half = 100 * np.median([(one.difference_high - one.difference_low) / 2 for one in found])
    wide = " (conservative)" if within > 0.93 else ""
    return [
        _row(
            f"{name}, seasons 4 days apart, day {day}: lead, mean error; 90 % interval holds",
            ahead,
            f"{clear}; {len(off)} pairs",
        ),
        _row(
            f"{name}, day {day}: difference in cover, mean error; 90 % interval holds",
            f"{100 * np.abs(more).mean():.1f} points; {within:.0%}",
            f"the interval is ± {half:.0f} points{wide}",
        ),
    ]


def _row(name: str, value: str, known: str) -> Row:
    return bench_row.row(name, value, "87-93 %, or conservative", known)


def _compared(
    seed: int, lead_days: float, day: int, by_visit: float, same: bool
) -> tuple[compare.Comparison, float]:
    """How one pair compares, and how much more cover this year's cells truly have."""
    rng = np.random.default_rng([seed, 20260320])
    sooner = replace(THIS_YEAR, half_days=(LAST_YEAR.half_days[0] - lead_days, 0.0))
    (this, now), (last, then) = lawn(seed, sooner, until_day=day), lawn(seed, LAST_YEAR)
    own, other = rng.standard_normal(2)
    found = compare.against(
        outlook.fit(_photographed(this, own, by_visit, rng)),
        outlook.fit(_photographed(last, own if same else other, by_visit, rng)),
        same_lawn=same,
    )
    true = [t.cover[np.isfinite(s.cover).any(axis=1), day].mean() for s, t in ((this, now), (last, then))]
    return found, float(true[0] - true[1])


def _photographed(season: Season, own: float, by_visit: float, rng: np.random.Generator) -> Season:
    """A season of faultless photos, made to err; ``own`` is the lawn's, in standard errors."""
    error = classifier_se(season.cover, Accuracy())
    visit = np.sqrt(1 - by_visit) * own + np.sqrt(by_visit) * rng.standard_normal(season.cover.shape[1])
    cell = rng.standard_normal(season.cover.shape)
    cover = np.clip(season.cover + error * (np.sqrt(SHARED) * visit + np.sqrt(1 - SHARED) * cell), 0, 1)
    return replace(season, cover=cover, cover_se=classifier_se(cover, Accuracy()) + 1e-3)


if __name__ == "__main__":
    bench_row.show(rows())
