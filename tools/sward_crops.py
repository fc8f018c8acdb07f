"""Crops of the sward's training pictures, drawn on the device that the network is trained on.

All pictures lie there at once, a byte a value, so that no step waits for the processor.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
import torch
from sward_pictures import Picture

LEVELS = 4
CROP = 208
COUNTS = {"wheat": 8, "peanut": 4, "rendered": 18, "drawn": 3, "real": 6, "turf": 6, "ground": 6}
"""Crops a step; of the last two patchworks are made, turf on ground."""

ALONE = 24  # crops a step of a set that is learnt from alone
SCALES = (0.3, 1.5)  # smallest and largest enlargement where no scale is known
CROP_GSD_MM = (0.4, 4.0)  # finest and coarsest crop where it is
CLOSED, BARE = 0.75, 0.05  # real turf of a patchwork is greener, real ground less green
BLOTS_PX = (4.0, 40.0)  # finest and coarsest of a patchwork, standard deviation of the blur that makes them
PLANES = 6  # rgb, and three of the shares: the fourth is what is left


class Store:
    """All pictures in one flat table of pixels, at full size and three times halved: sampling skips none."""

    def __init__(self, pictures: list[Picture], device: torch.device) -> None:
        table, total = _places(pictures)
        self.pixels = torch.empty((total, PLANES), dtype=torch.uint8, device=device)
        with ThreadPoolExecutor() as pool:  # each straight to the device: a second copy here is tens of GB
            list(pool.map(lambda pair: _lay(*pair, self.pixels), zip(pictures, table, strict=True)))
        self.table = torch.from_numpy(table).to(device)
        scales = torch.tensor([_scales(p) for p in pictures], device=device).log()
        self.low, self.high = scales[:, 0], scales[:, 1]
        self.device = device

    def drawn(self, members: dict[str, torch.Tensor]) -> torch.Tensor:
        """Places of pictures to make crops of, (N,), set after set; ``members`` are those to draw from."""
        counts = counts_of(members)
        every = (m[torch.randint(len(m), (counts[s],), device=self.device)] for s, m in members.items())
        return torch.cat(list(every))

    def crops(self, which: torch.Tensor, size: int) -> tuple[torch.Tensor, torch.Tensor]:
        """Turned, mirrored, stretched, scaled crops: rgb (N, 3, size, size), shares (N, 4, ...)."""
        dev = self.device
        n = len(which)
        scale = torch.exp(self.low[which] + (self.high[which] - self.low[which]) * torch.rand(n, device=dev))
        level = sum((scale < 0.7 / 2**k).long() for k in range(LEVELS - 1))
        offset, height, width = (part[:, None, None] for part in self.table[which, level].unbind(-1))
        step = 1.0 / (scale * torch.exp2(level.float()))  # source pixels a crop pixel
        turn = torch.rand(n, device=dev) * (2 * math.pi)
        flip = torch.randint(0, 2, (n,), device=dev) * 2.0 - 1
        stretch = torch.exp(torch.rand(n, device=dev) * 0.3 - 0.15)
        cos, sin = torch.cos(turn) * step, torch.sin(turn) * step
        axis = torch.arange(size, device=dev) - (size - 1) / 2
        u, v = axis[None, None, :], axis[None, :, None]
        x = self._centre(width, step, size) + _by(cos * flip * stretch) * u - _by(sin / stretch) * v
        y = self._centre(height, step, size) + _by(sin * flip * stretch) * u + _by(cos / stretch) * v
        x, y = _mirrored(x, width - 1), _mirrored(y, height - 1)
        x0, y0 = x.floor().long(), y.floor().long()
        total: torch.Tensor | float = 0.0
        for dy in (0, 1):
            for dx in (0, 1):
                column = torch.minimum((x0 + dx).clamp(min=0), width - 1)
                row = torch.minimum((y0 + dy).clamp(min=0), height - 1)
                weight = (1 - (x - (x0 + dx)).abs()) * (1 - (y - (y0 + dy)).abs())
                total = total + self.pixels[offset + row * width + column].float() * weight[..., None]
        planes = (total / 255).permute(0, 3, 1, 2)
        rgb, shares = planes[:, :3], planes[:, 3:]
        return rgb, torch.cat([shares, (1 - shares.sum(1, keepdim=True)).clamp(min=0)], 1)

    def _centre(self, side: torch.Tensor, step: torch.Tensor, size: int) -> torch.Tensor:
        rim = torch.minimum(0.4 * size * step[:, None, None], 0.45 * side)
        return rim + (side - 2 * rim) * torch.rand(len(side), 1, 1, device=self.device)


def blots(count: int, size: int, device: torch.device) -> torch.Tensor:
    """(N, 1, size, size), True in blots of a width of their own that take up a tenth to nine tenths."""
    low, high = (math.log(sigma) for sigma in BLOTS_PX)
    sigma = torch.exp(torch.empty(count, 1, 1, device=device).uniform_(low, high))
    rows, columns = torch.fft.fftfreq(size, device=device), torch.fft.rfftfreq(size, device=device)
    blur = torch.exp(-2 * (math.pi * sigma) ** 2 * (rows[:, None] ** 2 + columns**2))
    field = torch.fft.irfft2(
        torch.fft.rfft2(torch.randn(count, size, size, device=device)) * blur, s=(size, size)
    )
    field = (field - field.mean((1, 2), keepdim=True)) / field.std((1, 2), keepdim=True)
    return (field < torch.empty(count, 1, 1, device=device).uniform_(-1.28, 1.28))[:, None]


def members_of(pictures: list[Picture], chosen: list[int], device: torch.device) -> dict[str, torch.Tensor]:
    """The places of the chosen pictures by set, with turf and ground to make patchworks of."""
    places: dict[str, list[int]] = {name: [] for name in COUNTS}
    for k in chosen:
        places[pictures[k].set].append(k)
        if pictures[k].set == "real":
            green = pictures[k].shares[0, 0, 0] / 255
            if green >= CLOSED or green <= BARE:
                places["turf" if green >= CLOSED else "ground"].append(k)
    return {name: torch.tensor(some, device=device) for name, some in places.items() if some}


def counts_of(members: dict[str, torch.Tensor]) -> dict[str, int]:
    """Crops a step of each set."""
    return {name: COUNTS[name] for name in members} if len(members) > 1 else dict.fromkeys(members, ALONE)


def _scales(picture: Picture) -> tuple[float, float]:
    """Smallest and largest enlargement of a picture's crops."""
    if math.isnan(picture.gsd_mm):
        return SCALES
    fine, coarse = CROP_GSD_MM
    return picture.gsd_mm / coarse, max(picture.gsd_mm / fine, 1.0)


