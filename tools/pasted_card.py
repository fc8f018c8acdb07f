"""A printed card laid flat into a rendered picture, and what it makes of that picture's colours.

A training picture "as corrected" must carry the errors of a real correction: dark codes that the phone has
crushed, colours it has pushed out of gamut, a tone curve known from a few grey steps. So a phone takes the
picture with a card in it, the card is found and read as in any photo, and its correction is applied.
"""

from __future__ import annotations

import io
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
from PIL import Image

from turfeye import card, colour, reflectance, sward
from turfeye.colourspace import LUMINANCE
from turfeye.errors import TurfeyeError
from turfeye.records import Bytes, Floats, Photo
from turfeye.simulate.card_sheet import PAPER_M, card_texture
from turfeye.simulate.phone import Phone, metered, shoot

WIDTH_SHARE, GARDEN_WIDTH_SHARE = 0.4, 0.25  # of the picture's width that the sheet takes up at most
DARKEST_PAPER = 0.62  # white paper must not burn out: who lays a card down looks for that
TILT_SD, BOUNCE_SD = 0.06, 0.012  # logarithm of the light on the card: how it lies, what is beside it

Box = tuple[int, int, int, int]


def laid_in(rgb_linear: Floats, white_rgb: Floats, *, gsd_mm: float, rng: np.random.Generator) -> tuple:
    """The picture with a card somewhere in its lower two thirds, and where: (H, W, 3), (x0, y0, x1, y1).

    rgb_linear : (H, W, 3), 1 is the luminance of white paper in the open
    white_rgb : what white paper gives back, in any unit
    gsd_mm : the card's scale; NaN (a garden): as large as it may be
    """
    height, width = rgb_linear.shape[:2]
    spot = np.isfinite(gsd_mm)
    widest = rng.uniform(0.6, 1.0) * (WIDTH_SHARE if spot else GARDEN_WIDTH_SHARE) * width
    across = int(min(PAPER_M[0] * 1e3 / gsd_mm, widest) if spot else widest)
    down = round(across * PAPER_M[1] / PAPER_M[0])
    sheet = cv2.resize(card_texture(int(rng.integers(1, 20))), (across, down), interpolation=cv2.INTER_AREA)
    if rng.random() < 0.5:
        sheet = sheet[::-1, ::-1]
    light = (
        white_rgb / (white_rgb @ LUMINANCE) * np.exp(TILT_SD * rng.normal() + BOUNCE_SD * rng.normal(size=3))
    )
    x0 = int(rng.integers(0, width - across))
    y0 = int(rng.integers((height - down) // 3, height - down))
    out = rgb_linear.copy()
    out[y0 : y0 + down, x0 : x0 + across] = sheet * light
    return out.astype(np.float32), (x0, y0, x0 + across, y0 + down)


def judged(
    rgb_linear: Floats, white_rgb: Floats, phone: Phone, *, gsd_mm: float, seed: int, taken: datetime
) -> tuple[Bytes, Box] | None:
    """The picture as `sward.classify` judges it once its card has been read; where it lies in the photo.

    None where the card can't be read (shake, defocus, glare): such a photo is not corrected in use either.
    """
    rng = np.random.default_rng([seed, 5])
    light, box = laid_in(rgb_linear, white_rgb, gsd_mm=gsd_mm, rng=rng)
    paper = max(1.0 / metered(rgb_linear), DARKEST_PAPER)
    jpeg = shoot(light, phone, seed=seed, taken=taken, white=paper)
    rgb = np.asarray(Image.open(io.BytesIO(jpeg)).convert("RGB"))
    photo = Photo(Path("pasted.jpg"), rgb, None, None, None, None, "")
    try:
        correction = colour.fit(card.find(photo), card.NOMINAL)
    except TurfeyeError:
        return None
    return sward.exposed(reflectance.corrected_coded(rgb, correction)), box
