"""Figures of season against season: simulated years of one lawn whose true lead is known.

``rows()`` makes the table's rows; run alone, it prints them. Each pair is one invented lawn, patches and late
strip and all, in two years: last year photographed to the end, this year up to the day of asking, each visit
erring by itself. Seeds are apart from those that anything was tried on.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from turfeye import compare, outlook
from turfeye.simulate.tables import TableRecipe, lawn

FIRST_SEED = 2100
LEADS_DAYS = (-4.0, 0.0, 4.0)
LAST_YEAR = TableRecipe(
    rows=10, cols=14, half_days=(22.0, 0.0), setback=0, lost_visit=0,
    visit_days=(3, 7, 10, 14, 17, 21, 24, 28, 33, 38, 45),
)  # fmt: skip
THIS_YEAR = replace(LAST_YEAR, visit_days=(4, 8, 11, 15, 18, 21, 25, 28))


def rows(*, lawns: int = 40) -> list[dict]:
    """Every figure as name, value, reach, known."""
    return [_row(day, lawns) for day in (21, 28)]


def _row(day: int, lawns: int) -> dict:
    found = {lead: [_compared(seed, lead, day) for seed in _seeds(lawns)] for lead in LEADS_DAYS}
    off = np.array([one.ahead - lead for lead, many in found.items() for one in many])
    held = np.mean([one.ahead_low <= lead <= one.ahead_high for lead, many in found.items() for one in many])
    clear = {
        lead: np.mean([one.ahead_low > 0 or one.ahead_high < 0 for one in found[lead]]) for lead in found
    }
    told = (clear[-4.0] + clear[4.0]) / 2
    return {
        "name": f"season against season 4 days apart, day {day}: lead, mean error; 90 % interval holds",
        "value": f"{np.abs(off).mean():.2f} d (bias {off.mean():+.2f}); {held:.0%}",
        "reach": "",
        "known": f"{told:.0%} told as ahead or behind; of like ones {clear[0.0]:.0%}; {len(off)} pairs",
    }


def _seeds(lawns: int) -> range:
    return range(FIRST_SEED, FIRST_SEED + lawns)


def _compared(seed: int, lead_days: float, day: int) -> compare.Comparison:
    sooner = replace(THIS_YEAR, half_days=(LAST_YEAR.half_days[0] - lead_days, 0.0))
    this, last = lawn(seed, sooner, until_day=day)[0], lawn(seed, LAST_YEAR)[0]
    return compare.against(outlook.fit(this), outlook.fit(last))


if __name__ == "__main__":
    for row in rows():
        print(f"{row['name']}: {row['value']} ({row['known']})")
