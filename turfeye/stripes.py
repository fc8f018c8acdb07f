"""Stripes: passes that the spreader missed or made twice.

Lines of cells in one direction are averaged into a profile across it. A stripe lies at one place of the
profile all along its length, while patches and natural unevenness don't: so the lawn is cut across into
bands, the profile is the middle of the bands' profiles, and chance is what the same bands give when they are
turned round sideways by random amounts (a permutation that keeps the rest of the lawn as it is). Neighbouring
bands turn together, because unevenness reaches over several of them: turned one by one they would make chance
look small. On a short lawn one patch takes up half the bands: so a stripe must be there in the others too.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np

from turfeye import outline, tape
from turfeye.contours import grid_outline_m
from turfeye.profiles import FLANK, SLIDES, TOGETHER_M, Board, boards_of, by_chance, clearest, finer, trimmed
from turfeye.records import Flags, Floats, Grid

ALARM_P = 0.02
SLANT_MARGIN = 1.2
"""Off the lawn's sides, where passes seldom run, a stripe must stand out by this times what chance gave."""
LEAST_DEPTH = 0.08
"""Shallower stripes are not spoken of: no cause for another pass, and natural unevenness reaches that far."""
REST_DEPTH = LEAST_DEPTH / 2
"""Without the piece that has most of it a stripe still differs by so much, where a patch does not."""
REST_SHARE = 0.25
"""And by so much of what that piece differs by: a deep patch that reaches into the next bands leaves more
than `REST_DEPTH` there. Strips left out in stretches, or that run into a hole, leave a third and more."""
STEP_DEG = 5
"""Off the lawn's sides it is looked along so many degrees apart."""
TURNS_IN_DEG = 45.0
"""A corner that turns inwards by more parts a lawn into arms."""
MOST_ARMS, MOST_OF_LAWN = 4, 0.9
"""Of more arms, and of one that is nearly all of the lawn, none is looked at by itself."""
PARALLEL_DEG = 8.0
ON_SIDE_CELLS = 1.5
"""So near to a side of the outline a strip's end lies on it: its cells are known by their middles."""
OPPOSITE = 2.0
"""Next to a stripe of so many times its score its opposite is none. Ours."""
PATCH_SD = 2.0
ROUNDISH = 2.5
"""A group of cells no longer than this many times its width is a patch, no piece of a stripe."""


@dataclass(frozen=True, eq=False, slots=True)
class Stripe:
    """One stripe right across the lawn. Its line is where x cos(normal) + y sin(normal) = offset_m."""

    kind: Literal["missed", "doubled"]
    normal_deg: float  # direction across it, 0-180
    offset_m: float  # of its middle
    width_m: float
    depth: float  # cover that it differs by, 0-1
    runs: str  # where, for people

    def told(self, *, width: bool = True) -> str:
        """The stripe for people, with its ``width`` or without."""
        wide = f" {self.width_m:.2f} m wide" if width else ""
        than = "thicker" if self.kind == "doubled" else "thinner"
        words = f"a strip{wide} running {self.runs}"
        return f"{words}, {100 * self.depth:.0f} points {than} than the lawn"


@dataclass(frozen=True, eq=False, slots=True)
class Stripes:
    """What was found in all: the stripes of the clearest direction, none where chance explains it."""

    found: tuple[Stripe, ...]
    p: float  # of the clearest direction, all directions counted
    why: str = ""  # none were found

    @property
    def direction_deg(self) -> float:
        """Along the stripes, 0-180; NaN for none."""
        return (self.found[0].normal_deg + 90) % 180 if self.found else math.nan

    @property
    def spacing_m(self) -> float:
        """Between neighbouring stripes' middles; NaN for fewer than two."""
        if len(self.found) < 2:
            return math.nan
        return float(np.median(np.diff(sorted(stripe.offset_m for stripe in self.found))))

    def told(self, *, width: bool = True) -> str:
        """All of them for people, by the deepest; without its ``width`` where a plan tells that."""
        if not self.found:
            return self.why
        first = max(self.found, key=lambda stripe: stripe.depth).told(width=width)
        words = f"{first[0].upper()}{first[1:]} (p = {self.p:.2g})"
        apart = f"; {len(self.found)} such strips, {self.spacing_m:.1f} m apart"
        return words if math.isnan(self.spacing_m) else words + apart


