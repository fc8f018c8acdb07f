"""A round: all the lawns that somebody looks after, the ones that need a visit first, and what to bring."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from turfeye import lawn
from turfeye.amounts import round_up
from turfeye.answer import Answer, Before
from turfeye.diary import Entry
from turfeye.errors import NoPhotosError, NotSownError, TurfeyeError
from turfeye.files import digest_of
from turfeye.notes import some
from turfeye.states import OLD_ENOUGH_DAYS
from turfeye.words import listed, per_cent, short_day, so_many
from turfeye.workplan import in_doubt, mostly_too_soon

UNSTARTED: dict[type[TurfeyeError], str] = {
    NoPhotosError: "file photos: turfeye add",
    NotSownError: "not sown: turfeye plan --before",
}
"""What a lawn without a season yet needs, where that says it all."""
RESEED = ("reseed", "reseed in passing")
"""Wants for which seed comes along."""
WAIT = ("too early", "too late")
"""A plan's verdicts on the day, by which its seed stays at home."""
WANTS = {
    "reseed": "to reseed",
    "sow": "to sow",
    "wait to reseed": "to reseed, but not now",
    "photograph again": "to photograph again",
    "reseed in passing": "to reseed in passing",
    "give it time": "to be given time",
    "on course": "on course",
    "begin": "not started",
    "mend": "with a problem",
    "nothing": "of an earlier season",
}
"""What a lawn may want, the most urgent first, and how such lawns are counted."""

STALE_DAYS = 28
"""A lawn last photographed so long before a round's newest photo is looked at before it is sown. Ours."""

EARLIER_DAYS = 180
"""So long before and past its target it is of another season, and kept to compare with. Ours."""

COLUMNS = (
    "lawn", "folder", "wants", "to_do", "last_photo", "age_days", "cover", "cover_se", "target_date",
    "target_cover", "cover_at_target", "p_on_target", "thin_m2", "mix", "seed_g", "seed_spare_g",
    "dressing_l", "next_date", "next", "problem",
)  # fmt: skip
"""Of round.csv, in order."""


@dataclass(frozen=True, eq=False, slots=True)
class Stop:
    """One lawn of a round: its answer, what to bring for its sowing, or why there is neither."""

    called: str  # its name, with its folder where another lawn has the same
    folder: Path
    wants: str  # one of `WANTS`
    to_do: str  # the same in two words or three, with the amount
    answer: Answer | None = None
    before: Before | None = None
    problem: str = ""  # what has to be mended before it can be told of
    stale: bool = False  # its last photo is too long ago to act by

    @property
    def earlier(self) -> bool:
        """Whether it is of an earlier season: a folder that nothing is done about any more."""
        return self.wants == "nothing"

    @property
    def seen(self) -> date | None:
        """The day of its last photo."""
        if self.before is not None:
            return self.before.taken
        return _seen(self.answer) if self.answer else None

    @property
    def known_by(self) -> str:
        """What it stays known by when its name or its folder's changes, or another lawn gets the same."""
        return self._of_season((self.answer and self.answer.lawn.known_by) or lawn.by_folder(self.folder))

    @property
    def known_by_folder(self) -> str:
        """The same for one of several that are known by the same, as where a folder was copied by hand."""
        return self._of_season(lawn.by_folder(self.folder))

    def _of_season(self, known_by: str) -> str:
        return f"{known_by} {self.answer.season.sowing.date.isoformat() if self.answer else ''}"

    @property
    def dates(self) -> tuple[tuple[date, str], ...]:
        """What is to come after its last photo, and the day that it is grown towards; none of a stale one."""
        if self.answer is None or self.stale:
            return ()
        target, seen = self.answer.season.target, _seen(self.answer)
        aim = (target.date, f"photograph on the target date: the aim is {per_cent(target.cover)} covered")
        planned = self.answer.plan.dates
        asked = any(when == target.date and what.startswith("photograph") for when, what in planned)
        ahead = [aim] if target.date > seen and not asked else []
        return tuple(sorted((*planned, *ahead), key=lambda entry: entry[0]))


