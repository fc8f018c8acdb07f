"""The pose of a second camera over the lawn, from features matched with a first whose pose is known.

Some matches may lie on the lawn's plane, which the first view knows in metres: three of them give a pose, and
the plane gives its scale. All others, whatever their depth, must lie on their epipolar lines (Sampson's
distance). Poses are proposed from triples of ground matches and from the essential matrix at many scales,
scored on all matches, and the best refined by robust least squares.

References: Nister 2004 (five-point relative pose), Hartley and Zisserman 2004 (Sampson distance, ch. 11),
Barath et al. 2020 (MAGSAC++).
"""

from __future__ import annotations

from copy import copy
from dataclasses import dataclass, fields
from typing import Final

import cv2
import numpy as np

from turfeye.records import Flags, Floats, View, Whole
from turfeye.view import camera_matrix

SIGMA_PX: Final = 1.0
"""Of a matched feature's place, in pixels of that size."""
STAND_SD_M: Final = np.array([0.6, 0.6, 0.3])
"""How far from the first standing point a photo is usually taken: sideways, sideways, up. Ours, wide."""
AIM_SD_RAD: Final = 0.25
"""How far it is usually turned. Ours, wide."""
MOST_MOVED_M: Final = 2.5
MIDDLE_SD: Final = 0.15
"""Of the width: how far beside a picture that was cut out of a larger one the lens' middle may lie. Ours."""


@dataclass(frozen=True, eq=False, slots=True)
class Matches:
    """Matched features in both photos, and where the first would lie if it were on the ground."""

    first_px: Floats  # (N, 2) at working size
    second_px: Floats  # (N, 2)
    on_ground_m: Floats  # (N, 2)
    maybe_ground: Flags  # (N,)

    def part(self, keep: Flags) -> Matches:
        """Those marked in ``keep``."""
        return Matches(*(getattr(self, f.name)[keep] for f in fields(self)))

    def joined(self, more: Matches) -> Matches:
        """Both, each place in the first photo once."""
        both = [np.concatenate([getattr(self, f.name), getattr(more, f.name)]) for f in fields(self)]
        _, once = np.unique(np.rint(both[0]), axis=0, return_index=True)
        return Matches(*(column[np.sort(once)] for column in both))


@dataclass(frozen=True, eq=False, slots=True)
class Features:
    """Where something is seen, and what it looks like there."""

    px: Floats  # (N, 2)
    about: Floats  # (N, 128), RootSIFT, unit length


@dataclass(frozen=True, eq=False, slots=True)
class Pose:
    """Lawn to second camera: X -> R (X - c), focal length at working size."""

    rotation: Floats
    centre_m: Floats
    focal_px: float


