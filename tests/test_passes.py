"""Pieces of strips that the spreader left in part, on invented lawns whose truth is known."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import numpy as np
import pytest
from test_patches import season_with

from turfeye import histories, mixes, patches, settled, sheet, states, workplan
from turfeye import outlook as outlooks
from turfeye.histories import Along, Histories, along_strip
from turfeye.kriging import Kriged
from turfeye.outline import cell_shares
from turfeye.passes import strip_of, ways
from turfeye.places import Place
from turfeye.simulate.strips import StripRecipe, lawn_with_strip
from turfeye.unmix import _guess, _Mixed

STRIP_WORDS = (
    r"a (?:piece of a )?strip (\S+) ± (\S+) m wide(?:, though most of [^:]*)?: it will be (\d+) % covered"
)


def pieces(seed, recipe, *, until_day=53):
    """A lawn's outlook, the pieces outlined of its strip, and its true cover on the target's date."""
    season, truth = lawn_with_strip(seed, recipe, until_day=until_day)
    outlook = outlooks.fit(season)
    found = [p for p in patches.thin(outlook) if (truth.share[p.cells] > 0).mean() >= 0.5]
    return outlook, found, float(truth.cover[(season.target.date - season.sowing.date).days])


def length_m(found):
    return sum(float(np.ptp(p.outline_m[:, 1])) for p in found)


def test_late_strip_that_fills_no_cell_is_told_as_wide_and_as_deep_as_it_is():
    # As in the shipped lawn: 55 cm, two thirds of one row of cells and nearly half of the next, 17 days late.
    # Taken for bare, its pieces came out a third as large, "at 6 to 8 %".
    recipe = StripRecipe(width_m=0.55, middle_m=3.55, late_days=17, comes_to=0.5, cols=14)
    areas, told = [], []
    for seed in range(16):
        _, found, cover = pieces(seed, recipe)
        if cover > 0.55:  # it lacks less than ten points
            continue
        for patch in found:
            width, se, here = map(float, re.match(STRIP_WORDS, patch.because).groups())
            assert patch.deficit == pytest.approx(1 - here / 65, abs=0.01)
            told.append((width - 0.55, se, here / 100 - cover))
        if found:
            areas.append(sum(p.area_m2 for p in found) / (0.55 * length_m(found)))
    assert len(areas) >= 5
    assert np.mean(areas) == pytest.approx(1, abs=0.12)
    width_off, se, cover_off = np.array(told).T
    assert np.mean(np.abs(width_off)) < 0.06
    assert np.mean(np.abs(width_off) <= 2 * se) > 0.7
    assert np.mean(np.abs(cover_off)) < 0.08


def test_a_strip_that_stays_short_all_along_is_one_patch():
    """Though its cells are half lawn, and few of them thin each for itself; the lawn is 6 m deep."""
    recipe = StripRecipe(width_m=0.55, middle_m=3.55, late_days=17, comes_to=0.45, cols=14)
    alone = []
    for seed in range(12):
        _, found, cover = pieces(seed, recipe)
        if not found or cover > 0.5:
            continue
        alone.append(len(found) == 1 and length_m(found) > 5)
        for patch in found:
            assert len(patch.cells) <= 24
            assert np.ptp(patch.outline_m[:, 0]) < 1.0
    assert len(alone) >= 6
    assert np.mean(alone) > 0.6


def test_what_is_narrower_than_any_pass_is_told_as_a_patch(monkeypatch):
    """The thin rim of a lawn, say; here the limit is moved instead, above a strip of 55 cm."""
    recipe = StripRecipe(width_m=0.55, middle_m=3.55, late_days=17, comes_to=0.45, cols=14)
    _, as_strip, _ = pieces(0, recipe)
    assert "strip" in as_strip[0].because
    # nor is there one where too little of the lawn beside it was seen to tell it from
    for limit, value in (("NARROW_M", 2.0), ("FEWEST", 98)):
        with monkeypatch.context() as moved:
            moved.setattr(patches, limit, value)
            _, as_patches, _ = pieces(0, recipe)
        assert as_patches
        assert not any("strip" in patch.because for patch in as_patches)
        assert not any("all that was seen" in patch.because for patch in as_patches)


def test_strips_of_any_width_place_and_depth():
    off, within, cover_off, seed_m2, needed_m2 = [], [], [], 0.0, 0.0
    for seed in range(71_000, 71_060):
        recipe = StripRecipe.random(seed)
        outlook, found, cover = pieces(seed, recipe)
        if not found or cover > outlook.season.target.cover - 0.05:
            continue
        area, true = sum(p.area_m2 for p in found), recipe.width_m * length_m(found)
        off.append(abs(area / true - 1))
        within.append(abs(area - true) <= 2 * sum(p.area_se_m2 for p in found))
        here = sum(p.area_m2 * (1 - p.deficit) for p in found) / area * outlook.season.target.cover
        cover_off.append(abs(here - cover))
        seed_m2 += area * (1 - here / outlook.season.target.cover)
        needed_m2 += recipe.width_m * 6 * (1 - cover / outlook.season.target.cover)  # the lawn is 6 m deep
    assert len(off) >= 15
    assert np.mean(off) < 0.20
    assert np.mean(within) > 0.8
    assert np.mean(cover_off) < 0.12
    assert seed_m2 == pytest.approx(needed_m2, rel=0.15)


def told_m2(season, found):
    """(N,) ground of each cell that is to be sown, at the full rate."""
    told = np.zeros(len(season.row))
    for patch in found:
        told += cell_shares(patch.outline_m, season.grid).ravel() * season.area_m2 * patch.deficit
    return told


def test_seed_for_a_strip_that_is_late_here_and_left_out_there():
    """Of seeds that nothing was set on; 23 % of it fell on late stretches before these were told apart."""
    needed, where_out, elsewhere = [], [], []
    for seed in range(95_000, 95_030):
        season, truth = lawn_with_strip(seed, StripRecipe.mixed(seed), until_day=36)
        told = told_m2(season, patches.thin(outlooks.fit(season)))
        needed.append(truth.lacks_m2(season).sum())
        where_out.append(told @ truth.left_out)
        elsewhere.append(told @ (1 - truth.left_out))
    assert np.mean(np.abs(np.array(where_out) / needed - 1)) < 0.30
    assert np.sum(elsewhere) / np.sum(needed) < 0.15


def test_a_strip_left_out_at_both_ends_is_two_patches_and_its_late_middle_none():
    """It was one patch all along, most of its middle with it."""
    recipe = StripRecipe(0.7, 3.4, late_days=12, comes_to=0.95, cols=14, left_out_m=((0, 1.9), (4.2, 6)))
    season, _ = lawn_with_strip(7, recipe, until_day=36)
    found = patches.thin(outlooks.fit(season))
    assert len(found) == 2
    for patch, ends in zip(sorted(found, key=lambda patch: patch.y_m), recipe.left_out_m, strict=True):
        assert (patch.outline_m[:, 1].min(), patch.outline_m[:, 1].max()) == pytest.approx(ends, abs=0.35)
        assert patch.area_m2 == pytest.approx(0.7 * (ends[1] - ends[0]), rel=0.2)
        assert patch.deficit > 0.6


def test_histories_along_a_strip_are_weighed_as_by_going_through_all_of_them():
    """Forward and backward against the sum over every one of 3 ** 5 ways to go through 5 places."""
    rng = np.random.default_rng(8)
    fits, likely = rng.normal(0, 3, (2, 3, 5)), np.array([0.5, 0.3, 0.2])
    step = (1 - histories.CHANGES) * np.eye(3) + histories.CHANGES * likely
    total = np.zeros((2, 3, 5))
    for width, way in itertools.product(range(2), itertools.product(range(3), repeat=5)):
        chance = likely[way[0]] * np.prod([step[a, b] for a, b in itertools.pairwise(way)])
        total[width, way, range(5)] += chance * np.exp(sum(fits[width, h, t] for t, h in enumerate(way)))
    chances, evidence = histories._chain(fits, likely)
    assert chances == pytest.approx(total / total.sum(axis=1, keepdims=True))
    assert np.exp(evidence) == pytest.approx(total.sum(axis=1)[:, 0])


def test_a_strips_lines_lie_between_its_two_edges():
    line = np.arange(3.0)
    along = Along(np.arange(3), np.zeros(3, int), line, np.zeros(3), 0.0, np.ones((1, 4)), line, 0.6)
    shares, edges = histories._between_edges(along)
    assert np.ptp(edges[:, :2], axis=1) == pytest.approx(shares.sum(axis=1))
    assert np.all((shares >= 0) & (shares <= 1))
    narrow = (shares.sum(axis=1) < 1) & (shares[:, 0] > 0)
    assert np.all(shares[narrow, 2] == 0)  # it can't leave a line out
    assert np.all(shares[(shares[:, 0] > 0) & (shares[:, 2] > 0), 1] == 1)
    width = np.sort(np.unique(shares.sum(axis=1).round(9)))
    assert width == pytest.approx(np.arange(1, 25) / 8)  # every eighth of a cell


def test_width_and_history_are_told_together():
    """Half of a strip came late, half was left out; its width is the same, and each half has its history.

    Made of the model itself, with an error of a twentieth of what there is to see, so it must be found again.
    """
    rng = np.random.default_rng(5)
    own = np.array([[0.1, 0.1, 0.1, 0.1], [0.1, 0.2, 0.45, 0.7]])  # left out, late
    lawn = np.array([0.2, 0.5, 0.75])
    known = Histories(own[:, None], np.log([0.5, 0.5]), np.array([False, True]))
    line, place = (index.ravel() for index in np.indices((3, 10)))
    share = np.array([0.25, 1.0, 0.0])[line]
    contrast = lawn - own[:, None, :3]
    mine = contrast[(place >= 5).astype(int), 0]
    short = share[:, None] * mine + rng.normal(0, 0.03, (30, 3))
    told, power = (short * contrast).sum(axis=2) / 0.03**2, (contrast**2).sum(axis=2).repeat(30, 1) / 0.03**2
    along = Along(line, place, line.astype(float), place.astype(float), 0.0, np.ones((1, 4)), lawn, 0.6)
    course = along_strip(known, told, power, along, area_m2=np.full(30, 0.25))
    assert course.share == pytest.approx(share, abs=0.06)
    assert np.all(course.chance[0, place < 5] > 0.95)
    assert np.all(course.chance[1, place >= 5] > 0.95)
    assert abs(course.share.sum() - share.sum()) * 0.25 < 3 * max(course.area_se_m2, 0.02)


@pytest.mark.parametrize("disc", [(3.0, 3.0, 0.34), (4.1, 3.2, 0.8), (9.0, 3.0, 1.0), (4.3, 2.2, 1.4)])
def test_a_round_patch_is_no_piece_of_a_strip(disc):
    outlook = season_with([disc])
    season, thin = outlook.season, outlook.state == "thin"
    groups = Place(season.grid, season.row, season.col).groups(thin)
    assert groups
    for group in groups:
        assert strip_of(outlook.cover_now, group, ~thin, ways(outlook)) is None
    assert not any("strip" in patch.because for patch in patches.thin(outlook))


def test_a_strip_is_told_along_rows_as_along_columns():
    recipe = StripRecipe(width_m=0.6, middle_m=3.45, late_days=15, comes_to=0.5, cols=14)
    outlook, found, _ = pieces(2, recipe)
    assert found
    season, thin = outlook.season, outlook.state == "thin"
    (group, *_) = Place(season.grid, season.row, season.col).groups(thin)
    strip = strip_of(outlook.cover_now, group, ~thin, ways(outlook))
    assert strip is not None
    assert np.array_equal(strip.line, season.col)
    assert set(season.col[strip.rest]) <= {6, 7}


def test_cells_of_a_line_have_the_share_that_least_squares_give_them_together():
    """Against numpy's lstsq on whitened data: one unknown share for all cells and visits of a line."""
    rng = np.random.default_rng(3)
    cells, visits = 7, 5
    lawn, own = np.linspace(0.2, 0.8, visits), np.linspace(0.05, 0.3, visits)
    root = 0.02 * (np.eye(visits) + 0.3 * rng.random((visits, visits)))
    noise = root @ root.T
    short = 0.6 * (lawn - own) + rng.standard_normal((cells, visits)) @ root.T
    seen = _Mixed(
        short, np.broadcast_to(np.linalg.inv(noise), (cells, visits, visits)), np.zeros((cells, 4), int)
    )
    around = Kriged(np.broadcast_to(lawn, (cells, visits)), np.ones((cells, visits)), np.zeros((1, 1)), noise)
    found = _guess(seen, around, own, prior=0.0, start_sd=0.0, line=np.zeros(cells, int))
    white = np.linalg.inv(root)
    expected, *_ = np.linalg.lstsq(
        np.tile(white @ (lawn - own), cells)[:, None], (short @ white.T).ravel(), rcond=None
    )
    assert found.share == pytest.approx(np.full(cells, expected[0]), abs=1e-3)
    assert found.sd[0] == pytest.approx(1 / np.sqrt(cells) / np.linalg.norm(white @ (lawn - own)), rel=1e-2)


