"""The dated series of a lawn's photos: one row a photo, for trials and statistics elsewhere.

A photo shows one spot, or the whole lawn; its row holds the means over what it shows, their errors, and in
what light it was taken.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import date, datetime
from typing import Any, Final

import numpy as np

from turfeye.glance import UNEVEN_TWINS, summary
from turfeye.photo import parse_taken_from_name
from turfeye.records import CellTable

COLUMNS: Final = (
    "photo", "taken", "age_days", "view", "state", "cover", "cover_se", "dgci", "dgci_se", "straw", "bare",
    "area_m2", "cells", "cells_seen", "card", "twins_differ", "shadow_on_card", "shade", "light", "why",
)  # fmt: skip
LEAST_SHADE: Final = 0.02
"""With less of the ground in other light than the card, the light is not spoken of."""


def row(
    photo: str, table: CellTable | None, facts: Mapping[str, Any], *, sown: date, used: Collection[str]
) -> dict[str, Any]:
    """The row of one photo (COLUMNS); None where something is not known.

    ``table`` is None where it could not be measured, ``facts`` then say ``why``; ``used`` are the names of
    the photos that the season rests on.
    """
    taken = datetime.fromisoformat(facts["taken"]) if "taken" in facts else parse_taken_from_name(photo)
    found: dict[str, Any] = dict.fromkeys(COLUMNS)
    found |= {"photo": photo, "state": "not measured", "why": facts.get("why", "")}
    if taken is not None:
        found |= {"taken": taken.isoformat(), "age_days": (taken.date() - sown).days}
    if table is None:
        return found
    state = "used" if photo in used else "left out"
    shade = _shade(table)
    found |= {key: value for key, value in summary(table).items() if key in COLUMNS}
    found |= {"view": facts["view"], "state": state, "shade": shade, "light": _light(facts, shade)}
    found |= {"card": int(facts["card"]), "twins_differ": facts.get("twins_differ")}
    found |= {"shadow_on_card": int(facts.get("shadow_on_card", False)) if facts["card"] else None}
    if state == "left out":
        found["why"] = "dated outside the season, or there twice"
    return found


def _shade(table: CellTable) -> float | None:
    """Share of the seen ground that lies in other light than the card."""
    known = (table.state == "seen") & np.isfinite(table.shade)
    weight = (table.area_m2 * table.seen)[known]
    return float(np.average(table.shade[known], weights=weight)) if weight.sum() > 0 else None


def _light(facts: Mapping[str, Any], shade: float | None) -> str:
    """What is to be minded of the light, in words; "" when nothing is."""
    flags = []
    if not facts["card"]:
        flags.append("no card")
    elif facts.get("shadow_on_card"):
        flags.append("shadow on the card")
    elif (facts.get("twins_differ") or 0.0) > UNEVEN_TWINS:
        flags.append("card in uneven light")
    if shade is not None and shade > LEAST_SHADE:
        flags.append("part in other light than the card")
    return "; ".join(flags)
