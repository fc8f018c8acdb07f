"""Teaching: what the classifier learns of one lawn from strokes marked in its photos.

The network's shares s of the marked classes are moved by a small model of the corrected colour,

    share_k = (sum of s over the marked classes) * softmax_k(log s_k + sum_f B_fk phi_f),

phi = (1, log(R/G), log(B/G)) of the pixel. A class that nobody marked keeps its share. A ridge
holds B at 0, which is the untaught network (multinomial logistic regression with an offset; Hastie,
Tibshirani and Friedman, Elements of Statistical Learning, 2nd ed., 4.4). Turf has gaps, so a stroke
promises four fifths of what it says: up to there its mean share is pulled, never beyond.

It is kept only where it reads strokes better that were left out of learning (`judge`).
"""

from __future__ import annotations

import hashlib
import json
import shlex
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from turfeye import notes, strokes
from turfeye.errors import LawnError, StrokesError
from turfeye.files import write_atomic
from turfeye.lawn import Lawn
from turfeye.records import CLASSES, SCHEMA, Floats, Shares
from turfeye.strokes import Stroke
from turfeye.words import so_many

FILE_NAME = "taught.json"
FEWEST_STROKES = 6
"""Four could never pass `judge`: tossed signs are all alike in 1 of 16 cases. Six pass if they all gain."""
FEWEST_OF_A_CLASS = 2  # one left out must leave one to learn from
FEWEST_PIXELS = 30
"""A stroke must cover as many pixels at the working scale."""
PROMISED = 0.8
"""Share that a stroke promises of what it says; rendered turf marked as dense is 75-90 % green."""
ENOUGH = 0.7
"""Share above which a stroke counts as read right. Where cells are within 4 points of the truth, strokes
are read at 0.6-0.9 as it is: pulled further they look better, and cells are not (tools/bench_teach.py)."""
STROKE_SD = 0.1  # of what a stroke promises
RIDGE, RIDGE_BIAS = 4.0, 40.0
"""On the colours' weights, and ten times that on the shift that ignores colour and moves all mixed pixels."""
SMOOTH_PX = 1.0  # over which colours are averaged, against a camera's noise
COLOUR_SD = 0.3  # of log R/G and log B/G over turf, so that one ridge fits both
PIXELS_A_STROKE = 200
"""A longer stroke has no more say, and takes no longer."""
LEAST_GAIN, MOST_LOSS, LUCK = 0.03, 0.02, 0.05
"""What is learnt is kept where strokes left out are read better by so much (0-1), none of their classes worse
by so much, and luck alone gives as much in fewer cases than the last: so often, among _FLIPS random signs of
the gains (a sign-flip permutation test). Ours."""
_FLIPS = 4096
_LEAST_SHARE = 1e-3  # below it a share's logarithm says nothing


@dataclass(frozen=True, slots=True)
class Score:
    """How much of the strokes of one class was read as that class while they were left out, 0-1."""

    shows: str
    strokes: int
    before: float
    after: float


@dataclass(frozen=True, eq=False, slots=True)
class Teaching:
    """What was learnt for a lawn."""

    classes: tuple[str, ...]  # the marked ones
    weights: Floats  # (3, classes)
    network: str  # SHA-256 of the network on whose shares it stands
    strokes: tuple[Stroke, ...]
    scores: tuple[Score, ...]

    @property
    def digest(self) -> str:
        """Of all that changes a result."""
        facts = [self.classes, self.weights.tolist(), self.network]
        return hashlib.sha256(json.dumps(facts).encode()).hexdigest()

    @property
    def photos(self) -> tuple[str, ...]:
        """Names of the photos that were marked."""
        return tuple(dict.fromkeys(stroke.photo for stroke in self.strokes))

    @property
    def read_right(self) -> str:
        """How much of the strokes of each class was read right while they were left out, in words."""
        return ", ".join(f"{s.shows} {100 * s.before:.0f} → {100 * s.after:.0f} %" for s in self.scores)

    @property
    def sentence(self) -> str:
        """For everything that shows a result of this lawn."""
        photos = f"{so_many(len(self.photos), 'photo')} ({notes.some(self.photos)})"
        learnt = f"The classifier is taught for this lawn: {len(self.strokes)} strokes in {photos}"
        return f"{learnt}; left out, they were read right: {self.read_right}"

    @property
    def as_facts(self) -> dict[str, Any]:
        """The same for programs, plain JSON: beside every figure that rests on it."""
        return {
            "sentence": self.sentence,
            "strokes": len(self.strokes),
            "photos": list(self.photos),
            "left_out": [asdict(score) for score in self.scores],
        }


