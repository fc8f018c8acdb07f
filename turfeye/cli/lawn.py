"""``turfeye lawn``: make a lawn folder, show what it holds."""

from __future__ import annotations

import shlex
from collections import Counter
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from turfeye.cli.shared import FILE, FOLDER, PHOTO, Day, Lengths, Number, Outline, say
from turfeye.words import day, so_many, square_metres

if TYPE_CHECKING:
    from collections.abc import Sequence

    from turfeye.lawn import Lawn
    from turfeye.records import Floats

LARGE_M2 = 5000
"""A lawn of more than half a hectare may be one in centimetres or feet. Ours."""
MOST_SIDES = 12
MOST_PEGS = 12
"""So many are shown one by one."""
AT_EDGE = 0.01
"""A corner proposed so near to the picture's edge, of its width, is where the lawn is cut off."""


@click.group()
def lawn() -> None:
    """Make a lawn folder, or show what it contains."""


@lawn.command()
@click.argument("folder", type=FOLDER)
@click.option("--name", help="The lawn's name. [the folder's name]")
@click.option(
    "--outline", type=Outline(), help='In metres: 8x6, or corners: "0,0 8,0 8,6 0,6"; in feet: 26x20ft.'
)
@click.option(
    "--sides", type=Lengths(), help="Instead of --outline: tape lengths of the sides A-B, B-C, …: 8,6,8,6."
)
@click.option("--diagonals", type=Lengths(), help="With --sides: tape lengths from corner A to C, D, …: 10.")
@click.option("--cell", "cell_m", type=Number(), help="Side of a cell in metres. [0.5]")
@click.option(
    "--sown", type=Day(), help="Date of sowing. Leave it out if you survey the lawn before the work."
)
@click.option("--mix", help="With --sown: the seed mix. [perennial ryegrass]")
@click.option(
    "--rate", "rate_g_m2", type=Number(), help="With --sown: seed sown, g/m². [the mix's overseeding rate]"
)
@click.option(
    "--target",
    "target_date",
    type=Day(),
    help="Date by which it should be covered. [8 weeks after sowing; slow mixes up to 12]",
)
@click.option(
    "--target-cover",
    type=Number(),
    help="Green cover wanted by then, 0 to 1. [what five in six lawns of the mix reach: 0.65 or 0.7]",
)
@click.option(
    "--like",
    type=FOLDER,
    metavar="LAWN",
    help="Instead of --outline: a new season of LAWN, with its outline, pegs, plots and mixes.",
)
@click.option(
    "--propose",
    type=PHOTO,
    help="Find the outline's corners in this photo, and write a page on which to correct them.",
)
def new(
    folder: Path,
    name: str | None,
    outline: list[tuple[float, float]] | None,
    sides: tuple[float, ...] | None,
    diagonals: tuple[float, ...] | None,
    cell_m: float | None,
    sown: date | None,
    mix: str | None,
    rate_g_m2: float | None,
    target_date: date | None,
    target_cover: float | None,
    like: Path | None,
    propose: Path | None,
) -> None:
    """Make a lawn folder.

    Measure the outline once with a tape. Give its corners in metres, anticlockwise, with the first side as
    the x axis; or give the lengths of its sides and of the diagonals from the first corner. For another year,
    --like takes the outline from this year's folder. If the folder exists already, --propose alone finds the
    lawn's corners in a photo.
    """
    from turfeye import lawn as lawns
    from turfeye import newlawn
    from turfeye.lawncheck import USUAL_CELL_M
    from turfeye.outline import from_tape

    if propose and outline is None and sides is None and (folder / lawns.FILE_NAME).is_file():
        there = lawns.read(folder)
        _propose(there, propose, _found(propose, there.outline_m))
        return
    if sum(one is not None for one in (outline, sides, like)) != 1:
        raise click.UsageError(
            "the lawn needs one outline: --outline 8x6, or --sides 8,6,8,6 --diagonals 10, or --like LAWN"
        )
    if diagonals and not sides:
        raise click.UsageError("--diagonals go with --sides 8,6,8,6")
    if like is not None and cell_m is not None:
        raise click.UsageError("--like takes over the cells too; for others change cell_m in its lawn.toml")
    facts: dict[str, Any] = {
        "name": name,
        "sown": sown,
        "mix": mix,
        "rate_g_m2": rate_g_m2,
        "target_date": target_date,
        "target_cover": target_cover,
    }
    if like is not None:
        found = _found(propose, lawns.read(like).outline_m) if propose else None
        made = newlawn.again(folder, like, **facts)
    else:
        if outline is None:
            spans = {(0, i + 2): length for i, length in enumerate(diagonals or ())}
            outline = from_tape(sides or (), spans).tolist()
        found = _found(propose, outline) if propose else None
        made = newlawn.make(
            folder, outline_m=outline, cell_m=USUAL_CELL_M if cell_m is None else cell_m, **facts
        )
    click.echo(f"{made.name}: {square_metres(made.area_m2)}, in {folder}")
    _show_sides(made)
    if made.area_m2 > LARGE_M2:
        say(f"note: {made.area_m2:.0f} m² is very large for a lawn; is the outline in metres?")
    if sown and sown > date.today():
        say(
            f"note: the sowing date, {day(sown)}, is in the future, and photos from before it don't count; "
            "is the year right?"
        )
    if seed := newlawn.odd_rate(made):
        say(f"note: {seed}")
    if propose and found is not None:
        _propose(made, propose, found)
    else:
        say(f"Now file photos: {shlex.join(['turfeye', 'add', str(folder)])} PHOTO…")


