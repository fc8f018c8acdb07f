"""Plots told as plots, cells against their own plot: on simulated trials and on rendered photos."""

from __future__ import annotations

import csv
import shutil
from collections import defaultdict
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import bench_plots as bench
import numpy as np
import pytest

from turfeye import headline, lawn, measurement, mixes, outlook, palepatches, plots, survey, trial
from turfeye.cells import lawn_grid
from turfeye.covererror import SHARED
from turfeye.lawnrecords import Oversown
from turfeye.simulate.trials import TrialRecipe
from turfeye.simulate.trials import trial as simulated

RYE = mixes.get("perennial ryegrass")
SMALL = TrialRecipe(varieties=6, blocks=2, holed_plots=0.3, thin_varieties=0.3)
SAMPLE = Path(__file__).parents[1] / "sample_images/trial-spots"


@pytest.mark.parametrize("day", [11, 18, 25])
def test_errors_and_intervals_of_plots_are_honest(day: int) -> None:
    """Seeds that nothing was tried on. A trial's plots err alike in part, so 60 trials leave some points."""
    found = bench.plot_scores(range(7000, 7060), day)
    off = np.abs(found["off"])
    assert 0.60 <= np.mean(off <= 1) <= 0.82
    assert 0.92 <= np.mean(off <= 2) <= 0.99
    assert 0.86 <= found["held"].mean() <= 0.95
    # and told apart: an interval that says nothing would hold too
    assert np.median(found["wide"]) < 0.4


def test_the_error_of_a_plot_is_that_of_few_photos_not_of_many_cells() -> None:
    season, truth = bench.seen(7001, 4)
    assert len(season.visits) == 1
    found = trial.of_plots(season, truth.number, mix=RYE).outlook
    shared = np.sqrt(SHARED) * found.season.cover_se[:, 0]  # what all 80 cells of its only photo err by
    assert (found.cover_now_se > 0.6 * shared).all()  # other plots tell some of it
    later, _ = bench.seen(7001, 25)
    more = trial.of_plots(later, truth.number, mix=RYE).outlook
    assert len(later.visits) == 4
    lasting = trial.lasting_se(more.season.cover_se[:, -1])
    assert (more.cover_now_se > 0.95 * lasting).all()  # what no visit adds to


def test_a_row_a_plot_is_the_mean_of_its_cells_with_what_one_photo_errs_by() -> None:
    season, truth = simulated(1, TrialRecipe(varieties=2, blocks=1), until_day=5)
    season = replace(season, cover_se=np.full(season.cover.shape, 0.06))
    season.cover[3] = np.nan
    of = truth.number - 1
    rows, noise_se = trial.by_plot(season, of, 2)
    first = season.cover[:80, 0]
    assert rows.cover[:, 0] == pytest.approx([np.nanmean(first), season.cover[80:, 0].mean()])
    assert rows.area_m2 == pytest.approx([0.79, 0.8])
    assert rows.cover_se == pytest.approx(np.full((2, 1), 0.06))
    want = 0.06 * np.sqrt(SHARED * trial.LIGHT + (1 - SHARED) / 79)
    assert noise_se[0, 0] == pytest.approx(want)
    assert np.hypot(noise_se[0, 0], trial.lasting_se(0.06)) == pytest.approx(
        0.06 * np.sqrt(SHARED + (1 - SHARED) / 79)
    )


@pytest.fixture(scope="module")
def told():
    """Some small trials on day 25, told by plot, with their truth."""
    found = []
    for seed in range(7100, 7106):
        season, truth = bench.seen(seed, 25, SMALL, ahead=31)
        found.append((season, truth, trial.fit(season, truth.number, mix=RYE)))
    return found


def test_a_thin_variety_is_no_hole_and_a_hole_is_one(told) -> None:
    called = defaultdict(list)
    for season, truth, found in told:
        own = np.empty(len(truth.number), dtype="<U16")
        for cells, ahead in found.own.values():
            own[cells] = ahead.state
        lower = truth.thin_variety[truth.number - 1]
        together = outlook.fit(season, mix=RYE).state == "thin"
        for name, some in (
            ("hole", truth.failed),
            ("thin variety", lower & ~truth.failed),
            ("sound", ~lower & ~truth.failed),
        ):
            called[name] += (own == "thin")[some].tolist()
            called[f"{name}, together"] += together[some].tolist()
    assert np.mean(called["hole"]) > 0.85
    assert np.mean(called["thin variety"]) < 0.05
    assert np.mean(called["sound"]) < 0.01
    # what this is for: told against all plots together more of them are taken for holes, and sound cells too
    together = np.mean(called["thin variety, together"]) + np.mean(called["sound, together"])
    assert together > 2 * (np.mean(called["thin variety"]) + np.mean(called["sound"]))


