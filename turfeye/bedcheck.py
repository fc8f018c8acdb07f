"""What is written of beds amid a lawn, checked: shape, place on the lawn, and one against another."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from turfeye.contours import signed_distance_m
from turfeye.outline import BESIDE_BED_M, circle, crossing_sides, side_lengths, signed_area

OVER_THE_EDGE_M = 0.05
"""So far a bed may reach over the lawn's edge or into another: a tape's own error. Ours."""
LEAST_BED_M = 0.03
"""Narrower than any post or stem: a slip of the pen. Ours."""

Bed = tuple[str, np.ndarray]
"""What a bed is called in messages, and its corners (K, 2), metres, anticlockwise."""


def bed_corners(bed: Mapping[str, Any]) -> np.ndarray:
    """The corners of a well formed ``[[bed]]``, (K, 2) metres, anticlockwise."""
    if bed.get("area_m") is None:
        return circle(bed["at_m"], bed["across_m"])
    corners = np.array(bed["area_m"], dtype=float)
    return corners if signed_area(corners) > 0 else corners[::-1]


def check(
    beds: Sequence[tuple[str, Mapping[str, Any]]], outline: np.ndarray, examples: Mapping[str, str]
) -> tuple[list[str], list[Bed]]:
    """Beds told in neither way or both, round no ground, over the lawn's edge, in each other, or all of it.

    What is wrong with a single field is told where fields are. Also those that are sound, by name.
    """
    mistakes: list[str] = []
    good: list[Bed] = []
    for place, part in beds:
        if part.keys() - {"area_m", "at_m", "across_m"}:
            continue  # a field that there isn't: told where fields are, and perhaps what one lacks
        if part.keys() not in ({"area_m"}, {"at_m", "across_m"}):
            mistakes.append(
                f"{place}: write {examples['area_m']}; or, where it is round, its middle and how wide it is: "
                "at_m = [2.0, 1.5] and across_m = 1.2"
            )
        elif words := _no_bed(part, examples):
            mistakes += [f"{place}{word}" for word in words if word]
        elif signed_distance_m(_along(corners := bed_corners(part)), outline).min() < -OVER_THE_EDGE_M:
            mistakes.append(
                f"{place}: reaches over the lawn's edge; a bed has lawn all round it, and one at the edge "
                "is left out of outline_m"
            )
        else:
            good.append((place, corners))
    for (one, a), (other, b) in itertools.combinations(good, 2):
        mistakes += _in_each_other(one, a, other, b)
    points = _within_box(outline)
    left = signed_distance_m(points, outline) > 0
    for _, corners in good:
        left &= signed_distance_m(points, corners) < -BESIDE_BED_M
    if good and not mistakes and not left.any():
        mistakes.append(
            f"{' and '.join(place for place, _ in good)}: nothing is left of the lawn (the "
            f"{100 * BESIDE_BED_M:.0f} cm around a bed aren't measured either); write only what lies "
            "inside the lawn and is not lawn"
        )
    return mistakes, good


def _no_bed(part: Mapping[str, Any], examples: Mapping[str, str]) -> list[str]:
    """Why there is no ground in what is written of a bed, behind its place; "" where its fields tell that."""
    if "area_m" not in part:
        at, across = part["at_m"], part["across_m"]
        pair = isinstance(at, list) and len(at) == 2
        if not (pair and all(_finite(value) for value in (*at, across)) and across > 0):
            return [""]
        if across < LEAST_BED_M:
            return [
                f", across_m: {across:g} m is not the width of a bed; write {examples['across_m']}, in metres"
            ]
        return []
    area = part["area_m"]
    if not isinstance(area, list) or len(area) < 3 or not all(isinstance(corner, list) for corner in area):
        return [""]
    if any(len(corner) != 2 for corner in area):
        return [f", area_m: every corner must be two numbers; write {examples['area_m']}"]
    if not all(_finite(value) for corner in area for value in corner):
        return [""]
    for corner, following in zip(area, [*area[1:], area[0]], strict=True):
        if corner == following:
            return [f", area_m: {corner} stands twice in a row, or first and last; write it once"]
    points = np.array(area, dtype=float)
    if crossing_sides(points) or abs(signed_area(points)) < LEAST_BED_M**2:
        return [": its corners go round no ground; write them in the order of a walk round it"]
    return []


def _finite(value: Any) -> bool:
    return isinstance(value, int | float) and math.isfinite(value)


def _along(corners: np.ndarray) -> np.ndarray:
    """Points all along the sides of a polygon: two can cross that have no corner in each other."""
    ways = zip(corners, np.roll(corners, -1, axis=0), side_lengths(corners), strict=True)
    return np.concatenate([np.linspace(a, b, min(2 + int(m / OVER_THE_EDGE_M), 2000)) for a, b, m in ways])


def _within_box(corners: np.ndarray) -> np.ndarray:
    """Points all over a polygon's box, (N, 2)."""
    return np.stack(np.meshgrid(*np.linspace(corners.min(0), corners.max(0), 101).T), axis=-1).reshape(-1, 2)


def _in_each_other(one: str, a: np.ndarray, other: str, b: np.ndarray) -> list[str]:
    """That two beds, by name and corners, lie in each other, all or in part."""
    if np.any(a.max(0) < b.min(0)) or np.any(b.max(0) < a.min(0)):
        return []
    if signed_distance_m(_along(b), a).min() > -OVER_THE_EDGE_M:
        return [f"{other}: lies in the {one}; leave it out"]
    if signed_distance_m(_along(a), b).min() > -OVER_THE_EDGE_M:
        return [f"{one}: lies in the {other}; leave it out"]
    if max(signed_distance_m(_along(a), b).max(), signed_distance_m(_along(b), a).max()) > OVER_THE_EDGE_M:
        return [f"{other}: lies in part in the {one}; write both as one"]
    return []
