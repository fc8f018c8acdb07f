"""What is to be said of a lawn's photos: not measured, measured with a note, cells never seen, photos gone.

Each kind in lines for people; and the errors where nothing is left to go on with.
"""

from __future__ import annotations

import shlex
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from turfeye import bydate, notes, photonames, plots, plotsheet, turned, unseen
from turfeye.errors import LawnError, NoPhotosError, SeasonError
from turfeye.lawn import FILE_NAME, Lawn
from turfeye.lawnrecords import Season
from turfeye.measurement import Measured
from turfeye.notes import Note
from turfeye.readings import Reading
from turfeye.records import Whole
from turfeye.states import OLD_ENOUGH_DAYS
from turfeye.treatments import Compared, Treatments
from turfeye.words import listed, per_cent, short_day

WHOLE: Final = 0.95
"""A plot of which so much is left by beds counts as whole: its sides are taped no better. Ours."""


def not_measured(place: Lawn, measured: Iterable[Measured]) -> list[Note]:
    """Photos without a table, a line a reason."""
    return _refused(place, measured, ("was not measured", "were not measured"))


def _refused(place: Lawn, measured: Iterable[Measured], verb: tuple[str, str] = ("", "")) -> list[Note]:
    said = [(one.path.name, one.why) for one in measured if one.table is None]
    called = photonames.called(place, [name for name, _ in said], to_retake=True)
    return notes.gathered(said, verb, called=called)


def noted(place: Lawn, measured: Iterable[Measured]) -> list[Note]:
    """The notes on measured photos."""
    every = list(measured)
    said = [(one.path.name, word) for one in every for word in one.facts["warnings"]]
    views = {one.path.name: str(one.facts["view"]) for one in every}
    return notes.gathered(said, called=photonames.called(place, views, views=views))


def unplaced(place: Lawn, why: Mapping[str, str]) -> list[Note]:
    """Filed photos that can't be measured as they are, ``why`` by name, a line a reason."""
    return notes.gathered(why.items(), called=photonames.called(place, why, to_retake=True))


def placed(place: Lawn, said: Sequence[tuple[str, str]]) -> list[Note]:
    """What is said, (photo, words), of filed photos that are placed."""
    return notes.gathered(said, called=photonames.called(place, [name for name, _ in said]))


def _not_photographed(place: Lawn, measured: Iterable[Measured]) -> list[str]:
    """Plots of a trial without a photo, measured or not, where most have one from the last few days."""
    views = {one.path.name: str(one.facts.get("view", "")) for one in measured}
    taken = [(n, on) for n, on in photonames.plots_of(place, views, views=views).values() if on]
    if not taken:
        return []
    last = max(on for _, on in taken)
    of_round = [(n, on) for n, on in taken if (last - on).days < bydate.ROUND_DAYS]
    there = {n for n, _ in of_round}
    lacking = [plot.number for plot in place.plots if plot.number not in there]
    if not lacking or len(lacking) > len(there):
        return []
    first = min(on for _, on in of_round)
    when = f"on {short_day(last)}" if first == last else f"from {short_day(first)} to {short_day(last)}"
    numbers = notes.some([str(n) for n in lacking], most=photonames.MOST_TO_RETAKE)
    return [f"no photo {when} of {'plots' if len(lacking) > 1 else 'plot'} {numbers}"]


def of_season(
    place: Lawn, measured: Sequence[Measured], table: Season, in_season: Sequence[Reading]
) -> list[Note]:
    """What is to be said of a season's photos: not measured, measured with a note, never seen, gone."""
    good = [one for one in measured if one.table is not None]
    said = [*turned.said(in_season, peg=place.peg_word), *_on_one_visit(table)]
    said += unseen.notes(
        table,
        [reading.table for reading in in_season if reading.at_m is None],
        outline_m=place.outline_m,
        corner_names=place.corner_names,
        side_names=place.side_names,
    )
    if gone := place.noted_but_gone():
        said.append(f"{FILE_NAME} has a [[photo]] for a file that is not in photos/: {notes.some(gone)}")
    return [
        *not_measured(place, measured),
        *notes.stated(_not_photographed(place, measured)),
        *noted(place, good),
        *notes.stated(said),
    ]


def of_plots_in_beds(place: Lawn) -> list[str]:
    """Plots that beds take, all or a part of, and how much is left of them."""
    left = {plot.number: plots.left_of(plot, place.beds_m) for plot in place.plots if place.beds_m}
    lost = sorted(number for number, share in left.items() if share == 0)
    cut = sorted(number for number, share in left.items() if 0 < share < WHOLE)
    mend = f"if nothing stands there, correct the bed in {FILE_NAME}"
    said = []
    if lost:
        lie, have = ("lie", "have") if len(lost) > 1 else ("lies", "has")
        said.append(f"{_plots(lost)} {lie} in a [[bed]] and {have} no figure; {mend}")
    if cut:
        lie, their = ("lie", "their figures are") if len(cut) > 1 else ("lies", "its figure is")
        said.append(
            f"{_plots(cut, [f'{n} ({per_cent(left[n])} left)' for n in cut])} {lie} partly in a [[bed]], and "
            f"{their} that of the rest; {mend}"
        )
    return said


