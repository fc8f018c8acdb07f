"""From dated cell tables to one season: sorted visits on the lawn's grid, gaps left.

All photos of one calendar day make one visit; where several show a cell, they are weighted by precision.
Spot photos are laid onto the lawn's grid where their peg stands.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date, timedelta
from itertools import compress, groupby

import numpy as np

from turfeye import mixes
from turfeye.covererror import SHARED
from turfeye.errors import DateError, SeasonError
from turfeye.lawnrecords import Season, Sowing, Target, Visit
from turfeye.mixes import Mix
from turfeye.readings import Reading, by_time, usable
from turfeye.records import Flags, Floats, Grid, Whole
from turfeye.temperatures import Temperatures
from turfeye.words import so_many

LEAST_SHARE = 0.25
"""A lawn cell of which a photo shows less than this share isn't measured by that photo."""
PARTS = 4
"""A spot's cell is cut into PARTS x PARTS to see in which of the lawn's cells it lies."""
WITHIN_CELL_SD = 0.10
"""How far the unseen part of a cell may differ from the seen part; ours."""
RESOWN_DAYS = 84
"""A sowing of all the lawn so soon after another makes good what came of that; later it is a season. Ours."""
COLUMNS = 7
"""What photos of a day are merged by: cover, its error, dark green index, its error, and L*a*b*."""
LEAST_OVERLAP = 3
"""Cells that two photos of a day share, from which they are compared."""


def build(
    readings: Sequence[Reading],
    grid: Grid,
    *,
    sowing: Sowing,
    target: Target | None = None,
    temperatures: Temperatures | None = None,
    base_c: float | None = None,
    today: date | None = None,
    plot_of: Whole | None = None,
) -> Season:
    """Put measured photos into one table.

    Parameters
    ----------
    readings : in any order
    grid : of the lawn; cells outside its outline are left out
    sowing : the one that ages count from
    target : by default that of the sowing's mix (`usual_target`), which must be one of the table's then
    temperatures, base_c : both, for degree-days above the mix's base temperature
    today : later photos are left out; by default the computer's own date
    plot_of : (rows, cols) number of the plot of each of a trial's cells, -1 beside the plots

    Raises
    ------
    SeasonError : no reading, or one measured on another grid than the lawn's
    DateError : all photos are from before the sowing or from the future
    """
    if not readings:
        raise SeasonError(
            "a season needs at least one measured photo and there is none; file photos with `add`"
        )
    kept, doubts, left_out = usable(readings, sown=sowing.date, today=today or date.today())
    if not kept:
        raise DateError("no photo is from between the sowing and today: " + " ".join(doubts))
    target = target or usual_target(sowing, mixes.get(sowing.mix))
    by_age, said, flags = None, "", list(doubts)
    if temperatures is not None:
        last = kept[-1].taken.date()
        horizon = (max(target.date, last) - sowing.date).days + 60
        by_age, said = temperatures.by_age(sowing, base_c, last=last, horizon=horizon)
        flags += [*temperatures.notes, *([said] if said else [])]
    share = np.ones((grid.rows, grid.cols)) if grid.share is None else grid.share
    row, col = np.nonzero(share > 1e-6)
    days, apart = _by_day(kept, grid, share, plot_of)
    cells = row * grid.cols + col
    table = np.stack([merged[cells] for _, merged in days], axis=1)  # (N, V, 7)
    centres = grid.centres_m()[row, col]
    return Season(
        grid=grid,
        row=row,
        col=col,
        x_m=centres[:, 0],
        y_m=centres[:, 1],
        area_m2=share[row, col] * grid.cell_m**2,
        visits=tuple(_visit(photos, sowing.date, by_age) for photos, _ in days),
        cover=table[..., 0],
        cover_se=table[..., 1],
        dgci=table[..., 2],
        dgci_se=table[..., 3],
        lab=table[..., 4:],
        sowing=sowing,
        target=target,
        flags=(*flags, *apart),
        left_out=left_out,
        degree_days_by_age=by_age,
        why_in_days=said if by_age is None else "",
    )


def usual_target(sowing: Sowing, mix: Mix) -> Target:
    """What such a sowing is to come to, and by when, where its owner doesn't say."""
    cover, days = mix.usual_target()
    return Target(cover, sowing.date + timedelta(days=days))


def split(
    readings: Sequence[Reading], sowings: Sequence[Sowing]
) -> tuple[tuple[Reading, ...], tuple[Reading, ...]]:
    """Photos from before the last sowing of all the lawn, where that made good an earlier one; and the rest.

    ``sowings`` come by date. More than `RESOWN_DAYS` apart they are two seasons, and nothing is set apart.
    """
    days = [one.date for one in sowings if not one.area_m]
    if len(days) < 2 or (days[-1] - days[-2]).days > RESOWN_DAYS:
        return (), tuple(readings)
    first, again = days[-2:]
    earlier = [first <= reading.taken.date() < again for reading in readings]
    return tuple(compress(readings, earlier)), tuple(compress(readings, [not one for one in earlier]))


