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
them; and it may be late instead of failed, in one stretch of it or in all. Share and depth of what failed by
half look alike in any one cell, but what is late is first bare, which tells the share, and then follows the
lawn, which tells the depth.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from turfeye.kriging import Kriged, kriged
from turfeye.lawnrecords import Season
from turfeye.places import robust_sd
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
"""What a late strip comes to, as a share of what the lawn had at that stage; all are as likely."""
CHANGES = 0.1
"""How likely a strip's history gives way to another from one cell to the next; ours, 0.04 does as well."""
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
    then: Floats  # (n,) own cover that is expected there on the target's date; of a strip only, else NaN
    p_short: Floats  # (n,) chance that this is below `Along.enough`


@dataclass(frozen=True, eq=False, slots=True)
class Along:
    """What n cells of a strip have in common."""

    line: Whole  # (n,) which row or column along the strip each lies on
    place: Whole  # (n,) and where along it
    risen: Floats  # (L, V + 1) how far the lawn has risen L days before each visit, and before the target's
    # date, as a share of how far by then
    lawn_then: float  # the lawn's cover on that date
    enough: float  # cover on that date that is not short


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
    start_sd = robust_sd(start)
    course, offset, risen, line = lawn.cover.mean(axis=0), visit_offset[usable], None, None
    if along is not None:  # its own cover is followed to the target's date
        line = np.unique(along.line, return_inverse=True)[1]
        course, offset = np.append(course, along.lawn_then), np.append(offset, 0.0)
        risen = along.risen[:, np.append(usable, True)]
    owns = list(_own_covers(course, float(np.median(start)), offset, risen))
    count = lawn.cover.shape[1]
    guesses = [
        _guess(seen, lawn, own[:count], prior=prior, start_sd=start_sd, line=line) for own, prior in owns
    ]
    log_odds = np.array([guess.log_odds for guess in guesses])
    weight = np.exp(log_odds - log_odds.max())
    weight /= weight.sum()
    counts = [(w, guess) for w, guess in zip(weight, guesses, strict=True) if w > 1e-4]
    area = season.area_m2[cells]
    areas = np.array([guess.share @ area for guess in guesses])
    level_variance = float(weight @ (areas - weight @ areas) ** 2)
    together = sum(w * guess.together(area, lawn) for w, guess in counts)
    share = weight @ np.array([guess.share for guess in guesses])
    se = np.sqrt(weight @ np.array([guess.sd**2 for guess in guesses]))
    then, p_short = np.full((2, len(area)), np.nan)
    if along is not None and line is not None:
        share, weight = _by_stretch(seen, lawn, owns, share, line, along.place)
        own_then = np.array([own[-1] for own, _ in owns])
        then, p_short = own_then @ weight, (own_then < along.enough) @ weight
        # cells of one line err as one
        together += float((np.bincount(line, se * area) ** 2).sum())
        se = np.zeros_like(se)
    return Unmixed(share, se, float(np.sqrt(level_variance + max(together, 0.0))), then, p_short)


def _by_stretch(
    seen: _Mixed, lawn: Kriged, owns: Sequence[tuple[Floats, float]], share: Floats, line: Whole, place: Whole
) -> tuple[Floats, Floats]:
    """Shares (n,) of a strip's cells, one a line, and the chance (H, n) of each history where each lies.

    ``share`` (n,) is what one history for all of the strip gives, to begin with.

    A strip may have come late in one stretch and not at all in the next: along it the one history gives way
    to another here and there (a hidden Markov chain; forward and backward as in Rabiner 1989, Proceedings of
    the IEEE 77:257-286, from memory).
    """
    own = np.array([own for own, _ in owns])
    likely = np.exp([prior for _, prior in owns])
    likely /= likely.sum()
    contrast = lawn.cover - own[:, None, :-1]
    pull = np.einsum("hnv,nvw->hnw", contrast, seen.inverse)
    told, power = (pull * seen.short).sum(axis=2), (pull * contrast).sum(axis=2)
    at = np.unique(place, return_inverse=True)[1]
    here = (at[:, None] == np.arange(at.max() + 1)).astype(float)
    weight = _chain((share * told - share**2 / 2 * power) @ here, likely)[:, at]
    sums = [np.bincount(line, (weight * part).sum(axis=0)) for part in (told, power)]
    share = np.clip(sums[0] / np.maximum(sums[1], 1e-9), 0, 1)[line]
    return share, weight


def _chain(fits: Floats, likely: Floats) -> Floats:
    """Chances (H, T) of each of H histories at T places in a row, from how well each fits there (log)."""
    fit = np.exp(fits - fits.max(axis=0))
    ways = np.ones((2, *fit.shape))
    for way, order in zip(ways, (range(fit.shape[1]), reversed(range(fit.shape[1]))), strict=True):
        before = likely
        for place in order:
            way[:, place] = before
            now = before * fit[:, place]
            before = (1 - CHANGES) * now / now.sum() + CHANGES * likely
    both = ways[0] * fit * ways[1] / likely[:, None]
    return both / both.sum(axis=0)


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


def _own_covers(
    lawn: Floats, start: float, offset: Floats, risen: Floats | None
) -> Iterator[tuple[Floats, float]]:
    """The patch's own cover (V,) for each start and each way filled, and the log of how likely that is.

    ``lawn`` and ``offset`` (V,): the lawn's cover on each visit, and what that visit reads too high;
    ``risen`` (L, V) as in :class:`Along`, of a strip only, which may be late.
    """
    # light moves what is read of the patch as it moves the lawn's
    light = np.clip(lawn / np.maximum(lawn - offset, 0.02), 0.4, 1.6)
    mean, late = (FILLED_MEAN, 0.0) if risen is None else (FILLED_STRIP, LATE_SHARE)
    likely = np.gradient(FILLED) * np.exp(-FILLED / mean)
    likely *= (1 - late) / (likely.sum() * len(STOOD))
    for stood in STOOD:
        bare = np.minimum(stood * start * light, lawn)
        for filled, share in zip(FILLED, likely, strict=True):
            yield bare + filled * (lawn - bare), float(np.log(share))
    if risen is None:
        return
    bare = np.minimum(start * light, lawn)
    share = late / (len(risen) * len(LATE_FILLED))
    for by_then in risen:
        for filled in LATE_FILLED:
            yield bare + filled * by_then * (lawn - bare), float(np.log(share))


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
