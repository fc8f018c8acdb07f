"""Pictures out of made-up packages: found by their path, cut, listed, and told when they can't be had.

Nothing is downloaded: the packages are made here, of invented pictures.
"""

import io
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import cv2
import numpy as np
import pytest
import real_ground
import sward_pictures
import take_real_pictures
from PIL import Image

RGB = np.random.default_rng(0).integers(0, 256, (12, 20, 3), np.uint8)
LISTS = [take_real_pictures.LIST, take_real_pictures.LIST.with_name("real-test-pictures.csv")]


def coded(rgb, kind="PNG"):
    held = io.BytesIO()
    Image.fromarray(rgb).save(held, kind)
    return held.getvalue()


def zipped(contents):
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as archive:
        for name, content in contents.items():
            archive.writestr(name, content)
    return held.getvalue()


CONTENTS = {
    "share/turf/lawn.png": coded(RGB),
    "share/moss/lawn.png": coded(RGB[::-1]),
    "share/glass.png": coded(np.dstack([RGB, np.full(RGB.shape[:2], 40, np.uint8)])),
    "share/grey.tga": coded(RGB[..., 0], "TGA"),
    "share/block.dds": coded(np.full((8, 8, 3), (0, 255, 0), np.uint8), "DDS"),
    "share/many.pk3": zipped(dict.fromkeys(("a/straw.png", "b/straw.png", "a/soil.png"), coded(RGB))),
    "share/scene.bin": b"nothing" + coded(RGB, "WEBP") + b"and more behind it",
    "share/words.txt": b"no picture",
}


def wheel(folder: Path) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    package = folder / "made_up-1.0-py3-none-any.whl"
    package.write_bytes(zipped(CONTENTS))
    return package


def deb(folder: Path) -> Path:
    root = folder / "root"
    for name, content in CONTENTS.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_bytes(content)
    (root / "DEBIAN").mkdir()
    (root / "DEBIAN" / "control").write_text(
        "Package: made-up\nVersion: 1.0-1\nArchitecture: all\nMaintainer: nobody\nDescription: made up\n"
    )
    package = folder / "made-up_1.0-1_all.deb"
    subprocess.run(["dpkg-deb", "--build", root, package], check=True, capture_output=True)
    return package


def row(file, path, cut_px="", version="1.0", **more):
    return {"file": file, "package": "made-up", "version": version, "path": path, "cut_px": cut_px, **more}


def taken(tmp_path, path, cut_px="", package=wheel):
    """The one picture of a path, and why it can't be had."""
    out = tmp_path / "out"
    out.mkdir(parents=True)
    why = take_real_pictures.take_from(package(tmp_path / "package"), [row("one.png", path, cut_px)], out)
    return cv2.imread(str(out / "one.png"))[..., ::-1] if not why else why["one.png"]


@pytest.mark.parametrize(
    "path",
    [
        "share/turf/lawn.png",
        "turf/lawn.png",
        "glass.png",  # transparency is left out, not multiplied with
        "many.pk3!a/soil.png",
        "share/many.pk3!soil.png",
    ],
)
def test_a_picture_is_found_whole_or_by_its_end(tmp_path, path):
    assert np.array_equal(taken(tmp_path, path), RGB)


@pytest.mark.skipif(not shutil.which("dpkg-deb"), reason="Debian's tools are not here")
def test_a_debian_package_is_opened(tmp_path):
    assert np.array_equal(taken(tmp_path, "share/many.pk3!a/straw.png", package=deb), RGB)


def test_a_picture_within_a_file_begins_at_its_byte(tmp_path):
    expected = np.asarray(Image.open(io.BytesIO(coded(RGB, "WEBP"))))
    assert np.array_equal(taken(tmp_path, "scene.bin@7"), expected)


def test_grey_and_block_coded_pictures_come_as_rgb(tmp_path):
    assert np.array_equal(taken(tmp_path / "grey", "grey.tga"), np.dstack([RGB[..., 0]] * 3))
    assert np.array_equal(taken(tmp_path / "dds", "block.dds"), np.full((8, 8, 3), (0, 255, 0)))


def test_a_cut_goes_from_left_and_top_to_right_and_bottom(tmp_path):
    assert np.array_equal(taken(tmp_path, "turf/lawn.png", "3 2 20 12"), RGB[2:12, 3:20])


@pytest.mark.parametrize(
    ("path", "cut_px", "said"),
    [
        ("straw.png", "", "no straw.png"),
        ("lawn.png", "", "several files end in lawn.png: share/moss/lawn.png, share/turf/lawn.png"),
        ("many.pk3!straw.png", "", "several files end in straw.png: a/straw.png, b/straw.png"),
        ("many.pk3!c/straw.png", "", "no c/straw.png"),
        ("words.txt!straw.png", "", "not a zip file"),
        ("words.txt", "", "cannot identify image"),
        ("turf/lawn.png", "0 0 21 12", "outside its 20 x 12 pixels"),
    ],
)
def test_why_a_picture_cannot_be_had_is_told(tmp_path, path, cut_px, said):
    why = taken(tmp_path, path, cut_px)
    assert said in why
    assert path in why


