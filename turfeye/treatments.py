"""A trial's treatments: which plot has which, in which block, and the means of those that were compared.

``treatments.csv`` in the lawn's folder (`turfeye.plotsheet`) has a row a plot. ``treatment`` is what is
compared (a variety, a seed rate, a cutting height) and ``block`` its replicate; any other column is carried
along, but for those that say where the plot is.

Treatments and blocks are fitted together by least squares, so a plot that was not seen shifts no mean: each
is what the treatment would have in the mean of all blocks. What is left over says how far two means may
differ by chance: the plots' own ground and the errors of their photos, which are each plot's own too. What
all plots of one treatment are misread by (leaves of another green) no replicate shows.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from turfeye import plotsheet
from turfeye.plotsheet import BLOCK, PLOT, SIDES, TREATMENT, TURNED
from turfeye.records import Floats, Whole
from turfeye.words import per_cent, short_day

NAN: Final = float("nan")
_NUMBER: Final = re.compile(r"[+-]?\d+(,\d+)?")
"""Without a point: where points part thousands, a comma turned into another would make nonsense."""
MISSING: Final = ("NA", "N/A", "#N/A", ".", "-", "–")
"""What statistics programs and spreadsheets write where nothing is known: no treatment's or block's name."""
LEVEL: Final = 0.05
"""Two means differ by more than the least significant difference by chance one time in 20."""


@dataclass(frozen=True, eq=False, slots=True)
class Treatments:
    """What ``treatments.csv`` says of each plot; nothing where there is no such file."""

    columns: tuple[str, ...] = ()  # in the file's order, without the plot's number
    of_plot: Mapping[int, Mapping[str, str]] = field(default_factory=dict)

    def value(self, plot: int, column: str) -> str:
        """What is written of a plot, "" where nothing is."""
        return self.of_plot.get(plot, {}).get(column, "")

    def lacking(self, plots: Sequence[int]) -> tuple[int, ...]:
        """Plots of which nothing is written."""
        return tuple(number for number in plots if number not in self.of_plot) if self.columns else ()

    def not_compared(self) -> tuple[int, ...]:
        """Plots with a row that names no treatment, or no block where there are blocks."""
        wanted = [name for name in (TREATMENT, BLOCK) if name in self.columns]
        if TREATMENT not in wanted:
            return ()
        return tuple(n for n, row in self.of_plot.items() if not all(row.get(name) for name in wanted))

    def like_a_block(self) -> str:
        """Where none is called so, the column that parts plots as blocks do: each treatment once in each."""
        every = sorted({row.get(TREATMENT, "") for row in self.of_plot.values()})
        for column in () if BLOCK in self.columns else self.columns:
            parts: dict[str, list[str]] = {}
            for row in self.of_plot.values():
                parts.setdefault(row.get(column, ""), []).append(row.get(TREATMENT, ""))
            if min(len(parts), len(every)) > 1 and all(sorted(part) == every for part in parts.values()):
                return column
        return ""

    def alike(self) -> tuple[tuple[str, ...], ...]:
        """Treatments, or blocks, whose names differ in nothing but capitals and spaces."""
        found = []
        for column in (TREATMENT, BLOCK):
            by_letters: dict[str, set[str]] = {}
            for row in self.of_plot.values():
                if name := row.get(column, ""):
                    by_letters.setdefault("".join(name.casefold().split()), set()).add(name)
            found += [tuple(sorted(names)) for names in by_letters.values() if len(names) > 1]
        return tuple(found)


def read(folder: Path, plots: Sequence[int], *, taken: Sequence[str] = ()) -> Treatments:
    """Read ``treatments.csv`` of a lawn's folder; nothing where there is none, or where there are no plots.

    ``plots`` are the trial's, ``taken`` names of columns that results have of their own. Between semicolons
    or tabs columns of numbers may have decimal commas; they get a point. Raises LawnError with every mistake.
    """
    if not plots:
        return Treatments()
    sheet = plotsheet.read(folder)
    mistakes = [*sheet.mistakes]
    mistakes += [
        (1, f"{name} is a column of the results already; call yours otherwise")
        for name in sheet.names
        if name != PLOT and name in taken
    ]
    span = f"{min(plots)} to {max(plots)}"
    mistakes += [
        (sheet.row_of[number], f"the trial has no plot {number}, its plots are {span}")
        for number in sheet.of_plot
        if number not in plots
    ]
    plotsheet.refuse(sheet.path, mistakes)
    place = (*SIDES, TURNED) if sheet.tells_places else ()
    columns = tuple(name for name in sheet.names if name and name not in (PLOT, *place))
    found = {plot: {name: row.get(name, "") for name in columns} for plot, row in sheet.of_plot.items()}
    for row in found.values():
        row.update({name: "" for name in (TREATMENT, BLOCK) if row.get(name) in MISSING})
    return Treatments(columns, _with_points(columns, found) if sheet.decimal_commas else found)


def _with_points(columns: Sequence[str], found: Mapping[int, Mapping[str, str]]) -> dict[int, dict[str, str]]:
    """Columns of numbers with a decimal comma, as spreadsheets write them, with a point.

    So a statistics program reads them as the figures beside them. Names of treatments and blocks stay.
    """
    numbers = set()
    for name in columns:
        written = [row[name] for row in found.values() if row.get(name)]
        if name not in (TREATMENT, BLOCK) and written and all(map(_NUMBER.fullmatch, written)):
            numbers.add(name)
    return {
        plot: {name: value.replace(",", ".") if name in numbers else value for name, value in row.items()}
        for plot, row in found.items()
    }


@dataclass(frozen=True, eq=False, slots=True)
class Means:
    """Treatments compared: arrays (T,), one entry a treatment. NaN where it can't be told."""

    treatments: tuple[str, ...]
    plots: Whole  # of each, that have a value
    mean: Floats  # in the mean of all blocks
    sed: float  # standard error of the difference of two means; root mean square over pairs where plots lack
    lsd: float  # least significant difference at LEVEL
    df: int  # degrees of freedom of what is left over
    p: float  # chance of treatments as far apart if all were one
    residual_sd: float  # of a plot
    why: str = ""  # why there is no error

    @property
    def cv_pct(self) -> float:
        """Coefficient of variation: a plot's own spread in per cent of the mean."""
        middle = float(np.nanmean(self.mean)) if np.isfinite(self.mean).any() else float("nan")
        return 100 * self.residual_sd / middle if middle > 0 else float("nan")


