"""Treatments of a trial: their file, and their means against worked examples and a reference library."""

from __future__ import annotations

import csv
from dataclasses import replace
from datetime import date, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from PIL import Image
from test_plots import measured_in

from turfeye import answer, bydate, doubts, lawn, plottables, sheet, survey, treatments
from turfeye.errors import LawnError
from turfeye.treatments import Compared, compare

# Gomez and Gomez 1984, Statistical Procedures for Agricultural Research, 2nd edition, Wiley, tables 2.5 and
# 2.6: grain yield (kg/ha) of rice IR8 at six seeding rates (kg/ha) in four complete blocks. From memory; the
# block totals, 30953, 31284, 29846 and 26947, agree with the book's.
RATES = ("25", "50", "75", "100", "125", "150")
YIELD = np.array([
    [5113, 5398, 5307, 4678],
    [5346, 5952, 4719, 4264],
    [5272, 5713, 5483, 4749],
    [5164, 4831, 4986, 4410],
    [4804, 4848, 4432, 4748],
    [5254, 4542, 4919, 4098],
], float)  # fmt: skip
RATE_OF = list(np.repeat(RATES, 4))
BLOCK_OF = list(np.tile(["I", "II", "III", "IV"], 6))


def test_means_and_errors_are_those_of_a_worked_example() -> None:
    assert YIELD.sum(axis=0).tolist() == [30953, 31284, 29846, 26947]
    found = compare(YIELD.ravel(), RATE_OF, BLOCK_OF)
    assert found.treatments == RATES  # numbers by their size
    assert found.mean == pytest.approx([5124, 5070, 5304, 4848, 4708, 4703], abs=0.5)  # table 2.5
    assert found.df == 15
    assert found.residual_sd**2 == pytest.approx(110_558, abs=1)  # table 2.6: error mean square
    assert found.cv_pct == pytest.approx(6.7, abs=0.05)
    assert found.sed == pytest.approx(np.sqrt(2 * 110_558 / 4), rel=1e-5)
    # F = 2.17 with 5 and 15 degrees of freedom is not significant: F at 5 % is 2.90 (any table of F)
    from scipy.stats import f as f_law

    assert f_law.isf(found.p, 5, 15) == pytest.approx(2.17, abs=0.005)
    assert found.lsd / found.sed == pytest.approx(2.131, abs=0.0005)  # t at 5 %, two-sided, 15 df: tables


def test_plots_without_a_value_are_as_a_reference_library_has_them() -> None:
    """statsmodels 0.15.0, ols("y ~ 0 + C(t) + C(b, Sum)") and anova_lm, of these with two plots missing."""
    values = YIELD.ravel().copy()
    values[[5, 22]] = np.nan
    found = compare(values, RATE_OF, BLOCK_OF)
    assert found.mean == pytest.approx([5124, 4823.5804, 5304.25, 4847.75, 4708, 4639.2946], abs=1e-3)
    assert (found.df, found.plots.tolist()) == (13, [4, 3, 4, 4, 4, 3])
    assert found.residual_sd**2 == pytest.approx(75998.43864468863)
    assert found.sed == pytest.approx(207.74083910097403)  # root of the mean variance over all 15 pairs
    assert found.p == pytest.approx(0.04270485824947297)


def test_one_missing_plot_is_as_yates_has_it() -> None:
    """Yates 1933, Empire Journal of Experimental Agriculture 1:129-142 (from memory): the value that least
    squares put in its place is (t T + r B - G) / ((t - 1) (r - 1))."""
    values = YIELD.copy()
    values[1, 1] = np.nan
    t, r = values.shape
    put_in = (t * np.nansum(values[1]) + r * np.nansum(values[:, 1]) - np.nansum(values)) / (
        (t - 1) * (r - 1)
    )
    found = compare(values.ravel(), RATE_OF, BLOCK_OF)
    assert found.mean[1] == pytest.approx((np.nansum(values[1]) + put_in) / r)
    assert np.delete(found.mean, 1) == pytest.approx(np.delete(YIELD.mean(axis=1), 1))


