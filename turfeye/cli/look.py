"""``turfeye look``: measure single photos, or rank many."""

from __future__ import annotations

import json as json_module
import shlex
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
import numpy as np
from click.core import ParameterSource

from turfeye import days
from turfeye.cli.shared import FILE, FOLDER, MANY, PHOTO, Span, figure, say, share, show_table, waiting
from turfeye.errors import CardNotFoundError, TurfeyeError
from turfeye.words import listed, so_many

if TYPE_CHECKING:
    from turfeye.records import CellTable, Look

FEW_CELLS = 24
"""So many cells are shown a row each; more are shown as a map of their cover."""
FEWEST_CELLS = 4
"""Of so few cells none seen, they are too large for the picture."""
FEW_PHOTOS = 4
"""So many photos are shown one by one; more are shown a row each, ranked."""
ENDS = 10
"""Of a long ranking so many rows are shown from each end."""
NOTHING = "nothing measured"
OF_A_CARD = {"cell_m": "--cell", "values": "--values", "spot": "--spot", "rule_mm": "--rule"}
"""Options that say something of a card, or in its metres."""


@click.command(short_help="Measure single photos, or rank many.")
@click.argument("photos", type=PHOTO, nargs=-1, required=True, metavar="PHOTO...")
@click.option("--json", is_flag=True, help="For programs: one JSON object per photo, each on its own line.")
@click.option(
    "--out", type=FOLDER, help="Write each photo's cells there, as CSV and as an overlay on the photo."
)
@click.option("--table", type=FILE, help="Write a CSV file with one row per photo, the greenest first.")
@click.option(
    "--cell",
    "cell_m",
    type=Span(0.01, 5),
    help="Side of a cell in metres. [0.10; for an oblique photo 0.50]",
)
@click.option("--no-card", is_flag=True, help="Measure without a card: cover only, no colour, no metres.")
@click.option("--values", type=FILE, help="File of measured values of your card's patches.")
@click.option(
    "--spot", type=click.IntRange(0), help="The number of the card to use, if a photo shows several."
)
@click.option(
    "--rule",
    "rule_mm",
    type=Span(50, 200),
    default=100,
    show_default=True,
    help="What the 100 mm rule on your printed card really measures, in mm.",
)
def look(
    photos: tuple[Path, ...],
    json: bool,
    out: Path | None,
    table: Path | None,
    cell_m: float | None,
    no_card: bool,
    values: Path | None,
    spot: int | None,
    rule_mm: float,
) -> None:
    """Measure single photos with the card in them: green cover, straw, bare soil and colour.

    Five photos or more, such as those of trial plots, are ranked by cover, one row each. A photo that can't
    be measured is named, and the others are measured all the same. Give a folder to measure all the pictures
    in it. For more than thirty photos you get a summary: which to take again and why, what to watch for in
    the others, and both ends of the ranking; --table has them all.
    """
    from turfeye import card_values, filing, glance, notes, photo, series, store

    photos = photo.spread(photos)
    _check_places(photos, out, table)
    if no_card:
        _check_cardless()
    measure = partial(
        glance.look,
        cell_m=cell_m,
        no_card=no_card,
        values=card_values.read_values(values) if values else None,
        spot=spot,
        rule_mm=rule_mm,
    )
    many = len(photos) > FEW_PHOTOS and not json
    digest = len(photos) > MANY and not json
    if digest and table is None:
        say(f"a summary of {len(photos)} photos is shown; --table FILE writes a row for each")
    looks: list[_Looked] = []
    for path, seen in _each(photos, measure, patiently=many):
        looks.append(one := _Looked.of(path, seen))
        if isinstance(seen, TurfeyeError):
            if not digest:
                say(f"{path} not measured: {one.why}")
            continue
        if not many:
            _show(seen, json=json, written=out is not None)
        if out is not None:
            _write(seen, out, aloud=not many)
    rows = series.ranked([one.row for one in looks], [0] * len(looks))
    rows = sorted(rows, key=lambda row: row["rank"] or len(rows) + 1)
    if digest:
        _show_digest(rows, looks)
    elif many:
        for note in notes.gathered(_said(looks, of_nothing=True)):
            say(str(note))
    if many:
        _show_ranks(rows, cut=digest)
    if many and out is not None:
        good = sum(not one.why for one in looks)
        say(f"wrote NAME-cells.csv and NAME-cover.png of {good} photos to {out}")
    if table is not None:
        named = [row | {"number": filing.last_number(Path(row["photo"]).name)} for row in rows]
        wrote = store.write_table(table, ("number", *series.COLUMNS), named)
        say(f"wrote {so_many(len(rows), 'row')} to {wrote}")
    if cardless := [one.path for one in looks if one.no_card]:
        _show_the_way_on(cardless)
    if any(one.why for one in looks):
        click.get_current_context().exit(2)


