"""Train the sward classifier from scratch, with the fold models behind every kept-out figure, as ONNX.

    python tools/train_sward.py --labelled FOLDER --rendered FOLDER --out models --folds FOLDER

``--labelled`` holds ``wheat_series/`` and ``peanut_field/`` (both CC BY-SA 4.0, papers in models/sward.md);
``--rendered`` holds what tools/make_training.py writes. Needs the extra ``train``; a GPU makes minutes of
what takes a CPU days. The networks train one after another on the same pictures, each on its own share:

* ``sward`` learns from all and is the one that ships (``--out``);
* ``sward-fold-K`` leaves part K out (plots of wheat, runs of neighbouring pictures of peanut, rendered
  scenes); ``only-SET`` learns from one set, ``without-SET`` from all but one. These go to ``--folds``
  (tests/data/sward-folds), and print their scores on what they left out.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import math
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812 - as everybody calls it
from sward_pictures import PARTS, SETS, SPLIT, Picture, deal, part_of, read_all, read_split, score
from torch import nn
from torch.nn.utils.fusion import fuse_conv_bn_eval

# --- network --------------------------------------------------------------------------------------------


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

    def __init__(self, widths: tuple[int, ...] = (16, 32, 48, 64), depth: int = 1) -> None:
        super().__init__()
        self.stem = nn.Sequential(
            _conv(3, widths[0], side=4, stride=2), *[_conv(widths[0], widths[0]) for _ in range(depth - 1)]
        )
        self.down = nn.ModuleList(
            nn.Sequential(_conv(a, b, stride=2), *[_conv(b, b) for _ in range(depth)])
            for a, b in pairwise(widths)
        )
        self.narrow = nn.ModuleList(nn.Conv2d(b, a, 1) for a, b in pairwise(widths))
        self.up = nn.ModuleList(nn.Sequential(*[_conv(a, a) for _ in range(depth)]) for a in widths[:-1])
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


SIZES: dict[str, tuple[tuple[int, ...], int]] = {  # widths and depth
    "small": ((16, 32, 48, 64), 1),
    "wide": ((16, 32, 64, 128), 1),
    "middle": ((24, 48, 96, 128), 1),
    "large": ((48, 96, 192, 256), 2),
}


# --- batches, made where the network is trained -----------------------------------------------------------


LEVELS = 4
CROP = 208
COUNTS = {"wheat": 8, "peanut": 4, "rendered": 18}  # crops a step
ALONE = 24  # crops a step of a set that is learnt from alone
SCALES = (0.3, 1.5)  # smallest and largest enlargement where no scale is known
CROP_GSD_MM = (0.4, 4.0)  # finest and coarsest crop where it is
PLANES = 6  # rgb, and three of the shares: the fourth is what is left


class Store:
    """All pictures in one flat table of pixels, at full size and three times halved: sampling skips none."""

    def __init__(self, pictures: list[Picture], device: torch.device) -> None:
        table, total = _places(pictures)
        flat = np.empty((total, PLANES), np.uint8)
        with ThreadPoolExecutor() as pool:
            list(pool.map(lambda pair: _lay(*pair, flat), zip(pictures, table, strict=True)))
        self.pixels = torch.from_numpy(flat).to(device)
        self.table = torch.from_numpy(table).to(device)
        scales = torch.tensor([_scales(p) for p in pictures], device=device).log()
        self.low, self.high = scales[:, 0], scales[:, 1]
        self.device = device

    def crops(self, members: dict[str, torch.Tensor], size: int) -> tuple[torch.Tensor, torch.Tensor]:
        """Turned, mirrored, stretched, scaled crops: rgb (N, 3, size, size), shares (N, 4, ...).

        ``members`` are the places of the pictures to draw from, by set.
        """
        dev = self.device
        counts = counts_of(members)
        which = torch.cat([m[torch.randint(len(m), (counts[s],), device=dev)] for s, m in members.items()])
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


def counts_of(members: dict[str, torch.Tensor]) -> dict[str, int]:
    """Crops a step of each set."""
    return COUNTS if len(members) > 1 else dict.fromkeys(members, ALONE)


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


def _lay(picture: Picture, table: np.ndarray, flat: np.ndarray) -> None:
    """Write one picture's levels into the table of pixels."""
    parts = [picture.rgb, np.ascontiguousarray(picture.shares[..., :3])]
    for offset, height, width in table.tolist():
        if parts[0].shape[:2] != (height, width):
            parts = [cv2.resize(part, (width, height), interpolation=cv2.INTER_AREA) for part in parts]
        flat[offset : offset + height * width] = np.concatenate(parts, axis=2).reshape(-1, PLANES)


