"""Cards that lie the other way round at their peg: photos whose cells agree with others after half a turn.

A spot's cells lie about its card. Where somebody laid the card down turned by 180 degrees, each cell is taken
for the one across it. Thin and thick places stay where they are from visit to visit, so the photos tell.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

import numpy as np

from turfeye import notes
from turfeye.readings import Reading
from turfeye.records import Floats, Whole
from turfeye.season import on_lawn_m
from turfeye.words import so_many

ALIKE: Final = 0.5
"""Photos of one spot agree where their cells' cover correlates by this."""
CLEARER: Final = 0.4
"""And by so much more than the other way round, both in Fisher's z = artanh r, which spreads alike for all
correlations (Fisher 1921, Metron 1:3-32; from memory). 29 of the sample spots' 30 pairs are told so, turned
or not, and 128 of 140 rendered pairs of one turf in two lights, all as they lie; of 640 pairs of unrelated
rendered spots none. By cover itself, not its root, 28 of the 30; with a step of 0.5 instead 27."""
REMEDY: Final = (
    "write turned_deg = 180 in lawn.toml, under the [[photo]] with its name (a new one if there is none)"
)
MOST_TOLD: Final = 5
"""Notes on so many spots are told, of a trial's others the numbers."""
LEAST_CELLS: Final = 30
"""Fewer cells in common tell nothing."""


def said(readings: Iterable[Reading], *, peg: str = "spot") -> list[str]:
    """Notes on spot photos whose card lay the other way round than in most photos of that spot.

    ``peg`` is what people call a spot. Of very many spots a line names the first few.
    """
    spots: dict[str, list[Reading]] = {}
    for reading in readings:
        if reading.at_m is not None:
            spots.setdefault(reading.view, []).append(reading)
    told: list[str] = []
    others: list[str] = []
    for view, photos in spots.items():
        number = view.split()[-1]
        if len(photos) < 2 or not (line := _of_spot(f"{peg} {number}", photos)):
            continue
        if len(told) < MOST_TOLD:
            told.append(line)
        else:
            others.append(number)
    if others:
        which = notes.some(others, most=notes.MOST_NUMBERS)
        told.append(f"the same holds for the cards of {so_many(len(others), f'more {peg}')} ({which})")
    return told


def _of_spot(called: str, photos: Sequence[Reading]) -> str:
    """A note on several photos of one spot where some lie the other way round; the fewer are named as odd."""
    cover = _boards(photos)
    straight = _correlations(cover, cover)
    across = _correlations(cover, cover[:, ::-1, ::-1])
    apart = np.abs(_fisher_z(straight) - _fisher_z(across))
    clear = (np.maximum(straight, across) >= ALIKE) & (apart >= CLEARER)
    alike = np.where(clear, straight - across, 0.0)
    np.fill_diagonal(alike, 0)
    if not (alike < 0).any():
        return ""
    # photos that lie alike come to one sign in the direction in which they agree most
    way = np.linalg.eigh(alike)[1][:, -1]
    sides = [np.flatnonzero(sign * way > 0.01).tolist() for sign in (1, -1)]
    odd, most = (notes.some([photos[k].photo for k in side]) for side in sorted(sides, key=len))
    wrong = f"its cells are taken for those on the opposite side; {REMEDY}"
    if len(sides[0]) != len(sides[1]):
        return f"{odd}: the card of {called} lay the other way round than in its other photos: {wrong}"
    return f"{called}: the card lay one way round in {odd}, the other in {most}: {wrong} where it lay wrong"


def _fisher_z(correlation: Floats) -> Floats:
    return np.asarray(np.arctanh(np.clip(correlation, -0.999, 0.999)))


def _boards(photos: Sequence[Reading]) -> Floats:
    """Root of the cells' cover about the peg, (V, n, n), the peg in the middle, less what falls off evenly.

    Seedlings are counts, and the root of a count spreads alike whatever its mean (Bartlett 1936, Suppl. J. R.
    Stat. Soc. 3:68-78; from memory).
    """
    cell_m = photos[0].table.grid.cell_m
    places = [_about_peg(photo, cell_m) for photo in photos]
    reach = 1 + max(int(np.abs(np.concatenate(place)).max(initial=0)) for place in places)
    boards = np.full((len(photos), 2 * reach, 2 * reach), np.nan)
    for board, photo, (row, col) in zip(boards, photos, places, strict=True):
        seen = photo.table.state == "seen"
        evened = np.sqrt(np.maximum(photo.table.cover[seen], 0))
        board[row[seen] + reach, col[seen] + reach] = _level(evened, row[seen], col[seen])
    return boards


def _about_peg(photo: Reading, cell_m: float) -> tuple[Whole, ...]:
    """Row and column of each cell, counted from the peg along the lawn's axes."""
    assert photo.at_m is not None
    x_m, y_m = on_lawn_m(photo)
    x, y = photo.at_m
    return tuple(np.floor(v / cell_m + 1e-6).astype(int) for v in (y_m - y, x_m - x))


def _level(values: Floats, row: Whole, col: Whole) -> Floats:
    """Values less a plane: light that falls off across a photo is no structure of the lawn."""
    known = np.isfinite(values)
    basis = np.stack([np.ones(len(row)), row, col], axis=1)
    plane = basis @ np.linalg.lstsq(basis[known], values[known], rcond=None)[0]
    return np.asarray(values - plane)


def _correlations(one: Floats, other: Floats) -> Floats:
    """(V, V) correlation of each photo of ``one`` with each of ``other``; 0 with few cells in common."""
    a, b = (np.nan_to_num(boards.reshape(len(boards), -1)) for boards in (one, other))
    m, n = (np.isfinite(boards).reshape(len(boards), -1).astype(float) for boards in (one, other))
    count = np.maximum(m @ n.T, 1)
    mean_a, mean_b = a @ n.T / count, m @ b.T / count
    shared = a @ b.T / count - mean_a * mean_b
    spread = np.sqrt(
        np.maximum(((a**2) @ n.T / count - mean_a**2) * (m @ (b**2).T / count - mean_b**2), 1e-12)
    )
    return np.where(count >= LEAST_CELLS, shared / spread, 0.0)
