"""The page on which an outline's corners are dragged: whole, with what it needs. (Strokes: test_teach.)"""

import json
import re
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from turfeye import lawn
from turfeye.cli import root
from turfeye.outline import signed_area, with_corners

PHOTO = Path(__file__).parents[1] / "sample_images/ferry-cottage/photos/2026-05-06-window.jpg"
TAPED = ("--sides", "3.6,4.73,5.61,5.08", "--diagonals", "6.58")
CORNERS = [(123, 1312), (1823, 1270), (1639, 315), (354, 291)]
ELL = np.array([[60.0, 400], [560, 400], [560, 300], [300, 290], [300, 120], [60, 120]])


def told(page: Path) -> dict:
    text = page.read_text("utf-8")
    assert "http" not in text.replace("http-equiv", "")  # nothing is fetched
    return json.loads(re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.S)[1])


def test_the_proposed_corners_can_be_dragged(tmp_path):
    folder = tmp_path / "Mill Lane"
    done = CliRunner().invoke(root, ["lawn", "new", str(folder), *TAPED, "--propose", str(PHOTO)])
    page = folder / "results" / "corners.html"
    assert done.exit_code == 0
    assert f"Open {page}" in done.stderr
    data = told(page)
    # the line that the page makes is the one that is printed, until a corner is dragged
    marks = "".join(f" --corner {x:.0f},{y:.0f}" for x, y in data["corners_px"])
    assert done.stdout.splitlines()[-1] == data["command"] + marks
    assert data["command"] == f"turfeye add '{folder}' {PHOTO} --before --view window"  # it is not sown yet
    assert data["names"] == ["A", "B", "C", "D"]
    assert data["size_px"] == [2016, 1512]
    np.testing.assert_allclose(data["outline_m"], lawn.read(folder).outline_m)


def test_of_a_marked_lawn_the_line_marks_a_photo_anew(tmp_path):
    folder, run = tmp_path / "a", CliRunner().invoke
    assert run(root, ["lawn", "new", str(folder), *TAPED, "--sown", "2026-03-14"]).exit_code == 0
    marks = [word for x, y in CORNERS for word in ("--corner", f"{x},{y}")]
    assert run(root, ["add", str(folder), str(PHOTO), "--view", "step", *marks]).exit_code == 0
    assert run(root, ["lawn", "new", str(folder), "--propose", str(PHOTO)]).exit_code == 0
    assert told(folder / "results" / "corners.html")["command"] == f"turfeye add {folder} {PHOTO}"


def test_the_page_has_the_lawn_s_beds_where_the_corners_lay_them(tmp_path):
    """Where they lie in the photo the page works out itself, and says what the dashed lines are."""
    folder, run = tmp_path / "a", CliRunner().invoke
    assert run(root, ["lawn", "new", str(folder), *TAPED, "--sown", "2026-03-14"]).exit_code == 0
    assert run(root, ["lawn", "new", str(folder), "--propose", str(PHOTO)]).exit_code == 0
    page = folder / "results" / "corners.html"
    assert told(page)["beds_m"] == []
    assert "beds, drawn from the corners" not in page.read_text("utf-8")
    with (folder / "lawn.toml").open("a") as file:
        file.write("\n[[bed]]\narea_m = [[2, 1], [3, 1], [3, 2]]\n")
    assert run(root, ["lawn", "new", str(folder), "--propose", str(PHOTO)]).exit_code == 0
    assert told(page)["beds_m"] == [[[2, 1], [3, 1], [3, 2]]]
    assert "beds, drawn from the corners" in page.read_text("utf-8")


@pytest.mark.parametrize("count", [3, 4, 5, 6, 7, 9])
def test_an_outline_gets_as_many_corners_as_the_lawn_has(count):
    found = with_corners(ELL, count)
    assert len(found) == count
    assert signed_area(found) * signed_area(ELL) > 0  # the same way round
    if count > 6:  # middles of sides change no ground
        assert signed_area(found) == pytest.approx(signed_area(ELL))
