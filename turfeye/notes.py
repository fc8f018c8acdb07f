"""Notes on photos in lines for people: equal words are said once, with the photos that they are about.

What is said of the same photos stands below their names, which are said once too.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import takewhile
from typing import Final

from turfeye.words import so_many

MOST_NAMED: Final = 3
"""So many long names, as photos have, are read in a line; the rest is counted."""
MOST_NUMBERS: Final = 12
"""Of pegs, whose numbers are short."""
BELOW: Final = "\n  - "
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


@dataclass(frozen=True, slots=True)
class Note:
    """What is said of photos, or of something that the words name; ``str`` puts it together.

    Words on photos are written of one, and their verbs and pronouns fit one ("was taken before the sowing:
    leave it out"). Of several they are said of each, so that they fit as well.

    >>> print(Note(("was taken too early",), "2 photos (a, b)", ("a", "b")))
    2 photos (a, b), each: was taken too early
    >>> print(Note(("too dark", "no card"), "a.jpg"))
    a.jpg:
      - too dark
      - no card
    """

    said: tuple[str, ...]
    who: str = ""  # "" where the words name it
    photos: tuple[str, ...] = ()  # the files of those that it is about
    verb: str = ""  # what became of them, for which the words are the reasons

    @property
    def heading(self) -> str:
        """Who the note is about, with a colon."""
        return self._heading(self.who)

    def _heading(self, who: str) -> str:
        became = f"{who} {self.verb}" if self.verb else who
        return f"{became}, each:" if len(self.photos) > 1 else f"{became}:"

    def __str__(self) -> str:
        """In its line, or in lines below its heading where it is more than one thing that is said."""
        heading = [self.heading] if self.who else []
        return (" " if len(self.said) == 1 else BELOW).join([*heading, *self.said])

    @property
    def brief(self) -> str:
        """What is the matter, without the advice, the names of several photos and further things said."""
        parts = self.said[0].split(": ")
        if not self.who:
            return ": ".join(parts[:2])
        who = f"{len(self.photos)} photos" if len(self.photos) > 1 else self.who
        return f"{who} {self.verb}" if self.verb else f"{self._heading(who)} {parts[0]}"


def gathered(
    said: Iterable[tuple[str, str]],
    verb: tuple[str, str] = ("", ""),
    *,
    called: Callable[[Sequence[str]], str] = photos,
) -> list[Note]:
    """What is said of photos, (photo, words), as notes; ``verb`` is what became of one photo, and of several.

    >>> print(*gathered([("a.jpg", "too dark"), ("b.jpg", "no card"), ("c.jpg", "too dark")]), sep="; ")
    2 photos (a.jpg, c.jpg), each: too dark; b.jpg: no card

    Every photo has its own notes in ``photos.csv``, and in the JSON of ``turfeye look``.
    """
    of: dict[tuple[str, ...], list[str]] = {}
    for words, names in by_words(said).items():
        of.setdefault(tuple(names), []).append(words)
    return [Note(tuple(words), called(names), names, verb[len(names) > 1]) for names, words in of.items()]


def stated(lines: Iterable[str]) -> list[Note]:
    """Sentences, which say themselves what they are about, as notes."""
    return [Note((line,)) for line in lines]


def within(those: Iterable[Note]) -> list[str]:
    """Notes as points below another line."""
    return ["  - " + str(note).replace("\n", "\n  ") for note in those]


def headed(heading: str, those: Sequence[Note]) -> str:
    """Notes on photos below a heading that counts these; one alone, which says how many, stands beside it.

    >>> print(headed("not placed", gathered([("a.jpg", "no card"), ("b.jpg", "no card")])))
    not placed: 2 photos (a.jpg, b.jpg), each: no card
    >>> print(headed("not placed", gathered([("a.jpg", "no card"), ("b.jpg", "too dark")])))
    not placed, 2 photos:
      - a.jpg: no card
      - b.jpg: too dark
    """
    if len(those) == 1:
        return f"{heading}: {those[0]}"
    named = {name for note in those for name in note.photos}
    return "\n".join([f"{heading}, {so_many(len(named), 'photo')}:", *within(those)])


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