def test_how_far_the_lawn_had_risen_before():
    outlook, *_ = pieces(2, StripRecipe(0.6, 3.45, late_days=15, comes_to=0.5, cols=14))
    season, thin = outlook.season, outlook.state == "thin"
    (group, *_) = Place(season.grid, season.row, season.col).groups(thin)
    strip = strip_of(outlook.cover_now, group, ~thin, ways(outlook))
    cells = thin | strip.rest
    along = strip.along(outlook, cells, ~cells & np.isfinite(outlook.theta[:, 0]))
    assert isinstance(along, Along)
    assert along.risen.shape[1] == len(season.visits) + 1  # the last is the target's date
    assert np.all((along.risen >= 0) & (along.risen <= 1 + 1e-9))
    assert np.all(np.diff(along.risen, axis=0) <= 1e-9)  # the later, the less


def test_a_strip_that_is_likely_only_late_waits_and_is_told_so_everywhere():
    """Cells of it are thin each for itself, and it got seed, or none and no word."""
    recipe = replace(StripRecipe.mixed(410_005), left_out_m=())
    season, truth = lawn_with_strip(410_005, recipe, until_day=29)
    fitted = outlooks.fit(season)
    found = patches.thin_or_slow(fitted)
    assert (fitted.state == "thin").sum() >= 5
    assert [patch.kind for patch in found] == ["slow"]
    assert patches.thin(fitted) == ()
    (strip,) = found
    assert (truth.share[strip.cells] > 0).all()
    assert re.search(r"strip .* waits: the seed is likely there and merely late \((\d+) %\)", strip.because)
    assert strip.how_sure >= patches.WAITS
    told = settled.by_patches(fitted, found)
    assert not (told.state == "thin").any()
    assert told.lawn.counts["thin"] == 0 == told.lawn.thin_m2
    assert "is thin" in told.lawn.sentence  # none is
    were_thin = np.flatnonzero(fitted.state == "thin")
    assert all(told.why[k].endswith("; but part of a strip that is merely late, patch 1") for k in were_thin)
    corners = np.array([[0, 0], [season.grid.cols * 0.5, 0], [season.grid.cols * 0.5, 6], [0, 6.0]])
    plan = workplan.plan(told, found, mixes.get("perennial ryegrass"), outline_m=corners)
    assert plan.seed_g == 0 == plan.dressing_l
    assert plan.sentence.startswith(
        "Nothing to reseed yet. Patch 1 is merely late and gets no seed yet: a photo"
    )
    assert any(
        what.startswith("photograph again: it is still open whether patch 1 will fill in")
        for _, what in plan.dates
    )


