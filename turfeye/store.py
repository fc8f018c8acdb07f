"""Derived files of a lawn: a cell table and a pose a photo, kept under keys, and the CSV tables for others.

A key is made of everything that a table or pose depends on, so a stale one is never found, and all may go.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import math
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from turfeye import notes, sward
from turfeye.files import write_atomic
from turfeye.lawn import Lawn
from turfeye.lawnrecords import Outlook
from turfeye.models import digest
from turfeye.records import SCHEMA, CellTable, Grid

CELL_FIELDS = (
    "row", "col", "x_m", "y_m", "area_m2", "seen", "cover", "cover_se", "cover_as_seen",
    "straw", "bare", "other", "dgci", "hue_deg", "zenith_deg", "gsd_mm", "shade", "state", "why",
)  # fmt: skip
"""The columns of the contract, in its order; what a table has beyond them follows after."""

SEASON_FIELDS = (
    "row", "col", "x_m", "y_m", "cover_now", "cover_now_se", "cover_at_target", "cover_at_target_low",
    "cover_at_target_high", "p_on_target", "state", "why",
)  # fmt: skip


class PlacedTable(NamedTuple):
    """One photo's cells, their centres in lawn metres, as ``cells.csv`` has them."""

    table: CellTable
    taken: datetime
    age_days: float
    view: str
    photo: str


@cache
def code_digest(package: Path = Path(__file__).parent) -> str:
    """Digest of the package's own modules, those of its subpackages (pages, charts, commands) left out.

    A version's number stays the same for whoever follows the repository, and what measured otherwise then
    would be taken for what is measured now.
    """
    found = hashlib.sha256()
    for path in sorted(package.glob("*.py")):
        found.update(path.name.encode() + hashlib.sha256(path.read_bytes()).digest())
    return found.hexdigest()


def cell_key(
    lawn: Lawn,
    photo_digest: str,
    *,
    name: str = "",
    models: Sequence[str] = (),
    extra: Any = None,
) -> str:
    """The key of one photo's table: photo, lawn facts that measuring uses, model digests, the code.

    A photo that is said to be of one peg doesn't depend on the others.
    """
    notes = [n for n in lawn.notes if n.photo == name]
    pegs = {n.spot for n in notes if n.spot is not None}
    facts = {
        "schema": SCHEMA,
        "photo": photo_digest,
        "outline_m": lawn.outline_m.tolist(),
        "beds_m": [bed.tolist() for bed in lawn.beds_m],
        "cell_m": lawn.cell_m,
        "card_rule_mm": lawn.card_rule_mm,
        "views": [(v.name, v.photo, v.corners_px.tolist()) for v in lawn.views],
        "spots": [(s.number, s.at_m, s.turned_deg) for s in lawn.spots if not pegs or s.number in pegs],
        "note": [(n.view, n.spot, str(n.taken), n.turned_deg) for n in notes],
        "blades": [lawn.blades.lean, lawn.blades.lean_se] if lawn.blades else None,
        "models": sorted(models),
        "code": code_digest(),
        "extra": extra,
    }
    return _hashed(facts)


def save_cells(lawn: Lawn, key: str, table: CellTable, facts: dict[str, Any] | None = None) -> Path:
    """Keep a table with a few facts (JSON) about its photo. The same input gives the same bytes."""
    grid = table.grid
    arrays: dict[str, Any] = {name: getattr(table, name) for name in CellTable.column_names()}
    arrays["grid"] = np.array([grid.cell_m, grid.x0_m, grid.y0_m, grid.rows, grid.cols], dtype=float)
    for name in ("outline_m", "share"):
        if getattr(grid, name) is not None:
            arrays[f"grid_{name}"] = getattr(grid, name)
    arrays |= {f"grid_bed_{k}": bed for k, bed in enumerate(grid.beds_m)}
    facts = facts or {}
    remarks = map(notes.Remark.of, facts.get("warnings", ()))
    kept = facts | {"warnings": [(one.words, one.figures, one.names) for one in remarks]}
    arrays["meta"] = np.array(json.dumps({"schema": SCHEMA, "key": key, "facts": kept}, sort_keys=True))
    buffer = io.BytesIO()
    np.savez_compressed(buffer, **arrays)
    return write_atomic(lawn.results_dir / "cells" / f"{key}.npz", buffer.getvalue())


def load_cells(lawn: Lawn, key: str) -> tuple[CellTable, dict[str, Any]] | None:
    """The kept table and its facts, or None: never kept, of another schema, or damaged."""
    path = lawn.results_dir / "cells" / f"{key}.npz"
    try:
        # Read first: np.load leaves a damaged file open.
        with np.load(io.BytesIO(path.read_bytes()), allow_pickle=False) as file:
            meta = json.loads(str(file["meta"]))
            if meta.get("schema") != SCHEMA or meta.get("key") != key:
                return None
            cell_m, x0_m, y0_m, rows, cols = file["grid"].tolist()
            grid = Grid(
                cell_m, x0_m, y0_m, int(rows), int(cols),
                file.get("grid_outline_m"),
                file.get("grid_share"),
                tuple(file[f"grid_bed_{k}"] for k in range(sum("grid_bed_" in name for name in file.files))),
            )  # fmt: skip
            columns = {name: file[name] for name in CellTable.column_names()}
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
        return None
    facts = meta["facts"]
    facts["warnings"] = [
        notes.Remark(words, *figures, **names) for words, figures, names in facts["warnings"]
    ]
    return CellTable(grid=grid, **columns), facts