@dataclass(frozen=True, eq=False, slots=True)
class Round:
    """All the lawns, those that need a visit first."""

    stops: tuple[Stop, ...]
    to_bring: str  # "" where no two lawns are to be sown or reseeded now
    shared: tuple[str, ...] = ()  # photos that are filed for two lawns, a line for each two

    @property
    def answers(self) -> tuple[Answer, ...]:
        """Of the lawns that have one."""
        return tuple(stop.answer for stop in self.stops if stop.answer)

    @property
    def as_of(self) -> date | None:
        """The day of the newest photo of all: what was due before it was missed."""
        return max((stop.seen for stop in self.stops if stop.seen), default=None)

    @property
    def dates(self) -> tuple[tuple[date, str, str], ...]:
        """Day, lawn and what is to come, of all lawns in the order of the days, from `as_of` on."""
        return tuple((when, called, what) for when, called, what, _ in self.entries)

    @property
    def entries(self) -> tuple[Entry, ...]:
        """The same for a calendar."""
        return tuple(entry for entry in self._entries if not self.missed(entry[0]))

    @property
    def days(self) -> tuple[tuple[date, str, tuple[str, ...]], ...]:
        """Day, what is to come, and the lawns that it is to come to; what was missed first."""
        lawns: dict[tuple[date, str], list[str]] = {}
        for when, called, what, _ in self._entries:
            lawns.setdefault((when, what), []).append(called)
        return tuple((when, what, tuple(called)) for (when, what), called in lawns.items())

    @property
    def _entries(self) -> list[Entry]:
        times = Counter(stop.known_by for stop in self.stops)
        known = {s.folder: s.known_by if times[s.known_by] == 1 else s.known_by_folder for s in self.stops}
        every = [(day, s.called, what, known[s.folder]) for s in self.stops for day, what in s.dates]
        return sorted(every, key=lambda entry: entry[0])

    def missed(self, when: date) -> bool:
        """Whether a date had passed when the newest photo was taken."""
        return self.as_of is not None and when < self.as_of

    @property
    def sentence(self) -> str:
        """How many lawns want what."""
        counts = Counter(stop.wants for stop in self.stops)
        told = listed(f"{counts[wants]} {words}" for wants, words in WANTS.items() if counts[wants])
        return f"{so_many(len(self.stops), 'lawn')}: {told}"


def of(found: Iterable[tuple[Path, Answer | Before | TurfeyeError]]) -> Round:
    """The round of lawns, each its folder with what is known of it (`survey.round_of`)."""
    every = list(found)
    told = [answer for _, answer in every if isinstance(answer, Answer)]
    unsown = [before for _, before in every if isinstance(before, Before)]
    failed = [(folder, why) for folder, why in every if isinstance(why, TurfeyeError)]
    lawns = [*(answer.lawn for answer in told), *(before.lawn for before in unsown)]
    named = [(place.folder, place.name) for place in lawns]
    called = _told_apart([*named, *((folder, _name(folder)) for folder, _ in failed)])
    newest = max((*map(_seen, told), *(before.taken for before in unsown)), default=date.min)
    stops = [_stop(answer, called[answer.lawn.folder], newest) for answer in told]
    stops += [_to_sow(before, called[before.lawn.folder]) for before in unsown]
    stops += [_unstarted(folder, why, called[folder]) for folder, why in failed]
    urgent = list(WANTS)
    stops.sort(key=lambda stop: (urgent.index(stop.wants), -_thin_m2(stop)))
    return Round(tuple(stops), _to_bring(stops), _shared(called))


def _shared(called: Mapping[Path, str]) -> tuple[str, ...]:
    """Photos that are filed for two lawns, of which they can show but one.

    Those from before the work may be an earlier season's last ones.
    """
    by_size: dict[int, list[tuple[Path, Path]]] = {}
    for folder in called:
        for path in (folder / "photos").glob("[!.]*"):
            by_size.setdefault(path.stat().st_size, []).append((folder, path))
    by_digest: dict[str, list[tuple[Path, Path]]] = {}
    for alike in by_size.values():
        for folder, path in alike if len(alike) > 1 else ():
            by_digest.setdefault(digest_of(path), []).append((folder, path))
    found: dict[tuple[str, ...], list[str]] = {}
    for copies in by_digest.values():
        lawns = tuple(dict.fromkeys(called[folder] for folder, _ in copies))
        if len(lawns) > 1:
            found.setdefault(lawns, []).append(copies[0][1].name)
    return tuple(
        f"{some(sorted(names))} {'are' if len(names) > 1 else 'is'} filed for {listed(lawns)}: delete from "
        "photos/ of the lawn that is not shown, and run turfeye season there"
        for lawns, names in found.items()
    )


def _seen(answer: Answer) -> date:
    """The day of a lawn's last photo."""
    return answer.season.visits[-1].taken.date()


def _thin_m2(stop: Stop) -> float:
    return stop.answer.outlook.lawn.thin_m2 if stop.answer else 0.0


def _stop(answer: Answer, called: str, newest: date) -> Stop:
    """A lawn with an answer, on the day of the round's ``newest`` photo."""
    days = (newest - _seen(answer)).days
    wants, stale = _wants(answer), days > STALE_DAYS
    if days > EARLIER_DAYS and answer.season.target.date < newest:
        return Stop(called, answer.lawn.folder, "nothing", "earlier season", answer, stale=True)
    if stale and (wants != "on course" or not answer.passed):
        again = "photograph again"
        return Stop(called, answer.lawn.folder, again, again, answer, stale=True)
    verb = dict.fromkeys(RESEED, "reseed") | {"wait to reseed": f"{answer.plan.verdict} to reseed"}
    tasks, once = answer.plan.tasks, len(answer.season.visits) == 1
    perhaps = "perhaps " * (once or len(in_doubt(tasks)) == sum(task.seed_g > 0 for task in tasks))
    in_passing = " in passing" * (wants == "reseed in passing")
    to_do = f"{perhaps}{verb[wants]} {answer.plan.seed_g:.0f} g{in_passing}" if wants in verb else wants
    if wants == "give it time" and (sown := _unjudged(answer)):
        to_do = f"{wants}, in part sown again {short_day(sown)}"
    return Stop(called, answer.lawn.folder, wants, to_do, answer, stale=stale)


