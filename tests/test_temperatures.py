"""Daily temperatures as people write them down, and degree-days against a published study of germination."""

from datetime import date

import numpy as np
import pytest

from turfeye import temperatures
from turfeye.errors import DateError, LawnError

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
            "2026-03-20,1,99", "2026-03-21,1,9")  # fmt: skip
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
        "2026-03-18 to 2026-03-20 (3 days) are missing; gaps are not filled, look them up",
    )
    for words in expected:
        assert any(words in line for line in said), words


def test_a_gap_is_one_line_however_long(tmp_path):
    days = ("2026-03-14", "2026-03-16", "2026-06-01")
    text = "\n".join(["date,min_c,max_c", *(f"{day},2,10" for day in days), ""])
    with pytest.raises(LawnError) as caught:
        temperatures.read(temperatures_file(tmp_path, text))
    assert [line.split(" missing")[0] for line in caught.value.mistakes] == [
        "2026-03-15 is", "2026-03-17 to 2026-05-31 (76 days) are",
    ]  # fmt: skip


def test_temperatures_without_their_columns(tmp_path):
    with pytest.raises(LawnError, match="no column max_c; write date,min_c,max_c"):
        temperatures.read(temperatures_file(tmp_path, "date,min_c,max\n"))
    with pytest.raises(LawnError, match="no such file"):
        temperatures.read(tmp_path / "none.csv")


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
