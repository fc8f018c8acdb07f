"""From dated cell tables to one season: sorted visits on the lawn's grid, gaps left.

All photos of one calendar day make one visit; where several show a cell, they are weighted by precision.
Spot photos are laid onto the lawn's grid where their peg stands. Also here: the daily temperatures and the
degree-days counted from them.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from turfeye.cells import SHARED
from turfeye.errors import DateError, LawnError, SeasonError
from turfeye.lawn import TARGET_COVER
from turfeye.outlook import fit as fit
from turfeye.readings import Reading as Reading
from turfeye.readings import usable
from turfeye.records import Floats, Grid, Season, Sowing, Target, Visit, Whole

LEAST_SHARE = 0.25
"""A lawn cell of which a photo shows less than this share isn't measured by that photo."""
WITHIN_CELL_SD = 0.10
"""How far the unseen part of a cell may differ from the seen part; ours."""
DEFAULT_TARGET_DAYS = 56
LAST_PACE_DAYS = 14


@dataclass(frozen=True, eq=False)
class Temperatures:
    """Daily lowest and highest air temperature, one row a day without gaps."""

    first: date
    min_c: Floats  # (D,)
    max_c: Floats  # (D,)

    @property
    def last(self) -> date:
        """The last day of the record."""
        return self.first + timedelta(days=len(self.min_c) - 1)


def build(
    readings: Sequence[Reading],
    grid: Grid,
    *,
    sowing: Sowing,
    target: Target | None = None,
    temperatures: Temperatures | None = None,
    base_c: float | None = None,
    today: date | None = None,
) -> Season:
    """Put measured photos into one table.

    Parameters
    ----------
    readings : in any order
    grid : of the lawn; cells outside its outline are left out
    sowing : the one that ages count from
    target : by default a new lawn's cover (`lawn.TARGET_COVER`), eight weeks after sowing
    temperatures, base_c : both, for degree-days above the mix's base temperature
    today : later photos are left out; by default the computer's own date

    Raises
    ------
    SeasonError : no reading
    DateError : all photos are from before the sowing or from the future
    """
    if not readings:
        raise SeasonError(
            "a season needs at least one measured photo and there is none; file photos with `add`"
        )
    kept, doubts = usable(readings, sown=sowing.date, today=today or date.today())
    if not kept:
        raise DateError("no photo is from between the sowing and today: " + " ".join(doubts))
    flags = list(doubts)
    share = np.ones((grid.rows, grid.cols)) if grid.share is None else grid.share
    row, col = np.nonzero(share > 1e-6)
    target = target or Target(TARGET_COVER, sowing.date + timedelta(days=DEFAULT_TARGET_DAYS))

    days = sorted({reading.taken.date() for reading in kept})
    by_age = None
    if temperatures is not None:
        horizon = (max(target.date, days[-1]) - sowing.date).days + 60
        by_age, said = _by_age(temperatures, sowing, base_c, last=days[-1], horizon=horizon)
        flags += [said] if said else []
    visits, columns = [], []
    for day in days:
        same = [r for r in kept if r.taken.date() == day]
        merged, disagree = _merge([_onto(grid, reading, share) for reading in same])
        if disagree:
            flags.append(f"photos of {day} disagree by {100 * disagree:.0f} points: is one from another day?")
        age = (day - sowing.date).days
        visits.append(Visit(
            taken=same[0].taken,
            age_days=float(age),
            view=" + ".join(dict.fromkeys(r.view for r in same)),
            photos=tuple(r.photo for r in same),
            degree_days=float("nan") if by_age is None else float(by_age[age]),
        ))  # fmt: skip
        columns.append(merged[row, col])
    table = np.stack(columns, axis=1)  # (N, V, 6)
    centres = grid.centres_m()[row, col]
    return Season(
        grid=grid,
        row=row,
        col=col,
        x_m=centres[:, 0],
        y_m=centres[:, 1],
        area_m2=share[row, col] * grid.cell_m**2,
        visits=tuple(visits),
        cover=table[..., 0],
        cover_se=table[..., 1],
        dgci=table[..., 2],
        lab=table[..., 3:],
        sowing=sowing,
        target=target,
        flags=tuple(flags),
        degree_days_by_age=by_age,
    )


