"""One photo through all its steps: card, correction, view, classes, faults, cells."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from turfeye import (
    card,
    caveats,
    cells,
    covererror,
    cut,
    faults,
    foreshortening,
    judging,
    leafcolour,
    lighting,
    onlawn,
    photo,
    reflectance,
    region,
    retake,
    sward,
    teach,
    upright,
    view,
)
from turfeye.covererror import Conditions
from turfeye.errors import CardError
from turfeye.gapfraction import Blades, fit_lean
from turfeye.records import (
    CardValues,
    Floats,
    Grid,
    Look,
    Photo,
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
            f"wanted card {spot}, got card{'s' * (len(there) > 1)} {' and '.join(there)}: "
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
    flat: float | None = None,
) -> Look:
    """Measure a photo whose view is known, on a grid that is given.

    ``sighting`` may be None where the outline's corners placed the picture and no card can be read: cover
    is still given, with a wider error, and colour is withheld. ``find_lawn`` leaves out what the picture
    shows beside the lawn. ``blades`` is the lawn's own leaf angle, ``taught`` what the
    classifier has learnt of it, used where a card corrects the colours. How much of its green lies ``flat``
    the photo tells by itself, unless it is given.
    """
    pixels = judging.judged(picture, seen, sighting, values or card.NOMINAL)
    correction = pixels.correction
    warnings = [*caveats.of_lens(picture), *caveats.of_size(picture)]
    warnings += caveats.of_card(sighting, correction, spot=seen.kind == "spot")
    if taught is not None and correction is not None:
        pixels = replace(pixels, shares=teach.adapted(pixels.shares, pixels.rgb_linear, taught))
    elif taught is not None:
        warnings.append("read without what this lawn is taught, which needs the card's colours")
    card_px = None if sighting is None else judging.at_working_size(sighting.corners_px, seen, pixels.view)
    outline_px = _outline_px(grid, pixels.view)
    if outline_px is not None:
        found, pixels = onlawn.marked(pixels, card_px, outline_px)
        if pixels.correction is not None and pixels.correction.haloed:
            warnings.append(caveats.EVENED_ON_LAWN)
        anywhere = found
    else:
        if card_px is not None and faults.raised(pixels.shares, card_px):
            warnings.append(caveats.RAISED)
        anywhere, pixels = onlawn.unmarked(pixels, card_px, find_lawn=find_lawn)
        found = faults.beside_lawn(anywhere)
    hardness = lighting.hardness(pixels.rgb_linear, pixels.shares.green, found.lit)
    if seen.tilt_deg <= view.OBLIQUE_DEG:
        hardness = lighting.as_usually_shrunk(hardness, pixels.view.size_px[0] / picture.size_px[0])
    # a lawn's own leaf angle, from two photos, holds how its leaves lie and what dark soil hides too
    lie = _lie(picture, seen, pixels.shares, found) if blades is None else None
    if flat is None:
        flat = 0.0 if lie is None else foreshortening.lying(*lie)
    conditions = Conditions(
        hardness=hardness,
        grain=0.0 if sighting is None else caveats.grain_of(sighting),
        leafless=leafcolour.leafless(pixels, found.lit),
        hidden=(1 - flat) * cells.hidden_by_dark_soil(pixels, anywhere) if blades is None else 0.0,
        coarse=covererror.coarse_colour(picture),
        flat=flat,
    )
    table = cells.measure(pixels, found, grid, blades=blades, conditions=conditions)
    at_large = _at_large(pixels.rgb_linear, pixels.shares, found, hardness)
    warnings += [leafcolour.NO_LEAVES] * conditions.leafless
    warnings += [*leafcolour.hints(table), *retake.hints(found)]
    warnings += caveats.of_light(hardness, conditions.grain, at_large=at_large)
    warnings += [*caveats.of_soil(conditions.hidden), *caveats.of_lie(flat)]
    return Look(picture, sighting, pixels.correction, seen, table, tuple(warnings), hardness, flat, lie)


def _lie(picture: Photo, seen: View, shares: Shares, found: faults.Faults) -> tuple[float, float] | None:
    """How like flat green it is seen, and the error of that, where it tells. A photo from above isn't asked:
    there it makes little difference."""
    if seen.tilt_deg <= view.OBLIQUE_DEG:
        return None
    usable = found.fault == 0
    if found.lawn is not None:
        usable &= found.lawn
    likeness, se = foreshortening.flat_likeness(picture.rgb_coded, seen, shares.green, usable)
    return (likeness, se) if se else None


def _at_large(rgb_linear: Floats, shares: Shares, found: faults.Faults, hardness: float) -> float:
    """Hardness at large, where something is to be said of it; else NaN."""
    if not hardness >= lighting.HARD:
        return float("nan")
    return lighting.at_large(rgb_linear, shares.green, found.lit)


def fit_blades(top: Path | str, low: Path | str) -> Blades:
    """A lawn's own leaf angle from two photos of one place, the card lying still: from above, and obliquely.

    Raises what `look` raises, CardError where they show cards of different numbers, so not one place, and
    ViewError where the photos have no cells in common at angles that differ.
    """
    pictures = [photo.read(Path(path)) for path in (top, low)]
    sightings = [card.choose(card.seen_at_once(picture))[0] for picture in pictures]
    if sightings[0].spot != sightings[1].spot:
        raise CardError(
            f"wanted two photos of one place, the same card left there, got card {sightings[0].spot} from "
            f"above and card {sightings[1].spot} obliquely: take both again at one place"
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


def _look_without_card(picture: Photo) -> Look:
    """Cover in picture cells: no scale, no angle, no colour. A card that lies there says which way is up."""
    small = judging.resized(picture.rgb_coded, sward.working_scale(picture.rgb_coded.shape[:2]))
    grass = region.lawn_region(small)
    several = np.mean(grass >= 0.5) < FILLED
    turns = upright.turns_by_card(picture) if several else 0
    shares = judging.classified(small, turns=turns)
    grass = region.lawn_region(small, turns=turns) if turns else grass
    lawn = region.lawn_in_garden(small, turns=turns) >= 0.5 if several else None
    found = faults.find(small, shares=shares, lawn=lawn)
    if several:
        found = faults.beside_lawn(onlawn.without_doubted(found, grass))
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
