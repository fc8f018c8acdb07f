"""Figures and dates as people read them, the same in every locale."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date


def per_cent(share: float) -> str:
    """A share for people.

    >>> per_cent(0.414), per_cent(float("nan"))
    ('41 %', 'not known')
    """
    return "not known" if share != share else f"{100 * share:.0f} %"


VERY_LIKELY, LIKELY = 0.9, 2 / 3
"""Chances from which something is called so, as by the Intergovernmental Panel on Climate Change (Mastrandrea
and others 2010, Guidance note on consistent treatment of uncertainties, table 1; from memory)."""


def likelihood(chance: float) -> str:
    """How sure something is, in words; "" where it is open.

    >>> [likelihood(chance) for chance in (0.97, 0.7, 0.5)]
    ['very likely', 'likely', '']
    """
    return "very likely" if chance >= VERY_LIKELY else "likely" if chance >= LIKELY else ""


def open_until(look: date | None) -> str:
    """When more will be known of what is open: at the next photo's date, if any.

    >>> open_until(None)
    'photograph it once more'
    """
    return f"a photo around {short_day(look)} will tell" if look else "photograph it once more"


def wont_fill(chance: float, look: date | None) -> str:
    """That something thin won't fill, as surely as that is known; ``look`` is when the next photo will tell.

    >>> from datetime import date
    >>> wont_fill(0.94, None)
    "very likely it won't fill in (94 %)"
    >>> wont_fill(0.52, date(2026, 4, 12))
    "whether it fills in is still open (52 % that it won't): a photo around 12 April will tell"
    """
    if sure := likelihood(chance):
        return f"{sure} it won't fill in ({'over 99 %' if chance > 0.99 else per_cent(chance)})"
    return f"whether it fills in is still open ({per_cent(chance)} that it won't): {open_until(look)}"


def together_m2(areas_m2: Iterable[float]) -> float:
    """The sum of areas that are shown to a hundredth of a square metre one by one, so that it is theirs.

    >>> together_m2([0.104] * 100)
    10.0
    """
    return round(sum(round(m2, 2) for m2 in areas_m2), 2)


def square_metres(m2: float) -> str:
    """An area for people, with its unit: to a tenth of a square metre, below ten to a hundredth as in plans.

    >>> [square_metres(m2) for m2 in (13.52, 2.5, 0.04, 0.002, 0.0)]
    ['13.5 m²', '2.50 m²', '0.04 m²', 'under 0.01 m²', '0 m²']
    """
    if m2 == 0:
        return "0 m²"
    if m2 < 0.005:
        return "under 0.01 m²"
    return f"{m2:.{1 if m2 >= 9.995 else 2}f} m²"


def ordinal(index: int) -> str:
    """Which one of several it is, as people count: from 1; ``index`` counts from 0.

    >>> [ordinal(index) for index in (0, 1, 2, 3, 10, 11, 20, 111)]
    ['1st', '2nd', '3rd', '4th', '11th', '12th', '21st', '112th']
    """
    number = index + 1
    teens = number % 100 in (11, 12, 13)
    return f"{number}{'th' if teens else {1: 'st', 2: 'nd', 3: 'rd'}.get(number % 10, 'th')}"


def so_many(number: int, one: str, many: str = "") -> str:
    """A number of things for people; ``many`` is what several are called where an s doesn't make it.

    >>> so_many(1, "bag"), so_many(3, "bag"), so_many(0, "patch", "patches")
    ('1 bag', '3 bags', '0 patches')
    """
    return f"{number} {one if number == 1 else many or one + 's'}"


def listed(parts: Iterable[object]) -> str:
    """Things in a row for people.

    >>> listed([3]), listed([3, 4]), listed([3, 4, 9])
    ('3', '3 and 4', '3, 4 and 9')
    """
    *first, last = map(str, parts)
    return f"{', '.join(first)} and {last}" if first else last


def as_line(text: str) -> str:
    """Words as a line of their own: a capital first, a full stop last.

    >>> as_line("too early, wait"), as_line("Look there."), as_line("")
    ('Too early, wait.', 'Look there.', '')
    """
    return text[:1].upper() + text[1:] + ("" if text[-1:] in ("", ".", "?", "!") else ".")


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
    return f"{short_day(when)} {when.year}"


def short_day(when: date) -> str:
    """A date without its year, where that is clear.

    >>> from datetime import date
    >>> short_day(date(2026, 5, 9))
    '9 May'
    """
    return f"{when.day} {MONTHS[when.month - 1]}"


def on_days(days: Iterable[date]) -> str:
    """On which days something was, or from when to when where there are several.

    >>> from datetime import date
    >>> on_days([date(2026, 5, 9)]), on_days([date(2026, 5, 9), date(2026, 3, 14), date(2026, 3, 20)])
    ('on 9 May 2026', 'on 3 days from 14 March to 9 May 2026')
    """
    every = sorted(set(days))
    first, last = every[0], every[-1]
    if first == last:
        return f"on {day(last)}"
    begun = short_day(first) if first.year == last.year else day(first)
    return f"on {len(every)} days from {begun} to {day(last)}"


def brief_day(when: date) -> str:
    """A date where there is hardly room, the same in every locale.

    >>> from datetime import date
    >>> brief_day(date(2026, 9, 14))
    '14 Sep'
    """
    return f"{when.day} {MONTHS[when.month - 1][:3]}"
