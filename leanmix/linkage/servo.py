"""What the servo has to give: torque each way, against its stall torque, speed and current at the voltage.

A servo's motor line is straight: torque = stall torque × (1 − speed / free speed), both in proportion to the
voltage (machine-design texts, from memory). Current is taken in proportion to torque.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from leanmix.linkage.geometry import SideGeometry
from leanmix.linkage.guide import GuideForces, guide_forces
from leanmix.linkage.mount import mount_pose, tip_up_rad
from leanmix.linkage.planar import Array, Spot, Value
from leanmix.machine import Machine, Numbers

__all__ = ["ServoLine", "ServoLoad", "Tooth", "nearest_tooth", "servo_line", "servo_load"]


@dataclass(frozen=True, slots=True)
class ServoLine:
    """A servo at one voltage.

    Attributes
    ----------
    voltage_V : float or ndarray
        At its plug.
    stall_N_mm, free_speed_rad_per_s : float or ndarray
        Ends of the motor line at that voltage.
    stall_A, idle_A : float, ndarray or None
        Current at the maker's stall and at rest; None where the file does not say.
    """

    voltage_V: Value
    stall_N_mm: Value
    free_speed_rad_per_s: Value
    rated_stall_N_mm: Value
    stall_A: Value | None
    idle_A: Value | None

    def speed_rad_per_s(self, torque_N_mm: Value) -> Array:
        """Speed left under a torque against the motion, never below 0; a torque that helps is taken as none."""
        load = np.maximum(torque_N_mm, 0.0) / self.stall_N_mm
        return np.asarray(self.free_speed_rad_per_s * np.maximum(1.0 - load, 0.0))

    def current_A(self, torque_N_mm: Value) -> Array | None:
        """Current for a torque, no more than at stall at this voltage; None where the maker's figures are absent."""
        if self.stall_A is None:
            return None
        idle = 0.0 if self.idle_A is None else self.idle_A
        share = np.minimum(np.abs(torque_N_mm), self.stall_N_mm) / self.rated_stall_N_mm
        return np.asarray(idle + (self.stall_A - idle) * share)


def servo_line(numbers: Numbers, *, cold: bool = False) -> ServoLine:
    """The servo at the supply's voltage, or with the cold battery's sag taken off.

    Parameters
    ----------
    numbers : Numbers
        The machine's numbers.
    cold : bool
        Take off ``servo.cold_sag_V``.
    """
    volts = numbers["servo.supply_voltage_V"] - (numbers["servo.cold_sag_V"] if cold else 0.0)
    share = volts / numbers["servo.rated_voltage_V"]
    stall = numbers["servo.stall_torque_N_mm"]
    return ServoLine(
        voltage_V=volts,
        stall_N_mm=stall * share,
        free_speed_rad_per_s=np.deg2rad(numbers["servo.free_speed_deg_per_s"]) * share,
        rated_stall_N_mm=stall,
        stall_A=numbers.get("servo.stall_current_A"),
        idle_A=numbers.get("servo.idle_current_A"),
    )


@dataclass(frozen=True, slots=True)
class ServoLoad:
    """Torque on the servo(s) with the throw growing to one way.

    Attributes
    ----------
    way : float
        +1 turning to lean left, −1 right.
    left, right : GuideForces
        Each mount's forces.
    torque_N_mm : tuple of ndarray
        What each servo must give in the way of motion (double arm: one; one_each_side: left, right). Negative:
        the springs drive it and it holds back. NaN where a mount is jammed.
    """

    way: float
    left: GuideForces
    right: GuideForces
    torque_N_mm: tuple[Array, ...]


def servo_load(
    machine: Machine,
    left: SideGeometry,
    right: SideGeometry,
    throw_rad: Value,
    shock_left: tuple[Value, Spot],
    shock_right: tuple[Value, Spot],
    *,
    way: float,
    friction: tuple[Value, Value] | None = None,
) -> ServoLoad:
    """Torque that turns the arm(s) slowly one way at a throw.

    Parameters
    ----------
    machine : Machine
        For the arrangement.
    left, right : SideGeometry
        Both sides.
    throw_rad : float or ndarray
        Throw, + leans left [rad].
    shock_left, shock_right : tuple
        Each side's shock force [N, + apart; float or array] and the unit vector from its lower to its upper eye at that throw.
    way : float
        +1: the throw is growing to the left; −1: to the right.
    friction : tuple of float or ndarray, optional
        Friction left and right, instead of the geometry's.
    """
    forces: list[GuideForces] = []
    torques: list[Array] = []
    for i, (geo, (force, along)) in enumerate(((left, shock_left), (right, shock_right))):
        sign = 1.0 if geo.side == "left" else -1.0
        pose = mount_pose(geo, tip_up_rad(throw_rad, geo.side))
        moving = np.where(way * sign * pose.push_rate_mm_per_rad >= 0, 1.0, -1.0)
        mu = None if friction is None else friction[i]
        found = guide_forces(geo, pose, force, along, moving, mu)
        forces.append(found)
        torques.append(way * sign * found.tip_up_torque_N_mm)
    together = (torques[0] + torques[1],) if machine.servo.arrangement == "double_arm" else tuple(torques)
    return ServoLoad(way, forces[0], forces[1], together)


@dataclass(frozen=True, slots=True)
class Tooth:
    """The tooth of the servo's spline that puts an arm nearest to where it is wanted.

    Attributes
    ----------
    teeth : int
        Teeth to move the arm by, + raises the arm's ball on the left side.
    end_for_end : bool
        Turn the double arm end for end as well: with an odd number of teeth that is half a tooth.
    trim_deg, trim_us : float
        What remains, to be trimmed by the neutral pulse; + as `teeth`.
    step_deg : float
        Angle of one tooth.
    """

    teeth: int
    end_for_end: bool
    trim_deg: float
    trim_us: float
    step_deg: float


def nearest_tooth(teeth: int, turn_deg: float, us_per_deg: float, *, double_arm: bool = False) -> Tooth:
    """Which tooth comes nearest to turning the arm by an angle, and the trim that remains.

    Parameters
    ----------
    teeth : int
        Teeth of the spline; 25 is 14.4° a tooth.
    turn_deg : float
        How far the arm should be turned on its spline [deg], + raises the ball.
    us_per_deg : float
        Servo's µs for a degree in that sense; its sign carries over to `trim_us`.
    double_arm : bool
        Whether the arm is alike at both ends, so that it may be put on the other way round.
    """
    step = 360.0 / teeth
    flips = (False, True) if double_arm and teeth % 2 else (False,)
    found: list[Tooth] = []
    for flip in flips:
        shift = step / 2 if flip else 0.0
        count = round((turn_deg - shift) / step)
        trim = turn_deg - shift - count * step
        found.append(Tooth(count, flip, trim, trim * us_per_deg, step))
    return min(found, key=lambda t: (round(abs(t.trim_deg), 9), t.end_for_end))
