"""How every picture of ours looks: palette, style, and the parts that several figures share.

Figures are made without pyplot and look the same on every machine: the style is set here and the font is the
one that comes with matplotlib. The palette is ours: cover runs from dry soil to deep green with steadily
falling lightness; each state has a colour, a lightness and a mark of its own, so that the maps can be read by
the colour-blind and on a grey print.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, ParamSpec

import numpy as np

from turfeye.files import write_atomic
from turfeye.lawnrecords import Patch, Plot
from turfeye.records import Floats, Grid

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

PAPER = "#fdfcf8"
INK = "#22302b"
QUIET = "#66716b"
LINE = "#c8ccc4"
ACCENT = "#b4532a"
COVER_RAMP = ("#f1e6d0", "#e0d29a", "#b3bd6b", "#6f9c5a", "#2f7050", "#123f39")
STATE_FILL = {
    "on course": "#a7d0bb",
    "slow": "#e3a83f",
    "thin": "#9a2c4c",
    "too soon to say": "#dde3ea",
    "not seen": "#f7f6f1",
}
STATE_MARK = {"on course": "o", "slow": ">", "thin": "X", "too soon to say": "_", "not seen": ""}
KIND_FILL = {
    "thin": "#9a2c4c", "slow": STATE_FILL["slow"], "bare": "#7a4f2b", "hollow": "#5d6470",
    "pale": "#d9c23e",
}  # fmt: skip
FILLED = 0.55
"""How much a patch's fill covers of the lawn."""
HOLLOW_DASHES = (0, (2.2, 1.4))
STYLE = {
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "text.color": INK,
    "axes.edgecolor": LINE,
    "axes.labelcolor": QUIET,
    "axes.facecolor": PAPER,
    "figure.facecolor": PAPER,
    "savefig.facecolor": PAPER,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "hatch.linewidth": 0.6,
    "axes.unicode_minus": True,
    "svg.hashsalt": "turfeye",
}
DPI = 150
MAP_BOX_IN = (7.0, 5.4)  # the largest that a lawn is drawn
NUMBERS_FROM_IN = 0.30  # cells at least this wide carry their figure
PLOT_NUMBERS_FROM_IN = 0.15  # and plots their number,
PLOT_NUMBERS_FULL_IN = 0.2  # in smaller figures below this

P = ParamSpec("P")


@dataclass(frozen=True, eq=False, slots=True)
class Ground:
    """The lawn's shape and its names, as every map draws them."""

    outline_m: Floats  # (K, 2)
    corner_names: tuple[str, ...] = ()
    side_names: tuple[str, ...] = ()  # only names that people gave
    plots: tuple[Plot, ...] = ()  # of a trial
    beds_m: tuple[Floats, ...] = ()  # each (K, 2), no lawn


def styled(draw: Callable[P, Figure]) -> Callable[P, Figure]:
    """Draw in our own style, whatever the user's matplotlib is set to."""

    @wraps(draw)
    def drawn(*args: P.args, **kwargs: P.kwargs) -> Figure:
        import matplotlib

        with matplotlib.rc_context(_settings()):
            return draw(*args, **kwargs)

    return drawn


def _settings() -> Any:
    """Matplotlib's own defaults with our style over them; the user's settings play no part."""
    import matplotlib

    return {**dict(matplotlib.rcParamsDefault), **STYLE}


def png(figure: Figure) -> bytes:
    """The figure as PNG; the same figure gives the same bytes."""
    import matplotlib
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    buffer = io.BytesIO()
    with matplotlib.rc_context(_settings()):
        FigureCanvasAgg(figure).print_png(buffer, metadata={"Software": None}, pil_kwargs={"dpi": (DPI, DPI)})
    return buffer.getvalue()


def save(figure: Figure, path: Path | str) -> None:
    """Write the figure as PNG, whole or not at all."""
    write_atomic(Path(path), png(figure))


def new_figure(wide: float, tall: float) -> Figure:
    """A figure of this size in inches."""
    from matplotlib.figure import Figure

    return Figure(figsize=(wide, tall), dpi=DPI)


def place_axes(figure: Figure, left: float, bottom: float, wide: float, tall: float) -> Axes:
    """Axes placed in inches."""
    w, h = figure.get_size_inches()
    return figure.add_axes((left / w, bottom / h, wide / w, tall / h))


