"""The lawn itself in an oblique photo: where it is, its outline, do marked corners fit, what stands on it.

A small network, trained on rendered gardens (``models/region.md``), gives every pixel a probability of being
lawn: grass, but also the thin, pale and bare parts inside it; paving, beds, hedges, people, furniture and sky
are not. Everything after that is plain geometry on that map.
"""

from __future__ import annotations

import itertools

import cv2
import numpy as np

from turfeye import sward
from turfeye.errors import PhotoError, ViewError
from turfeye.models import load_network, run
from turfeye.notes import Remark
from turfeye.outline import signed_area
from turfeye.records import Bytes, Flags, Floats, Whole

NETWORK = "region.onnx"
LONG_PX = 384  # longer side of what the network sees
STEP_PX = 32  # the network halves its picture five times
LEAST_STEPS = 2  # with one row at its deepest level OpenCV reads past it: another answer each time
FEWEST_ODDS = 1e-3  # probabilities are held this far from 0 and 1 before two are joined
WORK_PX = 1024  # geometry is done at this size: finer than the network sees
LEAST_SHARE = 0.02  # of the picture; a lawn smaller than that was not what the photo was taken for
CORNERS = (4, 8)
PLAINNESS = 0.015  # an outline with fewer corners may fit worse by this much
DENTS = 0.1  # share of the hull that dents may take; an L-shaped lawn leaves more
NUDGES, NUDGE_PX = 600, 12.0  # of an outline laid over the lawn: tries, and the first steps, at working size
SURE = 0.2  # probability of being lawn below which something on the lawn is a thing, not a bare patch
ACROSS = (
    0.5  # of the root of the lawn's area: what reaches so far, from a side to one not beside it, is ground
)
LEAST_OTHER = 0.1  # of a thing that the classifier must take for other, or it may be a bare patch after all
SURELY_LAWN = 0.98  # from here on nothing stands there, whatever the sward classifier takes it for
GOOD_SCORE = 0.8  # marked corners and region agree at least so far, else it is said


def lawn_region(rgb_coded: Bytes, *, turns: int = 0) -> Floats:
    """Probability that each pixel shows the lawn.

    Parameters
    ----------
    rgb_coded : (H, W, 3) uint8 sRGB.
    turns : quarter turns anticlockwise by which it comes to stand upright (``upright.quarter_turns``): the
        network has learnt from upright pictures.

    Returns
    -------
    (H, W) float32, 0-1; the network sees the picture at 384 pixels, so edges are soft at full size.

    Raises
    ------
    PhotoError : not a colour picture of 8 bits.
    ModelError : the network's file is missing or changed.
    """
    if rgb_coded.ndim != 3 or rgb_coded.shape[2] != 3 or rgb_coded.dtype != np.uint8:
        raise PhotoError(
            f"the lawn's region needs (H, W, 3) colours of 8 bits, got {rgb_coded.shape} {rgb_coded.dtype}; "
            "read the photo with turfeye.photo.read"
        )
    if turns % 4:
        upright = lawn_region(np.ascontiguousarray(np.rot90(rgb_coded, turns)))
        return np.ascontiguousarray(np.rot90(upright, -turns))
    height, width = rgb_coded.shape[:2]
    scale = LONG_PX / max(height, width)
    seen = tuple(max(round(side * scale / STEP_PX), LEAST_STEPS) * STEP_PX for side in (width, height))
    small = cv2.resize(rgb_coded, seen, interpolation=cv2.INTER_AREA)
    network = load_network(NETWORK)
    planes = small.transpose(2, 0, 1).astype(np.float32) / np.float32(255)
    # And mirrored: the mean of both errs less. One by one: OpenCV reads a batch of flat pictures wrongly.
    plain, mirrored = (run(network, one[None])[0, 0] for one in (planes, planes[..., ::-1]))
    coarse = (plain + mirrored[:, ::-1]) / 2
    return np.asarray(cv2.resize(coarse, (width, height), interpolation=cv2.INTER_LINEAR), np.float32)


