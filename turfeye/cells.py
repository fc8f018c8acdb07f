"""From pixels to cells: which part of the lawn each pixel shows, gathered to one row a cell.

Pixels are gathered in picture space, each weighted by the ground that it covers; the photo is never
resampled to a plan, since that would blur what is measured.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from turfeye import darksoil, leafcolour, outline, view
from turfeye.errors import ViewError
from turfeye.gapfraction import Blades, leaf_angle_of
from turfeye.gather import Gather, divide
from turfeye.records import Bytes, CellTable, Correction, Flags, Floats, Grid, Shares, View, Whole, Words

MAX_ZENITH_DEG = 65.0
"""Beyond this a cell shows the sides of its blades only, and what it has of soil is guesswork."""
MIN_SEEN = 0.5
"""A cell of which less than half is usable is *not seen*."""
MAX_PLACEMENT_CELLS = 0.25
"""A cell must be placed to a quarter of its size, else it may be its neighbour."""
MAX_GSD_MM = 20.0
"""Coarser than this a pixel holds many blades and gaps, and its share is a guess."""
UNCORRECTED_GAIN_SE = 0.15
"""Without a card the gain may well be a sixth off."""
UNPLACED_SE = 0.05
"""Nothing says how obliquely an unplaced picture was taken: this much cover at least is in doubt."""
USUAL_ZENITH_DEG = 35.0
"""Between a spot's cells and a lawn view's: for covers of which nothing says how obliquely they were seen."""
SHARED = 0.5
"""Share of the variance of a cell's error that all cells of a photo have in common: its soil, leaves and
light are unlike those learnt from all over it. Fitted with `Accuracy`, to the same pictures: the mean of a
photo is off by the root of this times the mean error of its cells. tools/calibrate_errors.py prints it."""
MAX_OTHER_LIGHT = 0.5
"""With more than this share in other light than the card's, a cell's colour is withheld."""


OUTSIDE = "outside the picture"
MOSTLY_OUTSIDE = "mostly outside the picture"
OBLIQUE = "too oblique"  # and the angle
COARSE = "too coarse: too far from the camera"
MISPLACED = "can't be placed to a quarter of a cell"
OTHER_LIGHT = "colour withheld: in other light than the card"
CLASSES = ("green", "straw", "bare", "other")


@dataclass(frozen=True, slots=True)
class Accuracy:
    """How far the classifier is off, one standard deviation, learnt on rendered pictures kept out.

    The error of a cell's cover c, seen at a zenith angle z, is ``dense * c * cos(z)^2 + slope * sqrt(c (1 -
    c))``: none where all is soil; dark gaps in a closed sward may or may not be soil, and close when seen
    obliquely; most is unsure where half the pixels are edges. Fitted by tools/calibrate_errors.py to rendered
    pictures with a card that trained nothing and carry no figure (make_samples.py --sets tune, and the sample
    photos); without the cosine lawn views got errors by a third too wide, and its square is likelier than its
    first or third power. A part that grows with the ground sample distance was looked for and is none.
    """

    dense: float = 0.097
    slope: float = 0.054


def spot_grid(seen: View, cell_m: float, *, reach_m: float = 6.0) -> Grid:
    """Cells that cover what a photo shows of the ground, their edges on multiples of the cell size.

    Parameters
    ----------
    seen : the photo's view
    cell_m : side of a cell, metres
    reach_m : no further than this from the point below the camera, for oblique photos

    Raises
    ------
    ViewError : no ground that near is in the picture, or cells have no size
    """
    if not 0 < cell_m < np.inf:
        raise ViewError(f"wanted a cell's side above 0 m, got {cell_m:g}; 0.1 is usual from above")
    width, height = seen.size_px
    net = np.stack(np.meshgrid(np.linspace(0, width - 1, 81), np.linspace(0, height - 1, 61)), axis=-1)
    xy = view.unproject(seen, net.reshape(-1, 2))
    near = np.linalg.norm(xy - seen.camera_m[:2], axis=1) <= reach_m  # False for NaN: above the horizon
    if not near.any():
        raise ViewError(
            f"wanted ground within {reach_m:g} m of the camera in the picture, found none; "
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
    bare = Grid(cell_m, float(low[0]), float(low[1]), rows=int(rows), cols=int(cols), outline_m=corners)
    share = outline.cell_shares(corners, bare)
    return Grid(cell_m, bare.x0_m, bare.y0_m, bare.rows, bare.cols, outline_m=corners, share=share)


def measure(
    rgb_linear: Floats,
    shares: Shares,
    seen: View,
    grid: Grid,
    *,
    corrected: bool,
    reasons: tuple[str, ...] = ("",),
    fault: Whole | None = None,
    other_light: Flags | None = None,
    rgb_coded: Bytes | None = None,
    smear_px: float = 0.0,
    correction: Correction | None = None,
    accuracy: Accuracy | None = None,
    blades: Blades | None = None,
    excess: float = 0.0,
) -> CellTable:
    """One row a cell of the grid.

    Parameters
    ----------
    rgb_linear : (H, W, 3), at the working size; reflectance when ``corrected``
    shares : what each pixel of the working picture shows
    seen : the view at the working size
    grid : the cells
    corrected : whether the colours mean reflectance; if not, every colour is unknown
    reasons, fault : why a pixel can't be used, (H, W) index into ``reasons``; 0 is "it can"
    other_light : (H, W), pixels in shade while the card is in the sun, or the other way round
    rgb_coded, correction : the camera's codes that ``rgb_linear`` comes from, (H, W, 3), and how
    smear_px : how far its file smeared colour, in pixels of the working picture
    accuracy : the classifier's own error
    blades : the lawn's own leaf angle; by default the usual one
    excess : how much of half-covered ground was called green too much, as `darksoil.excess` has it

    Returns
    -------
    CellTable with every cell of the grid that lies inside the outline, seen or not.
    """
    shape = shares.green.shape
    fault = np.zeros(shape, np.uint8) if fault is None else fault
    other_light = np.zeros(shape, bool) if other_light is None else other_light
    everything = Gather(seen, grid, shape)
    cells = everything.only(fault == 0)
    centres = grid.centres_m().reshape(-1, 2)
    zenith, gsd = view.zenith_deg(seen, centres), view.gsd_mm(seen, centres)

    inside = _inside(grid)
    areas = np.vstack([cells.area, everything.areas(fault, len(reasons) - 1)])
    seen_share = np.clip(divide(areas[0], grid.cell_m**2 * inside), 0, 1)
    means = {name: cells.block_means(getattr(shares, name)) for name in CLASSES}
    classes = {name: cells.mean(values) for name, values in means.items()}
    cover, view_se, sampling_se = _straight_down(cells, means["green"], seen, seen_share, blades or Blades())
    cover = darksoil.without_excess(cover, excess)
    shade = cells.mean(cells.block_means(other_light))
    why = _why(areas, reasons, seen_share, (zenith, gsd, view.placement_m(seen, centres)), grid)
    colours = dict.fromkeys(leafcolour.NAMES, np.full(cells.count, np.nan))
    withheld = np.full(cells.count, "")
    if corrected:
        coloured = (shares.green >= leafcolour.GREEN) & ~other_light
        colours, withheld = leafcolour.of_cells(
            cells, rgb_linear, coloured, rgb_coded=rgb_coded, correction=correction, smear_px=smear_px
        )
    elsewhere = shade > MAX_OTHER_LIGHT
    colours = {name: np.where(elsewhere, np.nan, values) for name, values in colours.items()}
    withheld = np.where(elsewhere, OTHER_LIGHT, withheld)
    cover_se = np.sqrt(
        sampling_se**2
        + view_se**2
        + classifier_se(cover, accuracy or Accuracy(), zenith_deg=zenith) ** 2
        + _colour_se(cover, correction if corrected else None) ** 2
    )
    # The classes beside green share what the straight-down view leaves to them.
    rest = np.clip(1 - cover, 0, 1) / np.maximum(1 - classes["green"], 1e-6)
    measured = {
        "cover": cover,
        "cover_se": cover_se,
        "cover_as_seen": classes["green"],
        "straw": classes["straw"] * rest,
        "bare": classes["bare"] * rest,
        "other": classes["other"] * rest,
        **colours,
        "shade": shade,
    }
    seen_cell = why == ""
    measured = {name: np.where(seen_cell, values, np.nan) for name, values in measured.items()}
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
        "state": np.where(seen_cell, "seen", "not seen"),
        "why": np.where(seen_cell, withheld, why),
        **measured,
    }
    keep = inside > 0
    if grid.outline_m is None:
        keep &= why != OUTSIDE  # the grid is the picture's own: what it doesn't reach is no cell of it
    return CellTable(grid=grid, **{name: values[keep] for name, values in columns.items()})


def measure_picture(
    shares: Shares,
    *,
    columns: int,
    reasons: tuple[str, ...] = ("",),
    fault: Whole | None = None,
    accuracy: Accuracy | None = None,
) -> CellTable:
    """Cover in parts of a picture that nothing places: no metres, no angle, no colour.

    ``x_m`` to ``gsd_mm`` are unknown. Cover is as seen; what the angle may do to it is in its error.
    """
    height, width = shares.green.shape
    side = width / columns
    pinhole = np.array([[1.0, 0, 0], [0, 1.0, 0], [0, 0, 1.0]])
    down = np.diag([1.0, -1.0, -1.0])
    flat = View("spot", (width, height), pinhole, down, np.array([0, height, 1.0]), "given", 0.0)
    rows = max(1, round(height / side))  # a last row that shows half its height counts
    grid = Grid(side, 0.0, height - rows * side, rows=rows, cols=columns)
    fault = np.zeros((height, width), np.uint8) if fault is None else fault
    everything = Gather(flat, grid, (height, width))
    cells = everything.only(fault == 0)
    areas = np.vstack([cells.area, everything.areas(fault, max(len(reasons) - 1, 1))])
    seen_share = np.clip(areas[0] / side**2, 0, 1)
    means = {name: cells.mean(cells.block_means(getattr(shares, name))) for name in CLASSES}
    worst = np.array([*reasons[1:], "unusable"])[areas[1:].argmax(axis=0)]
    why = np.where(seen_share < MIN_SEEN, worst, "")
    cover = means.pop("green")
    se = np.hypot(classifier_se(cover, accuracy or Accuracy()), UNPLACED_SE)
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


def _inside(grid: Grid) -> Floats:
    """(cells,) share of each cell inside the outline."""
    return np.ones(grid.rows * grid.cols) if grid.share is None else grid.share.ravel()


def _straight_down(
    cells: Gather, as_seen: Floats, seen: View, seen_share: Floats, blades: Blades
) -> tuple[Floats, Floats, Floats]:
    """Cover as from straight above, its error from the view angle, and from what was not seen.

    The gap-fraction model is bent, so it is applied block by block: a bare half and a dense half of one
    cell must not be taken for a thin whole.
    """
    area = cells.block_area
    zenith = np.minimum(view.zenith_deg(seen, cells.block_centres_m), MAX_ZENITH_DEG + 10)
    chi = leaf_angle_of(as_seen, lean=blades.lean)
    down = view.straight_down(as_seen, zenith, leaf_angle=chi)
    slack = view.straight_down_se(as_seen, zenith, leaf_angle=chi, leaf_angle_sd=blades.lean_se)
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
    return cover, view_se, sampling_se


def classifier_se(
    cover: Floats, accuracy: Accuracy, *, zenith_deg: Floats | float = USUAL_ZENITH_DEG
) -> Floats:
    """The classifier's own error on a cell of this cover."""
    gaps_show = np.cos(np.radians(zenith_deg)) ** 2
    return accuracy.dense * cover * gaps_show + accuracy.slope * np.sqrt(
        np.clip(cover * (1 - cover), 0, 0.25)
    )


