"""The lawn folder: its file, filing, locks and the store of results."""

from __future__ import annotations

import csv
import io
import os
import re
import shutil
import subprocess
import sys
import unicodedata
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from turfeye import answer, files, filing, lawn, lawncheck, lawnfile, lawntext, newlawn, store, wording
from turfeye.amounts import PlanSettings
from turfeye.cells import lawn_grid
from turfeye.cli import root
from turfeye.errors import DateError, LawnError, LawnMissingError, PhotoError, PhotoMissingError
from turfeye.gapfraction import Blades
from turfeye.outline import signed_area, without
from turfeye.records import CellTable, Grid

OUTLINE = [(0, 0), (8, 0), (8, 6), (0, 6)]
CORNERS = [[412, 1630], [2210, 1702], [1604, 512], [705, 498]]

GOOD = """\
# our own words
schema = 1
name = "Ferry Cottage, back"   # the back one
outline_m = [[0, 0], [8, 0], [8, 6], [0, 6]]
cell_m = 0.5
[[sowing]]
date = 2026-03-14
mix = "perennial ryegrass"
rate_g_m2 = 35
[target]
cover = 0.9
date = 2026-05-09
"""


def picture(path: Path, *, seed: int = 0, taken: datetime | None = None) -> Path:
    rgb = np.random.default_rng(seed).integers(0, 255, (170, 260, 3), dtype=np.uint8)
    exif = Image.Exif()
    if taken:
        exif.get_ifd(0x8769)[0x9003] = taken.strftime("%Y:%m:%d %H:%M:%S")
    Image.fromarray(rgb).save(path, exif=exif, quality=95)
    return path


def table(seed: int = 1) -> CellTable:
    grid = Grid(0.5, 0.0, 0.0, rows=2, cols=3, outline_m=np.array(OUTLINE, float), share=np.ones((2, 3)))
    rng = np.random.default_rng(seed)
    columns = {name: rng.random(6) for name in CellTable.column_names()}
    columns |= {
        "row": np.repeat([0, 1], 3),
        "col": np.tile([0, 1, 2], 2),
        "state": np.array(["seen"] * 5 + ["not seen"]),
        "why": np.array([""] * 5 + ["too oblique"]),
    }
    columns["cover"][5] = np.nan
    return CellTable(grid=grid, **columns)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    newlawn.make(tmp_path / "back", outline_m=OUTLINE, sown=date(2026, 3, 14))
    return tmp_path / "back"


def mistakes(text: str) -> tuple[str, ...]:
    with pytest.raises(LawnError) as caught:
        lawnfile.parse(text)
    return caught.value.mistakes


# The file


def test_the_contract_s_file_is_read(tmp_path: Path) -> None:
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "2026-03-14T09-12-40-3fa2c1.jpg").write_bytes(b"")
    text = GOOD + (
        '[[view]]\nname = "kitchen window"\nphoto = "2026-03-14T09-12-40-3fa2c1.jpg"\n'
        f"corners_px = {CORNERS}\n[[spot]]\nnumber = 3\nat_m = [2.0, 1.5]\nturned_deg = 0\n"
    )
    (tmp_path / "lawn.toml").write_text(text)
    back = lawn.read(tmp_path)
    assert back.name == "Ferry Cottage, back"
    assert back.area_m2 == pytest.approx(48)
    assert back.sowings[0].date == date(2026, 3, 14)
    assert back.sowings[0].rate_g_m2 == 35
    assert back.target is not None
    assert back.target.cover == 0.9
    assert back.views[0].corners_px.tolist() == CORNERS
    assert back.spots[0].at_m == (2.0, 1.5)
    assert back.corner_names == ("A", "B", "C", "D")
    assert back.side_names == ("A–B", "B–C", "C–D", "D–A")


def append(folder: Path, key: str, entry: dict[str, object]) -> None:
    lawnfile.save(folder, lawntext.with_tables(lawnfile.text_of(folder), key, [entry]))


def test_tables_stand_apart_wherever_one_is_added(folder: Path) -> None:
    path = folder / "lawn.toml"
    append(folder, "photo", {"name": "a.jpg", "spot": 1})
    append(folder, "spot", {"number": 1, "at_m": [2.0, 1.5]})
    lawn.set_blades(folder, Blades(0.1, 0.2))
    path.write_text(path.read_text().rstrip("\n") + "  # mine")  # no end of line
    for k, name in enumerate("bcd"):  # among the others of their kind, before what came after those
        lawnfile.save(folder, lawntext.with_photos(lawnfile.text_of(folder), {f"{name}.jpg": {"spot": 1}}))
        append(folder, "spot", {"number": 2 + k, "at_m": [2.0, 1.5]})
        lawn.set_blades(folder, Blades(0.2, 0.2))
    append(folder, "hollow", {"at_m": [2.0, 1.5], "depth_mm": 20.0})
    lawn.set_blades(folder, Blades(0.3, 0.2))
    path.write_text(
        path.read_text().replace("[[spot]]\nnumber = 1", "# The pegs\n# by the path\n[[spot]]\nnumber = 1")
    )
    text = lawntext.with_photos(path.read_text(), {"e.jpg": {"spot": 1}})
    assert (
        text.count("\n\n# The pegs\n# by the path\n[[spot]]\nnumber = 1\n") == 1
    )  # stays with what it is about
    lines = [line for line in text.split("\n") if not line.startswith("#")]
    heads = [k for k, line in enumerate(lines) if line.startswith("[")]
    assert len(heads) == 13
    assert all(lines[k - 1] == "" and lines[k - 2] != "" for k in heads)
    assert lines[-2:] != ["", ""]


