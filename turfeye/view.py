"""The view: which point of the lawn each pixel shows, how obliquely, how finely, and how well placed.

A pinhole camera over a plane: lawn point X (metres, z up) is at R X + t before the camera, and appears at
K (R X + t). The pose is the most likely one given the marked or found points and what is known of the focal
length: the header's figure to 2 %, else a phone's usual 26 mm to 20 % (35 mm equivalent). Seen from straight
above, height and focal length trade off and no picture tells them apart: there the answer stays near the
usual phone, places on the ground stay good, and only ``height_m`` is as uncertain as the focal length.

Cover seen obliquely is too high, since blades hide the soil: `gapfraction` brings it to straight down.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from typing import Any, Final, NamedTuple

import cv2
import numpy as np

from turfeye import outline
from turfeye.card_layout import CARD
from turfeye.errors import ViewError
from turfeye.photo import focal_from_35mm
from turfeye.records import Floats, Photo, Sighting, View

OBLIQUE_DEG: Final = 35.0
"""Tilted further than this from straight down, a photo is none from above: it shows more than lawn, and of
the lawn more blades than gaps. Ours."""
USUAL_FOCAL_35MM: Final = 26.0
"""A phone's main camera; common practice, no source."""
EXIF_FOCAL_SD: Final = 0.02
"""Relative: the header rounds to whole millimetres, and phones crop a little for stabilisation. Ours."""
UNKNOWN_FOCAL_SD: Final = 0.20
"""Relative: phones' main cameras lie between 22 and 35 mm. Ours."""
FREE_FOCAL_SD: Final = 0.5
"""Relative: where corners are to tell the lens, so that it stays a lens."""
BY_HAND_SD: Final = 0.004
"""Of the picture's width, by which corners that somebody marked are off. Ours."""
MARKER_SD_PX: Final = 0.3
"""Least error of a found marker corner. Sub-pixel refinement is good to about 0.25 px at 12 MP. Measured."""
MISFIT_SDS: Final = 6.0
"""Marked corners that miss by this many times their own error are refused."""

# ------------------------------------------------------------------------------------------------ making


def from_card(photo: Photo, sighting: Sighting, *, rule_mm: float = CARD.rule_mm) -> View:
    """The view of a photo by the card in it: origin at the card's centre, x along its long side.

    ``rule_mm`` is what the card's 100 mm rule measures as printed: all lengths are in its proportion.
    Raises ViewError when the markers' corners are too few or don't fit a flat card.
    """
    marked = _Marked.by_card(photo, sighting, rule_mm / CARD.rule_mm)
    if len(marked.points_m) < 4:
        raise ViewError("wanted at least one whole marker of the card, got none; show the card in full")
    fit = marked.fit()
    if fit is None or fit.rms_px > marked.limit_px(0.01):
        miss = "no pose at all" if fit is None else f"corners off by {fit.rms_px:.1f} px"
        raise ViewError(
            f"wanted a flat card, got {miss}; lay the card flat on the lawn and take the photo again"
        )
    return fit.view("spot", photo)


def from_corners(
    photo: Photo, corners_px: Floats, outline_m: Floats, *, corner_sd_px: float | None = None
) -> View:
    """The view of a photo in which the outline's corners are marked.

    Parameters
    ----------
    corners_px : (K, 2) pixels of the upright picture, K >= 4, in the outline's order
    outline_m : (K, 2) metres
    corner_sd_px : how well a corner is marked; by default a thousandth of the width, at least 2 px

    Raises
    ------
    ViewError : too few corners, an outline or marks that cross, the wrong order (naming what to change), or
        marks that fit no camera
    """
    points_px, points_m = np.asarray(corners_px, dtype=float), np.asarray(outline_m, dtype=float)
    _check_corners(points_px, points_m)
    sd_px = max(2.0, 1e-3 * photo.size_px[0]) if corner_sd_px is None else corner_sd_px
    marked = _Marked.of(photo, points_m, points_px, sd_px)
    fit, limit = marked.fit_in_order(), marked.limit_px(0.02)
    if fit is None or fit.rms_px > 3 * sd_px:
        orders = _orders_that_fit(marked, limit if fit is None else fit.rms_px / 2.5)
        if orders:
            raise ViewError(
                f"wanted corners in the outline's order, got them in another; {_as_words(orders, points_px)}"
            )
    if fit is None or fit.rms_px > limit:
        miss = "" if fit is None else f" (off by {fit.rms_px:.0f} px)"
        raise ViewError(
            f"wanted corners that a camera above this outline could see, got marks that fit none{miss}; "
            f"check each mark and the outline's lengths: {outline.sides_told(points_m)}"
        )
    return fit.view("lawn", photo)