def bounds(ground: Ground) -> tuple[Floats, Floats]:
    """Lower left and upper right of the outline."""
    return ground.outline_m.min(0), ground.outline_m.max(0)


def set_bounds(axes: Axes, ground: Ground, margin: float) -> None:
    """Limits round the outline, metres, no frame."""
    (x0, y0), (x1, y1) = bounds(ground)
    axes.set_xlim(x0 - margin, x1 + margin)
    axes.set_ylim(y0 - margin, y1 + margin)
    frameless(axes)


def lawn_axes(ground: Ground, *, legend_in: float, bar: bool = False) -> tuple[Figure, Axes, float]:
    """A figure with the lawn at one scale in both directions: figure, axes, inches a metre."""
    (x0, y0), (x1, y1) = bounds(ground)
    scale = min(MAP_BOX_IN[0] / (x1 - x0), MAP_BOX_IN[1] / (y1 - y0))
    wide, tall = (x1 - x0) * scale, (y1 - y0) * scale
    edge = 0.55  # room for the names of corners and sides
    bar_in = 0.75 if bar else 0.0
    full = max(wide + 2 * edge + bar_in, 6.6)
    figure = new_figure(full, tall + 2 * edge + legend_in + 0.5)
    left = (full - bar_in - wide) / 2 - edge
    axes = place_axes(figure, left, legend_in + 0.05, wide + 2 * edge, tall + 2 * edge)
    set_bounds(axes, ground, edge / scale)
    _corner_names(axes, ground, scale)
    _scale_bar(axes, ground, scale, edge)
    if bar:
        draw_cover_bar(figure, left + wide + 2 * edge + 0.02, legend_in + 0.05 + edge, tall)
    return figure, axes, scale


def _corner_names(axes: Axes, ground: Ground, scale: float) -> None:
    """Names beside the corners, on the outside; given names of sides along them."""
    corners = ground.outline_m
    ends = np.roll(corners, -1, axis=0)
    along = (ends - corners) / np.maximum(np.linalg.norm(ends - corners, axis=1, keepdims=True), 1e-9)
    outward = np.stack([along[:, 1], -along[:, 0]], axis=-1)  # the outline goes round anticlockwise
    out_at = outward + np.roll(outward, 1, axis=0)
    out_at /= np.maximum(np.linalg.norm(out_at, axis=1, keepdims=True), 1e-9)
    for (x, y), (dx, dy), name in zip(corners, out_at, ground.corner_names, strict=False):
        axes.text(x + 0.17 * dx / scale, y + 0.17 * dy / scale, name, weight="bold", ha="center", va="center")
    for a, b, (ux, uy), (dx, dy), name in zip(corners, ends, along, outward, ground.side_names, strict=False):
        x, y = (a + b) / 2 + np.array([dx, dy]) * 0.17 / scale
        axes.text(x, y, name, rotation=reading_deg(ux, uy), ha="center", va="center", fontsize=8, color=QUIET)


def reading_deg(dx: float, dy: float) -> float:
    """The turn of words along a line, so that none stand on their head: -90 to 90, upwards if upright."""
    angle = float(np.degrees(np.arctan2(dy, dx)))
    return angle - 180 if angle > 90.1 else angle + 180 if angle < -90 else angle


def _scale_bar(axes: Axes, ground: Ground, scale: float, edge: float) -> None:
    """A bar of a round length, under the lawn's right end."""
    (_, y0), (x1, _) = bounds(ground)
    length = next((v for v in (5.0, 2.0, 1.0, 0.5, 0.2, 0.1) if v * scale <= 1.6), 0.1)
    y = y0 - (edge - 0.12) / scale
    axes.plot([x1 - length, x1], [y, y], color=INK, lw=1.6, solid_capstyle="butt")
    for x in (x1 - length, x1):
        axes.plot([x, x], [y, y + 0.05 / scale], color=INK, lw=1.2)
    axes.text(x1 - length - 0.08 / scale, y, f"{length:g} m", ha="right", va="center", fontsize=8)


