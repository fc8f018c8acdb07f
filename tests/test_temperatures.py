"""Daily temperatures as people write them down, and degree-days against a published study of germination."""

from datetime import date, timedelta

import numpy as np
import pytest

from turfeye import temperatures
from turfeye.errors import DateError, LawnError
from turfeye.lawnrecords import Sowing

SOWN = date(2026, 3, 14)


def temperatures_file(tmp_path, text):
    path = tmp_path / "temperatures.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_temperatures_are_read(tmp_path):
    read = temperatures.read(
        temperatures_file(tmp_path, "date,min_c,max_c\n2026-03-14,2,10\n2026-03-15,-1,7.5\n")
    )
    assert (read.first, read.last) == (date(2026, 3, 14), date(2026, 3, 15))
    assert read.max_c.tolist() == [10, 7.5]


def test_every_mistake_in_temperatures_is_told(tmp_path):
    rows = ("14/3/2026,2,10", "2026-03-15,x,7", "2026-03-16,9,3", "2026-03-17,1,8", "2026-03-17,1,8",
            "2026-03-20,1,99", "2026-03-21,1,")  # fmt: skip
    text = "\n".join(["date,min_c,max_c", *rows, ""])
    with pytest.raises(LawnError) as caught:
        temperatures.read(temperatures_file(tmp_path, text))
    said = caught.value.mistakes
    assert len(said) == 6
    expected = (
        "line 2: date '14/3/2026'",
        "line 3: min_c 'x'",
        "line 4: min_c 9 is above max_c 3",
        "line 6: 2026-03-17 is there twice",
        "line 7: 1 and 99 must be",
        "line 8: min_c '1' and max_c ''",
    )
    for words in expected:
        assert any(words in line for line in said), words


def record(tmp_path, known):
    """Read a file of these days, (min, max) each; None is a row of the date alone."""
    rows = [f"{day},{','.join(map(str, pair or ('', '')))}" for day, pair in known.items()]
    return temperatures.read(temperatures_file(tmp_path, "\n".join(["date,min_c,max_c", *rows, ""])))


def test_a_column_written_otherwise_in_every_row_is_told_by_its_first_rows(tmp_path):
    days = [f"{SOWN + timedelta(days=k):%d.%m.%Y};3,5;11" for k in range(50)]
    with pytest.raises(LawnError) as caught:
        temperatures.read(temperatures_file(tmp_path, "\n".join(["date;min_c;max_c", *days])))
    first, *told, more = str(caught.value).splitlines()
    assert first == "temperatures.csv has 50 mistakes"
    assert told == [f"  - {said}" for said in caught.value.mistakes[:20]]
    assert more == "  - and 30 more"
    assert len(caught.value.mistakes) == 50


def test_days_that_are_missing_are_filled_by_a_straight_line_and_said(tmp_path):
    found = record(
        tmp_path,
        {
            "2026-03-14": (2, 10),
            "2026-03-15": None,
            "2026-03-16": (4, 16),
            "2026-03-20": (0, 8),
        },
    )
    assert found.min_c.tolist() == [2, 3, 4, 3, 2, 1, 0]
    assert found.max_c.tolist() == [10, 13, 16, 14, 12, 10, 8]
    assert found.notes == (
        "temperatures.csv lacks 4 days: 2026-03-15, 2026-03-17 to 2026-03-19 (3 days); filled by a straight "
        "line from the day before to the day after",
    )
    course = temperatures.degree_days(found, sown=SOWN, base_c=3.0, days=7)
    # by hand: daily means 6, 8, 10, 8.5, 7, 5.5 and 4 of the seven days, less 3
    assert course.tolist() == pytest.approx([0, 3, 8, 15, 20.5, 24.5, 27, 28])


def days_of(first, count, mean_c=10.0):
    return {first + timedelta(days=k): (mean_c - 4, mean_c + 4) for k in range(count)}


