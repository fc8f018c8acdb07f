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
from turfeye.simulate.mesh import Part
from turfeye.simulate.shapes import box, join, painted, placed, sheet

GROUND_M = -0.045  # paving and beds lie a little below the lawn's soil
BED_M = -0.03


@dataclass(frozen=True, eq=False, slots=True)
class _Side:
    """One side of the lawn: its line, bands of ground outward, and what stands at the end."""

    start: Floats  # (2,)
    end: Floats
    out: Floats  # (2,), unit, away from the lawn
    bands: tuple[tuple[str, float], ...]  # (kind, width in metres)
    upright: str
    near: bool  # the camera stands on this side

    @property
    def width_m(self) -> float:
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
        parts += _upright(side, line, rng)
        parts += _furnish(side, camera, rng)
    parts += _background(outline, camera, rng)
    today = today or rng
    parts += _people(sides, camera, today)
    return parts + _on_lawn(outline, camera, today)


def _plan(outline: Floats, rng: np.random.Generator, camera_m: Sequence[float] | None) -> list[_Side]:
    ends = np.roll(outline, -1, axis=0)
    along = ends - outline
    out = np.stack([along[:, 1], -along[:, 0]], 1) / np.linalg.norm(along, axis=1, keepdims=True)
    near = 0
    if camera_m is not None:
        near = int(np.argmax(((np.asarray(camera_m)[:2] - outline) * out).sum(1)))
    house = int(rng.integers(len(outline)))
    main = rng.choice(["fence", "fence", "hedge", "wall"])
    sides = []
    for k in range(len(outline)):
        upright = str(
            main
            if rng.random() < 0.65
            else rng.choice(["fence", "hedge", "wall", "open"], p=[0.4, 0.3, 0.2, 0.1])
        )
        bands: list[tuple[str, float]] = []
        if k == house and k != near:
            upright, bands = "house", [("patio", rng.uniform(0.8, 4.0))]
        elif k == near:
            kind = str(rng.choice(["patio", "patio", "path", "gravel", "bed"]))
            bands, upright = [(kind, rng.uniform(0.8, 2.5)), ("patio", 4.0)], "open"
        else:
            if rng.random() < 0.35:
                bands.append((str(rng.choice(["path", "gravel"])), rng.uniform(0.5, 1.2)))
            if rng.random() < 0.7:
                bands.append(("bed", rng.uniform(0.3, 1.8)))
            if not bands:
                bands.append(("bed", 0.12))
        sides.append(_Side(outline[k], ends[k], out[k], tuple(bands), upright, k == near))
    return sides


def _middle(sides: list[_Side], *, near: bool, out_m: float) -> Floats:
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
    down = int(rng.integers(2, 7))
    return surfaces.blocks(rng, rgb, across=across, down=down, joint=0.008, bond=bond), across * rng.uniform(
        0.4, 0.6
    )


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


def _upright(side: _Side, line: Floats, rng: np.random.Generator) -> list[Part]:
    """What closes a side: fence, wall, hedge, house or nothing."""
    start, end = line
    turn = float(np.degrees(np.arctan2(*(end - start)[::-1])))
    length = float(np.linalg.norm(end - start))
    if side.upright == "open":
        return []
    if side.upright == "hedge":
        thick = rng.uniform(0.5, 0.9)
        return plants.hedge(
            end + side.out * thick * 0.95, start + side.out * thick * 0.95, rng.uniform(0.7, 2.2), thick, rng
        )
    if side.upright == "house":
        return furniture.moved(_house(length, rng), (*start, 0.0), turn)
    if side.upright == "wall":
        return furniture.moved(_wall(length, rng), (*start, 0.0), turn)
    return furniture.moved(_fence(length, rng), (*start, 0.0), turn)


def _fence(length: float, rng: np.random.Generator) -> list[Part]:
    """Panels between posts along +x, seen from +y."""
    height, panels = rng.uniform(0.9, 1.9), max(int(np.ceil(length / 1.83)), 1)
    step = length / panels
    wood = furniture.pick(rng, furniture.WOOD)
    texture = surfaces.timber(rng, wood, boards=int(rng.integers(9, 16)))
    flat = rng.random() < 0.4  # boards lying
    quad = np.array([(0, 0, 0), (length, 0, 0), (length, 0, height), (0, 0, height)])
    panel = sheet("fence", quad, texture, 1.6, turn_deg=90.0 if flat else 0.0)
    posts = [box((0.1, 0.1, height + 0.06), (k * step, 0, 0)) for k in range(panels + 1)]
    rails = [box((length, 0.05, 0.07), (length / 2, 0.03, z)) for z in (0.1, height - 0.1)]
    post_rgb = wood if rng.random() < 0.6 else np.array([0.40, 0.39, 0.36])
    return [
        panel,
        painted("posts", join(posts), post_rgb, rng, vary=0.1),
        painted("rails", join(rails), wood, rng, vary=0.1),
    ]


