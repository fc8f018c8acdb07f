"""The error of cover: what of it the classifier, the light, the file and the lens are to blame for.

How far a cell is off depends on its cover, on how obliquely it is seen, and on the `Conditions` of the photo.
What the view angle and unseen ground add is of the cell alone and stands in `cells`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from turfeye import leafcolour, lighting, stray
from turfeye.records import Correction, Floats, Photo

UNCORRECTED_GAIN_SE = 0.17
"""Without a card the gain may well be a sixth off, and how dark the soil is isn't known. With this, 75 and
94 % of the cells of 32 lawn views read without their card (make_samples.py --sets tune, make_tuning.py, the
samples) lie within one and two standard errors. The likeliest is 0.05 (0.15 by the network before; photos
drawn anew: 0 to 0.30), but bench and tuning differ by more."""
UNREAD_GAIN_SE = 0.25
"""As much gain, times the share of the card's steps that can't be read, moves cover as it moves when a photo
is 0.5 to 2.5 stops too bright: 26 rendered spots, in plain light and through their phones' tones."""
UNPLACED_SE = 0.05
"""Nothing says how obliquely an unplaced picture was taken: this much cover at least is in doubt."""
USUAL_ZENITH_DEG = 35.0
"""Between a spot's cells and a lawn view's: for covers of which nothing says how obliquely they were seen."""
SHARED = 0.5
"""Share of the variance of a cell's error that all cells of a photo have in common: its soil, leaves and
light are unlike those learnt from all over it. Fitted with `Accuracy`, to the same pictures: the mean of a
photo is off by the root of this times the mean error of its cells. tools/calibrate_errors.py prints it."""
UNDER_THINGS_SE = 0.6
"""Of the cover of the rest of a cell, times the share of it that is told as leaves or things: small holes
in closed turf are taken for either in part, and any share of the rest's cover, as likely as any other, is
off by so much."""
LOST_IN_GRAIN = 2.0
"""Of a cover, times the grain. Ten photos of real turf with a card laid in, taken in ever less light by a
phone of ours (patchworks of known truth; grain 0.07 to 0.47), read so much too low, root mean square."""
COARSE_SE, COARSE_PX = 0.26, 1475
"""Of sqrt(c (1 - c)) of a cover c, in a photo of no length, and how long a photo is to err by nothing of it.
Made small, and its file holding colour at half of that (4:2:0), gaps between blades take on their green. The
likeliest for 20 rendered spots at quality 75 is 0.08, 0.14, 0.16, 0.20 at 1,024, 800, 640 and 480 pixels."""


@dataclass(frozen=True, slots=True)
class Accuracy:
    """How far the classifier is off, one standard deviation, learnt on rendered pictures kept out.

    The error of a cell's cover c, seen at a zenith angle z, is ``dense * c * cos(z)^2 + slope * sqrt(c (1 -
    c))``: none where all is soil; dark gaps in a closed sward may or may not be soil, and close when seen
    obliquely; most is unsure where half the pixels are edges. Fitted by tools/calibrate_errors.py to rendered
    pictures with a card that trained nothing and carry no figure (make_samples.py --sets tune, and the sample
    photos); without the cosine lawn views got errors by a third too wide, and its square is likelier than its
    first or third power. A part that grows with the ground sample distance was looked for and is none.
    All of it times ``(hardness / usual) ** hard``, by how hard the light is (`lighting.hardness`), which
    below `lighting.LEAST_HARDNESS` counts as that.
    A little under the likeliest (0.073, 0.072, 0.82): with these 71 and 95 % of the tuning spots' cells lie
    within one and two errors and 73 and 96 % of the lawns', with those 74 and 96, 74 and 97.
    """

    dense: float = 0.064
    slope: float = 0.068
    hard: float = 0.80


