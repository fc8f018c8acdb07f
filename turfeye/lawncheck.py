"""What the fields of a lawn file mean together: outline against marks, pegs, dates, mixes and anchors."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from turfeye import bedcheck, mixes
from turfeye.contours import signed_distance_m
from turfeye.errors import LawnError
from turfeye.outline import corner_names, crossing_sides, signed_area
from turfeye.words import ordinal, so_many

MOST_ACROSS_M = 1000.0
"""No lawn that is photographed from a standing point is wider."""
BESIDE_M = 0.5
"""So far pegs, hollows and parts sown again may lie beside the lawn: all are measured with a tape. Ours."""
MOST_CELLS = 1_000_000
"""More than this takes an hour and all memory."""
USUAL_CELL_M = 0.5
"""Where the file says nothing, and of a new lawn."""

EXAMPLES = {
    "schema": "schema = 1",
    "name": 'name = "Ferry Cottage, back"',
    "known_by": 'known_by = "smith/back"',
    "view.name": 'name = "kitchen window"',
    "photo.name": 'name = "2026-03-14T09-12-40-3fa2c1.jpg", a name in photos/',
    "outline_m": "outline_m = [[0, 0], [8, 0], [8, 6], [0, 6]], in metres, corner by corner",
    "cell_m": "cell_m = 0.5",
    "date": "date = 2026-03-14, without quotes",
    "mix": 'mix = "perennial ryegrass"',
    "rate_g_m2": "rate_g_m2 = 35",
    "area_m": "area_m = [[1, 1], [3, 1], [3, 2.5], [1, 2.5]], in metres, corner by corner",
    "cover": "cover = 0.75 (a share, not per cent)",
    "photo": 'photo = "2026-03-14T09-12-40-3fa2c1.jpg", a name in photos/',
    "corners_px": "corners_px = [[412, 1630], [2210, 1702], [1604, 512], [705, 498]], as many as outline_m",
    "number": "number = 3",
    "taken": "taken = 2026-04-14, or with the time: 2026-04-14T10:15:00; without quotes",
    "at_m": "at_m = [2.0, 1.5]",
    "step_m": "step_m = [1.5, 2.0], from peg to peg along x and along y",
    "size_m": "size_m = [1.2, 1.8], a plot's sides along x and along y",
    "first": "first = 1",
    "columns": "columns = 20",
    "rows": "rows = 10",
    "turned_deg": "turned_deg = 0",
    "spare_pct": "spare_pct = 10",
    "card_rule_mm": "card_rule_mm = 97.0, what the card's 100 mm rule measures, in millimetres",
    "purity": "purity = 0.98",
    "germination": "germination = 0.85",
    "depth_mm": "depth_mm = 5, in millimetres",
    "bag_l": "bag_l = 25, in litres",
    "bag_covers_m2": "bag_covers_m2 = 9",
    "area_m2": "area_m2 = 1.5",
    "across_m": "across_m = 1.2, how wide a round bed is",
    "lean": "lean = 0, or let turfeye lawn blades write it",
    "lean_se": "lean_se = 0.3, or let turfeye lawn blades write it",
    "curve": 'curve = "logistic" or "gompertz"',
    "time_axis": 'time_axis = "days" or "degree-days"',
    "lat_deg": "lat_deg = 52.2053",
    "lon_deg": "lon_deg = 0.1218",
    "corner": 'corner = "A"',
    "corner_names": 'corner_names = ["gate", "shed", "oak", "tap"], one a corner',
    "side_names": 'side_names = ["path", "hedge", "house", "road"], one a side',
    "view": 'view = "kitchen window", the name of a [[view]]',
    "spot": "spot = 3, the number of a [[spot]]",
}

SEVERAL = ("sowing", "view", "spot", "plots", "photo", "mix", "hollow", "bed", "anchor")
"""Tables of which there may be several."""
CORNERS = ("outline_m", "corners_px", "area_m")
"""Lists of corners, of two numbers each."""


@dataclass(frozen=True)
class Wording:
    """How mistakes are told: where each is, and what to write instead, in words that the user has seen."""

    head: str  # with {path} and {count}
    examples: Mapping[str, str]  # by the last part of a place, or its table and that
    places: Mapping[str, str]  # what they are called, where not as in the file
    corners: Callable[[np.ndarray], str]

    def place(self, place: str) -> str:
        """A place in the file, in the words of `spelled`, as the user knows it."""
        return self.places.get(place, place)


def spelled(*steps: str | int) -> str:
    """A place in the file for people: names, and indexes from 0, which are told from 1.

    >>> spelled("sowing", 0, "mix"), spelled("target", "cover"), spelled("outline_m", 3, 1)
    ('1st [[sowing]], mix', 'target.cover', 'outline_m, 4th corner, 2nd number')
    """
    words, within = "", ""
    for before, step in zip((None, *steps), steps, strict=False):
        if isinstance(step, str):
            words, within = f"{words}{within}{step}", "."
        elif before == steps[0] and before in SEVERAL and len(words) == len(str(before)):
            words, within = f"{ordinal(step)} [[{before}]]", ", "
        else:
            of = "number" if isinstance(before, int) else "corner" if before in CORNERS else "entry"
            words, within = f"{words}, {ordinal(step)} {of}", ", "
    return words


OF_THE_FILE = Wording(
    head="{path} has {count}; nothing was changed",
    examples=EXAMPLES,
    places={},
    corners=lambda points: str(points.tolist()),
)


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
            mistakes.append(f"{key}: needs {corners} different names, one a {things}; found {len(names)}")
    mistakes += _check_sown_parts(content.get("sowing"), outline)
    mistakes += _check_names("view", content.get("view"), "give each view its own name")
    mistakes += _check_names("photo", content.get("photo"), "say all of a photo in one [[photo]]")
    mistakes += _check_views(content.get("view"), outline)
    named = [(spelled("bed", i), part) for i, part in _tables(content.get("bed"))]
    of_beds, beds = bedcheck.check(named, outline, EXAMPLES)
    mistakes += [m for key in ("spot", "hollow") for m in _check_places(key, content.get(key), outline, beds)]
    mistakes += of_beds
    mistakes += _check_pegs(content, outline)
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


def _off(outline: np.ndarray, points: Any) -> bool:
    """Whether a point, or one of several (K, 2), lies further than `BESIDE_M` off the lawn's box."""
    low, high = outline.min(0) - BESIDE_M, outline.max(0) + BESIDE_M
    return not (np.all(low <= points) and np.all(points <= high))


