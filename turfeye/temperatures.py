"""Daily temperatures, and the degree-days counted from them."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from turfeye.days import how_to_write
from turfeye.errors import DateError, LawnError
from turfeye.files import table_text
from turfeye.lawnrecords import Sowing
from turfeye.notes import some
from turfeye.records import Floats
from turfeye.words import so_many

FILE_NAME = "temperatures.csv"
COLUMNS = ("date", "min_c", "max_c")
"""The record in the lawn's folder, and what it must have of each day."""
LAST_PACE_DAYS = 14
"""Past the record's end its last days' mean goes on; past so many days more it is no guide. Ours."""
MOST_FILLED_DAYS = 7
"""So many missing days in a row are filled by a straight line between their neighbours; no more. Ours."""
_A_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Gap:
    """A run of days that a record lacks, both ends included."""

    first: date
    last: date

    @property
    def days(self) -> int:
        """How many there are."""
        return (self.last - self.first).days + 1

    @property
    def filled(self) -> bool:
        """Whether it is short enough for a straight line between its neighbours."""
        return self.days <= MOST_FILLED_DAYS

    def __str__(self) -> str:
        return f"{self.first}" if self.days == 1 else f"{self.first} to {self.last} ({self.days} days)"


@dataclass(frozen=True, eq=False)
class Temperatures:
    """Daily lowest and highest air temperature from ``first`` on; a day that is not known is NaN in both."""

    first: date
    min_c: Floats  # (D,)
    max_c: Floats  # (D,)
    gaps: tuple[Gap, ...] = ()  # days that nobody wrote down; the short ones are filled

    @classmethod
    def of(cls, days: dict[date, tuple[float, float]]) -> Temperatures:
        """From the days that are known, (min, max) each; gaps of up to a week are filled."""
        known = sorted(days)
        gaps = [Gap(a + _A_DAY, b - _A_DAY) for a, b in pairwise(known) if b - a > _A_DAY]
        since = np.array([(day - known[0]).days for day in known])
        every = np.arange(since[-1] + 1)
        low, high = (np.interp(every, since, [days[day][k] for day in known]) for k in (0, 1))
        for gap in gaps:
            if not gap.filled:
                lost = slice((gap.first - known[0]).days, (gap.last - known[0]).days + 1)
                low[lost] = high[lost] = math.nan
        return cls(known[0], low, high, tuple(gaps))

    @property
    def last(self) -> date:
        """The last day of the record."""
        return self.first + (len(self.min_c) - 1) * _A_DAY

    @property
    def notes(self) -> tuple[str, ...]:
        """What is to be said of days that were filled."""
        filled = [gap for gap in self.gaps if gap.filled]
        if not filled:
            return ()
        lost = f"{so_many(sum(gap.days for gap in filled), 'day')}: {some([str(gap) for gap in filled])}"
        return (f"{FILE_NAME} lacks {lost}; filled by a straight line from the day before to the day after",)

    def by_age(
        self, sowing: Sowing, base_c: float | None, *, last: date, horizon: int
    ) -> tuple[Floats | None, str]:
        """Degree-days by age to ``horizon``, None where they would be no use, and what is to be said of them.

        ``base_c`` is the mix's base temperature and ``last`` the day of the last photo.
        """
        if base_c is None:
            return None, (
                f"{FILE_NAME} is not used: no base temperature of {sowing.mix!r} is known; "
                "give base_c under [[mix]] in lawn.toml"
            )
        try:
            found = degree_days(self, sown=sowing.date, base_c=base_c, days=horizon)
        except DateError as error:
            return None, f"growth is counted in days: {error}"
        ends = f"temperatures end on {self.last}"
        if (last - self.last).days > LAST_PACE_DAYS:
            return None, (
                f"{ends}, too long before the last photo: growth is counted in days; add the missing days"
            )
        return found, f"{ends}; later degree-days are at their last pace" if self.last < last else ""


