"""What a lawn's answer leaves in its results folder; all of it may be deleted and comes back the same."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from turfeye import charts, diary, drawing, planfile, plots, rounds, sheet, shown, store
from turfeye.answer import Answer, Before
from turfeye.files import write_atomic
from turfeye.lawn import Lawn
from turfeye.words import day

CLIENT_PAGE = "client.html"
"""In the results where ``turfeye sheet`` put it; from then on each season brings it up to date."""
NO_PHOTO = datetime(1970, 1, 1, tzinfo=UTC)


def write(answer: Answer, measured: Sequence[store.PlacedTable] = ()) -> tuple[Path, ...]:
    """Write tables, pictures and the page of one lawn; the paths written, the page first.

    ``measured`` are the tables of its photos: ``cells.csv`` and one cover map a visit come from them.
    """
    folder = answer.lawn.results_dir
    pictures = sheet.pictures(answer)
    kept = pictures | sheet.pictures_alone(answer)
    files = [write_atomic(folder / f"{name}.png", data) for name, data in kept.items()]
    for stale in (*folder.glob("map-*.png"), *folder.glob("plan.png")):
        if stale.stem not in pictures and not any(_map_name(one) == stale.name for one in measured):
            stale.unlink()
    for one in measured:
        if one.table.grid.outline_m is not None:
            figure = charts.cover_map(
                one.table,
                ground=sheet.ground(answer.lawn),
                title=f"{answer.lawn.name}: green cover",
                subtitle=f"{day(one.taken.date())}, day {one.age_days:.0f}, {one.view}",
            )
            files.append(write_atomic(folder / _map_name(one), drawing.png(figure)))
    store.write_cells_csv(folder / "cells.csv", measured)
    told = shown.of(answer.season, measured)
    outlook = replace(answer.outlook, why=told.with_reasons(answer.outlook.why))
    more = told.columns() | _plot_column(answer)
    store.write_season_csv(folder / "season.csv", outlook, more)
    (folder / "plots.csv").unlink(missing_ok=True)  # it may be no trial any more
    if answer.standings:
        files.append(write_atomic(folder / "plots.csv", planfile.plots_csv(answer.standings)))
    shapes = planfile.outlines_text(
        (*answer.thin, *answer.slow, *answer.pale),
        answer.lawn.outline_m,
        beds_m=answer.lawn.beds_m,
        anchors=anchors_of(answer.lawn),
        taught=answer.taught,
    )
    files += [folder / "cells.csv", folder / "season.csv"]
    files.append(write_atomic(folder / "plan.csv", planfile.plan_csv(answer.plan)))
    files.append(write_atomic(folder / "outlines.json", shapes))
    files.append(_write_dates(folder / "dates.ics", rounds.of([(answer.lawn.folder, answer)])))
    page = write_atomic(folder / "sheet.html", sheet.page(answer, pictures))
    if (client := folder / CLIENT_PAGE).exists():  # or it would tell the client of weeks ago
        files.append(write_atomic(client, sheet.client_page(answer, pictures)))
    return (page, *files)


def write_round(found: rounds.Round, folder: Path) -> tuple[Path, ...]:
    """Write a round's page, its table and its dates; the paths written, the page first."""
    return (
        write_atomic(folder / "round.html", sheet.round_page(found, folder)),
        store.write_table(folder / "round.csv", rounds.COLUMNS, rounds.rows(found)),
        _write_dates(folder / "round.ics", found),
    )


def _write_dates(path: Path, found: rounds.Round) -> Path:
    """The dates of lawns as a calendar file, as of the last photo of all, by its camera's clock."""
    taken = [answer.season.visits[-1].taken.replace(tzinfo=UTC) for answer in found.answers]
    name = "Round of lawns" if len(found.stops) > 1 else found.stops[0].called
    return write_atomic(path, diary.calendar(name, found.entries, as_of=max(taken, default=NO_PHOTO)))


def _plot_column(answer: Answer) -> dict[str, list[Any]]:
    """The plot of each cell of a trial; empty beside the plots."""
    numbers = plots.of_cells(answer.season, answer.lawn.plots).tolist()
    return {"plot": ["" if number < 0 else str(number) for number in numbers]}


def write_before(before: Before) -> tuple[Path, ...]:
    """Write the materials list of a lawn before the work; the paths written, the page first."""
    folder = before.lawn.results_dir
    found = before.materials
    pictures = sheet.materials_pictures(before)
    outlines = planfile.outlines_text(
        tuple(task.patch for task in found.tasks),
        before.lawn.outline_m,
        beds_m=before.lawn.beds_m,
        anchors=anchors_of(before.lawn),
        taught=before.taught,
    )
    materials = planfile.materials_dict(found, taught=before.taught)
    texts = {
        "materials.html": sheet.materials_page(before, pictures),
        "materials.csv": planfile.materials_csv(found),
        "materials.json": json.dumps(materials, ensure_ascii=False, indent=1) + "\n",
        "materials-outlines.json": outlines,
    }
    (folder / "before-places.png").unlink(missing_ok=True)  # there may be none this time
    files = [write_atomic(folder / name, text) for name, text in texts.items()]
    alone = sheet.materials_pictures(before, table=True)
    files += [write_atomic(folder / f"{name}.png", data) for name, data in alone.items()]
    return tuple(files)


def _map_name(one: store.PlacedTable) -> str:
    view = "".join(c if c.isalnum() else "-" for c in one.view)
    return f"map-{one.taken:%Y-%m-%d}-{view}.png"


def anchors_of(lawn: Lawn) -> dict[int, tuple[float, float]] | None:
    """The first two anchored corners, as the outlines want them."""
    if len(lawn.anchors) < 2:
        return None
    return {lawn.corner_names.index(a.corner): (a.lat_deg, a.lon_deg) for a in lawn.anchors[:2]}
