"""The balance in the form that the stops take it: where the suspension stands at each throw, standing still."""

from __future__ import annotations

import numpy as np

from leanmix.linkage import Array
from leanmix.machine import Machine, Numbers
from leanmix.stance.balance import balance
from leanmix.stance.setup import stance_setup
from leanmix.stops import States, StateSolver

__all__ = ["stance_states"]


def stance_states(machine: Machine, numbers: Numbers) -> StateSolver:
    """A solver for `leanmix.stops.find_stops`: the whole balance, with touches, shock ends and the rear's edge.

    Parameters
    ----------
    machine : Machine
        For what is not a number.
    numbers : Numbers
        Scalar, or of shape (builds,); throw then broadcasts against the builds.

    Raises
    ------
    GeometryError
        When a single machine cannot be assembled at neutral.
    """
    setup = stance_setup(machine, numbers)

    def solve(throw_rad: Array) -> States:
        stance = balance(setup, np.rad2deg(throw_rad))
        return States(
            throw_rad=np.broadcast_to(throw_rad, stance.lean_deg.shape),
            droop_left_rad=np.deg2rad(stance.droop_left_deg),
            droop_right_rad=np.deg2rad(stance.droop_right_deg),
            shock_left_N=stance.shock_left_N,
            shock_right_N=stance.shock_right_N,
            lean_deg=stance.lean_deg,
            load_left_N=stance.runner_load_left_N,
            load_right_N=stance.runner_load_right_N,
            sound=stance.ok,
        )

    return solve
