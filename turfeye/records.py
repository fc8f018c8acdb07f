"""The frozen records that pass from step to step, with units in their field names.

Conventions (DEVELOPERS.md has them all): arrays are (row, column); points are (x, y); pixel centres are at
integers; metres lie in the lawn's plane, z up; linear RGB is float reflectance, coded RGB is 8-bit sRGB;
unknown is NaN (None for a scalar that has no number) with a ``why``; shares are 0-1.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from datetime import date, datetime
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating]
Bytes = NDArray[np.uint8]
Flags = NDArray[np.bool_]
Whole = NDArray[np.integer]
Words = NDArray[np.str_]

SCHEMA = 1
"""Version of everything written to files; a reader refuses what it does not know."""


@dataclass(frozen=True, eq=False, slots=True)
class Photo:
    """One picture, upright, with what its header says."""

    path: Path
    rgb_coded: Bytes  # (H, W, 3), sRGB
    taken: datetime | None  # by the camera's clock; carries its offset when the header has one
    taken_from: Literal["exif", "name", "given"] | None
    focal_px: float | None  # at this picture's size; None when the header has no focal length
    camera: str | None
    digest: str  # SHA-256 of the file's bytes, hex

    @property
    def size_px(self) -> tuple[int, int]:
        """Width and height."""
        return self.rgb_coded.shape[1], self.rgb_coded.shape[0]


@dataclass(frozen=True, eq=False, slots=True)
class CardValues:
    """What the card's patches are: the nominal print, or the user's own measurement."""

    names: tuple[str, ...]
    rgb_linear: Floats  # (P, 3), reflectance, sRGB primaries, D65
    neutral: Flags  # (P,)
    measured: bool


@dataclass(frozen=True, eq=False, slots=True)
class Sighting:
    """A card found in a photo."""

    spot: int
    marker_corners_px: Floats  # (M, 4, 2)
    marker_corners_m: Floats  # (M, 4, 2) in the card's plane, origin at its centre
    homography: Floats  # (3, 3), card metres to pixels
    reprojection_px: float  # root mean square over the markers' corners
    corners_px: Floats  # (4, 2): (-x, +y) first, then clockwise as the text reads
    patch_names: tuple[str, ...]
    patch_rgb_coded: Floats  # (P, 3), mean over the patch, 0-255
    patch_spread: Floats  # (P,), robust sd over the patch as a share of its mean, linear light
    patch_clipped: Flags  # (P,), too bright or dark to carry a value
    twins_differ: float  # largest relative difference between twin grey steps, linear light

    @property
    def markers(self) -> int:
        """How many of the four markers were read."""
        return len(self.marker_corners_px)


@dataclass(frozen=True, eq=False, slots=True)
class Correction:
    """From camera RGB to reflectance: one shared tone curve, a gain a channel, sometimes a matrix."""

    tone: tuple[float, float]  # two parameters beyond sRGB; (0, 0) is sRGB itself
    gain: Floats  # (3,), multiplies linearised RGB
    matrix: Floats | None  # after the gain, (3, 3) or (3, 6) root polynomial; None when gains do it all
    delta_e_mean: float  # CIEDE2000 over patches not used to fit them
    delta_e_max: float
    gain_se: float  # relative standard error of the gain
    values: CardValues
    half_lit: bool = False  # a shadow crosses the card, and its sunlit part was used
    fit_cov: Floats | None = None  # (5, 5) of the log gains and the tone's two parameters
    darkest_code: float = 0.0  # lowest code of the grey steps used: below it the tone curve is a guess

    @property
    def cast(self) -> float:
        """How many times as much one channel is raised as another."""
        return float(self.gain.max() / self.gain.min())


@dataclass(frozen=True, eq=False, slots=True)
class View:
    """Where each pixel lies on the lawn. A lawn point X (metres) is at R X + t before the camera."""

    kind: Literal["spot", "lawn"]
    size_px: tuple[int, int]  # width, height
    camera_matrix: Floats  # (3, 3)
    rotation: Floats  # (3, 3), lawn to camera
    translation: Floats  # (3,), metres
    focal_from: Literal["exif", "solved", "given"]
    corner_sd_px: float  # how well the points that placed it are known
    pose_cov: Floats | None = None  # (7, 7) of rotation vector (rad), translation (m), log focal length

    @property
    def focal_px(self) -> float:
        """Focal length in pixels."""
        return float(self.camera_matrix[0, 0])

    @property
    def camera_m(self) -> Floats:
        """The camera's place in lawn metres, (3,)."""
        return -self.rotation.T @ self.translation

    @property
    def height_m(self) -> float:
        """How high the camera is above the lawn's plane."""
        return float(self.camera_m[2])

    @property
    def tilt_deg(self) -> float:
        """Angle between the optical axis and straight down."""
        return float(np.degrees(np.arccos(np.clip(-self.rotation[2, 2], -1.0, 1.0))))


