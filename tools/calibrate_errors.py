"""How honest the error of cover is, by kind of photo, cover and angle; and the constants that make it so.

    python tools/calibrate_errors.py rendered/tune --fit    # fits `covererror.Accuracy` and what no card adds
    python tools/calibrate_errors.py rendered/bench         # looks only

Fit on pictures that neither trained the network nor carry a reported figure: make_samples.py --sets
tune, and the sample photos (--sets ferry spots), there named lawn-... and spot-....
"""

from __future__ import annotations

import argparse
import itertools
import os
import re
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
import cv2
import numpy as np
from rendered_truth import card_in, lawn_view, pairs, pictures

from turfeye import covererror, glance, survey
from turfeye.errors import TurfeyeError
from turfeye.records import Look

cv2.setNumThreads(1)
KINDS = ("spot", "lawn, card", "lawn, no card")
BANDS = {
    "cover": (1, (0, 0.05, 0.3, 0.7, 0.95, 1.01)),
    "zenith_deg": (4, (0, 20, 40, 50, 60, 66)),
    "hardness": (6, (0, 0.2, 0.3, 0.4, 1)),
}  # column, edges
TAIL = 6.0  # degrees of freedom of Student's t: single cells are further off than a bell curve has it


def gathered(folders: list[Path]) -> tuple[np.ndarray, list[str]]:
    """(N, 7): kind, cover, its error, true cover, zenith, picture, hardness; and the pictures' names."""
    found: list[np.ndarray] = []
    names: list[str] = []

    def keep(kind: int, look: Look, picture: Path) -> None:
        rows = pairs(look.table, picture)
        photo = np.tile([len(found), look.hardness], (len(rows), 1))
        found.append(np.column_stack([np.full(len(rows), kind), rows, photo]))
        names.append(picture.stem)

    for picture in pictures(folders, "spot"):
        try:
            keep(0, survey.look(picture), picture)
        except TurfeyeError as error:
            print(f"  {picture.name}: {error}")
    for picture in pictures(folders, "lawn"):
        seen = lawn_view(picture)
        if (sighting := card_in(seen[0])) is not None:
            keep(1, glance.look_through(*seen, sighting=sighting), picture)
        keep(2, glance.look_through(*seen, sighting=None), picture)
    return np.concatenate(found), names


def told(name: str, rows: np.ndarray) -> None:
    """One line of the table."""
    if len(rows) < 20:
        return
    miss, se = rows[:, 1] - rows[:, 3], rows[:, 2]
    pictures = len(np.unique(rows[:, 5]))
    print(
        f"{name:32s} {pictures:3d} pictures {len(rows):5d} cells   off {100 * np.abs(miss).mean():5.1f}"
        f"   bias {100 * miss.mean():+5.1f}   1 se {100 * np.mean(np.abs(miss) <= se):3.0f} %"
        f"   2 se {100 * np.mean(np.abs(miss) <= 2 * se):3.0f} %"
    )


def table(rows: np.ndarray) -> None:
    """Every kind, and every band of each."""
    for number, kind in enumerate(KINDS):
        mine = rows[rows[:, 0] == number]
        told(kind, mine)
        for band, (column, edges) in BANDS.items():
            for low, high in itertools.pairwise(edges):
                some = mine[(mine[:, column] >= low) & (mine[:, column] < high)]
                told(f"  {kind}, {band} {low:g}-{high:g}", some)


def shared(rows: np.ndarray) -> float:
    """Mean square of how far the means of photos are off, in their cells' mean errors (`covererror.SHARED`).

    NaN of no rows.
    """
    if not len(rows):
        return float("nan")
    pictures = [rows[rows[:, 5] == number] for number in np.unique(rows[:, 5])]
    return float(np.mean([(np.mean(p[:, 1] - p[:, 3]) / p[:, 2].mean()) ** 2 for p in pictures]))


