"""The gap of a declared pair as a function of what moves it, with a bound on how fast it can change."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from leanmix.linkage import (
    Array,
    SideGeometry,
    SideName,
    Spot,
    SuspensionRates,
    suspension_pose,
    suspension_rates,
    tip_up_rad,
)
from leanmix.stops.mechanism import PLACING, Mechanism, taken
from leanmix.stops.parts import (
    SERVO_BODIES,
    SPRUNG_BODIES,
    Pair,
    Piece,
    piece_corners,
    place,
    servo_speed,
    sprung_speed,
)
from leanmix.stops.roots import Index
from leanmix.stops.shapes import core_distance, meeting_point, overlap
from leanmix.stops.states import States

__all__ = ["Droops", "Gap", "droop_gap", "gap_at", "moved_by_droop_alone", "needs_states", "throw_gap"]

# Below this total of radii and margin the gap is taken with its sign, so that sharp corners cannot slip through.
SHARP_MM = 0.02

Droops: TypeAlias = Callable[[SideName, Array, Index], Array]


@dataclass(frozen=True, slots=True)
class _Held:
    """A pair's corners and radii for some builds."""

    first: Spot
    second: Spot
    touching: Array
    left: SideGeometry
    right: SideGeometry

    def side(self, name: SideName) -> SideGeometry:
        return self.left if name == "left" else self.right


class Gap:
    """Distance between a pair's surfaces less its margin, over throw or droop.

    Parameters
    ----------
    mech : Mechanism
        One build or many.
    pair : Pair
        Which shapes.
    by : {"throw", "droop"}
        The argument: throw [rad, + leans left], or the droop of the pair's one side.
    droops : callable, optional
        Droop of a side at a throw for some builds, for pairs over throw that move with the suspension.
    droop_speed : float
        Bound on droop per throw, for those [rad/rad].
    margin : bool
        False: the surfaces' own distance, no margin taken off.

    Attributes
    ----------
    builds : int
        How many builds; with one, any number of arguments are its own.
    """

    def __init__(
        self,
        mech: Mechanism,
        pair: Pair,
        by: str,
        droops: Droops | None = None,
        droop_speed: float = 0.0,
        *,
        margin: bool = True,
    ) -> None:
        self.pair = pair
        self._by = by
        self._droops = droops
        self._droop_speed = droop_speed
        (first, first_radius), (second, second_radius) = (
            piece_corners(
                piece,
                mech.numbers,
                None if mech.measured is None else mech.measured[0 if piece.side == "left" else 1],
                mech.side(piece.side),
            )
            for piece in (pair.first, pair.second)
        )
        key = f"clearances.{pair.clearance}.margin_mm"
        own = mech.numbers[key if key in mech.numbers else "limits.margin_mm"] if margin else 0.0
        self.margin_mm = np.broadcast_to(np.asarray(own, dtype=np.float64), (mech.builds,))
        self._radii = (float(first_radius[0]), float(second_radius[0]))
        self.radii_mm = np.broadcast_to(first_radius + second_radius, (mech.builds,))
        self._sharp = bool(np.any(self.margin_mm + self.radii_mm < SHARP_MM))
        self._all = _Held(first, second, self.margin_mm + self.radii_mm, mech.left, mech.right)
        self._some: tuple[Index | None, _Held] = (None, self._all)
        self.builds = mech.builds
        self._needs = None if pair.bodies & SPRUNG_BODIES else PLACING
        self._uses = pair.sides
        self._into: SideName = "right" if {pair.first.frame, pair.second.frame} <= {"right", "centre"} else "left"

    def _for(self, index: Index) -> _Held:
        if self.builds == 1:
            return self._all
        if self._some[0] is not index:
            whole = self._all

            def pick(corners: Spot) -> Spot:
                if np.asarray(corners.out).shape[1] == 1:
                    return corners
                return Spot(np.asarray(corners.out)[:, index], np.asarray(corners.up)[:, index])

            self._some = (
                index,
                _Held(
                    pick(whole.first),
                    pick(whole.second),
                    whole.touching[index],
                    taken(whole.left, index, self._needs) if "left" in self._uses else whole.left,
                    taken(whole.right, index, self._needs) if "right" in self._uses else whole.right,
                ),
            )
        return self._some[1]

    def _droop(self, side: SideName, x: Array, index: Index) -> Array:
        if self._by == "droop":
            return x
        if self._droops is None:
            raise ValueError(f"{self.pair.first.name} and {self.pair.second.name} need the suspension's states")
        return self._droops(side, x, index)

    def _corners(self, held: _Held, x: Array, index: Index) -> tuple[Spot, Spot]:
        droops: dict[str, Array] = {}
        for piece in (self.pair.first, self.pair.second):
            if piece.body in SPRUNG_BODIES and piece.side not in droops:
                droops[piece.side] = self._droop(piece.side, x, index)

        def there(piece: Piece, corners: Spot) -> Spot:
            side = piece.side
            tip_up = np.asarray(tip_up_rad(x, side)) if self._by == "throw" else None
            at = place(piece.body, corners, held.side(side), tip_up, droops.get(side))
            return at if side == self._into else Spot(-at.out, at.up)

        return there(self.pair.first, held.first), there(self.pair.second, held.second)

    def __call__(self, x: Array, index: Index) -> Array:
        """Gap less margin [mm] at arguments x for the builds given; below 0 means nearer than the margin."""
        held = self._for(index)
        one, other = self._corners(held, x, index)
        apart = core_distance(one, other)
        if self._sharp or not np.any(x):
            apart = np.where(overlap(one, other), -apart, apart)
        touching = held.touching if self.builds > 1 else held.touching[0]
        return np.asarray(np.broadcast_to(apart, x.shape) - touching)

    def signed_mm(self, x: Array, index: Index) -> Array:
        """Distance between the surfaces [mm], margin not taken off, negative where they overlap."""
        held = self._for(index)
        one, other = self._corners(held, x, index)
        apart = core_distance(one, other)
        apart = np.where(overlap(one, other), -apart, apart)
        radii = self.radii_mm[index] if self.builds > 1 else self.radii_mm[0]
        return np.asarray(np.broadcast_to(apart, x.shape) - radii)

    def where_mm(self, x: float) -> tuple[float, float]:
        """Where the two are nearest at one argument of one build, in chassis axes (left, up) [mm]."""
        index = np.zeros(1, dtype=np.intp)
        one, other = self._corners(self._for(index), np.array([x]), index)
        out, up = meeting_point(_still(one), self._radii[0], _still(other), self._radii[1])
        return (out if self._into == "left" else -out), up

    def speed(self, x: Array, y: Array, index: Index) -> Array:
        """Bound on the gap's change per unit of the argument between x and y."""
        held = self._for(index)
        total = np.zeros(x.shape)
        for piece, corners in ((self.pair.first, held.first), (self.pair.second, held.second)):
            geo, side = held.side(piece.side), piece.side
            if piece.body in SERVO_BODIES:
                near, far = (np.asarray(tip_up_rad(v, side)) for v in (x, y))
                total = total + servo_speed(piece.body, corners, geo, near, far)
            elif piece.body in SPRUNG_BODIES:
                rates: list[SuspensionRates | None] = [None, None]
                if piece.body != "lower_arm":
                    droops = (self._droop(side, v, index) for v in (x, y))
                    rates = [suspension_rates(geo, suspension_pose(geo, d)) for d in droops]
                speed = sprung_speed(piece.body, corners, geo, rates[0], rates[1])
                total = total + speed * (1.0 if self._by == "droop" else self._droop_speed)
        return np.asarray(total)


