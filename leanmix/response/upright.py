"""Heave and roll: forces and slopes from stance, with the droops settled, and one step of the two together.

The vertical part takes its forces from stance (`leanmix.stance.whole`), so it comes to rest where stance says. What
is added here is inertia and the dampers. Heave is counted at the pivot's axis, about which stance takes its moments;
its inertia is the weight that the runners carry. Roll turns about the whole machine's balance point; every part is
taken to share the balance point's sideways acceleration; suspension arms and runners are without inertia.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import Array
from leanmix.response.state import Motion
from leanmix.response.vehicle import Vehicle
from leanmix.stance.formula import NO_TABLE, Formula
from leanmix.stance.rig import Body, Side, Sides
from leanmix.stance.whole import Force, Push, push_of, whole

__all__ = ["Foreseen", "Vertical", "foresee", "look_at_balance"]

# A runner that comes free falls to its own balance in a few steps, not in one.
LONGEST_DROOP_RAD = 0.2
SETTLE_ROUNDS = 6
SETTLED_RAD = 5e-3
KINK_RAD = 1e-5
LANDED_MM = 1e-4
JUST_PAST = 1e-5  # mm or rad


class _Look(NamedTuple):
    """What is wanted of stance's balance at a pose, with the droops settled; (2, runs) or (runs,)."""

    lift: Array
    moment: Array
    zz: Array
    zr: Array
    rz: Array
    rr: Array
    droop: Array
    droop_0: Array
    droop_z: Array
    droop_r: Array
    load: Array
    bare_load: Array
    height: Array
    shock: Array
    length: Array
    length_droop: Array
    length_push: Array
    reach: Array
    reach_droop: Array
    below: Array
    grounded: NDArray[np.bool_]
    rear_tilt: Array
    rear_stands: NDArray[np.bool_]


def _pose(sides: Sides, heave: Array, roll: Array, droop: Array) -> Array:
    pose = np.empty((4, len(roll)))
    pose[0], pose[1] = heave, roll
    np.minimum(np.maximum(droop, sides.droop_min), sides.droop_max, out=pose[2:])
    return pose


def _look(
    sides: Sides,
    body: Body,
    force: Force,
    push: Push,
    pose: Array,
    grounded: NDArray[np.bool_],
) -> _Look:
    w = whole(sides, body, force, push, pose, grounded)
    return _Look(
        w.lift,
        w.moment,
        w.lift_heave,
        w.lift_roll,
        w.moment_heave,
        w.moment_roll,
        pose[2:],
        w.droop_0,
        w.droop_heave,
        w.droop_roll,
        w.load_settled,
        w.load,
        w.height,
        w.shock,
        w.length,
        w.length_droop,
        w.length_push,
        w.reach,
        w.reach_droop,
        w.below,
        grounded,
        w.rear_tilt,
        w.rear_stands,
    )


def _not_past_ends(sides: Sides, look: _Look, rows: NDArray[np.intp], step: Array) -> Array:
    """Droop steps of hanging runners cut where a shock or an arm comes to its end: beyond, the slope is another."""
    length, per, droop = look.length[:, rows], look.length_droop[:, rows], look.droop[:, rows]
    share = np.ones_like(step)
    for now, change, edge in (
        (length, per * step, sides.longest),
        (length, per * step, sides.shortest),
        (droop, step, sides.touch_low),
        (droop, step, sides.touch_high),
    ):
        room = edge - now
        with np.errstate(invalid="ignore"):
            past = ~look.grounded[:, rows] & (room * change > 0) & (np.abs(change) > np.abs(room) + JUST_PAST)
        if past.any():
            reach = (np.abs(room) + JUST_PAST / 2) / np.maximum(np.abs(change), 1e-300)
            share = np.where(past, np.minimum(share, reach), share)
    return step * share


