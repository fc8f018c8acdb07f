"""Rows of the bench about colour: one turf in many lights, the standard disks, photographs of charts."""

from __future__ import annotations

import csv
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from unittest import mock

import bench_row
import numpy as np
from bench_row import Row, row

from turfeye import card, colour, leafcolour, photo, reflectance, series, summary, survey, sward
from turfeye.colourmatrix import apply_matrix
from turfeye.colourspace import LUMINANCE, decode, delta_e, dgci, encode, lab
from turfeye.errors import TurfeyeError
from turfeye.records import CardValues, Sighting
from turfeye.simulate.card_sheet import card_texture
from turfeye.simulate.phone import MAKES, Phone, random_phone, shoot

ROOT = Path(__file__).resolve().parent.parent
Seen = dict[str, float]
"""What one photo says, by name."""
FIVE = (
    "sun",
    "overcast",
    "shade",
    "evening",
    "warm",
    "cold",
)  # six photos: a wrong white balance has two sides
HARSH = ("harsh-warm", "harsh-cold")
DISKS = np.array([[87, 108, 67], [231, 199, 31]])
DISKS_DGCI = np.array([0.5722, 0.0733])  # Rorie et al. 2011, from memory
LIGHTS = {
    "daylight": (1, 1, 1),
    "shade": (0.78, 1, 1.45),
    "under leaves": (0.9, 1.08, 0.85),
    "lamp": (1.35, 1, 0.5),
}


def light_rows(folders: list[Path]) -> Iterable[Row]:
    """The same turf in several lights: ``lights-N-LIGHT.jpg``, of make_samples.py --sets lights."""
    spots: dict[str, dict[str, Path]] = defaultdict(dict)
    for path in sorted(p for folder in folders for p in folder.rglob("lights-*.jpg")):
        _, spot, light = path.stem.split("-", 2)
        spots[spot][light] = path
    seen = {spot: {light: _look(path) for light, path in looks.items()} for spot, looks in spots.items()}
    for name, lights in (("five lights", FIVE), ("white balance off by three stops", ("overcast", *HARSH))):
        looks = [[one for light in lights if (one := of.get(light))] for of in seen.values()]
        known = [some for some in looks if len(some) > 1]
        if known:
            lost = len(seen) * len(lights) - sum(map(len, looks))
            yield from (_index_row(name, known, lost), _cover_row(name, known), _rank_row(name, known))


def _over_lights(known: list[list[Seen]], field: str) -> np.ndarray:
    """A figure's spread over the photos of each spot."""
    return np.array([_spread([look[field] for look in some]) for some in known])


def _index_row(name: str, known: list[list[Seen]], lost: int) -> Row:
    every = [look for some in known for look in some]
    without, withheld, green = (
        sum(look[field] for look in every) for field in ("without", "withheld", "green")
    )
    index, none_withheld = (_figures(_over_lights(known, field)) for field in ("dgci", "dgci_all"))
    return row(
        f"same turf, {name}: DGCI, sd over lights",
        f"{index}; with none withheld for its error {none_withheld}; uncorrected "
        f"{_over_lights(known, 'raw').mean():.4f}; {without:.0f} of {len(every)} photos without an index, "
        f"withheld in {withheld:.0f} of {green:.0f} green cells of the others; "
        f"{lost} not rendered or refused",
        "≤ 0.015",
    )


def _cover_row(name: str, known: list[list[Seen]]) -> Row:
    cover, raw = (100 * _over_lights(known, field).mean() for field in ("cover", "raw_cover"))
    value = f"{cover:.2f} points; uncorrected {raw:.2f}"
    return row(f"same turf, {name}: cover, sd over lights", value, "≤ 1.5 points")


def _rank_row(name: str, known: list[list[Seen]]) -> Row:
    ranked = [(one, len(some)) for some in known for one in series.ranked(some, [0] * len(some))]
    apart = [one["rank_low"] > 1 or one["rank_high"] < places for one, places in ranked]
    return row(
        f"same turf, {name}: photos ranked as surely greener or less green than another of it",
        f"{sum(apart)} of {len(apart)}",
        "none: it is one turf",
    )


def _spread(values: list[float]) -> float:
    """Standard deviation of what is known, NaN for fewer than two."""
    known = np.array(values)[np.isfinite(values)]
    return float(known.std(ddof=1)) if len(known) > 1 else float("nan")


def _figures(spreads: np.ndarray) -> str:
    if np.isnan(spreads).all():
        return "withheld"
    return f"{np.nanmean(spreads):.4f} ({', '.join(f'{v:.3f}' for v in spreads)})"


def _look(path: Path) -> Seen | None:
    """DGCI and cover, corrected and not, how many cells have no colour; None where the photo is refused."""
    try:
        one = survey.look(path)
        with mock.patch.object(leafcolour, "MOST_INDEX_SE", np.inf):
            every = survey.look(path).table.dgci
    except TurfeyeError as error:
        print(f"  {path.name}: {error}")
        return None
    table = one.table
    plain = one.photo.rgb_coded[::3, ::3]
    shares = sward.classify(np.ascontiguousarray(plain))
    green = plain[shares.green >= 0.6]
    withheld = np.char.startswith(table.why, "colour withheld")
    return {
        "dgci": _mean(table.dgci, table.seen),
        "dgci_all": _mean(every, table.seen),
        "cover": float(np.nanmean(table.cover)),
        "cover_se": summary.means(table)["cover_se"],
        "raw": float(dgci(green).mean()) if len(green) else np.nan,
        "raw_cover": float(shares.green.mean()),
        "without": float(not np.isfinite(table.dgci).any()),
        "withheld": float(withheld.sum()),
        "green": float((withheld | np.isfinite(table.dgci)).sum()),
    }


