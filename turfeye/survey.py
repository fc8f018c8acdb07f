"""Runs the steps in order: the only module that knows the order. Each command is one call here."""

from __future__ import annotations

import shlex
from collections.abc import Collection, Iterator, Sequence
from dataclasses import replace
from datetime import date, datetime
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from turfeye import (
    answer,
    bydate,
    byphoto,
    cells,
    course,
    doubts,
    glance,
    headline,
    lawn,
    lessons,
    mixes,
    notes,
    outlook,
    oversown,
    palepatches,
    patches,
    planfile,
    plots,
    renovation,
    results,
    samples,
    series,
    settled,
    store,
    stripes,
    teach,
    temperatures,
    treatments,
    uniformity,
    window,
    workplan,
)
from turfeye import season as seasons
from turfeye.answer import Answer, Before
from turfeye.errors import (
    DateError,
    LawnError,
    NotSownError,
    PlaceError,
    TurfeyeError,
)
from turfeye.filing import Filed, Tell, add, untold
from turfeye.gapfraction import Blades
from turfeye.glance import look
from turfeye.lawn import Lawn
from turfeye.lawnrecords import Outlook, Patch, Season
from turfeye.measurement import Measured, marks_doubted, measure, out_of_reach, placing
from turfeye.newlawn import make as new
from turfeye.outline import signed_area, without
from turfeye.readings import Reading
from turfeye.summary import as_dict as look_as_dict
from turfeye.teach import Lesson
from turfeye.trial import Trial

__all__ = [
    "Filed", "add", "answered", "before", "demo", "fit_blades", "look", "look_as_dict", "marks_doubted",
    "measure", "new", "out_of_reach", "placing", "round_of", "season", "season_table", "sow_plan",
    "teach_lawn", "treatments_of",
]  # fmt: skip


def season(
    folder: Path | str,
    *,
    against: Path | str | None = None,
    today: date | None = None,
    tell: Tell = untold,
) -> Answer:
    """Measure what is new of a lawn, follow its growth, and say what is thin and what to do.

    Each photo is measured once; a photo that can't be measured is named in the warnings and leaves a gap.
    So is one dated before the sowing or after ``today`` (by default the computer's own date), and one that
    is there twice; clocks that seem wrong are named. Everything is written to the lawn's ``results/``.
    ``against`` is another lawn's folder, or last year's, that it is compared with. ``tell`` hears what is
    being done, since many new photos take a while.

    Raises
    ------
    LawnMissingError, LawnError : no lawn there, or mistakes in its files
    SeasonError : no photo could be measured, or nothing says when it was sown
    DateError : all photos are from before the sowing or from the future
    """
    place = lawn.read(folder)
    if place.sowing is None:
        raise NotSownError(
            f"a season counts from a sowing and {place.folder / lawn.FILE_NAME} has none. Before the work: "
            f"turfeye plan {shlex.quote(str(place.folder))} --before. Once it is sown, write there, say:\n"
            f'  [[sowing]]\n  date = 2026-03-14\n  mix = "{lawn.USUAL_MIX}"\n  rate_g_m2 = 35'
        )
    # These first: whatever is wrong there is said before an hour goes into this lawn's photos.
    other = None if against is None else season(against, today=today, tell=tell)
    treatments_of(place)
    with lawn.locked(place.folder):
        measured = measure(place, tell=tell)
        tell("growth, forecast and pictures")
        return answered(place, measured, today=today, other=other)


def before(folder: Path | str, *, mix: str | None = None, tell: Tell = untold) -> Before:
    """Survey a lawn from its photos before the work, and list what to bring.

    ``mix`` is what will be sown: by default that of the last sowing, else perennial ryegrass. Everything is
    written to the lawn's ``results/``.

    Raises LawnMissingError, LawnError : no lawn there, mistakes in its files, or no photo of the whole lawn
    """
    place = lawn.read(folder)
    with lawn.locked(place.folder):
        return _before(place, measure(place, before=True, tell=tell), mix)


