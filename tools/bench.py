"""Accuracy and speed in one table, beside what is wanted and what is published; kept in benchmarks.md.

    python tools/bench.py [--labelled FOLDER] [--rendered FOLDER]

Rendered rows use the pictures of ``--rendered`` (make_samples.py --sets bench lights), or else the few in
tests/data/rendered; rows of labelled field photographs need ``--labelled``: those pictures have another
licence and don't travel along.
"""

from __future__ import annotations

import argparse
import os
import time
from collections.abc import Iterable
from pathlib import Path

os.environ.setdefault("OMP_NUM_THREADS", "1")
import cv2
import numpy as np

cv2.setNumThreads(1)

import bench_row  # noqa: E402
from bench_row import Row, row  # noqa: E402
from rendered_truth import card_in, card_off_px, corners_of, lawn_view, light_of, outlined, pairs, pictures  # noqa: E402

from turfeye import glance, measurement, models, region, survey  # noqa: E402
from turfeye.errors import TurfeyeError  # noqa: E402

ROOT = Path(__file__).resolve().parent.parent
WANTED = {
    "wheat": "IoU plant ≥ 0.82 (first ≥ 0.75), soil ≥ 0.93; cover ≤ 2.5 points, ± 1",
    "peanut": "IoU plant ≥ 0.80; cover ≤ 1.5 points",
}
KNOWN = {
    "wheat": "deep network 0.77 / 0.90 (Zenkl et al. 2022)",
    "peanut": "best colour threshold chosen with the truth in hand 0.77",
}


def cover_rows(name: str, found: list[np.ndarray], reach: str) -> Iterable[Row]:
    """Rows about cover of one set of pictures."""
    if not found:
        return
    a = np.concatenate(found)
    miss = a[:, 0] - a[:, 2]
    r2 = np.corrcoef(a[:, 0], a[:, 2])[0, 1] ** 2
    yield row(
        f"{name}: cover, mean absolute error; bias; r²",
        f"{100 * np.abs(miss).mean():.1f} points; {100 * miss.mean():+.1f}; {r2:.3f} "
        f"({len(found)} pictures, {len(a)} cells)",
        reach,
        "RMSE 3.1 at best of four published rules on whole quadrats (doi 10.1186/s12859-022-04886-6)",
    )
    for sds, wanted in ((1, "60–76 %"), (2, "92–98 %")):
        inside = np.mean(np.abs(miss) <= sds * a[:, 1])
        yield row(
            f"{name}: truth within {sds} standard error{'s' if sds > 1 else ''}",
            f"{100 * inside:.0f} %",
            wanted,
        )


def light_row(lights: list[str], found: list[np.ndarray]) -> Row:
    """How far spots are off in each light, softest first, and how often within what is told."""
    told = []
    for light in ("overcast", "shade", "sun", "warm evening"):
        some = [cells for name, cells in zip(lights, found, strict=True) if name == light]
        if some:
            a = np.concatenate(some)
            miss = np.abs(a[:, 0] - a[:, 2])
            told.append(f"{light} {100 * miss.mean():.1f} points ({100 * np.mean(miss <= a[:, 1]):.0f} %)")
    return row(
        "rendered spots, by light: cover, mean absolute error (within one standard error)", ", ".join(told)
    )


def spot_rows(folders: list[Path]) -> Iterable[Row]:
    """Rendered spot photos with a card."""
    found, lights, off, refused = [], [], [], 0
    for picture in pictures(folders, "spot"):
        try:
            seen = survey.look(picture)
        except TurfeyeError as error:
            print(f"  {picture.name}: {error}")
            refused += 1
            continue
        found.append(pairs(seen.table, picture))
        lights.append(light_of(picture))
        off.append(card_off_px(seen.sighting, picture))
    yield from cover_rows("rendered spots, 10 cm cells", found, "≤ 2.5 points (first ≤ 4); ±1; ≥ 0.98")
    if found:
        yield light_row(lights, found)
    if off:
        yield row(
            "rendered spots: card corners, largest error", f"{max(off):.2f} px; {refused} refused", "≤ 1 px"
        )


def lawn_rows(folders: list[Path]) -> Iterable[Row]:
    """Rendered lawn views, their corners given, by their card and without it."""
    near, far, without, off, missed = [], [], [], [], 0
    for picture in pictures(folders, "lawn"):
        shot, seen, grid = lawn_view(picture)
        if (sighting := card_in(shot)) is None:
            missed += 1
        else:
            off.append(card_off_px(sighting, picture))
        a = pairs(glance.look_through(shot, seen, grid, sighting=sighting).table, picture)
        near.append(a[a[:, 3] <= 60])
        far.append(a[a[:, 3] > 60])
        without.append(pairs(glance.look_through(shot, seen, grid, sighting=None).table, picture))
    yield from cover_rows(
        "rendered lawns, 50 cm cells, to 60°",
        near,
        "≤ 4 points (first ≤ 7)",
    )
    far = [a for a in far if len(a)]
    yield from cover_rows("rendered lawns, 50 cm cells, beyond 60°", far, "≤ 7 points or not seen")
    yield from cover_rows("rendered lawns read without their card, 50 cm cells", without, "")
    if off:
        yield row(
            "rendered lawns: card corners, largest error", f"{max(off):.2f} px; {missed} not found", "≤ 1 px"
        )


