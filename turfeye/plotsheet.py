"""``treatments.csv``, a trial's spreadsheet: a row a plot, with what it has and, if you like, where it is.

``plot`` is its number. Its place is told by its sides in lawn metres: ``x_from_m`` and ``x_to_m``,
``y_from_m`` and ``y_to_m``, unless lawn.toml tells it. What the other columns are for, `turfeye.treatments`
knows.

Rows are counted as a spreadsheet counts them: the names of the columns are row 1.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import numpy as np

from turfeye.errors import LawnError
from turfeye.files import table_text
from turfeye.lawnrecords import Plot, Spot
from turfeye.notes import MOST_NUMBERS, some
from turfeye.outline import cell_shares
from turfeye.records import Floats, Grid
from turfeye.words import listed, so_many

FILE_NAME: Final = "treatments.csv"
PLOT, TREATMENT, BLOCK = "plot", "treatment", "block"
SIDES: Final = ("x_from_m", "x_to_m", "y_from_m", "y_to_m")
TURNED: Final = "turned_deg"
OVERLAP_M: Final = 0.02
"""So far plots may reach into each other: places are rounded, and no cell is smaller. Ours."""
ON_LAWN: Final = 0.9
"""So much of a plot lies within the outline at least: both are measured with a tape. Ours."""
_NUMBER: Final = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)")
_NEARLY_SIDE: Final = re.compile(r"[xy](from|to)(mm|cm|ft|in)?")
"""A name, letters only, that means a side of a plot, in another unit or none."""


@dataclass(frozen=True, eq=False, slots=True)
class Sheet:
    """The file's rows by plot, and what is wrong with them so far; nothing where there is no such file."""

    path: Path
    names: tuple[str, ...] = ()  # of its columns, ours as we write them
    of_plot: Mapping[int, Mapping[str, str]] = field(default_factory=dict)
    row_of: Mapping[int, int] = field(default_factory=dict)
    decimal_commas: bool = False  # numbers may have them: no comma parts the columns
    mistakes: tuple[tuple[int, str], ...] = ()  # the row, and what is wrong there

    @property
    def tells_places(self) -> bool:
        """Whether it means to say where the plots are."""
        return any(name in SIDES or _NEARLY_SIDE.fullmatch(_letters(name)) for name in self.names)


def read(folder: Path) -> Sheet:
    """Read the file of a lawn's folder. Raises LawnError where it is no text in columns at all."""
    path = folder / FILE_NAME
    if not path.is_file():
        return Sheet(path)
    text, between = table_text(path)
    rows = _rows(path, text, between)
    names = tuple(_ours(name) for name in rows[0]) if rows else ()
    mistakes = [(1, said) for said in _in_names(names, rows[1:])]
    of_plot: dict[int, dict[str, str]] = {}
    row_of: dict[int, int] = {}
    for row, values in enumerate(rows[1:] if PLOT in names else (), start=2):
        if not any(values):
            continue
        if any(values[len(names) :]):
            mistakes.append((row, f"{len(values)} fields, the first row names {len(names)}"))
        told = {name: value for name, value in zip(names, values, strict=False) if name}
        written = told.pop(PLOT, "")
        number = int(written) if written.isdecimal() and len(written) < 10 else -1
        if number < 0:
            mistakes.append((row, f"plot {written!r} is not a plot number"))
        elif number in row_of:
            mistakes.append((row, f"plot {number} is there twice, first in row {row_of[number]}"))
        else:
            of_plot[number], row_of[number] = told, row
    if not of_plot and not mistakes:
        mistakes.append((2, "no rows of plots; write one row per plot, like 17,ryegrass A,2"))
    return Sheet(path, names, of_plot, row_of, between != ",", tuple(mistakes))


def _rows(path: Path, text: str, between: str) -> list[list[str]]:
    """The fields of each row. A quotation mark that is never closed would swallow the rows behind it."""
    rows: list[list[str]] = []
    try:
        for fields in csv.reader(io.StringIO(text, newline=""), delimiter=between, strict=True):
            rows.append([value.strip() for value in fields])
    except csv.Error:
        said = f'row {len(rows) + 1}: its quotation marks (") do not pair up; take away the odd one'
        raise LawnError(f"{path} has 1 mistake", [said]) from None
    return rows


