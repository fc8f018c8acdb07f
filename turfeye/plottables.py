"""The tables of a page that have a row a spot, a plot or a treatment, as text.

They compute nothing: what stands in them is in the answer.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from turfeye.amounts import bag_words, seed_words
from turfeye.answer import Answer
from turfeye.lawnrecords import spot_of
from turfeye.plots import Standing, sown
from turfeye.treatments import BLOCK, TREATMENT, Compared
from turfeye.words import day, per_cent, short_day

SHOWN_OF_TREATMENTS = (TREATMENT, BLOCK)
"""Columns of ``treatments.csv`` that the page shows; the others are carried along in the files."""
MEASURE_NAMES = {"cover": ("Green cover, %", 100, 1), "dgci": ("Colour index", 1, 3)}
"""What a measure is called in a table, what it is told in, and with how many decimals."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column: what stands above it and in it."""

    head: str
    fields: Sequence[str]
    words: bool = False  # figures stand on the right


@dataclass(frozen=True, slots=True)
class Table:
    """Columns side by side."""

    columns: tuple[Column, ...]
    foot: tuple[tuple[str, Sequence[str]], ...] = ()  # below the first two columns, and below the others
    broken_heads: bool = False  # so many columns that their heads take two lines

    @property
    def rows(self) -> list[tuple[tuple[str, bool], ...]]:
        """Row by row each field and whether it is words."""
        return [
            tuple((field, column.words) for field, column in zip(row, self.columns, strict=True))
            for row in zip(*(column.fields for column in self.columns), strict=True)
        ]


def of_spots(answer: Answer) -> Table:
    """A row a spot as it was last photographed, the greenest first; of a trial a row a plot.

    A trial's has what is expected and how much is thin instead of straw and bare, which photos.csv has.
    """
    rows, trial, standings = answer.plots, bool(answer.standings), _standings(answer)
    when = short_day if trial else day
    columns = [
        Column(answer.lawn.peg_word.capitalize(), _numbers(rows)),
        *_given_columns(answer, standings),
        Column("Date", [when(_day_of(row)) for row in rows]),
        Column("Rank", [f"{row['rank']} ({row['rank_low']}–{row['rank_high']})" for row in rows]),
        Column("Green cover, %", [_figure(row["cover"], row["cover_se"], times=100) for row in rows]),
    ]
    if trial:
        columns += _expected(answer, standings)
    else:
        columns += [
            Column(f"{name.capitalize()}, %", [_figure(row[name], times=100) for row in rows])
            for name in ("straw", "bare")
        ]
    columns += [
        Column("Colour index", [_figure(row["dgci"], row["dgci_se"], digits=2) for row in rows]),
        Column("Uneven, %", [_figure(row["cv_pct"]) for row in rows]),
    ]
    if trial:
        thin = [_figure(one.thin if one else None, times=100) for one in standings]
        columns.append(Column("Thin, %", thin))
    return Table(tuple(columns), broken_heads=trial)


def of_plots(answer: Answer) -> Table:
    """A row a plot where its ground was seen in views of the whole lawn, which have no row a plot."""
    standings = answer.standings
    columns = (
        Column("Plot", [str(one.plot.number) for one in standings]),
        *_given_columns(answer, standings),
        Column("Seen, m²", [_figure(one.seen_m2, digits=2) for one in standings]),
        Column("Green cover, %", [_figure(one.cover_now, one.cover_now_se, times=100) for one in standings]),
        *_expected(answer, standings),
        Column("Thin, %", [_figure(one.thin, times=100) for one in standings]),
        Column("Seed, g", [_figure(one.seed_g) for one in standings]),
    )
    return Table(columns, broken_heads=True)


def for_client(answer: Answer) -> Table:
    """A row a spot in plain words: place, green, bare soil; of a trial with what it was given."""
    rows = answer.plots
    places = [(row["rank_low"], row["rank_high"]) for row in rows]
    return Table((
        Column(answer.lawn.peg_word.capitalize(), _numbers(rows)),
        *_given_columns(answer, _standings(answer)),
        Column("Last photo", [day(_day_of(row)) for row in rows]),
        Column("Rank", [f"{best}" if best == worst else f"{best} to {worst}" for best, worst in places]),
        Column("Green", [per_cent(row["cover"]) for row in rows]),
        Column("Bare soil", ["–" if row["bare"] is None else per_cent(row["bare"]) for row in rows]),
    ))  # fmt: skip


