"""The command line: glue that says plainly what is wrong and leaves nothing half done."""

from __future__ import annotations

import csv
import errno
import io
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from datetime import date, datetime
from importlib import import_module
from pathlib import Path

import click
import numpy as np
import pytest
import write_commands
from click.testing import CliRunner, Result
from PIL import Image, ImageFilter

from turfeye import card, filing, lawn, outlook, photo, survey, view
from turfeye.answer import Answer
from turfeye.cli import root, shared
from turfeye.cli.look import _towards_cells
from turfeye.errors import CardError
from turfeye.lawnrecords import Season
from turfeye.records import Photo, View
from turfeye.simulate import tables

HERE = Path(__file__).parent.parent
CORNERS = ((412, 1630), (2210, 1702), (1604, 512), (705, 498))


def run(*words: object) -> Result:
    return CliRunner().invoke(root, [str(word) for word in words], catch_exceptions=False)


def picture(path: Path, *, taken: datetime | None = datetime(2026, 4, 2, 10, 41), seed: int = 0) -> Path:
    rgb = np.random.default_rng(seed).integers(0, 255, (180, 260, 3), dtype=np.uint8)
    exif = Image.Exif()
    if taken:
        exif.get_ifd(0x8769)[0x9003] = taken.strftime("%Y:%m:%d %H:%M:%S")
    Image.fromarray(rgb).save(path, exif=exif)
    return path


def everything(folder: Path) -> dict[Path, bytes]:
    return {p: p.read_bytes() for p in folder.rglob("*") if p.is_file() and p.name != lawn.LOCK_NAME}


def walk(command: click.Command, path: tuple[str, ...] = ()) -> list[tuple[tuple[str, ...], click.Command]]:
    found = [(path, command)]
    if isinstance(command, click.Group):
        for name, child in command.commands.items():
            found += walk(child, (*path, name))
    return found


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    assert run("lawn", "new", tmp_path / "back", "--outline", "8x6", "--sown", "2026-03-14").exit_code == 0
    return tmp_path / "back"


# Help


@pytest.mark.parametrize(("path", "command"), walk(root))
def test_every_command_and_option_explains_itself(path: tuple[str, ...], command: click.Command) -> None:
    result = run(*path, "--help")
    assert result.exit_code == 0
    assert command.help
    assert len(command.help.split()) >= 5
    for option in command.params:
        if isinstance(option, click.Option):
            assert option.help, (path, option.name)


def test_the_commands_are_the_ones_promised() -> None:
    assert list(root.commands) == [
        "card",
        "look",
        "lawn",
        "add",
        "season",
        "plan",
        "sheet",
        "teach",
        "round",
        "demo",
    ]
    group = root.commands["lawn"]
    assert isinstance(group, click.Group)
    assert list(group.commands) == ["new", "blades", "show"]


def test_the_page_of_commands_is_not_stale() -> None:
    page = write_commands.PAGE.read_text(encoding="utf-8")
    assert page == write_commands.text(), "run python tools/write_commands.py"


def test_a_quick_start() -> None:
    # Slow libraries must wait until a command needs them; the time is the best of three.
    code = "import sys; import turfeye.cli; print(sorted(m for m in sys.modules if '.' not in m))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    for slow in ("scipy", "skimage", "sklearn", "matplotlib", "pydantic", "rich", "jinja2", "mitsuba"):
        assert f"'{slow}'" not in loaded
    times = []
    for _ in range(3):
        start = time.perf_counter()
        subprocess.run([sys.executable, "-m", "turfeye", "--version"], capture_output=True, check=True)
        times.append(time.perf_counter() - start)
    assert min(times) < 0.8  # 0.2 s on the developer's machine; a loaded one is slower


# card


def test_card_as_png_at_true_size(tmp_path: Path) -> None:
    out = tmp_path / "card.png"
    result = run("card", out, "--format", "png", "--dpi", "100", "--spot", "3")
    assert result.exit_code == 0
    assert result.stdout.strip() == str(out)
    with Image.open(out) as image:
        # A4 is 210 x 297 mm (ISO 216).
        assert sorted(image.size) == pytest.approx([210 / 25.4 * 100, 297 / 25.4 * 100], abs=1)
        assert image.info["dpi"] == pytest.approx((100, 100), abs=0.1)


def test_a_card_named_png_is_one(tmp_path: Path) -> None:
    assert run("card", tmp_path / "card.png").exit_code == 0
    with Image.open(tmp_path / "card.png") as image:
        assert image.format == "PNG"


def test_a_card_is_no_jpeg(tmp_path: Path) -> None:
    result = run("card", tmp_path / "card.jpg")
    assert result.exit_code == 2
    assert "a PDF or a PNG, not jpg" in result.stderr
    assert not list(tmp_path.iterdir())


