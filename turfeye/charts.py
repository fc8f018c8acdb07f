"""Pictures of records: what one photo says, maps of a lawn, its growth, and the plan to take outside.

Nothing is computed here. :mod:`turfeye.drawing` has the palette and the parts that they share.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from turfeye import summary
from turfeye import view as view_module
from turfeye.course import Course
from turfeye.drawing import (
    ACCENT,
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
    draw_patch,
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
from turfeye.records import STATES, CellTable, Floats, Grid, Look, Outlook, Season, Task
from turfeye.words import day, per_cent

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# One photo


@styled
def overlay(look: Look) -> Figure:
    """The photo with its cells tinted by cover; what was not seen is hatched."""
    from matplotlib.collections import PolyCollection

    rgb, factor = _shrunk(look.photo.rgb_coded, 1800)
    height, width = rgb.shape[:2]
    wide = 9.0 if width >= height else 6.4
    tall = wide * height / width
    figure = new_figure(wide + 1.2, tall + 0.95)
    axes = place_axes(figure, 0.25, 0.2, wide, tall)
    axes.imshow(rgb, interpolation="antialiased", extent=(-0.5, width - 0.5, height - 0.5, -0.5))
    axes.set_xlim(-0.5, width - 0.5)
    axes.set_ylim(height - 0.5, -0.5)
    corners = (_cell_corners_px(look) + 0.5) * factor - 0.5
    seen = look.table.state == "seen"
    tint = cover_colours(look.table.cover)
    for wanted, style in (
        (seen, {"facecolors": tint[seen], "alpha": 0.5}),
        (~seen, {"facecolors": "none", "hatch": "////"}),
    ):
        edge = (1, 1, 1, 0.75) if wanted is seen else (1, 1, 1, 0.45)
        if wanted.any():
            axes.add_collection(PolyCollection(corners[wanted], edgecolors=edge, linewidths=0.6, **style))
    _figures_on(axes, corners[seen], look.table.cover[seen], wide / width)
    if look.sighting is not None:
        card = np.vstack([look.sighting.corners_px, look.sighting.corners_px[:1]])
        axes.plot(*((card + 0.5) * factor - 0.5).T, color=ACCENT, lw=1.6)
    frameless(axes)
    draw_cover_bar(figure, wide + 0.42, 0.2, tall)
    cover = summary.means(look.table)["cover"]
    mean = "not known: no cell was seen" if cover is None else per_cent(cover)
    taken = f" · {day(look.photo.taken)}, {look.photo.taken:%H:%M}" if look.photo.taken else ""
    headline(figure, f"Green cover {mean}", _with_hatched(f"{look.photo.path.name}{taken}", look.table))
    return figure


def _with_hatched(words: str, table: CellTable) -> str:
    """A picture's second line; where cells were not seen it says what their hatching means."""
    parts = (words, "hatched: not seen" if (table.state != "seen").any() else "")
    return " · ".join(part for part in parts if part)


def _shrunk(rgb_coded: Any, longest: int) -> tuple[Any, float]:
    import cv2

    factor = min(1.0, longest / max(rgb_coded.shape[:2]))
    size = (round(rgb_coded.shape[1] * factor), round(rgb_coded.shape[0] * factor))
    return cv2.resize(rgb_coded, size, interpolation=cv2.INTER_AREA), factor


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
    """Per cent in every cell that is large enough to carry it."""
    for corner, value in zip(corners, values, strict=True):
        size_in = (corner.max(0) - corner.min(0)).min() * in_per_px
        if size_in >= NUMBERS_FROM_IN and np.isfinite(value):
            x, y = corner.mean(0)
            text = axes.text(x, y, f"{100 * value:.0f}", ha="center", va="center", fontsize=6.5 + 2 * size_in)
            text.set(color="white", clip_on=True)
            halo(text, INK, 1.6)


# Maps


@styled
def cover_map(table: CellTable, *, ground: Ground, title: str, subtitle: str = "") -> Figure:
    """Cover of every cell from straight above, on one date."""
    figure, axes, in_per_m = lawn_axes(ground, legend_in=0.0, bar=True)
    cover = on_grid(table.grid, table.row, table.col, np.where(table.state == "seen", table.cover, np.nan))
    _draw_cover(axes, table.grid, cover, ground, in_per_m)
    headline(figure, title, _with_hatched(subtitle, table))
    return figure


