"""Later photos laid over the marked one: pose and place on the lawn against known truth; wrong ones refused.

The yard is invented and made of textured planes; skimage.data ships real photographs as outsiders.
"""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from posing import photo_of
from yards import OUTLINE_M, photograph, view_from

from turfeye import align, view
from turfeye.errors import AlignmentError

STAND = np.array([4.0, -2.5, 1.75])
AIM = np.array([4.0, 3.0, 0.0])


@pytest.fixture(scope="module")
def marked():
    seen = view_from(STAND, AIM)
    return align.scenery(photograph(seen, cover=0.1, lawn_seed=0)), seen


def laid(photo, marked):
    return align.align(align.scenery(photo), *marked, outline_m=OUTLINE_M)


def off_cm(found, truth):
    """How wrongly lawn points are placed, root mean square and largest, within about 5 m of the camera."""
    x, y = np.meshgrid(np.linspace(0, 8, 9), np.linspace(0, 6, 7))
    points = np.stack([x, y], axis=-1).reshape(-1, 2)
    points = points[np.linalg.norm(points - truth.camera_m[:2], axis=1) < 6]
    wrong = 100 * np.linalg.norm(view.unproject(found, view.project(truth, points)) - points, axis=1)
    return float(np.sqrt((wrong**2).mean())), float(wrong.max())


MOVES = {
    "full cover": ((0, 0, 0), (0, 0), 1.0, {"cover": 1.0}),
    "to the left, aimed right": ((-0.5, 0.1, 0.0), (0.9, 0.2), 1.0, {"cover": 0.6}),
    "longer lens": ((0.3, 0.3, 0.05), (0.3, 0.3), 1.3, {"cover": 0.4}),
    "wider lens": ((-0.3, 0.2, 0.0), (0.3, -0.3), 0.8, {"cover": 0.7}),
    "shade across, dull and warm": (
        (0.3, -0.4, -0.1),
        (-0.9, -0.4),
        1.0,
        {"cover": 0.8, "shade": 1.0, "light": (0.8, 0.65, 0.5)},
    ),
}


@pytest.mark.parametrize("move", MOVES)
def test_placed_within_5_cm(marked, move):
    stand, aim, lens, how = MOVES[move]
    truth = view_from(STAND + stand, AIM + np.array([*aim, 0]), focal_px=800 * lens, roll_deg=2)
    found = laid(photograph(truth, lawn_seed=3, seed=3, **how), marked)
    rms, largest = off_cm(found.view, truth)
    assert rms < 5
    assert largest < 10
    assert found.residual_cm < 5
    assert found.matches >= 60
    assert found.view.kind == "lawn"
    assert found.view.size_px == (1000, 700)
    assert np.linalg.norm(found.view.camera_m - truth.camera_m) < 0.1
    assert np.median(view.placement_m(found.view, OUTLINE_M)) < 0.1


def turf_where(seen):
    """A map of turf that ends where the outline lies in a view."""
    small = view.resized(seen, (500, 350))
    turf = np.zeros((350, 500), np.float32)
    steps = np.linspace(0, 1, 50, endpoint=False)[:, None]
    rim = np.concatenate(
        [a + steps * (b - a) for a, b in zip(OUTLINE_M, np.roll(OUTLINE_M, -1, 0), strict=True)]
    )
    corners = view.project(small, rim)
    cv2.fillPoly(turf, [np.rint(corners[np.isfinite(corners).all(axis=1)]).astype(np.int32)], 1.0)
    return turf


def test_refused_where_the_lawn_does_not_end_at_its_outline(marked):
    """As when paving repeats: everything agrees, but turf ends two metres beside the outline."""
    first, first_view = marked
    truth = view_from(STAND + np.array([0.2, 0.1, 0.0]), AIM)
    beside = view_from(STAND + np.array([0.2, 0.1, 0.0]), AIM + np.array([2.0, 0.0, 0.0]))
    later = align.scenery(photograph(truth, cover=0.6, lawn_seed=3))
    clear = replace(first, turf=turf_where(first_view))
    align.align(replace(later, turf=turf_where(truth)), clear, first_view, outline_m=OUTLINE_M)
    with pytest.raises(AlignmentError, match="the lawn does not end"):
        align.align(replace(later, turf=turf_where(beside)), clear, first_view, outline_m=OUTLINE_M)
    # where the marked photo's own rim is not clear (turf all around), nothing is asked
    vague = replace(first, turf=np.ones((350, 500), np.float32))
    align.align(replace(later, turf=turf_where(beside)), vague, first_view, outline_m=OUTLINE_M)


def test_focal_length_is_solved_for_when_the_header_has_none(marked):
    truth = view_from(STAND + np.array([0.3, 0.2, 0.0]), AIM, focal_px=1000)
    photo = photograph(truth, cover=0.8, lawn_seed=5, focal_known=False)
    found = laid(photo, marked)
    assert found.view.focal_px == pytest.approx(1000, rel=0.02)
    assert found.view.focal_from == "solved"
    assert off_cm(found.view, truth)[0] < 5


