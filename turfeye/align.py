"""Lays a later photo of a lawn view over the marked one, by what stays the same around the lawn.

Features are matched between the two photos, leaving out the lawn itself, which grows. The surroundings are no
plane, and the photographer never stands twice in the same place, so the new camera's whole pose is solved
(`repose`). How far off the lawn may be is found by leaving out a quarter of the picture at a time
(delete-a-group jackknife), from how far a closer search moved the pose, and from the fit's curvature; the
first view's own error adds to it. What can't be placed well is refused, not guessed.

References: Lowe 2004 (SIFT), Arandjelovic and Zisserman 2012 (RootSIFT), Efron and
Tibshirani 1993 (jackknife).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np

from turfeye import sward
from turfeye.errors import AlignmentError
from turfeye.records import Bytes, Flags, Floats, Photo, View, Whole
from turfeye.repose import MOST_MOVED_M, SIGMA_PX, Features, Matches, Pose, Solver, moved, to_ground
from turfeye.view import ground_by_pose, placement_m, project, resized, zenith_deg

LONG_SIDE_PX: Final = 1600
"""Features are searched at this size: finer ones seldom return in another light."""
FEATURES: Final = 6480
TILES: Final = (12, 9)
"""Across and down; each tile holds its share of the features. Between the warmest evening and the sunniest
noon of the sample lawn 116 matches are right so, and 6 when the strongest of the whole picture are taken."""
GROUND_REACH_M: Final = 2.5
"""How far outside the outline a match may be taken to lie on the ground."""
LEAST_CUT: Final = 0.02
"""By how much a photo's focal length is at least unlike its header's where a gallery cut it out of a larger
one: 0.006 at most in untouched ones, 0.013 with the marked photo's corners a hundredth of its width off."""
LEAST_ASIDE: Final = 0.02
"""Of the width: how far the lens' middle lies at least beside that of a picture that was cut out of a larger
one, where no header tells the lens. It is 0.004 at most in untouched ones."""
FOCAL_SD: Final = {"same lens": 0.005, "known": 0.02, "unknown": 0.25}
"""Relative. A header rounds to whole millimetres; the same lens twice differs by focusing only. Ours."""
CLEARER: Final = 0.86
"""A match must be nearer than this share of how far the next best is."""
FIRST_MATCHES: Final = 18
FIRST_SHARE: Final = 0.25
"""That must agree before a closer search, which would confirm whatever pose it starts from. Of 48 pairs of
unlike rendered gardens none had more than 8 agreeing and 4 on the ground; of one garden 37 % and 12."""
LEAST_MATCHES: Final = 30
"""That must agree in the end."""
LEAST_GROUND: Final = 8
MOST_RESIDUAL_CM: Final = 8.0
RIM: Final = 1 / 53
"""Of the longer side: so wide a rim within the outline is held against one as wide beside it."""
CLEAR_RIM: Final = 0.3
"""How much more turf within than beside it the marked photo must show, before the later one is asked."""
RIM_KEPT: Final = 0.5
"""The least share of that in the later photo. Paving that repeats places a photo some slabs off now and then:
such poses kept 0.2 to 0.5 (rendered gardens 7001 and 7004), 40 right ones of six gardens 0.7 and more."""
OBLIQUE_DEG: Final = 70.0
"""From straight down; what is farther off isn't measured and need not be placed."""


@dataclass(frozen=True, eq=False, slots=True)
class Aligned:
    """The later photo's view, and how well it is placed."""

    view: View
    residual_cm: float  # one standard deviation of a lawn point's place, root mean square over what is seen
    matches: int  # features that agree with it
    cut: float | None = None  # times its header's focal length, else the first's, where one was cut out


@dataclass(frozen=True, eq=False, slots=True)
class Scenery:
    """What can be found again in a photo: its features at working size, and what its header says."""

    size_px: tuple[int, int]  # of the photo
    focal_px: float | None
    camera: str | None
    small_px: tuple[int, int]  # the working size
    features: Features
    turf: Floats  # (h, w), a small picture of what share is turf or soil, and nothing else

    @property
    def scale(self) -> float:
        """Working pixels a photo's pixel."""
        return self.small_px[0] / self.size_px[0]


