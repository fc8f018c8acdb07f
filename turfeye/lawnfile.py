"""``lawn.toml``: what people write about a lawn, checked so that every mistake is told at once.

Each mistake has its place ("1st [[view]], corners_px"), what is wrong, and what to write instead.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError
from pydantic_core import PydanticCustomError

from turfeye.days import how_to_write
from turfeye.errors import LawnError
from turfeye.files import write_atomic
from turfeye.lawncheck import USUAL_CELL_M, mistakes_in
from turfeye.lawntext import FILE_NAME
from turfeye.records import SCHEMA
from turfeye.wording import OF_THE_FILE, SEVERAL, Wording, spelled
from turfeye.words import so_many

_XY = Field(min_length=2, max_length=2)
_Pair = list[float]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class SowingPart(_Part):
    """One ``[[sowing]]``: of all the lawn, or of the ground within the corners of ``area_m``."""

    date: date
    mix: str = Field(min_length=1)
    rate_g_m2: float = Field(gt=0, le=500)
    area_m: list[_Pair] | None = Field(default=None, min_length=3)


class TargetPart(_Part):
    """The ``[target]``."""

    cover: float = Field(gt=0, le=1)
    date: date


class ViewPart(_Part):
    """One ``[[view]]``: a standing point whose outline corners are marked once, in one photo."""

    name: str = Field(min_length=1)
    photo: str = Field(min_length=1)
    corners_px: list[_Pair] = Field(min_length=3)


class SpotPart(_Part):
    """One ``[[spot]]``: where the peg with this card number stands."""

    number: int = Field(ge=0)
    at_m: _Pair = _XY
    turned_deg: float = 0.0


class PlotsPart(_Part):
    """One ``[[plots]]``: a peg amid each, in rows and columns, numbered row by row from ``first``."""

    first: int = Field(default=1, ge=0)
    columns: int = Field(ge=1, le=1000)
    rows: int = Field(default=1, ge=1, le=1000)
    at_m: _Pair = _XY
    step_m: _Pair = _XY
    size_m: list[Annotated[float, Field(gt=0)]] | None = Field(default=None, min_length=2, max_length=2)
    turned_deg: float = 0.0


class SeedPart(_Part):
    """The ``[seed]`` for reseeding: the user's own rate, and what the bag's label says of the seed."""

    rate_g_m2: float | None = Field(default=None, gt=0, le=500)
    purity: float = Field(default=1.0, gt=0, le=1)
    germination: float = Field(default=1.0, gt=0, le=1)


class DressingPart(_Part):
    """The ``[dressing]``: how deep, and what a bag holds and covers in the user's own hands."""

    depth_mm: float | None = Field(default=None, gt=0, le=100)
    bag_l: float | None = Field(default=None, gt=0)
    bag_covers_m2: float | None = Field(default=None, gt=0)


class HollowPart(_Part):
    """One ``[[hollow]]`` to fill before the work: where, and how deep by the user's own measure."""

    at_m: _Pair = _XY
    depth_mm: float = Field(gt=0, le=500)
    area_m2: float | None = Field(default=None, gt=0)


class BedPart(_Part):
    """One ``[[bed]]`` amid the lawn that is no lawn: its corners, or middle and width of a round one."""

    area_m: list[_Pair] | None = Field(default=None, min_length=3)
    at_m: Annotated[_Pair, _XY] | None = None
    across_m: float | None = Field(default=None, gt=0)


class BladesPart(_Part):
    """The ``[blades]``: the lawn's own leaf angle, as ``turfeye lawn blades`` fitted it."""

    lean: float = Field(ge=-3, le=3)
    lean_se: float = Field(gt=0, le=3)


class SeasonPart(_Part):
    """The ``[season]``: the curve and the time axis, where the defaults don't suit."""

    curve: Literal["logistic", "gompertz"] = "logistic"
    time_axis: Literal["days", "degree-days"] | None = None


class AnchorPart(_Part):
    """One ``[[anchor]]``: where a named corner is on the globe (WGS 84); two place the lawn on a map."""

    corner: str
    lat_deg: float = Field(ge=-90, le=90)
    lon_deg: float = Field(ge=-180, le=180)


def _a_day(value: Any) -> Any:
    """A date, with a time of day or without; of a union both kinds would be told as lacking."""
    if not isinstance(value, date):
        raise PydanticCustomError("date_type", "must be a date")
    return value


