"""Plots told by a spreadsheet: one that a person with two hundred plots would have, and its typing errors."""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Polygon, box

from turfeye import doubts, lawn, newlawn, plotsheet, survey
from turfeye.errors import LawnError
from turfeye.lawnrecords import Plot, Spot

OUTLINE = "outline_m = [[0, 0], [31, 0], [31, 22.5], [0, 22.5]]\n"
LAWN = f'schema = 1\nname = "Invented trial"\n{OUTLINE}cell_m = 0.1\n'
HEAD = ("Plot", "Treatment", "Block", "X from (m)", "X to (m)", "Y from (m)", "Y to (m)", "Lot")
COMMAS = "plot,x_from_m,x_to_m,y_from_m,y_to_m\n"


def sheet_rows() -> list[list[str]]:
    """Two hundred plots of 1.2 by 1.6 m whose numbers run to and fro, a wide path after the fifth row."""
    rows = []
    for row in range(10):
        for k in range(20):
            column = k if row % 2 == 0 else 19 - k
            x, y = 0.5 + 1.5 * column, 0.5 + 2 * row + (1.5 if row >= 5 else 0)
            sides = [f"{side:g}" for side in (x, x + 1.2, y, y + 1.6)]
            rows.append([str(20 * row + k + 1), f"variety {k}", str(row + 1), *sides, f"K-{k}"])
    return rows