def scenery(photo: Photo) -> Scenery:
    """The features of a photo, found once however often it is laid over others or others over it."""
    gray = np.asarray(cv2.cvtColor(photo.rgb_coded, cv2.COLOR_RGB2GRAY), np.uint8)
    scale = min(1.0, LONG_SIDE_PX / max(gray.shape))
    if scale < 1:
        gray = np.asarray(cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)
    even = np.asarray(cv2.createCLAHE(2.0, (8, 8)).apply(gray), np.uint8)
    camera = photo.size_px, photo.focal_px, photo.camera
    return Scenery(*camera, even.shape[::-1], _features(even), 1 - sward.at_large(photo.rgb_coded).other)


def align(later: Scenery, first: Scenery, first_view: View, *, outline_m: Floats) -> Aligned:
    """The view of a later photo, taken from about where the first was, whose view is known.

    Raises AlignmentError when too little of the surroundings is found again (another lawn, another
    standpoint, darkness) or the lawn would be placed worse than some centimetres: mark its corners then.
    """
    outline = np.asarray(outline_m, float)
    known = resized(first_view, first.small_px)
    here, there = _surroundings(first, known, outline), later.features
    matches = _matched(here, there, *_pairs(here, there), known, outline)
    if len(matches.first_px) < FIRST_MATCHES:
        found = f"only {len(matches.first_px)}" if len(matches.first_px) else "no"
        raise _refusal(f"{found} features of the surroundings were found again")
    solver = Solver(known, later.small_px, _focal_guess(later, first, first_view))
    first_pose = solver.propose(matches)
    if first_pose is None:
        raise _refusal("the features that were found again don't fit any one place to stand")
    first_pose = solver.refine(first_pose, matches)
    header_px = solver.focal_px
    cut = _cut_out(solver, first_pose, matches, header=later.focal_px is not None)
    if cut is not None:
        solver, first_pose = cut
    agree, ground = solver.agreeing(first_pose, matches).sum(), solver.grounded(first_pose, matches).sum()
    if agree < max(FIRST_MATCHES, FIRST_SHARE * len(matches.first_px)) or ground < LEAST_GROUND:
        raise _refusal(
            f"only {agree} of {len(matches.first_px)} matched features agree on where the camera stood, "
            f"{ground} of them on the ground beside the lawn"
        )
    more = _matched(here, there, *solver.pairs_on_ground(first_pose, here, there), known, outline)
    matches = matches.part(solver.agreeing(first_pose, matches)).joined(more)
    pose = solver.refine(first_pose, matches)
    agree = _enough(solver, pose, matches)
    view = _view(later, pose, solver)
    deviations = _deviations(solver, pose, first_pose, matches)
    pose_cov = _covariance(pose, deviations) + _inherited(view, first_view, outline)
    view = replace(view, pose_cov=pose_cov)
    points = judged_points(view, outline)
    residual_cm = 100 * float(np.sqrt(np.mean(placement_m(view, points) ** 2)))
    if cut is not None:
        wider = float(np.hypot(1, _by_lens_cm(solver, pose, matches, points) / residual_cm))
        residual_cm, view = residual_cm * wider, replace(view, pose_cov=wider**2 * pose_cov)
    if not residual_cm <= MOST_RESIDUAL_CM:
        why = "" if cut is None else ", and one of them seems cropped or zoomed: file it whole"
        raise _refusal(f"the lawn could be placed only to about {residual_cm:.0f} cm{why}")
    before = _clear_rim(first, first_view, outline)
    if before > CLEAR_RIM and _clear_rim(later, view, outline) < RIM_KEPT * before:
        raise _refusal("the lawn does not end where its outline would lie")
    return Aligned(view, residual_cm, agree, None if cut is None else pose.focal_px / header_px)


