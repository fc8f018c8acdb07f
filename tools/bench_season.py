"""Figures of the season: forecasts, thin cells, speed. Simulated lawns that nothing was tuned on; real plots.

``rows()`` makes the table's rows; run alone, it prints them. The real plots are the dated series of winter
wheat of Zenkl et al. 2022 (doi 10.3389/fpls.2021.774068, data CC BY-SA 4.0): ``wheat_series/`` in the folder
of labelled photographs, with its index.csv (columns mask, plot, date, cover_truth); they do not travel along.
"""

from __future__ import annotations

import csv
import time
from collections import defaultdict
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import bench_row
import cv2
import numpy as np
from bench_row import Row, row
from scipy.optimize import least_squares

from turfeye import growth, outlook
from turfeye.curve import P, cover_at, value_and_slope
from turfeye.draws import curves, even_points
from turfeye.lawnrecords import Season, Target
from turfeye.simulate.tables import TableRecipe, TableTruth, lawn

FIRST_SEED = 2000  # tuning used seeds below 1100 and from 4000 to 5299
AHEAD_DAYS = 14
WANTED_COVER = 0.64  # 80 % of what photos measure of closed turf


def rows(*, labelled: Path | None = None, lawns: int = 60, healthy: int = 200, others: int = 24) -> list[Row]:
    """Every figure as name, value, reach, known; of real plots where the labelled photographs are given."""
    table = _simulated(range(FIRST_SEED, FIRST_SEED + lawns))
    for world in ("gompertz", "wobble", "logit-offset"):
        table += _misfit(world, range(FIRST_SEED, FIRST_SEED + others))
    return table + _healthy(healthy) + _speed() + (_real(labelled / "wheat_series") if labelled else [])


def holds(season: Season, truth: TableTruth, found: growth.Fit, day: int) -> tuple[np.ndarray, bool]:
    """Whether each seen cell's interval, and the lawn's, hold the truth so many days ahead."""
    ahead = day + AHEAD_DAYS
    later = replace(season, target=Target(WANTED_COVER, season.sowing.date + timedelta(days=ahead)))
    made = outlook.forecast(later, found)
    seen = made.state != "not seen"
    true = truth.cover[:, ahead]
    held = (true >= made.cover_at_target_low) & (true <= made.cover_at_target_high)
    mean = true[seen].mean()
    return held[seen], made.lawn.cover_at_target_low <= mean <= made.lawn.cover_at_target_high


def lean(season: Season, truth: TableTruth, found: growth.Fit) -> float:
    """By how much the seen cells' mean cover on the target's date is forecast too high."""
    made = outlook.forecast(season, found)
    true = truth.cover[:, (season.target.date - season.sowing.date).days]
    return float((made.cover_at_target - true)[made.state != "not seen"].mean())


def date_errors(season: Season, truth: TableTruth, found: growth.Fit) -> np.ndarray:
    """Days between forecast and true date of the wanted cover, of the seen cells that get there."""
    made = outlook.forecast(replace(season, target=Target(WANTED_COVER, season.target.date)), found)
    reached = truth.cover >= WANTED_COVER
    first = reached.argmax(axis=1)
    cells = np.flatnonzero(reached.any(axis=1) & (first > 0) & (made.state != "not seen"))
    before, after = truth.cover[cells, first[cells] - 1], truth.cover[cells, first[cells]]
    true = first[cells] - 1 + (WANTED_COVER - before) / (after - before)
    # a cell that is said never to get there is counted as the end of the simulated season
    return np.abs(np.minimum(made.reach_days[cells], truth.cover.shape[1] - 1) - true)


def thin_counts(season: Season, truth: TableTruth, found: growth.Fit) -> np.ndarray:
    """Right calls, wrong calls, missed cells, seen cells; the grey band counts for neither."""
    made = outlook.forecast(season, found)
    called, seen = made.state == "thin", made.state != "not seen"
    return np.array([
        (called & truth.thin).sum(),
        (called & ~truth.thin & ~truth.grey).sum(),
        (seen & ~called & truth.thin).sum(),
        seen.sum(),
    ])  # fmt: skip


def fitted(season: Season) -> growth.Fit:
    """The curves that ``outlook.fit`` finds, for more than one target."""
    return growth.fit(
        season.cover,
        season.cover_se,
        season.age_days,
        place=np.stack([season.row, season.col], axis=1),
        prior=growth.Prior.of_mix(outlook.mixes.get(season.sowing.mix)),
    )


def scores(seeds: range, recipe: TableRecipe, days: tuple[int, ...]) -> dict:
    """Per day: cells held, lawns held, date errors, lean, thin counts."""
    lists = ("held", "lawn", "dates", "lean")
    found: dict = {day: {name: [] for name in lists} | {"thin": np.zeros(4, int)} for day in days}
    for seed in seeds:
        for day in days:
            season, truth = lawn(seed, recipe, until_day=day)
            if not season.visits:
                continue
            curves = fitted(season)
            held, lawn_held = holds(season, truth, curves, day)
            found[day]["held"].append(held.mean())
            found[day]["lawn"].append(lawn_held)
            found[day]["dates"].append(date_errors(season, truth, curves).mean())
            found[day]["lean"].append(lean(season, truth, curves))
            found[day]["thin"] += thin_counts(season, truth, curves)
    return found


