"""Green that lies flat is told from standing blades, and read without what those would hide.

The pictures are drawn here, by a pinhole camera: flat shapes on the ground by its homography, and blades that
stand as lines in space. Beside them stand the rendered samples (invented).
"""

from __future__ import annotations

import csv
import shutil
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from turfeye import card, caveats, cells, foreshortening, glance, lawn, measurement, photo, view
from turfeye.colourspace import encode
from turfeye.gapfraction import Blades
from turfeye.records import Floats, Look, Photo, View

ROOT = Path(__file__).parent.parent
FERRY = ROOT / "sample_images" / "ferry-cottage"
SIZE, OVER = (1600, 1200), 2  # of a picture, and how much finer it is drawn
LAWN_M = np.array([[0.0, 0.0], [3.0, 0.0], [3.0, 4.0], [0.0, 4.0]])
GROUND_MM, BESIDE_M = 2.0, 0.5
SOIL, LEAF = np.array([0.115, 0.075, 0.045]), np.array([0.045, 0.115, 0.022])
FLAT_WITHIN_POINTS = 8.0
"""Five of them are the classifier's, who has no card here."""


def camera(zenith_deg: float, height_m: float = 1.7) -> View:
    """One that looks at the lawn's middle from before its first side; 26 mm as on 35 mm film."""
    zenith = np.radians(zenith_deg)
    forth, right = np.array([0, np.sin(zenith), -np.cos(zenith)]), np.array([1.0, 0, 0])
    rotation = np.stack([right, np.cross(forth, right), forth])
    focal = photo.focal_from_35mm(26.0, SIZE)
    place = np.array([1.5, 1.7 - height_m * np.tan(zenith), height_m])
    return View("lawn", SIZE, view.camera_matrix(focal, SIZE), rotation, -rotation @ place, "given", 0.0)


