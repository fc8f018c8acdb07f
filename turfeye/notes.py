"""Notes on photos in lines for people: equal words are said once, with the photos that they are about."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from typing import Final

MOST_NAMED: Final = 3
"""So many long names, as photos have, are read in a line; the rest is counted."""
MOST_NUMBERS: Final = 12
"""Of pegs, whose numbers are short."""


_FIGURE: Final = re.compile(r"\d+(?:\.\d+)?(?= (?:%|points|times))")
"""What a note measured: notes that differ in it only say the same."""


def by_words(said: Iterable[tuple[str, str]]) -> dict[str, list[str]]:
    """Notes, (photo, words), by their words: each with its photos, in the order in which they come.

    Words that differ in what was measured only are one, and say from what to what.

    >>> by_words([("a.jpg", "greys differ by 21 %"), ("b.jpg", "greys differ by 19 %")])
    {'greys differ by 19 to 21 %': ['a.jpg', 'b.jpg']}
    """
    photos: dict[str, list[str]] = {}
    figures: dict[str, list[list[str]]] = {}
    for name, words in said:
        frame = _FIGURE.sub("\0", words)
        photos.setdefault(frame, []).append(name)
        figures.setdefault(frame, []).append(_FIGURE.findall(words))
    return {_filled(frame, figures[frame]): names for frame, names in photos.items()}


def _filled(frame: str, figures: Sequence[Sequence[str]]) -> str:
    """The words with each figure's span over all photos."""
    spans = (sorted(set(of_one), key=float) for of_one in zip(*figures, strict=True))
    ends = iter([span[0] if len(span) == 1 else f"{span[0]} to {span[-1]}" for span in spans])
    return re.sub("\0", lambda _: next(ends), frame)


def photos(names: Sequence[str]) -> str:
    """Who it is that a note is about: photos by their files."""
    return f"{len(names)} photos ({some(names)})" if len(names) > 1 else names[0]


def gathered(
    said: Iterable[tuple[str, str]],
    verb: tuple[str, str] = ("", ""),
    *,
    called: Callable[[Sequence[str]], str] = photos,
) -> list[str]:
    """Notes, (photo, words), as lines; ``verb`` goes with one photo, and with several.

    >>> gathered([("a.jpg", "too dark"), ("b.jpg", "no card"), ("c.jpg", "too dark")])
    ['2 photos (a.jpg, c.jpg): too dark', 'b.jpg: no card']

    Every photo has its own notes in ``photos.csv``, and in the JSON of ``turfeye look``.
    """
    return [
        f"{called(names)} {verb[len(names) > 1]}".rstrip() + f": {words}"
        for words, names in by_words(said).items()
    ]


def some(names: Sequence[str], *, most: int = MOST_NAMED) -> str:
    """The first few names, and how many more there are.

    >>> some(["a", "b", "c"], most=2)
    'a, b and 1 more'
    """
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more