def lens_by_corners(photo: Photo, corners_px: Floats, outline_m: Floats) -> tuple[float, float, float] | None:
    """The lens by which marked corners fit the outline best, whatever the header says: its focal length as on
    35 mm film, how sure that is (relative), and by how many pixels the corners miss all the same.

    None where no camera sees them so. Seen obliquely, an outline that is too long or too narrow wants another
    lens than took the photo; one that is larger all over wants none, since the camera stands higher then.
    """
    marked = _Marked.of(photo, outline_m, corners_px, BY_HAND_SD * photo.size_px[0])
    fit = marked.fit(focal_sd=FREE_FOCAL_SD)
    if fit is None:
        return None
    return fit.focal_px / focal_from_35mm(1.0, photo.size_px), fit.focal_sd, fit.rms_px


def lens_by_card(photo: Photo, sighting: Sighting) -> tuple[float, float] | None:
    """How many times as long as its header's a photo's lens is by the card's shape in it, and how sure that
    is (relative); None where the header tells none, or no camera sees the card so.

    Seen from straight above, and of a small card, nothing is sure.
    """
    if photo.focal_px is None:
        return None
    fit = _Marked.by_card(photo, sighting).fit(focal_sd=FREE_FOCAL_SD)
    return None if fit is None else (fit.focal_px / photo.focal_px, fit.focal_sd)


def resized(view: View, size_px: tuple[int, int]) -> View:
    """The same view of the picture at another size (pixel centres stay at integers)."""
    scale = np.array(size_px) / np.array(view.size_px)
    shrink = np.array([[scale[0], 0, (scale[0] - 1) / 2], [0, scale[1], (scale[1] - 1) / 2], [0, 0, 1]])
    return replace(
        view,
        size_px=size_px,
        camera_matrix=shrink @ view.camera_matrix,
        corner_sd_px=view.corner_sd_px * float(scale.mean()),
    )


def as_dict(view: View) -> dict[str, Any]:
    """Plain JSON, from which ``from_dict`` makes the same view again."""
    return {
        f.name: value.tolist() if isinstance(value := getattr(view, f.name), np.ndarray) else value
        for f in fields(view)
    }


def from_dict(facts: dict[str, Any]) -> View:
    """The view that ``as_dict`` wrote."""
    arrays = ("camera_matrix", "rotation", "translation", "pose_cov")
    known = {n: np.array(v, float) if n in arrays and v is not None else v for n, v in facts.items()}
    return View(**{**known, "size_px": tuple(facts["size_px"])})  # type: ignore[arg-type]


def _check_corners(points_px: Floats, points_m: Floats) -> None:
    shapes = points_px.shape, points_m.shape
    if (
        points_px.ndim != 2
        or points_px.shape != points_m.shape
        or points_m.shape[1] != 2
        or len(points_m) < 4
    ):
        raise ViewError(
            f"wanted one marked pixel for each of at least four corners, got {shapes[0][0]} marks for "
            f"{shapes[1][0]} corners; mark every corner of the outline once, in its order"
        )
    if not (np.isfinite(points_px).all() and np.isfinite(points_m).all()):
        raise ViewError("wanted numbers for all corners, got some that are not; write x and y of each")
    crossing = outline.crossing_sides(points_m)
    if crossing is not None:
        i, j = crossing
        raise ViewError(
            f"wanted an outline in walking order, got side {i + 1} crossing side {j + 1}; "
            "write the corners in the order in which one walks round the lawn"
        )
    if outline.signed_area(points_m) < 0.01:
        raise ViewError(
            "wanted an outline that goes round anticlockwise (the lawn to the left of its first side), got "
            "one that goes clockwise or holds no area; write its corners in the opposite order"
        )


