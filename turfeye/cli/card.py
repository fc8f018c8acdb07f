"""``turfeye card``: print the reference card."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from turfeye.cli.shared import FILE, Number, say


@click.command(short_help="Print the reference card.")
@click.argument("out", type=FILE, required=False)
@click.option(
    "--spot",
    type=int,
    default=0,
    show_default=True,
    help="The card's number, 0 to 145, for a peg of that number; printed and encoded on it.",
)
@click.option(
    "--format",
    "kind",
    type=click.Choice(["pdf", "png"]),
    help="PDF to print, or PNG. [from OUT's extension, else pdf]",
)
@click.option(
    "--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Size of the sheet."
)
@click.option("--dpi", type=Number(), default=200, show_default=True, help="Resolution of the PNG.")
@click.option(
    "--values",
    type=FILE,
    help="Print no card: check a file of measured patch values (CSV or CGATS text) for look --values.",
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

    Use matt paper and 100 % scale, then check the printed 100 mm rule with a ruler. If it measures, say,
    97 mm, write card_rule_mm = 97.0 in lawn.toml and give look --rule 97: all lengths are then corrected.

    Print a card with its own number for every peg: a photo of card 3 is then filed at peg 3. If you have more
    pegs than numbers, use one card at several pegs and say with add --spot which peg a photo shows.
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
        "Print it on matt paper at 100 %, not fitted to the page; then check the 100 mm rule. If it is off, "
        "print the card again, or write what the rule measures in lawn.toml, such as card_rule_mm = 97.0"
    )
