"""``turfeye season``: score and track one lawn."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from turfeye.cli.shared import FOLDER, say, waiting

if TYPE_CHECKING:
    from turfeye.answer import Answer


@click.command(short_help="Follow one lawn: growth, thin parts, what to do.")
@click.argument("folder", type=FOLDER, metavar="LAWN")
@click.option("--against", type=FOLDER, help="Compare with another lawn, or with last year's folder.")
def season(folder: Path, against: Path | None) -> None:
    """Measure new photos of a lawn, follow its growth, and say what is thin and what to do.

    Prints the answer in ten lines; tables, maps and the page sheet.html are in the lawn's results folder.
    """
    from turfeye import compare, survey
    from turfeye.answer import ten_lines

    with waiting() as tell:
        # The other first: whatever is wrong there is said before this lawn's photos are measured.
        other = None if against is None else survey.season(against, tell=tell)
        answer = survey.season(folder, tell=tell)
    for line in ten_lines(answer):
        click.echo(line)
    if other is not None:
        by: compare.By = "degree-days" if _both_by_degree_days(answer, other) else "days"
        click.echo(compare.against(answer.outlook, other.outlook, by=by, name=other.lawn.name).sentence)
    for warning in answer.warnings:
        say(f"note: {warning}")
    if answer.files:
        say(f"wrote {len(answer.files)} files to {answer.lawn.results_dir}; open sheet.html first")


def _both_by_degree_days(one: Answer, other: Answer) -> bool:
    return one.outlook.time_axis == other.outlook.time_axis == "degree-days"