def _still(corners: Spot) -> Spot:
    out, up = np.broadcast_arrays(np.asarray(corners.out), np.asarray(corners.up))
    return Spot(out, up)


def throw_gap(mech: Mechanism, pair: Pair, droops: Droops | None = None, droop_speed: float = 0.0) -> Gap:
    """The gap of a pair over throw."""
    return Gap(mech, pair, "throw", droops, droop_speed)


def droop_gap(mech: Mechanism, pair: Pair, *, margin: bool = True) -> Gap:
    """The gap over droop of a pair that only one side's suspension moves."""
    return Gap(mech, pair, "droop", margin=margin)


def moved_by_droop_alone(pair: Pair) -> bool:
    """Whether one side's droop settles where the two are."""
    return not pair.blocks and len(pair.sides) == 1


def needs_states(pair: Pair) -> bool:
    """Whether the suspension's place over the throw is needed, and not one droop alone."""
    return bool(pair.bodies & SPRUNG_BODIES) and not moved_by_droop_alone(pair)


def gap_at(mech: Mechanism, pair: Pair, states: States) -> tuple[Gap, Array]:
    """A pair's gap and its argument at given states of one build."""
    droops = {"left": states.droop_left_rad, "right": states.droop_right_rad}
    if moved_by_droop_alone(pair):
        return droop_gap(mech, pair), droops["right" if "right" in pair.sides else "left"]

    def held(side: SideName, _x: Array, _index: object) -> Array:
        return droops[side]

    return throw_gap(mech, pair, held), states.throw_rad
