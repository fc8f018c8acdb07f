"""Train the sward classifier from scratch, with the fold models behind every kept-out figure, as ONNX.

    python tools/train_sward.py --labelled FOLDER --rendered FOLDER --real FOLDER --out models --folds FOLDER

``--labelled`` holds ``wheat_series/`` and ``peanut_field/`` (both CC BY-SA 4.0, papers in models/sward.md);
``--rendered`` holds what tools/make_training.py and tools/draw_turf.py write, ``--real`` photographs of
real ground whose shares an eye knows as a whole (sward_pictures.py). Needs the extra ``train``; a GPU makes
minutes of what takes a CPU days. The networks train on the same pictures, each on its own share, one after
another or, where there are several graphics cards, each on one of its own:

* ``sward`` learns from all and is the one that ships (``--out``);
* ``sward-fold-K`` leaves part K out (plots of wheat, runs of neighbouring pictures of peanut, rendered
  scenes); ``only-SET`` learns from one set and then that stray light changes nothing (`LastStep`),
  ``without-SET`` learns from all but one. These go to ``--folds``
  (tests/data/sward-folds), and print their scores on what they left out.
"""

from __future__ import annotations

import argparse
import copy
import json
import math
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterable
from contextlib import nullcontext
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
import torch
from pool import cards
from sward_crops import CROP, Store, blots, counts_of, members_of
from sward_light import relight, veiled
from sward_net import SwardNet, export
from sward_pictures import PARTS, SETS, SPLIT, Picture, deal, part_of, read_all, read_split, score
from torch import nn

WEIGHTS = {"wheat": 1.0, "peanut": 1.0, "rendered": 1.0, "drawn": 0.3, "real": 0.5}
"""Of each set's loss: drawn turf is no photograph, and of real ground an eye knows less than every pixel."""


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


def loss_of_means(logits: torch.Tensor, part: torch.Tensor, shares: torch.Tensor) -> torch.Tensor:
    """How far the mean shares of a part of each crop are from those wanted (Kullback and Leibler).

    ``part`` is (N, 1, H, W), ``shares`` (N, 4). An eye knows the shares of a picture, not of its pixels.
    """
    guess = logits.float().softmax(1) * part
    mean = (guess.sum((2, 3)) + 1e-3) / (part.sum((2, 3)) + 4e-3)
    return (shares * (shares.clamp(min=1e-3).log() - mean.log())).sum(1).mean()


class Training:
    """One network on its way: the pictures that it may see, its optimiser, its step as one recorded graph."""

    DECAY = 0.02  # of weights

    def __init__(self, net: SwardNet, store: Store, members: dict[str, torch.Tensor]) -> None:
        device, gpu = store.device, store.device.type == "cuda"
        self.net = net.to(device, memory_format=torch.channels_last)
        self.store, self.members = store, members
        self.rate = torch.tensor(0.0, device=device)  # a tensor, so that a recorded step reads it anew
        self.optimiser = torch.optim.AdamW(
            self.net.parameters(), lr=self.rate, weight_decay=self.DECAY, capturable=gpu, foreach=gpu
        )
        self.stream = torch.cuda.Stream() if gpu else None
        self._run = self._recorded() if gpu else self._plain

    def step(self, rate: float) -> torch.Tensor:
        """One step at a rate; its loss."""
        with torch.cuda.stream(self.stream) if self.stream else nullcontext():
            self.rate.fill_(rate)
            return self._run()

    def _once(self) -> torch.Tensor:
        rgbs, truths, on = self._crops()
        loss = self._loss(rgbs, truths, on)
        loss.backward()
        nn.utils.clip_grad_norm_(self.net.parameters(), 1.0)
        self.optimiser.step()
        return loss.detach()

    def _crops(self) -> tuple[dict[str, torch.Tensor], dict[str, torch.Tensor], torch.Tensor | None]:
        """Crops in another light and their shares by set; where patchworks have turf, if there are any."""
        rgb, shares = self.store.crops(self.store.drawn(self.members), CROP)
        counts = counts_of(self.members)
        rgbs, truths = (
            dict(zip(self.members, x.split(list(counts.values())), strict=True)) for x in (rgb, shares)
        )
        on = None
        if "real" in rgbs:
            on = blots(counts["turf"], CROP, self.store.device)
            rgbs["turf"] = torch.where(on, rgbs["turf"], rgbs.pop("ground"))
        return parted(relight(torch.cat(list(rgbs.values()))), rgbs), truths, on

    def _logits(self, net: SwardNet, rgb: torch.Tensor) -> torch.Tensor:
        kind, gpu = self.store.device.type, self.store.device.type == "cuda"
        with torch.autocast(kind, torch.bfloat16, enabled=gpu, cache_enabled=False):
            return net.logits(rgb.contiguous(memory_format=torch.channels_last)).float()

    def _loss(
        self, rgbs: dict[str, torch.Tensor], truths: dict[str, torch.Tensor], on: torch.Tensor | None
    ) -> torch.Tensor:
        found = parted(self._logits(self.net, torch.cat(list(rgbs.values()))), rgbs)
        loss = torch.zeros((), device=self.store.device)
        for name in ("wheat", "peanut", "rendered", "drawn"):
            if name in found:
                part = loss_of(found[name], truths[name], full=name in ("rendered", "drawn"))
                loss = loss + WEIGHTS[name] * part
        if on is not None:
            whole = torch.ones_like(truths["real"][:, :1])
            of_parts = [
                loss_of_means(found[name], part, truths[own][:, :, 0, 0])
                for name, part, own in (
                    ("real", whole, "real"),
                    ("turf", on, "turf"),
                    ("turf", ~on, "ground"),
                )
            ]
            loss = loss + WEIGHTS["real"] * (of_parts[0] + 0.5 * (of_parts[1] + of_parts[2]))
        return loss

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


