"""What the mechanism bears over the throw: link angle, share of the push, side load, torque, speed, current."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import (
    SIDES,
    Array,
    ServoLine,
    ServoLoad,
    SideGeometry,
    Spot,
    Value,
    link_force_bound_N,
    mount_pose,
    mount_push_mm,
    push_share,
    servo_line,
    servo_load,
    shock_line,
    tip_up_rad,
)
from leanmix.machine import Numbers
from leanmix.stops.mechanism import Mechanism, taken
from leanmix.stops.roots import Index
from leanmix.stops.states import MakeStates, States, StateSolver, parked_balance

__all__ = [
    "Loads",
    "Shocks",
    "StateSource",
    "friction_range",
    "jam_room",
    "loads_over",
    "shocks_at",
    "stall_room",
    "torque_allowed",
    "torque_and_side_load",
    "torque_surely_enough",
]


def friction_range(mech: Mechanism) -> tuple[tuple[Value, Value], tuple[Value, Value]]:
    """Low and high friction of the guides, (left, right) each: the file's value less and plus its tolerance."""
    low, high = [], []
    for geo, side in zip((mech.left, mech.right), (mech.machine.left, mech.machine.right), strict=True):
        tol = side.guide.friction.tol or 0.0
        low.append(np.maximum(np.asarray(geo.friction) - tol, 0.0))
        high.append(np.asarray(geo.friction) + tol)
    return (low[0], low[1]), (high[0], high[1])


class StateSource:
    """States for any of a mechanism's builds at any throw.

    Parameters
    ----------
    mech : Mechanism
        One build or many.
    make : MakeStates
        What balances it.
    """

    def __init__(self, mech: Mechanism, make: MakeStates) -> None:
        self._mech, self._make = mech, make
        self.whole: StateSolver = make(mech.machine, mech.numbers)
        # the machine with nothing in the way of its suspension, to say what a touch costs
        self.free: StateSolver = self.whole if make is parked_balance else parked_balance(mech.machine, mech.numbers)
        self._some: tuple[Index | None, StateSolver] = (None, self.whole)

    def at(self, throw: Array, index: Index) -> States:
        """States of the builds `index` at one throw each, shape (n,)."""
        if self._mech.builds == 1:
            return self.whole(throw)
        if self._some[0] is not index:
            numbers = self._mech.numbers
            few = Numbers({k: v[index] if isinstance(v, np.ndarray) and v.size > 1 else v for k, v in numbers.items()})
            self._some = (index, self._make(self._mech.machine, few))
        return self._some[1](throw)


def _pair(mech: Mechanism, index: Index | None) -> tuple[SideGeometry, SideGeometry]:
    if index is None or mech.builds == 1:
        return mech.left, mech.right
    return taken(mech.left, index), taken(mech.right, index)


def _of(values: tuple[Value, Value], index: Index | None) -> tuple[Value, Value]:
    if index is None:
        return values
    left, right = (v[index] if isinstance(v, np.ndarray) and v.ndim == 1 and v.size > 1 else v for v in values)
    return left, right


Shocks: TypeAlias = tuple[tuple[Array, Spot], tuple[Array, Spot]]


def shocks_at(geos: tuple[SideGeometry, SideGeometry], states: States) -> Shocks:
    """Each side's shock at given states: its length and the unit vector from its lower to its upper eye."""
    left, right = (
        shock_line(geo, mount_push_mm(geo, tip_up_rad(states.throw_rad, geo.side)), droop)
        for geo, droop in zip(geos, (states.droop_left_rad, states.droop_right_rad), strict=True)
    )
    return left, right


def _both_ways(
    mech: Mechanism, states: States, friction: tuple[Value, Value], index: Index | None, shocks: Shocks | None = None
) -> tuple[ServoLoad, ServoLoad]:
    geos = _pair(mech, index)
    lines = shocks_at(geos, states) if shocks is None else shocks
    left, right = (
        servo_load(
            mech.machine,
            geos[0],
            geos[1],
            states.throw_rad,
            (states.shock_left_N, lines[0][1]),
            (states.shock_right_N, lines[1][1]),
            way=way,
            friction=_of(friction, index),
        )
        for way in (1.0, -1.0)
    )
    return left, right


