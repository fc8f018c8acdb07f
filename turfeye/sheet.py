"""Pages that open anywhere and print: the whole answer for the contractor, and plain words for the client.

One file each, pictures inside, nothing fetched. They compute nothing.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np

from turfeye import (
    cautions,
    charts,
    drawing,
    mixes,
    notes,
    pages,
    photo,
    plots,
    plottables,
    renovation,
    workplan,
)
from turfeye.answer import Answer, Before, state_counts
from turfeye.charts.plan import MOST_TAPES
from turfeye.headline import spots_only
from turfeye.lawn import Lawn
from turfeye.lawnrecords import spot_of
from turfeye.rounds import Round
from turfeye.states import chance_short, next_look
from turfeye.treatments import BLOCK, Compared
from turfeye.words import day, likelihood, open_until, so_many

PHOTO_WIDE_PX, PHOTO_QUALITY = 900, 82
BROAD = 2
"""Lawns that are this many times as wide as deep are drawn over the whole width."""
MOST_REASONS = 40
"""Patches whose reasons a page has room for; those of more are in ``plan.csv``."""

PAINT = {state: (fill, charts.maps.MARK_INK[state][1]) for state, fill in drawing.STATE_FILL.items()}
"""Colours of each state's cell and of its mark."""

PLAIN_STATES = {
    "on course": "growing as it should",
    "slow": "behind, or a little short: it needs time, not seed",
    "thin": "{will} stay thin without more seed",
    "too soon to say": "can't be judged yet: more photos will tell",
    "not seen": "not visible in the photos",
}

PLAIN_IN_STRIPS = {
    "slow": "behind, or a little short: it needs time, not seed, except in the strip that will get seed",
}
"""What is otherwise where a strip is sown whole, though parts of it are slow only."""
PLAIN_IN_PLOTS = {
    "thin": "{will} stay thin: with its whole plot, or behind the rest of the plot",
}
"""What is otherwise of a trial's plots."""

FOR_THE_OWNER = ("water", "seed", "iron", "feed", "weedkiller", "mowing")
"""Cautions for whoever lives with the lawn; the others are for whoever does the work."""

BY_TAPE = (
    "Pull a tape from each of the two corners; where they meet is the middle of the patch. "
    "A tape read to 5 cm is close enough."
)

IN_PLOTS = "The page's table says where each lies in its plot; plan.csv has the tape distances."

CANNOT_TELL = (
    "Why a place is thin or pale: photos show where, they do not diagnose. Go and look.",
    "What lies under leaves, in hard shade or behind things: such cells are left out, never guessed.",
    "Which green is lawn grass: weeds and moss that are green count as green cover.",
    "How much feed a lawn needs: no fertiliser figure can be read from a colour.",
    "What the weather will do: the forecast assumes that growth goes on as it usually does.",
)


def page(answer: Answer, drawn: Mapping[str, bytes] | None = None) -> str:
    """The whole answer as one HTML page; ``drawn`` are its pictures where they exist already."""
    drawn = drawn if drawn is not None else pictures(answer)
    return pages.rendered("season.html", **_facts(answer, drawn))


def client_page(answer: Answer, drawn: Mapping[str, bytes] | None = None) -> str:
    """The answer for the owner of the lawn: plain words, two photos, one map, what comes next."""
    drawn = drawn if drawn is not None else pictures(answer)
    return pages.rendered("client.html", **_facts(answer, drawn))


def round_page(found: Round, beside: Path) -> str:
    """All the lawns of a round on one page that stands in the folder ``beside``."""
    answers = found.answers
    folders = {answer.lawn.folder: answer.lawn.results_dir for answer in answers}
    maps = {
        stop.folder: pages.png_uri(_state_map(stop.answer, key=False))
        for stop in found.stops
        if stop.answer and not stop.earlier
    }
    sheets = {folder: results / "sheet.html" for folder, results in folders.items()}
    lists = [stop.before.lawn for stop in found.stops if stop.before]
    sheets |= {place.folder: place.results_dir / "materials.html" for place in lists}
    told = [
        *(answer.plan.cautions for answer in answers),
        *(stop.before.materials.cautions for stop in found.stops if stop.before),
    ]
    facts = {
        "round": found,
        "paint": PAINT,
        "maps": maps,
        "pages": {k: _link(v, beside) for k, v in sheets.items() if v.is_file()},
        "mind": list(dict.fromkeys(caution for some in told for caution in some)),
    }
    return pages.rendered("round.html", **facts)


def _link(path: Path, beside: Path) -> str:
    """A link to a file from a page in a folder: the way from there, where there is one."""
    path, beside = path.resolve(), beside.resolve()
    try:
        return quote(Path(os.path.relpath(path, beside)).as_posix())
    except ValueError:  # on another drive
        return path.as_uri()


