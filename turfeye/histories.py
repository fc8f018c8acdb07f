"""What may have become of the seed in a patch, or from place to place along a strip that the spreader left.

In a patch hardly any comes up. A strip may be that, in all of it or in a stretch, or it comes late: then
the seed is there, and time is what it needs. In one photo both look alike. But what is late is first bare, as
wide as it is, and then follows the lawn; what failed stays behind more and more.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from turfeye.records import Flags, Floats, Whole

STOOD = np.array([0.0, 0.25, 0.5, 0.75, 1.0])
"""What stood in a patch before the sowing, as a share of what stood in the lawn: a hole had nothing."""
FILLED = np.array([0.0, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6])
"""How far a patch itself may have filled: b lies this share of the way from the start to the lawn."""
FILLED_MEAN = 0.1
"""Where the seed failed little comes up: the mean believed before it is seen (exponential); ours."""
FILLED_STRIP = 0.3
"""The same of a strip, where the spreader may as well have let half of the seed fall; set on simulated lawns
(seeds 330000-330079)."""
LATE_SHARE = 0.5
"""How likely a strip came late, before its visits are seen. With 0.1 purely late strips get a fifth more seed
on days 29 and 36 (seeds 84000-84039), mixed ones as much where they need it."""
LATE_FILLED = np.array([0.3, 0.45, 0.6, 0.75, 0.9, 1.0])
"""What a late strip comes to, as a share of what the lawn had at that stage."""
LATE_SHORT_MEAN = 0.2
"""By how much it falls short of all of that: the mean believed before it is seen (exponential); ours. With
all as likely, what nobody had seen yet of a late strip made it short."""
STILL_COMING = 0.7
"""Seed that has made less than this of the rise that it is to make by the target's date is still coming.
Ours; 0.8 tells as much."""
CHANGES = 0.1
"""How likely a strip's history gives way to another from one cell to the next; ours, 0.04 does as well."""
MOST_EDGES = 24
"""A strip's two edges are looked for at so many places at most, and eight a cell."""
HOPELESS = 25.0
"""Edges that explain the strip worse than others do by so much, in log odds, are not followed along it."""
TURNS_DEG = (-1.5, 0.0, 1.5)
"""So much a slanted strip may run otherwise than its stripe was found."""


@dataclass(frozen=True, eq=False, slots=True)
class Along:
    """What n cells of a strip have in common."""

    line: Whole  # (n,) which row or column along the strip each lies on
    place: Whole  # (n,) and where along it
    across: Floats  # (n,) of their middles, in cells, measured across it
    far: Floats  # (n,) and along it
    slant_deg: float  # 0-90, of the strip to the grid's rows or columns
    risen: Floats  # (L, V + 1) how far the lawn has risen L days before each visit, and before the target's
    # date, as a share of how far by then
    due_cover: Floats  # (N,) that the lawn's cells come to by that date, of all of the season
    enough: float  # cover on that date that is not short


@dataclass(frozen=True, eq=False, slots=True)
class Histories:
    """What a patch's own cover may have been: H histories, for n cells or one that stands for all."""

    own: Floats  # (H, n or 1, V); of a strip (H, n, V + 1), the last on the target's date
    log_prior: Floats  # (H,), how likely each is before it is seen
    coming: Flags  # (H,), whether the seed is there and most of its rise still to come

    @classmethod
    def of(cls, lawn: Floats, start: Floats, offset: Floats, risen: Floats | None = None) -> Histories:
        """For each start and each way filled.

        Parameters
        ----------
        lawn : (n or 1, V) what the lawn would have in the cells
        start : (n or 1,) what stood there in the lawn before the sowing
        offset : (V,) what each visit reads too high
        risen : (L, V) as in `Along`, of a strip only, which may be late
        """
        own, likely, coming = zip(*_ways(lawn, start[:, None], offset, risen), strict=True)
        return cls(np.array(own), np.log(likely), np.array(coming))


def _ways(
    lawn: Floats, start: Floats, offset: Floats, risen: Floats | None
) -> Iterator[tuple[Floats, float, bool]]:
    """Own cover (n or 1, V), how likely that is, and whether it is still coming."""
    # light moves what is read of the patch as it moves the lawn's
    light = np.clip(lawn / np.maximum(lawn - offset, 0.02), 0.4, 1.6)
    mean, late = (FILLED_MEAN, 0.0) if risen is None else (FILLED_STRIP, LATE_SHARE)
    likely = np.gradient(FILLED) * np.exp(-FILLED / mean)
    likely *= (1 - late) / (likely.sum() * len(STOOD))
    for stood in STOOD:
        bare = np.minimum(stood * start * light, lawn)
        for filled, share in zip(FILLED, likely, strict=True):
            yield bare + filled * (lawn - bare), float(share), False
    if risen is None:
        return
    bare = np.minimum(start * light, lawn)
    likely = np.exp(-(1 - LATE_FILLED) / LATE_SHORT_MEAN)
    likely *= late / (likely.sum() * len(risen))
    for by_then in risen:
        for filled, share in zip(LATE_FILLED, likely, strict=True):
            yield bare + filled * by_then * (lawn - bare), float(share), bool(by_then[-2] < STILL_COMING)


