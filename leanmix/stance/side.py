"""One side's load under its runner for a droop and a roll, with first derivatives.

By virtual work on the droop: the shock, the unsprung weight and the ground's force at the contact do no work over a
small droop. Own frame, vectors as out + i·up; the roll in it is ``turn`` = +roll on the left, −roll on the right, +
lifting the outer end. Derivatives of the four-bar by its velocities and accelerations: with the arm at a and the
upright at b, a point x of the upright moves by i·(t·x − a) for each radian of droop, t the upright's turn.

Elementwise: rows may be arrays or the stand-ins of `leanmix.stance.formula`.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from leanmix.linkage import Array
from leanmix.stance.rig import LOOSE_SHARE, STOP_N_PER_MM, Side

__all__ = ["Drive", "SideState", "Vector", "side_state"]


class Vector(NamedTuple):
    """out + i·up."""

    out: Array
    up: Array

    def __add__(self, other: Vector) -> Vector:  # type: ignore[override]
        return Vector(self.out + other.out, self.up + other.up)

    def __sub__(self, other: Vector) -> Vector:
        return Vector(self.out - other.out, self.up - other.up)

    def __mul__(self, other: Vector) -> Vector:  # type: ignore[override]
        return Vector(self.out * other.out - self.up * other.up, self.out * other.up + self.up * other.out)

    def seen_from(self, other: Vector) -> Vector:
        """Product with the other's conjugate: parts along and square to it, times its length."""
        return Vector(other.out * self.out + other.up * self.up, other.out * self.up - other.up * self.out)

    def times(self, size: Array) -> Vector:
        """Longer by a factor."""
        return Vector(self.out * size, self.up * size)


class Drive(NamedTuple):
    """What acts on the side, in its own frame.

    turn : e^(i·turn), the chassis' roll
    felt : unsprung mass times specific force [N]
    ground : ground's force over load: sideways grip, and the share of an upright force that lies in the machine's
        front plane when it pitches
    mount : where the shock's upper eye is [mm]
    slack : shock length at which the spring is loose [mm]
    """

    turn: Vector
    felt: Vector
    ground: Vector
    mount: Vector
    slack: Array


class SideState(NamedTuple):
    """State of a side; places in the road's frame from the rear's pivot [mm].

    contact, mass : of the ground's contact and of the unsprung weight's balance point
    contact_by : how the contact moves with droop
    felt_by : loss of the felt force's moment about the chassis with droop
    length_push : how the shock's length changes with the mount's push
    """

    load: Array
    load_droop: Array
    load_turn: Array
    contact: Vector
    contact_by: Vector
    mass: Vector
    felt_by: Array
    length: Array
    length_droop: Array
    length_push: Array
    shock: Array
    spring: Array