def pictures(answer: Answer) -> dict[str, bytes]:
    """The page's charts as PNG, by name; keys and tables are the page's own."""
    season = answer.season
    curve = charts.season_curve(
        answer.course,
        target=(answer.target_age_days, season.target.cover),
        other=(answer.beside.name, answer.beside.course) if answer.beside else None,
    )
    visits = charts.growth_panels(season, ground=ground(answer.lawn))
    return _maps(answer, alone=False) | {"curve": drawing.png(curve), "visits": drawing.png(visits)}


def pictures_alone(answer: Answer) -> dict[str, bytes]:
    """As PNG, by name, those of the charts that have a key or a table of their own where they stand alone."""
    return _maps(answer, alone=True)


def _maps(answer: Answer, *, alone: bool) -> dict[str, bytes]:
    """The map of states, and the plan where there is one."""
    drawn, tasks = {"map-states": _state_map(answer, key=alone)}, answer.plan.tasks
    if tasks:
        figure = charts.plan_picture(
            tasks,
            ground=ground(answer.lawn),
            title=f"{answer.lawn.name}: {so_many(len(tasks), 'patch', 'patches')}",
            subtitle=_how_to_find(len(tasks), "plan.csv") if not plots.by_plot(tasks) else IN_PLOTS,
            table=alone,
        )
        drawn["plan"] = drawing.png(figure)
    return drawn


def _state_map(answer: Answer, *, key: bool) -> bytes:
    return drawing.png(charts.state_map(answer.outlook, ground=ground(answer.lawn), key=key))


def materials_page(before: Before, drawn: Mapping[str, bytes]) -> str:
    """What to bring for the work, on one page to print; `materials_pictures` are what is ``drawn`` on it."""
    facts = {
        "answer": before,
        "found": before.materials,
        "places": before.materials.by_place,
        "drawn": {name: pages.png_uri(data) for name, data in drawn.items()},
        "cannot_tell": CANNOT_TELL[:3],
        "no_depth": renovation.NO_DEPTH,
    }
    return pages.rendered("materials.html", **facts)


def materials_pictures(before: Before, *, table: bool = False) -> dict[str, bytes]:
    """The page's pictures as PNG, by name: cover before the work and, if any, the marked places.

    Where it stands alone that of the places has their ``table`` too.
    """
    shape, tasks = ground(before.lawn), before.materials.tasks
    figures = {
        "before-cover": charts.cover_map(
            before.table,
            ground=shape,
            title="Green cover before the work",
            subtitle=f"{before.lawn.name}, {day(before.taken)}",
        )
    }
    if tasks:
        figures["before-places"] = charts.plan_picture(
            tasks,
            ground=shape,
            title=f"{before.lawn.name}: {so_many(len(tasks), 'place')}",
            subtitle=_how_to_find(len(tasks), "materials.csv"),
            litres_of="fill",
            table=table,
        )
    return {name: drawing.png(figure) for name, figure in figures.items()}


def _how_to_find(places: int, table: str) -> str:
    """What stands above the plan picture, which has tape lines for a few places only."""
    return BY_TAPE if places <= MOST_TAPES else f"Tape distances are in the page's table and in {table}."


def ground(lawn: Lawn) -> drawing.Ground:
    """The lawn's shape and names for maps."""
    names = lawn.corner_names, lawn.side_names
    return drawing.ground_of(lawn.outline_m, *names, plots=lawn.plots, beds_m=lawn.beds_m)


