"""Cards as they lie in photos that were handed on: how often each is found, read right, and placed how well.

    python tools/bench_cards.py rendered/tune [--long 1280] [--quality 60] [--draws 3] [--only blurred ...]

Into each rendered lawn view a card is drawn at a random place, turned at random (its own card is taken out:
turf from beside it lies over it), in the light of the card that lay there. Then something happens to it, and
the photo is made smaller and recompressed. "none" takes the card out and draws no other: none may be found.
All of it is invented.
"""

from __future__ import annotations

import argparse
import io
import time
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from PIL import Image
from rendered_truth import corners_of, lawn_view, outline_of, pictures

from turfeye import card, view
from turfeye.card_layout import CARD, PAPER
from turfeye.colourspace import decode, encode
from turfeye.errors import TurfeyeError
from turfeye.marks import project
from turfeye.records import Bytes, Floats, Photo
from turfeye.simulate.card_sheet import PAPER_M, card_texture

DPI = 60.0
SPAN_M = 0.4  # what is drawn around a card's middle, to each side
OVER = 4  # a card is drawn so many times finer, then averaged
NEAR_M, FAR_M = 2.0, 6.5
Draw = Callable[[Floats, np.random.Generator], Floats]
"""Takes a card's square, (N, N, 5): reflectance, how much it covers, the light on all; changes it."""


def sheet(spot: int) -> Floats:
    """A square of SPAN_M to each side of the card's middle, (N, N, 5): reflectance, coverage, light."""
    texture = card_texture(spot, dpi=DPI)
    side = round(2 * SPAN_M / 0.0254 * DPI)
    square = np.zeros((side, side, 5), np.float32)
    square[..., 4] = 1
    top, left = (side - texture.shape[0]) // 2, (side - texture.shape[1]) // 2
    part = square[top : top + texture.shape[0], left : left + texture.shape[1]]
    part[..., :3], part[..., 3] = texture, 1
    return square


def as_it_is(square: Floats, rng: np.random.Generator) -> Floats:
    return square


def nothing(square: Floats, rng: np.random.Generator) -> Floats:
    square[..., :4] = 0
    return square


def half_shaded(square: Floats, rng: np.random.Generator) -> Floats:
    side = len(square)
    x, y = np.meshgrid(*(2 * [np.linspace(-1, 1, side)]))
    turn = rng.uniform(0, 2 * np.pi)
    lit = 1 / (1 + np.exp(-40 * (x * np.cos(turn) + y * np.sin(turn) - rng.uniform(-0.1, 0.1))))
    square[..., 4] = 0.2 + 0.8 * lit
    return square


def wet(square: Floats, rng: np.random.Generator) -> Floats:
    """Paper that drinks is darker; a part of it mirrors the sky."""
    square[..., :3] *= 0.8
    x, y = np.meshgrid(*(2 * [np.linspace(-1, 1, len(square))]))
    at = rng.uniform(-0.25, 0.25, 2)
    veil = 0.6 * np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / 0.03)
    square[..., :3] = square[..., :3] * (1 - veil[..., None]) + 0.9 * veil[..., None]
    return square


