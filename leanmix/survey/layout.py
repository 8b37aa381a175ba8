"""Where each coordinate of a survey sits in the vector of unknowns, and where the machine file puts it now.

World axes while solving: y to the machine's left, z up, b behind the runners' contacts, all in mm. A left
point has y = out, a right point y = −out; alike sides share their unknowns.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from leanmix.machine import Machine, Side
from leanmix.survey.places import SIDES, Place, PointName, places_of

__all__ = ["Layout", "SlotBook", "Spot", "differing_places", "lay_out", "machine_spots", "tied_parts"]

# two spots of a machine file this close are one and the same [mm]
SAME_MM = 1e-6


@dataclass(frozen=True, slots=True)
class Spot:
    """Slots of one point's coordinates: y = sign · q[y], z = q[z], b = q[b]; out = hand · y."""

    y: int
    sign: float
    z: int
    b: int
    hand: float


@dataclass
class SlotBook:
    """Collects unknowns and constants, each with its starting value."""

    unknown: list[float] = field(default_factory=list)
    constant: list[float] = field(default_factory=list)
    labels: list[tuple[str, str, str]] = field(default_factory=list)

    def free(self, start: float, label: tuple[str, str, str]) -> int:
        """A new unknown; its slot number."""
        self.unknown.append(start)
        self.labels.append(label)
        return len(self.unknown) - 1

    def fixed(self, value: float) -> int:
        """A new constant; a negative slot number, counted from the vector's end once it is complete."""
        self.constant.append(value)
        return -len(self.constant)

    def vector(self) -> NDArray[np.float64]:
        """All values: unknowns first, constants last in reverse, so that negative slots find them."""
        return np.array([*self.unknown, *reversed(self.constant)], dtype=np.float64)


@dataclass(frozen=True)
class Layout:
    """Slots of every point that takes part, and the starting vector.

    Parameters
    ----------
    book : SlotBook
        Unknowns and constants.
    spots : mapping of PointName to Spot
        Points that can be named in a reading.
    places : mapping of str to Place
        All places of the machine.
    differ : frozenset of str
        Places solved apart left and right.
    alias : mapping of str to str
        Part corner that is the same spot as a named place.
    """

    book: SlotBook
    spots: Mapping[PointName, Spot]
    places: Mapping[str, Place]
    differ: frozenset[str]
    alias: Mapping[str, str]

    def shown(self, name: PointName) -> PointName:
        """The point as people should read it: without a side where both sides are alike."""
        twins = {PointName(name.place, s) for s in SIDES} <= set(self.spots)
        return PointName(name.place) if twins and name.place not in self.differ else name

    def resolve(self, points: tuple[PointName, ...]) -> tuple[PointName, ...]:
        """Give every point its side: its own, or that of the other points of the reading, or left where alike.

        Raises
        ------
        KeyError
            With the point, where its sides differ and nothing says which is meant.
        """
        named = next((p.side for p in points if p.side in SIDES), "")
        out = []
        for p in points:
            place = self.alias.get(p.place, p.place)
            if PointName(place, "centre") in self.spots:
                out.append(PointName(place, "centre"))
                continue
            side = p.side or named
            if not side:
                if place in self.differ:
                    raise KeyError(p)
                side = "left"
            out.append(PointName(place, side))
        return tuple(out)


def _side_spots(side: Side) -> dict[str, tuple[float, float, float]]:
    arm, guide, s = side.arm, side.guide, side.suspension
    rest = math.radians(arm.rest_deg.at)
    reach = arm.radius_mm.at * (1.0 if arm.points == "out" else -1.0)
    cant, half = math.radians(guide.cant_deg.at), guide.bearing_length_mm.at / 2
    centre = guide.bearing_centre
    along_out, along_up = half * math.sin(cant), half * math.cos(cant)
    spots = {
        "arm_centre": (arm.centre.out.at, arm.centre.up.at),
        "arm_ball": (
            arm.centre.out.at + reach * math.cos(rest),
            arm.centre.up.at + arm.radius_mm.at * math.sin(rest),
        ),
        "mount_ball": (side.mount.ball.out.at, side.mount.ball.up.at),
        "upper_eye": (side.mount.eye.out.at, side.mount.eye.up.at),
        "guide_top": (centre.out.at - along_out, centre.up.at + along_up),
        "guide_bottom": (centre.out.at + along_out, centre.up.at - along_up),
        "upper_pivot": (s.upper_pivot.out.at, s.upper_pivot.up.at),
        "upper_ball": (s.upper_ball.out.at, s.upper_ball.up.at),
        "lower_pivot": (s.lower_pivot.out.at, s.lower_pivot.up.at),
        "lower_ball": (s.lower_ball.out.at, s.lower_ball.up.at),
        "lower_eye": (side.shock.lower_eye.out.at, side.shock.lower_eye.up.at),
        "contact": (s.contact.out.at, s.contact.up.at),
    }
    behind = {"mount_ball": arm.offset_behind_mm.at}
    return {name: (out, up, behind.get(name, 0.0)) for name, (out, up) in spots.items()}


