"""A lawn that is being made: its outline, first sowing and target, and what may be wrong with those."""

from __future__ import annotations

import datetime as dt
import math
import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from turfeye import corners, lawnfile, lawntext, mixes, plotsheet, region, upright
from turfeye.errors import LawnError
from turfeye.files import write_atomic
from turfeye.lawn import FILE_NAME, USUAL_MIX, Lawn, by_folder, read
from turfeye.lawncheck import USUAL_CELL_M, corner_words
from turfeye.lawnfile import parse
from turfeye.lawntext import pairs
from turfeye.outline import crossing_sides, signed_area
from turfeye.records import SCHEMA, Floats, Photo
from turfeye.wording import Wording

MUCH = 3
"""So many times what a mix is sown with, or so small a part of it, is hardly meant. Ours."""
OF_A_SEASON = ("sowing", "target", "view", "photo", "hollow")
"""Tables of a lawn file that another season of the same lawn does not take over."""
OFF_ORIGIN_M = 0.1
OFF_AXIS_DEG = 3.0
"""So far a new lawn's first corner and side may lie off the origin and the x axis. Ours."""
AS_WELL = 0.5
"""Of what is told as wrong with marked corners (`corners.astray`): by more a beginning is better. Ours."""
NOTCHED = 0.02
"""The share by which an outline's hull is larger than it, from which on it has an inner corner. Ours."""
WORDING = Wording(
    head="no lawn was made in {path}, {count}",
    examples={
        "outline_m": '--outline 8x6, or its corners, --outline "0,0 8,0 8,6 0,6", in metres',
        "cell_m": "--cell 0.5",
        "name": '--name "Ferry Cottage, back"',
        "mix": '--mix "perennial ryegrass"',
        "rate_g_m2": "--rate 35",
        "cover": "--target-cover 0.75 (a share, not per cent)",
    },
    places={
        "outline_m": "outline",
        "cell_m": "--cell",
        "name": "--name",
        "1st [[sowing]], mix": "--mix",
        "1st [[sowing]], rate_g_m2": "--rate",
        "target.date": "--target",
        "target.cover": "--target-cover",
    },
    corners=lambda points: '--outline "' + " ".join(f"{x:g},{y:g}" for x, y in points) + '"',
)
"""Of a lawn that is being made the user knows the options of ``turfeye lawn new``, not yet the file."""


def make(
    folder: Path | str,
    *,
    name: str | None = None,
    outline_m: Sequence[Sequence[float]],
    cell_m: float = USUAL_CELL_M,
    sown: dt.date | None = None,
    mix: str | None = None,
    rate_g_m2: float | None = None,
    target_cover: float | None = None,
    target_date: dt.date | None = None,
) -> Lawn:
    """Make a lawn folder; with ``sown``, its first sowing and a target (by default the mix's,
    `mixes.Mix.usual_target`).

    The usual mix is perennial ryegrass, the usual rate that of overseeding with the mix (`data/mixes.toml`).
    Raises LawnError when a lawn is there already, the facts hold mistakes, or a mix, rate or target cover is
    given with no date that it goes with; then nothing is written.
    """
    folder, begun = _vacant(folder), _Begun(sown, mix, rate_g_m2, target_cover, target_date)
    text = _text(
        name=name or _name_of(folder),
        # a tape reads millimetres
        outline_m=[(round(float(x), 3), round(float(y), 3)) for x, y in outline_m],
        cell_m=cell_m,
        sowing=begun.sowing(folder),
        target=begun.target(),
    )
    text = lawntext.known_by(text, by_folder(folder))
    part = parse(text, folder, wording=WORDING)
    if wrong := _off_axes(np.array(part.outline_m)):
        raise LawnError(WORDING.head.format(path=folder, count="1 mistake"), wrong)
    (folder / "photos").mkdir(parents=True, exist_ok=True)
    write_atomic(folder / FILE_NAME, text)
    return read(folder)