def with_earlier(season: Season, readings: Sequence[Reading], *, plot_of: Whole | None = None) -> Season:
    """The season with photos from before all of its lawn was sown again: they are shown, and don't count.

    ``plot_of`` is as in `build`.
    """
    if not readings:
        return season
    grid, ordered = season.grid, by_time(readings)
    share = np.ones((grid.rows, grid.cols)) if grid.share is None else grid.share
    days, _ = _by_day(ordered, grid, share, plot_of)
    cells = season.row * grid.cols + season.col
    why = f"from before all of the lawn was sown again on {season.sowing.date}: shown only"
    said = (
        f"{so_many(len(readings), 'photo')} from before all of the lawn was sown again on "
        f"{season.sowing.date} are shown but don't count: growth begins with that sowing; where only a part "
        "was sown again, give it area_m in lawn.toml"
    )
    return replace(
        season,
        earlier=tuple(_visit(photos, season.sowing.date, None) for photos, _ in days),
        earlier_cover=np.stack([merged[cells, 0] for _, merged in days], axis=1),
        flags=(said, *season.flags),
        left_out={**season.left_out, **{reading.photo: why for reading in ordered}},
    )


def _by_day(
    readings: Sequence[Reading], grid: Grid, share: Floats, plot_of: Whole | None
) -> tuple[list[tuple[tuple[Reading, ...], Floats]], list[str]]:
    """Each day's photos and what they show together, (rows * cols, 7), and days whose photos disagree.

    ``readings`` come by time; ``share`` (rows, cols) of each cell is lawn, ``plot_of`` is as in `build`.
    """
    number = np.full(share.size, -1) if plot_of is None else plot_of.ravel()
    days, apart = [], []
    for day, photos in groupby(readings, lambda reading: reading.taken.date()):
        same = tuple(photos)
        merged, disagree, pair = _merge((_onto(grid, reading, share, number) for reading in same), share.size)
        if disagree:
            apart.append(_told_apart(day, disagree, [same[k] for k in pair]))
        days.append((same, merged))
    return days, apart


def _told_apart(day: date, disagree: float, pair: Sequence[Reading]) -> str:
    """That photos of a day disagree, and the two that do most; of a plot, one may be filed as another's."""
    other = "another day or plot" if pair[0].plot is not None else "another day"
    names = " and ".join(reading.photo for reading in pair)
    return f"photos of {day} disagree by {100 * disagree:.0f} points ({names}): is one from {other}?"


def _visit(same: Sequence[Reading], sown: date, by_age: Floats | None) -> Visit:
    """The photos of one day, with the first one's time for all."""
    age_days = (same[0].taken.date() - sown).days
    return Visit(
        taken=same[0].taken,
        age_days=float(age_days),
        view=" + ".join(dict.fromkeys(reading.view for reading in same)),
        photos=tuple(reading.photo for reading in same),
        degree_days=float("nan") if by_age is None else float(by_age[age_days]),
    )


def _onto(grid: Grid, reading: Reading, share: Floats, number: Whole) -> tuple[Whole, Floats]:
    """The n cells of the lawn's grid that one photo shows, by place in the flat grid; and of each, (n, 7),
    cover, its error, dark green index, its error and L*a*b*.

    By ``number`` (rows * cols), each cell's plot, -1 in none, those of other plots than the photo's are left
    out: they are their own photos' to tell, and a plot without one would have a figure by it.
    """
    table = reading.table
    flat, rows, part = _overlaps(grid, reading, (table.state == "seen") & np.isfinite(table.cover))
    cells, place = np.unique(flat, return_inverse=True)
    # weight is ground that was seen: area in the cell times the share of it that the photo shows
    weight = (table.area_m2 * np.clip(table.seen, 0, 1))[rows] * part

    def gather(values: Floats) -> Floats:
        known = np.isfinite(values)
        total = np.bincount(place[known], (weight * np.where(known, values, 0))[known], len(cells))
        mass = np.bincount(place[known], weight[known], len(cells))
        with np.errstate(invalid="ignore", divide="ignore"):
            return np.where(mass > 0, total / mass, np.nan)

    columns = [table.cover, table.cover_se**2, table.dgci, table.dgci_se]
    columns += [table.lab_l, table.lab_a, table.lab_b]
    values = np.stack([gather(column[rows]) for column in columns], axis=-1)
    shown = np.bincount(place, weight, len(cells))
    count = shown**2 / np.maximum(np.bincount(place, weight**2, len(cells)), 1e-18)  # as of equal ones
    area = np.maximum(share.ravel()[cells] * grid.cell_m**2, 1e-12)
    shown = np.minimum(shown / area, 1)
    unseen_var = (1 - shown) * WITHIN_CELL_SD**2
    values[:, 1] = np.sqrt(values[:, 1] * (SHARED + (1 - SHARED) / np.maximum(count, 1)) + unseen_var)
    told = shown >= LEAST_SHARE
    if reading.plot is not None:
        told &= np.isin(number[cells], (reading.plot, -1))
    return cells[told], values[told]


