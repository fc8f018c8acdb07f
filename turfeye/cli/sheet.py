"""``turfeye sheet``: the page for the client."""

from __future__ import annotations

from pathlib import Path

import click

from turfeye.cli.shared import FILE, FOLDER, say_notes, waiting


@click.command(short_help="Write the page for the client.")
@click.argument("folder", type=FOLDER, metavar="LAWN")
@click.option("--out", type=FILE, help="Where to write it. [results/client.html in the lawn's folder]")
@click.option("--against", type=FOLDER, help="Compare with another lawn, or with last year's folder.")
def sheet(folder: Path, out: Path | None, against: Path | None) -> None:
    """Write one page for the client in plain words: how the lawn stands and what comes next.

    Where it stands in the lawn's results, turfeye season brings it up to date.
    """
    from turfeye import results, survey
    from turfeye import sheet as page
    from turfeye.files import write_atomic

    with waiting() as tell:
        answer = survey.season(folder, against=against, tell=tell)
    path = out or answer.lawn.results_dir / results.CLIENT_PAGE
    write_atomic(path, page.client_page(answer))
    click.echo(str(path))
    say_notes(answer)
