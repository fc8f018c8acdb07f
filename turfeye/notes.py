"""Notes on photos in lines for people: equal words are said once, with the photos that they are about.

Words that differ in what was measured only are equal, see `Remark`. What is said of the same photos stands
below their names, which are said once too.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import takewhile
from typing import Any, Final, Self

from turfeye.words import so_many

MOST_NAMED: Final = 3
"""So many long names, as photos have, are read in a line; the rest is counted."""
MOST_NUMBERS: Final = 12
"""Of pegs, whose numbers are short."""
BELOW: Final = "\n  - "
MOST_CARDS: Final = 6
"""Of so many cards, or pegs' numbers, each is told by itself; more, as of new plots, are one note."""


class Remark(str):
    """What is said of a photo, with what was measured in it; it is its text.

    The words are as of `str.format`: what fills a field without a name is a figure, or a day, and remarks
    that differ in these only say the same. So do very many that differ in a card's ``number`` only.

    >>> Remark("{which} greys differ by {:.0f} %", 21.3, which="light")
    'light greys differ by 21 %'
    """

    words: str
    figures: tuple[float | date, ...]
    names: dict[str, Any]

    def __new__(cls, words: str, /, *figures: float | date, **names: Any) -> Self:
        """What a user wrote, as a file's name, is one of the ``names``: braces count in the words."""
        made = super().__new__(cls, words.format(*figures, **names))
        made.words, made.figures, made.names = words, figures, names
        return made

    def __getnewargs_ex__(self) -> tuple[tuple[Any, ...], dict[str, Any]]:
        """Copies and pickles are made of the same words and figures: of its text they would have none."""
        return (self.words, *self.figures), self.names

    @classmethod
    def of(cls, said: str) -> Remark:
        """Itself; of plain text one without figures."""
        return said if isinstance(said, Remark) else cls("{said}", said=said)

    def with_spans(self, alike: Sequence[Remark], *, of_number: bool) -> str:
        """The text with the span that each figure has in remarks like this; of no remarks, with blanks."""
        spans = [_Span(one.figures[k] for one in alike) for k in range(len(self.figures))]
        number = {"number": _Span(one.names["number"] for one in alike)} if of_number else {}
        return self.words.format(*spans, **self.names | number)


class _Span(tuple[float | date, ...]):
    """Several figures in the place of one, as that is written: the least and the most of them."""

    def __format__(self, spec: str) -> str:
        ends = list(dict.fromkeys(format(one, spec) for one in sorted(self))) or ["\0"]
        return ends[0] if len(ends) == 1 else f"{ends[0]} to {ends[-1]}"


def _by_words(said: Iterable[tuple[str, str]]) -> dict[str, list[str]]:
    """What is said, (photo, remark), each with its photos, in the order in which they come.

    >>> _by_words((f"{k}.jpg", Remark("greys differ by {:.0f} %", k)) for k in (21, 9))
    {'greys differ by 9 to 21 %': ['21.jpg', '9.jpg']}
    """
    every = [(name, Remark.of(remark)) for name, remark in said]
    many = len({remark.names["number"] for _, remark in every if "number" in remark.names}) > MOST_CARDS
    alike: dict[str, list[tuple[str, Remark]]] = {}
    for name, remark in every:
        of_number = many and "number" in remark.names
        alike.setdefault(remark.with_spans((), of_number=of_number), []).append((name, remark))
    photos = {}
    for some in alike.values():
        remarks = [remark for _, remark in some]
        words = remarks[0].with_spans(remarks, of_number=many and "number" in remarks[0].names)
        photos[words] = list(dict.fromkeys(name for name, _ in some))
    return photos


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
    for words, names in _by_words(said).items():
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
