"""Pages on which to mark a lawn's photos with mouse or finger: one file each, nothing fetched."""

from __future__ import annotations

import shlex
from collections.abc import Collection, Sequence
from pathlib import Path

import numpy as np

from turfeye import pages, photo, strokes, teach
from turfeye.errors import StrokesError
from turfeye.files import write_atomic
from turfeye.filing import original_name
from turfeye.lawn import Lawn
from turfeye.notes import some
from turfeye.records import CLASSES, SCHEMA, Floats

WIDE_PX, QUALITY = 2400, 88
"""Wider photos are shown smaller; the points are those of the photo itself."""


def write(place: Lawn, names: Sequence[str]) -> Path:
    """Write ``results/mark.html`` for photos of a lawn; strokes taught before are on it.

    A photo is named as it is filed, or by its own name from the camera where one photo only has that.

    Raises StrokesError for a photo that the lawn doesn't have.
    """
    filed = {path.name: path for path in place.every_photo()}
    taught = teach.read(place)
    known = {one["photo"]: one["strokes"] for one in strokes.as_photos(taught.strokes if taught else ())}
    named = [_filed_name(Path(name).name, filed) for name in names]
    wanted = dict.fromkeys([*named, *(name for name in known if name in filed)])
    missing = [name for name in wanted if name not in filed]
    if missing:
        raise StrokesError(f"no photo {missing[0]!r} in this lawn; it has {some(list(filed)) or 'none'}")
    photos = [_shown(filed[name]) | {"name": name, "strokes": known.get(name, [])} for name in wanted]
    data = {
        "schema": SCHEMA,
        "classes": CLASSES,
        "fewest": teach.FEWEST_STROKES,
        "fewest_of_a_class": teach.FEWEST_OF_A_CLASS,
        "photos": photos,
    }
    return _write(place, "mark.html", data, folder=shlex.quote(str(place.folder)))


def write_corners(place: Lawn, path: Path, corners_px: Floats, *, command: str) -> Path:
    """Write ``results/corners.html``, on which to drag the outline's corners in a photo.

    ``corners_px`` (K, 2) are where they are to begin, one for each of the outline's; ``command`` is what
    files the photo: the page adds the corners to it. Beds are drawn where these corners lay them: on their
    trees and ponds, where both are right.
    """
    data = _shown(path) | {
        "corners_px": corners_px.tolist(),
        "names": list(place.corner_names),
        "outline_m": np.asarray(place.outline_m).tolist(),
        "beds_m": [bed.round(3).tolist() for bed in place.beds_m],
        "command": command,
    }
    return _write(place, "corners.html", data)


def _write(place: Lawn, name: str, data: dict[str, object], **words: str) -> Path:
    """A page of the lawn's results, from the template of its name."""
    return write_atomic(place.results_dir / name, pages.rendered(name, lawn=place.name, data=data, **words))


def _filed_name(name: str, filed: Collection[str]) -> str:
    """The filed photo that a name means; the name itself where that is none, or not one alone."""
    own = [one for one in filed if original_name(one) == Path(name).stem]
    return own[0] if name not in filed and len(own) == 1 else name


def _shown(path: Path) -> dict[str, object]:
    """The photo's size once upright, and a copy that a browser shows."""
    picture = photo.read(path)
    uri = pages.photo_uri(picture, wide_px=WIDE_PX, quality=QUALITY)
    return {"size_px": list(picture.size_px), "uri": uri}