def of_small_plots(place: Lawn, number_of: Whole) -> list[str]:
    """Plots that hold the middle of none of the season's cells, so have no figure; ``number_of`` (N,) each
    cell's plot."""
    none = [plot for plot in place.plots if plot.number not in {*number_of.tolist()}]
    small = sorted(plot.number for plot in none if plots.left_of(plot, place.beds_m))
    if not small:
        return []
    have, their, them = ("have", "their", "them") if len(small) > 1 else ("has", "its", "it")
    return [
        f"{_plots(small)} {have} figures from {their} own photos only, because no {place.cell_m:g} m cell of "
        f"the lawn has its middle in {them}; make cell_m in {FILE_NAME} smaller"
    ]


def of_treatments(place: Lawn, given: Treatments, compared: Sequence[Compared] = ()) -> list[str]:
    """What ``treatments.csv`` does not say of the plots, or says so that they can't be ``compared``."""
    if not place.plots and (place.folder / plotsheet.FILE_NAME).is_file():
        names = [name for name in plotsheet.read(place.folder).names if name] or ["none"]
        return [
            f"{plotsheet.FILE_NAME} is not read: nothing says where its plots are, neither columns called "
            f"{listed(plotsheet.SIDES)} (it has {listed(names)}) nor [[plots]] in {FILE_NAME}"
        ]
    said = []
    if lacking := given.lacking([plot.number for plot in place.plots]):
        said.append(f"{plotsheet.FILE_NAME} says nothing of {_plots(lacking)}")
    if given.columns and plotsheet.TREATMENT not in given.columns:
        others = (
            f" (it has {listed(given.columns)}); give the one to compare that name" if given.columns else ""
        )
        said.append(f"{plotsheet.FILE_NAME} has no column {plotsheet.TREATMENT}: nothing is compared{others}")
    elif block := given.like_a_block():
        said.append(
            f"{plotsheet.FILE_NAME} has no column {plotsheet.BLOCK}: plots count as completely randomised. "
            f"Each treatment is once in each {block}: if that is the block, call it {plotsheet.BLOCK}"
        )
    if apart := given.not_compared():
        one = "or block " if plotsheet.BLOCK in given.columns else ""
        said.append(
            f"{plotsheet.FILE_NAME} names no treatment {one}for {_plots(apart)}: left out of all means"
        )
    said += [
        f"{plotsheet.FILE_NAME} has {listed(repr(name) for name in names)}, which count as {len(names)}: "
        "write them the same way if they are one"
        for names in given.alike()
    ]
    whys = dict.fromkeys(one.means.why for one in compared if one.measure == "cover" and not one.sentence)
    return said + [f"treatments are not compared: {why}" for why in whys if why]


def _plots(numbers: Sequence[int], told: Sequence[str] = ()) -> str:
    some = notes.some(told or [str(number) for number in numbers], most=notes.MOST_NUMBERS)
    return f"plot{'s' * (len(numbers) > 1)} {some}"


def _on_one_visit(table: Season) -> list[str]:
    """That one day's light is in everything, where states are told by it."""
    if len(table.visits) != 1 or table.age_days[0] < OLD_ENOUGH_DAYS:
        return []
    return [
        "what is thin, slow or on course rests on a single visit: photograph the lawn again before you reseed"
    ]


def not_of_the_lawn(place: Lawn, measured: Sequence[Measured]) -> list[Note]:
    """Photos from before the work that its survey can't use: not measured, or of a spot only."""
    spots = [
        (o.path.name, "shows a spot only, so it is not used for this list")
        for o in measured
        if "at_m" in o.facts
    ]
    return [*not_measured(place, measured), *notes.gathered(spots)]


def nothing_of_the_lawn(place: Lawn, measured: Sequence[Measured]) -> LawnError:
    """Why there is nothing to survey before the work, and what to do."""
    later = ["  - photos/ is for what came after it: move those from before the work to before/"]
    words = [
        f"{place.name}: no photo from before the work shows the lawn.",
        *notes.within(not_of_the_lawn(place, measured)),
        *(later if place.photos() else ()),
        f"File one with its corners marked: turfeye add {shlex.quote(str(place.folder))} PHOTO --before "
        "--corner x,y …",
    ]
    return LawnError("\n".join(words))


def nothing_measured(place: Lawn, measured: Sequence[Measured]) -> SeasonError:
    """Why there is no season yet: each reason on a line with its photos, and what to do."""
    file_some = f"turfeye add {shlex.quote(str(place.folder))} PHOTO"
    if not measured:
        return NoPhotosError(f"no photos yet; file some with: {file_some}")
    lines = notes.within(_refused(place, measured))
    spots = sorted({s for o in measured if (s := o.facts.get("unknown_spot")) is not None})
    if spots:
        words = f"card {spots[0]} lies 2 m along from corner A and 1.5 m in"
        lines += [f"To place a spot, write in {place.folder / FILE_NAME} (example: {words}):"]
        lines += ["  [[spot]]", f"  number = {spots[0]}", "  at_m = [2.0, 1.5]"]
    return SeasonError("\n".join(["no photo could be measured:", *lines]))


def nothing_seen(place: Lawn, measured: Sequence[Measured]) -> SeasonError:
    """Why no cell of the lawn was seen, with what the photos' notes advise."""
    whys = [
        (one.path.name, Counter(one.table.reasons.tolist()).most_common(1)[0][0])
        for one in measured
        if one.table is not None
    ]
    called = photonames.called(place, [name for name, _ in whys])
    lines = notes.within([*notes.gathered(whys, called=called), *noted(place, measured)])
    return SeasonError(
        "\n".join(["no photo shows any cell of the lawn well enough; take the photos again:", *lines])
    )