def _mirrored(place: torch.Tensor, last: torch.Tensor) -> torch.Tensor:
    return last - (place.remainder(2 * last) - last).abs()


def _by(values: torch.Tensor) -> torch.Tensor:
    return values[:, None, None]


def relight(rgb: torch.Tensor) -> torch.Tensor:
    """Other light, camera and noise for every picture: much other for one half, little for the other.

    Little, since a picture that a card has corrected is not far from what it should be.
    """
    little = torch.rand(len(rgb), 1, 1, 1, device=rgb.device) < 0.5
    return torch.where(little, _little_changed(rgb), _much_changed(rgb))


def _draw(rgb: torch.Tensor, low: float, high: float, *shape: int) -> torch.Tensor:
    """A number a picture (or an array of ``shape`` each), even between two."""
    return torch.empty(len(rgb), *shape, device=rgb.device).uniform_(low, high)


def _now_and_then(rgb: torch.Tensor, often: float) -> torch.Tensor:
    return _draw(rgb, 0, 1, 1, 1, 1) < often


def _little_changed(rgb: torch.Tensor) -> torch.Tensor:
    """Exposure within a third of a stop, balance, tone, colour, sharpness and grain by a little."""
    gain = torch.exp2(_draw(rgb, -0.3, 0.3, 1, 1, 1)) * torch.exp(_draw(rgb, -0.05, 0.05, 3, 1, 1))
    tone = 1 / 2.2 * torch.exp(_draw(rgb, -0.12, 0.12, 1, 1, 1))
    x = (rgb.clamp(0, 1).pow(2.2) * gain).clamp(1e-5, 1).pow(tone)
    x = _about(x, x.mean(1, keepdim=True), _draw(rgb, 0.85, 1.2, 1, 1, 1))
    x = x + (_soft(x) - x) * _draw(rgb, -0.7, 0.7, 1, 1, 1) * _now_and_then(rgb, 0.5)
    x = x + torch.randn_like(x) * _draw(rgb, 0, 0.02, 1, 1, 1) * _now_and_then(rgb, 0.5)
    return x.clamp(0, 1)