def test_without_blocks_it_is_a_one_way_analysis() -> None:
    from scipy.stats import f_oneway

    found = compare(YIELD.ravel(), RATE_OF)
    assert (found.df, found.p) == (18, pytest.approx(f_oneway(*YIELD).pvalue))


def test_what_can_t_be_told_is_not() -> None:
    one = compare(YIELD.ravel()[::4], RATE_OF[::4], BLOCK_OF[::4])
    assert np.isfinite(one.mean).all()
    assert np.isnan([one.sed, one.lsd, one.p]).all()
    assert one.why == "too few plots: what treatments differ by could be chance"
    apart = compare(np.arange(8.0), list("aabbccdd"), list("11112222"))
    assert np.isnan(apart.mean).all()
    assert apart.why == "some blocks have no treatment in common with the others"
    alone = compare(np.array([1.0, 2, np.nan, np.nan]), list("aabb"))
    assert alone.why == "a single treatment has plots with a value"
    assert np.isnan(alone.mean[1])
    empty = compare(np.array([1.0, 2, 3, 4, 9, 9]), ["a", "a", "b", "b", "", "a"], [*list("12121"), ""])
    assert empty.plots.tolist() == [2, 2]  # no treatment, no block: no part of it
    assert empty.treatments == ("a", "b")


def test_the_error_of_a_difference_holds() -> None:
    """Invented trials: of true differences 95 in 100 lie within the least significant difference."""
    rng = np.random.default_rng(3)
    names, blocks = list(np.tile(list("abcde"), 4)), list(np.repeat(list("1234"), 5))
    held = []
    for _ in range(400):
        true = rng.normal(0, 0.05, 5)
        values = np.tile(true, 4) + np.repeat(rng.normal(0, 0.1, 4), 5) + rng.normal(0, 0.04, 20)
        values[rng.random(20) < 0.1] = np.nan
        found = compare(values, names, blocks)
        held.append(abs((found.mean[0] - found.mean[1]) - (true[0] - true[1])) <= found.lsd)
    assert 0.92 <= np.mean(held) <= 0.98


def test_a_small_chance_is_no_nought_in_the_table() -> None:
    """25 treatments in eight blocks, far apart: what the sums of squares give, by scipy's F law."""
    from scipy.stats import f as f_law

    rng = np.random.default_rng(4)
    values = rng.normal(0.5, 0.1, 25)[:, None] + rng.normal(0, 0.05, (25, 8))
    names, blocks = [f"T{k}" for k in range(25) for _ in range(8)], list("ABCDEFGH") * 25
    one = Compared(date(2026, 5, 6), 53, "cover", compare(values.ravel(), names, blocks))
    row = bydate.mean_rows([one])[0]
    among = 8 * np.sum((values.mean(axis=1) - values.mean()) ** 2) / 24
    rest = values - values.mean(axis=1, keepdims=True) - values.mean(axis=0) + values.mean()
    expected = f_law.sf(among / (np.sum(rest**2) / 168), 24, 168)
    assert 0 < row["p"] < 1e-12
    assert row["p"] == pytest.approx(expected, rel=5e-3)  # three digits


def test_the_sentence_names_the_ends() -> None:
    values = np.array([0.4, 0.7, 0.42, 0.71, 0.38, 0.69])
    one = Compared(date(2026, 5, 6), 53, "cover", compare(values, list("abababab")[:6], list("112233")))
    assert one.sentence.startswith(
        "2 treatments on 6 May: greenest b (70 %), least green a (40 %); least significant"
    )
    assert "least significant difference 2 points (19 in 20" in one.sentence
    near = replace(one, means=replace(one.means, lsd=0.004))
    assert "least significant difference 0.4 points" in near.sentence
    # 6 and 9 points apart in two blocks, then the other way round in the third: F is 0.13 with 1 and 2 df
    values = np.array([0.4, 0.46, 0.42, 0.51, 0.5, 0.41])
    one = Compared(date(2026, 5, 6), 53, "cover", compare(values, list("ababab"), list("112233")))
    assert "least green a (44 %), which may be chance; least significant difference" in one.sentence


