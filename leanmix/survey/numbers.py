"""From surveyed points to the machine file's own numbers, with derivatives."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leanmix.machine import Machine
from leanmix.survey.layout import Layout, Spot
from leanmix.survey.places import SIDES, PointName

__all__ = ["FILE_POINTS", "NumberMap", "number_map"]

Array = NDArray[np.float64]

# places that are points of a side in the machine file, by their key
FILE_POINTS = {
    "arm_centre": "arm.centre",
    "mount_ball": "mount.ball",
    "upper_eye": "mount.eye",
    "upper_pivot": "suspension.upper_pivot",
    "upper_ball": "suspension.upper_ball",
    "lower_pivot": "suspension.lower_pivot",
    "lower_ball": "suspension.lower_ball",
    "lower_eye": "shock.lower_eye",
    "contact": "suspension.contact",
}
STEP_MM = 1e-4

Formula = Callable[[Array], float]


@dataclass(frozen=True)
class NumberMap:
    """Machine-file numbers that a layout's unknowns decide.

    Parameters
    ----------
    keys : tuple of str
        Full keys, both sides written out, e.g. "left.arm.radius_mm".
    places : tuple of tuple of PointName
        Points each number rests on.
    formulas : tuple of callable
        Slot vector to value.
    slots : tuple of tuple of int
        Slots each formula reads.
    """

    keys: tuple[str, ...]
    places: tuple[tuple[PointName, ...], ...]
    formulas: tuple[Formula, ...]
    slots: tuple[tuple[int, ...], ...]

    def values(self, q: Array) -> Array:
        """Numbers at a slot vector, shape (keys,), in each key's own unit."""
        return np.array([f(q) for f in self.formulas])

    def slopes(self, q: Array, unknowns: int) -> Array:
        """Derivative of every number by every unknown, shape (keys, unknowns)."""
        out = np.zeros((len(self.keys), unknowns))
        q = q.copy()
        for row, (formula, slots) in enumerate(zip(self.formulas, self.slots, strict=True)):
            for slot in set(slots):
                if not 0 <= slot < unknowns:
                    continue
                keep = q[slot]
                q[slot] = keep + STEP_MM
                high = formula(q)
                q[slot] = keep - STEP_MM
                low = formula(q)
                q[slot] = keep
                out[row, slot] = (high - low) / (2 * STEP_MM)
        return out


def _out(spot: Spot, side: str) -> Formula:
    hand = -1.0 if side == "right" else 1.0
    return lambda q: float(hand * spot.sign * q[spot.y])


def _up(spot: Spot) -> Formula:
    return lambda q: float(q[spot.z])


def _slot(slot: int) -> Formula:
    return lambda q: float(q[slot])


def number_map(machine: Machine, layout: Layout) -> NumberMap:
    """Which numbers of the machine file the layout decides, and how."""
    rows = [
        *_side_numbers(machine, layout),
        *_rear_numbers(layout),
        *_part_numbers(layout),
    ]
    return NumberMap(
        tuple(r[0] for r in rows), tuple(r[1] for r in rows), tuple(r[2] for r in rows), tuple(r[3] for r in rows)
    )


Row = tuple[str, tuple[PointName, ...], Formula, tuple[int, ...]]


def _spot(layout: Layout, place: str, side: str) -> tuple[PointName, Spot] | None:
    for name in (PointName(place, side), PointName(place, "centre")):
        if name in layout.spots:
            return name, layout.spots[name]
    return None


def _side_numbers(machine: Machine, layout: Layout) -> Iterator[Row]:
    for side in SIDES:
        for place, key in FILE_POINTS.items():
            if found := _spot(layout, place, side):
                name, s = found
                yield f"{side}.{key}.out_mm", (name,), _out(s, side), (s.y,)
                yield f"{side}.{key}.up_mm", (name,), _up(s), (s.z,)
        centre, ball = _spot(layout, "arm_centre", side), _spot(layout, "arm_ball", side)
        mount = _spot(layout, "mount_ball", side)
        if centre and ball:
            yield from _arm(side, getattr(machine, side).arm.points, centre, ball)
        if ball and mount:
            yield from _link(side, getattr(machine, side).link.length_mm is not None, ball, mount)
        top, bottom = _spot(layout, "guide_top", side), _spot(layout, "guide_bottom", side)
        if top and bottom:
            yield from _guide(side, top, bottom)


