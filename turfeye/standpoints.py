"""From where each photo of a lawn's views was taken: marked by hand, or laid over one that is known.

A photo is laid over the marked one. Where that fails (one taken in a warm evening, the other at noon) it is
laid over the photo nearest in time that itself lies on the marked one; never over one further down, since
each step adds its error. What is found, and over which photos it could not be laid, is kept with the lawn's
results, so that nothing is searched for twice.
"""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from turfeye import photo, store, view
from turfeye.align import Scenery, align, scenery
from turfeye.errors import AlignmentError
from turfeye.lawn import Lawn
from turfeye.records import Photo, View

MOST_TRIES: Final = 5
"""Known photos that one is laid over before it is given up: each takes about a second."""


def what_to_do(place: Lawn) -> str:
    """About a photo that can be laid over no known one."""
    return (
        f"If it shows the same lawn, mark its corners {', '.join(place.corner_names)} in it, on the page "
        f"that turfeye lawn new {shlex.quote(str(place.folder))} --propose PHOTO writes; next time stand at "
        "the same place, fence or paving in the picture. If it shows something else, delete it from the "
        "lawn's photos"
    )


@dataclass(frozen=True, eq=False, slots=True)
class Placed:
    """A photo's view and what it rests on."""

    name: str  # of the marked view
    view: View
    residual_cm: float | None = None  # None: its own corners are marked
    over: str | None = None  # the photo that it was laid over
    cut: float | None = None  # times its header's focal length that it has, as `align.Aligned` has it

    @property
    def facts(self) -> dict[str, Any]:
        """The same as plain JSON."""
        pose = {"residual_cm": self.residual_cm, "over": self.over, "pose": view.as_dict(self.view)}
        return {"view": self.name, "cut": self.cut, **pose}


class Standpoints:
    """The photos of a lawn whose views are known; each is read once, and only when wanted."""

    def __init__(self, place: Lawn) -> None:
        self.place = place
        self._marked = {one.photo: one for one in place.views}
        self._laid: dict[str, tuple[str, datetime, View]] = {}  # photo: name of its view, taken, view
        self._known: dict[str, tuple[Scenery, View]] = {}  # of marked photos and laid ones, once wanted
        self._refused: dict[str, dict[str, AlignmentError]] = {}  # photo: by the photo it was laid over
        self._later: dict[str, Scenery] = {}  # of the one photo that is being laid over others

    def learn(self, photo_name: str, facts: dict[str, Any]) -> None:
        """Remember a measured photo that lies on a marked one, so that others may be laid over it."""
        if facts.get("over") in self._marked and facts["view"] == self._marked[facts["over"]].name:
            taken = datetime.fromisoformat(facts["taken"]).replace(tzinfo=None)
            self._laid[photo_name] = facts["view"], taken, view.from_dict(facts["pose"])

    def worth_another_try(self, photo_name: str) -> bool:
        """Whether a refused photo could be laid over one learnt since."""
        refused = self._refused.get(photo_name, {})
        return bool(refused) and len(refused) < MOST_TRIES and any(k not in refused for k in self._laid)

    def recall(self, photo_name: str, digest: str, *, wanted: str | None) -> None:
        """Learn where a photo was taken from without reading it, if that was found before."""
        if facts := store.load_pose(self.place, store.pose_key(self.place, digest, wanted=wanted)).get(
            "placed"
        ):
            self.learn(photo_name, facts)

    def locate(self, picture: Photo, *, wanted: str | None = None) -> Placed:
        """The view of a photo; of several marked views the one that it lies on best.

        Raises AlignmentError where it can be laid over no known photo, ViewError where marks fit no camera.
        """
        name = picture.path.name
        if name in self._marked:
            return Placed(self._marked[name].name, self._marked_view(picture))
        key = store.pose_key(self.place, picture.digest, wanted=wanted)
        kept = store.load_pose(self.place, key)
        if facts := kept.get("placed"):
            placing = facts["residual_cm"], facts["over"], facts["cut"]
            return Placed(facts["view"], view.from_dict(facts["pose"]), *placing)
        before = {known: AlignmentError(why) for known, why in kept.get("refused", {}).items()}
        refused = self._refused.setdefault(name, before)
        placed = self._searched(picture, wanted)
        taken = picture.taken.isoformat() if picture.taken else None
        found = {"placed": placed and placed.facts | {"taken": taken}}
        store.save_pose(self.place, key, found | {"refused": {k: str(error) for k, error in refused.items()}})
        if placed is None:
            raise AlignmentError(f"{next(iter(refused.values()))}. {what_to_do(self.place)}")
        return placed

    def _searched(self, picture: Photo, wanted: str | None) -> Placed | None:
        """Laid over the marked photos, else over those that lie on them."""
        views = [one for one in self.place.views if wanted in (None, one.name)]
        found = [placed for one in views if (placed := self._over(picture, one.name, one.photo))]
        if found:
            return min(found, key=lambda placed: placed.residual_cm or 0.0)
        for view_name, near in self._nearest(picture, [one.name for one in views]):
            if len(self._refused[picture.path.name]) < MOST_TRIES:
                placed = self._over(picture, view_name, near)
                if placed is not None:
                    return placed
        return None

    def _over(self, picture: Photo, view_name: str, known: str) -> Placed | None:
        """The photo laid over a known one; None, and not tried again, where that is refused."""
        name = picture.path.name
        refused = self._refused[name]
        if known in refused:
            return None
        if name not in self._later:
            self._later = {name: scenery(picture)}
        try:
            aligned = align(self._later[name], *self._read(known), outline_m=self.place.outline_m)
        except AlignmentError as error:
            refused[known] = error
            return None
        return Placed(view_name, aligned.view, aligned.residual_cm, known, aligned.cut)

    def _nearest(self, picture: Photo, view_names: list[str]) -> list[tuple[str, str]]:
        """View and photo of those laid already; earlier ones first, since later ones were filed after it."""
        taken = picture.taken.replace(tzinfo=None) if picture.taken else datetime.max
        order = [
            (when > taken, abs(when - taken), view_name, known)
            for known, (view_name, when, _) in self._laid.items()
            if view_name in view_names
        ]
        return [(view_name, known) for *_, view_name, known in sorted(order)]

    def _read(self, known: str) -> tuple[Scenery, View]:
        """Features and view of a known photo."""
        if known not in self._known:
            picture = photo.read(self.place.photo_path(known))
            seen = self._marked_view(picture) if known in self._marked else self._laid[known][2]
            self._known[known] = scenery(picture), seen
        return self._known[known]

    def _marked_view(self, picture: Photo) -> View:
        corners_px = self._marked[picture.path.name].corners_px
        return view.from_corners(picture, corners_px, self.place.outline_m)
