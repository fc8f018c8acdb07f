"""The plots of a trial: in which of them a patch lies, and how each plot stands."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from turfeye import palepatches, patches, trial
from turfeye.contours import signed_distance_m
from turfeye.lawnrecords import STATES, Patch, Plot, Season, Task
from turfeye.notes import MOST_NUMBERS
from turfeye.outline import BESIDE_BED_M, cell_shares
from turfeye.places import numbered
from turfeye.records import CellTable, Flags, Floats, Grid, Whole
from turfeye.treatments import Treatments
from turfeye.trial import Trial
from turfeye.words import listed, per_cent, so_many

FORECAST = (
    "cover_now", "cover_now_se", "cover_at_target", "cover_at_target_low", "cover_at_target_high",
    "p_on_target",
)  # fmt: skip
"""What a `Standing` takes from its plot's row of the outlook."""
JUDGED = tuple(state for state in STATES if state != "not seen")
MOST_BY_PATCH = 20
"""Of more patches a trial's plan has a row a plot; each patch is in ``plan.csv``."""
BESIDE = "beside the plot"
NO_CELL = "no cell of the lawn lies in it"
IN_A_BED = "in a bed"
LEAST_SHARE = 0.01
"""Less of a patch than this in a plot is what its outline errs by."""


def placed(found: Sequence[Patch], plots: Sequence[Plot]) -> tuple[Patch, ...]:
    """The patches with the plots in which they lie."""
    return tuple(replace(patch, plots=shares(patch, plots)) for patch in found)


def shares(patch: Patch, plots: Sequence[Plot]) -> tuple[tuple[int, float], ...]:
    """Number of each plot in which a patch lies and the share of its area there, the largest first.

    What is missing from 1 lies beside the plots. The patch's outline is cut along each plot's sides, exactly.
    """
    if not plots:
        return ()
    low, high = patch.outline_m.min(axis=0), patch.outline_m.max(axis=0)
    at, half = np.array([plot.at_m for plot in plots]), np.array([plot.size_m for plot in plots]) / 2
    near = np.flatnonzero(((low < at + half) & (high > at - half)).all(axis=1))
    whole = max(patch.area_m2, 1e-9)
    found = [(plots[k].number, min(_area_within(patch, plots[k]) / whole, 1.0)) for k in near.tolist()]
    return tuple(sorted(((n, s) for n, s in found if s >= LEAST_SHARE), key=lambda one: (-one[1], one[0])))


def _area_within(patch: Patch, plot: Plot) -> float:
    """Area of a patch inside a plot, which is taken as the only cell of a grid with its sides as unit."""
    size = np.array(plot.size_m)
    x0, y0 = np.array(plot.at_m) / size - 0.5
    cell = Grid(1.0, float(x0), float(y0), rows=1, cols=1)
    filled, *holes = (
        float(cell_shares(ring / size, cell)[0, 0]) for ring in (patch.outline_m, *patch.holes_m)
    )
    return (filled - sum(holes)) * float(size.prod())


def numbers(patch: Patch) -> str:
    """The plots of a patch for a table: "12", of several with shares, "12 (62 %) and 13 (38 %)"; or "–"."""
    if len(patch.plots) > 1:
        return listed(f"{number} ({per_cent(share)})" for number, share in patch.plots)
    return str(patch.plots[0][0]) if patch.plots else "–"


def where(patch: Patch) -> str:
    """The plots of a patch in words, "plots 12 (62 %) and 13 (38 %)"; "" where it lies in none."""
    return f"plot{'s' * (len(patch.plots) > 1)} {numbers(patch)}" if patch.plots else ""


def named(some: Sequence[Patch], *, capital: bool = True) -> str:
    """Patches by their numbers and, of a trial, their plots: "Patches 3 and 5 (plots 12 and 7)".

    Of more than `MOST_NUMBERS` the number: "15 patches in 12 plots"; the plan's table has each.
    """
    if len(some) > MOST_NUMBERS:
        return f"{len(some)} patches{counted(some)}"
    if len(some) == 1:
        plots, told = where(some[0]), f"Patch {some[0].number}"
    else:
        numbers = list(dict.fromkeys(number for patch in some for number, _ in patch.plots))
        plots = f"plot{'s' * (len(numbers) > 1)} {listed(numbers)}" if numbers else ""
        told = f"Patches {listed(patch.number for patch in some)}"
    told = told if capital else told.lower()
    return f"{told} ({plots})" if plots else told


def counted(some: Sequence[Patch]) -> str:
    """How many plots the patches are in, for a sentence: " in 12 plots"; "" where they are in none."""
    count = len({number for patch in some for number, _ in patch.plots})
    return f" in {so_many(count, 'plot')}" if count else ""


