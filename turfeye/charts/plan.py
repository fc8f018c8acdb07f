"""The plan to take outside: patches, tape lines, a table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from turfeye.amounts import seed_words
from turfeye.drawing import (
    FILLED,
    HOLLOW_DASHES,
    INK,
    KIND_FILL,
    LINE,
    PAPER,
    QUIET,
    Ground,
    draw_outline,
    draw_patch,
    draw_plots,
    frameless,
    halo,
    headline,
    lawn_axes,
    place_axes,
    reading_deg,
    styled,
)
from turfeye.lawnrecords import Task
from turfeye.records import Floats

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


TO_SOW, WAITS = "filled, to be sown", "hollow, waits: no seed yet"
MOST_TAPES = 20  # patches; beyond that their lines cover one another
LABEL_IN = 0.9  # a tape line shorter than this on paper has no room for its length beside the two marks


@styled
def plan_picture(
    tasks: Sequence[Task],
    *,
    ground: Ground,
    title: str,
    subtitle: str = "",
    litres_of: str = "dressing",
    table: bool = True,
) -> Figure:
    """The plan to print: patches with their numbers, tape lines from two named corners, and the table.

    Patches that wait are hollow, dashed if few, their number without a disk; a key says so. A page has the
    key and the ``table`` in letters of its own. Of more than `MOST_TAPES` patches it is a map alone, by the
    plots' numbers where there are plots.
    """
    rows = len(tasks)
    key_in = 0.3 if table and any(task.waits for task in tasks) else 0.0
    crowded = rows > MOST_TAPES  # their lines would cover the patches, their rows would fill pages
    table = table and not crowded
    table_in = 0.42 + 0.235 * max(rows, 1) if table else 0.0
    figure, axes, scale = lawn_axes(ground, legend_in=table_in + key_in + 0.15)
    draw_outline(axes, ground, fill="#f3f4ea")
    draw_plots(axes, ground, scale)
    corners = dict(zip(ground.corner_names, ground.outline_m, strict=False))
    for task in tasks:
        draw_patch(axes, task.patch, hollow=task.waits, small=crowded)
    for task in () if crowded else tasks:
        centre = np.array([task.patch.x_m, task.patch.y_m])
        for name, length in (
            (task.tape.corner_a, task.tape.from_a_m),
            (task.tape.corner_b, task.tape.from_b_m),
        ):
            if name in corners:
                labelled = rows <= 8 and length * scale > LABEL_IN
                _tape(axes, corners[name], centre, length, labelled=labelled, faint=task.waits)
    for task in () if crowded and ground.plots else tasks:
        _badge(axes, task, small=crowded)
    if key_in:
        _key(figure, tasks, table_in + 0.15, small=crowded)
    if table:
        _plan_table(figure, tasks, table_in, litres_of)
    headline(figure, title, subtitle)
    return figure


def _tape(axes: Axes, corner: Floats, centre: Floats, length: float, *, labelled: bool, faint: bool) -> None:
    """A tape line, its length written along it; ``faint`` to what is only looked at."""
    colour, lw = (QUIET, 0.5) if faint else (INK, 0.9)
    axes.plot(*np.stack([corner, centre]).T, color=colour, lw=lw, ls=(0, (6, 3)), zorder=3)
    if not labelled:
        return
    along = centre - corner
    x, y = corner + 0.4 * along
    text = axes.text(
        x, y, f"{length:.2f} m", rotation=reading_deg(*along), rotation_mode="anchor", fontsize=7
    )
    text.set(
        ha="center", va="center", zorder=5, bbox={"boxstyle": "round,pad=0.15", "fc": PAPER, "ec": "none"}
    )


def _badge(axes: Axes, task: Task, *, small: bool) -> None:
    """A patch's number in a disk; alone where it waits, or where disks would cover the patches."""
    x, y = task.patch.x_m, task.patch.y_m
    if not (small or task.waits):
        axes.plot(x, y, "o", ms=14, mfc="white", mec=INK, mew=1.4, zorder=6)
    number = axes.text(x, y, str(task.patch.number), ha="center", va="center_baseline", zorder=7)
    number.set(fontsize=5.5 if small else 8, weight="normal" if task.waits else "bold")
    halo(number, PAPER, 1.5)


def _key(figure: Figure, tasks: Sequence[Task], bottom_in: float, *, small: bool) -> None:
    """What filled and hollow patches are, with how many there are of each."""
    from matplotlib.patches import Rectangle

    wide = figure.get_size_inches()[0]
    axes = place_axes(figure, 0.0, bottom_in, wide, 0.3)
    axes.set_xlim(0, wide)
    axes.set_ylim(0, 0.3)
    frameless(axes)
    waiting = sum(task.waits for task in tasks)
    rest = len(tasks) - waiting
    entries = [(False, f"{TO_SOW}: {rest}")] * bool(rest) + [(True, f"{WAITS}: {waiting}")]
    for k, (hollow, words) in enumerate(entries):
        x = wide / 2 + (k - len(entries) / 2) * 2.2
        if hollow:
            style: Any = "solid" if small else HOLLOW_DASHES
            axes.add_patch(Rectangle((x, 0.06), 0.22, 0.18, fc="none", ec=INK, lw=1.1, ls=style))
        else:
            axes.add_patch(Rectangle((x, 0.06), 0.22, 0.18, fc=KIND_FILL["thin"], alpha=FILLED, lw=0))
            axes.add_patch(Rectangle((x, 0.06), 0.22, 0.18, fc="none", ec=KIND_FILL["thin"], lw=1.4))
        axes.text(x + 0.32, 0.15, words, fontsize=8, va="center")


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
            seed_words(task.seed_g, task.waits),
            f"{task.dressing_l:.1f} L" if task.dressing_l else "–",
        )
        for x, text, ha in zip(left, row, align, strict=True):
            axes.text(x + (0.3 if ha == "right" else 0), y - 0.04, text, fontsize=8.5, ha=ha, va="center")
    if not tasks:
        axes.text(wide / 2, y - 0.28, "nothing to do", fontsize=9, ha="center", va="center")