BED = "[[bed]]\n"
RING = BED + "at_m = [2, 3]\nacross_m = 1.2\n"


def test_beds_in_the_lawn_are_no_lawn(tmp_path: Path) -> None:
    (tmp_path / "lawn.toml").write_text(GOOD + RING + BED + "area_m = [[5, 1], [5, 2], [7, 2], [7, 1]]\n")
    back = lawn.read(tmp_path)
    assert back.area_m2 == pytest.approx(48 - np.pi * 0.6**2 - 2)
    ring, square = back.beds_m
    assert ring.mean(axis=0) == pytest.approx([2, 3])
    assert signed_area(square) == pytest.approx(2)  # written clockwise
    # a season of another year keeps them, and what was measured without them doesn't count
    (tmp_path / "photos").mkdir()
    assert len(newlawn.again(tmp_path / "2027", tmp_path).beds_m) == 2
    key = store.cell_key(back, "ab" * 32)
    assert key != store.cell_key(replace(back, beds_m=()), "ab" * 32)
    kept = replace(table(), grid=without(lawn_grid(back.outline_m, 0.5), back.beds_m))
    store.save_cells(back, key, kept)
    found = store.load_cells(back, key)
    assert found is not None
    assert len(found[0].grid.beds_m) == 2
    for ours, theirs in zip(found[0].grid.beds_m, kept.grid.beds_m, strict=True):
        np.testing.assert_array_equal(ours, theirs)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            BED,
            "1st [[bed]]: write area_m = [[1, 1], [3, 1], [3, 2.5], [1, 2.5]], in metres, corner by corner; ",
        ),
        (BED + "at_m = [2, 3]\n", "1st [[bed]]: write area_m"),
        (RING + "area_m = [[5, 1], [7, 1], [7, 2]]\n", "1st [[bed]]: write area_m"),
        (BED + "at_m = [2, 3]\nacross_m = 0\n", "1st [[bed]], across_m: must be above 0"),
        (BED + "at_m = [0.3, 3]\nacross_m = 1\n", "1st [[bed]]: reaches over the lawn's edge"),
        (BED + "at_m = [2]\nacross_m = 1\n", "1st [[bed]], at_m: needs at least 2 entries"),
        (BED + "at_m = [2,5, 3,1]\nacross_m = 1\n", "1st [[bed]], at_m: takes at most 2 entries"),
        (BED + "area_m = [[1,5, 1], [3, 1], [3, 2]]\n", "1st [[bed]], area_m: every corner must be two num"),
        (BED + "area_m = [[1], [3], [3]]\n", "1st [[bed]], area_m: every corner must be two numbers; write "),
        (BED + "area_m = [[1, 1], [3, 1]]\n", "1st [[bed]], area_m: needs at least 3 corners"),
        (
            BED + "area_m = [[1, 1], [3, nan], [3, 2]]\n",
            "1st [[bed]], area_m, 2nd corner, 2nd number: must be",
        ),
        (BED + "area_m = [[1, 1], [2, 1], [3, 1]]\n", "1st [[bed]]: its corners go round no ground"),
        (
            BED + "area_m = [[1, 1], [3, 1], [3, 2], [1, 1]]\n",
            "1st [[bed]], area_m: [1, 1] stands twice in a row, or first and last; write it once",
        ),
        (
            BED + "at_m = [2, 3]\nacross_m = 0.001\n",
            "1st [[bed]], across_m: 0.001 m is not the width of a bed; write",
        ),
        (BED + "at_m = [2, 3]\ndiameter_m = 1\n", "1st [[bed]], diameter_m: unknown; "),
        (BED + "area_m = [[0, 0], [8, 0], [8, 6], [0, 6]]\n", "1st [[bed]]: nothing is left of the lawn"),
        (RING + RING, "2nd [[bed]]: lies in the 1st [[bed]]; leave it out"),
        (RING.replace("1.2", "0.5") + RING, "1st [[bed]]: lies in the 2nd [[bed]]; leave it out"),
        (
            BED
            + "area_m = [[1, 2], [5, 2], [5, 3], [1, 3]]\n"
            + BED
            + "area_m = [[2, 1], [3, 1], [3, 5], [2, 5]]\n",
            "2nd [[bed]]: lies in part in the 1st [[bed]]; write both as one",  # a cross
        ),
        (
            RING + "[[spot]]\nnumber = 9\nat_m = [2.1, 3]\n",
            "1st [[spot]], at_m: [2.1, 3] lies in the 1st [[bed]]",
        ),
        (
            RING + "[[hollow]]\nat_m = [2.1, 3]\ndepth_mm = 30\n",
            "1st [[hollow]], at_m: [2.1, 3] lies in the 1st [[bed]], which is not lawn; correct it or the "
            "bed",
        ),
        (BED + "area_m = [[1, 1], [3, 2], [3, 1], [1, 2]]\n", "1st [[bed]]: its corners go round no ground"),
        (
            RING + RING.replace("2, 3", "2.9, 3"),
            "2nd [[bed]]: lies in part in the 1st [[bed]]; write both as one",
        ),
    ],
)
def test_a_bed_that_can_t_be_is_told(text: str, words: str) -> None:
    (told,) = mistakes(GOOD + text)
    assert told.startswith(words)


def test_a_bed_across_an_inner_corner_is_over_the_edge() -> None:
    """All its corners lie on the lawn, a side of it doesn't: its ground beyond was taken off the lawn's."""
    ell = GOOD.replace(
        "outline_m = [[0, 0], [8, 0], [8, 6], [0, 6]]",
        "outline_m = [[0, 0], [8, 0], [8, 3], [4, 3], [4, 6], [0, 6]]",
    )
    assert ell != GOOD
    told = mistakes(ell + BED + "area_m = [[1, 1], [7, 1], [7, 2.5], [3.5, 5.5], [1, 5]]\n")
    assert any(one.startswith("1st [[bed]]: reaches over the lawn's edge") for one in told)


