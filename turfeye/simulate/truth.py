"""The truth of a rendered scene in the grid's cells, from straight above."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from turfeye.records import Floats, Grid, View
from turfeye.simulate.card_sheet import PAPER_M

COLUMNS = ("row", "col", "x_m", "y_m", "area_m2", "cover", "straw", "bare", "other", "card")


@dataclass(frozen=True)
class CardPlace:
    """Where a card lies, seen from straight above."""

    x_m: float = 0.0
    y_m: float = 0.0
    turn_deg: float = 0.0


def spot_cells(view: View, cell_m: float = 0.1) -> Grid:
    """Cells, edges at multiples of ``cell_m`` from the card's centre, that lie wholly inside the picture."""
    width, height = view.size_px
    reach = 3.0
    low = int(-reach / cell_m)
    edges = np.arange(low, -low + 1) * cell_m
    corners = project(view, np.stack([*np.meshgrid(edges, edges), np.zeros((len(edges),) * 2)], -1))
    ok = (corners > 2).all(axis=-1) & (corners[..., 0] < width - 3) & (corners[..., 1] < height - 3)
    whole = ok[:-1, :-1] & ok[1:, :-1] & ok[:-1, 1:] & ok[1:, 1:]
    rows, cols = np.nonzero(whole.any(axis=1))[0], np.nonzero(whole.any(axis=0))[0]
    part = whole[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
    return Grid(
        cell_m,
        float(edges[cols[0]]),
        float(edges[rows[0]]),
        rows=part.shape[0],
        cols=part.shape[1],
        share=part.astype(np.float32),
    )


def project(view: View, points_m: Floats) -> Floats:
    """Points (..., 3) in metres to pixels (..., 2); NaN behind the camera."""
    seen = points_m @ view.rotation.T + view.translation
    depth = np.where(seen[..., 2:] > 1e-3, seen[..., 2:], np.nan)
    flat = seen[..., :2] / depth
    return flat * view.focal_px + view.camera_matrix[:2, 2]


def cell_table(down: Floats, grid: Grid, *, pixel_m: float, card: CardPlace | None) -> Floats:
    """Means over cells of a picture from straight above.

    Parameters
    ----------
    down : (H, W, 5), classes and lawn, row 0 at the grid's y0, pixels of ``pixel_m``
    grid : cells; those with ``share`` 0 are left out
    card : what it covers is not counted, only its share of the cell given

    Returns
    -------
    (N, 10) in the order of ``COLUMNS``; classes are shares of the lawn that the card leaves free.
    """
    per = round(grid.cell_m / pixel_m)
    height, width = grid.rows * per, grid.cols * per
    x = grid.x0_m + (np.arange(width) + 0.5) * pixel_m
    y = grid.y0_m + (np.arange(height) + 0.5) * pixel_m
    X, Y = np.meshgrid(x, y)
    covered = np.zeros((height, width), bool)
    if card is not None:
        turn = np.radians(card.turn_deg)
        u = (X - card.x_m) * np.cos(turn) + (Y - card.y_m) * np.sin(turn)
        v = (Y - card.y_m) * np.cos(turn) - (X - card.x_m) * np.sin(turn)
        covered = (np.abs(u) < PAPER_M[0] / 2) & (np.abs(v) < PAPER_M[1] / 2)
    lawn = down[:height, :width, 4]
    weight = lawn * ~covered

    def gather(values: Floats) -> Floats:
        return values.reshape(grid.rows, per, grid.cols, per).sum(axis=(1, 3)) * pixel_m**2

    free = gather(weight)
    classes = [
        gather(down[:height, :width, k] * weight) / np.maximum(free, 1e-12) for k in (0, 1, 2)
    ]  # other is what is left, so that the sides of the lawn don't count as other
    area, hidden = gather(lawn), gather(lawn * covered)
    row, col = (np.asarray(index, float) for index in np.indices(free.shape))
    centres = grid.centres_m()
    share = np.ones(free.shape) if grid.share is None else np.asarray(grid.share)
    columns: list[Floats] = [row, col, centres[..., 0], centres[..., 1], area, *classes]
    columns += [1 - np.sum(classes, axis=0), hidden / np.maximum(area, 1e-12)]
    keep = (share > 0) & (area > 0.02 * grid.cell_m**2) & (free > 0.1 * area)
    return np.stack([c[keep] for c in columns], axis=-1)
