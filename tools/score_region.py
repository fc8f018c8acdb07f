"""Score the lawn's region on gardens that were held out of training, with the network as it ships.

    python tools/score_region.py DATA [DATA ...] [--all] [--show DIR]

Prints, per folder, the intersection over union (IoU) of lawn above one half against the truth, the share of
bare and straw parts that stay inside, how well a proposed outline covers the truth, and the worst few.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import re
from pathlib import Path

import cv2
import numpy as np

from turfeye.errors import ViewError
from turfeye.region import lawn_in_garden, propose_outline

HOLD_OUT_EVERY = 5  # as tools/train_region.py


def truth_of(folder: Path, name: str, shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Lawn, and bare or straw parts of it, as masks."""
    lawn = cv2.imread(str(folder / f"{name}-lawn.png"), cv2.IMREAD_GRAYSCALE) > 127
    bare = np.zeros(shape, bool)
    if (folder / f"{name}-bare.png").exists():
        bare = cv2.imread(str(folder / f"{name}-bare.png"), cv2.IMREAD_GRAYSCALE) > 127
    elif (folder / f"{name}-shares.png").exists():
        from PIL import Image

        shares = np.asarray(Image.open(folder / f"{name}-shares.png"))  # green, straw, bare, other
        bare = cv2.blur((shares[..., 1].astype(np.float32) + shares[..., 2]) / 255, (15, 15)) > 0.7
    return lawn, lawn & bare


def iou(one: np.ndarray, other: np.ndarray) -> float:
    return float((one & other).sum() / max((one | other).sum(), 1))


def score(folder: Path, name: str) -> dict[str, float]:
    """All figures of one picture."""
    rgb = cv2.imread(str(folder / f"{name}.jpg"))[..., ::-1]
    lawn, bare = truth_of(folder, name, rgb.shape[:2])
    region = lawn_in_garden(np.ascontiguousarray(rgb))
    found = region > 0.5
    outlined = np.zeros(rgb.shape[:2], np.uint8)
    with contextlib.suppress(ViewError):
        cv2.fillPoly(outlined, [np.round(propose_outline(region)).astype(np.int32)], 1)
    kept = float((found & bare).sum() / bare.sum()) if bare.sum() > 200 else float("nan")
    return {"iou": iou(found, lawn), "bare_kept": kept, "outline_iou": iou(outlined > 0, lawn)}


def overlay(folder: Path, name: str, out: Path) -> None:
    """The picture beside itself with truth (blue edge) and region (red tint)."""
    bgr = cv2.imread(str(folder / f"{name}.jpg"))
    lawn, _ = truth_of(folder, name, bgr.shape[:2])
    found = lawn_in_garden(np.ascontiguousarray(bgr[..., ::-1])) > 0.5
    drawn = bgr.copy()
    drawn[found] = drawn[found] // 2 + np.array([0, 0, 127], np.uint8)
    edges, _ = cv2.findContours(lawn.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(drawn, edges, -1, (255, 120, 0), max(bgr.shape[1] // 300, 1))
    cv2.imwrite(str(out / f"{folder.name}-{name}.png"), np.hstack([bgr, drawn]))


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("data", type=Path, nargs="+")
    parser.add_argument("--all", action="store_true")
    parser.add_argument("--show", type=Path)
    parser.add_argument("--json", type=Path)
    args = parser.parse_args()
    totals = {}
    for folder in args.data:
        names = [path.name.removesuffix("-lawn.png") for path in sorted(folder.glob("*-lawn.png"))]
        names = [n for n in names if args.all or int(re.findall(r"\d+", n)[0]) % HOLD_OUT_EVERY == 0]
        rows = {name: score(folder, name) for name in names}
        table = np.array([[row["iou"], row["bare_kept"], row["outline_iou"]] for row in rows.values()])
        values = table[:, 0]
        totals[folder.name] = {
            "pictures": len(names),
            "iou_mean": round(float(values.mean()), 4),
            "iou_median": round(float(np.median(values)), 4),
            "iou_lowest": round(float(values.min()), 4),
            "share_above_0.95": round(float((values >= 0.95).mean()), 3),
            "bare_kept_mean": round(float(np.nanmean(table[:, 1])), 4)
            if np.isfinite(table[:, 1]).any()
            else None,
            "outline_iou_median": round(float(np.median(table[:, 2])), 4),
        }
        print(folder.name, json.dumps(totals[folder.name]))
        worst = sorted(rows, key=lambda name: rows[name]["iou"])[:6]
        for name in worst:
            print("  ", name, {k: round(v, 3) for k, v in rows[name].items()})
            if args.show:
                args.show.mkdir(parents=True, exist_ok=True)
                overlay(folder, name, args.show)
    if args.json:
        args.json.write_text(json.dumps(totals, indent=1))


if __name__ == "__main__":
    main()