class LastStep(Training):
    """A network trained on one set alone learns to say of crops with stray light what it says without.

    What it said itself is what is wanted of it, so nothing is unlearnt. The network that learns from all sets
    takes no such step: rendered turf is read worse after it (docs/sward-training.md).
    """

    DECAY = 0.0

    def __init__(self, net: SwardNet, store: Store, members: dict[str, torch.Tensor]) -> None:
        net = net.to(store.device).eval()  # norms stay as they are
        self.before = copy.deepcopy(net).to(memory_format=torch.channels_last).requires_grad_(False)
        super().__init__(net, store, members)

    def _loss(
        self, rgbs: dict[str, torch.Tensor], truths: dict[str, torch.Tensor], on: torch.Tensor | None
    ) -> torch.Tensor:
        rgb = torch.cat(list(rgbs.values()))
        with torch.no_grad():
            wanted = self._logits(self.before, rgb).softmax(1)
        return -(wanted * self._logits(self.net, veiled(rgb)).log_softmax(1)).sum(1).mean()


def parted(crops: torch.Tensor, like: dict[str, torch.Tensor]) -> dict[str, torch.Tensor]:
    """A batch by set, as many of each as in ``like``."""
    return dict(zip(like, crops.split([len(some) for some in like.values()]), strict=True))


@dataclass(frozen=True)
class Plan:
    """How long and how fast; time ends a network's schedule early where its steps would take longer."""

    steps: int = 45_000
    rate: float = 3e-3
    stop_after_s: float = math.inf


LAST = Plan(steps=10_000, rate=1e-3)


def _settle(device: torch.device) -> None:
    """Wait until all that was asked of a graphics card is done."""
    if device.type == "cuda":
        torch.cuda.synchronize()


def train_all(
    pictures: list[Picture], shares: dict[str, list[int]], device: torch.device, plan: Plan
) -> dict[str, SwardNet]:
    """A network a name, each learnt from its own share of the pictures, one after another.

    Side by side, on streams of their own, trainings spoiled one another (docs/sward-training.md).
    """
    torch.backends.cudnn.benchmark = True
    start = time.monotonic()
    store = Store(pictures, device)
    print(f"{store.pixels.numel() / 1e9:.1f} GB laid out in {time.monotonic() - start:.0f} s", flush=True)
    nets = {}
    for name, chosen in shares.items():
        print(f"{name}: {len(chosen)} pictures", flush=True)
        members = members_of(pictures, chosen, device)
        nets[name] = train(Training(SwardNet(), store, members), plan)
        if len(members) == 1:
            last = replace(LAST, stop_after_s=plan.stop_after_s)
            nets[name] = train(LastStep(nets[name], store, members), last)
    return nets