def sow_plan(
    folder: Path | str,
    on: date,
    *,
    only: Collection[int] = (),
    in_plots: Collection[int] = (),
    mix: str | None = None,
    today: date | None = None,
    tell: Tell = untold,
) -> tuple[Answer, float]:
    """Write down that a lawn's plan was sown on a day: its patches become ``[[sowing]]`` in ``lawn.toml``.

    The plan is that of the photos up to that day; ``only`` has the numbers of its patches that were sown, and
    ``in_plots`` those of a trial's plots in which all were, by default all that get seed. ``mix`` is what was
    sown, by default the lawn's; the weight is the plan's. Returns the season after it, and the ground
    sown in m². Raises what `season` raises, DateError for a day to come or before the lawn's own sowing, and
    LawnError where nothing was to be sown, a patch or plot gets no seed, no mix is called so or parts were
    sown on that day already; then nothing is written.
    """
    if on > (today or date.today()):
        raise DateError(f"{on} is still to come; write down what was sown once it is done")
    place = lawn.read(folder)
    if place.sowing and on <= place.sowing.date:
        raise DateError(
            f"{on} is not after the lawn's own sowing on {place.sowing.date}; give the day on which the "
            "plan's patches were sown"
        )
    _none_sown_on(place, on)
    sown_mix = mixes.get(mix, place.mixes).name if mix else None
    planned = season(folder, today=on, tell=tell)
    tasks = [task for task in planned.plan.tasks if task.seed_g > 0]
    refused = f"nothing was to be sown: {planned.plan.sentence}"
    if tasks:
        refused = plots.seedless(tasks, only, in_plots)
    if only or in_plots:
        tasks = [task for task in tasks if task.patch.number in only or plots.of(task.patch) in in_plots]
    sown = [oversown.by_plan(task, on, sown_mix or planned.season.sowing.mix) for task in tasks]
    if not refused:
        with lawn.locked(place.folder):
            _none_sown_on(lawn.read(folder), on)  # by another turfeye, meanwhile
            lawn.add_sowings(place.folder, sown, [oversown.remark(task) for task in tasks])
    after = season(folder, today=today, tell=tell)  # so that the results are today's again
    if refused:
        raise LawnError(f"by the photos up to {on} {refused}")
    return after, sum(abs(signed_area(np.array(one.area_m))) for one in sown)


def _none_sown_on(place: Lawn, on: date) -> None:
    if any(one.date == on for one in place.oversowings):
        raise LawnError(
            f"{place.folder / lawn.FILE_NAME} has parts sown on {on} already, and they count; if they are "
            "wrong, correct them there"
        )


def fit_blades(folder: Path | str, top: Path | str, low: Path | str) -> Blades:
    """Fit how a lawn's blades lie, from two photos of one place, and write it down in its ``lawn.toml``.

    ``top`` is taken from straight above and ``low`` at about 50 degrees, the card lying still between them.
    Raises what ``glance.fit_blades`` and ``lawn.read`` raise; then nothing is written.
    """
    place = lawn.read(folder)
    found = glance.fit_blades(top, low)
    with lawn.locked(place.folder):
        lawn.set_blades(place.folder, found)
    return found


def round_of(
    folder: Path | str, *, tell: Tell = untold
) -> Iterator[tuple[Path, Answer | Before | TurfeyeError]]:
    """Every lawn below a folder, one after the other: its folder, and its answer or why there is none.

    Of a lawn that is not sown yet and has photos before the work it is the list of what to bring.
    Raises LawnMissingError where there is no lawn.
    """
    for place in lawn.lawns_in(Path(folder)):
        try:
            yield place, _season_or_before(place, partial(_tell_of, place.name, tell))
        except TurfeyeError as error:
            yield place, error
        except OSError as error:
            yield place, PlaceError.of(error)


def _season_or_before(folder: Path, tell: Tell) -> Answer | Before:
    try:
        return season(folder, tell=tell)
    except NotSownError:
        if not lawn.read(folder).photos(before=True):
            raise
        return before(folder, tell=tell)


def _tell_of(name: str, tell: Tell, words: str) -> None:
    tell(f"{name}: {words}")