def test_every_mistake_is_told_at_once_with_its_place_and_a_way_out() -> None:
    text = (
        GOOD.replace("cell_m = 0.5", "cell_m = -1")
        .replace("cover = 0.9", "cover = 90")
        .replace("date = 2026-03-14", 'date = "14 March"')
        .replace("rate_g_m2", "rate")
        .replace("name =", "nmae =")
    )
    found = mistakes(text)
    for place, way_out in (
        ("cell_m", "write cell_m = 0.5"),
        ("target.cover", "not per cent"),
        ("1st [[sowing]], date", "without quotes"),
        ("1st [[sowing]], rate:", "write rate_g_m2"),
        ("1st [[sowing]], rate_g_m2", "missing"),
        ("nmae", "write name"),
        ("name:", "missing"),
    ):
        assert any(m.startswith(place) and way_out in m for m in found), (place, found)


@pytest.mark.parametrize("key", ["view", "mix", "photo"])
def test_what_should_be_a_table_is_said_to_be_one(key: str) -> None:
    found = mistakes(f"{key} = [1]\n{GOOD}")
    assert any(
        m.startswith(f"1st [[{key}]]:") and f"write [[{key}]] with double brackets" in m for m in found
    ), found


def test_mistakes_are_counted_from_one_as_people_count() -> None:
    """Nothing is told as Python indexes it, in any table or list of the file."""
    spots = "".join(f"[[spot]]\nnumber = {k}\nat_m = {at}\n" for k, at in ((7, "[1, 1]"), (7, "[1, 40]")))
    view = '[[view]]\nname = "w"\nphoto = "a.jpg"\ncorners_px = [[1, 1], [2, "x"], [3, 3], [1, 3]]\n'
    wrong = GOOD.replace("[8, 6], [0, 6]]", '[8, 6], [0, "a"]]').replace("rate_g_m2", "rate")
    found = mistakes(wrong + spots + view) + mistakes(GOOD + spots + view)
    told = {m.split(": ")[0] for m in found}
    assert {"1st [[spot]], number", "2nd [[spot]], number", "2nd [[spot]], at_m"} <= told
    assert {"1st [[sowing]], rate", "1st [[view]], corners_px, 2nd corner, 2nd number"} <= told
    assert "outline_m, 4th corner, 2nd number" in told
    assert not any(re.search(r"\w\[\d|\b0th", m) for m in told)


def test_every_key_of_the_file_has_an_example_to_write_instead() -> None:
    tables = set(lawnfile.PARTS) | {"mix"}
    for part in (lawnfile.LawnPart, *lawnfile.PARTS.values()):
        keys = {field.alias or name for name, field in part.model_fields.items()}
        keys -= tables if part is lawnfile.LawnPart else set()
        assert keys <= set(wording.EXAMPLES), part.__name__


@pytest.mark.parametrize(
    ("change", "place", "words"),
    [
        (("[8, 0], [8, 6]", "[8, 6], [8, 0]"), "outline_m", "crosses"),
        (("[[0, 0], [8, 0], [8, 6], [0, 6]]", "[[0, 0], [0, 6], [8, 6], [8, 0]]"), "outline_m", "clockwise"),
        (("[[0, 0], [8, 0], [8, 6], [0, 6]]", "[[0, 0], [8, 0]]"), "outline_m", "at least 3"),
        (("[8, 6], [0, 6]]", "[8, 6, 1], [0, 6]]"), "outline_m", "two numbers"),
        (("2026-05-09", "2026-03-01"), "target.date", "not after the sowing"),
        (("perennial ryegrass", "perrenial"), "1st [[sowing]], mix", "perennial ryegrass"),
        (("[target]", "[sward]\nx = 1\n[target]"), "sward", "leave it out"),
        (("cell_m = 0.5", 'cell_m = 0.5\ncorner_names = ["a", "a", "b", "c"]'), "corner_names", "different"),
        (
            ("[target]", 2 * '[[photo]]\nname = "a.jpg"\n' + "[target]"),
            "2nd [[photo]], name",
            "one [[photo]]",
        ),
    ],
)
def test_mistakes_of_meaning(change: tuple[str, str], place: str, words: str) -> None:
    assert change[0] in GOOD
    found = mistakes(GOOD.replace(*change))
    assert any(m.startswith(place) and words in m for m in found), found


def test_corners_in_the_wrong_order_come_back_in_the_right_one() -> None:
    swapped = [CORNERS[0], CORNERS[2], CORNERS[1], CORNERS[3]]
    turned = [CORNERS[0], *CORNERS[:0:-1]]
    outline = np.array(OUTLINE, float)
    assert lawncheck.wrong_corners(np.array(CORNERS, float), outline) == []
    for wrong in (swapped, turned):
        (words,) = lawncheck.wrong_corners(np.array(wrong, float), outline)
        assert str([[float(v) for v in c] for c in CORNERS]) in words
    assert "3 corners" in lawncheck.wrong_corners(np.array(CORNERS[:3], float), outline)[0]


def test_a_newer_schema_is_refused_in_plain_words() -> None:
    with pytest.raises(LawnError, match="schema 2, this turfeye knows up to 1"):
        lawnfile.parse(GOOD.replace("schema = 1", "schema = 2"))


