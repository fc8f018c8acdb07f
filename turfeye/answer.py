"""The answer for one lawn: all records of one reading of it, together, and in ten lines."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from turfeye import aftercare, compare, headline
from turfeye.amounts import PlanSettings
from turfeye.course import Course
from turfeye.errors import SeasonError
from turfeye.lawn import Lawn
from turfeye.lawnrecords import STATES, Outlook, Patch, Season, WorkPlan
from turfeye.notes import Note
from turfeye.plots import Standing, counted, where
from turfeye.records import CellTable
from turfeye.renovation import Materials
from turfeye.teach import Teaching
from turfeye.temperatures import Temperatures
from turfeye.treatments import Compared
from turfeye.words import day, listed, per_cent, so_many, square_metres, together_m2


@dataclass(frozen=True, eq=False, slots=True)
class Beside:
    """Another lawn, or this one last year, that a lawn is compared with."""

    name: str
    course: Course
    sentences: tuple[str, ...]  # how the two differ, by days and perhaps by degree-days


@dataclass(frozen=True, eq=False, slots=True)
class Answer:
    """What is known of one lawn, and what to do. Everything that people are shown comes from here."""

    lawn: Lawn
    outlook: Outlook
    course: Course
    thin: tuple[Patch, ...]
    pale: tuple[Patch, ...]
    plan: WorkPlan
    slow: tuple[Patch, ...] = ()  # strips that come late: no seed
    stripes: tuple[str, ...] = ()  # each in one sentence
    evenness: tuple[str, ...] = ()  # each measure in one line
    notes: tuple[Note, ...] = ()  # what is to be minded of its photos and figures
    files: tuple[Path, ...] = ()  # what was written
    taught: Teaching | None = None  # what the readings were adapted by
    spots: str = ""  # how several spots rank at the last visit, in a sentence
    plots: tuple[Mapping[str, Any], ...] = ()  # each spot's row of its last visit, the greenest first
    standings: tuple[Standing, ...] = ()  # of a trial's plots
    treatments: tuple[Compared, ...] = ()  # of a trial, as they compare at the last visit
    beside: Beside | None = None

    @property
    def warnings(self) -> tuple[str, ...]:
        """The notes in words."""
        return tuple(map(str, self.notes))

    @property
    def season(self) -> Season:
        """The dated table that it rests on."""
        return self.outlook.season

    @property
    def passed(self) -> bool:
        """Whether the target's date is looked back on."""
        return headline.passed(self.season)

    @property
    def target_age_days(self) -> float:
        """Age on the target's date."""
        return float((self.season.target.date - self.season.sowing.date).days)


@dataclass(frozen=True, eq=False, slots=True)
class Before:
    """A lawn before the work: what its survey shows, and what to bring."""

    lawn: Lawn
    table: CellTable  # each cell from the photo that shows it best
    taken: date  # of the last photo
    photos: tuple[str, ...]  # names in before/
    materials: Materials
    window: str  # when to sow, or why to wait
    notes: tuple[Note, ...] = ()  # what is to be minded of its photos and figures
    files: tuple[Path, ...] = ()
    taught: Teaching | None = None

    @property
    def warnings(self) -> tuple[str, ...]:
        """The notes in words."""
        return tuple(map(str, self.notes))


def plan_settings(lawn: Lawn, *, temperatures: Temperatures | None = None) -> PlanSettings:
    """What the lawn's file says of seed and dressing, as the plan wants it."""
    usual = PlanSettings()
    return PlanSettings(
        rate_g_m2=lawn.seed.rate_g_m2,
        spare_pct=lawn.spare_pct,
        dressing_mm=usual.dressing_mm if lawn.dressing.depth_mm is None else lawn.dressing.depth_mm,
        bag_covers_m2=lawn.dressing.bag_covers_m2,
        bag_l=lawn.dressing.bag_l,
        purity=lawn.seed.purity,
        germination=lawn.seed.germination,
        corner_names=lawn.corner_names,
        beds_m=lawn.beds_m,
        temperatures=temperatures,
    )


def compared(
    place: Lawn, ahead: Outlook, other: Answer | None, taught: Teaching | None
) -> tuple[Beside | None, tuple[str, ...]]:
    """What a lawn is compared with, and warnings: where that can't be done, or one is read otherwise."""
    if other is None:
        return None, ()
    name = name_beside(place, other.lawn)
    # taught otherwise, its photos err otherwise
    same = compare.one_lawn(ahead.season, other.season) and not (taught or other.taught)
    try:
        found = compare.every_way(ahead, other.outlook, name=name, same_lawn=same)
    except SeasonError as error:
        return None, (f"not compared with {name}: {error}",)
    said = [f"{name}: {other.taught.sentence}"] if other.taught else []
    said += compare.beds_of_one(ahead.season, other.season, name=name)
    if (other.taught is None) != (taught is None):
        which = "this lawn" if taught else name
        said.append(f"only {which} is taught: part of what {name} differs by may come from that")
    return Beside(name, other.course, tuple(one.sentence for one in found)), tuple(said)


