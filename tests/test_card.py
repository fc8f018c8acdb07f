"""The card: printed at true size, found at any pose, read robustly, its values checked."""

import re

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from posing import grassy, homography_of, photo_of, shoot, through

from turfeye import card, marks, view
from turfeye.card_layout import CARD
from turfeye.colourspace import decode, encode
from turfeye.errors import (
    CardCutOffError,
    CardError,
    CardNotFoundError,
    CardValuesError,
    SeveralCardsError,
)

SIZE = (1000, 750)
FOCAL = 751.0


def pose(distance_m=0.8, tilt_deg=20.0, **more):
    return homography_of(focal_px=FOCAL, size_px=SIZE, distance_m=distance_m, tilt_deg=tilt_deg, **more)


def corner_error_px(sighting, homography):
    return float(np.abs(sighting.corners_px - through(homography, CARD.corners_mm / 1000)).max())


# A card that a printer fitted to its page. Its ground is drawn true to size, so the truth is known.
@pytest.mark.parametrize("rule_mm", [94.1, 97.0, 105.0])  # A4 laid on Letter's height, and other fits
def test_lengths_by_a_card_printed_too_small_or_too_large(rule_mm):
    ground = pose(1.1, 25.0, turn_deg=30.0)
    picture = photo_of(shoot({4: ground @ np.diag([rule_mm / 100, rule_mm / 100, 1])}, SIZE), FOCAL)
    at_m = np.array([[-0.4, -0.2], [0.4, 0.1]])
    found = card.find(picture)
    by_rule = view.unproject(view.from_card(picture, found, rule_mm=rule_mm), through(ground, at_m))
    as_if_true = view.unproject(view.from_card(picture, found), through(ground, at_m))
    apart_m = np.linalg.norm(at_m[1] - at_m[0])
    assert np.linalg.norm(by_rule[1] - by_rule[0]) == pytest.approx(apart_m, rel=0.005)
    assert by_rule == pytest.approx(at_m, abs=0.005)
    assert np.linalg.norm(as_if_true[1] - as_if_true[0]) == pytest.approx(apart_m * 100 / rule_mm, rel=0.005)


# ------------------------------------------------------------------------------------------------ print


def test_fits_both_papers_and_twins_mirror():
    assert min(297, 279.4) - CARD.width_mm >= 18  # ISO 216 A4; ANSI Letter
    assert min(210, 215.9) - CARD.height_mm >= 18
    boxes = CARD.patch_boxes_mm
    assert np.allclose(boxes[:6], -boxes[6:12][:, [2, 3, 0, 1]])
    assert np.allclose(card.NOMINAL.rgb_linear[:6], card.NOMINAL.rgb_linear[6:12])
    everything = [*boxes, *[(*m.min(axis=0), *m.max(axis=0)) for m in CARD.marker_corners_mm]]
    for i, a in enumerate(everything):
        assert np.abs(a[::2]).max() <= CARD.width_mm / 2
        for b in everything[:i]:
            assert a[0] >= b[2] or a[2] <= b[0] or a[1] >= b[3] or a[3] <= b[1]


def test_drawn_patches_have_the_nominal_values():
    dpi = 100
    drawn = card.draw(3, dpi=dpi)
    assert drawn.shape == (round(190 / 25.4 * dpi), round(260 / 25.4 * dpi), 3)
    for box, want in zip(CARD.patch_boxes_mm, card.NOMINAL.rgb_linear, strict=True):
        x, y = (box[:2] + box[2:]) / 2
        code = drawn[round((95 - y) / 25.4 * dpi), round((x + 130) / 25.4 * dpi)]
        assert np.abs(code - encode(want)).max() <= 1.5
    assert card.draw_for_print(3, dpi=dpi).max() == 255


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (297, 210)), ("letter", (279.4, 215.9))])
def test_prints_at_true_size_and_always_the_same(tmp_path, paper, size_mm):
    """ISO 216 A4 and ANSI Letter; a PDF point is 1/72 inch (ISO 32000)."""
    first = card.print_pdf(tmp_path / "a.pdf", 12, paper=paper).read_bytes()
    assert first == card.print_pdf(tmp_path / "b.pdf", 12, paper=paper).read_bytes()
    box = [float(v) for v in re.search(rb"/MediaBox \[([^]]+)\]", first)[1].split()]
    assert np.allclose(np.array(box[2:]) / 72 * 25.4, size_mm, atol=0.01)
    png = card.print_png(tmp_path / "a.png", 12, paper=paper, dpi=127).read_bytes()
    assert png == card.print_png(tmp_path / "b.png", 12, paper=paper, dpi=127).read_bytes()
    sheet = cv2.imread(str(tmp_path / "a.png"))
    assert sheet.shape[:2] == (round(size_mm[1] * 5), round(size_mm[0] * 5))  # 127 dpi is 5 px a millimetre
    found = card.find(photo_of(sheet[..., ::-1]))
    assert found.spot == 12
    width_px = np.linalg.norm(found.corners_px[1] - found.corners_px[0])
    assert width_px / 5 == pytest.approx(260, abs=0.1)


