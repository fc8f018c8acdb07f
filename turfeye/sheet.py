"""Pages that open anywhere and print: the whole answer for the contractor, and plain words for the client.

One file each, pictures inside, nothing fetched. They compute nothing.
"""

from __future__ import annotations

import base64
import io
import re
from collections.abc import Mapping, Sequence
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from turfeye import cautions, charts, drawing, notes, plots, renovation
from turfeye.answer import Answer, Before, state_counts
from turfeye.charts.plan import MOST_TAPES
from turfeye.headline import spots_only
from turfeye.lawn import Lawn
from turfeye.lawnrecords import Patch
from turfeye.treatments import BLOCK, TREATMENT, Compared
from turfeye.words import day, per_cent, short_day, square_metres

if TYPE_CHECKING:
    from jinja2 import Environment

PHOTO_WIDE_PX = 900

PLAIN_STATES = {
    "on course": "growing as it should",
    "slow": "behind, or a little short: it needs time, not seed",
    "thin": "will stay thin without more seed",
    "too soon to say": "not to be judged yet: more photos will tell",
    "not seen": "not visible in the photos",
}

PLAIN_IN_PLOTS = {
    "thin": "will stay thin, as its plot is or behind the rest of it",
}
"""What is otherwise of a trial's plots."""
SHOWN_OF_TREATMENTS = (TREATMENT, BLOCK)
"""Columns of ``treatments.csv`` that the page shows; the others are carried along in the tables."""
MEASURE_NAMES = {"cover": ("Green cover, %", 100, 1), "dgci": ("Colour index", 1, 3)}
"""What a measure is called in a table, what it is told in, and with how many decimals."""

FOR_THE_OWNER = ("water", "seed", "iron", "feed", "weedkiller", "mowing")
"""Cautions for whoever lives with the lawn; the others are for whoever does the work."""

BY_TAPE = (
    "Pull a tape from each of the two corners; where they meet is the middle of the patch. "
    "A tape read to 5 cm is close enough."
)

CANNOT_TELL = (
    "Why a place is thin or pale: it measures and points, it does not diagnose. Look there.",
    "What lies under leaves, in hard shade or behind things: such cells are left out, never guessed.",
    "Which green is lawn grass: weeds and moss that are green count as green cover.",
    "How much feed a lawn needs: no fertiliser figure can be read from a colour.",
    "What weather will come: the forecast takes growth to go on as it usually does.",
)


def page(answer: Answer, drawn: Mapping[str, bytes] | None = None) -> str:
    """The whole answer as one HTML page; ``drawn`` are its pictures where they exist already."""
    drawn = drawn if drawn is not None else pictures(answer)
    return _template("season.html").render(**_facts(answer, drawn))


def client_page(answer: Answer, drawn: Mapping[str, bytes] | None = None) -> str:
    """The answer for the owner of the lawn: plain words, two photos, one map, what comes next."""
    drawn = drawn if drawn is not None else pictures(answer)
    return _template("client.html").render(**_facts(answer, drawn))


def pictures(answer: Answer) -> dict[str, bytes]:
    """The page's charts as PNG, by name."""
    season, lawn = answer.season, answer.lawn
    shape = ground(lawn)
    tasks = len(answer.plan.tasks)
    figures: dict[str, Any] = {
        "map-states": charts.state_map(answer.outlook, ground=shape),
        "curve": charts.season_curve(
            answer.course,
            target=(answer.target_age_days, season.target.cover),
            other=(answer.beside.name, answer.beside.course) if answer.beside else None,
        ),
        "visits": charts.growth_panels(season, ground=shape),
    }
    if tasks:
        figures["plan"] = charts.plan_picture(
            answer.plan.tasks,
            ground=shape,
            title=f"{lawn.name}: {tasks} patch{'es' if tasks != 1 else ''}",
            subtitle=_how_to_find(tasks, "plan.csv"),
        )
    return {name: drawing.png(figure) for name, figure in figures.items()}


def materials_page(before: Before, drawn: Mapping[str, bytes] | None = None) -> str:
    """What to bring for the work, on one page to print."""
    drawn = drawn if drawn is not None else materials_pictures(before)
    facts = {
        "answer": before,
        "found": before.materials,
        "places": before.materials.by_place,
        "drawn": {name: _data_uri(data, "image/png") for name, data in drawn.items()},
        "cannot_tell": CANNOT_TELL[:3],
        "no_depth": renovation.NO_DEPTH,
    }
    return _template("materials.html").render(**facts)


def materials_pictures(before: Before) -> dict[str, bytes]:
    """The page's pictures as PNG, by name: cover before the work and, if any, the marked places."""
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
        title = f"{before.lawn.name}: {len(tasks)} place{'s' if len(tasks) != 1 else ''} to look at"
        figures["before-places"] = charts.plan_picture(
            tasks,
            ground=shape,
            title=title,
            subtitle=_how_to_find(len(tasks), "materials.csv"),
            litres_of="fill",
        )
    return {name: drawing.png(figure) for name, figure in figures.items()}


