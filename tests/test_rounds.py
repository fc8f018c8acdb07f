"""A round of lawns: what each wants, what to bring, and the dates as a calendar file."""

from __future__ import annotations

import base64
import csv
import json
import math
import re
import shutil
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from turfeye import charts, diary, drawing, filing, lawnfile, newlawn, results, rounds, sheet, survey
from turfeye.answer import Answer, Before
from turfeye.cli import root
from turfeye.cli.round import COLUMNS, _row
from turfeye.cli.shared import show_table
from turfeye.errors import LawnError, NoPhotosError, NotSownError
from turfeye.lawn import read
from turfeye.lawnrecords import Oversown

FERRY = Path(__file__).parents[1] / "sample_images/ferry-cottage"
ENTRIES = (
    (date(2026, 5, 16), "Mühle; back, left", "look again, if sown on 6 May: 5\\10 days, " + "ä" * 90, "a"),
    (date(2026, 5, 30), "Mühle; back, left", "first feed, two weeks after", "a"),
    (date(2026, 6, 30), "Mühle; back, left", "first feed: of the part sown again", "a"),
    (date(2026, 5, 16), "Other", "look again", "b"),
)
AS_OF = datetime(2026, 5, 6, 12, 17, tzinfo=UTC)


def properties(text: str) -> list[dict[str, str]]:
    """The events of a calendar by the rules of RFC 5545: lines unfolded (3.1), text unescaped (3.3.11)."""
    lines = text.replace("\r\n ", "").split("\r\n")
    events: list[dict[str, str]] = []
    for line in lines:
        name, _, value = line.partition(":")
        if line == "BEGIN:VEVENT":
            events.append({})
        elif events and not line.startswith(("BEGIN", "END")) and line:
            plain = re.sub(r"\\([\\;,nN])", lambda m: "\n" if m[1] in "nN" else m[1], value)
            events[-1][name.partition(";")[0]] = plain
    return events


def test_a_calendar_keeps_to_rfc_5545() -> None:
    """Sections 3.1 (lines), 3.4 and 3.6 (what must be there), 3.6.1 (an event's end is the day after)."""
    text = diary.calendar("Round", ENTRIES, as_of=AS_OF)
    assert text.startswith("BEGIN:VCALENDAR\r\n")
    assert text.endswith("END:VCALENDAR\r\n")
    lines = text.removesuffix("\r\n").split("\r\n")
    assert all(len(line.encode("utf-8")) <= 75 and "\n" not in line for line in lines)
    assert {"VERSION:2.0"} <= set(lines)
    assert any(line.startswith("PRODID:") for line in lines)
    events = properties(text)
    assert len(events) == len(ENTRIES)
    for event, (when, lawn, what, _) in zip(events, ENTRIES, strict=True):
        assert {"UID", "DTSTAMP"} <= set(event)
        assert event["DTSTAMP"] == "20260506T121700Z"
        assert event["DTSTART"] == f"{when:%Y%m%d}"
        assert int(event["DTEND"]) == int(event["DTSTART"]) + (1 if when.month == 5 else 71)
        assert event["SUMMARY"].endswith(f": {lawn}")
        assert what.lower().startswith(event["SUMMARY"].removesuffix(f": {lawn}").lower())
        assert event["DESCRIPTION"].lower().removesuffix(".") == what.lower()
    assert len({event["UID"] for event in events}) == len(events)


def test_an_entry_that_moves_keeps_its_identity() -> None:
    moved = ((date(2026, 5, 20), ENTRIES[0][1], "look again: later", "a"), *ENTRIES[1:])
    before, after = (properties(diary.calendar("x", some, as_of=AS_OF)) for some in (ENTRIES, moved))
    assert [event["UID"] for event in before] == [event["UID"] for event in after]
    assert before[0]["DTSTART"] != after[0]["DTSTART"]
    next_year = ((date(2027, 5, 20), ENTRIES[0][1], "look again: later", "a"),)
    (other,) = properties(diary.calendar("x", next_year, as_of=AS_OF))
    assert other["UID"] not in {event["UID"] for event in before}


