"""A lawn's headline in one honest sentence, and the words that its cells' reasons share."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np

from turfeye.lawnrecords import Season, spot_of
from turfeye.records import Floats
from turfeye.words import likelihood, open_until, short_day, so_many, square_metres


def sentence(
    season: Season,
    cover: float,
    counts: dict[str, int],
    thin_m2: float,
    *,
    usual: tuple[float, float],
    loss: float,
    missing: str,
    chances: Floats,
    look: date | None,
    plots: bool = False,
) -> str:
    """The headline: where the lawn is, where such lawns are, and what won't fill.

    ``missing`` is what cells lack of which it is too soon to say, ``loss`` (0 or below) what a setback took.
    ``chances`` are those by which each thin one won't fill, ``look`` is when the next photo will tell.
    ``plots`` where the season's rows are not cells but a trial's plots.
    """
    thing, spots = "plot" if plots else "cell", spots_only(season) and not plots
    cells = sum(counts.values())
    if counts["not seen"] == cells:
        return f"No visit showed any {thing} of this {'trial' if plots else 'lawn'}: nothing can be said."
    low, high = (int(5 * round(20 * q)) for q in usual)
    usually = f"{low}–{high}" if high > low else f"about {low}"
    cells -= counts["not seen"] if spots else 0  # spot photos aren't meant to show all of the lawn
    where = " in the plots" if plots else " in the spots" if spots else ""
    on = f"{where} on day {season.age_days[-1]:.0f}"
    words = [f"{percent(cover)} % covered{on} (this mix is usually at {usually} % by then)"]
    by = short_day(season.target.date)
    seen = cells if spots else cells - counts["not seen"]
    of = f"{cells} {thing}s" if seen == cells else f"the {seen} {thing}s that were seen"
    if counts["thin"]:
        area = "" if plots else f" ({square_metres(thin_m2)})"
        to = f"reach {percent(season.target.cover)} %" if plots else "fill in"
        whole = f"{counts['thin']} of {cells} {thing}s{area}"
        words.append(f"{whole} {thin_words(chances, to, by, look, back=passed(season))}")
    elif counts["too soon to say"] > seen / 2:
        words.append(f"too soon to say for {counts['too soon to say']} of {of}: {missing}")
    else:
        good, behind = counts["on course"], counts["slow"]
        did = "reached the target by" if passed(season) else f"{'is' if good == 1 else 'are'} on course for"
        slow = f", {so_many(behind, 'is', 'are')} slow" if behind > good else ""
        words.append(f"none of {of} is thin, {good} {did} {by}{slow}")
    if loss:
        words.append(f"{percent(-loss)} points of cover were lost since the last visits (mown low, or dry?)")
    if spots:
        shown = season.area_m2[np.isfinite(season.cover).any(axis=1)].sum()
        words.append(
            f"the spots make up {square_metres(shown)} of the lawn's {square_metres(season.area_m2.sum())}"
        )
    elif counts["not seen"]:
        words.append(so_many(counts["not seen"], f"{thing} was", f"{thing}s were") + " never seen")
    return "; ".join(words)


def thin_words(chances: Floats, to: str, by: str, look: date | None, *, back: bool) -> str:
    """What is said of thin ones by the mean of the chances (n,) that they won't come ``to`` it ``by`` a day.

    ``look`` is when the next photo will tell; looked ``back`` on the day, it is not in doubt.
    """
    many = len(chances) > 1
    verb = "are thin" if many else "is thin"
    if back:
        had = "had not filled in" if to == "fill in" else f"had not {to.replace('reach', 'reached')}"
        return f"{verb} and {had} by {by}"
    if sure := likelihood(float(np.mean(chances))):
        return f"{verb} and {sure} won't {to} by {by}"
    # the chance is of coming to it at all: by the day it is less
    return f"{verb} so far; whether {'they' if many else 'it'} will {to} is still open: {open_until(look)}"


def passed(season: Season) -> bool:
    """Whether photos were taken on the target's date or later: then it is looked back on, not forecast."""
    return season.target.date <= season.visits[-1].taken.date()


def spots_only(season: Season) -> bool:
    """Whether all photos show spots: then most of the lawn was never meant to be seen."""
    views = (view for visit in season.visits for view in visit.view.split(" + "))
    return all(spot_of(view) is not None for view in views)


def date_at(season: Season, age_days: float) -> date:
    """The first date on which the lawn is so old."""
    return season.sowing.date + timedelta(days=min(float(np.ceil(age_days)), 3650.0))


def percent(share: float) -> str:
    """A share in whole per cent, without the sign."""
    return f"{100 * share:.0f}"