def _letters(name: str) -> str:
    """A name without capitals, spaces and signs."""
    return re.sub(r"[^a-z0-9]", "", name.casefold())


def _ours(name: str) -> str:
    """A column's name, one of ours as we write it: spreadsheets have "X from (m)"."""
    ours = {_letters(known): known for known in (PLOT, TREATMENT, BLOCK, *SIDES, TURNED)}
    return ours.get(_letters(name), name)


def _in_names(names: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """What is wrong with the names of the columns. One without a name may be there where it is empty."""
    mistakes = [] if PLOT in names else [f"no column {PLOT}{_there(names)}; write plot,treatment,block"]
    filled = {k for values in rows for k, value in enumerate(values) if value}
    mistakes += [f"column {k + 1} has no name" for k, name in enumerate(names) if not name and k in filled]
    twice = sorted({name for name in names if name and names.count(name) > 1})
    return mistakes + [f"column {name} is there twice" for name in twice]


def _there(names: Sequence[str]) -> str:
    return f" (there are {', '.join(name for name in names if name)})" if any(names) else ""


def pegs(sheet: Sheet, outline_m: Floats, *, spots: Collection[int] = (), plots: bool = False) -> list[Spot]:
    """Where the sheet says that the plots are; nothing where it doesn't mean to.

    ``spots`` are the numbers of the pegs in lawn.toml, and ``plots`` whether that has plots too. Raises
    LawnError with every mistake: names, numbers, plots off the lawn, in each other, or told twice.
    """
    if not sheet.tells_places:
        return []
    lacking = [name for name in SIDES if name not in sheet.names]
    mistakes = [*sheet.mistakes]
    if plots:
        said = f"{listed(SIDES)} say where the plots are, and so does [[plots]] in lawn.toml; delete one"
        mistakes.append((1, said))
    if lacking:
        wanted = f"a plot's sides are {listed(SIDES)}, in metres"
        mistakes.append((1, f"no column {listed(lacking)}{_there(sheet.names)}; {wanted}"))
    found: list[Spot] = []
    for number, told in sheet.of_plot.items() if not lacking else ():
        (left, right, low, high, turned), wrong = _numbers_of(told, sheet.decimal_commas)
        if number in spots:
            wrong.append(f"plot {number} is a [[spot]] in lawn.toml too")
        if not wrong and _on_lawn(outline_m, left, low, right, high) < ON_LAWN:
            wrong.append(_off_lawn(outline_m))
        mistakes += [(sheet.row_of[number], words) for words in wrong]
        if not wrong:
            at_m = round((left + right) / 2, 4), round((low + high) / 2, 4)
            found.append(Spot(number, at_m, turned, (round(right - left, 4), round(high - low, 4))))
    mistakes += [(sheet.row_of[number], words) for number, words in _overlapping(found).items()]
    refuse(sheet.path, mistakes)
    return found


def refuse(path: Path, mistakes: Sequence[tuple[int, str]]) -> None:
    """Raise LawnError with all mistakes, (row, words); those of the same words are told once."""
    if not mistakes:
        return
    rows_of: dict[str, list[int]] = {}
    for row, words in sorted(mistakes, key=lambda one: one[0]):
        rows_of.setdefault(words, []).append(row)
    count = so_many(len(mistakes), "mistake")
    raise LawnError(f"{path} has {count}", [f"{_rows_told(rows)}: {w}" for w, rows in rows_of.items()])


def _rows_told(rows: Sequence[int]) -> str:
    """Rows in words, those that follow one another as a run.

    >>> _rows_told([18]), _rows_told([2, 3, 5, 6, 7, 8])
    ('row 18', 'rows 2, 3 and 5 to 8')
    """
    runs: list[list[int]] = []
    for row in rows:
        if runs and row == runs[-1][-1] + 1:
            runs[-1].append(row)
        else:
            runs.append([row])
    parts = [p for run in runs for p in ([f"{run[0]} to {run[-1]}"] if len(run) > 2 else map(str, run))]
    return f"row{'s' * (len(rows) > 1)} {listed(parts)}"


def _numbers_of(told: Mapping[str, str], decimal_commas: bool) -> tuple[list[float], list[str]]:
    """A plot's sides and the turn of its card, NaN where there is no number; and what is wrong with them."""
    values, mistakes = [], []
    for name in (*SIDES, TURNED):
        written = told.get(name, "") or ("0" if name == TURNED else "")
        text = written.replace(",", ".") if decimal_commas else written
        values.append(float(text) if _NUMBER.fullmatch(text) else math.nan)
        if math.isnan(values[-1]):
            mistakes.append(
                f"{name} {written!r} is not a number such as 4.5" if written else f"{name} is empty"
            )
    mistakes += [
        f"{SIDES[k + 1]} must be above {SIDES[k]}: they are where the plot begins and ends, in metres"
        for k in (0, 2)
        if values[k + 1] <= values[k]
    ]
    return values, mistakes


def _on_lawn(outline_m: Floats, left: float, low: float, right: float, high: float) -> float:
    """Share of a plot that lies within the outline: of the only cell of a grid with its sides as unit."""
    size = np.array([right - left, high - low])
    cell = Grid(1.0, left / float(size[0]), low / float(size[1]), rows=1, cols=1)
    return float(cell_shares(outline_m / size, cell)[0, 0])


def _off_lawn(outline_m: Floats) -> str:
    (left, low), (right, high) = outline_m.min(axis=0), outline_m.max(axis=0)
    return (
        f"the plot lies off the lawn, or reaches over its edge; outline_m goes from {left:g} to {right:g} m "
        f"along x and from {low:g} to {high:g} m along y"
    )


def _overlapping(found: Sequence[Spot]) -> dict[int, str]:
    """What is wrong with plots that reach into others, by number: so few that none does without them.

    One plot with a wrong side reaches into many that are right, and is told alone.
    """
    numbers = [peg.number for peg in found]
    at, size = np.array([peg.at_m for peg in found]), np.array([peg.size_m for peg in found])
    others: dict[int, set[int]] = {}
    for k in range(len(found)):
        into = (np.abs(at - at[k]) < (size + size[k]) / 2 - OVERLAP_M).all(axis=1)
        if near := set(np.flatnonzero(into).tolist()) - {k}:
            others[k] = near
    told = {}
    while others:
        worst = max(others, key=lambda k: (len(others[k]), k))
        names = [str(numbers[k]) for k in sorted(others[worst])]
        (x, y), (wide, tall) = at[worst], size[worst]
        told[numbers[worst]] = (
            f"plot {numbers[worst]}, x {x - wide / 2:g} to {x + wide / 2:g} and y {y - tall / 2:g} to "
            f"{y + tall / 2:g} m, overlaps plot{'s' * (len(names) > 1)} {some(names, most=MOST_NUMBERS)}"
        )
        for k in others.pop(worst):
            others[k].discard(worst)
            if not others[k]:
                del others[k]
    return told


def sizes(plots: Sequence[Plot]) -> str:
    """How large most plots are, and which are not: one that a typing error made larger or smaller stands out.

    >>> sizes([Plot(1, (1, 1), (1.2, 1.6)), Plot(2, (3, 1), (1.2, 1.6)), Plot(3, (5, 1), (1.02, 1.6))])
    '1.2 by 1.6 m, but plot 3 is 1.02 by 1.6 m'
    """
    of_plot = {plot.number: " by ".join(f"{round(side, 2):g}" for side in plot.size_m) for plot in plots}
    usual = Counter(of_plot.values()).most_common(1)[0][0]
    others = [f"plot {number} is {size} m" for number, size in of_plot.items() if size != usual]
    return f"{usual} m" + (f", but {some(others, most=MOST_NUMBERS)}" if others else "")