@pytest.mark.parametrize("spot", [-1, 146, 2.5])
def test_spot_numbers_the_card_can_have(tmp_path, spot):
    with pytest.raises(CardError, match="0 to 145"):
        card.print_pdf(tmp_path / "a.pdf", spot)
    assert not list(tmp_path.iterdir())


def test_wrong_paper_or_resolution(tmp_path):
    with pytest.raises(CardError, match="a4 or letter"):
        card.print_pdf(tmp_path / "a.pdf", 1, paper="a3")
    with pytest.raises(CardError, match="dpi"):
        card.print_png(tmp_path / "a.png", 1, dpi=5)


# ------------------------------------------------------------------------------------------------ find


@settings(max_examples=8, deadline=None, derandomize=True)
@given(
    spot=st.integers(0, 145),
    distance_m=st.floats(0.6, 1.1),
    tilt_deg=st.floats(0, 55),
    turn_deg=st.floats(-180, 180),
    roll_deg=st.floats(-15, 15),
    blur_px=st.floats(0.3, 0.9),
    warm=st.floats(0.7, 1.15),
)
def test_found_within_a_pixel_at_any_pose(spot, distance_m, tilt_deg, turn_deg, roll_deg, blur_px, warm):
    homography = pose(distance_m, tilt_deg, turn_deg=turn_deg, roll_deg=roll_deg)
    photo = photo_of(shoot({spot: homography}, SIZE, seed=spot, blur_px=blur_px, gain=(1.0, warm, warm**2)))
    found = card.find(photo)
    assert found.spot == spot
    assert corner_error_px(found, homography) < 1.0
    assert found.marker_corners_px.shape == found.marker_corners_m.shape == (found.markers, 4, 2)
    assert found.reprojection_px < 0.7


@pytest.mark.parametrize("tilt_deg", [60, 65])
def test_found_far_over(tilt_deg):
    homography = homography_of(
        focal_px=1500, size_px=(1500, 1100), distance_m=1.3, tilt_deg=tilt_deg, turn_deg=25
    )
    found = card.find(photo_of(shoot({8: homography}, (1500, 1100), blur_px=0.6)))
    assert corner_error_px(found, homography) < 1.0


def test_small_markers_in_a_large_picture():
    """Markers of some 16 px in a picture five times the size of the quick copy's step."""
    size = (2400, 1500)
    homography = homography_of(
        focal_px=1700, size_px=size, distance_m=4.8, tilt_deg=25, turn_deg=10, at_px=(1820, 460)
    )
    photo = photo_of(shoot({77: homography}, size, blur_px=0.6))
    found = card.find(photo)
    assert found.spot == 77
    assert corner_error_px(found, homography) < 1.0


def test_marks_read_coarsely_are_sharpened_before_any_is_dropped(monkeypatch):
    """In a small copy of a large photo corners lie pixels off; no second search for marks that were read."""
    homography = pose()
    gray = marks.to_gray(shoot({5: homography}, SIZE))
    rng = np.random.default_rng(3)
    coarse = [
        marks.Mark(5, corner, through(homography, marks.MARKERS_M[corner]) + rng.uniform(-3, 3, (4, 2)))
        for corner in range(4)
    ]
    assert [len(one) for one in marks.cards_of(coarse)] == [2]
    monkeypatch.setattr(marks, "_quick", lambda *_: coarse)
    monkeypatch.setattr(marks, "_search_around", lambda *_: pytest.fail("searched again"))
    cards, _ = marks.search(gray)
    assert len(cards[0]) == 4
    for mark in cards[0]:
        assert np.abs(mark.px - through(homography, marks.MARKERS_M[mark.corner])).max() < 0.5


