"""Notes on photos in lines for people: equal words are said once, with the photos that they are about."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

MOST_NAMED: Final = 3
"""So many long names, as photos have, are read in a line; the rest is counted."""
MOST_NUMBERS: Final = 12
"""Of pegs, whose numbers are short."""


def by_words(said: Iterable[tuple[str, str]]) -> dict[str, list[str]]:
    """Notes, (photo, words), by their words: each with its photos, in the order in which they come."""
    photos: dict[str, list[str]] = {}
    for name, words in said:
        photos.setdefault(words, []).append(name)
    return photos


def gathered(said: Iterable[tuple[str, str]], verb: tuple[str, str] = ("", "")) -> list[str]:
    """Notes, (photo, words), as lines; ``verb`` goes with one photo, and with several.

    >>> gathered([("a.jpg", "too dark"), ("b.jpg", "no card"), ("c.jpg", "too dark")])
    ['2 photos (a.jpg, c.jpg): too dark', 'b.jpg: no card']

    Every photo has its own notes in ``photos.csv``, and in the JSON of ``turfeye look``.
    """
    lines = []
    for words, photos in by_words(said).items():
        several = len(photos) > 1
        who = f"{len(photos)} photos ({some(photos)})" if several else photos[0]
        lines.append(f"{who} {verb[several]}".rstrip() + f": {words}")
    return lines


def some(names: Sequence[str], *, most: int = MOST_NAMED) -> str:
    """The first few names, and how many more there are.

    >>> some(["a", "b", "c"], most=2)
    'a, b and 1 more'
    """
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more