def test_a_renamed_lawn_s_entries_are_moved_and_named_anew(answer: Answer, tmp_path: Path) -> None:
    """By its name it had new entries beside the old ones, and so it had once another lawn got that name.

    RFC 5545, 3.8.4.7: the identity of an event is what a calendar finds it by, and no two have the same.
    """

    def events(*lawns: tuple[str, str]) -> list[dict[str, str]]:
        some = []
        for folder, name in lawns:
            place = tmp_path / folder
            place.mkdir(parents=True, exist_ok=True)
            here = replace(answer.lawn, folder=place, name=name, known_by="")
            some.append((place, replace(answer, lawn=here)))
        _, _, book = results.write_round(rounds.of(some), tmp_path)
        return properties(book.read_bytes().decode("utf-8"))

    old, new = events(("smith/back", "Smith")), events(("smith/back", "Smith, back"))
    assert [one["UID"] for one in old] == [one["UID"] for one in new]
    assert {one["SUMMARY"].rpartition(": ")[2] for one in new} == {"Smith, back"}
    both = events(("smith/back", "Back"), ("jones/back", "Back"))
    assert {one["UID"] for one in old} < {one["UID"] for one in both}
    assert len({one["UID"] for one in both}) == len(both) == 2 * len(old) > 0
    sown = replace(answer.season.sowing, date=answer.season.sowing.date - timedelta(days=1))
    season = replace(answer.season, sowing=sown)
    again = replace(answer, outlook=replace(answer.outlook, season=season))
    stops = [rounds.of([(answer.lawn.folder, one)]).stops[0] for one in (answer, again)]
    assert stops[0].known_by != stops[1].known_by


def test_a_lawn_s_entries_stay_its_own_when_its_folder_is_renamed(answer: Answer, tmp_path: Path) -> None:
    """They went by the folder: renamed it had new ones beside the old. Another season's are others."""

    def uids(*folders: Path) -> list[str]:
        found = rounds.of([(f, replace(answer, lawn=read(f))) for f in folders])
        return [one["UID"] for one in properties(diary.calendar("x", found.entries, as_of=AS_OF))]

    shape = [(0, 0), (8, 0), (8, 6), (0, 6)]
    old, new = tmp_path / "smith" / "back", tmp_path / "smith" / "back-garden"
    newlawn.make(old, outline_m=shape, sown=date(2026, 3, 14))
    before = uids(old)
    old.rename(new)
    assert uids(new) == before
    assert len(before) == len(set(before)) > 0
    newlawn.again(tmp_path / "smith" / "front", new, sown=date(2026, 3, 14))
    assert not {*uids(tmp_path / "smith" / "front")} & {*uids(new)}
    # one that was made before its file said so keeps its entries too, from the next photo on
    text = lawnfile.text_of(new)
    lawnfile.save(new, "\n".join(line for line in text.split("\n") if not line.startswith("known_by")))
    plain = uids(new)
    rgb = np.random.default_rng(1).integers(0, 255, (180, 260, 3), dtype=np.uint8)
    Image.fromarray(rgb).save(tmp_path / "2026-04-02.png")
    filing.add(new, [tmp_path / "2026-04-02.png"])
    there = new.rename(tmp_path / "elsewhere")
    assert uids(there) == plain
    # a folder that was copied by hand, with all that it is known by
    shutil.copytree(there, tmp_path / "copy")
    both = uids(there, tmp_path / "copy")
    assert len(both) == len(set(both)) == 2 * len(plain)


def test_a_calendar_of_no_dates_is_one() -> None:
    assert properties(diary.calendar("x", (), as_of=AS_OF)) == []


@pytest.fixture
def found(answer: Answer) -> rounds.Round:
    """A lawn with thin places, the same one called otherwise, and three without an answer."""
    other = replace(answer, lawn=replace(answer.lawn, folder=Path("other"), name="Zion"))
    broken = LawnError("other/lawn.toml is not valid")
    return rounds.of(
        [
            (Path("a"), NoPhotosError("none")),
            (answer.lawn.folder, answer),
            (Path("b"), NotSownError("not sown")),
            (Path("c"), broken),
            (Path("other"), other),
        ]
    )


