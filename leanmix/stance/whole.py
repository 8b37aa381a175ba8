"""The whole machine's balance for a pose: what is left over, and the Newton step that removes it.

Unknowns: heave of the chassis over the runners [mm], roll [rad, + left side up], both droops [rad]. Each side either
stands on the board (its contact at height 0) or hangs free (no load). Roll moments are taken about the rear's pivot.
The rear's foot stays flat until its centre of pressure reaches its edge, then tilts about it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import GRAVITY_M_PER_S2, Array
from leanmix.stance.setup import Body, Sides
from leanmix.stance.side import Drive, SideState, side_state

__all__ = ["SIGN", "Force", "Push", "Rear", "Whole", "force_of", "push_of", "rear_state", "whole"]

Flags = NDArray[np.bool_]

# the left side's own frame is the chassis', the right side's is its mirror image
SIGN: Array = np.array([[1.0], [-1.0]])


WRONG_N = 1e-9
WRONG_MM = 1e-9


class Force(NamedTuple):
    """Specific force in the road's frame [m/s²], y left and z up, and the ground's grip ratio of each side.

    across, down : (n,)
    ratio : (n,), sideways ground force over load that keeps it in its turn, + to the left
    grip : (2, n), what the runners use, + to the left; the same as `ratio` while rolling
    """

    across: Array
    down: Array
    ratio: Array
    grip: Array


class Push(NamedTuple):
    """Upper shock eyes [mm] and slack spring lengths [mm], (2, n)."""

    out: Array
    up: Array
    slack: Array


class Rear(NamedTuple):
    """Foot's tilt [rad, + left side up], its change with roll, the pivot's height [mm] and its change with tilt."""

    tilt: Array
    tilt_roll: Array
    height: Array
    height_tilt: Array
    stands: Flags
    flat: Flags


class Whole(NamedTuple):
    """What `whole` finds; (n,) unless said otherwise.

    step : heave, roll, droop left, droop right to add
    lift_left, moment_left : what is left over [N, N mm]
    height : (2, n) of the contacts over the road [mm]
    wrong : (2, n) a runner put down that the road would have to pull, or one left hanging that is below the road
    settled_left : lift and moment left over once the droops are settled at this heave and roll [N, N mm]
    stiffness : how hard it resists being rolled further [N mm/rad], everything else settled
    heave_roll : how heave goes with roll, everything else settled [mm/rad]
    holds : whether the rear's foot stands and the chassis, let down a little, is pushed up again
    slopes : change of lift by heave and roll, of moment by heave and roll, droops settled; for `leanmix.response`
    droop_by : (2, n) how the droops are to change of themselves, with heave [rad/mm] and with roll; likewise
    """

    step: tuple[Array, Array, Array]
    lift_left: Array
    moment_left: Array
    height: Array
    wrong: Flags
    stiffness: Array
    heave_roll: Array
    holds: Flags
    state: SideState
    rear: Rear
    settled_left: tuple[Array, Array]
    slopes: tuple[Array, Array, Array, Array]
    droop_by: tuple[Array, Array, Array]


def force_of(lateral_g: Array, bank_deg: Array) -> Force:
    """Forces of a steady turn on a bank.

    Parameters
    ----------
    lateral_g : ndarray
        Horizontal acceleration over g, + turning left.
    bank_deg : ndarray
        + where the road's left side is the lower one.
    """
    bank = np.deg2rad(bank_deg)
    c, s = np.cos(bank), np.sin(bank)
    across = GRAVITY_M_PER_S2 * (s - lateral_g * c)
    down = -GRAVITY_M_PER_S2 * (c + lateral_g * s)
    ratio = across / down
    return Force(across, down, ratio, np.broadcast_to(ratio, (2, *ratio.shape)))


def push_of(sides: Sides, push_mm: Array, slack: Array | None = None) -> Push:
    """Where the mounts' eyes are for pushes (2, n) down their guides."""
    return Push(
        sides.mount_out + push_mm * sides.down_out,
        sides.mount_up + push_mm * sides.down_up,
        sides.slack if slack is None else slack,
    )


def rear_state(body: Body, force: Force, roll: Array) -> Rear:
    """Whether the rear's foot stands flat, and how far it tilts about its edge where it does not."""
    weight = body.mass * body.behind_share
    top = weight + body.rear_mass
    first = weight * body.pivot + body.rear_mass * body.rear_mass_up
    k = body.roll_stiffness
    moment = k * roll - force.across * first
    limit = -force.down * top * body.half_width
    edge = np.where(moment > limit, 1.0, np.where(moment < -limit, -1.0, 0.0))
    on_edge = edge != 0
    if not on_edge.any():
        zero = np.zeros_like(moment)
        return Rear(zero, zero, body.pivot + zero, zero, np.ones_like(on_edge), ~on_edge)
    where = np.flatnonzero(on_edge)

    def some(value: Array) -> Array:
        return value[where] if len(value) > 1 else value

    half = edge[where] * some(body.half_width)
    top, first, k, pivot = some(top), some(first), some(k), some(body.pivot)
    down, across, leaning = some(force.down), some(force.across), some(roll)
    tilt_here, slope = np.zeros(where.size), np.ones(where.size)
    for _ in range(4):
        c, s = np.cos(tilt_here), np.sin(tilt_here)
        left = down * (top * half * c - first * s) - across * (top * half * s + first * c) + k * (leaning - tilt_here)
        slope = -down * (top * half * s + first * c) - across * (top * half * c - first * s) - k
        slope = np.where(slope < 0, slope, -np.inf)
        tilt_here = np.clip(tilt_here - left / slope, -1.2, 1.2)
    c, s = np.cos(tilt_here), np.sin(tilt_here)
    tilt, tilt_roll, height_tilt = np.zeros_like(moment), np.zeros_like(moment), np.zeros_like(moment)
    height, stands = body.pivot + tilt, ~on_edge
    tilt[where], tilt_roll[where] = tilt_here, -k / slope
    height[where], height_tilt[where] = half * s + pivot * c, half * c - pivot * s
    stands[where] = np.isfinite(slope)
    return Rear(tilt, tilt_roll, height, height_tilt, stands, ~on_edge)