def stripes(
    grid: Grid,
    x_m: Floats,
    y_m: Floats,
    cover: Floats,
    *,
    side_names: Sequence[str] | None = None,
    corner_names: Sequence[str] | None = None,
) -> Stripes:
    """Look for missed or doubled passes in the cover of cells (N,), NaN where not seen.

    Directions: along the sides of the outline first; only where nothing is found there, or something clearer
    elsewhere, every STEP_DEG degrees, and then more finely. ``side_names`` are the names of the outline's
    sides, corner A to B first, ``corner_names`` those of its corners. The p-value counts that the clearest
    place of all was picked.
    Fewer than 40 seen cells or four bands can't tell a stripe from chance: none is found, p = 1.
    Where the outline turns inwards and the whole has none, each of its arms is looked at by itself too.
    """
    names = _Names.of(grid, side_names, corner_names)
    whole = _look(grid, (x_m, y_m, cover), names)
    if whole.found or not (arms := _arms(grid, x_m, y_m)):
        return whole
    found = [_look(grid, (x_m[arm], y_m[arm], cover[arm]), names, asked=len(arms) + 1) for arm in arms]
    return min((one for one in found if one.found), key=lambda one: one.p, default=whole)


def _arms(grid: Grid, x_m: Floats, y_m: Floats) -> list[Flags]:
    """(N,) the cells of each arm of a lawn of MOST_ARMS of them at most; none of any other.

    An arm is what lies inside a side that ends at a corner turning inwards, and inside its straight
    continuation.
    """
    if grid.outline_m is None:
        return []
    corners = grid.outline_m
    way, inwards = np.roll(corners, -1, axis=0) - corners, _turns_in(corners)
    arms: list[Flags] = []
    for k in np.flatnonzero(inwards | np.roll(inwards, -1)):
        (dx, dy), (x, y) = way[k], corners[k]
        arm: Flags = dx * (y_m - y) - dy * (x_m - x) > 0
        if arm.mean() < MOST_OF_LAWN and not any((arm == other).all() for other in arms):
            arms.append(arm)
    return arms if len(arms) <= MOST_ARMS else []


def _turns_in(corners: Floats) -> Flags:
    """(K,) at which corners of an outline it turns inwards."""
    way = np.roll(corners, -1, axis=0) - corners
    before = np.roll(way, 1, axis=0)
    turn = np.arctan2(before[:, 0] * way[:, 1] - before[:, 1] * way[:, 0], (before * way).sum(axis=1))
    return np.asarray(np.degrees(turn) < -TURNS_IN_DEG)


