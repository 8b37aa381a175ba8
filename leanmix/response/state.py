"""Where runs are and how they move, and what they are driven on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import Array

__all__ = ["Course", "Motion"]


@dataclass(frozen=True, slots=True)
class Course:
    """What does not change while driving; arrays of shape (runs,) or (1,).

    Attributes
    ----------
    grip
        Sideways grip over load.
    drag
        Drag over load.
    bank_rad
        + ground falls to the left.
    slide_runner, slide_rear
        Tangent of the slip angle at which a contact slides outright.
    pace
        Speed that the drive holds [m/s].
    push_g
        Most forward acceleration of the drive over g; 0 coasts.
    """

    grip: Array
    drag: Array
    bank_rad: Array
    slide_runner: Array
    slide_rear: Array
    pace: Array
    push_g: Array


@dataclass(slots=True)
class Motion:
    """Where all runs are and how they move; changed in place by `advance`. Shapes (runs,) unless said.

    Attributes
    ----------
    u, v, yaw_rate
        Forward and sideways speed of the balance point [m/s]; rad/s, + left.
    rise, roll, rise_rate, roll_rate
        Heave of the pivot's axis over the runners [mm], roll [rad], and their rates.
    roll_gain
        Half of roll rate's last change.
    droop, droop_mid : (2, runs)
        Lower arms at the step's start and as predicted for its middle [rad].
    bend : (2 + places, runs)
        Bristles of left and right runner and of the rear's places [m].
    load, load_before : (2, runs)
        Runner loads [N], and those a step before; of a runner that has just landed, its load now.
    rear_load, forward_g, lateral_g
        N; accelerations over g; lateral is what the machine feels along its road, + turning left.
    shock : (2, runs)
        Force between the shocks' eyes [N], dampers in it.
    reach : (2, runs)
        Contacts left of the rear's pivot [mm].
    grounded : (2, runs)
    runner_share, rear_share : (2, runs), (places, runs)
        Share of the side grip in use, −1…1.
    rear_tilt, rear_stands
        Tilt of the rear's foot about its edge [rad, + left side up], and whether it still stands on it.
    """

    u: Array
    v: Array
    yaw_rate: Array
    rise: Array
    roll: Array
    rise_rate: Array
    roll_rate: Array
    roll_gain: Array
    droop: Array
    droop_mid: Array
    bend: Array
    load: Array
    rear_load: Array
    forward_g: Array
    lateral_g: Array
    shock: Array
    reach: Array
    grounded: NDArray[np.bool_]
    runner_share: Array
    rear_share: Array
    rear_tilt: Array
    rear_stands: NDArray[np.bool_]
    # from the last step: how droop, shock and contact follow heave and roll
    droop_z: Array
    droop_r: Array
    height: Array
    load_before: Array
    length: Array
    length_droop: Array
    length_push: Array
    reach_z: Array
    reach_r: Array