def read(path: Path | str) -> Temperatures:
    """Read daily temperatures: a CSV with the columns ``date,min_c,max_c``, one row a day.

    A row of a date alone is a day that is not known, as is one that isn't there. Semicolons or tabs may part
    the columns; then numbers may have decimal commas, as spreadsheets write both.
    Raises LawnError with every mistake: columns, dates, numbers, order of min and max, days twice.
    """
    path = Path(path)
    try:
        text, parted_by = table_text(path)
    except FileNotFoundError:
        raise LawnError(f"no such file: {path}; write one with the columns date,min_c,max_c") from None
    lines = text.splitlines()
    first = lines[0] if lines else ""
    names = [name.strip().casefold() for name in next(csv.reader([first], delimiter=parted_by), [])]
    if missing := [name for name in COLUMNS if name not in names]:
        raise LawnError(
            f"{path.name} can't be read",
            [f"line 1: no column {name}; write {','.join(COLUMNS)}" for name in missing],
        )
    reader = csv.DictReader(lines[1:], names, delimiter=parted_by)
    rows = [(reader.line_num + 1, row) for row in reader]
    days: dict[date, tuple[float, float]] = {}
    mistakes = [said for line, row in rows if (said := _take_day(line, row, days))]
    if not days and not mistakes:
        mistakes.append("no rows; write one per day, like 2026-03-14,3.5,11.0")
    if mistakes:
        raise LawnError(f"{path.name} has {so_many(len(mistakes), 'mistake')}", mistakes)
    return Temperatures.of(days)


def of_folder(folder: Path) -> Temperatures | None:
    """The record in a lawn's folder, as `read` has it; None where there is none."""
    path = folder / FILE_NAME
    return read(path) if path.is_file() else None


def _take_day(line: int, row: dict[Any, Any], days: dict[date, tuple[float, float]]) -> str:
    """Add one row to ``days``; returns what is wrong with it, or ""."""
    if any(row.pop(None, ())):
        return (
            f"line {line}: more fields than columns; if numbers have decimal commas, separate the columns by "
            "semicolons"
        )
    if not any(row.values()):  # as spreadsheets leave them below a table
        return ""
    try:
        day = date.fromisoformat(written_day := (row["date"] or "").strip())
    except ValueError:
        return f"line {line}: date {row['date']!r} is not a date; {how_to_write(written_day)}"
    written = [(row[name] or "").strip() for name in ("min_c", "max_c")]
    if not any(written):
        return ""
    try:
        low, high = (float(number.replace(",", ".")) for number in written)
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


def degree_days(temperatures: Temperatures, *, sown: date, base_c: float, days: int) -> Floats:
    """Degree-days above ``base_c`` since sowing, at age 0, 1, 2 ... ``days``: (days + 1,).

    A day adds max(0, (min + max) / 2 - base): the simple average method (method 1 of McMaster and Wilhelm
    1997, Agricultural and Forest Meteorology 87:291-300). Past the record's end the mean of its last
    fourteen days goes on. Raises DateError when the record begins after the sowing, ends before it, or lacks
    days since then.

    >>> week = Temperatures(date(2026, 3, 1), np.full(7, 4.0), np.full(7, 12.0))
    >>> degree_days(week, sown=date(2026, 3, 1), base_c=3.0, days=9).tolist()[-3:]
    [35.0, 40.0, 45.0]
    """
    if not temperatures.first <= sown <= temperatures.last:
        raise DateError(
            f"temperatures run from {temperatures.first} to {temperatures.last} and must include the sowing "
            f"on {sown}; add the missing days to {FILE_NAME}"
        )
    if lost := [str(gap) for gap in temperatures.gaps if not gap.filled and gap.last >= sown]:
        raise DateError(f"{FILE_NAME} lacks {some(lost)}, too many to fill in; add them")
    daily = np.maximum((temperatures.min_c + temperatures.max_c) / 2 - base_c, 0)
    since = daily[(sown - temperatures.first).days :][:days]
    ahead = np.full(days - len(since), np.nanmean(daily[-LAST_PACE_DAYS:]))
    return np.concatenate([[0.0], np.cumsum(np.concatenate([since, ahead]))])
