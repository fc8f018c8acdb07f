"""A look in plain numbers: what is kept and printed of one photo beside its cells."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from turfeye import covererror, store, view
from turfeye.records import SCHEMA, CellTable, Floats, Look

DGCI_LIGHT_SE = 0.025
"""What the index of one turf may differ by from light to light, one standard deviation: over up to six
lights, two with the white balance off by 1.5 stops, 0.014 in the mean of three rendered spots and 0.033 on
the worst. What a photo's cells err by alike comes on top (docs/tried.md has how often truth lies within)."""
CARD_FACTS = (
    "spot", "markers", "reprojection_px", "delta_e_mean", "delta_e_max", "twins_differ", "corners_px",
)  # fmt: skip
LEAST_COLOURED = 0.25
"""A photo has an index where its cells that have one hold at least this share of the green seen: a cell or
two would tell of themselves. Ours."""


def as_dict(seen: Look) -> dict[str, Any]:
    """What ``turfeye look --json`` prints: plain numbers, None where unknown."""
    table = seen.table
    return {
        "schema": SCHEMA,
        "photo": str(seen.photo.path),
        "taken": seen.photo.taken.isoformat() if seen.photo.taken else None,
        "taken_from": seen.photo.taken_from,
        "card": _card_as_dict(seen),
        "view": None
        if seen.view is None
        else {
            "kind": seen.view.kind,
            "height_m": number(seen.view.height_m, 3),
            "tilt_deg": number(seen.view.tilt_deg, 2),
            "focal_px": number(seen.view.focal_px, 1),
        },
        "light_hardness": number(seen.hardness, 3),
        "summary": means(table),
        "cells": [_cell_as_dict(row) for row in store.cell_rows(table, middles_px(seen))],
        "warnings": list(seen.warnings),
    }


def middles_px(seen: Look) -> dict[str, Floats]:
    """Where each cell's middle lies in the photo as it was read: columns x_px and y_px, (N,)."""
    table = seen.table
    if seen.view is not None:
        x_px, y_px = view.project(seen.view, np.stack([table.x_m, table.y_m], axis=1)).T
    else:  # parts of the picture, row 0 at its top
        side_px = seen.photo.size_px[0] / table.grid.cols
        x_px, y_px = ((place + 0.5) * side_px - 0.5 for place in (table.col, table.row))
    return {"x_px": x_px, "y_px": y_px}


def kept(seen: Look) -> dict[str, Any]:
    """What is kept of a photo beside its table, as plain JSON; of which view it is, who knows adds."""
    sighting = seen.sighting
    return {
        "taken": seen.photo.taken.isoformat() if seen.photo.taken else None,
        "taken_from": seen.photo.taken_from,
        "camera": seen.photo.camera or "",
        "warnings": list(seen.warnings),
        "card": sighting is not None,
        "twins_differ": None if sighting is None else number(sighting.twins_differ, 4),
        "shadow_on_card": seen.correction is not None and seen.correction.half_lit,
        "view": "" if sighting is None else f"card {sighting.spot}",
        "flat": number(seen.flat, 3),
        "lie": None if seen.lie is None else [number(part, 4) for part in seen.lie],
    }


def means(table: CellTable) -> dict[str, Any]:
    """A photo in one row: means over the cells seen, weighted by the area seen.

    Of a cell's error of cover all cells of the photo share a part (`covererror.SHARED`: the classifier, the
    correction and the leaf angle err alike everywhere), the rest is its own. The index errs by the photo's
    light, by what its cells err by in this photo, all alike (one correction, one tone curve, one stray
    light), and by what its cells differ by, as so many samples of the ground; ``dgci_cells`` of them have
    one, and with too little of the green it is not the photo's (LEAST_COLOURED).
    """
    seen = table.state == "seen"
    area = np.where(np.isfinite(table.area_m2), table.area_m2, 1.0) * np.nan_to_num(table.seen)
    weight = np.where(seen, area, 0.0)

    def mean(values: Floats) -> float | None:
        known = np.isfinite(values) & seen
        return number(float(np.average(values[known], weights=weight[known])), 4) if known.any() else None

    index, index_se = index_of(table.dgci, table.dgci_se, table.cover, weight)
    return {
        "area_m2": number(float(weight.sum()), 3) if np.isfinite(table.area_m2).any() else None,
        "cover": mean(table.cover),
        "cover_se": number(float(covererror.mean_se(table.cover_se, weight)), 4) if seen.any() else None,
        "straw": mean(table.straw),
        "bare": mean(table.bare),
        "dgci": index,
        "dgci_se": index_se,
        "dgci_cells": int((seen & np.isfinite(table.dgci)).sum()),
        "cells": len(table),
        "cells_seen": int(seen.sum()),
    }


def index_of(
    dgci: Floats, dgci_se: Floats, cover: Floats, weight: Floats
) -> tuple[float | None, float | None]:
    """Mean colour index of cells (N,) and its standard error; None where too little of the green has one.

    ``dgci_se`` is what each errs by in its photo, ``weight`` the ground seen of it, 0 of a cell that was not.
    """
    known = np.isfinite(dgci) & (weight > 0)
    green = np.where(weight > 0, weight * cover, 0.0)
    if not known.any() or green[known].sum() < LEAST_COLOURED * green.sum():
        return None, None
    share = weight[known] / weight[known].sum()
    index = number(float(share @ dgci[known]), 4)
    return index, _index_se(dgci[known], dgci_se[known], share) if known.sum() > 1 else None


def _index_se(dgci: Floats, dgci_se: Floats, share: Floats) -> float | None:
    """Standard error of the mean index of two cells or more, (N,), each with its share in it."""
    spread = float(share @ (dgci - share @ dgci) ** 2) / (1 - float(share @ share))
    alike = float(share @ dgci_se)  # all of a photo's cells err by it the same way: it does not average out
    return number(math.sqrt(DGCI_LIGHT_SE**2 + alike**2 + spread * float(share @ share)), 4)


def _card_as_dict(seen: Look) -> dict[str, Any]:
    sighting, correction = seen.sighting, seen.correction
    if sighting is None or correction is None:
        return {"found": False, **dict.fromkeys(CARD_FACTS)}
    return {
        "found": True,
        "spot": sighting.spot,
        "markers": sighting.markers,
        "reprojection_px": number(sighting.reprojection_px, 3),
        "delta_e_mean": number(correction.delta_e_mean, 2),
        "delta_e_max": number(correction.delta_e_max, 2),
        "twins_differ": number(sighting.twins_differ, 4),
        "corners_px": [[number(v, 2) for v in corner] for corner in sighting.corners_px],
    }


def _cell_as_dict(row: dict[str, Any]) -> dict[str, Any]:
    return {
        name: number(value, 4) if isinstance(value, float) else value if value != "" else None
        for name, value in row.items()
    }


def number(value: float, digits: int) -> float | None:
    """Rounded, None when unknown."""
    return round(float(value), digits) if math.isfinite(value) else None


def chance(p: float) -> float | None:
    """A probability to three digits that count, None when unknown: rounded by place a small one were 0.

    >>> chance(0.25651), chance(5.3004e-26)
    (0.257, 5.3e-26)
    """
    return float(f"{p:.3g}") if math.isfinite(p) else None