def test_a_round_that_takes_two_days_is_compared_whole() -> None:
    """Half of the plots on one day, half on the next; then plot 1 on both days; then three days between."""
    seen = {
        "2026-05-06": {1: 0.4, 2: 0.5}, "2026-05-07": {3: 0.42, 4: 0.54},
        "2026-05-14": {1: 0.6, 2: 0.7}, "2026-05-15": {1: 0.61, 3: 0.62, 4: 0.72},
        "2026-05-20": {1: 0.7, 2: 0.8}, "2026-05-23": {3: 0.7, 4: 0.8},
    }  # fmt: skip
    rows = [
        {"plot": n, "treatment": "ab"[(n - 1) % 2], "block": "1122"[n - 1], "date": day}
        | {"age_days": (date.fromisoformat(day) - date(2026, 3, 14)).days, "dgci": None, "cover": of.get(n)}
        for n in (1, 2, 3, 4)
        for day, of in seen.items()
    ]
    given = treatments.Treatments(("treatment", "block"), {})
    first, *others = bydate.compared(rows, given)
    assert (first.first, first.on, first.age_days) == (date(2026, 5, 6), date(2026, 5, 7), 54)
    assert first.means.mean == pytest.approx([0.41, 0.52])
    assert first.means.plots.tolist() == [2, 2]
    assert first.sentence.startswith("2 treatments from 6 May to 7 May: greenest b (52 %)")
    assert [one.on.day for one in others] == [14, 15, 20, 23]


# -- the file ------------------------------------------------------------------------------------------------


def written(folder: Path, text: str) -> treatments.Treatments:
    (folder / "treatments.csv").write_text(text, encoding="utf-8")
    return treatments.read(folder, (1, 2, 3), taken=("cover", "state"))


@pytest.mark.parametrize("part", [",", ";", "\t"])
def test_columns_are_carried_along(tmp_path: Path, part: str) -> None:
    found = written(tmp_path, "\ufeffPlot, treatment,BLOCK,lot\n1,A,I,7\n\n3,B,II,\n".replace(",", part))
    assert found.columns == ("treatment", "block", "lot")
    assert [found.value(plot, "lot") for plot in (1, 2, 3)] == ["7", "", ""]
    assert found.value(3, "treatment") == "B"
    assert found.lacking((1, 2, 3)) == (2,)


@pytest.mark.parametrize("part", [";", "\t"])
def test_a_spreadsheet_s_decimal_commas_become_points(tmp_path: Path, part: str) -> None:
    """As it is set where a comma is the decimal sign; what is no number in every row stays as it is."""
    text = (
        "plot;treatment;block;rate;lot;note;big\n"
        "1;22,5;1;20,5;7;1,5 kg;1.234,5\n2;25;1;-3;8;2,5;2,5\n3;A;2;;9;;3,5\n"
    )
    found = written(tmp_path, text.replace(";", part))
    assert [found.value(plot, "rate") for plot in (1, 2, 3)] == ["20.5", "-3", ""]
    assert [found.value(plot, "lot") for plot in (1, 2, 3)] == ["7", "8", "9"]
    assert found.value(1, "treatment") == "22,5"
    assert (found.value(2, "note"), found.value(2, "big")) == ("2,5", "2,5")
    quoted = 'plot,treatment,rate\n1,A,"20,5"\n'
    assert written(tmp_path, quoted).value(1, "rate") == "20,5"