def test_not_toml_at_all() -> None:
    with pytest.raises(LawnError, match=r"not valid TOML.*line 1"):
        lawnfile.parse("schema: 1")
    # the line itself is shown, and how what goes wrong most is written
    with pytest.raises(
        LawnError,
        match=r"line 12.*: write it as 2026-05-09 \(9 May 2026\) or 2026-09-05 .*\n  date = 09\.05\.2026$",
    ):
        lawnfile.parse(GOOD.replace("date = 2026-05-09", "date = 09.05.2026"))
    with pytest.raises(LawnError, match=r"line 6.*a number has a point, 35\.5\n  rate_g_m2 = 35,5$"):
        lawnfile.parse("[[sowing]]\n\n\n\n\nrate_g_m2 = 35,5\n")
    with pytest.raises(LawnError, match=r"line 1.*\[\[spot\]\] stands on a line of its own"):
        lawnfile.parse("[[spot]] number = 1, at_m = [2.0, 1.5]\n")
    with pytest.raises(LawnError, match="correct that line"):
        lawnfile.parse('name = "x\n')


@pytest.mark.parametrize(
    ("table", "like"),
    [("view", "kitchen window"), ("photo", "2026-03-14T09-12-40")],
)
def test_a_name_that_is_missing_is_told_by_a_name_of_its_kind(table: str, like: str) -> None:
    with pytest.raises(LawnError, match=rf'1st \[\[{table}\]\], name: missing; write name = "{like}'):
        lawnfile.parse(f'schema = 1\nname = "x"\noutline_m = [[0, 0], [8, 0], [8, 6]]\n[[{table}]]\n')


def test_what_editors_make_of_a_lawn_file(tmp_path: Path) -> None:
    """A byte order mark and CRLF are read over; typographic quotes and a second ending are named."""
    path = tmp_path / "lawn.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert lawnfile.read_file(tmp_path) == lawnfile.parse(GOOD)
    for quotes in ("“”", "„“", "«»", "‘’"):
        with pytest.raises(LawnError, match="a word processor's, write straight ones"):
            lawnfile.parse(GOOD.replace("[[sowing]]", f"[[sowing]]\nnote = {quotes[0]}x{quotes[1]}", 1))
    path.rename(tmp_path / "lawn.toml.txt")
    with pytest.raises(LawnMissingError, match=r"rename lawn\.toml\.txt there to lawn\.toml"):
        lawn.read(tmp_path)


def test_the_cards_rule_is_in_millimetres() -> None:
    with pytest.raises(LawnError) as caught:
        lawnfile.parse(GOOD.replace("cell_m", "card_rule_mm = 9.7\ncell_m"))
    (said,) = caught.value.mistakes
    assert said.startswith("card_rule_mm: must be at least 50")
    assert "card_rule_mm = 97.0, what the card's 100 mm rule measures, in millimetres" in said


def test_seed_and_dressing_reach_the_plan(tmp_path: Path) -> None:
    more = "[seed]\nrate_g_m2 = 20\npurity = 0.95\ngermination = 0.85\n[dressing]\ndepth_mm = 3\nbag_l = 50\n"
    (tmp_path / "lawn.toml").write_text(GOOD.replace("cell_m", "spare_pct = 15\ncell_m") + more)
    settings = answer.plan_settings(lawn.read(tmp_path))
    assert (settings.rate_g_m2, settings.spare_pct, settings.dressing_mm) == (20, 15, 3)
    assert (settings.purity, settings.germination, settings.bag_l) == (0.95, 0.85, 50)
    assert settings.corner_names == ("A", "B", "C", "D")
    (tmp_path / "lawn.toml").write_text(GOOD)
    assert answer.plan_settings(lawn.read(tmp_path)).dressing_mm == PlanSettings().dressing_mm


def test_no_lawn_there(tmp_path: Path) -> None:
    with pytest.raises(LawnMissingError, match="turfeye lawn new"):
        lawn.read(tmp_path)
    newlawn.make(tmp_path / "back", outline_m=OUTLINE)
    with pytest.raises(LawnMissingError, match=r"a folder of lawns \(back\).*turfeye round"):
        lawn.read(tmp_path)
    with pytest.raises(LawnMissingError, match=f"is one lawn.*turfeye round {tmp_path}"):
        lawn.lawns_in(tmp_path / "back")


# Filing


def test_filed_by_copy_named_by_time_and_digest(folder: Path, tmp_path: Path) -> None:
    source = picture(tmp_path / "IMG_1.JPG", taken=datetime(2026, 4, 2, 10, 41))
    before = source.read_bytes()
    (filed,) = filing.add(folder, [source])
    assert filed.path.name.startswith("2026-04-02T10-41-00-")
    assert filed.path.suffix == ".jpg"
    assert filed.digest.startswith(filed.path.stem[-6:])
    assert filed.taken_from == "exif"
    assert filed.path.read_bytes() == before == source.read_bytes()


