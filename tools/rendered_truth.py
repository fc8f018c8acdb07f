"""Rendered pictures with their truth beside them, as tools/make_samples.py writes them."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np

from turfeye import card, cells, photo, view
from turfeye.errors import TurfeyeError
from turfeye.records import CellTable, Grid, Photo, Sighting, View

LAWN_CELL_M = 0.5


def pictures(folders: list[Path], kind: str) -> list[Path]:
    """Pictures of a kind that have their truth beside them, each name once."""
    found: dict[str, Path] = {}
    for folder in folders:
        for path in sorted(folder.rglob(f"{kind}-*.jpg")):
            if path.with_name(path.stem + "-cells.csv").is_file():
                found.setdefault(path.stem, path)
    return list(found.values())


def corners_of(picture: Path, what: str) -> np.ndarray:
    """True corners of the card or the outline, (4, 2) pixels."""
    with picture.with_name(f"{picture.stem}-corners.csv").open(encoding="utf-8") as file:
        return np.array(
            [(float(r["x_px"]), float(r["y_px"])) for r in csv.DictReader(file) if r["what"] == what]
        )


def outline_of(picture: Path) -> np.ndarray:
    """The lawn's outline, (K, 2) metres, from the picture's facts."""
    facts = json.loads(picture.with_suffix(".json").read_text(encoding="utf-8"))
    return np.array(facts["outline_m"] if "outline_m" in facts else facts["recipe"]["outline_m"])


def light_of(picture: Path) -> str:
    """In which light it was rendered, from the picture's facts; "" where they don't say."""
    facts = json.loads(picture.with_suffix(".json").read_text(encoding="utf-8"))
    return str(facts.get("recipe", {}).get("light", ""))


def lawn_view(picture: Path) -> tuple[Photo, View, Grid]:
    """A lawn's photo, its view by the true corners, its cells: what `glance.look_through` wants."""
    shot, outline_m = photo.read(picture), outline_of(picture)
    seen = view.from_corners(shot, corners_of(picture, "outline"), outline_m)
    return shot, seen, cells.lawn_grid(outline_m, LAWN_CELL_M)


def card_in(shot: Photo) -> Sighting | None:
    """The card, where it is found."""
    try:
        return card.find(shot)
    except TurfeyeError:
        return None


def card_off_px(sighting: Sighting, picture: Path) -> float:
    """How far the worst of a found card's corners is off."""
    return float(np.linalg.norm(sighting.corners_px - corners_of(picture, "card"), axis=1).max())


def outlined(picture: Path, shape: tuple[int, int]) -> np.ndarray:
    """(H, W) whether a pixel lies within the lawn's true outline."""
    corners = np.rint(corners_of(picture, "outline")).astype(np.int32)
    return np.asarray(cv2.fillPoly(np.zeros(shape, np.uint8), [corners], 1)) > 0


def pairs(table: CellTable, picture: Path) -> np.ndarray:
    """(N, 4) cover, its error, true cover, zenith of cells seen and known, without the card's."""
    found = [
        (table.cover[i], table.cover_se[i], float(true["cover"]), table.zenith_deg[i])
        for i, true in _known(table, picture)
    ]
    return np.array(found).reshape(-1, 4)


def shares(table: CellTable, picture: Path) -> np.ndarray:
    """(N, 4, 2) green, straw, bare, other of the same cells, told and true."""
    told = np.stack([table.cover, table.straw, table.bare, table.other], axis=1)
    found = [
        list(zip(told[i], [float(true[name]) for name in ("cover", "straw", "bare", "other")], strict=True))
        for i, true in _known(table, picture)
    ]
    return np.array(found, dtype=float).reshape(-1, 4, 2)


def _known(table: CellTable, picture: Path) -> Iterator[tuple[int, dict[str, str]]]:
    """Places of cells that were seen, with their truth: not the card's, and no slivers."""
    with picture.with_name(f"{picture.stem}-cells.csv").open(encoding="utf-8") as file:
        truth = {_place(row["x_m"], row["y_m"]): row for row in csv.DictReader(file)}
    for i in np.flatnonzero(table.state == "seen").tolist():
        true = truth.get(_place(table.x_m[i], table.y_m[i]))
        whole = true is not None and float(true["area_m2"]) > 0.3 * table.grid.cell_m**2
        if true is not None and whole and float(true["card"]) < 0.1:
            yield i, true


def _place(x_m: str | float, y_m: str | float) -> tuple[float, float]:
    return round(float(x_m), 2), round(float(y_m), 2)
