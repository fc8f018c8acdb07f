"""Pages: whole, safe, self-contained, and true to the records."""

from __future__ import annotations

import base64
import csv
import io
import json
import re
import shutil
import sys
from collections import Counter
from dataclasses import replace
from datetime import date, timedelta
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from turfeye import (
    aftercare,
    charts,
    drawing,
    headline,
    mixes,
    notes,
    patches,
    planfile,
    results,
    series,
    sheet,
    states,
    survey,
)
from turfeye import answer as answers
from turfeye.answer import Answer
from turfeye.cli import root
from turfeye.cli.season import season
from turfeye.lawnrecords import Oversown
from turfeye.words import short_day
from turfeye.workplan import plan

TRIAL = Path(__file__).parents[1] / "sample_images/trial-spots"


class Page(HTMLParser):
    def __init__(self, html: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.sources: list[str] = []
        self.alts: list[str | None] = []
        self.open: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        for key in ("src", "href"):
            if given.get(key):
                self.sources.append(str(given[key]))
        if tag == "img":
            self.alts.append(given.get("alt"))
        if tag not in ("img", "meta", "br", "link"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))


@pytest.fixture(scope="module")
def drawn(answer: Answer) -> dict[str, bytes]:
    return sheet.pictures(answer)


def test_pages_are_well_formed_and_fetch_nothing(answer: Answer, drawn: dict[str, bytes]) -> None:
    for html in (sheet.page(answer, drawn), sheet.client_page(answer, drawn)):
        page = Page(html)
        assert page.open == []
        assert page.sources
        assert all(source.startswith("data:image/") for source in page.sources)
        assert all(page.alts)
        assert "url(" not in html
        assert "<script" not in html