def name_beside(place: Lawn, other: Lawn) -> str:
    """What another lawn is called beside this one: by its year, else its folder, where it has its name."""
    if other.name != place.name:
        return other.name
    this, last = (max(sown.date for sown in one.sowings if not sown.area_m).year for one in (place, other))
    return f"{other.name} {last}" if this != last else f"{other.name} ({other.folder.name})"


def ten_lines(answer: Answer, *, noted: bool = True) -> tuple[str, ...]:
    """The answer for a screen: at most ten lines, plain text; not ``noted`` where the notes follow."""
    lawn, plan = answer.outlook.lawn, answer.plan
    target = answer.season.target
    reason = {"too soon to say": f" (mostly: {lawn.missing})" if lawn.missing else ""}
    of_plots = Counter(one.state for one in answer.standings)
    by_state = {s: of_plots[s] for s in STATES if of_plots[s]} or state_counts(answer.outlook)
    counts = ", ".join(f"{n} {state}{reason.get(state, '')}" for state, n in by_state.items())
    lines = [
        f"{answer.lawn.name}: {so_many(len(answer.season.visits), 'visit')}, "
        f"sown {day(answer.season.sowing.date)}" + (", a taught lawn" if answer.taught else ""),
        lawn.sentence,
        f"{'The target was' if answer.passed else 'Forecast for'} {day(target.date)}: "
        f"{per_cent(lawn.cover_at_target)} covered "
        f"({per_cent(lawn.cover_at_target_low)} to {per_cent(lawn.cover_at_target_high)}); "
        f"chance of {'having reached' if answer.passed else 'reaching'} {per_cent(target.cover)}: "
        f"{per_cent(lawn.p_on_target)}",
        f"{'Plots' if answer.standings else 'Cells'}: {counts}",
        *([answer.spots] if answer.spots else []),
        *[one.sentence for one in answer.treatments if one.measure == "cover" and one.sentence],
        _patches("Thin", answer.thin),
    ]
    if answer.pale:
        lines.append(_patches("Pale", answer.pale))
    lines += answer.stripes[:1]
    lines.append(plan.sentence)
    if (plan.dates or plan.after_sowing) and len(lines) < 9:
        lines.append(_next(plan))
    if answer.notes and noted:
        more = sum(len(note.said) for note in answer.notes) - 1
        rest = f"this note and {more} more are" if more else "more is"
        lines.append(f"Note: {answer.notes[0].brief} ({rest} on the page)")
    return tuple(lines[:10])


def _next(plan: WorkPlan) -> str:
    """What comes on which days, and how many days after a sowing, in few words; where it is told once."""
    steps, told = [], False
    for when, what in plan.dates[:3]:
        short, where, _ = _brief(what).partition(aftercare.WHERE_SOWN_AGAIN)
        steps.append(f"{day(when)} {short}{' there' if where and told else where}")
        told = bool(where)
    if plan.after_sowing:
        (days, what), *later = plan.after_sowing
        parts = (f"{_brief(what)} after {days} days", *(f"{_brief(w)} after {n}" for n, w in later))
        steps.append(f"once sown, {listed(parts)}")
    every = [what for _, what in (*plan.dates[:3], *plan.after_sowing)]
    usual = any(aftercare.USUAL in what for what in every)
    return f"Next: {'; '.join(steps)}{' (usual for the mix; common practice, no source)' if usual else ''}"


def _brief(what: str) -> str:
    """What is to be done without the why."""
    return re.split("[:,]", what)[0]


def state_counts(outlook: Outlook) -> dict[str, int]:
    """Cells in each state that there is; of a lawn seen by spots only, those that the spots show."""
    left_out = "not seen" if headline.spots_only(outlook.season) else ""
    return {s: n for s in STATES if s != left_out and (n := outlook.lawn.counts.get(s, 0))}


def _patches(word: str, patches: tuple[Patch, ...]) -> str:
    if not patches:
        return f"{word}: nothing stands out"
    area = together_m2(patch.area_m2 for patch in patches)
    places = ", ".join(
        f"{square_metres(p.area_m2)} {f'in {where(p)}' if p.plots else f'at ({p.x_m:.1f}, {p.y_m:.1f}) m'}"
        for p in patches[:3]
    )
    more = f" and {len(patches) - 3} more" if len(patches) > 3 else ""
    count = f"{so_many(len(patches), 'patch', 'patches')}{counted(patches)}"
    return f"{word}: {count}, {square_metres(area)} by outline: {places}{more}"
