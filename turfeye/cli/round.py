"""``turfeye round``: all the lawns somebody looks after."""

from __future__ import annotations

from pathlib import Path

import click

from turfeye.cli.shared import FOLDER, figure, say, share, show_table
from turfeye.errors import TurfeyeError


@click.command("round", short_help="All the lawns in a folder, one line each.")
@click.argument("folder", type=FOLDER)
def round_(folder: Path) -> None:
    """One line for each lawn in a folder of lawns, the ones that need you first."""
    from turfeye import lawn, survey

    answers, failed = [], []
    for place in lawn.lawns_in(folder):
        try:
            answers.append(survey.season(place))
        except TurfeyeError as error:
            failed.append((place.name, str(error)))
    answers.sort(key=lambda a: -a.outlook.lawn.thin_m2)
    rows = []
    for answer in answers:
        whole, season = answer.outlook.lawn, answer.season
        rows.append(
            (
                answer.lawn.name,
                figure(season.age_days[-1]),
                share(whole.cover_now, whole.cover_now_se),
                share(whole.cover_at_target),
                share(whole.p_on_target),
                figure(whole.thin_m2, 1),
                figure(answer.plan.seed_g),
            )
        )
    columns = ("lawn", "day", "green", "forecast", "chance", "thin m²", "seed g")
    show_table(columns, rows)
    for name, words in failed:
        say(f"{name}: {words}")