def _how_to_find(places: int, table: str) -> str:
    """What stands above the plan picture, which has tape lines for a few places only."""
    return (
        BY_TAPE if places <= MOST_TAPES else f"Where each is by tape is in the page's table and in {table}."
    )


def ground(lawn: Lawn) -> drawing.Ground:
    """The lawn's shape and names for maps."""
    return drawing.ground_of(lawn.outline_m, lawn.corner_names, lawn.side_names, plots=lawn.plots)


def _facts(answer: Answer, drawn: Mapping[str, bytes]) -> dict[str, Any]:
    """Everything that a template may use."""
    season, lawn = answer.season, answer.outlook.lawn
    plain = PLAIN_STATES | (PLAIN_IN_PLOTS if answer.standings else {})
    return {
        "answer": answer,
        "lawn": lawn,
        "season": season,
        "plan": answer.plan,
        "states": [(state, plain[state]) for state in state_counts(answer.outlook)],
        "drawn": {name: _data_uri(data, "image/png") for name, data in drawn.items()},
        "photos": _before_and_after(answer),
        "cannot_tell": CANNOT_TELL,
        "mind": [c for c in cautions.about(*FOR_THE_OWNER) if c in answer.plan.cautions],
        "spots_only": spots_only(season),
        "peg": answer.lawn.peg_word,
        "in_plots": any(task.patch.plots for task in answer.plan.tasks),
        "plots": _plots(answer) if len(answer.plots) > 1 else [],
        "standings": [_standing(one, _given(answer)) for one in answer.standings]
        if len(answer.plots) < 2
        else [],
        "given": _given(answer),
        "target_day": short_day(season.target.date),
        "treatments": _treatments(answer),
        "thin_plots": _thin_plots(answer),
        "ground": "plots" if answer.standings else "lawn",
        "plain_plots": [_plain_plot(row) for row in answer.plots] if len(answer.plots) > 1 else [],
        "several_days": len({row["taken"][:10] for row in answer.plots}) > 1,
        "never_seen": _never_seen(answer),
        "fills": drawing.STATE_FILL,
    }


def _given(answer: Answer) -> tuple[str, ...]:
    """What was given of a trial's plots, as far as the page shows it."""
    own = answer.standings[0].own if answer.standings else {}
    return tuple(name for name in SHOWN_OF_TREATMENTS if name in own)


Figure = tuple[str, bool]  # what stands in a table's field, and whether it is words


def _plots(answer: Answer) -> list[tuple[Figure, ...]]:
    """The spots' rows; of a trial with what was given, what is expected, and how much of each is thin."""
    standing = {f"spot {one.plot.number}": one for one in answer.standings}
    return [_plot(row, standing.get(row["view"]), _given(answer), bool(standing)) for row in answer.plots]


def _plot(
    row: Mapping[str, Any], one: plots.Standing | None, given: Sequence[str], trial: bool
) -> tuple[Figure, ...]:
    """One spot's row for people: spot, day, place, cover, straw, bare, colour index, unevenness.

    A trial's has what is expected and how much is thin instead of straw and bare, which photos.csv has.
    """
    return (
        (row["view"].removeprefix("spot "), False),
        *[(one.own[name] if one else "", True) for name in given],
        ((short_day if trial else day)(datetime.fromisoformat(row["taken"]).date()), False),
        (f"{row['rank']} ({row['rank_low']}–{row['rank_high']})", False),
        (_figure(row["cover"], row["cover_se"], times=100), False),
        *(
            _expected(one)
            if trial
            else [(_figure(row[name], times=100), False) for name in ("straw", "bare")]
        ),
        (_figure(row["dgci"], row["dgci_se"], digits=2), False),
        (_figure(row["cv_pct"]), False),
        *([(_figure(one.thin if one else None, times=100), False)] if trial else ()),
    )


def _standing(one: plots.Standing, given: Sequence[str]) -> tuple[Figure, ...]:
    """A plot's row where its ground was seen in views of the whole lawn, which have no row a plot."""
    return (
        (str(one.plot.number), False),
        *[(one.own[name], True) for name in given],
        (_figure(one.seen_m2, digits=2), False),
        (_figure(one.cover, one.cover_se, times=100), False),
        *_expected(one),
        (_figure(one.thin, times=100), False),
        (_figure(one.seed_g), False),
    )


def _expected(one: plots.Standing | None) -> tuple[Figure, Figure]:
    """A plot's forecast with its interval, and its state."""
    if one is None or one.cover_at_target != one.cover_at_target:
        return ("–", False), ("–", True)
    low, middle, high = (
        f"{100 * value:.0f}"
        for value in (one.cover_at_target_low, one.cover_at_target, one.cover_at_target_high)
    )
    return (f"{middle} ({low}–{high})", False), (one.state, True)