def test_a_file_in_another_encoding_says_how_to_save_it(tmp_path: Path) -> None:
    (tmp_path / "treatments.csv").write_bytes("plot;treatment\n1;Sorte Grün\n".encode("cp1252"))
    with pytest.raises(LawnError, match=r"not UTF-8 text; save it again .* as the kind 'CSV UTF-8'"):
        treatments.read(tmp_path, (1,))


def test_nothing_is_read_where_there_is_nothing(tmp_path: Path) -> None:
    assert treatments.read(tmp_path, (1, 2)).columns == ()
    (tmp_path / "treatments.csv").write_text("plot\n1\n")
    assert treatments.read(tmp_path, ()).lacking(()) == ()  # no trial


def test_every_mistake_is_told_at_once(tmp_path: Path) -> None:
    with pytest.raises(LawnError, match="4 mistakes") as told:
        written(tmp_path, "plot,treatment\n1,A\n1,B\nx,C\n9,D\n2,E,F\n")
    assert str(told.value).splitlines()[1:] == [
        "  - row 3: plot 1 is there twice, first in row 2",
        "  - row 4: plot 'x' is not a plot number",
        "  - row 5: the trial has no plot 9, its plots are 1 to 3",
        "  - row 6: 3 fields, the first row names 2",
    ]
    with pytest.raises(LawnError, match="state is a column of the results already"):
        written(tmp_path, "plot,state\n1,A\n")
    with pytest.raises(
        LawnError, match=r"no column plot \(there are Parcel, treatment\); write plot,treatment"
    ):
        written(tmp_path, "Parcel,treatment\n1,A\n")
    with pytest.raises(LawnError, match="no rows of plots; write one row per plot"):
        written(tmp_path, "plot,treatment\n")
    with pytest.raises(LawnError, match="column a is there twice"):
        written(tmp_path, "plot,a,a\n1,2,3\n")


def test_blocks_by_another_name_are_told(tmp_path: Path) -> None:
    """A column Rep in complete blocks went along as one of the user's own, and blocks were none."""
    (tmp_path / "treatments.csv").write_text(
        "plot,treatment,lot,Rep\n" + "".join(f"{n},{'AB'[n % 2]},{n % 3},{n // 2}\n" for n in range(4))
    )
    trial = SimpleNamespace(folder=tmp_path, plots=[SimpleNamespace(number=n) for n in range(4)])
    given = treatments.read(tmp_path, range(4))
    assert doubts.of_treatments(trial, given) == [
        "treatments.csv has no column block: plots count as completely randomised. Each treatment is once in "
        "each Rep: if that is the block, call it block"
    ]
    # laid out at random, or with its blocks called so
    for text in ("plot,treatment,Rep\n0,A,1\n1,A,1\n2,B,2\n3,B,2\n", "plot,treatment,block\n0,A,1\n1,B,1\n"):
        (tmp_path / "treatments.csv").write_text(text)
        assert treatments.read(tmp_path, range(4)).like_a_block() == ""


@pytest.mark.parametrize("missing", ["NA", "#N/A", ".", "-"])
def test_what_is_missing_is_no_treatment(tmp_path: Path, missing: str) -> None:
    """What R (NA), spreadsheets (#N/A) and SAS (.) write of a value that is missing."""
    given = written(tmp_path, f"plot,treatment,block,lot\n1,A,I,NA\n2,{missing},I,x\n3,B,{missing},x\n")
    assert given.not_compared() == (2, 3)
    assert given.value(1, "lot") == "NA"  # a column of the user's own stays as it is


