"""Train the network that finds the lawn in an oblique photo, and export it for ``turfeye.region``.

    python tools/train_region.py OUT DATA [DATA ...] --steps 3000

DATA folders hold NAME.jpg with NAME-lawn.png (255 = lawn), as ``tools/make_training.py gardens`` and
``tools/quick_gardens.py`` write them, or spots from ``tools/make_training.py spots``. Gardens and spots whose
number divides by 5 are held out and never trained on; ``tools/score_region.py`` scores them with the exported
network. Nothing pretrained goes in.
"""

from __future__ import annotations

import argparse
import json
import math
import re
import time
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
import torch.nn.functional as F  # noqa: N812
from PIL import Image
from sward_net import enlist
from torch import nn

LONG_PX, SHORT_PX = 384, 288  # what the network sees
STORED_PX = (416, 312)
HOLD_OUT_EVERY = 5
LARGE_THING = 0.012  # of a spot picture: a card, a hand-sized leaf


class Block(nn.Module):
    """Two 3x3 convolutions with a shortcut; the first may halve the size."""

    def __init__(self, inside: int, outside: int, *, stride: int = 1, dilation: int = 1) -> None:
        super().__init__()
        self.first = nn.Conv2d(inside, outside, 3, stride, 1, bias=False)
        self.second = nn.Conv2d(outside, outside, 3, 1, dilation, dilation, bias=False)
        self.norm1, self.norm2 = nn.BatchNorm2d(outside), nn.BatchNorm2d(outside)
        same = inside == outside and stride == 1
        self.short = nn.Identity() if same else nn.Conv2d(inside, outside, 1, stride, bias=False)

    def forward(self, x: torch.Tensor) -> torch.Tensor:
        """(B, inside, H, W) to (B, outside, H / stride, W / stride)."""
        y = F.relu(self.norm1(self.first(x)))
        return F.relu(self.norm2(self.second(y)) + self.short(x))


class Region(nn.Module):
    """A small U-net: (B, 3, H, W) in 0-1 to (B, 1, H, W) lawn probability; sides divide by 32."""

    WIDTHS = (16, 32, 48, 64, 96)

    def __init__(self) -> None:
        super().__init__()
        widths = self.WIDTHS
        self.stem = nn.Sequential(nn.Conv2d(3, 12, 3, 1, 1, bias=False), nn.BatchNorm2d(12), nn.ReLU())
        before = (12, *widths[:-1])
        self.down = nn.ModuleList(Block(a, b, stride=2) for a, b in zip(before, widths, strict=True))
        deep = widths[-1]
        self.deep = nn.Sequential(*(Block(deep, deep, dilation=d) for d in (1, 2, 4)))
        self.whole = nn.Conv2d(deep, deep, 1)  # what the picture as a whole says
        self.side = nn.ModuleList(nn.Conv2d(w, w, 1) for w in before[::-1])
        self.rise = nn.ModuleList(nn.Conv2d(b, a, 1) for a, b in zip(before, widths, strict=True))
        self.up = nn.ModuleList(Block(w, w) for w in before[::-1])
        self.out = nn.Conv2d(12, 1, 1)

    def forward(self, rgb: torch.Tensor) -> torch.Tensor:
        """(B, 3, H, W) coded 0-1 to (B, 1, H, W) probability."""
        return torch.sigmoid(self.logits(rgb))

    def logits(self, rgb: torch.Tensor) -> torch.Tensor:
        """Before the sigmoid."""
        x = self.stem(rgb - 0.45)
        kept = []
        for down in self.down:
            kept.append(x)
            x = down(x)
        x = self.deep(x)
        x = x + torch.sigmoid(self.whole(x.mean((2, 3), keepdim=True))) * x
        for skip, side, rise, up in zip(kept[::-1], self.side, list(self.rise)[::-1], self.up, strict=True):
            x = F.interpolate(rise(x), scale_factor=2.0, mode="bilinear", align_corners=False)
            x = up(x + side(skip))
        return self.out(x)


def number(name: str) -> int:
    """The garden's number, from the picture's name."""
    return int(re.findall(r"\d+", name)[0])


def held_out(name: str) -> bool:
    return number(name) % HOLD_OUT_EVERY == 0