def draw_outline(axes: Axes, ground: Ground, *, fill: str | None = None) -> None:
    """The edge of the lawn, filled when a colour is given, and the beds in it."""
    closed = np.vstack([ground.outline_m, ground.outline_m[:1]])
    if fill:
        axes.fill(*closed.T, fc=fill, lw=0)
    axes.plot(*closed.T, color=INK, lw=1.4, solid_joinstyle="miter")
    for bed in ground.beds_m:
        axes.fill(*bed.T, fc=PAPER, ec=INK, lw=1.0, zorder=2.2)
        x, y = bed.mean(axis=0)
        axes.text(x, y, "bed", ha="center", va="center", fontsize=7, color=QUIET, zorder=2.3)


def draw_plots(axes: Axes, ground: Ground, in_per_m: float) -> None:
    """A trial's plots, each with its number in its upper left corner where that has room."""
    from matplotlib.collections import PolyCollection

    if not ground.plots:
        return
    half = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) / 2
    rings = np.array([plot.at_m + half * plot.size_m for plot in ground.plots])
    sides = PolyCollection(list(rings), facecolors="none", edgecolors=QUIET, linewidths=0.5, zorder=3.5)
    axes.add_collection(sides)
    sides.set_clip_path(clip_to(axes, ground))
    narrowest_in = min(np.min([plot.size_m for plot in ground.plots], axis=0)) * in_per_m
    if narrowest_in < PLOT_NUMBERS_FROM_IN:
        return
    size = 5.5 * min(narrowest_in / PLOT_NUMBERS_FULL_IN, 1.0)
    for plot, ring in zip(ground.plots, rings, strict=True):
        x, y = ring[3] + np.array([0.03, -0.03]) / in_per_m
        number = axes.text(x, y, str(plot.number), ha="left", va="top", fontsize=size, color=INK, zorder=8)
        halo(number, PAPER, 1.2)


def draw_patch(axes: Axes, patch: Patch, *, hollow: bool, small: bool) -> None:
    """A patch in its kind's colour, filled, or ``hollow`` in ink; the lawn shows through its holes.

    Of a ``small`` hollow one the edge is whole: dashes would be all that is left of it.
    """
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Line

    rings = (patch.outline_m, *patch.holes_m)
    shape = Line.make_compound_path(*(Line(np.vstack([ring, ring[:1]]), closed=True) for ring in rings))
    colour = INK if hollow else KIND_FILL[patch.kind]
    if not hollow:
        axes.add_patch(PathPatch(shape, fc=colour, alpha=FILLED, lw=0))
    style: Any = HOLLOW_DASHES if hollow and not small else "solid"
    width = (0.8 if small else 1.1) if hollow else 1.4
    axes.add_patch(PathPatch(shape, fc="none", ec=colour, lw=width, ls=style))


def on_grid(grid: Grid, row: Any, col: Any, values: Floats) -> Floats:
    """(rows, cols), NaN where there is no cell."""
    picture = np.full((grid.rows, grid.cols), np.nan)
    picture[row, col] = values
    return picture


def inside_share(grid: Grid) -> Floats:
    """How much of each cell lies inside the outline, (rows, cols)."""
    return np.ones((grid.rows, grid.cols)) if grid.share is None else grid.share


def visible_middles(grid: Grid, ground: Ground) -> Floats:
    """The middle of what of each cell lies inside the outline, (rows, cols, 2)."""
    from matplotlib.path import Path as Line

    middles = np.array(grid.centres_m(), dtype=float)
    shape, beds = Line(ground.outline_m), [Line(bed) for bed in ground.beds_m]
    steps = (np.arange(12) + 0.5) / 12 - 0.5
    within = np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2) * grid.cell_m
    share = inside_share(grid)
    for cell in zip(*np.nonzero((share > 0) & (share < 0.999)), strict=True):
        points = middles[cell] + within
        inside = shape.contains_points(points)
        for bed in beds:
            inside &= ~bed.contains_points(points)
        if inside.any():
            middles[cell] = points[inside].mean(axis=0)
    return middles


def draw_cells(axes: Axes, grid: Grid, rgba: Floats, ground: Ground) -> None:
    """Cells as a picture in metres, cut along the outline."""
    extent = (
        grid.x0_m, grid.x0_m + grid.cols * grid.cell_m, grid.y0_m, grid.y0_m + grid.rows * grid.cell_m,
    )  # fmt: skip
    limits = axes.get_xlim(), axes.get_ylim()
    shown = axes.imshow(rgba, origin="lower", extent=extent, interpolation="nearest", aspect="auto")
    axes.set_xlim(limits[0])
    axes.set_ylim(limits[1])
    shown.set_clip_path(clip_to(axes, ground))


