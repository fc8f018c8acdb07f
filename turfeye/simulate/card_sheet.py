"""The printed card on its sheet of paper, as a part of a scene."""

from __future__ import annotations

import numpy as np

from turfeye.records import Floats
from turfeye.simulate.mesh import Part
from turfeye.simulate.shapes import grid_faces

PAPER_M = (0.297, 0.210)  # the sheet that the card is printed on
NET = (7, 9)  # points of its mesh, rows by y, columns by x, both from the least


def card_part(
    spot: int, at_m: tuple[float, float, float], tilt_deg: tuple[float, float], *, turn_deg: float = 0.0
) -> Part:
    """The printed card on its sheet of paper, lying at ``at_m``, a little tilted and bent."""
    rows, cols = NET
    u, v = np.meshgrid(np.linspace(0, 1, cols), np.linspace(0, 1, rows))
    x, y = (u - 0.5) * PAPER_M[0], (v - 0.5) * PAPER_M[1]
    z = np.tan(np.radians(tilt_deg[0])) * x + np.tan(np.radians(tilt_deg[1])) * y
    turn = np.radians(turn_deg)
    flat = np.stack([x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn), z], -1)
    return Part(
        name="card",
        klass="other",
        vertices=(flat.reshape(-1, 3) + np.asarray(at_m)).astype(np.float32),
        faces=grid_faces(rows, cols).astype(np.int32),
        texture=card_texture(spot),
        uv=np.stack([u.ravel(), 1 - v.ravel()], -1).astype(np.float32),
        lawn=True,
    )


def card_corners(part: Part) -> Floats:
    """The corners of the card's active area in metres, (4, 3), from (-x, +y) clockwise."""
    from turfeye.card_layout import CARD

    net = part.vertices.reshape(*NET, 3).astype(float)
    right = (net[0, -1] - net[0, 0]) / PAPER_M[0]
    up = (net[-1, 0] - net[0, 0]) / PAPER_M[1]
    middle = net[NET[0] // 2, NET[1] // 2]
    return np.asarray(middle + CARD.corners_mm[:, :1] / 1e3 * right + CARD.corners_mm[:, 1:] / 1e3 * up)


def card_texture(spot: int, *, dpi: float = 150) -> Floats:
    """The whole sheet as linear reflectance, (H, W, 3): the card's active area amid bare paper."""
    from turfeye.card import draw
    from turfeye.card_layout import PAPER
    from turfeye.colourspace import decode

    active = decode(draw(spot, dpi=dpi).astype(np.float64)).astype(np.float32)
    height, width = round(PAPER_M[1] / 0.0254 * dpi), round(PAPER_M[0] / 0.0254 * dpi)
    sheet = np.full((height, width, 3), PAPER, np.float32)
    top, left = (height - active.shape[0]) // 2, (width - active.shape[1]) // 2
    sheet[top : top + active.shape[0], left : left + active.shape[1]] = active
    return sheet