def demo(folder: Path | str, *, tell: Tell = untold) -> tuple[Answer, ...]:
    """Copy the shipped samples to a folder and run the whole job on each; what is there already is kept.

    Raises LawnError where the samples are not installed, and what `season` raises.
    """
    places = samples.copied(Path(folder))
    return tuple(season(place, today=date.max, tell=tell) for place in places)  # their dates are invented


def teach_lawn(folder: Path | str, marks: Sequence[Path]) -> Lesson:
    """Teach the classifier a lawn from marks files; what is better on strokes left out is kept.

    Where it is not, or the marks hold mistakes, the lawn stays as it was.

    Raises LawnMissingError, LawnError : no lawn there, or mistakes in its files
    StrokesError : mistakes in the marks, too few of them, or a marked photo without a card
    """
    place = lawn.read(folder)
    with lawn.locked(place.folder):
        lesson = lessons.learn(place, marks)
        if lesson.kept:
            teach.save(place, lesson.teaching)
    return lesson


def _before(place: Lawn, measured: Sequence[Measured], mix: str | None) -> Before:
    """From measured photos to what to bring, written to the results folder."""
    whole = [(one, one.table) for one in measured if one.table is not None and "at_m" not in one.facts]
    if not whole:
        raise doubts.nothing_of_the_lawn(place, measured)
    sown = mixes.get(mix or (place.sowings[-1].mix if place.sowings else lawn.USUAL_MIX), place.mixes)
    taken = max(datetime.fromisoformat(one.facts["taken"]).date() for one, _ in whole)
    weather = temperatures.of_folder(place.folder)
    table = renovation.best_of([table for _, table in whole])
    said = (*lessons.not_used(place), *(weather.notes if weather else ()))
    result = Before(
        lawn=place,
        table=table,
        taken=taken,
        photos=tuple(one.path.name for one, _ in whole),
        materials=renovation.materials(
            table,
            sown,
            outline_m=place.outline_m,
            hollows=place.hollows,
            settings=answer.plan_settings(place, temperatures=weather),
        ),
        window=window.window(sown, taken, weather).words,
        notes=(
            *doubts.not_of_the_lawn(place, measured),
            *notes.stated(said),
            *doubts.noted(place, (one for one, _ in whole)),
        ),
        taught=lessons.in_use(place),
    )
    return replace(result, files=results.write_before(result))


def answered(
    place: Lawn, measured: Sequence[Measured], *, today: date | None = None, other: Answer | None = None
) -> Answer:
    """From measured photos to what to do, written to the results folder."""
    good = [one for one in measured if one.table is not None]
    if not good:
        raise doubts.nothing_measured(place, measured)
    readings = byphoto.readings(place, good)
    weather = temperatures.of_folder(place.folder)
    table = season_table(place, readings, weather, today=today)
    if not np.isfinite(table.cover).any():
        raise doubts.nothing_seen(place, good)
    mix = mixes.get(table.sowing.mix, place.mixes)
    trial, ahead, found, pale = _ahead(place, table, mix)
    settings = answer.plan_settings(place, temperatures=weather)
    plan = workplan.plan(ahead, found, mix, outline_m=place.outline_m, settings=settings)
    given, taught = treatments_of(place), lessons.in_use(place)
    beside, not_compared = answer.compared(place, ahead, other, taught)
    used = {name for visit in table.visits for name in visit.photos}
    in_season = [reading for reading in readings if reading.photo in used]
    by_photo = byphoto.rows(place, table, measured)
    ranked = series.latest(by_photo)
    number_of = plots.of_cells(table, place.plots)
    by_date = bydate.rows(place, table, number_of, measured, given)
    compared = bydate.compared(by_date, given)
    at_last = tuple(one for one in compared if one.on == compared[-1].on)
    stated = (
        *table.flags,
        *lessons.not_used(place),
        *not_compared,
        *doubts.of_plots_in_beds(place),
        *doubts.of_small_plots(place, number_of),
        *doubts.of_treatments(place, given, at_last),
    )
    whole = Answer(
        lawn=place,
        outlook=ahead,
        course=course.of(ahead, mix=mix),
        thin=tuple(patch for patch in found if patch.kind == "thin"),
        slow=tuple(patch for patch in found if patch.kind == "slow"),
        pale=pale,
        plan=plan,
        stripes=_stripes(place, ahead, found) if trial is None else (),
        evenness=uniformity.told(ahead.cover_seen, table.row, table.col) if trial is None else (),
        notes=(*notes.stated(stated), *doubts.of_season(place, measured, table, in_season)),
        taught=taught,
        spots=series.words(ranked, peg=place.peg_word),
        plots=ranked,
        standings=plots.standings(trial, place.plots, plan.tasks, given) if trial else (),
        treatments=at_last,
        beside=beside,
    )
    listed = store.write_table(place.results_dir / byphoto.PHOTOS, series.COLUMNS, by_photo)
    by_plot = bydate.write(place.results_dir, by_date, compared, given)
    placed = [byphoto.placed(reading, table.sowing.date) for reading in in_season]
    return replace(whole, files=(*results.write(whole, placed), listed, *by_plot))


