"""What the recipes of spots and of lawns share: their light, camera and clock."""

from __future__ import annotations

from dataclasses import asdict
from datetime import datetime
from typing import Any

from turfeye.simulate.render import Light, Sky
from turfeye.view import focal_from_35mm

LIGHTS = ("sun", "low sun", "overcast", "half shade", "shade", "warm evening")


class Look:
    """A recipe's picture: what light it is taken in, by which lens, and when. Recipes have these fields."""

    light: str  # one of LIGHTS
    sun_elevation_deg: float
    sun_azimuth_deg: float
    turbidity: float
    size_px: tuple[int, int]  # width, height
    focal_35mm: int
    taken: str  # ISO 8601

    @property
    def focal_px(self) -> float:
        """From the diagonal-based 35 mm equivalent."""
        return focal_from_35mm(self.focal_35mm, self.size_px)

    def lighting(self) -> Light:
        """The sky, without what throws shade."""
        sky: Sky = "overcast" if self.light == "overcast" else "shade" if self.light == "shade" else "clear"
        return Light(self.sun_elevation_deg, self.sun_azimuth_deg, self.turbidity, sky)

    def when(self) -> datetime:
        """By the camera's clock."""
        return datetime.fromisoformat(self.taken)

    def as_json(self) -> dict[str, Any]:
        """Plain values, by field."""
        return asdict(self)  # type: ignore[call-overload, no-any-return]