def on_lawn_m(reading: Reading) -> tuple[Floats, Floats]:
    """Where each cell's centre lies, x and y in lawn metres; a spot's cells lie round its peg."""
    return _from_peg(reading, reading.table.x_m, reading.table.y_m)


def _from_peg(reading: Reading, x_m: Floats, y_m: Floats) -> tuple[Floats, Floats]:
    """Points of a photo's own ground in lawn metres: the same of a lawn view, turned and moved of a spot."""
    if reading.at_m is None:
        return x_m, y_m
    turn = np.radians(reading.turned_deg)
    return (
        reading.at_m[0] + np.cos(turn) * x_m - np.sin(turn) * y_m,
        reading.at_m[1] + np.sin(turn) * x_m + np.cos(turn) * y_m,
    )


def _overlaps(grid: Grid, reading: Reading, usable: Flags) -> tuple[Whole, Whole, Floats]:
    """Which cells of the lawn's flat grid the usable rows of a photo's table lie in: cell, row, and share of
    that row's cell which lies there, one entry a pair.

    A spot's cells lie anyhow across the lawn's: by their middles alone, a peg half a cell off leaves every
    second column empty. So each is cut into PARTS x PARTS.
    """
    table = reading.table
    rows = np.flatnonzero(usable)
    if reading.at_m is None:
        same = (table.grid.rows, table.grid.cols, table.grid.cell_m) == (grid.rows, grid.cols, grid.cell_m)
        if not same:
            raise SeasonError(
                f"{reading.photo} was measured on {table.grid.rows} x {table.grid.cols} cells of "
                f"{table.grid.cell_m} m, the lawn has {grid.rows} x {grid.cols} of {grid.cell_m} m; "
                "measure it again (delete the lawn's results folder)"
            )
        return table.row[rows] * grid.cols + table.col[rows], rows, np.ones(len(rows))
    steps = ((np.arange(PARTS) + 0.5) / PARTS - 0.5) * table.grid.cell_m
    aside, along = (step.ravel() for step in np.meshgrid(steps, steps))
    x, y = _from_peg(reading, table.x_m[rows, None] + aside, table.y_m[rows, None] + along)
    row = np.floor((y - grid.y0_m) / grid.cell_m).astype(int)
    col = np.floor((x - grid.x0_m) / grid.cell_m).astype(int)
    on = (row >= 0) & (row < grid.rows) & (col >= 0) & (col < grid.cols)
    pairs = ((row * grid.cols + col) * len(table) + rows[:, None])[on]
    pairs, times = np.unique(pairs, return_counts=True)
    return pairs // len(table), pairs % len(table), times / PARTS**2


def _merge(photos: Iterable[tuple[Whole, Floats]], count: int) -> tuple[Floats, float, tuple[int, int]]:
    """Precision-weighted mean (count, 7) of a day's photos; by how much they disagree (0 if they don't), and
    which two do most.

    Each is the n of ``count`` cells that it shows, and their values (n, 7). One after the other: two hundred
    plots at once would not fit in a laptop.
    """
    mass, total = np.zeros((2, count, COLUMNS))
    seen: list[tuple[Whole, Floats]] = []
    for cells, values in photos:
        weight = 1 / np.maximum(values[:, 1:2], 1e-3) ** 2 * np.isfinite(values)
        mass[cells] += weight
        total[cells] += weight * np.nan_to_num(values)
        seen.append((cells, values[:, :2].T))
    with np.errstate(invalid="ignore", divide="ignore"):
        out = total / mass
        out[:, 1] = 1 / np.sqrt(mass[:, 0])
    if len(seen) == 1:  # as it is, without a rounding
        out[cells] = values
    out[mass[:, 0] == 0] = np.nan
    return out, *_disagreement(seen)


def _disagreement(seen: Sequence[tuple[Whole, Floats]]) -> tuple[float, tuple[int, int]]:
    """Median difference of a day's photos where they overlap, when beyond errors and light, else 0; of which.

    Of each photo the cells that it shows, (N,), and their cover and its error, (2, N).
    """
    cells, photos = np.unique(np.concatenate([shown for shown, _ in seen]), return_counts=True)
    shared = cells[photos > 1]
    board = np.full((2, len(seen), len(shared)), np.nan)
    for k, (shown, values) in enumerate(seen):
        _, at, there = np.intersect1d(shown, shared, assume_unique=True, return_indices=True)
        board[:, k, there] = values[:, at]
    cover, se = board
    known = np.isfinite(cover)
    worst, pair = 0.0, (0, 0)
    for i, j in np.argwhere(np.tril(known.astype(float) @ known.T, -1) >= LEAST_OVERLAP):
        both = known[i] & known[j]
        apart = float(np.median(np.abs(cover[i] - cover[j])[both]))
        allowed = 3 * float(np.median(np.hypot(se[i], se[j])[both])) + 0.05
        if apart > max(allowed, worst):
            worst, pair = apart, (int(min(i, j)), int(max(i, j)))
    return worst, pair