def _onto(grid: Grid, reading: Reading, share: Floats) -> Floats:
    """(rows, cols, 6) cover, its error, dark green index and L*a*b* of one photo on the lawn's grid."""
    table = reading.table
    out = np.full((grid.rows, grid.cols, 6), np.nan)
    usable = (table.state == "seen") & np.isfinite(table.cover)
    row, col = _places(grid, reading)
    usable &= (row >= 0) & (row < grid.rows) & (col >= 0) & (col < grid.cols)
    if not usable.any():
        return out
    flat = (row * grid.cols + col)[usable]
    # weight is ground that was seen: area in the cell times the share of it that the photo shows
    weight = (table.area_m2 * np.clip(table.seen, 0, 1))[usable]
    size = grid.rows * grid.cols

    def gather(values: Floats) -> Floats:
        known = np.isfinite(values)
        total = np.bincount(flat[known], (weight * np.where(known, values, 0))[known], size)
        mass = np.bincount(flat[known], weight[known], size)
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(mass > 0, total / mass, np.nan)

    columns = [table.cover, table.cover_se**2, table.dgci, table.lab_l, table.lab_a, table.lab_b]
    values = np.stack([gather(column[usable]) for column in columns], axis=-1)
    parts = np.maximum(np.bincount(flat, minlength=size), 1)
    area = np.maximum(share.ravel() * grid.cell_m**2, 1e-12)
    shown = np.minimum(np.bincount(flat, weight, size) / area, 1)
    unseen_var = (1 - shown) * WITHIN_CELL_SD**2
    values[:, 1] = np.sqrt(values[:, 1] * (SHARED + (1 - SHARED) / parts) + unseen_var)
    values[shown < LEAST_SHARE] = np.nan
    return values.reshape(out.shape)


def on_lawn_m(reading: Reading) -> tuple[Floats, Floats]:
    """Where each cell's centre lies, x and y in lawn metres; a spot's cells lie round its peg."""
    table = reading.table
    if reading.at_m is None:
        return table.x_m, table.y_m
    turn = np.radians(reading.turned_deg)
    return (
        reading.at_m[0] + np.cos(turn) * table.x_m - np.sin(turn) * table.y_m,
        reading.at_m[1] + np.sin(turn) * table.x_m + np.cos(turn) * table.y_m,
    )


def _places(grid: Grid, reading: Reading) -> tuple[Whole, Whole]:
    """Row and column on the lawn's grid of each row of the table."""
    table = reading.table
    if reading.at_m is None:
        same = (table.grid.rows, table.grid.cols, table.grid.cell_m) == (grid.rows, grid.cols, grid.cell_m)
        if not same:
            raise SeasonError(
                f"{reading.photo} was measured on {table.grid.rows} x {table.grid.cols} cells of "
                f"{table.grid.cell_m} m, the lawn has {grid.rows} x {grid.cols} of {grid.cell_m} m; "
                "measure it again (delete the lawn's results folder)"
            )
        return table.row, table.col
    x, y = on_lawn_m(reading)
    return (
        np.floor((y - grid.y0_m) / grid.cell_m).astype(int),
        np.floor((x - grid.x0_m) / grid.cell_m).astype(int),
    )


def _merge(photos: list[Floats]) -> tuple[Floats, float]:
    """Precision-weighted mean of a day's photos; also by how much they disagree (0 when they don't)."""
    stack = np.stack(photos)  # (K, rows, cols, 6)
    if len(photos) == 1:
        return stack[0], 0.0
    cover, se = stack[..., 0], stack[..., 1]
    weight = np.where(np.isfinite(cover), 1 / np.maximum(se, 1e-3) ** 2, 0.0)
    total = weight.sum(axis=0)
    out = np.full(stack.shape[1:], np.nan)
    with np.errstate(invalid="ignore", divide="ignore"):
        for k in (0, 2, 3, 4, 5):
            here = weight * np.isfinite(stack[..., k])
            out[..., k] = (here * np.nan_to_num(stack[..., k])).sum(axis=0) / here.sum(axis=0)
        out[..., 1] = 1 / np.sqrt(total)
    out[total == 0] = np.nan
    return out, _disagreement(cover, se)


def _disagreement(cover: Floats, se: Floats) -> float:
    """Median difference of a day's photos where they overlap, when beyond errors and light; else 0."""
    worst = 0.0
    for i in range(len(cover)):
        for j in range(i):
            both = np.isfinite(cover[i]) & np.isfinite(cover[j])
            if both.sum() < 3:
                continue
            apart = float(np.median(np.abs(cover[i] - cover[j])[both]))
            allowed = 3 * float(np.median(np.hypot(se[i], se[j])[both])) + 0.05
            worst = max(worst, apart if apart > allowed else 0.0)
    return worst


