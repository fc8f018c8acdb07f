"""Maps of a lawn from straight above: cover on one date and on every date, and the state of each cell."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from turfeye.drawing import (
    INK,
    LINE,
    NUMBERS_FROM_IN,
    PAPER,
    QUIET,
    STATE_FILL,
    STATE_MARK,
    Ground,
    bounds,
    clip_to,
    cover_colours,
    draw_cells,
    draw_cover_bar,
    draw_outline,
    draw_plots,
    draw_unseen,
    frameless,
    halo,
    headline,
    inside_share,
    lawn_axes,
    new_figure,
    on_grid,
    place_axes,
    set_bounds,
    styled,
    visible_middles,
)
from turfeye.headline import spots_only
from turfeye.lawnrecords import STATES, Outlook, Season
from turfeye.records import CellTable, Floats, Grid
from turfeye.words import brief_day, day, so_many

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


PANELS_IN = 8.6  # width of all maps of a season beside one another
MARK_INK = {
    "on course": (0.16, "#3e7a60"),
    "slow": (0.40, "#5c3a00"),
    "thin": (0.50, "#ffffff"),
    "too soon to say": (0.36, "#6b7885"),
    "not seen": (0.0, "#b3b8b0"),
}
"""Size of each state's mark, as a share of its cell, and its colour."""


@styled
def ground_map(ground: Ground, *, title: str, pegs: Mapping[int, tuple[float, float]]) -> Figure:
    """The lawn before any photo: its corners, its plots, and pegs beside them by number, in lawn metres."""
    figure, axes, in_per_m = lawn_axes(ground, legend_in=0.0)
    draw_outline(axes, ground)
    draw_plots(axes, ground, in_per_m)
    for number, (x, y) in pegs.items():
        axes.plot(x, y, "o", color=INK, ms=4)
        text = axes.annotate(str(number), (x, y), (4, 4), textcoords="offset points", fontsize=8, color=INK)
        halo(text, PAPER, 1.5)
    headline(figure, title)
    return figure


@styled
def cover_map(table: CellTable, *, ground: Ground, title: str, subtitle: str = "") -> Figure:
    """Cover of every cell from straight above, on one date."""
    figure, axes, in_per_m = lawn_axes(ground, legend_in=0.0, bar=True)
    cover = on_grid(table.grid, table.row, table.col, np.where(table.state == "seen", table.cover, np.nan))
    _draw_cover(axes, table.grid, cover, ground, in_per_m)
    headline(figure, title, subtitle, hatched=bool((table.state != "seen").any()))
    return figure


@styled
def state_map(outlook: Outlook, *, ground: Ground, key: bool = True) -> Figure:
    """Where the lawn is on course, slow or thin; colour, lightness and mark all say the same.

    A page has the ``key`` in letters of its own, which a phone shows larger than those of a picture.
    """
    season = outlook.season
    figure, axes, in_per_m = lawn_axes(ground, legend_in=0.62 if key else 0.0)
    code = np.array([STATES.index(str(state)) for state in outlook.state])
    kind = on_grid(season.grid, season.row, season.col, code.astype(float))
    _draw_states(axes, season.grid, kind, ground, in_per_m)
    draw_plots(axes, ground, in_per_m)
    if key:
        counts = {state: int((outlook.state == state).sum()) for state in STATES}
        _state_legend(figure, counts, spots=spots_only(season))
    last = season.visits[-1]
    headline(figure, f"As seen on {day(last.taken)}, day {last.age_days:.0f}")
    return figure