class PhotoPart(_Part):
    """One ``[[photo]]``: what a filed photo can't tell by itself, or tells wrongly."""

    name: str
    view: str | None = None
    spot: int | None = Field(default=None, ge=0)
    taken: Annotated[Any, AfterValidator(_a_day)] = None  # date, datetime or None
    turned_deg: float = 0.0


class LawnPart(_Part):
    """The whole file."""

    # The schema's number itself is checked before anything else, in _parse.
    schema_: int = Field(alias="schema")
    name: str = Field(min_length=1)
    known_by: str | None = Field(default=None, min_length=1)
    outline_m: list[_Pair] = Field(min_length=3)
    bed: list[BedPart] = []
    cell_m: float = Field(default=USUAL_CELL_M, gt=0.02, le=5)
    corner_names: list[str] | None = None
    side_names: list[str] | None = None
    spare_pct: float = Field(default=10.0, ge=0, le=100)
    card_rule_mm: float = Field(default=100.0, ge=50, le=200)
    sowing: list[SowingPart] = []
    target: TargetPart | None = None
    view: list[ViewPart] = []
    spot: list[SpotPart] = []
    plots: list[PlotsPart] = []
    photo: list[PhotoPart] = []
    mix: list[dict[str, Any]] = []  # checked by turfeye.mixes, which knows what a mix may hold
    seed: SeedPart = SeedPart()
    dressing: DressingPart = DressingPart()
    hollow: list[HollowPart] = []
    season: SeasonPart = SeasonPart()
    blades: BladesPart | None = None
    anchor: list[AnchorPart] = []


def read_file(folder: Path) -> LawnPart:
    """Read and check ``lawn.toml`` of a lawn folder.

    Raises LawnError with every mistake in the file.
    """
    path = folder / FILE_NAME
    try:
        text = text_of(folder)
    except UnicodeDecodeError:
        raise LawnError(f"{path} is not UTF-8 text; save it again as UTF-8") from None
    return parse(text, path)


def parse(text: str, path: Path | str = FILE_NAME, *, wording: Wording = OF_THE_FILE) -> LawnPart:
    """Check the text of a lawn file; ``path`` and ``wording`` are for the messages.

    Raises LawnError with every mistake.
    """
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        line = _line_of(error, text)
        raise LawnError(f"{path} is not valid TOML: {error}; correct that line: {_how(line)}{line}") from None
    version = content.get("schema")
    if isinstance(version, int) and version > SCHEMA:
        raise LawnError(
            f"{path} has schema {version}, this turfeye knows up to {SCHEMA}; "
            "use the turfeye that wrote it, or a newer one"
        )
    mistakes: list[str] = []
    part = None
    try:
        part = LawnPart.model_validate(content)
    except ValidationError as error:
        mistakes += [_as_words(detail, content, wording) for detail in error.errors()]
    # What fields mean together is checked on whatever is well formed, so that it is told in the same breath.
    mistakes += mistakes_in(content, wording)
    if mistakes or part is None:
        count = so_many(len(mistakes), "mistake")
        raise LawnError(wording.head.format(path=path, count=count), mistakes)
    return part


def _line_of(error: tomllib.TOMLDecodeError, text: str) -> str:
    """The line that a message is about, as a line of its own; "" where it names none that is there."""
    found = re.search(r"at line (\d+)", str(error))
    lines = text.splitlines()
    return f"\n  {lines[int(found[1]) - 1]}" if found and int(found[1]) <= len(lines) else ""


def _fields_at(location: tuple[int | str, ...]) -> list[str]:
    """The names that may stand where the unknown key at ``location`` stands."""
    part: type[BaseModel] = LawnPart
    for step in location[:-1]:
        if isinstance(step, str):
            part = PARTS.get(step, part)
    return [field.alias or name for name, field in part.model_fields.items()]


def _how(line: str) -> str:
    """What a line that is no TOML should rather be."""
    if any(sign in line for sign in CURLY):
        return 'its quotes are a word processor\'s, write straight ones, "like these"'
    if table := TABLE_AND_MORE.match(line):
        return f"{table[1]} stands on a line of its own, and below it each key on one, as number = 3"
    if dated := DATED.match(line):
        return f"{dated[1]}: {how_to_write(dated[2], timed=dated[1] == 'taken')}, without quotes"
    if number := DECIMAL_COMMA.search(line):
        return f"a number has a point, {number[1]}.{number[2]}"
    return "text stands in quotes, a date is 2026-03-14, a number 3.5, a list [1, 2]"


