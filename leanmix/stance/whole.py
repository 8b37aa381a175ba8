"""The whole machine's balance for a pose: what is left over, and the Newton step that removes it.

Unknowns: heave of the chassis at the runners [mm], roll [rad, + left side up], both droops [rad]. Each side either
stands on the board (its contact at height 0) or hangs free (no load). Moments along and across are taken about the
rear's pivot, about which the chassis pitches as its front heaves: that moves the weight back or forth a little.
The rear's foot stays flat until its centre of pressure reaches its edge, then tilts about it.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import GRAVITY_M_PER_S2, Array
from leanmix.stance.rig import Body, Sides
from leanmix.stance.side import Drive, SideState, side_state

__all__ = ["SIGN", "Force", "Push", "Rear", "Whole", "force_of", "push_of", "rear_state", "whole"]

Flags = NDArray[np.bool_]

# the left side's own frame is the chassis', the right side's is its mirror image
SIGN: Array = np.array([[1.0], [-1.0]])


WRONG_N = 1e-9
WRONG_MM = 1e-9
# Newton's method on the foot's tilt; what it carries changes a little with it
EDGE_ROUNDS = 7
# square of the pitch's cosine: a step of Newton's method may overshoot even a machine on end
STEEPEST = 1e-4


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
    """The rear's foot; (n,).

    tilt, tilt_heave, tilt_roll : about its edge [rad, + left side up], and its change with heave and roll
    height, height_tilt : of the pivot [mm], and its change with tilt
    stands : False where the foot, once on its edge, falls over under its load
    flat : False on its edge
    first : height times weight of what rests on it and of itself [kg mm]
    """

    tilt: Array
    tilt_heave: Array
    tilt_roll: Array
    height: Array
    height_tilt: Array
    stands: Flags
    flat: Flags
    first: Array


class Whole(NamedTuple):
    """What `whole` finds; (n,) unless said otherwise.

    step : heave, roll, droop left, droop right to add
    lift_left, moment_left : what is left over: of the balance along the machine, as a force at the runners, and
        of the moments across, about the rear's pivot [N, N mm]
    height : (2, n) of the contacts over the road [mm]
    wrong : (2, n) a runner put down that the road would have to pull, or one left hanging that is below the road
    rise : of the chassis at the runners over its height at the rear's pivot, as far as pitch makes it [mm]
    level : cosine of the pitch
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
    rise: Array
    level: Array
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


def _level(nose: Array) -> Array:
    """Cosine of the pitch, from the chassis' rise per length."""
    return np.asarray(np.sqrt(np.maximum(1 - nose * nose, STEEPEST)))


def _carried(body: Body, nose: Array, from_pivot: Array, h: Array) -> Array:
    """What the rear's pivot carries [kg], from the balance along the machine about the runners' contacts.

    nose : rise of the chassis towards the runners, per length
    from_pivot : chassis' level line through the pivot, at the runners, over the road [mm]
    h : sprung weight's balance point over that line [mm]
    """
    s, per = body.behind_share, body.per_lever
    return np.asarray(body.mass * (1 - (1 - s - h * nose * per) / (1 + from_pivot * nose * per)))


