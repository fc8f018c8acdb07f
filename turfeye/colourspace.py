"""Colour by its definitions: sRGB, hue, the dark green colour index, vegetation indices, L*a*b*, CIEDE2000.

Coded values are 0-255; linear values are reflectance, 1 for a perfect white, sRGB primaries under D65.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from turfeye.records import Floats

RGB_TO_XYZ: Final = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
"""Linear sRGB to CIE XYZ under D65, IEC 61966-2-1."""

LUMINANCE: Final = RGB_TO_XYZ[1].astype(np.float32)
"""Weights of linear sRGB's channels in its luminance."""

XYZ_TO_RGB: Final = np.linalg.inv(RGB_TO_XYZ)

WHITE_XYZ: Final = RGB_TO_XYZ.sum(axis=1)

BRADFORD: Final = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
"""CIE XYZ to the sharpened cones in which one white is adapted to another (Lam 1985; ICC.1, annex E; from
memory)."""

# ------------------------------------------------------------------------------------------------ sRGB


def decode(rgb_coded: NDArray) -> Floats:
    """Linear light, 0-1, of sRGB codes 0-255 (IEC 61966-2-1).

    >>> round(float(decode(np.array(118))), 6)
    0.181164
    """
    c = np.asarray(rgb_coded, dtype=np.float64) / 255.0
    return np.where(c <= 0.04045, c / 12.92, ((np.maximum(c, 0.0) + 0.055) / 1.055) ** 2.4)


def encode(rgb_linear: NDArray) -> Floats:
    """SRGB code, float 0-255, of linear light; light outside 0-1 is held at the ends (IEC 61966-2-1).

    >>> round(float(encode(np.array(0.18))), 3)
    117.646
    """
    x = np.clip(np.asarray(rgb_linear, dtype=np.float64), 0.0, 1.0)
    return 255.0 * np.where(x <= 0.0031308, 12.92 * x, 1.055 * x ** (1 / 2.4) - 0.055)


# ------------------------------------------------------------------------------------- measures of colour


def hsb(rgb_coded: NDArray) -> tuple[Floats, Floats, Floats]:
    """Hue in degrees (0 for a grey), saturation and brightness 0-1, of coded sRGB (..., 3), 0-255.

    >>> [round(float(v), 3) for v in hsb(np.array([87, 108, 67]))]
    [90.732, 0.38, 0.424]
    """
    rgb = np.asarray(rgb_coded, dtype=np.float32 if np.asarray(rgb_coded).dtype == np.uint8 else None) / 255
    r, g, b = np.moveaxis(rgb, -1, 0)
    top = np.maximum(np.maximum(r, g), b)  # a reduction over an axis of three takes ten times as long
    span = top - np.minimum(np.minimum(r, g), b)
    safe = np.where(span > 0, span, 1.0)
    hue = np.where(top == r, (g - b) / safe, np.where(top == g, 2.0 + (b - r) / safe, 4.0 + (r - g) / safe))
    hue = np.where(span > 0, (60.0 * hue) % 360.0, 0.0)
    return hue, np.where(top > 0, span / np.where(top > 0, top, 1.0), 0.0), top


def dgci(rgb_coded: NDArray) -> Floats:
    """Dark green colour index, 0-1, of coded sRGB (..., 3), 0-255.

    [(H - 60)/60 + (1 - S) + (1 - B)] / 3 with the hue held to 60-120 degrees [1]_; report the raw hue from
    `hsb` beside it.

    .. [1] Karcher, D. E., Richardson, M. D. (2003). Quantifying turfgrass color using digital image analysis.
       Crop Science 43, 943-951.

    >>> round(float(dgci(np.array([0, 255, 0]))), 4)
    0.3333
    """
    return dgci_of_hsb(*hsb(rgb_coded))


def dgci_of_hsb(hue_deg: Floats, saturation: Floats, brightness: Floats) -> Floats:
    """`dgci` of what `hsb` gives, where that is wanted besides."""
    return ((np.clip(hue_deg, 60.0, 120.0) - 60.0) / 60.0 + (1.0 - saturation) + (1.0 - brightness)) / 3.0


def _ratio(above: Floats, below: Floats) -> Floats:
    return np.where(below != 0, above / np.where(below != 0, below, 1.0), 0.0)


def _channels(rgb_coded: NDArray) -> tuple[Floats, Floats, Floats]:
    rgb = np.asarray(rgb_coded, dtype=np.float64)
    return rgb[..., 0], rgb[..., 1], rgb[..., 2]


def excess_green(rgb_coded: NDArray) -> Floats:
    """2g - r - b of the chromaticities r, g, b = R, G, B / (R + G + B); 0 for black.

    Woebbecke, D. M. et al. (1995). Transactions of the ASAE 38, 259-269.
    """
    r, g, b = _channels(rgb_coded)
    return _ratio(2 * g - r - b, r + g + b)


def green_red_difference(rgb_coded: NDArray) -> Floats:
    """(G - R) / (G + R), "NGRDI". Tucker, C. J. (1979). Remote Sensing of Environment 8, 127-150."""
    r, g, _ = _channels(rgb_coded)
    return _ratio(g - r, g + r)


