"""Runs the steps in order: the only module that knows the order. Each command is one call here."""

from __future__ import annotations

import shlex
import shutil
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from turfeye import (
    answer,
    card,
    cells,
    colour,
    course,
    glance,
    lawn,
    mixes,
    models,
    notes,
    outlook,
    patches,
    photo,
    region,
    renovation,
    results,
    series,
    store,
    stripes,
    strokes,
    sward,
    teach,
    uniformity,
    unseen,
    view,
    whereabouts,
    window,
    workplan,
)
from turfeye import (
    season as seasons,
)
from turfeye.answer import Answer, Before
from turfeye.errors import (
    AlignmentError,
    LawnError,
    NoPhotosError,
    SeasonError,
    SpotUnknownError,
    StrokesError,
    TurfeyeError,
)
from turfeye.gapfraction import Blades
from turfeye.glance import look, look_as_dict
from turfeye.lawn import Filed, Lawn, add, new
from turfeye.records import CellTable, Look, Outlook
from turfeye.standpoints import Standpoints
from turfeye.whereabouts import Whereabouts

__all__ = [
    "Filed", "add", "before", "demo", "fit_blades", "look", "look_as_dict", "measure", "new", "round_of",
    "season", "unplaced",
]  # fmt: skip

MODELS = ("sward.onnx", "region.onnx")
TEMPERATURES = "temperatures.csv"
"""In the lawn's folder: date, min_c, max_c."""
PHOTOS = "photos.csv"
"""In the lawn's results: one row a photo."""
Tell = Callable[[str], None]
"""Hears, in a few words, what is being done, for whoever waits."""


def _untold(_: str) -> None:
    """Nobody listens."""


@dataclass(frozen=True, eq=False, slots=True)
class Measured:
    """One photo of a lawn: its table, or why there is none."""

    path: Path
    digest: str
    table: CellTable | None
    facts: dict[str, Any]  # taken, view, at_m, turned_deg, warnings; plain JSON

    @property
    def why(self) -> str:
        """Why it could not be measured, "" if it could."""
        return str(self.facts.get("why", ""))


def season(folder: Path | str, *, today: date | None = None, tell: Tell = _untold) -> Answer:
    """Measure what is new of a lawn, follow its growth, and say what is thin and what to do.

    Each photo is measured once; a photo that can't be measured is named in the warnings and leaves a gap.
    ``tell`` hears what is being done, since many new photos take a while.
    So is one dated before the sowing or after ``today`` (by default the computer's own date), and one that
    is there twice; clocks that seem wrong are named. Everything is written to the lawn's ``results/``.

    Raises
    ------
    LawnMissingError, LawnError : no lawn there, or mistakes in its files
    SeasonError : no photo could be measured, or nothing says when it was sown
    DateError : all photos are from before the sowing or from the future
    """
    place = lawn.read(folder)
    if not place.sowings:
        raise SeasonError(
            f"a season counts from a sowing and {place.folder / lawn.FILE_NAME} has none; "
            "add [[sowing]] with date, mix and rate_g_m2. Before the work: turfeye plan --before"
        )
    with lawn.locked(place.folder):
        measured = measure(place, tell=tell)
        tell("growth, forecast and pictures")
        return _answer(place, measured, today)