def rear_state(body: Body, force: Force, roll: Array, from_pivot: Array, h: Array, swing: Array) -> Rear:
    """Whether the rear's foot stands flat, and how far it tilts about its edge where it does not.

    Parameters
    ----------
    body, force, roll
        The machine, what acts on it, and its roll [rad].
    from_pivot, h, swing : ndarray, shape (n,)
        Heights as in `_carried`, and how the first falls with roll [mm, mm/rad].
    """
    weight = _carried(body, (from_pivot - body.pivot) * body.per_lever, from_pivot, h)
    top = weight + body.rear_mass
    first = weight * body.pivot + body.rear_mass * body.rear_mass_up
    level = _level((from_pivot - body.pivot) * body.per_lever)
    moment = body.roll_stiffness / level * roll - force.across * first
    limit = -force.down * top * body.half_width
    edge = np.where(moment > limit, 1.0, np.where(moment < -limit, -1.0, 0.0))
    on_edge = edge != 0
    zero = np.zeros_like(moment)
    if not on_edge.any():
        return Rear(zero, zero, zero, body.pivot + zero, zero, np.ones_like(on_edge), ~on_edge, first)
    where = np.flatnonzero(on_edge)
    own = body if len(body.mass) == 1 else body.take(where)
    half, k, pivot, per = edge[where] * own.half_width, own.roll_stiffness / level[where], own.pivot, own.per_lever
    down, across, roll = force.down[where], force.across[where], roll[where]
    from_pivot, h, swing = from_pivot[where], h[where], swing[where]
    tilt, slope, height, turned = np.zeros(where.size), np.ones(where.size), pivot + np.zeros(where.size), first[where]
    for _ in range(EDGE_ROUNDS):
        c, s = np.cos(tilt), np.sin(tilt)
        height = half * s + pivot * c
        weight = _carried(own, (from_pivot - height) * per, from_pivot, h)
        top, turned = weight + own.rear_mass, weight * pivot + own.rear_mass * own.rear_mass_up
        left = down * (top * half * c - turned * s) - across * (top * half * s + turned * c) + k * (roll - tilt)
        slope = -down * (top * half * s + turned * c) - across * (top * half * c - turned * s) - k
        slope = np.where(slope < 0, slope, -np.inf)
        tilt = np.clip(tilt - left / slope, -1.2, 1.2)
    by_nose = own.mass * (h + (1 - own.behind_share) * from_pivot) * per
    by_weight = -(down * (half * c - pivot * s) - across * (half * s + pivot * c)) / slope * by_nose * per

    def placed(base: Array, value: Array) -> Array:
        out = base.copy()
        out[where] = value
        return out

    c, s = np.cos(tilt), np.sin(tilt)
    return Rear(
        tilt=placed(zero, tilt),
        tilt_heave=placed(zero, by_weight),
        tilt_roll=placed(zero, -by_weight * swing - k / slope),
        height=placed(body.pivot + zero, half * s + pivot * c),
        height_tilt=placed(zero, half * c - pivot * s),
        stands=placed(zero, np.isinf(slope)) == 0,
        flat=~on_edge,
        first=placed(first, turned),
    )


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

    Returns
    -------
    Whole
        Slopes leave out terms of the order of the pitch squared; the balance itself does not.
    """
    heave, roll, droop = pose[0], pose[1], pose[2:]
    cos, sin = np.cos(roll), np.sin(roll)
    down, across = force.down, force.across
    per, s, m = body.per_lever, body.behind_share, body.mass
    hang, swing = body.pivot * cos, body.pivot * sin
    y = body.left * cos - body.up * sin + swing
    h = body.left * sin + body.up * cos - hang

    # the chassis pitches about the rear's pivot; lengths along it are counted in levers from pivot to runners
    from_pivot = heave + hang
    rear = rear_state(body, force, roll, from_pivot, h, swing)
    rise_z, rise_r = rear.height_tilt * rear.tilt_heave, rear.height_tilt * rear.tilt_roll
    rise = from_pivot - rear.height
    rise = rise - hang * (1 - _level(rise * per))
    nose = rise * per
    level = _level(nose)
    # the rear's spring turns about the pitched chassis' own axis
    k = body.roll_stiffness / level
    up_z, up_r = 1 - rise_z, -rise_r - swing * level

    drive = Drive(SIGN * across, down * level, SIGN * force.grip, level, push.out, push.up, push.slack)
    st = side_state(sides, drive, cos, SIGN * sin, droop)
    below, mass_below = st.height - hang, st.mass_height - hang
    reach, mass_reach = SIGN * st.reach + swing, SIGN * st.mass_reach + swing
    height = rear.height + rise + below * level
    height_u = 1 - below * nose * per
    height_r = rise_r + height_u * up_r + reach * level
    # a runner put down that is pulled up, or left hanging below the road, belongs to the other kind
    wrong = np.where(grounded, st.load < -WRONG_N, height < -WRONG_MM)

    # each side's droop follows the chassis: dδ = d0 + dz·heave + dr·roll
    per_slope = 1.0 / np.where(grounded, st.height_droop * level, st.load_droop)
    droop_0 = -np.where(grounded, height, st.load) * per_slope
    droop_z = np.where(grounded, -(rise_z + height_u * up_z) * per_slope, 0.0)
    droop_r = -np.where(grounded, height_r, SIGN * st.load_turn) * per_slope
    load_0 = st.load_droop * droop_0
    load_z = st.load_droop * droop_z
    load_r = st.load_droop * droop_r + SIGN * st.load_turn

    weight = sides.unsprung
    far = level - below * nose * per
    far_u, mass_far_u, chassis_far_u = (-per * (nose + v * per) for v in (below, mass_below, h))
    lift_side = st.load * far + weight * down * (level - mass_below * nose * per)
    lift = lift_side[0] + lift_side[1] + m * down * ((1 - s) * level - h * nose * per)
    far_side = st.load * far_u + weight * down * mass_far_u
    by_pitch = far_side[0] + far_side[1] + m * down * chassis_far_u

    arm = reach + force.grip * rear.height
    arm_r = force.grip * rise_r - below
    mass_moment = weight * (mass_reach * down - (rise + mass_below * level) * across)
    chassis = m * (y * down - ((1 - s) * rise + h * level) * across)
    moment_side = st.load * arm + mass_moment
    moment = moment_side[0] + moment_side[1] + chassis - k * (roll - rear.tilt)
    moment_d = st.load * SIGN * st.reach_droop
    moment_d = moment_d + weight * (SIGN * st.mass_reach_droop * down - st.mass_height_droop * level * across)
    mass_r = weight * (-mass_below * down - (up_r + mass_reach * level) * across)
    chassis_r = m * (-h * down - ((1 - s) * up_r + y * level) * across)

    l0, lz, lr = load_0 * far, load_z * far, load_r * far
    m0 = load_0 * arm + moment_d * droop_0
    mz = load_z * arm + moment_d * droop_z + st.load * force.grip * rise_z - weight * across * up_z
    mr = load_r * arm + moment_d * droop_r + st.load * arm_r + mass_r
    lift_0, moment_0 = lift + l0[0] + l0[1], moment + m0[0] + m0[1]
    zz, zr = lz[0] + lz[1] + by_pitch * up_z, lr[0] + lr[1] + by_pitch * up_r
    rz = mz[0] + mz[1] - m * (1 - s) * across * up_z + k * rear.tilt_heave
    rr = mr[0] + mr[1] + chassis_r - k * (1 - rear.tilt_roll)

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
        rise=rise,
        level=level,
        settled_left=(lift_0, moment_0),
        slopes=(zz, zr, rz, rr),
        droop_by=(droop_0, droop_z, droop_r),
    )