@dataclass(frozen=True, slots=True)
class _Looked:
    """What is kept of a photo once it was looked at; its pixels are not."""

    path: Path
    row: dict[str, Any]
    why: str = ""  # it could not be measured
    no_card: bool = False
    nothing: str = ""  # what to do, as no cell of it could be
    said: tuple[str, ...] = ()
    digest: str = ""

    @classmethod
    def of(cls, path: Path, seen: Look | TurfeyeError) -> _Looked:
        from turfeye import series, summary

        if isinstance(seen, TurfeyeError):
            row = series.row(str(path), None, {"why": str(seen)})
            return cls(path, row, why=seen.said, no_card=isinstance(seen, CardNotFoundError))
        row = series.row(str(path), seen.table, summary.kept(seen))
        return cls(path, row, nothing=_of_nothing(seen), said=seen.warnings, digest=seen.photo.digest)


def _check_places(photos: Sequence[Path], out: Path | None, table: Path | None) -> None:
    """Refuse now, not after two hundred photos, what could not be written or would be written over."""
    stems = Counter(photo.stem for photo in photos)
    if out is not None and (twins := [str(photo) for photo in photos if stems[photo.stem] > 1]):
        raise click.UsageError(
            f"in --out these would overwrite one another: {', '.join(twins)}; look at them one at a time"
        )
    if table is not None:
        table.parent.mkdir(parents=True, exist_ok=True)
        try:
            tempfile.TemporaryFile(dir=table.parent).close()
        except OSError as error:
            error.filename = str(table)
            raise


def _check_cardless() -> None:
    """Refuse options that would say nothing where no card is gone by."""
    source = click.get_current_context().get_parameter_source
    given = [option for name, option in OF_A_CARD.items() if source(name) is ParameterSource.COMMANDLINE]
    if given:
        raise click.UsageError(
            f"{listed(given)} need{'s' * (len(given) == 1)} a card, and --no-card measures without one; "
            "leave out one or the other"
        )


def _each(
    photos: Sequence[Path], measure: Callable[[Path], Look], *, patiently: bool
) -> Iterator[tuple[Path, Look | TurfeyeError]]:
    """Every photo with what it shows, or why it can't be measured."""
    with waiting(patiently) as tell:
        for number, photo in enumerate(photos, start=1):
            tell(f"photo {number} of {len(photos)}: {photo.name}")
            try:
                seen = measure(photo)
            except TurfeyeError as error:
                yield photo, error
            else:
                yield photo, seen


def _write(seen: Look, out: Path, *, aloud: bool) -> None:
    """The cells as CSV, and the overlay."""
    from turfeye import charts, drawing, store, summary

    stem = seen.photo.path.stem
    store.write_look_csv(out / f"{stem}-cells.csv", seen.table, summary.middles_px(seen))
    drawing.save(charts.overlay(seen), out / f"{stem}-cover.png")
    if aloud:
        say(f"wrote {stem}-cells.csv and {stem}-cover.png to {out}")


def _show_the_way_on(cardless: Sequence[Path]) -> None:
    """The line to run for photos in which no card was found."""
    these = shlex.join(map(str, cardless[:FEW_PHOTOS])) + (" …" if len(cardless) > FEW_PHOTOS else "")
    say(
        "to measure cover alone, without a card (cells are then parts of the picture): "
        f"turfeye look --no-card {these}"
    )


