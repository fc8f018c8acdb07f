"""The lawn folder: the files are the database.

::

    ferry-cottage/
      lawn.toml      what people write
      treatments.csv of a trial: its plots, where they are and what they have
      photos/        filed by copy, named by time, camera's name and digest, never written to again
      before/        photos of the lawn before the work
      results/       derived, safe to delete
"""

from __future__ import annotations

import contextlib
import datetime as dt
import os
import shlex
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np

from turfeye import lawntext, plotsheet
from turfeye.bedcheck import bed_corners
from turfeye.errors import LawnError, LawnMissingError
from turfeye.files import digest_of
from turfeye.gapfraction import Blades
from turfeye.lawnrecords import Plot, Sowing, Spot, Target
from turfeye.lawntext import FILE_NAME
from turfeye.notes import some
from turfeye.outline import corner_names, side_names, signed_area
from turfeye.pegcheck import pegs
from turfeye.photo import parse_taken_from_name
from turfeye.records import Floats
from turfeye.wording import spelled
from turfeye.words import so_many

LOCK_NAME = ".lock"
DIGEST_CHARS = 6  # in a filed photo's name; the whole digest decides about twins
LOCK_WAIT_S = 20.0
USUAL_MIX = "perennial ryegrass"


@dataclass(frozen=True, eq=False, slots=True)
class MarkedView:
    """A standing point whose outline corners are marked in one photo."""

    name: str
    photo: str  # a name in photos/
    corners_px: Floats  # (K, 2), in the order of the outline


@dataclass(frozen=True, slots=True)
class Dressing:
    """Top dressing as the user spreads it; None where nothing was said."""

    depth_mm: float | None = None
    bag_l: float | None = None
    bag_covers_m2: float | None = None


@dataclass(frozen=True, slots=True)
class Hollow:
    """A place that lies lower than the turf around it, measured by hand: a photo shows no depth."""

    at_m: tuple[float, float]
    depth_mm: float
    area_m2: float | None = None  # None: that of the bare place in which it lies


@dataclass(frozen=True, slots=True)
class Seed:
    """Seed for reseeding: the user's own rate, and the shares that the bag's label gives."""

    rate_g_m2: float | None = None
    purity: float = 1.0
    germination: float = 1.0


@dataclass(frozen=True, slots=True)
class Anchor:
    """Where a named corner is on the globe (WGS 84)."""

    corner: str
    lat_deg: float
    lon_deg: float


@dataclass(frozen=True, slots=True)
class Note:
    """What a filed photo can't tell by itself, as written in ``[[photo]]``."""

    photo: str
    view: str | None
    spot: int | None
    taken: dt.datetime | None = None  # where the camera's clock was wrong
    turned_deg: float = 0.0  # how the spot's card lay against how it usually does


@dataclass(frozen=True, eq=False, slots=True)
class Lawn:
    """What ``lawn.toml`` says, and ``treatments.csv`` of where a trial's plots are, checked."""

    folder: Path
    name: str
    known_by: str  # what calendars find it by, whatever its folder is called since; "" where nothing says it
    outline_m: Floats  # (K, 2), anticlockwise, closed by its first corner
    beds_m: tuple[Floats, ...]  # each (K, 2), anticlockwise: ground inside the outline that is no lawn
    cell_m: float
    corner_names: tuple[str, ...]
    side_names: tuple[str, ...]
    sowings: tuple[Sowing, ...]  # sorted by date
    target: Target | None
    views: tuple[MarkedView, ...]
    spots: tuple[Spot, ...]
    mixes: tuple[Mapping[str, Any], ...]  # the user's own, as turfeye.mixes takes them
    notes: tuple[Note, ...]
    dressing: Dressing
    hollows: tuple[Hollow, ...]
    anchors: tuple[Anchor, ...]
    spare_pct: float
    card_rule_mm: float  # what the 100 mm rule measures on the cards as printed
    seed: Seed
    curve: Literal["logistic", "gompertz"]
    blades: Blades | None  # None: as usual
    time_axis: Literal["days", "degree-days"] | None  # None: degree-days where temperatures.csv is there
    paths: bool  # the plots have sizes of their own: what lies between them is no lawn

    @property
    def sowing(self) -> Sowing | None:
        """The last one of all the lawn, from which its ages count; None before the work."""
        return next((one for one in reversed(self.sowings) if not one.area_m), None)

    @property
    def oversowings(self) -> tuple[Sowing, ...]:
        """Those of parts of the lawn since then."""
        return tuple(
            one for one in self.sowings if one.area_m and self.sowing and one.date >= self.sowing.date
        )

    @property
    def plots(self) -> tuple[Plot, ...]:
        """The trial's plots, () of a lawn that is no trial."""
        return tuple(Plot(s.number, s.at_m, s.size_m) for s in self.spots if s.size_m)

    @property
    def plot_of_peg(self) -> dict[int, Plot]:
        """By the number of its peg the plot of which a photo there tells: a plot's own, or that around it."""
        own = {plot.number: plot for plot in self.plots}
        around = {s.number: next((p for p in self.plots if p.holds(s.at_m)), None) for s in self.spots}
        return {number: plot for number, plot in around.items() if plot is not None} | own

    @property
    def peg_word(self) -> str:
        """What people call a place that a peg marks."""
        return "plot" if self.plots and len(self.plots) == len(self.spots) else "spot"

    @property
    def photos_dir(self) -> Path:
        """Where the photos are filed."""
        return self.folder / "photos"

    @property
    def before_dir(self) -> Path:
        """Where photos from before the work are filed."""
        return self.folder / "before"

    @property
    def results_dir(self) -> Path:
        """Everything derived; safe to delete."""
        return self.folder / "results"

    @property
    def area_m2(self) -> float:
        """Area inside the outline, without the beds."""
        return signed_area(self.outline_m) - sum(map(signed_area, self.beds_m))

    def photo_path(self, name: str) -> Path:
        """Where a filed photo of this name lies: among the others, or those from before the work."""
        path = self.photos_dir / name
        return path if path.is_file() else self.before_dir / name

    def photos(self, *, before: bool = False) -> tuple[Path, ...]:
        """The filed photos, oldest first (their names begin with the time)."""
        folder = self.before_dir if before else self.photos_dir
        if not folder.is_dir():
            return ()
        return tuple(sorted(p for p in folder.iterdir() if p.is_file() and not p.name.startswith(".")))

    def taken(self, photo: Path) -> dt.datetime | None:
        """When a filed photo counts as taken: as its ``[[photo]]`` says, else as its name does."""
        said = next((note.taken for note in self.notes if note.photo == photo.name and note.taken), None)
        return said or parse_taken_from_name(photo.name)

    def every_photo(self) -> tuple[Path, ...]:
        """The filed photos, then those from before the work."""
        return (*self.photos(), *self.photos(before=True))

    def noted_but_gone(self) -> tuple[str, ...]:
        """Photos named in ``[[photo]]`` that are not there: taken back, or misspelt."""
        there = {path.name for path in self.every_photo()}
        return tuple(note.photo for note in self.notes if note.photo not in there)


