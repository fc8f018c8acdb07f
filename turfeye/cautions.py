"""The usual cautions of lawn work, by what a task touches; they defer to labels, local rules and licences."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from functools import cache
from importlib.resources import files


def about(*topics: str) -> tuple[str, ...]:
    """The cautions about these topics, each once, in the order asked for.

    >>> about("water")
    ('Keep the seed moist, and check local watering rules (hosepipe or sprinkler bans) first.',)
    """
    return tuple(_all()[topic] for topic in dict.fromkeys(topics))


def topics() -> Iterable[str]:
    """What there are cautions about."""
    return _all().keys()


@cache
def _all() -> dict[str, str]:
    text = files("turfeye").joinpath("data/cautions.toml").read_text(encoding="utf-8")
    return dict(tomllib.loads(text)["caution"])