def _arm(side: str, points: str, centre: tuple[PointName, Spot], ball: tuple[PointName, Spot]) -> Iterator[Row]:
    (a, sa), (b, sb) = centre, ball
    way = 1.0 if points == "out" else -1.0
    out_a, out_b, up_a, up_b = _out(sa, side), _out(sb, side), _up(sa), _up(sb)
    slots = (sa.y, sa.z, sb.y, sb.z)
    yield (
        f"{side}.arm.radius_mm",
        (a, b),
        lambda q: math.hypot(out_b(q) - out_a(q), up_b(q) - up_a(q)),
        slots,
    )
    yield (
        f"{side}.arm.rest_deg",
        (a, b),
        lambda q: math.degrees(math.atan2(up_b(q) - up_a(q), way * (out_b(q) - out_a(q)))),
        slots,
    )


def _link(side: str, has_length: bool, ball: tuple[PointName, Spot], mount: tuple[PointName, Spot]) -> Iterator[Row]:
    (a, sa), (b, sb) = ball, mount
    out_a, out_b, up_a, up_b = _out(sa, side), _out(sb, side), _up(sa), _up(sb)
    if has_length:
        yield (
            f"{side}.link.length_mm",
            (a, b),
            lambda q: math.hypot(out_b(q) - out_a(q), up_b(q) - up_a(q), float(q[sb.b] - q[sa.b])),
            (sa.y, sa.z, sa.b, sb.y, sb.z, sb.b),
        )
    if sa.b >= 0 or sb.b >= 0:
        yield f"{side}.arm.offset_behind_mm", (a, b), lambda q: float(q[sb.b] - q[sa.b]), (sa.b, sb.b)


def _guide(side: str, top: tuple[PointName, Spot], bottom: tuple[PointName, Spot]) -> Iterator[Row]:
    (a, sa), (b, sb) = top, bottom
    out_a, out_b, up_a, up_b = _out(sa, side), _out(sb, side), _up(sa), _up(sb)
    slots = (sa.y, sa.z, sb.y, sb.z)
    yield f"{side}.guide.bearing_centre.out_mm", (a, b), lambda q: (out_a(q) + out_b(q)) / 2, slots
    yield f"{side}.guide.bearing_centre.up_mm", (a, b), lambda q: (up_a(q) + up_b(q)) / 2, slots
    yield f"{side}.guide.bearing_length_mm", (a, b), lambda q: math.hypot(out_b(q) - out_a(q), up_a(q) - up_b(q)), slots
    yield (
        f"{side}.guide.cant_deg",
        (a, b),
        lambda q: math.degrees(math.atan2(out_b(q) - out_a(q), up_a(q) - up_b(q))),
        slots,
    )


def _rear_numbers(layout: Layout) -> Iterator[Row]:
    for place, key in (
        ("rear_front", "rear.contact_front_behind_mm"),
        ("rear_back", "rear.contact_rear_behind_mm"),
    ):
        if found := _spot(layout, place, "centre"):
            name, s = found
            yield key, (name,), _slot(s.b), (s.b,)
    if found := _spot(layout, "rear_pivot", "centre"):
        name, s = found
        yield "rear.pivot_up_mm", (name,), _up(s), (s.z,)


def _part_numbers(layout: Layout) -> Iterator[Row]:
    done: set[str] = set()
    for name, s in layout.spots.items():
        part = layout.places[name.place].part
        if part is None or name.place in done:
            continue
        done.add(name.place)
        key = f"parts.{part[0]}.points.{part[1]}"
        yield f"{key}.out_mm", (name,), _out(s, name.side), (s.y,)
        yield f"{key}.up_mm", (name,), _up(s), (s.z,)
    for corner, place in layout.alias.items():
        part, on = layout.places[corner].part, _spot(layout, place, "left")
        if part is None or on is None:
            continue
        key = f"parts.{part[0]}.points.{part[1]}"
        yield f"{key}.out_mm", (on[0],), _out(on[1], "left"), (on[1].y,)
        yield f"{key}.up_mm", (on[0],), _up(on[1]), (on[1].z,)