def _look(
    grid: Grid,
    cells: tuple[Floats, Floats, Floats],
    names: _Names,
    *,
    asked: int = 1,
) -> Stripes:
    """Stripes in cells (N,), x, y and cover, that are a lawn or an arm of it; one of so many ``asked``."""
    x_m, y_m, cover = cells
    known = np.isfinite(cover)
    if known.sum() < 40:
        return _none("too few cells were seen to tell a stripe from chance")
    known &= ~_in_patches(grid, x_m, y_m, cover)
    if known.sum() < 40:
        return _none("too few cells outside patches to tell a stripe from chance")
    x, y, seen = x_m[known], y_m[known], cover[known]
    least, looks, rng = 1.0, 0, np.random.default_rng(0)
    slides = asked * (SLIDES + 1) - 1
    sides, others = _directions(grid)
    for directions, margin in ((sides, 0.0), (others, SLANT_MARGIN)):
        boards = boards_of(grid, x, y, seen, directions)
        if not boards:
            continue
        best, start, width = clearest(boards)
        # what the clearest leaves: in other directions it lies across many lines, and would be their chance
        calm = boards_of(grid, x, y, boards[best].without(x, y, seen, start, width), directions)
        spread, chance = by_chance(calm, rng, slides)
        board = boards[best]
        if margin:
            board = finer(board, (start, width), grid, (x, y, seen))
        scores = board.scores(spread)
        seen_most = float(np.abs(scores).max())
        looks += 1
        least = min(least, float((1 + np.sum(chance >= seen_most)) / (len(chance) + 1)))
        p = min(asked * looks * least, 1.0)  # a second look is a second chance to be wrong
        limit = max(float(np.quantile(chance, 1 - ALARM_P / asked)), margin * float(chance.max()))
        within = np.stack([x_m, y_m], axis=1)
        told = partial(_where, grid, within, names)
        found = _found(board, scores, limit, told) if p <= ALARM_P else ()
        # one that runs a little askew of a side is clear along that too, but clearer along itself
        if found and not margin:
            askew = [float(np.abs(one.scores(spread)).max()) for one in boards_of(grid, x, y, seen, others)]
            found = () if max(askew, default=0.0) > SLANT_MARGIN * seen_most else found
        if found:
            return Stripes(found, p)
    if not looks:
        return _none("too little of the lawn was seen to tell a stripe from chance")
    return Stripes((), p, f"no stripes (p = {p:.2g})")


def _found(
    board: Board, score: Floats, limit: float, told: Callable[[float, float], str]
) -> tuple[Stripe, ...]:
    hits = [hit for hit in _pick(score, limit) if _goes_on(board, hit)]
    described = (_describe(board, hit, told) for hit in hits)
    return tuple(stripe for stripe in described if stripe.depth >= LEAST_DEPTH)


