"""A line of the bench's table: what was measured, what came, what to reach, what is known."""

from __future__ import annotations

from collections.abc import Iterable

Row = dict[str, str]


def row(name: str, value: str, reach: str = "", known: str = "") -> Row:
    return {"name": name, "value": value, "reach": reach, "known": known}


def table(rows: Iterable[Row]) -> str:
    """As Markdown."""
    lines = ["| what | measured | reach | known |", "|---|---|---|---|"]
    return "\n".join([*lines, *(f"| {' | '.join(one.values())} |" for one in rows)]) + "\n"


def show(rows: Iterable[Row]) -> None:
    """Print each line as it comes."""
    for one in rows:
        about = "; ".join(part for part in (one["reach"], one["known"]) if part)
        print(f"{one['name']}: {one['value']}  [{about}]", flush=True)