def part_of(photo, truth, box):
    """What a gallery leaves of a photo, its header kept: its focal length as if it were whole; its view."""
    x0, y0, x1, y1 = box
    matrix = truth.camera_matrix.copy()
    matrix[:2, 2] -= (x0, y0)
    rgb = np.ascontiguousarray(photo.rgb_coded[y0:y1, x0:x1])
    header_px = photo.focal_px * (x1 - x0) / photo.size_px[0]
    return replace(photo, rgb_coded=rgb, focal_px=header_px), replace(
        truth, camera_matrix=matrix, size_px=(x1 - x0, y1 - y0)
    )


@pytest.mark.parametrize(
    "box",
    [(100, 70, 900, 630), (20, 130, 820, 690), (25, 15, 925, 645)],
    ids=["a fifth all around", "a fifth, to the lower left", "a tenth"],
)
def test_a_part_of_a_photo_is_told_and_its_own_lens_solved_for(marked, box):
    """Cut to the same shape in a gallery: nothing but its surroundings tells, since its header stays."""
    whole = view_from(STAND + np.array([0.2, 0.1, 0.0]), AIM)
    photo, truth = part_of(photograph(whole, cover=0.6, lawn_seed=3), whole, box)
    found = laid(photo, marked)
    assert found.cut == pytest.approx(1000 / photo.size_px[0], rel=0.04)
    rms, largest = off_cm(found.view, truth)
    assert rms < 5
    assert largest < 15
    assert rms < 3 * found.residual_cm


@pytest.mark.parametrize("move", MOVES)
def test_a_whole_photo_is_no_part_of_one(marked, move):
    stand, aim, lens, how = MOVES[move]
    truth = view_from(STAND + stand, AIM + np.array([*aim, 0]), focal_px=800 * lens, roll_deg=2)
    assert laid(photograph(truth, lawn_seed=3, seed=3, **how), marked).cut is None


def test_pictures_of_other_sizes(marked):
    """A marked photo larger than the working size, the later one turned to a smaller format."""
    seen = view_from(STAND, AIM, focal_px=1360, size_px=(1700, 1190))
    large = align.scenery(photograph(seen, cover=0.1))
    truth = view_from(STAND + np.array([0.2, 0.1, 0.0]), AIM, focal_px=720, size_px=(960, 720))
    found = laid(photograph(truth, cover=0.9, lawn_seed=4), (large, seen))
    assert found.view.size_px == (960, 720)
    assert found.view.focal_px == pytest.approx(720, rel=0.03)
    assert off_cm(found.view, truth)[0] < 5


def test_same_photo_twice_gives_the_same_answer(marked):
    truth = view_from(STAND + np.array([0.2, 0.1, 0.0]), AIM)
    photo = photograph(truth, cover=0.6, lawn_seed=2)
    one, two = (laid(photo, marked) for _ in range(2))
    assert np.array_equal(one.view.rotation, two.view.rotation)
    assert one.residual_cm == two.residual_cm


def outsider(name):
    from skimage import data

    rgb = getattr(data, name)()
    return photo_of(cv2.resize(rgb, (1000, 700)), focal_px=800.0)


@pytest.mark.parametrize("name", ["coffee", "rocket"])
def test_an_unrelated_photograph_is_refused(marked, name):
    """Real photographs that ship with scikit-image."""
    with pytest.raises(AlignmentError, match=r"can.t be laid over the marked one: "):
        laid(outsider(name), marked)


def test_other_yard_is_refused(marked):
    """Of the same kind: lawn, paving, fence and walls, the other way round."""
    photo = photograph(view_from(STAND, AIM), yard=50)
    with pytest.raises(AlignmentError):
        laid(photo_of(photo.rgb_coded[:, ::-1], focal_px=800.0), marked)


@pytest.mark.parametrize(
    ("stand", "aim", "how"),
    [
        ((4.0, -2.5, 1.75), (4.0, -9.0, 0.0), {}),
        ((-2.0, 3.0, 1.75), (4.0, 3.0, 0.0), {}),
        ((4.0, -2.5, 1.75), (4.0, 3.0, 0.0), {"light": (0.003, 0.003, 0.003)}),
        ((4.0, -2.5, 1.75), (4.0, 3.0, 0.0), {"noise": 0.6}),
    ],
    ids=["turned away", "from another side", "in the dark", "nothing but noise"],
)
def test_hopeless_photos_are_refused(marked, stand, aim, how):
    with pytest.raises(AlignmentError):
        laid(photograph(view_from(stand, aim), lawn_seed=8, **how), marked)


def test_nothing_accepted_is_wrong_by_more_than_20_cm(marked):
    """Ever farther from the marked place: placed well, or refused."""
    told = []
    for step in (0.7, 1.8, 3.5):
        truth = view_from(STAND + np.array([0.6 * step, -0.8 * step, 0.1]), AIM)
        try:
            found = laid(photograph(truth, cover=0.7, lawn_seed=6), marked)
        except AlignmentError:
            told.append(False)
            continue
        told.append(True)
        assert off_cm(found.view, truth)[1] < 20
    assert told[0]
    assert not told[-1]