def test_pairs_of_one_card_are_one_card_and_another_of_its_number_another():
    """A coarse JPEG parted a card's marks into two pairs; one then found the other's: it "lay twice"."""
    homography = pose()
    here = [marks.Mark(5, corner, through(homography, marks.MARKERS_M[corner])) for corner in range(4)]
    again = [marks.Mark(5, mark.corner, mark.px + 0.6) for mark in here[1:3]]
    there = [marks.Mark(5, mark.corner, mark.px + 400.0) for mark in here]
    assert marks.each_once([again, here]) == [here]
    assert marks.each_once([here[:2], here[2:], there]) == [there, here[:2], here[2:]]


def test_of_several_cards_the_largest_is_found():
    near, far = pose(0.9, 10, at_px=(320, 400)), pose(1.5, 10, at_px=(780, 300))
    assert card.find(photo_of(shoot({4: far, 9: near}, SIZE, blur_px=0.5))).spot == 9


def test_cards_of_two_numbers_leave_open_which_place_it_is():
    near, far = pose(0.9, 10, at_px=(300, 400)), pose(1.1, 10, at_px=(780, 300))
    both = card.seen_at_once(photo_of(shoot({4: far, 9: near}, SIZE, blur_px=0.5)))
    assert [s.spot for s in both] == [9, 4]
    with pytest.raises(SeveralCardsError, match=r"cards 4 and 9 lie in the picture: name the one .*--spot 9"):
        card.choose(both)
    with pytest.raises(SeveralCardsError):
        card.choose(both, spot=5)
    found, twice = card.choose(both, spot=4)
    assert (found.spot, twice) == (4, "")
    alone, twice = card.choose(both[:1], spot=30)  # a card that serves several pegs
    assert (alone.spot, twice) == (9, "")


def test_one_number_twice_is_said():
    near, far = pose(0.9, 10, at_px=(300, 400)), pose(1.1, 10, at_px=(780, 300))
    first, second = (shoot({9: one}, SIZE, blur_px=0.5) for one in (near, far))
    halves = np.where(np.arange(SIZE[0])[None, :, None] < 560, first, second)
    found, twice = card.choose(card.seen_at_once(photo_of(halves.astype(np.uint8))))
    assert corner_error_px(found, near) < 1.5
    assert twice == "card 9 lies in the picture twice: the larger one was used"


def covered(homography, corners, by=(0.05, 0.11, 0.02)):
    """Something green over these markers."""

    def lie(scene):
        scene = scene.copy()
        for corner in corners:
            spot = through(
                homography,
                CARD.marker_corners_mm[corner] * 1.25 / 1000 - CARD.marker_centres_mm[corner] * 0.25 / 1000,
            )
            cv2.fillConvexPoly(scene, spot.astype(np.int32), by)
        return scene

    return lie


@pytest.mark.parametrize("hidden", [(0,), (0, 2), (1, 2), (2, 3)])
def test_any_two_markers_are_enough(hidden):
    homography = pose(0.8, 25, turn_deg=200)
    photo = photo_of(shoot({30: homography}, SIZE, blur_px=0.5, lie=covered(homography, hidden)))
    found = card.find(photo)
    assert found.markers == 4 - len(hidden)
    assert corner_error_px(found, homography) < 2.0


