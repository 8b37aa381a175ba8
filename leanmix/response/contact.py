"""The ground's forces on runners and rear, and how they change with sideways speed and yaw."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any, NamedTuple

import numpy as np

from leanmix.linkage import GRAVITY_M_PER_S2, Array
from leanmix.response.planar import axle_loads_N, to_chassis
from leanmix.response.sideforce import bend_mean_and_next, grip_left_N, grip_share_and_slope, half_apart_rad
from leanmix.response.state import Course, Motion
from leanmix.response.vehicle import Vehicle
from leanmix.stance.formula import NO_TABLE, Formula

__all__ = ["Fixed", "Ground", "Moved", "bristles_after", "fixed_for", "ground_forces"]

# Drag turns with the way of sliding; below this it fades, so that a parked machine does not shiver.
CREEP_M_PER_S = 0.02
HOLD_PER_S = 15.0
MOST_REAR_PUSH_SHARE = 0.95


class Ground(NamedTuple):
    """Forces at the balance point and their slopes; (runs,) unless said.

    Attributes
    ----------
    forward_N, left_N, turn_N_m
        Sums over all contacts.
    ratio : (2, runs)
        Each runner's force to the left over its load.
    rear_load
        [N].
    per_v, per_vr, per_r
        Loss of left force with sideways speed [N s/m], of force with yaw rate or moment with speed, and of moment
        with yaw rate.
    roll_damp
        Loss of roll moment with roll rate [N mm s/rad].
    bend, bend_per : (2 + places, runs)
        Bristles at the step's end, for the speeds at its start [m]; their change with sideways speed [m per m/s].
    lever : (2, runs)
        The runners' sideways speed per roll rate [m].
    roll_rate
        Roll rate that was reckoned with.
    runner_share, rear_share : (2, runs), (places, runs)
        Share of the side grip in use, −1…1.
    """

    forward_N: Array
    left_N: Array
    turn_N_m: Array
    rear_load: Array
    per_v: Array
    per_vr: Array
    per_r: Array
    roll_damp: Array
    ratio: Array
    lever: Array
    bend: Array
    bend_per: Array
    roll_rate: Array
    runner_share: Array
    rear_share: Array


class Road(NamedTuple):
    """What the ground's forces need at every step and never changes, besides the rear's places.

    shift : load that goes to the rear per g of push [N]; rear_weight [N]; per_*_full, per_*_relax : shares of the bend
    at which a contact slides and of its relaxation length, per metre; straight, turned_share, half_ackermann : see
    `half_apart_rad`; hold : of the drive [N s/m]; most_push, rolling [N]
    """

    step_s: Array
    grip: Array
    drag: Array
    ahead: Array
    sway: Array
    shift: Array
    rear_weight: Array
    per_full: Array
    per_rear_full: Array
    per_relax: Array
    per_rear_relax: Array
    straight: Array
    turned_share: Array
    half_ackermann: Array
    toe_out: Array
    pace: Array
    hold: Array
    most_push: Array
    rolling: Array


class Moving(NamedTuple):
    """How the machine moves at the step's start, besides its bristles."""

    u: Array
    v: Array
    yaw_rate: Array
    rise_rate: Array
    roll_rate: Array
    forward_g: Array
    steer: Array
    pull_g: Array
    load_left: Array
    load_right: Array
    before_left: Array
    before_right: Array
    reach_left: Array
    reach_right: Array
    reach_z_left: Array
    reach_z_right: Array
    reach_r_left: Array
    reach_r_right: Array


class Moved(NamedTuple):
    """What a step's motion needs and never changes: N, kg, kg m², m, s, rad; heave's mass and roll's inertia in the
    units of mm (N s²/mm, N mm s²)."""

    step_s: Array
    mass: Array
    yaw_inertia: Array
    heave_mass: Array
    roll_inertia: Array
    shift: Array
    downhill: Array
    weight: Array
    ahead: Array
    sway: Array
    droop_min_left: Array
    droop_min_right: Array
    droop_max_left: Array
    droop_max_right: Array


class Fixed(NamedTuple):
    """What a drive needs at every step and never changes; (runs,) or (1,). Made by `fixed_for`.

    base from runners to rear support [m]; full the bends at which contacts slide [m], (2 + places, runs or 1), runners
    first; road the rows of `Road` and then the rear's places and their shares; moving the rows of `Moved`, then the
    rear's places, then `full`.
    """

    step_s: float
    base: Array
    cos_bank: Array
    press: Array
    weight: Array
    shift: Array
    full: Array
    road: Array
    moving: Array


