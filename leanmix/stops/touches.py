"""Where suspension arms meet the chassis: droop limits for a balance to stop at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from leanmix.linkage import SIDES, Array, SideName
from leanmix.machine import Machine, Numbers
from leanmix.stops.gaps import droop_gap, moved_by_droop_alone
from leanmix.stops.mechanism import mechanism
from leanmix.stops.parts import find_pairs
from leanmix.stops.search import Fineness, droop_limits

__all__ = ["DroopTouch", "droop_touches"]

LEVER_STEP_RAD = 1e-6


@dataclass(frozen=True, slots=True)
class DroopTouch:
    """The first touch of one side's suspension arms, going down and going up.

    Attributes
    ----------
    side : str
        "left" or "right".
    down_rad, up_rad : ndarray, shape (builds,)
        Droop at which it touches; inf and −inf where nothing is in the way within 0.9 rad.
    down_mm_per_rad, up_mm_per_rad : ndarray, shape (builds,)
        How fast the gap closes there per radian of droop that way, ≥ 0; 0 where nothing is in the way.
    """

    side: SideName
    down_rad: Array
    up_rad: Array
    down_mm_per_rad: Array
    up_mm_per_rad: Array


def droop_touches(
    machine: Machine, numbers: Numbers, *, margin: bool = False, fine: Fineness | None = None
) -> tuple[DroopTouch, DroopTouch]:
    """Where each side's suspension arms and upright meet parts of the chassis they must be kept clear of.

    Parameters
    ----------
    machine : Machine
        Its parts and clearances.
    numbers : Numbers
        Scalar, or of shape (builds,).
    margin : bool
        True: where the gap reaches the file's margin, as the ladder counts it. False: where surfaces meet.
    fine : Fineness, optional
        How closely to look.

    Returns
    -------
    tuple of DroopTouch
        Left, right.
    """
    mech = mechanism(machine, numbers)
    look = Fineness() if fine is None else fine
    everyone = np.arange(mech.builds)
    out = []
    for side in SIDES:
        down, up = np.full(mech.builds, np.inf), np.full(mech.builds, -np.inf)
        speed = [np.zeros(mech.builds), np.zeros(mech.builds)]
        for pair in find_pairs(machine):
            if not moved_by_droop_alone(pair) or side not in pair.sides:
                continue
            limits = droop_limits(mech, pair, look, margin=margin)
            gap = droop_gap(mech, pair)
            for i, (found, nearer) in enumerate(((limits.plus, limits.plus < down), (limits.minus, limits.minus > up))):
                at = np.where(np.isfinite(found), found, 0.0)
                step = LEVER_STEP_RAD if i == 0 else -LEVER_STEP_RAD
                closing = np.abs(gap.signed_mm(at - step, everyone) - gap.signed_mm(at, everyone)) / LEVER_STEP_RAD
                speed[i] = np.where(nearer, closing, speed[i])
            down, up = np.minimum(down, limits.plus), np.maximum(up, limits.minus)
        out.append(DroopTouch(side, down, up, speed[0], speed[1]))
    return out[0], out[1]
