"""The materials list before the work."""

from __future__ import annotations

import html
import math
import re
from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np
import pytest

from turfeye import mixes, sheet
from turfeye.amounts import PlanSettings
from turfeye.answer import Before
from turfeye.errors import LawnError
from turfeye.lawn import Hollow
from turfeye.outline import without
from turfeye.records import CellTable, Grid
from turfeye.renovation import materials

GRID = Grid(0.5, 0.0, 0.0, rows=12, cols=18)
OUTLINE = np.array([[0, 0], [9, 0], [9, 6], [0, 6.0]])
RYE = mixes.get("perennial ryegrass")


def listed(table, mix=RYE, **options):
    return materials(table, mix, outline_m=OUTLINE, **options)


def survey(*, hole=True, pale=True):
    """Invented: 54 m2, one worn place of 1.5 m x 1 m, one yellow place of 1 m x 1 m."""
    row, col = (index.ravel() for index in np.indices((12, 18)))
    n = len(row)
    x, y = GRID.centres_m().reshape(-1, 2).T
    rng = np.random.default_rng(0)
    worn = hole & (col >= 3) & (col < 6) & (row >= 4) & (row < 6)
    yellow = pale & (col >= 12) & (col < 14) & (row >= 7) & (row < 9)
    lab = (
        np.array([52.0, -22.0, 30.0]) + rng.normal(0, 0.8, (n, 3)) + yellow[:, None] * np.array([9, 4, 10.0])
    )
    values = {name: np.full(n, np.nan) for name in CellTable.column_names()}
    values |= {"row": row, "col": col, "x_m": x, "y_m": y, "area_m2": np.full(n, 0.25), "seen": np.ones(n)}
    values |= {
        "bare": np.where(worn, 0.9, 0.05),
        "cover": np.where(worn, 0.05, 0.8),
        "cover_se": np.full(n, 0.03),
    }
    values |= {"lab_l": lab[:, 0], "lab_a": lab[:, 1], "lab_b": lab[:, 2]}
    values |= {"state": np.full(n, "seen"), "why": np.full(n, "")}
    return CellTable(grid=GRID, **values)


def test_what_lies_close_beside_a_bed_is_sown_too():
    """10 cm about a bed are not read. By arithmetic: a bed of 2 x 1 m leaves 52 of 54 m2 to sow."""
    bed = np.array([[5.0, 1.0], [7.0, 1.0], [7.0, 2.0], [5.0, 2.0]])
    grid = without(replace(GRID, outline_m=OUTLINE, share=np.ones((12, 18))), [bed])
    table = survey(hole=False, pale=False)
    table = replace(table, grid=grid, area_m2=grid.share.ravel() * 0.25)
    assert table.area_m2.sum() == pytest.approx(54 - 2.2 * 1.2)
    found = listed(table, settings=PlanSettings(beds_m=(bed,)))
    assert found.area_m2 == pytest.approx(52)
    assert found.lines[0].amount == pytest.approx(35 * 52, abs=0.5)
    assert found.seen_share == pytest.approx(1)


def test_what_to_load():
    found = listed(survey(), hollows=[Hollow((2.2, 2.6), 40)])
    hole = found.tasks[0].patch
    area = hole.area_m2
    assert area == pytest.approx(1.5, rel=0.1)
    by_what = {f"{line.place}: {line.what}": line for line in found.lines}
    # 1 mm over 1 m2 is 1 L
    assert by_what["bare place 1: fill"].amount == math.ceil(round(400 * area, 6)) / 10
    # ryegrass has 35 for overseeding (common practice, no source), more than the 31.7 of 4-9 lb/1000 ft2 for
    # new lawns (extension tables): bare ground gets no less than the turf around it
    assert by_what["bare place 1: seed"].amount == pytest.approx(35 * area, abs=0.5)
    assert "for new lawns is lower, 31.7 g/m²), the rest too" in found.sentence
    rest = round(54 - area, 2)
    assert by_what["whole lawn: seed"].amount == pytest.approx(35 * rest, abs=0.5)
    assert by_what["whole lawn: dressing"].amount == pytest.approx(5 * rest, abs=0.1)
    assert "40 mm deep, as you measured" in by_what["bare place 1: fill"].because
    assert f"{math.ceil(found.fill_l)} L of fill" in found.sentence
    look = by_what["pale place 2: look, then lift or treat"]
    assert look.amount == pytest.approx(1.0, rel=0.15)
    assert "look there" in look.because