def torque_surely_enough(mech: Mechanism, states: States, friction: tuple[Value, Value], shocks: Shocks) -> Array:
    """A torque that no servo can need more than, either way, of states of every build [N mm]; infinite near a jam."""
    torques = []
    for geo, force, line, mu in zip(
        (mech.left, mech.right), (states.shock_left_N, states.shock_right_N), shocks, friction, strict=True
    ):
        pose = mount_pose(geo, tip_up_rad(states.throw_rad, geo.side))
        link = link_force_bound_N(geo, pose, force, line[1], mu)
        torques.append(link * geo.link_flat_mm / geo.link_length_mm * geo.arm_radius_mm)
    if mech.machine.servo.arrangement == "double_arm":
        return np.asarray(torques[0] + torques[1])
    return np.asarray(np.maximum(torques[0], torques[1]))


def worst_torque(load: tuple[ServoLoad, ServoLoad]) -> Array:
    """The greatest torque any servo must give, going either way [N mm]; NaN where a mount is jammed."""
    return np.asarray(np.max(np.stack([t for way in load for t in way.torque_N_mm]), axis=0))


def jam_room(mech: Mechanism, geo: SideGeometry, friction: Value, throw: Array, index: Index) -> Array:
    """Share of the push that comes out along the guide, less the least that is allowed; of some builds."""
    some = geo if mech.builds == 1 else taken(geo, index)
    mu = friction[index] if isinstance(friction, np.ndarray) and friction.ndim == 1 and friction.size > 1 else friction
    share = push_share(some, mount_pose(some, tip_up_rad(throw, geo.side)), mu)
    return share - mech.each("limits.jam_margin")[index]


def stall_room(
    mech: Mechanism, states: States, friction: tuple[Value, Value], index: Index | None, shocks: Shocks | None = None
) -> Array:
    """Torque that is allowed less what is needed [N mm], battery cold, going out or coming back.

    States hold every build (`index` None, shape (..., builds)) or the builds `index` at one throw each.
    """
    allowed = torque_allowed(mech)
    torque = worst_torque(_both_ways(mech, states, friction, index, shocks))
    return np.asarray((allowed if index is None else allowed[index]) - torque)


def torque_allowed(mech: Mechanism) -> Array:
    """Share of the stall torque that may be used, battery cold, shape (builds,) [N mm]."""
    line = servo_line(mech.numbers, cold=True)
    return np.broadcast_to(np.asarray(line.stall_N_mm), (mech.builds,)) * mech.each("limits.torque_share")


def torque_and_side_load(
    mech: Mechanism, states: States, friction: tuple[Value, Value], shocks: Shocks
) -> tuple[Array, Array]:
    """The greatest torque of any servo and the greatest side load of any mount, going either way [N mm], [N].

    Infinite where a mount is jammed; states hold every build.
    """
    load = _both_ways(mech, states, friction, None, shocks)
    torque = worst_torque(load)
    side = np.max(np.stack([getattr(way, name).side_load_N for way in load for name in SIDES]), axis=0)
    return np.where(np.isfinite(torque), torque, np.inf), np.where(np.isfinite(side), side, np.inf)


@dataclass(frozen=True, slots=True)
class Loads:
    """Figures over the throw; arrays of the throw's shape, pairs are (left, right).

    Attributes
    ----------
    throw_deg, lean_deg : ndarray
        + left.
    push_mm, droop_deg, shock_N, shock_length_mm : tuple of ndarray
        Mount down along its guide; lower arm's droop; shock's force and length.
    link_off_guide_deg : tuple of ndarray
        Link's angle off the guide, + mount's ball further out.
    push_share_low, push_share_high : tuple of ndarray
        Share of a push that comes out along the guide at the low and the high end of friction.
    side_load_N, efficiency : tuple of ndarray
        Of the mount that is going down the guide at the high end of friction; NaN where jammed.
    torque_out_N_mm, torque_back_N_mm : tuple of ndarray
        Per servo: going on away from neutral, and coming back, at the high end of friction; + is what it must
        give, − is what it holds back.
    torque_free_N_mm : tuple of ndarray
        Going on away from neutral without friction.
    torque_allowed_N_mm : float
        Share of stall torque that may be used, battery cold.
    speed_deg_per_s, speed_cold_deg_per_s : ndarray
        Of the slowest servo, going on away from neutral.
    current_A : ndarray or None
        Of all servos together.
    sound : ndarray of bool
        Where the balance behind it holds.
    """

    throw_deg: Array
    lean_deg: Array
    push_mm: tuple[Array, Array]
    droop_deg: tuple[Array, Array]
    shock_N: tuple[Array, Array]
    shock_length_mm: tuple[Array, Array]
    link_off_guide_deg: tuple[Array, Array]
    push_share_low: tuple[Array, Array]
    push_share_high: tuple[Array, Array]
    side_load_N: tuple[Array, Array]
    efficiency: tuple[Array, Array]
    torque_out_N_mm: tuple[Array, ...]
    torque_back_N_mm: tuple[Array, ...]
    torque_free_N_mm: tuple[Array, ...]
    torque_allowed_N_mm: float
    speed_deg_per_s: Array
    speed_cold_deg_per_s: Array
    current_A: Array | None
    sound: NDArray[np.bool_]