def before(folder: Path | str, *, mix: str | None = None, tell: Tell = _untold) -> Before:
    """Survey a lawn from its photos before the work, and list what to bring.

    ``mix`` is what will be sown: by default that of the last sowing, else perennial ryegrass. Everything is
    written to the lawn's ``results/``.

    Raises LawnMissingError, LawnError : no lawn there, mistakes in its files, or no photo of the whole lawn
    """
    place = lawn.read(folder)
    with lawn.locked(place.folder):
        measured = measure(place, before=True, tell=tell)
        warnings = _not_measured(measured)
        whole = [(one, one.table) for one in measured if one.table is not None and "at_m" not in one.facts]
        spots = [
            (o.path.name, "shows a spot only, so not in this list") for o in measured if "at_m" in o.facts
        ]
        warnings += notes.gathered(spots)
        if not whole:
            raise LawnError(
                f"{place.name}: no photo from before the work shows the lawn. " + " ".join(warnings)
                + f" File one with its corners marked: turfeye add {folder} PHOTO --before --corner x,y …"
            )  # fmt: skip
        sown = mixes.get(mix or (place.sowings[-1].mix if place.sowings else lawn.USUAL_MIX), place.mixes)
        taken = max(datetime.fromisoformat(one.facts["taken"]).date() for one, _ in whole)
        temperatures = _temperatures(place)
        table = renovation.best_of([table for _, table in whole])
        found = renovation.materials(
            table,
            sown,
            outline_m=place.outline_m,
            fill_mm=renovation.FILL_MM if place.dressing.fill_mm is None else place.dressing.fill_mm,
            settings=answer.plan_settings(place, temperatures=temperatures),
        )
        warnings += _said_of(one for one, _ in whole)
        result = Before(
            lawn=place,
            table=table,
            taken=taken,
            photos=tuple(one.path.name for one, _ in whole),
            materials=found,
            window=window.window(sown, taken, temperatures).words,
            warnings=tuple(warnings),
        )
        return replace(result, files=results.write_before(result))


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


def round_of(folder: Path | str) -> Iterable[Answer | TurfeyeError]:
    """Every lawn below a folder, one after the other; a lawn with a mistake doesn't stop the round."""
    for path in lawn.lawns_in(Path(folder)):
        try:
            yield season(path)
        except TurfeyeError as error:
            yield error


def demo(folder: Path | str, *, tell: Tell = _untold) -> tuple[Answer, ...]:
    """Copy the shipped samples to a folder and run the whole job on each.

    Photos are filed as a user would, from the samples' own folder; what is there already is kept.
    """
    answers = []
    for sample in sorted(samples_dir().iterdir()):
        if not (sample / lawn.FILE_NAME).is_file():
            continue
        target = Path(folder) / sample.name
        if not (target / lawn.FILE_NAME).is_file():
            shutil.copytree(sample, target, ignore=shutil.ignore_patterns("truth"))
        answers.append(season(target, today=date.max, tell=tell))  # the samples' dates are invented
    if not answers:
        raise LawnError(f"wanted the sample lawns in {samples_dir()}, found none; install turfeye again")
    return tuple(answers)


def samples_dir() -> Path:
    """The shipped samples: in an installed wheel, else in the checkout."""
    here = Path(__file__).parent
    for place in (here / "_sample_images", here.parent / "sample_images"):
        if place.is_dir():
            return place
    raise LawnError("the sample photos are not installed; install turfeye again")


def measure(place: Lawn, *, before: bool = False, tell: Tell = _untold) -> tuple[Measured, ...]:
    """Measure each filed photo of a lawn once; tables kept from earlier runs are used as they are.

    What can't be laid over the marked photo is tried again once photos taken later are placed; what can't
    be placed at all, once there are other photos.
    """
    standpoints = Standpoints(place)
    keys = _keys(place)
    beside = [key for _, key in keys.values()]
    measured: dict[Path, Measured] = {}
    refused: dict[Path, str] = {}

    def go(path: Path) -> None:
        digest, key = keys[path]
        kept = store.load_cells(place, key)
        if kept is None and (why := store.load_refusal(place, key, beside)) is not None:
            measured[path] = Measured(path, digest, None, {"why": why})
            return
        refused.pop(path, None)
        try:
            table, facts = kept or _measure_one(place, path, standpoints)
        except (TurfeyeError, ValueError) as error:
            if AlignmentError in (type(error), type(error.__cause__)):
                refused[path] = str(error)
            spot = error.spot if isinstance(error, SpotUnknownError) else None
            measured[path] = Measured(path, digest, None, {"why": str(error), "unknown_spot": spot})
            return
        if kept is None:
            store.save_cells(place, key, table, facts)
        standpoints.learn(path.name, facts)
        measured[path] = Measured(path, digest, table, facts)

    paths = place.photos(before=before)
    for number, path in enumerate(paths, start=1):
        tell(f"photo {number} of {len(paths)}: {path.name}")
        go(path)
    for path in measured:
        if standpoints.worth_another_try(path.name):
            tell(f"once more: {path.name}")
            go(path)
    for path, why in refused.items():
        store.save_refusal(place, keys[path][1], beside, why)
    store.drop_stale(place, beside)
    return tuple(measured.values())


