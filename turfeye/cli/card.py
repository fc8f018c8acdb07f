"""``turfeye card``: print the reference card."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from turfeye.cli.shared import FILE, Number, say


@click.command(short_help="Print the reference card.")
@click.argument("out", type=FILE, required=False)
@click.option(
    "--spot", type=int, default=0, show_default=True, help="The peg's number, printed and encoded: 0 to 145."
)
@click.option(
    "--format",
    "kind",
    type=click.Choice(["pdf", "png"]),
    help="PDF to print, or PNG. [by OUT's ending, else pdf]",
)
@click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Size of the sheet."
)
@click.option("--dpi", type=Number(), default=200, show_default=True, help="Resolution of the PNG.")
@click.option(
    "--values",
    type=FILE,
    help="Only check a file of measured patch values (CSV, or CGATS text); use it with look --values.",
)
def card(
    out: Path | None,
    spot: int,
    kind: str | None,
    paper: Literal["a4", "letter"],
    dpi: float,
    values: Path | None,
) -> None:
    """Print the reference card at true size, as PDF or PNG.

    Matt paper, 100 % scale; then check the printed 100 mm rule with a ruler. If it measures otherwise, all
    lengths come right by what it measures: card_rule_mm = 97.0 in lawn.toml, look --rule 97.

    Use a card of its own number for every peg: a photo of card 3 files itself at peg 3. With more pegs than
    numbers, let a card serve several and say with add --spot which peg a photo shows.
    """
    from turfeye import card_print, card_values

    if values is not None:
        known = card_values.read_values(values)
        click.echo(f"{values}: {len(known.names)} patches measured: {', '.join(known.names)}")
        return
    ending = "" if out is None else out.suffix.lower().removeprefix(".")
    if kind is None and ending not in ("", "pdf", "png"):
        raise click.UsageError(f"a card is a PDF or a PNG, not {ending}: name it card.pdf, or give --format")
    kind = kind or ("png" if ending == "png" else "pdf")
    path = out or Path(f"turfeye-card-{spot}-{paper}.{kind}")
    if kind == "png":
        card_print.print_png(path, spot, paper=paper, dpi=dpi)
    else:
        card_print.print_pdf(path, spot, paper=paper)
    click.echo(str(path))
    say(
        "Print it on matt paper at 100 %, not fitted to the page; then check the 100 mm rule. If it measures "
        "otherwise, print it again, or write what it measures in lawn.toml: card_rule_mm = 97.0"
    )
