"""The sward classifier: what share of each pixel is green, straw, bare ground or something else.

A small convolutional network (models/sward.md says what it learnt from and how well it reads) sees each
pixel with its surroundings, so that the dark gap between blades is told from dark soil. It answers in
shares: a pixel with a blade across half of it is half green. Shares are linear in area, so a cell's cover
is their mean.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from turfeye import models
from turfeye.errors import PhotoError, ViewError
from turfeye.records import Bytes, Floats, Shares

MODEL = "sward.onnx"

WORKING_GSD_MM = 1.3
"""Ground sample distance at which blades are judged: finer photos are averaged down to it."""

LARGEST_PX = 2_000_000
"""Larger pictures are averaged down to so many pixels, whatever their scale."""

LARGE_PX = 640
"""The longer side of a picture in which only where turf is matters, not how dense."""

MIDDLE_CODE = 110
"""A corrected picture shows grass as dark as it is; the network learnt from photos, which a phone exposes to
please. So the corrected picture is brightened until its middle green is at this code."""

LEAF_HUE_DEG, LEAF_SATURATION = (58, 72, 150, 170), (0.12, 0.22)
"""Where a colour begins to be a leaf's and is one, where it still is and no longer. Straw has hues to 55."""

LEAST_LEAF = 0.05
"""Where no pixel has more of what is called other and has a leaf's colour, a picture is left as it is."""

LEAF_ROUGH = (0.10, 0.16)
"""Spread of log lightness: a thing is smoother than the first, turf mostly rougher than the second. Of real
turf (tests/data/real-ground) 95 % is above 0.16 to 0.24, of rendered turf above 0.10 to 0.44."""

_REACH = 12  # pixels that roughness looks around itself

_STRIDE = 16  # the network halves the picture four times
_MARGIN = 16  # mirrored rim, so that the picture's edge has surroundings too
_STRIP = 8  # rows turned into shares at a time: they stay in the processor's cache


def classify(rgb_coded: Bytes, *, gsd_mm: float | None = None) -> Shares:
    """Shares of green, straw, bare and other at every pixel.

    Parameters
    ----------
    rgb_coded : (H, W, 3) uint8, sRGB: as a phone exposes it. What a card has corrected is `exposed` first
    gsd_mm : ground sample distance in mm a pixel; None when not known, or when the picture was made small

    Returns
    -------
    Shares : four (H, W) float32, 0-1, adding up to 1

    Raises
    ------
    PhotoError : the picture has another shape or type
    ViewError : a ground sample distance that is no positive number
    ModelError : the model file is missing or changed

    >>> grey = np.full((40, 60, 3), 128, np.uint8)
    >>> shares = classify(grey, gsd_mm=1.0)
    >>> shares.green.shape, bool(shares.green.mean() < 0.1)
    ((40, 60), True)
    """
    _check(rgb_coded)
    height, width = rgb_coded.shape[:2]
    scale = working_scale((height, width), gsd_mm)
    picture = rgb_coded if scale == 1 else _resize(rgb_coded, scale)
    planes = judge(models.load_network(MODEL), picture)
    _take_tufts_back(picture, planes)
    if scale != 1:
        planes = [_enlarge(plane, width, height) for plane in planes]
    return Shares(*planes)


def at_large(rgb_coded: Bytes) -> Shares:
    """Shares at `LARGE_PX` on the longer side at most: where in a picture turf is, not how dense it is.

    Here shrubs, hedges and beds stay other. Raises PhotoError and ModelError as `classify` does.
    """
    _check(rgb_coded)
    scale = min(1.0, LARGE_PX / max(rgb_coded.shape))
    return Shares(*judge(models.load_network(MODEL), _resize(rgb_coded, scale)))


def _check(rgb_coded: Bytes) -> None:
    if rgb_coded.ndim != 3 or rgb_coded.shape[2] != 3 or rgb_coded.dtype != np.uint8 or rgb_coded.size == 0:
        raise PhotoError(
            f"wanted a picture of shape (H, W, 3) in uint8, got {rgb_coded.shape} in {rgb_coded.dtype}"
        )


def working_scale(shape: tuple[int, int], gsd_mm: float | NDArray | None = None) -> float:
    """How much smaller a picture (H, W) is judged, at most 1: the finest tenth of it decides.

    gsd_mm : ground sample distances in mm a pixel, one or any number all over the picture; NaN is passed over

    Raises ViewError when one is no positive number, or none is known.
    """
    scale = 1.0
    if gsd_mm is not None:
        known = np.asarray(gsd_mm, dtype=float)
        known = known[np.isfinite(known)]
        if known.size == 0 or known.min() <= 0:
            raise ViewError(f"wanted ground sample distances above 0 mm per pixel, got {gsd_mm!r}")
        scale = float(np.quantile(known, 0.1)) / WORKING_GSD_MM
    return min(1.0, scale, (LARGEST_PX / (shape[0] * shape[1])) ** 0.5)


def _resize(rgb_coded: Bytes, scale: float) -> Bytes:
    """Smaller by averaging over area."""
    height, width = rgb_coded.shape[:2]
    size = max(round(width * scale), 1), max(round(height * scale), 1)
    return np.asarray(cv2.resize(rgb_coded, size, interpolation=cv2.INTER_AREA), np.uint8)