@dataclass(frozen=True, slots=True)
class Sown:
    """What one plot's patches get together: the row of a walk from plot to plot."""

    number: int | None  # None: beside the plots
    patches: tuple[int, ...]  # their numbers
    at_m: tuple[tuple[float, float], ...]  # each patch's middle, from the plot's corner of least x and y
    area_m2: float
    seed_g: float
    dressing_l: float

    @property
    def name(self) -> str:
        """Its number, for people."""
        return "beside" if self.number is None else str(self.number)

    @property
    def patch_numbers(self) -> str:
        """Its patches' numbers, for people, in the order of `places`."""
        return ", ".join(map(str, self.patches))

    @property
    def places(self) -> str:
        """Where in it each patch lies, in metres."""
        return "; ".join(f"{x:.1f}, {y:.1f}" for x, y in self.at_m)


def by_plot(tasks: Sequence[Task]) -> bool:
    """Whether a plan is told plot by plot: a trial's patches are small and many."""
    return len(tasks) > MOST_BY_PATCH and any(task.patch.plots for task in tasks)


def sown(tasks: Sequence[Task], plots: Sequence[Plot]) -> tuple[Sown, ...]:
    """What each plot gets, in the order of their numbers; a patch is of the plot in which most of it lies.

    What lies beside the plots comes last, its places in lawn metres.
    """
    corner: dict[int | None, Floats] = {
        plot.number: np.array(plot.at_m) - np.array(plot.size_m) / 2 for plot in plots
    }
    mine: dict[int | None, list[Task]] = {}
    for task in tasks:
        if task.seed_g:
            mine.setdefault(of(task.patch), []).append(task)
    return tuple(
        Sown(
            number=number,
            patches=tuple(task.patch.number for task in some),
            at_m=tuple(_from(corner.get(number, np.zeros(2)), task.patch) for task in some),
            area_m2=sum(task.patch.area_m2 for task in some),
            seed_g=sum(task.seed_g for task in some),
            dressing_l=sum(task.dressing_l for task in some),
        )
        for number, some in sorted(mine.items(), key=lambda one: (one[0] is None, one[0]))
    )


def of(patch: Patch) -> int | None:
    """The plot in which most of a patch lies, by which a walk from plot to plot comes to it; None beside."""
    return patch.plots[0][0] if patch.plots else None


def seedless(tasks: Sequence[Task], some: Collection[int], in_plots: Collection[int]) -> str:
    """Which of the patches and plots named get no seed, and which do; "" where all do."""
    seeded = {task.patch.number for task in tasks}
    in_plot = {plot for task in tasks if (plot := of(task.patch)) is not None}
    wrong = [f"patch {number}" for number in sorted({*some} - seeded)]
    do = seeded if wrong else in_plot
    wrong += [f"plot {number}" for number in sorted({*in_plots} - in_plot)]
    if not wrong:
        return ""
    get = "get" if len(wrong) > 1 else "gets"
    those = listed(str(number) for number in sorted(do)) or "none"
    return f"{listed(wrong)} {get} no seed, so nothing was written; those that do: {those}"


def _from(corner_m: Floats, patch: Patch) -> tuple[float, float]:
    """A patch's middle from a plot's corner; one that reaches in from outside lies on its edge."""
    x, y = np.maximum(np.array([patch.x_m, patch.y_m]) - corner_m, 0.0)
    return float(x), float(y)


@dataclass(frozen=True, slots=True)
class Standing:
    """How one plot stands at the last visit of a season, and what is expected of it."""

    plot: Plot
    given: Mapping[str, str]  # what ``treatments.csv`` says of it
    seen_m2: float  # ground of it that some visit showed; of 0 nothing below is known
    cover_now: float  # mean over that, by the plot's own curve; NaN where nothing was seen
    cover_now_se: float
    cover_at_target: float  # on the target's date
    cover_at_target_low: float  # 90 % interval
    cover_at_target_high: float
    p_on_target: float
    state: str  # of the plot as a plot, one of STATES
    why: str
    states: dict[str, float]  # share of that ground in each state of its cells
    thin_m2: float  # of it in thin patches, by their outlines
    patches: tuple[int, ...]  # their numbers
    seed_g: float

    @property
    def thin(self) -> float:
        """Share of the ground seen in thin cells."""
        return self.states["thin"]


def fit(season: Season, plots: Sequence[Plot], **how: Any) -> Trial | None:
    """`trial.fit`, with the same options; None where no cell that was seen lies in a plot."""
    number = of_cells(season, plots)
    if not (np.isfinite(season.cover).any(axis=1) & (number >= 0)).any():
        return None
    return trial.fit(season, number, **how)


def thin(found: Trial, plots: Sequence[Plot]) -> tuple[Patch, ...]:
    """Thin patches of a trial, each told against the rest of its own plot, with their plots."""
    told = []
    for number, (cells, ahead) in found.own.items():
        some = patches.thin(ahead, ground=_ground(number), strips=number < 0)
        told += [replace(patch, cells=cells[patch.cells]) for patch in some]
    return placed(numbered(told), plots)


def pale(found: Trial, plots: Sequence[Plot]) -> tuple[Patch, ...]:
    """Pale patches, as `thin`: a variety of another green is no patch."""
    told = []
    for number, (cells, ahead) in found.own.items():
        some = palepatches.pale(ahead.season, ground=_ground(number))
        told += [replace(patch, cells=cells[patch.cells]) for patch in some]
    return placed(numbered(told), plots)


