"""The exact mapping: steer to lean to arm to pulse, before a table approximates it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leanmix.curve.ask import asked_deg, capped
from leanmix.curve.caps import Caps
from leanmix.curve.invert import LeanOfThrow, Rising, rising_part, throw_of_lean
from leanmix.linkage import pulse_us
from leanmix.machine import Machine, Numbers

__all__ = [
    "Plan",
    "held_throw_deg",
    "make_plan",
    "plan_pulses_us",
    "plan_throw_deg",
    "steer_of_pulse",
    "wanted_throw_deg",
]

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Plan:
    """How this machine is to lean.

    Parameters
    ----------
    machine : Machine
        The machine.
    numbers : Numbers
        Its nominal numbers.
    caps : Caps
        Largest throw each way.
    knee_deg : float
        Knee used [deg]; see `capped`.
    rising : Rising
        Lean over throw between the caps.
    """

    machine: Machine
    numbers: Numbers
    caps: Caps
    knee_deg: float
    rising: Rising


def make_plan(
    machine: Machine, numbers: Numbers, caps: Caps, lean_of_throw: LeanOfThrow, knee_deg: float | None = None
) -> Plan:
    """Put together the exact mapping of a machine.

    Parameters
    ----------
    machine, numbers : Machine, Numbers
        The machine and its nominal numbers.
    caps : Caps
        From `find_caps`.
    lean_of_throw : callable
        ndarray (n,) of throw [deg] → ndarray (n,) of lean [deg], from the stance.
    knee_deg : float, optional
        Knee instead of the file's [deg].

    Raises
    ------
    NoAnswer
        When lean does not rise with throw at neutral.
    """
    rising = rising_part(lean_of_throw, caps.left.throw_deg, caps.right.throw_deg)
    knee = float(numbers["limits.knee_deg"]) if knee_deg is None else knee_deg
    return Plan(machine, numbers, caps, knee, rising)


def steer_of_pulse(numbers: Numbers, pulse: ArrayLike) -> Array:
    """Steer for a steering `pulse` [µs, any shape]: −1 full right … +1 full left, straight about neutral, clipped."""
    p = np.asarray(pulse, dtype=np.float64)
    left, neutral, right = (float(numbers[f"steering.pulse_{k}_us"]) for k in ("left", "neutral", "right"))
    towards_left = (p - neutral) / (left - neutral)
    towards_right = (p - neutral) / (neutral - right)
    return np.asarray(np.clip(np.where(towards_left >= 0, towards_left, towards_right), -1, 1), dtype=np.float64)


def plan_throw_deg(plan: Plan, steer: ArrayLike) -> tuple[Array, Array]:
    """Throw at each steering position, before and after the caps.

    Parameters
    ----------
    plan : Plan
        From `make_plan`.
    steer : array_like, shape (n,)
        −1 … +1.

    Returns
    -------
    wanted, held : ndarray, shape (n,)
        Throw as asked and as capped [deg], positive leans left.
    """
    wanted = wanted_throw_deg(plan, steer)
    return wanted, held_throw_deg(plan, wanted)


def wanted_throw_deg(plan: Plan, steer: ArrayLike) -> Array:
    """Throw asked at each steering position `steer`, shape (n,), before the caps [deg]; not moved by the knee."""
    degrees = asked_deg(plan.machine, plan.numbers, np.atleast_1d(steer))
    return degrees if plan.machine.lean.ask == "arm" else throw_of_lean(plan.rising, degrees)


def held_throw_deg(plan: Plan, wanted_deg: ArrayLike) -> Array:
    """Throw wanted, `wanted_deg` [deg, any shape], as the caps and the knee of `plan` hold it [deg, same shape]."""
    throw = plan.rising.throw_deg
    left, right = min(plan.caps.left.throw_deg, throw[-1]), min(plan.caps.right.throw_deg, -throw[0])
    return capped(wanted_deg, left, right, plan.knee_deg)


def plan_pulses_us(plan: Plan, held_deg: ArrayLike) -> tuple[Array, ...]:
    """Each output's exact pulse [µs] for a held throw, `held_deg` [deg, any shape], by the calibration of `plan`."""
    return pulse_us(plan.machine, plan.numbers, np.deg2rad(held_deg))
