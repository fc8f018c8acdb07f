"""Dates that people write: one way is read (ISO 8601), of any other it is told what to write instead."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from contextlib import suppress
from datetime import date
from typing import Final

from turfeye.words import MONTHS, day

LIKE: Final = "2026-03-14"
_NAMES: Final = "|".join(name[:end] for name in MONTHS for end in range(len(name), 2, -1))
_MONTH: Final = rf"(?P<month>{_NAMES})\.?"
_WRITTEN: Final = tuple(
    re.compile(rf"(?<![\d.]){pattern}(?![\d])", re.IGNORECASE)
    for pattern in (
        r"(?P<year>(?:19|20)\d\d)\s*(?P<sign>[-/._])\s*(?P<a>\d{1,2})\s*(?P=sign)\s*(?P<b>\d{1,2})",
        r"(?P<a>\d{1,2})\s*(?P<sign>[-/._])\s*(?P<b>\d{1,2})\s*(?P=sign)\s*(?P<last>(?:19|20)?\d\d)",
        rf"(?P<a>\d{{1,2}})(?:\.|th|st|nd|rd)?[-\s]*{_MONTH}[-\s]*(?P<last>(?:19|20)?\d\d)",
        r"(?P<year>(?:19|20)\d\d)(?P<a>\d\d)(?P<b>\d\d)",
        rf"{_MONTH}\s*(?P<a>\d{{1,2}})(?:th|st|nd|rd)?,?\s*(?P<last>(?:19|20)\d\d)",
    )
)
_YEAR: Final = re.compile(r"(?:19|20)\d\d")
_TIME: Final = re.compile(
    r"[T,\s]+(?P<hour>\d{1,2}):(?P<rest>[0-5]\d(?::[0-5]\d)?)(?:\s*(?P<half>[ap])\.?m\b)?", re.IGNORECASE
)


def meant(written: str) -> tuple[date, ...]:
    """The days that a date in other signs or another order may stand for, () where it is none of them.

    >>> [str(one) for one in meant("14.03.2026")], [str(one) for one in meant("3/4/26")]
    (['2026-03-14'], ['2026-04-03', '2026-03-04'])
    >>> [str(one) for one in meant("2026-13-05")], meant("2026-02-30"), meant("in May")
    (['2026-05-13'], (), ())
    """
    found = _found(written)
    return tuple(dict.fromkeys(_readings(found))) if found else ()


def unread_in(name: str) -> str:
    """What is the matter with the date in a photo's name that can't be read; "" where there seems to be none.

    >>> unread_in("2026-02-30 plot 3.jpg"), unread_in("2026-13-05 plot 3.jpg")
    ('is impossible, 2026-02-30', 'is impossible, 2026-13-05 (perhaps 2026-05-13)')
    >>> unread_in("plot 3 14.03.2026.jpg"), unread_in("plot 3-4-26.jpg")
    ('is read only as 2026-03-14, not as 14.03.2026', '')
    """
    found = _found(name)
    if not found or not _YEAR.search(found[0]):
        return ""
    days, part = meant(found[0]), found.groupdict()
    told = _told(days)
    if days and not (part.get("year") and int(part["a"]) > len(MONTHS)):
        return f"is read only as {told}, not as {found[0]}"
    return f"is impossible, {found[0]}" + (f" (perhaps {told})" if days else "")


def how_to_write(written: str, *, timed: bool = False) -> str:
    """What to write instead of what is read as no date; a time of day behind it is kept if ``timed``.

    >>> how_to_write("3/14/2026"), how_to_write("3/4/2026")
    ('write it as 2026-03-14', 'write it as 2026-04-03 (3 April 2026) or 2026-03-04 (4 March 2026)')
    >>> how_to_write("14.3.2026 9:12", timed=True), how_to_write("2026-02-30")
    ('write it as 2026-03-14T09:12', 'there is no such day: write one as 2026-03-14')
    >>> how_to_write("3/14/2026 9:12 PM", timed=True)
    'write it as 2026-03-14T21:12'
    """
    found, days = _found(written), meant(written)
    if not found:
        return f"write it as {LIKE}" + (f" or {LIKE}T09:12" if timed else "")
    if not days:
        return f"there is no such day: write one as {LIKE}"
    return f"write it as {_told(days, _time_behind(written[found.end() :]) if timed else '')}"


def _time_behind(rest: str) -> str:
    """The time of day that a date goes on with, as it is to be written; "" where there is none such."""
    found = _TIME.match(rest)
    if not found:
        return ""
    hour, half = int(found["hour"]), found["half"]
    if half:  # noon is 12 p.m., midnight 12 a.m.
        hour = hour % 12 + 12 * (half in "pP") if 0 < hour <= 12 else 24
    return f"T{hour:02}:{found['rest']}" if hour < 24 else ""


def _told(days: Sequence[date], time: str = "") -> str:
    """Days as they are to be written, in words too where it may be one or the other."""
    if len(days) == 1:
        return f"{days[0]}{time}"
    return " or ".join(f"{one}{time} ({day(one)})" for one in days)


def _found(text: str) -> re.Match[str] | None:
    every = (found for pattern in _WRITTEN if (found := pattern.search(text)))
    return min(every, key=lambda found: found.start(), default=None)


def _readings(found: re.Match[str]) -> Iterator[date]:
    """Real days that a match may stand for, the likeliest first."""
    part = found.groupdict()
    a, b = int(part["a"]), int(part.get("b") or 0)
    year = int(part.get("year") or part["last"])
    year += 2000 if year < 100 else 0
    if name := part.get("month"):
        orders = [(year, [month[:3] for month in MONTHS].index(name[:3].capitalize()) + 1, a)]
    elif "year" in part:
        orders = [(year, a, b)]
        if a > len(MONTHS):  # who begins with the year hardly goes on with the day, but by a slip
            orders = [(year, b, a)]
    else:
        orders = [(year, b, a), (year, a, b)]
    for numbers in orders:
        with suppress(ValueError):
            yield date(*numbers)