def of_sown(answer: Answer) -> Table:
    """A row a plot that gets seed, in the order of a walk, with what was given of it."""
    rows, plan = sown(answer.plan.tasks, answer.lawn.plots), answer.plan
    standing = {one.plot.number: one for one in answer.standings}
    bags = f", {bag_words(plan.dressing_bags)}" if plan.dressing_bags else ""
    given_columns = _given_columns(answer, [standing.get(row.number or -1) for row in rows])
    return Table(
        (
            Column("Plot", [row.name for row in rows]),
            *given_columns,
            Column("Patches", [row.patch_numbers for row in rows], words=True),
            Column("Along, in (m)", [row.places for row in rows], words=True),
            Column("Area, m²", [_figure(row.area_m2, digits=2) for row in rows]),
            Column("Seed", [seed_words(row.seed_g) for row in rows]),
            Column("Dressing, L", [_figure(row.dressing_l, digits=1) for row in rows]),
        ),
        foot=(
            (
                f"Total (plus {_figure(plan.seed_spare_g)} g of seed to spare){bags}",
                [
                    *[""] * (len(given_columns) + 1),
                    _figure(sum(row.area_m2 for row in rows), digits=2),
                    f"{_figure(plan.seed_g)} g",
                    _figure(plan.dressing_l, digits=1),
                ],
            ),
        ),
    )


def of_treatments(told: Sequence[Compared]) -> Table:
    """A row a treatment, the greenest first, with the errors of their differences below.

    ``told`` are all measures of one date.
    """
    first = told[0].means
    order = sorted(range(len(first.treatments)), key=lambda k: -_nan_last(first.mean[k]))
    return Table(
        (
            Column("Treatment", [first.treatments[k] for k in order], words=True),
            Column("Plots", [str(first.plots[k]) for k in order]),
            *(
                Column(MEASURE_NAMES[one.measure][0], [_measured(one, one.means.mean[k]) for k in order])
                for one in told
            ),
        ),
        foot=(
            ("Standard error of a difference", [_measured(one, one.means.sed) for one in told]),
            ("Least significant difference, 19 in 20", [_measured(one, one.means.lsd) for one in told]),
            ("Chance of such differences if all were alike", [_chance(one.means.p) for one in told]),
        ),
    )


def given(answer: Answer) -> tuple[str, ...]:
    """Columns of ``treatments.csv`` that the page shows, as far as it has them."""
    known = answer.standings[0].given if answer.standings else {}
    return tuple(name for name in SHOWN_OF_TREATMENTS if name in known)


def _standings(answer: Answer) -> list[Standing | None]:
    """Of a trial how the plot of each spot's row stands."""
    of_spot: dict[int | None, Standing] = {one.plot.number: one for one in answer.standings}
    return [of_spot.get(spot_of(row["view"])) for row in answer.plots]


def _given_columns(answer: Answer, standings: Sequence[Standing | None]) -> list[Column]:
    """What was given of each plot."""
    return [
        Column(name.capitalize(), [one.given[name] if one else "" for one in standings], words=True)
        for name in given(answer)
    ]


def _expected(answer: Answer, standings: Sequence[Standing | None]) -> list[Column]:
    """Each plot's forecast with its interval, and its state; dashes where there is none."""
    known = [one if one and one.cover_at_target == one.cover_at_target else None for one in standings]
    by = short_day(answer.season.target.date)
    return [
        Column(
            f"{'On' if answer.passed else 'Expected'} {by}, %",
            [
                f"{100 * one.cover_at_target:.0f} "
                f"({100 * one.cover_at_target_low:.0f}–{100 * one.cover_at_target_high:.0f})"
                if one
                else "–"
                for one in known
            ],
        ),
        Column("State", [one.state if one else "–" for one in known], words=True),
    ]


def _numbers(rows: Sequence[Mapping[str, Any]]) -> list[str]:
    """The spots' numbers."""
    return [row["view"].removeprefix("spot ") for row in rows]


def _day_of(row: Mapping[str, Any]) -> datetime:
    return datetime.fromisoformat(row["taken"])


def _chance(p: float) -> str:
    """A probability as a table tells it."""
    return "under 0.001" if p < 0.001 else _figure(p, digits=3)


def _measured(one: Compared, value: float) -> str:
    """A figure of a measure as a table tells it."""
    _, times, digits = MEASURE_NAMES[one.measure]
    return _figure(value, times=times, digits=digits)


def _nan_last(value: Any) -> float:
    """For sorting downwards: what is not known comes last."""
    return value if value == value else float("-inf")


def _figure(value: float | None, se: float | None = None, *, times: float = 1, digits: int = 0) -> str:
    """A figure with its error where it has one; a dash where it is not known."""
    if value is None or value != value:
        return "–"
    parts = (value,) if se is None else (value, se)
    return "\u00a0±\u00a0".join(f"{times * part:.{digits}f}" for part in parts)
