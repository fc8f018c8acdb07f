"""One photo through all its steps: card, correction, view, classes, faults, cells."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from turfeye import (
    card,
    caveats,
    cells,
    colour,
    covererror,
    cut,
    evened,
    faults,
    leafcolour,
    lighting,
    photo,
    reflectance,
    region,
    retake,
    soilcolour,
    stray,
    sward,
    teach,
    upright,
    view,
)
from turfeye.covererror import Conditions
from turfeye.errors import CardError
from turfeye.gapfraction import Blades, fit_lean
from turfeye.records import (
    Bytes,
    CardValues,
    Flags,
    Floats,
    Grid,
    Look,
    Photo,
    Pixels,
    Shares,
    Sighting,
    View,
)

SPOT_CELL_M = 0.10
LAWN_CELL_M = 0.50
PICTURE_CELLS = 16
"""Without a card a photo is cut into this many cells across."""
ALL_OTHER_LIGHT = 0.9
"""With more of the lawn than this in other light, the card's correction is for nothing in the picture."""
FILLED = 0.75
"""Without a card: a lawn that takes up so much of the picture is all of it. Of 20 photos from straight above
(rendered and real fields) the least has 0.82, of 20 rendered garden views the most 0.70."""
LEAST_GROUND = 0.08
"""With more of the picture than this taken for other things of the soil's own colour they are soil. Dogs take
up a twentieth of a spot photo, shoes a hundredth (ours)."""


def look(
    path: Path | str,
    *,
    cell_m: float | None = None,
    no_card: bool = False,
    values: CardValues | None = None,
    spot: int | None = None,
    rule_mm: float = card.CARD.rule_mm,
) -> Look:
    """Measure one photo.

    Parameters
    ----------
    path : the photo; it is read, never written
    cell_m : side of a cell, metres; by default 0.10 from above and 0.50 for an oblique photo
    no_card : go on without a card: cover in picture cells, no colour
    values : the card's measured values; by default the nominal ones of the print
    spot : the number of the card to go by, where the photo shows several
    rule_mm : what the card's 100 mm rule measures, where it was not printed at its true size

    Raises
    ------
    PhotoMissingError, PhotoError : no such file, or nothing in it that can be measured
    CardError : no usable card in the picture, or it lies in other light than the lawn; SeveralCardsError
        where cards of different numbers lie in it and ``spot`` names none
    ColourError, ViewError : the card is there but can't carry the correction or the pose
    """
    picture = photo.read(Path(path))
    if no_card:
        return _look_without_card(picture)
    cards = card.seen_at_once(picture)
    there = [str(number) for number in sorted({one.spot for one in cards})]
    if spot is not None and str(spot) not in there:
        raise CardError(
            f"wanted card {spot}, came card{'s' * (len(there) > 1)} {' and '.join(there)}: "
            f"give --spot {' or '.join(there)}" + ", or leave it out" * (len(there) == 1)
        )
    sighting, twice = card.choose(cards, spot=spot)
    seen = view.from_card(picture, sighting, rule_mm=rule_mm)
    oblique = seen.tilt_deg > view.OBLIQUE_DEG
    size_m = cell_m or (LAWN_CELL_M if oblique else SPOT_CELL_M)
    grid = cells.spot_grid(seen, size_m)
    one = look_through(picture, seen, grid, sighting=sighting, values=values, find_lawn=oblique)
    shade = one.table.shade[one.table.state == "seen"]
    if len(shade) and np.mean(shade) > ALL_OTHER_LIGHT:
        raise CardError(
            "wanted the card in the same light as the lawn, but nearly all of the lawn is in other light; "
            "lay it where the lawn's light falls on it and take the photo again. If it lay there, its greys "
            "mislead, since it mirrors the sky (laminated, glossy, wet) or is printed too pale: print it "
            "on matt paper"
        )
    said = [*([twice] if twice else []), *cut.of_photo(picture, sighting), *teach.left_aside(picture.path)]
    return replace(one, warnings=(*said, *one.warnings)) if said else one