def _ground(number: int) -> str:
    """What the cells around a patch are called: a plot, or what lies beside the plots."""
    return "plot" if number >= 0 else "lawn"


def only(grid: Grid, plots: Sequence[Plot]) -> Grid:
    """The grid without the cells whose middle lies on the paths between the plots."""
    share = np.ones((grid.rows, grid.cols)) if grid.share is None else grid.share
    return replace(grid, share=np.where(of_grid(grid, plots) < 0, 0.0, share))


def within(table: CellTable, x_m: Floats, y_m: Floats, plot: Plot) -> CellTable:
    """A spot's table with the cells beside its plot as not seen; where its cells (N,) are in lawn metres."""
    away = (np.abs(np.stack([x_m, y_m], axis=1) - plot.at_m) > np.array(plot.size_m) / 2 + 1e-6).any(axis=1)
    return _unseen(table, away, BESIDE)


def beside_beds(table: CellTable, x_m: Floats, y_m: Floats, beds_m: Sequence[Floats]) -> CellTable:
    """A spot's table with the cells in beds as not seen; where its cells (N,) are in lawn metres."""
    points = np.stack([x_m, y_m], axis=1)
    off = np.any([signed_distance_m(points, bed) > -BESIDE_BED_M for bed in beds_m], axis=0)
    return _unseen(table, off, IN_A_BED)


def left_of(plot: Plot, beds_m: Sequence[Floats]) -> float:
    """Share of a plot that is told of: without beds and what lies close beside them, to a hundredth."""
    steps = (np.arange(100) + 0.5) / 100 - 0.5
    points = plot.at_m + np.stack(np.meshgrid(steps, steps), axis=-1).reshape(-1, 2) * plot.size_m
    off = np.zeros(len(points), bool)
    for bed in beds_m:
        if np.all(bed.min(0) - BESIDE_BED_M < points.max(0)) and np.all(
            points.min(0) < bed.max(0) + BESIDE_BED_M
        ):
            off |= signed_distance_m(points, bed) > -BESIDE_BED_M
    return 1 - float(off.mean())


def _unseen(table: CellTable, off: Flags, why: str) -> CellTable:
    """A table with some of its cells (N,) as not seen."""
    off = off & (table.state == "seen")
    return replace(table, state=np.where(off, "not seen", table.state), why=np.where(off, why, table.why))


def of_cells(season: Season, plots: Sequence[Plot]) -> Whole:
    """(N,) number of the plot in which each cell's middle lies, -1 in none; an edge is the plot's beyond."""
    return of_grid(season.grid, plots)[season.row, season.col]


def of_grid(grid: Grid, plots: Sequence[Plot]) -> Whole:
    """(rows, cols) number of each cell's plot, -1 where it lies in none."""
    board = np.full((grid.rows, grid.cols), -1)
    for plot in plots:
        edges_m = np.array(plot.at_m) + np.outer([-0.5, 0.5], plot.size_m)  # (2, 2): low and high of x, y
        first = np.ceil((edges_m - (grid.x0_m, grid.y0_m)) / grid.cell_m - 0.5 - 1e-6).astype(int)
        (left, low), (right, high) = np.maximum(first, 0)
        board[low:high, left:right] = plot.number
    return board


def standings(
    found: Trial, plots: Sequence[Plot], tasks: Sequence[Task], given: Treatments
) -> tuple[Standing, ...]:
    """How each plot stands, in the order of the plots; a cell is of the plot in which its middle lies."""
    return tuple(_standing(found, plot, tasks, given) for plot in plots)


def _standing(found: Trial, plot: Plot, tasks: Sequence[Task], given: Treatments) -> Standing:
    """How a plot stands: as a plot by its row, and what its cells are by themselves."""
    mine = [
        (task, dict(task.patch.plots)[plot.number]) for task in tasks if plot.number in dict(task.patch.plots)
    ]
    nan, ahead = float("nan"), found.plots
    row = np.flatnonzero(found.numbers == plot.number)
    told = dict.fromkeys(FORECAST, nan)
    unseen = "no visit showed it" if plot.number in found.own else NO_CELL
    state, why, area, shares = "not seen", unseen, 0.0, dict.fromkeys(JUDGED, nan)
    if len(row) and (area := float(ahead.season.area_m2[row[0]])):
        k = int(row[0])
        told = {name: float(getattr(ahead, name)[k]) for name in FORECAST}
        state, why = str(ahead.state[k]), str(ahead.why[k])
        cells = found.own[plot.number][1]
        ground = np.where(cells.state == "not seen", 0.0, cells.season.area_m2)
        shares = {word: float(ground[cells.state == word].sum() / ground.sum()) for word in JUDGED}
    return Standing(
        plot=plot,
        given={name: given.value(plot.number, name) for name in given.columns},
        seen_m2=area,
        **told,
        state=state,
        why=why,
        states=shares,
        thin_m2=sum(share * task.patch.area_m2 for task, share in mine if task.patch.kind == "thin"),
        patches=tuple(task.patch.number for task, _ in mine),
        seed_g=sum(share * task.seed_g for task, share in mine),
    )
