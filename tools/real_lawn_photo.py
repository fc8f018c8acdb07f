"""What the lawn's region and the sward's classes make of one real photograph with a worn lawn.

The picture (a lighthouse behind a worn lawn) lies in the notebook inside the wheel of colour-demosaicing
0.2.7 (BSD-3-Clause; the photograph's own rights are not stated there, so it is fetched and never kept here):

    pip download --no-deps colour-demosaicing==0.2.7 -d DIR
    python tools/real_lawn_photo.py DIR/colour_demosaicing-0.2.7-py3-none-any.whl [--out overlay.png]

The truth is a polygon that we marked by hand, good to a few pixels; the paved base of the viewer is not
lawn, and a strip of grass behind it was left out.
"""

from __future__ import annotations

import argparse
import base64
import json
import zipfile
from pathlib import Path

import cv2
import numpy as np

from turfeye.records import CLASSES
from turfeye.region import lawn_region, propose_outline, standing_on
from turfeye.sward import classify

NOTEBOOK = "colour_demosaicing/examples/examples_bayer.ipynb"
WHICH = 5  # of the notebook's pictures: the whole photo, demosaiced by Menon's method
FRAME = (slice(10, 680), slice(11, 469))  # inside its white border, above its caption
LAWN_PX = [
    (0, 602), (18, 590), (60, 566), (110, 540), (175, 520), (215, 505), (250, 494), (290, 508), (335, 519),
    (362, 530), (425, 530), (457, 534), (457, 669), (0, 669),
]  # fmt: skip


def photograph(wheel: Path) -> np.ndarray:
    """(H, W, 3) RGB out of the notebook."""
    with zipfile.ZipFile(wheel) as archive:
        cells = json.loads(archive.read(NOTEBOOK))["cells"]
    shown = [output["data"]["image/png"] for cell in cells for output in cell.get("outputs", [])
             if "image/png" in output.get("data", {})]  # fmt: skip
    data = np.frombuffer(base64.b64decode("".join(shown[WHICH])), np.uint8)
    return np.ascontiguousarray(cv2.imdecode(data, cv2.IMREAD_COLOR)[FRAME][..., ::-1])


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("wheel", type=Path)
    parser.add_argument("--out", type=Path)
    args = parser.parse_args()
    rgb = photograph(args.wheel)
    marked = np.zeros(rgb.shape[:2], np.uint8)
    cv2.fillPoly(marked, [np.array(LAWN_PX)], 1)
    region = lawn_region(rgb)
    found, truth = region > 0.5, marked.astype(bool)
    print(f"IoU {(found & truth).sum() / (found | truth).sum():.3f}, "
          f"lawn kept {(found & truth).sum() / truth.sum():.3f}, "
          f"elsewhere taken for lawn {(found & ~truth).sum() / (~truth).sum():.4f}")  # fmt: skip
    outline = propose_outline(region)
    print("proposed outline", np.round(outline).astype(int).tolist())
    shares = classify(rgb)
    of_lawn = [f"{name} {getattr(shares, name)[truth].mean():.2f}" for name in CLASSES]
    print("of the lawn", *of_lawn, "(about half is green by eye)")
    things = standing_on(region, outline, shares.other)
    print(f"taken for things standing on it: {things.sum() / truth.sum():.3f} of the lawn")
    if args.out:
        drawn = rgb[..., ::-1].copy()
        drawn[found] = drawn[found] // 2 + np.array([0, 0, 127], np.uint8)
        cv2.polylines(drawn, [np.array(LAWN_PX)], True, (255, 120, 0), 1)
        cv2.polylines(drawn, [np.round(outline).astype(np.int32)], True, (0, 255, 255), 1)
        cv2.imwrite(str(args.out), drawn)


if __name__ == "__main__":
    main()
