"""Reads measured patch values: a small CSV, or the text a measuring instrument's software exports (CGATS).

CSV: a header ``name,L,a,b`` or ``name,R,G,B``, one patch a line. L, a, b are CIE L*a*b* under D50, 2 degrees,
as print instruments report (ISO 13655); R, G, B are sRGB codes 0-255. Semicolons or tabs do as separators,
decimal commas with them. Lines that start with ``#`` are remarks; one that says ``D65`` makes it D65 instead.
CGATS: the keyword text format of ISO 28178 with ``SAMPLE_NAME`` (or ``SAMPLE_ID``) and ``LAB_L LAB_A LAB_B``,
``XYZ_X XYZ_Y XYZ_Z`` (0-100) or ``RGB_R RGB_G RGB_B``.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

import numpy as np

from turfeye.card_layout import CARD
from turfeye.colourspace import BRADFORD, RGB_TO_XYZ, WHITE_XYZ, XYZ_TO_RGB, decode, lab_to_xyz
from turfeye.errors import CardValuesError
from turfeye.records import CardValues, Floats

D50_XYZ: Final = np.array([0.96422, 1.0, 0.82521])  # ICC.1, profile connection space
_KINDS: Final = {
    "LAB": ("LAB_L", "LAB_A", "LAB_B"),
    "XYZ": ("XYZ_X", "XYZ_Y", "XYZ_Z"),
    "RGB": ("RGB_R", "RGB_G", "RGB_B"),
}
_LIMITS: Final = {"LAB": ((0, 105), (-128, 128), (-128, 128)), "XYZ": ((0, 130),) * 3, "RGB": ((0, 255),) * 3}
_CSV_NAMES: Final = {"L": "LAB_L", "A": "LAB_A", "B": "LAB_B", "X": "XYZ_X", "Y": "XYZ_Y", "Z": "XYZ_Z"}
_CSV_RGB: Final = {"R": "RGB_R", "G": "RGB_G", "B": "RGB_B"}
NEUTRAL_CHROMA: Final = 5.0
"""Below this a patch of an unknown target counts as grey. Common practice, no source."""

Row = tuple[str, list[str], str]
"""Where it stands in the file, its cells, its text."""


def read_values(path: Path | str, *, names: tuple[str, ...] | None = CARD.patch_names) -> CardValues:
    """Measured values of the card's patches, or of any target when ``names`` is None.

    For the card, ``grey 3`` stands for both patches of a grey pair, and coloured patches may be left out.
    Raises CardValuesError with every mistake and what to write instead.
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise CardValuesError(
            f"the patch values in {path} can't be read ({error.strerror}): check the name"
        ) from error
    except UnicodeDecodeError as error:
        raise CardValuesError(f"{path} is not text: wanted CSV (name,L,a,b) or CGATS text") from error
    white = WHITE_XYZ if re.search(r"\bD65\b", text) else D50_XYZ
    fields, rows = _cgats(path, text) if "BEGIN_DATA" in text else _csv(path, text)
    kind, label = _columns(path, fields)
    mistakes: list[str] = []
    found: dict[str, list[float]] = {}
    for place, cells, line in rows:
        if len(cells) != len(fields):
            mistakes.append(f"{place}: {len(fields)} columns wanted, {len(cells)} found ({line!r})")
            continue
        row = dict(zip(fields, cells, strict=True))
        values = _numbers(place, row, kind, mistakes)
        for patch in _patches(place, row[label], names, mistakes):
            if patch in found:
                mistakes.append(f"{place}: {patch} occurs twice; keep one line, or the mean of both")
            found[patch] = values
    if names is not None:
        missing = [n for n in names if n.startswith("grey") and n not in found]
        if missing and found and not mistakes:
            mistakes.append(
                f"missing {', '.join(missing)}: give every grey step ('grey 3' means both of its patches)"
            )
    if mistakes:
        count = f"{len(mistakes)} mistake{'s' if len(mistakes) > 1 else ''}"
        raise CardValuesError(f"the patch values in {path} have {count}", mistakes)
    if not found:
        raise CardValuesError(f"{path} holds no patch values: wanted lines such as grey 1,93.1,0.2,1.5")
    order = tuple(n for n in names if n in found) if names is not None else tuple(found)
    xyz = _to_xyz(kind, np.array([found[n] for n in order]), white)
    return CardValues(
        order, np.clip(xyz @ XYZ_TO_RGB.T, 0.0, None), _neutral(order, xyz, names), measured=True
    )