def precision_recall(counts: np.ndarray) -> tuple[float, float]:
    right, wrong, missed, _ = counts
    return right / max(right + wrong, 1), right / max(right + missed, 1)


def _simulated(seeds: range) -> list[Row]:
    found = scores(seeds, TableRecipe(), (9, 14, 21, 28))
    table = []
    for day in (14, 21, 28):
        name = f"cover {AHEAD_DAYS} days ahead from day {day}: 90 % interval holds"
        lawns = found[day]["lawn"]
        whole = f"whole lawns: {np.mean(lawns):.0%} of {len(lawns)} (cells err each alone)"
        table.append(row(name, f"{np.mean(found[day]['held']):.1%}", "87-93 %", whole))
    leans = [100 * np.array(found[day]["lean"]) for day in (14, 21, 28)]
    table.append(
        row(
            "lawn's cover on the target's date, from day 14, 21, 28: mean error; lean",
            ", ".join(f"{np.abs(lean).mean():.1f}" for lean in leans)
            + " points; "
            + ", ".join(f"{lean.mean():+.1f}" for lean in leans),
        )
    )
    dates = f"date of {WANTED_COVER:.0%} cover (80 % of closed turf) from day 21: mean error"
    ends = "simulated lawns end at {:.0%} ± {:.0%}".format(*TableRecipe().end_cover)
    table.append(row(dates, f"{np.mean(found[21]['dates']):.2f} d", "<= 2 d", ends))
    limits = "little margin: what limits it is in docs/tried.md"
    for day, reach, known in ((28, ">= 0.95 / >= 0.95", ""), (21, ">= 0.90 / >= 0.85", limits)):
        precision, recall = precision_recall(found[day]["thin"])
        name = f"thin cells by day {day}: precision / recall"
        table.append(row(name, f"{precision:.3f} / {recall:.3f}", reach, known))
    called = found[9]["thin"][:2].sum()
    return [*table, row("called thin on day 9", f"{called} of {found[9]['thin'][3]} cells", "0")]


def _misfit(world: str, seeds: range) -> list[Row]:
    """Worlds that the curve can't follow: for honesty, no reach."""
    found = scores(seeds, TableRecipe(world=world), (21, 28))
    held = " / ".join(f"{np.mean(found[day]['held']):.1%}" for day in (21, 28))
    precision, recall = precision_recall(found[28]["thin"])
    return [
        row(f"{world} world: interval holds from day 21 / 28", held),
        row(f"{world} world: thin by day 28, precision / recall", f"{precision:.3f} / {recall:.3f}"),
    ]


def _healthy(count: int) -> list[Row]:
    recipe = TableRecipe(rows=12, cols=18, failed_patches=0)
    right = wrong = cells = 0
    for seed in range(FIRST_SEED, FIRST_SEED + count):
        season, truth = lawn(seed, recipe, until_day=28)
        counts = thin_counts(season, truth, fitted(season))
        right, wrong, cells = right + counts[0], wrong + counts[1], cells + counts[3]
    return [
        row(
            f"false thin on {count} healthy lawns, day 28",
            f"{wrong / cells:.3%} of {cells} cells",
            "<= 1 %",
            f"{right} more are thin in truth: lawns that end low",
        )
    ]


def seconds(rows: int, cols: int, *, times: int = 2) -> float:
    """Processor time to fit and forecast so many cells x 12 visits, best of some times."""
    recipe = TableRecipe(rows=rows, cols=cols, visit_days=tuple(range(3, 39, 3)), lost_visit=0)
    season, _ = lawn(1, recipe)
    taken = []
    for _ in range(times):
        start = time.process_time()
        outlook.fit(season)
        taken.append(time.process_time() - start)
    return min(taken)


def _speed() -> list[Row]:
    small = seconds(40, 50, times=3)
    table = [row("2,000 cells x 12 visits, fitted and forecast", f"{small:.2f} s of one core", "<= 1 s")]
    for rows_, cols in ((100, 200), (400, 500)):
        slower = seconds(rows_, cols, times=1) / small / (rows_ * cols / 2000)
        name = f"{rows_ * cols:,} cells: time per cell against 2,000"
        table.append(row(name, f"{slower:.2f} times", "linear: about 1"))
    return table


Plot = tuple[
    np.ndarray, np.ndarray, np.ndarray
]  # days since its first picture, covers, which masks are whole


