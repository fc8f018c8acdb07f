"""``turfeye plan``: what to sow, where, how much; before the work, what to bring."""

from __future__ import annotations

import json as json_module
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from turfeye.cli.shared import FOLDER, Day, figure, say, say_notes, share, show_table, waiting
from turfeye.words import as_line, day, so_many, square_metres

if TYPE_CHECKING:
    from turfeye.answer import Answer, Before
    from turfeye.lawn import Lawn
    from turfeye.lawnrecords import Tape, Task, WorkPlan


MOST_REASONS = 20
"""Of more patches the reasons, a line each, would push the table off the screen."""


@click.command(short_help="Where to sow, how much, by when, and why.")
@click.argument("folder", type=FOLDER, metavar="LAWN")
@click.option("--before", is_flag=True, help="List what to bring, from the photos taken before the work.")
@click.option(
    "--sown",
    type=Day(),
    help="The date on which the plan's patches were sown: records them in lawn.toml and makes a new plan.",
)
@click.option(
    "--patch",
    "patches",
    type=click.IntRange(1),
    multiple=True,
    help="With --sown: only this patch was sown; may be repeated. [all that get seed]",
)
@click.option(
    "--plot",
    "plots",
    type=click.IntRange(0),
    multiple=True,
    help="With --sown: only what lies in this plot of a trial was sown; may be repeated, also with --patch.",
)
@click.option(
    "--mix",
    help="With --before: the mix to sow; with --sown: the mix sown. [the lawn's, else perennial ryegrass]",
)
@click.option("--json", is_flag=True, help="One JSON object, for programs.")
def plan(
    folder: Path,
    before: bool,
    sown: date | None,
    patches: tuple[int, ...],
    plots: tuple[int, ...],
    mix: str | None,
    json: bool,
) -> None:
    """Say where to sow, how much, by when and why; each place is found by two tape distances.

    With --before: list the materials for a lawn that was photographed before the work (turfeye add --before).
    Bare places are sown at the rate for a new lawn, never less than the rest, which is overseeded. The whole
    lawn is top-dressed. Pale places are listed for inspection. If nearly all of the ground is bare, it is all
    sown. Fill is counted only for hollows that you measured and wrote in lawn.toml.

    With --sown: the patches of the plan as it was on that day are recorded in lawn.toml as sown again. Their
    growth is tracked anew from that day, and the rest of the lawn's as before. Patches that were not sown
    stay in the plan and get new numbers.
    """
    from turfeye import planfile, survey

    if mix and not (before or sown):
        raise click.UsageError(
            "--mix goes with --before or --sown; the mix of a lawn that is sown is in lawn.toml"
        )
    if patches and not sown:
        raise click.UsageError("--patch needs --sown, the date on which it was sown")
    if plots and not sown:
        raise click.UsageError("--plot needs --sown, the date on which it was sown")
    if sown and before:
        raise click.UsageError("--sown records a plan for a lawn that is growing: leave out --before")
    found: Before | Answer
    with waiting() as tell:
        if before:
            found = survey.before(folder, mix=mix, tell=tell)
            facts = planfile.materials_dict(found.materials, taught=found.taught)
            show = partial(_show_materials, found)
        else:
            if sown:
                found, sown_m2 = survey.sow_plan(
                    folder, sown, only=patches, in_plots=plots, mix=mix, tell=tell
                )
                count = so_many(sum(one.date == sown for one in found.lawn.oversowings), "patch", "patches")
                say(
                    f"{count}, {square_metres(sown_m2)}, recorded as sown again on {sown} in "
                    f"{folder / 'lawn.toml'}: correct it there if another mix, amount or area was sown, or "
                    "a patch was left out"
                )
            else:
                found = survey.season(folder, tell=tell)
            facts = planfile.plan_dict(found.plan, taught=found.taught)
            show = partial(_show_plan, found.plan, found.lawn)
    if json:
        click.echo(json_module.dumps(facts, ensure_ascii=False, allow_nan=False))
    else:
        show()
    for caution in facts["cautions"]:
        say(f"Caution: {caution}")
    say_notes(found)
    if before:
        say(f"to print: {found.files[0]}")