def _cut_out(solver: Solver, pose: Pose, matches: Matches, *, header: bool) -> tuple[Solver, Pose] | None:
    """Solver and pose of a photo that its surroundings show to be cut out of a larger one; None of others.

    Galleries cut pictures to the same shape and leave the header's focal length, which is then too short, and
    the lens' middle is no longer the picture's. Laid over as if it were whole, the lawn came out up to metres
    off, and was said to lie within some centimetres. Where the known photo is the one that was cut, this
    one's focal length comes out too long by as much. Without a ``header``'s only the middle tells.
    """
    limit = np.log1p(max(LEAST_CUT, 3 * solver.focal_sd))
    near = solver.cut_out(pose, matches, FOCAL_SD["unknown"])
    aside = np.abs(near[0].centre_px - solver.centre_px).max() / solver.size_px[0]
    longer = abs(np.log(near[1].focal_px / solver.focal_px))
    if longer <= limit if header else aside <= LEAST_ASIDE:
        return None
    anywhere = Solver(solver.known, solver.size_px, (solver.focal_px, FOCAL_SD["unknown"]))
    found = [near]
    if (other := anywhere.propose(matches)) is not None:
        found.append(anywhere.cut_out(anywhere.refine(other, matches), matches, FOCAL_SD["unknown"]))
    return max(found, key=lambda one: one[0].score(one[1], matches))


def _enough(solver: Solver, pose: Pose, matches: Matches) -> int:
    """How many matches agree with the pose; refused if too few do, or with the ground, or it is far off."""
    agree = int(solver.agreeing(pose, matches).sum())
    ground = int(solver.grounded(pose, matches).sum())
    walked = float(np.linalg.norm(pose.centre_m - solver.known.camera_m))
    if agree < LEAST_MATCHES:
        raise _refusal(
            f"only {agree} of {len(matches.first_px)} matched features agree on where the camera stood"
        )
    if ground < LEAST_GROUND:
        raise _refusal(f"only {ground} features on the ground beside the lawn were found again")
    if walked > MOST_MOVED_M or pose.centre_m[2] < 0.3:
        raise _refusal(f"the photo seems taken {walked:.1f} m from where the first one was")
    return agree


def _clear_rim(shown: Scenery, view: View, outline: Floats) -> float:
    """How much more turf a photo shows just within the outline than just beside it; 0 if not in sight."""
    size = shown.turf.shape[::-1]
    corners = _projected_outline(resized(view, size), outline)
    inside = np.zeros(shown.turf.shape, np.uint8)
    if len(corners) > 2:
        cv2.fillPoly(inside, [np.rint(np.clip(corners, -1e4, 1e4)).astype(np.int32)], 1)
    side = 2 * round(RIM * max(size)) + 1
    inner, outer = cv2.erode(inside, np.ones((side, side))), cv2.dilate(inside, np.ones((side, side)))
    within, beside = inside > inner, outer > inside
    if not within.any() or not beside.any():
        return 0.0
    return float(shown.turf[within].mean() - shown.turf[beside].mean())


def _view(later: Scenery, pose: Pose, solver: Solver) -> View:
    """The pose at the photo's own size."""
    at_work = View(
        kind="lawn",
        size_px=later.small_px,
        camera_matrix=solver.matrix(pose.focal_px),
        rotation=pose.rotation,
        translation=-pose.rotation @ pose.centre_m,
        focal_from="exif" if later.focal_px else "solved",
        corner_sd_px=max(SIGMA_PX, solver.known.corner_sd_px),
    )
    return resized(at_work, later.size_px)


def _refusal(reason: str) -> AlignmentError:
    return AlignmentError(f"the photo can't be laid over the marked one: {reason}")


# ------------------------------------------------------------------------------------------------ matching


def _focal_guess(later: Scenery, first: Scenery, first_view: View) -> tuple[float, float]:
    """Focal length at working size, and its relative standard deviation."""
    same = float(np.hypot(*later.size_px) / np.hypot(*first.size_px))
    if later.focal_px is None:
        return first_view.focal_px * same * later.scale, FOCAL_SD["unknown"]
    if first.focal_px is None or first.camera != later.camera:
        return later.focal_px * later.scale, FOCAL_SD["known"]
    # the known view's own figure tells how far this maker's header is off
    lens = "same lens" if abs(later.focal_px / first.focal_px / same - 1) < 1e-3 else "known"
    return later.focal_px * first_view.focal_px / first.focal_px * later.scale, FOCAL_SD[lens]


