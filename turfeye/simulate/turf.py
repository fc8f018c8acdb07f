"""What an invented turf is made of: a `Turf`, and the small things that the makers of its meshes share."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from turfeye.records import Flags, Floats, Whole
from turfeye.simulate.mesh import Part

Box = tuple[float, float, float, float]
Field = Callable[[Floats, Floats], Floats]

SOILS: dict[str, tuple[float, float, float]] = {
    "loam": (0.165, 0.112, 0.072),
    "dark loam": (0.085, 0.060, 0.042),
    "pale clay": (0.290, 0.225, 0.155),
    "red clay": (0.230, 0.125, 0.070),
    "sandy dressing": (0.420, 0.330, 0.215),
    "compost dressing": (0.050, 0.036, 0.027),
    "grey silt": (0.205, 0.175, 0.135),
}
"""Dry reflectances, linear RGB, ours: ordinary soils lie between these."""

Colour = tuple[float, float, float]
GREEN: Colour = (0.062, 0.118, 0.030)
"""Reflectance of a full-grown leaf, linear RGB, ours."""

PLANTS_PER_M2 = 20_000


def level(value: float) -> Field:
    """A field that is the same everywhere."""
    return lambda x, y: np.full(np.broadcast(x, y).shape, value, np.float32)


@dataclass(frozen=True, eq=False)
class Turf:
    """What the turf is made of. Fields take x and y in metres and give shares 0-1.

    ``cover`` and ``straw`` ask for the leaf area that would hide that share if every strip lay at random. A
    plant's own leaves overlap and end in points, so that less comes out: about 1 - (1 - c)^0.64 of the ground
    for a wanted cover c (0.27 for 0.4, 0.54 for 0.7, 0.78 for 0.9), 1 - (1 - s)^0.6 for straw. Nothing
    leans on this; the truth is measured on the meshes.
    """

    seed: int
    cover: Field  # wanted green cover
    straw: Field = field(default_factory=lambda: level(0.1))  # wanted
    pale: Field = field(
        default_factory=lambda: level(0.0)
    )  # 1 where the grass is a coarse, yellow-green kind
    moss: Field = field(default_factory=lambda: level(0.0))
    soil: str = "loam"
    soil_tint: tuple[float, float, float] = (1.0, 1.0, 1.0)  # times the soil's reflectance
    wet: float = 0.3  # 0 dry, 1 soaked
    rough_mm: float = 4.0  # height of crumbs
    clods_per_m2: float = 0.0
    clod_mm: float = 45.0  # their middle width
    stones_per_m2: float = 15.0
    clover_per_m2: float = 0.0
    leaves_per_m2: float = 0.0  # small ones; `fallen` has those of trees
    fallen: Field | None = None  # share of the ground that leaves of trees hide
    plants_per_m2: float = PLANTS_PER_M2  # at which growth is even; a fine mown sward has more
    length_mm: float = 55.0  # of a full-grown leaf
    width_mm: float = 2.6
    upright: float = 0.5  # 0 lies flat, 1 stands
    mown_mm: float = 200.0  # nothing stands higher
    green: Colour = GREEN
    vigour: float = 1.0  # below 1: yellower
    closed: float = 0.985  # wanted cover at which growth ends; an established lawn is nearer to 1
    inside: Callable[[Floats, Floats], Flags] | None = None  # where the lawn is; None is everywhere


def lawn_part(
    name: str,
    klass: str,
    vertices: Floats,
    faces: Whole,
    rgb: Floats,
    translucency: float = 0.0,
    roughness: float | None = None,
) -> Part:
    """A part of the lawn, coloured by vertex."""
    return Part(
        name=name,
        klass=klass,
        vertices=vertices.astype(np.float32),
        faces=faces.astype(np.int32),
        rgb_linear=rgb.astype(np.float32),
        translucency=translucency,
        roughness=roughness,
        lawn=True,
    )
