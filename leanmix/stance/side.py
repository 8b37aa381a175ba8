"""One side's load under its runner for a droop and a roll, with first derivatives, both sides at once.

By virtual work on the droop: the shock, the unsprung weight and the ground's force at the contact do no work over a
small droop. Own frame (out, up); the roll in it is ``turn`` = +roll on the left, −roll on the right, + lifting the
outer end. Derivatives of the four-bar by its velocities and accelerations.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from leanmix.linkage import Array
from leanmix.stance.rig import LOOSE_SHARE, STOP_N_PER_MM, Sides

__all__ = ["Drive", "SideState", "side_state"]


class Drive(NamedTuple):
    """What acts on the sides; (2, n) in each side's own frame.

    across, down : specific force outwards and upwards [m/s²] (gravity is −9.8 up; turning left presses right)
    grip : sideways force of the ground over load, + outwards
    level : share of an upright force that lies in the machine's front plane when it pitches; `down` has it already
    mount_out, mount_up : where the shock's upper eye is [mm]
    slack : shock length at which the spring is loose [mm]
    """

    across: Array
    down: Array
    grip: Array
    level: Array
    mount_out: Array
    mount_up: Array
    slack: Array


class SideState(NamedTuple):
    """State of both sides, (2, n); ``along`` is the unit vector from the shock's lower to its upper eye."""

    load: Array
    load_droop: Array
    load_turn: Array
    height: Array
    height_droop: Array
    reach: Array
    reach_droop: Array
    reach_turn: Array
    mass_reach: Array
    mass_reach_droop: Array
    mass_height: Array
    mass_height_droop: Array
    length: Array
    length_droop: Array
    shock: Array
    spring: Array
    contact_out: Array
    contact_up: Array
    leverage: Array
    ground_droop: tuple[Array, Array]
    mass_droop: tuple[Array, Array]
    along: tuple[Array, Array]


