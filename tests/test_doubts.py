"""What is said of a season's photos: that one visit alone carries it, and many photos in one line."""

import pytest

from turfeye import doubts, lawn, notes
from turfeye.simulate import tables


@pytest.mark.parametrize(
    ("ages", "said"),
    [((20,), 1), ((14,), 1), ((9,), 0), ((9, 20), 0)],
    ids=["one late visit", "one on the day from which states are told", "too soon anyway", "two visits"],
)
def test_states_that_rest_on_one_visit_are_told_as_that(ages, said, tmp_path):
    (tmp_path / "lawn.toml").write_text(
        'schema = 1\nname = "Bank"\noutline_m = [[0, 0], [9, 0], [9, 6], [0, 6]]\n'
    )
    recipe = tables.TableRecipe(rows=12, cols=18, visit_days=ages, lost_visit=0.0, unseen=0.0)
    season, _ = tables.lawn(1, recipe)
    lines = doubts.of_season(lawn.read(tmp_path), [], season, [])
    assert len(lines) == said
    assert all("single visit" in line for line in lines)


def test_of_many_photos_three_are_named():
    names = [f"2026-04-13T09-12-{k:02}-IMG_20260413_0912{k:02}-3fa2c1.jpg" for k in range(12)]
    (line,) = notes.gathered((name, "too dark") for name in names)
    assert line == f"12 photos ({', '.join(names[:3])} and 9 more): too dark"
