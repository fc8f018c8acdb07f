"""Photos filed in a lawn's folder: by copy, dated, named to sort, never twice, never written to again."""

from __future__ import annotations

import datetime as dt
import re
import shlex
import unicodedata
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from turfeye import lawnfile, lawntext, notes, plotsheet
from turfeye import photo as photo_module
from turfeye.days import unread_in
from turfeye.errors import DateError, LawnError, TurfeyeError
from turfeye.files import digest_of, write_atomic
from turfeye.lawn import DIGEST_CHARS, FILE_NAME, Lawn, at_noon, by_folder, locked, read
from turfeye.lawncheck import wrong_corners
from turfeye.notes import Remark
from turfeye.outline import as_options
from turfeye.readings import doubt_between, likely_day
from turfeye.words import listed

T = TypeVar("T")
Tell = Callable[[str], None]
"""Hears, in a few words, what is being done, for whoever waits."""
FEW_PLOTS = 6
"""So many plots with several photos of one day are named; of more the number."""
FEW_WRONG = 6
"""Of so many photos that can't be filed each is told by itself."""
MOST_NAMED = 50
"""Of photos that can't be filed for one reason so many are named."""
MOST_NAME_CHARS = 60  # of the camera's own name in a filed photo's
_FILED = re.compile(r"\d{4}-\d\d-\d\dT\d\d-\d\d-\d\d(?:-(?P<original>.+))?-[0-9a-f]{6}")


def untold(_: str) -> None:
    """Nobody listens."""


@dataclass(frozen=True, slots=True)
class Filed:
    """What became of one photo handed in."""

    source: Path
    path: Path
    taken: dt.datetime
    taken_from: str
    digest: str
    already: bool  # the same picture was filed before; nothing was copied
    note: str  # "" where nothing is to be said of its date
    overruled: bool  # the header's date, by the one given


def add(
    folder: Path | str,
    photos: Sequence[Path | str],
    *,
    date: dt.date | dt.datetime | None = None,
    view: str | None = None,
    spot: int | None = None,
    numbered: bool = False,
    corners_px: Sequence[Sequence[float]] | None = None,
    before: bool = False,
    tell: Tell = untold,
) -> tuple[Filed, ...]:
    """File photos by copy; all of them, or on any error none. A folder stands for the pictures in it.

    The date comes from the photo's header, else its name, else ``date``; one from before the sowing or from
    the future can't be right, and ``date`` goes before it. ``view`` or ``spot`` says where a
    photo belongs when it can't tell by itself; ``numbered`` takes the last number in each photo's own name
    for its peg, so that one card serves many; ``corners_px`` marks the outline in the one photo given and
    makes it the marked photo of ``view``, or marks it anew. ``before`` files photos from before the work,
    dated before the first sowing. ``tell`` hears which is being read.

    Raises PhotoMissingError, PhotoError, DateError, LawnError; where several photos can't be filed, LawnError
    with what is wrong with each.
    """
    lawn = read(folder)
    sources = photo_module.spread(photos)
    if corners_px is not None and len(sources) != 1:
        raise LawnError(
            f"corners belong to one photo, found {len(sources)} photos; add the marked one by itself"
        )
    if numbered and (spot is not None or view is not None):
        raise LawnError("where the photos' names give their pegs, no view or spot can be given for all")
    with locked(lawn.folder):
        lawn = read(folder)
        text = lawnfile.text_of(lawn.folder)
        if numbered and not lawn.spots:
            raise LawnError(
                f"the lawn has no plots or pegs yet: write where they are, as [[plots]] or [[spot]] in "
                f"{FILE_NAME} or by the columns {listed(plotsheet.SIDES)} of {plotsheet.FILE_NAME}"
            )
        pegs = _each(sources, lambda source: _number_in(lawn, source) if numbered else spot)
        planned = _each(sources, lambda source: _plan(lawn, source, date=date, before=before), tell=tell)
        if numbered:
            planned = _doubly_numbered(planned, pegs)
        done: list[Path] = []
        try:
            filed = [_copy(plan, planned[:i], done) for i, plan in enumerate(planned)]
            said = _written_down(lawn, filed, view=view, pegs=pegs, corners_px=corners_px)
            if not lawn.known_by:  # made before this was written: from now on it can be renamed
                said = lawntext.known_by(said, by_folder(lawn.folder))
            if said != text:
                lawnfile.save(lawn.folder, said)
        except BaseException:  # whatever stops it, at whatever step
            if lawnfile.text_of(lawn.folder) != text:
                lawnfile.save(lawn.folder, text)
            for path in done:
                path.unlink(missing_ok=True)
            raise
    return tuple(filed)