def region_rows(folders: list[Path]) -> Iterable[Row]:
    """The lawn's region in rendered lawn views against the true outline, things standing on it included."""
    scores = []
    for picture in pictures(folders, "lawn"):
        rgb = cv2.cvtColor(cv2.imread(str(picture)), cv2.COLOR_BGR2RGB)
        true = outlined(picture, rgb.shape[:2])
        found = region.lawn_in_garden(rgb) > 0.5
        scores.append((found & true).sum() / (found | true).sum())
    if scores:
        yield row(
            "rendered lawns: the lawn's region, intersection over union; lowest",
            f"{np.mean(scores):.3f}; {min(scores):.3f} ({len(scores)} gardens)",
            "≥ 0.95",
        )


def labelled_rows(folder: Path) -> Iterable[Row]:
    """Labelled field photographs, each by a network that has not learnt from its like."""
    import score_sward

    for name, score in score_sward.score_labelled(folder).items():
        told = ", ".join(f"{key} {value:.3f}" for key, value in score.items() if isinstance(value, float))
        yield row(f"{name}, kept out", told, WANTED[name], KNOWN[name])
    for name, score in score_sward.score_across(folder).items():
        told = f"iou {score['iou']:.3f}, cover_mae {score['cover_mae']:.3f}"
        taught = "with a last step that the shipped network has not had"
        yield row(f"{name}, by a network that saw the other real set alone", told, "IoU ≥ 0.65", taught)


def time_rows() -> Iterable[Row]:
    """A whole look at a 12 MP photo against decoding it with OpenCV, one core; medians of fifteen.

    Colour takes time where turf is dense, so both a bare and a dense photo are looked at.
    """
    bare, dense = (ROOT / f"tests/data/rendered/spots/{name}.jpg" for name in ("spot-00", "spot-08"))
    left = int(corners_of(dense, "card")[:, 0].min()) - 40
    near = cv2.imread(str(dense))
    for name, picture in (
        (", bare ground", cv2.imread(str(bare))),
        (", dense turf", near),
        (", dense turf, as from twice as high", more_ground(near, near[:, :left])),
    ):
        whole, decode = times_of(picture)
        yield row(
            f"12 MP spot photo (enlarged){name}: whole look / OpenCV decoding",
            f"{whole / decode:.1f} × ({1000 * whole:.0f} ms / {1000 * decode:.0f} ms)",
            "≤ 4 × (first ≤ 10 ×)",
        )


def more_ground(picture: np.ndarray, ground: np.ndarray) -> np.ndarray:
    """A picture of twice the width and height, mirrored ground without a card all around."""
    height, width = picture.shape[:2]
    down, right = height // 2, (2 * width - ground.shape[1]) // 2
    left = 2 * width - ground.shape[1] - right
    wide = cv2.copyMakeBorder(ground, down, height - down, left, right, cv2.BORDER_REFLECT)
    wide[down : down + height, width // 2 : width // 2 + width] = picture
    return wide


def times_of(picture: np.ndarray) -> tuple[float, float]:
    """Processor seconds of a whole look at the picture enlarged to 12 MP, and of decoding it."""
    import tempfile

    scale = (12.0e6 / (picture.shape[0] * picture.shape[1])) ** 0.5
    large = cv2.resize(picture, None, fx=scale, fy=scale, interpolation=cv2.INTER_CUBIC)
    noisy = np.clip(large + np.random.default_rng(0).normal(0, 6, large.shape), 0, 255).astype(np.uint8)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "twelve.jpg"
        cv2.imwrite(str(path), noisy, [cv2.IMWRITE_JPEG_QUALITY, 92])
        survey.look(path)
        whole, decode = [], []
        for _ in range(15):  # in turn: other work on the machine then slows both
            start = time.process_time()
            survey.look(path)
            whole.append(time.process_time() - start)
            start = time.process_time()
            cv2.imread(str(path))
            decode.append(time.process_time() - start)
    return float(np.median(whole)), float(np.median(decode))


def main() -> None:
    """Print the table; write it to benchmarks.md."""
    import bench_alignment
    import bench_colour
    import bench_compare
    import bench_patches
    import bench_plots
    import bench_real
    import bench_season

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--labelled", type=Path)
    parser.add_argument("--rendered", type=Path, action="append", default=[])
    options = parser.parse_args()
    folders = options.rendered or [ROOT / "tests/data/rendered"]
    rows = [*spot_rows(folders), *lawn_rows(folders), *region_rows(folders), *bench_colour.rows(folders)]
    rows += [*bench_real.rows(), *time_rows()]
    rows += [*bench_season.rows(labelled=options.labelled), *bench_compare.rows()]
    rows += [*bench_patches.rows(), *bench_plots.rows()]
    rows += bench_alignment.rows(options.rendered)
    if options.labelled:
        rows += labelled_rows(options.labelled)
    digests = ", ".join(f"{name} {models.digest(name)[:12]}" for name in measurement.MODELS)
    about = f"# What turfeye reaches\n\nPrinted by `make bench`. Models: {digests}.\n\n"
    text = about + bench_row.table(rows)
    print(text)
    (ROOT / "benchmarks.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