def _orders_that_fit(marked: _Marked, limit_px: float) -> list[tuple[int, ...]]:
    """The mistaken orders of marks that fit to ``limit_px``: of good ones those of fewest changes, A kept.

    More than one for a lawn that looks alike after a part of a turn, as a rectangle does after a half.
    """
    tries: dict[tuple[bool, int, bool], list[tuple[int, ...]]] = {}
    for order in outline.mistaken_orders(len(marked.points_m)):
        fit = replace(marked, points_px=marked.points_px[list(order)]).fit_in_order()
        if fit is not None and fit.rms_px < limit_px:
            changes = sum(i != k for i, k in enumerate(order))
            key = fit.rms_px > 3 * marked.sd_px, changes, order[0] != 0
            tries.setdefault(key, []).append(order)
    return tries[min(tries)] if tries else []


def _as_words(orders: list[tuple[int, ...]], points_px: Floats) -> str:
    names = outline.corner_names(len(points_px))
    told = [
        f"{', '.join(names[k] for k in order)}: in lawn.toml corners_px = "
        f"{points_px[list(order)].round(1).tolist()}"
        for order in orders
    ]
    if len(told) > 1:  # tape distances run from corner A, so it matters which it is
        way = "in whichever of these orders of the present marks begins at the lawn's corner A"
        return f"mark them {way}: {'; or '.join(told)}"
    moved = [names[i] for i, k in enumerate(orders[0]) if i != k]
    if len(moved) == 2:
        return f"swap corners {moved[0]} and {moved[1]}: {told[0].split(': ', 1)[1]}"
    return f"mark them in this order of the present marks: {told[0]}"


@dataclass(frozen=True, eq=False)
class _Fit:
    """A pose with its focal length: theta is rotation vector, translation, log focal length."""

    theta: Floats  # (7,)
    covariance: Floats  # (7, 7)
    rms_px: float
    sd_px: float

    @property
    def focal_px(self) -> float:
        return math.exp(self.theta[6])

    @property
    def focal_sd(self) -> float:
        """Relative."""
        return math.sqrt(self.covariance[6, 6])

    def view(self, kind: str, photo: Photo) -> View:
        return View(
            kind=kind,  # type: ignore[arg-type]
            size_px=photo.size_px,
            camera_matrix=camera_matrix(self.focal_px, photo.size_px),
            rotation=np.asarray(cv2.Rodrigues(self.theta[:3])[0], dtype=float),
            translation=self.theta[3:6].copy(),
            focal_from="solved" if photo.focal_px is None else "exif",
            corner_sd_px=self.sd_px,
            pose_cov=self.covariance,
        )


