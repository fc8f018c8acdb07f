"""Where a filed photo belongs: a peg whose card lies in it, or a marked view that it can be laid over."""

from __future__ import annotations

import shlex
from dataclasses import dataclass, replace
from typing import Any

from turfeye import card, notes, view
from turfeye.errors import AlignmentError, CardError, SpotUnknownError
from turfeye.lawn import Lawn, Note, Spot
from turfeye.notes import Remark
from turfeye.records import Photo, Sighting, View
from turfeye.standpoints import Placed, Standpoints


@dataclass(frozen=True, eq=False, slots=True)
class Whereabouts:
    """A photo's view and what it rests on: a spot's card, or else a marked view."""

    view: View
    sighting: Sighting | None
    spot: Spot | None = None
    placed: Placed | None = None
    twice: str = ""  # that the spot's card lies in it twice
    unread: str = ""  # that a card seems to lie in it and can't be read, and what to do

    @property
    def facts(self) -> dict[str, Any]:
        """What is kept of it beside the photo's table, as plain JSON."""
        if self.spot is not None:
            return {
                "view": self.spot.view,
                "at_m": self.spot.at_m,
                "turned_deg": self.spot.turned_deg,
            }
        assert self.placed is not None
        return self.placed.facts


def find(place: Lawn, picture: Photo, standpoints: Standpoints) -> Whereabouts:
    """Where one filed photo belongs.

    Raises
    ------
    CardError : no view is marked and no card is seen from above; SeveralCardsError where cards of
        different spots lie in it
    SpotUnknownError : a card is seen from above that is no known spot's, and no view fits
    AlignmentError, ViewError : it can be laid over no known photo, or its marks fit no camera
    """
    note = note_on(place, picture.path.name)
    named = note.spot if note else None
    cards, unread = card.readable_or_why(picture)
    sighting = next((one for one in cards if one.spot == named), cards[0] if cards else None)
    number = named if named is not None else sighting.spot if sighting else None
    spot = next((s for s in place.spots if s.number == number), None)
    seen = None if sighting is None else view.from_card(picture, sighting, rule_mm=place.card_rule_mm)
    above = seen is not None and seen.tilt_deg <= view.OBLIQUE_DEG
    wanted = note.view if note else None
    if spot is not None and seen is not None and wanted is None and (above or not place.views):
        _, twice = card.choose(cards, spot=named)
        lay_deg = spot.turned_deg + (note.turned_deg if note else 0.0)
        return Whereabouts(seen, sighting, spot=replace(spot, turned_deg=lay_deg), twice=twice)
    if not place.views:
        if cards:
            card.choose(cards, spot=named)
        elif spot is not None:
            card.seen_at_once(picture)  # filed as a known spot's: raises what is wrong with its card
        if above and sighting:
            raise _spot_unknown(place, sighting, named)
        raise _no_view(place, sighting, unread)
    try:
        placed = standpoints.locate(picture, wanted=wanted)
    except AlignmentError as error:
        if above and sighting and spot is None and wanted is None:
            raise _spot_unknown(place, sighting, named) from error
        raise
    return Whereabouts(placed.view, sighting, placed=placed, unread=unread)


def dated(place: Lawn, picture: Photo) -> Photo:
    """The photo with the time that ``lawn.toml`` gives it, where the camera's clock was wrong."""
    note = note_on(place, picture.path.name)
    if note is None or note.taken is None:
        return picture
    return replace(picture, taken=note.taken, taken_from="given")


def note_on(place: Lawn, photo_name: str) -> Note | None:
    """What ``lawn.toml`` says of a filed photo."""
    return next((note for note in place.notes if note.photo == photo_name), None)


def _spot_unknown(place: Lawn, sighting: Sighting, named: int | None) -> SpotUnknownError:
    """No known spot has the number that a photo was filed with, else that of the card in it."""
    number = sighting.spot if named is None else named
    wanted = f"wanted {'the card of ' * (named is None)}a known spot ({_known(place)}), got "
    place_it = (
        "write its [[spot]] in lawn.toml, with that number and at_m = [2.0, 1.5], its place in metres "
        f"along side {place.side_names[0]} and into the lawn"
    )
    if named is None:
        words = "{wanted}card {number}: {place_it}; or is it of another lawn?"
        return SpotUnknownError(Remark(words, wanted=wanted, number=number, place_it=place_it), number)
    again = f"turfeye add {shlex.quote(str(place.folder))} PHOTO --spot {sighting.spot}"
    return SpotUnknownError(
        f"{wanted}spot {number}, which it was filed with; the card in it is {sighting.spot}: correct "
        f"the number, for example {again}, or {place_it}",
        number,
    )


def _no_view(place: Lawn, sighting: Sighting | None, unread: str) -> CardError:
    """No view is marked, and a photo shows no card from above: what it most likely shows comes first.

    ``unread`` is why a card that seems to lie in it can't be read.
    """
    corners = f"its corners {', '.join(place.corner_names)}"
    page = f"the page that turfeye lawn new {shlex.quote(str(place.folder))} --propose PHOTO writes"
    came = "no card could be read" if sighting is None else f"card {sighting.spot} is seen from the side"
    if place.spots and unread:
        return CardError(
            f"{unread}; or, if it shows the lawn, no view is marked yet: mark {corners} in one such photo, "
            f"on {page}"
        )
    if place.spots:
        return CardError(
            f"{came}, wanted that of a known spot ({_known(place)}) whole and from above: take it again; if "
            f"it shows the lawn, no view is marked yet: mark {corners} in one such photo, on {page}"
        )
    return CardError(
        f"no view is marked yet, and {came}. If it shows the lawn, mark {corners} in one such photo, on "
        f"{page}; if a spot, take it again from above with the whole card"
    )


def _known(place: Lawn) -> str:
    names = [str(spot.number) for spot in place.spots]
    return f"known: {notes.some(names, most=notes.MOST_NUMBERS) or 'none'}"