def _show_digest(rows: Sequence[dict[str, Any]], looks: Sequence[_Looked]) -> None:
    """Very many photos: how many could be measured, which are to be taken again, what to mind of others."""
    from turfeye import notes, photonames
    from turfeye.words import on_days

    all_of = partial(notes.photos_alike, most=photonames.MOST_TO_RETAKE)
    without = sum(bool(one.why) for one in looks)
    nothing = sum(bool(one.nothing) for one in looks)
    days = [date.fromisoformat(row["taken"][:10]) for row in rows if row["taken"]]
    dated = "" if len(days) == len(rows) else f", {len(days)} of them"
    taken = f"{dated} taken {on_days(days)}" if days else ""
    counts = [f"{len(rows) - without - nothing} measured", *([f"{without} not"] if without else [])]
    counts += [f"{nothing} in which nothing could be measured"] if nothing else []
    click.echo(f"{len(rows)} photos{taken}: {listed(counts)}")
    again = [(one.path.name, why) for one in looks if (why := one.why or one.nothing)]
    for heading, those in (
        ("Take these again", notes.gathered(again, called=all_of)),
        (
            "Warnings for those measured",
            notes.gathered(_said(looks, of_nothing=False), called=notes.photos_alike),
        ),
    ):
        if those:
            say(notes.headed(heading, those))


def _said(looks: Sequence[_Looked], *, of_nothing: bool) -> Iterator[tuple[str, str]]:
    """What is to be minded of measured photos, (name, words); and those in which nothing could be."""
    first: dict[str, Path] = {}
    for one in looks:
        yield from ((one.path.name, words) for words in one.said)
        if of_nothing and one.nothing:
            yield one.path.name, one.nothing
        if one.digest and (other := first.setdefault(one.digest, one.path)) != one.path:
            words = f"the same picture as {other.name}, so it is ranked twice: leave the copy out"
            yield one.path.name, words


def _show_ranks(rows: Sequence[dict[str, Any]], *, cut: bool) -> None:
    """Many photos, a row each, the greenest first; ``cut``, both ends of the ranked ones."""
    days = {row["taken"][:10] for row in rows if row["taken"]}
    dated = len(days) > 1
    names = ("photo", *(["taken"] if dated else []), "rank", "green", "straw", "bare", "colour", "uneven")
    shown = [
        (
            Path(row["photo"]).name,
            *([(row["taken"] or "–")[:10]] if dated else []),
            "–" if row["rank"] is None else f"{row['rank']} ({row['rank_low']}–{row['rank_high']})",
            share(row["cover"], row["cover_se"]),
            share(row["straw"]),
            share(row["bare"]),
            figure(row["dgci"], 2),
            figure(row["cv_pct"], 0, " %"),
        )
        for row in rows
        if not cut or row["rank"] is not None
    ]
    if cut and len(shown) > 2 * ENDS:
        between = f"… {len(shown) - 2 * ENDS} more"
        shown = [*shown[:ENDS], (between, *[""] * (len(names) - 1)), *shown[-ENDS:]]
    if not shown:
        return
    show_table(names, shown)
    say("in brackets: the ranks that its error allows; uneven: coefficient of variation of its cells")


def _show(seen: Look, *, json: bool, written: bool) -> None:
    """One photo, and what to mind of it."""
    from turfeye import notes, summary

    if json:
        click.echo(json_module.dumps(summary.as_dict(seen), ensure_ascii=False, allow_nan=False))
    else:
        _show_in_words(seen)
        if len(seen.table.state) > FEW_CELLS and not written and np.isfinite(seen.table.cover).any():
            say("for every cell with all its figures: --out DIR, or --json")
    for note in notes.gathered((seen.photo.path.name, warning) for warning in seen.warnings):
        say(str(note))


