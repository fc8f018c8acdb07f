"""How much seed and dressing: rates, whole grams, litres, bags, heaps.

Rounding, so that anyone can work a row out again by hand: area and deficit to two decimals first; seed from
those, to the nearest gram (half up); dressing up to the next 0.1 L; spare seed, bags and heaps so that
nothing runs out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import ROUND_HALF_UP, Decimal

from turfeye.errors import LawnError
from turfeye.mixes import Mix, pure_live_seed_share
from turfeye.records import Floats
from turfeye.temperatures import Temperatures
from turfeye.words import so_many

BAG_COVERS_M2 = 9.0
"""A bag of compost dressing raked on by hand covers about this: common practice, no source."""
LEAST_WEIGHED_G = 5
"""Less seed is a pinch by hand: kitchen scales show whole grams, and are off by one or two. Common practice,
no source."""
SMALL_G = 15
"""Less seed than this, half a handful, is not split into heaps, and a lawn that wants no more is no trip of
its own: it is sown in passing. Ours, no source."""
PASSES = 4
"""Heaps that the weighed seed is split into for a spreader, one a pass."""


@dataclass(frozen=True, eq=False, slots=True)
class PlanSettings:
    """What the user sets for a plan; the defaults are common practice, no source."""

    rate_g_m2: float | None = None  # None: the mix's, else the lawn's own sowing rate
    spare_pct: float = 10.0
    dressing_mm: float = 5.0
    bag_covers_m2: float | None = None  # None: from bag_l where given, else BAG_COVERS_M2
    bag_l: float | None = None
    purity: float = 1.0  # of the seed, from its bag; with germination it is the share of pure live seed
    germination: float = 1.0
    corner_names: tuple[str, ...] | None = None
    beds_m: tuple[Floats, ...] = ()  # each (K, 2), in the way of a tape
    temperatures: Temperatures | None = None

    def __post_init__(self) -> None:
        for name, low in (("spare_pct", 0.0), ("dressing_mm", 0.0)):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= low):
                raise LawnError(f"{name} must be {low:g} or more, got {value}")
        for name in ("rate_g_m2", "bag_covers_m2", "bag_l"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value > 0):
                raise LawnError(f"{name} must be above 0, got {value}; leave it out for the default")
        pure_live_seed_share(self.purity, self.germination)


def turf_rate_g_m2(mix: Mix, own_g_m2: float | None, settings: PlanSettings) -> tuple[float, str]:
    """The rate for turf that is oversown, and where it is from: the user's, else the mix's for overseeding,
    else ``own_g_m2``, that of the lawn itself.

    A table's rate is for pure live seed; a bag that is less pure or less alive needs more.

    >>> from turfeye.mixes import get
    >>> turf_rate_g_m2(get("fine fescue"), None, PlanSettings())
    (11.0, "fine fescue's overseeding rate")
    """
    if settings.rate_g_m2 is not None:
        rate, source = settings.rate_g_m2, "your rate"
    elif (over := mix.rate_g_m2("over")) is not None:
        rate, source = over, f"{mix.name}'s overseeding rate"
    elif own_g_m2 is not None and math.isfinite(own_g_m2):
        rate, source = own_g_m2, "the rate this lawn was sown at"
    else:
        raise LawnError(
            f"no sowing rate is known for {mix.name}; give one in g/m² (rate_over_g_m2 in [[mix]])"
        )
    return _of_a_bag(rate, source, settings)


def bare_rate_g_m2(mix: Mix, own_g_m2: float | None, settings: PlanSettings) -> tuple[float, str]:
    """The rate for bare ground, and where it is from: the user's, else the mix's for new lawns.

    Never less than turf gets, which has grass to help: tables for new lawns and for overseeding are from
    different houses, and where they cross, both get the higher.

    >>> from turfeye.mixes import get
    >>> bare_rate_g_m2(get("fine fescue"), None, PlanSettings())
    (21.95, "fine fescue's rate for new lawns")
    >>> bare_rate_g_m2(get("perennial ryegrass"), None, PlanSettings())
    (35.0, "perennial ryegrass's overseeding rate")
    """
    new = mix.rate_g_m2("new")
    if new is None or settings.rate_g_m2 is not None or new <= (mix.rate_g_m2("over") or 0.0):
        return turf_rate_g_m2(mix, own_g_m2, settings)
    return _of_a_bag(new, f"{mix.name}'s rate for new lawns", settings)


def _of_a_bag(rate_g_m2: float, source: str, settings: PlanSettings) -> tuple[float, str]:
    """A rate of pure live seed as one of what is in the bag."""
    live = pure_live_seed_share(settings.purity, settings.germination)
    if live == 1:
        return rate_g_m2, source
    return rate_g_m2 / live, f"{source} ÷ {live:.2f} pure live seed"


def seed_g(rate_g_m2: float, area_m2: float, deficit: float = 1.0) -> int:
    """Whole grams for an area: rate x area x deficit, area and deficit taken to two decimals, half up.

    >>> seed_g(35, 2.0, 0.5)
    35
    """
    shown = two_decimals(area_m2) * two_decimals(deficit) * Decimal(repr(float(rate_g_m2)))
    return int(shown.quantize(Decimal(1), ROUND_HALF_UP))


def seed_words(grams: float, waits: bool = False) -> str:
    """The seed of one place for a table.

    >>> seed_words(33), seed_words(2), seed_words(0), seed_words(0, waits=True)
    ('33 g', '2 g, a pinch', '–', 'waits')
    """
    if not grams:
        return "waits" if waits else "–"
    return f"{grams:.0f} g{', a pinch' if grams < LEAST_WEIGHED_G else ''}"


def dressing_l(depth_mm: float, area_m2: float) -> float:
    """Litres of dressing, up to the next 0.1: 1 mm over 1 m² is 1 L.

    >>> dressing_l(5, 1.21)
    6.1
    """
    return round_up(depth_mm * float(two_decimals(area_m2)) * 10) / 10


def dressing_bags(litres: float, area_m2: float, settings: PlanSettings) -> int:
    """Whole bags, rounded up: by the area a bag covers in the user's hands, its litres, or 9 m² a bag."""
    if settings.bag_covers_m2 is None and settings.bag_l is not None:
        return round_up(litres / settings.bag_l)
    return round_up(area_m2 / (settings.bag_covers_m2 or BAG_COVERS_M2)) if litres > 0 else 0


def bag_words(bags: int) -> str:
    """Bags for people.

    >>> bag_words(1), bag_words(3)
    ('1 bag', '3 bags')
    """
    return so_many(bags, "bag")


def heaps_g(total_g: int, parts: int = PASSES) -> tuple[int, ...]:
    """Weighed seed split into heaps of whole grams, as even as can be; they add up to the total.

    >>> heaps_g(1250, 4)
    (313, 313, 312, 312)
    """
    small, over = divmod(int(total_g), parts)
    return tuple(small + (i < over) for i in range(parts))


def round_up(value: float) -> int:
    """Up to the next whole number; a hair above one (float dust) stays.

    >>> round_up(2.0000000001), round_up(2.1)
    (2, 3)
    """
    return math.ceil(round(value, 6))


def two_decimals(value: float) -> Decimal:
    """As a row of the plan prints it, half up."""
    return Decimal(repr(float(value))).quantize(Decimal("0.01"), ROUND_HALF_UP)