@pytest.mark.parametrize("missing", [1, 7, 8, 40])
def test_up_to_a_week_is_filled_and_more_is_named(tmp_path, missing):
    after = SOWN + timedelta(days=10 + missing)
    found = record(tmp_path, days_of(SOWN, 10) | days_of(after, 30))
    by_age, said = found.by_age(
        Sowing(SOWN, "perennial ryegrass", 35.0), 3.6, last=after + timedelta(days=5), horizon=90
    )
    if missing <= 7:
        assert by_age[-1] == pytest.approx(90 * 6.4)
        assert found.notes
        assert said == ""
    else:
        assert by_age is None
        assert not found.notes
        gap = f"2026-03-24 to {after - timedelta(days=1)} ({missing} days)"
        assert said == (
            f"growth is counted in days: temperatures.csv lacks {gap}, too many to fill in; add them"
        )


def test_a_gap_before_the_sowing_leaves_degree_days_as_they_are(tmp_path):
    found = record(tmp_path, days_of(date(2025, 9, 1), 30) | days_of(SOWN - timedelta(days=3), 40))
    course = temperatures.degree_days(found, sown=SOWN, base_c=3.6, days=60)
    assert course[-1] == pytest.approx(60 * 6.4)


def test_a_record_of_a_row_with_nothing_in_it(tmp_path):
    with pytest.raises(LawnError, match="1 mistake") as caught:
        record(tmp_path, {"2026-03-14": None})
    assert "no rows" in caught.value.mistakes[0]


def test_temperatures_without_their_columns(tmp_path):
    with pytest.raises(LawnError, match="no column max_c; write date,min_c,max_c"):
        temperatures.read(temperatures_file(tmp_path, "date,min_c,max\n"))
    with pytest.raises(LawnError, match="no such file"):
        temperatures.read(tmp_path / "none.csv")


def test_what_a_spreadsheet_writes_with_decimal_commas_is_read(tmp_path):
    want = temperatures.read(temperatures_file(tmp_path, "date,min_c,max_c\n2026-03-14,3.5,11\n"))
    for text in (
        "Date;Min_C;Max_C\n2026-03-14;3,5;11,0\n",
        "Date;Min_C;Max_C\n2026-03-14;3,5;11,0\n;;\n;;\n",
        "sep=;\nDate;Min_C;Max_C\n2026-03-14;3,5;11,0\n",
        "date\tmin_c\tmax_c\tplace\n2026-03-14\t3.5\t11\tx\n",
    ):
        found = temperatures.read(temperatures_file(tmp_path, text))
        assert (found.first, found.min_c, found.max_c) == (want.first, want.min_c, want.max_c)
    # commas for both: 3 and 5 degrees they are not
    with pytest.raises(LawnError, match="line 2: more fields than columns; if numbers have decimal"):
        temperatures.read(temperatures_file(tmp_path, "date,min_c,max_c\n2026-03-14,3,5,11,0\n"))


def steady(mean_c, days=60, first=SOWN):
    return temperatures.Temperatures(first, np.full(days, mean_c - 4.0), np.full(days, mean_c + 4.0))


# Larsen and Bibby 2005, Crop Science 45:2030-2037: base, degree-days and days to half of final germination
@pytest.mark.parametrize(
    ("base_c", "total", "at_10", "at_15"),
    [(3.6, 63.9, 9.98, 5.61), (2.6, 43.8, 5.92, 3.53), (2.6, 115.6, 15.62, 9.32)],
)
def test_thermal_time_to_half_of_germination(base_c, total, at_10, at_15):
    for mean_c, days in ((10, at_10), (15, at_15)):
        course = temperatures.degree_days(steady(mean_c), sown=SOWN, base_c=base_c, days=40)
        assert np.interp(total, course, np.arange(41)) == pytest.approx(days, abs=0.006)


def test_cold_days_add_nothing():
    assert temperatures.degree_days(steady(2), sown=SOWN, base_c=3.6, days=10).max() == 0


def test_degree_days_need_a_record_about_the_sowing():
    with pytest.raises(DateError, match="must include the sowing on 2026-03-14"):
        temperatures.degree_days(steady(10, first=date(2026, 4, 1)), sown=SOWN, base_c=3.6, days=10)
