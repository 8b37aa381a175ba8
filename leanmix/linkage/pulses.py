"""Throw to servo pulse and back: one output for a double arm, two for a servo each side.

Throw is positive leaning LEFT. `longer_pulse_leans` says which way a longer pulse leans the machine, so the
right servo of a mirrored pair, turned round, has it the other way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from leanmix.linkage.planar import Array, Value
from leanmix.machine import Machine, Numbers

__all__ = ["ServoCalibration", "pulse_us", "servo_calibrations", "throw_at_pulse_rad"]


@dataclass(frozen=True, slots=True)
class ServoCalibration:
    """One servo's pulse for a throw.

    Attributes
    ----------
    name : str
        "both" (double arm), "left" or "right".
    neutral_us : float or ndarray
        Pulse with the arm centred.
    us_per_rad : float or ndarray
        Change of pulse with throw [µs/rad]; + where a longer pulse leans left.
    min_us, max_us : float or ndarray
        The maker's range.
    """

    name: str
    neutral_us: Value
    us_per_rad: Value
    min_us: Value
    max_us: Value


def servo_calibrations(machine: Machine, numbers: Numbers) -> tuple[ServoCalibration, ...]:
    """Each output's calibration: one for a double arm; left and right for one_each_side."""
    lean = machine.servo.longer_pulse_leans
    low, high = numbers["servo.pulse_min_us"], numbers["servo.pulse_max_us"]
    neutral, per_deg = numbers["servo.pulse_neutral_us"], numbers["servo.pulse_per_deg_us"]

    def one(name: str, neutral_us: Value, per_deg_us: Value, leans: str) -> ServoCalibration:
        sign = 1.0 if leans == "left" else -1.0
        return ServoCalibration(name, neutral_us, sign * np.rad2deg(per_deg_us), low, high)

    if machine.servo.arrangement == "double_arm":
        return (one("both", neutral, per_deg, lean),)
    right = machine.servo_right
    return (
        one("left", neutral, per_deg, lean),
        one(
            "right",
            numbers.get("servo_right.pulse_neutral_us", neutral),
            numbers.get("servo_right.pulse_per_deg_us", per_deg),
            right.longer_pulse_leans or lean,
        ),
    )


def pulse_us(machine: Machine, numbers: Numbers, throw_rad: Value) -> tuple[Array, ...]:
    """Pulse of each servo for a throw, not clipped to the servo's range.

    Parameters
    ----------
    machine : Machine
        Arrangement and which way each servo counts.
    numbers : Numbers
        Calibration, scalar or (builds,).
    throw_rad : float or ndarray
        Throw, + leans left [rad].

    Returns
    -------
    tuple of ndarray
        One for a double arm, (left, right) for one_each_side [µs].
    """
    return tuple(np.asarray(c.neutral_us + c.us_per_rad * throw_rad) for c in servo_calibrations(machine, numbers))


def throw_at_pulse_rad(machine: Machine, numbers: Numbers, pulses_us: tuple[Value, ...]) -> tuple[Array, ...]:
    """Throw [rad, + leans left] that each servo's pulse comes to; the inverse of `pulse_us`.

    `pulses_us` holds one pulse [µs, float or array] a servo.

    Raises
    ------
    ValueError
        When there are not as many pulses as servos.
    """
    calibrations = servo_calibrations(machine, numbers)
    return tuple(
        np.asarray((pulse - c.neutral_us) / c.us_per_rad) for c, pulse in zip(calibrations, pulses_us, strict=True)
    )