@dataclass(frozen=True, eq=False, slots=True)
class Compared:
    """A trial's treatments compared by one measure on one date, or in a round that took several days."""

    on: date  # the last of them
    age_days: int
    measure: str  # "cover" or "dgci"
    means: Means
    first: date | None = None  # of these days

    @property
    def when(self) -> str:
        """The day in words, or the first and the last: "6 May", "6 May to 7 May"."""
        days = dict.fromkeys(short_day(day) for day in (self.first or self.on, self.on))
        return " to ".join(days)

    @property
    def sentence(self) -> str:
        """The best and the least by cover, whether all may be alike, and which difference is no chance."""
        known = np.flatnonzero(np.isfinite(self.means.mean))
        if len(known) < 2:
            return ""
        order = known[np.argsort(-self.means.mean[known], kind="stable")]
        most, least = (f"{self.means.treatments[k]} ({per_cent(self.means.mean[k])})" for k in order[[0, -1]])
        count = f"{len(known)} treatments {'on' if self.first in (None, self.on) else 'from'} {self.when}"
        ends = f"{count}: greenest {most}, least green {least}"
        if self.means.why:
            return f"{ends}; {self.means.why}"
        by_chance = ", which may be chance" if self.means.p >= LEVEL else ""
        lsd = 100 * self.means.lsd
        points = f"{lsd:.{0 if lsd >= 1 else 1}f} points"
        return (
            f"{ends}{by_chance}; least significant difference {points} (19 in 20, for two chosen beforehand)"
        )