def dirty(square: Floats, rng: np.random.Generator) -> Floats:
    side = len(square)
    for _ in range(14):
        at = rng.integers(side // 4, 3 * side // 4, 2)
        blot = np.zeros((side, side), np.float32)
        cv2.circle(blot, at.tolist(), int(rng.integers(4, 27)), float(rng.uniform(0.3, 0.9)), -1)
        blot = cv2.GaussianBlur(blot, (0, 0), 4)[..., None]
        square[..., :3] = square[..., :3] * (1 - blot) + blot * np.float32([0.12, 0.08, 0.05])
    return square


def under_blades(square: Floats, rng: np.random.Generator) -> Floats:
    """Thirty blades of 3 mm, most of them over the sheet's edges."""
    side = len(square)
    per_m, drawn = side / (2 * SPAN_M), square[..., :4].copy()  # OpenCV draws in four channels at most
    for _ in range(30):
        edge = rng.integers(0, 4)
        along = rng.uniform(-1, 1)
        on = np.array([(along, 1), (1, along), (along, -1), (-1, along)][edge]) * np.array(PAPER_M) / 2
        reach = rng.normal(0, 0.05, 2)
        ends = ((np.array([on - reach, on + reach]) + SPAN_M) * per_m).round().astype(int)
        green = (rng.uniform(0.6, 1.3) * np.array([0.08, 0.16, 0.03])).tolist()
        cv2.line(drawn, ends[0].tolist(), ends[1].tolist(), [*green, 1.0], max(1, round(0.003 * per_m)))
    square[..., :4] = drawn
    return square


def leaf_over_corner(square: Floats, rng: np.random.Generator) -> Floats:
    """A leaf that hides a mark and the sheet's corner beside it."""
    per_m = len(square) / (2 * SPAN_M)
    corner = CARD.marker_centres_mm[rng.integers(0, 4)] / 1000
    at = ((np.array([corner[0], -corner[1]]) * 1.1 + SPAN_M) * per_m).round().astype(int)
    axes = np.round([0.045 * per_m, 0.034 * per_m]).astype(int)
    turn = float(rng.uniform(0, 180))
    drawn = square[..., :4].copy()
    cv2.ellipse(drawn, at.tolist(), axes.tolist(), turn, 0, 360, (0.25, 0.14, 0.05, 1.0), -1)
    square[..., :4] = drawn
    return square


def folded(square: Floats, rng: np.random.Generator) -> Floats:
    """Once folded in four: a dark crease, one half of it in slightly other light and 3 % shorter."""
    side = len(square)
    middle = side // 2
    size = round(0.97 * (side - middle)), side
    half = cv2.resize(square[:, middle:, :4], size, interpolation=cv2.INTER_AREA)
    square[:, middle:, :4] = 0
    square[:, middle : middle + half.shape[1], :4] = half
    square[:, middle:, :3] *= 0.85
    square[:, middle - 2 : middle + 2, :3] *= 0.7
    return square


def on_a_white_board(square: Floats, rng: np.random.Generator) -> Floats:
    board = square[..., 3] == 0
    inside = np.zeros_like(board)
    edge = len(square) // 10
    inside[edge:-edge, edge:-edge] = True
    square[board & inside] = (0.7, 0.7, 0.68, 1.0, 1.0)
    return square


def trimmed(square: Floats, rng: np.random.Generator) -> Floats:
    """Cut to the line around its active area."""
    per_m = len(square) / (2 * SPAN_M)
    x, y = (round((SPAN_M - half / 2000) * per_m) for half in (CARD.width_mm, CARD.height_mm))
    keep = square[y:-y, x:-x].copy()
    square[..., :4] = 0
    square[y:-y, x:-x] = keep
    return square


HAPPENS: dict[str, tuple[Draw, Callable[[Floats, np.random.Generator], Floats]]] = {
    "as it is": (as_it_is, as_it_is),
    "half shaded": (half_shaded, as_it_is),
    "wet": (wet, as_it_is),
    "dirty": (dirty, as_it_is),
    "under blades": (under_blades, as_it_is),
    "leaf over a corner": (leaf_over_corner, as_it_is),
    "folded": (folded, as_it_is),
    "on a white board": (on_a_white_board, as_it_is),
    "trimmed": (trimmed, as_it_is),
    "out of focus": (as_it_is, lambda light, rng: cv2.GaussianBlur(light, (0, 0), rng.uniform(1.0, 2.0))),
    "shaken": (as_it_is, lambda light, rng: shaken(light, rng)),
    "none": (nothing, as_it_is),
}
"""What happens to the card, and what to the photo."""


def shaken(light: Floats, rng: np.random.Generator) -> Floats:
    reach, turn = rng.uniform(2.0, 5.0), rng.uniform(0, np.pi)
    kernel = np.zeros((9, 9), np.float32)
    step = 0.5 * reach * np.array([np.cos(turn), np.sin(turn)])
    ends = (np.array([4 - step, 4 + step]) * 16).round().astype(int)
    cv2.line(kernel, ends[0].tolist(), ends[1].tolist(), 1.0, 1, cv2.LINE_AA, 4)
    return np.asarray(cv2.filter2D(light, -1, kernel / kernel.sum()))


def laid(light: Floats, square: Floats, to_px: Floats) -> Floats:
    """The square through a homography, metres to pixels, averaged, on a picture in linear light."""
    side = len(square)
    per_m = side / (2 * SPAN_M)
    to_m = np.array([[1 / per_m, 0, -SPAN_M + 0.5 / per_m], [0, -1 / per_m, SPAN_M - 0.5 / per_m], [0, 0, 1]])
    rim = project(to_px, SPAN_M * np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]))
    low = np.floor(rim.min(axis=0)).astype(int).clip(0)
    high = np.minimum(np.ceil(rim.max(axis=0)).astype(int) + 1, light.shape[1::-1])
    fine = np.array(
        [[OVER, 0, (OVER - 1) / 2 - OVER * low[0]], [0, OVER, (OVER - 1) / 2 - OVER * low[1]], [0, 0, 1]]
    )
    size = tuple(((high - low) * OVER).tolist())
    square = square.copy()
    square[..., :3] *= square[..., 3:4]
    square[..., 4] -= 1  # beyond the square nothing changes
    drawn, lit = (
        cv2.resize(
            cv2.warpPerspective(some, fine @ to_px @ to_m, size, flags=cv2.INTER_LINEAR),
            None,
            fx=1 / OVER,
            fy=1 / OVER,
            interpolation=cv2.INTER_AREA,
        )
        for some in (square[..., :4], square[..., 4])  # OpenCV takes four channels at most
    )
    out = light.copy()
    part = out[low[1] : high[1], low[0] : high[0]]
    part[:] = (drawn[..., :3] + (1 - drawn[..., 3:]) * part) * (1 + lit[..., None])
    return out


def without_card(light: Floats, corners_px: Floats) -> Floats:
    """Turf from beside it over the card."""
    low = (corners_px.min(axis=0) - 18).astype(int)
    high = (corners_px.max(axis=0) + 18).astype(int)
    wide = high[0] - low[0]
    left = low[0] - wide if low[0] >= wide else high[0]
    out = light.copy()
    out[low[1] : high[1], low[0] : high[0]] = light[low[1] : high[1], left : left + wide]
    return out


