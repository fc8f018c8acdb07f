"""The shipped samples: copied whole but for their truth, and what is there already is kept."""

from __future__ import annotations

from pathlib import Path

import pytest

from turfeye import lawn, samples
from turfeye.errors import LawnError


def test_copies_are_lawns_with_all_their_photos_and_without_their_truth(tmp_path: Path) -> None:
    places = samples.copied(tmp_path)
    assert [place.name for place in places] == ["ferry-cottage", "trial-spots"]
    for place in places:
        shipped = Path(__file__).parent.parent / "sample_images" / place.name
        assert [path.read_bytes() for path in lawn.read(place).photos()] == [
            path.read_bytes() for path in lawn.read(shipped).photos()
        ]
        assert (shipped / "truth").is_dir()
        assert not (place / "truth").exists()


def test_what_is_there_already_is_kept(tmp_path: Path) -> None:
    first, _ = samples.copied(tmp_path)
    gone = lawn.read(first).photos()[0]
    gone.unlink()
    samples.copied(tmp_path)
    assert not gone.exists()


def test_where_none_are_installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(samples, "__file__", str(tmp_path / "turfeye/samples.py"))
    with pytest.raises(LawnError, match="install turfeye again"):
        samples.copied(tmp_path / "demo")
    assert not (tmp_path / "demo").exists()
