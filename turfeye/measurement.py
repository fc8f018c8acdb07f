"""Each filed photo of a lawn measured once: its table and facts, or why there is none and what to do."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import date, datetime
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np

from turfeye import (
    cells,
    corners,
    cut,
    foreshortening,
    glance,
    lessons,
    models,
    photo,
    region,
    sameground,
    store,
    summary,
    sward,
    upright,
    view,
    whereabouts,
)
from turfeye.days import unread_in
from turfeye.errors import AlignmentError, SeasonError, SpotUnknownError, TurfeyeError
from turfeye.files import digest_of
from turfeye.filing import Tell, original_name, untold
from turfeye.lawn import Lawn, read
from turfeye.outline import without
from turfeye.readings import Reading
from turfeye.records import CellTable, Floats, Photo, View
from turfeye.standpoints import Standpoints, what_to_do
from turfeye.words import short_day

MODELS = (sward.MODEL, region.NETWORK)
FLAT_STEP = 0.05
"""How much of the green lies flat is told in such steps for all photos together: with finer ones a photo more
would have them all measured anew."""
MUCH_OUT_OF_REACH = 0.1
"""Of the lawn: that so much can't be measured from a place is told as a view from there is marked. Ours."""


@dataclass(frozen=True, eq=False, slots=True)
class Measured:
    """One photo of a lawn: its table, or why there is none."""

    path: Path
    digest: str
    table: CellTable | None
    facts: dict[str, Any]  # taken, view, at_m, turned_deg, warnings; plain JSON

    @property
    def reading(self) -> Reading:
        """The photo as it joins a season; only of one that has a table."""
        assert self.table is not None
        facts, at_m = self.facts, self.facts.get("at_m")
        return Reading(
            table=self.table,
            taken=datetime.fromisoformat(facts["taken"]),
            view=facts["view"],
            photo=self.path.name,
            digest=self.digest,
            at_m=None if at_m is None else (float(at_m[0]), float(at_m[1])),
            turned_deg=float(facts.get("turned_deg", 0.0)),
            original="" if facts.get("taken_from") == "given" else original_name(self.path.name),
            camera=facts.get("camera", ""),
        )

    @property
    def why(self) -> str:
        """Why it could not be measured, "" if it could."""
        return str(self.facts.get("why", ""))


def measure(place: Lawn, *, before: bool = False, tell: Tell = untold) -> tuple[Measured, ...]:
    """Measure each filed photo of a lawn once; tables kept from earlier runs are used as they are.

    What can't be laid over the marked photo is tried again once other photos are placed.
    """
    standpoints = Standpoints(place)
    keys = _keys(place)
    measured: dict[Path, Measured] = {}

    def go(path: Path) -> None:
        digest, key = keys[path]
        try:
            table, facts = _kept_or_measured(place, path, standpoints, key)
        except (TurfeyeError, ValueError) as error:
            spot = error.spot if isinstance(error, SpotUnknownError) else None
            why = error.said if isinstance(error, TurfeyeError) else str(error)
            measured[path] = Measured(path, digest, None, {"why": why, "unknown_spot": spot})
            return
        standpoints.learn(path.name, facts)
        measured[path] = Measured(path, digest, table, facts)

    paths = place.photos(before=before)
    _in_two_rounds(paths, go, standpoints, tell=tell)
    again = _lying_alike(measured.values(), keys)
    for path, (flat, key) in again.items():
        tell(f"once more, as its green lies in the others: {path.name}")
        table, facts = _kept_or_measured(place, path, standpoints, key, flat=flat)
        measured[path] = replace(measured[path], table=table, facts=facts)
    store.drop_stale(place, "cells", (key for _, key in keys.values()))
    store.drop_stale(
        place,
        "poses",
        (store.pose_key(place, digest, wanted=_wanted(place, path)) for path, (digest, _) in keys.items()),
    )
    return tuple(measured.values())


def _lying_alike(
    measured: Collection[Measured], keys: dict[Path, tuple[str, str]]
) -> dict[Path, tuple[float, str]]:
    """The views of a lawn that took its green to lie otherwise than all of them together say: how much of it
    lies flat, and the key of a table by that. Spots may differ, as plots of grass and of clover do."""
    views = [one for one in measured if one.table is not None and "at_m" not in one.facts]
    lie = [tuple(one.facts["lie"]) for one in views if one.facts.get("lie")]
    if len(lie) < 2:
        return {}
    flat = round(foreshortening.lying(*foreshortening.of_all(lie)) / FLAT_STEP) * FLAT_STEP
    other = [one.path for one in views if abs(one.facts["flat"] - flat) > FLAT_STEP / 2]
    return {path: (flat, f"{keys[path][1]}-flat-{100 * flat:.0f}") for path in other}