def scene(picture: Path, what: str, seed: int) -> tuple[Bytes, Floats, int] | None:
    """The photo with a card drawn in, its true corners (4, 2) and number; None where it had no card."""
    rng = np.random.default_rng([seed, *picture.stem.encode()])
    shot, seen, _ = lawn_view(picture)
    try:
        own = card.find(shot)
    except TurfeyeError:
        return None
    paper = decode(own.patch_rgb_coded[[0, 6]]).mean(axis=0) / PAPER
    corners = corners_of(picture, "card")
    outline = outline_of(picture)
    width, height = shot.size_px
    while True:
        at = rng.uniform(outline.min(axis=0) + 0.3, outline.max(axis=0) - 0.3)
        away = float(np.linalg.norm(at - seen.camera_m[:2]))
        turn = rng.uniform(0, 2 * np.pi)
        by = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        there = at + CARD.corners_mm / 1000 @ by.T
        to_px, _ = cv2.findHomography(CARD.corners_mm / 1000, view.project(seen, there), 0)
        rim = project(to_px, SPAN_M * np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]]))
        inside = (rim > 20).all() and (rim < np.array([width, height]) - 20).all()
        if inside and NEAR_M < np.hypot(away, seen.height_m) < FAR_M:
            break
    spot = int(rng.integers(100, 146))
    on_card, on_photo = HAPPENS[what]
    square = on_card(sheet(spot), rng)
    square[..., :3] *= np.asarray(paper, np.float32)
    light = without_card(decode(np.arange(256.0)).astype(np.float32)[shot.rgb_coded], corners)
    light = on_photo(laid(light, square, to_px), rng)
    return np.rint(encode(light)).astype(np.uint8), project(to_px, CARD.corners_mm / 1000), spot


def handed_on(rgb: Bytes, long_px: int, quality: int) -> tuple[Bytes, float]:
    """Made smaller and recompressed (4:2:0), and its scale."""
    scale = long_px / max(rgb.shape)
    size = round(rgb.shape[1] * scale), round(rgb.shape[0] * scale)
    held = io.BytesIO()
    Image.fromarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)).save(
        held, "JPEG", quality=quality, subsampling=2
    )
    return np.asarray(Image.open(held).convert("RGB")), scale


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--long", type=int, nargs="+", default=[1600, 1280], help="long side, pixels")
    parser.add_argument("--quality", type=int, default=60, help="of the JPEG")
    parser.add_argument("--draws", type=int, default=2, help="cards drawn into each picture, one at a time")
    parser.add_argument("--only", nargs="*", default=list(HAPPENS), choices=list(HAPPENS))
    options = parser.parse_args()
    cv2.setNumThreads(1)
    print("| card | long side, px | marks, px | found | read wrongly | corners off, px (mean, most) "
          "| told | ms |")  # fmt: skip
    print("|---|---|---|---|---|---|---|---|")
    for what in options.only:
        drawn = [
            one
            for picture in pictures(options.folders, "lawn")
            for seed in range(options.draws)
            if (one := scene(picture, what, seed)) is not None
        ]
        for long_px in options.long:
            print(row(what, drawn, long_px, options.quality), flush=True)


def row(what: str, drawn: list[tuple[Bytes, Floats, int]], long_px: int, quality: int) -> str:
    sides: list[float] = []
    off: list[float] = []
    wrong, took = 0, 0.0
    told: list[str] = []
    for rgb, corners, spot in drawn:
        small, scale = handed_on(rgb, long_px, quality)
        true = (corners + 0.5) * scale - 0.5
        plane, _ = cv2.findHomography(CARD.corners_mm / 1000, true, 0)
        own = project(plane, CARD.marker_corners_mm / 1000).astype(np.float32)
        sides.append(float(np.mean([cv2.contourArea(mark) ** 0.5 for mark in own])))
        start = time.perf_counter()
        try:
            found = card.find(Photo(Path("x.jpg"), small, None, None, None, None, "0" * 64))
        except TurfeyeError as error:
            told.append(str(error))
            continue
        finally:
            took += time.perf_counter() - start
        miss = float(np.linalg.norm(found.corners_px - true, axis=1).max())
        if found.spot != spot or miss > 0.2 * sides[-1] or what == "none":
            wrong += 1
            continue
        off.append(miss)
    count = len(drawn) if what != "none" else 0
    there = ", ".join(f"{k} {t}" for t, k in _counted(told))
    far = f"{np.mean(off):.2f}, {np.max(off):.2f}" if off else "–"
    return (
        f"| {what} | {long_px} | {min(sides):.0f}–{max(sides):.0f} | {len(off)} of {count} | {wrong} | {far} "
        f"| {there or '–'} | {1000 * took / max(len(drawn), 1):.0f} |"
    )


def _counted(told: list[str]) -> list[tuple[str, int]]:
    return Counter(words[:32] for words in told).most_common(3)


if __name__ == "__main__":
    main()
