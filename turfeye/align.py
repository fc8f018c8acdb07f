"""Lays a later photo of a lawn view over the marked one, by what stays the same around the lawn.

Features are matched between the two photos, leaving out the lawn itself, which grows. The surroundings are no
plane, and the photographer never stands twice in the same place, so the new camera's whole pose is solved:

- a match near the lawn's edge may lie on the ground, whose plane the marked view knows in metres. Three such
  matches give a pose (perspective three-point problem), and the ground fixes its scale;
- every other match, whatever its depth, must lie on its epipolar line (Sampson's distance).

Poses are proposed from triples of ground matches and from the essential matrix at many scales, scored on all
matches, and the best refined by robust least squares. How far off the lawn may be is found by leaving out
parts of the picture in turn (delete-a-group jackknife). What can't be placed well is refused, not guessed.

References: Nister 2004 (five-point relative pose), Hartley and Zisserman 2004 (Sampson distance, ch. 11),
Barath et al. 2020 (MAGSAC++), Lowe 2004 (SIFT), Arandjelovic and Zisserman 2012 (RootSIFT).
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Final

import cv2
import numpy as np

from turfeye.errors import AlignmentError
from turfeye.records import Bytes, Flags, Floats, Photo, View, Whole

LONG_SIDE_PX: Final = 1600
"""Features are searched at this size: finer ones seldom return in another light."""
FEATURES: Final = 5000
SIGMA_PX: Final = 1.0
"""Of a matched feature's place, in pixels of that size."""
GROUND_REACH_M: Final = 2.5
"""How far outside the outline a match may be taken to lie on the ground."""
STAND_SD_M: Final = np.array([0.6, 0.6, 0.3])
"""How far from the first standing point a photo is usually taken: sideways, sideways, up. Ours, wide."""
FOCAL_SD: Final = {"same lens": 0.005, "known": 0.02, "unknown": 0.25}
"""Relative. A header rounds to whole millimetres; the same lens twice differs by focusing only. Ours."""
FIRST_MATCHES: Final = 18
"""That must agree before a closer search. Of 40 pairs of unlike rendered gardens none had more than 10."""
LEAST_MATCHES: Final = 30
"""That must agree in the end."""
LEAST_GROUND: Final = 8
MOST_RESIDUAL_CM: Final = 8.0
MOST_MOVED_M: Final = 2.5


@dataclass(frozen=True, eq=False, slots=True)
class Aligned:
    """The later photo's view, and how well it is placed."""

    view: View
    residual_cm: float  # one standard deviation of a lawn point's place, root mean square over the lawn
    matches: int  # features that agree with it
    ground_matches: int  # of these, such that lie on the lawn's plane


@dataclass(frozen=True, eq=False, slots=True)
class _Matches:
    """Matched features in both photos, and where the first would lie if it were on the ground."""

    first_px: Floats  # (N, 2) at working size
    second_px: Floats  # (N, 2)
    on_ground_m: Floats  # (N, 2)
    maybe_ground: Flags  # (N,)

    def part(self, keep: Flags) -> _Matches:
        return _Matches(*(getattr(self, f.name)[keep] for f in fields(self)))

    def joined(self, more: _Matches) -> _Matches:
        """Both, each place in the first photo once."""
        both = [np.concatenate([getattr(self, f.name), getattr(more, f.name)]) for f in fields(self)]
        _, once = np.unique(np.rint(both[0]), axis=0, return_index=True)
        return _Matches(*(column[np.sort(once)] for column in both))


@dataclass(frozen=True, eq=False, slots=True)
class _Features:
    """Where something is seen, and what it looks like there."""

    px: Floats  # (N, 2)
    about: Floats  # (N, 128), RootSIFT, unit length


