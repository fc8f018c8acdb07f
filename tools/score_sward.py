"""Score the sward classifier on the real sets, every picture by the model that never saw its plot or run.

    python tools/score_sward.py FOLDER [--rendered rendered/bench]

FOLDER holds ``wheat_series/`` and ``peanut_field/``. The five fold models are the same network and recipe as
the shipped one, each trained without one part of tools/sward-split.json; two more have learnt from one of the
sets alone and are scored on all of the other. Pictures are judged as they are. Of rendered photos with a card
all four classes are scored, by the network that ships, in the cells of a spot or a lawn.
"""

from __future__ import annotations

import argparse
import itertools
import json
from collections.abc import Iterable
from pathlib import Path

import cv2
import numpy as np
from rendered_truth import card_in, lawn_view, pictures, shares
from sward_pictures import PARTS, Picture, part_of, read_peanut, read_split, read_wheat, score

from turfeye import glance, models, survey, sward
from turfeye.records import CLASSES

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
    for name, found in sets.items():
        if not found:
            raise SystemExit(f"no pictures of the set {name} in {folder}: nothing is scored")
    return sets


def _scored(judged: Iterable[tuple[cv2.dnn.Net, Picture]]) -> dict[str, float]:
    """Pictures, each by its network."""
    return score((sward.judge(network, p.rgb)[0], p.shares[..., 0] / 255) for network, p in judged)


def score_classes(folders: list[Path]) -> dict[str, dict[str, dict[str, float]]]:
    """Per kind of photo and class: error (mean absolute), bias and true mean of cells' shares, in points."""
    spots = [shares(survey.look(picture).table, picture) for picture in pictures(folders, "spot")]
    lawns = []
    for picture in pictures(folders, "lawn"):
        shot, seen, grid = lawn_view(picture)
        if (sighting := card_in(shot)) is not None:
            lawns.append(shares(glance.look_through(shot, seen, grid, sighting=sighting).table, picture))
    found = {}
    for kind, cells in (("spots, 10 cm", spots), ("lawn views, 50 cm", lawns)):
        off = 100 * np.concatenate(cells or [np.empty((0, 4, 2))])
        miss = off[..., 0] - off[..., 1]
        found[f"{kind}, {len(cells)} photos, {len(off)} cells"] = {
            name: {"mae": np.abs(miss[:, k]).mean(), "bias": miss[:, k].mean(), "true": off[:, k, 1].mean()}
            for k, name in enumerate(CLASSES)
            if len(off)
        }
    return found


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("folder", type=Path)
    ask.add_argument("--folds", type=Path, default=FOLDS)
    ask.add_argument("--rendered", type=Path, nargs="+", default=[])
    say = ask.parse_args()
    for title, scores in (("kept out", score_labelled), ("by the other set alone", score_across)):
        for name, figures in scores(say.folder, folds=say.folds).items():
            print(name, title, json.dumps({key: round(value, 4) for key, value in figures.items()}))
    for kind, classes in score_classes(say.rendered).items() if say.rendered else ():
        for name, figures in classes.items():
            print(kind, name, json.dumps({key: round(float(value), 1) for key, value in figures.items()}))


if __name__ == "__main__":
    main()