def green_leaf_index(rgb_coded: NDArray) -> Floats:
    """(2G - R - B) / (2G + R + B). Louhaichi, M. et al. (2001). Geocarto International 16, 65-70."""
    r, g, b = _channels(rgb_coded)
    return _ratio(2 * g - r - b, 2 * g + r + b)


def visible_resistant_index(rgb_coded: NDArray) -> Floats:
    """(G - R) / (G + R - B), "VARI". Gitelson, A. A. et al. (2002). Remote Sens. of Environment 80, 76-87."""
    r, g, b = _channels(rgb_coded)
    return _ratio(g - r, g + r - b)


def lab(rgb_linear: NDArray) -> Floats:
    """CIE 1976 L*a*b* under D65, (..., 3), of linear sRGB (CIE 15; ISO/CIE 11664-4).

    >>> round(float(lab(np.full(3, 0.18))[0]), 3)
    49.496
    """
    rgb = np.asarray(rgb_linear)
    if rgb.dtype not in (np.float32, np.float64):
        rgb = rgb.astype(np.float64)
    matrix = (RGB_TO_XYZ / WHITE_XYZ[:, None]).astype(rgb.dtype)
    t = rgb @ matrix.T
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t * ((29 / 6) ** 2 / 3) + 4 / 29)
    x, y, z = np.moveaxis(f, -1, 0)
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def lab_to_xyz(lab: NDArray, white_xyz: Floats = WHITE_XYZ) -> Floats:
    """XYZ (..., 3), relative to a perfect white with Y = 1, of CIE 1976 L*a*b* (CIE 15)."""
    lab = np.asarray(lab, dtype=np.float64)
    f_y = (lab[..., 0] + 16) / 116
    f = np.stack([f_y + lab[..., 1] / 500, f_y, f_y - lab[..., 2] / 200], axis=-1)
    return np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29)) * white_xyz


def lab_to_rgb_linear(lab: NDArray) -> Floats:
    """Linear sRGB reflectance (..., 3) of L*a*b* under D65; the way back of `lab`.

    >>> lab_to_rgb_linear(np.array([[100.0, 0.0, 0.0], [49.496, 0.0, 0.0]])).round(3).tolist()
    [[1.0, 1.0, 1.0], [0.18, 0.18, 0.18]]
    """
    return lab_to_xyz(lab) @ XYZ_TO_RGB.T


def delta_e(lab_1: NDArray, lab_2: NDArray) -> Floats:
    """CIEDE2000 colour difference of L*a*b* (..., 3), kL = kC = kH = 1 (ISO/CIE 11664-6).

    Written out here because importing it costs more time than a photo may take. After Sharma, G., Wu, W.,
    Dalal, E. N. (2005). Color Research and Application 30, 21-30.
    """
    l1, a1, b1 = np.moveaxis(np.asarray(lab_1, dtype=np.float64), -1, 0)
    l2, a2, b2 = np.moveaxis(np.asarray(lab_2, dtype=np.float64), -1, 0)
    mean7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2) ** 7
    stretch = 1.5 - 0.5 * np.sqrt(mean7 / (mean7 + 25.0**7))
    a1, a2 = a1 * stretch, a2 * stretch
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = np.arctan2(b1, a1) % (2 * np.pi), np.arctan2(b2, a2) % (2 * np.pi)
    coloured = c1 * c2 > 0
    turn = np.where(coloured, (h2 - h1 + np.pi) % (2 * np.pi) - np.pi, 0.0)
    # a turn of exactly half a circle counts as positive, as the reference data wants
    turn = np.where(np.isclose(turn, -np.pi, rtol=0, atol=1e-12) & (h2 > h1), np.pi, turn)
    far = np.abs(h1 - h2) > np.pi
    total = h1 + h2
    middle = np.where(far, np.where(total < 2 * np.pi, total + 2 * np.pi, total - 2 * np.pi), total) / 2
    middle = np.where(coloured, middle, total)
    l_mean, c_mean = (l1 + l2) / 2, (c1 + c2) / 2
    t = 1 - 0.17 * np.cos(middle - np.pi / 6) + 0.24 * np.cos(2 * middle)
    t += 0.32 * np.cos(3 * middle + np.radians(6)) - 0.20 * np.cos(4 * middle - np.radians(63))
    s_l = 1 + 0.015 * (l_mean - 50) ** 2 / np.sqrt(20 + (l_mean - 50) ** 2)
    s_c, s_h = 1 + 0.045 * c_mean, 1 + 0.015 * c_mean * t
    d_l, d_c = (l2 - l1) / s_l, (c2 - c1) / s_c
    d_h = 2 * np.sqrt(c1 * c2) * np.sin(turn / 2) / s_h
    spin = np.radians(30) * np.exp(-(((np.degrees(middle) - 275) / 25) ** 2))
    mix = -np.sin(2 * spin) * 2 * np.sqrt(c_mean**7 / (c_mean**7 + 25.0**7))
    return np.sqrt(np.maximum(d_l**2 + d_c**2 + d_h**2 + mix * d_c * d_h, 0.0))
