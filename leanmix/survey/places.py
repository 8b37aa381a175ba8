"""The places on a machine that a survey finds: plain names, letters, and where each one goes in the machine file.

A place is a named spot ("lower_pivot"); a point is a place on one side ("left lower_pivot"). Frame as in the
machine file: out from the centreline towards the own side, up over the board, behind the runners' contacts.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from leanmix.errors import LeanmixError
from leanmix.machine import Machine

__all__ = ["FRONT_PLACES", "PLACES", "SIDE_PLACES", "Place", "PointName", "UnknownPoint", "find_point", "places_of"]


class UnknownPoint(LeanmixError):
    """A name that is no point of this machine."""


@dataclass(frozen=True, slots=True)
class Place:
    """A named spot on the machine.

    Parameters
    ----------
    name : str
        Name used in files, e.g. "lower_pivot".
    letter : str
        Letter on the labelled drawing; "" for a part's point, which the drawing numbers instead.
    plain : str
        Name in sentences.
    where : str
        What exactly to measure to.
    sided : bool
        Whether there is one on each side.
    view : str
        "front", "side" or "both": which pictures can show it.
    part : tuple of int or None
        (part, point) of the machine file for a part's point.
    """

    name: str
    letter: str
    plain: str
    where: str
    sided: bool = True
    view: str = "front"
    part: tuple[int, int] | None = None


PLACES = (
    Place("arm_centre", "A", "servo axis", "Middle of the screw that holds the servo arm."),
    Place("arm_ball", "B", "arm ball", "Centre of the ball on the servo arm.", view="both"),
    Place("mount_ball", "C", "mount ball", "Centre of the ball on the sliding mount.", view="both"),
    Place("upper_eye", "D", "upper shock eye", "Centre of the pin in the shock's upper eye."),
    Place("guide_top", "E", "guide top", "Upper end of the length over which mount and guide touch, on its middle line."),
    Place("guide_bottom", "F", "guide bottom", "Lower end of that length, on its middle line."),
    Place("upper_pivot", "G", "upper arm pivot", "Centre of the upper arm's inner hinge pin."),
    Place("upper_ball", "H", "upper arm ball", "Centre of the upper arm's outer ball or pin."),
    Place("lower_pivot", "J", "lower arm pivot", "Centre of the lower arm's inner hinge pin."),
    Place("lower_ball", "K", "lower arm ball", "Centre of the lower arm's outer ball or pin."),
    Place("lower_eye", "L", "lower shock eye", "Centre of the pin in the shock's lower eye."),
    Place("contact", "M", "runner contact", "Where the runner touches the board.", view="both"),
    Place("rear_front", "R", "rear contact, front end", "Where the track begins to touch the board.", sided=False, view="side"),
    Place("rear_back", "S", "rear contact, back end", "Where the track (or wheel) ceases to touch.", sided=False, view="side"),
    Place("rear_pivot", "T", "rear pivot", "Point about which the chassis rolls against the rear.", sided=False, view="side"),
)  # fmt: skip
FRONT_PLACES = tuple(p.name for p in PLACES if p.view in ("front", "both"))
SIDE_PLACES = tuple(p.name for p in PLACES if p.view in ("side", "both"))

SIDES = ("left", "right")


@dataclass(frozen=True, slots=True, order=True)
class PointName:
    """A place on one side: side is "left", "right", "centre", or "" where the writer left it open."""

    place: str
    side: str = ""

    def __str__(self) -> str:
        return f"{self.side} {self.place}" if self.side in SIDES else self.place


def places_of(machine: Machine) -> Mapping[str, Place]:
    """Every place of a machine by name: the fifteen fixed ones, then the corners of its declared parts.

    A part's corners are called by its name and a number from 1 ("rack 1"); a part with one corner by its name alone.
    """
    found = {p.name: p for p in PLACES}
    for i, part in enumerate(machine.parts):
        for j in range(len(part.points)):
            name = f"{part.name} {j + 1}" if len(part.points) > 1 else part.name
            name = " ".join(name.split())
            if name in found or name.replace(" ", "_") in found:
                name = f"part {name}"
            found.setdefault(
                name,
                Place(
                    name, "", name, f'Corner {j + 1} of the part "{part.name}".', part.side != "centre", "front", (i, j)
                ),
            )
    return MappingProxyType(found)


def find_point(text: str, places: Mapping[str, Place]) -> PointName:
    """The point a builder means: "left lower_pivot", "Lower arm pivot", "J", "rack 2".

    Parameters
    ----------
    text : str
        As typed; case, spaces and underscores do not matter.
    places : mapping
        From `places_of`.

    Raises
    ------
    UnknownPoint
        With the nearest names, when nothing fits.
    """
    words = text.replace("_", " ").split()
    side = ""
    if words and words[0].lower() in ("left", "right"):
        side, words = words[0].lower(), words[1:]
    wanted = " ".join(words)
    for place in places.values():
        names = (place.name.replace("_", " "), place.plain, place.letter)
        if wanted and wanted.casefold() in (n.casefold() for n in names):
            if place.sided:
                return PointName(place.name, side)
            return PointName(place.name, "centre")
    near = difflib.get_close_matches(wanted.replace(" ", "_"), list(places), n=3, cutoff=0.5)
    todo = f"Nearest: {', '.join(near)}." if near else "`leanmix survey FILE --points` lists them."
    raise UnknownPoint(f"{text!r} is not a point of this machine.", todo)
