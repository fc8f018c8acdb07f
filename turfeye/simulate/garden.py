"""What lies around a lawn: paving, beds, fences, walls, hedges, houses, trees, people, things left about.

Each side of the lawn gets bands of ground (path, patio, bed) and then something upright; the corners are
mitred. The side nearest the camera stays low, so that a photo taken from there sees the lawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from turfeye.records import Floats
from turfeye.simulate import furniture, plants, surfaces
from turfeye.simulate.boundary import boundary
from turfeye.simulate.mesh import Part
from turfeye.simulate.shapes import box, join, painted, placed, sheet

Bands = tuple[tuple[str, float], ...]
"""Kinds of ground outward from a lawn's side, each with its width in metres."""
GROUND_M = -0.045  # paving and beds lie a little below the lawn's soil
BED_M = -0.03


@dataclass(frozen=True, eq=False, slots=True)
class _Side:
    """One side of the lawn: its line, bands of ground outward, and what stands at the end."""

    start: Floats  # (2,)
    end: Floats
    out: Floats  # (2,), unit, away from the lawn
    bands: Bands
    upright: str  # one of `boundary.KINDS`
    near: bool  # the camera stands on this side

    @property
    def width_m(self) -> float:
        """Of all bands."""
        return sum(width for _, width in self.bands)


def make_garden(
    outline_m: Floats,
    rng: np.random.Generator,
    *,
    camera_m: Sequence[float] | None = None,
    today: np.random.Generator | None = None,
) -> list[Part]:
    """Surroundings of a lawn, different with every state of ``rng``.

    Parameters
    ----------
    outline_m : (K, 2), the lawn's corners, anticlockwise, metres.
    rng : source of chance.
    camera_m : (3,), where photos are taken from; None takes 2 m outside the middle of the first side.
    today : source of chance for what is not there every day, people and things left on the lawn; None takes
        ``rng``.

    Returns
    -------
    parts, class "other", none of them lawn; things standing on the lawn are among them. At most about
    400,000 triangles.
    """
    outline = np.asarray(outline_m, np.float64)
    sides = _plan(outline, rng, camera_m)
    camera = np.asarray(camera_m if camera_m is not None else (*_middle(sides, near=True, out_m=2.0), 1.6))
    parts = [_country(outline, rng), *_ground(sides, rng), *_edging(outline, rng)]
    for number, side in enumerate(sides):
        line = _offset_corners(sides, [s.width_m for s in sides])[[number, (number + 1) % len(sides)]]
        parts += boundary(side.upright, line, side.out, rng)
        parts += _furnish(side, camera, rng)
    parts += _background(outline, camera, rng)
    today = today or rng
    parts += _people(sides, camera, today)
    return parts + _on_lawn(outline, camera, today)


def _plan(outline: Floats, rng: np.random.Generator, camera_m: Sequence[float] | None) -> list[_Side]:
    """The sides of a garden: one near the camera, which stays open, mostly one kind of boundary, a house."""
    ends = np.roll(outline, -1, axis=0)
    along = ends - outline
    out = np.stack([along[:, 1], -along[:, 0]], 1) / np.linalg.norm(along, axis=1, keepdims=True)
    near = 0
    if camera_m is not None:
        near = int(np.argmax(((np.asarray(camera_m)[:2] - outline) * out).sum(1)))
    house = int(rng.integers(len(outline)))
    main = str(rng.choice(["fence", "fence", "hedge", "wall"]))
    sides = []
    for k in range(len(outline)):
        upright = (
            main
            if rng.random() < 0.65
            else str(rng.choice(["fence", "hedge", "wall", "open"], p=[0.4, 0.3, 0.2, 0.1]))
        )
        bands: Bands
        if k == near:
            kind = str(rng.choice(["patio", "patio", "path", "gravel", "bed"]))
            bands, upright = ((kind, rng.uniform(0.8, 2.5)), ("patio", 4.0)), "open"
        elif k == house:
            bands, upright = (("patio", rng.uniform(0.8, 4.0)),), "house"
        else:
            bands = _random_bands(rng)
        sides.append(_Side(outline[k], ends[k], out[k], bands, upright, k == near))
    return sides


def _random_bands(rng: np.random.Generator) -> Bands:
    """Now and then a path, mostly a bed, at least the edge of one."""
    bands: Bands = ()
    if rng.random() < 0.35:
        bands += ((str(rng.choice(["path", "gravel"])), rng.uniform(0.5, 1.2)),)
    if rng.random() < 0.7:
        bands += (("bed", rng.uniform(0.3, 1.8)),)
    return bands or (("bed", 0.12),)