def _settled(
    sides: Sides,
    body: Body,
    force: Force,
    push: Push,
    pose: Array,
    grounded: NDArray[np.bool_],
) -> _Look:
    """As `_look`, again where a runner lands, lifts or meets a stop: there one look's slopes do not reach far enough.

    A runner that would have to pull the ground lifts; one that hangs below it lands. Both are judged only where its
    droop has settled on the side of that choice, so the two never chase each other.
    """
    look = _look(sides, body, force, push, pose, grounded)
    for _ in range(SETTLE_ROUNDS):
        off = np.abs(look.droop_0)
        loose = off > KINK_RAD
        if np.count_nonzero(loose):
            to_end = np.minimum(np.abs(look.length - sides.longest), np.abs(look.length - sides.shortest))
            loose = (off > SETTLED_RAD) | (loose & (np.abs(off * look.length_droop) > to_end))
        flips = look.load < 0
        if np.count_nonzero(look.grounded) < off.size:
            flips = np.where(look.grounded, flips, look.height < -LANDED_MM)
        if not np.count_nonzero(loose | flips):
            break
        flips &= ~loose
        rows = np.flatnonzero((loose | flips).any(axis=0))
        if len(body.mass) > 1:
            own_sides, own_body = sides.take(rows), body.take(rows)
        else:
            own_sides, own_body = sides, body
        stands = look.grounded[:, rows] ^ flips[:, rows]
        step = np.minimum(np.maximum(look.droop_0[:, rows], -LONGEST_DROOP_RAD), LONGEST_DROOP_RAD)
        # a loose spring has no slope to go by: the runner's weight then says which way it hangs
        astray = ~look.grounded[:, rows] & (step * look.bare_load[:, rows] < 0)
        step = np.where(astray, np.copysign(LONGEST_DROOP_RAD, look.bare_load[:, rows]), step)
        moved = look.droop[:, rows] + _not_past_ends(own_sides, look, rows, step)
        # only a runner on the ground works its damper
        slack = np.where(stands, push.slack[:, rows], own_sides.slack)
        again = _look(
            own_sides,
            own_body,
            Force(force.across[rows], force.down[rows], force.ratio[rows], force.grip[:, rows]),
            Push(push.out[:, rows], push.up[:, rows], slack),
            _pose(own_sides, pose[0, rows], pose[1, rows], moved),
            stands,
        )
        if rows.size == look.lift.size:
            look = again
            continue
        for old, new in zip(look, again, strict=True):
            old[..., rows] = new
    return look


class Vertical(NamedTuple):
    """Heave's and roll's forces.

    Attributes
    ----------
    lift, moment
        [N, N mm], droops settled.
    stiff
        Loss of lift by heave and roll, of moment by heave and roll.
    damp
        Dampers: lift by heave rate, either by the other's, moment by roll rate.
    droop_0
        What the droops still had to move [rad].
    """

    lift: Array
    moment: Array
    stiff: tuple[Array, Array, Array, Array]
    damp: tuple[Array, Array, Array]
    droop_0: Array


class _Going(NamedTuple):
    """Rows of `Motion`, and how fast the mounts move [mm/s]: from where a step is foreseen."""

    rise: Array
    roll: Array
    rise_rate: Array
    roll_rate: Array
    droop_left: Array
    droop_right: Array
    droop_z_left: Array
    droop_z_right: Array
    droop_r_left: Array
    droop_r_right: Array
    length_left: Array
    length_right: Array
    length_droop_left: Array
    length_droop_right: Array
    length_push_left: Array
    length_push_right: Array
    push_rate_left: Array
    push_rate_right: Array
    load_left: Array
    load_right: Array
    before_left: Array
    before_right: Array
    grounded_left: Array
    grounded_right: Array
    height_left: Array
    height_right: Array
    reach_left: Array
    reach_right: Array


SIDE_ROWS = ("slack", "rate", "damping", "longest", "shortest", "touch_low", "touch_high", "droop_min", "droop_max")
SIDE_INDEX = np.array([Side._fields.index(name) for name in SIDE_ROWS])


