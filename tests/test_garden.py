"""Gardens around a lawn: repeatable, varied, sound meshes, nothing between the camera and the lawn."""

import numpy as np
import pytest

from turfeye.simulate import furniture, plants, surfaces
from turfeye.simulate.garden import make_garden
from turfeye.simulate.shapes import box, ellipsoid, grid_faces, lathe, tube

OUTLINE = np.array([[0, 0], [8, 0], [7.4, 5.6], [0.4, 6]])
CAMERA = (3.5, -1.4, 1.65)


def volume(shape):
    """Signed volume of a closed mesh by the divergence theorem."""
    a, b, c = (shape[0][shape[1][:, k]].astype(float) for k in range(3))
    return abs(np.einsum("ij,ij->i", a, np.cross(b, c)).sum()) / 6


def test_solids_have_the_volume_that_geometry_says():
    """Volumes of box, cylinder and ellipsoid (school geometry; 5 % for the facets)."""
    assert volume(box((2, 3, 4), (5, 6, 7), 30)) == pytest.approx(24, rel=1e-4)
    assert volume(tube([[0, 0, 0], [0, 0, 1], [0, 0, 2]], 0.5, 40)) == pytest.approx(np.pi * 0.5, rel=0.05)
    assert volume(ellipsoid((1, 2, 3), rings=31)) == pytest.approx(4 / 3 * np.pi * 6, rel=0.05)
    assert volume(lathe([(0, 0), (1, 0), (1, 2), (0, 2)], 60)) == pytest.approx(2 * np.pi, rel=0.05)


def gardens(count=6):
    return [make_garden(OUTLINE, np.random.default_rng(seed), camera_m=CAMERA) for seed in range(count)]


@pytest.fixture(scope="module")
def made():
    return gardens()


def test_meshes_are_sound_and_not_lawn(made):
    for parts in made:
        assert sum(len(part.faces) for part in parts) <= 400_000
        for part in parts:
            assert not part.lawn
            assert part.klass == "other"
            assert np.isfinite(part.vertices).all()
            assert part.faces.min() >= 0
            assert part.faces.max() < len(part.vertices)
            colour = part.rgb_linear if part.texture is None else part.texture
            assert 0 <= colour.min() <= colour.max() <= 0.9  # nothing reflects more than fresh snow


def test_same_seed_same_garden_other_seed_another(made):
    again = make_garden(OUTLINE, np.random.default_rng(0), camera_m=CAMERA)
    assert len(again) == len(made[0])
    assert all(np.array_equal(a.vertices, b.vertices) for a, b in zip(again, made[0], strict=True))
    kinds = [frozenset(part.name for part in parts) for parts in made]
    assert len(set(kinds)) == len(kinds)


def test_ground_stays_off_the_lawn(made):
    """Paving and beds keep outside the outline, so that the truth's lawn is the outline."""
    edges = np.roll(OUTLINE, -1, axis=0) - OUTLINE
    for parts in made:
        for part in parts:
            if part.name in ("patio", "path", "gravel", "bed"):
                middle = part.vertices[:, :2].mean(0)
                left = edges[:, 0] * (middle - OUTLINE)[:, 1] - edges[:, 1] * (middle - OUTLINE)[:, 0]
                assert (left < 0).any()


def test_nothing_stands_before_the_camera(made):
    """No vertex within 60 cm of the camera, and nothing high on the strip between it and the lawn's edge."""
    for parts in made:
        points = np.concatenate([part.vertices for part in parts])
        assert np.linalg.norm(points - CAMERA, axis=1).min() > 0.6
        x, y, z = points.T
        assert z[(abs(x - CAMERA[0]) < 0.5) & (y > CAMERA[1]) & (y < -0.05)].max(initial=0.0) < 1.3


@pytest.mark.parametrize("thing", [*furniture.ON_PAVING, *furniture.ON_LAWN, furniture.shed])
def test_things_stand_on_the_ground_and_have_their_size(thing):
    points = np.concatenate([part.vertices for part in thing(np.random.default_rng(4))])
    assert -0.06 < points[:, 2].min() < 0.05
    assert 0.02 < points[:, 2].max() < 2.7
    assert np.ptp(points[:, :2], axis=0).max() < 4.0


def test_person_has_a_persons_height():
    """Adults stand between 1.45 and 2.0 m (common practice, no source)."""
    for seed in range(8):
        parts = furniture.person(np.random.default_rng(seed))
        assert 1.45 < max(part.vertices[:, 2].max() for part in parts) < 2.0


def test_surfaces_are_seamless():
    for surface in (
        surfaces.plaster(np.random.default_rng(1), (0.4, 0.4, 0.4)),
        surfaces.blocks(np.random.default_rng(1), (0.3, 0.2, 0.1), across=3, down=4, joint=0.01),
        surfaces.clouds(np.random.default_rng(1), slope=2.0)[..., None] / 20 + 0.5,
    ):
        inside = np.abs(np.diff(surface.mean(-1), axis=0)).mean()
        seam = np.abs(surface[0] - surface[-1]).mean()
        assert seam < 6 * inside


def test_hedge_stands_where_it_was_planted():
    parts = plants.hedge(np.array([1.0, 2.0]), np.array([4.0, 2.0]), 1.5, 0.6, np.random.default_rng(2))
    points = np.concatenate([part.vertices for part in parts])
    assert points[:, 0].min() == pytest.approx(1.0, abs=0.25)
    assert points[:, 0].max() == pytest.approx(4.0, abs=0.25)
    assert points[:, 2].max() == pytest.approx(1.5, abs=0.25)


def test_a_grid_s_faces_cover_it_once_and_look_up():
    rows, cols = 4, 6
    y, x = np.mgrid[:rows, :cols]
    points = np.stack([x.ravel(), y.ravel()], axis=1).astype(float)
    a, b, c = points[grid_faces(rows, cols)].transpose(1, 0, 2)
    area = ((b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0]) / 2
    assert (area == 0.5).all()
    assert area.sum() == (rows - 1) * (cols - 1)