def _places(pictures: list[Picture]) -> tuple[np.ndarray, int]:
    """Offset, height and width of each picture's levels, (P, LEVELS, 3); how many pixels there are in all."""
    table, offset = np.zeros((len(pictures), LEVELS, 3), np.int64), 0
    for index, picture in enumerate(pictures):
        height, width = picture.rgb.shape[:2]
        for level in range(LEVELS):
            table[index, level] = offset, height, width
            offset += height * width
            height, width = height // 2, width // 2
    return table, offset


def _lay(picture: Picture, table: np.ndarray, flat: torch.Tensor) -> None:
    """Write one picture's levels into the table of pixels."""
    parts = [picture.rgb, np.ascontiguousarray(picture.shares[..., :3])]
    for offset, height, width in table.tolist():
        if parts[0].shape[:2] != (height, width):
            parts = [cv2.resize(part, (width, height), interpolation=cv2.INTER_AREA) for part in parts]
        level = torch.from_numpy(np.concatenate(parts, axis=2).reshape(-1, PLANES))
        flat[offset : offset + height * width].copy_(level)


def _mirrored(place: torch.Tensor, last: torch.Tensor) -> torch.Tensor:
    return last - (place.remainder(2 * last) - last).abs()


def _by(values: torch.Tensor) -> torch.Tensor:
    return values[:, None, None]
