"""A lawn's cover against its age."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from turfeye.course import Course
from turfeye.drawing import ACCENT, INK, LINE, PAPER, QUIET, halo, headline, new_figure, place_axes, styled
from turfeye.records import Floats

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


COURSE, WITHIN = "#2f7050", "#7fb79c"  # the fitted course and its interval
USUAL, USUAL_EDGE = "#ece3cd", "#cdbf98"  # the usual range of the mix
OTHER, OTHER_DASH = "#7a4fa0", (0, (1, 1.4))  # the course of a lawn that it is compared with
WIDE_IN = 5.2  # so narrow that its letters can be read on a phone's screen and in a client's print
NINE_IN_TEN = 1.645  # standard errors to either side that hold 90 % of a normal distribution


@styled
def season_curve(
    course: Course,
    *,
    target: tuple[float, float],
    other: tuple[str, Course] | None = None,
) -> Figure:
    """The lawn's cover against age: visits, the fitted course with its interval, the mix's usual range.

    ``target`` is (age in days, cover), ``other`` the name and course of a lawn that it is compared with.
    """
    figure = new_figure(WIDE_IN, 4.1)
    axes = place_axes(figure, 0.6, 1.08, WIDE_IN - 0.8, 2.45)
    _draw_course(axes, course)
    if other is not None:
        axes.plot(other[1].age_days, 100 * other[1].cover, color=OTHER, lw=1.6, ls=OTHER_DASH, zorder=4)
    axes.errorbar(
        course.visit_days, 100 * course.visit_cover, yerr=100 * NINE_IN_TEN * course.visit_se, fmt="o",
        ms=5.5, mfc="white", mec=INK, mew=1.3, ecolor=INK, elinewidth=1.0, zorder=5,
    )  # fmt: skip
    expected = float(np.interp(target[0], course.age_days, course.cover))
    _draw_target(axes, *target, above=target[1] > expected)
    _growth_axes(axes, course.age_days, last=float(np.max(course.visit_days)))
    _curve_legend(figure, course, other[0] if other else "")
    headline(figure, "Green cover since sowing")
    return figure


def _draw_course(axes: Axes, course: Course) -> None:
    """The fitted course, dashed after the last visit, its interval, and what is usual for the mix."""
    x = course.age_days
    if course.usual_low is not None and course.usual_high is not None:
        axes.fill_between(x, 100 * course.usual_low, 100 * course.usual_high, color=USUAL, lw=0)
        axes.plot(x, 100 * course.usual_high, color=USUAL_EDGE, lw=0.8, ls=(0, (1, 2)))
        axes.plot(x, 100 * course.usual_low, color=USUAL_EDGE, lw=0.8, ls=(0, (1, 2)))
    axes.fill_between(x, 100 * course.low, 100 * course.high, color=WITHIN, alpha=0.45, lw=0)
    last = float(np.max(course.visit_days))
    for part, dash in ((x <= last, "-"), (x >= last, (0, (5, 2.5)))):
        axes.plot(x[part], 100 * course.cover[part], color=COURSE, lw=2.2, ls=dash)


def _draw_target(axes: Axes, age_days: float, cover: float, *, above: bool) -> None:
    """The target with its words, over it where it lies ``above`` the course."""
    axes.plot(age_days, 100 * cover, marker="D", ms=8, color=ACCENT, mec="white", mew=1.2, zorder=6)
    words = axes.annotate(
        f"target {100 * cover:.0f} %", (age_days, 100 * cover), (0, 10 if above else -17),
        textcoords="offset points", ha="center", color=ACCENT, fontsize=8.5, weight="bold", zorder=7,
    )  # fmt: skip
    halo(words, PAPER, 2.5)


def _growth_axes(axes: Axes, x: Floats, last: float) -> None:
    """Per cent against days; a line where the photos end and the forecast begins."""
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


def _curve_legend(figure: Figure, course: Course, other: str) -> None:
    """What each line and band is, of those drawn; ``other`` is the name of the other lawn, if any."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch as Swatch

    entries: list[Any] = [
        Line2D(
            [], [], marker="o", ls="", mfc="white", mec=INK, mew=1.3, label="measured; bar: nine times in ten"
        ),
        Line2D([], [], color=COURSE, lw=2.2, label="course; dashed: forecast"),
        Swatch(color=WITHIN, alpha=0.45, label="nine times in ten within"),
    ]
    if course.usual_low is not None:
        entries.append(Swatch(color=USUAL, label="usual for this mix"))
    if other:
        entries.append(Line2D([], [], color=OTHER, lw=1.6, ls=OTHER_DASH, label=other))
    entries.append(Line2D([], [], marker="D", ls="", color=ACCENT, label="target"))
    figure.legend(
        handles=entries, loc="lower center", ncols=2, frameon=False, fontsize=7.5,
        handletextpad=0.5, columnspacing=1.4, borderaxespad=0.35,
    )  # fmt: skip
