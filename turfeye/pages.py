"""What pages are made of: templates, how they write figures, and pictures inside them. They fetch nothing."""

from __future__ import annotations

import base64
import io
import re
from functools import cache
from typing import TYPE_CHECKING, Any

import cv2

from turfeye import plots
from turfeye.amounts import bag_words, seed_words
from turfeye.lawnrecords import Patch
from turfeye.records import Photo
from turfeye.words import as_line, day, per_cent, short_day, square_metres, together_m2

if TYPE_CHECKING:
    from jinja2 import Environment


def rendered(template: str, **facts: Any) -> str:
    """The page that a template of this name makes of some facts."""
    return str(_environment().get_template(template).render(**facts))


def png_uri(data: bytes) -> str:
    """A PNG as an address that holds it whole."""
    return _data_uri(data, "png")


def photo_uri(photo: Photo, *, wide_px: int, quality: int) -> str:
    """A photo no wider than ``wide_px`` as JPEG, quality 0-95, in an address that holds it whole."""
    from PIL import Image

    width, height = photo.size_px
    factor = min(1.0, wide_px / width)
    size_px = (round(width * factor), round(height * factor))
    small = Image.fromarray(cv2.resize(photo.rgb_coded, size_px, interpolation=cv2.INTER_AREA))
    buffer = io.BytesIO()
    small.save(buffer, "JPEG", quality=quality)
    return _data_uri(buffer.getvalue(), "jpeg")


def _data_uri(data: bytes, kind: str) -> str:
    return f"data:image/{kind};base64,{base64.b64encode(data).decode('ascii')}"


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("turfeye", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "per_cent": lambda value: per_cent(value).replace(" ", "\u00a0"),
        "day": lambda when: day(when).replace(" ", "\u00a0", 1),
        "short_day": short_day,
        "square_metres": square_metres,
        "together_m2": together_m2,
        "seed_words": seed_words,
        "bag_words": bag_words,
        "sentence": _sentence,
        "with_units": _with_units,
        "where": plots.where,
        "plot_numbers": _plot_numbers,
    }
    return environment


def _plot_numbers(patch: Patch) -> str:
    """The plots of a patch for a narrow column: 12, or 12 (62 %) and 13 (38 %)."""
    return plots.numbers(patch).replace(" (", "\u00a0(").replace(" %", "\u00a0%")


def _sentence(text: str) -> str:
    """A line of its own: a capital first, a full stop last, numbers kept with their units."""
    return as_line(_with_units(text.strip()))


def _with_units(text: str) -> str:
    """Numbers kept with their units, where a line would break between them."""
    return re.sub(r"(?<=\d) (?=(%|m²|m|g|kg|L|°C|bags?)(?![\w²]))", "\u00a0", text)
