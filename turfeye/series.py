"""One row a photo, for trials and statistics elsewhere, and how the photos of one visit rank.

A photo shows one spot, or the whole lawn; its row holds the means over what it shows, their errors, how even
it is, and in what light it was taken.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from datetime import date, datetime
from typing import Any, Final

import numpy as np

from turfeye import leafcolour
from turfeye.caveats import UNEVEN_TWINS
from turfeye.lawnrecords import spot_of
from turfeye.photo import parse_taken_from_name
from turfeye.records import CellTable
from turfeye.summary import chance, means, number
from turfeye.uniformity import uniformity
from turfeye.words import short_day

COLUMNS: Final = (
    "photo", "taken", "age_days", "view", "state", "cover", "cover_se", "dgci", "dgci_se", "dgci_cells",
    "straw", "bare",
    "rank", "rank_low", "rank_high", "cv_pct", "christiansen_pct", "distribution_pct", "moran_i", "moran_p",
    "area_m2", "cells", "cells_seen", "card", "twins_differ", "shadow_on_card", "shade", "light", "why",
    "taught", "notes",
)  # fmt: skip
LEAST_SHADE: Final = 0.02
"""With less of the ground in other light than the card, the light is not spoken of."""
SURE: Final = 1.645
"""One plot is surely greener than another beyond this many standard errors of their difference: 19 in 20."""
LIGHT: Final = 0.15
"""How far the cover of one turf strays from light to light, one standard deviation as a share of cover times
its rest: 3.8 points at one half. Of ten rendered photos of three turfs in two to six lights 16 % of pairs lay
further from their true difference than ``SURE`` errors without it, 4 % with it. White balance off by three
stops does more than this, and such photos say so."""


def row(
    photo: str,
    table: CellTable | None,
    facts: Mapping[str, Any],
    *,
    sown: date | None = None,
    left_out: Mapping[str, str] | None = None,
) -> dict[str, Any]:
    """The row of one photo (COLUMNS, its rank open); None where something is not known.

    ``table`` is None where it could not be measured, ``facts`` then say ``why``; ``left_out`` has why photos
    that were measured don't count in their season, by name.
    """
    taken = datetime.fromisoformat(facts["taken"]) if facts.get("taken") else parse_taken_from_name(photo)
    found: dict[str, Any] = dict.fromkeys(COLUMNS)
    found |= {"photo": photo, "state": "not measured", "why": facts.get("why", "")}
    if taken is not None:
        found |= {"taken": taken.isoformat(), "age_days": (taken.date() - sown).days if sown else None}
    if table is None:
        return found
    why = (left_out or {}).get(photo, "")
    if not why and not (table.state == "seen").any():
        why = "it shows no cell that can be measured"
    shade = _shade(table)
    found |= {key: value for key, value in means(table).items() if key in COLUMNS}
    found |= _evenness(table)
    found |= {"view": facts["view"], "state": "left out" if why else "used", "why": why, "shade": shade}
    found["light"] = _light(table, facts, shade, index=found["dgci"])
    found |= {"card": int(facts["card"]), "twins_differ": facts.get("twins_differ")}
    found["notes"] = "; ".join(facts.get("warnings", ()))
    found |= {"taught": int(facts.get("taught", False))}
    found |= {"shadow_on_card": int(facts.get("shadow_on_card", False)) if facts["card"] else None}
    return found


def ranked(rows: Sequence[dict[str, Any]], groups: Sequence[Hashable]) -> list[dict[str, Any]]:
    """The rows with their places among those of their group, the greenest first; a group of None has none.

    From ``rank_low`` to ``rank_high`` go the places that a photo may really have: before it come those that
    are surely greener, one at a time, behind it those that surely are less. Their errors count as
    independent, and to each photo's own comes what its light may do (LIGHT); what photos of one light and
    soil err by together makes their ranking surer than that.
    """
    done = [dict(one) for one in rows]
    for group in {g for g in groups if g is not None}:
        members = [r for r, g in zip(done, groups, strict=True) if g == group and r["cover"] is not None]
        cover, se = (np.array([m[key] for m in members], float) for key in ("cover", "cover_se"))
        se = np.hypot(se, LIGHT * cover * (1 - cover))
        more = (cover[:, None] - cover) / np.maximum(np.hypot(se[:, None], se), 1e-9)  # [i, j]: i than j
        places = {
            "rank": 1 + (cover[:, None] > cover).sum(axis=0),
            "rank_low": 1 + (more > SURE).sum(axis=0),
            "rank_high": len(members) - (more > SURE).sum(axis=1),
        }
        for k, member in enumerate(members):
            member.update({name: int(place[k]) for name, place in places.items()})
    return done


def latest(rows: Sequence[Mapping[str, Any]]) -> tuple[Mapping[str, Any], ...]:
    """The row of the last visit that showed each spot, the greenest first; a spot never seen has none.

    Only spots have places (``ranked``), each among those of its own visit.
    """
    last = {r["view"]: r for r in sorted((r for r in rows if r["rank"]), key=lambda one: one["taken"])}
    return tuple(sorted(last.values(), key=_greenest_first))


def _greenest_first(row: Mapping[str, Any]) -> tuple[float, int, str]:
    """What ranked rows are sorted by: of equally green ones the lower number comes first."""
    return -row["cover"], len(row["view"]), row["view"]


def words(rows: Sequence[Mapping[str, Any]], *, peg: str = "spot") -> str:
    """How the `latest` rows of the last day stand, in a sentence; "" of fewer than two. Each is a ``peg``'s.

    The day is told where others were last seen before it: places count among those of one day.
    """
    days = [r["taken"][:10] for r in rows]
    placed = [r for r, on in zip(rows, days, strict=True) if on == max(days)]
    if len(placed) < 2:
        return ""
    best, least = (
        f"{peg} {spot_of(r['view'])} ({100 * r['cover']:.0f} ± {100 * r['cover_se']:.0f} %)"
        for r in (placed[0], placed[-1])
    )
    could = sum(r["rank_low"] == 1 for r in placed)
    surely = "clear of all others" if could == 1 else f"though {could} of {len(placed)} could be the greenest"
    when = f" on {short_day(date.fromisoformat(max(days)))}" if len(placed) < len(rows) else ""
    return f"Greenest{when} is {best}, {surely}; least green {least}"


def _evenness(table: CellTable) -> dict[str, float | None]:
    """How even the seen cells' cover is (``uniformity``); None of a few cells, or where all are bare."""
    cover = np.where(table.state == "seen", table.cover, np.nan)
    if (found := uniformity(cover, table.row, table.col)) is None:
        return {}
    return {
        "cv_pct": number(found.cv_pct, 1),
        "christiansen_pct": number(found.christiansen_pct, 1),
        "distribution_pct": number(found.distribution_pct, 1),
        "moran_i": number(found.moran.i, 3),
        "moran_p": chance(found.moran.p),
    }


def _shade(table: CellTable) -> float | None:
    """Share of the seen ground that lies in other light than the card."""
    known = (table.state == "seen") & np.isfinite(table.shade)
    weight = (table.area_m2 * table.seen)[known]
    return float(np.average(table.shade[known], weights=weight)) if weight.sum() > 0 else None


def _light(table: CellTable, facts: Mapping[str, Any], shade: float | None, *, index: float | None) -> str:
    """What is to be minded of the light and of colour, in words; "" when nothing is."""
    flags = []
    if not facts["card"]:
        flags.append("no card")
    elif facts.get("shadow_on_card"):
        flags.append("shadow on the card")
    elif (facts.get("twins_differ") or 0.0) > UNEVEN_TWINS:
        flags.append("card in uneven light")
    if shade is not None and shade > LEAST_SHADE:
        flags.append("part in different light from the card")
    if why := leafcolour.mostly_withheld(table):
        flags.append(why)
    elif index is None and (coloured := int(np.isfinite(table.dgci).sum())):
        flags.append(f"no index: cells whose colour can be told ({coloured}) hold too little of the green")
    return "; ".join(flags)
