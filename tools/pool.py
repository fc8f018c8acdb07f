"""Many pictures made side by side, a process each; one that fails is told and the others go on."""

from __future__ import annotations

import argparse
import math
import multiprocessing
import time
import traceback
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor, as_completed
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


def run(
    make: Callable[..., str], jobs: Iterable[tuple], *, workers: int, stop_after_s: float = math.inf
) -> None:
    """Call ``make`` with each job's arguments and print what it says as it comes; none begins too late."""
    deadline, late = time.time() + stop_after_s, 0
    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as processes:
        for done in as_completed([processes.submit(_in_time, deadline, make, job) for job in jobs]):
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


def _in_time(deadline: float, make: Callable[..., str], job: tuple) -> str | None:
    return make(*job) if time.time() <= deadline else None