def lawn_in_garden(rgb_coded: Bytes, *, turns: int = 0) -> Floats:
    """Probability that each pixel shows the lawn, (H, W) float32, in a photo of a lawn and what lies around.

    `lawn_region` and the sward classifier, which takes what is no turf for other, with equal say: the mean of
    their log odds. On fourteen rendered gardens that neither had seen it agrees with the truth by 0.966
    instead of 0.928, at the least by 0.89 instead of 0.63 (``tools/score_region.py``). Not for close photos,
    in which the classifier takes some clods and bare ground for other.

    Raises what `lawn_region` raises.
    """
    if turns % 4:
        upright = lawn_in_garden(np.ascontiguousarray(np.rot90(rgb_coded, turns)))
        return np.ascontiguousarray(np.rot90(upright, -turns))
    large = lawn_region(rgb_coded)
    height, width = large.shape
    other = sward.at_large(rgb_coded).other
    turf = cv2.resize(1 - cv2.blur(other, (5, 5)), (width, height), interpolation=cv2.INTER_LINEAR)
    both = (np.clip(share, FEWEST_ODDS, 1 - FEWEST_ODDS) for share in (large, turf))
    odds = np.prod([share / (1 - share) for share in both], axis=0)
    return np.asarray(np.sqrt(odds) / (1 + np.sqrt(odds)), np.float32)


def propose_outline(region: Floats, *, corners: int | None = None) -> Floats:
    """An outline to start from: the main connected part of the region, with 4 to 8 corners.

    Each side is a straight line fitted to the part's edge (so a worn or rounded corner is squared up); things
    that stand before the lawn's edge are closed over where they are slim.

    Parameters
    ----------
    region : (H, W) probability, from ``lawn_in_garden``.
    corners : how many the outline has, where that is known; by default as many as its shape needs.

    Returns
    -------
    (K, 2) pixels, K from 4 to 8 (``corners`` where the edge can be drawn with so many), in the order of an
    outline: the left end of the lowest side first, then along that side to its right end and so round.

    Raises
    ------
    ViewError : no part of the picture is lawn enough.
    """
    main, scale = _main_part(region)
    main = _without_dents(main)
    edge = _edge(main)
    limits = np.array(main.shape[::-1]) - 1.0
    places = _corner_places(edge)
    places = [starts for starts in places if len(starts) == corners] or places
    tries = [np.clip(_squared(edge, starts), 0, limits) for starts in places]
    scores = np.array([_agreement(_inside(outline, main.shape, 1.0), main) for outline in tries])
    plainest = int(np.argmax(scores >= scores.max() - PLAINNESS))  # tries come with fewest corners first
    return _in_order((tries[plainest] + 0.5) / scale - 0.5)


def notched_outline(region: Floats, outline_m: Floats) -> Floats | None:
    """A lawn's outline by tape, laid over the main part of the region: its corners, (K, 2) pixels in order.

    Meant for one with an inner corner, which no line along the part's edge is sure to show: a bed or a tub in
    the corner of an L is easily taken for lawn. The corners of its hull are found as `propose_outline` finds
    a plainer lawn's; then the plane is shifted until the outline agrees best with the part. Beginning and
    direction are the outline's own. None where the part's hull can't be drawn with so many corners.

    Parameters
    ----------
    region : (H, W) probability, from ``lawn_in_garden``.
    outline_m : (K, 2) corners in metres, anticlockwise.

    Raises
    ------
    ViewError : no part of the picture is lawn enough.
    """
    main, scale = _main_part(region)
    outline_m = np.asarray(outline_m, np.float64)
    outer = np.sort(cv2.convexHull(outline_m.astype(np.float32), returnPoints=False).ravel())
    edge = _edge(_hull(main))
    tries = []
    for starts in _corner_places(edge):
        if len(starts) == len(outer):
            seen = _in_order(_squared(edge, starts))
            for first in range(len(outer)):
                plane, _ = cv2.findHomography(outline_m[outer], np.roll(seen, first, axis=0))
                if plane is not None:
                    tries.append(_on_plane(outline_m, np.asarray(plane)))
    if not tries:
        return None
    laid = max(tries, key=lambda points: _agreement(_inside(points, main.shape, 1.0), main))
    four = list(max(itertools.combinations(outer, 4), key=lambda some: signed_area(outline_m[list(some)])))
    return (_nudged(outline_m, four, laid, main) + 0.5) / scale - 0.5


def _on_plane(points: Floats, plane: Floats) -> Floats:
    """Points (K, 2) through a homography (3, 3)."""
    return np.asarray(cv2.perspectiveTransform(points[None], plane)[0], np.float64)