def look_through(
    picture: Photo,
    seen: View,
    grid: Grid,
    *,
    sighting: Sighting | None,
    values: CardValues | None = None,
    find_lawn: bool = False,
    blades: Blades | None = None,
    taught: teach.Teaching | None = None,
) -> Look:
    """Measure a photo whose view is known, on a grid that is given.

    ``sighting`` may be None where the outline's corners placed the picture and no card can be read: cover
    is still given, with a wider error, and colour is withheld. ``find_lawn`` leaves out what the picture
    shows beside the lawn. ``blades`` is the lawn's own leaf angle, ``taught`` what the
    classifier has learnt of it, used where a card corrects the colours.
    """
    pixels = judged(picture, seen, sighting, values or card.NOMINAL)
    correction = pixels.correction
    warnings = [*caveats.of_lens(picture), *caveats.of_size(picture)]
    warnings += caveats.of_card(sighting, correction, spot=seen.kind == "spot")
    if taught is not None and correction is not None:
        pixels = replace(pixels, shares=teach.adapted(pixels.shares, pixels.rgb_linear, taught))
    elif taught is not None:
        warnings.append("read without what this lawn is taught, which needs the card's colours")
    card_px = None if sighting is None else _at_working_size(sighting.corners_px, seen, pixels.view)
    outline_px = _outline_px(grid, pixels.view)
    if outline_px is not None:
        found, pixels = _in_marked_lawn(pixels, card_px, outline_px)
        if pixels.correction is not None and pixels.correction.haloed:
            warnings.append(caveats.EVENED_ON_LAWN)
        anywhere = found
    else:
        if card_px is not None and faults.raised(pixels.shares, card_px):
            warnings.append(caveats.RAISED)
        lawn = _lawn_region(pixels) >= 0.5 if find_lawn else None
        pixels = _with_ground(pixels, lawn)
        anywhere = _faults(pixels, card_px, lawn)
        found = faults.beside_lawn(anywhere)
    hardness = lighting.hardness(pixels.rgb_linear, pixels.shares.green, found.lit)
    if seen.tilt_deg <= view.OBLIQUE_DEG:
        hardness = lighting.as_usually_shrunk(hardness, pixels.view.size_px[0] / picture.size_px[0])
    conditions = Conditions(
        hardness=hardness,
        grain=0.0 if sighting is None else caveats.grain_of(sighting),
        leafless=leafcolour.leafless(pixels, found.lit),
        # a lawn's own leaf angle, from two photos, holds what dark soil hides too
        hidden=cells.hidden_by_dark_soil(pixels, anywhere) if blades is None else 0.0,
        coarse=covererror.coarse_colour(picture),
    )
    table = cells.measure(pixels, found, grid, blades=blades, conditions=conditions)
    at_large = _at_large(pixels.rgb_linear, pixels.shares, found, hardness)
    warnings += [leafcolour.NO_LEAVES] * conditions.leafless
    warnings += [*leafcolour.hints(table), *retake.hints(found)]
    warnings += caveats.of_light(hardness, conditions.grain, at_large=at_large)
    warnings += caveats.of_soil(conditions.hidden)
    return Look(picture, sighting, pixels.correction, seen, table, tuple(warnings), hardness)


def _at_large(rgb_linear: Floats, shares: Shares, found: faults.Faults, hardness: float) -> float:
    """Hardness at large, where something is to be said of it; else NaN."""
    if not hardness >= lighting.HARD:
        return float("nan")
    return lighting.at_large(rgb_linear, shares.green, found.lit)


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
        card_px = _at_working_size(sighting.corners_px, seen, small)
        lifted = stray.of(rgb_linear, card_px, sighting, correction)
        if lifted:
            correction = colour.fit(sighting, values, stray=lifted)
            rgb_linear, plain = reflectance.in_card_light(rgb_coded, correction)
        if seen.kind == "spot" and small.size_px != seen.size_px:  # else no gap is seen by itself
            most, scale = stray.most_by_card(sighting, values), small.size_px[0] / seen.size_px[0]
            lit, share = _lit_gaps(rgb_coded, rgb_linear, card_px, scale=scale, most=most)
            plain, correction = (
                stray.taken_off(plain, lit),
                replace(correction, pale_gaps=share, gap_light=lit),
            )
        plain = sward.exposed(plain)
    shares = _classified(plain, turns=upright.quarter_turns(seen))
    smear_px = reflectance.smear_px(small.size_px[0] / seen.size_px[0])
    return Pixels(small, rgb_coded, rgb_linear, shares, correction, smear_px)


def _classified(rgb_coded: Bytes, *, turns: int) -> Shares:
    """What each pixel shows, read as the picture comes to stand by so many quarter turns anticlockwise."""
    stood = sward.classify(np.ascontiguousarray(np.rot90(rgb_coded, turns)))
    return Shares(*(np.ascontiguousarray(np.rot90(share, -turns)) for share in stood.planes))