def _keys(place: Lawn) -> dict[Path, tuple[str, str]]:
    """Digest and key of every filed photo, those from before the work too."""
    digests = [models.digest(name) for name in MODELS]
    taught = _taught(place)
    found = {}
    for path in (*place.photos(), *place.photos(before=True)):
        digest = lawn.digest_of(path)
        found[path] = (
            digest,
            store.cell_key(
                place,
                digest,
                name=path.name,
                models=digests,
                version=version("turfeye"),
                extra=taught and taught.digest,
            ),
        )
    return found


def _measure_one(place: Lawn, path: Path, standpoints: Standpoints) -> tuple[CellTable, dict[str, Any]]:
    """The table of one filed photo and the facts that go with it."""
    picture = whereabouts.dated(place, photo.read(path))
    if picture.taken is None:
        raise SeasonError(f"{path.name} has no date; file it with --date")
    where = whereabouts.find(place, picture, standpoints)
    if where.spot is not None:
        grid = cells.spot_grid(where.view, min(place.cell_m, glance.SPOT_CELL_M))
    else:
        grid = cells.lawn_grid(place.outline_m, place.cell_m)
    one = glance.look_through(
        picture, where.view, grid, sighting=where.sighting, blades=place.blades, taught=_taught(place)
    )
    doubt: str | None = where.twice
    if where.placed is not None and where.placed.over is None:
        corners = next(v.corners_px for v in place.views if v.photo == path.name)
        _, doubt = region.check_corners(region.lawn_region(picture.rgb_coded), corners)
    one = replace(one, warnings=(*([doubt] if doubt else []), *one.warnings))
    return one.table, _facts(one, where)


def unplaced(folder: Path | str, names: Collection[str], *, tell: Tell = _untold) -> tuple[str, ...]:
    """Which of a lawn's filed photos can't be measured as they are, why, and what to do: a line a reason.

    A photo needs a known spot's card or a marked view that it can be laid over; nothing is measured here.
    """
    place = lawn.read(folder)
    standpoints = Standpoints(place)
    keys = _keys(place)
    for path, (_, key) in keys.items():
        if (kept := store.load_cells(place, key)) is not None:
            standpoints.learn(path.name, kept[1])
    refused: dict[str, str] = {}
    again = (
        "can't be laid over the marked photo. If it shows the same lawn, mark its corners "
        f"{', '.join(place.corner_names)} in it, in pixels: turfeye add {shlex.quote(str(folder))} PHOTO "
        "--corner x,y --corner x,y …; next time stand at the same place, fence or paving in the picture"
    )

    def go(path: Path) -> None:
        tell(f"where {path.name} belongs")
        picture = whereabouts.dated(place, photo.read(path))
        try:
            where = whereabouts.find(place, picture, standpoints)
        except TurfeyeError as error:
            # What kept it from lying on the marked photo differs from photo to photo; what to do doesn't.
            refused[path.name] = again if isinstance(error, AlignmentError) else str(error)
            return
        refused.pop(path.name, None)
        if picture.taken is not None:
            standpoints.learn(path.name, {"taken": picture.taken.isoformat(), **where.facts})

    paths = [path for path in keys if path.name in names]
    for path in paths:
        go(path)
    for path in paths:
        if standpoints.worth_another_try(path.name):
            go(path)
    return tuple(f"{notes.some(photos)}: {why}" for why, photos in notes.by_words(refused.items()).items())