def test_a_date_that_was_mistyped_is_set_right_by_adding_the_photo_again(
    folder: Path, tmp_path: Path
) -> None:
    plain = picture(tmp_path / "a.jpg", seed=1)
    filing.add(folder, [plain], date=date(2026, 5, 16))
    (again,) = filing.add(folder, [plain], date=date(2026, 5, 6))
    assert (again.already, again.taken.date()) == (True, date(2026, 5, 6))
    assert again.note == "was filed as of 2026-05-16; 2026-05-06 is used from now on"
    assert [note.taken.date() for note in lawn.read(folder).notes if note.taken] == [date(2026, 5, 6)]
    # in its name: the filed day is kept and told, until the day is given
    named = picture(tmp_path / "2026-04-21 lawn.jpg", seed=2)
    filing.add(folder, [named])
    named = named.rename(tmp_path / "2026-04-12 lawn.jpg")
    (told,) = filing.add(folder, [named])
    assert told.taken.date() == date(2026, 4, 21)
    assert (
        "filed as of 2026-04-21, which was kept: if it is wrong, add it again with --date 2026-04-12"
        in told.note
    )
    (again,) = filing.add(folder, [named], date=date(2026, 4, 12))
    assert again.taken.date() == date(2026, 4, 12)
    shown = CliRunner().invoke(root, ["lawn", "show", str(folder)], catch_exceptions=False).stdout
    assert "2 photos, 2026-04-12 to 2026-05-06" in shown
    text = lawnfile.text_of(folder)
    (later,) = filing.add(folder, [named])  # with its folder: nothing more to say
    assert (later.note, lawnfile.text_of(folder)) == ("", text)


def test_the_date_comes_from_header_then_name_then_option(folder: Path, tmp_path: Path) -> None:
    header = picture(tmp_path / "2026-04-09 10.00.00.jpg", taken=datetime(2026, 4, 2, 10, 41), seed=1)
    name = picture(tmp_path / "IMG_20260410_101500.jpg", seed=2)
    option = picture(tmp_path / "window.jpg", seed=3)
    filed = filing.add(folder, [header, name, option], date=date(2026, 4, 11))
    assert [f.taken.date() for f in filed] == [date(2026, 4, 2), date(2026, 4, 10), date(2026, 4, 11)]
    assert [f.taken_from for f in filed] == ["exif", "name", "given"]
    assert "2026-04-02, which was kept" in filed[0].note
    assert "write taken = 2026-04-11 under its [[photo]] in lawn.toml" in filed[0].note


def test_nothing_is_half_done(folder: Path, tmp_path: Path) -> None:
    good = picture(tmp_path / "a.jpg", taken=datetime(2026, 4, 2, 10, 41))
    text = (folder / "lawn.toml").read_bytes()
    broken = tmp_path / "broken.jpg"
    broken.write_bytes(good.read_bytes()[:900])
    for bad, error in (
        (picture(tmp_path / "undated.jpg", seed=5), DateError),
        (broken, PhotoError),
        (tmp_path / "nowhere.jpg", PhotoMissingError),
        (picture(tmp_path / "early.jpg", seed=6, taken=datetime(2026, 3, 1)), DateError),
    ):
        with pytest.raises(error):
            filing.add(folder, [good, bad])
        assert lawn.read(folder).photos() == ()
    with pytest.raises(LawnError, match="no view is named"):
        filing.add(folder, [good], view="kitchen")
    assert lawn.read(folder).photos() == ()
    assert (folder / "lawn.toml").read_bytes() == text


def test_the_same_photo_twice_is_noticed(folder: Path, tmp_path: Path) -> None:
    first = picture(tmp_path / "a.jpg", taken=datetime(2026, 4, 2, 10, 41))
    again = tmp_path / "copy of a.jpg"
    shutil.copy(first, again)
    one, two = filing.add(folder, [first, again])
    assert (one.already, two.already) == (False, True)
    assert one.path == two.path
    (three,) = filing.add(folder, [again])
    assert three.already
    assert len(lawn.read(folder).photos()) == 1


def test_before_the_work(folder: Path, tmp_path: Path) -> None:
    old = picture(tmp_path / "a.jpg", taken=datetime(2026, 3, 1, 9))
    with pytest.raises(DateError, match="--before"):
        filing.add(folder, [old])
    (filed,) = filing.add(folder, [old], before=True)
    assert filed.path.parent.name == "before"
    back = lawn.read(folder)
    assert back.photos() == ()
    assert len(back.photos(before=True)) == 1
    late = picture(tmp_path / "b.jpg", taken=datetime(2026, 4, 1, 9), seed=2)
    with pytest.raises(DateError, match="without --before"):
        filing.add(folder, [late], before=True)


def test_a_folder_that_can_t_be_written_to_is_named_itself(folder: Path) -> None:
    """It was told by the lock's file in it, which nobody knows."""
    (folder / lawn.LOCK_NAME).unlink(missing_ok=True)
    (folder / lawn.LOCK_NAME).mkdir()
    with pytest.raises(OSError, match="directory") as told, lawn.locked(folder):
        pass
    assert told.value.filename == str(folder)


def test_a_name_as_a_mac_writes_it_is_filed_in_whole_letters(folder: Path, tmp_path: Path) -> None:
    source = picture(tmp_path / unicodedata.normalize("NFD", "2026-04-02 Rückseite.jpg"))
    (filed,) = filing.add(folder, [source])
    assert filed.path.name.startswith("2026-04-02T12-00-00-2026-04-02_Rückseite-")


def with_known_by(folder: Path) -> str:
    """The file as it was, and what the lawn is known by, which filing a photo writes into an older one."""
    line = f'known_by = "{folder.parent.name}/{folder.name}"  # calendars find its dates by this: keep it'
    return GOOD.replace("schema = 1\n", f"schema = 1\n{line}\n")


def test_photos_are_filed_where_a_folder_s_name_is_no_text(tmp_path: Path) -> None:
    """On a disk that was written in Latin-1, of "Gärten" a letter can't be read, nor written to the file."""
    place = tmp_path / os.fsdecode(b"G\xe4rten") / "back"
    try:
        place.mkdir(parents=True)
    except OSError:
        pytest.skip("this disk has no such names")
    (place / "lawn.toml").write_text(GOOD)
    filing.add(place, [picture(tmp_path / "a.jpg", taken=datetime(2026, 4, 2, 10, 41))])
    assert len(lawn.read(place).photos()) == 1
    assert lawn.read(place).known_by == "G?rten/back"