def again(
    folder: Path | str,
    like: Path | str,
    *,
    name: str | None = None,
    sown: dt.date | None = None,
    mix: str | None = None,
    rate_g_m2: float | None = None,
    target_cover: float | None = None,
    target_date: dt.date | None = None,
) -> Lawn:
    """Make a lawn folder for another season of the lawn in ``like``, which is only read.

    Its outline, names, pegs, plots, mixes and settings go along, and a trial's ``treatments.csv``; what is of
    one season stays behind: sowings, target, photos, the views marked in them, and hollows that were filled.
    Mix, rate and target cover are last time's where none is given. Raises LawnError as `make` does.
    """
    there, folder = read(like), _vacant(folder)
    last = next((one for one in reversed(there.sowings) if not one.area_m), None)
    if last and sown and mix in (None, last.mix):
        mix, rate_g_m2 = last.mix, last.rate_g_m2 if rate_g_m2 is None else rate_g_m2
    if there.target and target_cover is None and (sown or target_date):
        target_cover = there.target.cover
    begun = _Begun(sown, mix, rate_g_m2, target_cover, target_date, there.mixes)
    sowing, target = begun.sowing(folder), begun.target()
    text = lawntext.without(lawnfile.text_of(there.folder), OF_A_SEASON)
    text = lawntext.with_value(text, "name", name) if name else text
    text = lawntext.known_by(text, by_folder(folder))
    text = lawntext.with_tables(text, "sowing", [sowing] if sowing else [])
    text = lawntext.with_table(text, "target", target) if target else text
    parse(text, folder, wording=WORDING)
    (folder / "photos").mkdir(parents=True, exist_ok=True)
    if (plan := there.folder / plotsheet.FILE_NAME).is_file():
        write_atomic(folder / plotsheet.FILE_NAME, plan.read_bytes())
    write_atomic(folder / FILE_NAME, text)
    return read(folder)


def _vacant(folder: Path | str) -> Path:
    """The folder, which may hold no lawn yet. Raises LawnError."""
    folder = Path(folder)
    if (folder / FILE_NAME).exists():
        raise LawnError(f"{folder} already holds a lawn; edit its {FILE_NAME}, or choose another folder")
    return folder


def _text(
    *,
    name: str,
    outline_m: Sequence[tuple[float, float]],
    cell_m: float,
    sowing: dict[str, Any] | None,
    target: dict[str, Any] | None,
) -> str:
    """The text of a new lawn file, with comments that say what may be written."""
    import tomlkit

    document = tomlkit.document()
    document.add("schema", tomlkit.item(SCHEMA))
    document.add("name", tomlkit.item(name))
    document.add(tomlkit.comment("Corners in metres, anticlockwise; the first side is the x axis."))
    document.add("outline_m", pairs(outline_m))
    document.add("cell_m", tomlkit.item(cell_m))
    if sowing:
        several = tomlkit.aot()
        several.append(tomlkit.item(sowing))
        document.add("sowing", several)
    if target:
        document.add("target", tomlkit.item(target))
    return tomlkit.dumps(document)


def _off_axes(outline: np.ndarray) -> list[str]:
    """That an outline is in other axes than its own: everything else of the lawn is told in those.

    A lawn's metres begin at its first corner and go along its first side; what a tape may be off by is left.
    """
    (x, y), along = outline[0], outline[1] - outline[0]
    turn = math.atan2(along[1], along[0])
    if math.hypot(x, y) <= OFF_ORIGIN_M and abs(math.degrees(turn)) <= OFF_AXIS_DEG:
        return []
    cos, sin = math.cos(turn), math.sin(turn)
    own = ((outline - outline[0]) @ np.array([[cos, -sin], [sin, cos]])).round(2) + 0.0
    first, second = corner_words(outline, 0), corner_words(outline, 1)
    return [
        f"{WORDING.place('outline_m')}: begins at {first}, goes on to {second}, "
        "and a lawn's metres begin at its first corner and go along its first side, for pegs and places too; "
        f"write {WORDING.corners(own)}, or begin with another corner"
    ]


def odd_rate(made: Lawn) -> str:
    """That a lawn's last sowing has far more or less seed than its mix is sown with, what to ask; else ""."""
    if not made.sowings:
        return ""
    sowing = made.sowings[-1]
    mix, rate = mixes.get(sowing.mix, made.mixes), sowing.rate_g_m2
    usual = {kind: usual for kind in ("new", "over") if (usual := mix.rate_g_m2(kind)) is not None}
    most, least = usual.get("new", np.inf), min(usual.values(), default=0.0)
    if rate > MUCH * most:
        return (
            f"{rate:g} g/m² is a lot: for a new lawn of {sowing.mix} {most:.0f} is usual; is it per "
            "square metre?"
        )
    if rate < least / MUCH:
        return f"{rate:g} g/m² is very little: of {sowing.mix} {least:.0f} or more is usual; is it in grams?"
    return ""