def shared_se(se: Floats, weight: Floats) -> Floats:
    """Error of a mean over cells (N, ...) that they have in common: it does not shrink with their number."""
    share = weight / np.maximum(weight.sum(axis=0), 1e-12)
    return np.sqrt(SHARED) * (share * np.where(weight > 0, se, 0.0)).sum(axis=0)


def mean_se(se: Floats, weight: Floats) -> Floats:
    """Standard error of a weighted mean over cells (N, ...) of one photo: what they share, and their own."""
    share = weight / np.maximum(weight.sum(axis=0), 1e-12)
    own = (1 - SHARED) * (share**2 * np.where(weight > 0, se, 0.0) ** 2).sum(axis=0)
    return np.sqrt(shared_se(se, weight) ** 2 + own)


def _colour_se(cover: Floats, correction: Correction | None) -> Floats:
    """What a wrong gain does to cover: nothing at the ends, most where edges are many."""
    gain_se = UNCORRECTED_GAIN_SE if correction is None else correction.gain_se
    return gain_se * np.clip(cover * (1 - cover), 0, 0.25)


def _why(
    areas: Floats,
    reasons: tuple[str, ...],
    seen_share: Floats,
    angle_and_place: tuple[Floats, Floats, Floats],
    grid: Grid,
) -> Words:
    """(cells,) why a cell is not seen, "" where it is; the weightiest reason first."""
    zenith, gsd, placed = angle_and_place
    in_picture = areas.sum(axis=0) / (grid.cell_m**2 * np.maximum(_inside(grid), 1e-9))
    worst = np.array(reasons)[areas[1:].argmax(axis=0) + 1] if len(reasons) > 1 else np.full(len(zenith), "")
    oblique = np.char.add(
        np.char.add(f"{OBLIQUE}: ", np.round(np.nan_to_num(zenith, nan=90)).astype(int).astype(str)),
        "° from straight down",
    )
    conditions = [
        in_picture <= 0,
        zenith > MAX_ZENITH_DEG,
        gsd > MAX_GSD_MM,
        ~(placed <= MAX_PLACEMENT_CELLS * grid.cell_m),
        (seen_share < MIN_SEEN) & (in_picture < MIN_SEEN),
        seen_share < MIN_SEEN,
    ]
    words = [
        OUTSIDE,
        oblique,
        COARSE,
        MISPLACED,
        MOSTLY_OUTSIDE,
        worst,
    ]
    return np.select(conditions, words, default="")