def pose_key(lawn: Lawn, photo_digest: str, *, wanted: str | None = None) -> str:
    """The key of where a photo was taken from: photo, outline, marked views, the one it must be of, model."""
    facts = {
        "schema": SCHEMA,
        "code": code_digest(),
        "photo": photo_digest,
        "outline_m": lawn.outline_m.tolist(),
        "views": [(v.name, v.photo, v.corners_px.tolist()) for v in lawn.views],
        "wanted": wanted,
        "models": [digest(sward.MODEL)],  # a pose is refused where turf doesn't end at the outline
    }
    return _hashed(facts)


def save_pose(lawn: Lawn, key: str, found: dict[str, Any]) -> Path:
    """Keep what was found of a photo's pose, plain JSON: finding it takes long."""
    text = json.dumps({"schema": SCHEMA, "found": found}, ensure_ascii=False)
    return write_atomic(lawn.results_dir / "poses" / f"{key}.json", text)


def load_pose(lawn: Lawn, key: str) -> dict[str, Any]:
    """What was kept of a photo's pose; nothing if never kept, of another schema, or damaged."""
    try:
        kept = json.loads((lawn.results_dir / "poses" / f"{key}.json").read_bytes())
        return dict(kept["found"]) if kept["schema"] == SCHEMA else {}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def drop_stale(lawn: Lawn, kind: Literal["cells", "poses"], keys: Iterable[str]) -> int:
    """Delete what is kept under other keys than these, and of other photos than theirs (KEY-...); how many
    files went."""
    keep = set(keys)
    stale = [p for p in (lawn.results_dir / kind).glob("*.*") if p.stem.partition("-")[0] not in keep]
    for path in stale:
        path.unlink(missing_ok=True)
    return len(stale)


def _hashed(facts: dict[str, Any]) -> str:
    return hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()[:32]


def cell_rows(table: CellTable, more: Mapping[str, NDArray[Any]]) -> Iterable[dict[str, Any]]:
    """One dict a cell, in the order of ``_cell_columns``, then ``more`` columns; NaN stays NaN."""
    columns = {name: values.tolist() for name, values in (_cell_columns(table) | dict(more)).items()}
    for values in zip(*columns.values(), strict=True):
        yield dict(zip(columns, values, strict=True))


def _cell_columns(table: CellTable) -> dict[str, NDArray[Any]]:
    """The contract's cell fields, then the table's further ones."""
    further = (name for name in CellTable.column_names() if name not in CELL_FIELDS)
    return {name: getattr(table, name) for name in (*CELL_FIELDS, *further)}


def write_cells_csv(path: Path, measured: Iterable[PlacedTable]) -> None:
    """``cells.csv``: one row a cell a photo."""
    extra = tuple(n for n in CellTable.column_names() if n not in CELL_FIELDS)
    names = (*CELL_FIELDS, "taken", "age_days", "view", *extra, "photo")
    _write_columns(path, names, (_cell_columns(one.table) | _said_of(one) for one in measured))


def _said_of(one: PlacedTable) -> dict[str, NDArray[Any]]:
    """A photo's facts as columns, alike in every row."""
    facts = {"taken": one.taken.isoformat(), "age_days": one.age_days, "view": one.view, "photo": one.photo}
    return {name: np.full(len(one.table), value) for name, value in facts.items()}


def write_look_csv(path: Path, table: CellTable, more: Mapping[str, NDArray[Any]]) -> None:
    """One photo's cells, then ``more`` columns."""
    columns = _cell_columns(table) | dict(more)
    _write_columns(path, tuple(columns), [columns])


def write_season_csv(path: Path, outlook: Outlook, more: Mapping[str, Sequence[Any]]) -> None:
    """``season.csv``: one row a cell: forecast and state, area, when it gets there, then ``more`` columns."""
    season = outlook.season
    columns = {
        name: getattr(season if name in ("row", "col", "x_m", "y_m") else outlook, name)
        for name in SEASON_FIELDS
    }
    columns["area_m2"] = season.area_m2
    columns["reach_days"] = np.where(np.isfinite(outlook.reach_days), outlook.reach_days, np.nan)
    columns |= {name: np.array(values) for name, values in more.items()}
    _write_columns(path, tuple(columns), [columns])


def _write_columns(path: Path, names: Sequence[str], blocks: Iterable[Mapping[str, NDArray[Any]]]) -> Path:
    """A CSV file of rows that come as columns by name, in one block or several; unknown is empty."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(names)
    for block in blocks:
        writer.writerows(zip(*(_as_texts(block[name]) for name in names), strict=True))
    return write_atomic(path, buffer.getvalue())


def _as_texts(column: NDArray[Any]) -> list[Any]:
    """As `_as_text`, value by value; at once, since a trial has millions of them."""
    values = column.tolist()
    return ["" if v != v else f"{v:.6g}" for v in values] if column.dtype.kind == "f" else values


def write_table(path: Path, names: Sequence[str], rows: Iterable[dict[str, Any]]) -> Path:
    """A CSV file of rows by column name; unknown is empty."""
    buffer = io.StringIO()
    writer = csv.DictWriter(buffer, names, lineterminator="\n")
    writer.writeheader()
    for row in rows:
        writer.writerow({name: _as_text(row[name]) for name in names})
    return write_atomic(path, buffer.getvalue())


def read_table(path: Path, names: Sequence[str]) -> list[dict[str, str]]:
    """The rows that `write_table` wrote; none where there is no such file, or it has other columns."""
    try:
        with path.open(encoding="utf-8", newline="") as file:
            reader = csv.DictReader(file, strict=True)
            return list(reader) if reader.fieldnames == list(names) else []
    except (OSError, UnicodeDecodeError, csv.Error):
        return []


def _as_text(value: Any) -> Any:
    """Numbers with six figures that count, nothing where nothing is known."""
    if isinstance(value, float):
        return "" if math.isnan(value) else f"{value:.6g}"
    return "" if value is None else value
