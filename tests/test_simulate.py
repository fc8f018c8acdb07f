"""The invented turf: places that persist, cover that comes out as asked, truth by cell."""

import dataclasses
import json
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from turfeye.errors import PhotoError
from turfeye.simulate import fields, lawns, litter, render, samples, scene, shapes, soil, spots, truth, turf
from turfeye.simulate.mesh import Part, merged
from turfeye.simulate.phone import MAKES, shoot

BOX = (0.0, 0.0, 0.3, 0.2)

HERE = Path(__file__).parent


def flat_cover(parts, klass, box=BOX, count=1200):
    """Share of a box that a class hides, straight down: points against triangles, without the renderer."""
    x0, y0, x1, y1 = box
    points = np.random.default_rng(0).uniform([x0, y0], [x1, y1], (count, 2)).astype(np.float32)
    hit = np.zeros(count, bool)
    corners = np.concatenate([p.vertices[p.faces][..., :2] for p in parts if p.klass == klass])
    low, high = corners.min(axis=1), corners.max(axis=1)
    corners = corners[(high > [x0, y0]).all(axis=1) & (low < [x1, y1]).all(axis=1)]
    for few in np.array_split(corners, max(1, len(corners) // 4000)):
        sides = []
        for k in range(3):
            a, b = few[:, k], few[:, (k + 1) % 3]
            away = points[:, None] - a
            sides.append((b - a)[:, 0] * away[..., 1] - (b - a)[:, 1] * away[..., 0] > 0)
        hit |= ((sides[0] == sides[1]) & (sides[1] == sides[2])).any(axis=1)
    return float(hit.mean())


def test_places_do_not_depend_on_the_box():
    small = fields.scatter(5, (0.1, 0.1, 0.2, 0.15), 5000)
    large = fields.scatter(5, (0.0, 0.0, 0.5, 0.3), 5000)
    found = {(i, j): k for k, (i, j) in enumerate(zip(large.i, large.j, strict=True))}
    index = [found[i, j] for i, j in zip(small.i, small.j, strict=True)]
    np.testing.assert_array_equal(small.x_m, large.x_m[index])
    np.testing.assert_array_equal(small.draw(9), large.draw(9)[index])


def test_hidden_numbers_are_uniform():
    """Mean 1/2 and variance 1/12 of the uniform distribution, within four standard errors."""
    u = fields.scatter(3, (0.0, 0.0, 3.0, 2.0), 10_000).draw(4)
    assert abs(u.mean() - 0.5) < 4 / np.sqrt(12 * len(u))
    assert abs(u.var() - 1 / 12) < 4 * np.sqrt(1 / 180 / len(u))


def test_noise_stays_in_range_and_is_smooth():
    x = np.linspace(0, 1, 2001)
    values = fields.noise(1, x, 0 * x + 0.3, 0.1)
    assert values.min() >= 0
    assert values.max() <= 1
    assert np.abs(np.diff(values)).max() < 0.02


def grown(cover, **changes):
    made = turf.Turf(seed=11, cover=turf.level(cover), **changes)
    around = (-0.08, -0.08, 0.38, 0.28)
    surface = soil.ground(made, around, 0.004)
    return scene.blades(made, around, surface)


@pytest.mark.parametrize("cover", [0.1, 0.4, 0.7, 0.9])
def test_cover_comes_out_as_documented(cover):
    """Plants' own leaves overlap: 1 - (1 - c)^0.64, as `Turf` says (measured on these meshes, ours)."""
    assert flat_cover(grown(cover), "green") == pytest.approx(1 - (1 - cover) ** 0.64, abs=0.06)


def test_no_cover_is_no_leaf():
    assert sum(len(part.faces) for part in grown(0.0)) == 0


def test_wider_and_fewer_leaves_keep_the_cover():
    made = turf.Turf(seed=11, cover=turf.level(0.5))
    around = (-0.08, -0.08, 0.38, 0.28)
    surface = soil.ground(made, around, 0.004)
    fine = scene.blades(made, around, surface)
    coarse = scene.blades(made, around, surface, coarser=turf.level(3.0))
    assert sum(len(p.faces) for p in coarse) < 0.5 * sum(len(p.faces) for p in fine)
    assert flat_cover(coarse, "green") == pytest.approx(flat_cover(fine, "green"), abs=0.06)


def test_seedlings_persist_from_date_to_date():
    """What stands early still stands later, at the same foot, only longer."""
    early, late = (
        np.concatenate([p.vertices[:: 9 if len(p.vertices) % 9 == 0 else 1] for p in grown(c)[:1]])
        for c in (0.2, 0.5)
    )
    late_feet = {tuple(np.round(foot[:2], 3)) for foot in late}
    shared = sum(tuple(np.round(foot[:2], 3)) in late_feet for foot in early)
    assert len(late) > len(early)
    assert shared > 0.25 * len(early)  # side vectors widen with the leaf, so rounded feet move by a hair


def test_straw_comes_out_as_documented():
    made = turf.Turf(seed=2, cover=turf.level(0.0), straw=turf.level(0.25))
    around = (-0.06, -0.06, 0.76, 0.56)  # several tufts and gaps
    parts = litter.straw(made, around, soil.ground(made, around, 0.006))
    assert flat_cover(parts, "straw", (0.0, 0.0, 0.7, 0.5)) == pytest.approx(1 - 0.75**0.6, abs=0.05)


def test_every_part_is_sound():
    made = turf.Turf(seed=4, cover=turf.level(0.3), clover_per_m2=200, leaves_per_m2=80, moss=turf.level(0.2))
    parts = scene.turf_parts(made, BOX, step_m=0.003)
    assert {part.klass for part in parts} == {"green", "straw", "bare", "other"}
    for part in parts:
        assert np.isfinite(part.vertices).all(), part.name
        assert part.faces.min() >= 0
        assert part.faces.max() < len(part.vertices), part.name
        assert part.rgb_linear.min() >= 0, part.name
        assert part.rgb_linear.max() <= 1, part.name
    together = merged(parts)
    assert len(together) < len(parts)
    assert sum(len(p.faces) for p in together) == sum(len(p.faces) for p in parts)


def test_part_refuses_what_does_not_fit():
    corner = np.zeros((3, 3), np.float32)
    face = np.array([[0, 1, 2]])
    with pytest.raises(ValueError, match="class must be one of"):
        Part("weed", "purple", corner, face, rgb_linear=corner)
    with pytest.raises(ValueError, match="either rgb_linear or texture"):
        Part("weed", "green", corner, face)
    with pytest.raises(ValueError, match="one colour a vertex"):
        Part("weed", "green", corner, face, rgb_linear=corner[:2])


def test_a_pressed_spot_has_nothing_above_the_sheet():
    made = turf.Turf(seed=4, cover=turf.level(0.5))
    parts, top = scene.pressed(scene.turf_parts(made, BOX, step_m=0.004), 0.15, 0.1, (0.05, 0.04))
    ground = next(part for part in parts if part.name == "soil").vertices
    under = (np.abs(ground[:, 0] - 0.15) < 0.05) & (np.abs(ground[:, 1] - 0.1) < 0.04)
    assert ground[under, 2].max() <= top + 1e-6


def test_focal_length_is_diagonal_based():
    """26 mm at 4000 x 3000 is 3004.6 px: f35 / 43.2666 x diagonal (CIPA DCG-001's diagonal equivalence)."""
    recipe = dataclasses.replace(spots.random_spot(1), size_px=(4000, 3000), focal_35mm=26)
    assert recipe.focal_px == pytest.approx(3004.6, abs=0.1)


def test_the_camera_looks_where_it_should():
    recipe = dataclasses.replace(spots.random_spot(3), tilt_deg=25.0, gsd_mm=0.6, aim_m=(0.05, -0.02))
    view = recipe.view()
    assert view.tilt_deg == pytest.approx(25.0)
    middle = truth.project(view, np.array([[0.05, -0.02, 0.01]]))
    np.testing.assert_allclose(middle, [[(816 - 1) / 2, (544 - 1) / 2]], atol=1e-6)
    step = truth.project(view, np.array([0.05, -0.02, 0.01]) + np.eye(3)[:1] * 1e-3) - middle
    assert 0.5 < np.linalg.norm(step) * 0.6 < 1.1  # a millimetre is 1 / 0.6 px, foreshortened at most


def test_recipes_fit_in_json_and_differ():
    drawn = [spots.random_spot(seed) for seed in range(20)]
    assert len({json.dumps(recipe.as_json()) for recipe in drawn}) == 20
    assert spots.random_spot(7) == spots.random_spot(7)
    assert json.loads(json.dumps(lawns.random_garden(5).as_json()))["seed"] == 5


def changes(noted, now, where=""):
    """What a recipe noted with its picture says otherwise than the one that is drawn now; new fields pass."""
    if isinstance(noted, dict) and isinstance(now, dict):
        return [line for key in noted for line in changes(noted[key], now.get(key), f"{where}.{key}")]
    if isinstance(noted, list) and isinstance(now, list) and len(noted) == len(now):
        pairs = enumerate(zip(noted, now, strict=True))
        return [line for k, (old, new) in pairs for line in changes(old, new, f"{where}[{k}]")]
    same = now == (pytest.approx(noted, rel=1e-9) if isinstance(noted, float) else noted)
    return [] if same else [f"{where}: {noted} when rendered, {now} now"]


def recipe_of(job):
    return json.loads(json.dumps(job.recipe.as_json()))


@pytest.mark.parametrize(("lawn", "which"), [("ferry-cottage", "ferry"), ("trial-spots", "spots")])
def test_sample_photos_were_rendered_from_the_recipes_drawn_now(lawn, which):
    noted = json.loads((HERE.parent / "sample_images" / lawn / "truth" / "recipes.json").read_text())
    jobs = samples.SETS[which]()
    assert {job.recipe.name for job in jobs} == set(noted)
    for job in jobs:
        assert not changes(noted[job.recipe.name]["recipe"], recipe_of(job))


@pytest.mark.parametrize(
    ("picture", "which"),
    [
        ("rendered/spots/spot-00", "bench"),
        ("rendered/lawns/lawn-18", "bench"),
        ("rendered-tuning/lawn-06", "tune"),
    ],
)
def test_recipes_drawn_from_a_seed_are_what_they_were(picture, which):
    """Noted when these were rendered: what a seed draws, in which order, must stay."""
    noted = json.loads((HERE / "data" / f"{picture}.json").read_text())["recipe"]
    drawn = [recipe_of(job) for job in samples.SETS[which]()]
    (same,) = [one for one in drawn if (one["name"], one["seed"]) == (noted["name"], noted["seed"])]
    assert not changes(noted, same)


def test_cover_grows_and_the_patch_does_not():
    growth, seed = samples.FERRY.growth, samples.FERRY.seed
    x, y = np.array([0.75, 2.0, 3.05]), np.array([2.6, 3.5, 2.0])  # in the patch, beside, in the strip
    days = np.array([lawns.cover_at(growth, float(age), seed)(x, y) for age in (0, 20, 30, 53)])
    assert (np.diff(days, axis=0) >= -1e-6).all()
    patch, healthy, strip = days[-1]
    assert patch < 0.15
    assert healthy > 0.85
    assert days[2, 2] < days[2, 1] - 0.3
    assert strip < healthy


def test_a_shaded_side_comes_late_and_all_the_same():
    shaded = dataclasses.replace(samples.FERRY.growth, strip=None, late=((2.0, 4.0, 1.5, 0.8, 9.0),))
    lit, seed = dataclasses.replace(shaded, late=()), samples.FERRY.seed
    x, y = np.array([2.0, 2.0]), np.array([4.0, 1.0])  # in the shade, out of it
    for age in (25.0, 34.0):
        in_shade, in_light = (lawns.cover_at(one, age, seed)(x, y) for one in (shaded, lit))
        earlier = lawns.cover_at(lit, age - 9.0, seed)(x, y)
        np.testing.assert_allclose(in_shade, [earlier[0], in_light[1]], atol=1e-6)
    grown = [lawns.cover_at(one, 90.0, seed)(x, y)[0] for one in (shaded, lit)]
    assert grown[0] == pytest.approx(grown[1], abs=0.01)


def test_no_lawn_in_its_beds():
    ring = tuple((2.0 + 0.4 * np.cos(t), 2.0 + 0.4 * np.sin(t)) for t in np.arange(16) * np.pi / 8)
    recipe = dataclasses.replace(samples.FERRY, beds_m=(ring,), age_days=30.0, soil_step_m=0.05, card=None)
    for part in lawns.lawn_parts(recipe):
        starts = part.vertices[part.faces[:, 0]]
        middles = part.vertices[part.faces].mean(axis=1) if part.name == "soil" else starts
        assert np.hypot(middles[:, 0] - 2.0, middles[:, 1] - 2.0).min() > 0.36, part.name


def test_inside_a_polygon():
    test = lawns.inside(((0.0, 0.0), (4.0, 0.0), (4.0, 1.0), (1.0, 1.0), (1.0, 3.0), (0.0, 3.0)))
    found = test(np.array([0.5, 3.5, 3.5, 0.5]), np.array([2.5, 0.5, 2.5, 3.5]))
    assert found.tolist() == [True, True, False, False]


def test_cell_table_leaves_the_card_out():
    """A half-green picture with a card on it: the cover is that of the lawn which the card leaves free."""
    view = dataclasses.replace(spots.random_spot(3), tilt_deg=0.0, turn_deg=0.0, gsd_mm=1.0).view()
    grid = truth.spot_cells(view)
    assert (grid.rows, grid.cols) == (4, 8)
    down = np.zeros((200, 400, 5), np.float32)
    down[..., 4] = 1
    down[:, :200, 0] = 1.0
    down[:, 200:, 2] = 1.0
    table = truth.cell_table(down, grid, pixel_m=0.002, card=truth.CardPlace())
    cover = table[:, truth.COLUMNS.index("cover")]
    x = table[:, truth.COLUMNS.index("x_m")]
    np.testing.assert_allclose(cover, x < 0)
    middle = (np.abs(table[:, 2]) < 0.1) & (np.abs(table[:, 3]) < 0.1)
    assert not middle.any()  # wholly under the card
    assert table[:, -1].max() > 0.4


@pytest.mark.slow
@pytest.mark.parametrize(
    ("at", "beside"),
    [((3, 4), 8), ((0, 4), 5), ((5, 8), 3)],
    ids=["inside", "at the rim", "in a corner"],
)
def test_a_pixel_without_light_takes_the_median_of_those_beside_it(at, beside):
    rng = np.random.default_rng(1)
    light = rng.random((6, 9, 3))
    spoiled = light.copy()
    spoiled[at][1] = np.nan
    whole, count = render.mended(spoiled)
    assert count == 1
    (row, col), places = at, np.indices((6, 9))
    near = (np.abs(places[0] - row) <= 1) & (np.abs(places[1] - col) <= 1)
    near[at] = False
    assert near.sum() == beside
    np.testing.assert_array_equal(whole[at], np.median(light[near], axis=0))
    others = np.ones((6, 9), bool)
    others[at] = False
    np.testing.assert_array_equal(whole[others], light[others])
    assert np.isnan(spoiled[at][1])  # what came is left as it was


def test_sound_light_stays_as_it_is_and_holes_stay_holes():
    light = np.random.default_rng(2).random((6, 9, 3))
    whole, count = render.mended(light)
    assert count == 0
    np.testing.assert_array_equal(whole, light)
    light[1:5, 2:6] = np.inf
    holed, _ = render.mended(light)
    assert not np.isfinite(holed[2:4, 3:5]).any()
    with pytest.raises(PhotoError, match="finite"):
        shoot(holed, MAKES[0], seed=1, taken=datetime(2026, 4, 2, 12))


def test_a_mended_picture_is_told(monkeypatch):
    pytest.importorskip("mitsuba")
    plate = Part("plate", "bare", *shapes.box((2, 2, 0.01), (0, 0, -0.01)), rgb_linear=np.full((8, 3), 0.2))
    stage = render.Stage([plate], render.Light(sky="overcast"))
    view = render.look_at((0, -0.1, 1.0), (0, 0, 0), size_px=(9, 6), focal_px=9.0)
    traced = stage._render

    def spoiled(*args, **how):
        light = traced(*args, **how)
        if light.shape[2] == 3:  # the picture, not its truth
            light[3, 4] = np.nan
        return light

    monkeypatch.setattr(stage, "_render", spoiled)
    with pytest.warns(UserWarning, match="1 pixel had"):
        picture = stage.photograph(view, spp=4, seed=1)
    assert np.isfinite(picture.rgb_linear).all()


def test_a_small_picture_has_consistent_truth():
    """Seen by the camera from straight above and by the truth, the same turf has the same shares."""
    pytest.importorskip("mitsuba")
    from turfeye.simulate.render import Stage

    recipe = dataclasses.replace(
        spots.random_spot(12), card=None, cover=0.4, gsd_mm=1.5, tilt_deg=0.0, turn_deg=0.0,
        light="overcast", size_px=(96, 64), patchiness=0.2, leaves_per_m2=0.0, moss=0.0,
    )  # fmt: skip
    view = recipe.view()
    stage = Stage(spots.spot_parts(recipe), recipe.lighting())
    picture = stage.photograph(view, spp=8, seed=1)
    assert picture.rgb_linear.shape == (64, 96, 3)
    np.testing.assert_allclose(picture.shares.sum(axis=-1), 1, atol=1e-5)
    assert picture.lawn.min() > 0.99
    box = (-0.07, -0.045, 0.07, 0.045)
    down = stage.straight_down(box, pixel_m=0.001, spp=8)
    assert down.shape == (90, 140, 5)
    assert down[..., 0].mean() == pytest.approx(picture.shares[..., 0].mean(), abs=0.08)
    # An overcast sky over a turf that reflects 5-20 % of it: neither black nor burnt out.
    assert 0.01 < picture.rgb_linear.mean() < 0.4
