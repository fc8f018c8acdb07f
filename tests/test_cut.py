"""Photos that a gallery cut, told by header, shape, card and surroundings: invented, rendered ones."""

import csv
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image
from posing import photo_of

from turfeye import card, cut, glance, lawn, notes, photo, survey, view
from turfeye.cli import root

SAMPLES = Path(__file__).parents[1] / "sample_images"
TILTED = SAMPLES / "trial-spots/photos/2026-04-13-spot-2.jpg"  # by 15 degrees
FERRY = SAMPLES / "ferry-cottage"
WIDTH, HEIGHT = 0xA002, 0xA003  # PixelXDimension, PixelYDimension: CIPA DC-008, tables 5 and 8


def part_of(path, into, part=(1.0, 1.0), *, at=(0.5, 0.5), says=None, small=1.0):
    """A part of a photo, its header kept as galleries do; that ``says`` its size when taken, if given.

    ``at`` is 0-1 of what is cut off left and above; ``small`` makes all of it smaller.
    """
    with Image.open(path) as whole:
        exif = whole.getexif()
        wide, tall = (2 * round(side * share / 2) for side, share in zip(whole.size, part, strict=True))
        left, top = (
            int(share * rest)
            for share, rest in zip(at, (whole.width - wide, whole.height - tall), strict=True)
        )
        shown = whole.crop((left, top, left + wide, top + tall))
        if small < 1:
            shown = shown.resize((round(wide * small), round(tall * small)), Image.Resampling.BOX)
        if says is not None:
            exif.get_ifd(0x8769).update({WIDTH: says[0], HEIGHT: says[1]})
        shown.save(into / path.name, quality=95, exif=exif.tobytes())
    return into / path.name


def told(path):
    picture = photo.read(path)
    return cut.of_photo(picture, max(card.seen_at_once(picture), key=lambda one: np.ptp(one.corners_px)))


def test_whole_photos_are_not_told(tmp_path):
    for path in sorted((SAMPLES / "trial-spots/photos").glob("*.jpg"))[::3]:
        assert told(path) == []
    size = photo.read(TILTED).size_px
    assert told(part_of(TILTED, tmp_path, says=size)) == []
    assert told(part_of(TILTED, tmp_path, says=size[::-1])) == []  # as some phones write it, held upright


def test_a_part_of_another_shape_than_its_header_says(tmp_path):
    whole = photo.read(TILTED).size_px
    path = part_of(TILTED, tmp_path, (0.75, 1.0), says=whole)
    (line,) = told(path)
    assert line.startswith(
        "cropped since it was taken (its header says 1632 x 1224 pixels, it has 1224 x 1224)"
    )
    assert line.endswith("use the whole photo, as the camera wrote it")
    assert photo.read(path).focal_px is None


def test_a_part_of_no_camera_s_shape_whose_header_was_mended(tmp_path):
    path = part_of(TILTED, tmp_path, (1.0, 0.8))
    (line,) = told(path)
    assert line.startswith("cropped, by its shape (1632 x 980 pixels), which no camera writes: its lens")
    assert photo.read(path).focal_px is None
    nothing_known = replace(photo.read(path), camera=None)
    assert cut.of_photo(nothing_known, None) == []


def test_shapes_that_cameras_write():
    """As makers' data sheets have them (from memory): phones' sensors, their whole screens, cameras."""
    for size in (
        (4032, 3024),
        (4080, 3072),
        (4208, 3120),
        (4032, 2268),
        (4608, 2184),
        (6000, 4000),
        (4032, 1816),
    ):
        assert photo.of_a_camera(size)
        assert photo.of_a_camera(size[::-1])
    assert not any(photo.of_a_camera(size) for size in ((4032, 2400), (3000, 2600), (3600, 3200)))


def test_a_part_of_the_same_shape_is_told_by_the_card_in_perspective(tmp_path):
    """Cut to 0.8 of its sides the lens is 1 / 0.8 times as long for its size as the header says."""
    path = part_of(TILTED, tmp_path, (0.8, 0.8))
    (line,) = told(path)
    assert line.startswith(
        "cropped or zoomed: by the card's shape the lens is 1.24 times as long as the header"
    )
    picture = photo.read(path)
    times, sd = view.lens_by_card(picture, card.seen_at_once(picture)[0])
    assert abs(np.log(times * 0.8)) < 3 * sd


