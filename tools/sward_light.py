"""Other light, cameras and noise for crops of the sward's training pictures.

Crops are coded RGB 0-1, (N, 3, H, W), and come out as such; each is changed by numbers of its own.
"""

from __future__ import annotations

import math

import torch
import torch.nn.functional as F  # noqa: N812 - as everybody calls it

VEILED, STRAY = 0.55, (0.02, 0.6)  # share of crops with stray light, and how much, as shares of the next
MIDDLE = (110 / 255) ** 2.2  # light of `sward.MIDDLE_CODE`


def relight(rgb: torch.Tensor) -> torch.Tensor:
    """Other light, camera and noise for every picture: much other for one half, little for the other.

    Little, since a picture that a card has corrected is not far from what it should be.
    """
    little = torch.rand(len(rgb), 1, 1, 1, device=rgb.device) < 0.5
    return torch.where(little, little_changed(rgb), much_changed(rgb))


def veiled(rgb: torch.Tensor) -> torch.Tensor:
    """Stray light over `VEILED` of the pictures, shares of a middle green's light, exposed as before."""
    low, high = (math.log(share) for share in STRAY)
    light = MIDDLE * torch.exp(_draw(rgb, low, high, 1, 1, 1)) * _now_and_then(rgb, VEILED)
    lifted = (rgb.clamp(0, 1).pow(2.2) + light) * (MIDDLE / (MIDDLE + light))
    return lifted.clamp(1e-6, 1).pow(1 / 2.2)


def _draw(rgb: torch.Tensor, low: float, high: float, *shape: int) -> torch.Tensor:
    """A number a picture (or an array of ``shape`` each), even between two."""
    return torch.empty(len(rgb), *shape, device=rgb.device).uniform_(low, high)


def _now_and_then(rgb: torch.Tensor, often: float) -> torch.Tensor:
    return _draw(rgb, 0, 1, 1, 1, 1) < often


def little_changed(rgb: torch.Tensor) -> torch.Tensor:
    """Exposure within a third of a stop, balance, tone, colour, sharpness and grain by a little."""
    gain = torch.exp2(_draw(rgb, -0.3, 0.3, 1, 1, 1)) * torch.exp(_draw(rgb, -0.05, 0.05, 3, 1, 1))
    tone = 1 / 2.2 * torch.exp(_draw(rgb, -0.12, 0.12, 1, 1, 1))
    x = (rgb.clamp(0, 1).pow(2.2) * gain).clamp(1e-5, 1).pow(tone)
    x = _about(x, x.mean(1, keepdim=True), _draw(rgb, 0.85, 1.2, 1, 1, 1))
    x = x + (_soft(x) - x) * _draw(rgb, -0.7, 0.7, 1, 1, 1) * _now_and_then(rgb, 0.5)
    x = x + torch.randn_like(x) * _draw(rgb, 0, 0.02, 1, 1, 1) * _now_and_then(rgb, 0.5)
    return x.clamp(0, 1)


def much_changed(rgb: torch.Tensor) -> torch.Tensor:
    """Exposure, balance, tone, shade, colour, contrast, sharpness and grain as careless photos have them."""
    n, _, h, w = rgb.shape
    gain = torch.exp2(_draw(rgb, -0.9, 0.6, 1, 1, 1) * _now_and_then(rgb, 0.7))
    gain = gain * torch.exp(_draw(rgb, -0.14, 0.14, 3, 1, 1))
    shade = _half_planes(n, h, w, rgb.device) * _now_and_then(rgb, 0.35)
    tint = _draw(rgb, 0.3, 0.8, 1, 1, 1) * torch.exp(_draw(rgb, -0.1, 0.1, 3, 1, 1))
    light = rgb.clamp(0, 1).pow(2.2) * gain * (1 - shade * (1 - tint))
    x = light.clamp(1e-5, 1).pow(1 / 2.2 * torch.exp(_draw(rgb, -0.25, 0.25, 1, 1, 1)))
    x = _about(x, x.mean(1, keepdim=True), _draw(rgb, 0.6, 1.4, 1, 1, 1))
    x = _about(x, x.mean((1, 2, 3), keepdim=True), _draw(rgb, 0.8, 1.2, 1, 1, 1))
    x = x + (_soft(x) - x) * _draw(rgb, -0.7, 1.2, 1, 1, 1) * _now_and_then(rgb, 0.6)
    fine, coarse = torch.randn_like(x), torch.randn(n, 3, h // 2, w // 2, device=rgb.device)
    coarse = F.interpolate(coarse, size=(h, w), mode="bilinear") * _draw(rgb, 0, 1, 1, 1, 1)
    x = x + (fine + coarse) * _draw(rgb, 0, 0.05, 1, 1, 1) * _now_and_then(rgb, 0.6)
    return x.clamp(0, 1)


def _about(x: torch.Tensor, middle: torch.Tensor, times: torch.Tensor) -> torch.Tensor:
    """Differences from a middle made larger or smaller."""
    return middle + (x - middle) * times


def _soft(x: torch.Tensor) -> torch.Tensor:
    return F.avg_pool2d(F.pad(x, (1, 1, 1, 1), mode="reflect"), 3, 1)


def _half_planes(n: int, h: int, w: int, dev: torch.device) -> torch.Tensor:
    y, x = torch.meshgrid(
        torch.linspace(-1, 1, h, device=dev), torch.linspace(-1, 1, w, device=dev), indexing="ij"
    )
    turn = torch.rand(n, 1, 1, device=dev) * 2 * math.pi
    edge = (torch.rand(n, 1, 1, device=dev) - 0.5) * 1.2
    sharp = torch.exp(torch.rand(n, 1, 1, device=dev) * 4)
    return torch.sigmoid((torch.cos(turn) * x + torch.sin(turn) * y - edge) * sharp * 2)[:, None]