def read_temperatures(path: Path | str) -> Temperatures:
    """Read daily temperatures: a CSV with the columns ``date,min_c,max_c``, one row a day.

    Raises LawnError with every mistake: columns, dates, numbers, order of min and max, days twice or missing.
    """
    path = Path(path)
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            reader = csv.DictReader(file)
            wanted = ["date", "min_c", "max_c"]
            have = [name.strip() for name in reader.fieldnames or []]
            if missing := [name for name in wanted if name not in have]:
                raise LawnError(
                    f"{path.name} can't be read",
                    [f"line 1: no column {name}; write date,min_c,max_c" for name in missing],
                )
            reader.fieldnames = have
            rows = [(reader.line_num, row) for row in reader]
    except FileNotFoundError:
        raise LawnError(f"no such file: {path}; write one with the columns date,min_c,max_c") from None
    except UnicodeDecodeError:
        raise LawnError(f"{path.name} is not UTF-8 text; save it again as UTF-8") from None
    days: dict[date, tuple[float, float]] = {}
    mistakes = [said for line, row in rows if (said := _take_day(line, row, days))]
    if days:
        span = (max(days) - min(days)).days
        lost = [
            min(days) + timedelta(days=k) for k in range(span) if min(days) + timedelta(days=k) not in days
        ]
        mistakes += [f"{day} is missing; gaps are not filled, look the day up" for day in lost[:20]]
        if len(lost) > 20:
            mistakes.append(f"and {len(lost) - 20} more days are missing")
    elif not mistakes:
        mistakes.append("no row; write one a day, like 2026-03-14,3.5,11.0")
    if mistakes:
        raise LawnError(f"{path.name} has {len(mistakes)} mistake{'s' * (len(mistakes) > 1)}", mistakes)
    pairs = np.array([days[day] for day in sorted(days)])
    return Temperatures(min(days), pairs[:, 0], pairs[:, 1])


def _take_day(line: int, row: dict[str, str | None], days: dict[date, tuple[float, float]]) -> str:
    """Add one row to ``days``; returns what is wrong with it, or ""."""
    try:
        day = date.fromisoformat((row["date"] or "").strip())
    except ValueError:
        return f"line {line}: date {row['date']!r} is no date; write it like 2026-03-14"
    try:
        low, high = float(row["min_c"] or ""), float(row["max_c"] or "")
    except ValueError:
        return f"line {line}: min_c {row['min_c']!r} and max_c {row['max_c']!r} must be numbers like 3.5"
    if not (-60 <= low <= 60 and -60 <= high <= 60):
        return f"line {line}: {low:g} and {high:g} must be between -60 and 60 °C"
    if low > high:
        return f"line {line}: min_c {low:g} is above max_c {high:g}; swap them?"
    if day in days:
        return f"line {line}: {day} is there twice; keep one row a day"
    days[day] = (low, high)
    return ""


def _by_age(
    temperatures: Temperatures, sowing: Sowing, base_c: float | None, *, last: date, horizon: int
) -> tuple[Floats | None, str]:
    """Degree-days by age to ``horizon``, None where they would be no use, and what is to be said of them."""
    if base_c is None:
        return None, (
            f"temperatures.csv is not used: no base temperature of {sowing.mix!r} is known; "
            "give base_c under [[mix]] in lawn.toml"
        )
    found = degree_days(temperatures, sown=sowing.date, base_c=base_c, days=horizon)
    ends = f"temperatures end on {temperatures.last}"
    if (last - temperatures.last).days > LAST_PACE_DAYS:
        return None, (
            f"{ends}, too long before the last photo: growth is counted in days; add the missing days"
        )
    return found, f"{ends}; later degree-days are at their last pace" if temperatures.last < last else ""


def degree_days(temperatures: Temperatures, *, sown: date, base_c: float, days: int) -> Floats:
    """Degree-days above ``base_c`` since sowing, at age 0, 1, 2 ... ``days``: (days + 1,).

    A day adds max(0, (min + max) / 2 - base): the simple average method (method 1 of McMaster and Wilhelm
    1997, Agricultural and Forest Meteorology 87:291-300). Past the record's end the mean of its last
    fourteen days goes on. Raises DateError when the record begins after the sowing or ends before it.

    >>> week = Temperatures(date(2026, 3, 1), np.full(7, 4.0), np.full(7, 12.0))
    >>> degree_days(week, sown=date(2026, 3, 1), base_c=3.0, days=9).tolist()[-3:]
    [35.0, 40.0, 45.0]
    """
    if not temperatures.first <= sown <= temperatures.last:
        raise DateError(
            f"temperatures run from {temperatures.first} to {temperatures.last} and must include the sowing "
            f"on {sown}; add the missing days to temperatures.csv"
        )
    daily = np.maximum((temperatures.min_c + temperatures.max_c) / 2 - base_c, 0)
    since = daily[(sown - temperatures.first).days :][:days]
    ahead = np.full(days - len(since), daily[-LAST_PACE_DAYS:].mean())
    return np.concatenate([[0.0], np.cumsum(np.concatenate([since, ahead]))])
