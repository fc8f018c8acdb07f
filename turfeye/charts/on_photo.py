"""One photo with its cells drawn over it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from turfeye import summary, upright
from turfeye import view as view_module
from turfeye.drawing import (
    ACCENT,
    INK,
    NUMBERS_FROM_IN,
    cover_colours,
    draw_cover_bar,
    frameless,
    halo,
    headline,
    new_figure,
    place_axes,
    styled,
)
from turfeye.records import Bytes, Floats, Look
from turfeye.words import day, per_cent

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


LONGEST_PX = 1800  # of the photo as drawn


@styled
def overlay(look: Look) -> Figure:
    """The photo, upright, with its cells tinted by cover; what was not seen is hatched."""
    turns = 0 if look.view is None else upright.quarter_turns(look.view)
    rgb, factor = _shrunk(np.ascontiguousarray(np.rot90(look.photo.rgb_coded, turns)), LONGEST_PX)
    height, width = rgb.shape[:2]
    wide = 9.0 if width >= height else 6.4
    tall = wide * height / width
    figure = new_figure(wide + 1.2, tall + 0.95)
    axes = place_axes(figure, 0.25, 0.2, wide, tall)
    axes.imshow(rgb, interpolation="antialiased", extent=(-0.5, width - 0.5, height - 0.5, -0.5))
    axes.set_xlim(-0.5, width - 0.5)
    axes.set_ylim(height - 0.5, -0.5)
    _draw_cells(axes, look, turns, factor, wide / width)
    if look.sighting is not None:
        card = np.vstack([look.sighting.corners_px, look.sighting.corners_px[:1]])
        card = upright.turned_px(card, look.photo.size_px, turns)
        axes.plot(*_shrunk_px(card, factor).T, color=ACCENT, lw=1.6)
    frameless(axes)
    draw_cover_bar(figure, wide + 0.42, 0.2, tall)
    cover = summary.means(look.table)["cover"]
    mean = "not known: no cell was seen" if cover is None else per_cent(cover)
    taken = f" · {day(look.photo.taken)}, {look.photo.taken:%H:%M}" if look.photo.taken else ""
    unseen = bool((look.table.state != "seen").any())
    headline(figure, f"Green cover {mean}", f"{look.photo.path.name}{taken}", hatched=unseen)
    return figure


def _shrunk(rgb_coded: Bytes, longest: int) -> tuple[Bytes, float]:
    """A picture no longer than ``longest`` pixels, and by how much its sides are shorter."""
    import cv2

    factor = min(1.0, longest / max(rgb_coded.shape[:2]))
    size = (round(rgb_coded.shape[1] * factor), round(rgb_coded.shape[0] * factor))
    return np.asarray(cv2.resize(rgb_coded, size, interpolation=cv2.INTER_AREA)), factor


def _shrunk_px(points_px: Floats, factor: float) -> Floats:
    """Places (..., 2) in the shrunk picture; pixel centres are at whole numbers in both."""
    return (points_px + 0.5) * factor - 0.5


def _draw_cells(axes: Axes, look: Look, turns: int, factor: float, in_per_px: float) -> None:
    """Cells tinted by cover, or hatched where not seen."""
    from matplotlib.collections import PolyCollection

    turned = upright.turned_px(_cell_corners_px(look), look.photo.size_px, turns)
    corners = _shrunk_px(turned, factor)
    seen = look.table.state == "seen"
    tinted = {"facecolors": cover_colours(look.table.cover)[seen], "alpha": 0.5}
    hatched = {"facecolors": "none", "hatch": "////"}
    for wanted, edge, style in ((seen, 0.75, tinted), (~seen, 0.45, hatched)):
        if wanted.any():
            axes.add_collection(
                PolyCollection(corners[wanted], edgecolors=(1, 1, 1, edge), linewidths=0.6, **style)
            )
    _figures_on(axes, corners[seen], look.table.cover[seen], in_per_px)


def _cell_corners_px(look: Look) -> Floats:
    """(N, 4, 2), each cell's corners in the photo; without a view the grid is in parts of the picture."""
    table, grid = look.table, look.table.grid
    offsets = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * grid.cell_m
    base = np.stack([grid.x0_m + table.col * grid.cell_m, grid.y0_m + table.row * grid.cell_m], axis=-1)
    corners = base[:, None, :] + offsets
    if look.view is not None:
        return np.asarray(view_module.project(look.view, corners.reshape(-1, 2))).reshape(-1, 4, 2)
    # Row 0 is at the top there, at the scale of whatever size the picture was measured at.
    scale = look.photo.size_px[0] / (grid.cols * grid.cell_m)
    return np.asarray((corners - [0, grid.y0_m]) * scale)


def _figures_on(axes: Axes, corners: Floats, values: Floats, in_per_px: float) -> None:
    """Per cent in every cell that is large enough to carry it, in the part of it that the picture shows."""
    limit = np.array([max(axes.get_xlim()), max(axes.get_ylim())])
    for corner, value in zip(corners, values, strict=True):
        size_in = (corner.max(0) - corner.min(0)).min() * in_per_px
        if size_in >= NUMBERS_FROM_IN and np.isfinite(value):
            x, y = np.clip(corner, 0, limit).mean(0)
            text = axes.text(x, y, f"{100 * value:.0f}", ha="center", va="center", fontsize=6.5 + 2 * size_in)
            text.set(color="white", clip_on=True)
            halo(text, INK, 1.6)
