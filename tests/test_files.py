"""Atomic writes: the old file or the new one, never half of either."""

import os

import pytest

from turfeye.files import table_text, write_atomic


def test_writes_and_makes_folders(tmp_path):
    path = write_atomic(tmp_path / "a" / "b" / "c.csv", b"row,col\n")
    assert path.read_bytes() == b"row,col\n"
    assert list(path.parent.iterdir()) == [path]


def test_replaces_and_keeps_permissions(tmp_path):
    path = tmp_path / "lawn.toml"
    path.write_bytes(b"old")
    path.chmod(0o640)
    write_atomic(path, b"new")
    assert path.read_bytes() == b"new"
    assert path.stat().st_mode & 0o777 == 0o640


def test_new_file_is_readable_like_any_other(tmp_path):
    plain = tmp_path / "plain"
    plain.write_bytes(b"")
    written = write_atomic(tmp_path / "written", b"")
    assert written.stat().st_mode == plain.stat().st_mode


def test_a_failed_write_leaves_the_old_file_and_nothing_beside_it(tmp_path, monkeypatch):
    path = tmp_path / "plan.csv"
    path.write_bytes(b"old")

    def full_disk(handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full_disk)
    with pytest.raises(OSError, match="No space") as error:
        write_atomic(path, b"new")
    assert error.value.filename == str(path)  # a full disk names none
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_link_stays_one_and_what_it_leads_to_is_written(tmp_path):
    """A lawn.toml kept elsewhere: the link was replaced by a file, and what it led to stayed as it was."""
    real, link = tmp_path / "synced" / "lawn.toml", tmp_path / "lawn.toml"
    write_atomic(real, b"old")
    link.symlink_to(real)
    assert write_atomic(link, b"new") == link
    assert link.is_symlink()
    assert real.read_bytes() == b"new"
    assert list(real.parent.iterdir()) == [real]


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_a_first_line_that_names_the_sign_between_columns_is_no_row(tmp_path, end):
    """As spreadsheets write and read it: the sign may then be another than the names would tell."""
    path = tmp_path / "a.csv"
    path.write_bytes(f"\ufeffSEP=;{end}plot;a, b, c{end}".encode())
    assert table_text(path) == ("plot;a, b, c\n", ";")
