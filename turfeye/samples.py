"""The shipped sample lawns, which are rendered and invented."""

from __future__ import annotations

import shutil
from pathlib import Path

from turfeye.errors import LawnError
from turfeye.lawn import FILE_NAME


def copied(folder: Path) -> tuple[Path, ...]:
    """Copy each to a folder of its own there, without its truth; one that is there already is kept.

    Raises LawnError where the samples are not installed.
    """
    there = []
    for sample in sorted(path.parent for path in _home().glob(f"*/{FILE_NAME}")):
        target = folder / sample.name
        if not (target / FILE_NAME).is_file():
            shutil.copytree(sample, target, ignore=shutil.ignore_patterns("truth"))
        there.append(target)
    return tuple(there)


def _home() -> Path:
    """Where they are: in an installed wheel, else in the checkout."""
    here = Path(__file__).parent
    for place in (here / "_sample_images", here.parent / "sample_images"):
        if any(place.glob(f"*/{FILE_NAME}")):
            return place
    raise LawnError("the sample lawns are not installed; install turfeye again")