@dataclass(frozen=True, slots=True)
class _Begun:
    """What a new lawn's season begins with, as far as it was told."""

    sown: dt.date | None
    mix: str | None
    rate_g_m2: float | None
    target_cover: float | None
    target_date: dt.date | None
    own: Sequence[Mapping[str, Any]] = ()  # mixes of the lawn's own

    def sowing(self, folder: Path) -> dict[str, Any] | None:
        """The sowing as a new lawn's file has it; None where none was given."""
        if self.sown is None:
            if self.mix is None and self.rate_g_m2 is None:
                return None
            raise LawnError(
                "a mix and its rate belong to a sowing, and no date of sowing was given: add --sown "
                "2026-03-14. Before the work leave them out here, and give the mix to: turfeye plan "
                f"{shlex.quote(str(folder))} --before --mix"
            )
        usual = self._known_mix
        # the usual rate is that of overseeding, else of a new lawn; of some mixes neither is known
        rate = usual.rate_g_m2("over") or usual.rate_g_m2("new") if self.rate_g_m2 is None else self.rate_g_m2
        sowing = {"date": self.sown, "mix": USUAL_MIX if self.mix is None else self.mix}
        return sowing if rate is None else sowing | {"rate_g_m2": rate}

    def target(self) -> dict[str, Any] | None:
        """The target as a new lawn's file has it, by default the mix's; None without a date."""
        usual_cover, days = self._known_mix.usual_target()
        end = self.target_date or (self.sown + dt.timedelta(days=days) if self.sown else None)
        if end is None and self.target_cover is not None:
            raise LawnError("a target cover needs its date: add --target 2026-05-09, or --sown 2026-03-14")
        if end is None:
            return None
        return {"cover": usual_cover if self.target_cover is None else self.target_cover, "date": end}

    @property
    def _known_mix(self) -> mixes.Mix:
        """The mix, by default the usual one, which stands in for one that is not known: that is told with the
        other mistakes."""
        try:
            return mixes.get(USUAL_MIX if self.mix is None else self.mix, self.own)
        except LawnError:
            return mixes.get(USUAL_MIX)


def _name_of(folder: Path) -> str:
    """What a lawn is called after its folder: ``ferry-cottage`` is Ferry cottage; capitals stay."""
    words = folder.resolve().name.replace("-", " ").replace("_", " ")
    return words[:1].upper() + words[1:]


def corners_in(picture: Photo, outline_m: Sequence[Sequence[float]] | Floats) -> Floats:
    """Corners of the lawn found in a photo, to start from: pixels of it as it lies, in an outline's order.

    Where as many are found as the outline (K, 2) has, they begin with one that lets the photo's lens and the
    outline's lengths go together. Where a card lies in it, that says which way is up.

    Raises ViewError where no lawn is seen.
    """
    turns = upright.turns_by_card(picture)
    stood = np.ascontiguousarray(np.rot90(picture.rgb_coded, turns))
    lawn, outline_m = region.lawn_in_garden(stood), np.asarray(outline_m, float)
    laid = region.notched_outline(lawn, outline_m) if _notched(outline_m) else None
    found = region.propose_outline(lawn, corners=len(outline_m)) if laid is None else laid
    found = upright.turned_px(found, (stood.shape[1], stood.shape[0]), -turns)
    return _begun(picture, found, outline_m) if laid is None else found


def _notched(outline_m: Floats) -> bool:
    """Whether an outline has an inner corner."""
    area, hull = signed_area(outline_m), cv2.convexHull(outline_m.astype(np.float32))
    return crossing_sides(outline_m) is None and cv2.contourArea(hull) > (1 + NOTCHED) * area > 0


def _begun(picture: Photo, found: Floats, outline_m: Floats) -> Floats:
    """Corners (K, 2) that begin at the first of them with which lens and lengths go together about as well as
    with any; as they are where there are not as many as the outline has."""
    if len(found) != len(outline_m):
        return found
    begun = [np.roll(found, -first, axis=0) for first in range(len(found))]
    off = np.array([corners.astray(picture, one, outline_m) for one in begun])
    return begun[int(np.argmax(off <= off.min() + AS_WELL))]