@dataclass(frozen=True, eq=False, slots=True)
class Sample:
    """The pixels of one stroke."""

    stroke: Stroke
    shares: Floats  # (N, 4)
    colours: Floats  # (N, 3), what `features` gives


@dataclass(frozen=True, eq=False, slots=True)
class Lesson:
    """What came of marks: a teaching, and whether it is worth keeping."""

    teaching: Teaching
    kept: bool
    because: str
    left_out: str  # what was left out at a time: "photos" or "strokes"
    luck: float  # chance of such a gain if teaching did nothing


def features(rgb_linear: Floats) -> Floats:
    """(H, W, 3) from a corrected picture (H, W, 3): 1, log(R/G), log(B/G), the two scaled and held to ±3."""
    light = np.maximum(cv2.GaussianBlur(np.asarray(rgb_linear, np.float32), (0, 0), SMOOTH_PX), 1e-3)
    ratios = np.log(light[..., [0, 2]] / light[..., 1:2]) / COLOUR_SD
    return np.concatenate([np.ones_like(light[..., :1]), np.clip(ratios, -3, 3)], axis=-1)


def adapted(shares: Shares, rgb_linear: Floats, teaching: Teaching) -> Shares:
    """The shares of a picture as a taught lawn has them; the corrected picture is of the same size."""
    planes = {name: getattr(shares, name) for name in CLASSES}
    old = np.stack([planes[name] for name in teaching.classes], axis=-1)
    new = _moved(old, features(rgb_linear), teaching.weights)
    return Shares(**{**planes, **{name: new[..., i] for i, name in enumerate(teaching.classes)}})


def _moved(shares: Floats, colours: Floats, weights: Floats) -> Floats:
    """Shares (..., K) of the marked classes traded among themselves."""
    total = shares.sum(axis=-1, keepdims=True)
    return np.asarray(_softmax(shares, colours, weights) * total, shares.dtype)


def _softmax(shares: Floats, colours: Floats, weights: Floats) -> Floats:
    z = np.log(np.maximum(shares, _LEAST_SHARE)) + colours @ weights.astype(colours.dtype)
    z = np.exp(z - z.max(axis=-1, keepdims=True))
    return np.asarray(z / z.sum(axis=-1, keepdims=True))


def sample(
    marked: Sequence[Stroke], shares: Shares, rgb_linear: Floats, full_px: tuple[int, int]
) -> list[Sample]:
    """The pixels of the strokes of one photo, from its working copy.

    Raises StrokesError where a stroke is too small to be judged.
    """
    height, width = shares.green.shape
    planes = np.stack([getattr(shares, name) for name in CLASSES], axis=-1)
    colours = features(rgb_linear)
    taken, mistakes = [], []
    for number, stroke in enumerate(marked):
        rows, cols = np.nonzero(stroke.mask((width, height), full_px))
        if len(rows) < FEWEST_PIXELS:
            mistakes.append(
                f"{stroke.photo}: stroke {number} ({stroke.shows}) covers {len(rows)} pixels of the picture "
                f"as it is measured, wanted {FEWEST_PIXELS}; draw it larger"
            )
            continue
        step = np.linspace(0, len(rows) - 1, min(PIXELS_A_STROKE, len(rows))).astype(int)
        taken.append(Sample(stroke, planes[rows[step], cols[step]], colours[rows[step], cols[step]]))
    if mistakes:
        raise StrokesError("nothing was taught", mistakes)
    return taken