def test_what_the_file_doesn_t_say_is_noted(tmp_path: Path) -> None:
    trial = SimpleNamespace(folder=tmp_path, plots=[SimpleNamespace(number=n) for n in (1, 2, 3)])
    given = written(tmp_path, "plot,treatment\n2,A\n")
    assert doubts.of_treatments(trial, given) == ["treatments.csv says nothing of plots 1, 3"]
    assert doubts.of_treatments(trial, treatments.Treatments()) == []
    assert doubts.of_treatments(trial, written(tmp_path, "plot,lot\n1,x\n2,\n3,x\n")) == [
        "treatments.csv has no column treatment: nothing is compared (it has lot); give the one to compare "
        "that name"
    ]
    given = written(tmp_path, "plot,treatment,block\n1,Rye 2,I\n2,rye 2 ,\n3,,I\n")
    values = [Compared(date(2026, 5, 6), 53, "cover", compare(np.array([0.4, 0.5]), ["a", "a"]))]
    assert doubts.of_treatments(trial, given, values) == [
        "treatments.csv names no treatment or block for plots 2, 3: left out of all means",
        "treatments.csv has 'Rye 2' and 'rye 2', which count as 2: write them the same way if they are one",
        "treatments are not compared: a single treatment has plots with a value",
    ]
    plain = SimpleNamespace(folder=tmp_path, plots=())
    assert doubts.of_treatments(plain, treatments.Treatments()) == [
        "treatments.csv is not read: nothing says where its plots are, neither columns called x_from_m, "
        "x_to_m, y_from_m and y_to_m (it has plot, treatment and block) nor [[plots]] in lawn.toml"
    ]


# -- a season ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> answer.Answer:
    """Four plots of two treatments in two blocks; one was not photographed on the last day. Invented."""
    folder = tmp_path_factory.mktemp("trial") / "trial"
    (folder / "photos").mkdir(parents=True)
    (folder / "lawn.toml").write_text(
        'schema = 1\nname = "Invented trial"\noutline_m = [[0, 0], [8, 0], [8, 3], [0, 3]]\ncell_m = 0.1\n'
        "[[plots]]\nfirst = 41\ncolumns = 4\nat_m = [1.0, 1.2]\nstep_m = [2.0, 2.5]\n"
        '[[sowing]]\ndate = 2026-03-14\nmix = "perennial ryegrass"\nrate_g_m2 = 35\n'
    )
    (folder / "treatments.csv").write_text(
        "plot,treatment,block,lot\n41,A,1,x\n42,B,1,y\n43,A,2,x\n44,B,2,y\n"
    )
    place = lawn.read(folder)
    found = list(measured_in(place))
    for one in tuple(found):  # the same two again as plots 43 and 44
        plot = int(one.facts["view"].removeprefix("spot ")) + 2
        at_m = (one.facts["at_m"][0] + 4, one.facts["at_m"][1])
        taken = datetime.fromisoformat(one.facts["taken"]) + timedelta(minutes=plot)
        path = place.photos_dir / f"{taken:%Y-%m-%d}-plot-{plot}.png"
        if plot == 44 and taken.date() == date(2026, 4, 25):
            continue
        Image.new("RGB", (240, 180), (plot, 90, taken.day)).save(path)
        facts = one.facts | {"view": f"spot {plot}", "at_m": at_m, "taken": taken.isoformat()}
        found.append(type(one)(path, f"{plot}-{taken.day}", one.table, facts))
    lost = place.photos_dir / "2026-04-25T09-00-00-plot-44.png"
    (folder / "lawn.toml").write_text(
        (folder / "lawn.toml").read_text() + f'[[photo]]\nname = "{lost.name}"\nspot = 44\n'
    )
    Image.new("RGB", (240, 180), (3, 4, 5)).save(lost)
    found.append(type(found[0])(lost, "lost", None, {"why": "no card could be read"}))
    return survey.answered(lawn.read(folder), tuple(found), today=date(2026, 6, 1))


def table(season: answer.Answer, name: str) -> list[dict[str, str]]:
    with (season.lawn.results_dir / name).open(newline="") as file:
        return list(csv.DictReader(file))


