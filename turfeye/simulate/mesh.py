"""Meshes of a rendered scene: named parts with a material and the class that the truth counts them as.

Coordinates are lawn metres, z up. Colours are linear RGB reflectance (sRGB primaries, D65).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from turfeye.records import CLASSES, Floats, Whole


@dataclass(frozen=True, eq=False)
class Part:
    """One mesh of one material. A part is coloured by vertex (``rgb_linear``) or by ``texture``, not both.

    Raises
    ------
    ValueError
        An unknown class, a part with no colour, or arrays whose lengths don't fit.
    """

    name: str
    klass: str  # one of CLASSES
    vertices: Floats  # (V, 3), metres
    faces: Whole  # (F, 3)
    rgb_linear: Floats | None = None  # (V, 3)
    texture: Floats | None = None  # (h, w, 3), linear; row 0 is v = 1, as a picture is seen
    uv: Floats | None = None  # (V, 2)
    translucency: float = 0.0  # share of the light that passes through, 0-1
    roughness: float | None = None  # None is matt; else the width of a faint gloss, 0-1
    lawn: bool = False  # on or in the lawn

    def __post_init__(self) -> None:
        if self.klass not in CLASSES:
            raise ValueError(f"part {self.name}: class must be one of {CLASSES}, got {self.klass!r}")
        if (self.rgb_linear is None) == (self.texture is None):
            raise ValueError(f"part {self.name}: give either rgb_linear or texture")
        if self.texture is not None and (self.uv is None or len(self.uv) != len(self.vertices)):
            raise ValueError(f"part {self.name}: a texture needs one uv a vertex")
        if self.rgb_linear is not None and len(self.rgb_linear) != len(self.vertices):
            raise ValueError(f"part {self.name}: rgb_linear needs one colour a vertex")

    def moved(self, offset_m: Sequence[float]) -> Part:
        """The same part, shifted by (x, y, z) metres."""
        return replace(self, vertices=self.vertices + np.asarray(offset_m, np.float32))


def merged(parts: Iterable[Part]) -> list[Part]:
    """One part for each material and class: a renderer likes few large meshes.

    Parts with a texture stay as they are.
    """
    groups: dict[tuple, list[Part]] = {}
    for number, part in enumerate(parts):
        key: tuple = (part.klass, part.lawn, part.translucency, part.roughness)
        groups.setdefault(key if part.texture is None else (*key, number), []).append(part)
    return [_join(group) for group in groups.values()]


def _join(group: list[Part]) -> Part:
    """Parts of one material as one mesh."""
    if len(group) == 1:
        return group[0]
    starts = np.cumsum([0, *[len(part.vertices) for part in group[:-1]]])
    return replace(
        group[0],
        name="+".join(dict.fromkeys(part.name for part in group)),
        vertices=np.concatenate([part.vertices for part in group]).astype(np.float32),
        faces=np.concatenate([part.faces + start for part, start in zip(group, starts, strict=True)]),
        rgb_linear=np.concatenate([part.rgb_linear for part in group]).astype(np.float32),
    )
