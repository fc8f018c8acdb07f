"""Which measured photos can be used, and whose dates are doubtful; then the same from the command line."""

import csv
import datetime as dt
import io
import re
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image
from test_season import SOWN, reading

from turfeye import filing, lawn, readings, season, survey
from turfeye.cli import root
from turfeye.errors import DateError

SPOTS = Path(__file__).parent.parent / "sample_images/trial-spots"
TODAY = dt.date(2026, 8, 1)


def usable(*some):
    return readings.usable(some, sown=SOWN, today=TODAY)[:2]


def test_sound_photos_raise_no_doubt():
    kept, flags = usable(reading(9), reading(5), reading(9, hour=15))
    assert [r.photo for r in kept] == ["day5-10.jpg", "day9-10.jpg", "day9-15.jpg"]
    assert flags == ()


def test_the_same_bytes_count_once():
    kept, flags = usable(reading(9, digest="a1"), reading(9, hour=11, digest="a1"), reading(12, digest="b2"))
    assert len(kept) == 2
    assert flags == ("day9-11.jpg is the same picture as day9-10.jpg: used once",)


def test_each_photo_that_is_left_out_says_for_which_reason():
    """A table said of each that it was dated outside the season, or there twice."""
    early, late = reading(-3, name="early.jpg"), reading(400, name="late.jpg")
    first, again = reading(9, digest="a1", name="a.jpg"), reading(9, hour=11, digest="a1", name="b.jpg")
    cut = reading(12, digest="c3", name="cut.jpg", unseen=(0, 1, 2))
    whole = reading(12, digest="d4", name="whole.jpg")
    every = [early, late, first, again, cut, whole]
    assert readings.usable(every, sown=SOWN, today=TODAY)[2] == {
        "early.jpg": f"dated before the sowing on {SOWN}",
        "late.jpg": f"dated after today ({TODAY})",
        "b.jpg": "the same picture as a.jpg, used once",
        "cut.jpg": "a copy, taken in the same second as whole.jpg, which is used",
    }
    kept = {one.photo for one in usable(*every)[0]}
    assert kept == {"a.jpg", "whole.jpg"}


def test_a_copy_of_the_same_second_counts_once_and_the_one_that_shows_more_is_used():
    cut = reading(9, digest="a1", name="a-cut.jpg", unseen=(0, 1, 2))
    whole = reading(9, digest="b2", name="whole.jpg")
    kept, flags = usable(cut, whole)
    assert [r.photo for r in kept] == ["whole.jpg"]
    assert flags == (
        "a-cut.jpg was taken in the same second as whole.jpg, so one is a copy of the other: "
        "only whole.jpg is used",
    )


def test_many_copies_are_told_in_one_line():
    """Of a trial whose photos were all filed as sent on too, it was a line of three long names each."""
    sent = [reading(day, digest=f"s{day}", name=f"sent-{day}.jpg", unseen=(0, 1)) for day in range(5, 12)]
    whole = [reading(day, digest=f"w{day}", name=f"whole-{day}.jpg") for day in range(5, 12)]
    kept, flags = usable(*sent, *whole)
    assert [one.photo for one in kept] == [one.photo for one in whole]
    assert flags == (
        "7 photos (sent-5.jpg, sent-6.jpg, sent-7.jpg and 4 more) were taken in the same second as "
        "others of the same places, so they or those are copies: of each only the one that shows more "
        "is used",
    )
    bytewise = [reading(day, hour=11, digest=f"w{day}", name=f"again-{day}.jpg") for day in range(5, 12)]
    (line,) = usable(*whole, *bytewise)[1]
    assert line.endswith("and 4 more) are the same pictures as others: each used once")


def test_of_two_copies_the_surer_one_is_used():
    """One sent through a program that made it small shows the same cells, its card unread."""
    small, whole = reading(9, digest="a1", name="a-small.jpg"), reading(9, digest="b2", name="whole.jpg")
    unsure = replace(small, table=replace(small.table, cover_se=2 * small.table.cover_se))
    assert [r.photo for r in usable(unsure, whole)[0]] == ["whole.jpg"]
    assert [r.photo for r in usable(small, whole)[0]] == ["a-small.jpg"]


def test_two_views_or_two_days_known_by_date_only_are_no_copies():
    assert usable(reading(9, name="a"), reading(9, name="b", view="path"))[1] == ()
    assert usable(reading(9, hour=12, name="a"), reading(9, hour=12, name="b"))[1] == ()


