"""Score the sward classifier on the real sets, every picture by the model that never saw its plot or run.

    python tools/score_sward.py FOLDER

FOLDER holds ``wheat_series/`` and ``peanut_field/``. The five fold models are the same network and recipe as
the shipped one, each trained without one part of tools/sward-split.json; two more have learnt from one of the
sets alone and are scored on all of the other. Pictures are judged as they are.
"""

from __future__ import annotations

import argparse
import itertools
import json
from collections.abc import Iterable
from pathlib import Path

import cv2
from sward_pictures import PARTS, Picture, part_of, read_peanut, read_split, read_wheat, score

from turfeye import models, sward

FOLDS = Path(__file__).parent.parent / "tests" / "data" / "sward-folds"


def score_labelled(folder: Path, *, folds: Path = FOLDS) -> dict[str, dict[str, float]]:
    """Per set: intersection over union of plant and of the rest, cover error and bias in points."""
    split = read_split()
    networks = [models.load_network(f"sward-fold-{k}.onnx", place=folds) for k in range(PARTS)]
    return {
        name: _scored((networks[part_of(picture, split)], picture) for picture in pictures)
        for name, pictures in _labelled(folder).items()
    }


def score_across(folder: Path, *, folds: Path = FOLDS) -> dict[str, dict[str, float]]:
    """The same per set, by the model that has learnt from the other set alone: another plant and camera."""
    sets = _labelled(folder)
    found = {}
    for name, other in itertools.permutations(sets, 2):
        network = models.load_network(f"only-{other}.onnx", place=folds)
        found[name] = _scored((network, picture) for picture in sets[name])
    return found


def _labelled(folder: Path) -> dict[str, list[Picture]]:
    sets = {"wheat": read_wheat(folder), "peanut": read_peanut(folder)}
    for name, pictures in sets.items():
        if not pictures:
            raise SystemExit(f"no pictures of the set {name} in {folder}: nothing is scored")
    return sets


def _scored(judged: Iterable[tuple[cv2.dnn.Net, Picture]]) -> dict[str, float]:
    """Pictures, each by its network."""
    return score((sward.judge(network, p.rgb)[0], p.shares[..., 0] / 255) for network, p in judged)


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("folder", type=Path)
    ask.add_argument("--folds", type=Path, default=FOLDS)
    say = ask.parse_args()
    for title, scores in (("kept out", score_labelled), ("by the other set alone", score_across)):
        for name, figures in scores(say.folder, folds=say.folds).items():
            print(name, title, json.dumps({key: round(value, 4) for key, value in figures.items()}))


if __name__ == "__main__":
    main()