def test_thin_cells_have_the_chance_of_their_patch():
    """The headline said "likely" where both patches said "very likely"."""
    fitted = season_with([(3.0, 3.0, 1.0)])
    found = patches.thin_or_slow(fitted)
    assert [patch.kind for patch in found] == ["thin"]
    sure = replace(found[0], how_sure=0.95)
    told = settled.by_patches(fitted, [sure])
    thin = sure.cells[fitted.state[sure.cells] == "thin"]
    assert states.chance_short(told.p_thin[thin]) == pytest.approx(0.95)
    assert all("very likely it won't fill in (95 %)" in told.why[k] for k in thin)
    assert "very likely won't fill in" in told.lawn.sentence
    doubtful = settled.by_patches(fitted, [replace(sure, how_sure=0.5)])
    assert "whether they will fill in is still open" in doubtful.lawn.sentence
    assert told.lawn.counts == fitted.lawn.counts


def test_strips_that_are_late_get_seed_less_often_than_those_left_out_get_it():
    """Two weeks and a half before the date, on seeds that nothing was set on.

    Before widths and histories were told together 47 % of those late got seed, and 65 % of what was wanted
    went where they were left out, off by 0.42.
    """
    late, out = [], []
    for seed in range(96_500, 96_530):
        mixed = StripRecipe.mixed(seed)
        for ends, told in (((), late), (((0, 6.0),), out)):
            season, truth = lawn_with_strip(seed, replace(mixed, left_out_m=ends), until_day=29)
            seed_m2 = told_m2(season, patches.thin(outlooks.fit(season))).sum()
            told.append((seed_m2, truth.lacks_m2(season).sum()))
    seed_m2, needed = np.transpose(out)
    assert np.mean(np.array(late)[:, 0] > 0.05 * needed) <= 0.36
    assert seed_m2.sum() / needed.sum() > 0.67
    assert np.mean(np.abs(seed_m2 / needed - 1)) < 0.40


