"""Measured photos before they join a season: which of them can be used, and what is doubtful about them.

A photo from outside the season and one that is there twice are left out and named; a camera's clock that
seems wrong is named only, since nobody but the user knows the day.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from typing import Final

import numpy as np

from turfeye import notes
from turfeye.lawnrecords import spot_of
from turfeye.notes import Remark
from turfeye.photo import parse_taken_from_name
from turfeye.records import CellTable

DAY_ONLY: Final = time(12)
"""Where only the day is known; so many photos share it."""
FEW_TWINS: Final = 3
"""So many photos that are there twice are told one by one."""


@dataclass(frozen=True, eq=False, slots=True)
class Reading:
    """One measured photo, ready to join a season."""

    table: CellTable
    taken: datetime
    view: str  # the view's name, or "spot 3"
    photo: str
    digest: str = ""
    at_m: tuple[float, float] | None = None  # a spot's peg, lawn metres; None: on the lawn's grid
    turned_deg: float = 0.0  # the card's x axis against the lawn's, anticlockwise
    original: str = ""  # the camera's own name of the file; "" when its date is the user's word
    camera: str = ""
    plot: int | None = None  # a trial's, of which it tells: nothing of what it shows of other plots counts

    @property
    def clock(self) -> datetime:
        """The camera's own clock, without its offset: local days are what counts."""
        return self.taken.replace(tzinfo=None)


def usable(
    readings: Iterable[Reading], *, sown: date, today: date
) -> tuple[tuple[Reading, ...], tuple[str, ...], dict[str, str]]:
    """Those that can be used, by time; every doubt in a sentence; why others are left out, by photo."""
    ordered = by_time(readings)
    early = [r for r in ordered if r.taken.date() < sown]
    late = [r for r in ordered if r.taken.date() > today]
    kept, same, copies = _without_twins([r for r in ordered if sown <= r.taken.date() <= today])
    before, after = f"before the sowing on {sown}", f"after today ({today})"
    earlier = "an earlier season belongs in a folder of its own; "
    flags = [*_outside(early, before, earlier, sown, today), *_outside(late, after, "", sown, today)]
    flags += _twins_told(same, copies)
    flags += [f"{r.photo} may have a wrong date: {doubt}" for r in kept if (doubt := clock_doubt(r))]
    left_out = {
        **{reading.photo: f"dated {before}" for reading in early},
        **{reading.photo: f"dated {after}" for reading in late},
        **{out: f"the same picture as {used}, used once" for out, used in same},
        **{out: f"a copy, taken in the same second as {used}, which is used" for out, used in copies},
    }
    return tuple(kept), (*flags, *_backward_counters(kept)), left_out


def by_time(readings: Iterable[Reading]) -> list[Reading]:
    """In the order in which they were taken."""
    return sorted(readings, key=lambda r: (r.clock, r.photo))


def clock_doubt(reading: Reading) -> str:
    """What is odd about a photo's date when compared with the date in its own name; "" if nothing."""
    return doubt_between(reading.original, reading.taken)


def doubt_between(name: str, taken: datetime) -> str:
    """What is odd about the date in a file's header against the one in its name; "" if nothing.

    >>> doubt_between("IMG_20260414_101500", datetime(2025, 4, 14, 10, 15)).partition(" The")[0]
    'the camera says 2025-04-14, its name 2026-04-14: is the clock a year off?'
    >>> doubt_between("IMG_20260414_001500", datetime(2026, 4, 13, 23, 15))
    ''
    """
    named = parse_taken_from_name(name)
    if named is None:
        return ""
    says, other = taken.date(), named.date()
    if abs((says - other).days) <= 1:  # another time zone
        return ""
    if (says.month, says.day) == (other.month, other.day):
        why = "is the clock a year off?" if abs(says.year - other.year) == 1 else "is the clock's year right?"
    elif (says.month, says.day) == (other.day, other.month):
        why = "are day and month swapped?"
    else:
        why = "which is right?"
    return Remark(
        f"the camera says {{0}}, its name {{1}}: {why} The camera's day counts; for the other write in "
        'lawn.toml: [[photo]] name = "…", taken = {1}',
        says,
        other,
    )


