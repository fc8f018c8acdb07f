"""How much of each cell belongs to a thin patch, from its covers on all visits.

A cell that a patch's edge runs through holds a mixture: its cover is c = h - f (h - b) on each visit, with h
what the lawn would have there, b the patch's own cover and f the share asked for. None of them is seen, so

- h comes from the sound cells around by kriging (:mod:`turfeye.kriging`); a late strip that runs through a
  patch is no part of it;
- b starts from what stood in the lawn before, or less, and has filled some of the way to it; the
  result is the mean over both, weighted by how well each explains the cells;
- f goes with that of the cells beside it, for a patch is one piece of ground: a few cells that all look half
  bare are the edge of a small bare patch, not a half bare one whose edge is theirs;
- the errors are those that sound cells showed against their own neighbours, visit by visit.

A strip that the spreader left has one width, so all cells of a line along it have one share, told by all of
them; and it may be late instead of failed, in one stretch of it or in all (:mod:`turfeye.histories`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from turfeye.histories import Along, Course, Edges, Histories, along_strip
from turfeye.kriging import Kriged, kriged
from turfeye.lawnrecords import Season
from turfeye.places import robust_sd
from turfeye.records import Flags, Floats, Whole

INSIDE_SD = 0.7
"""What cells inside a patch differ by among themselves, against the spread of the sound cells' start; set on
simulated lawns (seeds 200000-201099). Half or twice of it changes the mean error of areas by less than 0.001
(210000-210099, 220000-220149)."""
ANY_SHARE = 0.5, 1.161
"""A share held to 0-1 from a normal of this mean and sd: outside, inside and on the edge a third each."""
BESIDE, BESIDE_ALL, BESIDE_SD = -0.4, 2.0, 0.4
"""The share is likely so much, and so much times the mean of the four cells beside it, give or take, held to
0-1. Ellipses of 0.7 to 3 cells' radius have -0.6, 2.7 and 0.2, but here the cells beside are guesses
themselves. Set on simulated lawns (seeds 210000-210099 and 220000-220149); values near do as well."""
WILD = 7.0
"""A share further than so many standard errors beyond 0 or 1 says no more than one there."""


@dataclass(frozen=True, eq=False, slots=True)
class Unmixed:
    """Of n cells: the share of each that belongs to the patch, and how sure that is."""

    share: Floats  # (n,)
    se: Floats  # (n,) each cell's own
    area_se_m2: float  # of what the cells err by together, beyond their own
    ahead: Prospect | None = None  # of a strip: how it goes on


@dataclass(frozen=True, eq=False, slots=True)
class Prospect:
    """How a strip of n cells goes on, each where it lies."""

    then: Floats  # (n,) own cover that is expected on the target's date, if nothing is still coming
    p_short: Floats  # (n,) chance that it will be below `Along.enough`
    p_coming: Floats  # (n,) chance that the seed is there and most of its rise still to come
    edges: Edges  # where it lies

    def spread(self, cells: Flags) -> Prospect:
        """The same of all cells (N,), these among them, 0 in the others."""
        then, p_short, p_coming = np.zeros((3, len(cells)))
        then[cells], p_short[cells], p_coming[cells] = self.then, self.p_short, self.p_coming
        return Prospect(then, p_short, p_coming, self.edges)


def unmix(
    season: Season,
    cells: Flags,
    sound: Flags,
    *,
    start_cover: Floats,
    visit_offset: Floats,
    usual_se: float,
    along: Along | None = None,
) -> Unmixed:
    """Unmix the marked cells (N,) against the sound ones (N,), at least `kriging.FEWEST` of them.

    ``start_cover`` (N,) is what stood in each before the sowing; ``visit_offset`` (V,) what each visit
    reads too high; ``usual_se`` what half of the season's covers err by; ``along`` is given where the cells
    are a strip's.
    """
    lawn = kriged(season, cells, sound)
    usable = np.asarray(np.isfinite(lawn.cover).all(axis=0))
    lawn = lawn.on(usable)
    seen = _Mixed.of(season, cells, usable, lawn, usual_se=usual_se)
    start = start_cover[sound]
    offset, line = visit_offset[usable], None
    if along is None:
        known = Histories.of(lawn.cover.mean(axis=0)[None], np.array([np.median(start)]), offset)
    else:  # its own cover is followed to the target's date
        line = np.unique(along.line, return_inverse=True)[1]
        # what stood and what the lawn comes to differ from end to end
        ends = replace(season, cover=np.stack([start_cover, along.due_cover], axis=1))
        first, due = kriged(ends, cells, sound).cover.T
        known = Histories.of(
            np.column_stack([lawn.cover, due]),
            first,
            np.append(offset, 0.0),
            along.risen[:, np.append(usable, True)],
        )
    visits = lawn.cover.shape[1]
    guesses = [
        _guess(seen, lawn, own[:, :visits], prior=prior, start_sd=robust_sd(start), line=line)
        for own, prior in zip(known.own, known.log_prior, strict=True)
    ]
    log_odds = np.array([guess.log_odds for guess in guesses])
    weight = np.exp(log_odds - log_odds.max())
    weight /= weight.sum()
    counts = [(w, guess) for w, guess in zip(weight, guesses, strict=True) if w > 1e-4]
    area = season.area_m2[cells]
    together = max(sum(w * guess.together(area, lawn) for w, guess in counts), 0.0)
    if along is not None and line is not None:
        told, power = seen.says(lawn, known.own[..., :visits])
        course = along_strip(known, told, power, along, area_m2=area)
        # cells of one line err as one
        se = float(np.hypot(course.area_se_m2, np.sqrt(together)))
        ahead = _goes_on(known, course, along.enough)
        return Unmixed(course.share, np.zeros(len(area)), se, ahead)
    areas = np.array([guess.share @ area for guess in guesses])
    level_variance = float(weight @ (areas - weight @ areas) ** 2)
    share = weight @ np.array([guess.share for guess in guesses])
    se = np.sqrt(weight @ np.array([guess.sd**2 for guess in guesses]))
    return Unmixed(share, se, float(np.sqrt(level_variance + together)))


def _goes_on(known: Histories, course: Course, enough: float) -> Prospect:
    """What comes of a strip by the chances of each history in each cell."""
    then, chance = known.own[..., -1], course.chance
    done = np.where(known.coming[:, None], 0.0, chance) + 1e-12
    return Prospect(
        then=(then * done).sum(axis=0) / done.sum(axis=0),
        p_short=((then < enough) * chance).sum(axis=0),
        p_coming=known.coming @ chance,
        edges=course.edges,
    )


@dataclass(frozen=True, eq=False, slots=True)
class _Mixed:
    """What the cells of a patch show: how far each is short of the lawn (0 where unseen), how precisely."""

    short: Floats  # (n, V)
    inverse: Floats  # (n, V, V)
    sides: Whole  # (n, 4), as from _sides

    @classmethod
    def of(cls, season: Season, cells: Flags, usable: Flags, lawn: Kriged, *, usual_se: float) -> _Mixed:
        cover, cover_se = season.cover[cells][:, usable], season.cover_se[cells][:, usable]
        unseen = ~np.isfinite(cover)
        # a cell that is seen worse than most errs by so much more
        worse = np.nan_to_num(cover_se**2 - usual_se**2)
        own = np.where(unseen, 1e4, np.clip(worse, 1e-4, None))
        noise = lawn.covariance * lawn.spread[:, :, None] * lawn.spread[:, None, :]
        noise = noise + own[:, :, None] * np.eye(cover.shape[1])
        short = np.where(unseen, 0.0, lawn.cover - cover)
        return cls(short, np.linalg.inv(noise), _sides(season, cells))

    def says(self, lawn: Kriged, own: Floats) -> tuple[Floats, Floats]:
        """(H, n) twice: what the cells say of their share, and how much, for own covers (H, n or 1, V)."""
        contrast = lawn.cover - own
        pull = np.einsum("hnv,nvw->hnw", contrast, self.inverse)
        return (pull * self.short).sum(axis=2), (pull * contrast).sum(axis=2)

    def beside(self, share: Floats) -> Floats:
        """Mean share (n,) of the cells beside each."""
        count = (self.sides <= len(share)).sum(axis=1)
        return np.append(share, [0.0, 0.0])[self.sides].sum(axis=1) / np.maximum(count, 1)


def _sides(season: Season, cells: Flags) -> Whole:
    """(n, 4) which of the n marked cells lies at each side; n for no marked one, n + 1 for one unseen."""
    count = int(cells.sum())
    row, col = season.row + 1, season.col + 1
    board = np.full((season.grid.rows + 2, season.grid.cols + 2), count + 1)
    seen = np.isfinite(season.cover).any(axis=1)
    board[row[seen], col[seen]] = count
    row, col = row[cells], col[cells]
    board[row, col] = np.arange(count)
    return np.stack([board[row - 1, col], board[row + 1, col], board[row, col - 1], board[row, col + 1]], 1)


@dataclass(frozen=True, eq=False, slots=True)
class _Guess:
    """The cells' shares if the patch's own cover were this."""

    share: Floats  # (n,)
    sd: Floats  # (n,)
    se: Floats  # (n,) of the share as measured, before what is known of shares
    gain: Floats  # (n, V), how the measured share moves with each visit
    log_odds: float

    def together(self, area_m2: Floats, lawn: Kriged) -> float:
        """Variance of the area from errors of the lawn's guess that the cells have in common."""
        follows = area_m2 * (self.sd / np.maximum(self.se, 1e-3)) ** 2
        return float(follows @ (lawn.shared * (self.gain @ lawn.covariance @ self.gain.T)) @ follows)


