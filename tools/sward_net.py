"""The sward classifier's network: its layers, and to ONNX. Needs the extra ``train``."""

from __future__ import annotations

import hashlib
from itertools import pairwise
from pathlib import Path

import torch
import torch.nn.functional as F  # noqa: N812 - as everybody calls it
from torch import nn
from torch.nn.utils.fusion import fuse_conv_bn_eval


def _conv(inp: int, out: int, *, side: int = 3, stride: int = 1) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(inp, out, side, stride=stride, padding=1, bias=False),
        nn.BatchNorm2d(out),
        nn.ReLU(inplace=True),
    )


class SwardNet(nn.Module):
    """Coded RGB 0-1 (N, 3, H, W), sides multiples of 16, to shares (N, 4, H, W).

    A U-shaped network that starts at half the size, goes three levels further down and back up with sums
    instead of concatenations: most of the work is at a quarter of the size and below.
    """

    def __init__(self, widths: tuple[int, ...] = (16, 32, 64, 128)) -> None:
        super().__init__()
        self.stem = _conv(3, widths[0], side=4, stride=2)
        self.down = nn.ModuleList(
            nn.Sequential(_conv(a, b, stride=2), _conv(b, b)) for a, b in pairwise(widths)
        )
        self.narrow = nn.ModuleList(nn.Conv2d(b, a, 1) for a, b in pairwise(widths))
        self.up = nn.ModuleList(_conv(a, a) for a in widths[:-1])
        self.head = nn.ConvTranspose2d(widths[0], 4, 2, stride=2)

    def logits(self, x: torch.Tensor) -> torch.Tensor:
        """Before the softmax."""
        return self.head(self.inner(self.stem((x - 0.5) * 4)))

    def inner(self, x: torch.Tensor) -> torch.Tensor:
        """What lies between the stem and the head, all at half the size and below."""
        kept = [x]
        for down in self.down:
            kept.append(down(kept[-1]))
        y = kept.pop()
        for narrow, up in zip(reversed(self.narrow), reversed(self.up), strict=True):
            y = up(F.interpolate(narrow(y), scale_factor=2.0, mode="nearest") + kept.pop())
        return y

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """Shares."""
        return self.logits(x).softmax(dim=1)


class Squares(nn.Module):
    """A trained network as it is shipped: the same numbers, without work at full size.

    It takes squares of 2 x 2 pixels, codes 0-255, (N, 12, H / 2, W / 2) in the order channel, row, column, a
    rim of one pixel more than it answers for, and gives the logits of such squares, (N, 16, ...) in the order
    class, row, column. OpenCV runs the first layer twice as fast so; the last one and the softmax, which at
    full size take a third of the time, cost a tenth.
    """

    def __init__(self, net: SwardNet) -> None:
        super().__init__()
        self.net = net
        first, out = fuse_conv_bn_eval(*net.stem[:2]), net.head
        self.first = nn.Conv2d(12, first.out_channels, 2)
        squares = first.weight.data.unflatten(3, (2, 2)).unflatten(2, (2, 2)).permute(0, 1, 3, 5, 2, 4)
        self.first.weight.data = squares.flatten(1, 3) * (4 / 255)
        self.first.bias.data = first.bias.data - 2 * first.weight.data.sum((1, 2, 3))
        self.last = nn.Conv2d(out.in_channels, 16, 1)
        self.last.weight.data = out.weight.data.permute(1, 2, 3, 0).reshape(16, -1, 1, 1)
        self.last.bias.data = out.bias.data.repeat_interleave(4)

    def forward(self, squares: torch.Tensor) -> torch.Tensor:
        """Logits."""
        return self.last(self.net.inner(F.relu(self.first(squares))))


def export(net: SwardNet, path: Path) -> None:
    """Write ONNX with free picture size, as turfeye.sward.judge runs it, and its SHA-256 beside it."""
    whole = Squares(net.cpu().float().eval()).eval()
    torch.onnx.export(
        whole,
        (torch.rand(1, 12, 33, 49) * 255,),
        str(path),
        input_names=["squares"],
        output_names=["logits"],
        opset_version=17,
        dynamo=False,
        dynamic_axes={"squares": {2: "height", 3: "width"}, "logits": {2: "rows", 3: "columns"}},
    )
    enlist(path)


def enlist(path: Path) -> None:
    """Write a file's SHA-256 into its folder's list, beside those of others."""
    sums = path.with_name("SHA256SUMS")
    lines = sums.read_text(encoding="utf-8").splitlines() if sums.exists() else []
    kept = [line for line in lines if line.partition("  ")[2] != path.name]
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    sums.write_text("\n".join([*kept, f"{digest}  {path.name}"]) + "\n", encoding="utf-8")