def fixed_for(vehicle: Vehicle, course: Course, step_s: float) -> Fixed:
    """Work out what stays the same during a drive."""
    road, body = vehicle.road, vehicle.body
    base, weight = road.ahead + road.behind, road.mass * GRAVITY_M_PER_S2
    bank = course.bank_rad
    gauge_share = road.gauge / base
    runners_still, _ = axle_loads_N(weight, road.ahead, road.behind, road.cg_up, 0.0)
    runners_pushed, _ = axle_loads_N(weight, road.ahead, road.behind, road.cg_up, 1.0)
    shift = runners_still - runners_pushed
    runner_full, rear_full = road.relax_runner * course.slide_runner, road.relax_rear * course.slide_rear
    full = np.stack(np.broadcast_arrays(runner_full, runner_full, *[rear_full] * len(road.rear_at)))
    rows = Road(
        step_s=np.full(1, step_s),
        grip=course.grip,
        drag=course.drag,
        ahead=road.ahead,
        sway=road.sway,
        shift=shift,
        rear_weight=(body.mass * body.behind_share + body.rear_mass) * GRAVITY_M_PER_S2,
        per_full=1.0 / runner_full,
        per_rear_full=1.0 / rear_full,
        per_relax=1.0 / road.relax_runner,
        per_rear_relax=1.0 / road.relax_rear,
        straight=np.arctan(gauge_share / 2),
        turned_share=gauge_share / np.sqrt(4 + gauge_share * gauge_share),
        half_ackermann=road.ackermann / 2,
        toe_out=road.toe_out,
        pace=course.pace,
        hold=road.mass * HOLD_PER_S,
        most_push=course.push_g * weight,
        rolling=course.drag * weight * (course.pace > 0),
    )
    moved = Moved(
        step_s=np.full(1, step_s),
        mass=road.mass,
        yaw_inertia=road.yaw_inertia,
        heave_mass=body.front_mass * 1e-3,
        roll_inertia=road.roll_inertia * 1e3,
        shift=shift,
        downhill=weight * np.sin(bank),
        weight=weight,
        ahead=road.ahead,
        sway=road.sway,
        droop_min_left=vehicle.sides.droop_min[0],
        droop_min_right=vehicle.sides.droop_min[1],
        droop_max_left=vehicle.sides.droop_max[0],
        droop_max_right=vehicle.sides.droop_max[1],
    )
    return Fixed(
        step_s=step_s,
        base=base,
        cos_bank=np.cos(bank),
        # in a turn on a bank the turn presses on the road too
        press=np.tan(bank) / GRAVITY_M_PER_S2,
        weight=weight,
        shift=shift,
        full=full,
        road=np.stack(np.broadcast_arrays(*rows, *road.rear_at, *road.rear_share)),
        moving=np.stack(np.broadcast_arrays(*moved, *road.rear_at, *full)),
    )


def _forces(road_rows: list[Any], _: list[Any], given: list[Any], places: int) -> tuple[Any, ...]:
    """The ground's forces as a formula: rows of `Road`, the rear's places and shares; of `Moving`, the bristles."""
    road, rear = Road(*road_rows[: -2 * places]), road_rows[-2 * places :]
    x, bends = Moving(*given[: -2 - places]), given[-2 - places :]
    rear_load = np.maximum(road.rear_weight * x.pull_g + road.shift * x.forward_g, 0.0)
    half = half_apart_rad(x.steer, road.straight, road.turned_share, road.half_ackermann, road.toe_out)
    forward: Any = 0.0
    left = turn = per_v = per_vr = per_r = roll_damp = forward
    contacts: list[tuple[Any, ...]] = []
    across_all = x.v + road.ahead * x.yaw_rate
    for angle, bend, now, before, reach, reach_z, reach_r in (
        (x.steer + half, bends[0], x.load_left, x.before_left, x.reach_left, x.reach_z_left, x.reach_r_left),
        (x.steer - half, bends[1], x.load_right, x.before_right, x.reach_right, x.reach_z_right, x.reach_r_right),
    ):
        # the load as it will be in the middle of the step
        load = np.maximum(now + now - before, 0.0)
        at_y, lever = reach * 1e-3, reach_r * 1e-3 - road.sway
        across = across_all + lever * x.roll_rate + reach_z * (x.rise_rate * 1e-3)
        ahead = x.u - at_y * x.yaw_rate
        cos, sin = np.cos(angle), np.sin(angle)
        slide, rolled = across * cos - ahead * sin, ahead * cos + across * sin
        renewal = np.abs(rolled) * road.step_s * road.per_relax
        mean, after, per, next_per = bend_mean_and_next(bend, slide * road.step_s, renewal)
        share, slope = grip_share_and_slope(mean * road.per_full)
        fx, fy = to_chassis(-road.drag * _rolling_share(rolled), -road.grip * share, (cos, sin))
        stiff = load * road.grip * slope * per * (road.step_s * road.per_full)
        forward, left = forward + fx * load, left + fy * load
        turn = turn + road.ahead * fy * load - at_y * fx * load
        per_v, per_vr = per_v + stiff, per_vr + road.ahead * stiff
        per_r = per_r + road.ahead * road.ahead * stiff
        roll_damp = roll_damp + stiff * lever * lever
        contacts.append((after, next_per * cos * road.step_s, share, fy, lever))

    rear_grip = road.grip * rear_load
    most = np.minimum(road.most_push, MOST_REAR_PUSH_SHARE * rear_grip)
    push = np.minimum(np.maximum(road.hold * (road.pace - x.u) + road.rolling, -most), most)
    side = grip_left_N(rear_grip, push)
    renewal = np.abs(x.u) * road.step_s * road.per_rear_relax
    for at, part, bend in zip(rear[:places], rear[places:], bends[2:], strict=True):
        slide = x.v + at * x.yaw_rate - road.sway * x.roll_rate
        mean, after, per, next_per = bend_mean_and_next(bend, slide * road.step_s, renewal)
        share, slope = grip_share_and_slope(mean * road.per_rear_full)
        stiff = side * part * slope * per * (road.step_s * road.per_rear_full)
        force = -side * part * share
        left, turn = left + force, turn + force * at
        per_v, per_vr, per_r = per_v + stiff, per_vr + stiff * at, per_r + stiff * at * at
        roll_damp = roll_damp + stiff * road.sway * road.sway
        contacts.append((after, next_per * road.step_s, share))
    forward = forward + push - road.drag * rear_load * _rolling_share(x.u)
    (fy_left, lever_left), (fy_right, lever_right) = contacts[0][3:], contacts[1][3:]
    return (
        forward, left, turn, rear_load, per_v, per_vr, per_r, 1e3 * roll_damp, fy_left, fy_right, lever_left, lever_right,
        *(c[0] for c in contacts), *(c[1] for c in contacts), *(c[2] for c in contacts),
    )  # fmt: skip


