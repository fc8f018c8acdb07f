"""The pictures that the sward classifier learns from, the part each is kept out in, and how it is scored.

``labelled`` holds ``wheat_series/`` (Zenkl et al. 2022, doi 10.3389/fpls.2021.774068) and ``peanut_field/``
(Tran and Phan 2023, IEEE Access 11:82640), both CC BY-SA 4.0 and not part of this project; ``rendered`` holds
NAME.jpg, NAME-shares.png and NAME.json as tools/make_training.py writes them, in its folder ``drawn`` as
tools/draw_turf.py does; ``real`` holds what
tools/take_real_pictures.py takes.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

SPLIT = Path(__file__).parent / "sward-split.json"
SETS = ("wheat", "peanut", "rendered", "drawn", "real")
REAL_SHARES = tuple(f"{name}_percent_by_eye" for name in ("green", "straw", "bare", "other"))
PARTS = 5


@dataclass(frozen=True)
class Picture:
    """One training picture: coded RGB, green share 0-255 or all four, and what it must not be parted from."""

    name: str
    set: str
    group: str
    rgb: np.ndarray  # (H, W, 3) uint8
    shares: np.ndarray  # (H, W, 4) uint8: green, straw, bare, other; real sets know green alone
    full: bool  # all four classes are known
    gsd_mm: float = float("nan")


def read_wheat(folder: Path) -> list[Picture]:
    """Winter wheat from straight above; a plot is a group."""
    found = []
    for mask in sorted((folder / "wheat_series").glob("*_mask.png")):
        name = mask.name.removesuffix("_mask.png")
        rgb = cv2.cvtColor(cv2.imread(str(mask.with_name(name + ".png"))), cv2.COLOR_BGR2RGB)
        green = cv2.imread(str(mask), cv2.IMREAD_GRAYSCALE) > 127
        found.append(Picture(name, "wheat", name.split("_")[0], rgb, _green_only(green), full=False))
    return found


def read_peanut(folder: Path) -> list[Picture]:
    """Peanut and grass weeds; neighbours in number may show the same ground, so five in a row are a group."""
    found = []
    labels = sorted((folder / "peanut_field").glob("*_label.png"))
    for place, label in enumerate(labels):
        name = label.name.removesuffix("_label.png")
        rgb = cv2.cvtColor(cv2.imread(str(label.with_name(name + ".jpg"))), cv2.COLOR_BGR2RGB)
        green = cv2.imread(str(label)).max(axis=2) > 0
        found.append(Picture(name, "peanut", f"run-{place // 5:02d}", rgb, _green_only(green), full=False))
    return found


def read_rendered(folder: Path) -> list[Picture]:
    """Our own turf, rendered and drawn, true shares of all four, filed and judged; a scene is a group."""
    with ThreadPoolExecutor() as pool:
        looks = list(pool.map(_read_look, sorted(folder.rglob("*-shares.png"))))
    return [picture for look in looks for picture in look]


def read_real(folder: Path) -> list[Picture]:
    """Photographs of real ground whose shares an eye knows as a whole: all pixels have those of theirs."""
    found = []
    with (folder / "index.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            rgb = cv2.cvtColor(cv2.imread(str(folder / row["file"])), cv2.COLOR_BGR2RGB)
            by_eye = np.array([float(row[column]) for column in REAL_SHARES])
            whole = np.rint(255 * by_eye / by_eye.sum()).astype(np.uint8)
            found.append(
                Picture(row["file"], "real", "real", rgb, np.full((*rgb.shape[:2], 4), whole), full=True)
            )
    return found


def _read_look(shares: Path) -> list[Picture]:
    name = shares.name.removesuffix("-shares.png")
    facts = json.loads(shares.with_name(f"{name}.json").read_text(encoding="utf-8"))
    truth = cv2.cvtColor(cv2.imread(str(shares), cv2.IMREAD_UNCHANGED), cv2.COLOR_BGRA2RGBA)
    found, kind = [], "drawn" if shares.parent.name == "drawn" else "rendered"
    for suffix in ("", *facts.get("cards_px", ())):
        rgb = cv2.cvtColor(cv2.imread(str(shares.with_name(f"{name}{suffix}.jpg"))), cv2.COLOR_BGR2RGB)
        seen = truth
        if suffix:
            x0, y0, x1, y1 = facts["cards_px"][suffix]
            seen = truth.copy()
            seen[y0:y1, x0:x1] = (0, 0, 0, 255)  # the card lies there
        about = (name + suffix, kind, facts["scene"])
        found.append(Picture(*about, rgb, seen, full=True, gsd_mm=facts["gsd_mm"]))
    return found


def _green_only(green: np.ndarray) -> np.ndarray:
    shares = np.zeros((*green.shape, 4), np.uint8)
    shares[..., 0] = green * 255
    return shares


def read_all(labelled: Path | None, rendered: Path | None, real: Path | None = None) -> list[Picture]:
    """The pictures of the folders that are given; ends where they hold none."""
    found: list[Picture] = []
    if labelled:
        found += read_wheat(labelled) + read_peanut(labelled)
    if rendered:
        found += read_rendered(rendered)
    if real:
        found += read_real(real)
    if not found:
        raise SystemExit("no training pictures: wanted --labelled and/or --rendered FOLDER with pictures")
    return found


def deal(pictures: list[Picture], parts: int = PARTS) -> dict[str, int]:
    """A part for every real group, about equally many pictures a set in each part, largest groups first."""
    part: dict[str, int] = {}
    for name in ("wheat", "peanut"):
        sizes: dict[str, int] = {}
        for picture in pictures:
            if picture.set == name:
                sizes[picture.group] = sizes.get(picture.group, 0) + 1
        load = [0] * parts
        for group in sorted(sizes, key=lambda g: (-sizes[g], g)):
            k = load.index(min(load))
            part[f"{name}/{group}"] = k
            load[k] += sizes[group]
    return part


def read_split() -> dict[str, int]:
    """The part of every real group, as tracked: SET/GROUP to 0-4."""
    return json.loads(SPLIT.read_text(encoding="utf-8"))


def part_of(picture: Picture, split: dict[str, int]) -> int | None:
    """The part, 0-4, that a picture is kept out with; scenes of our own go by their number.

    None for real ground, which no score is told of: other pictures test it (tools/real_ground.py).
    """
    if picture.set == "real":
        return None
    if picture.set in ("rendered", "drawn"):
        return int(picture.group.rpartition("-")[2]) % PARTS
    return split[f"{picture.set}/{picture.group}"]


def score(pairs: Iterable[tuple[np.ndarray, np.ndarray]], cut: float = 0.5) -> dict[str, float]:
    """Green against the rest over (guess, truth) pairs of green shares, 0-1; cover errors in points."""
    hit = miss = false = right = 0
    errors = []
    for guess, truth in pairs:
        g, t = guess > cut, truth > 0.5
        hit, miss, false = hit + (g & t).sum(), miss + (~g & t).sum(), false + (g & ~t).sum()
        right += (~g & ~t).sum()
        errors.append(100 * float(guess.mean() - truth.mean()))
    return {
        "iou": float(hit / (hit + miss + false)),
        "iou_rest": float(right / (right + miss + false)),
        "cover_mae": float(np.abs(errors).mean()),
        "cover_bias": float(np.mean(errors)),
        "pictures": len(errors),
    }