def _show_sides(place: Lawn) -> None:
    """How long the outline's sides are, where they are few."""
    from turfeye.outline import sides_told

    if len(place.side_names) <= MOST_SIDES:
        click.echo(f"sides: {sides_told(place.outline_m, place.side_names)}")


def _found(path: Path, outline_m: Sequence[Sequence[float]] | Floats) -> Floats:
    """The outline's corners (K, 2) found in a photo; says what to mind."""
    from turfeye import newlawn, photo
    from turfeye.outline import with_corners

    picture, corners = photo.read(path), len(outline_m)
    found = newlawn.corners_in(picture, outline_m)
    wide, tall = picture.size_px
    if any(min(x, y, wide - 1 - x, tall - 1 - y) < AT_EDGE * wide for x, y in found):
        say(
            "Part of the lawn lies outside the picture: the corners proposed at the picture's edge are not "
            "the lawn's. Take the photo from higher up, or drag those corners out of the picture, to where "
            "the lawn's sides would meet."
        )
    if len(found) != corners:
        say(f"{len(found)} corners were found in the photo, but the outline has {corners}.")
    return with_corners(found, corners)


def _propose(place: Lawn, path: Path, found: Floats) -> None:
    """Prints the line that files a photo with these corners; names the page on which to drag them."""
    from turfeye import markpage
    from turfeye.outline import as_options

    options = [*([] if place.sowings else ["--before"]), *([] if place.views else ["--view", "window"])]
    command = shlex.join(["turfeye", "add", str(place.folder), str(path), *options])
    page = markpage.write_corners(place, path, found.round(), command=command)
    say(f"These corners are a proposal. Open {page}, drag each to its place, and run the command it shows:")
    click.echo(f"{command} {as_options(found.round())}")


@lawn.command()
@click.argument("folder", type=FOLDER)
@click.argument("top", type=FILE, metavar="TOP_PHOTO")
@click.argument("low", type=FILE, metavar="LOW_PHOTO")
def blades(folder: Path, top: Path, low: Path) -> None:
    """Fit how upright this lawn's blades stand, from two photos of one place.

    Choose a place where the lawn is about half covered, and leave the card lying there for both photos: one
    from straight above, one from about 50 degrees off straight down. From then on, cover in oblique photos of
    this lawn is more certain.
    """
    from turfeye import survey

    found = survey.fit_blades(folder, top, low)
    how = "flatter" if found.lean > 0 else "more upright"
    plain = "about as usual" if abs(found.lean) < found.lean_se else f"{how} than usual"
    click.echo(f"lean {found.lean:+.2f} ± {found.lean_se:.2f}: blades lie {plain}; written to lawn.toml")


