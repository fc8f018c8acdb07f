"""``turfeye round``: all the lawns somebody looks after."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import click

from turfeye.cli.shared import FOLDER, figure, say, share, show_table, waiting
from turfeye.words import day, short_day, square_metres

if TYPE_CHECKING:
    from turfeye.rounds import Stop

COLUMNS = ("lawn", "seen", "day", "green", "forecast", "thin", "what to do")


@click.command("round", short_help="All the lawns in a folder, one line each.")
@click.argument("folder", type=FOLDER)
@click.option("--out", type=FOLDER, help="Write there a page to print, a table and a calendar file.")
def round_(folder: Path, out: Path | None) -> None:
    """Print one line for each lawn in a folder of lawns, the most urgent first.

    --out DIR writes three files: round.html, a page with every lawn's map, what to bring and what is due day
    by day; round.csv, one row per lawn; and round.ics, the dates for the calendar of a phone or computer.
    """
    from turfeye import rounds, survey

    with waiting() as tell:
        found = rounds.of(survey.round_of(folder, tell=tell))
    show_table(COLUMNS, [_row(stop, found.as_of) for stop in found.stops], words=COLUMNS[-1])
    if found.as_of:
        say(f"As of the newest photo, {day(found.as_of)}.")
        say(
            "seen: date of the last photo; day: days since sowing by then; in brackets: the chance of "
            "reaching the target"
        )
    for stop in found.stops:
        if stop.answer and stop.answer.taught:
            say(f"{stop.called}: {stop.answer.taught.sentence}")
    if found.to_bring:
        say(found.to_bring)
    for stop in found.stops:
        if stop.problem:
            say(f"{stop.called}: {stop.problem}")
    for line in found.shared:
        say(line)
    if out:
        from turfeye import results

        written = results.write_round(found, out)
        say(f"wrote {len(written)} files to {out}; open {written[0].name} first")


def _row(stop: Stop, as_of: date | None) -> tuple[str, ...]:
    """A lawn's row; days of another year than the newest photo's have theirs."""
    seen = stop.seen
    when = "–" if seen is None else short_day(seen) if as_of and seen.year == as_of.year else day(seen)
    if stop.answer is None:
        return stop.called, when, *["–"] * (len(COLUMNS) - 3), stop.to_do
    whole, last = stop.answer.outlook.lawn, stop.answer.season.visits[-1]
    ahead = f"{share(whole.cover_at_target)} ({share(whole.p_on_target)})"
    return (
        stop.called,
        when,
        figure(last.age_days),
        share(whole.cover_now, whole.cover_now_se),
        "past" if stop.answer.passed else ahead,
        square_metres(whole.thin_m2),
        stop.to_do,
    )
