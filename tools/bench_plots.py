"""Figures of trial plots: simulated trials whose every plot and cell is known.

``rows()`` makes the table's rows; run alone, it prints them. Photos err as the classifier does: half of a
cell's variance is one for all cells of a photo, of which part is the plot's own, alike on every visit, and
part new with every photo; half of either is one for all plots of the trial, or of the day. Seeds are apart
from those that anything was tried on (below 1000).
"""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import replace
from datetime import timedelta

import bench_row
import numpy as np
from bench_compare import BY_VISIT
from bench_row import Row, row

from turfeye import mixes, outlook, trial
from turfeye.covererror import SHARED, Accuracy, classifier_se
from turfeye.lawnrecords import Season, Target
from turfeye.records import Words
from turfeye.simulate.tables import TableRecipe, World
from turfeye.simulate.trials import TrialRecipe, TrialTruth
from turfeye.simulate.trials import trial as simulated

FIRST_SEED = 2000
AHEAD_DAYS = 14
WORLDS: tuple[World, ...] = ("gompertz", "wobble")
TOGETHER = 0.5
"""Share of what a photo errs by that is one for all plots: of the trial, and of the day's light. Ours."""
FROM_ABOVE_DEG = 15.0


def photographed(season: Season, truth: TrialTruth, seed: int, *, by_visit: float) -> Season:
    """A trial of faultless photos, made to err; each plot has a photo of its own on each visit."""
    rng = np.random.default_rng([seed, 20260402])
    count, visits = len(truth.plots), season.cover.shape[1]

    def mixed(shape: tuple[int, int]) -> np.ndarray:
        one = rng.standard_normal((1, shape[1]))
        return np.sqrt(TOGETHER) * one + np.sqrt(1 - TOGETHER) * rng.standard_normal(shape)

    of_photo = np.sqrt(1 - by_visit) * mixed((count, 1)) + np.sqrt(by_visit) * mixed((count, visits))
    of_cell = rng.standard_normal(season.cover.shape)
    error = classifier_se(season.cover, Accuracy(), zenith_deg=FROM_ABOVE_DEG)
    away = np.sqrt(SHARED) * of_photo[truth.number - 1] + np.sqrt(1 - SHARED) * of_cell
    cover = np.clip(season.cover + error * away, 0, 1)
    return replace(
        season, cover=cover, cover_se=classifier_se(cover, Accuracy(), zenith_deg=FROM_ABOVE_DEG) + 1e-3
    )


def seen(
    seed: int,
    day: int,
    recipe: TrialRecipe | None = None,
    *,
    by_visit: float = BY_VISIT["spots"],
    ahead: int = AHEAD_DAYS,
) -> tuple[Season, TrialTruth]:
    """A trial as photographed up to a day, its target so many days later; and its truth."""
    season, truth = simulated(seed, recipe, until_day=day)
    season = photographed(season, truth, seed, by_visit=by_visit)
    target = Target(season.target.cover, season.sowing.date + timedelta(days=day + ahead))
    return replace(season, target=target), truth


def plot_scores(
    seeds: Iterable[int],
    day: int,
    recipe: TrialRecipe | None = None,
    *,
    by_visit: float = BY_VISIT["spots"],
) -> dict[str, np.ndarray]:
    """Of every plot: how far off its cover is, in standard errors; whether its interval holds; how wide."""
    off, held, wide = [], [], []
    for seed in seeds:
        season, truth = seen(seed, day, recipe, by_visit=by_visit)
        found = trial.of_plots(season, truth.number, mix=mixes.get(season.sowing.mix)).outlook
        then = truth.plot_cover(day + AHEAD_DAYS)
        off.append((found.cover_now - truth.plot_cover(day)) / found.cover_now_se)
        held.append((found.cover_at_target_low <= then) & (then <= found.cover_at_target_high))
        wide.append(found.cover_at_target_high - found.cover_at_target_low)
    return {"off": np.concatenate(off), "held": np.concatenate(held), "wide": np.concatenate(wide)}