@dataclass(frozen=True, slots=True)
class Edges:
    """A strip's two straight edges, in cells: how far across it they lie, and how they turn along it."""

    first: float
    last: float
    turn: float  # radians
    about: float  # where along it the turn changes nothing

    def across(self, far: float) -> tuple[float, float]:
        """Where both lie this far along."""
        lean = (far - self.about) * np.sin(self.turn)
        first, last = (float((edge - lean) / np.cos(self.turn)) for edge in (self.first, self.last))
        return first, last


@dataclass(frozen=True, eq=False, slots=True)
class Course:
    """What is told of a strip of n cells by all of them together."""

    share: Floats  # (n,) of each cell; along rows or columns one for all of a line
    edges: Edges
    area_se_m2: float  # for want of knowing how wide it is
    chance: Floats  # (H, n) of each history where each cell lies


def along_strip(
    histories: Histories, told: Floats, power: Floats, along: Along, *, area_m2: Floats
) -> Course:
    """How wide a strip is and which history it has where, from what each of n cells says of each history.

    Parameters
    ----------
    told, power : (H, n), the log likelihood of a share f being f * told - f ** 2 / 2 * power

    A strip has two straight edges, so its cells' shares are those between some two, all as likely. It may
    have come late in one stretch and not at all in the next: along it the one history gives way to another
    here and there (a hidden Markov chain; forward and backward as in Rabiner 1989, Proceedings of the IEEE
    77:257-286, from memory). Edges and histories are weighed together: a wide strip that half fills looks
    like a narrow one that doesn't until both have been followed over all visits.
    """
    at = np.unique(along.place, return_inverse=True)[1]
    shares, edges = _between_edges(along)
    fits = np.empty((len(shares), len(told), int(at.max()) + 1))
    for place in range(fits.shape[2]):
        here = at == place
        fits[..., place] = shares[:, here] @ told[:, here].T - shares[:, here] ** 2 / 2 @ power[:, here].T
    best = fits.max(axis=1).sum(axis=1)
    hopeful = best > best.max() - HOPELESS
    fits, shares, edges = fits[hopeful], shares[hopeful], edges[hopeful]
    likely = np.exp(histories.log_prior)
    chance, evidence = _chain(fits, likely / likely.sum())
    weight = np.exp(evidence - evidence.max())
    weight /= weight.sum()
    areas = shares @ area_m2
    return Course(
        share=weight @ shares,
        edges=Edges(*(float(end) for end in (*(weight @ edges), along.far.mean()))),
        area_se_m2=float(np.sqrt(weight @ (areas - weight @ areas) ** 2)),
        chance=np.einsum("k,kht->ht", weight, chance)[:, at],
    )


def _between_edges(along: Along) -> tuple[Floats, Floats]:
    """(K, n) shares of cells that lie between two edges, and (K, 3) the first, the last and their turn.

    A slanted strip's edges are tried turned a little too: what is a degree at its middle is a cell at the
    ends of a long one.
    """
    turns = TURNS_DEG if along.slant_deg else (0.0,)
    far = along.far - along.far.mean()
    shares, ends = [], []
    for turn in np.radians(turns):
        across = along.across * np.cos(turn) + far * np.sin(turn)
        reach = (np.cos(np.radians(along.slant_deg)) + np.sin(np.radians(along.slant_deg))) / 2
        low, high = across.min() - reach, across.max() + reach
        edges = np.linspace(low, high, min(round(8 * (high - low)), MOST_EDGES) + 1)
        below = _below(edges[:, None] - across, along.slant_deg)
        first, last = np.triu_indices(len(edges), 1)
        shares.append(below[last] - below[first])
        ends.append(np.stack([edges[first], edges[last], np.full(len(first), turn)], axis=1))
    return np.concatenate(shares), np.concatenate(ends)


def _below(away: Floats, slant_deg: float) -> Floats:
    """Share of a cell on the near side of an edge this far beyond its middle, in cells; the edge lies so
    slanted to its sides.

    >>> _below(np.array([-0.5, 0.0, 0.25]), 0.0).tolist()
    [0.0, 0.5, 0.75]
    """
    long, short = np.cos(np.radians(slant_deg)), np.sin(np.radians(slant_deg))
    if min(long, short) < 1e-6:
        return np.clip(away + 0.5, 0, 1)
    corners = ((1, 1, 1), (-1, 1, -1), (-1, -1, 1), (1, -1, -1))
    parts = [sign * np.maximum(away + (a * long + b * short) / 2, 0) ** 2 for sign, a, b in corners]
    return np.clip(np.sum(parts, axis=0) / (2 * long * short), 0, 1)


def _chain(fits: Floats, likely: Floats) -> tuple[Floats, Floats]:
    """Chances (K, H, T) of each of H histories at T places in a row, from how well each fits there (log), for
    each of K widths; and how well these fit in all, (K,) log."""
    most = fits.max(axis=1, keepdims=True)
    fit = np.exp(fits - most)
    evidence = most.sum(axis=(1, 2))
    ways = np.ones((2, *fit.shape))
    places = range(fit.shape[2])
    for way, order in zip(ways, (places, reversed(places)), strict=True):
        before = np.broadcast_to(likely, fit.shape[:2])
        for place in order:
            way[..., place] = before
            now = before * fit[..., place]
            before = (1 - CHANGES) * now / now.sum(axis=1, keepdims=True) + CHANGES * likely
    both = fit * ways[0]
    evidence = evidence + np.log(both.sum(axis=1)).sum(axis=1)
    both *= ways[1] / likely[:, None]
    return both / both.sum(axis=1, keepdims=True), evidence