def test_corners_mark_a_view_and_comments_survive(tmp_path: Path) -> None:
    (tmp_path / "lawn.toml").write_text(GOOD)
    source = picture(tmp_path / "a.jpg", taken=datetime(2026, 4, 2, 10, 41))
    wrong = [CORNERS[1], CORNERS[0], *CORNERS[2:]]
    with pytest.raises(LawnError, match="wrong order"):
        filing.add(tmp_path, [source], view="kitchen", corners_px=wrong)
    assert lawn.read(tmp_path).photos() == ()
    (filed,) = filing.add(tmp_path, [source], view="kitchen", corners_px=CORNERS)
    text = (tmp_path / "lawn.toml").read_text()
    assert text.startswith(with_known_by(tmp_path))
    assert "# the back one" in text
    back = lawn.read(tmp_path)
    assert back.views[0].name == "kitchen"
    assert back.views[0].photo == filed.path.name
    other = picture(tmp_path / "b.jpg", taken=datetime(2026, 4, 9, 10, 41), seed=2)
    (second,) = filing.add(tmp_path, [other], view="kitchen")
    assert lawn.read(tmp_path).notes == (lawn.Note(second.path.name, "kitchen", None),)


def test_marked_anew_the_same_photo_s_corners_change_and_nothing_else(tmp_path: Path) -> None:
    (tmp_path / "lawn.toml").write_text(GOOD)
    source = picture(tmp_path / "a.jpg", taken=datetime(2026, 4, 2, 10, 41))
    filing.add(tmp_path, [source], view="kitchen", corners_px=CORNERS)
    text = (tmp_path / "lawn.toml").read_text()
    better = [[x + 3, y + 2] for x, y in CORNERS]
    for view in (None, "kitchen"):
        assert filing.add(tmp_path, [source], view=view, corners_px=better)[0].already
        assert lawn.read(tmp_path).views[0].corners_px.tolist() == better
        assert (tmp_path / "lawn.toml").read_text().startswith(with_known_by(tmp_path))
        filing.add(tmp_path, [source], corners_px=CORNERS)
        assert (tmp_path / "lawn.toml").read_text() == text
    with pytest.raises(LawnError, match="marked as view 'kitchen' already"):
        filing.add(tmp_path, [source], view="loft", corners_px=CORNERS)


def test_wrong_corners_are_told_in_the_words_of_who_marked_them(folder: Path, tmp_path: Path) -> None:
    source = picture(tmp_path / "a.jpg", taken=datetime(2026, 4, 2, 10, 41))
    (x, y), *_ = CORNERS
    with pytest.raises(LawnError, match=rf"that is perhaps --corner {x},{y} --corner \d") as wrong:
        filing.add(folder, [source], corners_px=[CORNERS[0], *CORNERS[:0:-1]])
    assert "corners_px" not in str(wrong.value)
    with pytest.raises(LawnError, match=r"3 corners marked where the outline has 4.*A, B, C, D"):
        filing.add(folder, [source], corners_px=CORNERS[:3])
    with pytest.raises(LawnError, match="1 corner marked where"):
        filing.add(folder, [source], corners_px=CORNERS[:1])
    assert lawn.read(folder).photos() == ()


@pytest.mark.parametrize("step", [1, 2, 3, 4])
def test_stopped_at_any_step_neither_photos_nor_notes_are_left(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: int
) -> None:
    """Ctrl-C after three photos and the lawn's file have reached the disk, one after the other."""
    pictures = [picture(tmp_path / f"{k}.jpg", taken=datetime(2026, 4, k, 10), seed=k) for k in (2, 3, 4)]
    text = (folder / "lawn.toml").read_bytes()
    left = [step]

    def stopped(_: Path) -> None:
        left[0] -= 1
        if left[0] == 0:
            raise KeyboardInterrupt

    monkeypatch.setattr(files, "_sync_folder", stopped)
    with pytest.raises(KeyboardInterrupt):
        filing.add(folder, pictures, spot=3)
    assert left[0] <= 0
    assert (folder / "lawn.toml").read_bytes() == text
    assert lawn.read(folder).photos() == ()


def test_a_marked_photo_that_is_gone_is_a_mistake(folder: Path, tmp_path: Path) -> None:
    source = picture(tmp_path / "a.jpg", taken=datetime(2026, 4, 2, 10, 41))
    (filed,) = filing.add(folder, [source], corners_px=CORNERS)
    filed.path.rename(filed.path.with_name("from the window.jpg"))
    with pytest.raises(LawnError, match=r"1st \[\[view\]\], photo.*; from the window.jpg is that photo"):
        lawn.read(folder)
    filed.path.with_name("from the window.jpg").unlink()
    way = rf"put it back, or delete this \[\[view\]\] and mark another .* lawn new {folder} --propose PHOTO"
    with pytest.raises(LawnError, match=rf"1st \[\[view\]\], photo.*{way}"):
        lawn.read(folder)
    path = folder / "lawn.toml"
    path.write_text(path.read_text().split("[[view]]")[0])
    later = picture(tmp_path / "b.jpg", taken=datetime(2026, 4, 9, 10, 41))
    (again,) = filing.add(folder, [later], corners_px=CORNERS)
    assert [view.photo for view in lawn.read(folder).views] == [again.path.name]


