"""What several commands share: kinds of arguments and how rows are shown."""

from __future__ import annotations

import math
import os
import re
import sys
import textwrap
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from turfeye import days

if TYPE_CHECKING:
    from turfeye.answer import Answer, Before


class Place(click.Path):
    """A path; a ~ that no shell made the home folder, as after --out= or on Windows, is that too."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """``"~/lawn"`` as ``Path("/home/ann/lawn")``."""
        home = os.path.expanduser(value) if str(value).startswith("~") else value
        return super().convert(home, param, ctx)


FOLDER = Place(file_okay=False, path_type=Path)
FILE = Place(dir_okay=False, path_type=Path)
PHOTO = Place(path_type=Path)

MANY = 30
"""Of so many photos each is told by itself; of more a digest, and each in a table."""
WORDS_WIDE = 16
"""Characters that words in a table have at least before they go on in the next line."""
MOST_WIDE = 1000
"""Columns of a screen that no table reaches."""


class Day(click.ParamType):
    """A calendar date; the time of day may follow where it is ``timed``."""

    name = "date"

    def __init__(self, *, timed: bool = False) -> None:
        self.timed = timed

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Text as a date, or as a datetime where a time follows."""
        if isinstance(value, date):
            return value
        try:
            with_time = self.timed and len(value) > 10
            return datetime.fromisoformat(value) if with_time else date.fromisoformat(value)
        except ValueError:
            self.fail(f"{value!r} is not a date; {days.how_to_write(value, timed=self.timed)}", param, ctx)


class Pair(click.ParamType):
    """Two numbers with a comma."""

    name = "x,y"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """``"412,1630"`` as (412.0, 1630.0)."""
        if isinstance(value, tuple):
            return value
        try:
            x, y = (float(part) for part in value.split(","))
        except ValueError:
            self.fail(f"{value!r} is not a pair of numbers; write it as 412,1630", param, ctx)
        if not (math.isfinite(x) and math.isfinite(y)):
            self.fail(f"{value!r} must be finite numbers", param, ctx)
        return x, y


def _plain(
    kind: click.ParamType, value: Any, param: click.Parameter | None, ctx: click.Context | None
) -> Any:
    """A number as it was typed, with a point for a decimal comma."""
    text = str(value).replace(",", ".")
    try:
        float(text)
    except ValueError:
        kind.fail(f"{value!r} is not a number; write it without a unit, as 0.5", param, ctx)
    return text


class Number(click.types.FloatParamType):
    """A number, with a point or a decimal comma."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """``"0,25"`` as 0.25."""
        return super().convert(_plain(self, value, param, ctx), param, ctx)


class Span(click.FloatRange):
    """A number in a range; NaN, which no comparison keeps out, is in none."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """``"0.25"`` as 0.25."""
        number = super().convert(_plain(self, value, param, ctx), param, ctx)
        if math.isnan(number):
            self.fail(f"{value!r} is not a number in the range {self._describe_range()}.", param, ctx)
        return number


FOOT_M = 0.3048
"""The international foot (1959)."""
FEET = re.compile(r"(?<=[\d\s])(?:ft|feet|foot|['’′])(?![a-z'])", re.IGNORECASE)


def _without_unit(text: str) -> tuple[str, float]:
    """Lengths without their ft or ', and how many metres one is; a bare number is metres.

    >>> _without_unit("26 ft x 20 ft"), _without_unit("8x6")
    (('26   x 20  ', 0.3048), ('8x6', 1.0))
    """
    plain, feet = FEET.subn(" ", text)
    return plain, FOOT_M if feet else 1.0


class Outline(click.ParamType):
    """A rectangle as 8x6, or corners as "0,0 8,0 8,6 0,6"; in metres, or in feet with ft."""

    name = "outline"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Corners in metres."""
        if not isinstance(value, str):
            return value
        try:
            text, unit_m = _without_unit(value.lower().replace("×", "x"))
            if "x" not in text:
                pairs = (pair.split(",") for pair in text.split())
                corners = [(unit_m * float(x), unit_m * float(y)) for x, y in pairs]
                if not all(math.isfinite(number) for corner in corners for number in corner):
                    raise ValueError
                return corners
            # beside an x a comma can only be a decimal one
            wide, tall = (unit_m * float(v) for v in text.replace(",", ".").split("x"))
        except ValueError:
            self.fail(
                f'{value!r} is not an outline; write 8x6 or "0,0 8,0 8,6 0,6", in metres, or in feet as '
                "26x20ft",
                param,
                ctx,
            )
        if not (0 < wide < math.inf and 0 < tall < math.inf):
            self.fail(f"{value!r} is not an outline; both lengths must be above 0, in metres", param, ctx)
        return [(0.0, 0.0), (wide, 0.0), (wide, tall), (0.0, tall)]