def grown_over(homography, seed, blades=20):
    """Blades 2 to 4 mm wide that reach up to 75 mm in from all sides: drawn and invented by us."""

    def lie(scene):
        scene, rng = scene.copy(), np.random.default_rng(seed)
        half = np.array([CARD.width_mm, CARD.height_mm]) / 2
        for _ in range(blades):
            root, side = rng.uniform(-half, half), rng.integers(2)
            root[side] = half[side] * rng.choice([-1, 1])
            turn = np.arctan2(*-root[::-1]) + rng.normal(0, 0.7)
            tip = root + rng.uniform(15, 75) * np.array([np.cos(turn), np.sin(turn)])
            wide = rng.uniform(2, 4) * np.array([-np.sin(turn), np.cos(turn)]) / 2
            shape = through(homography, np.array([root + wide, root - wide, tip - wide, tip + wide]) / 1000)
            green = np.array([0.07, 0.12, 0.03]) * rng.uniform(0.6, 1.5)
            cv2.fillConvexPoly(scene, np.rint(16 * shape).astype(np.int32), green.tolist(), cv2.LINE_8, 4)
        return scene

    return lie


@pytest.mark.parametrize("seed", range(4))
def test_a_card_with_blades_across_its_marks_is_found(seed):
    """A blade over a mark's edge ties it to what is dark beside it: most of these had not one mark left."""
    homography = homography_of(focal_px=1500, size_px=(2000, 1500), distance_m=1.3, tilt_deg=5, turn_deg=8)
    photo = photo_of(shoot({30: homography}, (2000, 1500), blur_px=0.5, lie=grown_over(homography, seed)))
    found = card.find(photo)
    assert found.markers == 4
    assert corner_error_px(found, homography) < 1.5


def test_burnt_paper_that_eats_into_the_marks_is_no_bent_card():
    homography = pose(0.8, 5)
    read = [
        marks.Mark(1, corner, through(homography, marks.MARKERS_M[corner] - into))
        for corner in range(4)
        for into in [0.03 * (marks.MARKERS_M[corner] - marks.MARKERS_M[corner].mean(axis=0))]
    ]
    assert marks.rms(marks.fit(read), read) < 0.3  # pixels; by 0.9 px each corner lies further in


def test_one_marker_is_not():
    homography = pose(0.8, 25)
    photo = photo_of(shoot({30: homography}, SIZE, lie=covered(homography, (0, 1, 2))))
    with pytest.raises(CardNotFoundError, match="only one of the four marks of the card \\(spot 30\\)"):
        card.find(photo)


@pytest.mark.parametrize(
    ("at_px", "side"),
    [((90, 380), "left"), ((900, 380), "right"), ((500, 60), "upper"), ((500, 700), "lower")],
)
def test_cut_off(at_px, side):
    photo = photo_of(shoot({30: pose(0.8, 10, at_px=at_px)}, SIZE, blur_px=0.4))
    with pytest.raises(CardCutOffError, match=f"{side} edge"):
        card.find(photo)


def test_a_mirrored_picture_is_told_as_that():
    """Front cameras hand on what they see mirrored; no mark of a mirrored card is one."""
    upright = shoot({12: pose()}, SIZE)
    assert card.find(photo_of(upright)).spot == 12
    with pytest.raises(CardNotFoundError, match="mirrored"):
        card.find(photo_of(upright[:, ::-1]))


def test_no_card():
    lawn = np.rint(encode(grassy(SIZE))).astype(np.uint8)
    with pytest.raises(CardNotFoundError, match="no card found"):
        card.find(photo_of(lawn))


def test_the_same_markers_in_another_layout_are_no_card():
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    picture = np.full((750, 1000, 3), 200, np.uint8)
    for corner, (x, y) in enumerate([(100, 100), (800, 120), (300, 500), (620, 460)]):
        picture[y : y + 80, x : x + 80] = cv2.aruco.generateImageMarker(family, 40 + corner, 80)[..., None]
    with pytest.raises(CardError):
        card.find(photo_of(picture))


# ------------------------------------------------------------------------------------------------ patches


def test_patches_read_what_lies_there():
    gain = np.array([0.9, 0.8, 0.6])
    photo = photo_of(shoot({1: pose(0.7, 15)}, SIZE, blur_px=0.5, gain=gain))
    found = card.find(photo)
    assert found.patch_names == card.NOMINAL.names
    read = decode(found.patch_rgb_coded)
    assert np.abs(read / (card.NOMINAL.rgb_linear * gain) - 1)[card.NOMINAL.neutral].max() < 0.03
    assert np.abs(read - card.NOMINAL.rgb_linear * gain).max() < 0.006
    assert not found.patch_clipped.any()
    assert found.twins_differ < 0.03
    assert np.nanmax(found.patch_spread) < 0.15


