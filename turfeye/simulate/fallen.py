"""Leaves of trees that have fallen on an invented turf: 3 to 12 cm, curled, on the grass and partly in it."""

from __future__ import annotations

import numpy as np

from turfeye.records import Floats, Whole
from turfeye.simulate.fields import Places, noise, scatter
from turfeye.simulate.mesh import Part
from turfeye.simulate.soil import Ground
from turfeye.simulate.turf import Box, Turf, lawn_part

COLOURS = np.array(
    [
        [0.16, 0.085, 0.040],
        [0.095, 0.058, 0.034],
        [0.30, 0.20, 0.095],
        [0.42, 0.29, 0.055],
        [0.29, 0.115, 0.030],
        [0.25, 0.045, 0.025],
        [0.115, 0.100, 0.040],
        [0.23, 0.17, 0.11],
        [0.055, 0.036, 0.024],
    ]
)
"""Linear reflectance, ours: brown, dark brown, tan, yellow, rust, red, dead olive, weathered, rotting."""

CLAY = np.array([[0.24, 0.13, 0.075], [0.17, 0.10, 0.065]])
"""Those of a tree whose leaves lie flat, about a red or brown soil's: by colour alone they are soil."""

FLAT, CURL_OF_FLAT = 0.35, 0.12  # share of such trees, and how much their leaves bend against others
HIDING_OF_FLAT = 1.2  # such a leaf hides more: of its size, and seen from above

AROUND, RINGS = 32, (0.4, 0.75, 1.0)
LAYERS = 2.0  # leaf area over ground where they lie as thick as can be: 1 - exp(-2) = 86 % hidden


def fallen(turf: Turf, box_m: Box, surface: Ground) -> list[Part]:
    """Leaves of one to three trees; none where ``turf.fallen`` is 0."""
    if turf.fallen is None:
        return []
    rng = np.random.default_rng(turf.seed + 64)
    parts = []
    trees = int(rng.integers(1, 4))
    flat = (
        np.random.default_rng([turf.seed, 69]).random(trees) < FLAT
    )  # drawn apart: the rest stays as it was
    for tree in range(trees):
        long_m, outline = rng.uniform(0.035, 0.095), _outline(rng)
        two = COLOURS[rng.choice(len(COLOURS), 2, replace=False)]
        area = 1.1 * long_m**2 * _area(outline) * (HIDING_OF_FLAT if flat[tree] else 1)  # they vary in size
        places = scatter(turf.seed + 65 + tree, box_m, LAYERS / area / trees)
        layers = -np.log(1 - np.clip(turf.fallen(places.x_m, places.y_m), 0, 0.86))
        keep = places.draw(3) < layers / LAYERS
        if turf.inside is not None:
            keep &= turf.inside(places.x_m, places.y_m)
        if keep.any():
            curl, two = (CURL_OF_FLAT, CLAY) if flat[tree] else (1.0, two)
            parts.append(_leaves(turf, places.only(keep), surface, long_m, outline, two, curl))
    return parts


def _outline(rng: np.random.Generator) -> Floats:
    """A leaf's rim, (AROUND, 2), of length 1 along x with its stalk at -x: oval, wavy-lobed or palmate."""
    angle = np.linspace(-np.pi, np.pi, AROUND, endpoint=False)
    x, wide = np.cos(angle), rng.uniform(0.45, 0.9)
    form = rng.integers(3)
    if form == 2:
        reach = 0.45 + 0.55 * np.abs(np.cos(2.5 * angle)) ** rng.uniform(0.8, 1.6)
        reach *= 1 + 0.06 * np.cos(15 * angle)
        return 0.5 * reach[:, None] * np.stack([x, np.sin(angle)], -1)
    y = wide * np.sign(np.sin(angle)) * np.abs(np.sin(angle)) ** rng.uniform(1.0, 1.5) * (1 - 0.25 * x)
    if form == 1:
        y = y * (1 + rng.uniform(0.18, 0.35) * np.cos(np.pi * rng.integers(4, 6) * (x + 1)))
    return 0.5 * np.stack([x, y], -1)


def _area(outline: Floats) -> float:
    """Of a rim (N, 2): the shoelace formula."""
    x, y = outline.T
    return float(0.5 * abs(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))))


