"""The lawn's region: the network as exported, and the geometry on its map."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest

from turfeye import cells, gather, glance, photo, region, soilcolour
from turfeye.errors import ModelError, PhotoError, ViewError
from turfeye.models import load_network
from turfeye.records import Shares, View

LAWN = np.array([[60.0, 400.0], [560.0, 430.0], [420.0, 120.0], [170.0, 110.0]])  # an outline's order
SHAPE = (480, 640)
CASE = Path(__file__).parent / "data" / "region-case.npz"


def painted(corners, shape=SHAPE):
    """A soft map of one polygon, as the network would give."""
    mask = np.zeros(shape, np.float32)
    cv2.fillPoly(mask, [np.round(np.asarray(corners) * 256).astype(np.int32)], 1.0, shift=8)
    return cv2.GaussianBlur(mask, (0, 0), 2.0)


def test_exported_network_gives_what_torch_gave():
    """The case holds the training framework's own output (PyTorch) for random pixels."""
    with np.load(CASE, allow_pickle=False) as case:
        network = load_network(region.NETWORK)
        network.setInput(case["rgb"])
        assert np.abs(network.forward() - case["lawn"]).max() < 1e-3


def test_a_sure_lawn_comes_before_wider_gravel_that_is_doubtful():
    gravel = np.array([[20.0, 470.0], [620.0, 470.0], [600.0, 260.0], [40.0, 260.0]])
    lawn = np.array([[100.0, 220.0], [400.0, 220.0], [380.0, 60.0], [120.0, 60.0]])
    map_ = 0.6 * painted(gravel) + painted(lawn)
    outline = region.propose_outline(map_)
    assert np.abs(outline - lawn).max() < 6


@pytest.mark.parametrize("shape", [(300, 400), (640, 480), (270, 480), (33, 500)])
def test_region_has_the_pictures_shape_and_is_a_probability(shape):
    picture = np.random.default_rng(0).integers(0, 256, (*shape, 3), dtype=np.uint8)
    found = region.lawn_region(picture)
    assert found.shape == shape
    assert found.dtype == np.float32
    assert 0 <= found.min() <= found.max() <= 1
    assert np.array_equal(found, region.lawn_region(picture))


@pytest.mark.parametrize("shape", [(33, 500), (500, 33), (2, 3000)])
def test_the_network_gets_no_picture_of_one_row_at_its_deepest_level(shape, monkeypatch):
    """OpenCV reads past it: the same picture came out up to 0.5 different from one time to the next."""
    given = []
    plain = region.run
    monkeypatch.setattr(region, "run", lambda network, planes: given.append(planes) or plain(network, planes))
    region.lawn_region(np.zeros((*shape, 3), np.uint8))
    assert all(min(planes.shape[2:]) >= 2 * region.STEP_PX for planes in given)
    assert len(given) == 2


@pytest.mark.parametrize(
    "picture", [np.zeros((30, 40), np.uint8), np.zeros((30, 40, 3)), np.zeros((3, 4, 4), np.uint8)]
)
def test_no_colour_picture_is_refused(picture):
    with pytest.raises(PhotoError, match="8 bits"):
        region.lawn_region(picture)


def test_a_changed_network_is_refused(tmp_path):
    (tmp_path / "region.onnx").write_bytes(b"something else")
    (tmp_path / "SHA256SUMS").write_text(f"{'0' * 64}  region.onnx\n")
    with pytest.raises(ModelError, match="changed"):
        load_network("region.onnx", place=tmp_path)


def test_outline_comes_back_with_its_corners_in_order():
    outline = region.propose_outline(painted(LAWN))
    assert outline.shape == (4, 2)
    assert np.abs(outline - LAWN).max() < 3.0


def test_outline_of_a_large_photo_is_in_its_own_pixels():
    big = region.propose_outline(painted(LAWN * 5 + 2, (2400, 3200)))
    assert np.abs(big - (LAWN * 5 + 2)).max() < 12.0


def test_outline_of_an_l_shaped_lawn_keeps_six_corners():
    corners = np.array([[50, 430], [590, 430], [590, 260], [330, 260], [330, 90], [50, 90]], float)
    outline = region.propose_outline(painted(corners))
    assert outline.shape == (6, 2)
    assert np.abs(outline - corners).max() < 4.0


