"""Model families for the sward classifier on the same kept-out parts: accuracy against time, as one table.

    python tools/compare_families.py --labelled FOLDER --rendered FOLDER

Every picture is judged by models that never saw its part of tools/sward-split.json (the fold models in
tests/data/sward-folds for the network). Rendered spots are judged as the card corrects them where that
picture is there, at the working scale; real pictures as they are. The other families learn from ``DRAWN``
pixels of each picture and are scored on every ``STEP``-th pixel in both directions, the network on the same.

Shares are learnt in two steps, green or not from all sets, then straw, bare or other from rendered pixels
alone: the real sets don't know these. Mixed pixels are dealt to a class by their shares. Families that see
colour alone are turned into the table of 32 x 32 x 32 colours that would run.
"""

from __future__ import annotations

import argparse
import os
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
import cv2
import numpy as np
from score_sward import FOLDS
from sward_pictures import PARTS, Picture, part_of, read_all, read_split, score

from turfeye import colourspace, models, sward

DRAWN = 1000
STEP = 6
CELL_MM = 100.0
FEWEST = 40
"""A cell with fewer scored pixels is the picture's rim."""
SCALES_PX = (1, 2, 4, 8, 16)
"""Of the surroundings, in pixels of the working scale: 1.3 mm each."""
COLOURS = 10
"""So many of the features are the pixel's own colour."""

# --- what a pixel is told by -----------------------------------------------------------------------------


def own_colour(rgb_coded: np.ndarray) -> np.ndarray:
    """(H, W, 10) float32: coded RGB, L*a*b*, hue as a direction, saturation, excess green."""
    rgb = rgb_coded.astype(np.float32) / 255
    lab = cv2.cvtColor(rgb, cv2.COLOR_RGB2Lab) / 100
    hue, saturation, _ = colourspace.hsb(rgb_coded)
    turn = np.radians(hue)
    excess = colourspace.excess_green(rgb_coded)
    rest = np.stack([np.cos(turn), np.sin(turn), saturation, excess], axis=2).astype(np.float32)
    return np.concatenate([rgb, lab, rest], axis=2)


