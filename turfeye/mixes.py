"""Seed mixes: what handbooks say of each species, with the source of every figure.

The table is ``data/mixes.toml``; a lawn's own ``[[mix]]`` entries join it or replace a row by name.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from importlib.resources import files
from math import ceil, floor, isfinite, log
from typing import Any, Literal

from turfeye.errors import LawnError
from turfeye.words import so_many

Span = tuple[float, float]

USERS_OWN = "the lawn file"
CLOSED_COVER, CLOSED_COVER_SD = 0.80, 0.02
"""What photos measure of closed turf, straight down, and what the lawns it was measured on differ by: the
rest is straw, dead tips and dark gaps. Rendered swards years old have 0.77 to 0.82. The table's
``final_cover`` is a share of this, in forecasts as in what is told as usual. Ours; no standard gives a share
of pixels."""
LEAST_TARGET_DAYS = 56
"""No lawn is to be covered sooner after its sowing, if its owner doesn't say so. Ours."""


@dataclass(frozen=True, slots=True)
class Growth:
    """Prior of a growth curve: (mean, standard deviation between lawns). Ours, wide."""

    half_cover_days: Span = (28.0, 14.0)
    pace_days: Span = (7.0, 4.0)
    final_cover: Span = (0.94, 0.08)


@dataclass(frozen=True, slots=True)
class Mix:
    """One seed mix; a figure nobody gave is None. Ranges are (low, high)."""

    name: str
    latin: str = ""
    also: tuple[str, ...] = ()
    base_c: float | None = None
    half_germination_degree_days: float | None = None  # above the base, to half of final germination
    days_to_emerge: Span | None = None
    rate_new_g_m2: Span | None = None
    rate_over_g_m2: Span | None = None
    seeds_per_g: Span | None = None
    soil_min_c: float | None = None
    growth: Growth = field(default_factory=Growth)
    sources: Mapping[str, str] = field(default_factory=dict)  # field name: where its figure is from

    def rate_g_m2(self, kind: Literal["new", "over"] = "over") -> float | None:
        """Middle of the table's range for a new lawn or for overseeding; None when unknown."""
        span = self.rate_new_g_m2 if kind == "new" else self.rate_over_g_m2
        return None if span is None else (span[0] + span[1]) / 2

    def usual_target(self) -> tuple[float, int]:
        """Cover that five in six lawns of the mix end above, in steps of 5 %, and the age in whole weeks at
        which one that comes late and slowly has it, in days: at least `LEAST_TARGET_DAYS`.

        A share of closed turf would be above what most mixes end with: of simulated healthy lawns of
        fine fescue 44 % of cells were called slow in their eighth week against 75 % covered, of Kentucky
        bluegrass 87 %; against this under 1 %. "Five in six" is one standard deviation of the mix's figures.

        >>> get("perennial ryegrass").usual_target(), get("Kentucky bluegrass").usual_target()
        ((0.7, 56), (0.65, 84))
        """
        end, end_sd = self.growth.final_cover
        cover = floor(20 * CLOSED_COVER * (end - end_sd) + 1e-9) / 20
        left = CLOSED_COVER * end - cover  # of the rise, when the mean lawn has it
        days = sum(self.growth.half_cover_days) + sum(self.growth.pace_days) * log(cover / left)
        return cover, max(LEAST_TARGET_DAYS, 7 * ceil(days / 7))


_SPANS = ("days_to_emerge", "rate_new_g_m2", "rate_over_g_m2", "seeds_per_g")
_NUMBERS = ("base_c", "half_germination_degree_days", "soil_min_c")
_GROWTH = ("half_cover_days", "pace_days", "final_cover")
_FIGURES = _SPANS + _NUMBERS
_KEYS = frozenset(("name", "latin", "also", "growth", "like", "source", *_FIGURES))


def get(name: str, users: Iterable[Mapping[str, Any]] = ()) -> Mix:
    """The mix of that name (or a name it also goes by; case and spaces do not matter).

    ``users`` are the ``[[mix]]`` entries of a lawn file. Raises LawnError that lists the names there are.

    >>> get("Smooth meadow-grass").name
    'Kentucky bluegrass'
    """
    mixes = table(users)
    mix = _find(name, mixes)
    if mix is not None:
        return mix
    raise LawnError(
        f"no seed mix is called {name!r}; there are: {', '.join(mixes)}. "
        "Use one of these names; a lawn's own mixes stand under [[mix]] in its lawn.toml"
    )