class Solver:
    """Finds the second camera's pose from matches, given the first."""

    def __init__(
        self,
        known: View,
        size_px: tuple[int, int],
        focal: tuple[float, float],
        *,
        centre_px: Floats | None = None,
    ) -> None:
        self.known, self.size_px = known, size_px
        self.centre_px = (np.array(size_px) - 1) / 2 if centre_px is None else centre_px  # where the lens' is
        self.focal_px, self.focal_sd = focal

    def matrix(self, focal_px: float) -> Floats:
        """(3, 3) of the second camera with this focal length."""
        matrix = camera_matrix(focal_px, self.size_px)
        matrix[:2, 2] = self.centre_px
        return matrix

    # -- what a pose says about matches

    def ground_off(self, pose: Pose, matches: Matches) -> Floats:
        """Pixels (N, 2) between where a ground match should appear and where it does."""
        flat = np.column_stack([matches.on_ground_m, np.zeros(len(matches.on_ground_m))])
        before = (flat - pose.centre_m) @ pose.rotation.T
        with np.errstate(divide="ignore", invalid="ignore"):
            px = pose.focal_px * before[:, :2] / np.where(before[:, 2:] > 0.05, before[:, 2:], np.nan)
        return np.asarray(px + self.centre_px - matches.second_px)

    def epipolar_off(self, pose: Pose, matches: Matches) -> Floats:
        """Signed Sampson distance in pixels, (N,)."""
        turn = pose.rotation @ self.known.rotation.T
        shift = pose.rotation @ (self.known.camera_m - pose.centre_m)
        cross = np.array([[0, -shift[2], shift[1]], [shift[2], 0, -shift[0]], [-shift[1], shift[0], 0]])
        inverse = np.diag([1 / pose.focal_px, 1 / pose.focal_px, 1.0])
        inverse[:2, 2] = -self.centre_px / pose.focal_px
        fundamental = inverse.T @ cross @ turn @ np.linalg.inv(self.known.camera_matrix)
        # coordinate by coordinate: sums over the three of each match take four times as long
        (x, y), a = matches.second_px.T, matches.first_px.T
        u, v, w = fundamental[:, :2] @ a + fundamental[:, 2:]  # the line in the second photo
        p, q = fundamental[:2, :2].T @ matches.second_px.T + fundamental[2:, :2].T  # and in the first
        return np.asarray((x * u + y * v + w) / np.maximum(np.sqrt(u * u + v * v + p * p + q * q), 1e-12))

    def far_off(self, pose: Pose, matches: Matches) -> Floats:
        """Pixels (N,) from where the match would appear if it were very far away."""
        rays = np.column_stack([matches.first_px, np.ones(len(matches.first_px))])
        rays = rays @ np.linalg.inv(self.known.camera_matrix).T @ self.known.rotation @ pose.rotation.T
        px = pose.focal_px * rays[:, :2] / np.where(rays[:, 2:] > 0.05, rays[:, 2:], np.nan) + self.centre_px
        return np.asarray(np.linalg.norm(px - matches.second_px, axis=1))

    def agreeing(self, pose: Pose, matches: Matches) -> Flags:
        """On the epipolar line, and no farther along it than a thing one metre away could be."""
        baseline = float(np.linalg.norm(pose.centre_m - self.known.camera_m))
        reach = 4 * SIGMA_PX + pose.focal_px * baseline / 1.0
        on_line = np.abs(self.epipolar_off(pose, matches)) < 2.5 * SIGMA_PX
        return np.asarray(on_line & (self.far_off(pose, matches) < reach))

    def grounded(self, pose: Pose, matches: Matches) -> Flags:
        """Agreeing with the lawn's plane."""
        off = np.linalg.norm(self.ground_off(pose, matches), axis=1)
        return np.asarray(matches.maybe_ground & (off < 4 * SIGMA_PX))

    def score(self, pose: Pose, matches: Matches) -> float:
        """Matches that agree, those on the ground counting twice more; unusual standpoints pay."""
        strayed = (pose.centre_m - self.known.camera_m) / STAND_SD_M
        agree = self.agreeing(pose, matches).sum() + 2.0 * self.grounded(pose, matches).sum()
        return float(agree - 0.5 * (strayed**2).sum())

    def pairs_on_ground(self, pose: Pose, here: Features, there: Features) -> tuple[Whole, Whole]:
        """Features that look alike and lie where the ground would put them, best match or not."""
        from scipy.spatial import cKDTree

        i = np.arange(len(here.px))
        flat = Matches(here.px, np.zeros_like(here.px), to_ground(self.known, here.px), np.ones(len(i), bool))
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

    def propose(self, matches: Matches) -> Pose | None:
        """The best-scoring of many poses."""
        stretch = [1.0] if self.focal_sd < 0.1 else list(np.geomspace(0.65, 1.55, 9))
        poses = []
        for factor in stretch:
            focal = self.focal_px * factor
            poses += self._from_ground(matches, focal, 300 if len(stretch) == 1 else 100)
            poses += self._from_essential(matches, focal)
        return max(poses, key=lambda pose: self.score(pose, matches), default=None)

    def _from_ground(self, matches: Matches, focal: float, tries: int) -> list[Pose]:
        here = np.flatnonzero(matches.maybe_ground & np.isfinite(matches.on_ground_m).all(axis=1))
        if len(here) < 4:
            return []
        rng = np.random.default_rng(0)
        matrix = self.matrix(focal)
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
                    poses.append(Pose(rotation, centre, focal))
        return poses

    def _from_essential(self, matches: Matches, focal: float) -> list[Pose]:
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
        return [Pose(rotation, self.known.camera_m + s * away, focal) for s in np.linspace(-1.5, 1.5, 61)]

    def refine(self, pose: Pose, matches: Matches) -> Pose:
        """Robust least squares over pose and focal length, the ground matches chosen anew each round."""
        for _ in range(3):
            pose = moved(pose, self._fit(pose, matches)[0])
        return pose

    def cut_out(self, pose: Pose, matches: Matches, focal_sd: float) -> tuple[Solver, Pose]:
        """The same for a picture that was cut out of a larger one: whatever lens, its middle anywhere near.

        Gives a solver that has that middle, and leaves the focal length as free as ``focal_sd``, relative.
        """
        width, middle = self.size_px[0], (np.array(self.size_px) - 1) / 2
        cut = Solver(self.known, self.size_px, (self.focal_px, focal_sd), centre_px=self.centre_px)
        for _ in range(4):
            step = cut._fit(pose, matches, beside=(middle, MIDDLE_SD * width))[0]
            pose, centre_px = moved(pose, step[:7]), cut.centre_px + width * step[7:]
            cut = Solver(self.known, self.size_px, (self.focal_px, focal_sd), centre_px=centre_px)
        return cut, pose

    def covariance(self, pose: Pose, matches: Matches) -> Floats:
        """(7, 7) of the step that ``moved`` takes, from the fit's curvature."""
        jacobian = self._fit(pose, matches)[1]
        return np.asarray(np.linalg.inv(jacobian.T @ jacobian))

    def _fit(
        self, pose: Pose, matches: Matches, *, beside: tuple[Floats, float] | None = None
    ) -> tuple[Floats, Floats]:
        """The best step from ``pose`` (7,), and the residuals' Jacobian there.

        With ``beside``, a middle and how far from it in pixels the lens' may be, that moves too: (9,), the
        last two as shares of the width.
        """
        from scipy.optimize import least_squares

        used = matches.part(self.agreeing(pose, matches))
        ground = used.part(self.grounded(pose, used))

        def off(theta: Floats) -> Floats:
            there, lens_of, aside = moved(pose, theta[:7]), self, np.zeros(0)
            if beside is not None:
                lens_of = copy(self)
                lens_of.centre_px = centre_px = self.centre_px + self.size_px[0] * theta[7:]
                aside = (centre_px - beside[0]) / beside[1]
            flat = np.nan_to_num(lens_of.ground_off(there, ground), nan=1e3).ravel() / SIGMA_PX
            line = lens_of.epipolar_off(there, used) / SIGMA_PX
            stand = (there.centre_m - self.known.camera_m) / STAND_SD_M
            lens = [np.log(there.focal_px / self.focal_px) / self.focal_sd]
            aim = cv2.Rodrigues(there.rotation @ self.known.rotation.T)[0].ravel() / AIM_SD_RAD
            # Cauchy's weight on measured places only: the usual standpoint is no outlier
            return np.concatenate([_cauchy(flat), _cauchy(line), stand, aim, lens, aside])

        scale = [0.01, 0.01, 0.01, 0.1, 0.1, 0.1, 0.01, *(0.01, 0.01)[: 0 if beside is None else 2]]
        found = least_squares(off, np.zeros(len(scale)), method="lm", x_scale=scale, max_nfev=240)
        return np.asarray(found.x), np.asarray(found.jac)


def _cauchy(off: Floats) -> Floats:
    """Residuals whose squares are the Cauchy loss of ``off``."""
    return np.asarray(np.sign(off) * np.sqrt(np.log1p(off**2)))


def moved(pose: Pose, theta: Floats) -> Pose:
    """The pose after a step (7,): turn (axis times angle, rad), shift of the camera (m), log focal length."""
    turn = np.asarray(cv2.Rodrigues(theta[:3])[0] @ pose.rotation, float)
    return Pose(turn, pose.centre_m + theta[3:6], pose.focal_px * float(np.exp(theta[6])))


def to_ground(view: View, px: Floats) -> Floats:
    """Where the rays meet the lawn's plane, (N, 2); NaN above the horizon."""
    rays = np.column_stack([px, np.ones(len(px))]) @ np.linalg.inv(view.camera_matrix).T @ view.rotation
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = -view.camera_m[2] / rays[:, 2]
        ground = view.camera_m[:2] + reach[:, None] * rays[:, :2]
    ground[~(reach > 0)] = np.nan
    return np.asarray(ground)
