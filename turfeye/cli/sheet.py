"""``turfeye sheet``: the page for the client."""

from __future__ import annotations

from pathlib import Path

import click

from turfeye.cli.shared import FILE, FOLDER, say_notes, waiting


@click.command(short_help="Write the page for the client.")
@click.argument("folder", type=FOLDER, metavar="LAWN")
@click.option("--out", type=FILE, help="File to write. [results/client.html in the lawn's folder]")
@click.option("--against", type=FOLDER, help="Folder of another lawn, or of another year, to compare with.")
def sheet(folder: Path, out: Path | None, against: Path | None) -> None:
    """Write one page for the client in plain words: how the lawn is doing and what comes next.

    Once the page is in the lawn's results folder, turfeye season keeps it up to date.
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