def train(training: Training, plan: Plan) -> SwardNet:
    """One network, one cosine of the rate long."""
    start = time.monotonic()
    for index in range(plan.steps):
        done = max(index / plan.steps, (time.monotonic() - start) / plan.stop_after_s)
        if done >= 1:
            print(f"time is up at step {index}", flush=True)
            break
        rate = plan.rate * min(done / 0.1, 0.5 + 0.5 * math.cos(math.pi * max(done - 0.1, 0) / 0.9))
        loss = training.step(rate)
        if index % 500 == 0:
            _settle(training.store.device)  # or the loss is read while the next step overwrites it
            print(f"step {index:5d} loss {loss.item():.3f} {time.monotonic() - start:.0f} s", flush=True)
        elif index % 20 == 0:
            _settle(training.store.device)  # or the clock runs ahead of the work
    _settle(training.store.device)
    return training.net.eval()


@torch.no_grad()
def green_of(net: SwardNet, rgb: np.ndarray, device: torch.device) -> np.ndarray:
    """Green share (H, W) of a picture, mirrored out to multiples of 16."""
    h, w = rgb.shape[:2]
    framed = cv2.copyMakeBorder(rgb, 16, 32 - h % 16, 16, 32 - w % 16, cv2.BORDER_REFLECT)
    x = torch.from_numpy(framed).permute(2, 0, 1)[None].float().to(device) / 255
    return net(x)[0, 0, 16 : 16 + h, 16 : 16 + w].cpu().numpy()


def tell_scores(name: str, net: SwardNet, left_out: Iterable[Picture], device: torch.device) -> None:
    """Print a line for each set of pictures that a network has not learnt from."""
    by_set: dict[str, list[Picture]] = {kind: [] for kind in SETS}
    for picture in left_out:
        by_set[picture.set].append(picture)
    for kind, own in by_set.items():
        if own:
            pairs = ((green_of(net, p.rgb, device), p.shares[..., 0] / 255) for p in own)
            print(json.dumps({"name": name, "set": kind, **score(pairs)}), flush=True)


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


def side_by_side(names: list[str], cards: list[str]) -> None:
    """Train each network by this program on a card of its own; ends where one of them failed."""
    waiting, running, free, failed = list(names), {}, list(cards), []
    while waiting or running:
        while waiting and free:
            name, card = waiting.pop(0), free.pop(0)
            command = [sys.executable, *sys.argv, "--networks", name]
            running[name] = subprocess.Popen(command, env=os.environ | {"CUDA_VISIBLE_DEVICES": card}), card
        time.sleep(0.2)
        for name, (process, card) in list(running.items()):
            if process.poll() is not None:
                del running[name]
                free.append(card)
                failed += [name] if process.returncode else []
    if failed:
        raise SystemExit(f"not trained: {', '.join(failed)}")


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--labelled", type=Path)
    ask.add_argument("--rendered", type=Path)
    ask.add_argument("--real", type=Path)
    ask.add_argument("--out", type=Path, required=True)
    ask.add_argument("--folds", type=Path, help="where all but the shipped network go")
    ask.add_argument(
        "--networks", nargs="+", metavar="NAME", help="only these (default: sward and its folds)"
    )
    ask.add_argument(
        "--deal", action="store_true", help="deal the real groups into parts anew, write it down"
    )
    ask.add_argument("--steps", type=int, default=Plan.steps)
    ask.add_argument("--stop-after-s", type=float, default=Plan.stop_after_s)
    ask.add_argument("--seed", type=int, default=1)
    say = ask.parse_args()
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    torch.manual_seed(say.seed)
    for folder in filter(None, (say.out, say.folds)):
        folder.mkdir(parents=True, exist_ok=True)  # before hours of training, not after
    names = say.networks or ["sward", *(f"sward-fold-{k}" for k in range(PARTS) if say.folds)]
    if len(names) > 1 and len(cards()) > 1 and not say.deal:
        side_by_side(names, cards())
        return
    pictures = read_all(say.labelled, say.rendered, say.real)
    if say.deal:
        SPLIT.write_text(json.dumps(deal(pictures), indent=1, sort_keys=True) + "\n", encoding="utf-8")
    shares = shares_of(names, pictures)
    print({name: len(chosen) for name, chosen in shares.items()}, f"pictures, on {device}", flush=True)
    plan = Plan(say.steps, stop_after_s=say.stop_after_s)
    nets = train_all(pictures, shares, device, plan)
    for name, net in nets.items():
        folder = say.out if name == "sward" else (say.folds or say.out)
        export(net, folder / f"{name}.onnx")
        learnt = set(shares[name])
        tell_scores(name, net.to(device), [p for k, p in enumerate(pictures) if k not in learnt], device)


if __name__ == "__main__":
    main()