def _guess(
    seen: _Mixed, lawn: Kriged, own: Floats, *, prior: float, start_sd: float, line: Whole | None
) -> _Guess:
    """Generalised least squares of each cell's share, then what is known of shares: of one alone first, then
    of one beside the others. With ``line`` (n,) of each line's one share, by all of its cells."""
    contrast = lawn.cover - own
    pull = np.einsum("nv,nvw->nw", contrast, seen.inverse)
    power = np.maximum((pull * contrast).sum(axis=1), 1e-9)
    told = (pull * seen.short).sum(axis=1)
    gain = pull / power[:, None]
    inside_se = np.abs(gain.sum(axis=1)) * INSIDE_SD * start_sd
    if line is not None:
        cells, total = np.bincount(line), np.bincount(line, power)
        se = 1 / np.sqrt(total)
        inside_se = np.bincount(line, inside_se) / cells**1.5  # of their mean
        mean, sd, evidence = in_or_out(np.bincount(line, told) / total, se, inside_se=inside_se)
        return _Guess(mean[line], sd[line], se[line], gain, float(evidence.sum()) + prior)
    share, se = told / power, 1 / np.sqrt(power)
    alone, _, _ = in_or_out(share, se, inside_se=inside_se)
    likely = BESIDE + BESIDE_ALL * seen.beside(alone), BESIDE_SD
    mean, sd, evidence = in_or_out(share, se, inside_se=inside_se, likely=likely)
    return _Guess(mean, sd, se, gain, float(evidence.sum()) + prior)