def _speed(line: ServoLine, torques: tuple[Array, ...]) -> Array:
    return np.asarray(np.rad2deg(np.min(np.stack([line.speed_rad_per_s(t) for t in torques]), axis=0)))


def loads_over(mech: Mechanism, states: States) -> Loads:
    """Work the figures out for one build at states of shape (throws,).

    Parameters
    ----------
    mech : Mechanism
        One build.
    states : States
        Where the machine settles at each throw.
    """
    low, high = friction_range(mech)
    to_left, to_right = _both_ways(mech, states, high, None)
    free = _both_ways(mech, states, (0.0, 0.0), None)
    leftwards = states.throw_rad >= 0
    out = tuple(np.where(leftwards, a, b) for a, b in zip(to_left.torque_N_mm, to_right.torque_N_mm, strict=True))
    back = tuple(np.where(leftwards, b, a) for a, b in zip(to_left.torque_N_mm, to_right.torque_N_mm, strict=True))
    loose = tuple(np.where(leftwards, a, b) for a, b in zip(free[0].torque_N_mm, free[1].torque_N_mm, strict=True))
    poses = tuple(mount_pose(g, tip_up_rad(states.throw_rad, g.side)) for g in (mech.left, mech.right))
    droops = (states.droop_left_rad, states.droop_right_rad)
    geos = (mech.left, mech.right)
    warm, cold = servo_line(mech.numbers), servo_line(mech.numbers, cold=True)
    currents = [warm.current_A(t) for t in out]
    known = [c for c in currents if c is not None]

    def both(values: list[Array]) -> tuple[Array, Array]:
        return values[0], values[1]

    def going_down(name: str) -> tuple[Array, Array]:
        picked = []
        for side in SIDES:
            ways = (getattr(to_left, side), getattr(to_right, side))
            picked.append(np.where(ways[0].moving > 0, getattr(ways[0], name), getattr(ways[1], name)))
        return both(picked)

    return Loads(
        throw_deg=np.rad2deg(states.throw_rad),
        lean_deg=states.lean_deg,
        push_mm=both([p.push_mm for p in poses]),
        droop_deg=both([np.rad2deg(d) for d in droops]),
        shock_N=(states.shock_left_N, states.shock_right_N),
        shock_length_mm=both([length for length, _ in shocks_at(geos, states)]),
        link_off_guide_deg=both([np.rad2deg(p.link_off_guide_rad) for p in poses]),
        push_share_low=both([push_share(g, p, mu) for g, p, mu in zip(geos, poses, low, strict=True)]),
        push_share_high=both([push_share(g, p, mu) for g, p, mu in zip(geos, poses, high, strict=True)]),
        side_load_N=going_down("side_load_N"),
        efficiency=going_down("efficiency"),
        torque_out_N_mm=out,
        torque_back_N_mm=back,
        torque_free_N_mm=loose,
        torque_allowed_N_mm=float(torque_allowed(mech)[0]),
        speed_deg_per_s=_speed(warm, out),
        speed_cold_deg_per_s=_speed(cold, out),
        current_A=np.asarray(np.sum(np.stack(known), axis=0)) if known else None,
        sound=states.sound,
    )