def noise(rng: np.random.Generator, sigma_px: float) -> Floats:
    """On the ground, as wide as the lawn and `BESIDE_M` beside it."""
    height, width = np.rint((LAWN_M.max(axis=0)[::-1] + 2 * BESIDE_M) * 1000 / GROUND_MM).astype(int)
    coarse = max(1, int(sigma_px / 3))
    field = rng.standard_normal((height // coarse + 1, width // coarse + 1)).astype(np.float32)
    field = cv2.resize(cv2.GaussianBlur(field, (0, 0), sigma_px / coarse), (width, height))
    return field / field.std()


def soil(rng: np.random.Generator) -> Floats:
    return SOIL * np.exp(0.2 * noise(rng, 1.5) + 0.15 * noise(rng, 6))[..., None]


def moss(rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Patches of no shape, of all covers; where they are, and the ground."""
    on = noise(rng, 6 / GROUND_MM) < 0.8 * noise(rng, 300 / GROUND_MM) + 0.2
    leaf = LEAF * np.clip(1 + 0.25 * noise(rng, 1.2), 0.3, 2)[..., None]
    return on, np.where(on[..., None], leaf, soil(rng))


def laid_blades(rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Blades that lie, in all directions."""
    lit = np.zeros(noise(rng, 1).shape, np.uint8)
    height, width = lit.shape
    for _ in range(26_000):
        x, y, turn = rng.uniform(0, width), rng.uniform(0, height), rng.uniform(0, 2 * np.pi)
        reach = rng.uniform(15, 30) / GROUND_MM
        ends = [(x - reach * np.cos(turn), y - reach * np.sin(turn)), (x, y)]
        cv2.line(lit, *np.rint(ends).astype(int).tolist(), int(rng.integers(60, 250)), 2)
    return lit > 0, np.where(lit[..., None] > 0, LEAF * (0.3 + lit[..., None] / 180), soil(rng))


def seen_from(seen: View, ground: Floats) -> Floats:
    """The ground as the camera sees it, `OVER` times as large."""
    step = GROUND_MM / 1000
    top = (ground.shape[0] - 0.5) * step - BESIDE_M
    to_lawn = np.array([[step, 0, step / 2 - BESIDE_M], [0, -step, top], [0, 0, 1]])
    fine = np.array([[OVER, 0, (OVER - 1) / 2], [0, OVER, (OVER - 1) / 2], [0, 0, 1]])
    size = (OVER * SIZE[0], OVER * SIZE[1])
    border = cv2.BORDER_REFLECT
    return cv2.warpPerspective(
        ground.astype(np.float32), fine @ seen.plane @ to_lawn, size, flags=cv2.INTER_AREA, borderMode=border
    )


def with_blades(seen: View, fine: Floats, rng: np.random.Generator, *, left_of_m: float = 3.0) -> Floats:
    """Blades stood on the lawn, the farthest first, up to so far along the first side."""
    foot = np.column_stack([rng.uniform(0, left_of_m, 45_000), rng.uniform(0, 4, 45_000)])
    foot = foot[np.argsort(-foot[:, 1])]
    tip = np.column_stack([foot + rng.normal(0, 0.015, foot.shape), rng.uniform(0.03, 0.06, len(foot))])
    points = np.stack([np.column_stack([foot, np.zeros(len(foot))]), tip])
    at = points @ seen.rotation.T + seen.translation
    px = OVER * (at[..., :2] / at[..., 2:] * seen.focal_px + seen.camera_matrix[:2, 2])
    wide = np.maximum(1, np.rint(0.0025 * OVER * seen.focal_px / at[0, :, 2])).astype(int)
    lit = rng.uniform(0.4, 1.8, len(foot))
    for k in range(len(foot)):
        ends = np.rint(px[:, k]).astype(int).tolist()
        cv2.line(fine, *ends, (LEAF * lit[k]).tolist(), int(wide[k]), cv2.LINE_AA)
    return fine


def shot(fine: Floats, rng: np.random.Generator) -> np.ndarray:
    """What a camera writes of it: averaged in linear light, a little blurred and noisy, coded."""
    linear = cv2.GaussianBlur(cv2.resize(fine, SIZE, interpolation=cv2.INTER_AREA), (0, 0), 0.5)
    coded = encode(np.clip(2.2 * linear, 0, 1)) + rng.normal(0, 2, (*linear.shape[:2], 1))
    return np.clip(np.rint(coded), 0, 255).astype(np.uint8)


def likeness(rgb: np.ndarray, seen: View) -> tuple[float, float]:
    """By the lawn alone, all of it taken for green."""
    usable = np.zeros(rgb.shape[:2], np.uint8)
    cv2.fillPoly(usable, [np.rint(view.project(seen, LAWN_M)).astype(np.int32)], 1)
    return foreshortening.flat_likeness(rgb, seen, np.ones(rgb.shape[:2], np.float32), usable > 0)


@pytest.mark.parametrize("zenith_deg", [45, 58])
@pytest.mark.parametrize("drawn", [moss, laid_blades])
def test_what_is_drawn_flat_is_foreshortened_as_flat_ground_is(drawn: Callable, zenith_deg: float) -> None:
    rng, seen = np.random.default_rng(1), camera(zenith_deg)
    found, se = likeness(shot(seen_from(seen, drawn(rng)[1]), rng), seen)
    assert 0.7 < found < 1.4
    assert se < 0.2


@lru_cache(maxsize=2)
def stood(zenith_deg: float) -> tuple[np.ndarray, View]:
    rng, seen = np.random.default_rng(2), camera(zenith_deg)
    return shot(with_blades(seen, seen_from(seen, soil(rng)), rng), rng), seen


@pytest.mark.parametrize("smear_px", [1, 3, 5])
@pytest.mark.parametrize("zenith_deg", [45, 58])
def test_standing_blades_are_not_in_a_photo_moved_sideways_either(zenith_deg: float, smear_px: int) -> None:
    """Moved sideways, all that lies across is smeared, as if the rest were foreshortened."""
    rgb, seen = stood(zenith_deg)
    found, se = likeness(cv2.blur(rgb, (smear_px, 1)), seen)
    assert found - se < 0.25


def test_moss_beside_a_quarter_of_standing_blades_is_no_clear_case() -> None:
    rng, seen = np.random.default_rng(3), camera(55)
    both = with_blades(seen, seen_from(seen, moss(rng)[1]), rng, left_of_m=0.75)
    found, _ = likeness(shot(both, rng), seen)
    assert found < foreshortening.STANDING


def test_a_photo_on_its_side_tells_the_same() -> None:
    """Turned by a quarter anticlockwise, its right side is its top: x becomes y, y runs back along x."""
    rng, seen = np.random.default_rng(6), camera(55)
    rgb = shot(seen_from(seen, moss(rng)[1]), rng)
    side = np.array([[0.0, 1, 0], [-1, 0, 0], [0, 0, 1]])
    turned = replace(
        seen,
        size_px=SIZE[::-1],
        camera_matrix=view.camera_matrix(seen.focal_px, SIZE[::-1]),
        rotation=side @ seen.rotation,
        translation=side @ seen.translation,
    )
    assert likeness(np.rot90(rgb).copy(), turned) == pytest.approx(likeness(rgb, seen), abs=0.05)


def test_a_ripple_on_the_ground_is_shortened_by_the_cosine_of_the_zenith_angle() -> None:
    """On the picture's axis, where nothing else stretches it: plain perspective."""
    seen = camera(60)
    middle = np.array([[(SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2]])
    along, ripple = foreshortening._flat(seen, middle)
    assert ripple == pytest.approx([-2 * np.log(np.cos(np.radians(60)))])
    assert np.abs(along[0]) == pytest.approx([0, 1], abs=1e-9)


def looked(rgb: np.ndarray, seen: View) -> Look:
    drawn = Photo(Path("drawn.jpg"), rgb, None, None, seen.focal_px, None, "0" * 64)
    return glance.look_through(drawn, seen, cells.lawn_grid(LAWN_M, 0.5), sighting=None)


@pytest.mark.parametrize("zenith_deg", [48, 57])
def test_a_drawn_flat_lawn_is_read_within_a_few_points(
    zenith_deg: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng, seen = np.random.default_rng(4), camera(zenith_deg)
    on, ground = moss(rng)
    rgb = shot(seen_from(seen, ground), rng)
    look = looked(rgb, seen)
    per, beside = round(500 / GROUND_MM), round(BESIDE_M * 1000 / GROUND_MM)
    lawn_on = on[beside:-beside, beside:-beside][::-1].astype(float)  # row 0 at the origin
    true = lawn_on.reshape(8, per, 6, per).mean(axis=(1, 3))[look.table.row, look.table.col]
    shown = look.table.state == "seen"
    assert shown.sum() >= 12
    miss = 100 * (look.table.cover - true)[shown]
    assert np.abs(miss).mean() < FLAT_WITHIN_POINTS
    assert np.mean(np.abs(miss) < 200 * look.table.cover_se[shown]) > 0.8
    assert any("lies flat" in line for line in look.warnings)
    monkeypatch.setattr(foreshortening, "lying", lambda *_: 0.0)
    before = 100 * (looked(rgb, seen).table.cover - true)[shown]
    assert before.mean() < -18


def marked(day: str) -> Look:
    """The sample lawn of a day, its corners where they truly are."""
    shot_of_day = photo.read(FERRY / "photos" / f"{day}-window.jpg")
    with (FERRY / "truth" / "corners.csv").open(encoding="utf-8", newline="") as file:
        rows = [
            r for r in csv.DictReader(file) if (r["photo"], r["what"]) == (shot_of_day.path.name, "outline")
        ]
    corners = np.array([(float(row["x_px"]), float(row["y_px"])) for row in rows])
    outline_m = lawn.read(FERRY).outline_m
    seen = view.from_corners(shot_of_day, corners, outline_m)
    grid = cells.lawn_grid(outline_m, 0.5)
    return glance.look_through(shot_of_day, seen, grid, sighting=card.find(shot_of_day))


@pytest.mark.parametrize("day", ["2026-03-30", "2026-04-05", "2026-04-12", "2026-05-06"])
def test_rendered_standing_turf_is_read_as_if_nothing_were_asked(
    day: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Thin and in a low sun, half closed, closed."""
    look = marked(day)
    monkeypatch.setattr(foreshortening, "lying", lambda *_: 0.0)
    plain = marked(day)
    assert look.warnings == plain.warnings
    for name in ("cover", "cover_se", "bare"):
        np.testing.assert_array_equal(getattr(look.table, name), getattr(plain.table, name))


def test_a_photo_from_above_is_not_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(foreshortening, "flat_likeness", lambda *_: pytest.fail("asked"))
    glance.look(ROOT / "tests" / "data" / "rendered" / "spots" / "spot-02.jpg")


def test_a_lawn_s_own_leaf_angle_goes_before(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two photos of one place tell how its leaves lie, which one can't as well."""
    monkeypatch.setattr(foreshortening, "flat_likeness", lambda *_: pytest.fail("asked"))
    rgb, seen = stood(45)
    drawn = Photo(Path("drawn.jpg"), rgb, None, None, seen.focal_px, None, "0" * 64)
    grid = cells.lawn_grid(LAWN_M, 0.5)
    look = glance.look_through(drawn, seen, grid, sighting=None, blades=Blades(0.2, 0.1))
    assert (look.table.state == "seen").any()


def test_where_hardly_any_green_shows_nothing_tells() -> None:
    rgb, seen = stood(45)
    nothing = np.zeros(SIZE[::-1], np.float32)
    assert foreshortening.flat_likeness(rgb, seen, nothing, nothing == 0) == (0, 0)
    assert foreshortening.flat_likeness(rgb, seen, nothing + 1, nothing > 0) == (0, 0)
    small = rgb[:100, :100]
    few = view.resized(seen, (100, 100))
    assert foreshortening.flat_likeness(small, few, nothing + 1, nothing == 0) == (0, 0)


def test_what_seems_to_lie_flat_in_part_is_lowered_in_part_and_less_sure(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rgb, seen = stood(45)
    tables = []
    for flat in (0.0, 0.5, 1.0):
        monkeypatch.setattr(foreshortening, "lying", lambda *_, flat=flat: flat)
        tables.append(looked(rgb, seen).table)
    shown = tables[0].state == "seen"
    none, half, whole = (table.cover[shown] for table in tables)
    np.testing.assert_allclose(whole, tables[2].cover_as_seen[shown])
    assert (half < whole).all()
    assert (half > none).all()
    se = [np.nanmean(table.cover_se) for table in tables]
    assert se[1] > max(se[0], se[2])


@pytest.mark.parametrize(("flat", "said"), [(0.0, ""), (0.4, "may lie flat"), (1.0, "lies flat")])
def test_the_note_says_how_the_green_lies(flat: float, said: str) -> None:
    lines = caveats.of_lie(flat)
    assert len(lines) == (said != "")
    assert all(said in line for line in lines)


def test_one_likeness_for_all_weighs_each_by_its_error() -> None:
    """By hand: weights 1 / (0.06^2 + 0.1^2) and 1 / (0.2^2 + 0.1^2), with `foreshortening.UNLIKE` 0.1."""
    found, se = foreshortening.of_all([(0.8, 0.06), (0.2, 0.2)])
    assert found == pytest.approx((0.8 / 0.0136 + 0.2 / 0.05) / (1 / 0.0136 + 1 / 0.05))
    assert se == pytest.approx((1 / 0.0136 + 1 / 0.05) ** -0.5)


@pytest.fixture
def three_visits(tmp_path: Path) -> lawn.Lawn:
    """The sample lawn with three of its photos."""
    shutil.copytree(FERRY, tmp_path / "lawn", ignore=shutil.ignore_patterns("truth", "results"))
    for path in sorted((tmp_path / "lawn" / "photos").iterdir())[3:]:
        path.unlink()
    return lawn.read(tmp_path / "lawn")


@pytest.mark.parametrize(
    ("likeness", "flat"),
    [((0.3, 0.3, 0.3), 0.0), ((1.0, 1.0, 0.5), 1.0), ((1.0, 0.3, 0.2), 0.0), ((0.8, 0.7, 0.6), 0.85)],
)
def test_green_lies_alike_in_all_photos_of_a_lawn(
    three_visits: lawn.Lawn, likeness: tuple[float, ...], flat: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    days = sorted(path.name for path in three_visits.photos())
    asked = []

    def told(picture: Photo, *_: object) -> tuple[float, float]:
        asked.append(picture.path.name)
        return likeness[days.index(picture.path.name)], 0.05

    monkeypatch.setattr(glance, "_lie", told)
    own = [foreshortening.lying(one, 0.05) for one in likeness]
    measured = measurement.measure(three_visits)
    assert [one.facts["flat"] for one in measured] == pytest.approx([flat] * 3, abs=0.026)
    again = [day for day, one in zip(days, own, strict=True) if abs(one - flat) > 0.03]
    assert sorted(asked) == sorted([*days, *again])
    for one in measured:
        assert any("flat" in str(line) for line in one.facts["warnings"]) == (flat > 0)
    asked.clear()
    assert [one.facts["flat"] for one in measurement.measure(three_visits)] == [
        one.facts["flat"] for one in measured
    ]
    assert not asked