def test_card_as_pdf_on_letter(tmp_path: Path) -> None:
    out = tmp_path / "card.pdf"
    assert run("card", out, "--paper", "letter").exit_code == 0
    box = re.search(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", out.read_bytes())
    assert box
    assert sorted(float(v) for v in box.groups()) == pytest.approx([612, 792], abs=0.5)  # 8.5 x 11 in


def test_a_spot_that_the_card_can_t_have(tmp_path: Path) -> None:
    result = run("card", tmp_path / "c.pdf", "--spot", "100000")
    assert result.exit_code == 2
    assert "spot" in result.stderr
    assert not (tmp_path / "c.pdf").exists()


# look


def test_without_a_card_the_way_on_is_named_once(tmp_path: Path) -> None:
    for name in ("a.jpg", "b.jpg"):
        Image.fromarray(np.random.default_rng(1).integers(40, 90, (300, 400, 3), np.uint8)).save(
            tmp_path / name
        )
    done = run("look", tmp_path / "a.jpg", tmp_path / "b.jpg")
    assert done.exit_code == 2
    assert done.stderr.count("no card found") == 2
    assert f"turfeye look --no-card {tmp_path / 'a.jpg'} {tmp_path / 'b.jpg'}\n" in done.stderr
    (tmp_path / "c.jpg").write_text("not a picture")
    assert "--no-card" not in run("look", tmp_path / "c.jpg").stderr


SPOTS = HERE / "sample_images/trial-spots/photos"
FERRY = HERE / "sample_images/ferry-cottage"


def test_many_photos_are_ranked_and_one_that_fails_stops_none(tmp_path: Path) -> None:
    (tmp_path / "a note.jpg").write_text("not a picture")
    photos = sorted(SPOTS.glob("2026-0[34]-*-spot-[12].jpg"))[:5]
    run("card", tmp_path / "card.png", "--dpi", "110")
    written = ("--table", tmp_path / "plots.csv", "--out", tmp_path / "cells")
    done = run("look", tmp_path / "a note.jpg", tmp_path / "card.png", *photos, *written)
    assert done.exit_code == 2
    assert "a note.jpg not measured: holds no picture" in done.stderr
    assert "card.png: nothing measured: show more lawn around the card" in done.stderr
    with (tmp_path / "plots.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert [row["rank"] for row in rows] == ["1", "2", "3", "4", "5", "", ""]
    cover = [float(row["cover"]) for row in rows[:5]]
    assert cover == sorted(cover, reverse=True)
    assert "holds no picture" in rows[5]["why"]
    assert [row["number"] for row in rows] == [row["photo"][-5] for row in rows[:5]] + ["", ""]
    # true covers, straight down, lie beside the samples
    with (SPOTS.parent / "truth/cells.csv").open() as file:
        truth = [row for row in csv.DictReader(file) if float(row["card"]) < 0.1]
    means = {
        row["photo"]: np.mean([float(t["cover"]) for t in truth if t["photo"] == Path(row["photo"]).name])
        for row in rows[:5]
    }
    order = sorted(means, key=lambda name: -means[name])
    for row in rows[:5]:
        assert int(row["rank_low"]) <= order.index(row["photo"]) + 1 <= int(row["rank_high"])
    assert float(rows[0]["cv_pct"]) < float(rows[4]["cv_pct"])  # seedlings come up patchily
    shown = [line.split()[0] for line in done.stdout.splitlines() if "spot" in line]
    assert shown == [Path(row["photo"]).name for row in rows[:5]]
    for row in rows[:5]:  # of several days, so the day is shown
        assert f"{Path(row['photo']).name}   {row['photo'].split('/')[-1][:10]}   " in done.stdout
    assert done.stderr.count("wrote NAME-cells.csv and NAME-cover.png of 6 photos") == 1
    assert len(list((tmp_path / "cells").glob("*-spot-?-cells.csv"))) == 5


def test_of_very_many_photos_a_digest_is_shown_and_the_table_has_each(tmp_path: Path) -> None:
    """Two hundred trial plots took a line each, and each that failed its reason in full."""
    for k in range(1, 33):
        Image.fromarray(np.random.default_rng(k).integers(40, 90, (300, 400, 3), np.uint8)).save(
            tmp_path / f"2026-05-06 plot {k:03}.png"
        )
    for k in (7, 19):
        (tmp_path / f"2026-05-06 plot {k:03}.png").write_text("not a picture")
    done = run("look", "--no-card", tmp_path, "--table", tmp_path / "plots.csv")
    assert done.exit_code == 2
    assert done.stdout.splitlines()[0] == "32 photos taken on 6 May 2026: 30 measured and 2 not"
    again = done.stderr.split("Take these again: ")[1].splitlines()[0]
    assert again.startswith("2 photos (2026-05-06 plot 007.png, 019), each: holds no picture")
    minded = (
        "Warnings for those measured: 30 photos (2026-05-06 plot 001.png, 002, 003 and 27 more), each: no"
    )
    assert minded in done.stderr
    ranks = [int(rank) for rank in re.findall(r"plot \d+\.png +(\d+) \(", done.stdout)]
    assert ranks == sorted(ranks)
    assert len(ranks) == 20
    assert "… 10 more" in done.stdout
    with (tmp_path / "plots.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 32
    assert sum("holds no picture" in row["why"] for row in rows) == 2
    assert "--table FILE writes a row for each" in run("look", "--no-card", tmp_path).stderr
    (tmp_path / "2026-05-06 plot 001.png").rename(tmp_path / "first.png")
    first = run("look", tmp_path)
    assert first.stdout.splitlines() == ["32 photos, 31 of them taken on 6 May 2026: 0 measured and 32 not"]
    assert "in brackets" not in first.stderr  # no ranking, no word on its brackets


def test_one_picture_under_two_names_is_told_where_photos_are_ranked(tmp_path: Path) -> None:
    """Two plots with one picture ranked equal, without a word."""
    for k in range(1, 6):
        picture(tmp_path / f"plot {k}.jpg", seed=k)
    shutil.copy(tmp_path / "plot 2.jpg", tmp_path / "plot 7.jpg")
    said = run("look", "--no-card", tmp_path).stderr
    assert said.count("the same picture as") == 1
    assert "plot 7.jpg: the same picture as plot 2.jpg, so it is ranked twice: leave the copy out" in said


@pytest.mark.parametrize("words", [("--rule", "97"), ("--rule", "100"), ("--cell", "0.2", "--spot", "1")])
def test_what_belongs_to_a_card_is_not_ignored_without_one(words: tuple[str, ...]) -> None:
    done = run("look", "--no-card", SPOTS / "2026-04-13-spot-1.jpg", *words)
    assert done.exit_code == 2
    assert " and ".join(words[::2]) + " need" in done.stderr
    assert done.stdout == ""


def test_cells_larger_than_the_picture_are_told_to_be_smaller() -> None:
    done = run("look", SPOTS / "2026-04-13-spot-1.jpg", "--cell", "3")
    assert "0 of 4 cells seen" in done.stdout
    assert "give a smaller --cell, such as 0.1" in done.stderr


def test_a_photo_of_the_card_alone_says_what_to_do_and_shows_no_empty_table(tmp_path: Path) -> None:
    run("card", tmp_path / "card.png", "--spot", "1", "--dpi", "110")
    done = run("look", tmp_path / "card.png")
    assert "nothing measured; 0 of 16 cells seen" in done.stdout
    assert "row, col" not in done.stdout
    assert "show more lawn around the card" in done.stderr


def test_a_photo_that_measures_nothing_says_what_to_do_about_what_hides_most(tmp_path: Path) -> None:
    with Image.open(SPOTS / "2026-04-13-spot-1.jpg") as sharp:
        sharp.filter(ImageFilter.GaussianBlur(4)).save(tmp_path / "soft.jpg", exif=sharp.getexif())
    done = run("look", tmp_path / "soft.jpg")
    assert "nothing measured" in done.stdout
    assert "take it again: out of focus" in done.stderr
    assert "show more lawn" not in done.stderr
    table = survey.look(SPOTS / "2026-04-13-spot-1.jpg").table
    flat = replace(table, why=np.full(len(table.why), "too oblique: 71° from straight down"))
    assert "from higher up" in _towards_cells(flat, card_found=True)


def test_bare_ground_has_no_colour_index_and_the_reason_is_said() -> None:
    shown = run("look", HERE / "sample_images/trial-spots/photos/2026-03-20-spot-1.jpg")
    assert "no colour index: too little is green; card 1, " in shown.stdout


def test_where_the_cells_are_written_nothing_says_how_to_write_them(tmp_path: Path) -> None:
    hint = "for every cell with all its figures: --out DIR"
    assert hint in run("look", SPOTS / "2026-04-13-spot-1.jpg").stderr
    assert hint not in run("look", SPOTS / "2026-04-13-spot-1.jpg", "--out", tmp_path).stderr


def test_an_outline_that_the_card_speaks_against_is_told_as_its_corners_are_marked(tmp_path: Path) -> None:
    window = FERRY / "photos/2026-03-14-window.jpg"
    known = lawn.read(FERRY)
    corners = [word for x, y in known.views[0].corners_px for word in ("--corner", f"{x},{y}")]
    for times, said in ((1.0, False), (2.0, True)):
        outline = " ".join(f"{times * x:g},{times * y:g}" for x, y in known.outline_m)
        folder = tmp_path / f"lawn-{times:g}"
        run("lawn", "new", folder, "--outline", outline, "--sown", "2026-03-14")
        done = run("add", folder, window, "--view", "window", *corners)
        assert done.exit_code == 0, done.output
        assert ("the card in it would be 2 times as large as it is" in done.stderr) == said
        (one,) = survey.measure(lawn.read(folder))
        assert any("measure a side again" in line for line in one.facts["warnings"]) == said
    # a card that came out of the printer at twice its size agrees with such an outline
    text = (tmp_path / "lawn-2/lawn.toml").read_text()
    (tmp_path / "lawn-2/lawn.toml").write_text(text.replace("cell_m =", "card_rule_mm = 200\ncell_m ="))
    assert survey.marks_doubted(tmp_path / "lawn-2", one.path.name) == []


def test_an_outline_marked_where_no_card_lies_is_checked_by_the_lens_and_says_from_how_high(
    tmp_path: Path,
) -> None:
    window = FERRY / "photos/2026-04-12-window.jpg"
    known = lawn.read(FERRY)
    with Image.open(window) as image:
        rgb, header = np.array(image), image.getexif()
    left, top, right, bottom = cards_box(photo.read(window))
    rgb[top:bottom, left:right] = rgb[top:bottom, 2 * left - right : left]  # turf over its card
    cardless = tmp_path / "IMG_0042.jpg"
    Image.fromarray(rgb).save(cardless, quality=92, exif=header)
    marks = [word for x, y in known.views[0].corners_px for word in ("--corner", f"{x},{y}")]
    for number, (times, said) in enumerate(
        [
            ((1.0, 1.0), "By its lengths it was taken from 3.1 m above the lawn"),
            ((2.0, 2.0), "By its lengths it was taken from 6.2 m above the lawn"),
            ((1.0, 0.75), "the photo was taken with 28 mm: the outline is too long or too narrow one way"),
            ((0.2, 0.2), "it was taken from 0.6 m above the lawn: if that is wrong, so are they"),
        ]
    ):
        outline = " ".join(f"{times[0] * x:g},{times[1] * y:g}" for x, y in known.outline_m)
        folder = tmp_path / f"lawn-{number}"
        run("lawn", "new", folder, "--outline", outline, "--sown", "2026-03-14")
        done = run("add", folder, cardless, "--view", "window", *marks)
        assert said in done.stderr


def test_a_place_from_which_much_of_the_lawn_can_t_be_measured_is_told_as_it_is_marked(
    tmp_path: Path,
) -> None:
    """A phone at 1.6 m reaches 1.6 m x tan 65° = 3.4 m: not all of a lawn from one end, but from both."""
    run("lawn", "new", tmp_path / "lawn", "--outline", "5x4", "--sown", "2026-03-14")
    outline = np.array([[0, 0], [5, 0], [5, 4], [0, 4]], float)
    said = []
    for name, y_m, ahead in (("south", -0.5, 1.0), ("north", 4.5, -1.0)):
        across, down, forward = [ahead, 0, 0], [0, -0.6 * ahead, -0.8], [0, 0.8 * ahead, -0.6]
        camera = np.array(
            [[400.0, 0, 500], [0, 400, 400], [0, 0, 1]]
        )  # so wide that the lawn is in the picture
        rotation = np.array([across, down, forward])
        away = -rotation @ [2.5, y_m, 1.6]
        seen = View("lawn", (1000, 800), camera, rotation, away, "given", 0.0)
        marks = [word for x, y in view.project(seen, outline) for word in ("--corner", f"{x:.1f},{y:.1f}")]
        path = tmp_path / f"{name} 2026-03-20.jpg"
        rng = np.random.default_rng(len(said))
        Image.fromarray(rng.integers(0, 255, (800, 1000, 3), np.uint8)).save(path)
        done = run("add", tmp_path / "lawn", path, "--view", name, *marks)
        said.append(done.stderr)
    assert "from there, 1.6 m up, " in said[0]
    share = int(re.search(r"(\d+) % of the lawn can't be measured: seen at more than 65°", said[0])[1])
    x, y = np.meshgrid(np.linspace(0, 5, 501), np.linspace(0, 4, 401))
    truly = np.hypot(x - 2.5, y + 0.5) > 1.6 * np.tan(np.radians(65))
    assert share == pytest.approx(100 * truly.mean(), abs=3)  # told by whole cells
    assert "can't be measured" not in said[1]


def cards_box(shot: Photo) -> list[int]:
    """Left, top, right, bottom of the card and some more."""
    corners = card.find(shot).corners_px
    return [*(corners.min(axis=0) - 25).astype(int), *(corners.max(axis=0) + 25).astype(int)]


def test_a_table_that_can_t_be_written_is_told_before_anything_is_measured(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("not a folder")
    done = run("look", SPOTS / "2026-04-13-spot-1.jpg", "--table", tmp_path / "file/plots.csv")
    assert done.exit_code == 2
    assert "can't use" in done.stderr
    assert done.stdout == ""


def test_what_would_write_over_one_another_is_refused(tmp_path: Path) -> None:
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        shutil.copy(SPOTS / "2026-04-13-spot-1.jpg", tmp_path / name / "plot-1.jpg")
    done = run("look", tmp_path / "a/plot-1.jpg", tmp_path / "b/plot-1.jpg", "--out", tmp_path / "out")
    assert done.exit_code == 2
    assert "b/plot-1.jpg" in done.stderr
    assert not (tmp_path / "out").exists()


def test_equal_notes_on_many_photos_are_one_line(tmp_path: Path) -> None:
    for k in range(5):
        rgb = np.random.default_rng(k).integers(40, 90, (300, 400, 3), np.uint8)
        Image.fromarray(rgb).save(tmp_path / f"{k}.png")
    done = run("look", "--no-card", *sorted(tmp_path.glob("*.png")), "--table", tmp_path / "all.csv")
    assert done.stderr.count("no card: cover is as this picture sees it") == 1
    assert "5 photos (0.png, 1.png, 2.png and 2 more), each: no card" in done.stderr
    with (tmp_path / "all.csv").open(newline="") as file:  # where every photo has its own
        assert all(row["notes"].startswith("no card") for row in csv.DictReader(file))


def test_why_cells_were_not_seen_is_counted() -> None:
    shown = run("look", SPOTS / "2026-04-13-spot-1.jpg").stdout
    assert re.search(r"^not seen: \d+ mostly outside the picture, \d+ the card lies on it$", shown, re.M)


# lawn


def test_a_map_leaves_out_rows_and_columns_of_which_nothing_was_seen(
    capsys: pytest.CaptureFixture[str],
) -> None:
    table = survey.look(SPOTS / "2026-04-13-spot-1.jpg").table
    inner = np.isin(table.row, (4, 5, 6)) & np.isin(table.col, (3, 4, 5, 6))
    import_module("turfeye.cli.look")._show_map(
        replace(table, cover=np.where(inner, 0.31, np.nan)), axes=True
    )
    assert capsys.readouterr().out.splitlines()[1:] == [" 31" * 4] * 3


def test_lawn_new_and_show(folder: Path) -> None:
    result = run("lawn", "show", folder)
    assert "48.0 m²" in result.stdout
    assert "sown 2026-03-14: perennial ryegrass, 35 g/m²" in result.stdout
    assert "target 70 % by 2026-05-09" in result.stdout


def test_a_lawn_from_tape_lengths(tmp_path: Path) -> None:
    words = ("--sides", "4,3,4,3", "--diagonals", "5")
    assert run("lawn", "new", tmp_path / "a", *words).exit_code == 0
    np.testing.assert_allclose(
        lawn.read(tmp_path / "a").outline_m, [[0, 0], [4, 0], [4, 3], [0, 3]], atol=1e-6
    )


@pytest.mark.parametrize("cut_off", [False, True])
def test_corners_proposed_where_the_picture_ends_are_said_to_be_none(tmp_path: Path, cut_off: bool) -> None:
    whole = HERE / "sample_images/ferry-cottage/photos/2026-05-06-window.jpg"
    with Image.open(whole) as picture:
        part = picture.crop((500, 0, *picture.size)) if cut_off else picture.copy()
    part.save(tmp_path / "a.jpg", quality=95)
    done = run("lawn", "new", tmp_path / "a", "--outline", "4x5", "--propose", tmp_path / "a.jpg")
    assert done.exit_code == 0
    assert ("lies outside the picture" in done.stderr) == cut_off
    assert ("from higher up, or drag those corners out of the picture" in done.stderr) == cut_off
    later = run("lawn", "new", tmp_path / "a", "--propose", tmp_path / "a.jpg")  # of the lawn made above
    assert (later.exit_code, later.stdout) == (0, done.stdout.splitlines(keepends=True)[-1])
    assert later.stdout.count("--corner") == 4


def test_a_lawn_is_called_after_its_folder_and_hints_can_be_pasted(tmp_path: Path) -> None:
    folder = tmp_path / "Müllers Garten"
    made = run("lawn", "new", folder, "--sides", "8,6,8,6", "--diagonals", "10")
    assert lawn.read(folder).name == "Müllers Garten"
    assert f"turfeye add '{folder}' PHOTO" in made.stderr
    assert "e-16" not in (folder / "lawn.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ((), "--outline 8x6"),
        (("--outline", "8"), "is not an outline"),
        (("--outline", "8x6", "--sides", "4,3,4,3", "--diagonals", "5"), "one outline"),
        (("--outline", "8x6", "--diagonals", "10"), "go with --sides"),
        (("--outline", "0x6"), "above 0"),
        (("--outline", "0,0 8,6 8,0 0,6"), "crosses"),
        (("--outline", "8000x6000"), "write metres, not centimetres or millimetres"),
        (
            ("--outline", "400x300", "--cell", "0.1"),
            "--cell: 0.1 m makes 12000000 cells of this lawn; write --cell 0.4 or more",
        ),
        (("--outline", "0,0 8 8,6"), "is not an outline"),
        (("--outline", "8x6x4"), "is not an outline"),
        (("--outline", "8x6", "--sown", "14.3.2026"), "2026-03-14"),
        (("--outline", "8x6", "--sown", "2026-03-14T09:12"), "is not a date; write it as 2026-03-14"),
        (("--outline", "8x6", "--sown", "2026-03-14", "--target", "2026-03-01"), "not after the sowing"),
        (("--outline", "8x6", "--sown", "2026-03-14", "--mix", "moss"), "perennial ryegrass"),
        (("--outline", "8x6", "--mix", "hard fescue"), "--sown 2026-03-14"),
        (("--outline", "8x6", "--rate", "20"), "--sown 2026-03-14"),
        (("--outline", "8x6", "--target-cover", "0.9"), "--target 2026-05-09"),
        (("--outline", "8x6", "--sown", "2026-03-14", "--mix", ""), "--mix: must not be empty"),
        (("--outline", "0,0 0,6 8,6 8,0"), 'first side; write --outline "0,0 8,0 8,6 0,6"\n'),
        (("--outline", "0,0 8,0"), "outline: needs at least 3 corners, found "),
        (("--outline", "0,0 8,0 8,0"), "outline: holds no area; write --outline 8x6, or"),
        (("--outline", "0,0 nan,0 8,6"), "is not an outline"),
        (("--outline", "8x6", "--cell", "9"), "--cell: must be at most 5.0, found 9.0; write --cell 0.5\n"),
        (("--outline", "8x6", "--sown", "2026-03-14", "--rate", "900"), "found 900.0; write --rate 35\n"),
        (("--outline", "8x6", "--sown", "2026-03-14", "--target-cover", "75"), "write --target-cover 0.75"),
        (("--outline", "8x6", "--sown", "2026-03-14", "--mix", "moss"), "1 mistake\n  - --mix: no seed mix"),
        (("--sides", "4,3,4,3", "--diagonals", "50"), "measure"),
    ],
)
def test_a_bad_lawn_is_not_made(tmp_path: Path, words: tuple[str, ...], says: str) -> None:
    result = run("lawn", "new", tmp_path / "x", *words)
    assert result.exit_code == 2
    assert says in result.stderr
    assert "Traceback" not in result.output
    assert not (tmp_path / "x").exists()
    # nothing is called as in a file that the user has not seen yet
    assert not re.search(r"outline_m|cell_m|rate_g_m2|sowing\[|target\.|lawn\.toml has", result.stderr)


@pytest.mark.parametrize("option", ["--rule", "--cell"])
def test_what_is_no_number_is_no_length(option: str) -> None:
    result = run("look", "photo.jpg", option, "nan")
    assert result.exit_code == 2
    assert "'nan' is not a number in the range" in result.stderr


def test_a_lawn_file_with_several_mistakes_tells_all(folder: Path) -> None:
    path = folder / "lawn.toml"
    text = path.read_text().replace("cell_m = 0.5", "cell_m = 0")
    path.write_text(text.replace("cover = 0.7", "cover = 70"))
    result = run("lawn", "show", folder)
    assert result.exit_code == 2
    assert "2 mistakes" in result.stderr
    assert "cell_m" in result.stderr
    assert "target.cover" in result.stderr
    assert result.stdout == ""


# add


def test_add_files_and_says_what(folder: Path, tmp_path: Path) -> None:
    photo = picture(tmp_path / "IMG_1.jpg")
    result = run("add", folder, photo)
    assert result.exit_code == 0
    assert re.fullmatch(r"IMG_1.jpg → 2026-04-02T10-41-00-IMG_1-[0-9a-f]{6}\.jpg\n", result.stdout)
    again = run("add", folder, photo)
    assert again.exit_code == 0
    assert again.stdout == ""
    assert "filed already" in again.stderr


def test_a_phone_s_folder_is_filed_again_and_again(folder: Path, tmp_path: Path) -> None:
    phone = tmp_path / "iPhone Bilder äöü"
    phone.mkdir()
    (phone / "IMG_1.AAE").write_text("<xml/>")
    for n in range(4):
        picture(phone / f"IMG_{n}.JPG", seed=n)
    assert run("add", folder, phone).stdout.count(" → ") == 4
    assert (done := run("add", folder, phone)).exit_code == 0
    assert done.stderr.count("filed already") == 1
    assert "4 photos were filed already\n" in done.stderr
    picture(phone / "IMG_9.JPG", seed=9)
    assert run("add", folder, phone).stdout.startswith("IMG_9.JPG → ")
    assert len(list((folder / "photos").iterdir())) == 5


def test_of_a_season_s_photos_a_digest_is_shown_and_a_table_has_each(folder: Path, tmp_path: Path) -> None:
    phone = tmp_path / "phone"
    phone.mkdir()
    for n in range(32):
        picture(phone / f"IMG_{n:04}.jpg", taken=datetime(2026, 4, 2 + n // 16, 10, n), seed=n)
    done = run("add", folder, phone)
    assert done.exit_code == 0
    assert done.stdout == "32 photos filed, taken on 2 days from 2 April to 3 April 2026\n"
    assert "filed, but not placed yet: 32 photos (" in done.stderr
    with (folder / "results/filed.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert [row["source"] for row in rows] == [str(phone / f"IMG_{n:04}.jpg") for n in range(32)]
    assert {row["photo"] for row in rows} == {path.name for path in (folder / "photos").iterdir()}
    assert {row["state"] for row in rows} == {"filed"}
    assert all("no view is marked yet" in row["why"] for row in rows)
    assert run("add", folder, phone).stdout == ""
    assert (folder / "results/filed.csv").read_text().count(",filed before,") == 32


def test_photos_from_before_the_sowing_are_told_together(folder: Path, tmp_path: Path) -> None:
    """Those of days that are another one with day and month swapped were a line each, of 400 letters."""
    for n in range(1, 19):
        picture(tmp_path / f"IMG_{n:04}.jpg", taken=datetime(2026, 2, n, 9), seed=n)
    done = run("add", folder, tmp_path)
    assert done.exit_code == 2
    _, *said = done.stderr.splitlines()
    assert len(said) == 2
    dated = [
        re.search(r", each: is dated (.*), before the sowing of 2026-03-14; if it shows", one) for one in said
    ]
    assert {one and one[1] for one in dated} >= {"2026-02-01 to 2026-02-18"}
    assert sum("--date (perhaps 2026-04-02 to" in one for one in said) == 1


def test_what_became_of_each_photo_is_kept_over_several_goes(folder: Path, tmp_path: Path) -> None:
    """The table held the last call only, and none of thirty photos and fewer."""
    handed_in = [picture(tmp_path / f"IMG_{n:04}.jpg", seed=n) for n in range(4)]
    copied = shutil.copy(handed_in[3], tmp_path / "IMG_0003 (1).jpg")
    for go in (handed_in[:2], handed_in[1:3], [handed_in[3], copied]):
        assert run("add", folder, *go).exit_code == 0

    def listed() -> list[tuple[str, str]]:
        with (folder / "results/filed.csv").open() as file:
            return [(Path(row["source"]).name, row["state"]) for row in csv.DictReader(file)]

    assert listed() == [
        ("IMG_0000.jpg", "filed"),
        ("IMG_0001.jpg", "filed before"),
        ("IMG_0002.jpg", "filed"),
        ("IMG_0003.jpg", "filed"),
        ("IMG_0003 (1).jpg", "filed before"),
    ]
    next((folder / "photos").glob("*IMG_0000*")).unlink()  # filed by mistake
    assert run("add", folder, handed_in[2]).exit_code == 0
    assert [name for name, _ in listed()] == [
        "IMG_0001.jpg", "IMG_0002.jpg", "IMG_0003.jpg", "IMG_0003 (1).jpg",
    ]  # fmt: skip
    (folder / "results/filed.csv").write_text("something else\n")
    assert run("add", folder, handed_in[0]).exit_code == 0
    assert listed() == [("IMG_0000.jpg", "filed")]


def test_very_many_photos_that_can_t_be_filed_are_told_by_what_is_wrong(folder: Path, tmp_path: Path) -> None:
    """Of more than twenty the first twenty were told, a line each, whatever was wrong with the others."""
    phone = tmp_path / "phone"
    phone.mkdir()
    for n in range(24):
        picture(phone / f"IMG_{n:04}.jpg", taken=None, seed=n)
    (phone / "IMG_0099.jpg").write_text("not a picture")
    done = run("add", folder, phone)
    assert done.exit_code == 2
    assert (
        "25 of 25 photos can't be filed, so none was\n  - 24 photos (IMG_0000.jpg, 0001, 0002," in done.stderr
    )
    assert "0022, 0023), each: has no date, neither in its header nor in its name" in done.stderr
    assert "\n  - IMG_0099.jpg: holds no picture" in done.stderr


def test_add_marks_corners(folder: Path, tmp_path: Path) -> None:
    corners = [word for x, y in CORNERS for word in ("--corner", f"{x},{y}")]
    assert run("add", folder, picture(tmp_path / "a.jpg"), "--view", "kitchen", *corners).exit_code == 0
    assert lawn.read(folder).views[0].corners_px.tolist() == [list(map(float, c)) for c in CORNERS]


def test_a_trial_s_spreadsheet_is_shown_as_it_is_read(folder: Path) -> None:
    with (folder / "lawn.toml").open("a") as file:
        file.write("\n[[plots]]\ncolumns = 4\nat_m = [1.0, 1.0]\nstep_m = [1.5, 1.5]\n")
    sheet = folder / "treatments.csv"
    sheet.write_text("plot,treatment,block\n1,thick,1\n2,thin,1\n3,thin,2\n4,thick,2\n")
    shown = run("lawn", "show", folder).stdout
    assert "2 treatments, with their plots: thick (2), thin (2)\n" in shown
    assert "2 blocks, with their plots: 1 (2), 2 (2)\n" in shown
    sheet.write_text("plot,treatment,block\n1,thick,1\n2,thin,1\n3,thin,2\n")
    assert "note: treatments.csv says nothing of plot 4" in run("lawn", "show", folder).stderr
    sheet.write_text("plot,treatment,cover\n1,thick,1\n")
    refused = run("lawn", "show", folder)
    assert refused.exit_code == 2
    assert "cover is a column of the results already" in refused.stderr


def test_a_spreadsheet_in_other_words_is_not_passed_over(folder: Path) -> None:
    (folder / "treatments.csv").write_text("Parzelle;Sorte;von x;bis x\n1;A;0,5;1,7\n", encoding="utf-8-sig")
    shown = run("lawn", "show", folder)
    assert shown.exit_code == 0
    assert "treatments.csv is not read: nothing says where its plots are" in shown.stderr
    assert "(it has Parzelle, Sorte, von x and bis x)" in shown.stderr


def test_a_plot_is_told_by_its_photo_s_name(folder: Path, tmp_path: Path) -> None:
    path = folder / "lawn.toml"
    block = "[[plots]]\ncolumns = 4\nrows = 3\nat_m = [1.0, 1.0]\nstep_m = [1.5, 1.5]\n"
    path.write_text(path.read_text() + "\n" + block)
    photos = [picture(tmp_path / f"{day}-plot-{n:03d}.jpg", seed=n) for day, n in (("a1", 7), ("a1", 12))]
    assert run("add", folder, *photos, "--numbered").exit_code == 0
    assert [note.spot for note in lawn.read(folder).notes] == [7, 12]
    shown = run("lawn", "show", folder).stdout
    assert "plot 12 at 5.5, 4 m" in shown
    assert "plots of 1.5 by 1.5 m\n" in shown
    assert run("lawn", "show", folder, "--map", tmp_path / "plots.png").stderr.startswith("wrote ")
    assert (tmp_path / "plots.png").read_bytes().startswith(b"\x89PNG")
    assert "--map writes a PNG; call it plots.png" in run("lawn", "show", folder, "--map", "plots.pdf").stderr
    before = everything(folder)
    for name, came in (("plot-013.jpg", "number 13"), ("plot.jpg", "no number")):
        result = run("add", folder, picture(tmp_path / name, seed=3), "--numbered")
        assert result.exit_code == 2
        assert f"(the lawn has 1 to 12), got {came}" in result.stderr
    others = [picture(tmp_path / f"plot {number}.jpg", seed=3) for number in range(13, 23)]
    result = run("add", folder, *others, "--numbered")
    assert result.stderr.count("named by no known peg") == 1  # it was a line each, a word missing
    assert "(the lawn has 1 to 12), got number 13 to 22; write where it is" in result.stderr
    assert run("add", folder, photos[0], "--numbered", "--spot", "3").exit_code == 2
    assert everything(folder) == before


def test_photos_of_one_plot_on_one_day_are_told(folder: Path, tmp_path: Path) -> None:
    done = run("add", folder, picture(tmp_path / "3.jpg"), "--numbered")
    assert done.exit_code == 2
    assert done.stderr.startswith("turfeye: the lawn has no plots or pegs yet: write where they are")
    lawn_file = folder / "lawn.toml"
    lawn_file.write_text(
        f"{lawn_file.read_text()}\n[[plots]]\ncolumns = 12\nat_m = [0.3, 0.3]\nstep_m = [0.6, 0.6]\n"
    )
    whole = picture(tmp_path / "plot 012.jpg")
    picture(tmp_path / "plot 001.jpg", seed=1)
    copied = tmp_path / "plot 012 (1).jpg"
    copied.write_bytes(whole.read_bytes())
    done = run("add", folder, tmp_path / "plot 001.jpg", whole, copied, "--numbered")
    assert done.exit_code == 2
    assert "are one picture, and their names' last numbers are two plots', 12 and 1" in done.stderr
    second = tmp_path / "plot 001 (2).jpg"
    second.write_bytes((tmp_path / "plot 001.jpg").read_bytes())
    done = run("add", folder, tmp_path / "plot 001.jpg", second, whole, copied, "--numbered")
    assert "two plots', 1 and 2" in done.stderr  # all such at once
    assert "two plots', 12 and 1" in done.stderr
    second.unlink()
    copied.unlink()
    picture(tmp_path / "plot 012.1.jpg", seed=2)  # another photo of plot 12, whose last number is 1
    done = run("add", folder, *sorted(tmp_path.glob("plot*")), "--numbered")
    assert done.exit_code == 0
    assert (
        "2 photos (plot 001.jpg, plot 012.1.jpg), each: one of 2 photos of plot 1 on 2026-04-02"
        in done.stderr
    )
    assert "of plot 12 on" not in done.stderr
    for n in range(4, 12):  # two photos of each plot: meant so
        for k in "ab":
            picture(tmp_path / f"{k} plot {n:03d}.jpg", seed=20 * n + ord(k))
    done = run("add", folder, *sorted(tmp_path.glob("[ab] plot*")), "--numbered")
    assert (
        "and 13 more), each: one of several photos of its plot on one day, as 8 plots have them"
        in done.stderr
    )
    assert done.stderr.count("several photos") == 1


def test_a_date_given_to_a_folder_is_told_once_to_those_that_have_one(folder: Path, tmp_path: Path) -> None:
    phone = tmp_path / "phone"
    phone.mkdir()
    for n in range(5):
        picture(phone / f"{n}.jpg", seed=n)
    undated = picture(phone / "undated.png", taken=None, seed=9)
    refused = run("add", folder, phone)
    assert f"{undated} has no date, neither in its header nor in its name" in refused.stderr
    assert "say with --date when it was taken (photos that have a date keep theirs)" in refused.stderr
    done = run("add", folder, phone, "--date", "2026-04-05")
    assert done.exit_code == 0
    assert done.stderr.count("which was kept") == 1
    dated = "5 photos (0.jpg, 1.jpg, 2.jpg and 2 more), each: its header says 2026-04-02, which was kept"
    assert dated in done.stderr
    assert len(list((folder / "photos").glob("2026-04-05*"))) == 1


def test_all_photos_that_can_t_be_filed_are_told_at_once(folder: Path, tmp_path: Path) -> None:
    good = picture(tmp_path / "2026-04-02-a.png", seed=4)
    undated, cut = picture(tmp_path / "b.png", seed=5), tmp_path / "2026-04-02-c.png"
    cut.write_bytes(good.read_bytes()[:300])
    done = run("add", folder, good, undated, cut)
    assert done.exit_code == 2
    assert "2 of 3 photos can't be filed, so none was" in done.stderr
    assert f"  - {undated} has no date" in done.stderr
    assert f"  - {cut} is damaged or was cut short" in done.stderr
    assert not list((folder / "photos").iterdir())


def test_a_clock_that_is_a_year_off_is_told_with_the_day_that_it_may_be(folder: Path, tmp_path: Path) -> None:
    slow = picture(tmp_path / "slow.jpg", taken=datetime(2025, 4, 2, 10))
    said = run("add", folder, slow).stderr
    assert "give the true day with --date (perhaps 2026-04-02, with the right year)" in said
    fast = picture(tmp_path / "fast.jpg", taken=datetime(2026, 4, 2, 10).replace(year=date.today().year + 1))
    done = run("add", folder, fast)
    assert done.exit_code == 0
    assert f"{fast.name}: is dated {date.today().year + 1}-04-02, after today" in done.stderr
    (line,) = re.findall(r"turfeye (add .* --date [0-9-]+)", done.stderr)
    assert run(*shlex.split(line)).exit_code == 0
    assert "taken = " in (folder / "lawn.toml").read_text(encoding="utf-8")


def test_a_new_lawn_that_is_hardly_meant_is_asked_about(tmp_path: Path) -> None:
    """Centimetres for metres, next year for this one, kilograms for grams: made, as all may be meant."""
    done = run(
        "lawn", "new", tmp_path / "a", "--outline", "360x500", "--sown", f"{date.today().year + 1}-12-31"
    )
    assert done.exit_code == 0
    assert "180000 m² is very large for a lawn; is the outline in metres?" in done.stderr
    assert "is in the future" in done.stderr
    words = ("--outline", "8x6", "--sown", "2026-03-14", "--rate", "350")
    assert (
        "350 g/m² is a lot: for a new lawn of perennial ryegrass"
        in run("lawn", "new", tmp_path / "c", *words).stderr
    )
    kilograms = (*words[:-1], "0.035")
    assert (
        "0.035 g/m² is very little: of perennial ryegrass 32 or more is usual; is it in grams?"
        in run("lawn", "new", tmp_path / "d", *kilograms).stderr
    )
    plain = run("lawn", "new", tmp_path / "b", "--outline", "8x6", "--sown", "2026-03-14")
    assert "note" not in plain.stderr


def test_a_tilde_that_no_shell_expanded_is_the_home_folder(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("USERPROFILE", str(tmp_path))
    photo = picture(tmp_path / "home.jpg")
    assert run("add", folder, "~/home.jpg").exit_code == 0
    assert photo.is_file()
    assert "no lawn in" in run("lawn", "show", "~/nowhere").stderr
    assert not Path("~").exists()


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("nowhere.jpg",), "nowhere.jpg"),
        (("text.jpg",), "text.jpg"),
        (("short.jpg",), "short.jpg"),
        (("grey.jpg",), "grey.jpg"),
        (("undated.jpg",), "--date"),
        (("early.jpg",), "before the sowing"),
        (("good.jpg", "--view", "attic"), "attic"),
        (("good.jpg", "--corner", "1,2,3"), "412,1630"),
        (("good.jpg", *(w for x, y in CORNERS[::-1] for w in ("--corner", f"{x},{y}"))), "wrong order"),
    ],
)
def test_bad_input_leaves_the_lawn_as_it_was(
    folder: Path, tmp_path: Path, words: tuple[str, ...], says: str
) -> None:
    good = picture(tmp_path / "good.jpg")
    (tmp_path / "text.jpg").write_text("not a picture")
    (tmp_path / "short.jpg").write_bytes(good.read_bytes()[:-9000])
    grey = np.random.default_rng(1).integers(0, 255, (180, 260), dtype=np.uint8)
    Image.fromarray(grey).save(tmp_path / "grey.jpg")
    picture(tmp_path / "undated.jpg", taken=None)
    picture(tmp_path / "early.jpg", taken=datetime(2026, 3, 1))
    before = everything(folder)
    words = tuple(str(tmp_path / word) if word.endswith(".jpg") else word for word in words)
    result = run("add", folder, *words)
    assert result.exit_code == 2
    assert says in result.stderr
    assert result.stdout == ""
    assert "Traceback" not in result.output
    assert everything(folder) == before


# Errors


def test_a_lawn_that_is_not_sown_is_told_what_to_write(tmp_path: Path) -> None:
    run("lawn", "new", tmp_path / "a", "--outline", "8x6")
    done = run("season", tmp_path / "a")
    assert done.exit_code == 2
    told = done.stderr[done.stderr.index("  [[sowing]]") :]
    with (tmp_path / "a" / "lawn.toml").open("a", encoding="utf-8") as file:
        file.write("\n" + told)
    assert len(lawn.read(tmp_path / "a").sowings) == 1


def test_a_photo_filed_as_after_the_work_on_a_lawn_not_sown_is_told_at_once_and_by_the_list(
    tmp_path: Path,
) -> None:
    run("lawn", "new", tmp_path / "a", "--outline", "8x6")
    done = run("add", tmp_path / "a", picture(tmp_path / "a.jpg"))
    assert "lawn.toml has no sowing yet: write it there, or, if these are from before the work" in done.stderr
    refused = run("plan", tmp_path / "a", "--before")
    assert refused.exit_code == 2
    assert "photos/ is for what came after it: move those from before the work to before/" in refused.stderr
    before = run("add", tmp_path / "a", picture(tmp_path / "b.jpg", seed=1), "--before")
    assert "no sowing yet" not in before.stderr


def test_next_year_s_lawn_is_made_from_this_year_s(folder: Path, tmp_path: Path) -> None:
    done = run("lawn", "new", tmp_path / "2027", "--like", folder, "--sown", "2026-09-01")
    assert done.exit_code == 0, done.output
    assert run("lawn", "show", tmp_path / "2027").stdout.startswith(
        run("lawn", "show", folder).stdout.splitlines()[0]
    )
    for more in (("--outline", "8x6"), ("--cell", "0.2")):
        refused = run("lawn", "new", tmp_path / "x", "--like", folder, *more)
        assert refused.exit_code == 2
        assert "--like" in refused.stderr
        assert not (tmp_path / "x").exists()


def test_lengths_with_a_decimal_comma_are_read(tmp_path: Path) -> None:
    assert run("lawn", "new", tmp_path / "a", "--outline", "8,5x6").exit_code == 0
    assert lawn.read(tmp_path / "a").outline_m.tolist() == [[0, 0], [8.5, 0], [8.5, 6], [0, 6]]
    words = ("--outline", "8x6", "--sown", "2026-03-14", "--rate", "35,5", "--cell", "0,25")
    assert run("lawn", "new", tmp_path / "b", *words).exit_code == 0
    assert (lawn.read(tmp_path / "b").cell_m, lawn.read(tmp_path / "b").sowing.rate_g_m2) == (0.25, 35.5)
    for refused in (run("lawn", "new", tmp_path / "c", "--cell", "25cm"), run("look", "x", "--cell", "25cm")):
        assert "'25cm' is not a number; write it without a unit, as 0.5" in refused.stderr


def test_a_round_has_a_row_for_every_lawn(tmp_path: Path) -> None:
    for name in ("empty", "unsown"):
        sown = ("--sown", "2026-03-14") if name == "empty" else ()
        run("lawn", "new", tmp_path / name, "--outline", "8x6", *sown)
    done = run("round", tmp_path)
    assert done.exit_code == 0
    rows = {line.split()[0]: line for line in done.stdout.splitlines() if line.strip()}
    words = " ".join(done.stdout.split())
    assert "file" in rows["Empty"]  # by its name, not its folder's
    assert words.count("turfeye add") == 1
    assert "empty" not in done.stderr  # its row says it all
    assert "not sown: turfeye plan --before" in words
    assert "unsown" not in done.stderr
    run("lawn", "new", tmp_path / "other", "--outline", "8x6", "--name", "Empty")
    words = run("round", tmp_path).stdout
    assert "Empty (empty)" in words
    assert "Empty (other)" in words


@pytest.mark.parametrize(
    ("until", "says"),
    [
        (9, "photograph again"),
        (42, "on course"),
    ],
)
def test_the_round_says_what_a_lawn_without_thin_places_needs(
    answer: Answer, monkeypatch: pytest.MonkeyPatch, until: int, says: str
) -> None:
    recipe = tables.TableRecipe(failed_patches=0, lagging_strips=0, lost_visit=0, setback=0, target_cover=0.6)
    season, _ = tables.lawn(5, recipe, until_day=until)
    nothing = replace(answer.plan, tasks=())
    calm = replace(answer, outlook=outlook.fit(season), thin=(), plan=nothing)
    monkeypatch.setattr(survey, "round_of", lambda folder, tell: iter([(Path("back"), calm)]))
    monkeypatch.setenv("COLUMNS", "150")
    (row,) = (line for line in run("round", "lawns").stdout.splitlines() if "Back" in line)
    last = season.visits[-1]
    assert says in row
    assert re.search(rf" {last.taken.day} (March|April) +{last.age_days:.0f} ", row)


@pytest.mark.parametrize(
    ("verdict", "says"), [("sow", "reseed 40 g"), ("too late", "too late to reseed 40 g")]
)
def test_the_round_says_what_to_bring_for_all_its_lawns(
    answer: Answer, monkeypatch: pytest.MonkeyPatch, verdict: str, says: str
) -> None:
    task = replace(answer.plan.tasks[0], seed_g=40.0)
    plan = replace(answer.plan, tasks=(task,), seed_g=40.0, seed_spare_g=4.0, dressing_l=7.5, verdict=verdict)
    other = replace(answer, outlook=replace(answer.outlook, season=of_mix(answer.season, "fine fescue")))
    some = [replace(one, plan=plan) for one in (answer, other, answer)]
    monkeypatch.setattr(survey, "round_of", lambda folder, tell: iter([(Path("a"), one) for one in some]))
    monkeypatch.setenv("COLUMNS", "150")
    done = run("round", "lawns")
    assert done.stdout.count(says) == 3
    bring = "to bring for 3 lawns to reseed, spare included: 88 g of perennial ryegrass and 44 g of fine "
    assert (f"{bring}fescue, 23 L of dressing" in done.stderr) == (verdict == "sow")
    assert ("to bring" in done.stderr) == (verdict == "sow")


def of_mix(season: Season, mix: str) -> Season:
    return replace(season, sowing=replace(season.sowing, mix=mix))


def test_a_lawn_that_the_system_refuses_leaves_the_round_its_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("locked", "other"):
        run("lawn", "new", tmp_path / name, "--outline", "8x6", "--sown", "2026-03-14")
    real = lawn.read

    def read(folder: Path) -> lawn.Lawn:
        if folder.name == "locked":
            raise PermissionError(errno.EACCES, "Permission denied", "locked/.lock")
        return real(folder)

    monkeypatch.setattr(lawn, "read", read)
    done = run("round", tmp_path)
    assert done.exit_code == 0
    assert "locked: can't use locked/.lock: Permission denied; see whose folder" in done.stderr
    assert "Other" in done.stdout


class Terminal(io.StringIO):
    """A terminal that keeps what is written to it."""

    def isatty(self) -> bool:
        return True


def test_progress_is_shown_at_a_terminal_only(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    for stream, shown in ((Terminal(), True), (io.StringIO(), False)):
        monkeypatch.setattr(sys, "stderr", stream)
        with shared.waiting() as tell:
            tell("photo 1 of 2: a[b].jpg")
            time.sleep(0.2)
        assert ("photo 1 of 2: a[b].jpg" in stream.getvalue()) == shown
        assert shown or stream.getvalue() == ""


def test_our_errors_become_one_message_and_code_2(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise CardError("no card found: lay it flat and take the photo again")

    monkeypatch.setattr(lawn, "read", fail)
    result = run("lawn", "show", "somewhere")
    assert result.exit_code == 2
    assert result.stderr == "turfeye: no card found: lay it flat and take the photo again\n"
    assert result.stdout == ""


def test_a_folder_that_can_t_be_written_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise PermissionError(errno.EACCES, "Permission denied", "Gärten/Süd/.lock")

    monkeypatch.setattr(lawn, "read", fail)
    result = run("lawn", "show", "somewhere")
    assert result.exit_code == 2
    assert "can't use Gärten/Süd/.lock: Permission denied; see whose folder" in result.stderr


def test_a_place_that_can_t_be_written_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("not a folder")
    for words in (
        ("lawn", "new", tmp_path / "file/x", "--outline", "8x6"),
        ("card", tmp_path / "file/x.pdf"),
    ):
        result = run(*words)
        assert result.exit_code == 2
        assert "can't use" in result.stderr
        assert str(tmp_path / "file") in result.stderr


@pytest.mark.parametrize(
    ("number", "says"),
    [
        (errno.ENOSPC, "the disk is full: make room"),
        (errno.EROFS, "that disk can't be written to: work on a copy"),
        (errno.EACCES, "see whose folder it is and whether it is open elsewhere"),
        (errno.ENOENT, "see whether it is there"),
    ],
)
def test_what_to_do_is_told_by_what_the_system_says(
    monkeypatch: pytest.MonkeyPatch, number: int, says: str
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number), "x/results/sheet.html")

    monkeypatch.setattr(lawn, "read", fail)
    done = run("lawn", "show", "x")
    assert done.exit_code == 2
    assert done.stderr.startswith(f"turfeye: can't use x/results/sheet.html: {os.strerror(number)}; {says}")


@pytest.mark.skipif(os.name == "nt", reason="no such signals there")
@pytest.mark.parametrize(
    ("ended", "before"), [("SIGTERM", "SIG_DFL"), ("SIGHUP", "SIG_DFL"), ("SIGHUP", "SIG_IGN")]
)
def test_a_closed_terminal_stops_a_run_as_ctrl_c_does(ended: str, before: str) -> None:
    """It ended at once, with photos filed whose plots weren't written down yet; under nohup it goes on."""
    code = (
        "import signal, sys, time; from turfeye import cli\n"
        f"signal.signal(signal.{ended}, signal.{before})\n"
        "@cli.root.command()\n"
        "def wait():\n    print('ready', flush=True); time.sleep(3)\n"
        "sys.argv = ['turfeye', 'wait']; cli.main()"
    )
    command, pipe = [sys.executable, "-c", code], subprocess.PIPE
    with subprocess.Popen(command, stdout=pipe, stderr=pipe, text=True) as begun:
        assert begun.stdout is not None
        assert begun.stdout.readline() == "ready\n"
        begun.send_signal(getattr(signal, ended))
        _, told = begun.communicate()
    stopped = before == "SIG_DFL"
    assert begun.returncode == (130 if stopped else 0)
    assert told.count("stopped; no file is left half written") == stopped


def test_a_run_that_is_stopped_says_so_and_goes_on_the_next_time(
    monkeypatch: pytest.MonkeyPatch, folder: Path, tmp_path: Path
) -> None:
    """Ctrl-C in the middle of filing; the code is the shells' for it, 128 and the signal's 2 (POSIX)."""
    photos = [picture(tmp_path / f"IMG_{n}.jpg", seed=n) for n in range(2)]
    before, real = everything(folder), filing.write_atomic

    def stopped(path: Path, data: bytes) -> Path:
        if path.name.count("IMG_1"):
            raise KeyboardInterrupt
        return real(path, data)

    monkeypatch.setattr(filing, "write_atomic", stopped)
    done = run("add", folder, *photos)
    assert done.exit_code == 130
    assert done.stderr.endswith(
        "turfeye: stopped; no file is left half written, so just run the same command again\n"
    )
    assert everything(folder) == before
    monkeypatch.undo()
    assert run("add", folder, *photos).stdout.count(" → ") == 2


def test_faults_of_ours_are_not_hidden(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(lawn, "read", fail)
    with pytest.raises(ZeroDivisionError):
        run("lawn", "show", "somewhere")