def _mean(values: np.ndarray, weight: np.ndarray) -> float:
    known = np.isfinite(values)
    return float(np.average(values[known], weights=weight[known])) if known.any() else np.nan


def disk_scene() -> np.ndarray:
    """Linear light of a card beside two flat disks' colours, (H, W, 3)."""
    sheet = card_texture(3)
    height, width = sheet.shape[:2]
    texture = np.exp(np.random.default_rng(0).normal(0, 0.3, (height + 500, width + 300, 1)))
    scene = (texture * [0.05, 0.09, 0.025]).astype(np.float32)
    scene[350 : 350 + height, 150 : 150 + width] = sheet
    for k, disk in enumerate(decode(DISKS)):
        scene[80:300, 300 + 400 * k : 600 + 400 * k] = disk
    return scene


def disk_errors(light: tuple[float, float, float], phone: Phone, folder: Path) -> np.ndarray:
    """How far the two disks' index is off, corrected and not, (2, 2)."""
    lit = disk_scene() * np.array(light, np.float32)
    path = folder / "disks.jpg"
    white = 0.62 * float(np.dot(light, LUMINANCE))
    path.write_bytes(shoot(lit, phone, seed=1, taken=datetime(2026, 4, 1, 10), white=white))
    shot = photo.read(path)
    correction = colour.fit(card.find(shot), card.NOMINAL)
    parts = [np.ascontiguousarray(shot.rgb_coded[120:260, 340 + 400 * k : 560 + 400 * k]) for k in range(2)]
    means = [reflectance.to_linear(part, correction).reshape(-1, 3).mean(axis=0) for part in parts]
    corrected = dgci(encode(np.array(means)))
    plain = dgci(np.array([part.reshape(-1, 3).mean(axis=0) for part in parts]))
    return np.stack([corrected, plain]) - DISKS_DGCI


def disk_rows() -> Iterable[Row]:
    """The standard disks through eight simulated phones in four lights."""
    phones = [*MAKES, *(random_phone(np.random.default_rng(100 + k)) for k in range(4, 8))]
    with tempfile.TemporaryDirectory() as folder:
        for name, light in LIGHTS.items():
            off = np.array([disk_errors(light, phone, Path(folder)) for phone in phones])
            corrected, plain = np.abs(off[:, 0]), np.abs(off[:, 1])
            yield row(
                f"standard disks, {name}, 8 phones: DGCI off, green; yellow",
                f"mean {corrected[:, 0].mean():.3f}, worst {corrected[:, 0].max():.3f}; "
                f"mean {corrected[:, 1].mean():.3f}, worst {corrected[:, 1].max():.3f} "
                f"(uncorrected {plain[:, 0].mean():.3f}; {plain[:, 1].mean():.3f})",
                "≤ 0.02",
            )


def chart_rows() -> Iterable[Row]:
    """Photographs of a 24-patch chart, read by tools/chart_photos.py: the patches that were not fitted."""
    lines = (ROOT / "tests/data/chart_photos.csv").read_text(encoding="utf-8").splitlines()
    photos = defaultdict(list)
    for patch in csv.DictReader(line for line in lines if not line.startswith("#")):
        photos[patch["picture"]].append([float(v) for v in list(patch.values())[2:]])
    for picture, patches in photos.items():
        codes, linear = np.hsplit(np.array(patches), 2)
        neutral = np.arange(24) >= 18
        names = tuple(map(str, range(24)))
        greys = colour.fit(
            *chart(codes[18:], CardValues(names[18:], linear[18:], neutral[18:], measured=False))
        )
        whole = colour.fit(*chart(codes, CardValues(names, linear, neutral, measured=True)))
        got = apply_matrix(colour.tone_to_linear(codes, greys.tone) * greys.gain, greys.matrix)
        off = delta_e(lab(got), lab(linear))[~neutral].mean()
        yield row(
            f"chart photograph, {picture}: mean ΔE00 on greys alone; with a matrix, left out",
            f"{off:.1f}; {whole.delta_e_mean:.1f}",
            "≤ 6; ≤ 3",
        )


def chart(codes: np.ndarray, values: CardValues) -> tuple[Sighting, CardValues]:
    """A chart's readings as the card's would be."""
    empty, clipped = np.empty((0, 4, 2)), (codes >= 252).any(axis=1) | (codes.max(axis=1) <= 3)
    spread = np.full(len(codes), 0.02)
    place = (empty, empty, np.eye(3), 0.0, np.zeros((4, 2)))
    return Sighting(-1, *place, values.names, codes, spread, clipped, float("nan")), values


def rows(folders: list[Path]) -> Iterable[Row]:
    """All of them."""
    yield from light_rows(folders)
    yield from disk_rows()
    yield from chart_rows()


if __name__ == "__main__":
    bench_row.show(rows([Path(p) for p in sys.argv[1:]] or [ROOT / "rendered/bench"]))