@pytest.fixture
def other(folder: Path, tmp_path: Path) -> Path:
    """A photo to file in a lawn whose kitchen view is marked on another."""
    marked, other = (
        picture(tmp_path / f"{day}.jpg", taken=datetime(2026, 4, day, 10), seed=day) for day in (2, 9)
    )
    filing.add(folder, [marked], view="kitchen", corners_px=CORNERS)
    return other


def test_what_is_said_of_a_photo_filed_already_takes_the_place_of_what_was(folder: Path, other: Path) -> None:
    (first,) = filing.add(folder, [other], view="kitchen")
    for peg in (99, 5):
        assert filing.add(folder, [other], spot=peg)[0].already
        assert lawn.read(folder).notes == (lawn.Note(first.path.name, None, peg),)
    filing.add(folder, [other], view="kitchen")
    filing.add(folder, [other])  # says nothing, so changes nothing
    assert lawn.read(folder).notes == (lawn.Note(first.path.name, "kitchen", None),)
    assert "# Corners in metres" in (folder / "lawn.toml").read_text(encoding="utf-8")


def test_a_photo_taken_back_by_deleting_it_leaves_a_lawn_that_can_be_read(folder: Path, other: Path) -> None:
    (wrong,) = filing.add(folder, [other], view="kitchen")  # written down as a [[photo]]
    assert lawn.read(folder).noted_but_gone() == ()
    wrong.path.unlink()
    assert lawn.read(folder).noted_but_gone() == (wrong.path.name,)
    assert not filing.add(folder, [other], view="kitchen")[0].already  # and filed again
    assert lawn.read(folder).noted_but_gone() == ()


# The lock and atomic writing


def test_the_lock_holds_between_processes_and_frees_itself(folder: Path) -> None:
    hold = f"""
import sys, time
from pathlib import Path
from turfeye import lawn
with lawn.locked(Path({str(folder)!r})):
    print("held", flush=True); time.sleep(60)
"""
    holder = subprocess.Popen([sys.executable, "-c", hold], stdout=subprocess.PIPE, text=True)
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(LawnError, match="another turfeye"), lawn.locked(folder, wait_s=0.1):
            pass
    finally:
        holder.kill()
        holder.communicate()
    with lawn.locked(folder, wait_s=1.0):
        pass


def test_a_write_that_fails_keeps_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "a.txt"
    files.write_atomic(path, b"old")

    def fail(*_: object) -> None:
        raise OSError("disk full")

    monkeypatch.setattr(os, "replace", fail)
    with pytest.raises(OSError, match="disk full"):
        files.write_atomic(path, b"new")
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


# The store


