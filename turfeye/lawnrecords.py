"""The frozen records of one lawn over time: its season, its outlook, its patches, its work plan.

As in :mod:`turfeye.records`, units stand in the field names, unknown is NaN and shares are 0-1. Metres are in
lawn coordinates.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Literal

import numpy as np

from turfeye.records import Flags, Floats, Grid, Whole, Words


@dataclass(frozen=True, slots=True)
class Sowing:
    """Seed put down: when, what, how much; on all of the lawn, or on the ground within some corners."""

    date: date
    mix: str
    rate_g_m2: float
    area_m: tuple[tuple[float, float], ...] = ()  # lawn metres; () where all of the lawn was sown


@dataclass(frozen=True, slots=True)
class Target:
    """What the lawn should be, and when."""

    cover: float
    date: date


@dataclass(frozen=True, eq=False, slots=True)
class Visit:
    """One dated look at the lawn: the cells of one photo, or of several of the same day."""

    taken: datetime
    age_days: float  # since sowing
    view: str
    photos: tuple[str, ...]
    degree_days: float = float("nan")  # above the species' base temperature, since sowing


@dataclass(frozen=True, eq=False, slots=True)
class Oversown:
    """Cells that were sown again: they start anew on that day, while the lawn goes on."""

    sowing: Sowing
    cells: Whole  # indexes into the season's cells


@dataclass(frozen=True, eq=False, slots=True)
class Season:
    """All visits of one lawn, sorted by time: (N cells, V visits), NaN where not seen. Gaps stay gaps."""

    grid: Grid
    row: Whole  # (N,)
    col: Whole  # (N,)
    x_m: Floats  # (N,)
    y_m: Floats  # (N,)
    area_m2: Floats  # (N,)
    visits: tuple[Visit, ...]
    cover: Floats  # (N, V)
    cover_se: Floats  # (N, V)
    dgci: Floats  # (N, V)
    dgci_se: Floats  # (N, V), what an index errs by in its photo, all cells of one alike
    lab: Floats  # (N, V, 3)
    sowing: Sowing
    target: Target
    flags: tuple[str, ...] = ()  # duplicates, clock errors: said, never mended in silence
    left_out: Mapping[str, str] = field(default_factory=dict)  # photos that do not count: why, by name
    degree_days_by_age: Floats | None = None  # (D,) at age 0, 1, 2 ... days; past the record at its last pace
    why_in_days: str = ""  # why there are no degree-days, where daily temperatures were given
    oversown: tuple[Oversown, ...] = ()  # parts that were sown again since, no cell in two
    earlier: tuple[Visit, ...] = ()  # before all of the lawn was sown again: shown, but no part of its growth
    earlier_cover: Floats = field(default_factory=lambda: np.empty((0, 0)))  # (N, E)

    @property
    def age_days(self) -> Floats:
        """(V,) days since sowing."""
        return np.array([visit.age_days for visit in self.visits])

    @property
    def sown_again(self) -> Flags:
        """(N,) cells that were sown again."""
        again = np.zeros(len(self.row), bool)
        for part in self.oversown:
            again[part.cells] = True
        return again

    def at(self, cells: Whole) -> Season:
        """The season of some cells alone, by their indexes (n,), on the same grid."""
        by_cell = ("row", "col", "x_m", "y_m", "area_m2", "cover", "cover_se", "dgci", "dgci_se", "lab")
        place = np.full(len(self.row), -1)
        place[cells] = np.arange(len(cells))
        again = [replace(part, cells=place[part.cells][place[part.cells] >= 0]) for part in self.oversown]
        return replace(
            self,
            **{name: getattr(self, name)[cells] for name in by_cell},
            oversown=tuple(part for part in again if len(part.cells)),
            earlier_cover=self.earlier_cover[cells] if self.earlier else self.earlier_cover,
        )


STATES = ("on course", "slow", "thin", "too soon to say", "not seen")


@dataclass(frozen=True, eq=False, slots=True)
class Forecast:
    """What is expected of each cell, (N,)."""

    cover_now: Floats
    cover_now_se: Floats
    cover_at_target: Floats
    cover_at_target_low: Floats  # 90 % interval
    cover_at_target_high: Floats
    p_on_target: Floats
    p_thin: Floats  # that it ends clearly short, with `states.CAUTION`
    reach_days: Floats  # age at which the cell reaches the target cover; inf when it does not


@dataclass(frozen=True, eq=False, slots=True, kw_only=True)
class Outlook(Forecast):
    """A curve and a forecast a cell, and for the whole lawn. Arrays (N,) unless said otherwise."""

    season: Season
    curve: Literal["logistic", "gompertz"]
    time_axis: Literal["days", "degree-days"]
    theta: Floats  # (N, P), the curve's parameters
    theta_cov: Floats  # (N, P, P)
    visit_offset: Floats  # (V,)
    state: Words  # one of STATES
    why: Words
    lawn: LawnOutlook
    lawn_age_days: Floats  # (T,) ages of the draws below
    lawn_draws: Floats  # (2 K, T) likely courses
    lawn_own_draws: Floats  # (K, T), without the next
    lawn_shared_se: Floats  # (T,) what all photos err by alike

    @property
    def cover_seen(self) -> Floats:
        """(N,) cover by now of the cells that were seen: of the others a fit says what its lawn's mean is."""
        return np.where(self.state == "not seen", np.nan, self.cover_now)

    @property
    def due_on(self) -> date:
        """The day by whose cover seed is planned: the target's, or the last visit's where that is later."""
        return max(self.season.target.date, self.season.visits[-1].taken.date())

    @property
    def cover_due(self) -> Floats:
        """(N,) cover on that day."""
        return self.cover_at_target if self.due_on == self.season.target.date else self.cover_now