def lawn_of(folder: Path, name: str) -> np.ndarray:
    """(H, W) uint8 truth, 255 = lawn; in a spot picture all but the card and other large things is lawn."""
    drawn = folder / f"{name}-lawn.png"
    if drawn.exists():
        return cv2.imread(str(drawn), cv2.IMREAD_GRAYSCALE)
    with Image.open(folder / f"{name}-shares.png") as shares:
        other = cv2.medianBlur(np.asarray(shares)[..., 3], 15) > 127
    _, label, stats, _ = cv2.connectedComponentsWithStats(other.astype(np.uint8))
    large = stats[:, cv2.CC_STAT_AREA] > LARGE_THING * other.size
    large[0] = False
    return np.where(large[label], 0, 255).astype(np.uint8)


def load(folders: list[Path], *, spots: int) -> list[tuple[str, np.ndarray, np.ndarray]]:
    """(name, rgb, lawn) of the training pictures, brought to one size, upright or lying.

    Of a folder of spots only the first ``spots`` that are oblique or hold a card are taken.
    """
    loaded = []
    for folder in folders:
        looks = sorted({truth.name.rpartition("-")[0] for truth in folder.glob("*-*.png")})
        names = [name for name in looks if not held_out(name)]
        if not any(folder.glob("*-lawn.png")):
            names = [name for name in names if wanted_spot(folder / f"{name}.json")][:spots]
        for name in names:
            bgr = cv2.imread(str(folder / f"{name}.jpg"))
            size = STORED_PX if bgr.shape[1] >= bgr.shape[0] else STORED_PX[::-1]
            rgb = cv2.resize(bgr[..., ::-1], size, interpolation=cv2.INTER_AREA)
            lawn = cv2.resize(lawn_of(folder, name), size, interpolation=cv2.INTER_AREA)
            loaded.append((name, rgb, lawn))
    return loaded


def wanted_spot(facts: Path) -> bool:
    """Spots that are oblique or hold a card: the kinds that the region is asked about.

    Heaps of leaves lie on the lawn, but `lawn_of` would take them for things.
    """
    spot = json.loads(facts.read_text())
    if spot["recipe"].get("fallen", 0) > 0:
        return False
    return spot["tilt_deg"] >= 12 or spot["recipe"].get("card") is not None


def moved(rgb: torch.Tensor, lawn: torch.Tensor, size: tuple[int, int], rng: torch.Generator) -> tuple:
    """Crop, mirror, turn, stretch. (B, 3, h, w), (B, 1, h, w) to the wanted (H, W)."""
    count, device = len(rgb), rgb.device

    def draw(low: float, high: float) -> torch.Tensor:
        return torch.rand(count, generator=rng, device=device) * (high - low) + low

    scale = torch.exp(draw(math.log(0.45), math.log(1.12)))  # share of the picture that is kept
    stretch, angle = torch.exp(draw(-0.18, 0.18)), draw(-0.14, 0.14)
    mirror = torch.where(draw(0, 1) < 0.5, -1.0, 1.0)
    aspect = size[1] / size[0]
    sx, sy = scale * stretch, scale / stretch
    room = (1 - scale).clamp(min=0.05)
    rows = [
        torch.stack([sx * mirror * angle.cos(), -sx * angle.sin() / aspect, draw(-1, 1) * room], 1),
        torch.stack([sy * mirror * angle.sin() * aspect, sy * angle.cos(), draw(-1, 1) * room], 1),
    ]
    grid = F.affine_grid(torch.stack(rows, 1), [count, 3, *size], align_corners=False)
    picture = F.grid_sample(rgb, grid, padding_mode="reflection", align_corners=False)
    return picture, F.grid_sample(lawn, grid, padding_mode="reflection", align_corners=False)