def test_one_that_was_made_smaller_is_told_from_one_that_was_cut(tmp_path):
    whole = photo.read(TILTED).size_px
    assert told(part_of(TILTED, tmp_path, says=whole, small=0.6)) == []  # the card has its lens right
    blind = photo_of(np.zeros((1200, 1600, 3), np.uint8), 1000.0)
    blind = replace(blind, shot_px=(2016, 1512))
    (line,) = cut.of_photo(blind, None)
    assert line.startswith(
        "cropped or made smaller since it was taken (its header says 2016 x 1512 pixels, it"
    )
    assert cut.of_photo(blind, None, lens_told=True) == []
    assert cut.of_photo(replace(blind, shot_px=(1600, 1200)), None) == []


def test_a_look_says_so(tmp_path):
    """It said nothing, and gave the height of another lens."""
    seen = glance.look(part_of(TILTED, tmp_path, (0.8, 0.8)))
    assert [line.startswith("cropped or zoomed: by the card's shape") for line in seen.warnings].count(
        True
    ) == 1
    done = CliRunner().invoke(root, ["look", str(tmp_path / TILTED.name)])
    assert done.stderr.count("use the whole photo, as the camera wrote it") == 1


def test_several_parts_of_photos_are_one_note():
    """It read "2 photos (a.jpg, b.jpg): this photo was cropped"."""
    (note,) = notes.gathered((name, cut.of_surroundings(1.18, "a.jpg")) for name in ("b.jpg", "c.jpg"))
    assert str(note).startswith(
        "2 photos (b.jpg, c.jpg), each: cropped or zoomed: by what lies around the lawn"
    )
    assert cut.of_surroundings(0.85, "a.jpg").startswith("laid over a.jpg, which was cropped: by what lies")


@pytest.fixture
def ferry(tmp_path):
    """The sample lawn with its marked photo only."""
    place = tmp_path / "lawn"
    shutil.copytree(FERRY, place, ignore=shutil.ignore_patterns("truth", "2026-0[45]*", "2026-03-[23]*"))
    return place


def test_adding_a_part_says_so_at_once(ferry, tmp_path):
    """A season did, which may be weeks later: the whole photo is gone from the phone by then."""
    handed_in = [
        part_of(FERRY / "photos" / "2026-03-23-window.jpg", tmp_path, (0.8, 0.8)),
        FERRY / "photos" / "2026-04-12-window.jpg",
    ]
    done = CliRunner().invoke(root, ["add", str(ferry), *map(str, handed_in)])
    assert done.exit_code == 0, done.output
    (line,) = [line for line in done.stderr.splitlines() if "cropped" in line]
    assert "2026-03-23-window" in line
    assert "by what lies around the lawn the lens is 1.2" in line
    assert line.endswith("file the whole photo, as the camera wrote it")
    answer = survey.season(ferry, today=survey.date.max)
    assert sum("cropped or zoomed: by what lies around" in line for line in answer.warnings) == 1


@pytest.mark.parametrize("header", [True, False])
def test_a_part_of_another_shape_is_laid_with_the_middle_of_the_lens(ferry, tmp_path, header):
    """Its middle was taken for the picture's: the outline lay 0.8 m off, and was told to be within 2 cm."""
    name = "2026-04-12-window.jpg"
    path = part_of(FERRY / "photos" / name, tmp_path, (0.75, 1.0), at=(0, 0.5), says=(2016, 1512))
    if not header:
        Image.open(path).save(tmp_path / "2026-04-12.png")
        path = tmp_path / "2026-04-12.png"
    done = CliRunner().invoke(root, ["add", str(ferry), str(path)])
    (line,) = [line for line in done.stderr.splitlines() if "cropped" in line]
    assert ("cropped since it was taken" if header else "its middle is not the lens'") in line
    with (FERRY / "truth" / "corners.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if (row["photo"], row["what"]) == (name, "outline")]
    true_px = np.array([(float(row["x_px"]), float(row["y_px"])) for row in rows])
    (later,) = [one for one in survey.measure(lawn.read(ferry)) if "2026-04-12" in one.path.name]
    found = view.unproject(view.from_dict(later.facts["pose"]), true_px)
    assert np.linalg.norm(found - lawn.read(ferry).outline_m, axis=1).max() < 0.1


def test_adding_a_spot_s_part_says_so(tmp_path):
    place = tmp_path / "trial"
    shutil.copytree(SAMPLES / "trial-spots", place, ignore=shutil.ignore_patterns("truth", "2026-04-13*"))
    done = CliRunner().invoke(
        root, ["add", str(place), str(part_of(TILTED, tmp_path, (0.75, 1.0), says=(1632, 1224)))]
    )
    assert done.exit_code == 0, done.output
    assert "2026-04-13-spot-2" in done.stderr
    assert "cropped since it was taken (its header says 1632 x 1224 pixels" in done.stderr
