"""A page on which to mark a lawn's photos with mouse or finger: one file, nothing fetched."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from pathlib import Path

from turfeye import photo, strokes, teach
from turfeye.errors import StrokesError
from turfeye.files import write_atomic
from turfeye.lawn import Lawn
from turfeye.records import SCHEMA

WIDE_PX = 2400
"""Wider photos are shown smaller; the points are those of the photo itself."""


def write(place: Lawn, names: Sequence[str]) -> Path:
    """Write ``results/mark.html`` for photos of a lawn by their filed names; strokes taught before are on it.

    Raises StrokesError for a photo that the lawn doesn't have.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    filed = {path.name: path for path in place.every_photo()}
    taught = teach.read(place)
    known = {one["photo"]: one["strokes"] for one in strokes.as_photos(taught.strokes if taught else ())}
    wanted = dict.fromkeys([*(Path(name).name for name in names), *(name for name in known if name in filed)])
    missing = [name for name in wanted if name not in filed]
    if missing:
        raise StrokesError(f"no photo {missing[0]!r} in this lawn; it has {', '.join(filed) or 'none'}")
    photos = [_shown(filed[name]) | {"name": name, "strokes": known.get(name, [])} for name in wanted]
    data = {
        "schema": SCHEMA,
        "classes": strokes.CLASSES,
        "fewest": teach.FEWEST_STROKES,
        "fewest_of_a_class": teach.FEWEST_OF_A_CLASS,
        "photos": photos,
    }
    pages = Environment(
        loader=PackageLoader("turfeye", "templates"), autoescape=True, undefined=StrictUndefined
    )
    text = pages.get_template("mark.html").render(lawn=place.name, folder=str(place.folder), data=data)
    return write_atomic(place.results_dir / "mark.html", text.encode("utf-8"))


def _shown(path: Path) -> dict[str, object]:
    """The photo's size once upright, and a copy that a browser shows."""
    from PIL import Image

    picture = photo.read(path)
    width, height = picture.size_px
    image = Image.fromarray(picture.rgb_coded)
    if width > WIDE_PX:
        image = image.resize((WIDE_PX, round(height * WIDE_PX / width)), Image.Resampling.BOX)
    buffer = io.BytesIO()
    image.save(buffer, "JPEG", quality=88)
    coded = base64.b64encode(buffer.getvalue()).decode("ascii")
    return {"size_px": [width, height], "uri": f"data:image/jpeg;base64,{coded}"}
