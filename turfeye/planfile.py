"""A work plan, or a list of materials, as text for other programs: CSV, JSON, GeoJSON-shaped outlines."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from turfeye.errors import LawnError
from turfeye.lawnrecords import Patch, Tape, Task, WorkPlan
from turfeye.outline import signed_area
from turfeye.plots import Standing
from turfeye.records import SCHEMA, Floats
from turfeye.renovation import Materials
from turfeye.teach import Teaching
from turfeye.workplan import sown_how

PLAN_COLUMNS = ("patch", "x_m", "y_m", "area_m2", "deficit", "seed_g", "dressing_l", "because")
"""The first columns of plan.csv, in order; new ones go to the end."""
TAPE_COLUMNS = ("corner_a", "from_a_m", "corner_b", "from_b_m", "tape_error_m")
WHERE_COLUMNS = ("x_m", "y_m", *TAPE_COLUMNS)
EXTRA_COLUMNS = ("kind", "area_se_m2", "how_sure", *TAPE_COLUMNS, "cautions", "plots", "plot_shares", "how")
MATERIAL_COLUMNS = ("place", "what", "area_m2", "amount", "unit", "because", *WHERE_COLUMNS)
PLOT_COLUMNS = (
    "plot", "x_m", "y_m", "seen_m2", "cover_now", "cover_now_se", "on_course", "slow", "thin",
    "too_soon_to_say", "thin_m2", "patches", "seed_g", "cover_at_target", "cover_at_target_low",
    "cover_at_target_high", "p_on_target", "state", "why",
)  # fmt: skip
EQUATOR_M, ECCENTRICITY_2 = 6_378_137.0, 0.00669437999014
"""The WGS 84 ellipsoid's larger radius and squared first eccentricity (NIMA TR8350.2)."""


def rows(plan: WorkPlan) -> list[dict[str, Any]]:
    """One dict a patch, keys as in the file, None where unknown."""
    return [_row(task) for task in plan.tasks]


def plan_csv(plan: WorkPlan) -> str:
    """The text of plan.csv; unknown is empty, several plots stand in one field with spaces."""
    lists = ("plots", "plot_shares")
    lines = [
        row | {name: " ".join(f"{value:g}" for value in row[name]) for name in lists} for row in rows(plan)
    ]
    return _csv((*PLAN_COLUMNS, *EXTRA_COLUMNS), lines)


def plots_csv(standings: Sequence[Standing]) -> str:
    """The text of plots.csv, a row a plot, last what was given of it; unknown is empty."""
    given = tuple(standings[0].given) if standings else ()
    return _csv((*PLOT_COLUMNS, *given), [_plot_row(one) | dict(one.given) for one in standings])


def _plot_row(one: Standing) -> dict[str, Any]:
    """All but what was given of it."""
    (x_m, y_m), shares = one.plot.at_m, {name: _number(share, 3) for name, share in one.states.items()}
    return {
        "plot": one.plot.number,
        "x_m": x_m,
        "y_m": y_m,
        "seen_m2": _number(one.seen_m2, 3),
        "cover_now": _number(one.cover_now, 4),
        "cover_now_se": _number(one.cover_now_se, 4),
        **{name.replace(" ", "_"): share for name, share in shares.items()},
        "thin_m2": _number(one.thin_m2, 2),
        "patches": " ".join(map(str, one.patches)),
        "seed_g": _number(one.seed_g, 1),
        "cover_at_target": _number(one.cover_at_target, 4),
        "cover_at_target_low": _number(one.cover_at_target_low, 4),
        "cover_at_target_high": _number(one.cover_at_target_high, 4),
        "p_on_target": _number(one.p_on_target, 3),
        "state": one.state,
        "why": one.why,
    }


def plan_dict(plan: WorkPlan, *, taught: Teaching | None = None) -> dict[str, Any]:
    """The plan for programs: its rows and its totals, and what the readings were adapted by."""
    return {
        "schema": SCHEMA,
        "sentence": plan.sentence,
        "patches": rows(plan),
        "seed_g": int(plan.seed_g),
        "seed_spare_g": int(plan.seed_spare_g),
        "in_passing": plan.in_passing,
        "dressing_l": _number(plan.dressing_l, 1),
        "dressing_bags": plan.dressing_bags,
        "window": plan.window,
        "spreading": list(plan.spreading),
        "dates": [{"date": when.isoformat(), "what": what} for when, what in plan.dates],
        "after_sowing": [{"days": days, "what": what} for days, what in plan.after_sowing],
        "cautions": list(plan.cautions),
        "taught": taught and taught.as_facts,
    }