def _show_plan(work: WorkPlan, place: Lawn) -> None:
    from turfeye.plots import by_plot

    click.echo(work.sentence)
    if by_plot(work.tasks):
        _show_by_plot(work, place)
    else:
        _show_by_patch(work)
    for line in (
        as_line(work.window),
        *work.spreading,
        *(f"{day(when)}: {what}" for when, what in work.dates),
        *(f"{days} days after sowing: {what}" for days, what in work.after_sowing),
    ):
        if line:
            click.echo(line)


def _show_by_patch(work: WorkPlan) -> None:
    from turfeye.amounts import seed_words
    from turfeye.plots import named

    trial = any(task.patch.plots for task in work.tasks)
    rows = [
        (
            str(task.patch.number),
            *([_plots(task)] if trial else []),
            task.patch.kind,
            figure(task.patch.area_m2, 2),
            _by_tape(task.tape),
            share(task.patch.deficit),
            seed_words(task.seed_g, task.waits),
            figure(task.dressing_l or None, 1),
        )
        for task in work.tasks
    ]
    if rows:
        names = ("kind", "m²", "tape from corners (m)", "deficit", "seed", "dressing L")
        show_table(("patch", *(["plots"] if trial else []), *names), rows)
    if len(rows) > MOST_REASONS:
        click.echo("The reason for each patch is in results/plan.csv, in the column 'because'.")
    for task in work.tasks if len(rows) <= MOST_REASONS else ():
        click.echo(f"{named([task.patch])}: {task.because}.")


def _show_by_plot(work: WorkPlan, place: Lawn) -> None:
    from turfeye.amounts import seed_words
    from turfeye.plots import sown

    rows = [
        (
            row.name,
            row.patch_numbers,
            row.places,
            figure(row.area_m2, 2),
            seed_words(row.seed_g),
            figure(row.dressing_l, 1),
        )
        for row in sown(work.tasks, place.plots)
    ]
    if rows:
        show_table(("plot", "patches", "along, in (m)", "m²", "seed", "dressing L"), rows)
        click.echo(
            f"Places are metres along the side {place.side_names[0]}, then in from it, measured from the "
            f"plot's corner nearest to {place.corner_names[0]}. Once part of the plan is sown: --sown DATE "
            "with --plot or --patch."
        )
    click.echo("Each patch with its reason and its tape distances: results/plan.csv.")


def _show_materials(before: Before) -> None:
    found = before.materials
    click.echo(found.sentence)
    places = found.by_place
    rows = [
        (
            line.place,
            line.what,
            figure(line.area_m2, 2),
            "" if line.unit == "m²" else figure(line.amount, 1 if line.unit == "L" else 0, f" {line.unit}"),
            *(_where(places[line.place]) if line.place in places else ("", "")),
        )
        for line in found.lines
    ]
    show_table(("where", "what", "m²", "amount", "x, y (m)", "tape from corners (m)"), rows)
    for line in found.lines:
        click.echo(f"{line.place.capitalize()}, {line.what}: {line.because}.")
    if found.heaps_g:
        heaps = " + ".join(f"{heap} g" for heap in found.heaps_g)
        click.echo(
            f"Whole lawn: split the seed {heaps}; spread two heaps lengthways and two crossways, at a low "
            "setting."
        )
    click.echo(as_line(before.window))


def _where(task: Task) -> tuple[str, str]:
    return f"{task.patch.x_m:.2f}, {task.patch.y_m:.2f}", _by_tape(task.tape)


def _plots(task: Task) -> str:
    return ", ".join(str(number) for number, _ in task.patch.plots) or "–"


def _by_tape(tape: Tape) -> str:
    return f"{tape.corner_a} {tape.from_a_m:.2f}, {tape.corner_b} {tape.from_b_m:.2f}"