def in_or_out(
    share: Floats,
    se: Floats,
    *,
    inside_se: Floats | float = 0.0,
    likely: tuple[Floats | float, float] = ANY_SHARE,
) -> tuple[Floats, Floats, Floats]:
    """Posterior mean and sd of shares, each outside (0), inside (1) or on the edge.

    Believed before is a normal of mean and sd ``likely``, held to 0-1 (Tobin 1958, Econometrica 26:24-36,
    from memory). Without it the noise of the cells around a small patch would add up to area.
    ``inside_se`` is what cells wholly inside differ by among themselves, in shares, beyond ``se``. Third
    comes the log evidence: how well some contrast explains the cell, up to a constant that all contrasts
    share.
    """
    from scipy.special import ndtr

    se = np.maximum(se, 1e-3)
    full_se = np.hypot(se, inside_se)
    before, before_sd = likely
    measured, share = share, np.clip(share, -WILD * se, 1 + WILD * full_se)
    out = _normal(share, se) * ndtr(-before / before_sd)
    full = _normal(share - 1, full_se) * ndtr((before - 1) / before_sd)
    # on the edge: the product of two normals, cut off at 0 and 1
    away = np.hypot(se, before_sd)
    middle, sd = (share * before_sd**2 + before * se**2) / away**2, se * before_sd / away
    low, high = (0 - middle) / sd, (1 - middle) / sd
    within = np.maximum(ndtr(high) - ndtr(low), 1e-12)
    edge = _normal(share - before, away) * within
    phi_low, phi_high = _normal(low, np.ones_like(low)), _normal(high, np.ones_like(high))
    mean = np.clip(middle + sd * (phi_low - phi_high) / within, 0, 1)
    square = sd**2 * (1 + (low * phi_low - high * phi_high) / within) + 2 * middle * mean - middle**2
    total = out + full + edge
    mean, square = (full + edge * mean) / total, (full + edge * square) / total
    sd = np.sqrt(np.maximum(square - mean**2, 0))
    return mean, sd, 0.5 * (measured / se) ** 2 + np.log(se * total)


def _normal(away: Floats, sd: Floats) -> Floats:
    """Density of a normal at this distance from its middle."""
    return np.exp(-0.5 * (away / sd) ** 2) / (np.sqrt(2 * np.pi) * sd)