def relit(rgb: torch.Tensor, rng: torch.Generator) -> torch.Tensor:
    """Other cameras and light: gains, tone, saturation, a shade edge, blur, noise, things in the way."""
    count, _, height, width = rgb.shape
    device = rgb.device

    def draw(low: float, high: float) -> torch.Tensor:
        return torch.rand((count, 1, 1, 1), generator=rng, device=device) * (high - low) + low

    y = torch.linspace(-1, 1, height, device=device)[:, None]
    x = torch.linspace(-1, 1, width, device=device)[None, :]
    angle = draw(0, 6.28)
    edge = torch.sigmoid((x * angle.cos() + y * angle.sin() - draw(-0.8, 0.8)) * draw(3, 80))
    shade = 1 - edge * draw(0.3, 0.8) * (draw(0, 1) < 0.3)
    gain = torch.exp(torch.randn((count, 3, 1, 1), generator=rng, device=device) * 0.13)
    lit = (rgb.clamp(0, 1) ** draw(0.65, 1.5)) * gain * torch.exp(draw(-0.35, 0.3)) * shade
    grey = lit.mean(1, keepdim=True)
    lit = grey + (lit - grey) * draw(0.55, 1.35)
    soft = F.interpolate(F.avg_pool2d(lit, 3, 1, 1), size=(height, width))
    lit = lit + (soft - lit) * draw(-0.6, 1.0)  # from sharpened to blurred
    lit = lit + torch.randn(lit.shape, generator=rng, device=device) * draw(0, 0.05)
    hole = ((x - draw(-1, 1)).abs() < draw(0, 0.15)) & ((y - draw(-1, 1)).abs() < draw(0, 0.3))
    return torch.where(hole & (draw(0, 1) < 0.15), draw(0, 1), lit).clamp(0, 1)


def loss_of(logits: torch.Tensor, wanted: torch.Tensor) -> torch.Tensor:
    """Cross-entropy plus one minus the soft intersection over union of each picture."""
    logits, wanted = logits.float(), wanted.float()
    p = torch.sigmoid(logits)
    both = (p * wanted).sum((1, 2, 3))
    either = (p + wanted - p * wanted).sum((1, 2, 3))
    return F.binary_cross_entropy_with_logits(logits, wanted) + (1 - (both + 50) / (either + 50)).mean()


@dataclass(frozen=True)
class Plan:
    """How long and how fast to train."""

    steps: int = 3000
    batch: int = 24
    rate: float = 3e-3
    seed: int = 20260402
    stop_after_s: float = 3600.0
    start: Path | None = None  # an exported network to carry on from


def started(path: Path) -> Region:
    """A network with the weights of an exported one (its normalisations lie folded in its convolutions)."""
    import onnx
    from onnx import numpy_helper

    graph = onnx.load(str(path)).graph
    given = {
        item.name.removesuffix("_half"): torch.from_numpy(numpy_helper.to_array(item).astype(np.float32))
        for item in graph.initializer
    }
    folded = [n.input for n in graph.node if n.op_type == "Conv" and n.input[1].startswith("onnx::")]
    net = Region().eval()
    own = net.state_dict()
    pairs = [("stem.0", "stem.1")]
    for group, count in (("down", 5), ("deep", 3), ("up", 5)):
        for k in range(count):
            pairs += [
                (f"{group}.{k}.first", f"{group}.{k}.norm1"),
                (f"{group}.{k}.second", f"{group}.{k}.norm2"),
            ]
    for (conv, norm), names in zip(pairs, folded, strict=True):
        own[f"{conv}.weight"], own[f"{norm}.bias"] = given[names[1]], given[names[2]]
        own[f"{norm}.running_var"].fill_(1.0 - 1e-5)  # with its epsilon: the identity
    own.update({name: value for name, value in given.items() if name in own})
    net.load_state_dict(own)
    return net


def shelved(pictures: list, device: str) -> list[tuple[torch.Tensor, torch.Tensor, tuple[int, int]]]:
    """Lying and upright pictures apart: rgb (N, 3, h, w), lawn (N, 1, h, w), the size that is trained on."""
    shelves = []
    for lying in (True, False):
        shelf = [(rgb, lawn) for _, rgb, lawn in pictures if (rgb.shape[1] >= rgb.shape[0]) == lying]
        if shelf:
            rgb = torch.from_numpy(np.stack([a for a, _ in shelf])).to(device).permute(0, 3, 1, 2)
            lawn = torch.from_numpy(np.stack([b for _, b in shelf])).to(device)[:, None]
            shelves.append((rgb, lawn, (SHORT_PX, LONG_PX) if lying else (LONG_PX, SHORT_PX)))
    return shelves