def side_state(s: Sides, drive: Drive, cos: Array, sin: Array, droop: Array) -> SideState:
    """Load and places of both sides.

    Parameters
    ----------
    s : Sides
        Geometry, (2, n) or (2, 1).
    drive : Drive
        Forces, grip ratio and mounts.
    cos, sin : ndarray
        Of the turn, (2, n).
    droop : ndarray
        Lower arm's angle from the measured pose, + outer end down [rad], (2, n).

    Returns
    -------
    SideState
        ``height`` and ``reach`` of the contact and of the unsprung mass are in the road's frame, from the chassis'
        origin; ``load`` may be negative where the side hangs by its stop.
    """
    cd, sd = np.cos(droop), np.sin(droop)
    ao, au = s.arm_out * cd + s.arm_up * sd, s.arm_up * cd - s.arm_out * sd
    wo, wu = s.to_upper_pivot_out - ao, s.to_upper_pivot_up - au
    apart = 1.0 / (wo * wo + wu * wu)
    along = 0.5 + s.circle * apart
    square = s.branch * np.sqrt(np.maximum(s.upright_sq * apart - along * along, 1e-12))
    bo, bu = along * wo - square * wu, along * wu + square * wo
    uo, uu = bo - wo, bu - wu
    lever = 1.0 / (uu * bo - uo * bu)
    turn1 = (uu * ao - uo * au) * lever
    vo, vu = au - turn1 * bu, turn1 * bo - ao
    sq = turn1 * turn1
    turn2 = (uo * (ao + sq * bo) + uu * (au + sq * bu) - vo * vo - vu * vu) * lever

    def carried(p: Array, q: Array) -> tuple[Array, Array, Array, Array, Array, Array]:
        xo, xu = p * bo - q * bu, p * bu + q * bo
        return (
            ao + xo,
            au + xu,
            au - turn1 * xu,
            turn1 * xo - ao,
            -ao - turn2 * xu - sq * xo,
            turn2 * xo - au - sq * xu,
        )

    co, cu, co1, cu1, co2, cu2 = carried(s.contact_p, s.contact_q)
    mo, mu, mo1, mu1, mo2, mu2 = carried(s.mass_p, s.mass_q)
    co, cu = co + s.lower_pivot_out, cu + s.lower_pivot_up
    mo, mu = mo + s.lower_pivot_out, mu + s.lower_pivot_up

    eo, eu, eo1, eu1, eo2, eu2 = _eye(s, (ao, au), (uo, uu), (vo, vu), (bo, bu), turn1, turn2)
    go, gu = drive.mount_out - eo, drive.mount_up - eu
    length = np.sqrt(go * go + gu * gu)
    go, gu = go / length, gu / length
    length1 = -(go * eo1 + gu * eu1)
    length2 = (eo1 * eo1 + eu1 * eu1 - length1 * length1) / length - (go * eo2 + gu * eu2)

    left = drive.slack - length
    spring = s.rate * np.maximum(left, LOOSE_SHARE * left)
    over, under = length - s.longest, s.shortest - length
    shock = spring + STOP_N_PER_MM * (np.maximum(under, 0.0) - np.maximum(over, 0.0))
    rate = -s.rate * np.where(left > 0, 1.0, LOOSE_SHARE) - STOP_N_PER_MM * ((over > 0) | (under > 0))

    low, high = np.minimum(s.touch_low - droop, 0.0), np.maximum(s.touch_high - droop, 0.0)
    low_rate, high_rate = STOP_N_PER_MM * s.touch_low_lever**2, STOP_N_PER_MM * s.touch_high_lever**2
    touch = low_rate * low + high_rate * high
    touch1 = -low_rate * (low < 0) - high_rate * (high > 0)

    # forces in the chassis' frame, and how they turn with it
    fo, fu = drive.across * cos + drive.down * sin, drive.down * cos - drive.across * sin
    ko, ku = drive.grip * cos + drive.level * sin, drive.level * cos - drive.grip * sin
    weight = s.unsprung
    moment = shock * length1 + touch + weight * (fo * mo1 + fu * mu1)
    moment1 = rate * length1 * length1 + shock * length2 + touch1 + weight * (fo * mo2 + fu * mu2)
    per_load = 1.0 / (ko * co1 + ku * cu1)
    load = -moment * per_load
    load_droop = -(moment1 + load * (ko * co2 + ku * cu2)) * per_load
    load_turn = -(weight * (fu * mo1 - fo * mu1) + load * (ku * co1 - ko * cu1)) * per_load
    height = co * sin + cu * cos
    mass_height = mo * sin + mu * cos
    return SideState(
        load=load,
        load_droop=load_droop,
        load_turn=load_turn,
        height=height,
        height_droop=co1 * sin + cu1 * cos,
        reach=co * cos - cu * sin,
        reach_droop=co1 * cos - cu1 * sin,
        reach_turn=-height,
        mass_reach=mo * cos - mu * sin,
        mass_reach_droop=mo1 * cos - mu1 * sin,
        mass_height=mass_height,
        mass_height_droop=mo1 * sin + mu1 * cos,
        length=length,
        length_droop=length1,
        shock=shock,
        spring=spring,
        contact_out=co,
        contact_up=cu,
        leverage=per_load,
        ground_droop=(co1, cu1),
        mass_droop=(mo1, mu1),
        along=(go, gu),
    )


Pair = tuple[Array, Array]


def _eye(
    s: Sides, a: Pair, u: Pair, v: Pair, b: Pair, turn1: Array, turn2: Array
) -> tuple[Array, Array, Array, Array, Array, Array]:
    """Shock's lower eye with its first and second derivatives by droop, on whichever arm holds it."""
    if not s.on_upper.any():
        xo, xu = s.eye_p * a[0] - s.eye_q * a[1], s.eye_p * a[1] + s.eye_q * a[0]
        return s.lower_pivot_out + xo, s.lower_pivot_up + xu, xu, -xo, -xo, -xu
    upper = s.on_upper > 0
    square = 1.0 / (u[0] * u[0] + u[1] * u[1])
    sq = turn1 * turn1
    upper1 = (u[0] * v[1] - u[1] * v[0]) * square
    pull_out, pull_up = -a[0] - turn2 * b[1] - sq * b[0], turn2 * b[0] - a[1] - sq * b[1]
    upper2 = (u[0] * pull_up - u[1] * pull_out) * square
    spin1, spin2 = np.where(upper, upper1, -1.0), np.where(upper, upper2, 0.0)
    lo, lu = np.where(upper, u[0], a[0]), np.where(upper, u[1], a[1])
    xo, xu = s.eye_p * lo - s.eye_q * lu, s.eye_p * lu + s.eye_q * lo
    return (
        np.where(upper, s.upper_pivot_out, s.lower_pivot_out) + xo,
        np.where(upper, s.upper_pivot_up, s.lower_pivot_up) + xu,
        -spin1 * xu,
        spin1 * xo,
        -spin2 * xu - spin1 * spin1 * xo,
        spin2 * xo - spin1 * spin1 * xu,
    )
