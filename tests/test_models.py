"""The model store refuses what is missing, unlisted or changed, and never reads a pickle."""

import hashlib

import numpy as np
import pytest

from turfeye import models
from turfeye.errors import ModelError, TurfeyeError


@pytest.fixture
def store(tmp_path):
    """A store of our own: one file of known digest."""
    (tmp_path / "abc.bin").write_bytes(b"abc")
    # FIPS 180-2, appendix B.1: the digest of "abc"
    digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    (tmp_path / models.SUMS).write_text(f"{digest}  abc.bin\n")
    return tmp_path


def test_agreeing_file_is_read(store):
    assert models.read_bytes("abc.bin", place=store) == b"abc"


def test_changed_file_is_refused(store):
    (store / "abc.bin").write_bytes(b"abd")
    with pytest.raises(ModelError, match=r"has changed.*make train"):
        models.read_bytes("abc.bin", place=store)


def test_one_flipped_bit_of_the_shipped_model_is_refused(tmp_path):
    data = bytearray(models.read_bytes("sward.onnx"))
    (tmp_path / models.SUMS).write_text(f"{hashlib.sha256(data).hexdigest()}  sward.onnx\n")
    data[len(data) // 2] ^= 1
    (tmp_path / "sward.onnx").write_bytes(data)
    with pytest.raises(ModelError, match="has changed"):
        models.load_network("sward.onnx", place=tmp_path)


def test_unlisted_and_missing_files_are_refused(store):
    (store / "stray.bin").write_bytes(b"stray")
    with pytest.raises(ModelError, match=r"no model 'stray.bin'.*abc.bin"):
        models.read_bytes("stray.bin", place=store)
    (store / "abc.bin").unlink()
    with pytest.raises(ModelError, match="could not read it"):
        models.read_bytes("abc.bin", place=store)


def test_a_store_without_list_is_refused(tmp_path):
    with pytest.raises(ModelError, match="list of models"):
        models.read_bytes("abc.bin", place=tmp_path)


def test_a_file_that_is_no_network_is_refused(store):
    with pytest.raises(ModelError, match="could not read the model"):
        models.load_network("abc.bin", place=store)


def test_everything_shipped_agrees_with_the_list():
    listed = (models.folder() / models.SUMS).read_text().splitlines()
    names = {line.partition("  ")[2] for line in listed}
    assert "sward.onnx" in names
    for name in names:
        models.read_bytes(name)
    weights = {path.name for path in models.folder().iterdir() if path.suffix in {".onnx", ".npz"}}
    assert weights <= names, "weights that the list does not guard"


def test_nothing_shipped_is_a_pickle():
    for path in models.folder().iterdir():
        assert path.suffix not in {".pkl", ".pickle", ".joblib", ".pt", ".pth"}
        if path.suffix == ".npz":
            with np.load(path, allow_pickle=False) as arrays:
                for name in arrays:
                    arrays[name]


def test_network_is_read_once_and_runs():
    network = models.load_network("sward.onnx")
    assert models.load_network("sward.onnx") is network
    squares = np.zeros((1, 12, 25, 41), np.float32)  # 50 x 82 pixels, of which a rim of one is not answered
    assert models.run(network, squares).shape == (1, 16, 24, 40)


def test_error_is_a_turfeye_error_and_a_value_error():
    assert issubclass(ModelError, TurfeyeError)
    assert issubclass(ModelError, ValueError)