def test_an_outline_whose_corners_are_counted_has_so_many():
    ell = np.array(
        [[60.0, 400.0], [560.0, 400.0], [560.0, 300.0], [300.0, 290.0], [300.0, 120.0], [60.0, 120.0]]
    )
    assert len(region.propose_outline(painted(ell))) == 6
    assert len(region.propose_outline(painted(ell), corners=4)) == 4
    bump = np.insert(LAWN, 1, [[250.0, 411.0], [300.0, 440.0], [350.0, 418.0]], axis=0)  # a bed's edge, say
    found = region.propose_outline(painted(bump), corners=4)
    assert np.abs(found - LAWN).max() < 20


ELL_M = np.array([[0.0, 0.0], [5.0, 0.0], [5.0, 2.6], [2.8, 2.6], [2.8, 5.2], [0.0, 5.2]])


def seen_from(camera_m, way_deg, outline_m=ELL_M, focal_px=520.0):
    """Corners of an outline as a camera sees them that looks 45 degrees down; ``way_deg`` from +x to +y."""
    way, down = np.radians(way_deg), np.sqrt(0.5)
    ahead = np.array([np.cos(way) * down, np.sin(way) * down, -down])
    right = np.array([np.sin(way), -np.cos(way), 0.0])
    rays = np.column_stack([outline_m, np.zeros(len(outline_m))]) - camera_m
    depth, low = rays @ ahead, rays @ np.cross(ahead, right)
    return np.column_stack([rays @ right, low]) / depth[:, None] * focal_px + np.array(SHAPE[::-1]) / 2


@pytest.mark.parametrize(
    ("camera_m", "way_deg"), [((2.5, -2.4, 4.4), 90.0), ((8.0, 2.6, 4.8), 180.0), ((-2.6, 2.4, 5.0), 5.0)]
)
def test_an_l_whose_bed_is_taken_for_lawn_keeps_its_inner_corner(camera_m, way_deg):
    """From any side: corners come in the outline's order, A first, though half of the notch is painted."""
    true = seen_from(np.array(camera_m), way_deg)
    notch = seen_from(np.array(camera_m), way_deg, np.array([[2.8, 2.6], [4.0, 2.6], [3.6, 3.9], [2.8, 3.6]]))
    found = np.maximum(painted(true), painted(notch))
    assert np.abs(region.propose_outline(found, corners=6)[3] - true[3]).max() > 40  # without the tape
    assert np.abs(region.notched_outline(found, ELL_M) - true).max() < 12


def test_somebody_before_the_edge_does_not_dent_the_outline():
    found = painted(LAWN)
    found[90:190, 280:292] = 0.0  # a slim figure over the far edge
    outline = region.propose_outline(found)
    assert len(outline) == 4
    assert np.abs(outline - LAWN).max() < 5.0


def test_a_card_at_the_near_edge_does_not_dent_the_outline():
    found = painted(LAWN)
    found[370:430, 280:340] = 0.0
    outline = region.propose_outline(found)
    assert len(outline) == 4
    assert np.abs(outline - LAWN).max() < 6.0


def test_round_lawn_gets_a_plain_outline_about_it():
    yy, xx = np.mgrid[: SHAPE[0], : SHAPE[1]]
    found = (((xx - 320) / 200) ** 2 + ((yy - 260) / 120) ** 2 < 1).astype(np.float32)
    outline = region.propose_outline(found)
    assert 4 <= len(outline) <= 8
    score, warning = region.check_corners(found, outline)
    assert score > 0.9
    assert warning is None


def test_bare_patch_stays_inside_and_a_second_lawn_is_left_out():
    found = painted(LAWN)
    found[250:300, 250:330] = 0.2
    found[:60, 560:] = 0.9
    assert np.abs(region.propose_outline(found) - LAWN).max() < 4.0


@pytest.mark.parametrize("found", [np.zeros(SHAPE, np.float32), painted(LAWN * 0.1)])
def test_no_lawn_is_said(found):
    with pytest.raises(ViewError, match="mark its corners"):
        region.propose_outline(found)
    score, warning = region.check_corners(found, LAWN)
    assert score == 0
    assert "no lawn" in warning


def test_right_corners_pass_in_silence():
    score, warning = region.check_corners(painted(LAWN), LAWN)
    assert score > 0.97
    assert warning is None


@pytest.mark.parametrize(
    ("corners", "words"),
    [
        (LAWN[[0, 2, 1, 3]], "left out"),  # crosses itself: half the lawn is outside
        (LAWN - np.array([0, 330]), "hardly overlaps"),
        ([[5, 470], [635, 470], [635, 10], [5, 10]], "paving or beds"),
        ([LAWN[0], (LAWN[0] + LAWN[1]) / 2, (LAWN[2] + LAWN[3]) / 2, LAWN[3]], "left out"),
    ],
)
def test_wrong_corners_are_said(corners, words):
    score, warning = region.check_corners(painted(LAWN), np.array(corners))
    assert score < region.GOOD_SCORE
    assert words in warning