@dataclass(frozen=True, eq=False, slots=True)
class Grid:
    """Cells of one size; cell (0, 0) has its lower left corner at (x0_m, y0_m)."""

    cell_m: float
    x0_m: float
    y0_m: float
    rows: int
    cols: int
    outline_m: Floats | None = None  # (K, 2)
    share: Floats | None = None  # (rows, cols), how much of each cell lies inside the outline

    def centres_m(self) -> Floats:
        """Cell centres, (rows, cols, 2) as x, y.

        >>> Grid(0.5, 0.0, 0.0, rows=2, cols=3).centres_m()[1, 2].tolist()
        [1.25, 0.75]
        """
        x = self.x0_m + (np.arange(self.cols) + 0.5) * self.cell_m
        y = self.y0_m + (np.arange(self.rows) + 0.5) * self.cell_m
        return np.stack(np.meshgrid(x, y), axis=-1)


@dataclass(frozen=True, eq=False, slots=True)
class Shares:
    """What each pixel shows; the four add up to 1."""

    green: Floats  # (H, W)
    straw: Floats
    bare: Floats
    other: Floats


@dataclass(frozen=True, eq=False, slots=True)
class Pixels:
    """A placed photo at the size at which it is measured: what each pixel shows, and in which colour."""

    view: View  # at this size
    rgb_coded: Bytes  # (H, W, 3), as the camera wrote it
    rgb_linear: Floats  # (H, W, 3), of the same; reflectance where there is a correction
    shares: Shares
    correction: Correction | None  # None: no card could be read
    smear_px: float  # how far the file smeared colour, in pixels of this size; 0 where hardly


CELL_STATES = ("seen", "not seen")


@dataclass(frozen=True, eq=False, slots=True)
class CellTable:
    """One photo, one row a cell. Every array is (N,), rows in grid order."""

    grid: Grid
    row: Whole
    col: Whole
    x_m: Floats
    y_m: Floats
    area_m2: Floats  # inside the outline
    seen: Floats  # share of the cell's area that the photo shows usably
    cover: Floats  # green, as if seen from straight above
    cover_se: Floats
    cover_as_seen: Floats
    straw: Floats
    bare: Floats
    other: Floats
    dgci: Floats  # mean over green pixels in the card's light
    dgci_sd: Floats
    dgci_se: Floats  # what the mean may err by in this photo, from dark codes and smeared colour
    hue_deg: Floats
    exg: Floats  # excess green of the green pixels
    lab_l: Floats  # CIE L*a*b* of the green pixels, D65
    lab_a: Floats
    lab_b: Floats
    zenith_deg: Floats
    gsd_mm: Floats  # ground sample distance, geometric mean of the two directions
    shade: Floats  # share of the cell in other light than the card
    state: Words  # one of CELL_STATES
    why: Words  # "" when seen

    def __len__(self) -> int:
        return len(self.row)

    @classmethod
    def column_names(cls) -> tuple[str, ...]:
        """Every column, in file order."""
        return tuple(f.name for f in fields(cls) if f.name != "grid")


@dataclass(frozen=True, slots=True)
class Sowing:
    """Seed put down: when, what, how much; on all of the lawn, or on the ground within some corners."""

    date: date
    mix: str
    rate_g_m2: float
    area_m: tuple[tuple[float, float], ...] = ()  # lawn metres; () where all of the lawn was sown


@dataclass(frozen=True, slots=True)
class Target:
    """What the lawn should be, and when."""

    cover: float
    date: date


@dataclass(frozen=True, eq=False, slots=True)
class Visit:
    """One dated look at the lawn: the cells of one photo, or of several of the same day."""

    taken: datetime
    age_days: float  # since sowing
    view: str
    photos: tuple[str, ...]
    degree_days: float = float("nan")  # above the species' base temperature, since sowing


@dataclass(frozen=True, eq=False, slots=True)
class Oversown:
    """Cells that were sown again: they start anew on that day, while the lawn goes on."""

    sowing: Sowing
    cells: Whole  # indexes into the season's cells


@dataclass(frozen=True, eq=False, slots=True)
class Season:
    """All visits of one lawn, sorted by time: (N cells, V visits), NaN where not seen. Gaps stay gaps."""

    grid: Grid
    row: Whole  # (N,)
    col: Whole  # (N,)
    x_m: Floats  # (N,)
    y_m: Floats  # (N,)
    area_m2: Floats  # (N,)
    visits: tuple[Visit, ...]
    cover: Floats  # (N, V)
    cover_se: Floats  # (N, V)
    dgci: Floats  # (N, V)
    lab: Floats  # (N, V, 3)
    sowing: Sowing
    target: Target
    flags: tuple[str, ...] = ()  # duplicates, clock errors: said, never mended in silence
    degree_days_by_age: Floats | None = None  # (D,) at age 0, 1, 2 ... days; past the record at its last pace
    why_in_days: str = ""  # why there are no degree-days, where daily temperatures were given
    oversown: tuple[Oversown, ...] = ()  # parts that were sown again since, no cell in two
    earlier: tuple[Visit, ...] = ()  # before all of the lawn was sown again: shown, but no part of its growth
    earlier_cover: Floats = field(default_factory=lambda: np.empty((0, 0)))  # (N, E)

    @property
    def age_days(self) -> Floats:
        """(V,) days since sowing."""
        return np.array([visit.age_days for visit in self.visits])


