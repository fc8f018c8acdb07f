"""Whether a photo is sharp, block by block: movement and focus, told from the texture of turf itself."""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import cv2
import numpy as np

from turfeye.blocks import Blocks
from turfeye.records import Bytes, Flags, Floats

DIRECTIONS: Final = ((0, 1), (1, 0), (1, 1), (1, -1))  # rows and columns: right, down and the two diagonals
ACROSS = [1, 0, 3, 2]  # the direction across each
BEND_NOISE: Final = 1.0  # squared codes, of a sensor's noise after a phone's own smoothing
LEAST_BEND: Final = 4.0  # squared codes across the movement; flatter blocks say nothing about it
COARSER: Final = 8  # times; seen so much coarser, turf shows a movement hardly, but still how it is combed
MOST_ACROSS: Final = 1.4  # ridges, furrows and far ground seen flat make coarse bends that no blade has
SHAKEN: Final = 0.36  # bends along over those across, in the middle block of a photo taken in motion
SHAKEN_BLOCK: Final = 0.6  # and in any block of such a photo
MOVED_BLOCK: Final = 0.12  # in a block by itself, whatever the others do

FINE_SIGMA, COARSE_SIGMA = 1.0, 2.0  # pixels
FINE_NOISE: Final = 1.0  # squared codes of noise above the finer one
SOFT_RATIO: Final = 0.55
LEAST_COARSE: Final = 0.6  # squared codes between the two; flatter blocks say nothing by themselves
MOSTLY: Final = 0.5
"""Of the blocks soft or flat: sound gardens have 0.30 at most, of which sky is a large part."""
EDGE_RATIO: Final = 0.2
"""What is finer than one pixel for what lies between one and two, in the sharpest tenth of a picture's blocks
that are not flat: 0.03 at most where a blur of 3 pixels and more left hardly anything, 0.32 and more in
lawns drawn in even colours, whose edges are as sharp as the photo."""


def moved(luma: Bytes, blocks: Blocks) -> Flags:
    """Blocks that a movement blurred: bends along it are small beside those across.

    A bend is how far a pixel differs from the mean of its two neighbours. Grass combed by wind or a mower
    bends less along its blades too, but a blade is long beside a movement: seen eight times coarser, moved
    turf is alike all ways again, combed turf is still combed. So the mean square of bends along over those
    across is taken in parts of what it is there. In the middle block it is 0.77 and more in sound rendered
    spots, 0.63 and more in drawn blades that lean within 3 to 40 degrees of one direction, 0.41 and more in
    rendered gardens and in 109 of 110 field photographs (0.38 in one that looks moved), 0.36 and less
    after all but three of 75 movements of 4.5 to 15 pixels. These were counted before `MOST_ACROSS`, which
    can only raise the ratio: what is sound stays so, and of 894 cells moved by 9 pixels of the photo 99 % are
    found with it. A camera's movement is the same all over, so all blocks are judged in the photo's own
    direction, if it has one.
    """
    along, told = _along(luma, blocks, times=4, every=3)
    if not told.any():
        return told
    width, height = (max(side // COARSER, 4) for side in luma.shape[::-1])
    smaller = np.asarray(cv2.resize(luma, (width, height), interpolation=cv2.INTER_AREA), np.uint8)
    coarse, _ = _along(smaller, blocks, times=8, every=1)
    along /= np.minimum(np.median(coarse, axis=(1, 2)), MOST_ACROSS)[:, None, None]
    found = along.min(axis=0) < MOVED_BLOCK
    middle = np.median(along[:, told], axis=1)
    if middle.min() < SHAKEN:
        found |= along[middle.argmin()] < SHAKEN_BLOCK
    return found & told


def soft(luma: Bytes, blocks: Blocks) -> Flags:
    """Blocks out of focus, half as large: little finer than one pixel beside what lies between one and two.

    The ratio of their mean squares is 0.8 and more on sound rendered turf, 0.54 and more on field photographs
    (99 of 100 blocks each), 0.5 and less after a blur by a disc of 2.5 pixels. Broad smooth leaves, in which
    neighbours differ as little, have sharp edges. A blur twice as wide leaves nothing even between one
    and two pixels: where most blocks are soft, or flat as no ground in focus is, and no edges are sharp, the
    flat ones are soft too.
    """
    layers = [luma, *(cv2.GaussianBlur(luma, (0, 0), sigma) for sigma in (FINE_SIGMA, COARSE_SIGMA))]
    every = [np.ascontiguousarray(layer[::2, ::2]) for layer in layers]
    bands = (np.asarray(cv2.absdiff(a, b), np.uint8) for a, b in pairwise(every))
    fine, coarse = (blocks.mean_square(band, times=2) for band in bands)
    flat = coarse <= LEAST_COARSE
    found = ~flat & (fine - FINE_NOISE < SOFT_RATIO * coarse)
    if np.mean(found | flat) <= MOSTLY:
        return found
    edges = (fine - FINE_NOISE)[~flat] / coarse[~flat]
    return found | flat if not edges.size or np.quantile(edges, 0.9) < EDGE_RATIO else found


def _along(luma: Bytes, blocks: Blocks, *, times: int, every: int) -> tuple[Floats, Flags]:
    """Bends along each direction over those across it, (4, rows, cols), and blocks with any to speak of."""
    bends = np.stack([blocks.mean_square(_bend(luma, *d, every=every), times=times) for d in DIRECTIONS])
    bends = np.maximum(bends - BEND_NOISE, 0.05)
    return bends / bends[ACROSS], bends.max(axis=0) > LEAST_BEND


def _bend(luma: Bytes, dy: int, dx: int, *, every: int) -> Bytes:
    """How far pixels of every so many columns and rows differ from the mean of those (dy, dx) either side."""
    height, width = luma.shape

    def shifted(times: int) -> Bytes:
        rows = slice(1 + times * dy, height - 1 + times * dy, every)
        return np.ascontiguousarray(luma[rows, slice(1 + times * dx, width - 1 + times * dx, every)])

    mean = cv2.addWeighted(shifted(-1), 0.5, shifted(1), 0.5, 0)
    return np.asarray(cv2.absdiff(shifted(0), mean), np.uint8)