def _middle(sides: list[_Side], *, near: bool, out_m: float) -> Floats:
    """(2,): that far outside the middle of the first side that is, or isn't, near the camera."""
    side = next(side for side in sides if side.near == near)
    return (side.start + side.end) / 2 + side.out * out_m


def _offset_corners(sides: list[_Side], width_m: Sequence[float]) -> Floats:
    """(K, 2): where the sides' lines meet after each has moved outward by its width."""
    corners = []
    for k, side in enumerate(sides):
        before, width_before = sides[k - 1], width_m[k - 1]
        normals = np.stack([before.out, side.out])
        offset = np.array([before.out @ before.start + width_before, side.out @ side.start + width_m[k]])
        if abs(np.linalg.det(normals)) < 0.15:  # nearly straight on: no mitre to speak of
            corners.append(side.start + side.out * width_m[k])
        else:
            corners.append(np.linalg.solve(normals, offset))
    return np.array(corners)


def _surface(kind: str, rng: np.random.Generator) -> tuple[Floats, float]:
    """A texture and the width in metres that it spans."""
    stone = [
        (0.36, 0.34, 0.31),
        (0.44, 0.36, 0.25),
        (0.24, 0.24, 0.24),
        (0.42, 0.40, 0.36),
        (0.30, 0.27, 0.22),
    ]
    rgb = np.array(stone[rng.integers(len(stone))]) * rng.uniform(0.75, 1.2)
    if kind == "bed":
        earth = np.array([(0.075, 0.055, 0.04), (0.12, 0.085, 0.06), (0.14, 0.085, 0.05)][rng.integers(3)])
        return surfaces.crumbs(rng, earth, count=int(rng.integers(3000, 12000)), vary=0.3, stretch=2.0), 0.9
    if kind == "gravel":
        return surfaces.crumbs(rng, rgb, count=int(rng.integers(4000, 9000)), vary=0.35), 1.0
    choice = rng.random()
    if choice < 0.25:
        brick = np.array([0.26, 0.115, 0.075]) * rng.uniform(0.7, 1.3)
        return surfaces.blocks(rng, brick, across=5, down=10, joint=0.006, vary=0.2), 1.1
    if choice < 0.35:
        return surfaces.plaster(rng, rgb), 2.5
    if choice < 0.45:
        return surfaces.timber(rng, furniture.pick(rng, furniture.WOOD), boards=14), 2.0
    across = int(rng.integers(2, 5))
    bond = float(rng.choice([0.0, 0.5]))
    slabs = surfaces.blocks(rng, rgb, across=across, down=int(rng.integers(2, 7)), joint=0.008, bond=bond)
    return slabs, across * rng.uniform(0.4, 0.6)


def _ground(sides: list[_Side], rng: np.random.Generator) -> list[Part]:
    """The bands of ground, each side's mitred into its neighbours'."""
    parts = []
    looks = {kind: _surface(kind, rng) for kind in ("patio", "path", "gravel", "bed")}
    for k, side in enumerate(sides):
        done = 0.0
        after = (k + 1) % len(sides)
        for kind, width in side.bands:
            lines = []
            for reach in (done, done + width):
                widths = [min(reach, s.width_m) if s is not side else reach for s in sides]
                corners = _offset_corners(sides, widths)
                lines.append((corners[k], corners[after]))
            (a, b), (c, d) = lines
            z = BED_M if kind == "bed" else GROUND_M + 0.001 * k
            quad = np.array([(*a, z), (*b, z), (*d, z), (*c, z)])
            texture, tile = looks[kind]
            parts.append(sheet(kind, quad, texture, tile, turn_deg=float(rng.choice([0, 0, 90]))))
            done += width
    return parts


def bark(corners_m: Floats, rng: np.random.Generator) -> Part:
    """The ground of a bed amid the lawn, (K, 2) its corners: it reaches under the soil about it."""
    (x0, y0), (x1, y1) = corners_m.min(axis=0), corners_m.max(axis=0)
    box_m = np.array([(x0, y0, BED_M), (x1, y0, BED_M), (x1, y1, BED_M), (x0, y1, BED_M)])
    return sheet("bed", box_m, *_surface("bed", rng))