def _nudged(outline_m: Floats, four: list[int], laid: Floats, part: Flags) -> Floats:
    """An outline on a plane (K, 2), shifted by ``four`` of its corners until it agrees best with a part."""
    from scipy.optimize import minimize

    known = outline_m[four].astype(np.float32)

    def at(corners: Floats) -> Floats:
        plane = cv2.getPerspectiveTransform(known, corners.reshape(4, 2).astype(np.float32))
        return _on_plane(outline_m, np.asarray(plane, np.float64))

    def misfit(corners: Floats) -> float:
        return -_agreement(_inside(at(corners), part.shape, 1.0), part)

    start = laid[four].ravel()
    first = start + NUDGE_PX * np.eye(9, 8, -1)
    found = minimize(
        misfit, start, method="Nelder-Mead", options={"maxfev": NUDGES, "initial_simplex": first}
    )
    return at(found.x)


def check_corners(region: Floats, corners_px: Floats) -> tuple[float, str | None]:
    """How well marked corners fit the lawn that the picture shows.

    Parameters
    ----------
    region : (H, W) probability, from ``lawn_in_garden``.
    corners_px : (K, 2) marked corners in the outline's order, pixels.

    Returns
    -------
    the intersection over union of the marked outline and the region's main part, 0-1, and a warning in
    plain words when they disagree, else None.

    Raises
    ------
    ViewError : fewer than three corners.
    """
    corners = np.asarray(corners_px, np.float64)
    if corners.ndim != 2 or corners.shape[0] < 3 or corners.shape[1] != 2:
        raise ViewError(f"an outline needs at least three corners of x and y, got shape {corners.shape}")
    try:
        main, scale = _main_part(region)
    except ViewError:
        return (
            0.0,
            "no lawn was recognised in this photo; check that it shows the lawn, and the marked corners",
        )
    marked = _inside(corners, main.shape, scale)
    score = _agreement(marked, main)
    if score >= GOOD_SCORE:
        return score, None
    both = float((marked & main).sum())
    inside, covered = both / max(float(marked.sum()), 1.0), both / max(float(main.sum()), 1.0)
    if inside < 0.5 and covered < 0.5:
        words = "the marked outline hardly overlaps the lawn: are the corners in order, and of this photo?"
    elif inside < covered:
        words = "only {0:.0f} % of the marked outline looks like lawn: it seems to take in paving or beds"
    else:
        words = "the marked outline holds only {0:.0f} % of what looks like lawn: part may be left out"
    return score, Remark(words + " (agreement {1:.0f} %)", 100 * min(inside, covered), 100 * score)


