"""Dates in another order or other signs: never read, and told as what they may mean."""

from __future__ import annotations

from datetime import date, datetime
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from dateutil import parser
from PIL import Image

from turfeye import days, filing, lawnfile, newlawn, temperatures
from turfeye.cli import root
from turfeye.errors import DateError, LawnError

THE_DAY = date(2026, 3, 14)


@pytest.mark.parametrize(
    "form", ["%d.%m.%Y", "%d/%m/%Y", "%d-%m-%y", "%d %B %Y", "%d-%b-%y", "%B %d, %Y", "%Y/%m/%d", "%Y %m %d"]
)
def test_what_a_date_may_mean_is_what_another_reader_makes_of_it(form: str) -> None:
    """python-dateutil reads day first or month first as told: ours are both where they differ."""
    for month, on in product((1, 2, 7, 12), (1, 6, 14, 28)):
        written = date(2026, month, on).strftime(form)
        if form[:3] == "%Y ":
            assert days.meant(written) == ()  # three numbers in a row are no date
            continue
        of_year = form.startswith("%Y")
        both = [parser.parse(written, dayfirst=first and not of_year).date() for first in (True, False)]
        assert days.meant(written) == tuple(dict.fromkeys(both)), written


@pytest.mark.parametrize(
    "written",
    [
        "3/14/2026 9:12 AM", "3/14/2026 9:12:05 pm", "14.03.2026 21:12", "3/14/2026, 12:05 a.m.",
        "14 March 2026 12:30 PM",
    ],
)  # fmt: skip
def test_a_time_of_day_behind_a_date_is_told_as_another_reader_reads_it(written: str) -> None:
    """python-dateutil knows halves of the day, and that 12:05 a.m. is just past midnight."""
    told = days.how_to_write(written, timed=True).removeprefix("write it as ")
    assert datetime.fromisoformat(told) == parser.parse(written)
    assert days.how_to_write("14.03.2026 25:10", timed=True) == "write it as 2026-03-14"


@pytest.mark.parametrize("written", ["14.03.2026", "14/03/2026", "3/14/2026", "2026/3/14", "14 March 2026"])
def test_every_place_for_a_date_says_how_the_one_meant_is_written(written: str, tmp_path: Path) -> None:
    """The command line, lawn.toml with quotes and without, and daily temperatures."""
    folder = tmp_path / "back"
    wanted = "write it as 2026-03-14"
    words = ["lawn", "new", str(folder), "--outline", "8x6", "--sown", written]
    assert f"{written!r} is not a date; {wanted}\n" in CliRunner().invoke(root, words).stderr
    assert not folder.exists()
    newlawn.make(folder, outline_m=[(0, 0), (8, 0), (8, 6), (0, 6)], sown=date(2026, 5, 1))
    text = lawnfile.text_of(folder)
    for quote, more in (("", ", without quotes\n"), ('"', ", without quotes")):
        with pytest.raises(LawnError) as told:
            lawnfile.parse(text.replace("date = 2026-05-01", f"date = {quote}{written}{quote}"))
        assert wanted + more in str(told.value)
    (folder / "temperatures.csv").write_text(f'date,min_c,max_c\n"{written}",3,9\n')
    with pytest.raises(LawnError, match=f"line 2: date '{written}' is not a date; {wanted}$"):
        temperatures.read(folder / "temperatures.csv")


def test_a_photo_s_own_date_is_one_mistake_and_keeps_its_time() -> None:
    text = 'schema = 1\nname = "a"\noutline_m = [[0, 0], [8, 0], [8, 6]]\n[[photo]]\nname = "a.jpg"\ntaken = '
    with pytest.raises(LawnError) as told:
        lawnfile.parse(text + '"14.3.2026 9:12"')
    assert [one.partition("; ")[2] for one in told.value.mistakes] == [
        "write it as 2026-03-14T09:12, without quotes"
    ]
    for wrong in ("14.3.2026 9:12", "2026-03-14 9:12"):
        with pytest.raises(LawnError, match="taken: write it as 2026-03-14T09:12, without quotes"):
            lawnfile.parse(text + wrong)
    for right in ("2026-03-14", "2026-03-14T09:12:00"):
        assert lawnfile.parse(text + right).photo[0].taken.isoformat() == right


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("2026-02-30 plot 3.jpg", "the one in its name is impossible, 2026-02-30; rename it, or say with"),
        ("2026-13-05 plot 3.jpg", "is impossible, 2026-13-05 (perhaps 2026-05-13); rename it"),
        ("IMG_20260230_101500.jpg", "is impossible, 20260230; rename it"),
        ("plot 3 14.03.2026.jpg", "is read only as 2026-03-14, not as 14.03.2026; rename it"),
        ("14 Marsh 2026.jpg", "has no date, neither in its header nor in its name; say with --date"),
        ("14 Sept 2026.jpg", "is read only as 2026-09-14, not as 14 Sept 2026; rename it"),
        ("plot 3-4-26.jpg", "has no date, neither in its header nor in its name; say with --date"),
        ("DSC_4711.jpg", "has no date, neither in its header nor in its name; say with --date"),
    ],
)
def test_a_date_in_a_name_that_can_t_be_read_is_told(name: str, told: str, tmp_path: Path) -> None:
    newlawn.make(tmp_path / "back", outline_m=[(0, 0), (8, 0), (8, 6), (0, 6)], sown=date(2026, 3, 1))
    rgb = np.random.default_rng(3).integers(0, 255, (180, 260, 3), dtype=np.uint8)
    Image.fromarray(rgb).save(tmp_path / name)
    with pytest.raises(DateError) as error:
        filing.add(tmp_path / "back", [tmp_path / name])
    assert told in str(error.value)
    filed = filing.add(tmp_path / "back", [tmp_path / name], date=THE_DAY)
    assert filed[0].taken.date() == THE_DAY