@dataclass(frozen=True, eq=False)
class _Marked:
    """Points of the ground and where a photo shows them: all that its pose and lens are told from."""

    points_m: Floats  # (K, 3), z 0
    points_px: Floats  # (K, 2)
    sd_px: float  # what each is off by
    size_px: tuple[int, int]  # of the photo
    header_focal_px: float | None

    @classmethod
    def of(cls, photo: Photo, points_m: Floats, points_px: Floats, sd_px: float) -> _Marked:
        """Points (K, 2) in metres and in pixels."""
        flat = np.asarray(points_m, dtype=float)
        points = np.column_stack([flat, np.zeros(len(flat))])
        return cls(points, np.asarray(points_px, dtype=float), sd_px, photo.size_px, photo.focal_px)

    @classmethod
    def by_card(cls, photo: Photo, sighting: Sighting, true_size: float = 1.0) -> _Marked:
        """The corners of a card's markers; it is so many times its nominal size."""
        points_m, points_px = (
            np.asarray(points, dtype=float).reshape(-1, 2)
            for points in (sighting.marker_corners_m, sighting.marker_corners_px)
        )
        sd_px = max(MARKER_SD_PX, float(sighting.reprojection_px))
        return cls.of(photo, true_size * points_m, points_px, sd_px)

    def limit_px(self, share: float) -> float:
        """What a pose may miss them by: so much of their own error, or this share of how far they reach."""
        return max(MISFIT_SDS * self.sd_px, share * float(np.ptp(self.points_px, axis=0).max()))

    def fit_in_order(self) -> _Fit | None:
        """As `fit`, of an outline's corners; None too where these go round the other way, or cross."""
        crossed = outline.crossing_sides(self.points_px) is not None
        return None if crossed or outline.signed_area(self.points_px) >= 0 else self.fit()

    def fit(self, *, focal_sd: float | None = None) -> _Fit | None:
        """The most likely pose and focal length; None when no camera above the ground sees the points so.

        ``focal_sd`` is how well the focal length is known, relative: by default as the header or a phone
        has it.

        Starts from both planar poses (IPPE) at several focal lengths, then damped Gauss-Newton on all seven:
        each start as far as tells which is the best, that one to the end.
        """
        usual = self.header_focal_px or focal_from_35mm(USUAL_FOCAL_35MM, self.size_px)
        prior_sd = focal_sd or (UNKNOWN_FOCAL_SD if self.header_focal_px is None else EXIF_FOCAL_SD)
        log_focal = (math.log(usual), prior_sd)
        best: _Minimum | None = None
        for stretch in (1.0,) if prior_sd < UNKNOWN_FOCAL_SD else (1.0, 0.75, 1.35):
            matrix = camera_matrix(usual * stretch, self.size_px)
            _, rotations, translations, _ = cv2.solvePnPGeneric(
                self.points_m, self.points_px, matrix, None, flags=cv2.SOLVEPNP_IPPE
            )
            for turn, shift in zip(rotations, translations, strict=True):
                start = np.concatenate([turn.ravel(), shift.ravel(), [math.log(usual * stretch)]])
                found = self._refined(start, log_focal, until=1e-3)
                if found is not None and (best is None or found.cost < best.cost):
                    best = found
        if best is not None:
            best = self._refined(best.theta, log_focal, until=1e-10)
        if best is None:
            return None
        rms = float(np.sqrt(np.mean(np.sum(best.miss**2, axis=1))))
        # each corner is off in x and in y
        spread = max(1.0, float(np.sum((best.miss / self.sd_px) ** 2)) / max(best.miss.size - 6, 1))
        return _Fit(best.theta, np.linalg.inv(best.normal) * spread, rms, self.sd_px)

    def _refined(self, theta: Floats, log_focal: tuple[float, float], *, until: float) -> _Minimum | None:
        """The nearest minimum; None below the ground.

        It is reached where a step takes off less than ``until`` of the cost and one.
        """

        def at(now: Floats) -> tuple[float, Floats, Floats]:
            seen, jacobian = _projected(now, self.points_m, self.size_px)
            miss = self.points_px - seen
            pull = (now[6] - log_focal[0]) / log_focal[1]
            return float(np.sum((miss / self.sd_px) ** 2) + pull**2), miss, jacobian

        damping = 1e-3
        cost, miss, jacobian = at(theta)
        normal = np.eye(7)
        for _ in range(60):
            normal = jacobian.T @ jacobian / self.sd_px**2
            gradient = jacobian.T @ miss.ravel() / self.sd_px**2
            normal[6, 6] += 1 / log_focal[1] ** 2
            gradient[6] -= (theta[6] - log_focal[0]) / log_focal[1] ** 2
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), gradient)
            new = at(theta + step)
            if not math.isfinite(new[0]) or new[0] > cost:
                damping *= 10
                if damping > 1e8:
                    break
                continue
            gain, theta, damping = cost - new[0], theta + step, max(damping / 10, 1e-12)
            cost, miss, jacobian = new
            if gain < until * (1 + cost):
                break
        rotation = cv2.Rodrigues(theta[:3])[0]
        camera = -rotation.T @ theta[3:6]
        ahead = self.points_m @ rotation[2] + theta[5]
        if not np.isfinite(theta).all() or camera[2] <= 0 or np.any(ahead <= 0):
            return None
        return _Minimum(cost, theta, normal, miss)


class _Minimum(NamedTuple):
    """Where the points' misfit is least."""

    cost: float
    theta: Floats  # (7,), as in _Fit
    normal: Floats  # (7, 7), the normal matrix there
    miss: Floats  # (K, 2), pixels


def camera_matrix(focal_px: float, size_px: tuple[int, int]) -> Floats:
    """(3, 3) of a pinhole camera whose axis goes through the picture's middle; ``size_px`` is (W, H)."""
    width, height = size_px
    return np.array([[focal_px, 0, (width - 1) / 2], [0, focal_px, (height - 1) / 2], [0, 0, 1.0]])


