"""``turfeye look``: measure single photos."""

from __future__ import annotations

import json as json_module
from pathlib import Path
from typing import TYPE_CHECKING

import click
import numpy as np

from turfeye.cli.shared import FILE, FOLDER, figure, say, share, show_table

if TYPE_CHECKING:
    from turfeye.records import CellTable, Look

FEW_CELLS = 24
"""So many cells are shown a row each; more are shown as a map of their cover."""


@click.command(short_help="Measure single photos.")
@click.argument("photos", type=click.Path(path_type=Path), nargs=-1, required=True, metavar="PHOTO...")
@click.option("--json", is_flag=True, help="One JSON object a line for each photo, for programs.")
@click.option("--out", type=FOLDER, help="Write the cells as CSV and an overlay picture there.")
@click.option("--cell", "cell_m", type=click.FloatRange(0.01, 5), help="Side of a cell in metres. [0.10]")
@click.option("--no-card", is_flag=True, help="Go on without a card: cover only, no colour, no metres.")
@click.option("--values", type=FILE, help="Measured values of your card's patches.")
@click.option("--spot", type=click.IntRange(0), help="Which card to go by, where a photo shows several.")
def look(
    photos: tuple[Path, ...],
    json: bool,
    out: Path | None,
    cell_m: float | None,
    no_card: bool,
    values: Path | None,
    spot: int | None,
) -> None:
    """Measure photos with the card in them, one by one: green cover, straw, bare soil and colour."""
    from turfeye import card_values, survey

    measured = card_values.read_values(values) if values else None
    for photo in photos:
        seen = survey.look(photo, cell_m=cell_m, no_card=no_card, values=measured, spot=spot)
        facts = survey.look_as_dict(seen)
        if json:
            click.echo(json_module.dumps(facts, ensure_ascii=False, allow_nan=False))
        else:
            _show(seen, facts)
        for warning in seen.warnings:
            say(f"{photo.name}: {warning}")
        if out is not None:
            _write(seen, out)


def _write(seen: Look, out: Path) -> None:
    """The cells as CSV, and the overlay."""
    from turfeye import charts, drawing, store

    stem = seen.photo.path.stem
    store.write_look_csv(out / f"{stem}-cells.csv", seen.table)
    drawing.save(charts.overlay(seen), out / f"{stem}-cover.png")
    say(f"wrote {stem}-cells.csv and {stem}-cover.png to {out}")


def _show(seen: Look, facts: dict) -> None:
    """One photo for people: a heading, then the cells."""
    total, card, view = facts["summary"], facts["card"], facts["view"]
    click.echo(f"{facts['photo']}, {facts['taken'] or 'no date'}")
    cover = share(total["cover"], total["cover_se"])
    area = f" over {figure(total['area_m2'], 2)} m²" if total["area_m2"] is not None else ""
    click.echo(
        f"green {cover}{area}, straw {share(total['straw'])}, bare {share(total['bare'])}; "
        f"{total['cells_seen']} of {total['cells']} cells seen"
    )
    if card["found"]:
        click.echo(
            f"colour index {figure(total['dgci'], 3)}; card {card['spot']} by {card['markers']} markers, "
            f"colours within ΔE {figure(card['delta_e_mean'], 1)}; "
            f"camera {figure(view['height_m'], 2)} m up, "
            f"tilted {figure(view['tilt_deg'], 0)}°"
        )
    if len(facts["cells"]) <= FEW_CELLS:
        _show_rows(facts["cells"])
    else:
        _show_map(seen.table, axes=seen.view is not None)


def _show_map(table: CellTable, *, axes: bool) -> None:
    """Cover in per cent where the cells lie, seen from above: y upwards on the card's axes."""
    tens = [["  ·"] * table.grid.cols for _ in range(table.grid.rows)]
    for row, col, cover in zip(table.row, table.col, table.cover, strict=True):
        if np.isfinite(cover):
            tens[row][col] = f"{100 * cover:3.0f}"
    lines = ["".join(line).rstrip() for line in (reversed(tens) if axes else tens)]
    size = f", cells of {table.grid.cell_m:g} m, the card's long side across" if axes else ""
    click.echo(f"green in per cent{size}; · not seen:")
    for line in lines:
        click.echo(line)
    say("every cell with its other figures: --out DIR, or --json")


def _show_rows(cells: list[dict]) -> None:
    """A row a cell."""
    rows = []
    for cell in cells:
        place = "–" if cell["x_m"] is None else f"{cell['x_m']:+.2f}, {cell['y_m']:+.2f}"
        rows.append(
            (
                f"{cell['row']}, {cell['col']}",
                place,
                share(cell["cover"], cell["cover_se"]),
                share(cell["straw"]),
                share(cell["bare"]),
                figure(cell["dgci"], 2),
                figure(cell["zenith_deg"], 0, "°"),
                cell["why"] or "",
            )
        )
    names = ("row, col", "x, y (m)", "green", "straw", "bare", "colour", "from above", "not seen: why")
    show_table(names, rows)
