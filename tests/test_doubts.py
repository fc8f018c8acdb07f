"""What is said of a season's photos: here, that one visit alone carries it."""

from types import SimpleNamespace

import numpy as np
import pytest

from turfeye import doubts


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