def _projected(theta: Floats, object_points: Floats, size_px: tuple[int, int]) -> tuple[Floats, Floats]:
    """Pixels (N, 2) of lawn points (N, 3), and their derivative (2N, 7) by theta."""
    matrix = camera_matrix(math.exp(theta[6]), size_px)
    at, jacobian = cv2.projectPoints(object_points, theta[:3], theta[3:6], matrix, np.zeros(5))
    pixels = np.asarray(at, dtype=float).reshape(-1, 2)
    by_focal = (pixels - matrix[:2, 2]).reshape(-1, 1)
    return pixels, np.hstack([jacobian[:, :6], by_focal])


# ------------------------------------------------------------------------------------------------- using


def project(view: View, xy_m: Floats) -> Floats:
    """Pixels (..., 2) of lawn points (..., 2) in metres; NaN behind the camera."""
    xy = np.asarray(xy_m, dtype=float)
    plane = view.plane
    at = xy @ plane[:, :2].T + plane[:, 2]
    depth = at[..., 2:]
    return np.where(depth > 1e-9, at[..., :2] / np.where(depth > 1e-9, depth, 1.0), np.nan)


def unproject(view: View, xy_px: Floats) -> Floats:
    """Lawn points (..., 2) in metres that pixels (..., 2) show; NaN at and above the horizon."""
    xy = np.asarray(xy_px, dtype=float)
    back = np.linalg.inv(view.plane)
    at = xy @ back[:, :2].T + back[:, 2]
    scale = at[..., 2:]  # one over the depth, so above 0 before the camera
    return np.where(scale > 1e-9, at[..., :2] / np.where(scale > 1e-9, scale, 1.0), np.nan)


def zenith_deg(view: View, xy_m: Floats) -> Floats:
    """Angle at each lawn point between straight up and the camera, degrees."""
    away = np.asarray(xy_m, dtype=float) - view.camera_m[:2]
    return np.degrees(np.arctan2(np.hypot(away[..., 0], away[..., 1]), view.height_m))


def ground_area_m2(view: View, xy_m: Floats) -> Floats:
    """Ground that one pixel covers at each lawn point, square metres; NaN behind the camera."""
    plane = view.plane
    depth = np.asarray(xy_m, dtype=float) @ plane[2, :2] + plane[2, 2]
    return np.where(depth > 0, np.abs(depth) ** 3 / abs(np.linalg.det(plane)), np.nan)


def gsd_mm(view: View, xy_m: Floats) -> Floats:
    """Ground sample distance at each lawn point: geometric mean of the two directions, millimetres."""
    return 1000.0 * np.sqrt(ground_area_m2(view, xy_m))


def placement_m(view: View, xy_m: Floats) -> Floats:
    """How well the pose places each lawn point: one standard deviation of its distance error, metres.

    The pose's covariance carried through to the ground point that a fixed pixel shows; 0 for a view that is
    given (simulated).
    """
    xy = np.asarray(xy_m, dtype=float)
    if view.pose_cov is None:
        return np.zeros(xy.shape[:-1])
    moved = ground_by_pose(view, xy)
    return np.sqrt(np.einsum("...ij,jk,...ik->...", moved, view.pose_cov, moved))


def ground_by_pose(view: View, xy_m: Floats) -> Floats:
    """How each lawn point (..., 2) that a fixed pixel shows moves with the pose, (..., 2, 7); NaN behind it.

    The pose's seven are those of ``pose_cov``: rotation vector, translation, log focal length.
    """
    xy = np.asarray(xy_m, dtype=float)
    points = np.column_stack([xy.reshape(-1, 2), np.zeros(xy.size // 2)])
    focal = math.log(view.focal_px)
    theta = np.concatenate([cv2.Rodrigues(view.rotation)[0].ravel(), view.translation, [focal]])
    _, by_pose = _projected(theta, points, view.size_px)
    plane = view.plane
    at = points[:, :2] @ plane[:, :2].T + plane[:, 2]
    depth = at[:, 2, None, None]
    pixel = at[:, :2] / at[:, 2:]
    by_ground = (plane[None, :2, :2] - pixel[:, :, None] * plane[None, 2:, :2]) / depth
    moved = np.linalg.solve(by_ground, by_pose.reshape(-1, 2, 7))
    moved[at[:, 2] <= 0] = np.nan
    return moved.reshape(*xy.shape, 7)