def test_score_is_the_intersection_over_union():
    """Jaccard 1901: |A and B| / |A or B|; two half-overlapping equal boxes give one third."""
    one = np.array([[100, 400], [300, 400], [300, 200], [100, 200]], float)
    score, _ = region.check_corners(painted(one), one + np.array([100, 0]))
    assert score == pytest.approx(1 / 3, abs=0.01)


def test_two_corners_are_no_outline():
    with pytest.raises(ViewError, match="three corners"):
        region.check_corners(painted(LAWN), LAWN[:2])


def seen_as_other(*boxes):
    """Share of "other" (H, W): 0.9 in boxes of (top, bottom, left, right), else none."""
    other = np.zeros(SHAPE, np.float32)
    for top, bottom, left, right in boxes:
        other[top:bottom, left:right] = 0.9
    return other


def test_things_on_the_lawn_are_taken_out_and_its_edge_is_not():
    found = painted(LAWN)
    found[260:330, 300:330] = 0.05  # somebody
    other = seen_as_other((260, 330, 300, 330), (0, 480, 0, 150))  # and paving
    shifted = LAWN + np.array([-3, 2])  # marked a little off: slivers along two sides
    mask = region.standing_on(found, shifted, other)
    assert mask[262:328, 302:328].all()
    assert mask.sum() < 1.5 * 70 * 30
    assert not region.standing_on(painted(LAWN), LAWN, seen_as_other()).any()


@pytest.mark.parametrize(
    ("lawn", "other", "taken"),
    [
        (0.05, True, True),
        (0.6, True, True),  # the network doubts, the classifier is sure
        (0.35, False, False),  # a bare patch that the network doubts
        (0.05, False, False),  # wrongly sure: the classifier sees soil there
        (0.98, True, False),  # soil that the classifier takes for other, and the network for lawn
    ],
)
def test_network_and_classifier_are_heard_together(lawn, other, taken):
    found = painted(LAWN)
    found[260:330, 300:360] = lawn
    mask = region.standing_on(found, LAWN, seen_as_other(*[(260, 330, 300, 360)] * other))
    assert mask[265:325, 305:355].all() if taken else not mask.any()


def test_what_reaches_across_the_lawn_is_ground_and_a_table_is_none():
    """A strip that was not sown is a path to the network; the classifier takes some of it for other."""
    found = painted(LAWN)
    cv2.fillPoly(found, [np.array([[150, 405], [210, 409], [236, 114], [211, 112]])], 0.02)
    other = np.where(found < 0.5, 0.9, 0.0).astype(np.float32)
    found[300:360, 400:450], other[300:360, 400:450] = 0.0, 0.9  # a table beside it
    mask = region.standing_on(found, LAWN, other)
    assert mask[305:355, 405:445].all()
    assert not mask[:, :300].any()


def test_what_stands_in_a_corner_or_at_a_side_is_taken_out():
    for box in ((345, 400, 90, 190), (130, 170, 160, 220), (230, 330, 250, 320)):
        found, top_left = painted(LAWN), np.s_[box[0] : box[1], box[2] : box[3]]
        found[top_left] = 0.03
        mask = region.standing_on(found, LAWN, seen_as_other(box))
        assert mask[top_left].mean() > 0.5, box


def test_standing_somebody_at_full_size():
    big = cv2.resize(painted(LAWN), (2560, 1920))
    big[1000:1300, 1200:1320] = 0.0
    other = cv2.resize(seen_as_other((250, 325, 300, 330)), (2560, 1920))
    mask = region.standing_on(big, LAWN * 4 + 1.5, other)
    assert mask.shape == big.shape
    assert mask[1010:1290, 1210:1310].all()
    assert mask.sum() < 1.5 * 300 * 120


