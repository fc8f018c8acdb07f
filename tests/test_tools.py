"""What the tools share: the table's lines, pictures side by side, truth beside rendered pictures."""

import math
import operator
import os
import time
from pathlib import Path
from types import SimpleNamespace

import bench_row
import calibrate_errors
import numpy as np
import pool
import pytest
import rendered_truth

from turfeye import covererror
from turfeye.records import Grid

RENDERED = Path(__file__).parent / "data" / "rendered"


def test_a_table_has_a_line_a_row():
    rows = [bench_row.row("speed", "1.0 s", "≤ 2 s"), bench_row.row("size", "3 MB", known="4 MB elsewhere")]
    lines = ["| speed | 1.0 s | ≤ 2 s |  |", "| size | 3 MB |  | 4 MB elsewhere |"]
    assert bench_row.table(rows).splitlines()[2:] == lines


def test_one_picture_that_fails_leaves_the_others(capfd):
    pool.run(operator.truediv, [(1, 2), (1, 0), (3, 4)], workers=1)
    said, wrong = capfd.readouterr()
    assert sorted(said.split()) == ["0.5", "0.75"]
    assert "ZeroDivisionError" in wrong


def test_none_begins_too_late(capfd):
    pool.run(operator.truediv, [(1, 2), (3, 4)], workers=1, stop_after_s=-1)
    assert capfd.readouterr().out == "2 left out: no time\n"


def test_processes_take_turns_with_the_cards(capfd, monkeypatch):
    monkeypatch.setenv("CUDA_VISIBLE_DEVICES", "2,5")
    assert pool.cards() == ["2", "5"]
    pool.run(time.sleep, [(0.0,)], workers=1)  # it says nothing, which counts as left out
    pool.run(os.getenv, [("CUDA_VISIBLE_DEVICES",)] * 3, workers=1)
    assert capfd.readouterr().out.splitlines() == ["1 left out: no time", "2", "2", "2"]


def test_without_cards_there_are_none(monkeypatch):
    monkeypatch.setenv("CUDA_VISIBLE_DEVICES", "")
    assert pool.cards() == []


def test_pictures_are_those_with_their_truth_beside_them_each_name_once(tmp_path):
    (tmp_path / "spot-99.jpg").touch()
    names = [path.stem for path in rendered_truth.pictures([RENDERED, RENDERED, tmp_path], "spot")]
    assert names == ["spot-00", "spot-01", "spot-02", "spot-08"]


def test_the_card_s_cells_and_slivers_are_not_compared(tmp_path):
    picture = tmp_path / "spot-00.jpg"
    lines = ["row,col,x_m,y_m,area_m2,cover,straw,bare,other,card"]
    lines += ["0,0,0.05,0.05,0.01,0.25,0,0.75,0,0", "0,1,0.15,0.05,0.01,0.5,0,0.5,0,0.4"]
    lines += ["1,0,0.05,0.15,0.002,0.75,0,0.25,0,0", "1,1,0.15,0.15,0.01,1,0,0,0,0"]
    picture.with_name("spot-00-cells.csv").write_text("\n".join(lines) + "\n")
    x, y = np.meshgrid([0.05, 0.15, 0.25], [0.05, 0.15])
    table = SimpleNamespace(
        grid=Grid(0.1, 0.0, 0.0, rows=2, cols=3), x_m=x.ravel(), y_m=y.ravel(),
        state=np.array(["seen"] * 5 + ["too dark"]), cover=np.arange(6) / 10,
        cover_se=np.full(6, 0.05), zenith_deg=np.full(6, 12.0),
    )  # fmt: skip
    np.testing.assert_allclose(
        rendered_truth.pairs(table, picture), [[0.0, 0.05, 0.25, 12.0], [0.4, 0.05, 1.0, 12.0]]
    )


def test_a_lawn_is_seen_through_its_true_corners():
    picture = RENDERED.parent / "rendered-tuning" / "lawn-06.jpg"
    shot, seen, grid = rendered_truth.lawn_view(picture)
    assert grid.cell_m == rendered_truth.LAWN_CELL_M
    height, width = shot.rgb_coded.shape[:2]
    assert seen.size_px == (width, height)
    marked = rendered_truth.outlined(picture, (height, width)).mean()
    corners = rendered_truth.corners_of(picture, "outline")
    after = np.roll(corners, -1, axis=0)
    area = abs(np.sum(corners[:, 0] * after[:, 1] - corners[:, 1] * after[:, 0])) / 2  # the shoelace formula
    assert math.isclose(marked, area / (width * height), rel_tol=0.01)


def test_what_no_card_adds_is_found_again():
    """Cells of twenty photos, drawn with a gain that is off by 0.3 beside errors that are told."""
    rng = np.random.default_rng(8)
    cover, own = rng.uniform(0.05, 0.95, 2000), rng.uniform(0.02, 0.03, 2000)
    edges = cover * (1 - cover)
    told = np.hypot(own, covererror.UNCORRECTED_GAIN_SE * edges)
    miss = np.hypot(own, 0.3 * edges) * rng.standard_t(calibrate_errors.TAIL, 2000) * (2 / 3) ** 0.5
    nothing = np.full(2000, np.nan)
    rows = np.column_stack(
        [nothing, cover, told, cover - miss, nothing, np.repeat(np.arange(20), 100), nothing]
    )
    assert calibrate_errors.gain_se(rows) == pytest.approx(0.3, abs=0.02)