def test_a_later_second_is_another_photo():
    one = reading(9, name="a")
    assert usable(one, replace(one, photo="b", taken=one.taken + dt.timedelta(seconds=1)))[1] == ()


@pytest.mark.parametrize(
    ("day", "name", "words"),
    [
        (22, "IMG_20260504_101500", "are day and month swapped?"),
        (22, "IMG_20250405_101500", "is the clock a year off?"),
        (22, "PXL_20260501_101500123", "which is right?"),
        (22, "IMG_20260406_001500", ""),  # one day: another time zone
        (22, "IMG_0042", ""),
    ],
)
def test_a_name_that_says_another_day(day, name, words):
    kept, flags = usable(reading(day, original=name))  # 5 April
    assert len(kept) == 1
    assert len(flags) == (1 if words else 0)
    assert all("day22-10.jpg may have a wrong date: the camera says 2026-04-05" in f for f in flags)
    assert all(words in f for f in flags)
    assert all(re.search(r'\[\[photo\]\] name = "…", taken = 202\d-', f) for f in flags)


def test_what_lies_outside_the_season_is_named_and_left_out():
    early, late = reading(-3, name="early.jpg"), reading(300, name="late.jpg")
    kept, flags = usable(early, reading(5), late)
    assert [r.photo for r in kept] == ["day5-10.jpg"]
    assert flags[0].startswith(
        "left out, since dated before the sowing on 2026-03-14: early.jpg (2026-03-11)"
    )
    assert "after today (2026-08-01): late.jpg (2027-01-08)" in flags[1]
    assert "[[photo]]" in flags[0]
    assert "an earlier season belongs in a folder of its own" in flags[0]
    assert "earlier season" not in flags[1]


@pytest.mark.parametrize(
    ("taken", "guess"),
    [
        (dt.datetime(2025, 4, 14, 10), "with the right year 2026-04-14?"),
        (dt.datetime(2027, 4, 14, 10), "with the right year 2026-04-14?"),
        (dt.datetime(2026, 12, 4, 10), "with day and month swapped 2026-04-12?"),
    ],
)
def test_what_the_true_day_may_be_is_guessed(taken, guess):
    _, flags = usable(reading(5), replace(reading(5, name="odd.jpg"), taken=taken))
    assert guess in flags[0]


def test_many_outside_are_counted():
    _, flags = usable(*(reading(-k, name=f"{k}.jpg") for k in range(1, 8)))
    assert "and 4 more" in flags[0]


def test_counters_of_two_cameras_are_not_compared():
    plots = [reading(day, view=f"spot {n}", original=f"plot-{n:03d}") for day, n in ((9, 7), (12, 2))]
    assert usable(*plots)[1] == ()  # a plot's number, not the camera's
    one = reading(9, original="IMG_0042")
    assert len(usable(one, reading(12, original="IMG_0017"))[1]) == 1
    other = replace(reading(12, original="IMG_0017"), camera="Invented Willow 3")
    assert usable(one, other)[1] == ()


# From the command line: sample photos (invented, rendered) with other names and clocks.


def disguised(target, source, *, taken=None, quality=None):
    """A sample photo under another name; with another clock in its header, or compressed again."""
    data = (SPOTS / "photos" / source).read_bytes()
    if taken is None and quality is None:
        target.write_bytes(data)
        return target
    with Image.open(io.BytesIO(data)) as picture:
        exif = picture.getexif()
        if taken is not None:
            for tag in (0x9003, 0x9004):
                exif.get_ifd(0x8769)[tag] = taken
        picture.save(target, exif=exif.tobytes(), quality=quality or 92)
    return target


class Then(dt.date):
    """Calendar of a computer on a day in that summer, whenever the tests run."""

    @classmethod
    def today(cls):
        return TODAY


def shell(*words):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(season, "date", Then)
        result = CliRunner().invoke(root, [str(word) for word in words])
    return result.exit_code, result.output


