"""How well later photos are laid over the marked one, on gardens rendered again and again.

    python tools/make_alignment.py rendered/align
    python tools/bench_alignment.py rendered/align

Of each garden the first photo is marked (its corners off by 1.5 px, one standard deviation); each later one
is laid over it and, where that is refused, over those that lie on it already. Wrong is judged on the lawn
that the photo shows no more obliquely than 70 degrees. Gardens looked at while tuning have rows of their own.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import bench_row
import numpy as np
from bench_row import Row, row

from turfeye import align, photo, view
from turfeye.errors import AlignmentError
from turfeye.records import View

MARK_SD_PX = 1.5
FAR_VISIT = 7  # stands clearly too far off; may be refused
TUNED_ON = frozenset({7000, 7001, 7004})


@dataclass(frozen=True)
class Laid:
    """One later photo: how wrong, how wrong it said; NaN where refused."""

    name: str
    visit: int
    rms_cm: float
    largest_cm: float
    at_5_m_cm: float
    residual_cm: float


def truth(path: Path) -> tuple[dict, View]:
    """What the picture's file says, and its view."""
    facts = json.loads(path.read_text())
    width, height = facts["size_px"]
    focal = facts["focal_px"]
    matrix = np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1.0]])
    rotation, translation = np.array(facts["rotation"]), np.array(facts["translation"])
    return facts, View("lawn", (width, height), matrix, rotation, translation, "given", 0.0)


def garden(folder: Path, seed: int) -> list[Laid]:
    """Every later photo of one garden."""
    files = sorted(folder.glob(f"garden-{seed}-*.json"))
    facts, first = truth(files[0])
    outline = np.array(facts["outline_m"], float)
    marked = photo.read(files[0].with_suffix(".jpg"))
    marks = view.project(first, outline) + np.random.default_rng(seed).normal(0, MARK_SD_PX, outline.shape)
    known = [(align.scenery(marked), view.from_corners(marked, marks, outline))]
    out = []
    for file in files[1:]:
        facts, seen = truth(file)
        later = align.scenery(photo.read(file.with_suffix(".jpg")))
        found = None
        for reference in (known[0], *known[:0:-1])[:5]:
            try:
                found = align.align(later, *reference, outline_m=outline)
            except AlignmentError:
                continue
            if reference is known[0]:
                known.append((later, found.view))
            break
        out.append(judged(file.stem, facts["visit"], found, seen, outline))
    return out


def judged(name: str, visit: int, found: align.Aligned | None, seen: View, outline: np.ndarray) -> Laid:
    """How wrong a view is against the truth."""
    if found is None:
        return Laid(name, visit, *[np.nan] * 4)
    points = align.judged_points(seen, outline)
    off = 100 * np.linalg.norm(view.unproject(found.view, view.project(seen, points)) - points, axis=1)
    away = np.linalg.norm(points - seen.camera_m[:2], axis=1)
    band = off[np.abs(away - 5) < 1]
    at_5 = float(np.sqrt((band**2).mean())) if len(band) else np.nan
    return Laid(name, visit, float(np.sqrt((off**2).mean())), float(off.max()), at_5, found.residual_cm)


def rows(folders: Iterable[Path], *, show: bool = False) -> list[Row]:
    """The bench's rows, of gardens kept out and of those used for tuning; none where there are no gardens."""
    found = {int(p.stem.split("-")[1]): folder for folder in folders for p in folder.glob("garden-*-0.json")}
    out = []
    for words, seeds in (("kept out", set(found) - TUNED_ON), ("used for tuning", set(found) & TUNED_ON)):
        laid = []
        for seed in sorted(seeds):
            laid += garden(found[seed], seed)
            if show:
                print(*laid[-FAR_VISIT:], sep="\n", flush=True)
        if laid:
            out += summary(laid, f"alignment, {len(seeds)} rendered gardens {words}")
    return out


def summary(laid: list[Laid], what: str) -> list[Row]:
    """Shares and errors over all photos."""
    near = [one for one in laid if one.visit != FAR_VISIT]
    far = [one for one in laid if one.visit == FAR_VISIT]
    placed = [one for one in laid if np.isfinite(one.rms_cm)]
    good = [one for one in near if np.isfinite(one.rms_cm)]
    at_5 = np.array([one.at_5_m_cm for one in good])
    ratio = np.array([one.rms_cm / one.residual_cm for one in placed])
    wrong = sum(one.largest_cm > 20 for one in placed)
    return [
        row(
            f"{what}: error at 5 m, root mean square; worst photo",
            f"{np.sqrt(np.nanmean(at_5**2)):.1f} cm; {np.nanmax(at_5):.1f} cm",
            "≤ 5 cm",
        ),
        row(
            f"{what}: accepted, though wrong by more than 20 cm somewhere",
            f"{wrong} of {len(placed)}",
            "0",
        ),
        row(
            f"{what}: laid over, of photos taken within 0.5 m and 10°; from 0.9–2 m off",
            f"{len(good)} of {len(near)}; {sum(bool(np.isfinite(o.rms_cm)) for o in far)} of {len(far)}",
        ),
        row(
            f"{what}: true error within 1 and 2 times the residual told",
            f"{100 * np.mean(ratio < 1):.0f} %; {100 * np.mean(ratio < 2):.0f} %",
            "≥ 60 %; ≥ 95 %",
        ),
    ]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    args = parser.parse_args()
    bench_row.show(rows([args.folder], show=True))


if __name__ == "__main__":
    main()