def test_burnt_and_black_patches_are_flagged():
    found = card.find(photo_of(shoot({1: pose(0.7, 15)}, SIZE, gain=(1.6, 1.6, 1.6))))
    assert found.patch_clipped[[0, 6]].all()
    assert not found.patch_clipped[[1, 2, 3, 4, 5]].any()
    dark = card.find(photo_of(shoot({1: pose(0.7, 15)}, SIZE, gain=(0.02, 0.02, 0.02), noise=0.0002)))
    assert dark.patch_clipped[5]


def test_blades_over_a_patch_do_not_count():
    homography = pose(0.7, 15)

    def blades(scene):
        scene = scene.copy()
        for box in CARD.patch_boxes_mm / 1000:
            x0, y0, x1, y1 = box
            ends = through(homography, np.array([[x0, y0 + 0.004], [x1, y1 - 0.008]])).astype(np.int32)
            cv2.line(scene, ends[0].tolist(), ends[1].tolist(), (0.06, 0.14, 0.02), 3)  # 3 mm
        return scene

    clean = card.find(photo_of(shoot({1: homography}, SIZE, blur_px=0.5)))
    grown = card.find(photo_of(shoot({1: homography}, SIZE, blur_px=0.5, lie=blades)))
    read, want = decode(grown.patch_rgb_coded), decode(clean.patch_rgb_coded)
    # 0.003 of reflectance: what a blade's blurred edges, no darker than noise, leave on the darkest step
    assert (np.abs(read - want)[:12] < 0.003 + 0.02 * want[:12]).all()


def test_a_light_gradient_shows_between_twins():
    light = np.broadcast_to(np.linspace(0.6, 1.0, SIZE[0]), (SIZE[1], SIZE[0])).astype(np.float32)
    homography = pose(0.7, 5)
    found = card.find(photo_of(shoot({1: homography}, SIZE, light=light)))
    outermost = (CARD.patch_boxes_mm[[0, 6], :2] + CARD.patch_boxes_mm[[0, 6], 2:]) / 2000
    left, right = np.interp(through(homography, outermost)[:, 0], [0, SIZE[0]], [0.6, 1.0])
    assert found.twins_differ == pytest.approx(2 * (right - left) / (right + left), abs=0.015)


# ------------------------------------------------------------------------------------------------ values

GREYS = "grey 1,93.1,0.2,1.5\ngrey 2,80,0,0\ngrey 3,66,0,0\ngrey 4,52,0,0\ngrey 5,38,0,0\ngrey 6,25,0,0\n"


def test_values_from_csv(tmp_path):
    """Against colour-science: Lab under ICC's D50, adapted to D65 by Bradford's transform."""
    path = tmp_path / "mine.csv"
    path.write_text("# measured at noon\nname,L,a,b\n" + GREYS + "Straw,77,3,30\n")
    got = card.read_values(path)
    assert got.measured
    assert got.names == (*card.NOMINAL.names[:12], "straw")
    assert got.neutral.tolist() == [True] * 12 + [False]
    assert np.allclose(got.rgb_linear[:6], got.rgb_linear[6:12])
    import colour

    white = colour.xyY_to_xy(colour.XYZ_to_xyY(np.array([0.96422, 1, 0.82521])))
    for row, lab in [(0, (93.1, 0.2, 1.5)), (3, (52, 0, 0)), (12, (77, 3, 30))]:
        xyz = colour.Lab_to_XYZ(np.array(lab), white)
        want = colour.XYZ_to_RGB(xyz, "sRGB", illuminant=white, chromatic_adaptation_transform="Bradford")
        assert np.allclose(got.rgb_linear[row], want, atol=2e-3)


def test_values_under_d65_with_decimal_commas(tmp_path):
    path = tmp_path / "mine.csv"
    path.write_text("# D65\nname;L;a;b\n" + GREYS.replace(",", ";").replace(".", ","))
    got = card.read_values(path)
    assert np.allclose(got.rgb_linear[1:6], card.NOMINAL.rgb_linear[1:6], atol=1e-3)


