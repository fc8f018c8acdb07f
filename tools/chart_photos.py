"""Read the 24-patch charts photographed in two packages' notebooks into tests/data/chart_photos.csv.

The pictures lie as notebook output inside the wheels of colour-checker-detection 0.2.3 and colour-hdri 0.2.6
(Colour Developers, BSD-3-Clause). Fetch them with `pip download --no-deps colour-checker-detection==0.2.3
colour-hdri==0.2.6 -d DIR`, then run `python tools/chart_photos.py DIR`. The chart's values come from
colour-science ("ColorChecker24 - After November 2014", CIE L*a*b* under D50, Bradford to D65).
"""

from __future__ import annotations

import base64
import csv
import io
import json
import sys
import zipfile
from pathlib import Path

import colour
import cv2
import numpy as np
from PIL import Image

OUT = Path(__file__).resolve().parent.parent / "tests" / "data" / "chart_photos.csv"
SWATCHES = "colour_checker_detection/examples/examples_detection_templated.ipynb"
SWATCH_PICTURES = {
    17: "open case, warm",
    21: "chart on a seat, warm",
    25: "on cloth, warm",
    29: "at a wall, warm",
}
GREEN = "colour_hdri/examples/examples_adobe_dng_sdk_colour_processing.ipynb"
GREEN_CENTRES = [[279, 351], [463, 352], [458, 459], [270, 453]]  # first, 6th, 24th and 19th patch


def pictures(wheel: Path, notebook: str) -> list[np.ndarray]:
    """Every picture that a notebook shows, in order, as RGB."""
    cells = json.loads(zipfile.ZipFile(wheel).read(notebook))["cells"]
    outputs = [o.get("data", {}) for cell in cells for o in cell.get("outputs", [])]
    found = [base64.b64decode(data["image/png"]) for data in outputs if "image/png" in data]
    return [np.asarray(Image.open(io.BytesIO(png)).convert("RGB")) for png in found]


def swatches(picture: np.ndarray) -> np.ndarray:
    """(24, 3) codes of a plot of 4 x 6 flat squares on a white page."""
    ink = picture.min(axis=2) < 250
    rows, cols = np.flatnonzero(ink.mean(axis=1) > 0.5), np.flatnonzero(ink.mean(axis=0) > 0.5)
    plot = picture[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
    h, w = plot.shape[0] / 4, plot.shape[1] / 6
    centres = [(int((r + 0.5) * h), int((c + 0.5) * w)) for r in range(4) for c in range(6)]
    return np.array([np.median(plot[y - 20 : y + 21, x - 20 : x + 21], axis=(0, 1)) for y, x in centres])


def at_centres(picture: np.ndarray, corners: list[list[int]]) -> np.ndarray:
    """(24, 3) codes about the patch centres, given those of the four corner patches."""
    plane = np.array([[0, 0], [5, 0], [5, 3], [0, 3]], dtype=np.float32)
    homography = cv2.getPerspectiveTransform(plane, np.array(corners, dtype=np.float32))
    grid = np.array([[[c, r]] for r in range(4) for c in range(6)], dtype=np.float32)
    centres = cv2.perspectiveTransform(grid, homography)[:, 0].round().astype(int)
    return np.array([picture[y - 6 : y + 7, x - 6 : x + 7].mean(axis=(0, 1)) for x, y in centres])


def chart_linear() -> tuple[list[str], np.ndarray]:
    """Names and linear sRGB of the chart's 24 patches."""
    checker = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
    xyz = colour.xyY_to_XYZ(list(checker.data.values()))
    rgb = colour.XYZ_to_RGB(xyz, "sRGB", checker.illuminant, "Bradford")
    return list(checker.data), np.asarray(rgb)


def main() -> None:
    folder = Path(sys.argv[1])
    detection, hdri = (next(folder.glob(f"{n}-*.whl")) for n in ("colour_checker_detection", "colour_hdri"))
    shown = pictures(detection, SWATCHES)
    charts = {name: swatches(shown[i]) for i, name in SWATCH_PICTURES.items()}
    charts["camera's own RGB, green"] = at_centres(pictures(hdri, GREEN)[0], GREEN_CENTRES)
    names, linear = chart_linear()
    with OUT.open("w", newline="", encoding="utf-8") as file:
        file.write(
            "# Patch readings from notebooks of colour-checker-detection 0.2.3 and colour-hdri 0.2.6,\n"
        )
        file.write("# Copyright 2013 Colour Developers, BSD-3-Clause; made by tools/chart_photos.py.\n")
        write = csv.writer(file, lineterminator="\n")
        write.writerow(
            ["picture", "patch", "r_coded", "g_coded", "b_coded", "r_linear", "g_linear", "b_linear"]
        )
        for picture, codes in charts.items():
            for name, code, light in zip(names, codes, linear, strict=True):
                write.writerow([picture, name, *(f"{v:.1f}" for v in code), *(f"{v:.5f}" for v in light)])


if __name__ == "__main__":
    main()
