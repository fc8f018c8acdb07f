"""The model store: networks and tables that travel with the package, each checked against its SHA-256.

Models are plain ONNX read by ``cv2.dnn``; nothing here is ever unpickled. In a checkout they lie in
``models/`` beside the package, in an installed wheel in ``turfeye/_models``.
"""

from __future__ import annotations

import hashlib
import threading
from collections.abc import Callable
from functools import cache
from pathlib import Path

import cv2
import numpy as np

from turfeye.errors import ModelError
from turfeye.records import Floats

SUMS = "SHA256SUMS"
"""One line a file, as ``sha256sum`` writes them: 64 hex digits, two spaces, the name."""

_ONE_AT_A_TIME = threading.Lock()
_PLACES = (Path(__file__).parent / "_models", Path(__file__).parent.parent / "models")


def folder() -> Path:
    """Where the models lie: inside an installed package, else beside it in a checkout.

    Raises ModelError when neither place holds a list of models.
    """
    for place in _PLACES:
        if (place / SUMS).is_file():
            return place
    raise ModelError(
        f"wanted the models and their list {SUMS}, looked in {' and '.join(map(str, _PLACES))}, found none; "
        "install turfeye again, or run `make train` in a checkout"
    )


def digest(name: str) -> str:
    """SHA-256 of a model as the list has it, hex.

    >>> len(digest("sward.onnx"))
    64
    """
    return _listed(folder() / SUMS, name)


def read_bytes(name: str, *, place: Path | None = None) -> bytes:
    """A model file's bytes, once they agree with the list.

    Parameters
    ----------
    name : file name in the store, such as ``sward.onnx``
    place : another store than the package's own, with its own ``SHA256SUMS``

    Raises
    ------
    ModelError : not listed, missing, or changed since the list was written
    """
    place = folder() if place is None else place
    wanted = _listed(place / SUMS, name)
    try:
        data = (place / name).read_bytes()
    except OSError as error:
        raise ModelError(
            f"wanted the model {place / name}, could not read it ({error.strerror}); install turfeye again"
        ) from error
    came = hashlib.sha256(data).hexdigest()
    if came != wanted:
        raise ModelError(
            f"the model {place / name} has changed: its SHA-256 is {came[:12]}…, {SUMS} says {wanted[:12]}…; "
            "install turfeye again, or rebuild both with `make train`"
        )
    return data


@cache
def load_network(name: str, *, place: Path | None = None) -> cv2.dnn.Net:
    """An ONNX network ready to run, read once a process.

    A ``Net`` keeps its own work space: set its input and run it in one thread at a time.

    Raises
    ------
    ModelError : as ``read_bytes``, or the file is no network that this OpenCV can read
    """
    data = read_bytes(name, place=place)
    try:
        return cv2.dnn.readNetFromONNX(np.frombuffer(data, np.uint8), engine=cv2.dnn.ENGINE_NEW)
    except cv2.error as error:
        raise ModelError(
            f"OpenCV {cv2.__version__} could not read the model {name} ({error.err}); "
            "turfeye needs opencv-python-headless 5"
        ) from error


def run(network: cv2.dnn.Net, planes: Floats, read: Callable[[Floats], Floats] = np.array) -> Floats:
    """What ``read`` makes of a network's output for (N, C, H, W) float32; by default a copy of it.

    The input is held until the network is done: OpenCV keeps no hold of it. What it hands out is its own work
    space, which the next run writes over, so it is read before that, and only one run goes at a time.
    """
    planes = np.ascontiguousarray(planes, dtype=np.float32)
    with _ONE_AT_A_TIME:
        network.setInput(planes)
        return read(np.asarray(network.forward(), dtype=np.float32))


def _listed(sums: Path, name: str) -> str:
    """The digest that the list gives for a name."""
    try:
        lines = sums.read_text(encoding="utf-8").splitlines()
    except OSError as error:
        raise ModelError(f"wanted the list of models {sums}, could not read it ({error.strerror})") from error
    table = {file: sha for sha, _, file in (line.partition("  ") for line in lines)}
    if name not in table:
        raise ModelError(f"no model {name!r} in {sums}; it lists {', '.join(sorted(table)) or 'nothing'}")
    return table[name]