@dataclass(frozen=True, slots=True)
class Conditions:
    """What of a photo's light and file the cover of its cells, or its error, goes by; by default a sound one.

    Parameters
    ----------
    hardness : of the light, as `lighting.hardness` has it
    grain : of a noisy photo, the relative spread of a light grey
    leafless : whether what is called green has no leaf's colour, as `leafcolour.leafless` has it
    hidden : how much too much of half-covered ground is green by dark soil, as `darksoil.excess` has it
    coarse : how coarsely a small photo's file holds colour, as `coarse_colour` has it
    flat : how much of the green lies flat, as `foreshortening.lying` has it
    """

    hardness: float = lighting.USUAL_HARDNESS
    grain: float = 0.0
    leafless: bool = False
    hidden: float = 0.0
    coarse: float = 0.0
    flat: float = 0.0


def variance(
    cover: Floats, zenith_deg: Floats, conditions: Conditions, correction: Correction | None, things: Floats
) -> Floats:
    """(cells,) of covers seen at these angles; ``things`` is the share of each told as leaves or things."""
    edges = np.clip(cover * (1 - cover), 0, None)
    of_classifier = classifier_se(cover, Accuracy(), zenith_deg=zenith_deg, hardness=conditions.hardness)
    shares_of_cover = (
        LOST_IN_GRAIN * conditions.grain,
        leafcolour.LEAFLESS_SE * conditions.leafless,
        stray.cover_se(correction),
        UNDER_THINGS_SE * things,
    )
    of_cover = np.square(cover) * sum(np.square(share) for share in shares_of_cover)
    of_gain = _gain_se(cover, leafcolour.trusted(correction)) ** 2
    return of_classifier**2 + conditions.coarse**2 * edges + of_cover + of_gain


def coarse_colour(picture: Photo) -> float:
    """How coarsely the file of a photo that was made small holds colour: its error, of sqrt(c (1 - c))."""
    short = 1 - max(picture.size_px) / COARSE_PX
    return COARSE_SE * max(short, 0.0) if picture.halved_colour else 0.0


def classifier_se(
    cover: Floats,
    accuracy: Accuracy,
    *,
    zenith_deg: Floats | float = USUAL_ZENITH_DEG,
    hardness: Floats | float = lighting.USUAL_HARDNESS,
) -> Floats:
    """The classifier's own error on a cell of this cover; where ``hardness`` is NaN it is the usual one."""
    gaps_show = np.cos(np.radians(zenith_deg)) ** 2
    edges = np.sqrt(np.clip(cover * (1 - cover), 0, 0.25))
    soft = np.maximum(hardness, lighting.LEAST_HARDNESS)
    harder = np.nan_to_num(soft / lighting.USUAL_HARDNESS, nan=1.0)
    return (accuracy.dense * cover * gaps_show + accuracy.slope * edges) * harder**accuracy.hard


def shared_se(se: Floats, weight: Floats) -> Floats:
    """Error of a mean over cells (N, ...) that they have in common: it does not shrink with their number."""
    share = weight / np.maximum(weight.sum(axis=0), 1e-12)
    return np.sqrt(SHARED) * (share * np.where(weight > 0, se, 0.0)).sum(axis=0)


def mean_se(se: Floats, weight: Floats) -> Floats:
    """Standard error of a weighted mean over cells (N, ...) of one photo: what they share, and their own."""
    share = weight / np.maximum(weight.sum(axis=0), 1e-12)
    own = (1 - SHARED) * (share**2 * np.where(weight > 0, se, 0.0) ** 2).sum(axis=0)
    return np.sqrt(shared_se(se, weight) ** 2 + own)


def _gain_se(cover: Floats, correction: Correction | None) -> Floats:
    """What a wrong gain does to cover: nothing at the ends, most where edges are many."""
    gain_se = UNCORRECTED_GAIN_SE
    if correction is not None:
        gain_se = float(np.hypot(correction.light_se, UNREAD_GAIN_SE * correction.unread))
    return gain_se * np.clip(cover * (1 - cover), 0, 0.25)