def by_visit(rows: np.ndarray, names: list[str]) -> float:
    """How much of what all cells of a photo share differs between visits of one place (`compare.ALIKE`).

    Places are the samples': pictures whose names are the same but for their date.
    """
    places: dict[str, list[float]] = {}
    for number in np.unique(rows[:, 5]):
        dated, mine = names[int(number)], rows[rows[:, 5] == number]
        place = re.sub(r"\d{4}-\d\d-\d\d", "", dated)
        if place != dated:
            places.setdefault(place, []).append(np.mean(mine[:, 1] - mine[:, 3]) / mine[:, 2].mean())
    several = [off for off in places.values() if len(off) > 1]
    spread = sum(np.var(off) * len(off) for off in several) / max(sum(len(off) - 1 for off in several), 1)
    return float(spread / covererror.SHARED)


def voices(rows: np.ndarray) -> np.ndarray:
    """(N,) weights with which every picture has one voice."""
    _, picture, count = np.unique(rows[:, 5], return_inverse=True, return_counts=True)
    return 1 / count[picture]


def unlikelihood(miss: np.ndarray, se: np.ndarray, voice: np.ndarray) -> float:
    """How unlikely it is to be so far off with these errors, by Student's t of the same spread."""
    scale = se * np.sqrt((TAIL - 2) / TAIL)
    return float(voice @ (np.log(scale) + (TAIL + 1) / 2 * np.log1p((miss / scale) ** 2 / TAIL)))


def gain_se(rows: np.ndarray) -> float:
    """The likeliest `covererror.UNCORRECTED_GAIN_SE`, of rows read without a card; other errors stay."""
    from scipy.optimize import minimize_scalar

    cover, se = rows[:, 1], rows[:, 2]
    edges = np.clip(cover * (1 - cover), 0, 0.25)
    rest = np.maximum(se**2 - (covererror.UNCORRECTED_GAIN_SE * edges) ** 2, 0)
    miss, voice = cover - rows[:, 3], voices(rows)

    def cost(gain: float) -> float:
        return unlikelihood(miss, np.sqrt(rest + (gain * edges) ** 2), voice)

    return float(minimize_scalar(cost, bounds=(0, 1), method="bounded").x)


def refit(rows: np.ndarray) -> tuple[covererror.Accuracy, np.ndarray]:
    """The likeliest `Accuracy`, every picture with one voice, and the rows with its errors."""
    from scipy.optimize import minimize

    cover, se = rows[:, 1], rows[:, 2]
    seen = {"zenith_deg": rows[:, 4], "hardness": rows[:, 6]}
    rest = np.maximum(se**2 - covererror.classifier_se(cover, covererror.Accuracy(), **seen) ** 2, 0)
    miss, voice = cover - rows[:, 3], voices(rows)

    def errors(logs: np.ndarray) -> np.ndarray:
        alone = covererror.classifier_se(cover, covererror.Accuracy(*np.exp(logs)), **seen)
        return np.sqrt(rest + alone**2)

    def cost(logs: np.ndarray) -> float:
        return unlikelihood(miss, errors(logs), voice)

    start = covererror.Accuracy()
    found = minimize(cost, np.log([start.dense, start.slope, start.hard]), method="Nelder-Mead").x
    changed = rows.copy()
    changed[:, 2] = errors(found)
    return covererror.Accuracy(*(round(float(v), 4) for v in np.exp(found))), changed


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--fit", action="store_true")
    options = parser.parse_args()
    rows, names = gathered(options.folders)
    table(rows)
    each = ", ".join(f"{kind} {shared(rows[rows[:, 0] == k]):.2f}" for k, kind in enumerate(KINDS))
    with_card = shared(rows[rows[:, 0] < 2])
    print(f"\nshared by the cells of a photo with a card: {with_card:.2f} of their variance ({each})")
    visits = ", ".join(f"{kind} {by_visit(rows[rows[:, 0] == k], names):.2f}" for k, kind in enumerate(KINDS))
    print(f"of that differs from visit to visit of a sample's place: {visits}")
    if options.fit:
        print(f"\nlikeliest error of the gain without a card: {gain_se(rows[rows[:, 0] == 2]):.2f}")
        accuracy, changed = refit(rows[rows[:, 0] < 2])  # without a card colours err on top
        print(f"\nlikeliest: {accuracy}; with it")
        table(changed)


if __name__ == "__main__":
    main()
