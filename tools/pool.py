"""Many pictures made side by side, a process each; one that fails is told and the others go on.

Processes take turns with the graphics cards that are there, and the first picture is made alone: what was
compiled for it is kept, where a hundred processes that compile the same at once take minutes.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import os
import shutil
import subprocess
import time
import traceback
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor, as_completed, wait
from multiprocessing.sharedctypes import Synchronized
from pathlib import Path


def add_arguments(parser: argparse.ArgumentParser, *, count: int, first: int = 0, workers: int = 1) -> None:
    """Where pictures go, of which seeds they are, how many are made at once and for how long."""
    parser.add_argument("out", type=Path)
    parser.add_argument("--first", type=int, default=first)
    parser.add_argument("--count", type=int, default=count)
    parser.add_argument("--workers", type=int, default=workers)
    parser.add_argument("--stop-after-s", type=float, default=math.inf)


def seeds(args: argparse.Namespace) -> range:
    """Those asked for."""
    return range(args.first, args.first + args.count)


def main(make: Callable[[Path, int], str], about: str | None, *, count: int = 20) -> None:
    """A program that makes a picture a seed, by ``make(out, seed)``, and does nothing else."""
    parser = argparse.ArgumentParser(description=about, formatter_class=argparse.RawDescriptionHelpFormatter)
    add_arguments(parser, count=count)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    jobs = ((args.out, seed) for seed in seeds(args))
    run(make, jobs, workers=args.workers, stop_after_s=args.stop_after_s)


def run(
    make: Callable[..., str], jobs: Iterable[tuple], *, workers: int, stop_after_s: float = math.inf
) -> None:
    """Call ``make`` with each job's arguments and print what it says as it comes; none begins too late."""
    deadline, late = time.time() + stop_after_s, 0
    context, every = multiprocessing.get_context("spawn"), cards()
    with ProcessPoolExecutor(workers, context, _take_card, (context.Value("i", 0), every)) as processes:
        asked = []
        for job in jobs:
            asked.append(processes.submit(_in_time, deadline, make, job))
            if every and len(asked) == 1:
                wait(asked)
        for done in as_completed(asked):
            try:
                said = done.result()
            except Exception:
                traceback.print_exc()
                continue
            if said is None:
                late += 1
            else:
                print(said, flush=True)
    if late:
        print(f"{late} left out: no time")


def cards() -> list[str]:
    """The graphics cards that programs may use, as CUDA_VISIBLE_DEVICES names them."""
    allowed = os.environ.get("CUDA_VISIBLE_DEVICES")
    if allowed is not None:
        return [name for name in allowed.split(",") if name]
    if shutil.which("nvidia-smi") is None:
        return []
    listed = subprocess.run(["nvidia-smi", "--list-gpus"], capture_output=True, text=True, check=False).stdout
    return [str(number) for number, line in enumerate(listed.splitlines()) if line.startswith("GPU ")]


def _take_card(taken: Synchronized[int], cards: list[str]) -> None:
    """Give a process that begins the next of the cards."""
    with taken.get_lock():
        number, taken.value = taken.value, taken.value + 1
    if cards:
        os.environ["CUDA_VISIBLE_DEVICES"] = cards[number % len(cards)]


def _in_time(deadline: float, make: Callable[..., str], job: tuple) -> str | None:
    return make(*job) if time.time() <= deadline else None