def _wall(length: float, rng: np.random.Generator) -> list[Part]:
    height = rng.uniform(0.6, 1.9)
    brick = np.array([(0.27, 0.12, 0.08), (0.36, 0.27, 0.18), (0.22, 0.20, 0.19)][rng.integers(3)])
    texture = surfaces.blocks(
        rng, brick, across=5, down=16, joint=0.006, vary=0.18, joint_rgb=(0.3, 0.28, 0.25)
    )
    if rng.random() < 0.3:
        texture = surfaces.plaster(rng, (0.55, 0.52, 0.45))
    face = np.array([(0, 0, 0), (length, 0, 0), (length, 0, height), (0, 0, height)])
    cap = painted("coping", box((length, 0.28, 0.06), (length / 2, -0.1, height)), (0.36, 0.35, 0.32), rng)
    return [sheet("wall", face, texture, 1.15), cap]


def _house(length: float, rng: np.random.Generator) -> list[Part]:
    """A back wall with doors and windows along +x, seen from +y (inside out: the lawn lies to the left)."""
    height = rng.uniform(2.6, 5.6)
    wide = length + rng.uniform(-0.5, 2.5)
    if rng.random() < 0.5:
        brick = np.array([(0.27, 0.12, 0.08), (0.40, 0.30, 0.20), (0.30, 0.18, 0.13)][rng.integers(3)])
        texture = surfaces.blocks(
            rng, brick, across=5, down=16, joint=0.006, vary=0.15, joint_rgb=(0.33, 0.31, 0.27)
        )
        tile = 1.15
    else:
        paint = np.array(
            [(0.70, 0.68, 0.62), (0.60, 0.52, 0.40), (0.55, 0.60, 0.62), (0.62, 0.45, 0.36)][rng.integers(4)]
        )
        texture, tile = surfaces.plaster(rng, paint), 3.0
    x0 = (length - wide) / 2
    parts = [
        sheet(
            "house",
            np.array([(x0, 0, -0.1), (x0 + wide, 0, -0.1), (x0 + wide, 0, height), (x0, 0, height)]),
            texture,
            tile,
        )
    ]
    frames, panes = [], []
    for x in np.arange(x0 + 1.2, x0 + wide - 1.0, rng.uniform(1.9, 2.8)):
        for floor in range(int(height // 2.6)):
            door = floor == 0 and rng.random() < 0.35
            w, low, high = rng.uniform(0.9, 1.6), 0.05 if door else 0.9 + 2.6 * floor, 2.1 + 2.6 * floor
            frames.append(box((w, 0.08, high - low), (x, 0.0, low)))
            panes += [
                box((w / 2 - 0.1, 0.1, high - low - 0.16), (x + s * w / 4, 0.0, low + 0.08)) for s in (-1, 1)
            ]
    if frames:
        trim = (0.70, 0.70, 0.68) if rng.random() < 0.7 else (0.06, 0.07, 0.08)
        parts.append(painted("frames", join(frames), trim, rng, vary=0.02, roughness=0.3))
        parts.append(
            painted("panes", join(panes), (0.03, 0.035, 0.045), rng, vary=0.1, each=8, roughness=0.08)
        )
    return parts


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
    ahead = np.arctan2(*(middle - camera[:2])[::-1])
    parts: list[Part] = []
    for bearing in np.linspace(-1.7, 1.7, 17):
        angle, far = ahead + bearing + rng.normal(0, 0.06), reach + rng.uniform(9.0, 24.0)
        size = far * rng.uniform([0.09, 0.09, 0.06], [0.16, 0.16, 0.20])
        at = middle + far * np.array([np.cos(angle), np.sin(angle)])
        parts += plants.bush((*at, size[2] * 0.7), size, rng, leaf_m=0.2)
    for _ in range(int(rng.integers(1, 6))):
        angle, far = ahead + rng.uniform(-1.3, 1.3), reach + rng.uniform(3.5, 18.0)
        at = middle + far * np.array([np.cos(angle), np.sin(angle)])
        if rng.random() < 0.7:
            parts += plants.tree(at, rng.uniform(3.5, 9.0), rng)
        else:
            size = rng.uniform([5, 5, 3], [10, 8, 6])
            turn = float(rng.uniform(0, 90))
            at = middle + (far + 10) * np.array([np.cos(angle), np.sin(angle)])
            rgb = [(0.28, 0.14, 0.09), (0.62, 0.58, 0.5), (0.4, 0.33, 0.24)][rng.integers(3)]
            parts.append(painted("neighbour", box(size, (*at, 0), turn), rgb, rng, vary=0.03))
            roof = placed(box((size[0] + 0.6, size[1] + 0.6, 2.4)), (*at, size[2]), turn)
            top = roof[0][:, 2] > size[2] + 1
            centre = np.append(at, 0)
            roof[0][top] = centre + (roof[0][top] - centre) * [0.35, 0.35, 1.0]
            parts.append(painted("roof", roof, (0.14, 0.08, 0.06), rng, vary=0.05))
    if rng.random() < 0.35:
        tall = rng.uniform(3, 6)
        angle = rng.uniform(0, 2 * np.pi)
        at = middle + (reach + 1.5) * np.array([np.cos(angle), np.sin(angle)])
        if np.hypot(*(at - camera[:2])) > 4:
            parts += plants.tree(at, tall, rng)
    if rng.random() < 0.3:
        angle = ahead + rng.uniform(-0.9, 0.9)
        at = middle + (reach + 1.2) * np.array([np.cos(angle), np.sin(angle)])
        face = float(np.degrees(angle)) + 90
        parts += furniture.moved(furniture.shed(rng), (*at, GROUND_M), face)
    return parts


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