def _tables(value: Any) -> list[tuple[int, dict[str, Any]]]:
    return (
        [(i, part) for i, part in enumerate(value) if isinstance(part, dict)]
        if isinstance(value, list)
        else []
    )


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
        elif _off(outline, area):
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


_Peg = tuple[int, tuple[float, float], float, tuple[float, float] | None]


def pegs(content: Mapping[str, Any]) -> list[_Peg]:
    """Number, place, turn and plot's size of every peg: of ``[[spot]]`` (no plot), then ``[[plots]]``."""
    found: list[_Peg] = [
        (s["number"], tuple(s["at_m"]), float(s.get("turned_deg", 0.0)), None) for s in content["spot"]
    ]
    for block in content["plots"]:
        (x, y), (step_x, step_y) = block["at_m"], block["step_m"]
        size_m = _plot_size_m(block)
        for k in range(block["columns"] * block.get("rows", 1)):
            row, column = divmod(k, block["columns"])
            at_m = round(x + column * step_x, 3), round(y + row * step_y, 3)
            found.append((block.get("first", 1) + k, at_m, float(block.get("turned_deg", 0.0)), size_m))
    return found


def _plot_size_m(block: Mapping[str, Any]) -> tuple[float, float]:
    """A plot's sides, by default from peg to peg; along a single row or column that may be 0."""
    if block.get("size_m"):
        x, y = block["size_m"]
        return float(x), float(y)
    x, y = (abs(float(step)) for step in block["step_m"])
    return x or y, y or x


def _check_pegs(content: Mapping[str, Any], outline: np.ndarray) -> list[str]:
    """Numbers used twice, and rows of plots that run off the lawn."""
    spots = [part for _, part in _tables(content.get("spot")) if isinstance(part.get("number"), int)]
    numbers = [part["number"] for part in spots]
    mistakes = [
        f"{spelled('spot', i, 'number')}: {number} is used twice; give each peg its own number"
        for i, number in enumerate(numbers)
        if numbers.count(number) > 1
    ]
    for i, block in _tables(content.get("plots")):
        try:
            rows = pegs({"spot": [], "plots": [block]})
        except (KeyError, TypeError, ValueError):  # not well formed: told elsewhere
            continue
        twice = [number for number, *_ in rows if number in numbers]
        off = [(number, at) for number, at, *_ in rows if _off(outline, at)]
        if twice:
            mistakes.append(f"{spelled('plots', i)}: peg {twice[0]} is there already; write another first")
        if off:
            mistakes.append(
                f"{spelled('plots', i)}: peg {off[0][0]} would stand at {list(off[0][1])}, off the lawn; "
                "mend at_m, step_m, columns or rows"
            )
        mistakes += [f"{spelled('plots', i)}, {words}" for words in _overlaps(block)]
        numbers += [number for number, *_ in rows]
    return mistakes


def _overlaps(block: Mapping[str, Any]) -> list[str]:
    """Plots that are larger than it is from peg to peg."""
    counts = block["columns"], block.get("rows", 1)
    sides = zip(_plot_size_m(block), block["step_m"], counts, "xy", strict=True)
    return [
        f"size_m: plots of {size:g} m along {axis} overlap where pegs stand {abs(step):g} m apart; mend "
        "size_m or step_m"
        for size, step, count, axis in sides
        if count > 1 and size > abs(step) + 1e-6
    ]


def _check_places(key: str, places: Any, outline: np.ndarray, beds: Sequence[bedcheck.Bed]) -> list[str]:
    """Pegs and hollows that are not on the lawn, or in a bed in it."""
    mistakes = []
    for i, part in _tables(places):
        at = part.get("at_m")
        pair = isinstance(at, list) and len(at) == 2 and all(isinstance(v, int | float) for v in at)
        if pair and _off(outline, at):
            mistakes.append(
                f"{spelled(key, i, 'at_m')}: {at} lies off the lawn; write its place in the metres of "
                "outline_m"
            )
        elif pair:
            mistakes += [
                f"{spelled(key, i, 'at_m')}: {at} lies in the {bed}, which is no lawn; mend it or the bed"
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
