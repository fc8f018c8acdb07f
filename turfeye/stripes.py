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
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

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
STEP_DEG = 5
"""Off the lawn's sides it is looked along so many degrees apart."""
TURNS_IN_DEG = 45.0
"""A corner that turns inwards by more parts a lawn into arms."""
MOST_ARMS, MOST_OF_LAWN = 4, 0.9
"""Of more arms, and of one that is nearly all of the lawn, none is looked at by itself."""
PARALLEL_DEG = 8.0
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
    p: float
    words: str

    @property
    def wide(self) -> str:
        """Its width, as the words have it."""
        return f" {self.width_m:.2f} m wide"


@dataclass(frozen=True, eq=False, slots=True)
class Stripes:
    """What was found in all: the stripes of the clearest direction, none where chance explains it."""

    found: tuple[Stripe, ...]
    p: float  # of the clearest direction, all directions counted
    direction_deg: float  # along the stripes, 0-180
    spacing_m: float  # between neighbouring stripes' middles; NaN for fewer than two
    words: str

    def without_width(self) -> str:
        """The words for where a plan tells the width, by all visits."""
        words = self.words
        for stripe in self.found:
            words = words.replace(stripe.wide, "", 1)
        return words


def stripes(
    grid: Grid,
    x_m: Floats,
    y_m: Floats,
    cover: Floats,
    *,
    side_names: Sequence[str] | None = None,
    seed: int = 0,
) -> Stripes:
    """Look for missed or doubled passes in the cover of cells (N,), NaN where not seen.

    Directions: along the sides of the outline first; only where nothing is found there, or something clearer
    elsewhere, every STEP_DEG degrees, and then more finely. ``side_names`` are the names of the outline's
    sides, corner A to B first. The p-value counts that the clearest place of all was picked.
    Fewer than 40 seen cells or four bands can't tell a stripe from chance: none is found, p = 1.
    Where the outline turns inwards and the whole has none, each of its arms is looked at by itself too.
    """
    whole = _look(grid, (x_m, y_m, cover), side_names, np.random.default_rng(seed))
    if whole.found or not (arms := _arms(grid, x_m, y_m)):
        return whole
    found = [
        _look(
            grid,
            (x_m[arm], y_m[arm], cover[arm]),
            side_names,
            np.random.default_rng(seed),
            asked=len(arms) + 1,
        )
        for arm in arms
    ]
    return min((one for one in found if one.found), key=lambda one: one.p, default=whole)


def _arms(grid: Grid, x_m: Floats, y_m: Floats) -> list[Flags]:
    """(N,) the cells of each arm of a lawn of MOST_ARMS of them at most; none of any other.

    An arm is what lies inside a side that ends at a corner turning inwards, and inside its straight
    continuation.
    """
    if grid.outline_m is None:
        return []
    corners = grid.outline_m
    way = np.roll(corners, -1, axis=0) - corners
    before = np.roll(way, 1, axis=0)
    turn = np.arctan2(before[:, 0] * way[:, 1] - before[:, 1] * way[:, 0], (before * way).sum(axis=1))
    inwards = np.degrees(turn) < -TURNS_IN_DEG
    arms: list[Flags] = []
    for k in np.flatnonzero(inwards | np.roll(inwards, -1)):
        (dx, dy), (x, y) = way[k], corners[k]
        arm: Flags = dx * (y_m - y) - dy * (x_m - x) > 0
        if arm.mean() < MOST_OF_LAWN and not any((arm == other).all() for other in arms):
            arms.append(arm)
    return arms if len(arms) <= MOST_ARMS else []