def test_a_plot_that_is_thin_as_a_whole_is_told_as_a_plot(told) -> None:
    clear, states = 0, []
    for season, truth, found in told:
        target = season.target
        then = truth.plot_cover((target.date - season.sowing.date).days)
        short = then < target.cover - 0.15
        clear += short.sum()
        states += found.plots.state[short].tolist()
        for k in np.flatnonzero(found.plots.state == "thin"):
            cells, own = found.own[int(found.numbers[k])]
            state = found.whole.state[cells]
            assert not (state == "slow").any()
            as_plot = (state == "thin") & (own.state == "slow")
            assert np.char.startswith(found.whole.why[cells][as_plot], "as its plot is: ").all()
        assert found.whole.lawn.counts["thin"] == (found.whole.state == "thin").sum()
    assert clear >= 10
    assert np.mean(np.array(states) == "thin") > 0.7
    assert "on course" not in states


def test_patches_of_a_trial_lie_in_the_holes(told) -> None:
    for season, truth, found in told:
        thin = plots.thin(found, truth.plots)
        holed = {int(n) for n in truth.number[truth.failed]}
        for patch in thin:
            assert len(patch.plots) == 1
            assert (truth.number[patch.cells] == patch.plots[0][0]).all()
            assert "the lawn" not in patch.because
            assert "strip" not in patch.because  # what failed there is no spreader's pass
        in_holes = sum(patch.area_m2 for patch in thin if patch.plots[0][0] in holed)
        assert in_holes >= 0.9 * sum(patch.area_m2 for patch in thin)
        area = season.area_m2[truth.failed].sum()
        assert in_holes == pytest.approx(area, rel=0.25)
        assert [patch.number for patch in thin] == list(range(1, len(thin) + 1))


def test_a_green_of_its_own_is_no_pale_patch() -> None:
    season, truth = bench.seen(7200, 25, replace(SMALL, holed_plots=0, thin_varieties=0))
    rng = np.random.default_rng(1)
    lab = rng.normal((45, -15, 25), 0.7, (len(truth.number), season.cover.shape[1], 3))
    lab[truth.number == 3] += (10, 6, 8)  # a variety of its own
    spot = np.flatnonzero(truth.number == 5)[[0, 1, 2, 10, 11, 12]]
    lab[spot] += (10, 6, 8)
    season = replace(season, lab=lab)
    found = trial.fit(season, truth.number, mix=RYE)
    pale = plots.pale(found, truth.plots)
    assert [patch.plots[0][0] for patch in pale] == [5]
    assert "the rest of this plot" in pale[0].because
    assert {number for patch in palepatches.pale(season) for number in truth.number[patch.cells]} == {3, 5}


def test_the_headline_counts_plots(told) -> None:
    for _, truth, found in told:
        words = found.whole.lawn.sentence
        assert " % covered in the plots on day 25" in words
        assert f"of {len(truth.plots)} plots" in words
        assert "lawn" not in words
        assert "cell" not in words
    season, found = told[0][0], told[0][2]
    none = dict.fromkeys(found.whole.lawn.counts, 0) | {"not seen": 12}
    of_none = {"usual": (0.4, 0.6), "loss": 0.0, "missing": "", "chances": np.empty(0), "look": None}
    words = headline.sentence(season, 0.5, none, 0.0, plots=True, **of_none)
    assert words == "No visit showed any plot of this trial: nothing can be said."
    few = none | {"not seen": 8, "on course": 1, "slow": 3}
    words = headline.sentence(season, 0.5, few, 0.0, plots=True, **of_none)
    assert "none of the 4 plots that were seen is thin, 1 is on course for " in words
    assert words.endswith(", 3 are slow; 8 plots were never seen")
    thin = none | {"thin": 2, "on course": 10, "not seen": 0}
    look = season.visits[-1].taken.date() + timedelta(days=7)
    for chance, ends in ((0.95, "are thin and very likely won't reach "), (0.5, "whether they will reach ")):
        told_by = of_none | {"chances": np.full(2, chance), "look": look}
        assert ends in headline.sentence(season, 0.5, thin, 0.0, plots=True, **told_by)


def test_cells_beside_the_plots_are_told_too_and_are_no_plot() -> None:
    season, truth = bench.seen(7300, 25, replace(SMALL, holed_plots=0))
    number = np.where(truth.number == 4, -1, truth.number)
    found = trial.fit(season, number, mix=RYE)
    assert found.numbers.tolist() == [n for n in range(1, 13) if n != 4]
    assert found.plots.cover_now.shape == (11,)
    assert (found.whole.state[number == -1] != "not seen").all()
    assert np.array_equal(found.own[-1][0], np.flatnonzero(number == -1))