def exported(rows: list[list[str]], between: str = ",", end: str = "\r\n", mark: str = "\ufeff") -> str:
    """As a spreadsheet writes it; between semicolons and tabs with decimal commas, empty columns last."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=between, lineterminator=end)
    comma = {".": ","} if between != "," else {}
    for row in [list(HEAD), *rows]:
        sides = [value.translate(str.maketrans(comma)) for value in row[3:7]]
        writer.writerow([*row[:3], *sides, *row[7:], "", ""])
    return mark + out.getvalue()


def place(folder: Path, text: str, *, more: str = "") -> lawn.Lawn:
    (folder / "lawn.toml").write_text(LAWN + more)
    (folder / "treatments.csv").write_bytes(text.encode("utf-8"))
    return lawn.read(folder)


def mistakes(folder: Path, text: str, *, more: str = "") -> list[str]:
    with pytest.raises(LawnError) as told:
        place(folder, text, more=more)
    head, *lines = str(told.value).split("\n  - ")
    assert re.search(r"treatments\.csv has \d+ mistakes?$", head)
    return lines


@pytest.mark.parametrize("between", [",", ";", "\t"])
@pytest.mark.parametrize(("end", "mark"), [("\r\n", "\ufeff"), ("\n", ""), ("\r", ""), ("\n", "sep={}\n")])
def test_two_hundred_plots_come_from_one_sheet(tmp_path: Path, between: str, end: str, mark: str) -> None:
    trial = place(tmp_path, exported(sheet_rows(), between, end, mark.format(between)))
    assert [plot.number for plot in trial.plots] == list(range(1, 201))
    assert trial.plots[0] == Plot(1, (1.1, 1.3), (1.2, 1.6))
    assert trial.plots[20] == Plot(21, (29.6, 3.3), (1.2, 1.6))  # back from the other end
    assert trial.plots[199] == Plot(200, (1.1, 20.8), (1.2, 1.6))
    assert trial.paths  # ground between them is no lawn
    assert trial.peg_word == "plot"
    assert plotsheet.sizes(trial.plots) == "1.2 by 1.6 m"
    assert newlawn.again(tmp_path / "next", tmp_path).plots == trial.plots
    given = survey.treatments_of(trial)
    assert given.columns == ("treatment", "block", "Lot")  # where a plot is, is told by plots.csv itself
    assert (given.value(21, "block"), given.value(21, "Lot")) == ("2", "K-0")


def test_a_sheet_and_the_lawn_file_make_the_same_plots(tmp_path: Path) -> None:
    table = "[[plots]]\ncolumns = 3\nrows = 2\nat_m = [2, 2]\nstep_m = [2, 3]\nsize_m = [1.5, 2.5]\n"
    (tmp_path / "lawn.toml").write_text(LAWN + table)
    by_table = lawn.read(tmp_path)
    rows = [
        f"{plot.number},{x - 0.75},{x + 0.75},{y - 1.25},{y + 1.25}\n"
        for plot in by_table.plots
        for x, y in [plot.at_m]
    ]
    by_sheet = place(tmp_path, COMMAS + "".join(rows))
    assert by_sheet.plots == by_table.plots
    assert by_sheet.paths == by_table.paths
    turned = COMMAS.replace("\n", ",turned_deg\n") + "1,1,2,1,2,90\n2,3,4,1,2,\n"
    assert [spot.turned_deg for spot in place(tmp_path, turned).spots] == [90, 0]


def test_one_wrong_side_is_one_mistake_with_its_row(tmp_path: Path) -> None:
    rows = sheet_rows()
    rows[36][3] = "0.5"  # plot 37, which begins at x = 5
    assert mistakes(tmp_path, exported(rows)) == [
        "row 38: plot 37, x 0.5 to 6.2 and y 2.5 to 4.1 m, overlaps plots 38, 39, 40"
    ]
    rows[36][3] = "5.18"  # in nobody's way, so it is shown and not refused
    assert plotsheet.sizes(place(tmp_path, exported(rows)).plots) == (
        "1.2 by 1.6 m, but plot 37 is 1.02 by 1.6 m"
    )


def test_all_mistakes_are_told_with_the_rows_of_the_spreadsheet(tmp_path: Path) -> None:
    rows = sheet_rows()
    rows[4][1] = "two\nlines"  # one row of the spreadsheet, two lines of the file
    rows[8][0] = "8"
    rows[9][0] = "1O"
    rows[19][4], rows[20][5], rows[21][6] = "30,2", "", rows[21][5]
    rows.insert(100, [""] * 8)
    rows[150][4] = "44"  # behind the empty row: plot 150 in row 152
    assert mistakes(tmp_path, exported(rows)) == [
        "row 10: plot 8 is there twice, first in row 9",
        "row 11: plot '1O' is not a plot number",
        "row 21: x_to_m '30,2' is not a number such as 4.5",
        "row 22: y_from_m is empty",
        "row 23: y_to_m must be above y_from_m: they are where the plot begins and ends, in metres",
        "row 152: the plot lies off the lawn, or reaches over its edge; outline_m goes from 0 to 31 m along "
        "x and from 0 to 22.5 m along y",
    ]


def test_a_sheet_in_centimetres_is_one_line(tmp_path: Path) -> None:
    rows = [[*row[:3], *(f"{100 * float(side):g}" for side in row[3:7]), row[7]] for row in sheet_rows()]
    (line,) = mistakes(tmp_path, exported(rows))
    assert line.startswith("rows 2 to 201: the plot lies off the lawn")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("plot,x_from_m,x_to_m,y_from_m\n1,1,2,1\n", "row 1: no column y_to_m (there are plot, x_from_m"),
        ("plot,X from,x_to_m,y_from_m,y_to_m\n1,1,2,1,2\n", "row 1: no column x_from_m (there are plot, X f"),
        ("plot,x_from_cm,x_to_cm,y_from_cm,y_to_cm\n1,1,2,1,2\n", "row 1: no column x_from_m, x_to_m, y_"),
        ("parcel" + COMMAS[4:] + "1,1,2,1,2\n", "row 1: no column plot (there are parcel, x_from_m"),
        (COMMAS.replace("y_to_m", "x to m") + "1,1,2,1,2\n", "row 1: column x_to_m is there twice"),
        (COMMAS.replace("\n", ",\n") + "1,1,2,1,2,rye\n", "row 1: column 6 has no name"),
        (COMMAS + "1,1,2,1,2,rye\n", "row 2: 6 fields, the first row names 5"),
        (COMMAS + '1,1,2,1,2\n2,"3,4,1,2\n3,5,6,1,2\n', 'row 3: its quotation marks (") do not pair up'),
        (COMMAS, "row 2: no rows of plots"),
        (COMMAS + "1,1,nan,1,2\n", "row 2: x_to_m 'nan' is not a number"),
        (COMMAS + "1,1,1e999,1,2\n", "row 2: x_to_m '1e999' is not a number"),
        (COMMAS[:-1] + ",turned_deg\n1,1,2,1,2,left\n", "row 2: turned_deg 'left' is not a number"),
    ],
)
def test_what_is_wrong_with_a_sheet_is_told(tmp_path: Path, text: str, says: str) -> None:
    assert mistakes(tmp_path, text)[0].startswith(says)


def test_an_empty_sheet_is_told_as_not_read(tmp_path: Path) -> None:
    (told,) = doubts.of_treatments(trial := place(tmp_path, ""), survey.treatments_of(trial))
    assert "nothing says where its plots are" in told
    assert "(it has none)" in told


def test_plots_are_told_once(tmp_path: Path) -> None:
    table = "[[plots]]\ncolumns = 2\nat_m = [2, 2]\nstep_m = [2, 3]\n"
    spot = "[[spot]]\nnumber = 1\nat_m = [1, 1]\n"
    assert mistakes(tmp_path, COMMAS + "1,1,2,1,2\n", more=table) == [
        "row 1: x_from_m, x_to_m, y_from_m and y_to_m say where the plots are, and so does [[plots]] in "
        "lawn.toml; delete one"
    ]
    assert mistakes(tmp_path, COMMAS + "1,1,2,1,2\n", more=spot) == [
        "row 2: plot 1 is a [[spot]] in lawn.toml too"
    ]
    both = place(tmp_path, COMMAS + "2,1,2,1,2\n", more=spot)
    assert [spot.number for spot in both.spots] == [1, 2]
    assert both.peg_word == "spot"
    own = place(tmp_path, "plot,treatment,x_total,turned_deg\n1,A,7,left\n", more=table)
    assert survey.treatments_of(own).columns == ("treatment", "x_total", "turned_deg")  # columns of one's own


def test_an_l_shaped_lawn_has_no_plot_in_its_corner(tmp_path: Path) -> None:
    outline = "[[0, 0], [10, 0], [10, 4], [4, 4], [4, 10], [0, 10]]"
    (tmp_path / "lawn.toml").write_text(f'schema = 1\nname = "L"\noutline_m = {outline}\ncell_m = 0.1\n')
    (tmp_path / "treatments.csv").write_text(COMMAS + "1,6,8,2,4\n2,6,8,5,7\n3,2,4.1,5,7\n4,3,5,8,9\n")
    with pytest.raises(LawnError, match=r"2 mistakes\n  - rows 3 and 5: the plot lies off the lawn"):
        lawn.read(tmp_path)


SIDES = st.tuples(*[st.integers(0, 40)] * 2, *[st.integers(5, 20)] * 2)


@settings(max_examples=60, deadline=None)
@given(st.lists(SIDES, min_size=1, max_size=12))
def test_what_is_told_to_overlap_are_those_that_do(found: list[tuple[int, int, int, int]]) -> None:
    """Against shapely: without the plots that are told none overlaps, and each that is told does."""
    boxes = [box(x / 10, y / 10, (x + w) / 10, (y + h) / 10) for x, y, w, h in found]
    pegs = [
        Spot(k, ((x + w / 2) / 10, (y + h / 2) / 10), 0.0, (w / 10, h / 10))
        for k, (x, y, w, h) in enumerate(found)
    ]
    told = plotsheet._overlapping(pegs)
    meets = np.array([[a.intersection(b).area > 1e-6 for b in boxes] for a in boxes])
    np.fill_diagonal(meets, False)
    kept = [k for k in range(len(found)) if k not in told]
    assert not meets[np.ix_(kept, kept)].any()
    assert all(meets[k].any() for k in told)


@settings(max_examples=60, deadline=None)
@given(SIDES)
def test_the_share_on_the_lawn_is_shapely_s(side: tuple[int, int, int, int]) -> None:
    ring = np.array([[0, 0], [4, 0], [4, 1.5], [2, 1.5], [2, 4], [0, 4]], float)
    x, y, w, h = (value / 10 for value in side)
    share = plotsheet._on_lawn(ring, x, y, x + w, y + h)
    assert share == pytest.approx(
        Polygon(ring).intersection(box(x, y, x + w, y + h)).area / (w * h), abs=1e-6
    )


def test_the_page_on_the_lawn_file_tells_it_as_it_is(tmp_path: Path) -> None:
    page = (Path(__file__).parent.parent / "docs/lawn-file.md").read_text(encoding="utf-8")
    section = page.split("## A trial in a spreadsheet")[1]
    blocks = [block.replace("    ", "") for block in re.findall(r"(?:^    .*\n?)+", section, re.M)]
    trial = place(tmp_path, blocks[0])
    assert trial.plots == (Plot(1, (1.1, 1.3), (1.2, 1.6)), Plot(2, (2.6, 1.3), (1.2, 1.6)))
    assert survey.treatments_of(trial).columns == ("treatment", "block", "seed_lot")
    for name in (plotsheet.PLOT, plotsheet.TREATMENT, plotsheet.BLOCK, plotsheet.TURNED, *plotsheet.SIDES):
        assert re.search(rf"^\| .*`{name}`.* \|.*\|$", section, re.M)
    rows = sheet_rows()
    rows[36][3], rows[100][0] = "0.5", "10l"
    told = [line.removeprefix("  - ") for line in blocks[1].splitlines()[1:]]
    assert mistakes(tmp_path, exported(rows)) == [line.removeprefix("- ") for line in told]