def whole(sides: Sides, body: Body, force: Force, push: Push, pose: Array, grounded: Flags) -> Whole:
    """Evaluate the balance and its Newton step.

    Parameters
    ----------
    sides, body
        The machine, (2, n) or (2, 1) and (n,) or (1,).
    force, push
        What acts on it.
    pose : ndarray, shape (4, n)
        Heave [mm], roll and both droops [rad].
    grounded : ndarray of bool, shape (2, n)
        Which runners are to stand on the road; the others hang free.
    """
    heave, roll, droop = pose[0], pose[1], pose[2:]
    cos, sin = np.cos(roll), np.sin(roll)
    drive = Drive(SIGN * force.across, force.down, SIGN * force.grip, push.out, push.up, push.slack)
    st = side_state(sides, drive, cos, SIGN * sin, droop)
    rear = rear_state(body, force, roll)

    height = heave + st.height
    # a runner put down that is pulled up, or left hanging below the road, belongs to the other kind
    wrong = np.where(grounded, st.load < -WRONG_N, height < -WRONG_MM)
    # each side's droop follows the chassis: dδ = d0 + dz·heave + dr·roll
    slope = np.where(grounded, st.height_droop, st.load_droop)
    per_slope = 1.0 / slope
    droop_0 = -np.where(grounded, height, st.load) * per_slope
    droop_z = np.where(grounded, -per_slope, 0.0)
    droop_r = -SIGN * np.where(grounded, st.reach, st.load_turn) * per_slope
    load_0 = st.load_droop * droop_0
    load_z = st.load_droop * droop_z
    load_r = st.load_droop * droop_r + SIGN * st.load_turn

    down, across = force.down, force.across
    swing = body.pivot * sin
    rise_r = rear.height_tilt * rear.tilt_roll
    arm = SIGN * st.reach + swing + force.grip * rear.height
    arm_r = st.reach_turn + body.pivot * cos + force.grip * rise_r
    arm_d = SIGN * st.reach_droop
    weight = sides.unsprung
    mass_arm = SIGN * st.mass_reach + swing
    mass_moment = weight * (mass_arm * down - (heave + st.mass_height - rear.height) * across)
    mass_d = weight * (SIGN * st.mass_reach_droop * down - st.mass_height_droop * across)
    mass_r = weight * ((body.pivot * cos - st.mass_height) * down - (SIGN * st.mass_reach - rise_r) * across)

    s = body.behind_share
    y, h = body.left * cos - body.up * sin, body.left * sin + body.up * cos
    lever = (1 - s) * (heave - rear.height) - s * body.pivot * cos + h
    m = body.mass
    chassis = m * ((y + swing) * down - lever * across)
    chassis_r = m * ((body.pivot * cos - h) * down - (y - (1 - s) * rise_r + s * swing) * across)
    chassis_z = -m * (1 - s) * across

    lift = st.load[0] + st.load[1] + body.front_mass * down
    moment_sides = st.load * arm + mass_moment
    moment = moment_sides[0] + moment_sides[1] + chassis - body.roll_stiffness * (roll - rear.tilt)

    d_side = st.load * arm_d + mass_d
    lift_0 = lift + load_0[0] + load_0[1]
    m0 = load_0 * arm + d_side * droop_0
    mz = load_z * arm + d_side * droop_z - weight * across
    mr = load_r * arm + st.load * arm_r + mass_r + d_side * droop_r
    moment_0 = moment + m0[0] + m0[1]
    zz, zr = load_z[0] + load_z[1], load_r[0] + load_r[1]
    rz = mz[0] + mz[1] + chassis_z
    rr = mr[0] + mr[1] + chassis_r - body.roll_stiffness * (1 - rear.tilt_roll)

    zz = np.where(zz == 0, -1e-9, zz)
    heave_roll = -zr / zz
    heave_0 = -lift_0 / zz
    stiffness = -(rr + rz * heave_roll)
    step_roll = (moment_0 + rz * heave_0) / stiffness
    step_heave = heave_0 + heave_roll * step_roll
    return Whole(
        step=(step_heave, step_roll, droop_0 + droop_z * step_heave + droop_r * step_roll),
        lift_left=lift,
        moment_left=moment,
        height=height,
        wrong=wrong,
        stiffness=stiffness,
        heave_roll=heave_roll,
        holds=rear.stands & (zz < 0),
        state=st,
        rear=rear,
        settled_left=(lift_0, moment_0),
        slopes=(zz, zr, rz, rr),
        droop_by=(droop_0, droop_z, droop_r),
    )