def _thin_plots(answer: Answer) -> str:
    """The plots that are thin as plots, by number; "" where there are none."""
    numbers = [str(one.plot.number) for one in answer.standings if one.state == "thin"]
    return f"plot{'s' * (len(numbers) > 1)} {notes.some(numbers, most=notes.MOST_NUMBERS)}" if numbers else ""


def _treatments(answer: Answer) -> dict[str, Any] | None:
    """A trial's treatments at the last visit, the greenest first, with the errors of their differences."""
    told = answer.treatments
    if not told:
        return None
    first = told[0].means
    order = sorted(range(len(first.treatments)), key=lambda k: -_nan_last(first.mean[k]))
    return {
        "on": told[0].on,
        "blocked": BLOCK in _given(answer),
        "names": [MEASURE_NAMES[one.measure][0] for one in told],
        "rows": [
            (first.treatments[k], str(first.plots[k]), *[_in_table(one, one.means.mean[k]) for one in told])
            for k in order
        ],
        "foot": [
            ("Standard error of a difference", [_in_table(one, one.means.sed) for one in told]),
            ("Least significant difference, 19 in 20", [_in_table(one, one.means.lsd) for one in told]),
            (
                "Chance of such differences between like ones",
                [_chance(one.means.p) for one in told],
            ),
        ],
        "whys": list(dict.fromkeys(one.means.why for one in told if one.means.why)),
    }


def _chance(p: float) -> str:
    """A probability as a table tells it."""
    return "under 0.001" if p < 0.001 else _figure(p, digits=3)


def _in_table(one: Compared, value: float) -> str:
    """A figure of a measure as the table tells it."""
    _, times, digits = MEASURE_NAMES[one.measure]
    return _figure(value, times=times, digits=digits)


def _nan_last(value: Any) -> float:
    """For sorting downwards: what is not known comes last."""
    return value if value == value else float("-inf")


def _plain_plot(row: Mapping[str, Any]) -> tuple[str, ...]:
    """One spot's row for the client: spot, day, place, green, bare soil."""
    best, worst = row["rank_low"], row["rank_high"]
    return (
        row["view"].removeprefix("spot "),
        day(datetime.fromisoformat(row["taken"]).date()),
        f"{best}" if best == worst else f"{best} to {worst}",
        per_cent(row["cover"]),
        "–" if row["bare"] is None else per_cent(row["bare"]),
    )


def _figure(value: float | None, se: float | None = None, *, times: float = 1, digits: int = 0) -> str:
    """A figure with its error where it has one; a dash where it is not known."""
    if value is None or value != value:
        return "–"
    parts = (value,) if se is None else (value, se)
    return "\u00a0±\u00a0".join(f"{times * part:.{digits}f}" for part in parts)


def _never_seen(answer: Answer) -> str:
    """The lawn's spots that no measured photo shows, by number; "" where there are none."""
    seen = {row["view"] for row in answer.plots}
    return notes.some(
        [str(s.number) for s in answer.lawn.spots if f"spot {s.number}" not in seen], most=notes.MOST_NUMBERS
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
            shown.append((f"{day(visit.taken.date())}, day {visit.age_days:.0f}", _small_photo(path)))
    return shown


def _small_photo(path: Path) -> str:
    """A small copy of a photo for the page; the original is only read."""
    import cv2
    from PIL import Image

    from turfeye import photo

    rgb = photo.read(path).rgb_coded
    factor = min(1.0, PHOTO_WIDE_PX / rgb.shape[1])
    size = (round(rgb.shape[1] * factor), round(rgb.shape[0] * factor))
    small = Image.fromarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA))
    buffer = io.BytesIO()
    small.save(buffer, "JPEG", quality=82)
    return _data_uri(buffer.getvalue(), "image/jpeg")


def _data_uri(data: bytes, kind: str) -> str:
    return f"data:{kind};base64,{base64.b64encode(data).decode('ascii')}"


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("turfeye", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["per_cent"] = per_cent
    environment.filters["day"] = day
    environment.filters["square_metres"] = square_metres
    environment.filters["sentence"] = _sentence
    environment.filters["where"] = plots.where
    environment.filters["plot_numbers"] = _plot_numbers
    return environment


def _plot_numbers(patch: Patch) -> str:
    """The plots of a patch for a narrow column: 12, or 12 (62 %) and 13 (38 %)."""
    return plots.numbers(patch).replace(" (", "\u00a0(").replace(" %", "\u00a0%")


def _sentence(text: str) -> str:
    """A line of its own: a capital first, a full stop last, numbers kept with their units."""
    text = re.sub(r"(?<=\d) (?=(%|m²|m|g|kg|L|°C)(?![\w²]))", "\u00a0", text.strip())
    return text[:1].upper() + text[1:] + ("" if text[-1:] in ".?!" else ".")


def _template(name: str) -> Any:
    return _environment().get_template(name)