def _each(sources: Sequence[Path], of: Callable[[Path], T], *, tell: Tell = untold) -> list[T]:
    """What is told of each photo; of all that can't be filed what is wrong with them, at once.

    Where they are many, those with the same wrong are told together.
    """
    found: list[T] = []
    wrong: list[tuple[Path, TurfeyeError]] = []
    for number, source in enumerate(sources, start=1):
        tell(f"reading photo {number} of {len(sources)}: {source.name}")
        try:
            found.append(of(source))
        except TurfeyeError as error:
            wrong.append((source, error))
    if len(wrong) == 1:
        raise wrong[0][1]
    if wrong:
        told = [str(error) for _, error in wrong]
        if len(wrong) > FEW_WRONG:
            own = ((source.name, error.said) for source, error in wrong)
            told = [*map(str, notes.gathered(own, called=partial(notes.photos_alike, most=MOST_NAMED)))]
        raise LawnError(f"{len(wrong)} of {len(sources)} photos can't be filed, so none was", told)
    return found


def _plan(lawn: Lawn, source: Path, *, date: dt.date | dt.datetime | None, before: bool) -> Filed:
    """Read one photo whole, date it, and say where it would go. Writes nothing."""
    given = at_noon(date)
    photo = photo_module.read(source, taken=given)
    if photo.taken is None or photo.taken_from is None:
        unread = unread_in(source.name)
        neither = (
            f"has no date in its header, and the one in its name {unread}; rename it, or say"
            if unread
            else "has no date, neither in its header nor in its name; say"
        )
        raise DateError(
            f"{neither} with --date when it was taken (photos that have a date keep theirs)", photo=source
        )
    taken, taken_from = photo.taken, photo.taken_from
    wrong = _impossible(lawn, taken.date(), before=before)
    overruled = False
    if given is not None and taken_from != "given" and (wrong or taken.date() > dt.date.today()):
        taken, taken_from, overruled = given, "given", True
        wrong = _impossible(lawn, taken.date(), before=before)
    if wrong:
        raise DateError(wrong, photo=source)
    note = doubt_between(source.name, taken) or _to_come(lawn, source, taken.date())
    if given is not None and photo.taken_from != "given" and photo.taken.date() != given.date():
        says = f"its {'header' if photo.taken_from == 'exif' else 'name'} says {{}}, which "
        days = photo.taken.date(), given.date()
        right = f"; if that is wrong, write taken = {{}} under its [[photo]] in {FILE_NAME}"
        kept = Remark(says + "was kept" + right, *days)
        note = Remark(says + "can't be right; {} is used", *days) if overruled else kept
    twin = _twin(lawn, source, photo.digest)
    if twin and not overruled:
        taken, overruled, told = _as_filed(lawn, twin, taken, given)
        note = told or note
    path = (lawn.before_dir if before else lawn.photos_dir) / _filed_name(source, taken, photo.digest)
    return Filed(source, twin or path, taken, taken_from, photo.digest, twin is not None, note, overruled)


def _as_filed(
    lawn: Lawn, twin: Path, taken: dt.datetime, given: dt.datetime | None
) -> tuple[dt.datetime, bool, str]:
    """When a photo that is filed counts as taken, whether that is new, and what is to be said of it.

    Its name was mistyped, or ``given`` was, and it is added again: what is given now counts, a new name alone
    doesn't (it may be the one that is wrong).
    """
    was = lawn.taken(twin) or taken
    if was.date() == taken.date():
        return taken, False, ""
    if given is not None and taken.date() == given.date():
        used = Remark("was filed as of {}; {} is used from now on", was.date(), taken.date())
        return taken, True, used
    if was != photo_module.parse_taken_from_name(twin.name):  # what lawn.toml says of it is meant
        return was, False, ""
    note = Remark(
        "its name says {}, and it is filed as of {}, which was kept: if it is wrong, add it again with "
        "--date {date}",
        taken.date(),
        was.date(),
        date=taken.date(),
    )
    return was, False, note