@styled
def growth_panels(season: Season, *, ground: Ground) -> Figure:
    """One small map a visit, all on one scale."""
    visits = [*season.earlier, *season.visits]
    covers = [*season.earlier_cover.T, *season.cover.T]
    (x0, y0), (x1, y1) = bounds(ground)
    aspect = (y1 - y0) / (x1 - x0)
    across = min(len(visits), 4 if aspect < 1.2 else 5)
    down = -(-len(visits) // across)
    tall = min((PANELS_IN / across - 0.25) * aspect, 4.0)
    wide = tall / aspect
    step_x, step_y = wide + 0.25, tall + 0.5
    # As wide with one map as with four: a page draws all at one width, letters with them.
    figure = new_figure(PANELS_IN + 1.3, down * step_y + 0.55)
    for v, (visit, values) in enumerate(zip(visits, covers, strict=True)):
        left = 0.35 + (v % across) * step_x
        bottom = 0.2 + (down - 1 - v // across) * step_y
        axes = place_axes(figure, left, bottom, wide, tall)
        set_bounds(axes, ground, 0.0)
        cover = on_grid(season.grid, season.row, season.col, values)
        _draw_cover(axes, season.grid, cover, ground, 0.0)
        age = f"Day {visit.age_days:.0f}".replace("-", "−")
        axes.set_title(age, fontsize=9, loc="left", pad=4, color=INK, weight="bold")
        axes.set_title(brief_day(visit.taken), fontsize=8, loc="right", pad=4, color=QUIET)
    draw_cover_bar(figure, 0.35 + across * step_x + 0.05, 0.2, down * step_y - 0.5)
    headline(figure, "Cover, visit by visit")
    return figure


def _draw_cover(axes: Axes, grid: Grid, cover: Floats, ground: Ground, in_per_m: float) -> None:
    """Cells (rows, cols) by the cover ramp; unknown ones hatched; figures where they fit."""
    image = np.where(np.isfinite(cover)[..., None], cover_colours(cover), 0.0)
    draw_cells(axes, grid, image, ground)
    draw_unseen(axes, grid, ~np.isfinite(cover), ground)
    draw_outline(axes, ground)
    if grid.cell_m * in_per_m < NUMBERS_FROM_IN:
        return
    middles = visible_middles(grid, ground)
    for cell, value in np.ndenumerate(cover):
        if np.isfinite(value) and inside_share(grid)[cell] > 0.5:
            colour = "white" if value > 0.5 else INK
            x, y = middles[cell]
            axes.text(x, y, f"{100 * value:.0f}", ha="center", va="center", fontsize=7, color=colour)


def _draw_states(axes: Axes, grid: Grid, kind: Floats, ground: Ground, in_per_m: float) -> None:
    """Cells (rows, cols) by their state's place in ``STATES``: filled and marked, or hatched: not seen."""
    from matplotlib.colors import to_rgba

    image = np.zeros((*kind.shape, 4))
    for i, state in enumerate(STATES):
        image[kind == i] = to_rgba(STATE_FILL[state])
    draw_cells(axes, grid, image, ground)
    draw_unseen(axes, grid, kind == STATES.index("not seen"), ground)
    centres = visible_middles(grid, ground)
    points = grid.cell_m * in_per_m * 72
    for i, state in enumerate(STATES):
        where = (kind == i) & (inside_share(grid) > 0.25)
        if STATE_MARK[state] and where.any() and points > 3:
            marks = _mark(axes, centres[where][:, 0], centres[where][:, 1], state, points)
            marks.set_clip_path(clip_to(axes, ground))
    draw_outline(axes, ground)


def _mark(axes: Axes, x: Any, y: Any, state: str, points: float) -> Any:
    """The mark of a state, sized to a cell of ``points``."""
    share, colour = MARK_INK[state]
    size, marker = share * min(points, 26), STATE_MARK[state]
    width = max(0.9, size / 7) if marker == "_" else 0.0
    return axes.scatter(x, y, s=size**2, marker=marker, color=colour, linewidths=width, zorder=4)


def _state_legend(figure: Figure, counts: dict[str, int], *, spots: bool) -> None:
    """A row of swatches with mark, word and number of cells."""
    from matplotlib.patches import Rectangle

    wide = figure.get_size_inches()[0]
    axes = place_axes(figure, 0.0, 0.12, wide, 0.5)
    axes.set_xlim(0, wide)
    axes.set_ylim(0, 0.5)
    frameless(axes)
    step = min((wide - 0.5) / 5, 1.62)
    left = (wide - 5 * step) / 2
    for i, state in enumerate(STATES):
        x = left + i * step
        hatch = "////" if state == "not seen" else None
        box = Rectangle((x, 0.14), 0.22, 0.22, fc=STATE_FILL[state], ec=LINE, lw=0.8, hatch=hatch)
        axes.add_patch(box)
        if STATE_MARK[state]:
            _mark(axes, [x + 0.11], [0.25], state, 0.22 * 72)
        axes.text(x + 0.30, 0.33, state, fontsize=8, va="center")
        beyond = spots and state == "not seen"
        cells = "beyond the photos" if beyond else so_many(counts[state], "cell")
        axes.text(x + 0.30, 0.15, cells, fontsize=7, va="center", color=QUIET)