def cell_scores(seeds: Iterable[int], day: int) -> dict[str, np.ndarray]:
    """By plot, and with all cells together: cells called thin in holes, of how many; called elsewhere; called
    among sound cells of thin varieties, of how many."""
    counts = {"by plot": np.zeros(5, int), "together": np.zeros(5, int)}
    for seed in seeds:
        season, truth = seen(seed, day, ahead=56 - day)
        mix = mixes.get(season.sowing.mix)
        own = trial.fit(season, truth.number, mix=mix).own
        state: Words = np.empty(len(truth.number), dtype="<U16")
        for cells, ahead in own.values():
            state[cells] = ahead.state
        lower = truth.thin_variety[truth.number - 1]
        for name, called in (
            ("by plot", state == "thin"),
            ("together", outlook.fit(season, mix=mix).state == "thin"),
        ):
            sound = ~truth.failed
            counts[name] += [
                (called & truth.failed).sum(), truth.failed.sum(), (called & sound & ~lower).sum(),
                (called & sound & lower).sum(), (sound & lower).sum(),
            ]  # fmt: skip
    return counts


def rows(*, trials: int = 60, whole: int = 10) -> list[Row]:
    """Every figure as name, value, reach, known."""
    seeds = range(FIRST_SEED, FIRST_SEED + trials)
    kinds = [("", TrialRecipe(), share, kind) for kind, share in BY_VISIT.items()]
    kinds += [
        (f"{world} world: ", TrialRecipe(lawn=TableRecipe(world=world)), BY_VISIT["spots"], "spots")
        for world in WORLDS
    ]
    kinds.append(("like plots: ", TrialRecipe(thin_varieties=0, holed_plots=0), BY_VISIT["spots"], "spots"))
    table = []
    for name, recipe, share, kind in kinds:
        found = {day: plot_scores(seeds, day, recipe, by_visit=share) for day in (11, 18, 25)}
        one, two = (
            ", ".join(f"{np.mean(np.abs(found[day]['off']) <= sds):.0%}" for day in found) for sds in (1, 2)
        )
        held = ", ".join(f"{found[day]['held'].mean():.0%}" for day in found)
        half = ", ".join(f"{50 * np.median(found[day]['wide']):.0f}" for day in found)
        count = f"{len(found[25]['off'])} plots of {trials} trials; photos err as {kind} do"
        table.append(
            row(
                f"{name}plots' cover on days 11, 18, 25: truth within 1 se; within 2",
                f"{one}; {two}",
                "60-76 %; 92-98 %",
                count,
            )
        )
        table.append(
            row(
                f"{name}plots' cover {AHEAD_DAYS} days ahead from then: 90 % interval holds",
                held,
                "87-93 %, or conservative",
                f"the interval is ± {half} points",
            )
        )
    for day in (18, 25):
        for name, (right, failed, wrong, low, lower) in cell_scores(seeds[:whole], day).items():
            sure = right / max(right + wrong + low, 1)
            value = f"{right / failed:.0%} of {failed} bare cells found, {sure:.0%} of what is called"
            lows = f"{low / max(lower, 1):.1%} of {lower} sound cells of thin varieties called"
            table.append(row(f"holes in plots by day {day}, {name}", value, known=lows))
    return [*table, _time()]


def _time(plots: tuple[int, int] = (20, 10), cells: tuple[int, int] = (15, 20)) -> Row:
    """Processor time of a large trial's fit and forecast."""
    recipe = TrialRecipe(varieties=plots[0], blocks=plots[1], rows=cells[0], cols=cells[1])
    season, truth = seen(1, 25, recipe)
    mix = mixes.get(season.sowing.mix)
    start = time.process_time()
    trial.fit(season, truth.number, mix=mix)
    took = time.process_time() - start
    start = time.process_time()
    outlook.fit(season, mix=mix)
    together = time.process_time() - start
    name = f"{plots[0] * plots[1]} plots, {len(truth.number):,} cells x 4 visits, fitted and forecast"
    return row(name, f"{took:.0f} s of one core", known=f"as one lawn {together:.0f} s")


if __name__ == "__main__":
    bench_row.show(rows())
