"""A phone's camera: linear light in, the JPEG that the phone would have filed out.

The chain is the one of a real phone, each step switchable by one setting: lens (vignetting, defocus, shake),
sensor (exposure, clipping, shot and read noise behind a colour mosaic), then its processing (demosaicing,
white balance, colour matrix, tone curve, sharpening, 8 bits, JPEG). Tone is one curve for every pixel and
channel; ``local_tone`` adds what phones do on top of it and is off unless asked for. Invented makes only.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, replace
from datetime import datetime

import cv2
import numpy as np
from PIL import ExifTags, Image

from turfeye.colourspace import LUMINANCE
from turfeye.errors import PhotoError
from turfeye.records import Bytes, Floats

GREY = 0.18  # what the meter brings the scene's middle to, and where contrast pivots
RAW_WHITE = 65535.0
BALANCED = 0.85  # of a light's cast, what a phone takes out by itself


@dataclass(frozen=True, slots=True)
class Tone:
    """A filmic tone curve on linear light: contrast about mid grey, a shoulder, a toe.

    y = GREY (x / GREY)^contrast; z = y / (1 + y^shoulder)^(1 / shoulder), scaled so that ``white`` gives 1;
    ``black`` is cut off below. sRGB encoding follows.
    """

    contrast: float = 1.08
    shoulder: float = 2.0  # larger: straighter, then a harder knee
    white: float = 1.8  # linear value that becomes code 255
    black: float = 0.002

    def __call__(self, linear: Floats) -> Floats:
        """(…) float, linear light relative to white paper → (…) float 0-1, linear display light."""
        scale = 1.0 / self._bend(np.asarray(self.white))
        bent = self._bend(np.clip(linear, 0.0, self.white)) * scale
        return np.clip((bent - self.black) / (1.0 - self.black), 0.0, 1.0)

    def _bend(self, linear: Floats) -> Floats:
        lifted = GREY * (linear / GREY) ** self.contrast
        return lifted / (1.0 + lifted**self.shoulder) ** (1.0 / self.shoulder)


@dataclass(frozen=True, slots=True)
class Phone:
    """One phone's camera and how it is set. The defaults are a good phone in good light."""

    make: str = "Invented"
    model: str = "Willow 3"
    focal_35mm: int = 26
    exposure_stops: float = 0.0  # away from what its meter would choose
    white_balance_stops: tuple[float, float] = (0.0, 0.0)  # red and blue against green
    vignetting: float = 0.25  # light lost in the corners, 0-1
    defocus_px: float = 0.0  # radius of the blur disc
    shake_px: float = 0.0  # length of the motion streak
    shake_deg: float = 0.0
    electrons_at_white: float = 6000.0  # fewer: noisier (a smaller or more amplified sensor)
    read_electrons: float = 3.0
    denoise_px: float = 1.2  # smoothing of colour noise
    matrix: tuple[tuple[float, float, float], ...] = ((1, 0, 0), (0, 1, 0), (0, 0, 1))  # rows add up to 1
    saturation: float = 1.08
    tone: Tone = Tone()
    local_tone: float = 0.0  # 0-1, lifts shade and holds down glare
    sharpen: float = 0.5
    sharpen_px: float = 0.9
    jpeg_quality: int = 92
    subsample: bool = True  # 4:2:0
    orientation: int = 1  # EXIF: how the stored picture must be turned; 1, 3, 6 or 8


MAKES: tuple[Phone, ...] = (
    Phone(),
    Phone(
        model="Alder S",
        focal_35mm=24,
        saturation=1.18,
        tone=Tone(contrast=1.18, shoulder=1.6, white=2.4, black=0.004),
        sharpen=0.9,
        sharpen_px=1.0,
        jpeg_quality=95,
        matrix=((1.06, -0.05, -0.01), (-0.03, 1.05, -0.02), (0.01, -0.06, 1.05)),
    ),
    Phone(
        model="Hazel Mini",
        focal_35mm=28,
        electrons_at_white=2500.0,
        saturation=1.0,
        tone=Tone(contrast=1.0, shoulder=3.0, white=1.4, black=0.0),
        sharpen=0.35,
        jpeg_quality=88,
        vignetting=0.4,
        matrix=((0.95, 0.04, 0.01), (0.02, 0.97, 0.01), (-0.01, 0.04, 0.97)),
    ),
    Phone(
        model="Rowan Pro",
        focal_35mm=25,
        electrons_at_white=9000.0,
        saturation=1.12,
        tone=Tone(contrast=1.1, shoulder=1.3, white=3.2, black=0.001),
        sharpen=0.6,
        jpeg_quality=94,
        vignetting=0.15,
        matrix=((1.03, -0.04, 0.01), (-0.01, 1.03, -0.02), (0.0, -0.03, 1.03)),
    ),
)