def _in_two_rounds(
    paths: Sequence[Path], go: Callable[[Path], None], standpoints: Standpoints, *, tell: Tell
) -> None:
    """Every photo, then once more those that photos placed after them may help."""
    for number, path in enumerate(paths, start=1):
        tell(f"photo {number} of {len(paths)}: {path.name}")
        go(path)
    for path in paths:
        if standpoints.worth_another_try(path.name):
            tell(f"once more: {path.name}")
            go(path)


def _keys(place: Lawn) -> dict[Path, tuple[str, str]]:
    """Digest and key of every filed photo, those from before the work too."""
    digests = [models.digest(name) for name in MODELS]
    lesson = lessons.in_use(place)
    found = {}
    for path in place.every_photo():
        digest = digest_of(path)
        found[path] = (
            digest,
            store.cell_key(
                place,
                digest,
                name=path.name,
                models=digests,
                extra=lesson and lesson.digest,
            ),
        )
    return found


def _wanted(place: Lawn, path: Path) -> str | None:
    """The view that a photo is said to be of."""
    note = whereabouts.note_on(place, path.name)
    return note.view if note else None


def _kept_or_measured(
    place: Lawn, path: Path, standpoints: Standpoints, key: str, *, flat: float | None = None
) -> tuple[CellTable, dict[str, Any]]:
    """What is kept of a photo under a key; what isn't is measured and kept."""
    if (kept := store.load_cells(place, key)) is not None:
        return kept
    found = _measure_one(place, path, standpoints, flat=flat)
    store.save_cells(place, key, *found)
    return found


def _measure_one(
    place: Lawn, path: Path, standpoints: Standpoints, *, flat: float | None = None
) -> tuple[CellTable, dict[str, Any]]:
    """The table of one filed photo and the facts that go with it; ``flat`` as for `glance.look_through`."""
    picture = whereabouts.dated(place, photo.read(path))
    if picture.taken is None:
        unread = unread_in(path.name)
        no_date = "it has no date; file it with --date"
        raise SeasonError(f"the date in its name {unread}; rename it" if unread else no_date)
    where = whereabouts.find(place, picture, standpoints)
    if where.spot is not None:
        grid = cells.spot_grid(where.view, min(place.cell_m, glance.SPOT_CELL_M))
    else:
        grid = without(cells.lawn_grid(place.outline_m, place.cell_m), place.beds_m)
    lesson = lessons.in_use(place)
    one = glance.look_through(
        picture, where.view, grid, sighting=where.sighting, blades=place.blades, taught=lesson, flat=flat
    )
    doubts = _of_cut(picture, where), _against_marks(place, picture, where)
    said = [line for line in (where.twice, *chain(*doubts), where.unread) if line]
    one = replace(one, warnings=(*said, *one.warnings))
    return one.table, {
        **summary.kept(one),
        **where.facts,
        "taught": lesson is not None and where.sighting is not None,
    }


def _of_cut(picture: Photo, where: whereabouts.Whereabouts) -> list[str]:
    """That a photo, or the one that it was laid over, is a part of a larger one."""
    if where.placed is None or where.placed.over is None:
        return cut.of_photo(picture, where.sighting)
    header = picture.focal_px is not None
    said = cut.of_photo(picture, None, lens_told=header)
    if where.placed.cut is not None and not said:
        return [cut.of_surroundings(where.placed.cut, where.placed.over, header=header)]
    return said


def _against_marks(place: Lawn, picture: Photo, where: whereabouts.Whereabouts) -> list[str]:
    """What speaks against the corners marked in this photo, or the outline's lengths."""
    if where.placed is None or where.placed.over is not None:
        return []
    marked_px = next(v.corners_px for v in place.views if v.photo == picture.path.name)
    lawn = region.lawn_in_garden(picture.rgb_coded, turns=upright.quarter_turns(where.view))
    _, doubt = region.check_corners(lawn, marked_px)
    said = [*([doubt] if doubt else []), *corners.of_lens(picture, marked_px, place.outline_m)]
    if where.sighting is not None:
        return [*said, *corners.of_size(where.sighting, where.view, rule_mm=place.card_rule_mm)]
    return [*said, *corners.of_height(where.view)]


def marks_doubted(folder: Path | str, name: str) -> list[str]:
    """What speaks against the corners marked in the filed photo of this name, a line each.

    Where no card tells the outline's size, also from where it was taken by it, for whoever took it to check.
    """
    place = read(folder)
    path = next(path for path in place.every_photo() if path.name == name)
    picture = whereabouts.dated(place, photo.read(path))
    where = whereabouts.find(place, picture, Standpoints(place))
    said = _against_marks(place, picture, where)
    said += corners.of_other_views(where.view, _other_views(place, name))
    if said or where.sighting is not None:
        return said
    by = corners.standpoint(where.view, place.outline_m)
    return [f"no card in it checks the outline's size. By its lengths it {by}: if that is wrong, so are they"]