def _foresee(side_rows: list[Any], others: list[Any], given: list[Any]) -> tuple[Any, ...]:
    """As a formula: ahead, swing, heave and roll, then for both sides droop, slack, damping, and droop's and length's rates."""
    pivot, step = others
    x = _Going(*given)
    ends: Any = False
    sides: list[tuple[Any, ...]] = []
    for of_side, side in zip((side_rows[::2], side_rows[1::2]), (given[4::2], given[5::2]), strict=True):
        slack, rate, damping, longest, shortest, touch_low, touch_high, low, high = of_side
        droop, droop_z, droop_r, length, by_droop, by_push, push_rate, load, before, grounded, height, reach = side
        droop_rate = droop_z * x.rise_rate + droop_r * x.roll_rate
        length_rate = by_droop * droop_rate + by_push * push_rate
        then, hangs = length + step * length_rate, droop + step * droop_rate
        meets = (np.maximum(length, then) > longest) | (np.minimum(length, then) < shortest)
        meets = meets | (hangs > touch_low) | (hangs < touch_high) | (load + load < before)
        lands = height + step * (x.rise_rate + reach * x.roll_rate) < 0.0
        ends = np.where(grounded != 0.0, meets, lands) | ends
        damping = damping * grounded
        sides.append((droop, droop_rate, low, high, slack - damping * length_rate / rate, damping, length_rate))
    ahead = np.where(ends, step, step * 0.5)
    roll = x.roll + ahead * x.roll_rate
    heave = x.rise + ahead * x.rise_rate + pivot - pivot * np.cos(roll)
    return (
        ahead, pivot * np.sin(roll), heave, roll,
        *(np.minimum(np.maximum(droop + ahead * rate, low), high) for droop, rate, low, high, *_ in sides),
        *(row for pair in zip(*(side[4:6] for side in sides), strict=True) for row in pair),
        *(side[1] for side in sides), *(side[6] for side in sides),
    )  # fmt: skip


FORESEE = Formula(_foresee, (2 * len(SIDE_ROWS), 2, len(_Going._fields)))


class Foreseen(NamedTuple):
    """A step as it will be if nothing more pushes it; (runs,) or (2, runs).

    ahead : how far ahead forces are to be taken [s]: the middle of the step, or its end where something begins or ends
        in it. The midpoint rule gives back what a spring stores; across a stop, a landing or a lift it would give back
        more than that. Taken at the step's end a stop swallows what hits it, as rubber and plastic do.
    swing : how far roll swings the chassis' origin [mm]; pose (4, runs) : heave, roll and droops there
    slack : springs' slack lengths with the dampers' force in them [mm]; damping : of runners on the ground [N s/mm]
    droop_rate, length_rate : of droops [rad/s] and shocks [mm/s]
    """

    ahead: Array
    swing: Array
    pose: Array
    slack: Array
    damping: Array
    droop_rate: Array
    length_rate: Array


def foresee(vehicle: Vehicle, m: Motion, push_rate: Array, step_s: float) -> Foreseen:
    """Where a step leads, for mounts' speeds (2, runs) [mm/s]; with no step, how things stand."""
    rows = np.empty((len(_Going._fields), len(m.roll)))
    rows[0], rows[1], rows[2], rows[3] = m.rise, m.roll, m.rise_rate, m.roll_rate
    for first, pair in zip(
        range(4, len(rows), 2),
        (m.droop, m.droop_z, m.droop_r, m.length, m.length_droop, m.length_push, push_rate, m.load, m.load_before,
         m.grounded, m.height, m.reach),
        strict=True,
    ):  # fmt: skip
        rows[first : first + 2] = pair
    table = vehicle.sides.table.take(SIDE_INDEX, axis=0).reshape(2 * len(SIDE_ROWS), -1)
    pivot = vehicle.body.pivot
    out = FORESEE(table, np.stack((pivot, np.full_like(pivot, step_s))), rows)
    return Foreseen(out[0], out[1], out[2:6], out[6:8], out[8:10], out[10:12], out[12:14])


