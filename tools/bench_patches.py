"""Figures for patches and stripes on simulated seasons: ``rows()``, or run it to see them printed.

The lawns are :mod:`turfeye.simulate.tables` with seeds that nothing was tuned on. A patch of the truth is a
connected area where the seed failed (cells touching by side or corner). Stripes are looked for, as a season
does, in the cover that the fit says is there now. A found patch belongs to it when they
share a cell, and found patches that join two true ones count as both together.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import bench_row
import numpy as np
from bench_row import Row
from scipy.ndimage import label

from turfeye import outlook, patches
from turfeye.outline import cell_shares
from turfeye.records import Floats
from turfeye.simulate.strips import StripRecipe, lawn_with_strip
from turfeye.simulate.tables import TableRecipe, TableTruth, lawn
from turfeye.stripes import stripes

FIRST_SEED = 60_000
LEAST_M2 = 0.5
LATE = (3, 7, 10, 14, 17, 21, 24, 28, 35, 42)
FIRST_STRIP_SEED, STRIP_DAY = 70_000, 53
FIRST_MIXED_SEED, MIXED_DAYS = 90_000, (29, 36, 53)
STRIPE_POINTS = (0.15, 0.20)
"""Depth of the strips looked for: from 15 points (and no deeper than 20, so that it is about 15)."""


def rows(*, lawns: int = 60, strip_lawns: int = 200, stripe_lawns: int = 500) -> list[Row]:
    """The figures: name, value, what to reach, what is known."""
    found = []
    for day in (28, 42):
        areas, places, missed = patch_errors(day, lawns)
        name = f"patches >= {LEAST_M2} m2, day {day}"
        found += [
            _row(f"{name}: area, mean absolute error", np.mean(areas), "<= 0.10"),
            _row(f"{name}: area, median absolute error", np.median(areas), "<= 0.10"),
            _row(f"{name}: area within 10 %, share", np.mean(areas <= 0.10), ""),
            _row(f"{name}: position, mean error, m", np.mean(places), "<= 0.10"),
            _row(f"{name}: position within 10 cm, share", np.mean(places <= 0.10), ""),
            _row(f"{name}: missed, share", missed, ""),
        ]
    pieces = strip_pieces(strip_lawns)
    name = f"strips that failed in part ({len(pieces)} of {strip_lawns} lawns), day {STRIP_DAY}"
    area, area_se, cover = np.array(pieces).T
    found += [
        _row(f"{name}: area of the pieces outlined, mean absolute error", np.mean(np.abs(area)), "<= 0.20"),
        _row(f"{name}: area within 1 standard error told, share", np.mean(np.abs(area) <= area_se), ""),
        _row(f"{name}: area within 2 standard errors told, share", np.mean(np.abs(area) <= 2 * area_se), ""),
        _row(f"{name}: the strip's own cover on the target's date, mean absolute error", np.mean(cover), ""),
    ]
    for day in MIXED_DAYS:
        found += mixed_rows(day)
    for day in MIXED_DAYS:
        found += mixed_rows(day, slanted=True)
    hits, count = strips_found(stripe_lawns)
    found.append(_row(f"strips 15-20 points deep found ({count} lawns)", hits, ">= 0.95"))
    found.append(_row(f"false alarms on {stripe_lawns} lawns without", false_alarms(stripe_lawns), "<= 0.05"))
    return found


def patch_errors(day: int, lawns: int) -> tuple[Floats, Floats, float]:
    """Relative area errors and place errors (m) of the patches found, and the share missed."""
    recipe = TableRecipe(visit_days=LATE)
    areas: list[float] = []
    places: list[float] = []
    missed = 0
    for seed in range(FIRST_SEED, FIRST_SEED + lawns):
        season, truth = lawn(seed, recipe, until_day=day)
        found = patches.thin(outlook.fit(season))
        for true, mine in _matched(recipe, truth, found):
            if true[0] < LEAST_M2:
                continue
            if not mine:
                missed += 1
                continue
            area = sum(patch.area_m2 for patch in mine)
            x = sum(patch.area_m2 * patch.x_m for patch in mine) / area
            y = sum(patch.area_m2 * patch.y_m for patch in mine) / area
            areas.append(abs(area / true[0] - 1))
            places.append(float(np.hypot(x - true[1], y - true[2])))
    return np.array(areas), np.array(places), missed / (missed + len(areas))


def _matched(
    recipe: TableRecipe, truth: TableTruth, found: tuple[Any, ...]
) -> list[tuple[tuple[float, float, float], list[Any]]]:
    """(area, x, y) of each true patch with the found ones that share a cell with it."""
    failed = truth.failed.reshape(recipe.rows, recipe.cols)
    labels, count = label(failed > 0, np.ones((3, 3)))
    owners = [set(labels.ravel()[patch.cells]) - {0} for patch in found]
    groups = {number: {number} for number in range(1, count + 1)}
    for owner in owners:
        joined = set().union(*(groups[number] for number in owner)) if owner else set()
        groups |= dict.fromkeys(joined, joined)
    matched = []
    for group in {frozenset(group) for group in groups.values()}:
        row, col = np.nonzero(np.isin(labels, list(group)))
        share = failed[row, col]
        area = float(share.sum() * recipe.cell_m**2)
        x = float(share @ (col + 0.5) / share.sum() * recipe.cell_m)
        y = float(share @ (row + 0.5) / share.sum() * recipe.cell_m)
        matched.append(((area, x, y), [p for p, owner in zip(found, owners, strict=True) if owner & group]))
    return matched


def strip_pieces(lawns: int) -> list[tuple[float, float, float]]:
    """Of each lawn on which pieces of its strip are outlined and lack 5 points and more in truth: relative
    error of their area against the strip's width along as much of it, as told, and the error (0-1) of the
    cover that is forecast there."""
    pieces = []
    for seed in range(FIRST_STRIP_SEED, FIRST_STRIP_SEED + lawns):
        recipe = StripRecipe.random(seed)
        season, truth = lawn_with_strip(seed, recipe, until_day=STRIP_DAY)
        target = season.target.cover
        here = float(truth.cover[(season.target.date - season.sowing.date).days])
        mine = [p for p in patches.thin(outlook.fit(season)) if (truth.share[p.cells] > 0).mean() >= 0.5]
        if not mine or here > target - 0.05:
            continue
        area = np.array([p.area_m2 for p in mine])
        length = sum(np.ptp(p.outline_m[:, 1]) for p in mine)
        told = float(area @ [target * (1 - p.deficit) for p in mine] / area.sum())
        true = recipe.width_m * length
        se = sum(p.area_se_m2 for p in mine) / area.sum()
        pieces.append((float(area.sum() / true - 1), float(se), abs(told - here)))
    return pieces


def mixed_rows(day: int, lawns: int = 60, *, slanted: bool = False) -> list[Row]:
    """Seed for strips that came late in one stretch and were left out in another, and for ones only late;
    along the columns of cells, or slanted to them."""
    seeds = mixed_seeds(lawns)
    mixed = [StripRecipe.mixed(seed) for seed in seeds]
    mixed = [one.slanted(seed) for one, seed in zip(mixed, seeds, strict=True)] if slanted else mixed
    told = np.array([seed_for(one, seed, day) for one, seed in zip(mixed, seeds, strict=True)])
    needed, where_out, elsewhere = told.T
    late = [replace(one, left_out_m=()) for one in mixed]
    needless = np.array([seed_for(one, seed, day) for one, seed in zip(late, seeds, strict=True)])
    strips = "slanted strips" if slanted else "strips"
    name = f"{strips} late here, left out there ({lawns} lawns), day {day}"
    only = f"{strips} late only ({lawns} lawns), day {day}"
    return [
        _row(f"{name}: seed told where left out, share of what it needs", where_out.sum() / needed.sum(), ""),
        _row(f"{name}: the same by lawn, mean absolute error", np.mean(np.abs(where_out / needed - 1)), ""),
        _row(f"{name}: seed told where late only, share of that", elsewhere.sum() / needed.sum(), ""),
        _row(
            f"{only}: seed told, share of what they need left out there",
            needless[:, 1:].sum() / needed.sum(),
            "",
        ),
    ]


def mixed_seeds(lawns: int) -> range:
    """Of the lawns with such strips."""
    return range(FIRST_MIXED_SEED, FIRST_MIXED_SEED + lawns)


def seed_for(recipe: StripRecipe, seed: int, day: int) -> tuple[float, float, float]:
    """Ground that a strip needs sown at the full rate, m2; and told, where left out and elsewhere."""
    season, truth = lawn_with_strip(seed, recipe, until_day=day)
    told = np.zeros(len(season.row))
    for patch in patches.thin(outlook.fit(season)):
        rings = (patch.outline_m, *(hole[::-1] for hole in patch.holes_m))
        filled, *holes = (cell_shares(ring, season.grid).ravel() for ring in rings)
        told += (filled - sum(holes)) * season.area_m2 * patch.deficit
    return (
        float(truth.lacks_m2(season).sum()),
        float(told @ truth.left_out),
        float(told @ (1 - truth.left_out)),
    )


def strips_found(lawns: int) -> tuple[float, int]:
    """Share of strips found at the right place, and how many lawns had one of the depth looked for."""
    recipe = TableRecipe(lagging_strips=1)
    hits = []
    for seed in range(FIRST_SEED, FIRST_SEED + lawns):
        season, truth = lawn(seed, recipe, until_day=28)
        board = truth.lagging.reshape(recipe.rows, recipe.cols)
        upright = bool(board.all(axis=0).any())
        at = int(np.flatnonzero(board.all(axis=0) if upright else board.all(axis=1))[0])
        cover = truth.cover[:, int(season.age_days[-1])].reshape(recipe.rows, recipe.cols)
        profile = np.median(cover, axis=0 if upright else 1)
        beside = [k for k in (at - 2, at - 1, at + 1, at + 2) if 0 <= k < len(profile)]
        depth = float(np.mean(profile[beside]) - profile[at])
        if not STRIPE_POINTS[0] <= depth <= STRIPE_POINTS[1]:
            continue
        found = stripes(season.grid, season.x_m, season.y_m, outlook.fit(season).cover_now)
        middle = (at + 0.5) * recipe.cell_m
        normal = 0 if upright else 90
        hits.append(
            any(abs(s.offset_m - middle) < recipe.cell_m / 2 and s.normal_deg == normal for s in found.found)
        )
    return float(np.mean(hits)), len(hits)


def false_alarms(lawns: int) -> float:
    """Share of lawns without a strip, failed patches and all, on which one is reported."""
    recipe = TableRecipe(lagging_strips=0)
    alarms = []
    for seed in range(FIRST_SEED, FIRST_SEED + lawns):
        season, _ = lawn(seed, recipe, until_day=28)
        alarms.append(bool(stripes(season.grid, season.x_m, season.y_m, outlook.fit(season).cover_now).found))
    return float(np.mean(alarms))


def _row(name: str, value: float, reach: str) -> Row:
    return bench_row.row(name, str(round(float(value), 4)), reach)


if __name__ == "__main__":
    bench_row.show(rows())
