"""Foreshortening: whether the green lies flat on the ground, by how its texture is seen obliquely.

What lies flat looks shorter towards the camera, by the cosine of the zenith angle, so its picture changes
faster that way than across. Standing blades are seen from the side: they show their length instead. Where
nothing stands nothing is hidden, and cover from straight above is what is seen.

How much faster depends on the grain too: grain finer than a pixel looks alike both ways. How fine it is, a
light blur says. Of a texture whose power falls with frequency as f^-a a blur of width w leaves squared
gradients that go as w^(a - 4), and along over across those of its oblique picture differ by about a / 4 of
what one ripple's do, in logarithms (by the integrals over all directions: none for a = 0, half for a = 2, all
for a = 4). Noise and a file's compression lower both alike. What a moving phone smears is smeared one way all
over the picture, however obliquely the ground is seen, and is told from that.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import cv2
import numpy as np

from turfeye import view
from turfeye.records import Bytes, Flags, Floats, View

WINDOW_PX: Final = 48
"""Side of a window of the photo's own pixels, small enough to be seen at one angle."""
RIM_PX: Final = 4
LEAST_WINDOWS, MOST_WINDOWS = 60, 240
"""Evenly out of all that count: more make nothing surer, and take time."""
LEAST_GREEN, LEAST_USABLE = 0.3, 0.95
"""Shares of a window that are green, and without a fault: soil by itself says nothing of leaves."""
ZENITH_DEG: Final = (20.0, 65.0)
BLUR_PX, OWN_BLUR_PX = 1.0, 0.6
"""Standard deviations of the light blur, and of what the photo itself has: lens, mosaic and sharpening."""
LEAST_FALL: Final = 0.8
"""With a power that falls less the grain is too fine to tell by."""
STANDING, FLAT = 0.55, 0.65
"""Likeness less its error up to which leaves are taken to stand as usual, and from which on all are taken to
lie flat. Standing turf, 58 rendered photos, has 0.39 at most, sharpened, small, noisy or moved ones 0.48;
flat lawns drawn in many ways 0.57 and more where their grain is seen. Drawn seedlings 12 mm high, leaning as
far, have 0.54, blades that sprawl 0.65 (docs/tried.md)."""
UNLIKE: Final = 0.1
"""So much photos of one lawn's green differ beside their errors: of real turf laid flat over five dates 0.07
and 0.1 (docs/tried.md)."""


def lying(likeness: float, se: float) -> float:
    """How much of the green lies flat, how surely, by a likeness and its error: 0 where it stands, to 1."""
    return float(np.clip((likeness - se - STANDING) / (FLAT - STANDING), 0, 1))