class _Found(NamedTuple):
    """What the slopes need of a look: `before` are the loads a step before."""

    swing: Array
    zz: Array
    zr: Array
    rz: Array
    rr: Array
    damping_left: Array
    damping_right: Array
    droop_z_left: Array
    droop_z_right: Array
    droop_r_left: Array
    droop_r_right: Array
    load_left: Array
    load_right: Array
    before_left: Array
    before_right: Array
    grounded_left: Array
    grounded_right: Array
    reach_droop_left: Array
    reach_droop_right: Array
    below_left: Array
    below_right: Array
    length_droop_left: Array
    length_droop_right: Array


def _slopes(_: list[Any], __: list[Any], given: list[Any]) -> tuple[Any, ...]:
    """As a formula: stiffness (4), damping (3), then for both sides droop by roll, loads, those before, reach by heave and roll."""
    x = _Found(*given)
    sides: list[tuple[Any, ...]] = []
    for side in (given[5::2], given[6::2]):
        damping, droop_z, droop_r, load, before, grounded, reach_droop, below, by = side
        # stance turns about the chassis' origin; here the pivot's axis stays, so the origin rises with roll
        droop_r = droop_r + droop_z * x.swing
        load = np.maximum(load, 0.0) * grounded
        by_z, by_r = by * droop_z, by * droop_r
        sides.append((
            damping * by_z * by_z, damping * by_z * by_r, damping * by_r * by_r, droop_r, load,
            # a runner that has just landed has no trend
            np.where(before > 0.0, before, load), reach_droop * droop_z, reach_droop * droop_r - below,
        ))  # fmt: skip
    left, right = sides
    return (
        -x.zz, -x.zr - x.zz * x.swing, -x.rz, -x.rr - x.rz * x.swing,
        *(a + b for a, b in zip(left[:3], right[:3], strict=True)),
        *(row for pair in zip(left[3:], right[3:], strict=True) for row in pair),
    )  # fmt: skip


SLOPES = Formula(_slopes, (0, 0, len(_Found._fields)))


def look_at_balance(vehicle: Vehicle, m: Motion, force: Force, push: Array, then: Foreseen) -> Vertical:
    """Forces of heave and roll where `foresee` says; `m` gets everything that the contacts need next time."""
    sides, n = vehicle.sides, len(m.roll)
    look = _settled(sides, vehicle.body, force, push_of(sides, push, then.slack), then.pose, m.grounded)
    m.droop_mid = look.droop
    rows = np.empty((len(_Found._fields), n))
    rows[0], rows[1], rows[2], rows[3], rows[4] = then.swing, look.zz, look.zr, look.rz, look.rr
    for first, pair in zip(
        range(5, len(rows), 2),
        (then.damping, look.droop_z, look.droop_r, look.load, m.load, look.grounded, look.reach_droop, look.below,
         look.length_droop),
        strict=True,
    ):  # fmt: skip
        rows[first : first + 2] = pair
    out = SLOPES(NO_TABLE, NO_TABLE, rows)
    m.droop_z, m.droop_r = look.droop_z, out[7:9]
    m.length, m.length_droop, m.length_push = look.length, look.length_droop, look.length_push
    m.grounded, m.shock, m.height = look.grounded, look.shock, look.height
    m.load, m.load_before = out[9:11], out[11:13]
    m.rear_tilt, m.rear_stands, m.reach = look.rear_tilt, look.rear_stands, look.reach
    m.reach_z, m.reach_r = out[13:15], out[15:17]
    return Vertical(look.lift, look.moment, (out[0], out[1], out[2], out[3]), (out[4], out[5], out[6]), look.droop_0)