def test_a_strip_has_straight_edges_to_its_very_end():
    """It bulged by 5 cm at an end that was not seen, and where a cell beside it was not."""
    recipe = StripRecipe(width_m=0.6, middle_m=3.45, late_days=0, comes_to=0.1, cols=14)
    season, _ = lawn_with_strip(11, recipe, until_day=44)
    hidden = ((season.row >= 11) & (season.col >= 6)) | ((season.row == 5) & (season.col == 7))
    season = replace(season, cover=np.where(hidden[:, None], np.nan, season.cover))
    (patch,) = patches.thin(outlooks.fit(season))
    x, y = patch.outline_m.T
    inner = (y > y.min() + 0.1) & (y < y.max() - 0.1)
    for side in (inner & (x < 3.45), inner & (x > 3.45)):
        assert not side.any() or np.ptp(x[side]) < 0.02
    assert np.ptp(x) == pytest.approx(0.6, abs=0.12)
    assert y.max() == pytest.approx(5.5, abs=0.07)


def test_the_client_is_told_of_a_strip_that_comes_late(answer):
    """Its cells are on the client's map, so the page says why nothing is sown there."""
    recipe = replace(StripRecipe.mixed(410_005), left_out_m=())
    fitted = outlooks.fit(lawn_with_strip(410_005, recipe, until_day=29)[0])
    page = sheet.client_page(replace(answer, slow=patches.thin_or_slow(fitted)))
    assert "One strip is late" in page
    assert "no more is sown for now" in page
    assert "comes late" not in sheet.client_page(answer)