def _leaves(
    turf: Turf,
    places: Places,
    surface: Ground,
    long_m: float,
    outline: Floats,
    two_rgb: Floats,
    curl: float,
) -> Part:
    """One leaf a place: its middle and a few rings, curled, tilted, and lifted by the grass under it."""
    count = len(places)
    flat = np.concatenate([[[0.0, 0.0]], *[ring * outline for ring in RINGS]])  # (V, 2)
    size = long_m * np.exp(0.22 * places.normal(10))
    size = np.clip(size, 0.03, 0.12)[:, None]
    x = flat[:, 0] * size
    y = flat[:, 1] * size * (0.8 + 0.4 * places.draw(11)[:, None])
    x, y, z = _curled(places, x, y, size, curl)
    grass = 1e-3 * min(0.5 * turf.length_mm, turf.mown_mm) * turf.cover(places.x_m, places.y_m)
    base = surface.height_m(places.x_m, places.y_m) + grass * (0.15 + 0.85 * places.draw(18)) + 0.004
    base = base + 0.012 * places.draw(19)  # they lie on one another
    vertices = np.stack([x + places.x_m[:, None], y + places.y_m[:, None], z + base[:, None]], -1)
    rgb = _colours(turf, places, flat, two_rgb)
    faces = (_fan()[None] + np.arange(count)[:, None, None] * len(flat)).reshape(-1, 3)
    return lawn_part(
        "tree leaves", "other", vertices.reshape(-1, 3), faces, rgb.reshape(-1, 3), translucency=0.3
    )


def _curled(places: Places, x: Floats, y: Floats, size: Floats, curl: float) -> tuple[Floats, Floats, Floats]:
    """Bent along and across, the rim wavy, some all but rolled up; then tilted and turned."""

    def own(which: int) -> Floats:
        return places.normal(which)[:, None]

    dry = np.where(places.draw(12) < 0.2, 2.5, 0.8)[:, None]  # every fifth has dried to a curl
    rim = (x / size) ** 2 + (y / size) ** 2
    z = 0.35 * curl * size * rim * np.sin(7 * np.arctan2(y, x + 1e-9) + 6.3 * places.draw(13)[:, None])
    x, along = _bent(x, 1.2 * curl * own(14) / size)
    y, across = _bent(y, 2.4 * curl * dry * own(15) / size)
    z = z + along + across
    tilt, turn = 0.28 * curl * own(16), 2 * np.pi * places.draw(17)[:, None]
    x, z = x * np.cos(tilt) - z * np.sin(tilt), x * np.sin(tilt) + z * np.cos(tilt)
    return x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn), z


def _bent(flat: Floats, curve: Floats) -> tuple[Floats, Floats]:
    """Distances along a line as places and heights on a circle of that curvature."""
    curve = np.where(np.abs(curve) < 1e-2, 1e-2, curve)
    return np.sin(flat * curve) / curve, (1 - np.cos(flat * curve)) / curve


def _colours(turf: Turf, places: Places, flat: Floats, two_rgb: Floats) -> Floats:
    """(N, V, 3): between the tree's two colours, spotted, with a paler midrib and often a paler underside."""
    spots = noise(
        turf.seed + 68, 7 * flat[:, 0] + 40 * places.draw(20)[:, None], 7 * flat[:, 1] + 0 * flat[:, 0], 1.0
    )
    mix = np.clip(places.draw(21)[:, None] + 1.2 * (spots - 0.5), 0, 1)[..., None]
    rgb = two_rgb[0] + (two_rgb[1] - two_rgb[0]) * mix
    rgb = rgb * np.exp(0.25 * places.normal(22))[:, None, None] * (1 - 0.4 * turf.wet)
    rib = np.clip(1 - np.abs(flat[:, 1]) / 0.05, 0, 1)[None, :, None]
    grey = rgb.mean(axis=-1, keepdims=True)
    under = (places.draw(23) < 0.35)[:, None, None] * 0.4
    rgb = rgb + (1.25 * grey - rgb) * under
    return np.asarray(np.clip(rgb * (1 + 0.35 * rib), 0.012, 0.85))


def _fan() -> Whole:
    """Triangles of a middle point with rings around it."""
    k = np.arange(AROUND)
    after = (k + 1) % AROUND
    faces = [np.stack([0 * k, 1 + k, 1 + after], -1)]
    for ring in range(len(RINGS) - 1):
        a, b = 1 + ring * AROUND + k, 1 + ring * AROUND + after
        faces += [np.stack([a, a + AROUND, b + AROUND], -1), np.stack([a, b + AROUND, b], -1)]
    return np.concatenate(faces)
