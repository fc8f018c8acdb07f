"""Strokes: places that a user marked in photos of a lawn as green, straw, bare or other.

They come in a small JSON file (docs/marks-file.md), most easily from the page that `markpage` writes. Points
are pixels of the upright photo, (x, y), pixel centres at integers.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from turfeye import photo
from turfeye.errors import StrokesError
from turfeye.lawn import Lawn
from turfeye.records import CLASSES, SCHEMA, Flags, Floats
from turfeye.words import ordinal, so_many

WIDEST_PX = 2000.0
_KEYS = {"shows", "line_px", "width_px", "polygon_px"}


@dataclass(frozen=True, eq=False, slots=True)
class Stroke:
    """One place in one photo, and what it shows."""

    photo: str  # a name in photos/ or before/
    shows: str  # one of CLASSES
    points_px: Floats  # (K, 2)
    width_px: float | None  # None: the points are the corners of an area

    def mask(self, size_px: tuple[int, int], full_px: tuple[int, int]) -> Flags:
        """The marked pixels, (H, W), in a copy of the photo that is ``size_px`` = (W, H) large.

        Parameters
        ----------
        size_px, full_px : width and height of the copy and of the photo itself
        """
        factor = np.array(size_px) / np.array(full_px)
        points = (self.points_px + 0.5) * factor - 0.5
        drawn = np.zeros(size_px[::-1], np.uint8)
        sixteenths = np.rint(points * 16).astype(np.int32)
        if self.width_px is None:
            cv2.fillPoly(drawn, [sixteenths], 1, shift=4)
        else:
            wide = max(self.width_px * float(factor.mean()), 1.0)
            cv2.polylines(drawn, [sixteenths], False, 1, round(wide), shift=4)
            for x, y in sixteenths:  # round ends, and a line of one point
                cv2.circle(drawn, (int(x), int(y)), round(8 * wide), 1, -1, shift=4)
        return np.asarray(drawn > 0)


def read(paths: Iterable[Path], place: Lawn) -> tuple[Stroke, ...]:
    """The strokes of one or more marks files of a lawn.

    Raises StrokesError with every mistake: broken JSON, an unknown class, a photo that the lawn doesn't have,
    a point outside the picture.
    """
    filed = {path.name: path for path in place.every_photo()}
    sizes: dict[str, tuple[int, int]] = {}
    found: list[Stroke] = []
    for path in paths:
        mistakes: list[str] = []
        for at, name, entry in _entries(path, mistakes):
            if name not in filed:
                mistakes.append(_unknown_photo(at, name, list(filed)))
                continue
            stroke = _stroke(at, name, entry, mistakes)
            if stroke is None:
                continue
            if name not in sizes:
                sizes[name] = photo.read(filed[name]).size_px
            mistakes += _outside(at, stroke, sizes[name])
            found.append(stroke)
        if mistakes := list(dict.fromkeys(mistakes)):
            count = so_many(len(mistakes), "mistake")
            raise StrokesError(f"{path} has {count}; nothing was taught", mistakes)
    return tuple(found)


def as_photos(strokes: Sequence[Stroke]) -> list[dict[str, Any]]:
    """Strokes as the ``photos`` of a marks file."""
    names = list(dict.fromkeys(stroke.photo for stroke in strokes))
    return [
        {"photo": name, "strokes": [_as_entry(stroke) for stroke in strokes if stroke.photo == name]}
        for name in names
    ]


def from_photos(photos: Iterable[dict[str, Any]]) -> tuple[Stroke, ...]:
    """Strokes back from what `as_photos` made."""
    return tuple(
        Stroke(
            one["photo"],
            entry["shows"],
            np.array(entry.get("line_px") or entry["polygon_px"], dtype=float),
            entry.get("width_px"),
        )
        for one in photos
        for entry in one["strokes"]
    )


def _as_entry(stroke: Stroke) -> dict[str, Any]:
    points = stroke.points_px.round(2).tolist()
    if stroke.width_px is None:
        return {"shows": stroke.shows, "polygon_px": points}
    return {"shows": stroke.shows, "line_px": points, "width_px": stroke.width_px}


def _entries(path: Path, mistakes: list[str]) -> list[tuple[str, str, Any]]:
    """Of each stroke in a file: where it stands, its photo's name, and what is written."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise StrokesError(f"wanted the marks file {path}, could not read it ({error.strerror})") from None
    except (UnicodeDecodeError, json.JSONDecodeError) as error:
        raise StrokesError(f"{path} is not valid JSON: {error}; correct that place and try again") from None
    if not isinstance(content, dict) or not isinstance(content.get("photos"), list):
        raise StrokesError(
            f'{path} is not a marks file: wanted {{"schema": {SCHEMA}, "photos": [...]}}; '
            "docs/marks-file.md shows one"
        )
    version = content.get("schema")
    if version != SCHEMA:
        raise StrokesError(f"{path} has schema {version!r}, this turfeye knows {SCHEMA}; write it so")
    entries = []
    for i, one in enumerate(content["photos"]):
        at = f"{ordinal(i)} photo"
        strokes = one.get("strokes") if isinstance(one, dict) else None
        if not isinstance(strokes, list) or not isinstance(one.get("photo"), str):
            mistakes.append(f'{at}: wanted {{"photo": "NAME.jpg", "strokes": [...]}}, found {_short(one)}')
            continue
        entries += [(f"{at}, {ordinal(j)} stroke", one["photo"], entry) for j, entry in enumerate(strokes)]
    return entries


