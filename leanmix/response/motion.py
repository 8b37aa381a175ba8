"""One step of the machine in time: side-slip and yaw from above, heave and roll on stance's balance.

The vertical part takes its forces and their slopes from stance (`leanmix.stance.whole`), so it comes to rest where
stance says. What is added here is inertia, the dampers, and that each runner's sideways force is its own. Heave is
counted at the pivot's axis, about which stance takes its moments; its inertia is the weight that the runners carry.
Roll turns about the whole machine's balance point; every part is taken to share the balance point's sideways
acceleration; suspension arms and runners are without inertia.

Method: the implicit midpoint rule with one Newton step from the predicted middle (second order, no damping of its
own), each of the two pairs of speeds (heave and roll, side-slip and yaw) solved together.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import GRAVITY_M_PER_S2, Array
from leanmix.response.planar import axle_loads_N, planar_rates, to_chassis
from leanmix.response.sideforce import bend_mean_and_next, grip_share_and_slope, runner_angles_rad
from leanmix.response.vehicle import Vehicle
from leanmix.stance.setup import Body, Sides
from leanmix.stance.whole import SIGN, Force, Push, push_of, whole

__all__ = ["Course", "Motion", "advance", "start_motion"]

# Drag turns with the way of sliding; below this it fades, so that a parked machine does not shiver.
CREEP_M_PER_S = 0.02
HOLD_PER_S = 15.0
# A runner that comes free falls to its own balance in a few steps, not in one.
LONGEST_DROOP_RAD = 0.2
SETTLE_ROUNDS = 6
SETTLED_RAD = 5e-3
KINK_RAD = 1e-5
LANDED_MM = 1e-4
JUST_PAST = 1e-5  # mm or rad
MOST_REAR_PUSH_SHARE = 0.95


@dataclass(frozen=True, slots=True)
class Course:
    """What does not change while driving; arrays of shape (runs,) or (1,).

    Attributes
    ----------
    grip
        Sideways grip over load.
    drag
        Drag over load.
    bank_rad
        + ground falls to the left.
    slide_runner, slide_rear
        Tangent of the slip angle at which a contact slides outright.
    pace
        Speed that the drive holds [m/s].
    push_g
        Most forward acceleration of the drive over g; 0 coasts.
    """

    grip: Array
    drag: Array
    bank_rad: Array
    slide_runner: Array
    slide_rear: Array
    pace: Array
    push_g: Array


@dataclass(slots=True)
class Motion:
    """Where all runs are and how they move; changed in place by `advance`. Shapes (runs,) unless said.

    Attributes
    ----------
    u, v, yaw_rate
        Forward and sideways speed of the balance point [m/s]; rad/s, + left.
    rise, roll, rise_rate, roll_rate
        Heave of the pivot's axis over the runners [mm], roll [rad], and their rates.
    droop, droop_mid : (2, runs)
        Lower arms at the step's start and as predicted for its middle [rad].
    bend : (5, runs)
        Bristles of left and right runner and of the three rear places [m].
    load : (2, runs)
        Runner loads [N].
    rear_load, forward_g, lateral_g
        N; accelerations over g; lateral is what the machine feels along its road, + turning left.
    shock : (2, runs)
        Force between the shocks' eyes [N], dampers in it.
    reach : (2, runs)
        Contacts left of the rear's pivot [mm].
    grounded : (2, runs)
    runner_share, rear_share
        Share of the side grip in use, 0…1: the runners' (the lesser of those that carry load), the rear's.
    """

    u: Array
    v: Array
    yaw_rate: Array
    rise: Array
    roll: Array
    rise_rate: Array
    roll_rate: Array
    droop: Array
    droop_mid: Array
    bend: Array
    load: Array
    rear_load: Array
    forward_g: Array
    lateral_g: Array
    shock: Array
    reach: Array
    grounded: NDArray[np.bool_]
    runner_share: Array
    rear_share: Array
    # from the last step: how droop, shock and contact follow heave and roll
    droop_z: Array
    droop_r: Array
    height: Array
    load_before: Array
    length: Array
    length_droop: Array
    length_push: Array
    reach_z: Array
    reach_r: Array
    rear_height: Array


def start_motion(vehicle: Vehicle, course: Course, runs: int) -> Motion:
    """At rest on the springs, arm centred, going straight at the course's pace."""
    zero = np.zeros(runs)
    pair = np.zeros((2, runs))
    rest = np.broadcast_to(vehicle.rest, (4, runs))
    motion = Motion(
        u=np.broadcast_to(course.pace, (runs,)).copy(),
        v=zero.copy(),
        yaw_rate=zero.copy(),
        rise=rest[0] - vehicle.body.pivot * (1 - np.cos(rest[1])),
        roll=rest[1].copy(),
        rise_rate=zero.copy(),
        roll_rate=zero.copy(),
        droop=rest[2:].copy(),
        droop_mid=rest[2:].copy(),
        bend=np.zeros((5, runs)),
        load=pair.copy(),
        rear_load=zero.copy(),
        forward_g=zero.copy(),
        lateral_g=zero.copy(),
        shock=pair.copy(),
        reach=pair.copy(),
        grounded=np.ones((2, runs), dtype=bool),
        runner_share=zero.copy(),
        rear_share=zero.copy(),
        droop_z=pair.copy(),
        droop_r=pair.copy(),
        height=pair.copy(),
        load_before=pair.copy(),
        length=pair + vehicle.sides.shortest,
        length_droop=pair.copy(),
        length_push=pair.copy(),
        reach_z=pair.copy(),
        reach_r=pair.copy(),
        rear_height=zero + vehicle.body.pivot,
    )
    down = np.full(runs, -GRAVITY_M_PER_S2)
    _balance(vehicle, motion, Force(zero, down, zero, pair), pair + _neutral_push(vehicle), pair, zero)
    return motion


