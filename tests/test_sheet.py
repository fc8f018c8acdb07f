"""Pages: whole, safe, self-contained, and true to the records."""

from __future__ import annotations

import base64
import csv
import io
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from PIL import Image

from turfeye import answer as answers
from turfeye import results, sheet
from turfeye.answer import Answer


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


def test_names_are_escaped(answer: Answer, drawn: dict[str, bytes]) -> None:
    html = sheet.page(answer, drawn)
    assert "Back &lt;lawn&gt; &amp; path" in html
    assert "<lawn>" not in html


def test_the_page_says_what_the_records_say(answer: Answer, drawn: dict[str, bytes]) -> None:
    text = Page(sheet.page(answer, drawn)).text.replace("\u00a0", " ")
    lawn = answer.outlook.lawn
    assert lawn.sentence.split(";")[0] in text
    assert f"{100 * lawn.cover_now:.0f} %" in text
    for task in answer.plan.tasks:
        assert f"{task.seed_g:.0f} g" in text
        assert f"{task.tape.corner_a} {task.tape.from_a_m:.2f} m" in text
        assert task.because[1:] in text  # it begins with a capital there
    for caution in answer.plan.cautions:
        assert caution in text
    for line in (*sheet.CANNOT_TELL, *answer.warnings):
        assert line[1:] in text


def test_the_client_gets_plain_words_and_no_trade_figures(answer: Answer, drawn: dict[str, bytes]) -> None:
    text = Page(sheet.client_page(answer, drawn)).text
    assert sheet.PLAIN_STATES["thin"] in text
    for word in ("deficit", "zenith", "ΔE", "interval", "p-value", "because"):
        assert word not in text


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
    quiet = replace(answer, outlook=outlook, thin=(), plan=plan, warnings=())
    assert "Then and now" not in sheet.page(quiet)
    assert "No place needs more seed" in sheet.client_page(quiet)


def test_a_target_in_the_past_is_looked_back_on(answer: Answer) -> None:
    assert not answer.passed
    due = answer.season.visits[-1].taken.date()
    season = replace(answer.season, target=replace(answer.season.target, date=due))
    late = replace(answer, outlook=replace(answer.outlook, season=season))
    client, own = Page(sheet.client_page(late)).text, Page(sheet.page(late)).text
    assert "the day we aimed for" in client
    assert "expect" not in client.split("What comes next")[0]
    assert "on the target's day" in own
    assert "forecast for" not in own
    assert any(line.startswith("The target was") for line in answers.ten_lines(late))


def test_ten_lines(answer: Answer) -> None:
    lines = answers.ten_lines(answer)
    assert 6 <= len(lines) <= 10
    assert lines[1] == answer.outlook.lawn.sentence
    assert answer.plan.sentence in lines
    assert f"{len(answer.thin)} patch" in lines[4]


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