def _country(outline: Floats, rng: np.random.Generator) -> Part:
    """Ground out to where the eye loses it."""
    x, y = outline.mean(0)
    texture, tile = _surface(str(rng.choice(["gravel", "bed", "patio"])), rng)
    corners = np.array([(x - 60, y - 60), (x + 60, y - 60), (x + 60, y + 60), (x - 60, y + 60)])
    return sheet("country", np.column_stack([corners, np.full(4, -0.09)]), texture, tile * 2.5)


def _edging(outline: Floats, rng: np.random.Generator) -> list[Part]:
    """The cut edge of the lawn's soil, now and then boards or bricks, and pegs at the corners."""
    ends = np.roll(outline, -1, axis=0)
    middle, length = (outline + ends) / 2, np.linalg.norm(ends - outline, axis=1)
    turn = np.degrees(np.arctan2(*(ends - outline).T[::-1]))
    kind = rng.choice(["soil", "soil", "board", "brick"])
    if kind == "brick":
        shapes = []
        for start, end, size, angle in zip(outline, ends, length, turn, strict=True):
            for t in (np.arange(int(size / 0.225)) + 0.5) / max(int(size / 0.225), 1):
                shapes.append(box((0.215, 0.1, 0.09), (*(start + t * (end - start)), -0.08), angle))
        edge = painted("edging", join(shapes), (0.25, 0.11, 0.075), rng, vary=0.2, each=8)
    else:
        thick, top, rgb = (
            (0.02, 0.005, (0.06, 0.045, 0.03)) if kind == "soil" else (0.025, 0.03, (0.18, 0.13, 0.08))
        )
        shapes = [
            box((size, thick, 0.1 + top), (*place, -0.1), angle)
            for place, size, angle in zip(middle, length, turn, strict=True)
        ]
        edge = painted("edging", join(shapes), rgb, rng, vary=0.15)
    if rng.random() < 0.6:
        return [edge]
    pegs = [box((0.035, 0.035, 0.16), (*corner, 0)) for corner in outline]
    return [edge, painted("pegs", join(pegs), (0.5, 0.33, 0.16), rng, vary=0.1)]


def _furnish(side: _Side, camera: Floats, rng: np.random.Generator) -> list[Part]:
    """Plants in the beds, things on the paving."""
    parts: list[Part] = []
    length = float(np.linalg.norm(side.end - side.start))
    along = (side.end - side.start) / length
    done = 0.0
    for kind, width in side.bands:
        if kind == "bed" and width > 0.25:
            for t in np.arange(rng.uniform(0.2, 0.6), length, rng.uniform(0.5, 1.1)):
                across = rng.uniform(0.35, 0.8) * width
                at = side.start + along * t + side.out * (done + across)
                low = side.near or _in_the_way(at, camera, 1.2)
                parts += _bedding(at, min(across * 1.15, 0.75), rng, low=low)
        elif width > 0.7 and rng.random() < (0.4 if side.near else 0.8):
            for _ in range(int(rng.integers(1, 4))):
                at = side.start + along * rng.uniform(0.1, 0.9) * length + side.out * (done + width * 0.6)
                if np.hypot(*(at - camera[:2])) < 1.3 or (side.near and _in_the_way(at, camera, 0.8)):
                    continue
                if width > 1.6 and rng.random() < 0.6:
                    thing = furniture.ON_PAVING[rng.integers(len(furniture.ON_PAVING))](rng)
                    parts += furniture.moved(thing, (*at, GROUND_M), rng.uniform(0, 360))
                else:
                    parts += plants.pot((*at, GROUND_M), rng.uniform(0.12, 0.26), rng)
        done += width
    return parts


def _bedding(at: Floats, room_m: float, rng: np.random.Generator, *, low: bool) -> list[Part]:
    """A plant for a bed, or a gap; a ``low`` one leaves the lawn in sight."""
    choice = rng.random()
    if choice < 0.30:
        return plants.flowers(at, room_m * rng.uniform(0.5, 1.0), rng.uniform(0.12, 0.5), rng)
    if choice < 0.42:
        return plants.tall_grass(at, rng.uniform(0.3, 0.5 if low else 1.1), rng)
    if choice < 0.85:
        size = room_m * rng.uniform(0.5, 1.1, 3) * [1, 1, 0.6 if low else rng.uniform(0.7, 2.0)]
        return plants.bush((*at, size[2] * 0.7), size, rng, leaf_m=rng.uniform(0.03, 0.07))
    return []


