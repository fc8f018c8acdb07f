"""What the sward classifier makes of real photographs of ground, beside what an eye says.

    python tools/real_ground.py [FOLDER] [--use test]

FOLDER (tests/data/real-ground unless given) holds pictures and an index.csv with the columns ``file``,
``kind`` and ``green_percent_by_eye``; what else stands in it, such as where a picture came from, is passed
over. With ``--use`` only the rows with that word in the column ``use`` are read.

The pictures have no card and no known scale, so they are judged as they are. An estimate by eye is good to
10 points and counts the dark gaps between green blades as green, which a measurement does not. So what this
can show is whether ground without grass reads as such, whether turf reads as turf, and whether the order is
right.
"""

from __future__ import annotations

import argparse
import csv
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from turfeye import sward

DEFAULT = Path(__file__).parent.parent / "tests" / "data" / "real-ground"
COLUMNS = ("file", "kind", "green_percent_by_eye")

GROUPS = {"closed turf": (80.0, 100.0), "half closed": (30.0, 75.0), "without grass": (0.0, 1.0)}
"""Least and most per cent green by eye of each group. What lies between them, such as setts with grass in
their joints, counts for the order only."""

STRANGE = 0.5
"""Share of `other` above which `faults.find` takes a pixel for something lying on the lawn."""


@dataclass(frozen=True)
class Reading:
    """One picture: shares in per cent; ``strange`` is the part of its pixels that would count as a thing."""

    name: str
    kind: str
    by_eye: float
    green: float
    straw: float
    bare: float
    other: float
    strange: float


def read_folder(folder: Path, *, use: str | None = None) -> list[Reading]:
    """Every picture of the folder's index.csv, in its order.

    Ends with the reason when the index or a picture is missing, a column lacks, or no row is left.
    """
    index = folder / "index.csv"
    if not index.is_file():
        raise SystemExit(f"wanted {index} with the columns {', '.join(COLUMNS)}, found none")
    with index.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    wanted = (*COLUMNS, "use") if use else COLUMNS
    lacking = [column for column in wanted if rows and column not in rows[0]]
    if lacking:
        raise SystemExit(f"{index} lacks the column {', '.join(lacking)}")
    rows = [row for row in rows if use is None or row["use"] == use]
    if not rows:
        raise SystemExit(f"{index} has no row{f' with {use} in the column use' if use else ''}")
    return [reading(folder / row["file"], row) for row in rows]


def reading(path: Path, row: dict[str, str]) -> Reading:
    """One picture and its row."""
    coded = cv2.imread(str(path), cv2.IMREAD_COLOR)
    if coded is None:
        raise SystemExit(f"{path} is no picture that can be read, or is not there")
    try:
        by_eye = float(row["green_percent_by_eye"])
    except ValueError:
        raise SystemExit(
            f"{path.name}: wanted a number in green_percent_by_eye, came {row['green_percent_by_eye']!r}"
        ) from None
    shares = sward.classify(np.ascontiguousarray(coded[..., ::-1]))
    planes = (shares.green, shares.straw, shares.bare, shares.other)
    green, straw, bare, other = (100 * float(plane.mean()) for plane in planes)
    strange = 100 * float((shares.other > STRANGE).mean())
    return Reading(path.stem, row["kind"], by_eye, green, straw, bare, other, strange)


def in_group(group: str, by_eye: float) -> bool:
    """Whether an estimate by eye, in per cent, belongs to one of `GROUPS`."""
    least, most = GROUPS[group]
    return least <= by_eye <= most


def group_line(group: str, readings: list[Reading]) -> str:
    """One group in a line: how many, from and to what they read, and how far off the eye, in points."""
    green = [r.green for r in readings]
    gaps = [r.green - r.by_eye for r in readings]
    return (
        f"{group}: {len(readings)}, green {min(green):.1f} to {max(green):.1f}, {np.mean(green):.1f} in the "
        f"mean; against the eye {np.mean(gaps):+.1f} in the mean, {max(gaps, key=abs):+.1f} at most"
    )


def rank_order(readings: list[Reading]) -> float:
    """Spearman's correlation of green by eye with green as read; ties share their mean rank."""
    from scipy.stats import spearmanr

    return float(spearmanr([r.by_eye for r in readings], [r.green for r in readings]).statistic)


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("folder", type=Path, nargs="?", default=DEFAULT)
    ask.add_argument("--use", help="only rows with this word in the column use")
    say = ask.parse_args()
    readings = read_folder(say.folder, use=say.use)
    print(f"{'per cent':28} {'kind':6} {'by eye':>6}  {'green':>5} {'straw':>5} {'bare':>5} {'other':>5}")
    for r in readings:
        shares = " ".join(f"{share:5.1f}" for share in (r.green, r.straw, r.bare, r.other))
        print(f"{r.name:28} {r.kind:6} {r.by_eye:6.0f}  {shares}")
    for group in GROUPS:
        members = [r for r in readings if in_group(group, r.by_eye)]
        if members:
            print(group_line(group, members))
    if len(readings) > 2:
        print(f"rank order over all {len(readings)}: {rank_order(readings):.2f}")


if __name__ == "__main__":
    main()
