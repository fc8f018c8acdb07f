"""``turfeye teach``: teach the classifier one lawn from strokes marked in its photos."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING

import click

from turfeye.cli.shared import FILE, FOLDER, say, share, show_table

if TYPE_CHECKING:
    from turfeye.teach import Score


@click.command(short_help="Teach the classifier your lawn from a few strokes.")
@click.argument("folder", type=FOLDER, metavar="LAWN")
@click.argument("marks", type=FILE, nargs=-1, metavar="[MARKS.json]...")
@click.option(
    "--page", "photos", multiple=True, help="Write a page on which to mark this photo; may be repeated."
)
@click.option("--drop", is_flag=True, help="Forget what the lawn was taught.")
def teach(folder: Path, marks: tuple[Path, ...], photos: tuple[str, ...], drop: bool) -> None:
    """Teach the classifier one lawn from strokes marked in its photos as green, straw, bare or other.

    What it learns is kept only if it then reads better the strokes that were left out of learning; all photos
    of the lawn are then measured with it. With LAWN alone, shows what was taught.
    """
    if bool(marks) + bool(photos) + drop > 1:
        raise click.UsageError("give marks, or --page, or --drop: one at a time")
    from turfeye import lawn as lawns
    from turfeye import markpage, survey
    from turfeye import teach as teaching

    if marks:
        lesson = survey.teach_lawn(folder, marks)
        _show(lesson.teaching.scores, lesson.left_out)
        state = "Kept" if lesson.kept else "Not kept, the lawn is read as before"
        click.echo(f"{state}: {lesson.because}.")
        return
    place = lawns.read(folder)
    if photos:
        click.echo(str(markpage.write(place, photos)))
        again = shlex.join(["turfeye", "teach", str(folder), "marks.json"])
        say(f"Open it in a browser, mark the photo, save marks.json, then run: {again}")
    elif drop:
        with lawns.locked(place.folder):
            there = teaching.drop(place)
        click.echo("Dropped: photos are read as before." if there else "Nothing had been taught.")
    else:
        taught = teaching.read(place)
        click.echo(f"{taught.sentence}." if taught else "Nothing has been taught.")


def _show(scores: tuple[Score, ...], left_out: str) -> None:
    from turfeye.teach import ENOUGH

    rows = [(s.shows, str(s.strokes), share(s.before), share(s.after)) for s in scores]
    click.echo(f"Tested on {left_out} left out of learning:")
    show_table(("marked", "strokes", "read as that", "taught"), rows)
    say(f"gains count only up to {share(ENOUGH)}: a stroke read that well is right already")
