"""What closes a side of a lawn: a fence, a wall, a hedge, the back of a house."""

from __future__ import annotations

import numpy as np

from turfeye.records import Floats
from turfeye.simulate import furniture, plants, surfaces
from turfeye.simulate.mesh import Part
from turfeye.simulate.shapes import box, join, painted, sheet


def boundary(kind: str, line_m: Floats, out: Floats, rng: np.random.Generator) -> list[Part]:
    """What closes a side.

    Parameters
    ----------
    kind : one of ``KINDS``
    line_m : (2, 2), where it begins and ends, anticlockwise about the lawn
    out : (2,), unit, away from the lawn
    rng : source of chance
    """
    start, end = line_m
    if kind == "open":
        return []
    if kind == "hedge":
        thick = rng.uniform(0.5, 0.9)
        away = out * thick * 0.95
        return plants.hedge(end + away, start + away, rng.uniform(0.7, 2.2), thick, rng)
    turn = float(np.degrees(np.arctan2(*(end - start)[::-1])))
    length = float(np.linalg.norm(end - start))
    return furniture.moved(_BUILT[kind](length, rng), (*start, 0.0), turn)


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
    """Brick or plaster with a coping along +x, seen from +y."""
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
    texture, tile = _house_wall(rng)
    x0 = (length - wide) / 2
    face = np.array([(x0, 0, -0.1), (x0 + wide, 0, -0.1), (x0 + wide, 0, height), (x0, 0, height)])
    return [sheet("house", face, texture, tile), *_windows(x0, wide, height, rng)]


def _house_wall(rng: np.random.Generator) -> tuple[Floats, float]:
    """Brick or paint, and the width in metres that its texture spans."""
    if rng.random() < 0.5:
        brick = np.array([(0.27, 0.12, 0.08), (0.40, 0.30, 0.20), (0.30, 0.18, 0.13)][rng.integers(3)])
        return surfaces.blocks(
            rng, brick, across=5, down=16, joint=0.006, vary=0.15, joint_rgb=(0.33, 0.31, 0.27)
        ), 1.15
    paints = [(0.70, 0.68, 0.62), (0.60, 0.52, 0.40), (0.55, 0.60, 0.62), (0.62, 0.45, 0.36)]
    return surfaces.plaster(rng, np.array(paints[rng.integers(4)])), 3.0


def _windows(x0: float, wide: float, height: float, rng: np.random.Generator) -> list[Part]:
    """Frames and panes on every floor, some doors on the lowest."""
    frames, panes = [], []
    for x in np.arange(x0 + 1.2, x0 + wide - 1.0, rng.uniform(1.9, 2.8)):
        for floor in range(int(height // 2.6)):
            door = floor == 0 and rng.random() < 0.35
            w, low, high = rng.uniform(0.9, 1.6), 0.05 if door else 0.9 + 2.6 * floor, 2.1 + 2.6 * floor
            frames.append(box((w, 0.08, high - low), (x, 0.0, low)))
            pane = (w / 2 - 0.1, 0.1, high - low - 0.16)
            panes += [box(pane, (x + s * w / 4, 0.0, low + 0.08)) for s in (-1, 1)]
    if not frames:
        return []
    trim = (0.70, 0.70, 0.68) if rng.random() < 0.7 else (0.06, 0.07, 0.08)
    return [
        painted("frames", join(frames), trim, rng, vary=0.02, roughness=0.3),
        painted("panes", join(panes), (0.03, 0.035, 0.045), rng, vary=0.1, each=8, roughness=0.08),
    ]


_BUILT = {"fence": _fence, "wall": _wall, "house": _house}
KINDS = ("open", "hedge", *_BUILT)
