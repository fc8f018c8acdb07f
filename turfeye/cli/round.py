"""``turfeye round``: all the lawns somebody looks after."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from turfeye.cli.shared import FOLDER, figure, say, share, show_table, waiting
from turfeye.errors import NoPhotosError, NotSownError, TurfeyeError
from turfeye.words import listed, short_day, square_metres

if TYPE_CHECKING:
    from turfeye.answer import Answer

COLUMNS = ("lawn", "seen", "day", "green", "forecast", "thin", "what to do")
TO_DO: dict[type[TurfeyeError], str] = {
    NoPhotosError: "file photos: turfeye add",
    NotSownError: "not sown: turfeye plan --before",
}
"""What a lawn without a season yet needs, where its row can say it all."""
WAIT = ("too early", "too late")
"""A plan's verdicts on the day, by which its seed stays at home."""


@click.command("round", short_help="All the lawns in a folder, one line each.")
@click.argument("folder", type=FOLDER)
def round_(folder: Path) -> None:
    """One line for each lawn in a folder of lawns, the ones that need you first."""
    from turfeye import survey

    answers: list[Answer] = []
    failed: list[tuple[Path, TurfeyeError]] = []
    with waiting() as tell:
        for place, found in survey.round_of(folder, tell=tell):
            if isinstance(found, TurfeyeError):
                failed.append((place, found))
            else:
                answers.append(found)
    answers.sort(key=lambda answer: -answer.outlook.lawn.thin_m2)
    called = _told_apart(
        [(answer.lawn.folder, answer.lawn.name) for answer in answers]
        + [(place, _name(place)) for place, _ in failed]
    )
    rows = [_row(answer, called[answer.lawn.folder]) for answer in answers]
    rows += [(called[place], *["–"] * 5, TO_DO.get(type(why), "see below")) for place, why in failed]
    show_table(COLUMNS, rows, words=COLUMNS[-1])
    if answers:
        say("seen: the last photo; day: the lawn's age then; in brackets: its chance of reaching the target")
    for answer in answers:
        if answer.taught:
            say(f"{called[answer.lawn.folder]}: {answer.taught.sentence}")
    for line in _to_bring(answers):
        say(line)
    for place, why in failed:
        if type(why) not in TO_DO:
            say(f"{called[place]}: {why}")


def _told_apart(lawns: Sequence[tuple[Path, str]]) -> dict[Path, str]:
    """What each folder's lawn is called; its folder is named where another lawn has its name."""
    names = Counter(name for _, name in lawns)
    return {place: f"{name} ({place.name})" if names[name] > 1 else name for place, name in lawns}


def _name(place: Path) -> str:
    """What a lawn without an answer is called: by its folder where its file can't be read either."""
    from turfeye import lawn

    try:
        return lawn.read(place).name
    except (TurfeyeError, OSError):
        return place.name


def _to_bring(answers: Sequence[Answer]) -> list[str]:
    """What the lawns to reseed take together, where there are several: seed by mix, and dressing."""
    sown = [answer for answer in answers if answer.plan.seed_g and answer.plan.verdict not in WAIT]
    if len(sown) < 2:
        return []
    by_mix: Counter[str] = Counter()
    for answer in sown:
        by_mix[answer.season.sowing.mix] += round(answer.plan.seed_g + answer.plan.seed_spare_g)
    seed = listed(f"{grams} g of {mix}" for mix, grams in by_mix.items())
    litres = sum(answer.plan.dressing_l for answer in sown)
    dressing = f", {litres:.0f} L of dressing" if litres else ""
    return [f"to bring for the {len(sown)} lawns to reseed, spare included: {seed}{dressing}"]


def _row(answer: Answer, called: str) -> tuple[str, ...]:
    """A lawn's row."""
    whole, last = answer.outlook.lawn, answer.season.visits[-1]
    return (
        called,
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
        early = f"{plan.verdict} to " if plan.verdict in WAIT else ""
        return f"{early}reseed {figure(plan.seed_g, unit=' g')}"
    if counts["too soon to say"] > counts["on course"] + counts["slow"]:
        return "photograph again"
    return "give it time" if counts["slow"] > counts["on course"] else "on course"