def _look(
    grid: Grid,
    cells: tuple[Floats, Floats, Floats],
    side_names: Sequence[str] | None,
    rng: np.random.Generator,
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
    least, looks = 1.0, 0
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
        found = _found(grid, board, p, scores, limit, side_names) if p <= ALARM_P else ()
        # one that runs a little askew of a side is clear along that too, but clearer along itself
        if found and not margin:
            askew = [float(np.abs(one.scores(spread)).max()) for one in boards_of(grid, x, y, seen, others)]
            found = () if max(askew, default=0.0) > SLANT_MARGIN * seen_most else found
        if found:
            along = (board.normal_deg + 90) % 180
            return Stripes(found, p, along, _spacing(found), _together(found, p))
    if not looks:
        return _none("too little of the lawn was seen to tell a stripe from chance")
    return Stripes((), p, float("nan"), float("nan"), f"no stripes (p = {p:.2g})")


def _found(
    grid: Grid,
    board: Board,
    p: float,
    score: Floats,
    limit: float,
    side_names: Sequence[str] | None,
) -> tuple[Stripe, ...]:
    hits = [hit for hit in _pick(score, limit) if _goes_on(board, hit)]
    described = (_describe(grid, board, p, hit, side_names) for hit in hits)
    return tuple(stripe for stripe in described if stripe.depth >= LEAST_DEPTH)


def _goes_on(board: Board, hit: tuple[int, int, float]) -> bool:
    """Whether a stripe is there without the piece that has most of it: TOGETHER_M, or half its length."""
    start, width, score = hit
    off = board.contrast(width)[:, start] * np.sign(score)
    off = off[np.isfinite(off)]
    piece = min(len(off) // 2, round(TOGETHER_M / board.band_m))
    most = max(range(len(off) - piece + 1), key=lambda k: float(off[k : k + piece].sum()))
    return float(np.delete(off, np.s_[most : most + piece]).mean()) >= REST_DEPTH


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


def _describe(
    grid: Grid,
    board: Board,
    p: float,
    hit: tuple[int, int, float],
    side_names: Sequence[str] | None,
) -> Stripe:
    """Width, depth and place of one stripe: what its lines are short by, as a box of its own depth."""
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
    words = _where(grid, board.normal_deg, offset, side_names)
    told = Stripe(kind, board.normal_deg, offset, width_m, depth, p, "")
    text = f"a {kind} strip{told.wide} running {words}, {100 * depth:.0f} points "
    text += "thicker than the lawn" if score > 0 else "thinner than the lawn"
    return replace(told, words=text)


def _where(grid: Grid, normal_deg: float, offset_m: float, side_names: Sequence[str] | None) -> str:
    """ "along the fence, 3.1 m from the path": along the longest parallel side, from the nearest one."""
    if grid.outline_m is None:
        return f"at {(normal_deg + 90) % 180:.0f}° to the grid's x axis, {offset_m:.1f} m from its origin"
    corners = grid.outline_m
    names = side_names or [_side_name(k, len(corners)) for k in range(len(corners))]
    angle = np.radians(normal_deg)
    normal = np.array([np.cos(angle), np.sin(angle)])
    parallel = []
    for k, (a, b) in enumerate(zip(corners, np.roll(corners, -1, axis=0), strict=True)):
        side_deg = np.degrees(np.arctan2(*(b - a)[::-1]))
        if _apart(float(side_deg), normal_deg + 90) <= PARALLEL_DEG:
            away = abs(float((a + b) / 2 @ normal) - offset_m)
            parallel.append((away, -float(np.hypot(*(b - a))), k))
    if not parallel:
        return f"at {(normal_deg + 90) % 180:.0f}° to the first side"
    away, _, near = min(parallel)
    others = sorted((length, k) for _, length, k in parallel if k != near)
    if not others:
        return f"along {names[near]}, its middle {away:.1f} m from it"
    return f"along {names[others[0][1]]}, its middle {away:.1f} m from {names[near]}"


def _side_name(k: int, count: int) -> str:
    ordinals = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth")
    a, b = (chr(65 + i % 26) for i in (k, (k + 1) % count))
    return f"the {ordinals[k] if k < len(ordinals) else f'{k + 1}th'} side (corner {a} to {b})"


def _spacing(found: Sequence[Stripe]) -> float:
    if len(found) < 2:
        return float("nan")
    return float(np.median(np.diff(sorted(stripe.offset_m for stripe in found))))


def _together(found: Sequence[Stripe], p: float) -> str:
    first = max(found, key=lambda stripe: stripe.depth)
    words = f"{first.words[0].upper()}{first.words[1:]} (p = {p:.2g})"
    spacing = _spacing(found)
    if math.isnan(spacing):
        return words
    return f"{words}; {len(found)} such strips, {spacing:.1f} m apart"


def _none(words: str) -> Stripes:
    return Stripes((), 1.0, float("nan"), float("nan"), words)
