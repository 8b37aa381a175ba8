"""What the builder asks for: steer to degrees of lean (or of arm), and how it rounds off below a cap."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator

from leanmix.machine import Machine, Numbers

__all__ = ["DEADBAND_BLEND", "asked_deg", "capped"]

Array = NDArray[np.float64]

# A sharp corner at the deadband's edge cannot be held by 33 uniform knots and makes the servo twitch:
# the slope grows from nothing to full over this share of the steering.
DEADBAND_BLEND = 0.35


def asked_deg(machine: Machine, numbers: Numbers, steer: ArrayLike) -> Array:
    """Degrees asked at each steering position.

    Parameters
    ----------
    machine : Machine
        For the kind of curve and its knots.
    numbers : Numbers
        Scalar values of the machine (``lean.*``, ``runner.steer_*``).
    steer : array_like, any shape
        −1 full right … +1 full left; clipped to that range.

    Returns
    -------
    ndarray, same shape
        Degrees [deg], positive to the left: of lean, or of arm throw with ``ask = "arm"``. Never falls
        from right to left; zero at neutral unless knots say otherwise.

    Notes
    -----
    Without knots: x = \\|steer\\| after the deadband, then x(1 − k) + k x³ for shape k ≥ 0 and its mirror image
    about the diagonal's middle for k < 0. With knots: monotone piecewise cubic through them (Fritsch and
    Butland's slopes, SIAM J. Sci. Stat. Comput. 5 (1984) 300–304, as in scipy).
    """
    s = np.clip(np.asarray(steer, dtype=np.float64), -1.0, 1.0)
    if machine.lean.knots:
        at, degrees = np.array(machine.lean.knots, dtype=np.float64).T
        return np.asarray(PchipInterpolator(at, degrees)(s), dtype=np.float64)
    x = _shaped(_past_deadband(np.abs(s), float(numbers["lean.deadband"])), float(numbers["lean.shape"]))
    full = np.where(s >= 0, _full_lock_deg(numbers, "left"), _full_lock_deg(numbers, "right"))
    return np.asarray(np.sign(s) * full * x, dtype=np.float64)


def _full_lock_deg(numbers: Numbers, side: str) -> float:
    if f"lean.{side}_deg" in numbers:
        return float(numbers[f"lean.{side}_deg"])
    return float(numbers[f"lean.{side}_ratio"]) * float(numbers[f"runner.steer_{side}_deg"])


def _past_deadband(x: Array, deadband: float) -> Array:
    if deadband <= 0:
        return x
    blend = min(DEADBAND_BLEND, 1.0 - deadband)
    past = np.clip(x - deadband, 0.0, None)
    risen = np.where(past < blend, past**2 / (2 * blend), past - blend / 2)
    return np.asarray(risen / (1.0 - deadband - blend / 2), dtype=np.float64)


def _shaped(x: Array, k: float) -> Array:
    if k >= 0:
        return np.asarray((1 - k) * x + k * x**3, dtype=np.float64)
    y = 1 - x
    return np.asarray(1 - ((1 + k) * y - k * y**3), dtype=np.float64)


def capped(throw_deg: ArrayLike, cap_left_deg: float, cap_right_deg: float, knee_deg: float) -> Array:
    """Hold a throw below its caps, with a smooth knee.

    Parameters
    ----------
    throw_deg : array_like, any shape
        Throw wanted [deg], positive leans left.
    cap_left_deg, cap_right_deg : float
        Largest throw each way [deg], ≥ 0.
    knee_deg : float
        The slope falls from 1 to 0 between ``knee_deg`` below a cap and ``knee_deg`` above it [deg]; made
        smaller where the cap leaves no room.

    Returns
    -------
    ndarray, same shape
        Throw [deg]; between −cap_right_deg and cap_left_deg without exception. At the knee's middle it is a
        quarter of ``knee_deg`` below what was asked.
    """
    t = np.asarray(throw_deg, dtype=np.float64)
    cap = np.where(t >= 0, cap_left_deg, cap_right_deg)
    knee = np.minimum(knee_deg, cap)
    knee = np.where(knee > 1e-6, knee, 0.0)
    over = np.abs(t) - (cap - knee)
    safe = np.where(knee > 0, knee, 1.0)
    rounded = np.where(over < 2 * knee, np.abs(t) - over**2 / (4 * safe), cap)
    held = np.where(over <= 0, np.abs(t), rounded)
    return np.asarray(np.sign(t) * np.minimum(held, cap), dtype=np.float64)