def _to_sow(before: Before, called: str) -> Stop:
    to_do = f"sow {before.materials.seed_kg:.1f} kg"
    return Stop(called, before.lawn.folder, "sow", to_do, before=before)


def _unstarted(folder: Path, why: TurfeyeError, called: str) -> Stop:
    short = UNSTARTED.get(type(why))
    if short is None:
        return Stop(called, folder, "mend", "see below", problem=str(why))
    return Stop(called, folder, "begin", short)


def rows(found: Round) -> list[dict[str, Any]]:
    """One dict a lawn with the keys `COLUMNS`; None where a lawn has no season."""
    return [dict.fromkeys(COLUMNS) | _row(stop) for stop in found.stops]


def _row(stop: Stop) -> dict[str, Any]:
    about = {"lawn": stop.called, "folder": stop.folder.name, "wants": stop.wants, "to_do": stop.to_do}
    if stop.before is not None:
        bring = stop.before.materials
        return about | {
            "last_photo": stop.before.taken,
            "mix": bring.mix,
            "seed_g": bring.seed_g,
            "seed_spare_g": round(1000 * bring.seed_kg) - bring.seed_g,
            "dressing_l": bring.dressing_l,
        }
    if stop.answer is None:
        return about | {"problem": stop.problem or None}
    answer, whole = stop.answer, stop.answer.outlook.lawn
    when, what = stop.dates[0] if stop.dates else (None, None)
    return about | {
        "last_photo": _seen(answer),
        "age_days": answer.season.visits[-1].age_days,
        "cover": whole.cover_now,
        "cover_se": whole.cover_now_se,
        "target_date": answer.season.target.date,
        "target_cover": answer.season.target.cover,
        "cover_at_target": whole.cover_at_target,
        "p_on_target": whole.p_on_target,
        "thin_m2": whole.thin_m2,
        "mix": answer.season.sowing.mix,
        "seed_g": answer.plan.seed_g,
        "seed_spare_g": answer.plan.seed_spare_g,
        "dressing_l": answer.plan.dressing_l,
        "next_date": when,
        "next": what,
    }


def _told_apart(lawns: Sequence[tuple[Path, str]]) -> dict[Path, str]:
    """What each folder's lawn is called; its folder is named where another lawn has its name."""
    names = Counter(name for _, name in lawns)
    return {place: f"{name} ({place.name})" if names[name] > 1 else name for place, name in lawns}


def _name(folder: Path) -> str:
    """What a lawn without an answer is called: by its folder where its file can't be read either."""
    try:
        return lawn.read(folder).name
    except (TurfeyeError, OSError):
        return folder.name


def _to_bring(stops: Sequence[Stop]) -> str:
    """What the lawns to sow and reseed take together, where there are several: seed by mix, and dressing."""
    reseeded = [stop.answer for stop in stops if stop.answer and stop.wants in RESEED]
    sown = [stop.before.materials for stop in stops if stop.before]
    if len(reseeded) + len(sown) < 2:
        return ""
    by_mix: Counter[str] = Counter()
    for answer in reseeded:
        by_mix[answer.season.sowing.mix] += round(answer.plan.seed_g + answer.plan.seed_spare_g)
    for bring in sown:
        by_mix[bring.mix] += round(1000 * bring.seed_kg)
    seed = listed(f"{_weight(grams)} of {mix}" for mix, grams in by_mix.items())
    litres = sum(answer.plan.dressing_l for answer in reseeded) + sum(bring.dressing_l for bring in sown)
    dressing = f", {round_up(litres)} L of dressing" if litres else ""
    lawns = listed(
        f"{so_many(len(some), 'lawn')} to {what}"
        for some, what in ((reseeded, "reseed"), (sown, "sow"))
        if some
    )
    return f"to bring for {lawns}, spare included: {seed}{dressing}"


def _weight(grams: int) -> str:
    """Grams below a kilogram, kilograms with a decimal above: rounded up, or what is brought falls short.

    >>> _weight(88), _weight(1310)
    ('88 g', '1.4 kg')
    """
    return f"{grams} g" if grams < 1000 else f"{math.ceil(grams / 100) / 10:.1f} kg"


def _wants(answer: Answer) -> str:
    """Which of `WANTS` a lawn with an answer has."""
    counts, plan = answer.outlook.lawn.counts, answer.plan
    if any(task.seed_g > 0 for task in plan.tasks):
        if plan.verdict in WAIT:
            return "wait to reseed"
        return "reseed in passing" if plan.in_passing else "reseed"
    if mostly_too_soon(answer.outlook):
        return "photograph again"
    return "give it time" if counts["slow"] > counts["on course"] or _unjudged(answer) else "on course"


def _unjudged(answer: Answer) -> date | None:
    """The last day on which a part was sown again that no photo shows old enough to be judged, if any."""
    sown = [one.sowing.date for one in answer.season.oversown]
    return max((day for day in sown if (_seen(answer) - day).days < OLD_ENOUGH_DAYS), default=None)