FORCES = {
    places: Formula(
        partial(_forces, places=places), (len(Road._fields) + 2 * places, 0, len(Moving._fields) + 2 + places)
    )
    for places in (1, 2)
}


def _rolling_share(speed: Array) -> Array:
    """Share of the drag at a speed, −1…1, the way it goes."""
    return np.minimum(np.maximum(speed * (1 / CREEP_M_PER_S), -1.0), 1.0)


def ground_forces(vehicle: Vehicle, fixed: Fixed, m: Motion, steer_rad: Array, pull_g: Array) -> Ground:
    """What the ground does in the middle of a step.

    Parameters
    ----------
    vehicle, fixed, m
        Machine, ground, and how it moves at the step's start.
    steer_rad : ndarray, shape (runs,)
        Runners' mean angle, + left.
    pull_g : ndarray
        Force square to the road over weight: 1 on the flat, more in a banked turn.
    """
    contacts = len(m.bend)
    rows = np.empty((18 + contacts, len(m.u)))
    roll_rate = rows[4]
    np.add(m.roll_rate, m.roll_gain, out=roll_rate)
    rows[0], rows[1], rows[2], rows[3], rows[5], rows[6], rows[7] = (
        m.u, m.v, m.yaw_rate, m.rise_rate, m.forward_g, steer_rad, pull_g
    )  # fmt: skip
    for first, pair in zip(range(8, 18, 2), (m.load, m.load_before, m.reach, m.reach_z, m.reach_r), strict=True):
        rows[first : first + 2] = pair
    rows[18:] = m.bend
    out = FORCES[contacts - 2](fixed.road, NO_TABLE, rows)
    bend, bend_per, share = out[12:].reshape(3, contacts, -1)
    return Ground._make([*out[:8], out[8:10], out[10:12], bend, bend_per, roll_rate, share[:2], share[2:]])


def bristles_after(
    bend: Sequence[Any],
    bend_per: Sequence[Any],
    gain: tuple[Any, Any, Any],
    lever: Sequence[Any],
    ahead_sway: tuple[Any, Any],
    rear_at: Sequence[Any],
    full: Sequence[Any],
) -> list[Any]:
    """Bristles at the step's end with the mean speeds that came out of it, elementwise.

    Parameters
    ----------
    bend, bend_per, lever
        Rows of `Ground`.
    gain
        Mean sideways speed, yaw rate and roll rate over the step, less those that `Ground` was reckoned with.
    ahead_sway, rear_at
        Of the vehicle's road [m].
    full
        Bends at which the contacts slide [m].
    """
    (v, yaw, roll), (ahead, sway) = gain, ahead_sway
    front, rear = v + ahead * yaw, v - sway * roll
    more = [front + by * roll for by in lever] + [rear + at * yaw for at in rear_at]
    after = (b + per * by for b, per, by in zip(bend, bend_per, more, strict=True))
    return [np.minimum(np.maximum(b, -most), most) for b, most in zip(after, full, strict=True)]
