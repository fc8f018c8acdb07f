"""Notes on photos in lines for people: equal words are said once, with the photos that they are about.

What is said of the same photos stands below their names, which are said once too.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Sequence
from itertools import takewhile
from typing import Final

MOST_NAMED: Final = 3
"""So many long names, as photos have, are read in a line; the rest is counted."""
MOST_NUMBERS: Final = 12
"""Of pegs, whose numbers are short."""


BELOW: Final = "\n  - "
"""Parts the lines that are said of one."""
_FIGURE: Final = r"\d+(?:\.\d+)?(?= (?:%|points|times|pixels (?:wide|long)))|(?<!--date )\b\d{4}-\d\d-\d\d\b"
"""What a note measured, or a day: notes that differ in it only say the same."""
_CARD: Final = r"(?:(?<=came card )|(?<=came number ))\d+"
MOST_CARDS: Final = 6
"""Of so many cards, or pegs' numbers, each is told by itself; more, as of new plots, are one note."""


def by_words(said: Iterable[tuple[str, str]]) -> dict[str, list[str]]:
    """Notes, (photo, words), by their words: each with its photos, in the order in which they come.

    Words that differ in what was measured or in a day only are one, and say from what to what.

    >>> by_words([("a.jpg", "greys differ by 21 %"), ("b.jpg", "greys differ by 19 %")])
    {'greys differ by 19 to 21 %': ['a.jpg', 'b.jpg']}
    """
    every = list(said)
    cards = {number for _, words in every for number in re.findall(_CARD, words)}
    figure = re.compile(f"{_FIGURE}|{_CARD}" if len(cards) > MOST_CARDS else _FIGURE)
    photos: dict[str, list[str]] = {}
    figures: dict[str, list[list[str]]] = {}
    for name, words in every:
        frame = figure.sub("\0", words)
        if name not in photos.setdefault(frame, []):
            photos[frame].append(name)
        figures.setdefault(frame, []).append(figure.findall(words))
    return {_filled(frame, figures[frame]): names for frame, names in photos.items()}


def _filled(frame: str, figures: Sequence[Sequence[str]]) -> str:
    """The words with each figure's span over all photos."""
    spans = (
        sorted(set(of_one), key=lambda text: (float(text.replace("-", "")), text))
        for of_one in zip(*figures, strict=True)
    )
    ends = iter([span[0] if len(span) == 1 else f"{span[0]} to {span[-1]}" for span in spans])
    return re.sub("\0", lambda _: next(ends), frame)


def photos(names: Sequence[str]) -> str:
    """Who it is that a note is about: photos by their files."""
    return f"{len(names)} photos ({some(names)})" if len(names) > 1 else names[0]


def photos_alike(names: Sequence[str], *, most: int = MOST_NAMED) -> str:
    """As `photos`, where hundreds of names differ in a number only."""
    return f"{len(names)} photos ({some(alike(names), most=most)})" if len(names) > 1 else names[0]


def gathered(
    said: Iterable[tuple[str, str]],
    verb: tuple[str, str] = ("", ""),
    *,
    called: Callable[[Sequence[str]], str] = photos,
) -> list[str]:
    """Notes, (photo, words), as lines; ``verb`` goes with one photo, and with several.

    Several notes on the same photos are lines of their own, as `below` parts them.

    >>> gathered([("a.jpg", "too dark"), ("b.jpg", "no card"), ("c.jpg", "too dark")])
    ['2 photos (a.jpg, c.jpg): too dark', 'b.jpg: no card']
    >>> print(*gathered([("a.jpg", "too dark"), ("a.jpg", "no card")]))
    a.jpg:
      - too dark
      - no card

    Every photo has its own notes in ``photos.csv``, and in the JSON of ``turfeye look``.
    """
    of: dict[tuple[str, ...], list[str]] = {}
    for words, names in by_words(said).items():
        of.setdefault(tuple(names), []).append(words)
    return [told(f"{called(names)} {verb[len(names) > 1]}".rstrip(), words) for names, words in of.items()]


def told(who: str, words: Sequence[str]) -> str:
    """What is said of somebody or something: in its line, or in lines below it where it is more than one."""
    return f"{who}: {words[0]}" if len(words) == 1 else BELOW.join([f"{who}:", *words])


def below(line: str) -> tuple[str, ...]:
    """A line as from `told` in its parts: who it is about, then what is said; as it is where that is one.

    >>> below(told("a.jpg", ["too dark", "no card"])), below("a.jpg: too dark")
    (('a.jpg:', 'too dark', 'no card'), ('a.jpg: too dark',))
    """
    return tuple(line.split(BELOW))


def within(lines: Iterable[str]) -> list[str]:
    """Lines as from `told` as points below another line."""
    return ["  - " + line.replace("\n", "\n  ") for line in lines]


def some(names: Sequence[str], *, most: int = MOST_NAMED) -> str:
    """The first few names, and how many more there are.

    >>> some(["a", "b", "c"], most=2)
    'a, b and 1 more'
    """
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + more


def alike(names: Sequence[str]) -> list[str]:
    """Photos' names, the first whole, of the others what they don't have in common, by words and numbers.

    >>> alike(["2026-05-06 plot 005.jpg", "2026-05-06 plot 017.jpg"]), alike(["a.jpg", "b.png"])
    (['2026-05-06 plot 005.jpg', '017'], ['a.jpg', 'b.png'])
    """
    kinds = {os.path.splitext(name)[1] for name in names}
    chars = zip(*(os.path.splitext(name)[0] for name in names), strict=False)
    same = "".join(some[0] for some in takewhile(lambda some: len(set(some)) == 1, chars))
    same = re.sub(r"[^\W_]*$", "", same)
    end = len(next(iter(kinds))) if len(kinds) == 1 else 0
    return [name if k == 0 else name[len(same) : len(name) - end] for k, name in enumerate(names)]
