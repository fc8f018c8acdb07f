"""Judging: a photo at its working size, and what each of its pixels shows."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from turfeye import card, colour, faults, lighting, reflectance, stray, sward, upright, view
from turfeye.records import Bytes, CardValues, Floats, Photo, Pixels, Shares, Sighting, View


def judged(
    picture: Photo, seen: View, sighting: Sighting | None, values: CardValues = card.NOMINAL
) -> Pixels:
    """The photo at its working size, its pixels read by the shipped classifier, which knows no one lawn.

    Raises ColourError where the card can't carry the correction.
    """
    correction = None if sighting is None else colour.fit(sighting, values)
    rgb_coded, small = _shrink(picture.rgb_coded, seen)
    rgb_linear, plain = reflectance.in_card_light(rgb_coded, correction)
    if sighting is not None and correction is not None:
        card_px = at_working_size(sighting.corners_px, seen, small)
        lifted = stray.of(rgb_linear, card_px, sighting, correction)
        if lifted:
            correction = colour.fit(sighting, values, stray=lifted)
            rgb_linear, plain = reflectance.in_card_light(rgb_coded, correction)
        if seen.kind == "spot" and small.size_px != seen.size_px:  # else no gap is seen by itself
            shown, share = _lit_gaps(rgb_linear, card_px, scale=small.size_px[0] / seen.size_px[0])
            if share > stray.PALE_GAPS[0] and (
                faults.blurred(rgb_coded) > stray.BLURRED  # which makes gaps pale as well
                or shown > stray.most_by_card(sighting, values)
            ):
                shown, share = 0.0, 0.0
            lit = stray.faded(shown, share)
            plain = stray.taken_off(plain, lit)
            correction = replace(correction, pale_gaps=share, gap_light=lit)
        plain = sward.exposed(plain)
    shares = classified(plain, turns=upright.quarter_turns(seen))
    smear_px = reflectance.smear_px(small.size_px[0] / seen.size_px[0])
    return Pixels(small, rgb_coded, rgb_linear, shares, correction, smear_px)


def classified(rgb_coded: Bytes, *, turns: int) -> Shares:
    """What each pixel shows, read as the picture comes to stand by so many quarter turns anticlockwise."""
    stood = sward.classify(np.ascontiguousarray(np.rot90(rgb_coded, turns)))
    return Shares(*(np.ascontiguousarray(np.rot90(share, -turns)) for share in stood.planes))


def _lit_gaps(rgb_linear: Floats, card_px: Floats, *, scale: float) -> tuple[float, float]:
    """As `stray.in_gaps` has it, in light as hard as the leaves show it."""
    leafy = (rgb_linear[..., 1] > rgb_linear[..., 0]).astype(np.float32)
    around = stray.ground(rgb_linear.shape[:2], card_px)
    hardness = np.nan_to_num(lighting.hardness(rgb_linear, leafy, around), nan=lighting.USUAL_HARDNESS)
    return stray.in_gaps(rgb_linear, card_px, hardness=lighting.as_usually_shrunk(float(hardness), scale))


def at_working_size(points_px: Floats, seen: View, small: View) -> Floats:
    """Pixels of the photo as pixels of the working picture; pixel centres lie at integers in both."""
    factor = np.array(small.size_px) / np.array(seen.size_px)
    return (np.asarray(points_px, float) + 0.5) * factor - 0.5


def _shrink(rgb_coded: Bytes, seen: View) -> tuple[Bytes, View]:
    """The picture at the scale at which the sward is judged, and the view that goes with it."""
    height, width = rgb_coded.shape[:2]
    net = np.stack(np.meshgrid(np.linspace(0, width - 1, 32), np.linspace(0, height - 1, 24)), axis=-1)
    gsd_mm = view.gsd_mm(seen, view.unproject(seen, net.reshape(-1, 2)))
    small = resized(rgb_coded, sward.working_scale((height, width), gsd_mm))
    return small, view.resized(seen, (small.shape[1], small.shape[0]))


def resized(rgb_coded: Bytes, scale: float) -> Bytes:
    """The picture averaged down, by way of exactly half its size where it can: half the time.

    For that a last odd row and column are left out (what lies there moves by half a pixel of the small
    picture). Averaged down at once a picture comes out sharper: one pixel more or less made the same light a
    third harder.
    """
    if scale == 1:
        return rgb_coded
    height, width = rgb_coded.shape[:2]
    size_px = round(width * scale), round(height * scale)
    if scale <= 0.5:
        half = width // 2, height // 2
        even = rgb_coded[: 2 * half[1], : 2 * half[0]]
        rgb_coded = np.asarray(cv2.resize(even, half, interpolation=cv2.INTER_AREA))
    return np.asarray(cv2.resize(rgb_coded, size_px, interpolation=cv2.INTER_AREA), np.uint8)