def machine_spots(machine: Machine) -> dict[PointName, tuple[float, float, float]]:
    """Where the machine file puts every point now: (out, up, behind) [mm]; centre points count out to the left."""
    found: dict[PointName, tuple[float, float, float]] = {}
    for name, side in (("left", machine.left), ("right", machine.right)):
        for place_name, spot in _side_spots(side).items():
            found[PointName(place_name, name)] = spot
    rear = machine.rear
    found[PointName("rear_front", "centre")] = (0.0, 0.0, rear.contact_front_behind_mm.at)
    found[PointName("rear_back", "centre")] = (0.0, 0.0, rear.contact_rear_behind_mm.at)
    found[PointName("rear_pivot", "centre")] = (0.0, rear.pivot_up_mm.at, rear.load_behind_mm.at)
    for place in places_of(machine).values():
        if place.part is None:
            continue
        part = machine.parts[place.part[0]]
        corner = part.points[place.part[1]]
        for side_name in ("centre",) if part.side == "centre" else SIDES if part.side == "both" else (part.side,):
            found[PointName(place.name, side_name)] = (corner.out.at, corner.up.at, 0.0)
    return found


def differing_places(machine: Machine) -> frozenset[str]:
    """Places that stand apart left and right in the machine file."""
    spots = machine_spots(machine)
    return frozenset(
        p.place
        for p, at in spots.items()
        if p.side == "left"
        and (other := spots.get(PointName(p.place, "right"))) is not None
        and max(abs(a - b) for a, b in zip(at[:2], other[:2], strict=True)) > SAME_MM
    )


def tied_parts(machine: Machine) -> dict[str, str]:
    """Part corners that sit exactly on a named place in the machine file, so that they move with it."""
    spots = machine_spots(machine)
    tied: dict[str, str] = {}
    places = places_of(machine)
    for place in places.values():
        if place.part is None:
            continue
        mine = next(p for p in spots if p.place == place.name)
        side = "left" if mine.side == "centre" else mine.side
        for other, at in spots.items():
            if places[other.place].part is not None or other.side != side or mine.side == "centre":
                continue
            if max(abs(a - b) for a, b in zip(at[:2], spots[mine][:2], strict=True)) <= SAME_MM:
                tied[place.name] = other.place
                break
    return tied


def lay_out(
    machine: Machine, wanted: Iterable[str], differ: frozenset[str], fore_aft: frozenset[str] = frozenset()
) -> Layout:
    """Give slots to the places that take part.

    Parameters
    ----------
    machine : Machine
        Starting values.
    wanted : iterable of str
        Places that some reading names.
    differ : frozenset of str
        Places to solve apart left and right.
    fore_aft : frozenset of str
        Places whose fore-and-aft position is an unknown too; elsewhere the machine file's value holds.
    """
    places, start, alias = places_of(machine), machine_spots(machine), tied_parts(machine)
    one_axis = machine.servo.arrangement == "double_arm"
    book = SlotBook()
    spots: dict[PointName, Spot] = {}

    def behind(place: str, value: float) -> int:
        if place in fore_aft and place != "contact":
            return book.free(value, (place, "", "behind"))
        return book.fixed(value)

    def height(place: str, side: str, value: float) -> int:
        if place in ("contact", "rear_front", "rear_back"):
            return book.fixed(0.0)
        return book.free(value, (place, side, "up"))

    for name in dict.fromkeys(alias.get(w, w) for w in wanted):
        sides = [p.side for p in start if p.place == name]
        if name == "arm_centre" and one_axis:
            out, up, b = start[PointName(name, "left")]
            y = book.free(out, (name, "centre", "out")) if name in differ else book.fixed(0.0)
            spots[PointName(name, "centre")] = Spot(y, 1.0, height(name, "centre", up), behind(name, b), 1.0)
            continue
        if sides == ["centre"]:
            out, up, b = start[PointName(name, "centre")]
            front = places[name].view != "side"
            y = book.free(out, (name, "centre", "out")) if front else book.fixed(0.0)
            spots[PointName(name, "centre")] = Spot(y, 1.0, height(name, "centre", up), behind(name, b), 1.0)
            continue
        shared: Spot | None = None
        for side in sides:
            out, up, b = start[PointName(name, side)]
            hand = 1.0 if side == "left" else -1.0
            if shared is None or name in differ:
                label = side if name in differ or len(sides) == 1 else ""
                y = book.free(hand * out, (name, label, "out"))
                b_slot = shared.b if shared is not None else behind(name, b)
                shared = Spot(y, 1.0, height(name, label, up), b_slot, hand)
                spots[PointName(name, side)] = shared
            else:
                spots[PointName(name, side)] = Spot(shared.y, -shared.sign, shared.z, shared.b, hand)
    return Layout(book, spots, places, differ, alias)