def test_a_row_a_plot_a_date_goes_into_statistics(season: answer.Answer) -> None:
    rows = table(season, bydate.BY_DATE)
    assert len(rows) == 4 * 4
    assert [(row["plot"], row["treatment"], row["block"], row["lot"]) for row in rows[::4]] == [
        ("41", "A", "1", "x"), ("42", "B", "1", "y"), ("43", "A", "2", "x"), ("44", "B", "2", "y"),
    ]  # fmt: skip
    assert [(row["date"], row["age_days"]) for row in rows[:4]] == [
        ("2026-03-26", "12"), ("2026-04-04", "21"), ("2026-04-13", "30"), ("2026-04-25", "42"),
    ]  # fmt: skip
    photos = {(r["view"], r["taken"][:10]): r for r in table(season, "photos.csv") if r["cover"]}
    for row in rows[:-1]:
        seen = photos[f"spot {row['plot']}", row["date"]]
        assert float(row["cover"]) == pytest.approx(float(seen["cover"]), abs=0.002)
        assert float(row["cover_se"]) == pytest.approx(float(seen["cover_se"]), abs=0.002)
        assert (row["cells"], row["seen_m2"], row["why"]) == ("120", "1.2", "")
    assert (rows[-1]["cover"], rows[-1]["cells"]) == ("", "0")
    assert rows[-1]["why"] == "not measured: no card could be read"


def test_means_by_treatment_are_those_of_the_rows(season: answer.Answer) -> None:
    rows, means = table(season, bydate.BY_DATE), table(season, bydate.MEANS)
    assert {row["measure"] for row in means} == {"cover", "dgci"}
    for day in ("2026-04-13", "2026-04-25"):
        some = [row for row in rows if row["date"] == day]
        values = np.array([float(row["cover"] or "nan") for row in some])
        want = compare(values, [r["treatment"] for r in some], [r["block"] for r in some])
        got = [row for row in means if (row["date"], row["measure"]) == (day, "cover")]
        assert [float(row["mean"]) for row in got] == pytest.approx(want.mean.tolist(), abs=1e-3)
        assert [row["plots"] for row in got] == [str(n) for n in want.plots]
        assert [row["df"] for row in got] == [str(want.df or "")] * 2
    assert [row["why"] for row in got] == ["too few plots: what treatments differ by could be chance"] * 2


def test_page_and_lines_tell_the_treatments(season: answer.Answer) -> None:
    lines = answer.ten_lines(season)
    assert any(line.startswith("2 treatments on 25 April: greenest A (") for line in lines)
    assert any(line.startswith("Plots: ") for line in lines)
    assert len(lines) <= 10
    page = sheet.page(season, dict.fromkeys(("map-states", "curve", "visits"), b""))
    assert page.index("Treatments compared") < page.index("How each plot is doing")
    assert "<th>Treatment</th><th>Block</th>" in page
    assert '<td class="where">A</td>' in page
    client = sheet.client_page(season, dict.fromkeys(("map-states", "curve"), b""))
    assert "<th>Treatment</th><th>Block</th>" in client
    assert "lot" not in [name.lower() for name in plottables.given(season)]
    plots = table(season, "plots.csv")
    assert [(row["treatment"], row["lot"]) for row in plots] == [("A", "x"), ("B", "y")] * 2


def test_a_trial_that_lost_its_file_keeps_no_means(season: answer.Answer, tmp_path: Path) -> None:
    (tmp_path / bydate.MEANS).write_text("x")
    (tmp_path / bydate.BY_DATE).write_text("x")
    assert bydate.write(tmp_path, [], (), treatments.Treatments()) == ()
    assert not list(tmp_path.iterdir())


def test_a_mistake_is_told_before_a_photo_is_measured(season: answer.Answer, tmp_path: Path) -> None:
    (tmp_path / "lawn.toml").write_text((season.lawn.folder / "lawn.toml").read_text())
    (tmp_path / "treatments.csv").write_text("plot,treatment\n99,A\n")
    with pytest.raises(LawnError, match="no plot 99"):
        survey.season(tmp_path)
