"""What filed photos are called in a note: by their files, those of a trial by the plots that they show."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date
from typing import Final

from turfeye import notes
from turfeye.lawn import Lawn
from turfeye.lawnrecords import spot_of
from turfeye.photo import parse_taken_from_name
from turfeye.words import short_day, so_many

MOST_TO_RETAKE: Final = 50
"""Of plots that somebody goes to with a camera again, a day."""


def plots_of(
    place: Lawn, names: Iterable[str], *, views: Mapping[str, str] | None = None
) -> dict[str, tuple[int, date | None]]:
    """Which plot filed photos of a trial show and on which day, as far as it is known: (number, day) by name.

    Known is what a photo was filed with, else the view (``views``, by name) that it was measured as.
    """
    plots, said = {plot.number for plot in place.plots}, {note.photo: note for note in place.notes}
    taken: dict[str, tuple[int, date | None]] = {}
    for name in names if plots else ():
        note = said.get(name)
        number = note.spot if note and note.spot is not None else spot_of((views or {}).get(name, ""))
        on = note.taken if note and note.taken else parse_taken_from_name(name)
        if number is not None and number in plots:
            taken[name] = (number, on.date() if on else None)
    return taken


def called(
    place: Lawn,
    names: Iterable[str],
    *,
    views: Mapping[str, str] | None = None,
    to_retake: bool = False,
) -> Callable[[Sequence[str]], str]:
    """What filed photos are called in a note: of a trial by their plots; see `plots_of` and `_of_plots`."""
    return _of_plots(plots_of(place, names, views=views), to_retake=to_retake)


def _of_plots(
    taken: Mapping[str, tuple[int, date | None]], *, to_retake: bool = False
) -> Callable[[Sequence[str]], str]:
    """As `notes.photos`, by their plots and days, as far as they are known of the files: (number, day).

    ``to_retake`` names all plots, day by day.

    >>> taken = {"a.jpg": (17, date(2026, 4, 24)), "b.jpg": (3, date(2026, 3, 20))}
    >>> _of_plots(taken)(["a.jpg"]), _of_plots(taken)(["a.jpg", "b.jpg"])
    ('plot 17 on 24 April (a.jpg)', '2 photos (plots 3, 17; 20 March to 24 April)')
    >>> _of_plots(taken, to_retake=True)(["a.jpg", "b.jpg"])
    '2 photos (20 March: plot 3; 24 April: plot 17)'
    """
    most = MOST_TO_RETAKE if to_retake else notes.MOST_NUMBERS

    def told(names: Sequence[str]) -> str:
        known = sorted((on or date.min, number) for number, on in (taken[n] for n in names if n in taken))
        others = [name for name in names if name not in taken]
        if not known:
            return notes.photos(names)
        days = {on: short_day(on) if on > date.min else "no date" for on, _ in known}
        if len(names) == 1:
            return f"plot {known[0][1]} on {days[known[0][0]]} ({names[0]})"
        if to_retake:
            groups = [f"{day}: {_named([n for o, n in known if o == on], most)}" for on, day in days.items()]
        else:
            first, *_, last = (*days.values(), *days.values())
            groups = [_named([n for _, n in known], most), first if first == last else f"{first} to {last}"]
        rest = f" and {notes.photos(others)}" if others else ""
        return f"{so_many(len(known), 'photo')} ({'; '.join(groups)}){rest}"

    return told


def _named(numbers: Sequence[int], most: int) -> str:
    every = [str(number) for number in sorted(set(numbers))]
    return f"plot{'s' * (len(every) > 1)} {notes.some(every, most=most)}"