def test_a_kept_table_comes_back_the_same(folder: Path) -> None:
    back = lawn.read(folder)
    key = store.cell_key(back, "ab" * 32, models=["m1"])
    assert store.load_cells(back, key) is None
    kept = table()
    path = store.save_cells(back, key, kept, {"taken": "2026-04-02T10:41:00"})
    first = path.read_bytes()
    loaded = store.load_cells(back, key)
    assert loaded is not None
    found, facts = loaded
    assert facts == {"taken": "2026-04-02T10:41:00", "warnings": []}
    for name in CellTable.column_names():
        np.testing.assert_array_equal(getattr(found, name), getattr(kept, name))
    assert found.grid.outline_m is not None
    store.save_cells(back, key, kept, {"taken": "2026-04-02T10:41:00"})
    assert path.read_bytes() == first
    path.write_bytes(first[: len(first) // 2])
    assert store.load_cells(back, key) is None


def test_a_photo_of_a_named_peg_does_not_depend_on_the_others(folder: Path) -> None:
    back = replace(lawn.read(folder), notes=(lawn.Note("a.jpg", None, 1),))
    one, two = (lawn.Spot(number, (2.0, 1.0), 0.0) for number in (1, 2))
    alone, both = (replace(back, spots=spots) for spots in ((one,), (one, two)))
    moved = replace(back, spots=(replace(one, at_m=(3.0, 1.0)), two))
    assert store.cell_key(alone, "ab" * 32, name="a.jpg") == store.cell_key(both, "ab" * 32, name="a.jpg")
    assert store.cell_key(moved, "ab" * 32, name="a.jpg") != store.cell_key(both, "ab" * 32, name="a.jpg")
    assert store.cell_key(alone, "ab" * 32, name="b.jpg") != store.cell_key(both, "ab" * 32, name="b.jpg")


def test_another_version_finds_nothing_kept(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    back = lawn.read(folder)
    mine = store.cell_key(back, "ab" * 32), store.pose_key(back, "ab" * 32)
    monkeypatch.setattr(store, "code_digest", lambda: "other")
    theirs = store.cell_key(back, "ab" * 32), store.pose_key(back, "ab" * 32)
    assert all(a != b for a, b in zip(mine, theirs, strict=True))


def test_changed_code_measures_anew_whatever_the_version(tmp_path: Path) -> None:
    own = Path(store.__file__).parent
    assert store.code_digest() == store.code_digest.__wrapped__(own)
    for name in ("cells.py", "darksoil.py"):
        shutil.copy(own / name, tmp_path)
    (tmp_path / "pages").mkdir()
    of = store.code_digest.__wrapped__
    first = of(tmp_path)
    (tmp_path / "pages/sheet.py").write_text("")
    assert of(tmp_path) == first
    text = (tmp_path / "darksoil.py").read_text()
    (tmp_path / "darksoil.py").write_text(text + "# more\n")
    changed = of(tmp_path)
    (tmp_path / "new.py").write_text("")
    assert len({first, changed, of(tmp_path)}) == 3


def test_a_key_changes_with_everything_it_depends_on(folder: Path) -> None:
    back = lawn.read(folder)
    keys = {
        store.cell_key(back, "ab" * 32, models=["m1"]),
        store.cell_key(back, "cd" * 32, models=["m1"]),
        store.cell_key(back, "ab" * 32, models=["m2"]),
        store.cell_key(back, "ab" * 32, models=["m1"], extra="a lesson"),
        store.cell_key(replace(back, cell_m=0.25), "ab" * 32, models=["m1"]),
        store.cell_key(replace(back, outline_m=back.outline_m * 1.1), "ab" * 32, models=["m1"]),
        *(
            store.cell_key(replace(back, notes=(note,)), "ab" * 32, name="a.jpg", models=["m1"])
            for note in (lawn.Note("a.jpg", None, 1), lawn.Note("a.jpg", None, 1, datetime(2026, 4, 2, 12)))
        ),
    }
    assert len(keys) == 8
    noted = replace(back, notes=(lawn.Note("b.jpg", None, 1),))
    assert store.cell_key(noted, "ab" * 32, name="a.jpg", models=["m1"]) in keys
    renamed = replace(back, name="other", target=None)
    assert store.cell_key(renamed, "ab" * 32, models=["m1"]) in keys


PLOTS = "[[plots]]\nfirst = 11\ncolumns = 3\nrows = 2\nat_m = [1.0, 1.0]\nstep_m = [2.0, 3.0]\n"


def with_more(folder: Path, text: str) -> Path:
    path = folder / lawn.FILE_NAME
    path.write_text(path.read_text(encoding="utf-8") + "\n" + text, encoding="utf-8")
    return folder


def test_plots_are_pegs_row_by_row(folder: Path) -> None:
    found = lawn.read(with_more(folder, PLOTS + "[[spot]]\nnumber = 1\nat_m = [4.0, 2.0]\n"))
    assert [(spot.number, spot.at_m) for spot in found.spots] == [
        (1, (4.0, 2.0)), (11, (1.0, 1.0)), (12, (3.0, 1.0)), (13, (5.0, 1.0)), (14, (1.0, 4.0)),
        (15, (3.0, 4.0)), (16, (5.0, 4.0)),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (
            PLOTS.replace("columns = 3", "columns = 9"),
            r"1st \[\[plots\]\]: peg 15 would stand at \[9.0, 1.0\], off the lawn",
        ),
        (PLOTS + "[[spot]]\nnumber = 14\nat_m = [4.0, 2.0]\n", r"1st \[\[plots\]\]: peg 14 is there already"),
        (PLOTS + PLOTS, r"2nd \[\[plots\]\]: peg 11 is there already"),
        (PLOTS.replace("columns = 3\n", ""), r"1st \[\[plots\]\], columns: missing; write columns = 20"),
        (PLOTS.replace("step_m", "step"), r"1st \[\[plots\]\], step: unknown; write step_m"),
    ],
)
def test_mistakes_in_plots_are_told(folder: Path, text: str, says: str) -> None:
    with pytest.raises(LawnError, match=says):
        lawn.read(with_more(folder, text))


def test_a_pose_is_kept_until_what_it_rests_on_changes(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    back = lawn.read(folder)
    key = store.pose_key(back, "ab" * 32)
    others = {
        store.pose_key(back, "cd" * 32),
        store.pose_key(back, "ab" * 32, wanted="step"),
        store.pose_key(replace(back, outline_m=back.outline_m * 1.1), "ab" * 32),
        store.pose_key(replace(back, views=(lawn.MarkedView("step", "a.jpg", np.eye(4, 2)),)), "ab" * 32),
    }
    assert len(others | {key}) == 5
    assert store.pose_key(replace(back, cell_m=0.25, name="other"), "ab" * 32) == key
    monkeypatch.setattr(store, "digest", lambda name: "another network")  # it has a say in what is refused
    assert store.pose_key(back, "ab" * 32) != key
    path = store.save_pose(back, key, {"refused": {"b.jpg": "Müllers Hecke fehlt"}})
    assert store.load_pose(back, key) == {"refused": {"b.jpg": "Müllers Hecke fehlt"}}
    assert all(store.load_pose(back, other) == {} for other in others)
    path.write_bytes(path.read_bytes()[:20])
    assert store.load_pose(back, key) == {}


def test_stale_tables_go(folder: Path) -> None:
    back = lawn.read(folder)
    for key in ("a" * 32, "b" * 32):
        store.save_cells(back, key, table())
    pose = store.save_pose(back, "b" * 32, {})
    assert store.drop_stale(back, "cells", ["a" * 32]) == 1
    assert pose.is_file()
    assert store.drop_stale(back, "poses", ["a" * 32]) == 1
    assert not pose.exists()
    assert store.load_cells(back, "a" * 32) is not None
    assert store.load_cells(back, "b" * 32) is None


def test_cells_csv_begins_with_the_contract_s_columns(tmp_path: Path) -> None:
    path = tmp_path / "results" / "cells.csv"
    store.write_cells_csv(
        path, [store.PlacedTable(table(), datetime(2026, 4, 2, 10, 41), 19.4, "spot 3", "a.jpg")]
    )
    rows = list(csv.DictReader(io.StringIO(path.read_text())))
    contract = (
        "row,col,x_m,y_m,area_m2,seen,cover,cover_se,cover_as_seen,straw,bare,other,"
        "dgci,hue_deg,zenith_deg,gsd_mm,shade,state,why,taken,age_days,view"
    )
    assert path.read_text().startswith(contract)
    assert len(rows) == 6
    assert rows[5]["cover"] == ""
    assert rows[5]["why"] == "too oblique"
    assert float(rows[0]["cover"]) == pytest.approx(table().cover[0], rel=1e-5)
