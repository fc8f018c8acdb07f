"""From pixels to cells: which part of the lawn each pixel shows, gathered to one row a cell.

Pixels are gathered in picture space, each weighted by the ground that it covers; the photo is never
resampled to a plan, since that would blur what is measured.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from turfeye import covererror, darksoil, leafcolour, outline, view
from turfeye.covererror import Conditions
from turfeye.errors import ViewError
from turfeye.faults import LEAVES, REASONS, THING, Faults
from turfeye.gapfraction import Blades, leaf_angle_of, straight_down, straight_down_se
from turfeye.gather import Gather, divide
from turfeye.records import (
    CLASSES,
    CellTable,
    Flags,
    Floats,
    Grid,
    Pixels,
    Shares,
    View,
    Words,
)

REACH_M = 6.0
"""An oblique spot photo is measured no further than this from the point below the camera."""
MAX_ZENITH_DEG = 65.0
"""Beyond this a cell shows the sides of its blades only, and what it has of soil is guesswork."""
MIN_SEEN = 0.5
"""A cell of which less than half is usable is *not seen*."""
MAX_PLACEMENT_CELLS = 0.25
"""A cell must be placed to a quarter of its size, else it may be its neighbour."""
MAX_GSD_MM = 20.0
"""Coarser than this a pixel holds many blades and gaps, and its share is a guess."""
MAX_OTHER_LIGHT = 0.5
"""With more than this share in other light than the card's, a cell's colour is withheld."""
FLAT_SE = 0.2
"""Of what leaves would hide if they stood: green that seems to lie flat may stand in part (ours). Where half
of it seems to, far more is unsure."""


OUTSIDE = "outside the picture"
MOSTLY_OUTSIDE = "mostly outside the picture"
OBLIQUE = "too oblique"  # and the angle
COARSE = "too coarse: too far from the camera"
MISPLACED = "can't be placed to a quarter of a cell"
OTHER_LIGHT = "colour withheld: in different light from the card"

SOUND = Conditions()


def spot_grid(seen: View, cell_m: float) -> Grid:
    """Cells that cover what a photo shows of the ground, their edges on multiples of the cell size.

    Parameters
    ----------
    seen : the photo's view
    cell_m : side of a cell, metres

    Raises
    ------
    ViewError : no ground that near is in the picture, or cells have no size
    """
    if not 0 < cell_m < np.inf:
        raise ViewError(f"wanted a cell's side above 0 m, got {cell_m:g}; 0.1 is usual from above")
    width, height = seen.size_px
    net = np.stack(np.meshgrid(np.linspace(0, width - 1, 81), np.linspace(0, height - 1, 61)), axis=-1)
    xy = view.unproject(seen, net.reshape(-1, 2))
    near = np.linalg.norm(xy - seen.camera_m[:2], axis=1) <= REACH_M  # False for NaN: above the horizon
    if not near.any():
        raise ViewError(
            f"wanted ground within {REACH_M:g} m of the camera in the picture, found none; "
            "point the camera further down"
        )
    xy = xy[near]
    low = np.floor(xy.min(axis=0) / cell_m + 1e-9)
    high = np.ceil(xy.max(axis=0) / cell_m - 1e-9)
    cols, rows = np.maximum(high - low, 1).astype(int)
    return Grid(cell_m, float(low[0] * cell_m), float(low[1] * cell_m), rows=int(rows), cols=int(cols))


def lawn_grid(outline_m: Floats, cell_m: float) -> Grid:
    """The lawn's cells: cell (0, 0) at the least x and y of the outline, each with its share inside."""
    corners = np.asarray(outline_m, float)
    low = corners.min(axis=0)
    cols, rows = np.maximum(np.ceil((corners.max(axis=0) - low) / cell_m - 1e-9), 1).astype(int)
    grid = Grid(cell_m, float(low[0]), float(low[1]), rows=int(rows), cols=int(cols), outline_m=corners)
    return replace(grid, share=outline.cell_shares(corners, grid))


def out_of_reach(seen: View, grid: Grid) -> tuple[Flags, Flags]:
    """(cells,) whether a cell's middle lies too flat to the camera to be measured, and outside the picture.

    >>> down = np.diag([1.0, -1.0, -1.0])
    >>> camera = np.array([[1000.0, 0, 500], [0, 1000, 500], [0, 0, 1]])
    >>> above = View("lawn", (1000, 1000), camera, down, np.array([-0.5, 0.5, 1.0]), "given", 0.0)
    >>> [flags.tolist() for flags in out_of_reach(above, Grid(1.0, 0.0, 0.0, rows=1, cols=4))]
    [[False, False, False, True], [False, True, True, True]]
    """
    centres = grid.centres_m().reshape(-1, 2)
    at = view.project(seen, centres)
    in_picture = np.all((at >= 0) & (at <= np.array(seen.size_px) - 1), axis=-1)  # no NaN: behind the camera
    return view.zenith_deg(seen, centres) > MAX_ZENITH_DEG, np.logical_not(in_picture)