STATES = ("on course", "slow", "thin", "too soon to say", "not seen")


@dataclass(frozen=True, eq=False, slots=True)
class Outlook:
    """A curve and a forecast a cell, and for the whole lawn. Arrays (N,) unless said otherwise."""

    season: Season
    curve: Literal["logistic", "gompertz"]
    time_axis: Literal["days", "degree-days"]
    theta: Floats  # (N, P), the curve's parameters
    theta_cov: Floats  # (N, P, P)
    visit_offset: Floats  # (V,)
    cover_now: Floats
    cover_now_se: Floats
    cover_at_target: Floats
    cover_at_target_low: Floats  # 90 % interval
    cover_at_target_high: Floats
    p_on_target: Floats
    reach_days: Floats  # age at which the cell reaches the target cover; inf when it does not
    state: Words  # one of STATES
    why: Words
    lawn: LawnOutlook
    p_thin: Floats = field(default_factory=lambda: np.empty(0))  # that it ends clearly short, not only late
    lawn_age_days: Floats = field(default_factory=lambda: np.empty(0))  # (T,) ages of the draws below
    lawn_draws: Floats = field(default_factory=lambda: np.empty((0, 0)))  # (2 K, T) likely courses
    lawn_own_draws: Floats = field(default_factory=lambda: np.empty((0, 0)))  # (K, T), without the next
    lawn_shared_se: Floats = field(default_factory=lambda: np.empty(0))  # (T,) what all photos err by alike


@dataclass(frozen=True, slots=True)
class LawnOutlook:
    """The whole lawn in figures and one honest sentence."""

    cover_now: float
    cover_now_se: float
    cover_at_target: float
    cover_at_target_low: float
    cover_at_target_high: float
    p_on_target: float
    cells: int
    counts: dict[str, int]  # cells in each state
    thin_m2: float
    missing: str  # what most cells lack of which it is too soon to say, "" where none is
    sentence: str


@dataclass(frozen=True, slots=True)
class Plot:
    """One plot of a trial, its sides along the lawn's x and y."""

    number: int
    at_m: tuple[float, float]  # its middle
    size_m: tuple[float, float]


@dataclass(frozen=True, eq=False, slots=True)
class Patch:
    """A connected area that stands out, outlined below cell size."""

    number: int
    kind: Literal["thin", "pale", "bare", "hollow", "stripe"]
    outline_m: Floats  # (K, 2), closed by its first point
    x_m: float  # centroid
    y_m: float
    area_m2: float
    area_se_m2: float
    deficit: float  # mean over the patch of 1 - forecast cover / target cover, 0-1
    how_sure: float  # 0-1
    cells: Whole  # indexes into the season's cells
    because: str
    holes_m: tuple[Floats, ...] = ()  # sound ground within it, each (K, 2), clockwise; no part of the area
    plots: tuple[
        tuple[int, float], ...
    ] = ()  # of a trial: where it lies, by number and share, the most first


@dataclass(frozen=True, eq=False, slots=True)
class Tape:
    """Where a point is by two tape distances from two named corners of the outline."""

    corner_a: str
    corner_b: str
    from_a_m: float
    from_b_m: float
    error_m: float  # one standard deviation of the place, from the tape's own error


@dataclass(frozen=True, eq=False, slots=True)
class Task:
    """One line of the work plan."""

    patch: Patch
    tape: Tape
    seed_g: float
    dressing_l: float
    because: str
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False, slots=True)
class WorkPlan:
    """Where, how much, by when, because of what."""

    tasks: tuple[Task, ...]
    seed_g: float  # total of the tasks, to the gram
    seed_spare_g: float
    dressing_l: float
    dressing_bags: int
    spreading: tuple[str, ...]  # the passes, in order
    window: str  # when to sow, or why to wait
    dates: tuple[tuple[date, str], ...]  # look again, first feed, first cut
    cautions: tuple[str, ...]
    sentence: str


@dataclass(frozen=True, eq=False, slots=True)
class Look:
    """Everything that one photo says."""

    photo: Photo
    sighting: Sighting | None
    correction: Correction | None
    view: View | None
    table: CellTable
    warnings: tuple[str, ...] = field(default=())
    hardness: float = float("nan")  # of the light, as `lighting.hardness` has it