def _much_changed(rgb: torch.Tensor) -> torch.Tensor:
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
    x = x + _draw(rgb, 0, 0.16, 1, 1, 1) * _now_and_then(rgb, 0.25) * (1 - x)  # darks lifted, as phones do
    x = x + (_soft(x) - x) * _draw(rgb, -0.7, 1.2, 1, 1, 1) * _now_and_then(rgb, 0.6)
    for times, often in ((2, 0.12), (4, 0.05)):
        x = torch.where(_now_and_then(rgb, often), _enlarged(x, times), x)
    fine, coarse = torch.randn_like(x), torch.randn(n, 3, h // 2, w // 2, device=rgb.device)
    coarse = F.interpolate(coarse, size=(h, w), mode="bilinear") * _draw(rgb, 0, 1, 1, 1, 1)
    x = x + (fine + coarse) * _draw(rgb, 0, 0.05, 1, 1, 1) * _now_and_then(rgb, 0.6)
    return x.clamp(0, 1)


def _about(x: torch.Tensor, middle: torch.Tensor, times: torch.Tensor) -> torch.Tensor:
    """Differences from a middle made larger or smaller."""
    return middle + (x - middle) * times


def _soft(x: torch.Tensor) -> torch.Tensor:
    return F.avg_pool2d(F.pad(x, (1, 1, 1, 1), mode="reflect"), 3, 1)


def _enlarged(x: torch.Tensor, times: int) -> torch.Tensor:
    """As soft as a picture enlarged so many times; the sides must be multiples."""
    small = F.avg_pool2d(x, times)
    return F.interpolate(small, scale_factor=float(times), mode="bilinear")


def _half_planes(n: int, h: int, w: int, dev: torch.device) -> torch.Tensor:
    y, x = torch.meshgrid(
        torch.linspace(-1, 1, h, device=dev), torch.linspace(-1, 1, w, device=dev), indexing="ij"
    )
    turn = torch.rand(n, 1, 1, device=dev) * 2 * math.pi
    edge = (torch.rand(n, 1, 1, device=dev) - 0.5) * 1.2
    sharp = torch.exp(torch.rand(n, 1, 1, device=dev) * 4)
    return torch.sigmoid((torch.cos(turn) * x + torch.sin(turn) * y - edge) * sharp * 2)[:, None]


# --- training -------------------------------------------------------------------------------------------


def loss_of(logits: torch.Tensor, shares: torch.Tensor, *, full: bool) -> torch.Tensor:
    """Cross-entropy on shares of green against the rest; where all four are known, of all four too.

    Where green alone is known, soft intersection over union of green comes on top: those pictures' edges are
    drawn, not shares. On true shares it would push doubtful pixels to one side, and cover with them.
    """
    log = logits.float().log_softmax(1)
    green, log_green = shares[:, :1], log[:, :1]
    log_rest = torch.logsumexp(log[:, 1:], 1, keepdim=True)
    loss = -(green * log_green + (1 - green) * log_rest).mean()
    if full:
        return 0.5 * loss - 0.5 * (shares * log).sum(1).mean()
    guess = log_green.exp()
    both = (guess * green).sum()
    return loss + 0.5 * (1 - both / (guess.square().sum() + green.square().sum() - both + 1))


class Training:
    """One network on its way: the pictures that it may see, its optimiser, its step as one recorded graph."""

    def __init__(
        self,
        net: SwardNet,
        store: Store,
        members: dict[str, torch.Tensor],
    ) -> None:
        device, gpu = store.device, store.device.type == "cuda"
        self.net = net.to(device, memory_format=torch.channels_last)
        self.store, self.members = store, members
        self.rate = torch.tensor(0.0, device=device)  # a tensor, so that a recorded step reads it anew
        self.optimiser = torch.optim.AdamW(
            self.net.parameters(), lr=self.rate, weight_decay=0.02, capturable=gpu, foreach=gpu
        )
        self.stream = torch.cuda.Stream() if gpu else None
        self._run = self._recorded() if gpu else self._plain

    def step(self, rate: float) -> torch.Tensor:
        """One step at a rate; its loss."""
        with torch.cuda.stream(self.stream) if self.stream else nullcontext():
            self.rate.fill_(rate)
            return self._run()

    def _once(self) -> torch.Tensor:
        device = self.store.device
        rgb, shares = self.store.crops(self.members, CROP)
        rgb = relight(rgb).contiguous(memory_format=torch.channels_last)
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda", cache_enabled=False):
            logits = self.net.logits(rgb)
        loss, first, counts = torch.zeros((), device=device), 0, counts_of(self.members)
        for name in self.members:
            part = slice(first, first + counts[name])
            loss = loss + loss_of(logits[part], shares[part], full=name == "rendered")
            first += counts[name]
        loss.backward()
        nn.utils.clip_grad_norm_(self.net.parameters(), 1.0)
        self.optimiser.step()
        return loss.detach()

    def _plain(self) -> torch.Tensor:
        self.optimiser.zero_grad(set_to_none=True)
        return self._once()

    def _recorded(self) -> Callable[[], torch.Tensor]:
        """The whole step as one CUDA graph: such a small network otherwise waits for its launches."""
        self.stream.wait_stream(torch.cuda.current_stream())
        with torch.cuda.stream(self.stream):
            for _ in range(5):
                self._plain()
        torch.cuda.current_stream().wait_stream(self.stream)
        graph = torch.cuda.CUDAGraph()
        self.optimiser.zero_grad(set_to_none=True)
        with torch.cuda.graph(graph, stream=self.stream):
            loss = self._once()

        def run() -> torch.Tensor:
            graph.replay()
            return loss

        return run


@dataclass(frozen=True)
class Plan:
    """How long and how fast; time ends a network's schedule early where its steps would take longer."""

    size: str = "small"
    steps: int = 67_000
    rate: float = 3e-3
    stop_after_s: float = math.inf


def _settle(device: torch.device) -> None:
    """Wait until all that was asked of a graphics card is done."""
    if device.type == "cuda":
        torch.cuda.synchronize()


def train_all(
    pictures: list[Picture], shares: dict[str, list[int]], device: torch.device, plan: Plan
) -> dict[str, SwardNet]:
    """A network a name, each learnt from its own share of the pictures, one after another.

    Side by side, on streams of their own, trainings spoiled one another (models/sward.md).
    """
    torch.backends.cudnn.benchmark = True
    start = time.monotonic()
    store = Store(pictures, device)
    print(f"{store.pixels.numel() / 1e9:.1f} GB laid out in {time.monotonic() - start:.0f} s", flush=True)
    nets = {}
    for name, chosen in shares.items():
        by_set = {s: [k for k in chosen if pictures[k].set == s] for s in SETS}
        members = {s: torch.tensor(places, device=device) for s, places in by_set.items() if places}
        print(f"{name}: {len(chosen)} pictures", flush=True)
        nets[name] = train(SwardNet(*SIZES[plan.size]), store, members, plan)
    return nets


def train(net: SwardNet, store: Store, members: dict[str, torch.Tensor], plan: Plan) -> SwardNet:
    """One network, one cosine of the rate long."""
    training = Training(net, store, members)
    start = time.monotonic()
    for index in range(plan.steps):
        done = max(index / plan.steps, (time.monotonic() - start) / plan.stop_after_s)
        if done >= 1:
            print(f"time is up at step {index}", flush=True)
            break
        rate = plan.rate * min(done / 0.1, 0.5 + 0.5 * math.cos(math.pi * max(done - 0.1, 0) / 0.9))
        loss = training.step(rate)
        if index % 500 == 0:
            _settle(store.device)  # or the loss is read while the next step overwrites it
            print(f"step {index:5d} loss {loss.item():.3f} {time.monotonic() - start:.0f} s", flush=True)
        elif index % 20 == 0:
            _settle(store.device)  # or the clock runs ahead of the work
    _settle(store.device)
    return training.net.eval()


# --- scores ---------------------------------------------------------------------------------------------


@torch.no_grad()
def green_of(net: SwardNet, rgb: np.ndarray, device: torch.device) -> np.ndarray:
    """Green share (H, W) of a picture, mirrored out to multiples of 16."""
    h, w = rgb.shape[:2]
    framed = cv2.copyMakeBorder(rgb, 16, 32 - h % 16, 16, 32 - w % 16, cv2.BORDER_REFLECT)
    x = torch.from_numpy(framed).permute(2, 0, 1)[None].float().to(device) / 255
    return net(x)[0, 0, 16 : 16 + h, 16 : 16 + w].cpu().numpy()


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
        first, out = fuse_conv_bn_eval(*net.stem[0][:2]), net.head
        self.first = nn.Conv2d(12, first.out_channels, 2)
        squares = first.weight.data.unflatten(3, (2, 2)).unflatten(2, (2, 2)).permute(0, 1, 3, 5, 2, 4)
        self.first.weight.data = squares.flatten(1, 3) * (4 / 255)
        self.first.bias.data = first.bias.data - 2 * first.weight.data.sum((1, 2, 3))
        self.last = nn.Conv2d(out.in_channels, 16, 1)
        self.last.weight.data = out.weight.data.permute(1, 2, 3, 0).reshape(16, -1, 1, 1)
        self.last.bias.data = out.bias.data.repeat_interleave(4)

    def forward(self, squares: torch.Tensor) -> torch.Tensor:
        """Logits."""
        first = self.net.stem[1:](F.relu(self.first(squares)))
        return self.last(self.net.inner(first))


def export(net: SwardNet, path: Path) -> None:
    """Write ONNX with free picture size, as turfeye.sward.judge runs it."""
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


def enlist(folder: Path, name: str) -> None:
    """Write the file's SHA-256 into the folder's list, beside those of others."""
    sums = folder / "SHA256SUMS"
    lines = sums.read_text(encoding="utf-8").splitlines() if sums.exists() else []
    kept = [line for line in lines if line.partition("  ")[2] != name]
    digest = hashlib.sha256((folder / name).read_bytes()).hexdigest()
    sums.write_text("\n".join([*kept, f"{digest}  {name}"]) + "\n", encoding="utf-8")


def shares_of(names: list[str], pictures: list[Picture]) -> dict[str, list[int]]:
    """For each network the places of the pictures that it learns from."""
    split, shares = read_split(), {}
    for name in names:
        kind, _, what = name.rpartition("-")
        shares[name] = [
            k
            for k, picture in enumerate(pictures)
            if not (kind == "without" and picture.set == what)
            and not (kind == "only" and picture.set != what)
            and not (kind == "sward-fold" and part_of(picture, split) == int(what))
        ]
    return shares


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--labelled", type=Path)
    ask.add_argument("--rendered", type=Path)
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--folds", type=Path, help="where all but the shipped network go")
    ask.add_argument(
        "--networks", nargs="+", metavar="NAME", help="only these (default: sward and its folds)"
    )
    ask.add_argument(
        "--deal", action="store_true", help="deal the real groups into parts anew, write it down"
    )
    ask.add_argument("--size", choices=SIZES, default=Plan.size)
    ask.add_argument("--steps", type=int, default=Plan.steps)
    ask.add_argument("--stop-after-s", type=float, default=Plan.stop_after_s)
    ask.add_argument("--seed", type=int, default=1)
    say = ask.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.manual_seed(say.seed)
    pictures = read_all(say.labelled, say.rendered)
    if say.deal:
        SPLIT.write_text(json.dumps(deal(pictures), indent=1, sort_keys=True) + "\n", encoding="utf-8")
    names = say.networks or ["sward", *(f"sward-fold-{k}" for k in range(PARTS) if say.folds)]
    shares = shares_of(names, pictures)
    print({name: len(chosen) for name, chosen in shares.items()}, f"pictures, on {device}", flush=True)
    nets = train_all(pictures, shares, device, Plan(say.size, say.steps, stop_after_s=say.stop_after_s))
    for name, net in nets.items():
        left = [p for k, p in enumerate(pictures) if k not in set(shares[name])]
        for kind in SETS:
            own = [p for p in left if p.set == kind]
            if own:
                pairs = ((green_of(net, p.rgb, device), p.shares[..., 0] / 255) for p in own)
                print(json.dumps({"name": name, "set": kind, **score(pairs)}), flush=True)
        folder = say.out if name == "sward" else (say.folds or say.out)
        export(net, folder / f"{name}.onnx")
        enlist(folder, f"{name}.onnx")


if __name__ == "__main__":
    main()