def with_surroundings(rgb_coded: np.ndarray) -> np.ndarray:
    """(H, W, 38) float32: own colour, L*a*b* and its spread at five scales, the whole picture's L*a*b*."""
    own = own_colour(rgb_coded)
    height, width = own.shape[:2]
    lab = np.ascontiguousarray(own[..., 3:6])
    planes = [own]
    for scale in SCALES_PX:
        shrink = max(1, scale // 2)  # broad surroundings are blurred in a small copy: the same for less time
        size = max(width // shrink, 1), max(height // shrink, 1)
        mean, of_squares = (
            _blurred(part, scale / shrink, size) for part in (lab, np.ascontiguousarray(lab[..., :2] ** 2))
        )
        spread = np.sqrt(np.maximum(of_squares - mean[..., :2] ** 2, 0))
        planes += [mean, spread]
    planes.append(np.broadcast_to(lab.mean(axis=(0, 1)), lab.shape))
    return np.concatenate(planes, axis=2)


def _blurred(planes: np.ndarray, sigma: float, size: tuple[int, int]) -> np.ndarray:
    small = cv2.resize(planes, size, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), sigma, borderType=cv2.BORDER_REFLECT)
    return cv2.resize(small, planes.shape[1::-1], interpolation=cv2.INTER_LINEAR)


@dataclass(frozen=True)
class Sampled:
    """One picture at its working scale: pixels to learn from and pixels to score."""

    picture: Picture
    part: int
    rgb: np.ndarray  # (H, W, 3) uint8
    drawn: np.ndarray  # (DRAWN, 38)
    drawn_shares: np.ndarray  # (DRAWN, 4)
    scored: np.ndarray  # (N, 38)
    scored_shares: np.ndarray  # (N, 4)
    cell: np.ndarray  # (N,) which 10 cm cell a scored pixel lies in; all 0 where no scale is known


def sample(picture: Picture, part: int, rng: np.random.Generator) -> Sampled:
    rgb = picture.rgb
    height, width = rgb.shape[:2]
    scale = min(1.0, picture.gsd_mm / sward.WORKING_GSD_MM) if picture.full else 1.0
    size = round(width * scale), round(height * scale)
    rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    shares = cv2.resize(picture.shares, size, interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    if picture.full:
        shares /= np.maximum(shares.sum(axis=2, keepdims=True), 1e-6)
    planes = with_surroundings(rgb)
    pick = rng.integers(0, planes.shape[0] * planes.shape[1], DRAWN)
    grid = np.s_[STEP // 2 :: STEP, STEP // 2 :: STEP]
    cell = np.zeros(rgb.shape[:2], int)
    if picture.full:
        row, col = (np.arange(n) * picture.gsd_mm / scale // CELL_MM for n in rgb.shape[:2])
        cell = (row[:, None] * 1000 + col[None, :]).astype(int)
    return Sampled(
        picture, part, rgb, planes.reshape(-1, planes.shape[2])[pick], shares.reshape(-1, 4)[pick],
        planes[grid].reshape(-1, planes.shape[2]), shares[grid].reshape(-1, 4), cell[grid].ravel(),
    )  # fmt: skip


# --- families ----------------------------------------------------------------------------------------------


def logistic(squares: bool) -> object:
    from sklearn.linear_model import LogisticRegression
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import PolynomialFeatures, StandardScaler

    steps = [StandardScaler(), LogisticRegression(C=1.0, solver="newton-cholesky", max_iter=100)]
    return (
        make_pipeline(StandardScaler(), PolynomialFeatures(2), *steps) if squares else make_pipeline(*steps)
    )


def trees(seed: int) -> object:
    from sklearn.ensemble import HistGradientBoostingClassifier

    return HistGradientBoostingClassifier(
        max_iter=150, learning_rate=0.1, min_samples_leaf=100, early_stopping=False, random_state=seed
    )


def forest(seed: int) -> object:
    from sklearn.ensemble import RandomForestClassifier

    return RandomForestClassifier(60, min_samples_leaf=20, max_features="sqrt", random_state=seed, n_jobs=1)


def perceptron(seed: int) -> object:
    from sklearn.neural_network import MLPClassifier
    from sklearn.pipeline import make_pipeline
    from sklearn.preprocessing import StandardScaler

    return make_pipeline(
        StandardScaler(), MLPClassifier((48, 24), batch_size=1024, max_iter=15, tol=0, random_state=seed)
    )


@dataclass(frozen=True)
class Family:
    """A way to judge pixels: what makes its estimators, and whether they see more than own colour."""

    name: str
    make: Callable[[int], object]
    context: bool


FAMILIES = (
    Family("colour alone, logistic of squares, as a table", lambda seed: logistic(True), context=False),
    Family("colour alone, boosted trees, as a table", trees, context=False),
    Family("surroundings, logistic", lambda seed: logistic(False), context=True),
    Family("surroundings, small perceptron", perceptron, context=True),
    Family("surroundings, random forest", forest, context=True),
    Family("surroundings, boosted trees", trees, context=True),
)


class Fitted:
    """A family learnt from some pictures."""

    def __init__(self, family: Family, learn: list[Sampled], seed: int) -> None:
        warnings.simplefilter("ignore")  # a perceptron stopped on purpose says so every time
        rng = np.random.default_rng(seed)
        self.family, self.features = family, slice(None) if family.context else slice(COLOURS)
        x = np.concatenate([s.drawn for s in learn])[:, self.features]
        shares = np.concatenate([s.drawn_shares for s in learn])
        full = np.repeat([s.picture.full for s in learn], DRAWN)
        green = rng.random(len(x)) < shares[:, 0]
        self.green = family.make(seed).fit(x, green)
        rest = full & ~green
        chance = np.cumsum(shares[rest, 1:], axis=1)
        drawn = rng.random(len(chance)) * chance[:, -1]
        self.rest = family.make(seed).fit(x[rest], (drawn[:, None] > chance).sum(axis=1).clip(0, 2))
        self.table = None if family.context else self._predict(own_colour(table_colours())[0])

    def _predict(self, x: np.ndarray) -> np.ndarray:
        green = self.green.predict_proba(x)[:, 1:]
        return np.hstack([green, (1 - green) * self.rest.predict_proba(x)]).astype(np.float32)

    def shares(self, x: np.ndarray) -> np.ndarray:
        """(N, 4) of features (N, 38)."""
        if self.table is None:
            return self._predict(x)
        codes = np.rint(x[:, :3] * 255).astype(np.uint8)
        return self.table[table_index(codes)]

    def of_picture(self, rgb_coded: np.ndarray) -> np.ndarray:
        """(H * W, 4), the way it would run."""
        if self.table is not None:
            return self.table.take(table_index(rgb_coded.reshape(-1, 3)), axis=0)
        return self._predict(with_surroundings(rgb_coded).reshape(-1, 38))


def table_colours() -> np.ndarray:
    """(1, 32768, 3) uint8, the middle colour of every entry."""
    steps = np.arange(32, dtype=np.uint8) * 8 + 4
    return np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1).reshape(1, -1, 3)


def table_index(codes: np.ndarray) -> np.ndarray:
    """(N,) the entry of each colour (N, 3)."""
    high = (codes >> 3).astype(np.int32)
    return (high[:, 0] * 32 + high[:, 1]) * 32 + high[:, 2]


# --- figures ---------------------------------------------------------------------------------------------


def figures(samples: list[Sampled], guesses: list[np.ndarray]) -> list[str]:
    """Columns: IoU, cover error and bias of each real set; cover, bias, straw, bare, other of rendered."""
    columns = []
    for name in ("wheat", "peanut"):
        pairs = [
            (g[:, 0], s.scored_shares[:, 0])
            for s, g in zip(samples, guesses, strict=True)
            if s.picture.set == name
        ]
        if not pairs:
            columns.append("–")
            continue
        told = score(pairs)
        columns.append(f"{told['iou']:.3f}; {told['cover_mae']:.1f}, {told['cover_bias']:+.1f}")
    misses = [cell_misses(s, g) for s, g in zip(samples, guesses, strict=True) if s.picture.full]
    if not misses:
        return [*columns, "–"]
    miss = 100 * np.concatenate(misses)
    green, *rest = np.abs(miss).mean(axis=0)
    columns.append(f"{green:.1f}, {miss[:, 0].mean():+.1f}; " + ", ".join(f"{value:.1f}" for value in rest))
    return columns


def cell_misses(sampled: Sampled, guess: np.ndarray) -> np.ndarray:
    """(cells, 4) guessed less true shares of each whole cell."""
    _, place, count = np.unique(sampled.cell, return_inverse=True, return_counts=True)
    miss = guess - sampled.scored_shares
    sums = np.stack([np.bincount(place, miss[:, k], minlength=len(count)) for k in range(4)], axis=1)
    enough = count >= FEWEST
    return sums[enough] / count[enough, None]


def milliseconds(judge: Callable[[np.ndarray], object], rgb: np.ndarray, times: int = 3) -> float:
    """Processor time of one megapixel, the best of a few."""
    took = []
    for _ in range(times):
        start = time.process_time()
        judge(rgb)
        took.append(time.process_time() - start)
    return 1e3 * min(took) / (rgb.shape[0] * rgb.shape[1] / 1e6)


def network_row(samples: list[Sampled], picture: np.ndarray) -> list[str]:
    folds = [models.load_network(f"sward-fold-{k}.onnx", place=FOLDS) for k in range(PARTS)]
    guesses = []
    for s in samples:
        planes = np.stack(sward.judge(folds[s.part], s.rgb), axis=2)
        guesses.append(planes[STEP // 2 :: STEP, STEP // 2 :: STEP].reshape(-1, 4))
    took = milliseconds(lambda rgb: sward.judge(folds[0], rgb), picture)
    return ["network (ships)", *figures(samples, guesses), f"{took:.0f}"]


def family_row(family: Family, samples: list[Sampled], picture: np.ndarray) -> list[str]:
    guesses: dict[int, np.ndarray] = {}
    for part in range(PARTS):
        fitted = Fitted(family, [s for s in samples if s.part != part], seed=part)
        for index, s in enumerate(samples):
            if s.part == part:
                guesses[index] = fitted.shares(s.scored)
    took = milliseconds(fitted.of_picture, picture)
    return [family.name, *figures(samples, [guesses[i] for i in range(len(samples))]), f"{took:.0f}"]


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--labelled", type=Path)
    ask.add_argument("--rendered", type=Path)
    say = ask.parse_args()
    cv2.setNumThreads(1)
    split, rng = read_split(), np.random.default_rng(1)
    samples = [sample(p, part_of(p, split), rng) for p in read_all(say.labelled, say.rendered)]
    picture = cv2.resize(samples[-1].rgb, (576, 434), interpolation=cv2.INTER_LINEAR)
    rendered = "rendered cells: cover error, bias; straw, bare, other"
    print(f"| family | wheat: IoU; cover error, bias | peanut: the same | {rendered} | ms a megapixel |")
    print("|---|---|---|---|---|")
    print_row(network_row(samples, picture))
    for family in FAMILIES:
        print_row(family_row(family, samples, picture))


def print_row(columns: list[str]) -> None:
    print("| " + " | ".join(columns) + " |", flush=True)


if __name__ == "__main__":
    main()
