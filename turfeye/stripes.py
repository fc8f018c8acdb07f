"""Stripes: passes that the spreader missed or made twice.

Lines of cells in one direction are averaged into a profile across it. A stripe lies at one place of the
profile all along its length, while patches and natural unevenness don't: so the lawn is cut across into
bands, the profile is the middle of the bands' profiles, and chance is what the same bands give when they are
turned round sideways by random amounts (a permutation that keeps the rest of the lawn as it is). Neighbouring
bands turn together, because unevenness reaches over several of them: turned one by one they would make chance
look small.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from turfeye.contours import grid_outline_m
from turfeye.records import Flags, Floats, Grid

SLIDES = 199
"""Random slidings a direction; the least p is 1 / (SLIDES + 1)."""
ALARM_P = 0.02
SLANT_MARGIN = 1.1
"""Off the lawn's sides, where passes seldom run, a stripe must stand out by this times what chance gave."""
BAND_M = 1.0
"""Least length of a band along the stripes."""
TOGETHER_M = 3.0
"""Length of lawn that turns together: twice what grass is commonly alike over; ours."""
LEAST_DEPTH = 0.08
"""Shallower stripes are not spoken of: no cause for another pass, and natural unevenness reaches that far."""
WIDEST_CELLS = 3
HELD_SD = 5.0
"""One band's contrast counts no more than this many robust standard deviations: a patch has no more say."""
EDGE_TRUST = 0.6
"""What a contrast counts at the lawn's edge, where there is one flank only."""
FLANK = 2
"""Lines on each side that a place is compared with."""
PARALLEL_DEG = 8.0
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


