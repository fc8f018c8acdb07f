"""Lays a later photo of a lawn view over the marked one, by what stays the same around the lawn.

Features are matched between the two photos, leaving out the lawn itself, which grows. The surroundings are no
plane, and the photographer never stands twice in the same place, so the new camera's whole pose is solved
(`repose`). How far off the lawn may be is found by leaving out parts of the picture in turn (delete-a-group
jackknife) and from the fit's curvature. What can't be placed well is refused, not guessed.

References: Lowe 2004 (SIFT), Arandjelovic and Zisserman 2012 (RootSIFT), Efron and
Tibshirani 1993 (jackknife).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import cv2
import numpy as np

from turfeye.errors import AlignmentError
from turfeye.records import Bytes, Flags, Floats, Photo, View, Whole
from turfeye.repose import MOST_MOVED_M, SIGMA_PX, Features, Matches, Pose, Solver, moved, to_ground

LONG_SIDE_PX: Final = 1600
"""Features are searched at this size: finer ones seldom return in another light."""
FEATURES: Final = 5000
GROUND_REACH_M: Final = 2.5
"""How far outside the outline a match may be taken to lie on the ground."""
FOCAL_SD: Final = {"same lens": 0.005, "known": 0.02, "unknown": 0.25}
"""Relative. A header rounds to whole millimetres; the same lens twice differs by focusing only. Ours."""
FIRST_MATCHES: Final = 18
"""That must agree before a closer search. Of 40 pairs of unlike rendered gardens none had more than 10."""
LEAST_MATCHES: Final = 30
"""That must agree in the end."""
LEAST_GROUND: Final = 8
MOST_RESIDUAL_CM: Final = 8.0


@dataclass(frozen=True, eq=False, slots=True)
class Aligned:
    """The later photo's view, and how well it is placed."""

    view: View
    residual_cm: float  # one standard deviation of a lawn point's place, root mean square over the lawn
    matches: int  # features that agree with it
    ground_matches: int  # of these, such that lie on the lawn's plane


def align(photo: Photo, marked: Photo, marked_view: View, *, outline_m: Floats) -> Aligned:
    """The view of ``photo``, taken from about where ``marked`` was, whose corners were marked.

    Raises AlignmentError when too little of the surroundings is found again (another lawn, another
    standpoint, darkness) or the lawn would be placed worse than some centimetres: mark its corners then.
    """
    outline = np.asarray(outline_m, float)
    first, first_scale = _small(marked)
    second, second_scale = _small(photo)
    known = _scaled(marked_view, first_scale)
    here, there = _features(first, _surroundings(first, known, outline)), _features(second, None)
    matches = _matched(here, there, *_pairs(here, there), known, outline)
    if len(matches.first_px) < FIRST_MATCHES:
        raise _refusal(f"only {len(matches.first_px)} features of the surroundings were found again")
    size = (second.shape[1], second.shape[0])
    solver = Solver(known, size, _focal_guess(photo, marked, marked_view, second_scale))
    pose = solver.propose(matches)
    agree = 0 if pose is None else int(solver.agreeing(pose, matches).sum())
    if pose is None or agree < max(FIRST_MATCHES, 0.12 * len(matches.first_px)):
        raise _refusal(
            f"only {agree} of {len(matches.first_px)} matched features agree on where the camera stood"
        )
    pose = solver.refine(pose, matches)
    more = _matched(here, there, *solver.pairs_on_ground(pose, here, there), known, outline)
    matches = matches.part(solver.agreeing(pose, matches)).joined(more)
    return _judged(photo, solver.refine(pose, matches), solver, matches, outline, second_scale)