@pytest.fixture(scope="module")
def trial(tmp_path_factory):
    """The season of a peg whose photos come from muddled cameras, as the command line tells it."""
    folder = tmp_path_factory.mktemp("clocks")
    place, inbox = folder / "spots", folder / "inbox"
    place.mkdir()
    inbox.mkdir()
    shutil.copy(SPOTS / "lawn.toml", place)
    photos = [
        disguised(inbox / "IMG_20260402_111712.jpg", "2026-04-02-spot-1.jpg"),
        disguised(inbox / "sent on.jpg", "2026-04-02-spot-1.jpg", quality=60),
        disguised(inbox / "IMG_20260413_131713.jpg", "2026-04-13-spot-1.jpg", taken="2026:05:13 13:17:13"),
        disguised(inbox / "IMG_20260424_091714.jpg", "2026-04-24-spot-1.jpg", taken="2027:04:24 09:17:14"),
    ]
    added = shell("add", place, *photos)
    told = shell("season", place)
    return place, inbox, added, told


def test_cameras_names_are_kept(trial):
    place, _, (code, _), _ = trial
    assert code == 0
    names = [filing.original_name(path.name) for path in lawn.read(place).photos()]
    assert names == ["IMG_20260402_111712", "sent_on", "IMG_20260413_131713", "IMG_20260424_091714"]


def test_adding_says_that_clock_and_name_differ(trial):
    _, _, (_, output), _ = trial
    assert "the camera says 2026-05-13, its name 2026-04-13" in output
    assert "the camera says 2027-04-24, its name 2026-04-24: is the clock a year off?" in output


def test_the_season_names_each_doubt_and_goes_on(trial):
    _, _, _, (code, output) = trial
    assert code == 0, output
    assert "2 visits" in output
    assert "was taken in the same second as" in output
    assert "may have a wrong date: the camera says 2026-05-13, its name 2026-04-13" in output
    left_out = ".jpg (2027-04-24; its name says 2026-04-24)"
    assert f"left out, since dated after today ({TODAY}): 2027-04-24" in output
    assert output.count(left_out) == 2  # in the ten lines and whole below


def test_what_is_left_out_is_in_no_table(trial):
    place, _, _, _ = trial
    text = (place / "results/cells.csv").read_text()
    assert "IMG_20260424" not in text
    assert "2027-04-24" not in text
    with (place / "results/photos.csv").open() as file:
        rows = list(csv.DictReader(file))
    why = {row["photo"]: row["why"] for row in rows if row["state"] == "left out"}
    (late,) = (name for name in why if "20260424" in name)
    assert why.pop(late) == f"dated after today ({TODAY})"
    assert [words.startswith("a copy, taken in the same second as 2026-") for words in why.values()] == [True]
    assert {row["why"] for row in rows if row["state"] == "used"} == {""}


def test_the_true_day_in_the_lawn_file_mends_it(trial, tmp_path):
    place = tmp_path / "mended"
    shutil.copytree(trial[0], place)
    wrong = next(path for path in lawn.read(place).photos() if "20260424" in path.name)
    with (place / "lawn.toml").open("a") as file:
        file.write(f'\n[[photo]]\nname = "{wrong.name}"\ntaken = 2026-04-24\n')
    answer = survey.season(place, today=TODAY)
    assert [str(v.taken.date()) for v in answer.season.visits] == ["2026-04-02", "2026-04-24", "2026-05-13"]
    assert not any("left out" in warning for warning in answer.warnings)
    assert np.isfinite(answer.season.cover).any(axis=0).all()


def test_a_header_from_before_the_sowing_gives_way_to_the_date_said(trial, tmp_path):
    place = tmp_path / "lawn"
    place.mkdir()
    shutil.copy(SPOTS / "lawn.toml", place)
    photo = disguised(tmp_path / "IMG_7.jpg", "2026-05-06-spot-1.jpg", taken="2025:05:06 11:17:15")
    code, output = shell("add", place, photo)
    assert code == 2
    assert "--date" in output
    code, output = shell("add", place, photo, "--date", "2026-05-06")
    assert code == 0
    assert "can't be right; 2026-05-06 is used" in output
    (note,) = lawn.read(place).notes
    assert note.taken == dt.datetime(2026, 5, 6, 12)
    (visit,) = survey.measure(lawn.read(place))
    assert visit.facts["taken"] == "2026-05-06T12:00:00"


def test_nothing_inside_the_season_is_an_error(tmp_path):
    place = tmp_path / "lawn"
    place.mkdir()
    (place / "lawn.toml").write_text((SPOTS / "lawn.toml").read_text().replace("2026-05-09", "2026-08-09"))
    survey.add(place, [SPOTS / "photos/2026-04-02-spot-1.jpg"])
    with pytest.raises(DateError, match="no photo is from between the sowing and today"):
        survey.season(place, today=dt.date(2026, 4, 1))