def test_a_photo_that_is_filed_for_two_lawns_is_told(tmp_path: Path) -> None:
    """One went to the wrong lawn, then to the right one too; another is a first lawn's last and next year's
    first, before the work, as it may be."""
    for name in ("a", "b", "c"):
        (tmp_path / name / "photos").mkdir(parents=True)
        (tmp_path / name / "photos" / "own.jpg").write_bytes(f"of lawn {name}".encode())  # of one size
    (tmp_path / "a/photos/2026-05-06T10-00-00-abcdef.jpg").write_bytes(b"one picture")
    (tmp_path / "b/photos/copied by hand.jpg").write_bytes(b"one picture")
    (tmp_path / "a/photos/last.jpg").write_bytes(b"another")
    (tmp_path / "c/before").mkdir()
    (tmp_path / "c/before/first.jpg").write_bytes(b"another")
    found = rounds.of([(tmp_path / name, NoPhotosError("none")) for name in ("a", "b", "c")])
    (line,) = found.shared
    assert line.startswith(
        "2026-05-06T10-00-00-abcdef.jpg is filed for a and b: delete from photos/ of the lawn"
    )
    page = results.write_round(found, tmp_path / "out")[0].read_text(encoding="utf-8")
    assert "is filed for a and b" in page


def test_a_round_says_how_many_lawns_want_what(found: rounds.Round) -> None:
    assert found.sentence == "5 lawns: 2 to reseed, 2 not started and 1 with a problem"
    assert [stop.wants for stop in found.stops] == ["reseed", "reseed", "begin", "begin", "mend"]
    assert found.to_bring.startswith("to bring for 2 lawns to reseed")
    alone = rounds.of([(stop.folder, stop.answer) for stop in found.stops[:1] if stop.answer])
    assert alone.sentence == "1 lawn: 1 to reseed"
    assert alone.to_bring == ""


def test_a_round_has_the_dates_of_all_lawns_in_order(found: rounds.Round, answer: Answer) -> None:
    days = [when for when, _, _ in found.dates]
    assert days == sorted(days)
    assert {lawn for _, lawn, _ in found.dates} == {answer.lawn.name, "Zion"}
    last, target = answer.season.visits[-1].taken.date(), answer.season.target.date
    aims = [when for when, _, what in found.dates if what.startswith("photograph on the target date")]
    assert aims == ([target] * 2 if target > last else [])
    assert len(days) == 2 * len(answer.plan.dates) + len(aims)


def test_a_day_asks_for_one_photo_of_a_lawn(answer: Answer) -> None:
    season = answer.season
    on = season.visits[-1].taken.date() + timedelta(days=5)
    aimed = replace(season, target=replace(season.target, date=on))
    again = (on, "photograph again, before sowing patch 1: whether it fills in by itself is still open")
    for dates, words in (((again,), "photograph again"), ((), "photograph on the target date")):
        made = replace(
            answer,
            outlook=replace(answer.outlook, season=aimed),
            plan=replace(answer.plan, dates=dates),
        )
        (stop,) = rounds.of([(Path("x"), made)]).stops
        assert [when for when, _ in stop.dates] == [on]
        assert stop.dates[0][1].startswith(words)


def later(answer: Answer, days: int, name: str) -> tuple[Path, Answer]:
    """The same lawn in another folder, photographed so many days later."""
    by = timedelta(days=days)
    old = answer.season
    season = replace(
        old,
        sowing=replace(old.sowing, date=old.sowing.date + by),
        target=replace(old.target, date=old.target.date + by),
        visits=tuple(replace(visit, taken=visit.taken + by) for visit in old.visits),
    )
    folder = Path(name)
    place = replace(answer.lawn, folder=folder, name=name)
    plan = replace(answer.plan, dates=tuple((when + by, what) for when, what in answer.plan.dates))
    return folder, replace(answer, lawn=place, plan=plan, outlook=replace(answer.outlook, season=season))


