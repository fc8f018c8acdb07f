"""Dates of lawns as a calendar file (iCalendar, RFC 5545), which phones and computers take over."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta

from turfeye.words import as_line

Entry = tuple[date, str, str, str]
"""A day, the lawn's name, what is to come, and what the lawn is known by though its name be changed."""


def calendar(name: str, entries: Sequence[Entry], *, as_of: datetime) -> str:
    """All-day entries as the text of an .ics file, in the order given.

    An entry keeps its identity, by what its lawn is known by, its year and the words before the first colon
    or comma, and by how many such came before it: a calendar that has it already moves it instead of adding
    another.

    as_of : when the dates were worked out, with its offset
    """
    from icalendar import Calendar, Event

    book = Calendar()
    book.add("prodid", "-//turfeye//lawn dates//EN")
    book.add("version", "2.0")
    book.add("x-wr-calname", name)
    seen: Counter[str] = Counter()
    for when, lawn, what, known_by in entries:
        kind = _kind(what)
        about = f"{known_by}\n{kind}\n{when.year}"
        seen[about] += 1
        event = Event()
        event.add("uid", _identity(f"{about}\n{seen[about]}"))
        event.add("dtstamp", as_of.astimezone(UTC))
        event.add("dtstart", when)
        event.add("dtend", when + timedelta(days=1))  # the first day after it
        event.add("summary", f"{as_line(kind).removesuffix('.')}: {lawn}")  # a phone shows its start alone
        event.add("description", as_line(what))
        event.add("transp", "TRANSPARENT")  # the day stays free
        book.add_component(event)
    return str(book.to_ical().decode("utf-8"))


def _kind(what: str) -> str:
    """The words before the first colon or comma."""
    for sign in ":,":
        what = what.partition(sign)[0]
    return what.strip()


def _identity(about: str) -> str:
    return f"{hashlib.sha256(about.encode()).hexdigest()[:32]}@turfeye"