def _in_the_way(at: Floats, camera: Floats, reach_m: float) -> bool:
    """Whether something upright at ``at`` would stand within ``reach_m`` of the camera's line of sight."""
    return bool(np.hypot(*(at - camera[:2])) < reach_m + 1.5)


def _background(outline: Floats, camera: Floats, rng: np.random.Generator) -> list[Part]:
    """Trees and houses beyond the boundary, away from the camera."""
    middle = outline.mean(0)
    reach = float(np.linalg.norm(outline - middle, axis=1).max())
    ahead = float(np.arctan2(*(middle - camera[:2])[::-1]))

    def beyond(angle: float, far_m: float) -> Floats:
        return middle + far_m * np.array([np.cos(angle), np.sin(angle)])

    parts: list[Part] = []
    for bearing in np.linspace(-1.7, 1.7, 17):
        angle, far = ahead + bearing + rng.normal(0, 0.06), reach + rng.uniform(9.0, 24.0)
        size = far * rng.uniform([0.09, 0.09, 0.06], [0.16, 0.16, 0.20])
        parts += plants.bush((*beyond(angle, far), size[2] * 0.7), size, rng, leaf_m=0.2)
    for _ in range(int(rng.integers(1, 6))):
        angle, far = ahead + rng.uniform(-1.3, 1.3), reach + rng.uniform(3.5, 18.0)
        if rng.random() < 0.7:
            parts += plants.tree(beyond(angle, far), rng.uniform(3.5, 9.0), rng)
        else:
            parts += _neighbour(beyond(angle, far + 10), rng)
    if rng.random() < 0.35:
        tall = rng.uniform(3, 6)
        at = beyond(rng.uniform(0, 2 * np.pi), reach + 1.5)
        if np.hypot(*(at - camera[:2])) > 4:
            parts += plants.tree(at, tall, rng)
    if rng.random() < 0.3:
        angle = ahead + rng.uniform(-0.9, 0.9)
        face = float(np.degrees(angle)) + 90
        parts += furniture.moved(furniture.shed(rng), (*beyond(angle, reach + 1.2), GROUND_M), face)
    return parts


def _neighbour(at: Floats, rng: np.random.Generator) -> list[Part]:
    """The neighbours' house: a box under a hipped roof."""
    size = rng.uniform([5, 5, 3], [10, 8, 6])
    turn = float(rng.uniform(0, 90))
    rgb = [(0.28, 0.14, 0.09), (0.62, 0.58, 0.5), (0.4, 0.33, 0.24)][rng.integers(3)]
    walls = painted("neighbour", box(size, (*at, 0), turn), rgb, rng, vary=0.03)
    roof, faces = placed(box((size[0] + 0.6, size[1] + 0.6, 2.4)), (*at, size[2]), turn)
    top, centre = roof[:, 2] > size[2] + 1, np.append(at, 0)
    roof[top] = centre + (roof[top] - centre) * [0.35, 0.35, 1.0]
    return [walls, painted("roof", (roof, faces), (0.14, 0.08, 0.06), rng, vary=0.05)]


def _people(sides: list[_Side], camera: Floats, rng: np.random.Generator) -> list[Part]:
    """Now and then somebody at the edge of the lawn."""
    parts: list[Part] = []
    for side in sides:
        if side.near or rng.random() > 0.15:
            continue
        at = side.start + (side.end - side.start) * rng.uniform(0.1, 0.9) + side.out * rng.uniform(0.1, 0.5)
        if np.hypot(*(at - camera[:2])) > 2:
            parts += furniture.moved(furniture.person(rng), (*at, GROUND_M), rng.uniform(0, 360))
    return parts


def _on_lawn(outline: Floats, camera: Floats, rng: np.random.Generator) -> list[Part]:
    """Sometimes something or somebody on the lawn itself."""
    parts: list[Part] = []
    for _ in range(int(rng.choice([0, 1, 2, 3], p=[0.5, 0.3, 0.15, 0.05]))):
        weight = rng.dirichlet(np.ones(len(outline)))
        at = weight @ outline
        if np.hypot(*(at - camera[:2])) > 2.0:
            kind = furniture.ON_LAWN[rng.integers(len(furniture.ON_LAWN))]
            parts += furniture.moved(kind(rng), (*at, 0.0), rng.uniform(0, 360))
    return parts
