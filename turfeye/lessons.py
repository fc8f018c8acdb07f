"""A lawn's lessons: learnt from strokes marked in its photos, used with the network that they stand on."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from pathlib import Path

from turfeye import card, judging, models, photo, strokes, sward, teach, view
from turfeye.errors import StrokesError
from turfeye.lawn import Lawn
from turfeye.strokes import Stroke


def in_use(place: Lawn) -> teach.Teaching | None:
    """What is in use of a lawn's teaching: it stands on one network's shares, and goes with no other."""
    found = teach.read(place)
    return found if found and found.network == models.digest(sward.MODEL) else None


def not_used(place: Lawn) -> tuple[str, ...]:
    """A warning where a lawn is taught and that can't be used, for its pages."""
    if teach.read(place) is None or in_use(place) is not None:
        return ()
    again = shlex.join(["turfeye", "teach", str(place.folder), str(place.folder / teach.FILE_NAME)])
    return (
        "what this lawn was taught belongs to another version of the classifier and is not used; teach it "
        f"again: {again}",
    )


def learn(place: Lawn, marks: Sequence[Path]) -> teach.Lesson:
    """What marks files teach of a lawn; nothing is written.

    Raises StrokesError for mistakes in the marks, too few of them, or a marked photo without a card.
    """
    marked = strokes.read(marks, place)
    samples: list[teach.Sample] = []
    for name in dict.fromkeys(stroke.photo for stroke in marked):
        samples += _samples(place, name, [stroke for stroke in marked if stroke.photo == name])
    return teach.learn(samples, network=models.digest(sward.MODEL))


def _samples(place: Lawn, name: str, marked: Sequence[Stroke]) -> list[teach.Sample]:
    """What the strokes of one photo show, in the colours that its card gives."""
    picture = photo.read(place.photo_path(name))
    sighting = next(iter(card.readable(picture)), None)
    if sighting is None:
        raise StrokesError(
            f"no card could be read in {name}, so its colours mean nothing in other light; mark other photos"
        )
    seen = view.from_card(picture, sighting, rule_mm=place.card_rule_mm)
    pixels = judging.judged(picture, seen, sighting)
    return teach.sample(marked, pixels.shares, pixels.rgb_linear, picture.size_px)
