"""Draws that recipes share.

A seed means what its numbers make of it: their order, and how many each noun takes, must stay, for the
shipped pictures were rendered from such recipes. So some numbers are drawn that are not used.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from turfeye.simulate.looks import LIGHTS
from turfeye.simulate.turf import GREEN, Colour

Range = tuple[float, float]


def one_of(rng: np.random.Generator, *ranges: Range, p: Sequence[float] | None = None) -> float:
    """A number from one of some ranges, by their chances ``p`` (alike unless given)."""
    return float(rng.choice([rng.uniform(*one) for one in ranges], p=p))


def now_and_then(rng: np.random.Generator, often: float, some: Range) -> float:
    """0, but with the chance ``often`` a number from a range."""
    there = rng.random() < often
    return float(there) * rng.uniform(*some)


def by_ratio(rng: np.random.Generator, low: float, high: float) -> float:
    """A number between two, as likely to lie within a factor of one as of another."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def light(rng: np.random.Generator, p: Sequence[float] | None = None) -> str:
    """One of `LIGHTS`, by their chances ``p``."""
    return str(rng.choice(LIGHTS, p=p))


def sun(rng: np.random.Generator, height_deg: Range) -> dict[str, Any]:
    """Where the sun stands and how hazy the sky is: fields of a recipe."""
    return {
        "sun_elevation_deg": rng.uniform(*height_deg),
        "sun_azimuth_deg": rng.uniform(0, 360),
        "turbidity": rng.uniform(2.2, 7),
    }


def taken(rng: np.random.Generator) -> str:
    """A moment of daylight from March to May: the date, and the hour."""
    return f"2026-{rng.integers(3, 6):02d}-{rng.integers(1, 29):02d}T{rng.integers(8, 19):02d}"


def green(rng: np.random.Generator, hue: float) -> Colour:
    """A leaf colour: lighter or darker, bluer or yellower (``hue``, in standard deviations)."""
    change = 0.22 * rng.normal() + np.array([0.16, 0.0, -0.05]) * hue
    r, g, b = np.array(GREEN) * np.exp(change)
    return float(r), float(g), float(b)


def closed_sward(seed: int) -> float:
    """The wanted cover at which the growth of a lawn that is years old has ended."""
    return 1 - by_ratio(np.random.default_rng(seed + 31), 5e-4, 1e-2)