def random_phone(rng: np.random.Generator, *, mishaps: bool = False) -> Phone:
    """Draw a phone and how it happened to be set.

    Parameters
    ----------
    rng : source of chance; the same state gives the same phone.
    mishaps : also draw defocus, shake, strong local tone, and exposure and white balance far off.

    Returns
    -------
    a phone near one of ``MAKES``.
    """
    make = MAKES[rng.integers(len(MAKES))]
    far = 2.0 if mishaps else 1.0
    stops = np.clip(rng.normal(0.0, 0.22 * far, 2), -1.5, 1.5)
    shake = float(rng.uniform(0, 5)) if mishaps and rng.random() < 0.3 else 0.0
    drift = rng.normal(0.0, 0.015, (3, 3))
    matrix = np.array(make.matrix) + drift - drift.mean(axis=1, keepdims=True)
    return replace(
        make,
        exposure_stops=float(np.clip(rng.normal(0.0, 0.3 * far), -1.5, 1.2)),
        white_balance_stops=(float(stops[0]), float(stops[1])),
        vignetting=float(np.clip(make.vignetting * rng.uniform(0.6, 1.4), 0.0, 0.6)),
        defocus_px=float(rng.uniform(0, 2.5))
        if mishaps and rng.random() < 0.3
        else float(rng.uniform(0, 0.6)),
        shake_px=shake,
        shake_deg=float(rng.uniform(0, 180)),
        electrons_at_white=make.electrons_at_white * float(rng.uniform(0.4, 1.3)),
        matrix=tuple((float(row[0]), float(row[1]), float(row[2])) for row in matrix),
        saturation=make.saturation * float(rng.uniform(0.94, 1.08)),
        tone=replace(
            make.tone,
            contrast=make.tone.contrast * float(rng.uniform(0.95, 1.08)),
            white=make.tone.white * float(rng.uniform(0.9, 1.15)),
        ),
        local_tone=float(rng.uniform(0.1, 0.5)) if mishaps and rng.random() < 0.5 else 0.0,
        sharpen=make.sharpen * float(rng.uniform(0.5, 1.4)),
        jpeg_quality=int(np.clip(make.jpeg_quality + rng.integers(-6, 4), 70, 97)),
    )


def balanced(phone: Phone, white_rgb: Floats) -> Phone:
    """A phone that takes out most of the light's own cast by itself, on top of how far it is set off."""
    cast = np.log2(white_rgb / white_rgb[1]) * BALANCED
    red, blue = phone.white_balance_stops
    return replace(phone, white_balance_stops=(float(red - cast[0]), float(blue - cast[2])))


def shoot(
    rgb_linear: Floats, phone: Phone, *, seed: int, taken: datetime, white: float | None = None
) -> bytes:
    """Photograph rendered light.

    Parameters
    ----------
    rgb_linear : (H, W, 3) float, linear light, sRGB primaries, any scale.
    phone : the camera and its settings.
    seed : of the noise; the same arguments give the same bytes.
    taken : by the camera's clock; an aware time also writes its offset.
    white : light that white paper gives back in this scene; None lets the meter decide.

    Returns
    -------
    the JPEG file's bytes, with EXIF (date, offset, focal length, make, orientation).

    Raises
    ------
    PhotoError : the array is no colour picture, or holds light that is not a number.
    """
    light = np.asarray(rgb_linear, np.float32)
    if light.ndim != 3 or light.shape[2] != 3 or not np.isfinite(light).all():
        raise PhotoError(
            f"shoot wants finite (H, W, 3) linear light, got shape {light.shape}; render it again"
        )
    light = np.clip(light, 0.0, None)
    scale = (1.0 / white if white else metered(light)) * 2.0**phone.exposure_stops
    # Raising a channel makes the picture brighter; the meter answers with less light on the sensor.
    exposed = light * np.float32(scale * _gain(phone).min())
    raw = _sensor(_lens(exposed, phone), phone, np.random.default_rng(seed))
    return _jpeg(_process(raw, phone), phone, taken)


