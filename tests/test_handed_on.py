"""Photos as messengers hand them on: recompressed, made smaller, without their header's facts."""

import csv
import io
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image
from posing import homography_of, photo_of, shoot, through

from turfeye import card, caveats, cells, evened, glance, lawn, leafcolour, lighting, photo, view
from turfeye.card_layout import CARD
from turfeye.colourspace import encode
from turfeye.errors import CardNotFoundError, CardTooSmallError

FERRY = Path(__file__).parents[1] / "sample_images" / "ferry-cottage"


def handed_on(name, into, *, quality, longest=None):
    """A sample photo (invented, rendered) saved anew with 4:2:0 colour and no header, its outline there."""
    coded = photo.read(FERRY / "photos" / name).rgb_coded
    scale = 1.0 if longest is None else longest / max(coded.shape)
    size = round(coded.shape[1] * scale), round(coded.shape[0] * scale)
    small = coded if longest is None else cv2.resize(coded, size, interpolation=cv2.INTER_AREA)
    Image.fromarray(small).save(into / name, quality=quality, subsampling=2)
    with (FERRY / "truth" / "corners.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if (row["photo"], row["what"]) == (name, "outline")]
    corners = np.array([(float(row["x_px"]), float(row["y_px"])) for row in rows])
    return into / name, (corners + 0.5) * scale - 0.5


@pytest.mark.parametrize(
    ("quality", "longest"), [(95, None), (88, None), (70, None), (50, None), (75, 1600), (75, 1280)]
)
def test_a_wall_s_shadow_stays_a_shadow_and_an_evenly_lit_card_even(tmp_path, quality, longest):
    """Untouched the photo says so; recompressed, something lay on the lawn and the card was dirty."""
    path, corners = handed_on("2026-04-05-window.jpg", tmp_path, quality=quality, longest=longest)
    shot, place = photo.read(path), lawn.read(FERRY)
    seen = view.from_corners(shot, corners, place.outline_m)
    grid = cells.lawn_grid(place.outline_m, 0.5)
    look = glance.look_through(shot, seen, grid, sighting=card.find(shot))
    said = " ".join(look.warnings)
    assert "the light in the right third differs from that on the card" in said
    assert "something lies on the lawn" not in said
    assert "uneven light" not in said


@pytest.mark.parametrize(("quality", "longest"), [(95, None), (70, None), (75, 1280)])
def test_few_young_blades_have_a_leaf_s_colour(tmp_path, quality, longest):
    path, _ = handed_on("2026-03-30-window.jpg", tmp_path, quality=quality, longest=longest)
    assert leafcolour.NO_LEAVES not in glance.look(path).warnings


@pytest.mark.parametrize(("bluer", "apart", "told"), [(0.7, 0.8, True), (0.1, 0.8, False), (0.7, 0.2, False)])
def test_two_lights_that_brightness_alone_does_not_tell_are_told_where_the_darker_is_bluer(
    bluer, apart, told
):
    rng = np.random.default_rng(2)
    log_light, warmth = rng.normal(-2.5, 0.35, (150, 210)), rng.normal(0.9, 0.3, (150, 210))
    log_light[:, 150:] -= apart
    warmth[:, 150:] -= bluer
    assert lighting.other_light(log_light, 0 * log_light, None, np.zeros((600, 840), bool))[1] is False
    other, several = lighting.other_light(log_light, warmth, None, np.zeros((600, 840), bool))
    assert several is told
    assert not told or other[:, 150:].mean() > 0.85 > 4 * other[:, :150].mean()


# Cards of few pixels, drawn or rendered by us, so the truth is known. Read mark by mark none was found.


def far_card(*, spot=117, distance_m=4.2, tilt_deg=55.0, turn_deg=25.0, longest=1280, quality=60, **more):
    """A messenger's copy of a photo of a card lying far off, and where its corners are in it."""
    size, focal = (2016, 1512), 1400.0
    plane = homography_of(
        focal_px=focal, size_px=size, distance_m=distance_m, tilt_deg=tilt_deg, turn_deg=turn_deg
    )
    coded = shoot({spot: plane}, size, blur_px=0.6, **more)
    scale = longest / size[0]
    small = cv2.resize(coded, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    held = io.BytesIO()
    Image.fromarray(small).save(held, "JPEG", quality=quality, subsampling=2)
    corners = (through(plane, CARD.corners_mm / 1000) + 0.5) * scale - 0.5
    return photo_of(np.asarray(Image.open(held))), corners


def mark_px(corners):
    plane, _ = cv2.findHomography(CARD.corners_mm / 1000, corners, 0)
    own = through(plane, CARD.marker_corners_mm / 1000).astype(np.float32)
    return float(np.mean([cv2.contourArea(mark) ** 0.5 for mark in own]))


@pytest.mark.parametrize("turn_deg", [0.0, 100.0, 205.0, 300.0])
@pytest.mark.parametrize(("longest", "quality"), [(1600, 60), (1280, 75), (1280, 50), (1024, 60)])
def test_a_card_of_one_pixel_a_square_is_read_and_placed(longest, quality, turn_deg):
    shot, corners = far_card(longest=longest, quality=quality, turn_deg=turn_deg)
    assert 4.5 < mark_px(corners) < 9.5
    found = card.find(shot)
    assert found.spot == 117
    assert np.linalg.norm(found.corners_px - corners, axis=1).max() < 0.12 * mark_px(corners)
    assert found.reprojection_px > 0.44  # its corners move as one, so its error does not average out


@pytest.mark.parametrize("spot", [0, 43, 145])
def test_a_far_card_s_number_is_its_own(spot):
    assert card.find(far_card(spot=spot)[0]).spot == spot


def test_a_far_card_with_a_leaf_over_a_mark_is_read():
    corners = far_card(longest=2016, distance_m=3.6)[1]
    plane, _ = cv2.findHomography(CARD.corners_mm / 1000, corners, 0)
    at = through(plane, CARD.marker_centres_mm[1] / 1000).round().astype(int)

    def lie(linear):
        return np.asarray(cv2.circle(linear.copy(), at.tolist(), 13, (0.25, 0.14, 0.05), -1))

    shot, corners = far_card(longest=1600, distance_m=3.6, lie=lie)
    found = card.find(shot)
    assert found.spot == 117
    assert np.linalg.norm(found.corners_px - corners, axis=1).max() < 0.2 * mark_px(corners)


@pytest.mark.parametrize(("turn_deg", "from_deg"), [(0.0, 20), (0.0, 200), (100.0, 110), (300.0, 290)])
def test_a_far_card_that_a_shadow_crosses_is_read(turn_deg, from_deg):
    """Its shaded half is darker than the turf in the sun, but whiter."""
    middle = far_card(longest=2016, turn_deg=turn_deg)[1].mean(axis=0)
    y, x = np.mgrid[:1512, :2016]
    across = np.cos(np.radians(from_deg)) * (x - middle[0]) + np.sin(np.radians(from_deg)) * (y - middle[1])
    light = (0.2 + 0.8 / (1 + np.exp(-0.7 * np.clip(across, -50, 50)))).astype(np.float32)
    shot, corners = far_card(longest=1600, turn_deg=turn_deg, light=light)
    found = card.find(shot)
    assert found.spot == 117
    assert np.linalg.norm(found.corners_px - corners, axis=1).max() < 0.2 * mark_px(corners)


def test_a_bright_sheet_without_marks_is_no_card_and_a_card_beyond_reading_is_told():
    """What shows no number gives none: neither by chance nor by the nearest likeness."""
    shot, corners = far_card()
    blank = shot.rgb_coded.copy()
    cv2.fillConvexPoly(blank, corners.round().astype(np.int32), (236, 236, 234))
    with pytest.raises(CardNotFoundError) as refused:
        card.find(photo_of(blank))
    assert not isinstance(refused.value, CardTooSmallError)
    smudged = far_card(longest=800)[0].rgb_coded
    with pytest.raises(CardTooSmallError, match=r"stand nearer .* or send the camera's own file \(.*800"):
        card.find(photo_of(smudged))
    cards, why = card.readable_or_why(photo_of(smudged))
    assert cards == card.readable(photo_of(smudged)) == []
    assert "stand nearer" in why  # told beside what a lawn view measures without it
    assert card.readable_or_why(photo_of(blank)) == ([], "")
    blurred = cv2.GaussianBlur(far_card(longest=1600)[0].rgb_coded, (0, 0), 1.8)
    assert [one.spot for one in card.readable(photo_of(blurred))] == [117]  # a little less is read, and right


@pytest.mark.parametrize("longest", [1280, 1024])
def test_greys_of_a_far_card_are_as_dark_and_colours_as_deep_as_they_are(longest):
    """Patches of four pixels have a part of the paper in them: read plainly, 0.65 and 0.50 of the colour."""
    shot, _ = far_card(longest=longest, quality=75, noise=0.0)
    found = card.find(shot)
    want = encode(card.NOMINAL.rgb_linear)
    off = found.patch_rgb_coded - want
    assert abs(off[4:6].mean()) < 6  # codes; read plainly 7.5 at 1,024 pixels
    vivid = np.ptp(found.patch_rgb_coded[12:], axis=1).mean() / np.ptp(want[12:], axis=1).mean()
    assert vivid > 0.75


def test_a_lawn_s_card_is_read_in_every_copy(tmp_path):
    for name in ("2026-04-12-window.jpg", "2026-04-27-window.jpg"):
        path, _ = handed_on(name, tmp_path, quality=60, longest=1024)
        untouched = card.find(photo.read(FERRY / "photos" / name))
        assert card.find(photo.read(path)).spot == untouched.spot


# Tones evened out place by place, as HDR modes do it: our own drawing of it, on rendered photos.


def evened_out(coded):
    """Three tenths of what wide places differ by taken off, a tenth of what is finer put on top."""
    light = coded.astype(np.float32) / 255
    log = np.log(light @ np.float32([0.299, 0.587, 0.114]) + 0.02)
    wide = cv2.GaussianBlur(log, (0, 0), coded.shape[1] / 30)
    out = 255 * light * np.exp(0.1 * (log - wide) - 0.3 * (wide - wide.mean()))[..., None]
    return np.clip(np.rint(out), 0, 255).astype(np.uint8)


TRIAL = Path(__file__).parents[1] / "sample_images" / "trial-spots" / "photos"
SPOTS = sorted(path.name for path in TRIAL.iterdir() if path.suffix == ".jpg")


@pytest.mark.parametrize("name", [SPOTS[3], SPOTS[9], SPOTS[12]])  # sun, low sun, half shade
def test_evened_out_tones_are_told_and_the_index_less_sure(tmp_path, name):
    Image.fromarray(evened_out(photo.read(TRIAL / name).rgb_coded)).save(tmp_path / name, quality=92)
    plain, toned = glance.look(TRIAL / name), glance.look(tmp_path / name)
    assert not any("evened out" in words for words in plain.warnings)
    assert any("as HDR modes do" in words and "index" in words for words in toned.warnings)
    known, before = (one.table.dgci_se[np.isfinite(one.table.dgci_se)] for one in (toned, plain))
    assert len(before)
    if len(known):
        assert np.median(known) > 1.2 * np.median(before)
    else:
        assert (toned.table.why == leafcolour.EVENED_OUT).any()


@pytest.mark.parametrize("name", SPOTS)
@pytest.mark.parametrize("how", ["untouched", "small", "sharpened"])
def test_no_other_photo_is_told_to_be_evened_out(tmp_path, name, how):
    coded = photo.read(TRIAL / name).rgb_coded
    if how == "small":
        coded = cv2.resize(coded, None, fx=0.7, fy=0.7, interpolation=cv2.INTER_AREA)
    if how == "sharpened":
        light = coded.astype(np.float32)
        coded = np.clip(2 * light - cv2.GaussianBlur(light, (0, 0), 1.0), 0, 255).astype(np.uint8)
    held = io.BytesIO()
    Image.fromarray(coded).save(held, "JPEG", quality=75, subsampling=2)
    shot = photo_of(np.asarray(Image.open(held)))
    assert evened.rises(shot.rgb_coded, card.find(shot).homography)[0] < evened.TOLD / 2


@pytest.mark.parametrize("name", ["2026-03-14-window.jpg", "2026-05-06-window.jpg"])
def test_evened_out_tones_are_told_on_a_marked_lawn_and_the_index_less_sure(tmp_path, name):
    path, place = tmp_path / name, lawn.read(FERRY)
    plain = photo.read(FERRY / "photos" / name)
    Image.fromarray(evened_out(plain.rgb_coded)).save(path, quality=92)
    toned = replace(photo.read(path), focal_px=plain.focal_px)
    grid, corners_px = cells.lawn_grid(place.outline_m, place.cell_m), place.views[0].corners_px
    # each photo has its own corners in truth; those of the marked one are near enough here
    told = []
    for shot in (plain, toned):
        seen = view.from_corners(shot, corners_px, place.outline_m)
        told.append(glance.look_through(shot, seen, grid, sighting=card.find(shot)))
    assert [caveats.EVENED_ON_LAWN in look.warnings for look in told] == [False, True]
    assert [look.correction.haloed for look in told] == [False, True]
    assert evened.index_se(told[1].correction) == evened.LAWN_INDEX_SE
    se = told[1].table.dgci_se
    assert (se[np.isfinite(se)] >= evened.LAWN_INDEX_SE).all()


@pytest.mark.parametrize(("by", "told"), [(-0.7, True), (0.0, False), (0.5, False)])
def test_turf_that_follows_what_lies_around_it_is_lit_and_what_goes_against_it_is_evened_out(by, told):
    """Drawn: even turf between white paving and a black hedge; ``by`` of their light, blurred, is on it."""
    rng = np.random.default_rng(4)
    log = np.full((360, 480), -2.5, np.float32)
    log[:80], log[:, :90], log[:, 400:] = -0.4, -4.5, -0.7
    lawn_px = log == -2.5
    wide = cv2.GaussianBlur(log, (0, 0), 480 / 30)
    log = log + by * (wide + 2.5) + rng.normal(0, 0.15, log.shape)
    coded = np.rint(encode(np.exp(np.minimum(log, 0))[..., None] * np.float32([0.9, 1.0, 0.8]))).astype(
        np.uint8
    )
    card_px = np.array([[220.0, 300], [250, 300], [250, 322], [220, 322]])
    assert evened.on_lawn(coded, [lawn_px], card_px) is told
    slope = evened.lawn_slope(coded, lawn_px, card_px)
    assert np.sign(slope) == np.sign(by) or abs(slope) < 0.05
    assert np.isnan(evened.lawn_slope(coded, np.zeros_like(lawn_px), card_px))


SPOTS = FERRY.parent / "trial-spots" / "photos"


def made_small(name, into, longest, *, ending="jpg", subsampling=2):
    with Image.open(SPOTS / f"{name}.jpg") as whole:
        small = whole.resize((longest, round(longest * whole.height / whole.width)), Image.Resampling.BOX)
        path = into / f"{name}-{longest}-{subsampling}.{ending}"
        small.save(path, **({"quality": 75, "subsampling": subsampling} if ending == "jpg" else {}))
    return path


def test_a_small_photo_that_holds_colour_coarsely_is_told_and_less_sure(tmp_path):
    """Gaps between blades take on their green: at 640 pixels this one reads twenty points higher."""
    name = "2026-04-24-spot-2"
    files = {
        "whole": SPOTS / f"{name}.jpg",
        "coarse": made_small(name, tmp_path, 640),
        "fine": made_small(name, tmp_path, 640, subsampling=0),
        "lossless": made_small(name, tmp_path, 640, ending="png"),
    }
    seen = {kind: glance.look(path) for kind, path in files.items()}
    told = [kind for kind, one in seen.items() if any("small photo" in line for line in one.warnings)]
    assert told == ["coarse"]
    assert [kind for kind, one in seen.items() if one.photo.halved_colour] == ["whole", "coarse"]
    error = {kind: np.nanmean(one.table.cover_se) for kind, one in seen.items()}
    assert error["coarse"] > 1.25 * max(error["fine"], error["lossless"])
    unplaced = [glance.look(files[kind], no_card=True) for kind in ("coarse", "fine")]
    assert np.nanmean(unplaced[0].table.cover_se) > 1.08 * np.nanmean(unplaced[1].table.cover_se)
    assert ["small photo" in " ".join(one.warnings) for one in unplaced] == [True, False]


def test_errors_of_small_photos_hold_against_the_rendered_truth(tmp_path):
    """Cells of 10 cm of four rendered spots (invented, truth known) at 640 pixels and quality 75."""
    with (SPOTS.parent / "truth" / "cells.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    off = []
    for name in ("2026-04-13-spot-1", "2026-04-24-spot-2", "2026-05-06-spot-2", "2026-05-06-spot-3"):
        true = {
            (round(float(r["x_m"]), 2), round(float(r["y_m"]), 2)): float(r["cover"])
            for r in rows
            if r["photo"] == f"{name}.jpg"
        }
        table = glance.look(made_small(name, tmp_path, 640)).table
        for x, y, cover, error in zip(table.x_m, table.y_m, table.cover, table.cover_se, strict=True):
            if np.isfinite(cover) and (round(x, 2), round(y, 2)) in true:
                off.append((cover - true[round(x, 2), round(y, 2)]) / error)
    assert len(off) > 200
    assert np.mean(np.abs(off) < 2) > 0.9