def test_a_plot_never_seen_and_one_hardly_seen_are_no_harm() -> None:
    season, truth = bench.seen(7301, 18, SMALL)
    season.cover[truth.number == 2] = np.nan
    season.cover[np.flatnonzero(truth.number == 3)[1:]] = np.nan  # a single cell
    found = trial.fit(season, truth.number, mix=RYE)
    states = dict(zip(found.numbers.tolist(), found.plots.state.tolist(), strict=True))
    assert states[2] == "not seen"
    assert (found.whole.state[truth.number == 2] == "not seen").all()
    one = plots.standings(found, truth.plots, (), survey.treatments.Treatments())[1]
    assert (one.state, one.seen_m2) == ("not seen", 0)
    assert np.isfinite(found.plots.cover_at_target[found.numbers == 3]).all()
    assert "1 plot was never seen" in found.whole.lawn.sentence


def test_ground_sown_again_is_no_longer_the_plot_s(told) -> None:
    season, truth, found = told[0]
    hole = np.flatnonzero(truth.failed & (truth.number == 3))
    assert 0 < len(hole) < 80
    on = season.sowing.date + timedelta(days=20)
    sowing = replace(season.sowing, date=on, area_m=((0, 0), (1, 0), (1, 1)))
    again = trial.fit(replace(season, oversown=(Oversown(sowing, hole),)), truth.number, mix=RYE)
    assert np.char.startswith(again.whole.why[hole], "sown again on 3 April").all()
    assert again.plots.season.area_m2[2] == pytest.approx(0.8 - 0.01 * len(hole))
    assert again.plots.cover_at_target[2] > found.plots.cover_at_target[2] + 0.1
    assert 3 not in {patch.plots[0][0] for patch in plots.thin(again, truth.plots)}
    one = plots.standings(again, truth.plots, (), survey.treatments.Treatments())[2]
    assert sum(one.states.values()) == pytest.approx(1)
    every = np.flatnonzero(truth.number == 3)  # then there is nothing else to go by
    whole = trial.fit(replace(season, oversown=(Oversown(sowing, every),)), truth.number, mix=RYE)
    assert whole.plots.season.area_m2[2] == pytest.approx(0.8)


def test_degree_days_and_gompertz_go_through() -> None:
    season, truth = bench.seen(7302, 25, SMALL)
    warm = replace(season, degree_days_by_age=np.arange(120.0) * 9)
    found = trial.fit(warm, truth.number, mix=RYE, curve="gompertz")
    assert (found.whole.time_axis, found.plots.time_axis) == ("degree-days", "degree-days")
    assert {ahead.curve for _, ahead in found.own.values()} == {"gompertz"}


def test_a_trial_of_rendered_photos(tmp_path: Path) -> None:
    """The three sample spots as plots: what is told of them at each of five visits, against the meshes."""
    shutil.copytree(SAMPLE, tmp_path / "trial")
    text = (SAMPLE / "lawn.toml").read_text().split("[[spot]]")[0]
    for number, at_m in enumerate(([2.0, 1.5], [4.0, 3.0], [6.0, 4.5]), start=1):
        text += f"[[plots]]\nfirst = {number}\ncolumns = 1\nat_m = {at_m}\nstep_m = [1.2, 1.0]\n"
        text += "size_m = [1.2, 1.0]\n"
    (tmp_path / "trial/lawn.toml").write_text(text)
    true = defaultdict(list)
    with (SAMPLE / "truth/cells.csv").open() as file:
        for row in csv.DictReader(file):
            if float(row["card"]) < 0.1:
                true[row["photo"]].append(float(row["cover"]))
    place = lawn.read(tmp_path / "trial")
    assert lawn_grid(place.outline_m, place.cell_m).share is not None
    measured = measurement.measure(place)
    off = []
    for day in sorted({one.facts["taken"][:10] for one in measured}):
        readings = [one.reading for one in measured if one.facts["taken"][:10] <= day]
        table = survey.season_table(place, readings, None, today=date(2026, 12, 1))
        found = trial.of_plots(table, plots.of_cells(table, place.plots), mix=RYE)
        for k, number in enumerate(found.numbers):
            truth = np.mean(true[f"{day}-spot-{number}.jpg"])
            off.append((found.outlook.cover_now[k] - truth) / found.outlook.cover_now_se[k])
    assert len(off) == 15
    assert np.mean(np.abs(off) <= 1) >= 0.6
    assert np.max(np.abs(off)) < 2.5
