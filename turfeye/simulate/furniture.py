"""Things found in and around gardens, each built at the origin and placed by the garden."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from turfeye.records import Floats
from turfeye.simulate.mesh import Part
from turfeye.simulate.shapes import Shape, box, ellipsoid, join, lathe, painted, placed, sheet, tube
from turfeye.simulate.surfaces import blocks, timber

WOOD = np.array(
    [[0.30, 0.19, 0.10], [0.22, 0.20, 0.17], [0.16, 0.09, 0.05], [0.40, 0.28, 0.15], [0.10, 0.12, 0.12]]
)
CLOTH = np.array(
    [[0.04, 0.06, 0.14], [0.45, 0.07, 0.06], [0.55, 0.53, 0.48], [0.05, 0.05, 0.055], [0.07, 0.20, 0.12],
     [0.30, 0.24, 0.15], [0.50, 0.35, 0.05], [0.12, 0.25, 0.45], [0.35, 0.33, 0.33]]
)  # fmt: skip
SKIN = np.array([[0.50, 0.31, 0.22], [0.36, 0.20, 0.12], [0.15, 0.08, 0.05], [0.57, 0.38, 0.29]])
METAL = (0.25, 0.25, 0.26)


def pick(rng: np.random.Generator, palette: Floats) -> Floats:
    """One colour of a palette, slightly changed."""
    return palette[rng.integers(len(palette))] * rng.uniform(0.8, 1.2)


def person(rng: np.random.Generator) -> list[Part]:
    """Somebody standing, arms at their sides or on their hips, facing +y."""
    tall = rng.uniform(0.9, 1.08)
    skin, top, bottom = pick(rng, SKIN), pick(rng, CLOTH), pick(rng, CLOTH)
    spread = rng.uniform(0.08, 0.15)
    left, right = (_limbs(side, spread, rng) for side in (-1, 1))
    legs, shoes, arms, hands = ([one, other] for one, other in zip(left, right, strict=True))
    trunk, faces = tube(
        [[0, 0, 0.86], [0, 0, 1.0], [0, 0.01, 1.25], [0, 0, 1.44], [0, 0, 1.5]],
        [0.15, 0.15, 0.165, 0.15, 0.06],
        16,
    )
    head = [
        ellipsoid((0.078, 0.095, 0.115), (0, 0.02, 1.64), 13),
        tube([[0, 0, 1.46], [0, 0.01, 1.58]], 0.05, 10),
    ]
    hair = ellipsoid((0.086, 0.1, 0.1), (0, -0.008, 1.68), 11)
    groups: list[tuple[str, list[Shape], Floats]] = [
        ("legs", legs, bottom),
        ("shoes", shoes, pick(rng, CLOTH) * 0.5),
        ("arms", arms, top if rng.random() < 0.6 else skin),
        ("hands", hands, skin),
        ("body", [(trunk * [1.1, 0.72, 1.0], faces)], top),
        ("head", head, skin),
        ("hair", [hair], pick(rng, WOOD) * 0.4),
    ]
    return [painted(name, _scaled(join(shapes), tall), rgb, rng, vary=0.04) for name, shapes, rgb in groups]


def _limbs(side: int, spread: float, rng: np.random.Generator) -> tuple[Shape, Shape, Shape, Shape]:
    """Leg, shoe, arm and hand of the left (-1) or the right (1); ``spread`` is how far the foot is aside."""
    step = rng.uniform(-0.08, 0.08)
    foot, knee = [side * spread, step, 0.06], [side * 0.1, step * 0.4 + 0.02, 0.48]
    leg = tube([foot, knee, [side * 0.09, 0, 0.92]], [0.05, 0.065, 0.09], 12)
    shoe = ellipsoid((0.05, 0.13, 0.05), (side * spread, step + 0.05, 0.05), 9)
    out = rng.uniform(0.05, 0.2)
    elbow = np.array([side * (0.22 + out), -0.04, 1.14])
    hand = elbow + ([-side * out, 0.12, -0.2] if rng.random() < 0.4 else [0.0, 0.05, -0.25])
    path = np.array([[side * 0.19, 0, 1.43], elbow, elbow * 0.4 + hand * 0.6])
    arm = tube(path, [0.055, 0.045, 0.04], 10)
    return leg, shoe, arm, ellipsoid((0.035, 0.04, 0.075), hand, 8)


def _scaled(shape: Shape, factor: float) -> Shape:
    """Larger or smaller about the origin."""
    return (shape[0] * factor).astype(np.float32), shape[1]


def dog(rng: np.random.Generator) -> list[Part]:
    """A dog standing, nose to +y."""
    coat = pick(
        rng, np.array([[0.30, 0.20, 0.10], [0.02, 0.02, 0.02], [0.55, 0.48, 0.38], [0.14, 0.07, 0.035]])
    )
    shapes = [
        ellipsoid((0.12, 0.30, 0.13), (0, 0, 0.42)),
        ellipsoid((0.085, 0.11, 0.09), (0, 0.36, 0.60)),
        ellipsoid((0.045, 0.09, 0.045), (0, 0.47, 0.575)),
        tube([[0, 0.2, 0.46], [0, 0.33, 0.58]], [0.10, 0.07]),
        tube([[0, -0.27, 0.46], [0.02, -0.42, 0.5], [0.05, -0.5, 0.62]], [0.035, 0.025, 0.012]),
    ]
    for side in (-1, 1):
        shapes.append(ellipsoid((0.02, 0.035, 0.06), (side * 0.08, 0.33, 0.62)))
        for y in (-0.22, 0.2):
            foot = y + rng.uniform(-0.06, 0.06)
            shapes.append(
                tube(
                    [[side * 0.08, y, 0.40], [side * 0.08, foot - 0.02, 0.2], [side * 0.08, foot, 0.0]],
                    [0.06, 0.035, 0.032],
                )
            )
    return [painted("dog", _scaled(join(shapes), rng.uniform(0.6, 1.1)), coat, rng, vary=0.15)]


def ball(rng: np.random.Generator) -> list[Part]:
    """A football or a toy ball, patched in two colours."""
    radius = rng.uniform(0.09, 0.12)
    part = painted(
        "ball",
        ellipsoid((radius,) * 3, (0, 0, radius), 17),
        (0.75, 0.75, 0.72),
        rng,
        vary=0.02,
        roughness=0.3,
    )
    assert part.rgb_linear is not None
    centre = part.vertices - [0, 0, radius]
    spots = rng.normal(size=(12, 3))
    near = (centre / radius) @ (spots / np.linalg.norm(spots, axis=1, keepdims=True)).T
    colour = np.where(near.max(1, keepdims=True) > 0.88, pick(rng, CLOTH), (0.75, 0.75, 0.72))
    return [replace(part, rgb_linear=colour.astype(np.float32))]


def table(rng: np.random.Generator) -> list[Part]:
    """A garden table with a few chairs round it."""
    wood = pick(rng, WOOD) if rng.random() < 0.6 else pick(rng, CLOTH)
    half = rng.uniform(0.4, 0.8)
    if rng.random() < 0.5:
        top = [
            placed(lathe([(0, 0.70), (half, 0.70), (half, 0.73), (0, 0.73)], 28), (0, 0, 0)),
            tube([(0.0, 0.0, 0.0), (0.0, 0.0, 0.7)], 0.04),
            lathe([(0.25, 0), (0.25, 0.03), (0, 0.03)]),
        ]
    else:
        top = [box((half * 2, 0.09, 0.03), (0, y, 0.70)) for y in np.arange(-0.4, 0.41, 0.1)]
        top += [
            box((0.06, 0.06, 0.70), (x, y, 0)) for x in (-half + 0.08, half - 0.08) for y in (-0.36, 0.36)
        ]
    parts = [painted("table", join(top), wood, rng, vary=0.08, roughness=0.4)]
    for k in range(int(rng.integers(1, 5))):
        angle = k * 90 + rng.uniform(-20, 20)
        reach = half + rng.uniform(0.3, 0.6)
        at = (reach * np.sin(np.radians(angle)), -reach * np.cos(np.radians(angle)), 0)
        parts += moved(chair(rng, wood), at, angle)
    if rng.random() < 0.15:
        cloth = placed(lathe([(1.25, 1.95), (0.7, 2.2), (0.04, 2.4), (0.0, 2.42)], 10), (0, 0, 0))
        parts += [
            painted("parasol", cloth, pick(rng, CLOTH), rng, vary=0.03, translucency=0.2),
            painted("pole", tube([(0.0, 0.0, 0.0), (0.0, 0.0, 2.42)], 0.02), METAL, rng),
        ]
    return parts


def chair(rng: np.random.Generator, rgb: Floats | None = None) -> list[Part]:
    """A slatted chair facing +y."""
    rgb = pick(rng, WOOD) if rgb is None else rgb
    shapes = [box((0.46, 0.07, 0.02), (0, y, 0.43)) for y in np.arange(-0.2, 0.21, 0.08)]
    shapes += [box((0.04, 0.04, 0.43), (x, 0.2, 0)) for x in (-0.21, 0.21)]
    shapes += [box((0.04, 0.04, 0.9), (x, -0.23, 0)) for x in (-0.21, 0.21)]
    shapes += [box((0.46, 0.02, 0.06), (0, -0.24, z)) for z in np.arange(0.55, 0.88, 0.09)]
    return [painted("chair", join(shapes), rgb, rng, vary=0.06, each=8)]


def bench(rng: np.random.Generator) -> list[Part]:
    """A bench facing +y."""
    long = rng.uniform(1.2, 1.7)
    shapes = [box((long, 0.08, 0.025), (0, y, 0.42)) for y in np.arange(-0.18, 0.2, 0.095)]
    shapes += [box((long, 0.025, 0.07), (0, -0.24, z)) for z in (0.55, 0.67, 0.79)]
    for x in (-long / 2 + 0.06, long / 2 - 0.06):
        shapes += [
            box((0.05, 0.05, 0.62), (x, 0.18, 0)),
            box((0.05, 0.05, 0.88), (x, -0.24, 0)),
            box((0.06, 0.46, 0.03), (x, -0.02, 0.62)),
        ]
    return [painted("bench", join(shapes), pick(rng, WOOD), rng, vary=0.07, each=8)]


def wheelbarrow(rng: np.random.Generator) -> list[Part]:
    """A wheelbarrow, wheel to +y."""
    low, high = (
        np.array([[-0.18, -0.3], [0.18, -0.3], [0.2, 0.25], [-0.2, 0.25]]),
        np.array([[-0.32, -0.45], [0.32, -0.45], [0.36, 0.45], [-0.36, 0.45]]),
    )
    tray = np.concatenate(
        [np.column_stack([low, np.full(4, 0.3)]), np.column_stack([high, np.full(4, 0.58)])]
    )
    faces = [[0, 1, 2], [0, 2, 3]] + [
        f for k in range(4) for f in ([k, (k + 1) % 4, 4 + (k + 1) % 4], [k, 4 + (k + 1) % 4, 4 + k])
    ]
    angle = np.linspace(0, 2 * np.pi, 21)
    wheel = tube(
        np.column_stack([np.zeros(21), 0.58 + 0.15 * np.cos(angle), 0.19 + 0.15 * np.sin(angle)]), 0.04
    )
    frame = [
        tube([[x * 0.6, 0.58, 0.2], [x, -0.2, 0.30], [x * 1.2, -1.0, 0.62]], 0.018) for x in (-0.24, 0.24)
    ]
    frame += [tube([[x, -0.35, 0.34], [x * 1.1, -0.45, 0.0]], 0.018) for x in (-0.24, 0.24)]
    parts = [
        painted("tray", (tray.astype(np.float32), np.array(faces)), pick(rng, CLOTH), rng, roughness=0.3),
        painted("wheel", wheel, (0.02, 0.02, 0.02), rng),
        painted("frame", join(frame), METAL, rng, roughness=0.3),
    ]
    if rng.random() < 0.5:
        parts.append(
            painted(
                "soil", ellipsoid((0.27, 0.36, 0.16), (0, 0, 0.5), 15), (0.07, 0.05, 0.035), rng, vary=0.3
            )
        )
    return parts


def bird_bath(rng: np.random.Generator) -> list[Part]:
    """A stone bird bath."""
    profile = [
        (0.2, 0),
        (0.2, 0.06),
        (0.09, 0.14),
        (0.07, 0.4),
        (0.1, 0.6),
        (0.27, 0.68),
        (0.3, 0.74),
        (0.26, 0.74),
        (0.1, 0.70),
        (0, 0.69),
    ]
    return [painted("bird bath", lathe(profile), (0.36, 0.34, 0.30), rng, vary=0.1)]


def hose(rng: np.random.Generator) -> list[Part]:
    """A hose lying in loose loops."""
    turn = np.linspace(0, rng.uniform(3, 7) * np.pi, 120)
    radius = 0.35 + 0.06 * np.sin(turn * 1.7 + rng.uniform(0, 6)) + 0.01 * turn
    path = np.column_stack([radius * np.cos(turn), radius * np.sin(turn), 0.015 + 0.0006 * turn])
    rgb = [(0.03, 0.15, 0.05), (0.5, 0.35, 0.03), (0.02, 0.02, 0.02), (0.05, 0.16, 0.30)][rng.integers(4)]
    return [painted("hose", tube(path, 0.011, 7), rgb, rng, vary=0.03, roughness=0.3)]


def trampoline(rng: np.random.Generator) -> list[Part]:
    """A round trampoline without its net."""
    radius = rng.uniform(0.9, 1.5)
    mat = lathe([(radius * 0.82, 0.62), (0.0, 0.61)], 32)
    rim = lathe([(radius, 0.60), (radius, 0.66), (radius * 0.82, 0.65), (radius * 0.82, 0.6)], 32)
    angle = np.linspace(0, 2 * np.pi, 6, endpoint=False)
    legs = [
        tube(
            [[radius * np.cos(a), radius * np.sin(a), 0], [radius * np.cos(a), radius * np.sin(a), 0.6]],
            0.025,
        )
        for a in angle
    ]
    return [
        painted("mat", mat, (0.02, 0.02, 0.022), rng),
        painted("rim", rim, pick(rng, CLOTH), rng, vary=0.03),
        painted("legs", join(legs), METAL, rng),
    ]


def shed(rng: np.random.Generator) -> list[Part]:
    """A boarded shed with its door to +y and a pitched roof."""
    wide, deep, eaves, ridge = (
        rng.uniform(1.6, 2.6),
        rng.uniform(1.2, 2.0),
        rng.uniform(1.7, 2.0),
        rng.uniform(2.1, 2.5),
    )
    boards = timber(rng, pick(rng, WOOD), boards=int(rng.integers(10, 16)))
    w, d = wide / 2, deep / 2
    walls = [[(-w, d), (w, d)], [(w, d), (w, -d)], [(w, -d), (-w, -d)], [(-w, -d), (-w, d)]]
    parts = [
        sheet("shed wall", np.array([(*a, 0), (*b, 0), (*b, eaves), (*a, eaves)]), boards, 1.4)
        for a, b in walls
    ]
    roof_rgb = [(0.06, 0.06, 0.06), (0.05, 0.08, 0.05), (0.25, 0.10, 0.06)][rng.integers(3)]
    felt = blocks(rng, roof_rgb, across=4, down=6, joint=0.006)
    for s in (-1, 1):
        slope = np.array(
            [
                (-w - 0.1, s * (d + 0.12), eaves - 0.05),
                (w + 0.1, s * (d + 0.12), eaves - 0.05),
                (w + 0.1, 0, ridge),
                (-w - 0.1, 0, ridge),
            ]
        )
        parts.append(sheet("roof", slope, felt, 1.5))
    gables = [
        (np.array([[x, d, eaves], [x, -d, eaves], [x, 0, ridge]], np.float32), np.array([[0, 1, 2]]))
        for x in (-w, w)
    ]
    parts.append(painted("gable", join(gables), boards.mean((0, 1)), rng))
    door = [box((0.75, 0.03, eaves - 0.15), (rng.uniform(-0.3, 0.3) * wide, d + 0.015, 0.02))]
    parts.append(painted("door", join(door), boards.mean((0, 1)) * rng.uniform(0.6, 1.4), rng, vary=0.03))
    return parts


def moved(parts: Sequence[Part], at: ArrayLike, turn_deg: float = 0.0) -> list[Part]:
    """Parts turned about z and moved to ``at`` (x, y, z)."""
    return [replace(part, vertices=placed((part.vertices, part.faces), at, turn_deg)[0]) for part in parts]


ON_PAVING: tuple[Callable[[np.random.Generator], list[Part]], ...] = (
    table,
    bench,
    chair,
    bird_bath,
    hose,
    wheelbarrow,
)
ON_LAWN: tuple[Callable[[np.random.Generator], list[Part]], ...] = (
    dog,
    ball,
    wheelbarrow,
    chair,
    table,
    trampoline,
    bird_bath,
    hose,
    person,
)