def ask(monkeypatch, folder, listed):
    monkeypatch.setattr(sys, "argv", ["take_real_pictures", str(folder), "--list", str(listed)])
    take_real_pictures.main()


@pytest.fixture
def no_network(monkeypatch):
    """Packages named made-up are made, all others are nowhere; what was asked for."""
    asked = []

    def fetch(name, version, place):
        asked.append((name, version))
        if name != "made-up":
            raise take_real_pictures.CannotBeHadError(f"Unable to locate package {name}")
        return wheel(place)

    monkeypatch.setattr(take_real_pictures, "fetch", fetch)
    return asked


SHARES = dict(zip(sward_pictures.REAL_SHARES, ("70", "20", "8", "2"), strict=True)) | {"kind": "grass"}


def listed(folder, rows):
    file = folder / "list.csv"
    lines = [",".join(rows[0]), *(",".join(r.values()) for r in rows)]
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return file


def test_the_folder_is_what_training_and_the_check_read(tmp_path, monkeypatch, no_network, capsys):
    rows = [row("turf.png", "turf/lawn.png", **SHARES), row("cut.jpg", "glass.png", "0 0 8 8", **SHARES)]
    wanted = listed(tmp_path, rows)
    ask(monkeypatch, tmp_path / "real", wanted)
    assert "2 of 2 pictures" in capsys.readouterr().out
    assert no_network == [("made-up", "1.0")]  # once for both
    assert (tmp_path / "real" / "index.csv").read_text() == wanted.read_text()
    pictures = sward_pictures.read_real(tmp_path / "real")
    assert [picture.rgb.shape for picture in pictures] == [(12, 20, 3), (8, 8, 3)]
    assert np.array_equal(pictures[0].rgb, RGB)
    assert [reading.by_eye for reading in real_ground.read_folder(tmp_path / "real")] == [70.0, 70.0]


def test_what_is_there_is_not_taken_again(tmp_path, monkeypatch, no_network):
    wanted = listed(tmp_path, [row("turf.png", "turf/lawn.png", **SHARES)])
    ask(monkeypatch, tmp_path / "real", wanted)
    ask(monkeypatch, tmp_path / "real", wanted)
    assert len(no_network) == 1


def test_missing_pictures_are_told_and_end_in_an_error(tmp_path, monkeypatch, no_network, capsys):
    gone = row("gone.png", "gone.png", **SHARES) | {"package": "no-such"}
    rows = [gone, row("turf.png", "turf/lawn.png", **SHARES), row("none.png", "none.png", **SHARES)]
    with pytest.raises(SystemExit, match="2 can't be had"):
        ask(monkeypatch, tmp_path / "real", listed(tmp_path, rows))
    said = capsys.readouterr()
    assert "gone.png: Unable to locate package no-such" in said.err
    assert "none.png: none.png in made_up-1.0-py3-none-any.whl: no none.png" in said.err
    assert "1 of 3 pictures" in said.out
    assert [picture.name for picture in sward_pictures.read_real(tmp_path / "real")] == ["turf.png"]


def test_a_version_that_is_gone_is_replaced_and_told(tmp_path, monkeypatch, capsys):
    def run(command, place):
        if command[-1] == "made-up=1.0-1":
            raise take_real_pictures.CannotBeHadError("Version '1.0-1' for 'made-up' was not found")
        assert command[-2:] == ["download", "made-up"]
        (place / "made-up_1.0-2_all.deb").touch()
        return ""

    monkeypatch.setattr(take_real_pictures, "debian", lambda place: ["apt-get"])
    monkeypatch.setattr(take_real_pictures, "run", run)
    assert take_real_pictures.fetch("made-up", "1.0-1", tmp_path).name == "made-up_1.0-2_all.deb"
    said = capsys.readouterr().err
    assert "not 1.0-1" in said
    assert "taken: made-up_1.0-2_all.deb" in said


@pytest.mark.parametrize("file", LISTS, ids=lambda file: file.stem)
def test_the_lists_can_be_read(file):
    rows = take_real_pictures.read_list(file)
    assert len({r["file"] for r in rows}) == len(rows)
    for r in rows:
        outer, inner, byte = take_real_pictures.where(r["path"])
        assert outer.rpartition("/")[2].count(".") >= 1
        assert not (inner and byte)


def test_a_list_that_is_none_is_told(tmp_path):
    with pytest.raises(SystemExit, match="found no"):
        take_real_pictures.read_list(tmp_path / "none.csv")
    (tmp_path / "short.csv").write_text("file,package\na.png,made-up\n")
    with pytest.raises(SystemExit, match="lacks the column version, path, cut_px"):
        take_real_pictures.read_list(tmp_path / "short.csv")
