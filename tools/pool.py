"""Many pictures made side by side, a process each; one that fails is told and the others go on."""

from __future__ import annotations

import multiprocessing
import traceback
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor, as_completed


def run(make: Callable[..., str], jobs: Iterable[tuple], *, workers: int) -> None:
    """Call ``make`` with each job's arguments and print what it says as it comes."""
    with ProcessPoolExecutor(workers, mp_context=multiprocessing.get_context("spawn")) as processes:
        for done in as_completed([processes.submit(make, *job) for job in jobs]):
            try:
                print(done.result(), flush=True)
            except Exception:
                traceback.print_exc()