@dataclass(frozen=True, eq=False, slots=True)
class Stripes:
    """What was found in all: the stripes of the clearest direction, none where chance explains it."""

    found: tuple[Stripe, ...]
    p: float  # of the clearest direction, all directions counted
    direction_deg: float  # along the stripes, 0-180
    spacing_m: float  # between neighbouring stripes' middles; NaN for fewer than two
    words: str


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

    Directions: along the sides of the outline first; only where nothing is found there, every 15 degrees (a
    stripe more than about 4 degrees off all of these can be missed). ``side_names`` are the names of the
    outline's sides, corner A to B first. The p-value counts that the clearest place of all was picked.
    Fewer than 40 seen cells or four bands can't tell a stripe from chance: none is found, p = 1.
    """
    known = np.isfinite(cover)
    if known.sum() < 40:
        return _none("too few cells were seen to tell a stripe from chance")
    known &= ~_in_patches(grid, x_m, y_m, cover)
    if known.sum() < 40:
        return _none("too few cells outside patches to tell a stripe from chance")
    x, y, seen = x_m[known], y_m[known], cover[known]
    rng = np.random.default_rng(seed)
    least, looks = 1.0, 0
    for directions, margin in zip(_directions(grid), (0.0, SLANT_MARGIN), strict=True):
        made = (_Board.of(grid, x, y, seen, angle) for angle in directions)
        boards = [board for board in made if board is not None and board.tells()]
        if not boards:
            continue
        scores, chance = _scores(boards, rng)
        best = int(np.argmax([np.abs(score).max() for score in scores]))
        seen_most = float(np.abs(scores[best]).max())
        looks += 1
        least = min(least, float((1 + np.sum(chance >= seen_most)) / (len(chance) + 1)))
        p = min(looks * least, 1.0)  # a second look is a second chance to be wrong
        limit = max(float(np.quantile(chance, 1 - ALARM_P)), margin * float(chance.max()))
        found = _found(grid, boards[best], p, scores[best], limit, side_names) if p <= ALARM_P else ()
        if found:
            along = (boards[best].normal_deg + 90) % 180
            return Stripes(found, p, along, _spacing(found), _together(found, p))
    if not looks:
        return _none("too little of the lawn was seen to tell a stripe from chance")
    return Stripes((), p, float("nan"), float("nan"), f"no stripes (p = {p:.2g})")


def _found(
    grid: Grid,
    board: _Board,
    p: float,
    score: Floats,
    limit: float,
    side_names: Sequence[str] | None,
) -> tuple[Stripe, ...]:
    hits = _pick(score, limit)
    described = (_describe(grid, board, p, hit, side_names) for hit in hits)
    return tuple(stripe for stripe in described if stripe.depth >= LEAST_DEPTH)


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
        # opening lets go of a stripe that runs into a patch, and of lone cells
        labels, count = label(binary_opening(apart, square), structure=square)
        for number in range(1, count + 1):
            at = np.argwhere(labels == number).astype(float)
            # a bar of even weight is as long as the root of 12 times its variance, and one cell's own width
            wide, long = np.sqrt(12 * np.clip(np.linalg.eigvalsh(np.cov(at.T)), 0, None)) + 1
            if long <= ROUNDISH * wide:
                patch |= apart & binary_dilation(labels == number, square)
    return binary_dilation(patch, square)[row, col]


@dataclass(frozen=True, eq=False)
class _Board:
    """Cells sorted into lines along a direction and bands across it."""

    normal_deg: float
    first_m: float  # middle of line 0
    step_m: float
    band_m: float  # length of a band
    mean: Floats  # (bands, lines) cover, NaN where there are too few cells

    @classmethod
    def of(cls, grid: Grid, x: Floats, y: Floats, cover: Floats, normal_deg: float) -> _Board | None:
        """None where the lawn is too short in this direction for bands, or too narrow for a profile."""
        angle = np.radians(normal_deg)
        across = x * np.cos(angle) + y * np.sin(angle)
        along = -x * np.sin(angle) + y * np.cos(angle)
        line = np.floor((across - across.min()) / grid.cell_m + 1e-6).astype(int)
        long = float(np.ptp(along)) + grid.cell_m
        count = max(int(long / max(BAND_M, 2 * grid.cell_m)), 1)
        band = np.minimum(((along - along.min()) / (np.ptp(along) + 1e-9) * count).astype(int), count - 1)
        lines = int(line.max()) + 1
        if count < 4 or lines < 6:
            return None
        which = band * lines + line
        cells = np.bincount(which, minlength=count * lines)
        enough = cells >= 0.4 * np.median(cells[cells > 0])
        mean = np.where(enough, np.bincount(which, cover, count * lines) / np.maximum(cells, 1), np.nan)
        middle = np.bincount(line, across, lines) / np.maximum(np.bincount(line, minlength=lines), 1)
        return cls(normal_deg, float(middle[0]), grid.cell_m, long / count, mean.reshape(count, lines))

    def contrast(self, width: int) -> Floats:
        """(bands, lines) mean of ``width`` lines from each on, less that of FLANK lines on both sides."""
        bands, lines = self.mean.shape
        padded = np.full((bands, lines + 2 * FLANK + width), np.nan)
        padded[:, FLANK : FLANK + lines] = self.mean
        inside = sum(padded[:, FLANK + k : FLANK + k + lines] for k in range(width)) / width
        offsets = [*range(FLANK), *range(FLANK + width, 2 * FLANK + width)]
        beside = np.stack([padded[:, k : k + lines] for k in offsets])
        known = np.isfinite(beside).sum(axis=0)
        flank = np.nansum(beside, axis=0) / np.maximum(known, 1)
        # with one flank only, at the lawn's edge, a slope passes for a difference
        certain = np.where(known > FLANK, 1.0, EDGE_TRUST)
        contrast = np.where(known >= FLANK, (inside - flank) * certain, np.nan)
        if not np.isfinite(contrast).any():
            return contrast
        limit = HELD_SD * 1.4826 * max(float(np.nanmedian(np.abs(contrast))), 0.005)
        return np.clip(contrast, -limit, limit)

    def tells(self) -> bool:
        """Whether any line is seen in enough bands, beside others: spots say nothing of a whole line."""
        return bool(np.isfinite(_middle(self.contrast(1)[None])).any())

    def slid(self, contrast: Floats, rng: np.random.Generator) -> Floats:
        """(SLIDES, bands, lines): neighbouring bands, TOGETHER_M of them, turned round by one random amount.

        What the bands have in common is taken off first (residuals are permuted, as Freedman and Lane 1983
        do for a regression), or a stripe would make its own chance look large. Where the groups of bands
        begin is random too; few bands make groups of fewer, so that there are at least three.
        """
        contrast = contrast - _trimmed(contrast[None])[0]
        bands = len(contrast)
        size = max(1, min(round(TOGETHER_M / self.band_m), bands // 3))
        group = (np.arange(bands) + rng.integers(size, size=(SLIDES, 1))) // size
        share = np.take_along_axis(rng.random((SLIDES, bands + 1)), group, axis=1)
        slid = np.full((SLIDES, *contrast.shape), np.nan)
        for number, band in enumerate(contrast):
            known = np.flatnonzero(np.isfinite(band))
            if len(known):
                by = (share[:, number, None] * len(known)).astype(int)
                slid[:, number, known] = band[known][(np.arange(len(known)) + by) % len(known)]
        return slid


def _scores(boards: Sequence[_Board], rng: np.random.Generator) -> tuple[list[Floats], Floats]:
    """Scores (widths, lines) of each board, and (SLIDES,) the largest score that chance gives anywhere.

    A line's score is its middle over the bands, times the root of their number, over the robust spread of
    that among all lines of all boards: unevenness that reaches over several bands widens the spread and so
    can't pass for a stripe. The slid lawns are scored by their own spread.
    """
    widths = range(1, WIDEST_CELLS + 1)
    seen: list[list[Floats]] = [[] for _ in boards]
    chance = np.zeros(SLIDES)
    for width in widths:
        contrasts = [board.contrast(width) for board in boards]
        own = [_middle(contrast[None]) for contrast in contrasts]
        by_chance = [_middle(board.slid(c, rng)) for board, c in zip(boards, contrasts, strict=True)]
        spread = _spread(np.concatenate(own, axis=1))
        for rows, middle in zip(seen, own, strict=True):
            rows.append(np.nan_to_num(middle / spread)[0])
        slid = np.concatenate(by_chance, axis=1)
        chance = np.maximum(chance, np.nan_to_num(np.abs(slid / _spread(slid))).max(axis=1))
    return [np.stack(rows) for rows in seen], chance


def _spread(middle: Floats) -> Floats:
    """(K, lines) to (K, 1): robust standard deviation about 0, held above what no photo can tell."""
    known = np.isfinite(middle[0])
    if not known.any():  # no place is so wide
        return np.ones((len(middle), 1))
    return np.maximum(1.4826 * np.median(np.abs(middle[:, known]), axis=1, keepdims=True), 0.003)


def _middle(contrast: Floats) -> Floats:
    """(K, bands, lines) to (K, lines): mean of the middle half of the bands x root of their number.

    Without the highest and the lowest quarter, a patch in one band says nothing. NaN where too few bands.
    """
    count = np.isfinite(contrast).sum(axis=1)
    enough = count >= max(3, round(0.4 * contrast.shape[1]))
    return np.where(enough, _trimmed(contrast) * np.sqrt(count), np.nan)


def _pick(score: Floats, limit: float) -> list[tuple[int, int, float]]:
    """(first line, width in lines, score) of every place beyond the limit, clearest first, apart."""
    taken = np.zeros(score.shape[1], bool)
    hits = []
    for flat in np.argsort(-np.abs(score), axis=None):
        index, start = (int(v) for v in np.unravel_index(flat, score.shape))
        if abs(score[index, start]) < limit:
            break
        width = index + 1
        if not taken[start : start + width].any():
            # the flanks of a stripe look like its opposite: they are not stripes of their own
            taken[max(start - FLANK, 0) : start + width + FLANK] = True
            hits.append((start, width, float(score[index, start])))
    return hits


def _trimmed(values: Floats) -> Floats:
    """(K, bands, lines) to (K, lines): the mean of the middle half of the bands."""
    ordered = np.nan_to_num(np.sort(values, axis=1))  # NaN last
    count = np.isfinite(values).sum(axis=1, keepdims=True)
    cut = count // 4
    rank = np.arange(values.shape[1])[None, :, None]
    kept = (rank >= cut) & (rank < count - cut)
    return np.where(kept, ordered, 0).sum(axis=1) / np.maximum(kept.sum(axis=1), 1)


def _directions(grid: Grid) -> tuple[list[float], list[float]]:
    """Directions across, 0-180 degrees: square to the sides, then the others, every 15 degrees."""
    corners = grid_outline_m(grid) if grid.outline_m is None else grid.outline_m
    sides = np.roll(corners, -1, axis=0) - corners
    lengths = np.hypot(*sides.T)
    square: list[float] = []
    for (dx, dy), length in zip(sides, lengths, strict=True):
        angle = float((np.degrees(np.arctan2(dy, dx)) + 90) % 180)
        if length > 0.3 * lengths.max() and all(_apart(angle, other) > 4 for other in square):
            square.append(angle)
    others = [angle for angle in range(0, 180, 15) if all(_apart(angle, other) > 8 for other in square)]
    return square, [float(angle) for angle in others]


def _apart(a_deg: float, b_deg: float) -> float:
    """Angle between two undirected lines."""
    apart = abs(a_deg - b_deg) % 180
    return min(apart, 180 - apart)


def _describe(
    grid: Grid,
    board: _Board,
    p: float,
    hit: tuple[int, int, float],
    side_names: Sequence[str] | None,
) -> Stripe:
    """Width, depth and place of one stripe: what its lines are short by, as a box of its own depth."""
    start, width, score = hit
    profile = _trimmed(board.mean[None])[0]
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
    text = f"a {kind} strip {width_m:.2f} m wide running {words}, {100 * depth:.0f} points "
    text += "thicker than the lawn" if score > 0 else "thinner than the lawn"
    return Stripe(kind, board.normal_deg, offset, width_m, depth, p, text)


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