def exposed(rgb_coded: Bytes) -> Bytes:
    """Brighter or darker in linear light, all channels alike, with a soft shoulder in place of clipping.

    Its middle green comes to lie at `MIDDLE_CODE`.
    """
    below = np.cumsum(cv2.calcHist([rgb_coded], [1], None, [256], [0, 256]).ravel().astype(float))
    middle = float(np.clip(np.searchsorted(below, below[-1] / 2), 10, 250))
    codes = (np.arange(256) / 255) * (MIDDLE_CODE / middle)
    above = np.maximum(codes**2.2 - 0.8, 0)
    light = np.minimum(codes**2.2, 0.8) + 0.2 * (1 - np.exp(-above / 0.2))
    table = np.rint(255 * light ** (1 / 2.2)).astype(np.uint8)
    return np.asarray(cv2.LUT(rgb_coded, table), np.uint8)


def _take_tufts_back(rgb_coded: Bytes, planes: list[Floats]) -> None:
    """Make green, in place, what was called other though it has a leaf's colour and is as rough as turf.

    The network learnt from gardens that islands of another texture are plants in beds, and reads a tuft on
    bare ground as other in part: of real turf laid over a third of real gravel it missed up to two thirds
    (tests/test_realground.py). A green thing that lies on the lawn is smoother.
    """
    green, _, _, other = planes
    coloured = _leaf_coloured(rgb_coded)
    likely = cv2.multiply(cv2.resize(other, coloured.shape[::-1], interpolation=cv2.INTER_AREA), coloured)
    rows, cols = (np.flatnonzero(cv2.reduce(likely, side, cv2.REDUCE_MAX) > LEAST_LEAF) for side in (1, 0))
    if rows.size == 0:
        return
    # mostly the card's green patches alone: only around them is more looked at
    ends = [(max(side[0] - _REACH // 2, 0), side[-1] + _REACH // 2 + 1) for side in (rows, cols)]
    half, box = (tuple(slice(times * low, times * high) for low, high in ends) for times in (1, 2))
    height, width = other[box].shape
    leaf = _enlarge(coloured[half], width, height) * _ramp(_roughness(rgb_coded[box]), *LEAF_ROUGH)
    leaf *= other[box]
    green[box] += leaf
    other[box] -= leaf


def _leaf_coloured(rgb_coded: Bytes) -> Floats:
    """(H / 2, W / 2), 0-1: how much the mean colour of about 2 x 2 pixels is a leaf's."""
    hsv = cv2.cvtColor(_resize(rgb_coded, 0.5), cv2.COLOR_RGB2HSV)
    low, full, still, high = LEAF_HUE_DEG
    codes = np.arange(256, dtype=np.float32)
    hue = _ramp(2 * codes, low, full) * _ramp(-2 * codes, -high, -still)
    saturation = _ramp(codes / 255, *LEAF_SATURATION)
    return np.asarray(cv2.LUT(hsv[..., 0], hue) * cv2.LUT(hsv[..., 1], saturation), np.float32)


def _roughness(rgb_coded: Bytes) -> Floats:
    """(H, W): how much lightness varies from pixel to pixel, in logarithms."""
    logs = np.log(np.arange(256, dtype=np.float32) + 8)  # 8: noise in the dark is no texture
    light = cv2.LUT(cv2.cvtColor(rgb_coded, cv2.COLOR_RGB2GRAY), logs)
    detail = light - cv2.blur(light, (7, 7))
    return np.asarray(cv2.sqrt(cv2.blur(detail * detail, (17, 17))), np.float32)


def _ramp(values: Floats, low: float, high: float) -> Floats:
    """0 up to ``low``, 1 from ``high``, straight between."""
    return np.clip((values - low) / np.float32(high - low), 0, 1)


def _enlarge(plane: Floats, width: int, height: int) -> Floats:
    return np.asarray(cv2.resize(plane, (width, height), interpolation=cv2.INTER_LINEAR), np.float32)


def judge(network: cv2.dnn.Net, rgb_coded: Bytes) -> list[Floats]:
    """A network over a whole picture, (H, W, 3) uint8: four (H, W) float32 in the order of Shares.

    The network takes and gives squares of 2 x 2 pixels, and gives its answer before the softmax
    (models/sward.md): at full size OpenCV's layers spend a third of its time on a few milliseconds' work.
    """
    height, width = rgb_coded.shape[:2]
    rim = _MARGIN + 1  # one more, which the first layer uses up
    down, right = (rim + -(side + _MARGIN) % _STRIDE for side in (height, width))
    framed = cv2.copyMakeBorder(rgb_coded, rim, down, rim, right, cv2.BORDER_REFLECT)
    squares = framed.reshape(framed.shape[0] // 2, 2, framed.shape[1] // 2, 2, 3).transpose(4, 1, 3, 0, 2)
    planes = squares.astype(np.float32, order="C").reshape(1, 12, *squares.shape[3:])
    rows, cols = (-(-side // 2) for side in (height, width))
    first = _MARGIN // 2
    inner = np.s_[0, :, first : first + rows, first : first + cols]
    shares = models.run(network, planes, lambda logits: _shares(logits[inner]))
    return list(shares[:, :height, :width])


def _shares(logits: Floats) -> Floats:
    """Softmax of four classes in squares of 2 x 2, (16, rows, cols), laid out as (4, 2 rows, 2 cols)."""
    rows, cols = logits.shape[1:]
    shares = np.empty((4, rows, 2, cols, 2), np.float32)
    for top in range(0, rows, _STRIP):
        part = logits[:, top : top + _STRIP].reshape(4, -1)
        part = np.asarray(cv2.exp(part - part.max(axis=0)))  # the largest taken off: exp can't overflow
        part /= part.sum(axis=0)
        squares = part.reshape(4, 2, 2, -1, cols)
        for y, x in np.ndindex(2, 2):
            shares[:, top : top + _STRIP, y, :, x] = squares[:, y, x]
    return shares.reshape(4, 2 * rows, 2 * cols)