def standing_on(region: Floats, outline_px: Floats, other: Floats) -> Flags:
    """What stands or lies on the lawn (people, a dog, furniture): inside the outline, but not lawn.

    The network and the sward classifier are heard together: what the network is sure is no lawn, and what it
    doubts where the classifier sees neither grass, straw nor soil. A bare patch that only the network doubts
    stays lawn, as do slivers along the outline, which are the outline's own error. So does what reaches
    across the lawn: nothing that stands there does, but a strip that was not sown looks like a path to both.

    Parameters
    ----------
    region : (H, W) probability, from ``lawn_region``.
    outline_px : (K, 2) the lawn's corners, pixels.
    other : (H, W) share of "other" from ``sward.classify``.

    Returns
    -------
    (H, W) bool, to be taken out of the cells.
    """
    scale = min(1.0, WORK_PX / max(region.shape))
    small, seen = _resized(region, scale), _resized(np.asarray(other, np.float32), scale)
    inside = _inside(np.asarray(outline_px, np.float64), small.shape, scale)
    margin = max(round(0.01 * max(small.shape)), 2)
    deep = cv2.erode(inside.astype(np.uint8), _disc(margin)).astype(bool)
    strange = inside & ((small < SURE) | ((seen > 0.5) & (small < SURELY_LAWN)))
    opened = cv2.morphologyEx(strange.astype(np.uint8), cv2.MORPH_OPEN, _disc(margin))
    count, label, stats, _ = cv2.connectedComponentsWithStats(opened)
    area = np.maximum(stats[:, cv2.CC_STAT_AREA], 1)
    keep = np.bincount(label[deep], minlength=count) > 0.3 * area
    keep &= np.bincount(label.ravel(), seen.ravel(), minlength=count) > LEAST_OTHER * area
    keep[0] = False
    for part in np.flatnonzero(keep):
        keep[part] = not _reaches_across(label == part, (outline_px + 0.5) * scale - 0.5, near=2 * margin)
    grown = cv2.dilate(keep[label].astype(np.uint8), _disc(max(margin // 3, 1)))
    full = cv2.resize(grown, region.shape[::-1], interpolation=cv2.INTER_NEAREST).astype(bool)
    return np.asarray(full & _inside(np.asarray(outline_px, np.float64), region.shape, 1.0), bool)


def _reaches_across(part: Flags, corners: Floats, *, near: int) -> bool:
    """Whether a part of the lawn (K, 2) goes from ``near`` one side, in pixels, to near one not beside it."""
    _, (wide, tall), _ = cv2.minAreaRect(np.argwhere(part)[:, ::-1].astype(np.float32))
    area = cv2.contourArea(corners.astype(np.float32))
    if max(wide, tall) < ACROSS * np.sqrt(area):
        return False
    touched = []
    for start, end in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        side = np.zeros(part.shape, np.uint8)
        a, b = ([round(256 * float(v)) for v in point] for point in (start, end))
        cv2.line(side, a, b, 1, thickness=2 * near, shift=8)
        touched.append(bool((part & (side > 0)).any()))
    count = len(corners)
    pairs = itertools.combinations(np.flatnonzero(touched), 2)
    return any(1 < second - first < count - 1 for first, second in pairs)


def _main_part(region: Floats) -> tuple[Flags, float]:
    """The main connected part, slim gaps closed and holes filled, at working size, and the scale of it.

    Main is where probability above one half adds up to most: doubtful gravel is not, however wide.
    """
    scale = min(1.0, WORK_PX / max(region.shape))
    small = _resized(region, scale)
    lawn = (small > 0.5).astype(np.uint8)
    opened = cv2.morphologyEx(lawn, cv2.MORPH_OPEN, _disc(max(round(0.004 * max(small.shape)), 1)))
    count, label, stats, _ = cv2.connectedComponentsWithStats(opened)
    areas = stats[1:, cv2.CC_STAT_AREA]
    if count < 2 or areas.max() < LEAST_SHARE * small.size:
        raise ViewError(
            "wanted a lawn to outline, found none that fills a fiftieth of the photo; mark its corners by "
            "hand, or take the photo so that the lawn fills more of it"
        )
    surely = np.bincount(label.ravel(), (small - 0.5).ravel(), minlength=count)[1:]
    main = 1 + int(np.argmax(np.where(areas >= LEAST_SHARE * small.size, surely, 0)))
    part = (label == main).astype(np.uint8)
    reach = max(round(0.02 * max(small.shape)), 2)
    padded = cv2.copyMakeBorder(part, reach, reach, reach, reach, cv2.BORDER_CONSTANT, value=0)
    closed = cv2.morphologyEx(padded, cv2.MORPH_CLOSE, _disc(reach))[reach:-reach, reach:-reach]
    contours, _ = cv2.findContours(closed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros(small.shape, np.uint8)
    cv2.drawContours(filled, [max(contours, key=cv2.contourArea)], -1, 1, cv2.FILLED)
    return filled.astype(bool), scale


def _resized(region: Floats, scale: float) -> Floats:
    if scale == 1.0:
        return region
    size = (round(region.shape[1] * scale), round(region.shape[0] * scale))
    return np.asarray(cv2.resize(region, size, interpolation=cv2.INTER_AREA))


def _disc(radius: int) -> Bytes:
    return np.asarray(
        cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1)), np.uint8
    )


def _inside(corners_px: Floats, shape: tuple[int, ...], scale: float) -> Flags:
    """Pixels inside a polygon that was marked at full size."""
    points = (corners_px + 0.5) * scale - 0.5
    mask = np.zeros(shape[:2], np.uint8)
    cv2.fillPoly(mask, [np.round(points * 256).astype(np.int32)], 1, shift=8)
    return mask.astype(bool)


def _edge(part: Flags) -> Floats:
    """The outer edge's pixels of the largest piece, (N, 2), in order."""
    contours, _ = cv2.findContours(part.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    return np.asarray(max(contours, key=cv2.contourArea)[:, 0], np.float64)


def _without_dents(part: Flags) -> Flags:
    """The part's convex hull where that adds little: somebody's legs or a card at the edge leave dents.

    An L-shaped or notched lawn adds more than ``DENTS`` and stays as it is.
    """
    whole = _hull(part)
    return whole if part.sum() >= (1 - DENTS) * whole.sum() else part


def _hull(part: Flags) -> Flags:
    """The part's convex hull."""
    whole = np.zeros(part.shape, np.uint8)
    cv2.fillConvexPoly(whole, cv2.convexHull(_edge(part).astype(np.int32)[:, None]), 1)
    return whole.astype(bool)


def _corner_places(edge: Floats) -> list[Whole]:
    """For 4, then 5, up to 8 corners where there are such: indexes into a closed edge (N, 2), in order."""
    closed = np.round(edge).astype(np.int32)[:, None]
    around = cv2.arcLength(closed, True)
    found: dict[int, Floats] = {}
    for share in np.geomspace(0.006, 0.2, 50):
        polygon = np.asarray(cv2.approxPolyDP(closed, share * around, True))
        if CORNERS[0] <= len(polygon) <= CORNERS[1]:
            found.setdefault(len(polygon), polygon[:, 0].astype(np.float64))
    if not found:  # a triangle of lawn, a disc: the box about it is the better start
        found[4] = np.asarray(cv2.boxPoints(cv2.minAreaRect(closed)), np.float64)
    places = [np.linalg.norm(edge[:, None] - found[k][None], axis=2).argmin(axis=0) for k in sorted(found)]
    return [np.unique(place) for place in places]


def _squared(edge: Floats, starts: Whole) -> Floats:
    """Corners where the lines fitted to the sides meet; a corner that would jump stays where it was."""
    lines = [_line(_run(edge, a, b)) for a, b in zip(starts, np.roll(starts, -1), strict=True)]
    reach = 0.06 * np.linalg.norm(np.ptp(edge, axis=0))
    corners = []
    for k, place in enumerate(edge[starts]):
        met = _crossing(lines[k - 1], lines[k])
        corners.append(met if met is not None and np.hypot(*(met - place)) < reach else place)
    return np.array(corners)


def _agreement(one: Flags, other: Flags) -> float:
    """Intersection over union."""
    return float((one & other).sum()) / max(float((one | other).sum()), 1.0)


def _run(edge: Floats, start: int, stop: int) -> Floats:
    """The edge's points from one corner to the next, without the tenth at either end."""
    points = edge[start : stop + 1] if stop > start else np.concatenate([edge[start:], edge[: stop + 1]])
    trim = len(points) // 10
    return points[trim : len(points) - trim] if len(points) > 20 else points


def _line(points: Floats) -> tuple[Floats, Floats]:
    """A point and a unit direction of the line through points that outliers don't bend (Huber's loss)."""
    dx, dy, x, y = cv2.fitLine(points.astype(np.float32), cv2.DIST_HUBER, 0, 0.01, 0.01).ravel()
    return np.array([x, y], np.float64), np.array([dx, dy], np.float64)


def _crossing(one: tuple[Floats, Floats], other: tuple[Floats, Floats]) -> Floats | None:
    """Where two lines meet, None when they are within 8 degrees of parallel."""
    across = one[1][0] * other[1][1] - one[1][1] * other[1][0]
    if abs(across) < 0.14:
        return None
    apart = other[0] - one[0]
    return one[0] + one[1] * (apart[0] * other[1][1] - apart[1] * other[1][0]) / across


def _in_order(outline: Floats) -> Floats:
    """Anticlockwise as seen on the lawn, from the left end of the lowest side."""
    x, y = outline.T
    if (x * np.roll(y, -1) - np.roll(x, -1) * y).sum() > 0:  # clockwise as seen, since y points down
        outline = outline[::-1]
    after = np.roll(outline, -1, axis=0)
    rightward = after[:, 0] > outline[:, 0]
    lowness = np.where(rightward, (outline + after)[:, 1], -np.inf)
    return np.roll(outline, -int(np.argmax(lowness)), axis=0)