def _judged(
    photo: Photo, pose: Pose, solver: Solver, matches: Matches, outline: Floats, scale: float
) -> Aligned:
    """The result, or the reason why it isn't good enough."""
    agree = solver.agreeing(pose, matches)
    ground = solver.grounded(pose, matches)
    walked = float(np.linalg.norm(pose.centre_m - solver.known.camera_m))
    if agree.sum() < LEAST_MATCHES:
        raise _refusal(
            f"only {int(agree.sum())} of {len(agree)} matched features agree on where the camera stood"
        )
    if ground.sum() < LEAST_GROUND:
        raise _refusal(f"only {int(ground.sum())} features on the ground beside the lawn were found again")
    if walked > MOST_MOVED_M or pose.centre_m[2] < 0.3:
        raise _refusal(f"the photo seems taken {walked:.1f} m from where the marked one was")
    others = _leaving_out(solver, pose, matches.part(agree))
    residual_cm = 100 * float(
        np.hypot(_spread_m(pose, others, outline), _curvature_m(solver, pose, matches, outline))
    )
    if not residual_cm <= MOST_RESIDUAL_CM:
        raise _refusal(f"the lawn could be placed only to about {residual_cm:.0f} cm")
    focal = pose.focal_px / scale
    width, height = photo.size_px
    covariance = _covariance(pose, others)
    if solver.known.pose_cov is not None:
        covariance = covariance + solver.known.pose_cov
    view = View(
        kind="lawn",
        size_px=photo.size_px,
        camera_matrix=np.array([[focal, 0, (width - 1) / 2], [0, focal, (height - 1) / 2], [0, 0, 1.0]]),
        rotation=pose.rotation,
        translation=-pose.rotation @ pose.centre_m,
        focal_from="exif" if photo.focal_px else "solved",
        corner_sd_px=max(SIGMA_PX, solver.known.corner_sd_px) / scale,
        pose_cov=covariance,
    )
    return Aligned(view, residual_cm, int(agree.sum()), int(ground.sum()))


def _refusal(reason: str) -> AlignmentError:
    return AlignmentError(
        f"the photo can't be laid over the marked one: {reason}. If it shows the same lawn, "
        "mark the lawn's corners in it; next time take it from the same place, with fence and paving in view"
    )


# ------------------------------------------------------------------------------------------------ matching


def _small(photo: Photo) -> tuple[Bytes, float]:
    """Grey picture at working size, its contrast evened out, and its scale."""
    gray = np.asarray(cv2.cvtColor(photo.rgb_coded, cv2.COLOR_RGB2GRAY), np.uint8)
    scale = min(1.0, LONG_SIDE_PX / max(gray.shape))
    if scale < 1:
        gray = np.asarray(cv2.resize(gray, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA), np.uint8)
    return np.asarray(cv2.createCLAHE(2.0, (8, 8)).apply(gray), np.uint8), scale


def _scaled(view: View, scale: float) -> View:
    shrink = np.array([[scale, 0, (scale - 1) / 2], [0, scale, (scale - 1) / 2], [0, 0, 1]])
    size = (round(view.size_px[0] * scale), round(view.size_px[1] * scale))
    return replace(
        view, size_px=size, camera_matrix=shrink @ view.camera_matrix, corner_sd_px=view.corner_sd_px * scale
    )


def _focal_guess(photo: Photo, marked: Photo, marked_view: View, scale: float) -> tuple[float, float]:
    """Focal length at working size, and its relative standard deviation."""
    if photo.focal_px:
        if marked.focal_px and marked.camera == photo.camera:
            # the marked view's own figure tells how far this maker's header is off
            trust = marked_view.focal_px / marked.focal_px
            across = [p.focal_px / np.hypot(*p.size_px) for p in (photo, marked) if p.focal_px]
            lens = "same lens" if abs(across[0] / across[1] - 1) < 1e-3 else "known"
            return photo.focal_px * trust * scale, FOCAL_SD[lens]
        return photo.focal_px * scale, FOCAL_SD["known"]
    same = float(np.hypot(*photo.size_px) / np.hypot(*marked_view.size_px))
    return marked_view.focal_px * same * scale, FOCAL_SD["unknown"]


def _surroundings(first: Bytes, known: View, outline: Floats) -> Bytes:
    """Mask without the lawn, which grows; its edge stays put."""
    mask = np.full(first.shape, 255, np.uint8)
    inner = _projected_outline(known, outline)
    if len(inner) > 2:
        cv2.fillPoly(mask, [np.rint(np.clip(inner, -1e4, 1e4)).astype(np.int32)], 0)
        mask = np.asarray(cv2.dilate(mask, np.ones((9, 9), np.uint8)), np.uint8)
    return mask


def _features(gray: Bytes, mask: Bytes | None) -> Features:
    points, about = cv2.SIFT.create(nfeatures=FEATURES, contrastThreshold=0.02).detectAndCompute(gray, mask)
    if about is None:
        return Features(np.empty((0, 2)), np.empty((0, 128), np.float32))
    root = np.sqrt(about / np.maximum(about.sum(axis=1, keepdims=True), 1e-9))
    return Features(np.array([p.pt for p in points]), np.asarray(root, np.float32))


