"""Finding a place on the lawn again with nothing but a tape measure: two distances from two named corners."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np

from turfeye.contours import signed_distance_m
from turfeye.errors import LawnError
from turfeye.lawnrecords import Tape
from turfeye.outline import corner_names
from turfeye.records import Floats

TAPE_SE_M = 0.05
"""How well a tape is read on a lawn, one standard deviation: common practice, no source."""
WORST_SE_M = 0.3
"""A place told no better than this is told across an inner corner rather. Ours."""
LONG_M = 30.0
"""Beyond a usual tape: such a corner is taken only where there is no other."""


def fix(
    x_m: float,
    y_m: float,
    outline_m: Floats,
    *,
    names: Sequence[str] | None = None,
    beds_m: Sequence[Floats] = (),
) -> Tape:
    """The two corners from which two tape distances place a point best.

    Two circles cross at the point; with the angle g between the tapes, the place's standard deviation along
    the worse direction is s / sqrt(1 - |cos g|), s that of the tape. Of the two crossings the wrong one
    should lie off the lawn: pairs where it doesn't come last, corners beyond a usual tape before those. A
    tape that would have to leave the lawn, across an inner corner or one of ``beds_m``, is taken only where
    no others place the point to `WORST_SE_M`: there a house may stand, or a tree.

    Raises LawnError when the names don't match the outline or no two corners can place the point.

    >>> tape = fix(3.0, 4.0, np.array([[0, 0], [6, 0], [6, 9], [0, 9.0]]))
    >>> tape.corner_a, tape.corner_b, tape.from_a_m, tape.from_b_m
    ('A', 'B', 5.0, 5.0)
    """
    names = corner_names(len(outline_m)) if names is None else tuple(names)
    if len(names) != len(outline_m):
        raise LawnError(
            f"the outline has {len(outline_m)} corners and {len(names)} names; give each corner one name"
        )
    point = np.array([x_m, y_m])
    hidden = [_leaves(outline_m, beds_m, corner, point) for corner in outline_m]
    choices = []
    for a, b in combinations(range(len(outline_m)), 2):
        error = _place_se(point, outline_m[a], outline_m[b])
        reach = max(np.hypot(*(point - outline_m[a])), np.hypot(*(point - outline_m[b])))
        mirrored = _mirrored(point, outline_m[a], outline_m[b])
        ambiguous = bool(signed_distance_m(mirrored[None], outline_m)[0] > -2 * TAPE_SE_M)
        choices.append((ambiguous, reach > LONG_M, error, a, b))
    clear = [choice for choice in choices if not (hidden[choice[-2]] or hidden[choice[-1]])]
    best = min(clear, default=None)
    *_, error, a, b = best if best and best[2] <= WORST_SE_M else min(choices)
    if not np.isfinite(error):
        raise LawnError("no two corners of the outline can place this point; add a corner to outline_m")
    return Tape(
        corner_a=names[a],
        corner_b=names[b],
        from_a_m=float(np.hypot(*(point - outline_m[a]))),
        from_b_m=float(np.hypot(*(point - outline_m[b]))),
        error_m=float(error),
    )


def _leaves(outline_m: Floats, beds_m: Sequence[Floats], corner: Floats, point: Floats) -> bool:
    """Whether the straight way from a corner to a point goes over ground beside the lawn, or over a bed."""
    steps = max(50, round(float(np.hypot(*(point - corner))) / TAPE_SE_M))  # a tree ring may be narrow
    way = np.linspace(corner, point, steps)
    off = [-signed_distance_m(way, outline_m), *(signed_distance_m(way, bed) for bed in beds_m)]
    return bool(np.max(off) > 2 * TAPE_SE_M)


def _place_se(point: Floats, a: Floats, b: Floats) -> float:
    """Standard deviation of the place in its worse direction: the largest eigenvalue of (J^T J)^-1 s^2."""
    to_a, to_b = point - a, point - b
    lengths = np.hypot(*to_a) * np.hypot(*to_b)
    if lengths < 1e-9:
        return float("inf")
    cosine = abs(float(to_a @ to_b)) / lengths
    return TAPE_SE_M / float(np.sqrt(1 - cosine)) if cosine < 1 - 1e-9 else float("inf")


def _mirrored(point: Floats, a: Floats, b: Floats) -> Floats:
    """The other point at the same two distances."""
    along = (b - a) / np.hypot(*(b - a))
    return 2 * (a + ((point - a) @ along) * along) - point
