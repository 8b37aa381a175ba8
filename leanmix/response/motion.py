"""One step of the machine in time: side-slip and yaw from above, heave and roll on stance's balance.

Method: the implicit midpoint rule with one Newton step from the predicted middle (second order, no damping of its
own), each of the two pairs of speeds (heave and roll, side-slip and yaw) solved together.
"""

from __future__ import annotations

import numpy as np

from leanmix.linkage import GRAVITY_M_PER_S2, Array
from leanmix.response.contact import Fixed, ground_forces
from leanmix.response.levers import pushes_mm
from leanmix.response.moving import move
from leanmix.response.state import Course, Motion
from leanmix.response.upright import foresee, look_at_balance
from leanmix.response.vehicle import Vehicle
from leanmix.stance.whole import Force

__all__ = ["advance", "start_motion"]


def start_motion(vehicle: Vehicle, course: Course, runs: int) -> Motion:
    """At rest on the springs, arm centred, going straight at the course's pace."""
    zero = np.zeros(runs)
    pair = np.zeros((2, runs))
    rest = np.broadcast_to(vehicle.rest, (4, runs))
    motion = Motion(
        u=np.broadcast_to(course.pace, (runs,)).copy(),
        v=zero.copy(),
        yaw_rate=zero.copy(),
        rise=rest[0] - vehicle.body.pivot * (1 - np.cos(rest[1])),
        roll=rest[1].copy(),
        rise_rate=zero.copy(),
        roll_rate=zero.copy(),
        roll_gain=zero.copy(),
        droop=rest[2:].copy(),
        droop_mid=rest[2:].copy(),
        bend=np.zeros((2 + len(vehicle.road.rear_at), runs)),
        load=pair.copy(),
        rear_load=zero.copy(),
        forward_g=zero.copy(),
        lateral_g=zero.copy(),
        shock=pair.copy(),
        reach=pair.copy(),
        grounded=np.ones((2, runs), dtype=bool),
        runner_share=pair.copy(),
        rear_share=np.zeros((len(vehicle.road.rear_at), runs)),
        rear_tilt=zero.copy(),
        rear_stands=np.ones(runs, dtype=bool),
        droop_z=pair.copy(),
        droop_r=pair.copy(),
        height=pair.copy(),
        load_before=pair.copy(),
        length=pair + vehicle.sides.shortest,
        length_droop=pair.copy(),
        length_push=pair.copy(),
        reach_z=pair.copy(),
        reach_r=pair.copy(),
    )
    neutral = pair + pushes_mm(vehicle.levers, np.zeros((1, 1)))
    look_at_balance(vehicle, motion, _felt(zero, zero + 1.0, pair), neutral, foresee(vehicle, motion, pair, 0.0))
    motion.load_before = motion.load.copy()
    return motion


def _felt(across: Array, pull_g: Array, ratio: Array) -> Force:
    down = -GRAVITY_M_PER_S2 * pull_g
    return Force(across, down, across / down, ratio)


def advance(
    vehicle: Vehicle,
    fixed: Fixed,
    m: Motion,
    steer_rad: Array,
    push_mm: Array,
    push_rate: Array,
    calm_per_s: float = 0.0,
) -> None:
    """Move all runs on by one step.

    Parameters
    ----------
    vehicle, fixed : Vehicle, Fixed
        The machine, and what it is driven on with which step.
    m : Motion
        Changed in place.
    steer_rad : ndarray, shape (runs,)
        Runners' mean angle in the middle of the step, + left.
    push_mm, push_rate : ndarray, shape (2, runs)
        Mounts in the middle of the step [mm] and their speed [mm/s].
    calm_per_s : float
        Extra damping of heave and roll while the machine is brought to rest before the start.
    """
    pull_g = fixed.cos_bank + m.u * m.yaw_rate * fixed.press
    ground = ground_forces(vehicle, fixed, m, steer_rad, pull_g)
    felt = _felt(ground.left_N / -vehicle.road.mass, pull_g, ground.ratio)
    then = foresee(vehicle, m, push_rate, fixed.step_s)
    move(fixed, m, look_at_balance(vehicle, m, felt, push_mm, then), ground, then.ahead, calm_per_s)
    m.runner_share, m.rear_share, m.rear_load = ground.runner_share, ground.rear_share, ground.rear_load
