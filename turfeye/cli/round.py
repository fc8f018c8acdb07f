"""``turfeye round``: all the lawns somebody looks after."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from turfeye.cli.shared import FOLDER, figure, say, share, show_table, waiting
from turfeye.errors import NoPhotosError, NotSownError, TurfeyeError
from turfeye.words import short_day, square_metres

if TYPE_CHECKING:
    from turfeye.answer import Answer

COLUMNS = ("lawn", "seen", "day", "green", "forecast", "thin", "what to do")
TO_DO: dict[type[TurfeyeError], str] = {
    NoPhotosError: "file photos: turfeye add",
    NotSownError: "not sown: turfeye plan --before",
}
"""What a lawn without a season yet needs, where its row can say it all."""


@click.command("round", short_help="All the lawns in a folder, one line each.")
@click.argument("folder", type=FOLDER)
def round_(folder: Path) -> None:
    """One line for each lawn in a folder of lawns, the ones that need you first."""
    from turfeye import survey

    answers: list[Answer] = []
    failed: list[tuple[str, TurfeyeError]] = []
    with waiting() as tell:
        for place, found in survey.round_of(folder, tell=tell):
            if isinstance(found, TurfeyeError):
                failed.append((place.name, found))
            else:
                answers.append(found)
    answers.sort(key=lambda answer: -answer.outlook.lawn.thin_m2)
    names = [answer.lawn.name for answer in answers]
    rows = [_row(answer, twice=names.count(answer.lawn.name) > 1) for answer in answers]
    rows += [(name, *["–"] * 5, TO_DO.get(type(why), "see below")) for name, why in failed]
    show_table(COLUMNS, rows, words=COLUMNS[-1])
    if answers:
        say("seen: the last photo; day: the lawn's age then; in brackets: its chance of reaching the target")
    for answer in answers:
        if answer.taught:
            say(f"{answer.lawn.name}: {answer.taught.sentence}")
    for name, why in failed:
        if type(why) not in TO_DO:
            say(f"{name}: {why}")


def _row(answer: Answer, *, twice: bool) -> tuple[str, ...]:
    """A lawn's row; its folder is named where another lawn has its name (``twice``)."""
    whole, last = answer.outlook.lawn, answer.season.visits[-1]
    return (
        f"{answer.lawn.name} ({answer.lawn.folder.name})" if twice else answer.lawn.name,
        short_day(last.taken.date()),
        figure(last.age_days),
        share(whole.cover_now, whole.cover_now_se),
        f"{share(whole.cover_at_target)} ({share(whole.p_on_target)})",
        square_metres(whole.thin_m2),
        _to_do(answer),
    )


def _to_do(answer: Answer) -> str:
    """What a lawn needs, in two words or three."""
    counts, plan = answer.outlook.lawn.counts, answer.plan
    if any(task.seed_g > 0 for task in plan.tasks):
        return f"reseed {figure(plan.seed_g, unit=' g')}"
    if counts["too soon to say"] > counts["on course"] + counts["slow"]:
        return "photograph again"
    return "give it time" if counts["slow"] > counts["on course"] else "on course"
