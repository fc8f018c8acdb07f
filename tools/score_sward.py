"""Score the sward classifier on the real sets, every picture by the model that never saw its plot or run.

    python tools/score_sward.py FOLDER

FOLDER holds ``wheat_series/`` and ``peanut_field/``. The five fold models are the same network and recipe as
the shipped one, each trained without one part of tools/sward-split.json. Pictures are judged as they are.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from sward_pictures import PARTS, part_of, read_peanut, read_split, read_wheat, score

from turfeye import models, sward

FOLDS = Path(__file__).parent.parent / "tests" / "data" / "sward-folds"


def score_labelled(folder: Path, *, folds: Path = FOLDS) -> dict[str, dict[str, float]]:
    """Per set: intersection over union of plant and of the rest, cover error and bias in points."""
    split = read_split()
    networks = [models.load_network(f"sward-fold-{k}.onnx", place=folds) for k in range(PARTS)]
    found = {}
    for name, pictures in (("wheat", read_wheat(folder)), ("peanut", read_peanut(folder))):
        if not pictures:
            raise SystemExit(f"no pictures of the set {name} in {folder}: nothing is scored")
        guesses = (sward.judge(networks[part_of(p, split)], p.rgb)[0] for p in pictures)
        truths = (p.shares[..., 0] / 255 for p in pictures)
        found[name] = score(zip(guesses, truths, strict=True))
    return found


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("folder", type=Path)
    ask.add_argument("--folds", type=Path, default=FOLDS)
    say = ask.parse_args()
    for name, figures in score_labelled(say.folder, folds=say.folds).items():
        print(name, json.dumps({key: round(value, 4) for key, value in figures.items()}))


if __name__ == "__main__":
    main()