def _lit_gaps(
    rgb_coded: Bytes, rgb_linear: Floats, card_px: Floats, *, scale: float, most: float
) -> tuple[float, float]:
    """As `stray.in_gaps` has it; none in a blurred photo, whose gaps are pale without stray light."""
    leafy = (rgb_linear[..., 1] > rgb_linear[..., 0]).astype(np.float32)
    around = stray.ground(rgb_coded.shape[:2], card_px)
    hardness = np.nan_to_num(lighting.hardness(rgb_linear, leafy, around), nan=lighting.USUAL_HARDNESS)
    hardness = lighting.as_usually_shrunk(float(hardness), scale)
    lit, share = stray.in_gaps(rgb_linear, card_px, hardness=hardness, most=most)
    return (0.0, 0.0) if lit and faults.blurred(rgb_coded) > stray.BLURRED else (lit, share)


def _lawn_region(pixels: Pixels) -> Floats:
    """Probability that each pixel shows the lawn, (H, W), however the picture lies."""
    return region.lawn_region(pixels.rgb_coded, turns=upright.quarter_turns(pixels.view))


def _faults(pixels: Pixels, card_px: Floats | None, lawn: Flags | None) -> faults.Faults:
    """The faults of a placed photo."""
    return faults.find(
        pixels.rgb_coded, shares=pixels.shares, correction=pixels.correction, card_px=card_px, lawn=lawn
    )


def _in_marked_lawn(
    pixels: Pixels, card_px: Floats | None, outline_px: Floats
) -> tuple[faults.Faults, Pixels]:
    """Faults, and the pixels put right: what has the colour of the lawn's soil is soil.

    From afar the classifier takes a bare patch for a bed in part.
    """
    mask = np.zeros(pixels.view.size_px[::-1], np.uint8)
    cv2.fillPoly(mask, [np.rint(outline_px).astype(np.int32)], 1)
    lawn = mask > 0
    grass = _lawn_region(pixels)
    if pixels.correction is not None and card_px is not None and not pixels.correction.evened:
        haloed = evened.on_lawn(pixels.rgb_coded, (lawn, grass >= 0.5), card_px)
        pixels = replace(pixels, correction=replace(pixels.correction, haloed=haloed))
    pixels = _with_soil(pixels, lawn & (grass >= 0.5))
    shares = pixels.shares
    return _with_things(_faults(pixels, card_px, lawn), grass, shares, outline_px), pixels


def _with_soil(pixels: Pixels, within: Flags, *, least: float = 0.0) -> Pixels:
    """What has the colour of the soil seen ``within`` is soil there, if more than ``least`` of it is."""
    shares = pixels.shares
    soil = soilcolour.places(pixels.rgb_coded, shares, pixels.correction, within)
    moved = np.where(soil, shares.other, np.float32(0))
    if moved.sum() <= least * np.count_nonzero(within):
        return pixels
    return replace(pixels, shares=replace(shares, bare=shares.bare + moved, other=shares.other - moved))


def _with_ground(pixels: Pixels, lawn: Flags | None) -> Pixels:
    """Soil put right where a card tells its colour but no outline is marked; ``lawn`` None is all of it.

    Between rows of young grass, and where it is cracked or stony, the classifier takes real soil for other
    things. A little of that colour may be a shoe or a dog, and stays what it was taken for.
    """
    other = pixels.shares.other if lawn is None else pixels.shares.other[lawn]
    if pixels.correction is None or other.sum() <= LEAST_GROUND * other.size:
        return pixels
    within = np.ones(pixels.rgb_coded.shape[:2], bool) if lawn is None else lawn
    return _with_soil(pixels, within, least=LEAST_GROUND)


def _with_things(found: faults.Faults, grass: Floats, shares: Shares, corners_px: Floats) -> faults.Faults:
    """What stands on the outlined lawn among the faults."""
    found = _without_doubted(found, grass)
    things = region.standing_on(grass, corners_px, shares.other) & (found.fault == 0)
    return replace(found, fault=np.where(things, faults.THING, found.fault).astype(np.uint8))


def _without_doubted(found: faults.Faults, grass: Floats) -> faults.Faults:
    """Where there is surely lawn nothing lies, whatever the sward classifier takes it for."""
    doubted = (found.fault == faults.THING) & (grass >= region.SURELY_LAWN)
    return replace(found, fault=np.where(doubted, 0, found.fault).astype(np.uint8))


