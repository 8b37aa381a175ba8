"""Stops as measured beside stops as predicted: the nearer one wins, and what differs too much gets a likely cause."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from leanmix.bench.model import SIGMAS_PER_TOL
from leanmix.job import Job
from leanmix.journal import Reading
from leanmix.linkage import ServoCalibration, servo_calibrations
from leanmix.machine import Measured
from leanmix.stops import WAYS, Stop

__all__ = ["StopCheck", "compare_stops"]

ALIKE = 0.35  # two ways off by shares this alike are off for one reason
TOL_LEAST_US = 1.0


@dataclass(frozen=True, slots=True)
class StopCheck:
    """One way of one servo.

    Parameters
    ----------
    way : str
        "left" or "right": which way the machine leans.
    servo : str
        "both" (double arm), "left" or "right".
    measured : Measured or None
        Pulse at which it stopped [µs]; None where it was not searched for.
    predicted : Measured or None
        Pulse of the first block [µs], ± from the file's tolerances; None where none is predicted.
    says : str
        What is predicted to stop it.
    throw_deg : float
        Throw of the nearer of the two, ≥ 0.
    nearer : str
        "measured" or "predicted".
    differs : bool
        Whether they are further apart than both tolerances allow.
    likely : str
        Why, where they differ.
    """

    way: str
    servo: str
    measured: Measured | None
    predicted: Measured | None
    says: str
    throw_deg: float
    nearer: str
    differs: bool
    likely: str


def compare_stops(job: Job, readings: tuple[Reading, ...]) -> tuple[StopCheck, ...]:
    """Hold measured stops against the ladder.

    Parameters
    ----------
    job : Job
        The machine, worked out.
    readings : tuple of Reading
        Those of ``stop_us`` are used; of several for one servo and way, the nearest to neutral.

    Returns
    -------
    tuple of StopCheck
        For each servo, leaning left and leaning right.
    """
    found = [
        _check(job, i, cal, way, readings)
        for i, cal in enumerate(servo_calibrations(job.machine, job.numbers))
        for way in WAYS
    ]
    return tuple(_explained(job, check, found) for check in found)


def _check(job: Job, index: int, cal: ServoCalibration, way: str, readings: tuple[Reading, ...]) -> StopCheck:
    measured = _measured(cal, way, readings)
    block = next((s for s in job.ladder.way(way) if s.blocks and _moves(s, cal.name)), None)
    predicted = None if block is None else _predicted(job, index, cal, way, block)
    throws = [_throw_deg(cal, m.at) for m in (measured, predicted) if m is not None]
    nearest = min(throws, default=float("inf"))
    nearer = "measured" if measured is not None and _throw_deg(cal, measured.at) <= nearest else "predicted"
    differs = bool(
        measured is not None
        and predicted is not None
        and abs(measured.at - predicted.at) > np.hypot(measured.tol or 0.0, predicted.tol or 0.0)
    )
    says = "nothing" if block is None else block.says
    return StopCheck(way, cal.name, measured, predicted, says, nearest, nearer, differs, "")


def _moves(stop: Stop, servo: str) -> bool:
    """Whether a stop is met by moving that servo alone."""
    return servo == "both" or stop.side not in ("left", "right") or stop.side == servo


def _throw_deg(cal: ServoCalibration, pulse_us: float) -> float:
    return abs(float(np.rad2deg((pulse_us - cal.neutral_us) / cal.us_per_rad)))


def _measured(cal: ServoCalibration, way: str, readings: tuple[Reading, ...]) -> Measured | None:
    longer = bool(cal.us_per_rad > 0) == (way == "left")
    name = "" if cal.name == "both" else cal.name
    mine = [
        r
        for r in readings
        if r.quantity == "stop_us" and r.side == name and r.approach == ("longer" if longer else "shorter")
    ]
    if not mine:
        return None
    nearest = min(mine, key=lambda r: _throw_deg(cal, r.at))
    return Measured(nearest.at, max(nearest.tol, TOL_LEAST_US), "bench")


def _predicted(job: Job, index: int, cal: ServoCalibration, way: str, block: Stop) -> Measured:
    """First block as a pulse; its ± from the builds and from the servo's own calibration, play counted half."""
    servo = job.machine.servo
    spread = job.builds.way(way).spread_deg
    per_deg = abs(float(np.deg2rad(cal.us_per_rad)))
    neutral, gain = servo.pulse_neutral_us, servo.pulse_per_deg_us
    if cal.name == "right":
        neutral = job.machine.servo_right.pulse_neutral_us or neutral
        gain = job.machine.servo_right.pulse_per_deg_us or gain
    parts = (
        SIGMAS_PER_TOL * spread.sd * per_deg,
        neutral.tol or 0.0,
        (gain.tol or 0.0) * block.throw_deg,
        float(job.numbers["servo.backlash_deg"]) / 2 * per_deg,
    )
    return Measured(block.pulses_us[index], float(np.linalg.norm(parts)))


def _explained(job: Job, check: StopCheck, found: list[StopCheck]) -> StopCheck:
    if not check.differs or check.measured is None or check.predicted is None:
        return check
    cal = next(c for c in servo_calibrations(job.machine, job.numbers) if c.name == check.servo)

    def off(c: StopCheck) -> float | None:
        """Degrees by which it stops later than predicted; negative is earlier."""
        if c.measured is None or c.predicted is None:
            return None
        return _throw_deg(cal, c.measured.at) - _throw_deg(cal, c.predicted.at)

    here = off(check) or 0.0
    other = next((c for c in found if c.servo == check.servo and c.way != check.way), None)
    there = None if other is None else off(other)
    both = other is not None and there is not None and other.differs
    if both and there is not None and abs(here + there) < ALIKE * abs(here - there):
        centre = float(cal.neutral_us) + (
            (1.0 if check.way == "left" else -1.0) * float(np.deg2rad(cal.us_per_rad)) * (here - there) / 2
        )
        likely = f"neutral stands off: the arm is probably centred at {centre:.0f} µs; move a tooth, or correct it"
    elif both and there is not None and abs(here - there) < ALIKE * abs(here + there):
        likely = "it is off alike both ways: arm radius or pulse gain differ from the file; fit the readings first"
    elif here < 0:
        likely = (
            f"leaning {check.way}, something the file does not know of is in the way: a cable, a cover, a screw head"
        )
    else:
        likely = f"what the file has in the way is not there, or smaller: {check.says.split(':')[0]}"
    most = job.builds.way(check.way).influences[:1]
    again = f"; measure {most[0].key} again" if most and most[0].share > 0.25 else ""
    return replace(check, likely=likely + again)