def _doubly_numbered(planned: Sequence[Filed], pegs: Sequence[int | None]) -> list[Filed]:
    """With a note on photos of one plot on one day: of ``plot 120.1`` the last number is not the plot's.

    Raises LawnError where one picture is there under two plots' numbers, as a copy ``plot 017 (1)`` is.
    """
    of_day: dict[tuple[int | None, dt.date], set[str]] = {}
    first: dict[str, tuple[Filed, int | None]] = {}
    copies = []
    for one, peg in zip(planned, pegs, strict=True):
        of_day.setdefault((peg, one.taken.date()), set()).add(one.digest)
        other, others = first.setdefault(one.digest, (one, peg))
        if peg != others:
            copies.append(
                f"{other.source} and {one.source} are one picture, and their names' last numbers are two "
                f"plots', {others} and {peg}; leave the copy out, or rename it"
            )
    if copies:
        more = len(copies) > 1
        raise LawnError("some pictures are there twice" if more else copies[0], copies if more else ())
    several = [key for key, digests in of_day.items() if len(digests) > 1]
    noted = []
    for one, peg in zip(planned, pegs, strict=True):
        key, note = (peg, one.taken.date()), one.note
        if key in several:
            twice = f"one of {len(of_day[key])} photos of plot {peg} on {key[1]}"
            if len(several) > FEW_PLOTS:  # as where each plot is photographed twice: equal words are one line
                twice = f"one of several photos of its plot on one day, as {len(several)} plots have them"
            twice += "; delete from photos/ what shows another plot"
            before = Remark.of(note)
            note = (
                Remark(before.words + "; {twice}", *before.figures, twice=twice, **before.names)
                if note
                else twice
            )
        noted.append(replace(one, note=note))
    return noted


def _number_in(lawn: Lawn, source: Path) -> int:
    """The peg that a photo's own name tells: ``plot-017.jpg`` is of peg 17."""
    number = last_number(source.name)
    known = [spot.number for spot in lawn.spots]
    if number not in known:
        words = (
            f"named by no known peg: wanted its number last (the lawn has {min(known)} to {max(known)}), "
            f"got {'no number' if number is None else 'number {number}'}; write where it is ([[spot]] or "
            f"[[plots]] in {FILE_NAME}, or {plotsheet.FILE_NAME}), or rename the photo"
        )
        raise LawnError(Remark(words) if number is None else Remark(words, number=number), photo=source)
    return number


def _impossible(lawn: Lawn, day: dt.date, *, before: bool) -> str:
    """Why a photo can't be from this day, and what to do; "" where it can."""
    sown = lawn.sowings[0].date if lawn.sowings else None
    if sown and not before and day < sown:
        likely, how = likely_day(day, sown, dt.date.today())
        perhaps = f" (perhaps {{}}, {how})" if likely else ""
        words = (
            f"is dated {{}}, before the sowing of {sown}; if it shows the lawn before the work, add it with "
            "--before; if it is of an earlier season, leave it out, or make that season a folder of its own; "
            f"if the camera's clock was wrong, give the true day with --date{perhaps}; if the sowing's date "
            f"is wrong, correct it in {FILE_NAME}"
        )
        return Remark(words, day, likely) if likely else Remark(words, day)
    if sown and before and day > sown:
        return Remark(
            f"is dated {{}}, after the sowing of {sown}; add it without --before, or, if the camera's clock "
            "was wrong, give the true day with --date",
            day,
        )
    return ""


def _to_come(lawn: Lawn, source: Path, day: dt.date) -> str:
    """That a photo is dated after today, which no season uses before that day, and what to do; else ""."""
    today = dt.date.today()
    if day <= today:
        return ""
    first = lawn.sowings[0].date if lawn.sowings else today
    likely = likely_day(day, first, today)[0] or today
    return Remark(
        "is dated {}, after today, and is left out until then; if the camera's clock was wrong: {again} "
        "--date {likely}",
        day,
        again=shlex.join(["turfeye", "add", str(lawn.folder), str(source)]),
        likely=likely,
    )


def _filed_name(source: Path, taken: dt.datetime, digest: str) -> str:
    """By time, camera's own name and digest: sorted by time, known again by people, never the same twice."""
    whole = unicodedata.normalize("NFC", original_name(source.name))  # ü is one letter: a Mac writes two
    own = re.sub(r"[^\w.+-]+", "_", whole)[:MOST_NAME_CHARS]
    parts = (f"{taken:%Y-%m-%dT%H-%M-%S}", own, digest[:DIGEST_CHARS])
    return "-".join(part for part in parts if part) + source.suffix.lower()


