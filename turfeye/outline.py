"""Polygons on the ground: validity, area, corners from tape measurements, shares of grid cells inside.

An outline is (K, 2) in metres, closed by its first corner, listed anticlockwise seen from above: the first
corner is the origin, the first side runs along x, and the lawn lies to its left.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import replace

import cv2
import numpy as np

from turfeye.errors import ViewError
from turfeye.records import Flags, Floats, Grid

TAPE_MISFIT_M = 0.15
"""Tape measurements that contradict each other by more than this are refused. Ours: a tape's own error on
uneven ground is a few centimetres."""

ROUND = 36
"""Corners of the polygon that stands for a circle: nowhere off by more than a four-hundredth of its width."""
BESIDE_BED_M = 0.1
"""So far beside a bed nothing is told of the ground: a bed is paced or taped to that. Ours."""
NO_SHARE = 1e-9
"""So little of a cell is what rounding leaves of one that lies in a bed."""
POINTS = 40
"""Along a side of a cell that is cut by two beds, or by one and the lawn's edge."""


def corner_names(count: int) -> tuple[str, ...]:
    """A, B, C ... Z, A2, B2 ... in outline order.

    >>> corner_names(4)
    ('A', 'B', 'C', 'D')
    """
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    return tuple(letters[i % 26] + (str(i // 26 + 1) if i >= 26 else "") for i in range(count))


def signed_area(points: Floats) -> float:
    """Area of a polygon (K, 2) by the shoelace formula; above 0 when it goes round anticlockwise (y up).

    >>> signed_area(np.array([[0, 0], [8, 0], [8, 6], [0, 6]]))
    48.0
    """
    points = np.asarray(points, dtype=float)
    x, y = (points - points[0]).T  # from its own corner: far from the origin digits would be lost
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def side_lengths(points: Floats) -> Floats:
    """Lengths of a polygon's sides, from each of its corners (K, 2) to the next.

    >>> side_lengths(np.array([[0, 0], [8, 0], [8, 6], [0, 6]])).tolist()
    [8.0, 6.0, 8.0, 6.0]
    """
    points = np.asarray(points, dtype=float)
    return np.hypot(*(np.roll(points, -1, axis=0) - points).T)


def side_names(corners: Sequence[str]) -> tuple[str, ...]:
    """What sides are called by the names of their ends.

    >>> side_names("ABC")
    ('A–B', 'B–C', 'C–A')
    """
    return tuple(f"{a}–{b}" for a, b in zip(corners, (*corners[1:], corners[0]), strict=True))


def sides_told(points: Floats, names: Sequence[str] | None = None) -> str:
    """How long an outline's sides are, in words: a corner that was mistyped shows in them.

    >>> sides_told(np.array([[0, 0], [8, 0], [8, 6]]))
    'A–B 8.00, B–C 6.00, C–A 10.00 m'
    """
    named = zip(names or side_names(corner_names(len(points))), side_lengths(points), strict=True)
    return ", ".join(f"{name} {length:.2f}" for name, length in named) + " m"


def crossing_sides(points: Floats) -> tuple[int, int] | None:
    """The first two sides (numbered from 0) of a closed polygon (K, 2) that cross or touch, or None.

    >>> crossing_sides(np.array([[0, 0], [8, 6], [8, 0], [0, 6]]))
    (0, 2)
    """
    start = np.asarray(points, dtype=float)
    end = np.roll(start, -1, axis=0)
    count = len(start)
    for i in range(count):
        for j in range(i + 2, count - (i == 0)):
            if _meet(start[i], end[i], start[j], end[j]):
                return i, j
    return None


def _meet(a: Floats, b: Floats, c: Floats, d: Floats) -> bool:
    """Whether the segments ab and cd share a point."""

    def turn(p: Floats, q: Floats, r: Floats) -> float:
        return float(np.sign((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])))

    def between(p: Floats, q: Floats, r: Floats) -> bool:
        inside = np.all(np.minimum(p, q) <= r) and np.all(r <= np.maximum(p, q))
        return turn(p, q, r) == 0 and bool(inside)

    if turn(a, b, c) * turn(a, b, d) < 0 and turn(c, d, a) * turn(c, d, b) < 0:
        return True
    return between(a, b, c) or between(a, b, d) or between(c, d, a) or between(c, d, b)


def cell_shares(outline_m: Floats, grid: Grid) -> Floats:
    """Share of every cell of the grid that lies inside the outline, (rows, cols), exact.

    A simple polygon is the sum over its sides of the strips below them, signed by the side's direction; a
    cell cuts each strip to the integral of a clipped straight line, which has a closed form.
    """
    points = np.asarray(outline_m, dtype=float)
    points = (points if signed_area(points) > 0 else points[::-1]) - (grid.x0_m, grid.y0_m)
    points = points / grid.cell_m
    left = np.arange(grid.cols, dtype=float)
    bottom = np.arange(grid.rows, dtype=float)[:, None]
    total = np.zeros((grid.rows, grid.cols))
    for (x1, y1), (x2, y2) in zip(points, np.roll(points, -1, axis=0), strict=True):
        if x1 == x2:
            continue
        # the side as seen within each column of cells, in its own direction
        from_x, to_x = np.clip(x1, left, left + 1), np.clip(x2, left, left + 1)
        slope = (y2 - y1) / (x2 - x1)
        low, high = y1 + slope * (from_x - x1) - bottom, y1 + slope * (to_x - x1) - bottom
        total -= (to_x - from_x) * _mean_clipped(low, high)
    return np.clip(total, 0.0, 1.0)


def without(grid: Grid, beds_m: Sequence[Floats]) -> Grid:
    """The grid of an outline without the beds in it, each (K, 2): cells keep what is left of them.

    A rim of `BESIDE_BED_M` about each goes with it: measured or placed so far off, its bark would be told as
    bare lawn.
    """
    if not beds_m or grid.share is None:
        return grid
    taken = tuple(wider(bed, BESIDE_BED_M) for bed in beds_m)
    parts = np.array([cell_shares(bed, grid) for bed in taken])
    share = grid.share - parts.sum(axis=0)
    # what lies in two rims, or in one and beyond the outline, would go twice
    edges = (grid.share < 1 - NO_SHARE).astype(int) + (parts > NO_SHARE).sum(axis=0)
    for row, col in np.argwhere((grid.share > NO_SHARE) & (edges > 1) & (parts.max(axis=0) > NO_SHARE)):
        share[row, col] += _taken_twice(grid, (row, col), taken)
    return replace(grid, share=np.where(share > NO_SHARE, share, 0.0), beds_m=taken)


def _taken_twice(grid: Grid, cell: tuple[int, int], beds_m: Sequence[Floats]) -> float:
    """Share of a cell that goes once too often where beds go one by one, by points all over it."""
    assert grid.outline_m is not None
    at_m = np.array([grid.x0_m, grid.y0_m]) + grid.cell_m * np.array(cell[::-1])
    steps = (np.arange(POINTS) + 0.5) / POINTS * grid.cell_m
    points = at_m + np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2)
    inside = _holds(grid.outline_m, points).astype(int)
    times = np.sum([_holds(bed, points) for bed in beds_m], axis=0)
    return float((times - np.minimum(times, inside)).mean())


def _holds(polygon_m: Floats, points_m: Floats) -> Flags:
    """(N,) which points (N, 2) lie inside a polygon: a ray from each crosses it an odd number of times."""
    (ax, ay), (bx, by) = polygon_m.T[..., None], np.roll(polygon_m, -1, axis=0).T[..., None]
    x, y = points_m.T
    spans = (ay > y) != (by > y)
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = ax + (y - ay) * (bx - ax) / (by - ay)
    return np.asarray((spans & (x < crossing)).sum(axis=0) % 2 == 1)


def wider(points_m: Floats, by_m: float) -> Floats:
    """An anticlockwise polygon (K, 2) with each side moved outward; sharp corners don't run out far.

    >>> wider(np.array([[0.0, 0], [2, 0], [2, 1], [0, 1]]), 0.5).tolist()
    [[-0.5, -0.5], [2.5, -0.5], [2.5, 1.5], [-0.5, 1.5]]
    """
    along = np.roll(points_m, -1, axis=0) - points_m
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    out = np.stack([along[:, 1], -along[:, 0]], axis=-1)
    before = np.roll(out, 1, axis=0)
    return points_m + by_m * (out + before) / np.maximum(1 + np.sum(out * before, axis=1), 0.5)[:, None]


def circle(middle_m: Sequence[float], across_m: float) -> Floats:
    """A round bed as a polygon of the circle's area, (ROUND, 2), anticlockwise.

    >>> round(signed_area(circle((2, 3), 1.2)), 6) == round(np.pi * 0.6**2, 6)
    True
    """
    angle = 2 * np.pi * np.arange(ROUND) / ROUND
    radius = across_m / 2 * np.sqrt(2 * np.pi / ROUND / np.sin(2 * np.pi / ROUND))
    return np.asarray(middle_m, float) + radius * np.stack([np.cos(angle), np.sin(angle)], axis=-1)


def _mean_clipped(low: Floats, high: Floats) -> Floats:
    """Mean of a straight line from ``low`` to ``high`` after clipping it to 0-1."""

    def integral(u: Floats) -> Floats:
        return np.clip(u, 0, 1) ** 2 / 2 + np.maximum(u - 1, 0)

    rise = high - low
    flat = np.abs(rise) < 1e-9
    steep = (integral(high) - integral(low)) / np.where(flat, 1.0, rise)
    return np.where(flat, np.clip((low + high) / 2, 0, 1), steep)


def simplified(points_m: Floats, within_m: float) -> Floats:
    """The polygon (K, 2) with fewer corners, nowhere further off than ``within_m``."""
    few = cv2.approxPolyDP(np.asarray(points_m, np.float32), within_m, closed=True)[:, 0]
    return np.asarray(few if len(few) >= 3 else points_m, float)


def from_tape(sides_m: Sequence[float], diagonals_m: Mapping[tuple[int, int], float]) -> Floats:
    """Corners of a lawn from its sides and diagonals, (K, 2) metres, by least squares.

    Parameters
    ----------
    sides_m : K lengths in walking order, from corner 0 to 1, 1 to 2, ..., K-1 to 0
    diagonals_m : lengths between two corners (numbered from 0) that share no side; at least K - 3 of them.
        More than that checks the tape.

    Raises
    ------
    ViewError : too few diagonals, lengths that can't close, or lengths that contradict each other

    >>> from_tape([8, 6, 8, 6], {(0, 2): 10}).round(6).tolist()
    [[0.0, 0.0], [8.0, 0.0], [8.0, 6.0], [0.0, 6.0]]
    """
    count = len(sides_m)
    lengths = {tuple(sorted((i, (i + 1) % count))): float(s) for i, s in enumerate(sides_m)}
    lengths |= {tuple(sorted(pair)): float(length) for pair, length in diagonals_m.items()}
    if count < 3 or not all(np.isfinite(v) and v > 0 for v in lengths.values()):
        raise ViewError(
            f"wanted at least three sides, all above 0 m, got {list(sides_m)}; measure them again"
        )
    names = corner_names(count)
    for i, j in map(sorted, diagonals_m):
        if not (0 <= i < j < count and 1 < j - i < count - 1):
            came = (
                f"from {names[i]} to {names[j]}" if 0 <= i <= j < count else "to a corner that is not there"
            )
            raise ViewError(
                f"wanted diagonals between two of the corners A to {names[-1]} that share no side, at most "
                f"{max(count - 3, 0)} from corner A; got one {came}: leave it out"
            )
    choices = [points for points in _placements(count, lengths) if crossing_sides(points) is None]
    if not choices:
        raise ViewError(
            "wanted lengths that close to a lawn, got sides that cross; measure the diagonals again"
        )
    fitted = [_least_squares(points, lengths) for points in choices]
    # the tape decides between shapes; where it can't, the lawn is taken to be the roomier one
    best = min(fitted, key=lambda p: (round(float(np.abs(_misfit(p, lengths)).max()), 3), -signed_area(p)))
    miss = _misfit(best, lengths)
    worst = int(np.abs(miss).argmax())
    if abs(miss[worst]) > TAPE_MISFIT_M:
        i, j = list(lengths)[worst]
        raise ViewError(
            f"wanted lengths that agree to {TAPE_MISFIT_M:.2f} m, got {abs(miss[worst]):.2f} m between "
            f"corners {names[i]} and {names[j]}; measure that one and its neighbours again"
        )
    return best


def _placements(count: int, lengths: Mapping[tuple[int, ...], float]) -> list[Floats]:
    """Every way to put the corners, one after the other, by two distances each."""
    start = np.full((count, 2), np.nan)
    start[0], start[1] = (0.0, 0.0), (lengths[(0, 1)], 0.0)
    ways = [start]
    for _ in range(count - 2):
        placed = [k for k in range(count) if np.isfinite(ways[0][k, 0])]
        options = [(k, [p for p in placed if (min(k, p), max(k, p)) in lengths])
                   for k in range(count) if k not in placed]  # fmt: skip
        ready = next((option for option in options if len(option[1]) >= 2), None)
        if ready is None:
            raise ViewError(
                f"wanted {count - 3} diagonal{'s' * (count > 4)} or more for {count} corners, each corner "
                f"tied to two placed ones, got {len(lengths) - count}; measure from corner A to corner"
                f"{'s' * (count > 4)} {', '.join(corner_names(count)[2:-1])}"
            )
        corner, (a, b, *_) = ready
        to_a, to_b = (lengths[(min(corner, p), max(corner, p))] for p in (a, b))
        ways = [way for old in ways for way in _with_corner(old, corner, a, b, (to_a, to_b))]
    return [way for way in ways if signed_area(way) > 0]


def _with_corner(old: Floats, corner: int, a: int, b: int, reach: tuple[float, float]) -> list[Floats]:
    """The two places of a corner by its distances to the placed corners a and b."""
    base = old[b] - old[a]
    length = np.hypot(*base)
    along = (reach[0] ** 2 - reach[1] ** 2 + length**2) / (2 * length)
    off2 = reach[0] ** 2 - along**2
    names = corner_names(len(old))
    if off2 < -(TAPE_MISFIT_M * (reach[0] + reach[1])):
        raise ViewError(
            f"wanted three lengths that form a triangle of corners {names[a]}, {names[b]} and "
            f"{names[corner]}, got {length:.2f}, {reach[0]:.2f} and {reach[1]:.2f} m; measure them again"
        )
    forward = base / length
    aside = np.array([-forward[1], forward[0]]) * np.sqrt(max(off2, 0.0))
    both = []
    for side in (1, -1):
        way = old.copy()
        way[corner] = old[a] + along * forward + side * aside
        both.append(way)
    return both


def _misfit(points: Floats, lengths: Mapping[tuple[int, ...], float]) -> Floats:
    return np.array([np.hypot(*(points[i] - points[j])) - length for (i, j), length in lengths.items()])


def _least_squares(points: Floats, lengths: Mapping[tuple[int, ...], float]) -> Floats:
    """Points moved by Gauss-Newton until the distances fit best; the first stays, the first side along x."""
    points = points.copy()
    for _ in range(20):
        jacobian = np.zeros((len(lengths), points.size))
        for row, (i, j) in enumerate(lengths):
            unit = (points[i] - points[j]) / np.hypot(*(points[i] - points[j]))
            jacobian[row, 2 * i : 2 * i + 2], jacobian[row, 2 * j : 2 * j + 2] = unit, -unit
        free = np.array([2, *range(4, points.size)])
        step = np.linalg.lstsq(jacobian[:, free], -_misfit(points, lengths), rcond=None)[0]
        points.ravel()[free] += step
    return points


def with_corners(points: Floats, count: int) -> Floats:
    """The outline (K, 2) with ``count`` corners: what bends it least goes, the longest side gets a middle.

    >>> with_corners(np.array([[0.0, 0], [8, 0], [8, 6]]), 4).tolist()
    [[0.0, 0.0], [8.0, 0.0], [8.0, 6.0], [4.0, 3.0]]
    """
    points = np.asarray(points, float)
    while len(points) > count:
        before, after = np.roll(points, 1, axis=0), np.roll(points, -1, axis=0)
        bends = [abs(signed_area(np.array(three))) for three in zip(before, points, after, strict=True)]
        points = np.delete(points, int(np.argmin(bends)), axis=0)
    while len(points) < count:
        after = np.roll(points, -1, axis=0)
        longest = int(np.argmax(np.hypot(*(after - points).T)))
        middle = (points[longest] + after[longest]) / 2
        points = np.insert(points, longest + 1, middle, axis=0)
    return points


def mistaken_orders(corners: int) -> list[tuple[int, ...]]:
    """Orders in which corners are marked by mistake: two swapped, turned, mirrored; not the right one."""
    right = tuple(range(corners))
    turned = [right[k:] + right[:k] for k in range(corners)]
    mirrored = [order[::-1] for order in turned]
    swapped = []
    for i, j in itertools.combinations(right, 2):
        order = list(right)
        order[i], order[j] = j, i
        swapped.append(tuple(order))
    return [order for order in dict.fromkeys([*swapped, *turned, *mirrored]) if order != right]


def as_options(corners_px: Floats) -> str:
    """Marked corners, (K, 2) pixels, as they are given to ``turfeye add``.

    >>> as_options(np.array([[412.0, 1630.2], [2210.0, 1702.0]]))
    '--corner 412,1630.2 --corner 2210,1702'
    """
    return " ".join(f"--corner {round(x, 1):g},{round(y, 1):g}" for x, y in corners_px.tolist())