def compare(values: Floats, treatment: Sequence[str], block: Sequence[str] | None = None) -> Means:
    """Compare treatments by the values (P,) of their plots, NaN where not known.

    ``block`` is each plot's, None where plots were laid out at random. Plots without a treatment, or a block,
    don't count.

    Two treatments in two blocks, the second better by 2 in both:

    >>> found = compare(np.array([1.0, 3.0, 2.0, 4.5]), ["a", "b", "a", "b"], ["1", "1", "2", "2"])
    >>> found.mean.tolist(), found.df, round(found.sed, 3)
    ([1.5, 3.75], 1, 0.25)
    """
    names = tuple(sorted({str(name) for name in treatment if name}, key=_in_order))
    has_both = [bool(name and where) for name, where in zip(treatment, block or treatment, strict=True)]
    known = np.isfinite(values) & np.array(has_both)
    blocks = np.array(block or [""] * len(treatment))[known]
    of_block = _indicator(blocks, sorted(set(blocks.tolist())))
    fitted = _Fitted.of(values[known], _indicator(np.array(treatment)[known], names), of_block)
    unknown = Means(names, fitted.plots, fitted.mean, sed=NAN, lsd=NAN, df=0, p=NAN, residual_sd=NAN)
    if (fitted.plots > 0).sum() < 2:
        return replace(unknown, why="a single treatment has plots with a value")
    if not fitted.connected:
        nothing = np.full(len(names), np.nan)
        return replace(unknown, mean=nothing, why="some blocks have no treatment in common with the others")
    if fitted.df < 1:
        return replace(unknown, why="too few plots: what treatments differ by could be chance")
    return fitted.with_errors(unknown)


def _indicator(labels: NDArray[np.str_], kinds: Sequence[str]) -> Floats:
    """(K, len(kinds)), 1 where a label (K,) is of the kind."""
    return (labels[:, None] == np.array(kinds, str)).astype(float)


@dataclass(frozen=True, eq=False, slots=True)
class _Fitted:
    """Least squares of the values of K plots by T treatments and B blocks."""

    values: Floats  # (K,)
    treatments: Floats  # (K, T) indicators
    blocks: Floats  # (K, B - 1) contrasts
    inverse: Floats  # (T + B - 1, T + B - 1) of the normal equations
    coefficients: Floats  # (T + B - 1,)
    rank: int

    @classmethod
    def of(cls, values: Floats, treatments: Floats, of_block: Floats) -> _Fitted:
        # contrasts add up to 0 over the blocks, so a treatment's mean is that over all of them
        blocks = of_block[:, :-1] - of_block[:, -1:]
        design = np.hstack([treatments, blocks])
        inverse = np.linalg.pinv(design.T @ design)
        rank = int(np.linalg.matrix_rank(design)) if len(values) else 0
        return cls(values, treatments, blocks, inverse, inverse @ design.T @ values, rank)

    @property
    def plots(self) -> Whole:
        """(T,) plots of each treatment."""
        return np.count_nonzero(self.treatments, axis=0)

    @property
    def mean(self) -> Floats:
        """(T,) of each treatment; NaN where it has no plot."""
        return np.where(self.plots > 0, self.coefficients[: self.treatments.shape[1]], np.nan)

    @property
    def connected(self) -> bool:
        """Whether every block can be told from the treatments that it has."""
        return self.rank == (self.plots > 0).sum() + self.blocks.shape[1]

    @property
    def df(self) -> int:
        """Degrees of freedom of what is left over."""
        return len(self.values) - self.rank

    def with_errors(self, means: Means) -> Means:
        """The means with the errors of their differences, by what is left over; ``df`` is at least 1."""
        from scipy.stats import f as f_law
        from scipy.stats import t as t_law

        there = np.flatnonzero(self.plots > 0)
        design = np.hstack([self.treatments, self.blocks])
        left = float(((self.values - design @ self.coefficients) ** 2).sum())
        square = left / self.df
        cov = self.inverse[np.ix_(there, there)]
        pairs = [cov[i, i] + cov[j, j] - 2 * cov[i, j] for i in range(len(there)) for j in range(i)]
        sed = float(np.sqrt(square * np.mean(pairs)))
        without = np.hstack([np.ones((len(self.values), 1)), self.blocks])
        alone = float(((self.values - without @ (np.linalg.pinv(without) @ self.values)) ** 2).sum())
        more = (alone - left) / (len(there) - 1)
        return replace(
            means,
            sed=sed,
            lsd=float(t_law.ppf(1 - LEVEL / 2, self.df)) * sed,
            df=self.df,
            p=float(f_law.sf(more / square, len(there) - 1, self.df)) if square > 0 else NAN,
            residual_sd=float(np.sqrt(square)),
        )


def _in_order(name: str) -> tuple[float, str]:
    """Numbers by their size, then words."""
    try:
        return float(name), name
    except ValueError:
        return float("inf"), name