def draw_unseen(axes: Axes, grid: Grid, where: Any, ground: Ground) -> None:
    """Cells that were not seen, as one shape of their runs along the rows: many hatched ones take seconds."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as Line

    unseen = where & (inside_share(grid) > 0)
    ends = np.diff(np.pad(unseen.astype(np.int8), ((0, 0), (1, 1))), axis=1)
    rows, first = np.nonzero(ends == 1)
    if not len(rows):
        return
    x, until = (grid.x0_m + cols * grid.cell_m for cols in (first, np.nonzero(ends == -1)[1]))
    y = grid.y0_m + rows * grid.cell_m
    rings = np.stack([x, y, until, y, until, y + grid.cell_m, x, y + grid.cell_m, x, y], axis=-1)
    codes = np.tile([Line.MOVETO, *[Line.LINETO] * 3, Line.CLOSEPOLY], len(rows))
    fill, ink = STATE_FILL["not seen"], "#b3b8b0"
    cells = PathPatch(Line(rings.reshape(-1, 2), codes), fc=fill, ec=ink, lw=0, hatch="////")
    axes.add_artist(cells)
    cells.set_clip_path(clip_to(axes, ground))


def clip_to(axes: Axes, ground: Ground) -> Any:
    """The outline as something that cuts off what is drawn beyond it."""
    from matplotlib.patches import Polygon

    return Polygon(ground.outline_m, closed=True, transform=axes.transData)


def cover_colours(cover: Floats) -> Floats:
    """(..., 4) colours of cover 0-1."""
    return _colour_map()(np.clip(np.nan_to_num(cover), 0, 1))


def _colour_map() -> Any:
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list("cover", list(COVER_RAMP), N=256)


def draw_cover_bar(figure: Figure, left: float, bottom: float, tall: float) -> None:
    """The scale of cover, beside a map."""
    height = min(tall, 2.4)
    axes = place_axes(figure, left, bottom + (tall - height) / 2, 0.14, height)
    axes.imshow(
        cover_colours(np.linspace(0, 1, 256))[:, None], origin="lower", aspect="auto", extent=(0, 1, 0, 100)
    )
    axes.set_xticks([])
    axes.yaxis.tick_right()
    axes.set_yticks([0, 25, 50, 75, 100], [f"{v} %" for v in (0, 25, 50, 75, 100)], fontsize=7.5)
    axes.tick_params(length=0, pad=3)
    for spine in axes.spines.values():
        spine.set_visible(False)


def headline(figure: Figure, title: str, subtitle: str = "", *, hatched: bool = False) -> None:
    """Title and, below it, a line or two that say more, also that ``hatched`` cells were not seen."""
    subtitle = " · ".join(part for part in (subtitle, "hatched: not seen" if hatched else "") if part)
    wide, tall = figure.get_size_inches()
    figure.text(0.25 / wide, 1 - 0.27 / tall, title, fontsize=13, weight="bold", va="center")
    if subtitle:
        lines = textwrap.wrap(subtitle, int(13.5 * (wide - 0.5)))
        at = 1 - 0.44 / tall
        figure.text(0.25 / wide, at, "\n".join(lines), fontsize=8.5, color=QUIET, va="top", linespacing=1.35)


def frameless(axes: Axes) -> None:
    """No ticks, no frame."""
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.patch.set_visible(False)


def halo(text: Any, colour: str, width: float) -> None:
    """Writing that can be read on anything."""
    from matplotlib.patheffects import withStroke

    text.set_path_effects([withStroke(linewidth=width, foreground=colour)])


def ground_of(
    outline_m: Floats,
    corner_names: Sequence[str],
    side_names: Sequence[str] = (),
    *,
    plots: Sequence[Plot] = (),
    beds_m: Sequence[Floats] = (),
) -> Ground:
    """The ground of a lawn; side names that only repeat the corners' are left out."""
    given = tuple(side_names)
    repeats = all("–" in name and name.split("–")[0] in corner_names for name in given)
    names = tuple(corner_names), () if repeats else given
    return Ground(np.asarray(outline_m, dtype=float), *names, tuple(plots), tuple(beds_m))