def test_a_lawn_not_seen_for_long_is_to_be_photographed_and_nothing_of_it_brought(answer: Answer) -> None:
    old = (answer.lawn.folder, answer)
    both = rounds.of([old, later(answer, rounds.STALE_DAYS, "new")])
    assert [stop.wants for stop in both.stops] == ["reseed", "reseed"]
    assert both.to_bring
    both = rounds.of([old, later(answer, rounds.STALE_DAYS + 1, "new")])
    assert [(stop.called, stop.wants) for stop in both.stops] == [
        ("new", "reseed"),
        (answer.lawn.name, "photograph again"),
    ]
    assert both.to_bring == ""
    assert {lawn for _, lawn, _ in both.dates} == {"new"}


def test_last_year_s_folder_is_of_an_earlier_season_and_asks_for_nothing(answer: Answer) -> None:
    old = (answer.lawn.folder, answer)
    both = rounds.of([old, later(answer, rounds.EARLIER_DAYS + 1, "new")])
    assert [(stop.called, stop.wants) for stop in both.stops] == [
        ("new", "reseed"),
        (answer.lawn.name, "nothing"),
    ]
    assert both.sentence == "2 lawns: 1 to reseed and 1 of an earlier season"
    assert both.to_bring == ""
    assert {lawn for _, lawn, _ in both.dates} == {"new"}
    page = sheet.round_page(both, Path())
    assert page.count('<section class="stop">') == 1
    assert "earlier season" in page
    both = rounds.of([old, later(answer, rounds.EARLIER_DAYS, "new")])
    assert both.stops[1].wants == "photograph again"


def test_on_a_phone_each_lawn_is_a_block_whose_figures_say_what_they_are(answer: Answer) -> None:
    """Eight columns ran off a screen of 390 pixels, the forecast and the thin part out of sight."""
    page = sheet.round_page(rounds.of([(answer.lawn.folder, answer)]), Path())
    table = re.search(r'<table class="blocks">.*?</table>', page, re.DOTALL)
    assert table is not None
    heads = re.findall(r"<th[^>]*>([^<]+)</th>", table[0])
    fields = re.findall(r"<td([^>]*)>", table[0])
    assert heads[:2] == ["Lawn", "To do"]
    assert [re.findall('data-head="([^"]+)"', field) for field in fields] == [[], []] + [
        [h] for h in heads[2:]
    ]
    phone = re.search(r"@media screen and \(max-width: 40rem\) {(.*?)\n@media", page, re.DOTALL)
    assert phone is not None
    assert ".blocks thead { display: none; }" in phone[1]
    assert ".blocks td[data-head]::before { content: attr(data-head)" in phone[1]


def test_what_was_missed_is_on_the_page_and_in_no_calendar(answer: Answer) -> None:
    due = answer.season.visits[-1].taken.date() + timedelta(days=10)
    old = replace(answer, plan=replace(answer.plan, dates=((due, "look again where sown again"),)))
    both = rounds.of([(answer.lawn.folder, old), later(old, rounds.STALE_DAYS, "new")])
    newest = both.as_of
    assert newest is not None
    missed = [when for when, _, _ in both.days if both.missed(when)]
    assert missed
    assert max(missed) < newest
    assert min(when for when, _, _ in both.dates) >= newest
    assert sum(len(lawns) for _, _, lawns in both.days) == len(both.dates) + len(missed)
    assert "missed" in sheet.round_page(both, Path())


def test_a_lawn_seen_once_is_perhaps_reseeded(answer: Answer) -> None:
    """Its page asks for another photo before that."""
    season = replace(answer.season, visits=answer.season.visits[-1:])
    once = replace(answer, outlook=replace(answer.outlook, season=season))
    found = rounds.of([(answer.lawn.folder, answer), (Path("once"), later(once, 0, "Once")[1])])
    assert [stop.to_do.startswith("perhaps ") for stop in found.stops] == [False, True]