def out_of_reach(folder: Path | str, name: str) -> str:
    """How much of the lawn can be measured neither in this marked photo nor in other marked ones, and why.

    "" where nearly all of it can be. A place from which it can't be is told before weeks of photos are
    taken there.
    """
    place = read(folder)
    own = next(one for one in place.views if one.photo == name)
    picture = whereabouts.dated(place, photo.read(place.photo_path(name)))
    seen = view.from_corners(picture, own.corners_px, place.outline_m)
    grid = without(cells.lawn_grid(place.outline_m, place.cell_m), place.beds_m)
    flat, outside = cells.out_of_reach(seen, grid)
    missed = flat | outside
    others = _other_views(place, name).values()
    for other in others:
        missed &= np.any(cells.out_of_reach(other, grid), axis=0)
    share = np.ones(missed.shape) if grid.share is None else grid.share.ravel()
    part, too_flat = (round(100 * np.average(some, weights=share)) for some in (missed, missed & flat))
    if part < 100 * MUCH_OUT_OF_REACH:
        return ""
    words = {
        f"seen at more than {cells.MAX_ZENITH_DEG:.0f}° from straight down": too_flat,
        "outside the picture": part - too_flat,
    }
    why = " or ".join(f"{text} ({some} %)" for text, some in words.items() if some)
    where = "the marked places together" if others else f"there, {seen.height_m:.1f} m up,"
    return (
        f"from {where} {part} % of the lawn can't be measured: {why}; take photos from higher up, or from "
        "another place too, and mark the lawn's corners in one of them"
    )


def _other_views(place: Lawn, name: str) -> dict[str, View]:
    """The lawn's views by name, as their corners have them, but for that marked in the photo of this name,
    and those whose photo is gone or whose corners fit no camera."""
    found = {}
    for one in place.views:
        if one.photo != name:
            with suppress(TurfeyeError, ValueError, OSError):
                picture = photo.read(place.photo_path(one.photo))
                found[one.name] = view.from_corners(picture, one.corners_px, place.outline_m)
    return found


@dataclass(frozen=True, slots=True)
class Placing:
    """What is known of filed photos once they are placed, before anything is measured."""

    unplaced: dict[str, str]  # those that can't be measured as they are: why, and what to do, by name
    cropped: tuple[tuple[str, str], ...]  # (name, why) of those that are, or may be, parts of larger ones
    same_ground: tuple[str, ...] = ()  # of two that show one place and are filed as two of one day, in words


def placing(folder: Path | str, names: Collection[str], *, tell: Tell = untold) -> Placing:
    """Where a lawn's filed photos belong, as far as it is to be told; nothing is measured here.

    A photo needs a known spot's card or a marked view that it can be laid over.
    """
    place = read(folder)
    standpoints = Standpoints(place)
    keys = _keys(place)
    for path, (digest, _) in keys.items():
        standpoints.recall(path.name, digest, wanted=_wanted(place, path))
    refused: dict[str, str] = {}
    cropped: dict[str, list[str]] = {}
    of_day: dict[date, list[tuple[int, str, Floats]]] = {}
    again = f"can't be laid over the marked photo. {what_to_do(place)}"

    def go(path: Path) -> None:
        picture = whereabouts.dated(place, photo.read(path))
        try:
            where = whereabouts.find(place, picture, standpoints)
        except TurfeyeError as error:
            # What kept it from lying on the marked photo differs from photo to photo; what to do doesn't.
            refused[path.name] = again if isinstance(error, AlignmentError) else error.said
            return
        refused.pop(path.name, None)
        cropped[path.name] = _of_cut(picture, where)
        if picture.taken is not None:
            standpoints.learn(path.name, {"taken": picture.taken.isoformat(), **where.facts})
            if where.spot is not None:
                ground = sameground.about_card(picture, where.view)
                of_day.setdefault(picture.taken.date(), []).append((where.spot.number, path.name, ground))

    paths = [path for path in keys if path.name in names]
    _in_two_rounds(paths, go, standpoints, tell=tell)
    parts = tuple((name, why) for name, whys in cropped.items() for why in whys)
    same = (said for day, there in sorted(of_day.items()) for said in _of_one_place(place, day, there))
    return Placing(refused, parts, tuple(same))


def _of_one_place(place: Lawn, day: date, there: Sequence[tuple[int, str, Floats]]) -> Iterator[str]:
    """That two photos of a day show the same ground and go by two numbers: (number, name, ground) each."""
    for a, b in sameground.pairs([ground for *_, ground in there]):
        (one, first, _), (other, second, _) = sorted((there[a], there[b]), key=lambda photo: photo[0])
        if one != other:
            yield (
                f"{place.peg_word}s {one} and {other} on {short_day(day)} show the same ground ({first}, "
                f"{second}): one of the two numbers is wrong, and perhaps those after it; correct it with "
                f"turfeye add {shlex.quote(str(place.folder))} PHOTO --spot NUMBER, or delete the photo from "
                "photos/"
            )