@pytest.mark.parametrize("soil", [0.55, 0.9])
@pytest.mark.parametrize("name", [mix.name for mix in mixes.table().values() if mix.rate_g_m2()])
def test_no_place_gets_less_seed_than_the_turf_around_it(name, soil):
    table, mix = survey(pale=False), mixes.get(name)
    found = listed(replace(table, bare=np.where(table.bare > 0.5, soil, 0.2)), mix)
    whole, place = (
        next(one for one in found.lines if (one.place, one.what) == (where, "seed"))
        for where in ("whole lawn", "bare place 1")
    )
    over = whole.amount / whole.area_m2
    assert over == pytest.approx(mix.rate_g_m2("over"), rel=0.01)
    by_hand = soil * max(mix.rate_g_m2("new"), mix.rate_g_m2("over")) + (1 - soil) * mix.rate_g_m2("over")
    assert place.amount == pytest.approx(by_hand * place.area_m2, abs=0.51)
    own = listed(table, mix, settings=PlanSettings(rate_g_m2=20))
    (place,) = (line for line in own.lines if line.place == "bare place 1")
    assert place.amount == pytest.approx(20 * place.area_m2, abs=0.51)
    assert "of bare ground is sown at your rate, the rest too." in own.sentence


def test_marked_places_are_found_by_tape():
    found = listed(survey())
    corners = dict(zip("ABCD", OUTLINE, strict=True))
    for task in found.tasks:
        for corner, length in (
            (task.tape.corner_a, task.tape.from_a_m),
            (task.tape.corner_b, task.tape.from_b_m),
        ):
            assert np.hypot(*(corners[corner] - (task.patch.x_m, task.patch.y_m))) == pytest.approx(length)
    assert [task.patch.number for task in found.tasks] == [1, 2]
    assert found.tasks[0].dressing_l == found.fill_l == 0


def test_totals_are_rounded_up():
    found = listed(survey())
    assert found.seed_g == sum(line.amount for line in found.lines if line.unit == "g")
    assert found.seed_kg * 1000 >= found.seed_g * 1.1 - 1e-6
    assert found.seed_kg * 1000 < found.seed_g * 1.1 + 100
    assert found.dressing_bags == 6  # 54 m² at 9 m² a bag: bare ground is dressed too
    assert sum(found.heaps_g) == found.lines[0].amount
    assert f"{found.seed_kg:.1f} kg of perennial ryegrass" in found.sentence
    assert any("buried cables" in text for text in found.cautions)


def test_the_page_begins_with_all_there_is_to_bring_whatever_the_mix_is_called():
    table, mix = survey(), replace(RYE, name="No. 5: hard wear")
    found = listed(table, mix)
    lawn = SimpleNamespace(name="Back", outline_m=OUTLINE, corner_names="ABCD", side_names=())
    before = Before(lawn, table, date(2026, 3, 2), ("a.jpg",), found, "")
    lead = re.search(r'class="lead">(.*?)</p>', sheet.materials_page(before, {"before-cover": b""}))[1]
    lead = lead.replace("\u00a0", " ")
    assert lead == f"{found.amounts}."
    page = sheet.materials_page(before, {"before-cover": b""})
    assert found.sowing.startswith("1.50 m² of bare ground is sown ")
    assert found.sowing in html.unescape(page)
    assert found.sowing in found.sentence
    assert lead.endswith(f"{found.dressing_bags} bags of dressing ({found.dressing_l:.1f} L).")
    assert "kg of No. 5: hard wear (" in lead


def test_the_page_tells_of_each_place_how_to_find_it_and_parts_its_sentences():
    for found in (listed(survey()), listed(bared(1.0))):
        lawn = SimpleNamespace(name="Back", outline_m=OUTLINE, corner_names="ABCD", side_names=())
        before = Before(lawn, survey(), date(2026, 3, 2), ("a.jpg",), found, "")
        page = sheet.materials_page(before, {"before-cover": b""}).replace("&nbsp;", " ")
        for task in found.tasks:
            first = f"By tape {task.tape.corner_a} {task.tape.from_a_m:.2f} m, {task.tape.corner_b} "
            assert first + f"{task.tape.from_b_m:.2f} m; at x, y " in page
        words = re.sub(r"<[^>]+>", " ", page.partition("</style>")[2])
        assert not re.search(r"[a-z]\.[A-Z]", words)


def test_sound_lawn_and_own_rate():
    found = listed(survey(hole=False, pale=False), settings=PlanSettings(rate_g_m2=20, spare_pct=0))
    assert found.seed_g == 1080
    assert found.seed_kg == 1.1
    assert found.fill_l == 0
    assert not any("buried cables" in text for text in found.cautions)


def bared(share):
    """The invented survey with this share of its cells bare, the others sound."""
    table = survey(hole=False, pale=False)
    soil = np.arange(len(table)) < share * len(table)
    return replace(table, bare=np.where(soil, 0.93, 0.05), cover=np.where(soil, 0.02, 0.8))