@dataclass(frozen=True, eq=False, slots=True)
class _Pose:
    """Lawn to second camera: X -> R (X - c), focal length at working size."""

    rotation: Floats
    centre_m: Floats
    focal_px: float


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
    solver = _Solver(known, size, _focal_guess(photo, marked, marked_view, second_scale))
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
    photo: Photo, pose: _Pose, solver: _Solver, matches: _Matches, outline: Floats, scale: float
) -> Aligned:
    """The result, or the reason why it isn't good enough."""
    agree = solver.agreeing(pose, matches)
    ground = solver.grounded(pose, matches)
    moved = float(np.linalg.norm(pose.centre_m - solver.known.camera_m))
    if agree.sum() < LEAST_MATCHES:
        raise _refusal(
            f"only {int(agree.sum())} of {len(agree)} matched features agree on where the camera stood"
        )
    if ground.sum() < LEAST_GROUND:
        raise _refusal(f"only {int(ground.sum())} features on the ground beside the lawn were found again")
    if moved > MOST_MOVED_M or pose.centre_m[2] < 0.3:
        raise _refusal(f"the photo seems taken {moved:.1f} m from where the marked one was")
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


def _features(gray: Bytes, mask: Bytes | None) -> _Features:
    points, about = cv2.SIFT.create(nfeatures=FEATURES, contrastThreshold=0.02).detectAndCompute(gray, mask)
    if about is None:
        return _Features(np.empty((0, 2)), np.empty((0, 128), np.float32))
    root = np.sqrt(about / np.maximum(about.sum(axis=1, keepdims=True), 1e-9))
    return _Features(np.array([p.pt for p in points]), np.asarray(root, np.float32))


def _pairs(a: _Features, b: _Features, *, ratio: float = 0.86) -> tuple[Whole, Whole]:
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


def _matched(a: _Features, b: _Features, i: Whole, j: Whole, known: View, outline: Floats) -> _Matches:
    """These pairs, one of each place (a feature can have several directions)."""
    both = np.hstack([a.px[i], b.px[j]])
    _, once = np.unique(np.rint(both), axis=0, return_index=True)
    both = both[np.sort(once)]
    ground = _to_ground(known, both[:, :2])
    return _Matches(both[:, :2], both[:, 2:], ground, _near_outline(ground, outline))


def _projected_outline(view: View, outline: Floats) -> Floats:
    """The outline in the picture, (K, 2), its part in front of the camera."""
    steps = np.linspace(0, 1, 20, endpoint=False)[:, None]
    dense = np.concatenate(
        [a + steps * (b - a) for a, b in zip(outline, np.roll(outline, -1, axis=0), strict=True)]
    )
    before = np.column_stack([dense, np.zeros(len(dense))]) @ view.rotation.T + view.translation
    before = before[before[:, 2] > 0.1]
    return np.asarray((before @ view.camera_matrix.T)[:, :2] / before[:, 2:])


def _to_ground(view: View, px: Floats) -> Floats:
    """Where the rays meet the lawn's plane, (N, 2); NaN above the horizon."""
    rays = np.column_stack([px, np.ones(len(px))]) @ np.linalg.inv(view.camera_matrix).T @ view.rotation
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = -view.camera_m[2] / rays[:, 2]
        ground = view.camera_m[:2] + reach[:, None] * rays[:, :2]
    ground[~(reach > 0)] = np.nan
    return np.asarray(ground)


def _near_outline(ground: Floats, outline: Floats) -> Flags:
    shape = outline.astype(np.float32).reshape(-1, 1, 2)
    distance = [
        cv2.pointPolygonTest(shape, (float(x), float(y)), True) if np.isfinite(x) else -np.inf
        for x, y in ground
    ]
    return np.array(distance, float) > -GROUND_REACH_M


# ------------------------------------------------------------------------------------------------ the pose