def read(folder: Path | str) -> Lawn:
    """Read a lawn folder.

    Raises LawnMissingError where there is none, LawnError with every mistake in its ``lawn.toml``, else in
    what its ``treatments.csv`` says of the plots' places.
    """
    from turfeye import lawnfile

    folder = Path(folder)
    if not (folder / FILE_NAME).is_file():
        if inside := sorted(path.parent.name for path in folder.glob(f"*/{FILE_NAME}")):
            raise LawnMissingError(
                f"{folder} is not a lawn but a folder of lawns ({some(inside)}): name one of them, or see "
                f"all with: turfeye round {shlex.quote(str(folder))}"
            )
        if (named := folder / f"{FILE_NAME}.txt").is_file():  # what editors on Windows make of it
            raise LawnMissingError(f"no lawn in {folder}: rename {named.name} there to {FILE_NAME}")
        raise LawnMissingError(
            f"no lawn in {folder}: it has no {FILE_NAME}; make one with: "
            f"turfeye lawn new {shlex.quote(str(folder))} --outline 8x6"
        )
    part = lawnfile.read_file(folder)
    lawn = _from_part(folder, part)
    _check_marked_photos(lawn)
    return lawn


def _from_part(folder: Path, part: Any) -> Lawn:
    """The checked file as plain frozen records."""
    corners = tuple(part.corner_names or corner_names(len(part.outline_m)))
    outline_m = np.array(part.outline_m, dtype=float)
    written = part.model_dump()
    spots = pegs(written["spot"], written["plots"])
    sheet = plotsheet.pegs(
        plotsheet.read(folder), outline_m, spots=[s.number for s in part.spot], plots=bool(part.plots)
    )
    return Lawn(
        folder=folder,
        name=part.name,
        known_by=part.known_by or "",
        outline_m=outline_m,
        beds_m=tuple(bed_corners(bed) for bed in written["bed"]),
        cell_m=float(part.cell_m),
        corner_names=corners,
        side_names=tuple(part.side_names or side_names(corners)),
        sowings=tuple(sorted((_sowing(s) for s in part.sowing), key=lambda s: s.date)),
        target=Target(float(part.target.cover), part.target.date) if part.target else None,
        views=tuple(MarkedView(v.name, v.photo, np.array(v.corners_px, dtype=float)) for v in part.view),
        spots=(*spots, *sheet),
        mixes=tuple(part.mix),
        notes=tuple(Note(p.name, p.view, p.spot, at_noon(p.taken), float(p.turned_deg)) for p in part.photo),
        dressing=Dressing(**part.dressing.model_dump()),
        hollows=tuple(Hollow((h.at_m[0], h.at_m[1]), float(h.depth_mm), h.area_m2) for h in part.hollow),
        anchors=tuple(Anchor(a.corner, a.lat_deg, a.lon_deg) for a in part.anchor),
        spare_pct=float(part.spare_pct),
        card_rule_mm=float(part.card_rule_mm),
        seed=Seed(**part.seed.model_dump()),
        curve=part.season.curve,
        time_axis=part.season.time_axis,
        paths=bool(part.plots or sheet) and all(block.size_m for block in part.plots),
        blades=Blades(**part.blades.model_dump()) if part.blades else None,
    )