def learn(samples: Sequence[Sample], *, network: str) -> Lesson:
    """Fit, and judge on what is left out.

    Raises StrokesError with too few strokes or one class only.
    """
    _check_enough(samples)
    shows = np.array([CLASSES.index(one.stroke.shows) for one in samples])
    classes = tuple(CLASSES[k] for k in sorted(set(shows.tolist())))
    folds, left_out = _folds(samples)
    before = np.array([_read(one) for one in samples])
    after = np.empty(len(samples))
    for out in folds:
        weights = _fit([one for i, one in enumerate(samples) if i not in out], classes)
        for i in out:
            after[i] = _read(samples[i], classes, weights)
    scores = tuple(
        Score(name, int(np.sum(mine)), float(before[mine].mean()), float(after[mine].mean()))
        for name in classes
        for mine in [shows == CLASSES.index(name)]
    )
    kept, luck, because = judge(before, after, shows)
    teaching = Teaching(
        classes, _fit(samples, classes), network, tuple(one.stroke for one in samples), scores
    )
    return Lesson(teaching, kept, because, left_out, luck)


def _check_enough(samples: Sequence[Sample]) -> None:
    counts = {name: sum(one.stroke.shows == name for one in samples) for name in CLASSES}
    told = ", ".join(f"{count} {name}" for name, count in counts.items() if count) or "none"
    lonely = [name for name, count in counts.items() if 0 < count < FEWEST_OF_A_CLASS]
    if len(samples) < FEWEST_STROKES or sum(map(bool, counts.values())) < 2 or lonely:
        raise StrokesError(
            f"wanted at least {FEWEST_STROKES} strokes, of two classes or more with {FEWEST_OF_A_CLASS} or "
            f"more each, found {told}; mark more places, in several photos if you can"
        )


def _folds(samples: Sequence[Sample]) -> tuple[list[set[int]], str]:
    """Which samples are left out together: whole photos where the others can teach, else single strokes."""
    photos: dict[str, set[int]] = {}
    for i, one in enumerate(samples):
        photos.setdefault(one.stroke.photo, set()).add(i)
    classes = {one.stroke.shows for one in samples}

    def can_teach(out: set[int]) -> bool:
        return {one.stroke.shows for i, one in enumerate(samples) if i not in out} == classes

    if len(photos) > 1 and all(can_teach(out) for out in photos.values()):
        return list(photos.values()), "photos"
    return [{i} for i in range(len(samples))], "strokes"


def judge(before: Floats, after: Floats, shows: Floats) -> tuple[bool, float, str]:
    """Whether strokes left out are really read better.

    Each stroke gains what more of it is read as marked, counted up to `ENOUGH`, and each class weighs the
    same. Kept if the mean gain is 3 points or more, no class loses more than 2, and a gain as large comes up
    in at most 5 % of cases when the strokes' gains get their signs by tossing coins.

    Returns
    -------
    kept, the chance of such a gain by luck, why in words
    """
    gain = np.minimum(after, ENOUGH) - np.minimum(before, ENOUGH)
    classes = sorted(set(shows.tolist()))
    weight = np.array([1 / (len(classes) * np.sum(shows == k)) for k in shows])
    total = float(weight @ gain)
    signs = np.random.default_rng(0).choice([-1.0, 1.0], (_FLIPS, len(gain)))
    luck = float((np.sum(signs @ (weight * gain) >= total - 1e-12) + 1) / (_FLIPS + 1))
    worst = min((float(gain[shows == k].mean()), CLASSES[k]) for k in classes)
    if total < LEAST_GAIN:
        little = ": too little to matter" if total >= 0 else ""
        return False, luck, f"what was left out is read {_better(total)}{little}"
    if worst[0] < -MOST_LOSS:
        return False, luck, f"{worst[1]} that was left out is read {-100 * worst[0]:.1f} points worse"
    if luck > LUCK:
        return (
            False,
            luck,
            f"a gain like this comes by chance in {100 * luck:.0f} % of cases: mark more places",
        )
    return True, luck, f"what was left out is read {_better(total)}, which is hardly luck"


def _better(gain: float) -> str:
    """How much better, or worse, marked places are read, in words."""
    return f"{100 * abs(gain):.1f} points {'better' if gain >= 0 else 'worse'}"


def _read(one: Sample, classes: tuple[str, ...] = (), weights: Floats | None = None) -> float:
    """Mean share of a stroke that is read as what it shows."""
    column = CLASSES.index(one.stroke.shows)
    if weights is None:
        return float(one.shares[:, column].mean())
    moved = _moved(one.shares[:, [CLASSES.index(name) for name in classes]], one.colours, weights)
    return float(moved[:, classes.index(one.stroke.shows)].mean())


