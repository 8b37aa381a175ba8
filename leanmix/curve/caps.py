"""How far the arm may go each way: short of every block, at the worst end of calibration and tolerance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leanmix.linkage import ServoCalibration, servo_calibrations
from leanmix.machine import Machine, Numbers

__all__ = ["Caps", "ServoError", "WayCap", "WayLimit", "find_caps", "servo_errors", "worst_throw_deg"]

Array = NDArray[np.float64]

# The cap stays this far inside what the proof allows, for the rounding of pulses to 1/8 µs.
ROUNDING_US = 0.25


@dataclass(frozen=True, slots=True)
class WayLimit:
    """What the stops say about one way of leaning.

    Parameters
    ----------
    block_deg : float
        Throw of the first block of the machine as measured [deg], ≥ 0; infinite where nothing blocks.
    block_share_deg : float
        Throw that the chosen share of builds reaches without a block [deg], ≥ 0.
    block_what : str
        The first block in words.
    """

    block_deg: float
    block_share_deg: float
    block_what: str


@dataclass(frozen=True, slots=True)
class ServoError:
    """How far a servo's arm may be from where the calibration says.

    Parameters
    ----------
    calibration : ServoCalibration
        Nominal.
    neutral_us, per_deg_us : float
        95 % half-widths of neutral [µs] and gain [µs/deg].
    play_deg : float
        Half of the backlash, plus the servo's deadband as an angle [deg].
    """

    calibration: ServoCalibration
    neutral_us: float
    per_deg_us: float
    play_deg: float


@dataclass(frozen=True, slots=True)
class WayCap:
    """The cap on one way of leaning.

    Parameters
    ----------
    throw_deg : float
        Largest nominal throw [deg], ≥ 0.
    why : str
        What set it, in words.
    """

    throw_deg: float
    why: str


@dataclass(frozen=True, slots=True)
class Caps:
    """Caps both ways."""

    left: WayCap
    right: WayCap


def servo_errors(machine: Machine, numbers: Numbers) -> tuple[ServoError, ...]:
    """Each output's calibration with its uncertainty, in the order of the image's outputs."""
    out = []
    for calibration in servo_calibrations(machine, numbers):
        neutral, gain = machine.servo.pulse_neutral_us, machine.servo.pulse_per_deg_us
        if calibration.name == "right":
            neutral = machine.servo_right.pulse_neutral_us or neutral
            gain = machine.servo_right.pulse_per_deg_us or gain
        per_deg = abs(float(np.deg2rad(calibration.us_per_rad)))
        play = float(numbers["servo.backlash_deg"]) / 2 + float(numbers["servo.deadband_us"]) / per_deg
        out.append(ServoError(calibration, neutral.tol or 0.0, gain.tol or 0.0, play))
    return tuple(out)


def worst_throw_deg(error: ServoError, pulse_us: ArrayLike) -> tuple[Array, Array]:
    """Where the arm may stand at a pulse, at the worst end of calibration and play.

    Parameters
    ----------
    error : ServoError
        The servo.
    pulse_us : array_like, any shape
        Pulse [µs].

    Returns
    -------
    least, most : ndarray, same shape
        Ends of the range of throw [deg], positive leans left.
    """
    c = error.calibration
    sign = np.sign(float(c.us_per_rad))
    per_deg = abs(float(np.deg2rad(c.us_per_rad)))
    off = sign * (np.asarray(pulse_us, dtype=np.float64) - float(c.neutral_us))
    gains = (per_deg - error.per_deg_us, per_deg + error.per_deg_us)
    shifts = (off - error.neutral_us, off + error.neutral_us)
    corners = np.stack([shift / gain for shift in shifts for gain in gains])
    return corners.min(axis=0) - error.play_deg, corners.max(axis=0) + error.play_deg


def find_caps(machine: Machine, numbers: Numbers, left: WayLimit, right: WayLimit) -> Caps:
    """Cap each way: the nearest of block less margin, worst build, servo's range, servo's travel and own cap.

    Parameters
    ----------
    machine : Machine
        The machine, for tolerances.
    numbers : Numbers
        Its nominal numbers.
    left, right : WayLimit
        From the stops.
    """
    errors = servo_errors(machine, numbers)
    return Caps(_cap(numbers, errors, "left", left), _cap(numbers, errors, "right", right))


def _cap(numbers: Numbers, errors: tuple[ServoError, ...], way: str, limit: WayLimit) -> WayCap:
    margin = float(numbers["limits.cap_margin_deg"])
    travel = float(numbers["servo.travel_deg"])
    share = f"{100 * float(numbers['limits.share_clear']):.4g} %"
    options = [
        (limit.block_deg - margin, f"{margin:g}° short of: {limit.block_what}"),
        (travel - margin, f"{margin:g}° short of the servo's own end"),
    ]
    if f"limits.cap_{way}_deg" in numbers:
        options.append((float(numbers[f"limits.cap_{way}_deg"]), "your own cap"))
    for error in errors:
        c = error.calibration
        per_deg = abs(float(np.deg2rad(c.us_per_rad)))
        towards_max = (float(c.us_per_rad) > 0) == (way == "left")
        end = float(c.max_us if towards_max else c.min_us)
        name = "" if c.name == "both" else f" {c.name}"
        options.append((abs(end - float(c.neutral_us)) / per_deg, f"the{name} servo maker's pulse limit {end:g} µs"))
        room = (limit.block_share_deg - error.play_deg) * (per_deg - error.per_deg_us) - error.neutral_us - ROUNDING_US
        options.append(
            (room / per_deg, f"clear in {share} of builds, calibration at its worst, of: {limit.block_what}")
        )
    throw, why = min(options, key=lambda option: option[0])
    return WayCap(max(0.0, throw), why)
