"""Which way up a picture is, by the pose of its camera, and how its points lie once it is turned."""

from __future__ import annotations

import math

import numpy as np

from turfeye import card, view
from turfeye.errors import ViewError
from turfeye.records import Floats, Photo, View


def quarter_turns(seen: View) -> int:
    """By how many quarter turns anticlockwise an oblique picture comes to stand upright, as its pose has it.

    0 of one from above, which has no way up. A header that lost, or never had, which way the phone was held
    leaves a picture on its side or its head. Points stay those of the picture as it lies.
    """
    if seen.tilt_deg <= view.OBLIQUE_DEG:
        return 0
    right, down, _ = seen.rotation[:, 2]  # where the sky is, as the camera sees it
    return round(math.atan2(right, -down) / (math.pi / 2)) % 4


def turns_by_card(picture: Photo) -> int:
    """The same, by the largest card that lies in a photo, whatever it is used for; 0 where none tells."""
    cards, _ = card.readable_or_why(picture)
    try:
        return quarter_turns(view.from_card(picture, cards[0])) if cards else 0
    except ViewError:
        return 0


def turned_px(points_px: Floats, size_px: tuple[int, int], turns: int) -> Floats:
    """Where pixels (..., 2) of a picture of ``size_px`` lie once it is turned by so many quarter turns
    anticlockwise, as ``np.rot90`` turns it.

    >>> turned_px(np.array([[10.0, 0.0]]), (40, 30), 1).tolist()
    [[0.0, 29.0]]
    """
    points, (width, height) = np.asarray(points_px, dtype=float), size_px
    for _ in range(turns % 4):
        points = np.stack([points[..., 1], width - 1 - points[..., 0]], axis=-1)
        width, height = height, width
    return points
