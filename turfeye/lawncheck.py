"""What the fields of a lawn file mean together: outline against marks, pegs, dates, mixes and anchors."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from typing import Any

import numpy as np

from turfeye import bedcheck, mixes, pegcheck
from turfeye.contours import signed_distance_m
from turfeye.errors import LawnError
from turfeye.outline import corner_names, crossing_sides, signed_area
from turfeye.pegcheck import off_lawn
from turfeye.wording import EXAMPLES, Wording, spelled
from turfeye.words import so_many

MOST_ACROSS_M = 1000.0
"""No lawn that is photographed from a standing point is wider."""
MOST_CELLS = 1_000_000
"""More than this takes an hour and all memory."""
USUAL_CELL_M = 0.5
"""Where the file says nothing, and of a new lawn."""


def mistakes_in(content: dict[str, Any], wording: Wording) -> list[str]:
    """What no single field of a lawn file shows: of each mistake its place, what is wrong, what to write.

    Whatever is not well formed is passed over: who reads the single fields tells of that.
    """
    mistakes: list[str] = []
    outline = _points(content.get("outline_m"))
    if outline is not None:
        mistakes += _check_outline(outline, wording) or _check_size(outline, content.get("cell_m"), wording)
    elif isinstance(content.get("outline_m"), list) and len(content["outline_m"]) >= 3:
        mistakes.append(f"outline_m: every corner must be two numbers; write {EXAMPLES['outline_m']}")
    mistakes += _check_dates(content, wording)
    mistakes += _check_mixes(content, wording)
    if outline is None:
        return mistakes
    corners = len(outline)
    for key, things in (("corner_names", "corner"), ("side_names", "side")):
        names = content.get(key)
        if isinstance(names, list) and (len(names) != corners or len(set(map(str, names))) != len(names)):
            mistakes.append(f"{key}: needs {corners} different names, one per {things}; found {len(names)}")
    mistakes += _check_sown_parts(content.get("sowing"), outline)
    mistakes += _check_names("view", content.get("view"), "give each view its own name")
    mistakes += _check_names("photo", content.get("photo"), "say all of a photo in one [[photo]]")
    mistakes += _check_views(content.get("view"), outline)
    of_beds, beds = bedcheck.check(_named("bed", content), outline, EXAMPLES)
    mistakes += [m for key in ("spot", "hollow") for m in _check_places(key, content.get(key), outline, beds)]
    mistakes += of_beds
    mistakes += pegcheck.check(_named("spot", content), _named("plots", content), outline)
    mistakes += _check_anchors(content, corners)
    return mistakes


def _points(value: Any) -> np.ndarray | None:
    """A list of number pairs as (K, 2), or None when it is anything else."""
    try:
        points = np.array(value, dtype=float)
    except (TypeError, ValueError):
        return None
    good = points.ndim == 2 and points.shape[1] == 2 and len(points) >= 3 and bool(np.isfinite(points).all())
    return points if good else None


def _tables(value: Any) -> list[tuple[int, dict[str, Any]]]:
    return (
        [(i, part) for i, part in enumerate(value) if isinstance(part, dict)]
        if isinstance(value, list)
        else []
    )


def _named(key: str, content: Mapping[str, Any]) -> list[tuple[str, dict[str, Any]]]:
    """Each of several tables with its place."""
    return [(spelled(key, i), part) for i, part in _tables(content.get(key))]


def _check_dates(content: dict[str, Any], wording: Wording) -> list[str]:
    target = content.get("target")
    end = target.get("date") if isinstance(target, dict) else None
    days = [part.get("date") for _, part in _tables(content.get("sowing"))]
    real = [day for day in days if type(day) is date]
    if type(end) is date and real and end <= min(real):
        return [
            f"{wording.place('target.date')}: {end} is not after the sowing of {min(real)}; write the day by "
            "which it should be covered"
        ]
    return []


def _check_mixes(content: dict[str, Any], wording: Wording) -> list[str]:
    users = [entry for _, entry in _tables(content.get("mix"))]
    try:
        mixes.table(users)
    except LawnError as error:
        return list(error.mistakes)
    mistakes = []
    for i, part in _tables(content.get("sowing")):
        if isinstance(part.get("mix"), str) and part["mix"]:
            try:
                mixes.get(part["mix"], users)
            except LawnError as error:
                mistakes.append(f"{wording.place(spelled('sowing', i, 'mix'))}: {error}")
    return mistakes


def _check_outline(outline: np.ndarray, wording: Wording) -> list[str]:
    place = wording.place("outline_m")
    if crossing := crossing_sides(outline):
        a, b = (corner_words(outline, side) for side in crossing)
        return [
            f"{place}: the side from corner {a} crosses the side from corner {b}; "
            "write the corners in the order in which one walks round the lawn"
        ]
    if abs(signed_area(outline)) < 0.01:
        return [f"{place}: holds no area; write {wording.examples['outline_m']}"]
    if signed_area(outline) < 0:
        better = wording.corners(np.concatenate([outline[:1], outline[:0:-1]]))
        return [
            f"{place}: goes round clockwise, and y must lie to the left of the first side; write {better}"
        ]
    return []


def corner_words(outline: np.ndarray, number: int) -> str:
    """A corner's letter with its place: B (8, 0)."""
    x, y = outline[number]
    return f"{corner_names(len(outline))[number]} ({x:g}, {y:g})"