def teach_lawn(folder: Path | str, marks: Sequence[Path]) -> teach.Lesson:
    """Teach the classifier a lawn from marks files; what is better on strokes left out is kept.

    Where it is not, or the marks hold mistakes, the lawn stays as it was.

    Raises LawnMissingError, LawnError : no lawn there, or mistakes in its files
    StrokesError : mistakes in the marks, too few of them, or a marked photo without a card
    """
    place = lawn.read(folder)
    with lawn.locked(place.folder):
        marked = strokes.read(marks, place)
        home = {path.name: path for path in (*place.photos(), *place.photos(before=True))}
        samples = []
        for name in dict.fromkeys(stroke.photo for stroke in marked):
            picture = photo.read(home[name])
            sighting = next(iter(whereabouts.cards_in(picture)), None)
            if sighting is None:
                raise StrokesError(
                    f"no card could be read in {name}, so its colours mean nothing in other light; "
                    "mark other photos"
                )
            seen, correction = view.from_card(picture, sighting), colour.fit(sighting, card.NOMINAL)
            _, _, shares, rgb_linear = glance.judged(picture, seen, correction)
            mine = [stroke for stroke in marked if stroke.photo == name]
            samples += teach.sample(mine, shares, rgb_linear, picture.size_px)
        lesson = teach.learn(samples, network=models.digest(sward.MODEL))
        if lesson.kept:
            teach.save(place, lesson.teaching)
    return lesson


def _taught(place: Lawn) -> teach.Teaching | None:
    """What is in use of a lawn's teaching: it stands on one network's shares, and goes with no other."""
    taught = teach.read(place)
    return taught if taught and taught.network == models.digest(sward.MODEL) else None


def _taught_words(place: Lawn) -> tuple[str, tuple[str, ...]]:
    """That a lawn is taught, for its pages, and a warning where that can't be used."""
    if (taught := _taught(place)) is not None:
        return taught.sentence, ()
    if teach.read(place) is None:
        return "", ()
    return "", (
        "what this lawn was taught belongs to another version of the classifier and is not used; teach it "
        f"again: turfeye teach {place.folder} {place.folder / teach.FILE_NAME}",
    )


def _facts(one: Look, where: Whereabouts) -> dict[str, Any]:
    assert one.photo.taken is not None
    return {
        "taken": one.photo.taken.isoformat(),
        "taken_from": one.photo.taken_from,
        "camera": one.photo.camera or "",
        "warnings": list(one.warnings),
        "card": one.sighting is not None,
        "twins_differ": None if one.sighting is None else glance.number(one.sighting.twins_differ, 4),
        "shadow_on_card": one.correction is not None and one.correction.half_lit,
        **where.facts,
    }


def _answer(place: Lawn, measured: tuple[Measured, ...], today: date | None) -> Answer:
    """From measured photos to what to do, written to the results folder."""
    good = [one for one in measured if one.table is not None]
    if not good:
        raise _nothing_measured(place, measured)
    warnings = _not_measured(measured)
    readings = [_reading(one) for one in good]
    sowing = place.sowings[-1]
    mix = mixes.get(sowing.mix, place.mixes)
    temperatures = _temperatures(place)
    grid = cells.lawn_grid(place.outline_m, place.cell_m)
    table = seasons.build(
        readings,
        grid,
        sowing=sowing,
        target=place.target,
        temperatures=temperatures,
        base_c=mix.base_c if temperatures else None,
        today=today,
    )
    ahead = outlook.fit(table, curve=place.curve, time_axis=place.time_axis, mix=mix)
    thin = patches.thin(ahead)
    pale = patches.pale(table)
    settings = answer.plan_settings(place, temperatures=temperatures)
    plan = workplan.plan(ahead, thin, mix, outline_m=place.outline_m, settings=settings)
    found = stripes.stripes(grid, table.x_m, table.y_m, ahead.cover_now, side_names=place.side_names)
    warnings += _said_of(good)
    used = {name for visit in table.visits for name in visit.photos}
    warnings += unseen.notes(
        table,
        [r.table for r in readings if r.at_m is None and r.photo in used],
        outline_m=place.outline_m,
        corner_names=place.corner_names,
        side_names=place.side_names,
    )
    taught, not_used = _taught_words(place)
    whole = Answer(
        lawn=place,
        outlook=ahead,
        course=course.of(ahead, mix=mix),
        thin=thin,
        pale=pale,
        plan=plan,
        stripes=(found.words,) if found.found else (),
        evenness=_evenness(ahead),
        warnings=(*table.flags, *not_used, *warnings),
        taught=taught,
    )
    rows = [
        store.Measured(_on_lawn(r), r.taken, (r.taken.date() - sowing.date).days, r.view, r.photo)
        for r in readings
        if r.photo in used
    ]
    series_rows = [series.row(o.path.name, o.table, o.facts, sown=sowing.date, used=used) for o in measured]
    listed = store.write_table(place.results_dir / PHOTOS, series.COLUMNS, series_rows)
    return replace(whole, files=(*results.write(whole, rows), listed))


