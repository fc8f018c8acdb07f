"""The frozen records of one photo that pass from step to step, with units in their field names.

Those of a lawn over time are in :mod:`turfeye.lawnrecords`.

Conventions (DEVELOPERS.md has them all): arrays are (row, column); points are (x, y); pixel centres are at
integers; metres lie in the lawn's plane, z up; linear RGB is float reflectance, coded RGB is 8-bit sRGB;
unknown is NaN (None for a scalar that has no number) with a ``why``; shares are 0-1.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import datetime
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
    """One picture, turned as its header says, with what else that says."""

    path: Path
    rgb_coded: Bytes  # (H, W, 3), sRGB
    taken: datetime | None  # by the camera's clock; carries its offset when the header has one
    taken_from: Literal["exif", "name", "given"] | None
    focal_px: float | None  # at this picture's size; None when the header has no focal length
    camera: str | None
    digest: str  # SHA-256 of the file's bytes, hex
    shot_px: tuple[int, int] | None = None  # its size when it was taken, by its header; the longer side first
    halved_colour: bool = False  # the file holds colour at half the size (4:2:0), as nearly all phones' do

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
    twins_differ: float  # largest relative difference of twin grey steps beyond their grain, linear light
    evened: float = 0.0  # log light by which tones were evened out place by place (HDR), where that is told

    @property
    def markers(self) -> int:
        """How many of the four markers were read."""
        return len(self.marker_corners_px)

    @property
    def burnt(self) -> Flags:
        """(P,), the patches that are too bright to carry a value; those too dark are not among them."""
        return np.asarray(self.patch_clipped & (np.nan_to_num(self.patch_rgb_coded).max(axis=1) > 128))


@dataclass(frozen=True, eq=False, slots=True)
class Correction:
    """From camera RGB to reflectance: one shared tone curve, a gain a channel, sometimes a matrix."""

    tone: tuple[float, float]  # two parameters beyond sRGB; (0, 0) is sRGB itself
    gain: Floats  # (3,), multiplies linearised RGB
    matrix: Floats | None  # after the gain, (3, 3) or (3, 6) root polynomial; None when gains do it all
    delta_e_mean: float  # CIEDE2000 over patches not used to fit them
    delta_e_max: float
    light_se: float  # relative standard error of light as dark as a lawn's
    values: CardValues
    half_lit: bool = False  # a shadow crosses the card, and its sunlit part was used
    grey_print: bool = False  # its coloured steps show no colour, and were left out
    fit_cov: Floats | None = None  # (5, 5) of the log gains and the tone's two parameters
    evened: float = 0.0  # as the sighting has it
    haloed: bool = False  # told on the lawn that tones were evened out place by place
    darkest_code: float = 0.0  # lowest code of the grey steps used: below it the tone curve is a guess
    own_colours: bool = False  # no coloured step could be used: colours are as the phone makes them
    unread: float = 0.0  # share of the card's steps that could not be read, or were in a shadow
    unread_cov: Floats | None = None  # (6, 6), what coloured steps that can't be read leave unsure of colours
    stray: float = 0.0  # light that lay over the whole picture, as reflectance, and is taken off
    gap_light: float = 0.0  # the same where only a spot's gaps show it: off cover and colour, not off the fit
    pale_gaps: float = 0.0  # what only a spot's gaps show of it, as a share of the ground's light

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
    def plane(self) -> Floats:
        """(3, 3) homography from lawn metres to pixels; its third row is the depth in metres."""
        return self.camera_matrix @ np.column_stack([self.rotation[:, :2], self.translation])

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
    share: Floats | None = None  # (rows, cols), how much of each cell lies inside the outline and in no bed
    beds_m: tuple[Floats, ...] = ()  # each (K, 2): what is no lawn inside the outline, with a rim about it

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

    @property
    def planes(self) -> tuple[Floats, ...]:
        """The four, in the order of ``CLASSES``."""
        return self.green, self.straw, self.bare, self.other


CLASSES = tuple(share.name for share in fields(Shares))
"""What a pixel may show, in the order in which arrays of all shares have them."""


@dataclass(frozen=True, eq=False, slots=True)
class Pixels:
    """A placed photo at the size at which it is measured: what each pixel shows, and in which colour."""

    view: View  # at this size
    rgb_coded: Bytes  # (H, W, 3), as the camera wrote it
    rgb_linear: Floats  # (H, W, 3), of the same; reflectance where there is a correction
    shares: Shares
    correction: Correction | None  # None: no card could be read
    smear_px: float  # how far the file smeared colour, in pixels of this size; 0 where hardly


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
    state: Words  # "seen" or "not seen"
    why: Words  # why it is not seen, or has no colour; else ""

    def __len__(self) -> int:
        return len(self.row)

    @property
    def reasons(self) -> Words:
        """(N,) why, in short: what stands before a colon, without the figures or the cause behind it."""
        return np.array([why.split(":")[0] for why in self.why.tolist()], dtype=str)

    @classmethod
    def column_names(cls) -> tuple[str, ...]:
        """Every column, in file order."""
        return tuple(f.name for f in fields(cls) if f.name != "grid")


@dataclass(frozen=True, eq=False, slots=True)
class Look:
    """Everything that one photo says."""

    photo: Photo
    sighting: Sighting | None
    correction: Correction | None
    view: View | None
    table: CellTable
    warnings: tuple[str, ...] = ()
    hardness: float = float("nan")  # of the light, as `lighting.hardness` has it
    flat: float = 0.0  # how much of the green was taken to lie flat
    lie: tuple[float, float] | None = None  # `foreshortening.flat_likeness`, where it tells and is asked