def measure(
    pixels: Pixels,
    found: Faults,
    grid: Grid,
    *,
    blades: Blades | None = None,
    conditions: Conditions = SOUND,
) -> CellTable:
    """One row for every cell of the grid that lies inside the outline, seen or not.

    Parameters
    ----------
    pixels : the photo
    found : its faults, pixel by pixel: those with one don't count
    grid : the cells
    blades : the lawn's own leaf angle; by default the usual one
    conditions : of the photo, by which cover and its error go

    Raises ViewError for more cells than can be told apart (`gather.MOST_CELLS`).
    """
    seen, inside = pixels.view, _inside(grid)
    everything = Gather(seen, grid, found.fault.shape)
    cells = everything.only(found.fault == 0)
    centres = grid.centres_m().reshape(-1, 2)
    zenith, gsd = view.zenith_deg(seen, centres), view.gsd_mm(seen, centres)
    areas = np.vstack([cells.area, everything.areas(found.fault, len(REASONS) - 1)])
    seen_share = np.clip(divide(areas[0], grid.cell_m**2 * inside), 0, 1)
    why = _why(areas, seen_share, (zenith, gsd, view.placement_m(seen, centres)), grid)
    shown = why == ""
    means = {name: cells.block_means(getattr(pixels.shares, name)) for name in CLASSES}
    blades = blades or Blades()
    cover, variance = _straight_down(cells, means["green"], seen, seen_share, blades, flat=conditions.flat)
    cover = darksoil.without_excess(cover, conditions.hidden)
    things = _under_things(areas)
    variance += covererror.variance(cover, zenith, conditions, pixels.correction, things)
    colours, withheld = _colours(cells, pixels, found.other_light)
    known = {"cover": cover, "cover_se": np.sqrt(variance), **_classes(cells, means, cover), **colours}
    row, col = np.divmod(np.arange(cells.count), grid.cols)
    columns = {
        "row": row,
        "col": col,
        "x_m": centres[:, 0],
        "y_m": centres[:, 1],
        "area_m2": grid.cell_m**2 * inside,
        "seen": seen_share,
        "zenith_deg": zenith,
        "gsd_mm": gsd,
        "state": np.where(shown, "seen", "not seen"),
        "why": np.where(shown, withheld, why),
        **{name: np.where(shown, values, np.nan) for name, values in known.items()},
    }
    keep = inside > 0
    if grid.outline_m is None:
        keep &= why != OUTSIDE  # the grid is the picture's own: what it doesn't reach is no cell of it
    return CellTable(grid=grid, **{name: values[keep] for name, values in columns.items()})


def measure_picture(
    shares: Shares,
    found: Faults,
    *,
    columns: int,
    conditions: Conditions = SOUND,
) -> CellTable:
    """Cover in parts of a picture that nothing places: no metres, no angle, no colour.

    ``x_m`` to ``gsd_mm`` are unknown. Cover is as seen; what the angle may do to it is in its error.
    """
    height, width = shares.green.shape
    side = width / columns
    down = np.diag([1.0, -1.0, -1.0])
    flat = View("spot", (width, height), np.eye(3), down, np.array([0, height, 1.0]), "given", 0.0)
    rows = max(1, round(height / side))  # a last row that shows half its height counts
    grid = Grid(side, 0.0, height - rows * side, rows=rows, cols=columns)
    everything = Gather(flat, grid, (height, width))
    cells = everything.only(found.fault == 0)
    seen_share = np.clip(cells.area / side**2, 0, 1)
    why = np.where(seen_share < MIN_SEEN, _worst(everything.areas(found.fault, len(REASONS) - 1)), "")
    means = {name: cells.mean(cells.block_means(getattr(shares, name))) for name in CLASSES}
    cover = means.pop("green")
    se = covererror.classifier_se(cover, covererror.Accuracy(), hardness=conditions.hardness)
    se = np.sqrt(se**2 + covererror.UNPLACED_SE**2 + conditions.coarse**2 * cover * (1 - cover))
    row, col = np.divmod(np.arange(cells.count), columns)
    known = {"cover": cover, "cover_se": se, "cover_as_seen": cover, **means}
    known = {name: np.where(why == "", values, np.nan) for name, values in known.items()}
    columns_known = {"row": rows - 1 - row, "col": col, "seen": seen_share, "why": why, **known}
    columns_known["state"] = np.where(why == "", "seen", "not seen")
    nothing = np.full(cells.count, np.nan)
    order = np.argsort(columns_known["row"], kind="stable")  # row 0 at the top, as the picture is read
    return CellTable(
        grid=grid,
        **{name: columns_known.get(name, nothing)[order] for name in CellTable.column_names()},
    )