def _nothing_measured(place: Lawn, measured: Sequence[Measured]) -> SeasonError:
    """Why there is no season yet: each reason on a line with its photos, and what to do."""
    file_some = f"turfeye add {shlex.quote(str(place.folder))} PHOTO"
    if not measured:
        return NoPhotosError(f"no photos yet; file some with: {file_some}")
    names = notes.by_words((one.path.name, one.why) for one in measured)
    lines = [f"  - {notes.some(photos)}: {why}" for why, photos in names.items()]
    spots = sorted({s for o in measured if (s := o.facts.get("unknown_spot")) is not None})
    if spots:
        words = f"card {spots[0]} lies 2 m along from corner A and 1.5 m in"
        lines += [f"To place a spot, write in {place.folder / lawn.FILE_NAME} (here: {words}):"]
        lines += ["  [[spot]]", f"  number = {spots[0]}", "  at_m = [2.0, 1.5]"]
    return SeasonError("\n".join(["no photo could be measured:", *lines]))


def _not_measured(measured: Iterable[Measured]) -> list[str]:
    return notes.gathered(
        ((o.path.name, o.why) for o in measured if o.table is None), ("was not measured", "were not measured")
    )


def _said_of(measured: Iterable[Measured]) -> list[str]:
    """The notes on measured photos."""
    return notes.gathered((one.path.name, word) for one in measured for word in one.facts["warnings"])


def _on_lawn(reading: seasons.Reading) -> CellTable:
    """The reading's table with its cells' centres in lawn metres."""
    x_m, y_m = seasons.on_lawn_m(reading)
    return replace(reading.table, x_m=x_m, y_m=y_m)


def _reading(one: Measured) -> seasons.Reading:
    assert one.table is not None
    facts = one.facts
    at_m = facts.get("at_m")
    return seasons.Reading(
        table=one.table,
        taken=datetime.fromisoformat(facts["taken"]),
        view=facts["view"],
        photo=one.path.name,
        digest=one.digest,
        at_m=None if at_m is None else (float(at_m[0]), float(at_m[1])),
        turned_deg=float(facts.get("turned_deg", 0.0)),
        original="" if facts.get("taken_from") == "given" else lawn.original_name(one.path.name),
        camera=facts.get("camera", ""),
    )


def _temperatures(place: Lawn) -> seasons.Temperatures | None:
    path = place.folder / TEMPERATURES
    return seasons.read_temperatures(path) if path.is_file() else None


def _evenness(ahead: Outlook) -> tuple[str, ...]:
    """Evenness of what is there now; nothing where too few cells are known."""
    if np.isfinite(ahead.cover_now).sum() < 4:
        return ()
    return uniformity.uniformity(ahead.cover_now, ahead.season.row, ahead.season.col).lines()
