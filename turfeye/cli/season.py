"""``turfeye season``: score and track one lawn."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from turfeye.cli.shared import FOLDER, say, say_notes, waiting


@click.command(short_help="Follow one lawn: growth, thin parts, what to do.")
@click.argument("folder", type=FOLDER, metavar="LAWN")
@click.option("--against", type=FOLDER, help="Folder of another lawn, or of another year, to compare with.")
def season(folder: Path, against: Path | None) -> None:
    """Measure a lawn's new photos, follow its growth, and say what is thin and what to do.

    Prints the answer in ten lines; with --against, also how many days it is ahead or behind. Tables, maps and
    the page sheet.html go to the lawn's results folder.
    """
    from turfeye import survey
    from turfeye.answer import ten_lines

    with waiting() as tell:
        answer = survey.season(folder, against=against, tell=tell)
    # A file of the answer keeps the first note; a terminal shows all of them below, whole.
    noted = not sys.stdout.isatty()
    for line in (*ten_lines(answer, noted=noted), *(answer.beside.sentences if answer.beside else ())):
        click.echo(line)
    say_notes(answer)
    if answer.files:
        say(f"wrote {len(answer.files)} files to {answer.lawn.results_dir}; open sheet.html first")