def wheat_series(folder: Path, *, at_least: int = 6) -> dict[str, Plot]:
    """Every plot with so many dates."""
    plots: dict[str, list[tuple[date, float, bool]]] = defaultdict(list)
    with (folder / "index.csv").open(newline="") as file:
        for line in csv.DictReader(file):
            whole = is_whole(cv2.imread(str(folder / line["mask"]), cv2.IMREAD_GRAYSCALE) > 127)
            plots[line["plot"]].append((date.fromisoformat(line["date"]), float(line["cover_truth"]), whole))
    series = {}
    for plot, dated in plots.items():
        dated.sort()
        if len(dated) >= at_least:
            days = np.array([(day - dated[0][0]).days for day, _, _ in dated], float)
            series[plot] = (
                days,
                np.array([cover for _, cover, _ in dated]),
                np.array([w for _, _, w in dated]),
            )
    return series


def is_whole(mask: np.ndarray) -> bool:
    """False for a mask (H, W) drawn inside a frame only: much plant, and none along all four sides."""
    frame = np.ones(mask.shape, bool)
    frame[FRAME_PX:-FRAME_PX, FRAME_PX:-FRAME_PX] = False
    return bool(mask.mean() < 0.1 or mask[frame].any())


FRAME_PX = 15
WHEAT = growth.Prior(
    start_logit=(-2.5, 1.0),
    end_logit=(0.6, 1.5),
    log_rate=(-2.5, 0.8),  # a winter crop: weeks, not days
    half_days=(100.0, 50.0),
    failed_share=1e-6,
    late_share=1e-6,
)
WHEAT_SE = 0.04  # the pictured square of a plot shifts between dates, says its page


def wheat_fit(days: np.ndarray, cover: np.ndarray) -> growth.Fit:
    settings = growth.Settings(offset_sd=0.005, setback_sd=0.005, worth=1.0)  # masks know no light
    return growth.fit(cover[None], np.full((1, len(days)), WHEAT_SE), days, prior=WHEAT, settings=settings)


def own_curve(x: np.ndarray, cover: np.ndarray) -> np.ndarray:
    """Least squares of a logistic curve for one plot by itself, no prior and no lawn: theta (4,)."""
    first = np.array([WHEAT.start_logit[0], 0.0, WHEAT.log_rate[0], np.median(x)])
    return least_squares(
        lambda theta: cover_at(theta, x) - cover,
        first,
        jac=lambda theta: value_and_slope(theta, x, "logistic")[1],
    ).x


def interval(found: growth.Fit, time: float, *, noise_sd: float) -> tuple[np.ndarray, np.ndarray]:
    """90 % interval (N,), (N,) of what a visit with this error would measure at a time of the fit's axis."""
    points = even_points(outlook.DRAWS, P + 2)
    theta, _ = curves(found, slice(None), points[:, :P], points[:, P])
    noise = np.hypot(noise_sd, found.settings.curve_sd) * points[:, P + 1]
    shape = found.settings.curve
    low, high = np.quantile(cover_at(theta, np.array(time), shape) + noise, [0.05, 0.95], axis=1)
    return low, high


def r2(value: np.ndarray, true: np.ndarray) -> float:
    return float(1 - ((value - true) ** 2).sum() / ((true - true.mean()) ** 2).sum())


def wheat_scores(series: dict[str, tuple[np.ndarray, np.ndarray]]) -> dict:
    """Fitted curves against the masks' cover, and later dates held by intervals from the dates before.

    ``ceiling`` is the r2 of each plot's own least-squares curve: no curve of this shape can do better.
    """
    ours, best, plots, held, asked = [], [], [], 0, 0
    for days, cover in series.values():
        ours.append(cover_at(wheat_fit(days, cover).best()[0], days))
        best.append(cover_at(own_curve(days, cover), days))
        plots.append(r2(ours[-1], cover))
        for upto in range(4, len(days)):
            low, high = interval(wheat_fit(days[:upto], cover[:upto]), days[upto], noise_sd=WHEAT_SE)
            held += int(low[0] <= cover[upto] <= high[0])
            asked += 1
    whole = np.concatenate([cover for _, cover in series.values()])
    scores = {"r2": r2(np.concatenate(ours), whole), "ceiling": r2(np.concatenate(best), whole)}
    return scores | {"plots": sorted(plots), "held": held, "asked": asked}


def _real(folder: Path) -> list[Row]:
    """With the masks that are whole, and with all of them."""
    plots = wheat_series(folder)
    partial = sum(int((~whole).sum()) for _, _, whole in plots.values())
    every = wheat_scores({plot: (days, cover) for plot, (days, cover, _) in plots.items()})
    found = wheat_scores({plot: (days[w], cover[w]) for plot, (days, cover, w) in plots.items()})
    each = ", ".join(f"{value:.2f}" for value in found["plots"])
    return [
        row(
            "wheat plots, 6 dates or more: fitted curve against mask cover, r2",
            f"{found['r2']:.3f} (plots {each})",
            ">= 0.95",
            f"without {partial} mask drawn inside a frame only (with it {every['r2']:.3f}); "
            f"best that any such curve can: {found['ceiling']:.3f} (with it {every['ceiling']:.3f})",
        ),
        row(
            "wheat plots: next date held by the 90 % interval from the dates before",
            f"{found['held']} of {found['asked']}",
            "90 %",
            f"with it {every['held']} of {every['asked']}",
        ),
    ]


if __name__ == "__main__":
    bench_row.show(rows())