class _Solver:
    """Finds the second camera's pose from matches, given the first."""

    def __init__(self, known: View, size_px: tuple[int, int], focal: tuple[float, float]) -> None:
        self.known = known
        self.centre_px = (np.array(size_px) - 1) / 2
        self.focal_px, self.focal_sd = focal

    # -- what a pose says about matches

    def ground_off(self, pose: _Pose, matches: _Matches) -> Floats:
        """Pixels (N, 2) between where a ground match should appear and where it does."""
        flat = np.column_stack([matches.on_ground_m, np.zeros(len(matches.on_ground_m))])
        before = (flat - pose.centre_m) @ pose.rotation.T
        with np.errstate(divide="ignore", invalid="ignore"):
            px = pose.focal_px * before[:, :2] / np.where(before[:, 2:] > 0.05, before[:, 2:], np.nan)
        return np.asarray(px + self.centre_px - matches.second_px)

    def epipolar_off(self, pose: _Pose, matches: _Matches) -> Floats:
        """Signed Sampson distance in pixels, (N,)."""
        turn = pose.rotation @ self.known.rotation.T
        shift = pose.rotation @ (self.known.camera_m - pose.centre_m)
        cross = np.array([[0, -shift[2], shift[1]], [shift[2], 0, -shift[0]], [-shift[1], shift[0], 0]])
        inverse = np.diag([1 / pose.focal_px, 1 / pose.focal_px, 1.0])
        inverse[:2, 2] = -self.centre_px / pose.focal_px
        fundamental = inverse.T @ cross @ turn @ np.linalg.inv(self.known.camera_matrix)
        a = np.column_stack([matches.first_px, np.ones(len(matches.first_px))])
        b = np.column_stack([matches.second_px, np.ones(len(matches.second_px))])
        line_b, line_a = a @ fundamental.T, b @ fundamental
        scale = np.sqrt((line_b[:, :2] ** 2).sum(axis=1) + (line_a[:, :2] ** 2).sum(axis=1))
        return np.asarray((b * line_b).sum(axis=1) / np.maximum(scale, 1e-12))

    def far_off(self, pose: _Pose, matches: _Matches) -> Floats:
        """Pixels (N,) from where the match would appear if it were very far away."""
        rays = np.column_stack([matches.first_px, np.ones(len(matches.first_px))])
        rays = rays @ np.linalg.inv(self.known.camera_matrix).T @ self.known.rotation @ pose.rotation.T
        px = pose.focal_px * rays[:, :2] / np.where(rays[:, 2:] > 0.05, rays[:, 2:], np.nan) + self.centre_px
        return np.asarray(np.linalg.norm(px - matches.second_px, axis=1))

    def agreeing(self, pose: _Pose, matches: _Matches) -> Flags:
        """On the epipolar line, and no farther along it than a thing one metre away could be."""
        baseline = float(np.linalg.norm(pose.centre_m - self.known.camera_m))
        reach = 4 * SIGMA_PX + pose.focal_px * baseline / 1.0
        on_line = np.abs(self.epipolar_off(pose, matches)) < 2.5 * SIGMA_PX
        return np.asarray(on_line & (self.far_off(pose, matches) < reach))

    def grounded(self, pose: _Pose, matches: _Matches) -> Flags:
        """Agreeing with the lawn's plane."""
        off = np.linalg.norm(self.ground_off(pose, matches), axis=1)
        return np.asarray(matches.maybe_ground & (off < 4 * SIGMA_PX))

    def score(self, pose: _Pose, matches: _Matches) -> float:
        """Matches that agree, those on the ground counting twice more; unusual standpoints pay."""
        moved = (pose.centre_m - self.known.camera_m) / STAND_SD_M
        agree = self.agreeing(pose, matches).sum() + 2.0 * self.grounded(pose, matches).sum()
        return float(agree - 0.5 * (moved**2).sum())

    def pairs_on_ground(self, pose: _Pose, here: _Features, there: _Features) -> tuple[Whole, Whole]:
        """Features that look alike and lie where the ground would put them, best match or not."""
        from scipy.spatial import cKDTree

        i = np.arange(len(here.px))
        flat = _Matches(
            here.px, np.zeros_like(here.px), _to_ground(self.known, here.px), np.ones(len(i), bool)
        )
        there_px = self.ground_off(pose, flat)
        i = i[np.isfinite(there_px).all(axis=1)]
        near = cKDTree(there.px).query(there_px[i], k=8, distance_upper_bound=8 * SIGMA_PX)[1]
        i, j = np.repeat(i, 8), near.ravel()
        i, j = i[j < len(there.px)], j[j < len(there.px)]  # the tree's word for none is its length
        likeness = (here.about[i] * there.about[j]).sum(axis=1)
        best = np.argsort(-likeness, kind="stable")[: int((likeness > 0.75).sum())]
        best = best[np.sort(np.unique(i[best], return_index=True)[1])]
        best = best[np.sort(np.unique(j[best], return_index=True)[1])]
        return i[best], j[best]

    # -- proposing and refining

    def propose(self, matches: _Matches) -> _Pose | None:
        """The best-scoring of many poses."""
        stretch = [1.0] if self.focal_sd < 0.1 else list(np.geomspace(0.65, 1.55, 9))
        poses = []
        for factor in stretch:
            focal = self.focal_px * factor
            poses += self._from_ground(matches, focal, 300 if len(stretch) == 1 else 100)
            poses += self._from_essential(matches, focal)
        return max(poses, key=lambda pose: self.score(pose, matches), default=None)

    def _from_ground(self, matches: _Matches, focal: float, tries: int) -> list[_Pose]:
        here = np.flatnonzero(matches.maybe_ground & np.isfinite(matches.on_ground_m).all(axis=1))
        if len(here) < 4:
            return []
        rng = np.random.default_rng(0)
        matrix = np.array([[focal, 0, self.centre_px[0]], [0, focal, self.centre_px[1]], [0, 0, 1]])
        flat = np.column_stack([matches.on_ground_m, np.zeros(len(matches.on_ground_m))])
        poses = []
        for _ in range(tries):
            pick = rng.choice(here, 3, replace=False)
            count, turns, shifts = cv2.solveP3P(
                flat[pick], matches.second_px[pick], matrix, None, cv2.SOLVEPNP_AP3P
            )
            for turn, shift in zip(turns, shifts, strict=True) if count else ():
                rotation = np.asarray(cv2.Rodrigues(turn)[0], float)
                centre = np.asarray(-rotation.T @ shift.ravel(), float)
                if np.isfinite(centre).all() and np.linalg.norm(centre - self.known.camera_m) < MOST_MOVED_M:
                    poses.append(_Pose(rotation, centre, focal))
        return poses

    def _from_essential(self, matches: _Matches, focal: float) -> list[_Pose]:
        a = np.column_stack([matches.first_px, np.ones(len(matches.first_px))])
        a = (a @ np.linalg.inv(self.known.camera_matrix).T)[:, :2]
        b = (matches.second_px - self.centre_px) / focal
        cv2.setRNGSeed(0)
        limit = 1.5 * SIGMA_PX / focal
        essential, keep = cv2.findEssentialMat(a, b, np.eye(3), cv2.USAC_MAGSAC, 0.999, limit)
        if essential is None or essential.shape != (3, 3):
            return []
        _, turn, shift, _ = cv2.recoverPose(essential, a, b, np.eye(3), mask=keep)
        rotation = np.asarray(turn @ self.known.rotation, float)
        away = -rotation.T @ shift.ravel()  # of the new camera, seen from the first, in the lawn's axes
        return [_Pose(rotation, self.known.camera_m + s * away, focal) for s in np.linspace(-1.5, 1.5, 61)]

    def refine(self, pose: _Pose, matches: _Matches) -> _Pose:
        """Robust least squares over pose and focal length, the ground matches chosen anew each round."""
        for _ in range(3):
            pose = _moved(pose, self._fit(pose, matches)[0])
        return pose

    def covariance(self, pose: _Pose, matches: _Matches) -> Floats:
        """(7, 7) of the step that ``_moved`` takes, from the fit's curvature."""
        jacobian = self._fit(pose, matches)[1]
        return np.asarray(np.linalg.inv(jacobian.T @ jacobian))

    def _fit(self, pose: _Pose, matches: _Matches) -> tuple[Floats, Floats]:
        """The best step from ``pose`` (7,), and the residuals' Jacobian there."""
        from scipy.optimize import least_squares

        used = matches.part(self.agreeing(pose, matches))
        ground = used.part(self.grounded(pose, used))

        def off(theta: Floats) -> Floats:
            moved = _moved(pose, theta)
            flat = np.nan_to_num(self.ground_off(moved, ground), nan=1e3).ravel() / SIGMA_PX
            line = self.epipolar_off(moved, used) / SIGMA_PX
            stand = (moved.centre_m - self.known.camera_m) / STAND_SD_M
            lens = [np.log(moved.focal_px / self.focal_px) / self.focal_sd]
            # Cauchy's weight on measured places only: the usual standpoint is no outlier
            return np.concatenate([_cauchy(flat), _cauchy(line), stand, lens])

        scale = [0.01, 0.01, 0.01, 0.1, 0.1, 0.1, 0.01]
        found = least_squares(off, np.zeros(7), x_scale=scale, max_nfev=30)
        return np.asarray(found.x), np.asarray(found.jac)


