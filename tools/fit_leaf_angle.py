"""The usual leaf angle, and how far swards differ from it, from rendered scenes with their true shares.

    python tools/fit_leaf_angle.py rendered/train

Reads what tools/make_training.py writes: the share of green in every pixel as seen, and the cover of every
cell from straight above. No classifier has a say, so that its errors don't pass for leaf angles. Prints
`gapfraction.SPARSE_LOG_ANGLE`, `DENSE_LOG_ANGLE` and `LEAF_ANGLE_SD`; write them there.
"""

from __future__ import annotations

import argparse
import csv
import json
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from scipy.optimize import minimize

from turfeye import gapfraction
from turfeye.cells import MAX_ZENITH_DEG

CELL_M = {"spot": 0.1, "garden": 0.5}
PART_M = 0.1  # the model is bent: it is applied to parts of a cell, as `cells.measure` applies it to blocks
STEP = 0.1  # of the lean, for the slope of cover
TELLING_DEG = 15.0  # scenes seen from nearer to straight above say nothing about their angle


@dataclass(frozen=True, eq=False)
class Scene:
    """Parts of a scene's cells: the cell, green as seen, the angle; and each cell's cover from above."""

    cell: np.ndarray  # (P,) index
    seen: np.ndarray  # (P,)
    zenith_deg: np.ndarray  # (P,)
    cover: np.ndarray  # (cells,)

    def misses(self, log_angle: np.ndarray | float) -> np.ndarray:
        """(cells,) straight-down cover less its truth."""
        chi = np.exp(np.broadcast_to(log_angle, self.seen.shape))
        down = gapfraction.straight_down(self.seen, self.zenith_deg, leaf_angle=chi)
        return np.bincount(self.cell, down) / np.bincount(self.cell) - self.cover

    def lean(self, line: np.ndarray) -> float:
        """The lean off a line with which the scene's cells come out best."""
        usual, tries = _line(self, line), np.arange(-2, 2.01, 0.05)
        return float(min(tries, key=lambda lean: np.abs(self.misses(usual + lean)).mean()))


def _line(scene: Scene, line: np.ndarray) -> np.ndarray:
    return line[0] + line[1] * scene.seen


def read(shares: Path) -> Scene | None:
    """One rendered look; None when fewer than twenty parts of cells are seen whole."""
    name = shares.name.removesuffix("-shares.png")
    facts = json.loads(shares.with_name(f"{name}.json").read_text(encoding="utf-8"))
    if facts["recipe"].get("things") or facts["recipe"].get("fallen"):
        return None
    green = cv2.imread(str(shares), cv2.IMREAD_UNCHANGED)[..., 2] / 255
    camera, turn, shift = (np.array(facts[key]) for key in ("camera_matrix", "rotation", "translation"))
    size_m = CELL_M[name.partition("-")[0]]
    steps = (np.arange(round(size_m / PART_M)) + 0.5) * PART_M - size_m / 2
    parts, covers = [], []
    with shares.with_name(f"{name}-cells.csv").open(newline="") as file:
        for row in csv.DictReader(file):
            if float(row["card"]) > 0.1 or float(row["area_m2"]) < 0.9 * size_m**2:
                continue
            x_m, y_m = np.meshgrid(float(row["x_m"]) + steps, float(row["y_m"]) + steps)
            found = [_part(green, camera, turn, shift, at) for at in zip(x_m.flat, y_m.flat, strict=True)]
            if all(one is not None for one in found):
                parts += [(len(covers), *one) for one in found]
                covers.append(float(row["cover"]))
    if len(parts) < 20:
        return None
    cell, seen, zenith = np.array(parts).T
    return Scene(cell.astype(int), seen, zenith, np.array(covers))


def _part(green, camera, turn, shift, at_m) -> tuple[float, float] | None:
    """Green as seen on a square of the ground, and its zenith angle; None where not seen whole."""
    x_m, y_m = at_m
    half = PART_M / 2 * np.array([[-1, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]])
    corners = (np.array([x_m, y_m, 0.0]) + half) @ turn.T + shift
    points = corners @ camera.T
    points = points[:, :2] / points[:, 2:]
    height, width = green.shape
    if (corners[:, 2] < 0.05).any() or (points < 0).any() or (points > [width - 1, height - 1]).any():
        return None
    low, high = np.floor(points.min(axis=0)).astype(int), np.ceil(points.max(axis=0)).astype(int) + 1
    within = np.zeros((high - low)[::-1], np.uint8)
    cv2.fillConvexPoly(within, np.rint((points - low) * 8).astype(np.int32), 1, shift=3)
    away = -turn.T @ shift - [x_m, y_m, 0.0]
    zenith = float(np.degrees(np.arccos(away[2] / np.linalg.norm(away))))
    if zenith > MAX_ZENITH_DEG or not within.any():
        return None
    seen = green[low[1] : high[1], low[0] : high[0]][within[: height - low[1], : width - low[0]] > 0]
    return float(seen.mean()), zenith


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("folder", type=Path)
    say = ask.parse_args()
    scenes = [s for s in map(read, sorted(say.folder.rglob("*-shares.png"))) if s is not None]

    def off(line: np.ndarray) -> float:
        return float(np.mean([np.abs(s.misses(_line(s, line))).mean() for s in scenes]))

    now = np.array([gapfraction.SPARSE_LOG_ANGLE, gapfraction.DENSE_LOG_ANGLE])
    line = minimize(off, now, method="Nelder-Mead").x
    telling = [s for s in scenes if s.zenith_deg.mean() > TELLING_DEG and 0.05 < s.seen.mean() < 0.97]
    leans = np.array([s.lean(line) for s in telling])
    own = np.mean([np.abs(s.misses(_line(s, line) + a)).mean() for s, a in zip(telling, leans, strict=True)])
    usual = [_line(s, line) for s in telling]
    miss = np.array([s.misses(at).mean() for s, at in zip(telling, usual, strict=True)])
    more = np.array([s.misses(at + STEP).mean() for s, at in zip(telling, usual, strict=True)])
    sd = STEP * np.sqrt((miss**2).sum() / ((more - miss) ** 2).sum())
    print(f"{len(scenes)} scenes: cover off by {100 * off(now):.2f} points now, {100 * off(line):.2f} with")
    print(f"log chi = {line[0]:.2f} + {line[1]:.2f} x cover as seen")
    print(f"lean's sd of {len(leans)} scenes: {sd:.2f} explains how far their covers are off")
    print(f"their own best leans: sd {leans.std():.2f}; with its own a scene is off by {100 * own:.2f}")


if __name__ == "__main__":
    main()