def _goes_on(board: Board, hit: tuple[int, int, float]) -> bool:
    """Whether a stripe is there without the piece that has most of it: TOGETHER_M, or half its length."""
    start, width, score = hit
    off = board.contrast(width)[:, start] * np.sign(score)
    off = off[np.isfinite(off)]
    piece = min(len(off) // 2, round(TOGETHER_M / board.band_m))
    most = max(range(len(off) - piece + 1), key=lambda k: float(off[k : k + piece].sum()))
    rest, top = np.delete(off, np.s_[most : most + piece]), off[most : most + piece]
    return float(rest.mean()) >= max(REST_DEPTH, REST_SHARE * float(top.mean()))


def _in_patches(grid: Grid, x_m: Floats, y_m: Floats, cover: Floats) -> Flags:
    """(N,) cells of compact thin or thick groups and next to them: no part of a stripe."""
    from scipy.ndimage import binary_dilation, binary_opening, label

    row = np.floor((y_m - grid.y0_m) / grid.cell_m).astype(int)
    col = np.floor((x_m - grid.x0_m) / grid.cell_m).astype(int)
    off = cover - np.nanmedian(cover)
    far = PATCH_SD * max(1.4826 * float(np.nanmedian(np.abs(off))), 0.02)
    board = np.zeros((grid.rows, grid.cols))
    board[row, col] = np.nan_to_num(off)
    patch = np.zeros(board.shape, bool)
    square = np.ones((3, 3), bool)
    for apart in (board < -far, board > far):
        # opening lets go of a stripe that runs into a patch, and of lone cells; patches go on beyond edges
        beyond = np.pad(apart, 1, mode="edge")
        labels, count = label(binary_opening(beyond, square)[1:-1, 1:-1], structure=square)
        for number in range(1, count + 1):
            at = np.argwhere(labels == number).astype(float)
            # a bar of even weight is as long as the root of 12 times its variance, and one cell's own width
            wide, long = np.sqrt(12 * np.clip(np.linalg.eigvalsh(np.cov(at.T)), 0, None)) + 1
            if long <= ROUNDISH * wide:
                patch |= apart & binary_dilation(labels == number, square)
    return binary_dilation(patch, square)[row, col]


def _pick(score: Floats, limit: float) -> list[tuple[int, int, float]]:
    """(first line, width in lines, score) of every place beyond the limit, clearest first, apart."""
    taken = np.zeros(score.shape[1], bool)
    hits: list[tuple[int, int, float]] = []
    for flat in np.argsort(-np.abs(score), axis=None):
        index, start = (int(v) for v in np.unravel_index(flat, score.shape))
        if abs(score[index, start]) < limit:
            break
        width = index + 1
        # beside a wide one, or one that runs askew over its lines, the flanks look like its opposite
        beside = [
            one for one in hits if start < one[0] + one[1] + 2 * FLANK and one[0] < start + width + 2 * FLANK
        ]
        if any(
            one[2] * score[index, start] < 0 and abs(one[2]) > OPPOSITE * abs(score[index, start])
            for one in beside
        ):
            continue
        if not taken[start : start + width].any():
            # the flanks of a stripe look like its opposite: they are not stripes of their own
            taken[max(start - FLANK, 0) : start + width + FLANK] = True
            hits.append((start, width, float(score[index, start])))
    return hits


def _directions(grid: Grid) -> tuple[list[float], list[float]]:
    """Directions across, 0-180 degrees: square to the sides, then the others, every STEP_DEG degrees."""
    corners = grid_outline_m(grid) if grid.outline_m is None else grid.outline_m
    sides = np.roll(corners, -1, axis=0) - corners
    lengths = np.hypot(*sides.T)
    square: list[float] = []
    for (dx, dy), length in zip(sides, lengths, strict=True):
        angle = float((np.degrees(np.arctan2(dy, dx)) + 90) % 180)
        if length > 0.3 * lengths.max() and all(_apart(angle, other) > 4 for other in square):
            square.append(angle)
    others = [angle for angle in range(0, 180, STEP_DEG) if all(_apart(angle, other) > 8 for other in square)]
    return square, [float(angle) for angle in others]


def _apart(a_deg: float, b_deg: float) -> float:
    """Angle between two undirected lines."""
    apart = abs(a_deg - b_deg) % 180
    return min(apart, 180 - apart)


def _describe(board: Board, hit: tuple[int, int, float], told: Callable[[float, float], str]) -> Stripe:
    """Width, depth and place of one stripe: what its lines are short by, as a box of its own depth; ``told``
    has where one runs by its normal's angle and its middle's place along it.
    """
    start, width, score = hit
    profile = trimmed(board.mean[None])[0]
    seen = np.asarray(np.isfinite(board.mean).any(axis=0))
    beside = [*range(start - 1 - FLANK, start - 1), *range(start + width + 1, start + width + 1 + FLANK)]
    flanks = [k for k in beside if 0 <= k < len(profile) and seen[k]]
    calm = float(np.median(profile[flanks] if flanks else profile[seen]))
    span = np.arange(max(start - 1, 0), min(start + width + 1, len(profile)))
    span = span[seen[span]]
    sign = 1.0 if score > 0 else -1.0
    off = np.clip(sign * (profile[span] - calm), 0, None)
    depth = float(off.max())
    off = off if depth > 0 else np.ones(len(span))  # nothing is left of it: LEAST_DEPTH lets it go
    width_m = float(off.sum() / off.max() * board.step_m)
    offset = board.first_m + board.step_m * float(off @ span / off.sum())
    kind: Literal["missed", "doubled"] = "doubled" if score > 0 else "missed"
    return Stripe(kind, board.normal_deg, offset, width_m, depth, told(board.normal_deg, offset))


@dataclass(frozen=True, slots=True)
class _Names:
    """What the outline's sides, corner A to B first, and its corners are called."""

    sides: tuple[str, ...]
    corners: tuple[str, ...]

    @classmethod
    def of(cls, grid: Grid, sides: Sequence[str] | None, corners: Sequence[str] | None) -> _Names:
        """As given, else by letters."""
        count = 0 if grid.outline_m is None else len(grid.outline_m)
        letters = tuple(corners or outline.corner_names(count))
        return cls(tuple(sides or (_side_name(k, letters) for k in range(count))), letters)


def _where(grid: Grid, within: Floats, names: _Names, normal_deg: float, offset_m: float) -> str:
    """ "along the fence, 3.1 m from the path": along the longest parallel side, from the nearest one.

    Where none is parallel, and on a lawn with arms, of which the nearest side may be another's: from where to
    where it runs in the cells ``within``, (N, 2).
    """
    if grid.outline_m is None:
        return f"at {(normal_deg + 90) % 180:.0f}° to the grid's x axis, {offset_m:.1f} m from its origin"
    corners = grid.outline_m
    angle = np.radians(normal_deg)
    normal = np.array([np.cos(angle), np.sin(angle)])
    parallel = []
    for k, (a, b) in enumerate(zip(corners, np.roll(corners, -1, axis=0), strict=True)):
        side_deg = np.degrees(np.arctan2(*(b - a)[::-1]))
        if _apart(float(side_deg), normal_deg + 90) <= PARALLEL_DEG:
            away = abs(float((a + b) / 2 @ normal) - offset_m)
            parallel.append((away, -float(np.hypot(*(b - a))), k))
    if not parallel or _turns_in(corners).any():
        first, last = _ends_m(grid, within, normal, offset_m)
        return f"from {_at(grid, first, names)}, to {_at(grid, last, names)}"
    away, _, near = min(parallel)
    others = sorted((length, k) for _, length, k in parallel if k != near)
    if not others:
        return f"along {names.sides[near]}, its middle {away:.1f} m from it"
    return f"along {names.sides[others[0][1]]}, its middle {away:.1f} m from {names.sides[near]}"


def _ends_m(grid: Grid, within: Floats, normal: Floats, offset_m: float) -> tuple[Floats, Floats]:
    """Where a line, the places of which along ``normal`` are ``offset_m``, enters and leaves cells (N, 2)."""
    along = np.array([-normal[1], normal[0]])
    away = np.abs(within @ normal - offset_m)
    places = within[away <= max(float(away.min()), grid.cell_m / 2)] @ along
    half = grid.cell_m / 2
    return (
        offset_m * normal + (places.min() - half) * along,
        offset_m * normal + (places.max() + half) * along,
    )


def _at(grid: Grid, point: Floats, names: _Names) -> str:
    """A place to be found with a tape: on a side of the outline within a cell and a half of it, else by two
    corners.
    """
    corners, reached = grid_outline_m(grid) if grid.outline_m is None else grid.outline_m, []
    for k, (a, b) in enumerate(zip(corners, np.roll(corners, -1, axis=0), strict=True)):
        length = float(np.hypot(*(b - a)))
        part = float(np.clip((point - a) @ (b - a) / length**2, 0, 1))
        off = float(np.hypot(*(point - a - part * (b - a))))
        reached.append((off, k, part * length, (1 - part) * length))
    off, k, from_first, from_last = min(reached)
    if off <= ON_SIDE_CELLS * grid.cell_m:
        nearer = k if from_first <= from_last else (k + 1) % len(corners)
        return f"{names.sides[k]}, {min(from_first, from_last):.1f} m from corner {names.corners[nearer]}"
    there = tape.fix(float(point[0]), float(point[1]), corners, names=names.corners, beds_m=grid.beds_m)
    to_first, to_second = f"{there.from_a_m:.1f} m from {there.corner_a}", f"{there.from_b_m:.1f} m from"
    return f"the point {to_first} and {to_second} {there.corner_b}"


def _side_name(k: int, letters: Sequence[str]) -> str:
    ordinals = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")
    a, b = letters[k], letters[(k + 1) % len(letters)]
    return f"the {ordinals[k] if k < len(ordinals) else f'{k + 1}th'} side (corner {a} to {b})"


def _none(why: str) -> Stripes:
    return Stripes((), 1.0, why)