def _sowing(part: Any) -> Sowing:
    """A checked ``[[sowing]]``."""
    area_m = tuple((float(x), float(y)) for x, y in part.area_m or ())
    return Sowing(part.date, part.mix, float(part.rate_g_m2), area_m)


def _check_marked_photos(lawn: Lawn) -> None:
    """Every marked photo must be there, and every view that a ``[[photo]]`` names.

    A ``[[photo]]`` whose photo is gone is no mistake: photos are taken back by deleting them.
    """
    there = [path.name for path in lawn.every_photo()]
    mistakes = [
        f"{spelled('view', i, 'photo')}: {view.photo!r} is not in photos/; "
        f"{_instead(lawn, view.photo, there)}"
        for i, view in enumerate(lawn.views)
        if view.photo not in there
    ]
    names = [view.name for view in lawn.views]
    mistakes += [
        f"{spelled('photo', i, 'view')}: no view is named {note.view!r}; write one of "
        f"{', '.join(names) or '(none yet)'}"
        for i, note in enumerate(lawn.notes)
        if note.view is not None and note.view not in names
    ]
    if mistakes:
        raise LawnError(f"{lawn.folder / FILE_NAME} has {so_many(len(mistakes), 'mistake')}", mistakes)


def _instead(lawn: Lawn, gone: str, there: Sequence[str]) -> str:
    """What to do about a marked photo that is gone: filed names end with their digest's first characters."""
    digest = Path(gone).stem.rpartition("-")[2]
    for path in lawn.every_photo():
        if len(digest) == DIGEST_CHARS and digest_of(path).startswith(digest):
            return f"{path.name} is that photo under another name: write that here, or name it back"
    mark = f"turfeye lawn new {shlex.quote(str(lawn.folder))} --propose PHOTO"
    return (
        "put it back, or delete this [[view]] and mark another photo from there, on the page that "
        f"{mark} writes ({some(there) or 'none filed yet'})"
    )


def by_folder(folder: Path | str) -> str:
    """What a lawn is known by as long as its file doesn't say: its folder, with the one that it lies in.

    A lawn behind the house is ``back`` at many a customer's. What in their names is no text, as of a folder
    that came from an old disk, is a question mark.
    """
    place = Path(folder).resolve()
    return f"{place.parent.name}/{place.name}".encode(errors="replace").decode()


def lawns_in(folder: Path | str) -> tuple[Path, ...]:
    """The lawn folders in a folder, by name. Raises LawnMissingError when there is none."""
    places = sorted(path.parent for path in Path(folder).glob(f"*/{FILE_NAME}"))
    if not places and (Path(folder) / FILE_NAME).is_file():
        raise LawnMissingError(
            f"{folder} is one lawn, wanted the folder that its lawns lie in: turfeye round "
            f"{shlex.quote(str(Path(folder).resolve().parent))}"
        )
    if not places:
        raise LawnMissingError(f"no lawns in {folder}: wanted folders with a {FILE_NAME} in them")
    return tuple(places)


def at_noon(day: dt.date | dt.datetime | None) -> dt.datetime | None:
    """A day alone stands at its noon."""
    return day if isinstance(day, dt.datetime) or day is None else dt.datetime.combine(day, dt.time(12))


def add_sowings(folder: Path, sowings: Sequence[Sowing], remarks: Sequence[str]) -> None:
    """Write further sowings into the lawn's file, each with a remark by which people know it.

    Raises LawnError for what would be a mistake there.
    """
    from turfeye import lawnfile

    entries = [
        {"date": one.date, "mix": one.mix, "rate_g_m2": one.rate_g_m2, "area_m": one.area_m}
        for one in sowings
    ]
    text = lawntext.with_tables(lawnfile.text_of(folder), "sowing", entries, remarks=remarks)
    lawnfile.save(folder, text)


def set_blades(folder: Path, blades: Blades) -> None:
    """Write the lawn's own leaf angle into its file."""
    from turfeye import lawnfile

    entry = {"lean": round(blades.lean, 3), "lean_se": round(blades.lean_se, 3)}
    lawnfile.save(folder, lawntext.with_table(lawnfile.text_of(folder), "blades", entry))


@contextlib.contextmanager
def locked(folder: Path, *, wait_s: float = LOCK_WAIT_S) -> Iterator[None]:
    """Hold the lawn for filing and edits. The system frees the lock when a process ends, however it ends.

    Raises LawnError when somebody else still holds it after ``wait_s``.
    """
    try:
        handle = os.open(folder / LOCK_NAME, os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as error:
        error.filename = str(folder)  # what the user knows
        raise
    try:
        end = time.monotonic() + wait_s
        while not _try_lock(handle):
            if time.monotonic() > end:
                raise LawnError(
                    f"another turfeye is writing to {folder}; wait until it has finished, then try again"
                )
            time.sleep(0.05)
        yield
    finally:
        os.close(handle)


def _try_lock(handle: int) -> bool:
    try:
        if os.name == "nt":  # pragma: no cover - Windows
            import msvcrt

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
