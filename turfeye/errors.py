"""Errors: one root, each child also a builtin, each message says what was wanted, what came, what to do.

Never branch on a message's text; branch on the class.
"""

from __future__ import annotations

import errno
from collections.abc import Sequence
from pathlib import Path
from typing import Final

NOT_OURS: Final = (
    errno.EACCES, errno.EPERM, errno.EROFS, errno.ENOSPC, errno.ENOENT, errno.ENOTDIR, errno.EEXIST,
    errno.EISDIR, errno.ENAMETOOLONG, errno.EIO,
)  # fmt: skip
"""What the system refuses: a folder that is read-only, somebody else's or not there, a file in a folder's
place or the other way round, a full disk or one that fails."""
THEIRS: Final = (
    "see whose folder it is and whether it is open elsewhere, or work on a copy in a folder of yours"
)
WHAT_TO_DO: Final = {
    errno.ENOSPC: "the disk is full: make room, and run it again; what was there before is as it was",
    errno.EROFS: "that disk can't be written to: work on a copy in a folder of yours",
    errno.EACCES: THEIRS,
    errno.EPERM: THEIRS,
    errno.ENAMETOOLONG: "give it a shorter name, or a folder less deep",
}
"""By what the system says; of the rest, whether it is there at all."""


MOST_TOLD: Final = 20
"""So many mistakes are read at once; of a column written otherwise in every row the first ones say it all."""


def _listing(message: str, mistakes: Sequence[str]) -> str:
    """A message with its mistakes below it, the first of them where they are very many."""
    more = [f"and {len(mistakes) - MOST_TOLD} more"] if len(mistakes) > MOST_TOLD else []
    return "\n  - ".join([message, *mistakes[:MOST_TOLD], *more])


class TurfeyeError(Exception):
    """Root of everything that turfeye raises on purpose.

    ``said`` is the message without the name of the ``photo`` that it begins with, if it is about one: who
    tells of many photos names them.
    """

    def __init__(self, said: str, *, photo: Path | None = None) -> None:
        self.said = said
        super().__init__(said if photo is None else f"{photo} {said}")


class PhotoError(TurfeyeError, ValueError):
    """The file is there but holds no picture that can be measured (not a picture, truncated, grey only)."""


class PhotoMissingError(TurfeyeError, FileNotFoundError):
    """No such photo."""


class DateError(TurfeyeError, ValueError):
    """A photo has no date, or one that can't be right (before sowing, in the future)."""


class CardError(TurfeyeError, ValueError):
    """No usable reference card in the photo: none, cut off, unreadable, or in other light than the lawn."""


class CardNotFoundError(CardError):
    """No card in the photo, or too little of one to be read."""


class CardTooSmallError(CardNotFoundError):
    """A card seems to lie in the photo, of too few pixels to be read."""


class CardCutOffError(CardError):
    """A card is there, but part of it lies outside the picture."""


class SeveralCardsError(CardError):
    """Cards of different numbers lie in one photo, and nothing says which of them it goes by."""


class SpotUnknownError(CardError):
    """The card in a photo is of no spot that its lawn knows; ``spot`` is its number."""

    def __init__(self, message: str, spot: int) -> None:
        self.spot = spot
        super().__init__(message)


class CardValuesError(CardError):
    """The patches' values can't be used; ``mistakes`` lists all that is wrong with them."""

    def __init__(self, message: str, mistakes: Sequence[str] = ()) -> None:
        self.mistakes = tuple(mistakes)
        super().__init__(_listing(message, self.mistakes))


class ColourError(TurfeyeError, ValueError):
    """The card's patches can't carry a correction (clipped, too few, contradictory)."""


class ViewError(TurfeyeError, ValueError):
    """The camera's pose can't be worked out (corners in the wrong order, degenerate outline)."""


class AlignmentError(TurfeyeError, ValueError):
    """A photo can't be laid over the marked photo of the same view."""


class LawnError(TurfeyeError, ValueError):
    """The lawn folder or its ``lawn.toml`` has mistakes; ``mistakes`` lists all of them.

    >>> error = LawnError("lawn.toml has 1 mistake", ["cell_m: must be above 0; write cell_m = 0.5"])
    >>> print(error)
    lawn.toml has 1 mistake
      - cell_m: must be above 0; write cell_m = 0.5
    """

    def __init__(self, message: str, mistakes: Sequence[str] = (), *, photo: Path | None = None) -> None:
        self.mistakes = tuple(mistakes)
        super().__init__(_listing(message, self.mistakes) if mistakes else message, photo=photo)


class StrokesError(LawnError):
    """What was marked in a lawn's photos can't be used; ``mistakes`` lists all that is wrong with it."""


class LawnMissingError(TurfeyeError, FileNotFoundError):
    """No lawn folder there."""


class ModelError(TurfeyeError, ValueError):
    """A model file is missing, changed (its SHA-256 differs) or of a kind this version can't read."""


class SeasonError(TurfeyeError, ValueError):
    """The dated measurements can't be put in one table (none, other grids, no sowing date)."""


class NoPhotosError(SeasonError):
    """A lawn has no photos yet."""


class NotSownError(SeasonError):
    """A lawn has no sowing yet to count a season from."""


class PlaceError(TurfeyeError, OSError):
    """The system refuses a file or a folder: read-only, somebody else's, not there, or the disk is full."""

    @classmethod
    def of(cls, error: OSError) -> PlaceError:
        """What the system refused, in plain words. Raises ``error`` itself where it is a fault of ours."""
        if error.errno not in NOT_OURS:
            raise error
        do = WHAT_TO_DO.get(error.errno, "see whether it is there and whether the disk works")
        return cls(f"can't use {error.filename or 'the folder'}: {error.strerror}; {do}")