def table(users: Iterable[Mapping[str, Any]] = ()) -> dict[str, Mix]:
    """All mixes by name, the shipped ones first; a user's mix of the same name replaces ours.

    A user's ``[[mix]]`` needs a ``name``; ``like = "fine fescue"`` takes over that mix's other figures,
    ``source`` says where its own are from. A figure that is None counts as not given.

    Raises LawnError with every mistake in ``users``.
    """
    mixes = dict(_shipped())
    mistakes: list[str] = []
    for number, given in enumerate(users, start=1):
        entry = {key: value for key, value in given.items() if value is not None}
        place = f"mix {number} ({entry.get('name', 'no name')})"
        found = _mistakes(entry, mixes)
        if found:
            mistakes += [f"{place}: {text}" for text in found]
            continue
        mix = _own(entry, mixes)
        mixes = {n: m for n, m in mixes.items() if _key(n) != _key(mix.name)} | {mix.name: mix}
    if mistakes:
        raise LawnError(f"the lawn's own [[mix]] has {so_many(len(mistakes), 'mistake')}", mistakes)
    return mixes


def pure_live_seed_share(purity: float, germination: float) -> float:
    """Share of a bag's weight that is seed able to grow: purity x germination, both 0-1.

    >>> round(pure_live_seed_share(0.95, 0.85), 4)
    0.8075
    """
    for what, share in (("purity", purity), ("germination", germination)):
        if not 0 < share <= 1:
            raise LawnError(f"{what} must be above 0 and at most 1, as the bag's label has it; got {share}")
    return purity * germination


@cache
def _shipped() -> dict[str, Mix]:
    text = files("turfeye").joinpath("data/mixes.toml").read_text(encoding="utf-8")
    mixes: dict[str, Mix] = {}
    for entry in tomllib.loads(text)["mix"]:
        mixes[entry["name"]] = _build(entry)
    return mixes


def _find(name: str, mixes: Mapping[str, Mix]) -> Mix | None:
    wanted = _key(name)
    named = (mix for mix in mixes.values() if wanted in (_key(mix.name), *map(_key, mix.also)))
    return next(named, None)


def _key(name: str) -> str:
    return " ".join(name.casefold().replace("-", " ").replace("_", " ").split())


def _own(entry: Mapping[str, Any], mixes: Mapping[str, Mix]) -> Mix:
    """A user's entry as a Mix; each figure it gives has the lawn file as its source."""
    own = {key: value for key, value in entry.items() if key not in ("like", "source")}
    own["sources"] = {key: str(entry.get("source", USERS_OWN)) for key in _FIGURES if key in own}
    mix = _build(own)
    model = _find(str(entry["like"]), mixes) if "like" in entry else None
    if model is None:
        return mix
    given = {key: getattr(mix, key) for key in own if key != "sources"}
    return replace(model, also=(), **given, sources={**model.sources, **mix.sources})  # type: ignore[arg-type]


def _build(entry: Mapping[str, Any]) -> Mix:
    values: dict[str, Any] = dict(entry)
    for key in _SPANS:
        if key in values:
            values[key] = _span(values[key])
    for key in _NUMBERS:
        if key in values:
            values[key] = float(values[key])
    values["also"] = tuple(values.get("also", ()))
    if "growth" in values:
        values["growth"] = Growth(**{key: _span(span) for key, span in values["growth"].items()})
    return Mix(**values)


def _span(value: Any) -> Span:
    """(low, high) of a pair, or of one figure."""
    low, high = value if isinstance(value, (list, tuple)) else (value, value)
    return float(low), float(high)


def _mistakes(entry: Mapping[str, Any], mixes: Mapping[str, Mix]) -> list[str]:
    found = []
    if not isinstance(entry.get("name"), str) or not entry["name"].strip():
        found.append('has no name; write name = "my mix"')
    for key in sorted(set(entry) - _KEYS):
        found.append(f"{key} is not a figure of a mix; known are {', '.join(sorted(_KEYS))}")
    if "like" in entry and _find(str(entry["like"]), mixes) is None:
        found.append(f"like = {entry['like']!r} is not a mix; there are: {', '.join(mixes)}")
    for key in _SPANS:
        if key in entry and not _is_span(entry[key]):
            found.append(f"{key} must be a number above 0 or [low, high], got {entry[key]!r}")
    for key in _NUMBERS:
        if key in entry and not _is_number(entry[key]):
            found.append(f"{key} must be a number, got {entry[key]!r}")
    growth = entry.get("growth", {})
    if not isinstance(growth, Mapping):
        return [*found, f"growth must be a table such as growth.pace_days = [6, 3], got {growth!r}"]
    for key, value in growth.items():
        if key not in _GROWTH:
            found.append(f"growth.{key} is not known; known are {', '.join(_GROWTH)}")
        elif not _is_pair(value):
            found.append(f"growth.{key} must be [mean, standard deviation], both above 0, got {value!r}")
        elif key == "final_cover" and value[0] > 1:
            found.append(f"growth.final_cover is at most 1, which is closed turf, got {value!r}")
    return found


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and isfinite(value)


def _is_pair(value: Any) -> bool:
    return (
        isinstance(value, (list, tuple)) and len(value) == 2 and all(_is_number(v) and v > 0 for v in value)
    )


def _is_span(value: Any) -> bool:
    if _is_number(value):
        return bool(value > 0)
    return _is_pair(value) and value[0] <= value[1]