def original_name(name: str) -> str:
    """The camera's own name of a photo, filed or not, without its suffix; "" where it is not known.

    >>> original_name("2026-04-02T10-41-00-IMG_0042-3fa2c1.jpg"), original_name("IMG_0042.JPG")
    ('IMG_0042', 'IMG_0042')
    """
    stem = Path(name).stem
    found = _FILED.fullmatch(stem)
    return (found["original"] or "") if found else stem


def last_number(name: str) -> int | None:
    """The last number in a photo's own name, filed or not: that of the plot, where names end in it.

    >>> last_number("2026-05-06 plot 017.jpg"), last_number("lawn.jpg")
    (17, None)
    """
    numbers = re.findall(r"\d+", original_name(name))
    return int(numbers[-1]) if numbers else None


def _twin(lawn: Lawn, source: Path, digest: str) -> Path | None:
    """The filed photo with the same bytes, if any, whatever its name: people copy photos in by hand too."""
    size = source.stat().st_size
    for path in lawn.every_photo():
        if path.stat().st_size == size and digest_of(path) == digest:
            return path
    return None


def _copy(plan: Filed, earlier: Sequence[Filed], done: list[Path]) -> Filed:
    """Copy one planned photo; the same photo twice in one call counts as filed already."""
    twin = next((other for other in earlier if other.digest == plan.digest), None)
    if plan.already or twin:
        return replace(plan, path=twin.path if twin else plan.path, already=True)
    data = plan.source.read_bytes()
    if plan.path.exists():  # same second, name and six characters, other bytes: never written over
        raise LawnError(
            f"{plan.path} is another photo; rename {plan.source} with a different time and add it again"
        )
    done.append(plan.path)
    write_atomic(plan.path, data)
    return plan


def _written_down(
    lawn: Lawn,
    filed: Sequence[Filed],
    *,
    view: str | None,
    pegs: Sequence[int | None],
    corners_px: Sequence[Sequence[float]] | None,
) -> str:
    """The text of ``lawn.toml`` with what the photos can't tell by themselves."""
    text = lawnfile.text_of(lawn.folder)
    known = {marked.name for marked in lawn.views}
    if corners_px is not None:
        text = _marked(text, lawn, filed[0].path.name, view, corners_px)
        view = None
    elif view is not None and view not in known:
        raise LawnError(
            f"no view is named {view!r}; known: {', '.join(sorted(known)) or 'none'}. "
            "Mark a new one by adding one photo with its corners: --view NAME --corner x,y --corner x,y … "
            f"(turfeye lawn new {shlex.quote(str(lawn.folder))} --propose PHOTO writes a page for that)"
        )
    said: dict[str, dict[str, Any]] = {}
    for one, peg in zip(filed, pegs, strict=True):
        words = {"view": view, "spot": peg, "taken": one.taken if one.overruled else None}
        if words := {key: value for key, value in words.items() if value is not None}:
            said[one.path.name] = words
    return lawntext.with_photos(text, said) if said else text


def _marked(
    text: str, lawn: Lawn, photo: str, view: str | None, corners_px: Sequence[Sequence[float]]
) -> str:
    """The text with the outline marked in a photo: a new view, or the photo's own marked anew."""
    if wrong := wrong_corners(np.array(corners_px, dtype=float), lawn.outline_m, written=as_options):
        raise LawnError(f"the corners can't be used, so nothing was filed: {wrong[0]}")
    own = next((marked.name for marked in lawn.views if marked.photo == photo), None)
    if own is not None and view in (None, own):
        return lawntext.with_marks(text, photo, corners_px)
    known = {marked.name for marked in lawn.views}
    name = view or ("window" if "window" not in known else f"view {len(known) + 1}")
    if own is not None:
        raise LawnError(
            f"this photo is marked as view {own!r} already; to mark it anew leave --view out, or give "
            f"--view {shlex.quote(own)}"
        )
    if name in known:
        raise LawnError(
            f"view {name!r} has its marked photo already; leave --view out, or give this photo's view "
            f"another name: --view {shlex.quote(name + ' again')}"
        )
    corners = [[float(x), float(y)] for x, y in corners_px]
    return lawntext.with_tables(text, "view", [{"name": name, "photo": photo, "corners_px": corners}])
