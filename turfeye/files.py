"""Files: written so that a stopped run leaves the old or the new one, never half; tables as saved."""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
from pathlib import Path

from turfeye.errors import LawnError

_SEPARATOR = re.compile(r"sep=([,;\t])\s*\n", re.IGNORECASE)


def table_text(path: Path) -> tuple[str, str]:
    """The text of a user's table, and what parts its columns: whichever of , ; tab its first row has most of.

    A line ``sep=;`` before that, by which a spreadsheet is told the same, is no row of it. Raises LawnError
    where it is no UTF-8, FileNotFoundError where it is not there.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise LawnError(
            f"{path} is not UTF-8 text; save it again as UTF-8, in a spreadsheet as the kind 'CSV UTF-8'"
        ) from None
    if told := _SEPARATOR.match(text):
        return text[told.end() :], told[1]
    return text, max(",;\t", key=text.partition("\n")[0].count)


def write_atomic(path: Path | str, data: bytes | str) -> Path:
    """Write ``data``, text as UTF-8, to ``path``: beside it first, flushed to disk, then renamed over it.

    Folders on the way are made; a link stays one, and what it leads to is written. Raises OSError when the
    place can't be written; whatever was there before then stays as it was, and nothing is left beside it.
    """
    path = Path(path)
    there = Path(os.path.realpath(path))
    there.parent.mkdir(parents=True, exist_ok=True)
    try:
        _replace(there, data.encode("utf-8") if isinstance(data, str) else data)
    except OSError as error:
        if error.errno is not None:  # from the system
            error.filename = str(path)  # what the user knows, not the file beside it
        raise
    _sync_folder(there.parent)
    return path


def _replace(path: Path, data: bytes) -> None:
    handle, beside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:100]}.", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(beside, _mode(path))
        os.replace(beside, path)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise


def digest_of(path: Path) -> str:
    """SHA-256 of a file's bytes, hex."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _mode(path: Path) -> int:
    """The old file's permissions, or those a plain new file would get (mkstemp's are private)."""
    if path.exists():
        return path.stat().st_mode & 0o777
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask


def _sync_folder(folder: Path) -> None:
    """Make the rename itself last through a power cut, where the system allows it."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:  # Windows can't open a folder
        return
    try:
        os.fsync(handle)
    except OSError:  # nor can some network drives flush one
        pass
    finally:
        os.close(handle)