def _csv(path: Path, text: str) -> tuple[list[str], list[Row]]:
    lines = [(k, line.strip()) for k, line in enumerate(text.splitlines(), 1)]
    lines = [(k, line) for k, line in lines if line and not line.startswith("#")]
    if not lines:
        raise CardValuesError(f"{path} is empty: wanted a header name,L,a,b and one patch a line")
    separator = next((s for s in (";", "\t") if s in lines[0][1]), ",")
    table = [(k, [cell.strip().strip('"') for cell in line.split(separator)], line) for k, line in lines]
    header = [cell.upper().rstrip("*") for cell in table[0][1]]
    known = _CSV_RGB if "R" in header else _CSV_NAMES
    fields = ["SAMPLE_NAME" if cell in ("NAME", "PATCH") else known.get(cell, cell) for cell in header]
    if separator != ",":
        table = [(k, [cells[0], *(c.replace(",", ".") for c in cells[1:])], line) for k, cells, line in table]
    return fields, [(f"line {k}", cells, line) for k, cells, line in table[1:]]


def _cgats(path: Path, text: str) -> tuple[list[str], list[Row]]:
    fields: list[str] = []
    rows: list[Row] = []
    part = ""
    for k, line in enumerate(text.splitlines(), 1):
        words = [quoted or plain for quoted, plain in re.findall(r'"([^"]*)"|(\S+)', line)]
        if not words or line.lstrip().startswith("#"):
            continue
        if words[0].startswith(("BEGIN_DATA", "END_DATA")):
            part = words[0] if words[0].startswith("BEGIN") else ""
        elif part == "BEGIN_DATA_FORMAT":
            fields += [word.upper() for word in words]
        elif part == "BEGIN_DATA":
            rows.append((f"line {k}", words, line.strip()))
    if not fields:
        raise CardValuesError(
            f"{path} names no columns: CGATS text needs BEGIN_DATA_FORMAT ... END_DATA_FORMAT"
        )
    return fields, rows


def _columns(path: Path, fields: list[str]) -> tuple[str, str]:
    """Which values there are, and the column of the patches' names."""
    kind = next((kind for kind, columns in _KINDS.items() if set(columns) <= set(fields)), None)
    label = next((f for f in ("SAMPLE_NAME", "SAMPLE_ID") if f in fields), None)
    if kind is None or label is None:
        raise CardValuesError(
            f"{path} has the columns {', '.join(fields)}; wanted name,L,a,b or name,R,G,B "
            "(CGATS: SAMPLE_NAME LAB_L LAB_A LAB_B)"
        )
    return kind, label


def _numbers(place: str, row: dict[str, str], kind: str, mistakes: list[str]) -> list[float]:
    """The three values of one line; what is wrong with them goes to ``mistakes``."""
    values = []
    for column, (low, high) in zip(_KINDS[kind], _LIMITS[kind], strict=True):
        try:
            value = float(row[column])
        except ValueError:
            mistakes.append(f"{place}: {column} must be a number, not {row[column]!r}")
            continue
        if not low <= value <= high:
            mistakes.append(f"{place}: {column} must lie between {low} and {high}, not {value:g}")
        values.append(value)
    return values


def _patches(place: str, label: str, names: tuple[str, ...] | None, mistakes: list[str]) -> list[str]:
    """The patches that a line's name stands for."""
    if names is None:
        return [label]
    name = " ".join(label.lower().split()).replace("gray", "grey")
    meant = [n for n in names if n in (name, f"{name} upper", f"{name} lower")]
    if not meant:
        wanted = f"grey 1 to grey 6, {', '.join(CARD.patch_names[12:])}"
        mistakes.append(f"{place}: no patch is called {label!r}; wanted {wanted}")
    return meant


def _to_xyz(kind: str, values: Floats, white: Floats) -> Floats:
    """To XYZ under D65, a perfect white having Y = 1; from D50 by Bradford's transform (ICC.1, annex E)."""
    if kind == "RGB":
        return np.asarray(decode(values) @ RGB_TO_XYZ.T)
    xyz = values / 100.0 if kind == "XYZ" else lab_to_xyz(values, white)
    scale = (BRADFORD @ WHITE_XYZ) / (BRADFORD @ white)
    return np.asarray(xyz @ (np.linalg.inv(BRADFORD) @ np.diag(scale) @ BRADFORD).T)


def _neutral(order: tuple[str, ...], xyz: Floats, names: tuple[str, ...] | None) -> np.ndarray:
    if names is not None:
        return np.array([name.startswith("grey") for name in order])
    f = np.cbrt(np.maximum(xyz / WHITE_XYZ, 0))
    return np.asarray(np.hypot(500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])) < NEUTRAL_CHROMA)