class Lengths(click.ParamType):
    """Tape lengths with commas, in metres, or in feet with ft."""

    name = "lengths"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """``"8,6,8,6"`` as a tuple of metres."""
        if not isinstance(value, str):
            return value
        try:
            text, unit_m = _without_unit(value)
            return tuple(unit_m * float(v) for v in text.split(","))
        except ValueError:
            self.fail(
                f"{value!r} are not lengths; write them as 8,6,8,6, in metres, or in feet as 26,20,26,20ft",
                param,
                ctx,
            )


def say(text: str) -> None:
    """Talk: to standard error, so that standard output carries only what was asked for."""
    click.echo(text, err=True)


def say_notes(found: Answer | Before) -> None:
    """What is to be minded of a lawn's figures: that it is taught, and what is odd about its photos."""
    for note in (*([found.taught.sentence] if found.taught else ()), *found.warnings):
        say(f"note: {note}")


@contextmanager
def waiting(wanted: bool = True) -> Iterator[Callable[[str], None]]:
    """A line on standard error that says what is being done; nothing where no one sits at a terminal."""
    if not (wanted and sys.stderr.isatty()):
        yield lambda _: None
        return
    from rich.console import Console
    from rich.text import Text

    with Console(stderr=True).status("reading the lawn") as line:
        yield lambda words: line.update(Text(words))


def show_table(columns: Sequence[str], rows: Sequence[Sequence[str]], *, words: str = "") -> None:
    """A table for people, to standard output. The first column is text, the others are set to the right.

    A column named ``words`` is text too, and both take up what the width is short of, between words only;
    without one a table is as wide as it needs.
    """
    from rich import box
    from rich.console import Console
    from rich.table import Table

    console = Console(markup=False, highlight=False)
    if words:
        rows = _within(console.width, columns, rows, columns.index(words))
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for i, name in enumerate(columns):
        text = i == 0 or name == words
        whole = bool(words) or i == 0
        table.add_column(name, justify="left" if text else "right", no_wrap=whole, overflow="fold")
    for row in rows:
        table.add_row(*row)
    free = console.options.update(max_width=MOST_WIDE)
    console.width = max(console.width, console.measure(table, options=free).maximum)
    console.print(table)


def _within(
    width: int, columns: Sequence[str], rows: Sequence[Sequence[str]], words: int
) -> list[tuple[str, ...]]:
    """Rows whose first column and that of the ``words`` are wrapped to the width, never within a word."""
    long = [max(map(len, cells)) for cells in zip(columns, *rows, strict=True)]
    free = width - sum(n for i, n in enumerate(long) if i not in (0, words)) - 3 * len(columns)
    told = min(long[words], max(WORDS_WIDE, free - long[0]))
    wide = {0: max(free - told, WORDS_WIDE), words: told}
    return [
        tuple(
            textwrap.fill(cell, wide[i], break_long_words=False, break_on_hyphens=False)
            if i in wide
            else cell
            for i, cell in enumerate(row)
        )
        for row in rows
    ]


def figure(value: float | None, digits: int = 0, unit: str = "") -> str:
    """A number for people; a dash when it is not known."""
    if value is None or not math.isfinite(value):
        return "–"
    return f"{value:.{digits}f}{unit}"


def share(value: float | None, se: float | None = None) -> str:
    """A share as per cent, with its standard error when there is one."""
    if value is None or not math.isfinite(value):
        return "–"
    error = f" ± {100 * se:.0f}" if se is not None and math.isfinite(se) else ""
    return f"{100 * value:.0f}{error} %"
