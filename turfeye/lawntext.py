"""The text of ``lawn.toml`` and its edits, by tomlkit: comments and order stay as they are."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

FILE_NAME = "lawn.toml"

_HEAD = re.compile(r"\[\[?\s*(\w+)\s*\]\]?\s*(?:#.*)?$")
"""A line that opens a table."""
_SCHEMA = re.compile(r"^schema\s*=.*$", re.MULTILINE)


def with_tables(
    text: str, key: str, entries: Sequence[Mapping[str, Any]], *, remarks: Sequence[str] = ()
) -> str:
    """The text with one more ``[[key]]`` for each entry, ``remarks`` beside them; comments kept."""
    import tomlkit

    blocks = []
    for entry, remark in zip(entries, remarks or [""] * len(entries), strict=True):
        table, alone = tomlkit.table(), tomlkit.document()
        if remark:
            table.comment(remark)
        for name, value in entry.items():
            table.add(name, pairs(value) if name in ("corners_px", "area_m") else tomlkit.item(value))
        alone.add(key, tomlkit.aot())
        alone[key].append(table)  # type: ignore[union-attr]
        blocks.append(tomlkit.dumps(alone).strip("\n"))
    return _with_block(text, key, "\n\n".join(blocks)) if blocks else text


def _with_block(text: str, key: str, block: str) -> str:
    """The text with one more ``[[key]]`` behind the last, else at the end, blank lines about it.

    tomlkit would put it behind the comment that stands above the next table.
    """
    lines = text.rstrip("\n").split("\n")
    heads = {k: found[1] for k, line in enumerate(lines) if (found := _HEAD.match(line))}
    last = max((k for k, name in heads.items() if name == key), default=len(lines))
    end = min((k for k in heads if k > last), default=len(lines))
    if end < len(lines):
        while lines[end - 1].startswith("#"):
            end -= 1
        while not lines[end - 1].strip():
            end -= 1
    after = lines[end:]
    gap = [""] if after and after[0].strip() else []
    return "\n".join([*lines[:end], "", block, *gap, *after]) + "\n"


def with_photos(text: str, said: Mapping[str, Mapping[str, Any]]) -> str:
    """The text with what is said of filed photos, by name: a ``[[photo]]`` each, or the one there is mended.

    A photo belongs to a view or to a spot: what is said takes the place of what was.
    """
    import tomlkit

    document = tomlkit.parse(text)
    there = {str(table.get("name")): table for table in document.get("photo", ())}
    for name in said.keys() & there.keys():
        if said[name].keys() & {"view", "spot"}:
            for key in {"view", "spot"} & there[name].keys():
                there[name].remove(key)
        there[name].update(said[name])
    new = [{"name": name, **words} for name, words in said.items() if name not in there]
    return with_tables(tomlkit.dumps(document), "photo", new)


def with_marks(text: str, photo: str, corners_px: Sequence[Sequence[float]]) -> str:
    """The text with the corners of a photo that is marked already marked anew."""
    import tomlkit

    document = tomlkit.parse(text)
    for table in document.get("view", ()):
        if table.get("photo") == photo:
            table["corners_px"] = pairs(corners_px)
    return tomlkit.dumps(document)


def with_table(text: str, key: str, entry: Mapping[str, Any]) -> str:
    """The text with its ``[key]`` written anew, all else kept."""
    import tomlkit

    document = tomlkit.parse(text.rstrip("\n") + "\n\n")
    document[key] = tomlkit.item(entry)
    return tomlkit.dumps(document).rstrip("\n") + "\n"


def without(text: str, keys: Sequence[str]) -> str:
    """The text without these tables, all else kept."""
    import tomlkit

    document = tomlkit.parse(text)
    for key in keys:
        if key in document:
            document.remove(key)
    return tomlkit.dumps(document).rstrip("\n") + "\n"


def with_value(text: str, key: str, value: Any) -> str:
    """The text with ``key`` at its top set to ``value``, all else kept."""
    import tomlkit

    document = tomlkit.parse(text)
    document[key] = value
    return tomlkit.dumps(document)


def known_by(text: str, value: str) -> str:
    """The text with what the lawn is to be known by, whatever its folder will be called."""
    import tomlkit

    if "known_by" in tomlkit.parse(text) or not (schema := _SCHEMA.search(text)):
        return with_value(text, "known_by", value)
    line = f"known_by = {tomlkit.item(value).as_string()}  # calendars find its dates by this: keep it"
    return f"{text[: schema.end()]}\n{line}{text[schema.end() :]}"


def pairs(points: Sequence[Any]) -> Any:
    """Points (K, 2) as a list on one line of the file."""
    import tomlkit

    rows = ", ".join(f"[{float(x):g}, {float(y):g}]" for x, y in points)
    return tomlkit.parse(f"v = [{rows}]")["v"]