@styled
def state_map(outlook: Outlook, *, ground: Ground) -> Figure:
    """Where the lawn is on course, slow or thin; colour, lightness and mark all say the same."""
    season = outlook.season
    figure, axes, in_per_m = lawn_axes(ground, legend_in=0.62)
    code = np.array([STATES.index(str(state)) for state in outlook.state])
    kind = on_grid(season.grid, season.row, season.col, code.astype(float))
    _draw_states(axes, season.grid, kind, ground, in_per_m)
    counts = {state: int((outlook.state == state).sum()) for state in STATES}
    _state_legend(figure, counts, spots=spots_only(season))
    last = season.visits[-1]
    headline(figure, f"As seen on {day(last.taken)}, day {last.age_days:.0f}")
    return figure


PANELS_IN = 8.6


@styled
def growth_panels(season: Season, *, ground: Ground) -> Figure:
    """One small map a visit, all on one scale."""
    visits = [*season.earlier, *season.visits]
    covers = [*season.earlier_cover.T, *season.cover.T]
    count = len(visits)
    (x0, y0), (x1, y1) = bounds(ground)
    aspect = (y1 - y0) / (x1 - x0)
    across = min(count, 4 if aspect < 1.2 else 5)
    down = -(-count // across)
    wide = PANELS_IN / across - 0.25
    tall = min(wide * aspect, 4.0)
    wide = tall / aspect
    step_x, step_y = wide + 0.25, tall + 0.5
    # As wide with one map as with four: a page draws all at one width, letters with them.
    figure = new_figure(PANELS_IN + 1.3, down * step_y + 0.55)
    for v, visit in enumerate(visits):
        left = 0.35 + (v % across) * step_x
        bottom = 0.2 + (down - 1 - v // across) * step_y
        axes = place_axes(figure, left, bottom, wide, tall)
        set_bounds(axes, ground, 0.0)
        cover = on_grid(season.grid, season.row, season.col, covers[v])
        _draw_cover(axes, season.grid, cover, ground, 0.0)
        age = f"Day {visit.age_days:.0f}".replace("-", "−")
        axes.set_title(age, fontsize=9, loc="left", pad=4, color=INK, weight="bold")
        axes.set_title(f"{visit.taken.day} {visit.taken:%b}", fontsize=8, loc="right", pad=4, color=QUIET)
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
    size = {"on course": 0.16, "slow": 0.40, "thin": 0.50, "too soon to say": 0.36}[state] * min(points, 26)
    colour = {"on course": "#3e7a60", "slow": "#5c3a00", "thin": "#ffffff", "too soon to say": "#6b7885"}[
        state
    ]
    width = max(0.9, size / 7) if STATE_MARK[state] == "_" else 0.0
    marker = STATE_MARK[state]
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
        cells = f"{counts[state]} cell" + ("s" if counts[state] != 1 else "")
        cells = "beyond the spots" if spots and state == "not seen" else cells
        axes.text(x + 0.30, 0.15, cells, fontsize=7, va="center", color=QUIET)


# Growth

OTHER = "#7a4fa0"
"""The course of a lawn that another is compared with."""


@styled
def season_curve(
    course: Course,
    *,
    target: tuple[float, float] | None = None,
    other: tuple[str, Course] | None = None,
) -> Figure:
    """The lawn's cover against age: visits, the fitted course with its interval, the mix's usual range.

    ``target`` is (age in days, cover), ``other`` the name and course of a lawn that it is compared with.
    """
    second_row = 0.2 if other else 0.0  # of the legend
    figure = new_figure(8.4, 4.6 + second_row)
    axes = place_axes(figure, 0.75, 0.72 + second_row, 7.3, 3.0)
    x = course.age_days
    if course.usual_low is not None and course.usual_high is not None:
        axes.fill_between(x, 100 * course.usual_low, 100 * course.usual_high, color="#ece3cd", lw=0)
        axes.plot(x, 100 * course.usual_high, color="#cdbf98", lw=0.8, ls=(0, (1, 2)))
        axes.plot(x, 100 * course.usual_low, color="#cdbf98", lw=0.8, ls=(0, (1, 2)))
    last = float(np.max(course.visit_days))
    axes.fill_between(x, 100 * course.low, 100 * course.high, color="#7fb79c", alpha=0.45, lw=0)
    for part, dash in ((x <= last, "-"), (x >= last, (0, (5, 2.5)))):
        axes.plot(x[part], 100 * course.cover[part], color="#2f7050", lw=2.2, ls=dash)
    if other is not None:
        axes.plot(other[1].age_days, 100 * other[1].cover, color=OTHER, lw=1.6, ls=(0, (1, 1.4)), zorder=4)
    axes.errorbar(
        course.visit_days, 100 * course.visit_cover, yerr=164.5 * course.visit_se, fmt="o", ms=5.5,
        mfc="white", mec=INK, mew=1.3, ecolor=INK, elinewidth=1.0, zorder=5,
    )  # fmt: skip
    if target is not None:
        axes.plot(
            *target[:1], 100 * target[1], marker="D", ms=8, color=ACCENT, mec="white", mew=1.2, zorder=6
        )
        above = target[1] > np.interp(target[0], x, course.cover)
        words = axes.annotate(
            f"target {100 * target[1]:.0f} %", (target[0], 100 * target[1]), (0, 10 if above else -17),
            textcoords="offset points", ha="center", color=ACCENT, fontsize=8.5, weight="bold", zorder=7,
        )  # fmt: skip
        halo(words, PAPER, 2.5)
    _growth_axes(axes, x, last)
    _curve_legend(figure, course, target is not None, other[0] if other else "")
    headline(figure, "Green cover since sowing")
    return figure


def _growth_axes(axes: Axes, x: Floats, last: float) -> None:
    axes.set_xlim(min(0.0, x[0]), x[-1])
    axes.set_ylim(-2, 108)
    axes.set_yticks(range(0, 101, 20), [f"{v} %" for v in range(0, 101, 20)])
    axes.grid(axis="y", color=LINE, lw=0.6, alpha=0.7)
    axes.set_axisbelow(True)
    axes.set_xlabel("days since sowing", labelpad=4)
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.tick_params(length=0, pad=5, labelsize=8)
    if 0 < last < x[-1]:
        axes.axvline(last, color=QUIET, lw=0.8, ls=(0, (2, 3)))
        near_end = last > 0.85 * x[-1]
        axes.annotate(
            "last photo", (last, 104), (-4 if near_end else 4, 0), textcoords="offset points", fontsize=7.5,
            color=QUIET, va="center", ha="right" if near_end else "left",
        )  # fmt: skip


def _curve_legend(figure: Figure, course: Course, target: bool, other: str) -> None:
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch as Swatch

    entries: list[Any] = [
        Line2D(
            [], [], marker="o", ls="", mfc="white", mec=INK, mew=1.3, label="measured; bar: nine times in ten"
        ),
        Line2D([], [], color="#2f7050", lw=2.2, label="course; dashed: forecast"),
        Swatch(color="#7fb79c", alpha=0.45, label="nine times in ten within"),
    ]
    if course.usual_low is not None:
        entries.append(Swatch(color="#ece3cd", label="usual for this mix"))
    if other:
        entries.append(Line2D([], [], color=OTHER, lw=1.6, ls=(0, (1, 1.4)), label=other))
    if target:
        entries.append(Line2D([], [], marker="D", ls="", color=ACCENT, label="target"))
    figure.legend(
        handles=entries, loc="lower center", ncols=3 if other else len(entries), frameon=False, fontsize=7.5,
        handletextpad=0.5, columnspacing=1.4, borderaxespad=0.35,
    )  # fmt: skip


# The plan

MOST_TAPES = 20  # patches; beyond that their lines cover one another
LABEL_IN = 0.9  # a tape line shorter than this on paper has no room for its length beside the two marks


@styled
def plan_picture(
    tasks: Sequence[Task], *, ground: Ground, title: str, subtitle: str = "", litres_of: str = "dressing"
) -> Figure:
    """The plan to print: patches with their numbers, tape lines from two named corners, and the table."""
    rows = len(tasks)
    table_in = 0.42 + 0.235 * max(rows, 1)
    figure, axes, scale = lawn_axes(ground, legend_in=table_in + 0.15)
    draw_outline(axes, ground, fill="#f3f4ea")
    corners = dict(zip(ground.corner_names, ground.outline_m, strict=False))
    for task in tasks:
        draw_patch(axes, task.patch)
    crowded = rows > MOST_TAPES  # lines would cover the patches: the table has their lengths
    for task in () if crowded else tasks:
        centre = np.array([task.patch.x_m, task.patch.y_m])
        for name, length in (
            (task.tape.corner_a, task.tape.from_a_m),
            (task.tape.corner_b, task.tape.from_b_m),
        ):
            if name in corners:
                _tape(axes, corners[name], centre, length, labelled=rows <= 8 and length * scale > LABEL_IN)
    for task in tasks:
        _badge(axes, task.patch.x_m, task.patch.y_m, str(task.patch.number), small=crowded)
    _plan_table(figure, tasks, table_in, litres_of)
    headline(figure, title, subtitle)
    return figure


def _tape(axes: Axes, corner: Floats, centre: Floats, length: float, *, labelled: bool) -> None:
    """A tape line, its length written along it."""
    axes.plot(*np.stack([corner, centre]).T, color=INK, lw=0.9, ls=(0, (6, 3)), zorder=3)
    if not labelled:
        return
    along = centre - corner
    angle = float(np.degrees(np.arctan2(along[1], along[0])))
    angle = angle - 180 if angle > 90 else angle + 180 if angle < -90 else angle
    x, y = corner + 0.4 * along
    text = axes.text(x, y, f"{length:.2f} m", rotation=angle, rotation_mode="anchor", fontsize=7)
    text.set(
        ha="center", va="center", zorder=5, bbox={"boxstyle": "round,pad=0.15", "fc": PAPER, "ec": "none"}
    )


def _badge(axes: Axes, x: float, y: float, text: str, *, small: bool) -> None:
    if not small:
        axes.plot(x, y, "o", ms=14, mfc="white", mec=INK, mew=1.4, zorder=6)
    size = 5.5 if small else 8
    axes.text(x, y, text, ha="center", va="center_baseline", fontsize=size, weight="bold", zorder=7)


def _plan_table(figure: Figure, tasks: Sequence[Task], table_in: float, litres_of: str) -> None:
    """Patches in rows: what, where by tape, how much."""
    wide = figure.get_size_inches()[0]
    axes = place_axes(figure, 0.0, 0.15, wide, table_in)
    axes.set_xlim(0, wide)
    axes.set_ylim(0, table_in)
    frameless(axes)
    names = ("patch", "area", "tape from", "", "seed", litres_of)
    share = np.array([0.0, 0.20, 0.36, 0.56, 0.80, 1.0])
    left = 0.5 + share * (wide - 1.3)
    align = ("left", "right", "left", "left", "right", "right")
    y = table_in - 0.16
    for x, name, ha in zip(left, names, align, strict=True):
        axes.text(x + (0.3 if ha == "right" else 0), y, name, fontsize=7.5, color=QUIET, ha=ha, va="center")
    axes.plot([0.5, wide - 0.5], [y - 0.13] * 2, color=LINE, lw=0.8)
    for task in tasks:
        y -= 0.235
        row = (
            f"{task.patch.number}  {task.patch.kind}",
            f"{task.patch.area_m2:.2f} m²",
            f"{task.tape.corner_a}  {task.tape.from_a_m:.2f} m",
            f"{task.tape.corner_b}  {task.tape.from_b_m:.2f} m",
            f"{task.seed_g:.0f} g" if task.seed_g else "–",
            f"{task.dressing_l:.1f} L" if task.dressing_l else "–",
        )
        for x, text, ha in zip(left, row, align, strict=True):
            axes.text(x + (0.3 if ha == "right" else 0), y - 0.04, text, fontsize=8.5, ha=ha, va="center")
    if not tasks:
        axes.text(wide / 2, y - 0.28, "nothing to do", fontsize=9, ha="center", va="center")
