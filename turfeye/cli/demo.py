"""``turfeye demo``: the whole job on the shipped samples."""

from __future__ import annotations

from pathlib import Path

import click

from turfeye.cli.shared import FOLDER, say, waiting


@click.command(short_help="Run the whole job on the sample photos.")
@click.argument("folder", type=FOLDER, default=Path("turfeye-demo"), metavar="[DIR]")
def demo(folder: Path) -> None:
    """Run the whole job on the sample photos, which are rendered and invented, and say where to look."""
    from turfeye import survey
    from turfeye.answer import ten_lines

    with waiting() as tell:
        answers = survey.demo(folder, tell=tell)
    for answer in answers:
        for line in ten_lines(answer):
            click.echo(line)
        click.echo(f"→ {answer.lawn.results_dir / 'sheet.html'}\n")
    say(
        "The sample lawns are rendered and invented. For your own lawn: turfeye lawn new, turfeye add, "
        "turfeye season."
    )