@dataclass(frozen=True, slots=True)
class LawnOutlook:
    """The whole lawn in figures and one honest sentence."""

    cover_now: float
    cover_now_se: float
    cover_at_target: float
    cover_at_target_low: float
    cover_at_target_high: float
    p_on_target: float
    cells: int
    counts: dict[str, int]  # cells in each state
    thin_m2: float
    missing: str  # what most cells lack of which it is too soon to say, "" where none is
    sentence: str
    usual_now: tuple[float, float]  # between what the middle two thirds of the mix's lawns are by now
    loss: float  # what a setback on the last visit took, 0 or below


@dataclass(frozen=True, slots=True)
class Spot:
    """A peg: the card with this number lies there."""

    number: int
    at_m: tuple[float, float]
    turned_deg: float  # the card's x axis against the lawn's, anticlockwise
    size_m: tuple[float, float] | None = None  # of the trial plot in whose middle it stands

    @property
    def view(self) -> str:
        """What the view of it is called, beside views of the lawn."""
        return f"spot {self.number}"


def spot_of(view: str) -> int | None:
    """The number of the spot that a view is of; None for one of the lawn.

    >>> spot_of("spot 12"), spot_of("kitchen window")
    (12, None)
    """
    found = re.fullmatch(r"spot (\d+)", view)
    return int(found[1]) if found else None


@dataclass(frozen=True, slots=True)
class Plot:
    """One plot of a trial, its sides along the lawn's x and y."""

    number: int
    at_m: tuple[float, float]  # its middle
    size_m: tuple[float, float]

    def holds(self, at_m: tuple[float, float]) -> bool:
        """Whether a point of the lawn lies in it."""
        return all(abs(at_m[k] - self.at_m[k]) <= self.size_m[k] / 2 for k in (0, 1))


@dataclass(frozen=True, eq=False, slots=True)
class Patch:
    """A connected area that stands out, outlined below cell size."""

    number: int
    kind: Literal["thin", "slow", "pale", "bare", "hollow"]
    outline_m: Floats  # (K, 2), closed by its first point
    x_m: float  # its middle: its centroid, or where it is widest if that lies beside it
    y_m: float
    area_m2: float
    area_se_m2: float
    deficit: float  # mean over the patch of 1 - forecast cover / target cover, 0-1
    how_sure: float  # 0-1, of a thin one the chance that it won't fill, of a slow one that it comes
    cells: Whole  # indexes into the season's cells
    because: str
    holes_m: tuple[Floats, ...] = ()  # sound ground within it, each (K, 2), clockwise; no part of the area
    plots: tuple[
        tuple[int, float], ...
    ] = ()  # of a trial: where it lies, by number and share, the most first
    of_strip: bool = False  # told as a piece of one, with how wide that is


@dataclass(frozen=True, eq=False, slots=True)
class Tape:
    """Where a point is by two tape distances from two named corners of the outline."""

    corner_a: str
    corner_b: str
    from_a_m: float
    from_b_m: float
    error_m: float  # one standard deviation of the place, from the tape's own error


@dataclass(frozen=True, eq=False, slots=True)
class Task:
    """One line of the work plan."""

    patch: Patch
    tape: Tape
    seed_g: float
    dressing_l: float
    because: str
    cautions: tuple[str, ...] = ()

    @property
    def waits(self) -> bool:
        """Whether the patch stays short so far but gets no seed yet, since time may be all that it needs."""
        return self.patch.kind in ("thin", "slow") and not self.seed_g


@dataclass(frozen=True, eq=False, slots=True)
class WorkPlan:
    """Where, how much, by when, because of what."""

    tasks: tuple[Task, ...]
    seed_g: float  # total of the tasks, to the gram
    seed_spare_g: float
    in_passing: bool  # seed is wanted, but too little for a trip of its own
    dressing_l: float
    dressing_bags: int
    spreading: tuple[str, ...]  # the passes, in order
    verdict: str  # of the day planned from: "sow", "too early", "too late" or "not known"
    window: str  # when to sow, or why to wait
    dates: tuple[tuple[date, str], ...]  # photos of what is open; aftercare of a sowing that is done
    after_sowing: tuple[tuple[int, str], ...]  # aftercare of what is to be sown yet, by days after that
    cautions: tuple[str, ...]
    sentence: str