@pytest.mark.parametrize("share", [0.85, 1.0])
def test_ground_that_is_bare_nearly_everywhere_is_prepared_and_has_no_holes(share):
    found = listed(bared(share), settings=PlanSettings(spare_pct=0))
    assert found.prepared
    assert found.fill_l == 0
    assert found.tasks == ()
    assert [(line.place, line.what) for line in found.lines] == [
        ("whole lawn", "seed"),
        ("whole lawn", "dressing"),
    ]
    assert found.seed_g == 35 * 54  # ryegrass: its overseeding rate is above that for new lawns
    assert "sown all over at the rate for overseeding" in found.sentence
    fescue = listed(bared(share), mixes.get("fine fescue"))
    assert fescue.seed_g == round(21.95 * 54)  # 4-5 lb/1000 ft2, extension tables: 19.5-24.4
    assert "fine fescue's rate for new lawns" in fescue.lines[0].because
    assert "prepared ground and is sown all over at the rate for new lawns" in fescue.sentence
    assert not any("buried cables" in text for text in found.cautions)
    own = listed(bared(share), settings=PlanSettings(rate_g_m2=20, spare_pct=0))
    assert own.seed_g == 1080


@pytest.mark.parametrize("share", [0.05, 0.5, 0.6, 0.79])
def test_no_fill_is_counted_that_nobody_measured(share):
    fescue = mixes.get("fine fescue")
    found = listed(bared(share), fescue, settings=PlanSettings(spare_pct=0))
    assert not found.prepared
    assert found.fill_l == 0
    assert found.dressing_l == pytest.approx(5 * 54)
    assert "a photo shows no depth" in found.sentence
    new, over = fescue.rate_g_m2("new"), fescue.rate_g_m2("over")
    by_hand = share * 54 * (0.93 * new + 0.07 * over) + (1 - share) * 54 * over  # 0.93 of those cells is bare
    assert found.seed_g == pytest.approx(by_hand, rel=0.03)
    said = re.search(r"([\d.]+) m² of bare ground is sown at the rate for new lawns", found.sentence)
    assert said
    assert float(said[1]) == pytest.approx(share * 54, rel=0.05)


def test_the_list_hardly_changes_where_a_lawn_begins_to_count_as_prepared():
    below, above = (listed(bared(share), settings=PlanSettings(spare_pct=0)) for share in (0.795, 0.805))
    assert (below.prepared, above.prepared) == (False, True)
    assert below.dressing_l == above.dressing_l
    assert below.fill_l == above.fill_l == 0
    assert below.seed_g == pytest.approx(above.seed_g, rel=0.05)


def test_a_hollow_in_the_grass_is_a_place_of_its_own():
    found = listed(survey(), hollows=[Hollow((7.0, 1.0), 25, 0.8), Hollow((2.25, 2.5), 30, 0.5)])
    grass = next(task for task in found.tasks if task.patch.kind == "hollow")
    assert (grass.patch.x_m, grass.patch.y_m, grass.seed_g) == (7.0, 1.0, 0)
    assert grass.dressing_l == pytest.approx(25 * 0.8)  # 1 mm over 1 m² is 1 L
    # the other is a part of the worn place
    worn = next(task for task in found.tasks if task.patch.kind == "bare")
    assert worn.dressing_l == pytest.approx(30 * 0.5)
    assert found.fill_l == pytest.approx(25 * 0.8 + 30 * 0.5)
    assert found.dressing_l == pytest.approx(5 * (54 - 0.8 - 0.5), abs=0.1)
    x, y = grass.patch.outline_m.T
    drawn = 0.5 * abs(np.dot(x[:-1], y[1:]) - np.dot(x[1:], y[:-1]))  # shoelace
    assert drawn == pytest.approx(0.8, rel=0.02)
    with pytest.raises(LawnError, match=r"hollow at \[7.0, 1.0\] lies in no bare place"):
        listed(survey(), hollows=[Hollow((7.0, 1.0), 25)])


def test_prepared_ground_may_have_hollows():
    found = listed(bared(1.0), hollows=[Hollow((3.0, 3.0), 50, 2.0)])
    assert found.prepared
    assert found.fill_l == 100
    assert "photo shows no depth" not in found.sentence


def test_half_seen_is_said_and_nothing_seen_is_refused():
    table = survey()
    half = np.arange(len(table)) < len(table) // 2
    part = replace(
        table,
        seen=np.where(half, 1.0, 0.0),
        state=np.where(half, "seen", "not seen"),
        bare=np.where(half, table.bare, np.nan),
    )
    assert "The survey shows 50 % of the lawn" in listed(part).sentence
    gone = replace(table, seen=np.zeros(len(table)), state=np.full(len(table), "not seen"))
    with pytest.raises(LawnError, match="shows none of the lawn"):
        listed(gone)
    dark = replace(gone, why=np.full(len(table), "too dark: 3 of 255"))
    with pytest.raises(LawnError, match=r"well enough to measure \(most of it: too dark\)"):
        listed(dark)