def _surroundings(first: Scenery, known: View, outline: Floats) -> Features:
    """The features beside the lawn, which grows; its edge stays put."""
    lawn = np.zeros(first.small_px[::-1], np.uint8)
    inner = _projected_outline(known, outline)
    if len(inner) > 2:
        cv2.fillPoly(lawn, [np.rint(np.clip(inner, -1e4, 1e4)).astype(np.int32)], 1)
        lawn = np.asarray(cv2.dilate(lawn, np.ones((9, 9), np.uint8)), np.uint8)
    column, row = first.features.px.astype(int).T
    beside = lawn[row, column] == 0
    return Features(first.features.px[beside], first.features.about[beside])


def _features(gray: Bytes) -> Features:
    """The strongest features of each tile: else blades and gravel in full sun would take up all there are."""
    sift = cv2.SIFT.create(contrastThreshold=0.02)
    points = sift.detect(gray, None)
    if not points:
        return Features(np.empty((0, 2)), np.empty((0, 128), np.float32))
    px = np.array([p.pt for p in points])
    column, row = (px * TILES / gray.shape[::-1]).astype(int).T
    tile = row * TILES[0] + column
    order = np.lexsort(([-p.response for p in points], tile))
    rank = np.arange(len(order)) - np.searchsorted(tile[order], tile[order])
    keep = order[rank < FEATURES // (TILES[0] * TILES[1])]
    kept, found = sift.compute(gray, [points[k] for k in keep])  # describing all would take twice the time
    about = np.asarray(found)
    root = np.sqrt(about / np.maximum(about.sum(axis=1, keepdims=True), 1e-9))
    return Features(np.array([p.pt for p in kept]), np.asarray(root, np.float32))


def _pairs(a: Features, b: Features) -> tuple[Whole, Whole]:
    """Mutual best matches that are clearly better than the next best."""
    if min(len(a.px), len(b.px)) < 3:
        return np.empty(0, int), np.empty(0, int)
    likeness = a.about @ b.about.T
    best, every = likeness.argmax(axis=1), np.arange(len(likeness))
    top = likeness[every, best]
    mutual = top == likeness.max(axis=0)[best]
    likeness[every, best] = -1  # to see the next best
    near = np.sqrt(np.maximum(2 - 2 * top, 0))
    next_best = np.sqrt(np.maximum(2 - 2 * likeness.max(axis=1), 1e-12))
    good = mutual & (near < CLEARER * next_best)
    return np.flatnonzero(good), best[good]


def _matched(a: Features, b: Features, i: Whole, j: Whole, known: View, outline: Floats) -> Matches:
    """These pairs, one of each place (a feature can have several directions)."""
    both = np.hstack([a.px[i], b.px[j]])
    _, once = np.unique(np.rint(both), axis=0, return_index=True)
    both = both[np.sort(once)]
    ground = to_ground(known, both[:, :2])
    return Matches(both[:, :2], both[:, 2:], ground, _near_outline(ground, outline))


def _projected_outline(view: View, outline: Floats) -> Floats:
    """The outline in the picture, (K, 2), its part in front of the camera."""
    steps = np.linspace(0, 1, 20, endpoint=False)[:, None]
    dense = np.concatenate(
        [a + steps * (b - a) for a, b in zip(outline, np.roll(outline, -1, axis=0), strict=True)]
    )
    before = np.column_stack([dense, np.zeros(len(dense))]) @ view.rotation.T + view.translation
    before = before[before[:, 2] > 0.1]
    return np.asarray((before @ view.camera_matrix.T)[:, :2] / before[:, 2:])


def _near_outline(ground: Floats, outline: Floats) -> Flags:
    shape = outline.astype(np.float32).reshape(-1, 1, 2)
    distance = [
        cv2.pointPolygonTest(shape, (float(x), float(y)), True) if np.isfinite(x) else -np.inf
        for x, y in ground
    ]
    return np.array(distance, float) > -GROUND_REACH_M


# ------------------------------------------------------------------------------------------------ how sure


def _deviations(solver: Solver, pose: Pose, first_pose: Pose, matches: Matches) -> list[tuple[float, Pose]]:
    """Poses that the same photos might have given as well, each with the weight of its square.

    A quarter of the matches left out at a time: neighbours err together (a shadow's edge, a swaying bush),
    so the quarters are blocks of the picture, and matches are chosen anew each time. The pose before ground
    matches were sought where it put them, since those confirm it. Last the axes of the fit's own curvature.
    """
    quarter = _quarters(matches.first_px)
    rests = [matches.part(quarter != k) for k in range(4)]
    poses = [(0.75, solver.refine(pose, rest)) for rest in rests]  # delete-a-group jackknife: (n - 1) / n
    value, axis = np.linalg.eigh(solver.covariance(pose, matches))
    steps = (axis * np.sqrt(np.maximum(value, 0))).T
    return [*poses, (1.0, first_pose), *((1.0, moved(pose, step)) for step in steps)]


def _by_lens_cm(solver: Solver, pose: Pose, matches: Matches, points: Floats) -> float:
    """How far lawn points (N, 2) move with the lens and its middle, each quarter of the matches left out."""

    def ground(own: Solver, there: Pose) -> Floats:
        return own.matrix(there.focal_px) @ np.column_stack(
            [there.rotation[:, :2], -there.rotation @ there.centre_m]
        )

    quarter, to_px = _quarters(matches.first_px), ground(solver, pose)
    flat, off = np.column_stack([points, np.ones(len(points))]), []
    for k in range(4):
        to_lawn = np.linalg.inv(ground(*solver.cut_out(pose, matches.part(quarter != k), solver.focal_sd)))
        at = flat @ (to_lawn @ to_px).T
        off.append(np.sum((at[:, :2] / at[:, 2:] - points) ** 2, axis=1))
    return 100 * float(np.sqrt(0.75 * np.mean(np.sum(off, axis=0))))


def _quarters(px: Floats) -> Whole:
    """Left and right of the middle match, then upper and lower of each half: four blocks of equal numbers."""
    right = px[:, 0] > np.median(px[:, 0])
    middle = np.where(right, np.median(px[right, 1]), np.median(px[~right, 1]))
    return 2 * right + (px[:, 1] > middle)


def _covariance(pose: Pose, deviations: list[tuple[float, Pose]]) -> Floats:
    """(7, 7) of rotation vector, translation and log focal length, from weighted deviations."""

    def theta(some: Pose) -> Floats:
        turn = cv2.Rodrigues(some.rotation @ pose.rotation.T)[0].ravel()
        by_turn = np.linalg.lstsq(_turn_jacobian(pose.rotation), turn, rcond=None)[0]
        shift = -some.rotation @ some.centre_m + pose.rotation @ pose.centre_m
        return np.concatenate([by_turn, shift, [np.log(some.focal_px / pose.focal_px)]])

    off = np.array([np.sqrt(weight) * theta(some) for weight, some in deviations])
    return np.asarray(off.T @ off)


def _turn_jacobian(rotation: Floats) -> Floats:
    """How the rotation turns (3, axis times angle) as its rotation vector changes (3)."""
    vector = cv2.Rodrigues(rotation)[0].ravel()
    step = 1e-6 * np.eye(3)
    return np.stack(
        [cv2.Rodrigues(cv2.Rodrigues(vector + s)[0] @ rotation.T)[0].ravel() / 1e-6 for s in step], axis=1
    )


def _inherited(view: View, first: View, outline: Floats) -> Floats:
    """(7, 7): the first view's own error, carried over by the ground it shifts."""
    if first.pose_cov is None:
        return np.zeros((7, 7))
    points = judged_points(first, outline)
    across, mine = (ground_by_pose(one, points).reshape(-1, 7) for one in (first, view))
    carried = np.linalg.pinv(mine, rcond=1e-6) @ across
    return np.asarray(carried @ first.pose_cov @ carried.T)


def judged_points(view: View, outline: Floats) -> Floats:
    """Places on the lawn that the view shows and can measure, (N, 2); at least the four nearest."""
    low, high = outline.min(axis=0), outline.max(axis=0)
    grid = np.stack(np.meshgrid(*np.linspace(low, high, 15).T), axis=-1).reshape(-1, 2)
    shape = outline.astype(np.float32).reshape(-1, 1, 2)
    grid = grid[[cv2.pointPolygonTest(shape, (float(x), float(y)), False) >= 0 for x, y in grid]]
    px = project(view, grid)
    with np.errstate(invalid="ignore"):
        shown = ((px >= 0) & (px < view.size_px)).all(axis=1)
    oblique = np.where(shown, zenith_deg(view, grid), np.inf)
    return grid[oblique <= max(OBLIQUE_DEG, np.sort(oblique)[3])]
