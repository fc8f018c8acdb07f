"""Two photos of one place under two numbers: the sample trial's, and one of them as from another place."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from turfeye import card, photo, sameground, view
from turfeye.cli import root
from turfeye.records import Floats, Photo, View
from turfeye.simulate import spots

SAMPLE = Path(__file__).parents[1] / "sample_images" / "trial-spots"
DAYS = ("2026-03-20", "2026-04-02", "2026-04-13", "2026-04-24", "2026-05-06")


def seen(path: Path) -> tuple[Photo, View]:
    picture = photo.read(path)
    return picture, view.from_card(picture, card.choose(card.seen_at_once(picture))[0])


def of_sample(day: str, spot: int) -> Path:
    return SAMPLE / "photos" / f"{day}-spot-{spot}.jpg"


def second_shot(path: Path, into: Path) -> Path:
    """The photo of a spot as from another place, otherwise turned and tilted, darker, with other grain."""
    picture, at = seen(path)
    other = spots.SpotRecipe(
        name="again", seed=0, cover=0, tilt_deg=9.0, turn_deg=8.0, aim_m=(0.04, -0.03), gsd_mm=0.78,
        size_px=(1632, 1224),
    )  # fmt: skip
    moved = other.view().plane @ np.linalg.inv(at.plane)
    there = cv2.warpPerspective(picture.rgb_coded, moved, other.size_px, borderMode=cv2.BORDER_REFLECT)
    noisy = 0.85 * there + np.random.default_rng(1).normal(0, 4, there.shape)
    Image.fromarray(np.clip(noisy, 0, 255).astype(np.uint8)).save(into, quality=85)
    return into


def test_other_ground_has_nothing_in_common_and_a_second_photo_nearly_all(tmp_path: Path) -> None:
    every = list(itertools.product(DAYS, (1, 2, 3)))
    grounds = [sameground.about_card(*seen(of_sample(*spot))) for spot in every]
    for day in DAYS:
        assert sameground.pairs([g for (on, _), g in zip(every, grounds, strict=True) if on == day]) == []
    # of other days a spot may still be known, another never is
    found = [{every[a][1], every[b][1]} for a, b in sameground.pairs(grounds)]
    assert len(found) > 5
    assert all(len(one) == 1 for one in found)
    again = sameground.about_card(*seen(second_shot(of_sample(DAYS[2], 2), tmp_path / "again.jpg")))
    assert sameground.pairs([grounds[every.index((DAYS[2], 2))], again]) == [(0, 1)]


def test_drilled_rows_are_not_the_same_ground() -> None:
    """They are alike along themselves, wherever the card lies; what else is there differs."""
    shape = (144, 168)
    x = np.arange(shape[1]) * sameground.STEP_M

    def drilled(seed: int) -> Floats:
        rng = np.random.default_rng(seed)
        return np.tile(np.sin(2 * np.pi * x / 0.02), (shape[0], 1)) + rng.normal(0, 0.5, shape)

    assert np.corrcoef(drilled(1).ravel(), drilled(2).ravel())[0, 1] > sameground.ALIKE
    assert sameground.pairs([drilled(1), drilled(2)]) == []
    assert sameground.pairs([drilled(1), drilled(1) + 0.1 * drilled(2)]) == [(0, 1)]


def test_a_frame_that_lies_about_the_card_is_not_the_same_ground() -> None:
    """Trials lay out one of 60 by 50 cm: three spots with it have up to half of their texture in common."""
    grounds = []
    for spot in (1, 2, 3):
        picture, at = seen(of_sample("2026-04-13", spot))
        rgb = picture.rgb_coded.copy()
        corners = view.project(at, np.array([[-0.3, -0.25], [0.3, -0.25], [0.3, 0.25], [-0.3, 0.25]]))
        wide_px = round(30 / float(np.median(view.gsd_mm(at, np.array([[0.3, 0.0], [-0.3, 0.0]])))))
        cv2.polylines(rgb, [np.rint(corners).astype(np.int32)], True, (225, 225, 222), wide_px)
        grounds.append(sameground.about_card(replace(picture, rgb_coded=rgb), at))
    both = np.isfinite(grounds[0]) & np.isfinite(grounds[1])
    assert np.corrcoef(grounds[0][both], grounds[1][both])[0, 1] > sameground.ALIKE
    assert sameground.pairs(grounds) == []


@pytest.mark.parametrize("twice", [True, False])
def test_a_photo_under_the_next_plot_s_number_is_told_as_it_is_filed(tmp_path: Path, twice: bool) -> None:
    folder, phone = tmp_path / "trial", tmp_path / "phone"
    phone.mkdir()
    folder.mkdir()
    (folder / "lawn.toml").write_text((SAMPLE / "lawn.toml").read_text(encoding="utf-8"), encoding="utf-8")
    for spot in (1, 2, 3):
        into = phone / f"2026-04-13 plot {spot}.jpg"
        if twice and spot == 2:
            second_shot(of_sample("2026-04-13", 1), into)
        else:
            into.write_bytes(of_sample("2026-04-13", spot).read_bytes())
    done = CliRunner().invoke(root, ["add", str(folder), str(phone), "--numbered"], catch_exceptions=False)
    assert done.exit_code == 0
    told = [line for line in done.stderr.splitlines() if "show the same ground" in line]
    assert len(told) == twice
    if twice:
        assert told[0].startswith("spots 1 and 2 on 13 April show the same ground (2026-04-13T")
        assert "--spot NUMBER" in told[0]
