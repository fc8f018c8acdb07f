"""``turfeye add``: file photos in a lawn folder."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

from turfeye.cli.shared import FOLDER, MANY, PHOTO, Day, Pair, say, waiting
from turfeye.words import on_days, so_many

FEW_KNOWN = 3
"""So many photos that were filed before are named one by one; of more, as of a phone's folder, the number."""


@click.command(short_help="File photos by copy.")
@click.argument("folder", type=FOLDER, metavar="LAWN")
@click.argument("photos", type=PHOTO, nargs=-1, required=True, metavar="PHOTO...")
@click.option(
    "--date",
    "when",
    type=Day(timed=True),
    help="When they were taken, for photos with no date in header or name, or one that can't be right.",
)
@click.option("--view", help="The view that they show, by its name.")
@click.option(
    "--spot", type=click.IntRange(0), help="The number of the peg that they show, if the card can't tell."
)
@click.option(
    "--numbered", is_flag=True, help="Take each photo's peg or plot from the last number in its name."
)
@click.option(
    "--corner",
    "corners",
    type=Pair(),
    multiple=True,
    help="Mark the outline in one photo: repeat for each corner, in pixels, in the outline's order.",
)
@click.option("--before", is_flag=True, help="The photos show the lawn before the work.")
def add(
    folder: Path,
    photos: tuple[Path, ...],
    when: date | None,
    view: str | None,
    spot: int | None,
    numbered: bool,
    corners: tuple[tuple[float, float], ...],
    before: bool,
) -> None:
    """Copy photos into a lawn's folder. Your own files are never changed.

    If one photo can't be filed, none is. Give a folder to file all the pictures in it; photos that are filed
    already are not filed twice. Photos that a season can't place yet are named at once, with what is missing
    and what to do. For more than thirty photos you get a summary. results/filed.csv in the lawn's folder
    lists what became of every photo, including earlier ones.
    """
    from turfeye import byphoto, doubts, filing, lawn, notes, survey

    with waiting() as tell:
        filed = filing.add(
            folder,
            photos,
            date=when,
            view=view,
            spot=spot,
            numbered=numbered,
            corners_px=corners or None,
            before=before,
            tell=tell,
        )
    told = view is not None or spot is not None or numbered
    noted, all_noted = (f", what you say of {what} is noted" if told else "" for what in ("it", "them"))
    known = {one for one in filed if one.already and (one.path.parent.name == "before") == before}
    new = [one for one in filed if not one.already]
    many = len(filed) > MANY
    if many and new:
        click.echo(f"{so_many(len(new), 'photo')} filed, taken {on_days(one.taken.date() for one in new)}")
    elsewhere = []
    for one in filed:
        if not one.already:
            if not many:
                click.echo(f"{one.source.name} → {one.path.name}")
        elif one not in known:
            where = "" if many else f" as {one.path.name}"
            where = f"filed already{where}{noted}, in {one.path.parent.name}/"
            elsewhere.append((one.source.name, f"{where}: move it by hand if that is wrong"))
        elif len(known) <= FEW_KNOWN:
            say(f"{one.source.name}: filed already as {one.path.name}{noted}")
    for note in notes.gathered(elsewhere):
        say(str(note))
    for note in notes.gathered((one.source.name, one.note) for one in filed if one.note):
        say(str(note))
    if len(known) > FEW_KNOWN:
        say(f"{len(known)} photos were filed already{all_noted}")
    if not (before or lawn.read(folder).sowings):
        said = "write it there, or, if these are from before the work, add them with --before"
        say(f"{lawn.FILE_NAME} has no sowing yet: {said}")
    if corners:
        name = next(one.name for one in lawn.read(folder).views if one.photo == filed[0].path.name)
        click.echo(f"corners marked as view {name!r}")
    with waiting() as tell:
        placing = survey.placing(folder, {one.path.name for one in filed}, tell=tell)
    if why := placing.unplaced:
        say(notes.headed("filed, but not placed yet", doubts.unplaced(lawn.read(folder), why)))
    for note in doubts.placed(lawn.read(folder), placing.cropped):
        say(str(note))
    for line in placing.same_ground:
        say(line)
    listed = byphoto.list_filed(lawn.read(folder), filed, why)
    if many:
        say(f"each photo: {listed}")
    if corners and not why:
        doubted = survey.marks_doubted(folder, filed[0].path.name)
        missed = survey.out_of_reach(folder, filed[0].path.name)
        for note in notes.gathered((filed[0].source.name, line) for line in (*doubted, missed) if line):
            say(str(note))