def test_a_lawn_that_was_sown_again_in_part_is_given_time_until_it_can_be_judged(answer: Answer) -> None:
    seen, calm = answer.season.visits[-1].taken.date(), replace(answer.plan, tasks=())
    wants = {}
    for days_ago in (-4, 3, 13, 14):  # two weeks after a sowing a photo tells
        sowing = replace(answer.season.sowing, date=seen - timedelta(days=days_ago))
        season = replace(answer.season, oversown=(Oversown(sowing, np.array([3, 4])),))
        one = replace(answer, plan=calm, outlook=replace(answer.outlook, season=season))
        (stop,) = rounds.of([(answer.lawn.folder, one)]).stops
        wants[days_ago] = stop.wants
    assert wants == {-4: "give it time", 3: "give it time", 13: "give it time", 14: "on course"}
    assert stop.to_do == "on course"


def test_the_most_urgent_lawn_comes_first(answer: Answer) -> None:
    few = replace(answer.outlook.lawn, thin_m2=99.0)
    calm = replace(
        answer,
        lawn=replace(answer.lawn, folder=Path("calm"), name="calm"),
        outlook=replace(answer.outlook, lawn=few),
        plan=replace(answer.plan, tasks=()),
    )
    stops = rounds.of([(Path("calm"), calm), (answer.lawn.folder, answer)]).stops
    assert stops[0].wants == "reseed"
    assert stops[1].called == "calm"


def test_a_pinch_of_seed_is_no_visit_but_comes_along(answer: Answer) -> None:
    little = replace(answer, plan=replace(answer.plan, seed_g=4.0, seed_spare_g=1.0, in_passing=True))
    both = rounds.of([later(little, 0, "little"), (answer.lawn.folder, answer)])
    assert [stop.wants for stop in both.stops] == ["reseed", "reseed in passing"]
    assert both.stops[1].to_do == "reseed 4 g in passing"
    assert both.sentence == "2 lawns: 1 to reseed and 1 to reseed in passing"
    grams = answer.plan.seed_g + answer.plan.seed_spare_g + 5
    assert f"for 2 lawns to reseed, spare included: {grams:.0f} g of" in both.to_bring