def _ahead(
    place: Lawn, table: Season, mix: mixes.Mix
) -> tuple[Trial | None, Outlook, tuple[Patch, ...], tuple[Patch, ...]]:
    """The season's outlook, its patches and its pale ones; of a trial by plot, and how its plots stand."""
    how: dict[str, Any] = {
        "curve": place.curve,
        "time_axis": place.time_axis,
        "mix": mix,
        "users": place.mixes,
    }
    trial = plots.fit(table, place.plots, **how)
    if trial is None:
        ahead = outlook.fit(table, **how)
        found = patches.thin_or_slow(ahead)
        return None, settled.by_patches(ahead, found), found, palepatches.pale(table)
    return trial, trial.whole, plots.thin(trial, place.plots), plots.pale(trial, place.plots)


def treatments_of(place: Lawn) -> treatments.Treatments:
    """What ``treatments.csv`` says of a trial's plots. Raises LawnError with every mistake in it."""
    numbers = [plot.number for plot in place.plots]
    taken = (*planfile.PLOT_COLUMNS, *bydate.FIGURES)
    return treatments.read(place.folder, numbers, taken=taken)


def season_table(
    place: Lawn,
    readings: Sequence[Reading],
    weather: temperatures.Temperatures | None,
    *,
    today: date | None,
) -> Season:
    """The season's dated table, with what came before the last sowing and what was sown again since."""
    sowing = place.sowing
    assert sowing is not None  # `season` tells so before anything is measured
    earlier, since = seasons.split(readings, place.sowings)
    grid = without(cells.lawn_grid(place.outline_m, place.cell_m), place.beds_m)
    mix, plot_of = mixes.get(sowing.mix, place.mixes), plots.of_grid(grid, place.plots)
    table = seasons.build(
        since or readings,
        plots.only(grid, place.plots) if place.paths else grid,
        sowing=sowing,
        target=place.target or seasons.usual_target(sowing, mix),
        temperatures=weather,
        base_c=mix.base_c,
        today=today,
        plot_of=plot_of,
    )
    table = seasons.with_earlier(table, earlier if since else (), plot_of=plot_of)
    return oversown.marked(table, [one for one in place.oversowings if one.date <= (today or date.today())])


def _stripes(place: Lawn, ahead: Outlook, told: Sequence[Patch]) -> tuple[str, ...]:
    """Stripes across a lawn in one sentence; none looked for in spots, which are smaller than a stripe.

    How wide one is the plan says better where its patches are ``told`` as pieces of a strip.
    """
    season = ahead.season
    if headline.spots_only(season):
        return ()
    found = stripes.stripes(
        season.grid,
        season.x_m,
        season.y_m,
        ahead.cover_seen,
        side_names=place.side_names,
        corner_names=place.corner_names,
    )
    if not found.found:
        return ()
    return (found.told(width=not any(patch.of_strip for patch in told)),)