def _show_in_words(seen: Look) -> None:
    """One photo for people: a heading, then the cells."""
    from turfeye import leafcolour, summary
    from turfeye.cells import MISPLACED

    facts = summary.as_dict(seen)
    total, card, view = facts["summary"], facts["card"], facts["view"]
    unread = days.unread_in(facts["photo"])
    no_date = f"no date, the one in its name {unread}" if unread else "no date"
    click.echo(f"{facts['photo']}, {facts['taken'] or no_date}")
    nothing = not total["cells_seen"]
    cover = share(total["cover"], total["cover_se"])
    area = f" over {figure(total['area_m2'], 2)} m²" if total["area_m2"] is not None else ""
    shares = f"green {cover}{area}, straw {share(total['straw'])}, bare {share(total['bare'])}"
    click.echo(
        f"{NOTHING if nothing else shares}; {total['cells_seen']} of {so_many(total['cells'], 'cell')} seen"
    )
    if whys := Counter(seen.table.reasons[seen.table.state != "seen"].tolist()):
        click.echo("not seen: " + ", ".join(f"{count} {why}" for why, count in whys.most_common()))
        if whys[MISPLACED] > (sum(whys.values()) / 2 if nothing else total["cells_seen"]):
            say(
                "the card is too small in this photo to place such small cells: go nearer, or give a larger "
                "--cell"
            )
        elif nothing:
            say(_towards_cells(seen.table, card_found=card["found"]))
    if card["found"]:
        by = total["dgci_cells"]
        told_else = nothing or leafcolour.trusted(seen.correction) is None
        sparse = "" if told_else or leafcolour.mostly_withheld(seen.table) else ": too little is green"
        few = f"no colour index{sparse}"
        index = few if total["dgci"] is None else f"colour index {total['dgci']:.3f} from {by} cells"
        click.echo(
            f"{index}; card {card['spot']}, {card['markers']} markers, "
            f"colours within ΔE {figure(card['delta_e_mean'], 1)}"
        )
        click.echo(
            f"camera {figure(view['height_m'], 2)} m up, "
            f"looking {figure(view['tilt_deg'], 0)}° from straight down"
        )
    if nothing:
        return
    if len(facts["cells"]) <= FEW_CELLS:
        _show_rows(facts["cells"])
    else:
        _show_map(seen.table, axes=seen.view is not None)


def _of_nothing(seen: Look) -> str:
    """Of a photo in which no cell could be measured, that it is so and what to do; else ""."""
    if np.isfinite(seen.table.cover).any():
        return ""
    return f"{NOTHING}: {_towards_cells(seen.table, card_found=seen.sighting is not None)}"


def _towards_cells(table: CellTable, *, card_found: bool) -> str:
    """What to do for a photo in which no cell could be measured: about what hides most of them."""
    from turfeye import cells, faults

    if len(table.state) <= FEWEST_CELLS:
        return "no cell of that size fits whole into the picture: give a smaller --cell, such as 0.1"
    whys = Counter(table.reasons.tolist())
    del whys[cells.MOSTLY_OUTSIDE]
    worst = next((why for why, _ in whys.most_common(1)), "")
    if worst == cells.OBLIQUE:
        return (
            f"what is seen at more than {cells.MAX_ZENITH_DEG:.0f}° from straight down can't be measured: go "
            "nearer, or take the photo from higher up"
        )
    if worst in faults.OF_PHOTO:
        return f"take it again: {worst}"
    if card_found:
        return (
            "show more lawn around the card: hold the phone about 1.3 m above it, or stand where the whole "
            "lawn is in the picture"
        )
    return "take a photo that shows the lawn, with the card on it"


def _show_map(table: CellTable, *, axes: bool) -> None:
    """Cover in per cent where the cells lie, seen from above: y upwards on the card's axes.

    What no cell was seen of at the sides is left out.
    """
    known = np.isfinite(table.cover)
    if not known.any():
        return
    rows, cols = table.row[known] - table.row[known].min(), table.col[known] - table.col[known].min()
    tens = [["  ·"] * (cols.max() + 1) for _ in range(rows.max() + 1)]
    for row, col, cover in zip(rows, cols, table.cover[known], strict=True):
        tens[row][col] = f"{100 * cover:3.0f}"
    lines = ["".join(line).rstrip() for line in (reversed(tens) if axes else tens)]
    size = f", cells of {table.grid.cell_m:g} m, the card's long side running across" if axes else ""
    click.echo(f"green in per cent{size}; · not seen:")
    for line in lines:
        click.echo(line)


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
    names = ("row, col", "x, y (m)", "green", "straw", "bare", "colour", "from above", "why")
    show_table(names, rows)