def of_all(lie: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """One likeness and its error for all photos of a lawn, whose green lies alike, from those of each."""
    likeness, se = np.array(lie).T
    weight = 1 / (se**2 + UNLIKE**2)
    return float(np.average(likeness, weights=weight)), float(weight.sum() ** -0.5)


def flat_likeness(rgb_coded: Bytes, seen: View, green: Floats, usable: Flags) -> tuple[float, float]:
    """Foreshortening of the green as a share of what it is if all lies flat, and its error; 0 where nothing
    tells.

    Parameters
    ----------
    rgb_coded : (H, W, 3), the photo's own pixels, and ``seen`` its view
    green, usable : (h, w), at the working size: share of green, and pixels of the lawn without a fault
    """
    middles, weight = _windows(rgb_coded.shape[:2], seen, green, usable)
    if len(middles) < LEAST_WINDOWS:
        return 0.0, 0.0
    along, ripple = _flat(seen, middles)
    luma = _luma(rgb_coded, middles)
    sharp = _along_and_across(luma, along)
    soft = _along_and_across(np.asarray(cv2.GaussianBlur(luma, (0, 0), BLUR_PX)), along)
    ratio = (np.log(sharp[0] / sharp[1]) + np.log(soft[0] / soft[1])) / 2
    lost = np.log(sharp[0] * sharp[1] / (soft[0] * soft[1])) / np.log(1 + (BLUR_PX / OWN_BLUR_PX) ** 2)
    root = np.sqrt(weight)
    fall = 4 - np.polyval(np.polyfit(ripple, lost, 1, w=root), ripple)  # grain is finer farther off
    flat = ripple * np.clip(fall, LEAST_FALL, 4) / 4
    turn = 2 * np.arctan2(along[:, 1], along[:, 0])
    terms = np.column_stack([flat, np.cos(turn), np.sin(turn)]) * root[:, None]
    found, *_ = np.linalg.lstsq(terms, root * ratio, rcond=None)
    left = np.sum((root * ratio - terms @ found) ** 2) / (len(ratio) - 3)
    se = float(np.sqrt(left * np.linalg.inv(terms.T @ terms)[0, 0]))
    plain = float(np.sum(weight * ratio) / np.sum(weight * flat))
    return min(float(found[0]), plain), se


def _windows(shape: tuple[int, ...], seen: View, green: Floats, usable: Flags) -> tuple[Floats, Floats]:
    """Middles (N, 2) of the windows that count, in the photo's pixels, and the share of green in each."""
    rows, cols = shape[0] // WINDOW_PX, shape[1] // WINDOW_PX
    if min(rows, cols) < 3:
        return np.empty((0, 2)), np.empty(0)
    some = usable[::4, ::4].astype(np.float32)
    share, free = (
        np.asarray(cv2.resize(plane, (cols, rows), interpolation=cv2.INTER_AREA), float)
        for plane in (np.asarray(green[::4, ::4], np.float32) * some, some)
    )
    y, x = np.mgrid[:rows, :cols]
    middles = np.stack([(x + 0.5) * shape[1] / cols, (y + 0.5) * shape[0] / rows], axis=-1) - 0.5
    zenith = view.zenith_deg(seen, view.unproject(seen, middles))
    counts = (share >= LEAST_GREEN) & (free >= LEAST_USABLE)
    counts &= (zenith > ZENITH_DEG[0]) & (zenith < ZENITH_DEG[1])  # not NaN, above the horizon
    counts[[0, -1]] = counts[:, [0, -1]] = False  # their rims lie beside the picture
    which = np.flatnonzero(counts)
    which = which[:: max(1, -(-len(which) // MOST_WINDOWS))]
    return middles.reshape(-1, 2)[which], share.ravel()[which]


def _flat(seen: View, middles: Floats) -> tuple[Floats, Floats]:
    """(N, 2) the direction in the picture along which flat ground is shortened most, and the log ratio of the
    squared gradients of one ripple along it and across it, (N,)."""
    plane = seen.plane
    ground = view.unproject(seen, middles)
    depth = (ground @ plane[:, :2].T + plane[:, 2])[:, 2, None, None]
    to_pixels = (plane[None, :2, :2] - middles[:, :, None] * plane[None, 2:, :2]) / depth
    ways, lengths, _ = np.linalg.svd(to_pixels)
    return ways[:, :, 1], 2 * np.log(lengths[:, 0] / lengths[:, 1])


def _luma(rgb_coded: Bytes, middles: Floats) -> Floats:
    """The windows with their rims, one below the other, (N * side, side), coded brightness."""
    half = WINDOW_PX // 2 + RIM_PX
    places = np.rint(middles).astype(int).tolist()
    pieces = [rgb_coded[y - half : y + half, x - half : x + half] for x, y in places]
    return np.asarray(cv2.cvtColor(np.concatenate(pieces), cv2.COLOR_RGB2GRAY), np.float32)


def _along_and_across(luma: Floats, along: Floats) -> tuple[Floats, Floats]:
    """(N,) sums of squared gradients of each window along a direction (N, 2) and across it."""
    side = WINDOW_PX + 2 * RIM_PX
    pictures = luma.reshape(-1, side, side)
    inner, less, more = (slice(RIM_PX + k, side - RIM_PX + k) for k in (0, -1, 1))
    by_x = pictures[:, inner, more] - pictures[:, inner, less]
    by_y = pictures[:, more, inner] - pictures[:, less, inner]
    xx, yy, xy = (np.einsum("nij,nij->n", a, b) for a, b in ((by_x, by_x), (by_y, by_y), (by_x, by_y)))
    x, y = along.T
    both, least = 2 * x * y * xy, 1e-3 * WINDOW_PX**2  # least: even, or burnt out
    return x**2 * xx + y**2 * yy + both + least, y**2 * xx + x**2 * yy - both + least