def _cauchy(off: Floats) -> Floats:
    """Residuals whose squares are the Cauchy loss of ``off``."""
    return np.asarray(np.sign(off) * np.sqrt(np.log1p(off**2)))


def _moved(pose: _Pose, theta: Floats) -> _Pose:
    turn = np.asarray(cv2.Rodrigues(theta[:3])[0] @ pose.rotation, float)
    return _Pose(turn, pose.centre_m + theta[3:6], pose.focal_px * float(np.exp(theta[6])))


def _leaving_out(solver: _Solver, pose: _Pose, matches: _Matches, *, groups: int = 6) -> list[_Pose]:
    """The pose solved again, a sixth of the picture's tiles left out at a time; none if few are left."""
    column, row = (matches.first_px // (LONG_SIDE_PX / 10)).astype(int).T
    group = (column + 4 * row) % groups
    rests = [matches.part(group != left_out) for left_out in range(groups)]
    if min(len(rest.first_px) for rest in rests) < 12:
        return []
    return [solver.refine(pose, rest) for rest in rests]


def _spread_m(pose: _Pose, others: list[_Pose], outline: Floats) -> float:
    """Delete-a-group jackknife: one sd of a lawn point's place, root mean square over the lawn."""
    if not others:
        return float("inf")
    points = _lawn_points(outline)
    squares = sum(_displaced_m(pose, other, points) ** 2 for other in others)
    return float(np.sqrt((len(others) - 1) / len(others) * np.mean(squares)))


def _curvature_m(solver: _Solver, pose: _Pose, matches: _Matches, outline: Floats) -> float:
    """The same from the fit's curvature: leaving out parts says little where few matches bear it all."""
    value, axis = np.linalg.eigh(solver.covariance(pose, matches))
    steps = axis * np.sqrt(np.maximum(value, 0))
    points = _lawn_points(outline)
    squares = sum(_displaced_m(pose, _moved(pose, step), points) ** 2 for step in steps.T)
    return float(np.sqrt(np.mean(squares)))


def _covariance(pose: _Pose, others: list[_Pose]) -> Floats:
    """(7, 7) of rotation vector, translation and log focal length, by the same jackknife."""

    def theta(some: _Pose) -> Floats:
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


def _displaced_m(pose: _Pose, other: _Pose, points: Floats) -> Floats:
    """How far each lawn point moves when the picture is read with one pose instead of the other, (N,)."""
    flat = np.column_stack([points, np.zeros(len(points))])
    seen = (flat - other.centre_m) @ other.rotation.T
    rays = np.column_stack(
        [other.focal_px * seen[:, :2] / np.maximum(seen[:, 2:], 0.05) / pose.focal_px, np.ones(len(seen))]
    )
    rays = rays @ pose.rotation
    reach = -pose.centre_m[2] / np.where(rays[:, 2] < -1e-3, rays[:, 2], -1e-3)
    return np.asarray(np.linalg.norm(pose.centre_m[:2] + reach[:, None] * rays[:, :2] - points, axis=1))
