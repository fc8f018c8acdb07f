"""The last step of the sward classifier's training: real ground, whose shares an eye knows as a whole only.

    python tools/train_on_real.py IN.onnx OUT.onnx --real FOLDER --labelled FOLDER --rendered FOLDER

Rendered turf teaches what a pixel shows; real turf is yellower, softer and less deep, and closed turf was
read 13 points too low. ``--real`` holds photographs of real ground and an index.csv with their shares by
eye (`sward_pictures.read_real`; tools/real-pictures.csv is one: it says where each picture came from). The
mean shares of a crop are drawn towards the whole picture's; beside that, crops of the pictures of
tools/train_sward.py must be answered as before. Of the way that the weights go so a quarter is kept: half
of what real pictures gain, at next to no cost to rendered ones. It takes minutes of one processor core.
``--part K`` leaves that part of the labelled and rendered pictures out, as in a fold model. Needs the extra
``train``.
"""

from __future__ import annotations

import argparse
import math
import time
from pathlib import Path

import cv2
import numpy as np
import torch
from sward_crops import CROP
from sward_light import little_changed, relight
from sward_net import SwardNet, export, load
from sward_pictures import Picture, part_of, read_all, read_real, read_split

REAL_SCALES, OTHER_SCALES = (0.5, 1.4), (0.35, 1.2)  # smallest and largest enlargement of a crop
CLOSED = 0.75  # half of the real crops are of pictures with more green than this: there it goes wrong
REAL, OTHER = 8, 10  # crops a step
OF_THE_WAY = 1 / 4  # from the weights before to those after
WEIGHT = 2.0  # of the real crops' squared errors against the divergence of the others


def by_eye(picture: Picture) -> np.ndarray:
    """Shares of a photograph of real ground, (4,)."""
    return picture.shares[0, 0] / 255


def crop(rgb: np.ndarray, scales: tuple[float, float], rng: np.random.Generator) -> np.ndarray:
    """A square cut, scaled, turned and mirrored, (CROP, CROP, 3)."""
    scale = float(np.exp(rng.uniform(*np.log(scales))))
    side = min(CROP / scale, *rgb.shape[:2])
    top, left = (int(rng.uniform(0, n - side + 1e-6)) for n in rgb.shape[:2])
    cut = rgb[top : top + int(side), left : left + int(side)]
    how = cv2.INTER_AREA if side > CROP else cv2.INTER_LINEAR
    cut = np.rot90(cv2.resize(cut, (CROP, CROP), interpolation=how), rng.integers(4))
    return cut[:, ::-1] if rng.random() < 0.5 else cut


def batch(pictures: list[np.ndarray], scales: tuple[float, float], rng: np.random.Generator) -> torch.Tensor:
    """A crop of each, (N, 3, CROP, CROP), 0-1."""
    crops = np.stack([crop(rgb, scales, rng) for rgb in pictures])
    return torch.from_numpy(crops).permute(0, 3, 1, 2).float() / 255


def divergence(net: SwardNet, before: SwardNet, rgb: torch.Tensor) -> torch.Tensor:
    """How far a network's answers are from those that it gave before, a pixel (Kullback and Leibler)."""
    with torch.no_grad():
        old = before.logits(rgb).log_softmax(1)
    return (old.exp() * (old - net.logits(rgb).log_softmax(1))).sum(1).mean()


def learn(
    net: SwardNet, before: SwardNet, real: list[Picture], others: list[Picture], steps: int, rate: float
) -> None:
    """The last step, in place."""
    rng = np.random.default_rng(0)
    closed = [one for one in real if by_eye(one)[0] >= CLOSED]
    rest = [one for one in real if by_eye(one)[0] < CLOSED]
    optimiser = torch.optim.AdamW(net.parameters(), lr=rate, weight_decay=0)
    start = time.monotonic()
    for step in range(steps):
        warm, cooled = min(1, step / 50), 0.5 + 0.5 * math.cos(math.pi * step / steps)
        optimiser.param_groups[0]["lr"] = rate * warm * cooled
        drawn = [some[k] for some in (closed, rest) for k in rng.integers(len(some), size=REAL // 2)]
        found = net(little_changed(batch([one.rgb for one in drawn], REAL_SCALES, rng)))
        wanted = torch.tensor(np.stack([by_eye(one) for one in drawn])).float()
        off = (found.mean((2, 3)) - wanted).square().sum(1).mean()
        beside = [others[k].rgb for k in rng.integers(len(others), size=OTHER)]
        drift = divergence(net, before, relight(batch(beside, OTHER_SCALES, rng)))
        optimiser.zero_grad()
        (drift + WEIGHT * off).backward()
        torch.nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimiser.step()
        if step % 50 == 0:
            said = f"step {step:4d} real {off.item():.4f} drift {drift.item():.4f}"
            print(f"{said} {time.monotonic() - start:.0f} s", flush=True)


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("model", type=Path)
    ask.add_argument("out", type=Path)
    ask.add_argument("--real", type=Path, required=True)
    ask.add_argument("--labelled", type=Path)
    ask.add_argument("--rendered", type=Path, required=True)
    ask.add_argument("--part", type=int, help="the part of the labelled sets that is left out")
    ask.add_argument("--steps", type=int, default=600)
    ask.add_argument("--rate", type=float, default=2e-4)
    say = ask.parse_args()
    torch.manual_seed(1)
    split = read_split()
    others = [p for p in read_all(say.labelled, say.rendered) if part_of(p, split) != say.part]
    net, before = load(say.model), load(say.model)
    learn(net, before, read_real(say.real), others, say.steps, say.rate)
    with torch.no_grad():
        for weight, old in zip(net.parameters(), before.parameters(), strict=True):
            weight.lerp_(old, 1 - OF_THE_WAY)
    export(net.eval(), say.out)


if __name__ == "__main__":
    main()