def test_cells_under_a_thing_are_not_seen_and_the_others_stay():
    """A rendered garden kept out of the training, a bird bath on its worn lawn, with truth."""
    place = Path(__file__).parent / "data/rendered/gardens/garden-5045"
    recipe = json.loads(place.with_suffix(".json").read_text())
    picture = photo.read(place.with_suffix(".jpg"))
    camera = (recipe["camera_matrix"], recipe["rotation"], recipe["translation"])
    seen = View("lawn", picture.size_px, *map(np.array, camera), focal_from="given", corner_sd_px=1.0)
    grid = cells.lawn_grid(np.array(recipe["recipe"]["outline_m"]), 0.5)
    table = glance.look_through(picture, seen, grid, sighting=None).table
    lawn = cv2.imread(f"{place}-lawn.png", cv2.IMREAD_GRAYSCALE) > 127
    pixels = gather.Gather(seen, grid, lawn.shape)
    shown = pixels.mean(pixels.block_means(lawn))
    shown = shown[table.row * grid.cols + table.col]
    asked = (table.zenith_deg < cells.MAX_ZENITH_DEG) & (table.gsd_mm < cells.MAX_GSD_MM)
    covered = asked & (shown < 0.4)
    clear = asked & (shown > 0.98) & (table.seen > 0)
    assert covered.sum() >= 2
    assert (table.state[covered] != "seen").all()
    told = table.why[covered]  # the bird bath's white basin is burnt out besides, which is said first
    assert np.isin(told, ("something lies on it", "burnt out")).all()
    assert "something lies on it" in told
    assert (table.why[clear] == "something lies on it").mean() < 0.03


def test_without_a_card_only_the_lawn_is_judged():
    """The same garden: parts of the picture that show hedge, paving and sky have no cover."""
    place = Path(__file__).parent / "data/rendered/gardens/garden-5045"
    lawn = cv2.imread(f"{place}-lawn.png", cv2.IMREAD_GRAYSCALE) > 127
    table = glance.look(place.with_suffix(".jpg"), no_card=True).table
    side = lawn.shape[1] / table.grid.cols
    shown = np.array(
        [
            lawn[int(r * side) : int((r + 1) * side), int(c * side) : int((c + 1) * side)].mean()
            for r, c in zip(table.row, table.col, strict=True)
        ]
    )
    assert 0.1 < shown.mean() < 0.6
    assert (table.why[shown < 0.02] == "not lawn").all()
    assert np.isfinite(table.cover[shown < 0.25]).mean() < 0.03
    assert np.isfinite(table.cover[shown > 0.98]).mean() > 0.95


def test_without_a_card_nothing_lies_where_there_is_surely_lawn(monkeypatch):
    """The classifier takes all of the garden for other, turf of the simulator included."""
    path = Path(__file__).parent / "data/rendered/gardens/garden-5045.jpg"

    def blind(rgb_coded, **_):
        nothing = np.zeros(rgb_coded.shape[:2], np.float32)
        return Shares(nothing, nothing, nothing, nothing + 1)

    sure = region.lawn_region(photo.read(path).rgb_coded) >= region.SURELY_LAWN
    monkeypatch.setattr(glance.sward, "classify", blind)
    monkeypatch.setattr(soilcolour, "near", lambda ratios, soil: np.zeros(soil.shape, bool))
    table = glance.look(path, no_card=True).table
    side = sure.shape[1] / table.grid.cols
    within = [
        sure[int(r * side) : int((r + 1) * side), int(c * side) : int((c + 1) * side)].all()
        for r, c in zip(table.row, table.col, strict=True)
    ]
    assert np.sum(within) >= 20
    assert not (table.why[np.array(within)] == "something lies on it").any()


def test_a_photo_full_of_lawn_is_judged_whole():
    place = Path(__file__).parents[1] / "sample_images/trial-spots/photos"
    table = glance.look(next(iter(sorted(place.glob("*.jpg")))), no_card=True).table
    assert not (table.why == "not lawn").any()


def test_the_classifiers_say_takes_out_what_is_no_turf(monkeypatch):
    """Two maps with equal say, by the mean of their log odds: 1 to 3 of odds 1 and 1 to 9."""
    picture = np.full((90, 140, 3), 120, np.uint8)
    large, other = np.full((90, 140), 0.5, np.float32), np.full((90, 140), 0.5, np.float32)
    large[:, :40], other[:, 100:] = 0.9, 0.9
    monkeypatch.setattr(region, "lawn_region", lambda rgb_coded: large)
    monkeypatch.setattr(region.sward, "at_large", lambda rgb_coded: Shares(other, other, other, other))
    found = region.lawn_in_garden(picture)
    assert found[:, :35] == pytest.approx(0.75, abs=1e-3)
    assert found[:, 45:95] == pytest.approx(0.5, abs=1e-3)
    assert found[:, 110:] == pytest.approx(0.25, abs=1e-3)