TABLE_AND_MORE = re.compile(r"\s*(\[\[?\w+\]\]?)\s*[^\s#]")
DATED = re.compile(r"\s*(date|taken)\s*=\s*([^#]*)")
DECIMAL_COMMA = re.compile(r"=\s*(-?\d+),(\d+)\s*(?:#.*)?$")
CURLY = "“”„‟‘’‚«»"
"""Quotes that word processors make of straight ones."""
PARTS: dict[str, type[BaseModel]] = {
    "sowing": SowingPart,
    "target": TargetPart,
    "view": ViewPart,
    "spot": SpotPart,
    "plots": PlotsPart,
    "photo": PhotoPart,
    "seed": SeedPart,
    "dressing": DressingPart,
    "hollow": HollowPart,
    "bed": BedPart,
    "season": SeasonPart,
    "blades": BladesPart,
    "anchor": AnchorPart,
}


def _nearest(key: str, known: list[str]) -> str | None:
    """The name that was probably meant: the one that begins or ends with it, else the closest by spelling."""
    begun = [name for name in known if name.startswith(key) or name.endswith(f"_{key}")]
    near = begun or difflib.get_close_matches(key, known, n=1, cutoff=0.6)
    return near[0] if near else None


def _as_words(detail: Any, content: dict[str, Any], wording: Wording) -> str:
    """One pydantic finding as: place, what is wrong, what to write instead."""
    location = detail["loc"]
    place = wording.place(spelled(*location))
    if detail["type"] == "extra_forbidden":
        known = _fields_at(location)
        near = _nearest(str(location[-1]), known)
        hint = f"write {near}" if near else f"leave it out, or write one of {', '.join(known)}"
        return f"{place}: unknown; {hint}"
    key = next((str(step) for step in reversed(location) if isinstance(step, str)), "")
    # "mix" and "photo" are both a field and a table: at the top level they are tables.
    table = len(location) == 1 or (len(location) == 2 and isinstance(location[1], int))
    if table and key in SEVERAL:
        example = f"[[{key}]] with double brackets"
    elif table and key in PARTS:
        example = f"a table: [{key}]"
    else:
        example = wording.examples.get(f"{location[0]}.{key}", wording.examples.get(key, ""))
    hint = f"; write {example}" if example else ""
    if detail["type"] == "missing":
        return f"{place}: missing{hint}"
    came = detail.get("input")
    if key in ("date", "taken") and isinstance(came, str):
        hint = f"; {how_to_write(came, timed=key == 'taken')}, without quotes"
    return f"{place}: {_plain(detail)}, found {_short(came)}{hint}"


def _plain(detail: Any) -> str:
    """Pydantic's finding in plain words."""
    context = detail.get("ctx", {})
    kind = detail["type"]
    things = "corners" if detail["loc"][-1] in ("outline_m", "corners_px", "area_m") else "entries"
    words = {
        "greater_than": f"must be above {context.get('gt')}",
        "greater_than_equal": f"must be at least {context.get('ge')}",
        "less_than_equal": f"must be at most {context.get('le')}",
        "date_type": "must be a date",
        "float_type": "must be a number",
        "int_type": "must be a whole number",
        "string_type": "must be text in quotes",
        "list_type": "must be a list",
        "model_type": "must be a table",
        "string_too_short": "must not be empty",
        "too_short": f"needs at least {context.get('min_length')} {things}",
        "too_long": f"takes at most {context.get('max_length')} entries",
        "literal_error": f"must be {context.get('expected')}",
        "finite_number": "must be a finite number",
    }
    return words.get(kind, str(detail["msg"]).lower())


def _short(value: Any) -> str:
    if isinstance(value, dict):
        return "one table"
    text = value.isoformat() if isinstance(value, date) else repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def text_of(folder: Path) -> str:
    """The text of ``lawn.toml``, to be edited and given to `save`."""
    return (folder / FILE_NAME).read_text(encoding="utf-8-sig")  # editors on Windows put a mark first


def save(folder: Path, text: str) -> None:
    """Write an edited ``lawn.toml`` in one go; what would be a mistake is never written.

    Raises LawnError with every mistake; the file then stays as it was.
    """
    path = folder / FILE_NAME
    parse(text, path)
    write_atomic(path, text)