def _check_size(outline: np.ndarray, cell_m: Any, wording: Wording) -> list[str]:
    """A lawn too large to be one, as millimetres for metres make it, or cells too many to be followed."""
    wide_m, tall_m = np.ptp(outline, axis=0)
    if max(wide_m, tall_m) > MOST_ACROSS_M:
        return [
            f"{wording.place('outline_m')}: is {max(wide_m, tall_m):.0f} m across; write metres, not "
            f"centimetres or millimetres: {wording.examples['outline_m']}"
        ]
    side_m = cell_m if isinstance(cell_m, int | float) and cell_m > 0 else USUAL_CELL_M
    count = wide_m * tall_m / side_m**2
    if count > MOST_CELLS:
        least = math.ceil(10 * math.sqrt(wide_m * tall_m / MOST_CELLS)) / 10
        better = wording.examples["cell_m"].replace("0.5", f"{least:g}")
        return [
            f"{wording.place('cell_m')}: {side_m:g} m makes {count:.0f} cells of this lawn; "
            f"write {better} or more"
        ]
    return []


def _check_sown_parts(sowings: Any, outline: np.ndarray) -> list[str]:
    """Areas that are none, lie off the lawn, or were sown before all of it was."""
    mistakes = []
    parts = _tables(sowings)
    whole = [part.get("date") for _, part in parts if "area_m" not in part]
    first = min((day for day in whole if type(day) is date), default=None)
    for i, part in parts:
        if "area_m" not in part:
            continue
        place, area = spelled("sowing", i, "area_m"), _points(part["area_m"])
        if area is None:
            if isinstance(part["area_m"], list) and len(part["area_m"]) >= 3:
                mistakes.append(f"{place}: every corner must be two numbers; write {EXAMPLES['area_m']}")
        elif crossing_sides(area) or abs(signed_area(area)) < 0.01:
            mistakes.append(
                f"{place}: the corners go round no ground; write them in the order of a walk round it"
            )
        elif off_lawn(outline, area):
            mistakes.append(f"{place}: reaches off the lawn; write its corners in the metres of outline_m")
        if type(part.get("date")) is date and (first is None or part["date"] < first):
            mistakes.append(
                f"{place}: only a part was sown, and nothing before it; leave area_m out of the first sowing"
            )
    return mistakes


def _check_names(key: str, parts: Any, way_out: str) -> list[str]:
    """Tables of one name: only the first would count."""
    names = [part.get("name") for _, part in _tables(parts)]
    twice = [(i, name) for i, name in enumerate(names) if name is not None and name in names[:i]]
    return [f"{spelled(key, i, 'name')}: {name!r} is used twice; {way_out}" for i, name in twice]


def _check_views(views: Any, outline: np.ndarray) -> list[str]:
    mistakes = []
    for i, part in _tables(views):
        points, place = _points(part.get("corners_px")), spelled("view", i, "corners_px")
        if points is not None:
            mistakes += [f"{place}: {words}" for words in wrong_corners(points, outline)]
        elif isinstance(part.get("corners_px"), list) and len(part["corners_px"]) >= 3:
            mistakes.append(f"{place}: every corner must be two numbers; write {EXAMPLES['corners_px']}")
    return mistakes


def wrong_corners(
    corners_px: np.ndarray, outline_m: np.ndarray, *, written: Callable[[np.ndarray], str] | None = None
) -> list[str]:
    """What is wrong with marked corners, in words; an empty list when nothing is.

    ``written`` says how corners are written where the user wrote these; without it, as in the file.
    A camera above the lawn sees its corners go round the same way as from straight above; pixel rows run
    downwards, so the signed areas in metres and in pixels have opposite signs.
    """
    if len(corners_px) != len(outline_m):
        return [
            f"{so_many(len(corners_px), 'corner')} marked where the outline has {len(outline_m)}; "
            f"mark each corner once, in order: {', '.join(corner_names(len(outline_m)))}"
        ]
    if not crossing_sides(corners_px) and signed_area(corners_px) * signed_area(outline_m) < 0:
        return []
    centre = corners_px.mean(0)
    angle = np.arctan2(-(corners_px - centre)[:, 1], (corners_px - centre)[:, 0])
    turn = np.sign(signed_area(outline_m)) or 1.0
    better = np.round(corners_px[np.argsort((turn * (angle - angle[0])) % (2 * np.pi))], 1)
    words = written(better) if written else str(better.tolist())
    return [f"the corners are in the wrong order; in the outline's that is perhaps {words}"]


def _check_places(key: str, places: Any, outline: np.ndarray, beds: Sequence[bedcheck.Bed]) -> list[str]:
    """Pegs and hollows that are not on the lawn, or in a bed in it."""
    mistakes = []
    for i, part in _tables(places):
        at = part.get("at_m")
        pair = isinstance(at, list) and len(at) == 2 and all(isinstance(v, int | float) for v in at)
        if pair and off_lawn(outline, at):
            mistakes.append(
                f"{spelled(key, i, 'at_m')}: {at} lies off the lawn; write its place in the metres of "
                "outline_m"
            )
        elif pair:
            mistakes += [
                f"{spelled(key, i, 'at_m')}: {at} lies in the {bed}, which is not lawn; correct it or the bed"
                for bed, corners in beds
                if signed_distance_m(np.array(at, dtype=float), corners) > bedcheck.OVER_THE_EDGE_M
            ]
    return mistakes


def _check_anchors(content: dict[str, Any], corners: int) -> list[str]:
    given = content.get("corner_names")
    names = given if isinstance(given, list) else corner_names(corners)
    return [
        f"{spelled('anchor', i, 'corner')}: no corner is named {part.get('corner')!r}; write one of "
        f"{', '.join(map(str, names))}"
        for i, part in _tables(content.get("anchor"))
        if part.get("corner") not in names
    ]
