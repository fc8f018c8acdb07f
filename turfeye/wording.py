"""How mistakes in a lawn's file are told: where each is, and what to write instead."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from turfeye.words import ordinal

EXAMPLES = {
    "schema": "schema = 1",
    "name": 'name = "Ferry Cottage, back"',
    "known_by": 'known_by = "smith/back"',
    "view.name": 'name = "kitchen window"',
    "photo.name": 'name = "2026-03-14T09-12-40-3fa2c1.jpg", a name in photos/',
    "outline_m": "outline_m = [[0, 0], [8, 0], [8, 6], [0, 6]], in metres, corner by corner",
    "cell_m": "cell_m = 0.5",
    "date": "date = 2026-03-14, without quotes",
    "mix": 'mix = "perennial ryegrass"',
    "rate_g_m2": "rate_g_m2 = 35",
    "area_m": "area_m = [[1, 1], [3, 1], [3, 2.5], [1, 2.5]], in metres, corner by corner",
    "cover": "cover = 0.75 (a share, not per cent)",
    "photo": 'photo = "2026-03-14T09-12-40-3fa2c1.jpg", a name in photos/',
    "corners_px": "corners_px = [[412, 1630], [2210, 1702], [1604, 512], [705, 498]], as many as outline_m",
    "number": "number = 3",
    "taken": "taken = 2026-04-14, or with the time: 2026-04-14T10:15:00; without quotes",
    "at_m": "at_m = [2.0, 1.5]",
    "step_m": "step_m = [1.5, 2.0], from peg to peg along x and along y",
    "size_m": "size_m = [1.2, 1.8], a plot's sides along x and along y",
    "first": "first = 1",
    "columns": "columns = 20",
    "rows": "rows = 10",
    "turned_deg": "turned_deg = 0",
    "spare_pct": "spare_pct = 10",
    "card_rule_mm": "card_rule_mm = 97.0, what the card's 100 mm rule measures, in millimetres",
    "purity": "purity = 0.98",
    "germination": "germination = 0.85",
    "depth_mm": "depth_mm = 5, in millimetres",
    "bag_l": "bag_l = 25, in litres",
    "bag_covers_m2": "bag_covers_m2 = 9",
    "area_m2": "area_m2 = 1.5",
    "across_m": "across_m = 1.2, how wide a round bed is",
    "lean": "lean = 0, or let turfeye lawn blades write it",
    "lean_se": "lean_se = 0.3, or let turfeye lawn blades write it",
    "curve": 'curve = "logistic" or "gompertz"',
    "time_axis": 'time_axis = "days" or "degree-days"',
    "lat_deg": "lat_deg = 52.2053",
    "lon_deg": "lon_deg = 0.1218",
    "corner": 'corner = "A"',
    "corner_names": 'corner_names = ["gate", "shed", "oak", "tap"], one per corner',
    "side_names": 'side_names = ["path", "hedge", "house", "road"], one per side',
    "view": 'view = "kitchen window", the name of a [[view]]',
    "spot": "spot = 3, the number of a [[spot]]",
}

SEVERAL = ("sowing", "view", "spot", "plots", "photo", "mix", "hollow", "bed", "anchor")
"""Tables of which there may be several."""
CORNERS = ("outline_m", "corners_px", "area_m")
"""Lists of corners, of two numbers each."""


@dataclass(frozen=True)
class Wording:
    """How mistakes are told: where each is, and what to write instead, in words that the user has seen."""

    head: str  # with {path} and {count}
    examples: Mapping[str, str]  # by the last part of a place, or its table and that
    places: Mapping[str, str]  # what they are called, where not as in the file
    corners: Callable[[np.ndarray], str]

    def place(self, place: str) -> str:
        """A place in the file, in the words of `spelled`, as the user knows it."""
        return self.places.get(place, place)


def spelled(*steps: str | int) -> str:
    """A place in the file for people: names, and indexes from 0, which are told from 1.

    >>> spelled("sowing", 0, "mix"), spelled("target", "cover"), spelled("outline_m", 3, 1)
    ('1st [[sowing]], mix', 'target.cover', 'outline_m, 4th corner, 2nd number')
    """
    words, within = "", ""
    for before, step in zip((None, *steps), steps, strict=False):
        if isinstance(step, str):
            words, within = f"{words}{within}{step}", "."
        elif before == steps[0] and before in SEVERAL and len(words) == len(str(before)):
            words, within = f"{ordinal(step)} [[{before}]]", ", "
        else:
            of = "number" if isinstance(before, int) else "corner" if before in CORNERS else "entry"
            words, within = f"{words}, {ordinal(step)} {of}", ", "
    return words


OF_THE_FILE = Wording(
    head="{path} has {count}; nothing was changed",
    examples=EXAMPLES,
    places={},
    corners=lambda points: str(points.tolist()),
)