def train(pictures: list, plan: Plan, device: str) -> Region:
    """Fit on all pictures; the weights returned are a running mean over the steps."""
    torch.manual_seed(plan.seed)
    rng = torch.Generator(device).manual_seed(plan.seed)
    shelves = shelved(pictures, device)
    weight = torch.tensor([float(len(shelf[0])) for shelf in shelves])
    layout = torch.channels_last if device == "cuda" else torch.contiguous_format
    net = (started(plan.start) if plan.start else Region()).to(device, memory_format=layout)
    mean = torch.optim.swa_utils.AveragedModel(
        net, multi_avg_fn=torch.optim.swa_utils.get_ema_multi_avg_fn(0.995), use_buffers=True
    )
    optimiser = torch.optim.AdamW(net.parameters(), lr=plan.rate, weight_decay=2e-3)
    start = time.time()
    for step in range(plan.steps):
        done = max(step / plan.steps, (time.time() - start) / plan.stop_after_s)
        if done >= 1:
            break
        rate = plan.rate * min(1.0, step / 100 + 0.01) * (0.5 + 0.5 * math.cos(math.pi * done))
        for group in optimiser.param_groups:
            group["lr"] = rate
        rgb, lawn, size = shelves[int(torch.multinomial(weight, 1))]
        pick = torch.randint(len(rgb), (plan.batch,), generator=rng, device=device)
        picture, wanted = moved(rgb[pick].float() / 255, lawn[pick].float() / 255, size, rng)
        picture = relit(picture, rng).contiguous(memory_format=layout)
        with torch.autocast(device, torch.bfloat16):
            logits = net.logits(picture)
        loss = loss_of(logits, wanted)
        optimiser.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimiser.step()
        mean.update_parameters(net)
        if step % 50 == 0 or step == plan.steps - 1:
            print(f"step {step} loss {loss.item():.4f} {time.time() - start:.0f} s", flush=True)
    return mean.module.float().cpu().eval()


def export(net: Region, out: Path, case: Path) -> None:
    """Write region.onnx (any size that divides by 32) with its SHA-256, and a case for other runtimes."""
    example = torch.rand(1, 3, 64, 96, generator=torch.Generator().manual_seed(7))
    free = {2: "height", 3: "width"}
    torch.onnx.export(
        net, (example,), str(out / "region.onnx"), input_names=["rgb"], output_names=["lawn"],
        dynamic_axes={"rgb": free, "lawn": free}, opset_version=17, dynamo=False,
    )  # fmt: skip
    halve(out / "region.onnx")
    enlist(out / "region.onnx")
    with torch.no_grad():
        np.savez_compressed(case / "region-case.npz", rgb=example.numpy(), lawn=net(example).numpy())


def halve(path: Path) -> None:
    """Keep the weights in half precision: half the file, answers within 1e-4; computing stays single."""
    import onnx
    from onnx import TensorProto, helper, numpy_helper

    model = onnx.load(str(path))
    graph, casts = model.graph, []
    for tensor in list(graph.initializer):
        values = numpy_helper.to_array(tensor)
        if values.dtype != np.float32 or values.size <= 64:
            continue
        half = f"{tensor.name}_half"
        graph.initializer.remove(tensor)
        graph.initializer.append(numpy_helper.from_array(values.astype(np.float16), half))
        casts.append(helper.make_node("Cast", [half], [tensor.name], to=TensorProto.FLOAT))
    nodes = [*casts, *graph.node]
    del graph.node[:]
    graph.node.extend(nodes)
    onnx.save(model, str(path))


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("out", type=Path)
    parser.add_argument("data", type=Path, nargs="+")
    parser.add_argument("--spots", type=int, default=40)
    parser.add_argument("--steps", type=int, default=Plan.steps)
    parser.add_argument("--batch", type=int, default=Plan.batch)
    parser.add_argument("--rate", type=float, default=Plan.rate)
    parser.add_argument("--seed", type=int, default=Plan.seed)
    parser.add_argument("--stop-after-s", type=float, default=Plan.stop_after_s)
    parser.add_argument("--start", type=Path, help="an exported network to carry on from")
    parser.add_argument("--case", type=Path, help="folder for an answer to check others against (OUT)")
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    pictures = load(args.data, spots=args.spots)
    device = "cuda" if torch.cuda.is_available() else "cpu"
    print(f"{len(pictures)} training pictures, {device}", flush=True)
    plan = Plan(args.steps, args.batch, args.rate, args.seed, args.stop_after_s, args.start)
    net = train(pictures, plan, device)
    print(f"{sum(p.numel() for p in net.parameters()):,} weights")
    export(net, args.out, args.case or args.out)


if __name__ == "__main__":
    main()
