"""Figures and dates as people read them, the same in every locale."""

from __future__ import annotations

from datetime import date


def per_cent(share: float) -> str:
    """A share for people.

    >>> per_cent(0.414), per_cent(float("nan"))
    ('41 %', 'not known')
    """
    return "not known" if share != share else f"{100 * share:.0f} %"


MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip


def day(when: date) -> str:
    """A date for people, the same in every locale.

    >>> from datetime import date
    >>> day(date(2026, 5, 9))
    '9 May 2026'
    """
    return f"{when.day} {MONTHS[when.month - 1]} {when.year}"