def test_values_as_codes(tmp_path):
    path = tmp_path / "mine.csv"
    path.write_text(
        "name,R,G,B\n" + "".join(f"grey {k},{118 - k},{118 - k},{118 - k}\n" for k in range(1, 7))
    )
    assert card.read_values(path).rgb_linear[0, 0] == pytest.approx(decode(117), abs=1e-4)


def test_values_from_cgats(tmp_path):
    """Layout as ISO 28178 describes it (keywords, BEGIN_DATA_FORMAT, BEGIN_DATA)."""
    lines = "\n".join(
        f'{k} "{row.split(",")[0]}" {" ".join(row.split(",")[1:])}'
        for k, row in enumerate(GREYS.strip().split("\n"), 1)
    )
    path = tmp_path / "mine.txt"
    path.write_text(
        'CGATS.17\nORIGINATOR "lab"\nNUMBER_OF_FIELDS 5\n'
        "BEGIN_DATA_FORMAT\nSAMPLE_ID SAMPLE_NAME LAB_L LAB_A LAB_B\n"
        f"END_DATA_FORMAT\nNUMBER_OF_SETS 6\nBEGIN_DATA\n{lines}\nEND_DATA\n"
    )
    csv = tmp_path / "mine.csv"
    csv.write_text("name,L,a,b\n" + GREYS)
    assert np.allclose(card.read_values(path).rgb_linear, card.read_values(csv).rgb_linear)


def test_every_mistake_in_the_values_is_told(tmp_path):
    path = tmp_path / "mine.csv"
    path.write_text(
        "name,L,a,b\ngrey 1,193,0,0\ngrey 2,eighty,0,0\ngrey 9,50,0,0\n"
        "grey 3,66,0\ngrey 4,52,0,0\ngrey 4,52,0,0\n"
    )
    with pytest.raises(CardValuesError) as caught:
        card.read_values(path)
    told = "\n".join(caught.value.mistakes)
    for words in [
        "line 2: LAB_L must lie between 0 and 105",
        "'eighty'",
        "no patch is called 'grey 9'",
        "line 5: 4 columns",
        "twice",
    ]:
        assert words in told


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "empty"),
        ("name,hue\ngrey 1,3\n", "wanted name,L,a,b"),
        ("name,L,a,b\n", "no patch values"),
        ("name,L,a,b\ngrey 1,93,0,0\n", "missing grey 2 upper"),
    ],
)
def test_unusable_values(tmp_path, text, words):
    path = tmp_path / "mine.csv"
    path.write_text(text)
    with pytest.raises(CardValuesError, match=words):
        card.read_values(path)
    with pytest.raises(CardValuesError, match="can't be read"):
        card.read_values(tmp_path / "gone.csv")


def test_any_other_target(tmp_path):
    rng = np.random.default_rng(2)
    rows, cols = 4, 6
    codes = rng.integers(40, 220, (rows, cols, 3)).astype(np.uint8)
    flat = np.kron(codes, np.ones((50, 50, 1), np.uint8))
    corners = np.array([[120.0, 90.0], [760.0, 140.0], [700.0, 560.0], [150.0, 500.0]])
    own = np.array([[-0.5, -0.5], [299.5, -0.5], [299.5, 199.5], [-0.5, 199.5]], np.float32)
    warp = cv2.getPerspectiveTransform(own, corners.astype(np.float32))
    photo = photo_of(cv2.warpPerspective(flat, warp, SIZE))
    path = tmp_path / "mine.csv"
    path.write_text(
        "name,R,G,B\n" + "".join(f"p{k},{r},{g},{b}\n" for k, (r, g, b) in enumerate(codes.reshape(-1, 3)))
    )
    values = card.read_values(path, names=None)
    got = card.read_target(photo, corners, values, rows=rows, cols=cols)
    assert got.patch_names == values.names
    assert np.abs(got.patch_rgb_coded - codes.reshape(-1, 3)).max() < 1.5
    with pytest.raises(CardError, match="24 values"):
        card.read_target(photo, corners, values, rows=4, cols=5)
    with pytest.raises(CardError, match="clockwise"):
        card.read_target(photo, corners[::-1], values, rows=rows, cols=cols)
    with pytest.raises(CardCutOffError):
        card.read_target(photo, corners + 400, values, rows=rows, cols=cols)