def _stroke(at: str, name: str, entry: Any, mistakes: list[str]) -> Stroke | None:
    """One stroke, or None once its mistakes are noted."""
    before = len(mistakes)
    if not isinstance(entry, dict):
        mistakes.append(f"{at}: wanted a stroke in braces, found {_short(entry)}")
        return None
    for key in sorted(set(entry) - _KEYS):
        mistakes.append(f"{at}, {key}: unknown; a stroke has {', '.join(sorted(_KEYS))}")
    if entry.get("shows") not in CLASSES:
        mistakes.append(
            f"{at}, shows: must be one of {', '.join(CLASSES)}, found {_short(entry.get('shows'))}"
        )
    kinds = [key for key in ("line_px", "polygon_px") if key in entry]
    if len(kinds) != 1:
        mistakes.append(f"{at}: wanted either line_px with width_px, or polygon_px")
        return None
    least = 1 if kinds[0] == "line_px" else 3
    points = _points(entry[kinds[0]], least)
    if points is None:
        mistakes.append(
            f"{at}, {kinds[0]}: wanted at least {least} points [x, y], found {_short(entry[kinds[0]])}"
        )
    width: Any = entry.get("width_px")
    if kinds[0] == "line_px" and not (_is_number(width) and 0 < width <= WIDEST_PX):
        mistakes.append(f"{at}, width_px: must be above 0 and at most {WIDEST_PX:g}, found {_short(width)}")
    if kinds[0] == "polygon_px" and width is not None:
        mistakes.append(f"{at}, width_px: an area has no width; leave it out")
    if points is None or len(mistakes) > before:
        return None
    return Stroke(name, entry["shows"], points, None if width is None else float(width))


def _points(value: Any, least: int) -> Floats | None:
    """(K, 2), or None when it is anything but a list of at least so many pairs of numbers."""
    if not isinstance(value, list) or len(value) < least:
        return None
    good = all(isinstance(p, list) and len(p) == 2 and _is_number(p[0]) and _is_number(p[1]) for p in value)
    return np.array(value, dtype=float) if good else None


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e9


def _outside(at: str, stroke: Stroke, size_px: tuple[int, int]) -> list[str]:
    low, high = -0.5, np.array(size_px) - 0.5
    out = stroke.points_px[((stroke.points_px < low) | (stroke.points_px > high)).any(axis=1)]
    if not len(out):
        return []
    x, y = out[0]
    return [
        f"{at}: the point [{x:g}, {y:g}] is outside {stroke.photo}, which is "
        f"{size_px[0]} × {size_px[1]} pixels once upright"
    ]


def _unknown_photo(at: str, name: str, known: list[str]) -> str:
    at = at.partition(",")[0]  # told once of all strokes of the photo
    if Path(name).is_file():
        return (
            f"{at}, photo: {name} is a photo, but none of this lawn's; file it first with turfeye add, then "
            "write the name under which it was filed"
        )
    return f"{at}, photo: no photo {name!r} in this lawn; write one of {', '.join(known[:4]) or '(none yet)'}"


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False) if value is not None else "nothing"
    return text if len(text) <= 60 else text[:57] + "..."
