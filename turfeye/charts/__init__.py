"""Pictures of records: what one photo says, maps of a lawn, its growth, and the plan to take outside.

Nothing is computed here. :mod:`turfeye.drawing` has the palette and the parts that they share.
"""

from turfeye.charts.curve import season_curve
from turfeye.charts.maps import cover_map, ground_map, growth_panels, state_map
from turfeye.charts.on_photo import overlay
from turfeye.charts.plan import plan_picture

__all__ = ["cover_map", "ground_map", "growth_panels", "overlay", "plan_picture", "season_curve", "state_map"]