def _under_things(areas: Floats) -> Floats:
    """(cells,) share told as leaves or things, of ``areas`` as `_why` has them."""
    return np.nan_to_num(divide(areas[LEAVES] + areas[THING], areas.sum(axis=0)))


def hidden_by_dark_soil(pixels: Pixels, found: Faults) -> float:
    """How much too much of half-covered ground is green where dark soil is seen obliquely (`darksoil`)."""
    if pixels.view.tilt_deg <= view.OBLIQUE_DEG:
        return 0.0
    return darksoil.excess(pixels.rgb_linear, pixels.shares, found.lit)


def _classes(cells: Gather, means: dict[str, Floats], cover: Floats) -> dict[str, Floats]:
    """Green as seen, and what the classes beside it share of what the straight-down cover leaves to them."""
    seen = {name: cells.mean(values) for name, values in means.items()}
    green = seen.pop("green")
    rest = np.clip(1 - cover, 0, 1) / np.maximum(1 - green, 1e-6)
    return {"cover_as_seen": green, **{name: share * rest for name, share in seen.items()}}


def _colours(cells: Gather, pixels: Pixels, other_light: Flags) -> tuple[dict[str, Floats], Words]:
    """Shade and colour of each cell, (cells,) by column, and why colour is withheld, "" where it is not."""
    shade = cells.mean(cells.block_means(other_light))
    colours, withheld = leafcolour.of_cells(cells, pixels, ~other_light)
    elsewhere = shade > MAX_OTHER_LIGHT
    colours = {name: np.where(elsewhere, np.nan, values) for name, values in colours.items()}
    return colours | {"shade": shade}, np.where(elsewhere, OTHER_LIGHT, withheld)


def _inside(grid: Grid) -> Floats:
    """(cells,) share of each cell inside the outline."""
    return np.ones(grid.rows * grid.cols) if grid.share is None else grid.share.ravel()


def _straight_down(
    cells: Gather, as_seen: Floats, seen: View, seen_share: Floats, blades: Blades, *, flat: float
) -> tuple[Floats, Floats]:
    """Cover as from straight above, and its variance from the view angle and from what was not seen.

    The gap-fraction model is bent, so it is applied block by block: a bare half and a dense half of one
    cell must not be taken for a thin whole. So much of the green as lies ``flat`` hides nothing.
    """
    area = cells.block_area
    zenith = np.minimum(view.zenith_deg(seen, cells.block_centres_m), MAX_ZENITH_DEG + 10)
    chi = leaf_angle_of(as_seen, lean=blades.lean)
    down = straight_down(as_seen, zenith, leaf_angle=chi)
    slack = straight_down_se(as_seen, zenith, leaf_angle=chi, leaf_angle_sd=blades.lean_se)
    if flat:
        hides = as_seen - down
        down = as_seen - (1 - flat) * hides
        slack = np.hypot((1 - flat) * slack, flat * (1 + FLAT_SE - flat) * hides)
    shown = area > 0
    total = cells.area
    down, slack = np.where(shown, down, 0), np.where(shown, slack, 0)
    cover = divide(cells.to_cells(area * down), total)
    # The leaf angle is one for the whole lawn: its error adds up straight, not in squares.
    view_se = divide(cells.to_cells(area * slack), total)
    count = cells.to_cells(shown.astype(float))
    spread = divide(cells.to_cells(area * down**2), total) - cover**2
    unseen = 1 - np.nan_to_num(seen_share)
    sampling_se = np.sqrt(np.maximum(spread, 0) / np.maximum(count - 1, 1) * unseen)
    return cover, sampling_se**2 + view_se**2


def _worst(areas: Floats) -> Words:
    """(cells,) the fault that takes up most of each cell, of square metres (faults, cells)."""
    return np.array(REASONS)[areas.argmax(axis=0) + 1]


def _why(
    areas: Floats, seen_share: Floats, angle_and_place: tuple[Floats, Floats, Floats], grid: Grid
) -> Words:
    """(cells,) why a cell is not seen, "" where it is; the weightiest reason first.

    ``areas`` (1 + faults, cells) are square metres shown usably, and with each fault.
    """
    zenith, gsd, placed = angle_and_place
    in_picture = areas.sum(axis=0) / (grid.cell_m**2 * np.maximum(_inside(grid), 1e-9))
    degrees = np.nan_to_num(zenith, nan=90)
    oblique = np.array([f"{OBLIQUE}: {angle:.0f}° from straight down" for angle in degrees])
    conditions = [
        in_picture <= 0,
        zenith > MAX_ZENITH_DEG,
        gsd > MAX_GSD_MM,
        ~(placed <= MAX_PLACEMENT_CELLS * grid.cell_m),
        (seen_share < MIN_SEEN) & (in_picture < MIN_SEEN),
        seen_share < MIN_SEEN,
    ]
    words: list[Any] = [OUTSIDE, oblique, COARSE, MISPLACED, MOSTLY_OUTSIDE, _worst(areas[1:])]
    return np.select(conditions, words, default="")
