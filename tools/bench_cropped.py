"""How well a part of a later photo is laid over the marked one: cut to the same shape, its header kept.

    python tools/bench_cropped.py rendered/samples

The folder is as tools/make_samples.py writes it (--sets ferry): visits of one view, the first of them
marked by its true corners. Each later photo is cut to several sizes, about its middle and anywhere, and laid
over it.
"""

from __future__ import annotations

import argparse
import json
import os
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
import numpy as np
from rendered_truth import corners_of, outline_of, pictures

from turfeye import align, photo, view
from turfeye.errors import AlignmentError
from turfeye.records import Photo, View

PARTS = (1.0, 0.95, 0.9, 0.8, 0.7)
TRIES = 2  # of each size: about the picture's middle, and anywhere


def cut(whole: Photo, true: View, part: float, where: np.ndarray) -> tuple[Photo, View]:
    """A part of a photo as a gallery leaves it, its true view; ``where`` (2,) is 0-1 of what is cut off."""
    size = np.rint(part * np.array(whole.size_px)).astype(int)
    x, y = np.rint(where * (np.array(whole.size_px) - size)).astype(int)
    rgb = np.ascontiguousarray(whole.rgb_coded[y : y + size[1], x : x + size[0]])
    matrix = true.camera_matrix.copy()
    matrix[:2, 2] -= (x, y)
    header_px = None if whole.focal_px is None else part * whole.focal_px
    seen = replace(true, camera_matrix=matrix, size_px=(int(size[0]), int(size[1])))
    return replace(whole, rgb_coded=rgb, focal_px=header_px), seen


def true_view(picture: Path, shot: Photo) -> View:
    facts = json.loads(picture.with_suffix(".json").read_text(encoding="utf-8"))
    matrix = view.camera_matrix(facts["focal_px"], shot.size_px)
    pose = np.array(facts["rotation"]), np.array(facts["translation"])
    return View("lawn", shot.size_px, matrix, *pose, "given", 0.0)


def off_cm(found: View, true: View, outline_m: np.ndarray) -> np.ndarray:
    """How far lawn points are placed from where they are, (N,)."""
    points = align.judged_points(true, outline_m)
    return 100 * np.linalg.norm(view.unproject(found, view.project(true, points)) - points, axis=1)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("folders", type=Path, nargs="+")
    first, *later = sorted(pictures(parser.parse_args().folders, "*"))
    outline_m, marked = outline_of(first), photo.read(first)
    known = align.scenery(marked), view.from_corners(marked, corners_of(first, "outline"), outline_m)
    rng = np.random.default_rng(0)
    for part in PARTS:
        off, largest, times, refused = [], [], [], 0
        for picture in later:
            whole = photo.read(picture)
            for k in range(TRIES if part < 1 else 1):
                where = np.full(2, 0.5) if k == 0 else rng.uniform(size=2)
                shot, true = cut(whole, true_view(picture, whole), part, where)
                try:
                    found = align.align(align.scenery(shot), *known, outline_m=outline_m)
                except AlignmentError:
                    refused += 1
                    continue
                wrong = off_cm(found.view, true, outline_m)
                off.append(float(np.sqrt(np.mean(wrong**2))) / found.residual_cm)
                largest.append(float(wrong.max()))
                times.append(found.cut)
        told = sum(one is not None for one in times)
        within = [100 * np.mean(np.array(off) <= k) for k in (1, 2)]
        print(
            f"{part:4.2f} of the width: {len(off)} laid, {refused} refused, {told} told as cropped; places "
            f"off by {np.median(largest):.1f} cm at most in the middle photo, {max(largest):.0f} in the worst"
            f", within 1 and 2 times what is told {within[0]:.0f} and {within[1]:.0f} %",
            flush=True,
        )


if __name__ == "__main__":
    main()
