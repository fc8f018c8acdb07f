"""What is written of pegs and plots, checked: numbers, place on the lawn, and one plot against the next."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from turfeye.lawnrecords import Spot

BESIDE_M = 0.5
"""So far pegs, hollows and parts sown again may lie beside the lawn: all are measured with a tape. Ours."""


def pegs(spots: Sequence[Mapping[str, Any]], blocks: Sequence[Mapping[str, Any]]) -> list[Spot]:
    """The pegs of well formed ``[[spot]]``, and those in the middle of the plots of ``[[plots]]``."""
    found = [Spot(s["number"], tuple(s["at_m"]), float(s.get("turned_deg", 0.0))) for s in spots]
    for block in blocks:
        (x, y), (step_x, step_y) = block["at_m"], block["step_m"]
        size_m = _plot_size_m(block)
        for k in range(block["columns"] * block.get("rows", 1)):
            row, column = divmod(k, block["columns"])
            at_m = round(x + column * step_x, 3), round(y + row * step_y, 3)
            found.append(Spot(block.get("first", 1) + k, at_m, float(block.get("turned_deg", 0.0)), size_m))
    return found


def _plot_size_m(block: Mapping[str, Any]) -> tuple[float, float]:
    """A plot's sides, by default from peg to peg; along a single row or column that may be 0."""
    if block.get("size_m"):
        x, y = block["size_m"]
        return float(x), float(y)
    x, y = (abs(float(step)) for step in block["step_m"])
    return x or y, y or x


def check(
    spots: Sequence[tuple[str, Mapping[str, Any]]],
    blocks: Sequence[tuple[str, Mapping[str, Any]]],
    outline: np.ndarray,
) -> list[str]:
    """Numbers used twice, plots that run off the lawn, and those that overlap; each table with its place.

    What is wrong with a single field is told where fields are.
    """
    numbered = [(place, part["number"]) for place, part in spots if isinstance(part.get("number"), int)]
    numbers = [number for _, number in numbered]
    mistakes = [
        f"{place}, number: {number} is used twice; give each peg its own number"
        for place, number in numbered
        if numbers.count(number) > 1
    ]
    for place, block in blocks:
        try:
            of_block = pegs([], [block])
        except (KeyError, TypeError, ValueError):  # not well formed: told elsewhere
            continue
        twice = [peg.number for peg in of_block if peg.number in numbers]
        off = [peg for peg in of_block if off_lawn(outline, peg.at_m)]
        if twice:
            mistakes.append(f"{place}: peg {twice[0]} is there already; write another first")
        if off:
            mistakes.append(
                f"{place}: peg {off[0].number} would stand at {list(off[0].at_m)}, off the lawn; "
                "correct at_m, step_m, columns or rows"
            )
        mistakes += [f"{place}, {words}" for words in _overlaps(block)]
        numbers += [peg.number for peg in of_block]
    return mistakes


def off_lawn(outline: np.ndarray, points: Any) -> bool:
    """Whether a point, or one of several (K, 2), lies further than `BESIDE_M` off the lawn's box."""
    low, high = outline.min(0) - BESIDE_M, outline.max(0) + BESIDE_M
    return not (np.all(low <= points) and np.all(points <= high))


def _overlaps(block: Mapping[str, Any]) -> list[str]:
    """Plots that are larger than it is from peg to peg."""
    counts = block["columns"], block.get("rows", 1)
    sides = zip(_plot_size_m(block), block["step_m"], counts, "xy", strict=True)
    return [
        f"size_m: plots of {size:g} m along {axis} overlap where pegs stand {abs(step):g} m apart; "
        "correct size_m or step_m"
        for size, step, count, axis in sides
        if count > 1 and size > abs(step) + 1e-6
    ]