def _neutral_push(vehicle: Vehicle) -> Array:
    from leanmix.response.levers import pushes_mm

    return pushes_mm(vehicle.levers, np.zeros((1, 1)))


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
    height: Array
    shock: Array
    length: Array
    length_droop: Array
    length_push: Array
    reach: Array
    reach_droop: Array
    reach_turn: Array
    grounded: NDArray[np.bool_]
    rear_height: Array


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
    st = w.state
    droop_0, droop_z, droop_r = w.droop_by
    return _Look(
        *w.settled_left,
        *w.slopes,
        pose[2:],
        droop_0,
        droop_z,
        droop_r,
        st.load + st.load_droop * droop_0,
        w.height,
        st.shock,
        st.length,
        st.length_droop,
        st.along[0] * sides.down_out + st.along[1] * sides.down_up,
        st.reach,
        st.reach_droop,
        st.reach_turn,
        grounded,
        w.rear.height,
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
        to_end = np.minimum(np.abs(look.length - sides.longest), np.abs(look.length - sides.shortest))
        loose = (off > SETTLED_RAD) | ((off > KINK_RAD) & (np.abs(look.droop_0 * look.length_droop) > to_end))
        flips = ~loose & np.where(look.grounded, look.load < 0, look.height < -LANDED_MM)
        rows = np.flatnonzero((loose | flips).any(axis=0))
        if not rows.size:
            break
        own_sides, own_body = sides, body
        if len(body.mass) > 1:
            own_sides, own_body = sides.take(rows), body.take(rows)
        step = np.minimum(np.maximum(look.droop_0[:, rows], -LONGEST_DROOP_RAD), LONGEST_DROOP_RAD)
        moved = look.droop[:, rows] + _not_past_ends(own_sides, look, rows, step)
        again = _look(
            own_sides,
            own_body,
            Force(force.across[rows], force.down[rows], force.ratio[rows], force.grip[:, rows]),
            Push(push.out[:, rows], push.up[:, rows], push.slack[:, rows]),
            _pose(own_sides, pose[0, rows], pose[1, rows], moved),
            look.grounded[:, rows] ^ flips[:, rows],
        )
        for old, new in zip(look, again, strict=True):
            old[..., rows] = new
    return look


class _Vertical(NamedTuple):
    lift: Array
    moment: Array
    stiff: tuple[Array, Array, Array, Array]
    damp: tuple[Array, Array, Array]
    droop_0: Array


def _balance(vehicle: Vehicle, m: Motion, force: Force, push: Array, push_rate: Array, ahead: Array) -> _Vertical:
    """Forces of heave and roll `ahead` seconds on, and everything that the contacts need next time."""
    sides, body = vehicle.sides, vehicle.body
    droop_rate = m.droop_z * m.rise_rate + m.droop_r * m.roll_rate
    stretch = m.length_droop * droop_rate + m.length_push * push_rate
    damping = np.where(m.grounded, vehicle.road.damping, 0.0)
    slack = sides.slack - damping * stretch / sides.rate
    roll = m.roll + ahead * m.roll_rate
    heave = m.rise + ahead * m.rise_rate + body.pivot * (1 - np.cos(roll))
    pose = _pose(sides, heave, roll, m.droop + ahead * droop_rate)
    look = _settled(sides, body, force, push_of(sides, push, slack), pose, m.grounded.copy())
    swing = body.pivot * np.sin(roll)
    m.droop_mid = look.droop
    m.droop_z = look.droop_z
    # stance turns about the chassis' origin; here the pivot's axis stays, so the origin rises with roll
    m.droop_r = look.droop_r + m.droop_z * swing
    m.length, m.length_droop, m.length_push = look.length, look.length_droop, look.length_push
    m.grounded, m.shock, m.height, m.load_before = look.grounded, look.shock, look.height, m.load
    m.load = np.where(look.grounded, np.maximum(look.load, 0.0), 0.0)
    m.reach = SIGN * look.reach + swing
    follow = SIGN * look.reach_droop
    m.reach_z = follow * m.droop_z
    m.reach_r = look.reach_turn + body.pivot * np.cos(roll) + follow * m.droop_r
    m.rear_height = look.rear_height
    on = np.where(m.grounded & (slack > m.length), damping, 0.0)
    by_z, by_r = m.length_droop * m.droop_z, m.length_droop * m.droop_r
    total = np.add.reduce
    return _Vertical(
        look.lift,
        look.moment,
        (-look.zz, -look.zr - look.zz * swing, -look.rz, -look.rr - look.rz * swing),
        (total(on * by_z * by_z), total(on * by_z * by_r), total(on * by_r * by_r)),
        look.droop_0,
    )


def _looks_ahead(vehicle: Vehicle, m: Motion, push_rate: Array, step_s: float) -> Array:
    """How far ahead forces are taken [s]: the middle of the step, or its end where something begins or ends in it.

    The midpoint rule gives back what a spring stores; across a stop, a landing or a lift it would give back more
    than that. Taken at the step's end a stop swallows what hits it, as rubber and plastic do.
    """
    sides = vehicle.sides
    droop_rate = m.droop_z * m.rise_rate + m.droop_r * m.roll_rate
    then = m.length + step_s * (m.length_droop * droop_rate + m.length_push * push_rate)
    droop = m.droop + step_s * droop_rate
    ends = (np.maximum(m.length, then) > sides.longest) | (np.minimum(m.length, then) < sides.shortest)
    ends |= (droop > sides.touch_low) | (droop < sides.touch_high)
    ends |= m.load + m.load < m.load_before
    sinks = m.height + step_s * (m.rise_rate + m.reach * m.roll_rate) < 0
    return np.where(np.where(m.grounded, ends, sinks).any(axis=0), step_s, step_s / 2)


def advance(
    vehicle: Vehicle,
    course: Course,
    m: Motion,
    steer_rad: Array,
    push_mm: Array,
    push_rate: Array,
    step_s: float,
    calm_per_s: float = 0.0,
) -> None:
    """Move all runs on by one step.

    Parameters
    ----------
    vehicle, course : Vehicle, Course
        The machine and what it is driven on.
    m : Motion
        Changed in place.
    steer_rad : ndarray, shape (runs,)
        Runners' mean angle in the middle of the step, + left.
    push_mm, push_rate : ndarray, shape (2, runs)
        Mounts in the middle of the step [mm] and their speed [mm/s].
    step_s : float
        Length of the step.
    calm_per_s : float
        Extra damping of heave and roll while the machine is brought to rest before the start.
    """
    road, half = vehicle.road, step_s / 2
    contact = _contacts(vehicle, course, m, steer_rad, step_s)
    side = contact.fy.sum(axis=0)
    across = -side / road.mass
    tilt = course.bank_rad
    down = -(GRAVITY_M_PER_S2 * np.cos(tilt) + m.u * m.yaw_rate * np.tan(tilt))
    ahead = _looks_ahead(vehicle, m, push_rate, step_s)
    vertical = _balance(vehicle, m, Force(across, down, across / down, contact.ratio), push_mm, push_rate, ahead)

    runners, _ = axle_loads_N(0.0, road.ahead, road.behind, road.cg_up * road.mass * GRAVITY_M_PER_S2, m.forward_g)
    _move_upright(vehicle, m, vertical, runners, contact, ahead, step_s, calm_per_s)
    _move_across(vehicle, course, m, contact, half)
    m.bend = contact.next_bend
    m.lateral_g = side / (road.mass * GRAVITY_M_PER_S2)
    m.rear_load = contact.rear_load


@dataclass(frozen=True, slots=True)
class _Contacts:
    """Forces of the five contacts (left, right, three rear places), (5, runs)."""

    fx: Array
    fy: Array
    at_x: Array
    at_y: Array
    per_slide: Array
    next_bend: Array
    ratio: Array
    rear_load: Array
    roll_lever: Array


def _contacts(vehicle: Vehicle, course: Course, m: Motion, steer_rad: Array, step_s: float) -> _Contacts:
    road, body = vehicle.road, vehicle.body
    runs = len(m.u)
    tilt = course.bank_rad
    weight = GRAVITY_M_PER_S2 * np.cos(tilt) + m.u * m.yaw_rate * np.tan(tilt)
    shift = road.mass * GRAVITY_M_PER_S2 * road.cg_up / (road.ahead + road.behind) * m.forward_g
    rear_load = np.maximum((body.mass * body.behind_share + body.rear_mass) * weight + shift, 0.0)

    angle = np.zeros((5, runs))
    angle[0], angle[1] = runner_angles_rad(
        steer_rad, road.gauge, road.ahead + road.behind, road.ackermann, road.toe_out
    )
    at_x, at_y, lever = np.empty((5, runs)), np.zeros((5, runs)), np.empty((5, runs))
    at_x[:2], at_x[2:] = road.ahead, road.rear_at
    at_y[:2] = m.reach * 1e-3
    lever[:2] = m.reach_r * 1e-3 - road.sway
    lever[2:] = -road.sway
    across = m.v + at_x * m.yaw_rate + lever * m.roll_rate
    across[:2] += m.reach_z * (m.rise_rate * 1e-3)
    ahead = m.u - at_y * m.yaw_rate
    cos, sin = np.cos(angle), np.sin(angle)
    slide, rolled = across * cos - ahead * sin, ahead * cos + across * sin

    relax, full = np.empty((5, runs)), np.empty((5, runs))
    relax[:2], relax[2:] = road.relax_runner, road.relax_rear
    full[:2], full[2:] = road.relax_runner * course.slide_runner, road.relax_rear * course.slide_rear
    mean, after, per = bend_mean_and_next(m.bend, slide * step_s, np.abs(rolled) * (step_s / relax))
    share, slope = grip_share_and_slope(mean / full)

    load = np.empty((5, runs))
    load[:2], load[2:] = m.load, rear_load * road.rear_share
    push = _push(vehicle, course, m, rear_load)
    grip = np.empty((5, runs))
    grip[:] = course.grip
    used = push / np.maximum(rear_load, 1e-9)
    grip[2:] = np.sqrt(np.maximum(grip[2] ** 2 - used * used, 0.0004 * grip[2] ** 2))
    side = -grip * share
    along = -course.drag * np.minimum(np.maximum(rolled / CREEP_M_PER_S, -1.0), 1.0)
    along[2:] += used
    x, y = along * cos - side * sin, along * sin + side * cos
    m.runner_share = np.minimum(np.abs(share[0]) + (load[0] <= 0), np.abs(share[1]) + (load[1] <= 0)) * (
        load[0] + load[1] > 0
    )
    m.rear_share = np.abs(share[2:]).min(axis=0)
    return _Contacts(
        fx=x * load,
        fy=y * load,
        at_x=at_x,
        at_y=at_y,
        per_slide=load * grip * slope * per * (step_s / full),
        next_bend=np.minimum(np.maximum(after, -full), full),
        ratio=y[:2],
        rear_load=rear_load,
        roll_lever=lever,
    )


def _push(vehicle: Vehicle, course: Course, m: Motion, rear_load: Array) -> Array:
    """Drive at the rear [N]: what holds the pace, within what drive and grip can give."""
    weight = vehicle.road.mass * GRAVITY_M_PER_S2
    wanted = vehicle.road.mass * HOLD_PER_S * (course.pace - m.u) + course.drag * weight
    most = np.minimum(course.push_g * weight, MOST_REAR_PUSH_SHARE * course.grip * rear_load)
    return np.minimum(np.maximum(wanted, -most), most)


def _move_upright(
    vehicle: Vehicle,
    m: Motion,
    f: _Vertical,
    runners: Array,
    contact: _Contacts,
    ahead: Array,
    step_s: float,
    calm_per_s: float,
) -> None:
    road, sides = vehicle.road, vehicle.sides
    zz, zr, rz, rr = f.stiff
    c_zz, c_zr, c_rr = f.damp
    mass, turn = vehicle.body.front_mass * 1e-3, road.roll_inertia * 1e3
    square = ahead * ahead
    # the ground's grip on the contacts damps roll too [N mm s/rad]
    grip_damp = 1e3 * np.add.reduce(contact.per_slide * contact.roll_lever * contact.roll_lever)
    calm = ahead * calm_per_s
    a = mass * (1 + calm) + ahead * c_zz + square * zz
    b = ahead * c_zr + square * zr
    c = ahead * c_zr + square * rz
    d = turn * (1 + calm) + ahead * (c_rr + grip_damp) + square * rr
    lift = ahead * (f.lift + runners) - calm * mass * m.rise_rate
    moment = ahead * f.moment - calm * turn * m.roll_rate
    det = a * d - b * c
    rise_gain = (lift * d - moment * b) / det
    roll_gain = (moment * a - lift * c) / det
    rise_mean, roll_mean = m.rise_rate + rise_gain, m.roll_rate + roll_gain
    # from the pose where the droops were settled to the step's end
    to_end_z = step_s * rise_mean - ahead * m.rise_rate
    to_end_r = step_s * roll_mean - ahead * m.roll_rate
    droop = m.droop_mid + f.droop_0 + m.droop_z * to_end_z + m.droop_r * to_end_r
    m.droop = np.minimum(np.maximum(droop, sides.droop_min), sides.droop_max)
    m.rise = m.rise + step_s * rise_mean
    m.roll = m.roll + step_s * roll_mean
    share = step_s / ahead
    m.rise_rate = m.rise_rate + share * rise_gain
    m.roll_rate = m.roll_rate + share * roll_gain


def _move_across(vehicle: Vehicle, course: Course, m: Motion, contact: _Contacts, half: float) -> None:
    road = vehicle.road
    fx, fy = contact.fx.sum(axis=0), contact.fy.sum(axis=0)
    moment = (contact.at_x * contact.fy - contact.at_y * contact.fx).sum(axis=0)
    weight = road.mass * GRAVITY_M_PER_S2 * np.sin(course.bank_rad)
    ahead, across, turn = planar_rates(
        m.u, m.v, m.yaw_rate, fx, fy + weight, moment, road.mass, road.yaw_inertia
    )
    grip = contact.per_slide
    d_v = np.add.reduce(grip) / road.mass
    d_vr = np.add.reduce(grip * contact.at_x)
    d_r = np.add.reduce(grip * contact.at_x * contact.at_x) / road.yaw_inertia
    a, b = 1 + half * d_v, half * (d_vr / road.mass + m.u)
    c, d = half * d_vr / road.yaw_inertia, 1 + half * d_r
    det = a * d - b * c
    v_gain = half * (across * d - turn * b) / det
    r_gain = half * (turn * a - across * c) / det
    m.u = m.u + 2 * half * ahead
    m.v = m.v + 2 * v_gain
    m.yaw_rate = m.yaw_rate + 2 * r_gain
    m.forward_g = fx / (road.mass * GRAVITY_M_PER_S2)