def test_a_page_of_very_many_patches_leaves_their_reasons_to_the_table(
    answer: Answer, drawn: dict[str, bytes]
) -> None:
    tasks = answer.plan.tasks
    many = replace(answer, plan=replace(answer.plan, tasks=tasks * (sheet.MOST_REASONS // len(tasks) + 1)))
    text = Page(sheet.page(many, drawn)).text.replace("\u00a0", " ")
    assert "The reason for each is in plan.csv" in text
    for task in tasks:
        assert text.count(f"{task.tape.corner_a} {task.tape.from_a_m:.2f} m, ") > 1
        assert task.because[1:] not in text


def test_names_are_escaped(answer: Answer, drawn: dict[str, bytes]) -> None:
    html = sheet.page(answer, drawn)
    assert "Back &lt;lawn&gt; &amp; path" in html
    assert "<lawn>" not in html


def test_the_page_says_what_the_records_say(answer: Answer, drawn: dict[str, bytes]) -> None:
    text = Page(sheet.page(answer, drawn)).text.replace("\u00a0", " ")
    lawn = answer.outlook.lawn
    assert lawn.sentence.split(";")[0] in text
    assert f"{100 * lawn.cover_now:.0f} %" in text
    assert f"in thin cells; {sum(round(patch.area_m2, 2) for patch in answer.thin):.2f} m² by outline" in text
    for task in answer.plan.tasks:
        assert f"{task.seed_g:.0f} g" in text
        assert f"{task.tape.corner_a} {task.tape.from_a_m:.2f} m" in text
        assert task.because[1:] in text
    for caution in answer.plan.cautions:
        assert caution in text
    for line in (*sheet.CANNOT_TELL, *answer.warnings):
        assert text.count(line[1:]) == 1  # it begins with a capital there


def test_the_client_gets_plain_words_and_no_trade_figures(answer: Answer, drawn: dict[str, bytes]) -> None:
    text = Page(sheet.client_page(answer, drawn)).text
    assert sheet.PLAIN_STATES["thin"].format(will="will very likely") in text
    assert "Even a lawn without gaps measures only about 80 % in such photos" in text.replace("\u00a0", " ")
    for word in ("deficit", "zenith", "ΔE", "interval", "p-value", "because"):
        assert word not in text


def test_the_client_is_told_that_slow_parts_of_a_strip_are_sown_too(answer: Answer) -> None:
    task = answer.plan.tasks[0]
    assert sheet.PLAIN_IN_STRIPS["slow"] not in Page(sheet.client_page(answer)).text
    slow = np.flatnonzero(answer.outlook.state == "slow")[:2]
    assert len(slow)
    strip = replace(task, patch=replace(task.patch, cells=np.append(task.patch.cells, slow)))
    whole = replace(answer, plan=replace(answer.plan, tasks=(strip,)))
    assert sheet.PLAIN_IN_STRIPS["slow"] in Page(sheet.client_page(whole)).text


def sure(answer: Answer, chance: float) -> Answer:
    """The same, all that is thin being so by this chance."""
    raised = chance * np.exp(states.CAUTION)
    p_thin = np.full(len(answer.outlook.p_thin), raised / (1 - chance + raised))
    season, chances = answer.season, np.full(answer.outlook.lawn.counts["thin"], chance)
    words = headline.thin_words(chances, "fill", "9 May", states.next_look(season), back=False)
    outlook = replace(answer.outlook, p_thin=p_thin, lawn=replace(answer.outlook.lawn, sentence=words))
    thin = patches.thin(outlook, strips=False)  # a strip's chance comes from its own history
    made = plan(outlook, thin, mixes.get(season.sowing.mix), outline_m=answer.lawn.outline_m)
    return replace(answer, outlook=outlook, thin=thin, plan=made)


@pytest.mark.parametrize("chance", [0.97, 0.75, 0.52, 0.35])
def test_words_of_doubt_agree_with_the_chance_wherever_it_is_told(
    answer: Answer, drawn: dict[str, bytes], chance: float
) -> None:
    """In the words of the IPCC's guidance note of 2010 (table 1, from memory): very likely from 90 %, likely
    from 66 %, and as likely as not below that, here "open"; what is open says when it will be known."""
    told = sure(answer, chance)
    assert told.thin
    pages = [Page(page(told, drawn)).text.replace("\u00a0", " ") for page in (sheet.page, sheet.client_page)]
    rows = planfile.rows(told.plan)
    assert all(row["how_sure"] == pytest.approx(chance, abs=0.005) for row in rows)
    every = [
        *pages,
        planfile.plan_csv(told.plan),
        json.dumps(planfile.plan_dict(told.plan), ensure_ascii=False),
    ]
    look = short_day(told.season.visits[-1].taken.date() + timedelta(days=7))
    for text in every:
        assert (f"a photo around {look} will tell" in text) == (chance < 0.66)
        assert ("very likely" in text) == (chance >= 0.9)
        assert bool(re.search(r"(?<!very )likely", text)) == (0.66 <= chance < 0.9)


def test_the_client_of_a_young_lawn_is_not_told_that_all_is_well(answer: Answer) -> None:
    counts = dict.fromkeys(answer.outlook.lawn.counts, 0) | {"too soon to say": 200, "on course": 16}
    outlook = replace(answer.outlook, lawn=replace(answer.outlook.lawn, counts=counts, thin_m2=0.0))
    made = plan(outlook, (), mixes.get(answer.season.sowing.mix), outline_m=answer.lawn.outline_m)
    text = Page(sheet.client_page(replace(answer, outlook=outlook, thin=(), plan=made))).text
    assert (
        "It is too soon to say whether any place needs more seed: a photo around 18 April will tell." in text
    )
    assert "No place needs more seed" not in text


def test_photos_are_small_copies_and_the_originals_stay(answer: Answer, drawn: dict[str, bytes]) -> None:
    before = {path: path.read_bytes() for path in answer.lawn.photos()}
    html = sheet.page(answer, drawn)
    jpegs = re.findall(r"data:image/jpeg;base64,([A-Za-z0-9+/=]+)", html)
    assert len(jpegs) == 2
    sizes = [Image.open(io.BytesIO(base64.b64decode(data))).size for data in jpegs]
    assert sizes == [(420, 300)] * 2
    assert {path: path.read_bytes() for path in answer.lawn.photos()} == before


def test_the_same_answer_gives_the_same_page(answer: Answer, drawn: dict[str, bytes]) -> None:
    assert sheet.page(answer, drawn) == sheet.page(answer)


def test_nothing_to_do_and_no_photos(answer: Answer) -> None:
    visits = tuple(replace(visit, photos=()) for visit in answer.season.visits)
    outlook = replace(answer.outlook, season=replace(answer.season, visits=visits))
    plan = replace(answer.plan, tasks=(), spreading=(), dates=(), cautions=(), window="")
    quiet = replace(answer, outlook=outlook, thin=(), plan=plan, notes=())
    assert "Then and now" not in sheet.page(quiet)
    scattered = Page(sheet.client_page(quiet)).text  # no patch, though its map shows thin cells
    assert re.search(r"What is thin, [\d.]+ m² in all, is too small or too scattered", scattered)
    lawn = replace(quiet.outlook.lawn, thin_m2=0.0)
    none = replace(quiet, outlook=replace(quiet.outlook, lawn=lawn))
    assert "No place needs more seed" in sheet.client_page(none)


def test_a_target_in_the_past_is_looked_back_on(answer: Answer) -> None:
    assert not answer.passed
    due = answer.season.visits[-1].taken.date()
    season = replace(answer.season, target=replace(answer.season.target, date=due))
    late = replace(answer, outlook=replace(answer.outlook, season=season))
    client, own = Page(sheet.client_page(late)).text, Page(sheet.page(late)).text
    assert "the day we aimed for" in client
    assert "expect" not in client.split("What comes next")[0]
    assert "on the target date" in own
    assert "forecast for" not in own
    assert any(line.startswith("The target was") for line in answers.ten_lines(late))


def test_what_comes_next_names_its_place_once(answer: Answer) -> None:
    first = answer.season.visits[-1].taken.date()
    mix = mixes.get("perennial ryegrass")
    plan = replace(answer.plan, dates=aftercare.follow_up(mix, first, again=True), after_sowing=())
    (line,) = (one for one in answers.ten_lines(replace(answer, plan=plan)) if one.startswith("Next: "))
    assert line.count("where sown again") == 1
    assert re.search(r"look again where sown again; \d+ \w+ \d+ first feed there", line)


def test_what_is_not_sown_yet_has_no_date(answer: Answer, drawn: dict[str, bytes]) -> None:
    (line,) = (one for one in answers.ten_lines(answer) if one.startswith("Next: "))
    assert "once sown, look again after 10 days, first feed after 24 and first cut after 31" in line
    client, own = (Page(make(answer, drawn)).text for make in (sheet.client_page, sheet.page))
    assert "10 days after they are sown: look again" in client
    assert "10 days after sowing: look again" in own
    assert answer.plan.dates == ()  # nothing of it in a calendar either


def test_the_key_tells_what_is_hatched_about_spots(trial: Answer, answer: Answer) -> None:
    for make in (sheet.client_page, sheet.page):
        assert make(trial).count("</svg>beyond the photos<") == 1
        assert "beyond the photos" not in make(answer)


def test_a_pinch_that_is_left_is_told_to_the_owner_and_totals_nothing(
    answer: Answer, drawn: dict[str, bytes]
) -> None:
    tasks = tuple(replace(task, seed_g=0.0, dressing_l=0.0) for task in answer.plan.tasks[:1])
    few = replace(answer, plan=replace(answer.plan, tasks=tasks, seed_g=0.0, after_sowing=()))
    assert (
        "One place would take only a pinch, which may not be needed."
        in Page(sheet.client_page(few, drawn)).text
    )
    assert "Total" in sheet.page(answer, drawn)
    assert "Total" not in sheet.page(few, drawn)


def test_the_owner_is_told_when_what_was_sown_again_is_judged(
    answer: Answer, drawn: dict[str, bytes]
) -> None:
    season = answer.season
    again = Oversown(replace(season.sowing, date=season.visits[-1].taken.date()), np.arange(9))
    state = np.where(np.arange(len(season.row)) < 9, "too soon to say", answer.outlook.state)
    missing = "sown again on 11 April, photograph it from 25 April on"
    lawn = replace(answer.outlook.lawn, missing=missing, counts=dict(Counter(state.tolist())))
    seen = replace(answer.outlook, season=replace(season, oversown=(again,)), state=state, lawn=lawn)
    text = Page(sheet.client_page(replace(answer, outlook=seen), drawn)).text
    assert f"can't be judged yet: {missing}" in text
    assert missing not in Page(sheet.client_page(answer, drawn)).text


def test_a_printed_map_s_key_stays_with_its_map(answer: Answer, drawn: dict[str, bytes]) -> None:
    """It was kept with what follows, and stood alone on the next sheet."""
    page = sheet.page(answer, drawn)
    assert re.search(r'<figure class="map"><img[^>]*></figure>\s*<p class="quiet key">', page)
    style = page[page.index("<style>") : page.index("</style>")]
    kept = [rule.split("{")[0] for rule in style.split("}") if "break-after: avoid" in rule]
    assert any("figure:has(+ .key)" in rule for rule in kept)
    # nor does a rule keep any key with what comes after it, but for one that stands under a heading
    assert not any(re.search(r"(^|,)\s*\.key\s*(,|$)", rule.splitlines()[-1]) for rule in kept)


def test_a_page_has_the_key_of_its_map_once(answer: Answer, drawn: dict[str, bytes]) -> None:
    ground = sheet.ground(answer.lawn)
    alone, within = (charts.state_map(answer.outlook, ground=ground, key=key) for key in (True, False))
    for figure, key in ((alone, True), (within, False)):
        words = {text.get_text() for axes in figure.axes for text in axes.texts}
        assert ("on course" in words) is key
    assert drawn["map-states"] == drawing.png(within)
    assert sheet.pictures_alone(answer)["map-states"] == drawing.png(alone)
    shown = [state for state, count in answer.outlook.lawn.counts.items() if count]
    for page in (sheet.client_page(answer, drawn), sheet.page(answer, drawn)):
        assert page.count('class="swatch"') == len(shown)


def test_the_plan_s_table_is_the_page_s_or_the_picture_s(answer: Answer, drawn: dict[str, bytes]) -> None:
    """On a page it stands below the picture, in letters that a phone shows; alone the picture has it."""
    tasks, ground = answer.plan.tasks, sheet.ground(answer.lawn)
    within, alone = (
        charts.plan_picture(
            tasks,
            ground=ground,
            title=f"{answer.lawn.name}: {len(tasks)} patches",
            subtitle=sheet.BY_TAPE,
            table=table,
        )
        for table in (False, True)
    )
    area = f"{answer.plan.tasks[0].patch.area_m2:.2f} m²"
    shown = [{text.get_text() for axes in figure.axes for text in axes.texts} for figure in (within, alone)]
    assert [area in words for words in shown] == [False, True]
    assert drawn["plan"] == drawing.png(within)
    assert sheet.pictures_alone(answer)["plan"] == drawing.png(alone)
    assert sheet.page(answer, drawn).count(area) == 1


def test_ten_lines(answer: Answer) -> None:
    lines = answers.ten_lines(answer)
    assert 6 <= len(lines) <= 10
    assert lines[1] == answer.outlook.lawn.sentence
    assert answer.plan.sentence in lines
    assert f"{len(answer.thin)} patch" in lines[4]
    odd = replace(answer, notes=(notes.Note(("too dark: wait for cloud",), "a.jpg"),))
    assert answers.ten_lines(odd)[:-1] == answers.ten_lines(odd, noted=False)
    assert answers.ten_lines(odd)[-1].startswith("Note: a.jpg: too dark")
    several = replace(
        answer, notes=(notes.Note(("too dark", "blurred"), "a.jpg"), notes.Note(("blurred",), "b.jpg"))
    )
    assert answers.ten_lines(several)[-1] == "Note: a.jpg: too dark (this note and 2 more are on the page)"


def test_a_terminal_shows_each_note_once(answer: Answer, monkeypatch: pytest.MonkeyPatch) -> None:
    """What goes to a file keeps the first note, since the others go to standard error."""
    odd = replace(answer, notes=(notes.Note(("too dark: wait for cloud",), "a.jpg"),))
    monkeypatch.setattr(survey, "season", lambda *_, **__: odd)
    for terminal in (True, False):
        out, talk = io.StringIO(), io.StringIO()
        monkeypatch.setattr(out, "isatty", lambda terminal=terminal: terminal)
        monkeypatch.setattr(sys, "stdout", out)
        monkeypatch.setattr(sys, "stderr", talk)
        assert season.callback is not None
        season.callback(answer.lawn.folder, None)
        assert talk.getvalue().count("a.jpg: too dark") == 1
        assert out.getvalue().count("a.jpg: too dark") == (0 if terminal else 1)


def test_results_are_all_there_and_the_contract_s_columns_lead(answer: Answer) -> None:
    files = results.write(answer)
    names = {path.name for path in files}
    assert files[0].name == "sheet.html"
    assert {"season.csv", "plan.csv", "cells.csv", "outlines.json", "map-states.png", "plan.png"} <= names
    assert all(path.is_file() for path in files)
    folder = answer.lawn.results_dir
    head = (folder / "season.csv").read_text().splitlines()[0]
    assert head.startswith(
        "row,col,x_m,y_m,cover_now,cover_now_se,cover_at_target,cover_at_target_low,"
        "cover_at_target_high,p_on_target,state,why"
    )
    rows = list(csv.DictReader(io.StringIO((folder / "season.csv").read_text())))
    assert len(rows) == len(answer.season.row)
    np.testing.assert_allclose(
        [float(row["p_on_target"]) for row in rows], answer.outlook.p_on_target, rtol=1e-5, atol=1e-6
    )
    assert [row["state"] for row in rows] == answer.outlook.state.tolist()
    plan = list(csv.DictReader(io.StringIO((folder / "plan.csv").read_text())))
    assert sum(int(row["seed_g"]) for row in plan) == answer.plan.seed_g
    first = {path: path.read_bytes() for path in files}
    assert {path: path.read_bytes() for path in results.write(answer)} == first


def test_the_client_s_page_is_brought_up_to_date_once_it_is_there(
    answer: Answer, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = answer.lawn.results_dir / results.CLIENT_PAGE
    assert path not in results.write(answer)
    assert not path.exists()
    odd = replace(answer, notes=(notes.Note(("too dark: wait for cloud",), "a.jpg"),))
    monkeypatch.setattr(survey, "season", lambda *_, **__: odd)
    done = CliRunner().invoke(root, ["sheet", str(answer.lawn.folder)])
    assert done.exit_code == 0, done.output
    assert "note: a.jpg: too dark" in done.stderr
    told = path.read_bytes()
    path.write_text("of weeks ago")
    assert path in results.write(answer)
    assert path.read_bytes() == told
    path.unlink()


def plots_of(html: str) -> list[list[str]]:
    """The rows of the table of spots, as text; none where there is no such table."""
    table = re.search(r'<table class="plots">(.*?)</table>', html, re.DOTALL)
    rows = re.findall(r"<tr>(.*?)</tr>", table.group(1), re.DOTALL)[1:] if table else []
    return [re.findall(r"<td[^>]*>(.*?)</td>", row.replace("\u00a0", " ")) for row in rows]


def made_up(count: int) -> tuple[dict[str, object], ...]:
    """Invented rows of so many spots of one day, ranked."""
    blank = dict.fromkeys(series.COLUMNS) | {"taken": "2026-04-11T10:00:00", "cover_se": 0.03}
    cover = np.random.default_rng(4).uniform(0.1, 0.9, count).round(4).tolist()
    rows = [blank | {"view": f"spot {k}", "cover": share} for k, share in enumerate(cover, start=1)]
    return series.latest(series.ranked(rows, [0] * count))


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> Answer:
    """Two of the sample's spots on 6 May, the third three weeks before and after sowing, a fourth never."""
    folder = tmp_path_factory.mktemp("trial") / "spots"
    (folder / "photos").mkdir(parents=True)
    shutil.copy(TRIAL / "lawn.toml", folder)
    for name in ("2026-05-06-spot-1", "2026-05-06-spot-3", "2026-04-13-spot-1", "2026-04-13-spot-2"):
        shutil.copy(TRIAL / f"photos/{name}.jpg", folder / "photos")
    with (folder / "lawn.toml").open("a") as file:
        file.write("\n[[spot]]\nnumber = 9\nat_m = [7.0, 1.0]\n")
    return survey.season(folder, today=date(2026, 5, 10))


def test_spots_stand_in_a_table_as_in_photos_csv(trial: Answer) -> None:
    html = (trial.lawn.results_dir / "sheet.html").read_text()
    listed = list(csv.DictReader(io.StringIO((trial.lawn.results_dir / "photos.csv").read_text())))
    last = {row["view"]: row for row in sorted(listed, key=lambda row: row["taken"])}
    assert {view: row["taken"][:10] for view, row in last.items()} == {
        "spot 1": "2026-05-06",
        "spot 2": "2026-04-13",
        "spot 3": "2026-05-06",
    }

    def share(text: str) -> str:
        return f"{100 * float(text):.0f}"

    wanted = [
        [
            row["view"].split()[1],
            {"05-06": "6 May 2026", "04-13": "13 April 2026"}[row["taken"][5:10]],
            f"{row['rank']} ({row['rank_low']}–{row['rank_high']})",
            f"{share(row['cover'])} ± {share(row['cover_se'])}",
            share(row["straw"]),
            share(row["bare"]),
            f"{float(row['dgci']):.2f} ± {float(row['dgci_se']):.2f}",
            f"{float(row['cv_pct']):.0f}",
        ]
        for row in sorted(last.values(), key=lambda row: -float(row["cover"]))
    ]
    assert plots_of(html) == wanted
    assert Page(html).open == []
    text = Page(html).text
    assert "because no photo of it was measured: 9." in text
    assert "not comparable from one day to another" in text


def test_a_trial_opens_with_its_spots_and_not_with_what_to_reseed(trial: Answer) -> None:
    text = Page((trial.lawn.results_dir / "sheet.html").read_text()).text.replace("\u00a0", " ")
    first = text.split("How each spot is doing")[0]
    assert trial.spots in first
    assert not re.search("thin|reseed|won't fill in", first)
    alone = Page(sheet.page(replace(trial, spots=""))).text  # one spot only at the last visit
    assert "3 spots, each as it was last seen." in alone.split("How each spot is doing")[0]
    for part in trial.outlook.lawn.sentence.split("; "):  # said after the table
        assert part[1:] in text.split("All spots together")[1]


def test_a_lawn_with_a_view_keeps_its_headline_first(answer: Answer, drawn: dict[str, bytes]) -> None:
    text = Page(sheet.page(replace(answer, plots=made_up(60)), drawn)).text
    assert answer.outlook.lawn.sentence.split("; ")[0] in text.split("How each spot is doing")[0]
    assert "All spots together" not in text


def test_two_hundred_spots_are_a_row_each_the_greenest_first(answer: Answer, drawn: dict[str, bytes]) -> None:
    rows = plots_of(sheet.page(replace(answer, plots=made_up(200)), drawn))
    assert sorted(int(row[0]) for row in rows) == list(range(1, 201))
    covers = [int(row[3].split(" ± ")[0]) for row in rows]
    assert covers == sorted(covers, reverse=True)
    assert covers[0] > covers[-1]
    assert {tuple(row[4:]) for row in rows} == {("–",) * 4}  # what is not known is no 0


def test_the_client_has_the_spots_in_plain_figures(trial: Answer) -> None:
    html = sheet.client_page(trial)
    wanted = [
        [
            row["view"].split()[1],
            "6 May 2026" if row["taken"][5:10] == "05-06" else "13 April 2026",
            str(row["rank_low"]) if row["rank_low"] == row["rank_high"] else
            f"{row['rank_low']} to {row['rank_high']}",
            f"{100 * row['cover']:.0f} %",
            f"{100 * row['bare']:.0f} %",
        ]
        for row in trial.plots
    ]  # fmt: skip
    assert plots_of(html) == wanted
    assert Page(html).open == []
    text = Page(html).text.split("Spot by spot")[1].split("How it has grown")[0]
    assert "Not photographed: 9." in text
    assert not re.search("error|interval|coefficient|±|index", text)


def test_a_client_s_lawn_without_spots_has_no_table(answer: Answer, drawn: dict[str, bytes]) -> None:
    assert "Spot by spot" not in sheet.client_page(answer, drawn)
    assert len(plots_of(sheet.client_page(replace(answer, plots=made_up(2)), drawn))) == 2


def test_names_of_spots_are_escaped(answer: Answer, drawn: dict[str, bytes]) -> None:
    rows = made_up(2)
    html = sheet.page(replace(answer, plots=(rows[0] | {"view": "spot <b> & 1"}, rows[1])), drawn)
    assert plots_of(html)[0][0] == "&lt;b&gt; &amp; 1"
    assert "<b> & 1" not in html


def test_one_spot_has_no_table(answer: Answer, drawn: dict[str, bytes]) -> None:
    for count in (0, 1):
        html = sheet.page(replace(answer, plots=made_up(count)), drawn)
        assert plots_of(html) == []
        assert "How each spot is doing" not in html
    assert len(plots_of(sheet.page(replace(answer, plots=made_up(2)), drawn))) == 2


def test_what_a_season_doubts_is_said_once(answer: Answer, drawn: dict[str, bytes]) -> None:
    flag = "photos of 2026-04-13 disagree by 12 points: is one from another day?"
    season = replace(answer.season, flags=(flag,))
    odd = replace(answer, outlook=replace(answer.outlook, season=season), notes=(notes.Note((flag,)),))
    assert Page(sheet.page(odd, drawn)).text.count(flag[1:]) == 1