def side_state(s: Side, drive: Drive, droop: Array, any_on_upper: bool) -> SideState:
    """Load and places of a side.

    Parameters
    ----------
    s : Side
        Geometry.
    drive : Drive
        Roll, forces and mounts.
    droop : ndarray
        Lower arm's angle from the measured pose, + outer end down [rad].
    any_on_upper : bool
        Whether any shock stands on an upper arm.

    Returns
    -------
    SideState
        ``load`` may be negative where the side hangs by its stop.
    """
    swing = Vector(np.cos(droop), -np.sin(droop))
    arm = Vector(s.arm_out, s.arm_up) * swing
    across = Vector(s.to_upper_out, s.to_upper_up) - arm
    between = Vector(s.between_out, s.between_up) * swing
    apart = s.apart_sq - between.out
    per_apart = 1.0 / apart
    circled = apart + s.circle
    along = 0.5 * circled * per_apart
    # the upright from the line between lower ball and upper pivot
    square = s.branch * np.sqrt(np.maximum(s.upright_sq * per_apart - along * along, 1e-12))
    bent = Vector(along, square)
    upright = across * bent
    # twice the products of the arm with the upright and with the upper arm
    back = Vector(between.out - s.twice_arm_sq, -between.up)
    with_upright = back * bent
    with_upper = with_upright - back
    lever = 0.5 / (apart * square)
    turn1 = with_upper.up * lever
    twice = with_upright.out
    turn2 = (with_upper.out - s.twice_arm_sq + turn1 * (twice + twice - turn1 * circled)) * lever

    gap, seen, spin1, spin2 = _eye(s, drive.mount, arm, across, upright, turn1, turn2, any_on_upper)
    length = np.sqrt(gap.out * gap.out + gap.up * gap.up)
    per_length = 1.0 / length
    length1 = spin1 * seen.up * per_length
    length2 = (spin1 * spin1 * (s.eye_sq + seen.out) + spin2 * seen.up - length1 * length1) * per_length
    length_push = Vector(s.down_out, s.down_up).seen_from(gap).out * per_length
    left = drive.slack - length
    spring = s.rate * np.maximum(left, LOOSE_SHARE * left)
    past = np.minimum(np.maximum(length, s.shortest), s.longest) - length
    shock = spring + STOP_N_PER_MM * past
    rate = -s.rate * np.where(left > 0.0, 1.0, LOOSE_SHARE) - np.where(past != 0.0, STOP_N_PER_MM, 0.0)
    low, high = np.minimum(s.touch_low - droop, 0.0), np.maximum(s.touch_high - droop, 0.0)
    moment = shock * length1 + s.touch_low_N_mm * low + s.touch_high_N_mm * high
    moment1 = rate * length1 * length1 + shock * length2
    moment1 = moment1 - np.where(low < 0.0, s.touch_low_N_mm, 0.0) - np.where(high > 0.0, s.touch_high_N_mm, 0.0)

    arm, upright = arm * drive.turn, upright * drive.turn
    ball = arm + Vector(s.from_axis_out, s.from_axis_up) * drive.turn
    contact, mass = Vector(s.contact_out, s.contact_up) * upright, Vector(s.mass_out, s.mass_up) * upright
    # −i times how they move with droop
    contact_by, mass_by = contact.times(turn1) - arm, mass.times(turn1) - arm
    ground, felt = contact.seen_from(drive.ground), mass.seen_from(drive.felt)
    ground_by, felt_by = contact_by.seen_from(drive.ground), mass_by.seen_from(drive.felt)
    per_load = 1.0 / ground_by.up
    load = (moment - felt_by.up) * per_load
    # forces turn with the roll, and with the droop along the path's own curve
    bends = felt_by.out + load * ground_by.out
    pulls = felt + ground.times(load)
    load_droop = (moment1 + bends - turn2 * pulls.up - (turn1 + turn1 * turn1) * pulls.out) * per_load
    return SideState(
        load=load,
        load_droop=load_droop,
        load_turn=-bends * per_load,
        contact=contact + ball,
        contact_by=Vector(-contact_by.up, contact_by.out),
        mass=mass + ball,
        felt_by=felt_by.out,
        length=length,
        length_droop=length1,
        length_push=length_push,
        shock=shock,
        spring=spring,
    )


def _eye(
    s: Side,
    mount: Vector,
    arm: Vector,
    across: Vector,
    upright: Vector,
    turn1: Array,
    turn2: Array,
    any_on_upper: bool,
) -> tuple[Vector, Vector, Any, Any]:
    """From the shock's lower to its upper eye, the lower eye's arm against that, and its turn by droop, twice."""
    eye = Vector(s.eye_out, s.eye_up)
    pivot = Vector(s.lower_pivot_out, s.lower_pivot_up)
    if not any_on_upper:
        lower = eye * arm
        gap = mount - pivot - lower
        return gap, lower.seen_from(gap), np.float64(-1.0), np.float64(0.0)
    on_upper = s.on_upper > 0.0
    upper = upright - across
    per_square = 1.0 / (upper.out * upper.out + upper.up * upper.up)
    # the upper ball's velocity is i times this, its acceleration the other
    ball = upright.times(turn1) - arm
    pull = upright * Vector(-turn1 * turn1, turn2) - arm
    spin1 = np.where(on_upper, ball.seen_from(upper).out * per_square, -1.0)
    spin2 = np.where(on_upper, pull.seen_from(upper).up * per_square, 0.0)
    lower = eye * Vector(np.where(on_upper, upper.out, arm.out), np.where(on_upper, upper.up, arm.up))
    pivot = Vector(np.where(on_upper, s.upper_pivot_out, pivot.out), np.where(on_upper, s.upper_pivot_up, pivot.up))
    gap = mount - pivot - lower
    return gap, lower.seen_from(gap), spin1, spin2
