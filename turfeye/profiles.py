"""Profiles across a lawn: its cells sorted into lines along a direction, and into bands across it.

What a line differs by from those beside it, how sure that is, and what chance makes of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from turfeye.records import Flags, Floats, Grid, Whole

SLIDES = 199
"""Random slidings a direction; the least p is 1 / (SLIDES + 1). Of arms more: see `stripes.stripes`."""
BAND_M = 1.0
"""Least length of a band along the stripes."""
MOST_BANDS = 40
"""A longer lawn has longer bands: its chance would take minutes, and they tell no less."""
TOGETHER_M = 3.0
"""Length of lawn that turns together: twice what grass is commonly alike over; ours."""
WIDTHS = range(1, 4)
"""A stripe is so many cells wide."""
HELD_SD = 5.0
"""One band's contrast counts no more than this many robust standard deviations: a patch has no more say."""
EDGE_TRUST = 0.6
"""What a contrast counts at the lawn's edge, where there is one flank only."""
FLANK = 2
"""Lines on each side that a place is compared with."""
FINE_DEG, FINE_CELLS = tuple(np.arange(-6, 6.5, 0.5)), tuple(np.arange(-1.5, 1.75, 0.25))
"""And then turned by so much and moved so far about the clearest."""


@dataclass(frozen=True, eq=False)
class Board:
    """Cells sorted into lines along a direction and bands across it."""

    normal_deg: float
    corner_m: tuple[float, float]  # the least of where the cells lie across, and along
    first_m: float  # middle of line 0
    step_m: float
    long_m: float  # of the lawn, along the lines
    mean: Floats  # (bands, lines) cover, NaN where there are too few cells

    @classmethod
    def of(cls, grid: Grid, x: Floats, y: Floats, cover: Floats, normal_deg: float) -> Board | None:
        """None where the lawn is too short in this direction for bands, or too narrow for a profile."""
        angle = np.radians(normal_deg)
        across = x * np.cos(angle) + y * np.sin(angle)
        along = -x * np.sin(angle) + y * np.cos(angle)
        long = float(np.ptp(along)) + grid.cell_m
        count = min(max(int(long / max(BAND_M, 2 * grid.cell_m)), 1), MOST_BANDS)
        corner = (float(across.min()), float(along.min()))
        empty = cls(normal_deg, corner, 0.0, grid.cell_m, long, np.zeros((count, 0)))
        band, line = empty.place(x, y)
        lines = int(line.max()) + 1
        if count < 4 or lines < 6:
            return None
        which = band * lines + line
        cells = np.bincount(which, minlength=count * lines)
        enough = cells >= 0.4 * np.median(cells[cells > 0])
        mean = np.where(enough, np.bincount(which, cover, count * lines) / np.maximum(cells, 1), np.nan)
        middle = np.bincount(line, across, lines) / np.maximum(np.bincount(line, minlength=lines), 1)
        return replace(empty, first_m=float(middle[0]), mean=mean.reshape(count, lines))

    @property
    def band_m(self) -> float:
        """Length of a band."""
        return self.long_m / len(self.mean)

    def place(self, x: Floats, y: Floats) -> tuple[Whole, Whole]:
        """The band and the line that cells (N,) of the lawn lie in."""
        angle, (first, near) = np.radians(self.normal_deg), self.corner_m
        across = x * np.cos(angle) + y * np.sin(angle)
        along = -x * np.sin(angle) + y * np.cos(angle)
        line = np.floor((across - first) / self.step_m + 1e-6).astype(int)
        whole = self.long_m - self.step_m + 1e-9
        band = np.minimum(((along - near) / whole * len(self.mean)).astype(int), len(self.mean) - 1)
        return band, line

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

    def scores(self, spread: Floats) -> Floats:
        """(widths, lines) of each place, by the lawn's (widths,) spreads; 0 where too little was seen."""
        middles = [_middle(self.contrast(width)[None])[0] for width in WIDTHS]
        return np.nan_to_num(np.stack(middles) / spread[:, None])

    def without(self, x: Floats, y: Floats, cover: Floats, start: int, width: int) -> Floats:
        """Cover (N,) of the cells, those on lines from ``start`` on as the lawn beside them, band by band."""
        band, line = self.place(x, y)
        near = slice(max(start - 1 - FLANK, 0), start + width + 1 + FLANK)
        its = np.zeros(self.mean.shape[1], bool)
        its[max(start - 1, 0) : start + width + 1] = True
        beside = np.where(its, np.nan, self.mean)[:, near]
        known: Flags = np.isfinite(beside)
        flank = np.where(known, beside, 0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
        short = np.where(its & np.any(known, axis=1)[:, None], flank[:, None] - self.mean, 0.0)
        return cover + np.nan_to_num(short)[band, line]

    def tells(self) -> bool:
        """Whether any line is seen in enough bands, beside others: spots say nothing of a whole line."""
        return bool(np.isfinite(_middle(self.contrast(1)[None])).any())

    def slid(self, contrast: Floats, rng: np.random.Generator, slides: int) -> Floats:
        """(slides, bands, lines): neighbouring bands, TOGETHER_M of them, turned round by one random amount.

        What the bands have in common is taken off first (residuals are permuted, as Freedman and Lane 1983
        do for a regression), or a stripe would make its own chance look large. Where the groups of bands
        begin is random too; few bands make groups of fewer, so that there are at least three.
        """
        contrast = contrast - trimmed(contrast[None])[0]
        bands = len(contrast)
        size = max(1, min(round(TOGETHER_M / self.band_m), bands // 3))
        group = (np.arange(bands) + rng.integers(size, size=(slides, 1))) // size
        share = np.take_along_axis(rng.random((slides, bands + 1)), group, axis=1)
        slid = np.full((slides, *contrast.shape), np.nan, np.float32)
        for number, band in enumerate(contrast):
            known = np.flatnonzero(np.isfinite(band))
            if len(known):
                by = (share[:, number, None] * len(known)).astype(int)
                slid[:, number, known] = band[known][(np.arange(len(known)) + by) % len(known)]
        return slid


def boards_of(grid: Grid, x: Floats, y: Floats, cover: Floats, directions: Sequence[float]) -> list[Board]:
    """The boards of these directions that tell of any line."""
    made = (Board.of(grid, x, y, cover, angle) for angle in directions)
    return [board for board in made if board is not None and board.tells()]


def clearest(boards: Sequence[Board]) -> tuple[int, int, int]:
    """Which board has the clearest line of all, by its own lines' spread; its first line, and how many."""
    spread = _own_spread(boards)
    scores = [np.abs(board.scores(spread)) for board in boards]
    best = int(np.argmax([score.max() for score in scores]))
    width, start = np.unravel_index(int(scores[best].argmax()), scores[best].shape)
    return best, int(start), int(width) + 1


def finer(board: Board, hit: tuple[int, int], grid: Grid, cells: tuple[Floats, Floats, Floats]) -> Board:
    """The board turned to how the stripe at ``hit`` (its first line, how many) runs by all of its cells.

    That is the band, among those turned and moved a little and of some widths, by which the cells' cover
    differs most from what lies beside it: least squares, each cell held to HELD_SD.
    """
    x, y, cover = cells
    start, wide = hit
    middle = board.first_m / grid.cell_m + start + (wide - 1) / 2
    about = np.array([x.mean(), y.mean()]) / grid.cell_m
    angle = np.radians(board.normal_deg)
    here = about @ (np.cos(angle), np.sin(angle))
    most, turned = 0.0, board.normal_deg
    for turn in FINE_DEG:
        way = np.radians(board.normal_deg + turn)
        across = (x / grid.cell_m - about[0]) * np.cos(way) + (y / grid.cell_m - about[1]) * np.sin(way)
        away = np.abs(across - (middle - here) - np.array(FINE_CELLS)[:, None])
        near = away <= wide / 2 + FLANK + 1
        lawn = np.array([np.median(cover[row]) if row.any() else 0.0 for row in near])
        off = np.where(near, cover - lawn[:, None], 0.0)
        held = HELD_SD * 1.4826 * max(float(np.median(np.abs(off[near]))), 0.005)
        off = np.clip(off, -held, held)
        for width in np.arange(0.5, wide + 1, 0.5):
            share = np.clip((width + 1) / 2 - away, 0, min(width, 1.0))
            told = np.abs((off * share).sum(axis=1)) / np.sqrt(np.maximum((share**2).sum(axis=1), 1.0))
            if told.max() > most:
                most, turned = float(told.max()), (board.normal_deg + turn) % 180
    return next(iter(boards_of(grid, *cells, [turned])), board)


def _own_spread(boards: Sequence[Board]) -> Floats:
    """(widths,) of what all lines of all boards differ by."""
    own = [[_middle(board.contrast(width)[None]) for board in boards] for width in WIDTHS]
    return np.array([float(_spread(np.concatenate(rows, axis=1))[0, 0]) for rows in own])


def by_chance(boards: Sequence[Board], rng: np.random.Generator, slides: int) -> tuple[Floats, Floats]:
    """(widths,) spreads of the lines of all boards; (slides,) the largest score that chance gives anywhere.

    A line's score is its middle over the bands, times the root of their number, over the robust spread of
    that among all lines of all boards: unevenness that reaches over several bands widens the spread and so
    can't pass for a stripe. The slid lawns are scored by their own spread.
    """
    chance = np.zeros(slides)
    for width in WIDTHS:
        every = [_middle(board.slid(board.contrast(width), rng, slides)) for board in boards]
        slid = np.concatenate(every, axis=1)
        chance = np.maximum(chance, np.nan_to_num(np.abs(slid / _spread(slid))).max(axis=1))
    return _own_spread(boards), chance


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
    return np.where(enough, trimmed(contrast) * np.sqrt(count), np.nan)


def trimmed(values: Floats) -> Floats:
    """(K, bands, lines) to (K, lines): the mean of the middle half of the bands."""
    ordered = np.nan_to_num(np.sort(values, axis=1))  # NaN last
    count = np.isfinite(values).sum(axis=1, keepdims=True)
    cut = count // 4
    rank = np.arange(values.shape[1])[None, :, None]
    kept = (rank >= cut) & (rank < count - cut)
    return np.where(kept, ordered, 0).sum(axis=1) / np.maximum(kept.sum(axis=1), 1)