def test_a_table_breaks_no_word(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    name = "Müller, Gerätehäuschen hinten links an der Bahnunterführung"
    numbers = ["12 October 2025", "53", "65 ± 6 %", "65 % (52 %)", "0.04 m²"]
    show_table(COLUMNS, [(name, *numbers, "not sown: turfeye plan --before")], words=COLUMNS[-1])
    words = capsys.readouterr().out.split()
    assert set(name.split()) <= set(words)
    assert "--before" in words


def test_a_lawn_past_its_target_has_no_last_look(answer: Answer) -> None:
    season = answer.season
    past = replace(season, target=replace(season.target, date=season.visits[-1].taken.date()))
    (stop,) = rounds.of([(Path("x"), replace(answer, outlook=replace(answer.outlook, season=past)))]).stops
    assert not any("target date" in what for _, what in stop.dates)


def test_a_round_is_written_as_page_table_and_calendar(
    found: rounds.Round, answer: Answer, tmp_path: Path
) -> None:
    results.write(answer)
    page, table, dates = results.write_round(found, tmp_path / "out")
    html = page.read_text(encoding="utf-8")
    assert "5 lawns: 2 to reseed" in html
    grams = f"reseed {answer.plan.seed_g:.0f}"
    assert html.count(f"{grams}\u00a0g<") == 4  # in table and heading, on one line
    assert f"{grams} g" not in html
    assert html.count("<section") == 2
    assert html.count("Its own page") == 1  # the other has no results
    (link,) = re.findall(r'href="([^"]+)"', html)
    assert (page.parent / link).resolve() == (answer.lawn.results_dir / "sheet.html").resolve()
    assert "not valid" in html
    with table.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == rounds.COLUMNS
    assert [row["lawn"] for row in rows] == [stop.called for stop in found.stops]
    assert float(rows[0]["seed_g"]) == answer.plan.seed_g
    maps = re.findall(r'<img src="data:image/png;base64,([^"]+)"', html)
    assert len(maps) == len(found.answers) == 2
    keyless = drawing.png(
        charts.state_map(answer.outlook, ground=sheet.ground(answer.lawn), key=False)
    )  # the page's own key stands above all maps
    assert base64.b64encode(keyless).decode() in maps
    assert rows[0]["next_date"] == str(found.stops[0].dates[0][0])
    assert rows[4]["problem"] == "other/lawn.toml is not valid"
    assert rows[2]["cover"] == ""
    assert len(properties(dates.read_bytes().decode("utf-8"))) == len(found.dates)
    again = results.write_round(found, tmp_path / "again")
    assert [path.read_bytes() for path in again[1:]] == [table.read_bytes(), dates.read_bytes()]


def test_a_round_brings_what_lawns_still_to_be_sown_take(
    found: rounds.Round, answer: Answer, tmp_path: Path
) -> None:
    """One photographed before the work, and one of the others: their seed together, by mix."""
    folder = tmp_path / "lawns"
    newlawn.make(folder / "new", outline_m=[(0, 0), (3.6, 0), (4.7, 4.6), (-0.9, 5.0)], name="Mill Lane")
    text = (FERRY / "lawn.toml").read_text(encoding="utf-8")
    (photo,) = (FERRY / "photos").glob("2026-03-14*.jpg")
    corners = [
        (float(x), float(y)) for x, y in json.loads(re.findall(r"corners_px = (\[\[.*?\]\])", text)[0])
    ]
    survey.add(folder / "new", [photo], before=True, view="window", corners_px=corners)
    ((place, before),) = survey.round_of(folder)
    assert isinstance(before, Before)
    both = rounds.of([(place, before), (answer.lawn.folder, answer)])
    assert both.sentence == "2 lawns: 1 to reseed and 1 to sow"
    (stop,) = (stop for stop in both.stops if stop.wants == "sow")
    bring, plan = before.materials, answer.plan
    assert stop.to_do == f"sow {bring.seed_kg:.1f} kg"
    kilograms = math.ceil((1000 * bring.seed_kg + plan.seed_g + plan.seed_spare_g) / 100) / 10
    said = "to bring for 1 lawn to reseed and 1 lawn to sow, spare included: "
    assert both.to_bring.startswith(f"{said}{kilograms:.1f} kg of perennial ryegrass")
    row = next(row for row in rounds.rows(both) if row["wants"] == "sow")
    assert row["seed_g"] + row["seed_spare_g"] == round(1000 * bring.seed_kg)
    html = results.write_round(both, tmp_path / "out")[0].read_text(encoding="utf-8")
    assert "materials.html" in html
    # its photo is the newest: the round is of that day, and shows it
    late = rounds.of([(place, replace(before, taken=date(2026, 9, 1))), (answer.lawn.folder, answer)])
    assert late.as_of == date(2026, 9, 1)
    assert [stop.wants for stop in late.stops] == ["sow", "photograph again"]  # the other's is months old
    page = results.write_round(late, tmp_path / "late")[0].read_text(encoding="utf-8")
    assert "As of the newest photo, 1 September 2026." in page.replace("\u00a0", " ")
    (row,) = (_row(stop, late.as_of) for stop in late.stops if stop.before)
    assert row[:2] == ("Mill Lane", "1 September")
    assert all(caution in html for caution in bring.cautions if '"' not in caution and "'" not in caution)


def test_the_command_writes_a_round(answer: Answer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(survey, "round_of", lambda folder, tell: iter([(answer.lawn.folder, answer)]))
    done = CliRunner().invoke(root, ["round", "lawns", "--out", str(tmp_path / "out")])
    assert done.exit_code == 0
    assert {path.name for path in (tmp_path / "out").iterdir()} == {"round.html", "round.csv", "round.ics"}
    assert "open round.html first" in done.stderr


def test_every_column_of_a_round_is_explained() -> None:
    page = (Path(__file__).parent.parent / "docs" / "columns.md").read_text(encoding="utf-8")
    section = page.split("## round.csv")[1].split("\n## ")[0]
    lines = [line.split("|")[1] for line in section.splitlines() if line.startswith("| `")]
    assert [name for line in lines for name in re.findall(r"`(\w+)`", line)] == list(rounds.COLUMNS)