def _fit(samples: Sequence[Sample], classes: tuple[str, ...]) -> Floats:
    """(3, K) weights: ridge against strokes short of what they promise, classes weighing the same."""
    from scipy.optimize import minimize

    columns = [CLASSES.index(name) for name in classes]
    shares = np.concatenate([one.shares[:, columns] for one in samples]).astype(float)
    colours = np.concatenate([one.colours for one in samples]).astype(float)
    sizes = np.array([len(one.shares) for one in samples])
    stroke = np.repeat(np.arange(len(samples)), sizes)
    shows = np.array([classes.index(one.stroke.shows) for one in samples])
    own = (np.arange(len(stroke)), shows[stroke])
    count = np.bincount(shows, minlength=len(classes))
    weight = len(samples) / (np.count_nonzero(count) * count[shows]) / STROKE_SD**2
    total = shares.sum(axis=1)
    ridge = np.array([RIDGE_BIAS, RIDGE, RIDGE])[:, None]

    def loss(flat: Floats) -> tuple[float, Floats]:
        now = flat.reshape(3, -1)
        part = _softmax(shares, colours, now)
        mean = np.bincount(stroke, part[own] * total) / sizes
        short = np.maximum(PROMISED - mean, 0)
        pull = -(weight * short / sizes)[stroke] * total * part[own]
        slope = -part * pull[:, None]
        slope[own] += pull
        value = 0.5 * np.sum(weight * short**2) + 0.5 * np.sum(ridge * now**2)
        return float(value), (colours.T @ slope + ridge * now).ravel()

    start = np.zeros(3 * len(classes))
    found = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": 300})
    return np.asarray(found.x.reshape(3, -1))


def read(place: Lawn) -> Teaching | None:
    """What a lawn is taught; None where it is not. Raises LawnError when its file is damaged."""
    path = place.folder / FILE_NAME
    if not path.is_file():
        return None
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
        if content["schema"] != SCHEMA:
            raise ValueError(f"its schema is {content['schema']}")
        return _from_json(content)
    except (ValueError, KeyError, TypeError) as error:
        raise LawnError(
            f"{path} can't be read ({error}); drop it with turfeye teach {shlex.quote(str(place.folder))} "
            "--drop, and teach again"
        ) from None


def _from_json(content: dict[str, Any]) -> Teaching:
    learnt = content["taught"]
    weights = np.array(learnt["weights"], dtype=float)
    classes = tuple(learnt["classes"])
    if (
        weights.shape != (3, len(classes))
        or not np.isfinite(weights).all()
        or not set(classes) <= set(CLASSES)
    ):
        raise ValueError("its weights are no numbers for its classes")
    scores = tuple(Score(**score) for score in learnt["left_out"])
    return Teaching(classes, weights, str(learnt["network"]), strokes.from_photos(content["photos"]), scores)


def left_aside(path: Path) -> list[str]:
    """What to say of a photo in the folder of a taught lawn that is looked at alone, as any lawn's."""
    folder = path.absolute().parent.parent
    if not (folder / FILE_NAME).is_file():
        return []
    season = shlex.join(["turfeye", "season", str(folder)])
    return [f"read without what its lawn is taught; {season} reads it with that"]


def save(place: Lawn, teaching: Teaching) -> Path:
    """Write it to the lawn's folder: a marks file with what was learnt beside the strokes."""
    learnt = {
        "network": teaching.network,
        "classes": list(teaching.classes),
        "weights": teaching.weights.tolist(),
        "left_out": [asdict(score) for score in teaching.scores],
    }
    content = {"schema": SCHEMA, "photos": strokes.as_photos(teaching.strokes), "taught": learnt}
    text = json.dumps(content, ensure_ascii=False, indent=1) + "\n"
    return write_atomic(place.folder / FILE_NAME, text)


def drop(place: Lawn) -> bool:
    """Forget what a lawn is taught; whether there was anything."""
    path = place.folder / FILE_NAME
    there = path.is_file()
    path.unlink(missing_ok=True)
    return there