@lawn.command()
@click.argument("folder", type=FOLDER)
@click.option("--map", "picture", type=FILE, help="Draw the lawn with its plots, pegs and beds, as this PNG.")
def show(folder: Path, picture: Path | None) -> None:
    """Show what a lawn folder contains."""
    from turfeye import lawn as lawns
    from turfeye import plotsheet
    from turfeye.outline import signed_area

    if picture and picture.suffix.casefold() != ".png":
        raise click.UsageError(f"--map writes a PNG; call it {picture.stem}.png")
    found = lawns.read(folder)
    click.echo(f"{found.name}: {square_metres(found.area_m2)}, cells of {found.cell_m:g} m")
    _show_sides(found)
    if found.beds_m:
        beds = square_metres(sum(map(signed_area, found.beds_m)))
        click.echo(f"without {so_many(len(found.beds_m), 'bed')} in it, {beds}")
    for sowing in found.sowings:
        part = ", a part" if sowing.area_m else ""
        click.echo(f"sown {sowing.date}{part}: {sowing.mix}, {sowing.rate_g_m2:g} g/m²")
    if found.target:
        click.echo(f"target {100 * found.target.cover:.0f} % by {found.target.date}")
    for view in found.views:
        click.echo(f"view {view.name}: marked in {view.photo}")
    word = "plot" if found.peg_word == "plot" else "peg"
    if len(found.spots) > MOST_PEGS:
        numbers = sorted(spot.number for spot in found.spots)
        click.echo(f"{len(numbers)} {word}s, numbered {numbers[0]} to {numbers[-1]}")
    for spot in found.spots if len(found.spots) <= MOST_PEGS else ():
        click.echo(f"{word} {spot.number} at {spot.at_m[0]:g}, {spot.at_m[1]:g} m")
    if found.plots:
        click.echo(f"plots of {plotsheet.sizes(found.plots)}")
    _show_treatments(found)
    if found.card_rule_mm != 100:
        click.echo(f"cards: the 100 mm rule measures {found.card_rule_mm:g} mm")
    if found.blades:
        click.echo(f"blades: lean {found.blades.lean:+.2f} ± {found.blades.lean_se:.2f}")
    photos, before = found.photos(), found.photos(before=True)
    days = sorted(taken.date() for taken in map(found.taken, photos) if taken)
    span = ", " + " to ".join(str(day) for day in sorted({days[0], days[-1]})) if days else ""
    earlier = f"; {len(before)} from before the work" if before else ""
    click.echo(f"{so_many(len(photos), 'photo')}{span}{earlier}")
    if picture:
        from turfeye import charts, drawing, sheet

        beside = {spot.number: spot.at_m for spot in found.spots if not spot.size_m}
        drawing.save(charts.ground_map(sheet.ground(found), title=found.name, pegs=beside), picture)
        say(f"wrote {picture}")


def _show_treatments(found: Lawn) -> None:
    """What ``treatments.csv`` is read as, each treatment and block with its plots, and what it lacks."""
    from turfeye import doubts, survey, treatments

    sheet = survey.treatments_of(found)
    for line in (*doubts.of_plots_in_beds(found), *doubts.of_treatments(found, sheet)):
        say(f"note: {line}")
    for column in (treatments.TREATMENT, treatments.BLOCK):
        counts = Counter(row[column] for row in sheet.of_plot.values() if row.get(column))
        if counts:
            shown = [f"{name} ({plots})" for name, plots in counts.most_common(MOST_PEGS)]
            more = ["…"] * (len(counts) > MOST_PEGS)
            click.echo(f"{so_many(len(counts), column)}, with their plots: {', '.join(shown + more)}")