def _outside(photos: Sequence[Reading], when: str, more: str, sown: date, today: date) -> list[str]:
    """Photos from before the sowing, or from the future, in one sentence."""
    if not photos:
        return []
    names = [f"{r.photo} ({r.taken.date()}{_guess(r, sown, today)})" for r in photos]
    likely = [likely_day(r.taken.date(), sown, today)[0] for r in photos]
    say = next((other for other in likely if other), sown)
    return [
        f"left out, since dated {when}: {notes.some(names)}: {more}if the sowing's date is wrong, "
        "correct it; if the camera's clock was, write the true day in lawn.toml: "
        f'[[photo]] name = "…", taken = {say}'
    ]


def _guess(reading: Reading, sown: date, today: date) -> str:
    """What may have gone wrong with a clock, so that the date lies outside the season."""
    if clock_doubt(reading) and (named := parse_taken_from_name(reading.original)):
        return f"; its name says {named.date()}"
    other, words = likely_day(reading.taken.date(), sown, today)
    return f"; {words} {other}?" if other else ""


def likely_day(says: date, first: date, last: date) -> tuple[date | None, str]:
    """The day between two that a wrong date may stand for, and what went wrong then; None where none does."""
    swapped = _day(says.year, says.day, says.month)
    guesses = [(_day(says.year + k, says.month, says.day), "with the right year") for k in (-1, 1)]
    for other, words in [*guesses, (swapped, "with day and month swapped")]:
        if other is not None and first <= other <= last:
            return other, words
    return None, ""


def _day(year: int, month: int, day: int) -> date | None:
    try:
        return date(year, month, day)
    except ValueError:
        return None


def _without_twins(
    ordered: Sequence[Reading],
) -> tuple[list[Reading], list[tuple[str, str]], list[tuple[str, str]]]:
    """Each picture once, and those left out, (left out, used): the same bytes, and one view twice in one
    second (a copy edited or sent on).
    """
    kept: list[Reading] = []
    same: list[tuple[str, str]] = []
    copies: list[tuple[str, str]] = []
    of_bytes: dict[str, str] = {}
    of_second: dict[tuple[datetime, str], int] = {}
    for reading in ordered:
        if reading.digest and reading.digest in of_bytes:
            same.append((reading.photo, of_bytes[reading.digest]))
            continue
        of_bytes[reading.digest] = reading.photo
        second = (reading.clock.replace(microsecond=0), reading.view)
        if second[0].time() != DAY_ONLY and second in of_second:
            place = of_second[second]
            better, worse = kept[place], reading
            if _told(reading) > _told(kept[place]):
                better, worse = reading, kept[place]
            kept[place] = better
            copies.append((worse.photo, better.photo))
            continue
        of_second[second] = len(kept)
        kept.append(reading)
    return kept, same, copies


def _twins_told(same: Sequence[tuple[str, str]], copies: Sequence[tuple[str, str]]) -> list[str]:
    """What is said of photos, (left out, used), of the same bytes and of the same second.

    Of a few each is told; more, as of photos that were all sent on as well, are a line.
    """
    if len(same) > FEW_TWINS:
        told = [f"{notes.photos([out for out, _ in same])} are the same pictures as others: each used once"]
    else:
        told = [f"{out} is the same picture as {used}: used once" for out, used in same]
    if len(copies) > FEW_TWINS:
        return [
            *told,
            f"{notes.photos([out for out, _ in copies])} were taken in the same second as others of the same "
            "places, so they or those are copies: of each only the one that shows more is used",
        ]
    return told + [
        f"{out} was taken in the same second as {used}, so one is a copy of the other: only {used} is used"
        for out, used in copies
    ]


def _told(reading: Reading) -> float:
    """How much a photo tells, to compare copies: cells that it shows, by how surely it shows them."""
    seen = reading.table.state == "seen"
    return float(seen.sum() / np.median(reading.table.cover_se[seen])) if seen.any() else 0.0


def _backward_counters(ordered: Sequence[Reading]) -> list[str]:
    """A camera numbers its pictures upwards; a later number with an earlier date means a wrong clock."""
    flags = []
    last: dict[tuple[str, str], tuple[int, Reading]] = {}
    for reading in ordered:
        # a date in the name is no counter, nor is its peg's number
        found = re.fullmatch(r"([A-Za-z_ -]+?)(\d{3,6})", Path(reading.original).stem)
        if not found or spot_of(reading.view) == int(found[2]):
            continue
        series, number = (reading.camera, found[1].lower()), int(found[2])
        if series in last and number < last[series][0]:
            before = last[series][1]
            flags.append(
                f"{before.original} ({before.taken.date()}) is numbered after "
                f"{reading.original} ({reading.taken.date()}) but dated before it: "
                "was the camera's clock right, or did its counter start again?"
            )
        last[series] = (number, reading)
    return flags