def metered(rgb_linear: Floats) -> float:
    """Exposure scale of a centre-weighted meter: middle light to 18 % grey, glare held below clipping.

    Parameters
    ----------
    rgb_linear : (H, W, 3) float, linear light of any scale.

    Returns
    -------
    the factor to multiply by.
    """
    luma = rgb_linear @ LUMINANCE
    rows, cols = (np.linspace(-1, 1, n) for n in luma.shape)
    weight = np.exp(-(rows[:, None] ** 2 + cols[None, :] ** 2))
    middle = np.exp(np.average(np.log(luma + 1e-4 * luma.max() + 1e-12), weights=weight))
    bright = np.quantile(luma, 0.99)
    return float(min(GREY / middle, 2.2 / max(bright, 1e-12)))


def _lens(light: Floats, phone: Phone) -> Floats:
    """Defocus disc, shake streak and light fall-off."""
    if phone.defocus_px > 0.3:
        light = _blurred(light, _disc(phone.defocus_px))
    if phone.shake_px > 0.5:
        light = _blurred(light, _streak(phone.shake_px, phone.shake_deg))
    height, width = light.shape[:2]
    y = np.arange(height, dtype=np.float32)[:, None] - (height - 1) / 2
    x = np.arange(width, dtype=np.float32)[None, :] - (width - 1) / 2
    radius2 = (x * x + y * y) * np.float32(4.0 / (height**2 + width**2))
    tan2 = 1.0 / np.sqrt(1.0 - phone.vignetting) - 1.0  # cos^4 law: 1 / (1 + tan²)² reaches the corner's loss
    return light / ((1.0 + np.float32(tan2) * radius2) ** 2)[..., None]


def _blurred(light: Floats, kernel: Floats) -> Floats:
    return np.asarray(cv2.filter2D(light, -1, kernel, borderType=cv2.BORDER_REFLECT), np.float32)


def _disc(radius_px: float) -> Floats:
    """A soft-edged disc kernel, odd size, sum 1."""
    half = int(np.ceil(radius_px + 0.5))
    x = np.arange(-half, half + 1)
    kernel = np.clip(radius_px + 0.5 - np.hypot(x[:, None], x[None, :]), 0.0, 1.0)
    return (kernel / kernel.sum()).astype(np.float32)


def _streak(length_px: float, angle_deg: float) -> Floats:
    """A straight motion streak kernel, odd size, sum 1."""
    half = int(np.ceil(length_px / 2 + 1))
    size = 2 * half + 1
    angle = np.radians(angle_deg)
    kernel = np.zeros((size, size), np.float32)
    for step in np.linspace(-0.5, 0.5, 8 * size):
        x, y = half + step * length_px * np.cos(angle), half + step * length_px * np.sin(angle)
        column, row = int(x), int(y)
        fx, fy = x - column, y - row
        kernel[row : row + 2, column : column + 2] += np.outer([1 - fy, fy], [1 - fx, fx])
    return kernel / kernel.sum()


def _sensor(light: Floats, phone: Phone, rng: np.random.Generator) -> Floats:
    """Mosaic, clip, add noise, demosaic: (H, W, 3) float in the scale of ``light``, 0 to the tone's white."""
    height, width = light.shape[:2]
    mosaic = np.empty((height, width), np.float32)
    for row, column, channel in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        mosaic[row::2, column::2] = light[row::2, column::2, channel]
    electrons = np.clip(mosaic, 0.0, phone.tone.white) * phone.electrons_at_white
    noise_sd = np.sqrt(electrons + phone.read_electrons**2)
    electrons += rng.standard_normal(electrons.shape, np.float32) * noise_sd
    pedestal = 0.02  # keeps the noise about black symmetric
    codes = (electrons / (phone.electrons_at_white * phone.tone.white)) * (1 - pedestal) + pedestal
    raw = np.clip(codes * RAW_WHITE + 0.5, 0, RAW_WHITE).astype(np.uint16)
    rgb = cv2.demosaicing(raw, cv2.COLOR_BayerRGGB2RGB_EA).astype(np.float32) / np.float32(RAW_WHITE)
    return (rgb - pedestal) / (1 - pedestal) * np.float32(phone.tone.white)


