"""``turfeye plan``: what to sow, where, how much."""

from __future__ import annotations

from pathlib import Path

import click

from turfeye.cli.shared import FOLDER, figure, say, share, show_table


@click.command(short_help="Where to sow, how much, by when, and why.")
@click.argument("folder", type=FOLDER, metavar="LAWN")
def plan(folder: Path) -> None:
    """Say where to sow, how much, by when and why; each place by two tape distances."""
    from turfeye import survey

    answer = survey.season(folder)
    work = answer.plan
    click.echo(work.sentence)
    rows = [
        (
            str(task.patch.number),
            task.patch.kind,
            figure(task.patch.area_m2, 2),
            f"{task.tape.corner_a} {task.tape.from_a_m:.2f}, {task.tape.corner_b} {task.tape.from_b_m:.2f}",
            share(task.patch.deficit),
            figure(task.seed_g),
            figure(task.dressing_l, 1),
            task.because,
        )
        for task in work.tasks
    ]
    if rows:
        show_table(
            ("patch", "kind", "m²", "tape from corners (m)", "deficit", "seed g", "dressing L", "because"),
            rows,
        )
    for line in (work.window, *work.spreading, *(f"{when}: {what}" for when, what in work.dates)):
        if line:
            click.echo(line)
    for caution in work.cautions:
        say(f"Caution: {caution}")
