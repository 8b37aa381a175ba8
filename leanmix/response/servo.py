"""Servos in time: frames, deadband, motor line under load, backlash.

The mixing and the slew between frames are the C core's (`leanmix.mixer`); the motor line is the linkage's. Here is
only what happens from the pulse at the servo's plug to the arm. All angles are throw [rad, + leans the machine left].
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import Array, ServoLine, servo_calibrations
from leanmix.machine import Machine, Numbers
from leanmix.stance.formula import NO_TABLE, Formula

__all__ = ["Plugs", "ServoState", "servo_moves", "servo_plugs", "servo_start", "turn_towards"]

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


def _servo_table(line: ServoLine, plugs: Plugs, ends_rad: tuple[Array, Array], step_s: float) -> Array:
    """What stays the same from step to step, shape (2 · servos + 5, builds); see `servo_moves`."""
    rows = (*plugs.deadband_rad, *plugs.play_rad, line.stall_N_mm, line.free_speed_rad_per_s, *ends_rad, step_s)
    return np.stack(np.broadcast_arrays(*(np.atleast_1d(np.asarray(row, dtype=np.float64)) for row in rows)))


def _moved(table: Sequence[Any], _none: Sequence[Any], rows: Sequence[Any], *, servos: int) -> list[Any]:
    """Motor sides, arms, and whether each stalls, at the step's end."""
    stall, free, low, high, step_s = table[2 * servos :]
    motors, arms, stalls = [], [], []
    for i in range(servos):
        deadband, play = table[i], table[servos + i]
        motor, arm, target, up, down = rows[i::servos]
        off = target - motor
        size = np.abs(off)
        # the motor line (`ServoLine.speed_rad_per_s`)
        speed = free * np.maximum(1.0 - np.maximum(np.where(off >= 0.0, up, down), 0.0) / stall, 0.0)
        # at full speed until so near that easing off is slower, then eased: both exact however long the step
        way, near = np.maximum(size - deadband, 0.0), np.maximum(speed, 1e-12) * EASE_S
        far = np.maximum(way - near, 0.0)
        easing_s = np.maximum(step_s - far * (EASE_S / near), 0.0)
        eased = np.minimum(way, near) * (1.0 - np.exp(easing_s * (-1 / EASE_S)))
        there = motor + np.copysign(np.minimum(far, speed * step_s) + eased, off)
        there = np.minimum(np.maximum(there, low), high)
        # within the play only a load that overcomes the guides' friction moves the arm
        pressed = (np.maximum(-up, 0.0) - np.maximum(-down, 0.0)) * (10.0 / stall)
        drifted = arm + np.minimum(np.maximum(pressed, -1.0), 1.0) * (DRIFT_RAD_PER_S * step_s)
        half = play * 0.5
        motors.append(there)
        arms.append(np.minimum(np.maximum(drifted, there - half), there + half))
        stalls.append(np.where((size > deadband) & (speed <= 0.0), 1.0, 0.0))
    return [*motors, *arms, *stalls]


MOVED = {servos: Formula(partial(_moved, servos=servos), (2 * servos + 5, 0, 5 * servos)) for servos in (1, 2)}


def servo_moves(
    line: ServoLine, plugs: Plugs, ends_rad: tuple[Array, Array], step_s: float
) -> Callable[[ServoState, Array, Array], None]:
    """What moves every servo for one step.

    Parameters
    ----------
    line, plugs : ServoLine, Plugs
        Numbers.
    ends_rad : tuple of ndarray
        Throw beyond which arm or link cannot go: right, left.
    step_s : float
        Time.

    Returns
    -------
    callable
        Takes the state, which it changes in place, and the torque needed to turn the arm towards left lean, and
        towards right lean, friction in the guides with it, each (servos, runs) [N mm]; negative where the springs
        turn it by themselves.

    Notes
    -----
    A servo stops a deadband short of its target. At and past stall the gears hold: the motor does not run backwards.
    A load that helps leaves the free speed.
    """
    table, servos = _servo_table(line, plugs, ends_rad, step_s), len(plugs.deadband_rad)

    def move(state: ServoState, up_N_mm: Array, down_N_mm: Array) -> None:
        rows = np.concatenate((state.motor_rad, state.arm_rad, state.target_rad, up_N_mm, down_N_mm))
        out = MOVED[servos](table, NO_TABLE, rows)
        state.motor_rad, state.arm_rad, state.stalled = out[:servos], out[servos : 2 * servos], out[2 * servos :] != 0

    return move
