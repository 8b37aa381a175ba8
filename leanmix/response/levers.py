"""From the arm's angle to the mounts, and from the shocks back to the servo, fast enough for every step.

Mounts are in closed form. The torque that a newton in a shock asks of the servo, friction in the guide and all,
comes from the linkage at nodes of throw with the machine standing, and is taken in proportion to the shock's force
between them: guide forces are homogeneous in the load, and the shock's direction hardly changes with the pose.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import (
    SIDES,
    Array,
    SideGeometry,
    Spot,
    circle_meets_line,
    mount_pose,
    servo_load,
    shock_length,
    tip_up_rad,
)
from leanmix.machine import Machine, Numbers
from leanmix.stance import Setup, balance

__all__ = ["Levers", "arm_levers", "pushes_mm", "shock_torque"]

NODES = 49
# stands for a jammed guide: past any servo's stall
JAMMED_N_MM = 1e6
SIGN: Array = np.array([[1.0], [-1.0]])


@dataclass(frozen=True, slots=True)
class Levers:
    """Arm, links and guides of both sides; the last axis is runs (or 1).

    Attributes
    ----------
    centre_out, centre_up, radius, outward, rest, flat, ball_out, ball_up, down_out, down_up, branch
        (2, runs), as in `SideGeometry`.
    low, high : ndarray, shape (runs,)
        Throw within which both links reach [rad].
    first, spacing : ndarray, shape (runs,)
        First node and distance of nodes [rad].
    torque : ndarray, shape (2, 2, nodes, runs)
        Turning towards left lean and towards right lean; left and right side; torque against that turn for each
        newton in the shock [N mm/N].
    """

    centre_out: Array
    centre_up: Array
    radius: Array
    outward: Array
    rest: Array
    flat: Array
    ball_out: Array
    ball_up: Array
    down_out: Array
    down_up: Array
    branch: Array
    low: Array
    high: Array
    first: Array
    spacing: Array
    torque: Array


def _both(left: object, right: object) -> Array:
    return np.stack([np.atleast_1d(np.asarray(v, dtype=np.float64)) for v in (left, right)])


def arm_levers(machine: Machine, numbers: Numbers, setup: Setup) -> Levers:
    """Levers of one machine with scalar numbers."""
    left, right = setup.geometry

    def both(name: str, part: str | None = None) -> Array:
        a, b = getattr(left, name), getattr(right, name)
        return _both(a, b) if part is None else _both(getattr(a, part), getattr(b, part))

    travel = np.deg2rad(float(numbers["servo.travel_deg"]))
    low, high = _reach(setup.geometry, travel)
    throw = np.linspace(low, high, NODES)
    return Levers(
        centre_out=both("arm_centre", "out"),
        centre_up=both("arm_centre", "up"),
        radius=both("arm_radius_mm"),
        outward=both("arm_outward"),
        rest=both("arm_rest_rad"),
        flat=both("link_flat_mm"),
        ball_out=both("ball", "out"),
        ball_up=both("ball", "up"),
        down_out=both("guide_down", "out"),
        down_up=both("guide_down", "up"),
        branch=both("push_branch"),
        low=np.array([low]),
        high=np.array([high]),
        first=np.array([low]),
        spacing=np.array([(high - low) / (NODES - 1)]),
        torque=_torque(machine, setup, throw)[..., None],
    )


def _reach(geometry: tuple[SideGeometry, SideGeometry], travel: float) -> tuple[float, float]:
    """The stretch of throw about neutral on which both links reach, a little inside it."""
    throw = np.linspace(-travel, travel, 1441)
    good = np.ones(throw.shape, dtype=bool)
    for geo, side in zip(geometry, SIDES, strict=True):
        good &= mount_pose(geo, tip_up_rad(throw, side)).in_reach
    middle = len(throw) // 2
    bad = np.flatnonzero(~good)
    first = bad[bad < middle].max(initial=-1) + 1
    last = bad[bad > middle].min(initial=len(throw)) - 1
    return float(throw[first]), float(throw[last])


def _torque(machine: Machine, setup: Setup, throw: Array) -> Array:
    """Shape (2, 2, nodes); see `Levers.torque`."""
    stance = balance(setup, np.rad2deg(throw))
    shocks = []
    for geo, side in zip(setup.geometry, SIDES, strict=True):
        push = mount_pose(geo, tip_up_rad(throw, side)).push_mm
        droop = np.deg2rad(stance.droop_left_deg if side == "left" else stance.droop_right_deg)
        known = np.flatnonzero(np.isfinite(droop))
        droop = np.interp(throw, throw[known], droop[known]) if known.size else np.zeros_like(throw)
        shocks.append((1.0, shock_length(geo, push, droop).along))
    out = np.empty((2, 2, len(throw)))
    for i, way in enumerate((1.0, -1.0)):
        load = servo_load(machine, *setup.geometry, throw, shocks[0], shocks[1], way=way)
        out[i, 0] = way * load.left.tip_up_torque_N_mm
        out[i, 1] = -way * load.right.tip_up_torque_N_mm
    return np.where(np.isfinite(out), out, JAMMED_N_MM)


def pushes_mm(levers: Levers, throw_rad: Array) -> Array:
    """Both mounts down their guides [mm], shape (2, runs), for each side's throw, shape (2, runs) or (1, runs)."""
    angle = levers.rest + SIGN * throw_rad
    tip = Spot(
        levers.centre_out + levers.outward * levers.radius * np.cos(angle),
        levers.centre_up + levers.radius * np.sin(angle),
    )
    push, _ = circle_meets_line(
        tip, levers.flat, Spot(levers.ball_out, levers.ball_up), Spot(levers.down_out, levers.down_up), levers.branch
    )
    return np.asarray(push)


def shock_torque(levers: Levers, throw_rad: Array, shock_N: Array) -> Array:
    """Torque against turning, shape (2 ways, 2 sides, runs) [N mm].

    Parameters
    ----------
    levers : Levers
        One build, or one for each run.
    throw_rad : ndarray, shape (2, runs) or (1, runs)
        Each side's throw.
    shock_N : ndarray, shape (2, runs)
        Force between each shock's eyes, + pushing them apart.
    """
    place = np.minimum(np.maximum((throw_rad - levers.first) / levers.spacing, 0.0), NODES - 1.001)
    cell = place.astype(np.intp)
    share = place - cell
    side: NDArray[np.intp] = np.arange(2)[:, None]
    if levers.torque.shape[-1] == 1:
        low, high = levers.torque[:, side, cell, 0], levers.torque[:, side, cell + 1, 0]
    else:
        run: NDArray[np.intp] = np.arange(levers.torque.shape[-1])
        low, high = levers.torque[:, side, cell, run], levers.torque[:, side, cell + 1, run]
    return np.asarray((low + share * (high - low)) * shock_N)