def material_rows(found: Materials) -> list[dict[str, Any]]:
    """One dict a line of the list, with the tape distances of a marked place."""
    tasks = found.by_place
    return [
        {
            "place": line.place,
            "what": line.what,
            "area_m2": _number(line.area_m2, 2),
            "amount": _number(line.amount, 2),
            "unit": line.unit,
            "because": line.because,
            **(_where(tasks[line.place]) if line.place in tasks else dict.fromkeys(WHERE_COLUMNS)),
        }
        for line in found.lines
    ]


def materials_csv(found: Materials) -> str:
    """The text of materials.csv; unknown is empty."""
    return _csv(MATERIAL_COLUMNS, material_rows(found))


def materials_dict(found: Materials, *, taught: Teaching | None) -> dict[str, Any]:
    """The list for programs: its lines and its totals, and what the readings were adapted by."""
    return {
        "schema": SCHEMA,
        "sentence": found.sentence,
        "mix": found.mix,
        "area_m2": _number(found.area_m2, 2),
        "seen_share": _number(found.seen_share, 3),
        "prepared": found.prepared,
        "lines": material_rows(found),
        "seed_g": found.seed_g,
        "seed_kg": found.seed_kg,
        "fill_l": found.fill_l,
        "dressing_l": found.dressing_l,
        "dressing_bags": found.dressing_bags,
        "heaps_g": list(found.heaps_g),
        "cautions": list(found.cautions),
        "taught": taught and taught.as_facts,
    }


