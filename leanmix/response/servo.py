"""Servos in time: frames, deadband, motor line under load, backlash.

The mixing and the slew between frames are the C core's (`leanmix.mixer`); the motor line is the linkage's. Here is
only what happens from the pulse at the servo's plug to the arm. All angles are throw [rad, + leans the machine left].
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import Array, ServoLine, servo_calibrations
from leanmix.machine import Machine, Numbers

__all__ = ["Plugs", "ServoState", "servo_move", "servo_plugs", "servo_start", "turn_towards"]

# Within the play the arm drifts to the side that its load presses; this fast at a tenth of the stall torque.
DRIFT_RAD_PER_S = 20.0
# A servo's own controller drives in full until it is near, then eases off with about this time constant; an estimate.
EASE_S = 0.01


@dataclass(frozen=True, slots=True)
class Plugs:
    """Pulse to throw for each servo, shape (servos, builds).

    Attributes
    ----------
    neutral_eighths, rad_per_eighth
        Pulse at throw 0 [1/8 µs], and throw for each 1/8 µs.
    deadband_rad
        Least change that the servo answers.
    play_rad
        Backlash, end to end.
    """

    neutral_eighths: Array
    rad_per_eighth: Array
    deadband_rad: Array
    play_rad: Array


@dataclass(slots=True)
class ServoState:
    """Servos of all runs, each of shape (servos, runs): motor side and arm [rad], target, and whether it stalls."""

    motor_rad: Array
    arm_rad: Array
    target_rad: Array
    stalled: NDArray[np.bool_]


def servo_plugs(machine: Machine, numbers: Numbers) -> Plugs:
    """Calibration, deadband and play of the machine's lean servos: one for a double arm, else left and right."""
    lines = servo_calibrations(machine, numbers)
    neutral = np.stack([np.atleast_1d(np.asarray(c.neutral_us, dtype=np.float64)) for c in lines])
    per_us = np.stack([np.atleast_1d(1.0 / np.asarray(c.us_per_rad, dtype=np.float64)) for c in lines])
    play = np.atleast_1d(np.deg2rad(numbers["servo.backlash_deg"]))
    return Plugs(
        neutral_eighths=8.0 * neutral,
        rad_per_eighth=per_us / 8.0,
        deadband_rad=np.abs(per_us) * numbers["servo.deadband_us"],
        play_rad=np.broadcast_to(play, per_us.shape),
    )


def servo_start(servos: int, runs: int) -> ServoState:
    """Every servo at neutral."""
    zero = np.zeros((servos, runs))
    return ServoState(zero, zero.copy(), zero.copy(), np.zeros((servos, runs), dtype=bool))


def turn_towards(angle: Array, target: Array, most: Array | float) -> tuple[Array, Array]:
    """Turn evenly towards a target for one step, at the speed that covers `most` > 0 in it, and stop there.

    Returns
    -------
    angle, mean : ndarray
        At the step's end, and on average over it: not half way where the target is reached before the step is over.
    """
    way = np.minimum(np.maximum(target - angle, -most), most)
    return angle + way, angle + way * (1.0 - np.abs(way) * (0.5 / most))


def servo_move(
    line: ServoLine,
    plugs: Plugs,
    state: ServoState,
    up_N_mm: Array,
    down_N_mm: Array,
    ends_rad: tuple[Array, Array],
    step_s: float,
) -> None:
    """Move every servo for one step.

    Parameters
    ----------
    line, plugs : ServoLine, Plugs
        Numbers.
    state : ServoState
        Changed in place.
    up_N_mm, down_N_mm : ndarray, shape (servos, runs)
        Torque needed to turn the arm towards left lean, and towards right lean, friction in the guides with it;
        negative where the springs turn it by themselves.
    ends_rad : tuple of ndarray
        Throw beyond which arm or link cannot go: right, left.
    step_s : float
        Time.

    Notes
    -----
    It stops a deadband short of its target. At and past stall the gears hold: the motor does not run backwards. A load that helps leaves the free speed.
    """
    off = state.target_rad - state.motor_rad
    speed = line.speed_rad_per_s(np.where(off >= 0, up_N_mm, down_N_mm))
    state.stalled = (np.abs(off) > plugs.deadband_rad) & (speed <= 0)
    # at full speed until so near that easing off is slower, then eased: both exact however long the step
    way, near = np.maximum(np.abs(off) - plugs.deadband_rad, 0.0), np.maximum(speed, 1e-12) * EASE_S
    far = np.maximum(way - near, 0.0)
    easing_s = np.maximum(step_s - far * (EASE_S / near), 0.0)
    eased = np.minimum(way, near) * -np.expm1(easing_s * (-1 / EASE_S))
    moved = state.motor_rad + np.copysign(np.minimum(far, speed * step_s) + eased, off)
    state.motor_rad = np.minimum(np.maximum(moved, ends_rad[0]), ends_rad[1])
    half = plugs.play_rad / 2
    # within the play only a load that overcomes the guides' friction moves the arm
    pressed = (np.maximum(-up_N_mm, 0.0) - np.maximum(-down_N_mm, 0.0)) * (10.0 / line.stall_N_mm)
    drifted = state.arm_rad + np.minimum(np.maximum(pressed, -1.0), 1.0) * (DRIFT_RAD_PER_S * step_s)
    state.arm_rad = np.minimum(np.maximum(drifted, state.motor_rad - half), state.motor_rad + half)
