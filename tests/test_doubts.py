"""What is said of a season's photos: that one visit alone carries it, and many photos in one line."""

from types import SimpleNamespace

import numpy as np
import pytest

from turfeye import doubts, notes


@pytest.mark.parametrize(
    ("ages", "said"),
    [((20.0,), 1), ((14.0,), 1), ((9.0,), 0), ((9.0, 20.0), 0)],
    ids=["one late visit", "one on the day from which states are told", "too soon anyway", "two visits"],
)
def test_states_that_rest_on_one_visit_are_told_as_that(ages, said):
    season = SimpleNamespace(visits=ages, age_days=np.array(ages))
    lines = doubts._on_one_visit(season)
    assert len(lines) == said
    assert all("single visit" in line for line in lines)


def test_of_many_photos_three_are_named():
    names = [f"2026-04-13T09-12-{k:02}-IMG_20260413_0912{k:02}-3fa2c1.jpg" for k in range(12)]
    (line,) = notes.gathered((name, "too dark") for name in names)
    assert line == f"12 photos ({', '.join(names[:3])} and 9 more): too dark"
