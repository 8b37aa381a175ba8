"""What the model says that a bench reading should be: arm angle and eye height for a pulse.

Vectorised over readings and over whole sets of numbers at once, so that a Jacobian is one call.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leanmix.errors import FileTrouble
from leanmix.journal import Reading
from leanmix.linkage import SIDES, Value, mount_pose, side_geometry, tip_up_rad
from leanmix.linkage.pulses import servo_calibrations
from leanmix.machine import Machine, Numbers

__all__ = ["FITTED", "Rows", "expected", "eye_up_at_neutral_mm", "rows_of"]

Array = NDArray[np.float64]
FITTED = ("arm_deg", "eye_up_mm")


@dataclass(frozen=True, slots=True)
class Rows:
    """Readings as columns, shape (readings,) each.

    Parameters
    ----------
    height : ndarray of bool
        True for an eye height [mm], False for an arm angle [deg].
    left : ndarray of bool
        Which side it was read on.
    pulse_us : ndarray
        Pulse to that side's servo [µs].
    longer : ndarray
        +1 where the pulse came up from shorter ones, −1 down from longer ones, 0 unknown.
    at, sigma : ndarray
        Reading and its standard deviation, in its own unit.
    """

    height: NDArray[np.bool_]
    left: NDArray[np.bool_]
    pulse_us: Array
    longer: Array
    at: Array
    sigma: Array

    def __len__(self) -> int:
        return len(self.at)

    def only(self, keep: NDArray[np.bool_]) -> Rows:
        """The rows where `keep` is true."""
        return Rows(
            self.height[keep], self.left[keep], self.pulse_us[keep], self.longer[keep], self.at[keep], self.sigma[keep]
        )


# tol is the half-width of a 95 % interval of a normal distribution
SIGMAS_PER_TOL = 1.959963984540054
LEAST_TOL: Mapping[str, float] = {"arm_deg": 0.05, "eye_up_mm": 0.01}


def rows_of(readings: tuple[Reading, ...]) -> Rows:
    """Arm angles and eye heights as columns.

    Raises
    ------
    FileTrouble
        When a reading has no pulse or no side, so that it says nothing of the linkage.
    """
    for r in readings:
        if r.quantity not in FITTED or r.pulse_us is None or r.side not in SIDES:
            raise FileTrouble(
                f"A reading of {r.quantity} ({r.at:g}) cannot be held against the linkage.",
                "It needs a side and the pulse at which it was read: strike it and read again.",
            )
    column = {"longer": 1.0, "shorter": -1.0}
    return Rows(
        height=np.array([r.quantity == "eye_up_mm" for r in readings], dtype=bool),
        left=np.array([r.side == "left" for r in readings], dtype=bool),
        pulse_us=np.array([r.pulse_us for r in readings], dtype=float),
        longer=np.array([column.get(r.approach, 0.0) for r in readings], dtype=float),
        at=np.array([r.at for r in readings], dtype=float),
        sigma=np.array([max(r.tol, LEAST_TOL[r.quantity]) / SIGMAS_PER_TOL for r in readings], dtype=float),
    )


def expected(machine: Machine, numbers: Numbers, rows: Rows, datum_mm: Mapping[str, Value]) -> Array:
    """What each reading should be.

    Parameters
    ----------
    machine : Machine
        For what is not a number.
    numbers : Numbers
        Values, scalar or of shape (sets,).
    rows : Rows
        What was read and at which pulse.
    datum_mm : mapping
        "left" and "right": how far the face that heights were read from stands above its supposed height, scalar or
        of shape (sets,).

    Returns
    -------
    ndarray, shape (readings, sets)
        In each reading's own unit; NaN where the linkage cannot be assembled or the link runs out. Free play counts
        half against the way the pulse was going.
    """
    calibrations = servo_calibrations(machine, numbers)
    sets = max([1, *(np.size(v) for v in numbers.values()), *(np.size(v) for v in datum_mm.values())])
    out = np.full((len(rows), sets), np.nan)
    slack = np.deg2rad(numbers["servo.backlash_deg"]) / 2
    for side in SIDES:
        mine = rows.left if side == "left" else ~rows.left
        if not mine.any():
            continue
        geo = side_geometry(machine, _as_sets(numbers, sets), side)
        cal = calibrations[0] if len(calibrations) == 1 or side == "left" else calibrations[1]
        pulse = rows.pulse_us[mine][:, None]
        lag = rows.longer[mine][:, None] * np.sign(cal.us_per_rad) * slack
        tip = tip_up_rad((pulse - cal.neutral_us) / cal.us_per_rad - lag, side)
        angle = np.rad2deg(geo.arm_rest_rad + tip)
        height = np.asarray(mount_pose(geo, tip).eye.up) - datum_mm[side]
        out[mine] = np.where(rows.height[mine][:, None], height, np.broadcast_to(angle, height.shape))
    return out


def eye_up_at_neutral_mm(machine: Machine, numbers: Numbers, side: str) -> Array:
    """Ride height: the shock's upper eye over the board at the neutral pulse [mm], shape (sets,)."""
    sets = max(1, *(np.size(v) for v in numbers.values()))
    geo = side_geometry(machine, _as_sets(numbers, sets), "left" if side == "left" else "right")
    return np.broadcast_to(np.asarray(mount_pose(geo, 0.0).eye.up), (sets,)).copy()


def _as_sets(numbers: Numbers, sets: int) -> Numbers:
    # as arrays a set that cannot be assembled gives NaN instead of an error
    key = "left.arm.radius_mm"
    pair = {k: np.broadcast_to(np.asarray(numbers[k], float), (sets,)) for k in (key, "right.arm.radius_mm")}
    return numbers.changed(pair)