def _process(raw: Floats, phone: Phone) -> Bytes:
    """White balance, matrix, tone, sharpening, 8 bits."""
    gain = _gain(phone)
    # no channel is lowered, so that what the sensor clipped comes out as white
    balanced = np.minimum(raw * (gain / gain.min()), np.float32(phone.tone.white))
    grey = (1.0 - phone.saturation) * np.broadcast_to(LUMINANCE, (3, 3))
    to_display = (grey + phone.saturation * np.eye(3)) @ np.array(phone.matrix)
    colour = _denoise(balanced @ to_display.T.astype(np.float32), phone.denoise_px)
    if phone.local_tone:
        colour = _even_out(colour, phone.local_tone)
    coded = _encode(colour, phone.tone)
    return np.clip(_sharpen(coded, phone) * 255.0 + 0.5, 0, 255).astype(np.uint8)


def _gain(phone: Phone) -> Floats:
    """White balance, (3,), that keeps a grey's luminance."""
    gain = 2.0 ** np.array([phone.white_balance_stops[0], 0.0, phone.white_balance_stops[1]], np.float32)
    return gain / (gain @ LUMINANCE)


def _denoise(rgb: Floats, sigma_px: float) -> Floats:
    """Smooth colour, keep lightness, as phones do."""
    if sigma_px <= 0:
        return rgb
    luma = (rgb @ LUMINANCE)[..., None]
    return luma + cv2.GaussianBlur(rgb - luma, (0, 0), sigma_px)


def _even_out(rgb: Floats, strength: float) -> Floats:
    """Local tone mapping: pull the broad lightness towards mid grey, keep the detail."""
    luma = np.maximum(rgb @ LUMINANCE, 1e-3)
    broad = cv2.GaussianBlur(np.log(luma), (0, 0), max(luma.shape) / 25)
    return rgb * np.exp(-strength * 0.5 * (broad - np.log(GREY)))[..., None]


def _encode(linear: Floats, tone: Tone) -> Floats:
    """Tone curve and sRGB (IEC 61966-2-1) through one table, dense where dark."""
    table = np.linspace(0.0, 1.0, 4096) ** 2 * tone.white
    display = tone(table)
    coded = np.where(display <= 0.0031308, 12.92 * display, 1.055 * display ** (1 / 2.4) - 0.055)
    index = np.sqrt(np.clip(linear / np.float32(tone.white), 0.0, 1.0)) * np.float32(4095)
    return np.interp(index.ravel(), np.arange(4096), coded).reshape(linear.shape).astype(np.float32)


def _sharpen(coded: Floats, phone: Phone) -> Floats:
    """Unsharp masking of lightness, in coded values."""
    if phone.sharpen <= 0:
        return coded
    luma = coded @ LUMINANCE
    detail = luma - cv2.GaussianBlur(luma, (0, 0), phone.sharpen_px)
    return coded + phone.sharpen * np.clip(detail, -0.15, 0.15)[..., None]


_TURN_BACK = {1: 0, 3: 2, 6: 1, 8: 3}  # quarter turns anticlockwise from upright to stored


def _jpeg(rgb_coded: Bytes, phone: Phone, taken: datetime) -> bytes:
    """The file, turned as the phone was held, with its EXIF: make, date, lens, which way is up."""
    exif = Image.Exif()
    exif[ExifTags.Base.Make] = phone.make
    exif[ExifTags.Base.Model] = phone.model
    exif[ExifTags.Base.Orientation] = phone.orientation
    detail: dict[int, object] = {
        ExifTags.Base.DateTimeOriginal: taken.strftime("%Y:%m:%d %H:%M:%S"),
        ExifTags.Base.FocalLengthIn35mmFilm: phone.focal_35mm,
    }
    offset = taken.strftime("%z")
    if offset:
        detail[ExifTags.Base.OffsetTimeOriginal] = f"{offset[:3]}:{offset[3:5]}"
    exif.get_ifd(ExifTags.IFD.Exif).update(detail)
    stored = np.ascontiguousarray(np.rot90(rgb_coded, _TURN_BACK[phone.orientation]))
    file = io.BytesIO()
    Image.fromarray(stored).save(
        file, "JPEG", quality=phone.jpeg_quality, subsampling=2 if phone.subsample else 0, exif=exif
    )
    return file.getvalue()