def _facts(answer: Answer, drawn: Mapping[str, bytes]) -> dict[str, Any]:
    """Everything that a template may use."""
    season, lawn = answer.season, answer.outlook.lawn
    state, sown = answer.outlook.state, [task.patch for task in answer.plan.tasks if task.seed_g]
    plain = PLAIN_STATES | (PLAIN_IN_PLOTS if answer.standings else {})
    plain |= PLAIN_IN_STRIPS if any((state[patch.cells] == "slow").any() for patch in sown) else {}
    plain |= {"thin": plain["thin"].format(will=_will(answer))}
    waits = state == "too soon to say"
    if lawn.missing and (waits & season.sown_again).sum() > waits.sum() / 2:
        plain |= {"too soon to say": f"can't be judged yet: {lawn.missing}"}
    ranked = len(answer.plots) > 1
    return {
        "answer": answer,
        "lawn": lawn,
        "season": season,
        "plan": answer.plan,
        "most_reasons": MOST_REASONS,
        "closed": mixes.CLOSED_COVER,
        "sown": sown,
        "dates": [(when, _without_numbers(what)) for when, what in answer.plan.dates],
        "late": answer.slow,
        "left": workplan.left(answer.plan.tasks),
        "in_doubt": workplan.in_doubt(answer.plan.tasks),
        "too_soon": workplan.mostly_too_soon(answer.outlook),
        "partly": workplan.partly_too_soon(answer.outlook) and next_look(season) is not None,
        "open_until": open_until(next_look(season)),
        "states_counted": state_counts(answer.outlook).items(),
        "states": [(state, plain[state]) for state in state_counts(answer.outlook)],
        "drawn": {name: pages.png_uri(data) for name, data in drawn.items()},
        "photos": _before_and_after(answer),
        "cannot_tell": CANNOT_TELL,
        "mind": [c for c in cautions.about(*FOR_THE_OWNER) if c in answer.plan.cautions],
        "spots_only": spots_only(season),
        "peg": answer.lawn.peg_word,
        "sown_table": plottables.of_sown(answer) if sown and plots.by_plot(answer.plan.tasks) else None,
        "by_plot": plots.by_plot(answer.plan.tasks),
        "in_plots": any(task.patch.plots for task in answer.plan.tasks),
        "spots_table": plottables.of_spots(answer) if ranked else None,
        "plots_table": plottables.of_plots(answer) if _in_views(answer, ranked=ranked) else None,
        "treatments": _treatments(answer.treatments, plottables.given(answer)),
        "thin_plots": _thin_plots(answer),
        "broad": _broad(answer.lawn),
        "ground": "plots" if answer.standings else "lawn",
        "plain_table": plottables.for_client(answer) if ranked else None,
        "several_days": len({row["taken"][:10] for row in answer.plots}) > 1,
        "never_seen": _never_seen(answer),
        "waiting": sum(task.waits for task in answer.plan.tasks),
        "plan_fill": drawing.KIND_FILL["thin"],
        "paint": PAINT,
    }


def _without_numbers(words: str) -> str:
    """Of what is to be done, for the owner, whose map has no numbers: that place, or those places."""
    words = re.sub(r"\bpatch \d+", "that place", words)
    return re.sub(r"\bpatches \d+((, | and |–)\d+)*", "those places", words)


def _broad(lawn: Lawn) -> bool:
    """Whether a lawn is so much wider than deep that its map needs the whole width of a sheet of paper."""
    wide, deep = np.ptp(lawn.outline_m, axis=0)
    return bool(wide > BROAD * deep)


def _will(answer: Answer) -> str:
    """Whether what is thin will stay so, as surely as that is known of most of it."""
    cells = answer.outlook.state == "thin"
    sure = likelihood(float(np.mean(chance_short(answer.outlook.p_thin[cells])))) if cells.any() else ""
    return (
        f"will {sure}"
        if sure
        else f"may yet fill in ({open_until(next_look(answer.season))}); if not, it will"
    )


def _in_views(answer: Answer, *, ranked: bool) -> bool:
    """Whether some plot was seen that has no row by photos of its own; all are where none are ``ranked``."""
    if not ranked:
        return bool(answer.standings)
    own = {spot_of(row["view"]) for row in answer.plots}
    return any(one.seen_m2 > 0 and one.plot.number not in own for one in answer.standings)


def _thin_plots(answer: Answer) -> str:
    """The plots that are thin as plots, by number; "" where there are none."""
    numbers = [str(one.plot.number) for one in answer.standings if one.state == "thin"]
    return f"plot{'s' * (len(numbers) > 1)} {notes.some(numbers, most=notes.MOST_NUMBERS)}" if numbers else ""


def _treatments(told: Sequence[Compared], given: Sequence[str]) -> dict[str, Any] | None:
    """A trial's treatments at the last visit; None where none are compared."""
    if not told:
        return None
    return {
        "when": told[0].when,
        "blocked": BLOCK in given,
        "table": plottables.of_treatments(told),
        "whys": list(dict.fromkeys(one.means.why for one in told if one.means.why)),
    }


def _never_seen(answer: Answer) -> str:
    """The lawn's spots that no measured photo shows, by number; "" where there are none."""
    seen = {row["view"] for row in answer.plots}
    return notes.some(
        [str(s.number) for s in answer.lawn.spots if s.view not in seen], most=notes.MOST_NUMBERS
    )


def _before_and_after(answer: Answer) -> list[tuple[str, str]]:
    """The first and the last photo of the view that was seen most, small, as (caption, data URI)."""
    with_photo = [visit for visit in answer.season.visits if visit.photos]
    names = [visit.view for visit in with_photo]
    same = [visit for visit in with_photo if visit.view == max(names, key=names.count)]
    ends = same[:1] + same[-1:] if len(same) > 1 else same
    shown = []
    for visit in ends:
        path = answer.lawn.photos_dir / visit.photos[0]
        if path.is_file():
            small = pages.photo_uri(photo.read(path), wide_px=PHOTO_WIDE_PX, quality=PHOTO_QUALITY)
            shown.append((f"{day(visit.taken.date())}, day {visit.age_days:.0f}", small))
    return shown