def fit_blades(top: Path | str, low: Path | str) -> Blades:
    """A lawn's own leaf angle from two photos of one place, the card lying still: from above, and obliquely.

    Raises what `look` raises, CardError where they show cards of different numbers, so not one place, and
    ViewError where the photos have no cells in common at angles that differ.
    """
    pictures = [photo.read(Path(path)) for path in (top, low)]
    sightings = [card.choose(card.seen_at_once(picture))[0] for picture in pictures]
    if sightings[0].spot != sightings[1].spot:
        raise CardError(
            f"wanted two photos of one place, its card left lying, came card {sightings[0].spot} from above "
            f"and card {sightings[1].spot} obliquely: take both again at one place"
        )
    seen = [view.from_card(picture, found) for picture, found in zip(pictures, sightings, strict=True)]
    grid = cells.spot_grid(seen[0], SPOT_CELL_M)
    covers, zeniths = np.full((2, 2, grid.rows * grid.cols), np.nan)
    for k in range(2):
        table = look_through(pictures[k], seen[k], grid, sighting=sightings[k]).table
        place = table.row * grid.cols + table.col
        covers[k, place], zeniths[k, place] = table.cover_as_seen, table.zenith_deg
    return Blades(*fit_lean(list(covers), list(zeniths)))


def _outline_px(grid: Grid, seen: View) -> Floats | None:
    """(K, 2) where the outline's corners appear; None without one, or where one lies behind the camera."""
    if grid.outline_m is None:
        return None
    corners = view.project(seen, grid.outline_m)
    near = np.isfinite(corners).all() and np.abs(corners).max() <= 20 * max(seen.size_px)
    return corners if near else None


def _at_working_size(points_px: Floats, seen: View, small: View) -> Floats:
    """Pixels of the photo as pixels of the working picture; pixel centres lie at integers in both."""
    factor = np.array(small.size_px) / np.array(seen.size_px)
    return (np.asarray(points_px, float) + 0.5) * factor - 0.5


def _look_without_card(picture: Photo) -> Look:
    """Cover in picture cells: no scale, no angle, no colour. A card that lies there says which way is up."""
    small = _resized(picture.rgb_coded, sward.working_scale(picture.rgb_coded.shape[:2]))
    grass = region.lawn_region(small)
    several = np.mean(grass >= 0.5) < FILLED
    turns = upright.turns_by_card(picture) if several else 0
    shares = _classified(small, turns=turns)
    grass = region.lawn_region(small, turns=turns) if turns else grass
    lawn = region.lawn_in_garden(small, turns=turns) >= 0.5 if several else None
    found = faults.find(small, shares=shares, lawn=lawn)
    if several:
        found = faults.beside_lawn(_without_doubted(found, grass))
    rgb_linear = reflectance.to_linear(small, None)
    hardness = lighting.hardness(rgb_linear, shares.green, found.lit)
    conditions = Conditions(hardness=hardness, coarse=covererror.coarse_colour(picture))
    table = cells.measure_picture(shares, found, columns=PICTURE_CELLS, conditions=conditions)
    light = caveats.of_light(hardness, at_large=_at_large(rgb_linear, shares, found, hardness))
    warnings = (_said_without_card(picture), *caveats.of_size(picture), *retake.hints(found), *light)
    return Look(picture, None, None, None, table, warnings, hardness)


def _said_without_card(picture: Photo) -> str:
    """What is unknown without a card, and how to come to know it: with the one that lies there, if any."""
    unknown = (
        "cover is as this picture sees it, in parts of the picture; places, areas, view angle and colour are "
        "unknown"
    )
    if card.shows(picture):
        return f"a card lies in it but was not used: {unknown}. Leave --no-card out for those"
    return f"no card: {unknown}. Lay the card on the lawn and take it again for those"


def _shrink(rgb_coded: Bytes, seen: View) -> tuple[Bytes, View]:
    """The picture at the scale at which the sward is judged, and the view that goes with it."""
    height, width = rgb_coded.shape[:2]
    net = np.stack(np.meshgrid(np.linspace(0, width - 1, 32), np.linspace(0, height - 1, 24)), axis=-1)
    gsd_mm = view.gsd_mm(seen, view.unproject(seen, net.reshape(-1, 2)))
    small = _resized(rgb_coded, sward.working_scale((height, width), gsd_mm))
    return small, view.resized(seen, (small.shape[1], small.shape[0]))


def _resized(rgb_coded: Bytes, scale: float) -> Bytes:
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
