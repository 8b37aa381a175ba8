"""From the arm's angle to the mounts, and from the shocks back to the servo, fast enough for every step.

Mounts are in closed form. The torque that a newton in a shock asks of the servo, friction in the guide and all,
comes from the linkage at nodes of throw with the machine standing, and is taken in proportion to the shock's force
between them: guide forces are homogeneous in the load, and the shock's direction hardly changes with the pose.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import (
    SIDES,
    Array,
    SideGeometry,
    mount_pose,
    servo_load,
    shock_length,
    tip_up_rad,
)
from leanmix.machine import Machine, Numbers
from leanmix.stance import Setup, balance
from leanmix.stance.formula import NO_TABLE, Formula

Vectors = NDArray[np.complex128]

__all__ = ["Levers", "arm_levers", "pushes_mm", "shock_torque"]

NODES = 49
# stands for a jammed guide: past any servo's stall
JAMMED_N_MM = 1e6
# throw turns the left arm's tip up, the right one's down
SIGN = (1.0, -1.0)
# rows of a side in `Levers.mounts`
MOUNT_ROWS = 9
# where each side's nodes begin
SIDE_START: NDArray[np.intp] = np.array([[0], [NODES]])


@dataclass(frozen=True, slots=True)
class Levers:
    """Arm, links and guides of both sides; the last axis is runs (or 1).

    Attributes
    ----------
    mounts : ndarray, shape (18, runs)
        Left side, then right: from the arm's centre to the mount's ball at push 0, out and up [mm]; arm's sense out
        (+1, −1), radius [mm] and angle at throw 0 [rad]; link in the plane [mm]; the guide's way down, out and up;
        which of the two crossings it is (+1, −1).
    low, high : ndarray, shape (runs,)
        Throw within which both links reach [rad].
    first, per_spacing : ndarray, shape (runs,)
        First node and nodes for each radian.
    torque, torque_rise : ndarray of complex, shape (2, nodes, runs)
        Left and right side; torque for each newton in the shock against turning towards left lean as the real part,
        towards right lean as the imaginary part [N mm/N]; and what it rises by to the next node.
    """

    mounts: Array
    low: Array
    high: Array
    first: Array
    per_spacing: Array
    torque: Vectors
    torque_rise: Vectors


def _mount(geo: SideGeometry) -> list[list[float]]:
    """Rows of one side in `Levers.mounts`."""
    ball, centre, down = geo.ball, geo.arm_centre, geo.guide_down
    rows = (
        ball.out - centre.out, ball.up - centre.up, geo.arm_outward, geo.arm_radius_mm, geo.arm_rest_rad,
        geo.link_flat_mm, down.out, down.up, geo.push_branch,
    )  # fmt: skip
    return [[float(np.asarray(row))] for row in rows]


def arm_levers(machine: Machine, numbers: Numbers, setup: Setup) -> Levers:
    """Levers of one machine with scalar numbers."""
    travel = np.deg2rad(float(numbers["servo.travel_deg"]))
    low, high = _reach(setup.geometry, travel)
    throw = np.linspace(low, high, NODES)
    torque = _torque(machine, setup, throw)[..., None]
    return Levers(
        mounts=np.array([row for geo in setup.geometry for row in _mount(geo)]),
        low=np.array([low]),
        high=np.array([high]),
        first=np.array([low]),
        per_spacing=np.array([(NODES - 1) / (high - low)]),
        torque=torque,
        torque_rise=np.diff(torque, axis=1, append=torque[:, -1:]),
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


def _torque(machine: Machine, setup: Setup, throw: Array) -> Vectors:
    """Shape (2, nodes); see `Levers.torque`."""
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
    out = np.where(np.isfinite(out), out, JAMMED_N_MM)
    return np.asarray(out[0] + 1j * out[1])


def _pushes(mounts: Sequence[Any], _none: Sequence[Any], throws: Sequence[Any], *, servos: int) -> list[Any]:
    """See `pushes_mm`; one throw for both sides, or one each."""
    out = []
    for side, sign in enumerate(SIGN):
        to_out, to_up, outward, radius, rest, flat, down_out, down_up, branch = mounts[
            side * MOUNT_ROWS : (side + 1) * MOUNT_ROWS
        ]
        angle = rest + sign * throws[side if servos > 1 else 0]
        x, y = to_out - radius * (outward * np.cos(angle)), to_up - radius * np.sin(angle)
        # along the guide, and square to it
        along, across = x * down_out + y * down_up, np.abs(x * down_up - y * down_out)
        # (r − |across|)(r + |across|): no cancellation near grazing
        out.append(branch * np.sqrt((flat - across) * (flat + across)) - along)
    return out


PUSHES = {servos: Formula(partial(_pushes, servos=servos), (2 * MOUNT_ROWS, 0, servos)) for servos in (1, 2)}


def pushes_mm(levers: Levers, throw_rad: Array) -> Array:
    """Both mounts down their guides [mm], shape (2, runs), for each side's throw, shape (2, runs) or (1, runs).

    Where the guide's line runs through the circle of the link about the arm's ball; NaN out of its reach.
    """
    if throw_rad.shape[1] < levers.mounts.shape[1]:
        throw_rad = np.broadcast_to(throw_rad, (len(throw_rad), levers.mounts.shape[1]))
    return PUSHES[len(throw_rad)](levers.mounts, NO_TABLE, throw_rad)


def shock_torque(levers: Levers, throw_rad: Array, shock_N: Array) -> tuple[Array, Array]:
    """Torque against turning towards left lean, and towards right lean, each of shape (2 sides, runs) [N mm].

    Parameters
    ----------
    levers : Levers
        One build, or one for each run.
    throw_rad : ndarray, shape (2, runs) or (1, runs)
        Each side's throw.
    shock_N : ndarray, shape (2, runs)
        Force between each shock's eyes, + pushing them apart.
    """
    place = np.minimum(np.maximum((throw_rad - levers.first) * levers.per_spacing, 0.0), NODES - 1.001)
    cell = place.astype(np.intp)
    builds = levers.torque.shape[-1]
    index = cell + SIDE_START
    if builds > 1:
        index = index * builds + np.arange(builds)
    torque = levers.torque.reshape(-1).take(index) + (place - cell) * levers.torque_rise.reshape(-1).take(index)
    return torque.real * shock_N, torque.imag * shock_N
