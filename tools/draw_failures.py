"""Draws models/sward-failures.jpg: where the sward classifier goes wrong, and what it takes things for.

    python tools/draw_failures.py rendered

The folder holds ``bench/`` and ``tune/`` of make_samples.py; the real pieces are those of
tests/data/real-ground. Each row: a cut of the photo, what every pixel is taken for, what is true and what is
read.
"""

from __future__ import annotations

import argparse
import csv
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from rendered_truth import card_in, lawn_view, pairs

from turfeye import drawing, glance, judging, photo, survey, sward
from turfeye.drawing import INK

ROOT = Path(__file__).parent.parent
OUT = ROOT / "models" / "sward-failures.jpg"
REAL = ROOT / "tests" / "data" / "real-ground"
COLOURS = {"green": "#4c9a50", "straw": "#e3c765", "bare": "#8a5a3c", "other": "#7d6fb3"}
SIDE = (300, 400)  # rows and columns of a cut


@dataclass(frozen=True)
class Case:
    """A photo, the middle of what is cut out of it (shares of its height and width), and what goes wrong."""

    picture: str
    middle: tuple[float, float]
    words: str


CASES = (
    Case("bench/spots/spot-06.jpg", (0.3, 0.25), "Low sun on pale soil: lit soil and long shadows"),
    Case("bench/spots/spot-11.jpg", (0.75, 0.8), "Closed turf in hard sun: black gaps pass for soil"),
    Case("tune/spots/spot-06.jpg", (0.3, 0.3), "Low sun on compost: dark soil passes for shaded leaves"),
    Case("tune/lawns/lawn-21.jpg", (0.55, 0.35), "Wet soil under straw and thin grass, from afar"),
    Case("lawn_mown_torcs_e2", (0.5, 0.5), "Real, close-mown: yellowish blades pass for straw and soil"),
    Case("turf_thin_torcs_d2", (0.5, 0.5), "Real, thin: dead blades pass for bare ground"),
)


def judged(case: Case, folder: Path) -> tuple[np.ndarray, np.ndarray, str]:
    """The cut, (rows, cols, 3), its shares, (4, rows, cols), and what is true and read in the whole photo."""
    if not case.picture.endswith(".jpg"):
        rgb = cv2.cvtColor(cv2.imread(str(REAL / f"{case.picture}.jpg")), cv2.COLOR_BGR2RGB)
        shares = sward.classify(rgb)
        rows = csv.DictReader((REAL / "index.csv").read_text(encoding="utf-8").splitlines())
        eye = next(r["green_percent_by_eye"] for r in rows if r["file"] == f"{case.picture}.jpg")
        return *cut(rgb, shares, case), f"by eye {eye} %, read {100 * shares.green.mean():.0f} %"
    path = folder / case.picture
    if "lawn" in path.stem:
        shot, seen, grid = lawn_view(path)
        look = glance.look_through(shot, seen, grid, sighting=card_in(shot))
    else:
        shot, look = photo.read(path), survey.look(path)
    pixels = judging.judged(shot, look.view, look.sighting)
    found = pairs(look.table, path)
    told = f"true {100 * found[:, 2].mean():.0f} %, read {100 * found[:, 0].mean():.0f} %"
    return *cut(pixels.rgb_coded, pixels.shares, case), told


def cut(rgb: np.ndarray, shares, case: Case) -> tuple[np.ndarray, np.ndarray]:
    """Both as large as `SIDE` at most, about the case's middle."""
    sides = np.minimum(SIDE, rgb.shape[:2])
    first = [
        int(np.clip(m * n - s / 2, 0, n - s)) for m, n, s in zip(case.middle, rgb.shape, sides, strict=False)
    ]
    box = tuple(slice(f, f + s) for f, s in zip(first, sides, strict=True))
    planes = np.stack([getattr(shares, name)[box] for name in COLOURS])
    return rgb[box], planes


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("rendered", type=Path)
    folder = ask.parse_args().rendered
    palette = np.array([[int(c[k : k + 2], 16) for k in (1, 3, 5)] for c in COLOURS.values()], float)
    wide, tall, gap = 2.1, 1.58, 0.42
    figure = Figure(figsize=(2 * (2 * wide + 0.25) + 0.1, 3 * (tall + gap) + 0.45), facecolor="white")
    for number, case in enumerate(CASES):
        rgb, planes, told = judged(case, folder)
        column, row = number % 2, number // 2
        left = 0.1 + column * (2 * wide + 0.25)
        bottom = 0.45 + (2 - row) * (tall + gap)
        taken = np.einsum("khw,kc->hwc", planes, palette).astype(np.uint8)
        for k, picture in enumerate((rgb, taken)):
            axes = drawing.place_axes(figure, left + k * (wide + 0.03), bottom, wide, tall)
            axes.imshow(picture, aspect="auto")
            drawing.frameless(axes)
        figure.text(
            left / figure.get_figwidth(), (bottom + tall + 0.06) / figure.get_figheight(),
            f"{case.words}\n{told}", fontsize=6.6, color=INK, va="bottom", linespacing=1.25,
        )  # fmt: skip
    handles = [Patch(color=colour, label=name) for name, colour in COLOURS.items()]
    figure.legend(handles=handles, loc="lower center", ncols=4, fontsize=7, frameon=False)
    figure.savefig(OUT, dpi=170, pil_kwargs={"quality": 82})
    print(OUT)


if __name__ == "__main__":
    main()
