"""The ground's forces on runners and rear, and how they change with sideways speed and yaw."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from leanmix.linkage import GRAVITY_M_PER_S2, Array
from leanmix.response.planar import axle_loads_N, to_chassis
from leanmix.response.sideforce import bend_mean_and_next, grip_left_N, grip_share_and_slope, runner_angles_rad
from leanmix.response.state import Course, Motion
from leanmix.response.vehicle import Vehicle

__all__ = ["Fixed", "Ground", "drag_bristles", "fixed_for", "ground_forces"]

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
    bend, rear_bend
        Bristles at the step's end, for the speeds at its start [m].
    bend_per, rear_bend_per
        Their change with sideways speed [m per m/s].
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
    ratio: Array
    rear_load: Array
    per_v: Array
    per_vr: Array
    per_r: Array
    roll_damp: Array
    bend: Array
    rear_bend: Array
    bend_per: Array
    rear_bend_per: Array
    lever: Array
    roll_rate: Array
    runner_share: Array
    rear_share: Array


class Fixed(NamedTuple):
    """What a drive needs at every step and never changes; (runs,) or (1,). Made by `fixed_for`.

    step_s and half_s are the step and half of it; base from runners to rear support [m]; shift the load that goes to
    the rear per g of push [N]; rear_weight, weight [N]; full, rear_full the bends at which contacts slide [m].
    """

    step_s: float
    half_s: float
    grip: Array
    drag: Array
    base: Array
    shift: Array
    weight: Array
    rear_weight: Array
    cos_bank: Array
    press: Array
    downhill: Array
    per_full: Array
    rear_per_full: Array
    full: Array
    rear_full: Array
    per_relax: Array
    rear_per_relax: Array
    pace: Array
    hold: Array
    most_push: Array
    rolling: Array
    sway_sq: Array


def fixed_for(vehicle: Vehicle, course: Course, step_s: float) -> Fixed:
    """Work out what stays the same during a drive."""
    road, body = vehicle.road, vehicle.body
    base, weight = road.ahead + road.behind, road.mass * GRAVITY_M_PER_S2
    full, rear_full = road.relax_runner * course.slide_runner, road.relax_rear * course.slide_rear
    bank = course.bank_rad
    runners_still, _ = axle_loads_N(weight, road.ahead, road.behind, road.cg_up, 0.0)
    runners_pushed, _ = axle_loads_N(weight, road.ahead, road.behind, road.cg_up, 1.0)
    return Fixed(
        step_s=step_s,
        half_s=step_s / 2,
        grip=course.grip,
        drag=course.drag,
        base=base,
        shift=runners_still - runners_pushed,
        weight=weight,
        rear_weight=(body.mass * body.behind_share + body.rear_mass) * GRAVITY_M_PER_S2,
        cos_bank=np.cos(bank),
        # in a turn on a bank the turn presses on the road too
        press=np.tan(bank) / GRAVITY_M_PER_S2,
        downhill=weight * np.sin(bank),
        per_full=1.0 / full,
        rear_per_full=1.0 / rear_full,
        full=full,
        rear_full=rear_full,
        per_relax=step_s / road.relax_runner,
        rear_per_relax=step_s / road.relax_rear,
        pace=course.pace,
        hold=road.mass * HOLD_PER_S,
        most_push=course.push_g * weight,
        rolling=course.drag * weight * (course.pace > 0),
        sway_sq=road.sway * road.sway,
    )


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
    road, step_s = vehicle.road, fixed.step_s
    # loads and roll rate as they will be in the middle of the step; a runner that has just landed has no trend
    load = np.maximum(m.load + (m.load - m.load_before) * (m.load_before > 0), 0.0) * m.grounded
    roll_rate = m.roll_rate + m.roll_gain
    rear_load = np.maximum(fixed.rear_weight * pull_g + fixed.shift * m.forward_g, 0.0)

    # runners, (2, runs)
    angle = np.empty((2, len(m.u)))
    angle[0], angle[1] = runner_angles_rad(steer_rad, road.gauge, fixed.base, road.ackermann, road.toe_out)
    at_y = m.reach * 1e-3
    lever = m.reach_r * 1e-3 - road.sway
    across = m.v + road.ahead * m.yaw_rate + lever * roll_rate + m.reach_z * (m.rise_rate * 1e-3)
    ahead = m.u - at_y * m.yaw_rate
    cos, sin = np.cos(angle), np.sin(angle)
    slide, rolled = across * cos - ahead * sin, ahead * cos + across * sin
    mean, after, per, next_per = bend_mean_and_next(m.bend, slide * step_s, np.abs(rolled) * fixed.per_relax)
    share, slope = grip_share_and_slope(mean * fixed.per_full)
    drag = fixed.drag * np.minimum(np.maximum(rolled * (1 / CREEP_M_PER_S), -1.0), 1.0)
    x, y = to_chassis(-drag, -fixed.grip * share, (cos, sin))
    fx, fy = x * load, y * load
    stiff = load * fixed.grip * slope * per * (step_s * fixed.per_full)

    # rear, (places, runs); it never steers
    rear_across = m.v + road.rear_at * m.yaw_rate - road.sway * roll_rate
    rear_mean, rear_after, rear_per, rear_next_per = bend_mean_and_next(
        m.rear_bend, rear_across * step_s, np.abs(m.u) * fixed.rear_per_relax
    )
    rear_share, rear_slope = grip_share_and_slope(rear_mean * fixed.rear_per_full)
    rear_grip = fixed.grip * rear_load
    most = np.minimum(fixed.most_push, MOST_REAR_PUSH_SHARE * rear_grip)
    push = np.minimum(np.maximum(fixed.hold * (fixed.pace - m.u) + fixed.rolling, -most), most)
    side = grip_left_N(rear_grip, push) * road.rear_share
    rear_y = -side * rear_share
    rear_stiff = side * rear_slope * (rear_per * (step_s * fixed.rear_per_full))
    rear_drag = fixed.drag * rear_load * np.minimum(np.maximum(m.u * (1 / CREEP_M_PER_S), -1.0), 1.0)

    runners_y, runners_stiff = fy[0] + fy[1], stiff[0] + stiff[1]
    if len(rear_y) == 1:
        rear_side, rear_stiff_v = rear_y[0], rear_stiff[0]
        rear_turn = rear_side * road.rear_at[0]
        stiff_at = rear_stiff_v * road.rear_at[0]
        stiff_at_sq = stiff_at * road.rear_at[0]
    else:
        rear_side, rear_stiff_v = rear_y[0] + rear_y[1], rear_stiff[0] + rear_stiff[1]
        at_0, at_1 = road.rear_at
        rear_turn = rear_y[0] * at_0 + rear_y[1] * at_1
        stiff_0, stiff_1 = rear_stiff[0] * at_0, rear_stiff[1] * at_1
        stiff_at, stiff_at_sq = stiff_0 + stiff_1, stiff_0 * at_0 + stiff_1 * at_1
    runners_at = road.ahead * runners_stiff
    roll_stiff = stiff * lever * lever
    return Ground(
        forward_N=fx[0] + fx[1] + push - rear_drag,
        left_N=runners_y + rear_side,
        turn_N_m=road.ahead * runners_y - at_y[0] * fx[0] - at_y[1] * fx[1] + rear_turn,
        ratio=y,
        rear_load=rear_load,
        per_v=runners_stiff + rear_stiff_v,
        per_vr=runners_at + stiff_at,
        per_r=road.ahead * runners_at + stiff_at_sq,
        roll_damp=1e3 * (roll_stiff[0] + roll_stiff[1] + fixed.sway_sq * rear_stiff_v),
        bend=after,
        rear_bend=rear_after,
        bend_per=next_per * cos * step_s,
        rear_bend_per=rear_next_per * step_s,
        lever=lever,
        roll_rate=roll_rate,
        runner_share=share,
        rear_share=rear_share,
    )


def drag_bristles(vehicle: Vehicle, fixed: Fixed, m: Motion, ground: Ground, v_gain: Array, yaw_gain: Array) -> None:
    """Bring the bristles to the step's end with the mean speeds that came out of it.

    Parameters
    ----------
    vehicle, fixed, ground
        The machine, and what the ground did in this step.
    m : Motion
        At the step's end; its bristles are changed.
    v_gain, yaw_gain : ndarray, shape (runs,)
        Mean sideways speed and yaw rate over the step, less those at its start.
    """
    road = vehicle.road
    roll_gain = m.roll_rate - m.roll_gain - ground.roll_rate
    more = v_gain + road.ahead * yaw_gain + ground.lever * roll_gain
    rear_more = v_gain + road.rear_at * yaw_gain - road.sway * roll_gain
    bend, rear_bend = ground.bend + ground.bend_per * more, ground.rear_bend + ground.rear_bend_per * rear_more
    m.bend = np.minimum(np.maximum(bend, -fixed.full), fixed.full)
    m.rear_bend = np.minimum(np.maximum(rear_bend, -fixed.rear_full), fixed.rear_full)