def _pairs(a: Features, b: Features, *, ratio: float = 0.86) -> tuple[Whole, Whole]:
    """Mutual best matches that are clearly better than the next best."""
    if min(len(a.px), len(b.px)) < 3:
        return np.empty(0, int), np.empty(0, int)
    likeness = a.about @ b.about.T
    best = likeness.argmax(axis=1)
    mutual = likeness.argmax(axis=0)[best] == np.arange(len(best))
    top = np.sort(np.partition(likeness, -2, axis=1)[:, -2:], axis=1)
    near, next_best = np.sqrt(np.maximum(2 - 2 * top[:, 1], 0)), np.sqrt(np.maximum(2 - 2 * top[:, 0], 1e-12))
    good = mutual & (near < ratio * next_best)
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


def _leaving_out(solver: Solver, pose: Pose, matches: Matches, *, groups: int = 6) -> list[Pose]:
    """The pose solved again, a sixth of the picture's tiles left out at a time; none if few are left."""
    column, row = (matches.first_px // (LONG_SIDE_PX / 10)).astype(int).T
    group = (column + 4 * row) % groups
    rests = [matches.part(group != left_out) for left_out in range(groups)]
    if min(len(rest.first_px) for rest in rests) < 12:
        return []
    return [solver.refine(pose, rest) for rest in rests]


def _spread_m(pose: Pose, others: list[Pose], outline: Floats) -> float:
    """Delete-a-group jackknife: one sd of a lawn point's place, root mean square over the lawn."""
    if not others:
        return float("inf")
    points = _lawn_points(outline)
    squares = sum(_displaced_m(pose, other, points) ** 2 for other in others)
    return float(np.sqrt((len(others) - 1) / len(others) * np.mean(squares)))


def _curvature_m(solver: Solver, pose: Pose, matches: Matches, outline: Floats) -> float:
    """The same from the fit's curvature: leaving out parts says little where few matches bear it all."""
    value, axis = np.linalg.eigh(solver.covariance(pose, matches))
    steps = axis * np.sqrt(np.maximum(value, 0))
    points = _lawn_points(outline)
    squares = sum(_displaced_m(pose, moved(pose, step), points) ** 2 for step in steps.T)
    return float(np.sqrt(np.mean(squares)))


def _covariance(pose: Pose, others: list[Pose]) -> Floats:
    """(7, 7) of rotation vector, translation and log focal length, by the same jackknife."""

    def theta(some: Pose) -> Floats:
        turn = cv2.Rodrigues(some.rotation @ pose.rotation.T)[0].ravel()
        by_turn = np.linalg.lstsq(_turn_jacobian(pose.rotation), turn, rcond=None)[0]
        shift = -some.rotation @ some.centre_m + pose.rotation @ pose.centre_m
        return np.concatenate([by_turn, shift, [np.log(some.focal_px / pose.focal_px)]])

    off = np.array([theta(other) for other in others])
    return np.asarray((len(others) - 1) / len(others) * off.T @ off)


def _turn_jacobian(rotation: Floats) -> Floats:
    """How the rotation turns (3, axis times angle) as its rotation vector changes (3)."""
    vector = cv2.Rodrigues(rotation)[0].ravel()
    step = 1e-6 * np.eye(3)
    return np.stack(
        [cv2.Rodrigues(cv2.Rodrigues(vector + s)[0] @ rotation.T)[0].ravel() / 1e-6 for s in step], axis=1
    )


def _lawn_points(outline: Floats) -> Floats:
    """Some forty places all over the lawn, (N, 2)."""
    low, high = outline.min(axis=0), outline.max(axis=0)
    grid = np.stack(np.meshgrid(*np.linspace(low, high, 9).T), axis=-1).reshape(-1, 2)
    shape = outline.astype(np.float32).reshape(-1, 1, 2)
    inside = [cv2.pointPolygonTest(shape, (float(x), float(y)), False) >= 0 for x, y in grid]
    return grid[inside]


def _displaced_m(pose: Pose, other: Pose, points: Floats) -> Floats:
    """How far each lawn point moves when the picture is read with one pose instead of the other, (N,)."""
    flat = np.column_stack([points, np.zeros(len(points))])
    seen = (flat - other.centre_m) @ other.rotation.T
    rays = np.column_stack(
        [other.focal_px * seen[:, :2] / np.maximum(seen[:, 2:], 0.05) / pose.focal_px, np.ones(len(seen))]
    )
    rays = rays @ pose.rotation
    reach = -pose.centre_m[2] / np.where(rays[:, 2] < -1e-3, rays[:, 2], -1e-3)
    return np.asarray(np.linalg.norm(pose.centre_m[:2] + reach[:, None] * rays[:, :2] - points, axis=1))