def _csv(columns: Sequence[str], lines: Sequence[dict[str, Any]]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows(lines)
    return text.getvalue()


def outlines(
    patches: Sequence[Patch],
    outline_m: Floats,
    *,
    beds_m: Sequence[Floats] = (),
    anchors: Mapping[int, tuple[float, float]] | None = None,
    taught: Teaching | None = None,
) -> dict[str, Any]:
    """The lawn and its patches as a feature collection.

    Without anchors the numbers are lawn metres, NOT WGS 84, and the file says so: shaped like GeoJSON, but
    no GeoJSON. With the latitude and longitude of two corners (``{corner index: (lat_deg, lon_deg)}``) it is
    true GeoJSON (RFC 7946: WGS 84, longitude first, outer rings anticlockwise, holes clockwise, all closed),
    the lawn laid on the map by a turn and a shift; lengths stay those of the tape.

    Raises LawnError when the two corners' distance on the map differs from the tape's by more than a tenth.
    """
    lawn = np.asarray(outline_m, dtype=float)
    to_map = None if not anchors else _to_map(lawn, anchors)
    digits = 3 if to_map is None else 8
    features = [_feature(lawn, {"what": "lawn"}, to_map, digits, holes_m=beds_m)]
    for patch in patches:
        facts = {
            "what": patch.kind,
            "patch": patch.number,
            "area_m2": _number(patch.area_m2, 3),
            "area_se_m2": _number(patch.area_se_m2, 3),
            "deficit": _number(patch.deficit, 3),
            "how_sure": _number(patch.how_sure, 3),
            "because": patch.because,
            **_plots(patch),
        }
        features.append(_feature(patch.outline_m, facts, to_map, digits, holes_m=patch.holes_m))
    collection: dict[str, Any] = {"type": "FeatureCollection", "schema": SCHEMA, "features": features}
    collection["taught"] = taught and taught.as_facts
    if to_map is None:
        collection["coordinates_are"] = (
            "metres in the lawn's plane: origin at its first corner, x along its first side, y to the left. "
            "NOT WGS 84 longitude and latitude, so this is not GeoJSON, only shaped like it"
        )
    return collection


def outlines_text(
    patches: Sequence[Patch],
    outline_m: Floats,
    *,
    beds_m: Sequence[Floats] = (),
    anchors: Mapping[int, tuple[float, float]] | None = None,
    taught: Teaching | None = None,
) -> str:
    """:func:`outlines` as JSON text."""
    found = outlines(patches, outline_m, beds_m=beds_m, anchors=anchors, taught=taught)
    return json.dumps(found, ensure_ascii=False, indent=1) + "\n"


def _row(task: Task) -> dict[str, Any]:
    patch, tape = task.patch, task.tape
    return {
        "patch": patch.number,
        "x_m": _number(patch.x_m, 2),
        "y_m": _number(patch.y_m, 2),
        "area_m2": _number(patch.area_m2, 2),
        "deficit": _number(patch.deficit, 2),
        "seed_g": int(task.seed_g),
        "dressing_l": _number(task.dressing_l, 1),
        "because": task.because,
        "kind": patch.kind,
        "area_se_m2": _number(patch.area_se_m2, 2),
        "how_sure": _number(patch.how_sure, 2),
        **_tape(tape),
        "cautions": " ".join(task.cautions),
        **_plots(patch),
        "how": sown_how(task),
    }


def _plots(patch: Patch) -> dict[str, Any]:
    """The plots of a trial in which a patch lies and the share of its area in each, the largest first."""
    return {
        "plots": [number for number, _ in patch.plots],
        "plot_shares": [_number(share, 2) for _, share in patch.plots],
    }


def _tape(tape: Tape) -> dict[str, Any]:
    return {
        "corner_a": tape.corner_a,
        "from_a_m": _number(tape.from_a_m, 2),
        "corner_b": tape.corner_b,
        "from_b_m": _number(tape.from_b_m, 2),
        "tape_error_m": _number(tape.error_m, 2),
    }


def _where(task: Task) -> dict[str, Any]:
    """A marked place in lawn metres and by tape."""
    return {"x_m": _number(task.patch.x_m, 2), "y_m": _number(task.patch.y_m, 2), **_tape(task.tape)}


def _number(value: float, digits: int) -> float | None:
    return round(float(value), digits) if math.isfinite(value) else None


def _feature(
    points_m: Floats, facts: dict[str, Any], to_map: Any, digits: int, *, holes_m: Sequence[Floats]
) -> dict[str, Any]:
    rings = []
    for ring, sign in [(points_m, 1), *((hole, -1) for hole in holes_m)]:
        ring = np.asarray(ring, dtype=float)
        ring = ring if sign * signed_area(ring) > 0 else ring[::-1]
        ring = ring if to_map is None else to_map(ring)
        rings.append([[round(float(a), digits), round(float(b), digits)] for a, b in [*ring, ring[0]]])
    return {
        "type": "Feature",
        "properties": facts,
        "geometry": {"type": "Polygon", "coordinates": rings},
    }


def _to_map(lawn: Floats, anchors: Mapping[int, tuple[float, float]]) -> Any:
    """A function from lawn metres (K, 2) to longitude and latitude (K, 2), by two corners on the map."""
    if len(anchors) != 2:
        raise LawnError(f"two corners with latitude and longitude are needed, {len(anchors)} given; give two")
    (a, (lat_a, lon_a)), (b, (lat_b, lon_b)) = anchors.items()
    east_m, north_m = _degree_m((lat_a + lat_b) / 2)
    ground = complex((lon_b - lon_a) * east_m, (lat_b - lat_a) * north_m)
    taped = complex(*(lawn[b] - lawn[a]))
    if abs(taped) < 1e-6 or abs(abs(ground) / abs(taped) - 1) > 0.1:
        raise LawnError(
            f"the two corners are {abs(taped):.2f} m apart by the outline, {abs(ground):.2f} m by latitude "
            "and longitude; give both with at least six decimals, and check which corners they are"
        )
    turn = ground / abs(ground) * abs(taped) / taped
    middle_m = (lawn[a] + lawn[b]) / 2
    lat_0, lon_0 = (lat_a + lat_b) / 2, (lon_a + lon_b) / 2

    def place(points_m: Floats) -> Floats:
        away = (points_m[:, 0] - middle_m[0] + 1j * (points_m[:, 1] - middle_m[1])) * turn
        return np.stack([lon_0 + away.real / east_m, lat_0 + away.imag / north_m], axis=1)

    return place


def _degree_m(lat_deg: float) -> tuple[float, float]:
    """Length of a degree to the east and to the north at a latitude, by the ellipsoid's radii of curvature.

    >>> [round(metres) for metres in _degree_m(0.0)]
    [111319, 110574]
    """
    lat = np.radians(lat_deg)
    flat = 1 - ECCENTRICITY_2 * np.sin(lat) ** 2
    across = EQUATOR_M / np.sqrt(flat)
    along = across * (1 - ECCENTRICITY_2) / flat
    return float(np.radians(1) * across * np.cos(lat)), float(np.radians(1) * along)
