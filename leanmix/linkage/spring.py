"""The spring: what the runners carry at rest, the preload that makes it so, and the force at a length."""

from __future__ import annotations

import numpy as np

from leanmix.linkage.geometry import SideGeometry
from leanmix.linkage.planar import Array, Value
from leanmix.linkage.suspension import shock_between, suspension_pose, suspension_rates
from leanmix.machine import Numbers

__all__ = ["GRAVITY_M_PER_S2", "runner_loads_at_rest_N", "spring_force_N", "spring_preload_N"]

# standard gravity, CGPM 1901
GRAVITY_M_PER_S2 = 9.80665


def runner_loads_at_rest_N(numbers: Numbers) -> tuple[Array, Array]:
    """What the left and the right runner carry, standing level as measured.

    The runners' share follows from the longitudinal balance about the rear's support, its split from the balance
    point's place across; the rear is taken to press on the centreline.

    Parameters
    ----------
    numbers : Numbers
        The machine's numbers, scalar or (builds,).

    Returns
    -------
    left, right : ndarray
        Load on the board [N], the runner's own weight included; negative means that it would lift.
    """
    weight = numbers["chassis.mass_g"] * 1e-3 * GRAVITY_M_PER_S2
    rear = numbers["rear.load_behind_mm"]
    front = weight * (rear - numbers["chassis.cg_behind_mm"]) / rear
    left, right = numbers["left.suspension.contact.out_mm"], numbers["right.suspension.contact.out_mm"]
    moment = weight * numbers["chassis.cg_left_mm"]
    on_left = (front * right + moment) / (left + right)
    return np.asarray(on_left), np.asarray(front - on_left)


def spring_preload_N(geo: SideGeometry, numbers: Numbers, runner_load_N: Value) -> Array:
    """Spring force with the shock pulled right out.

    Parameters
    ----------
    geo : SideGeometry
        One side.
    numbers : Numbers
        The machine's numbers; ``shock.preload_N`` of this side is used where given.
    runner_load_N : float or ndarray
        What this side's runner carries as measured [N] (`runner_loads_at_rest_N`).

    Returns
    -------
    ndarray
        Preload [N]. Where the file leaves it out: what makes the machine stand as it was measured, from virtual
        work over a small droop. Negative when the spring is so stiff that it comes loose before the shock is
        right out.
    """
    key = f"{geo.side}.shock.preload_N"
    if key in numbers:
        return np.asarray(numbers[key], dtype=np.float64)
    pose = suspension_pose(geo, 0.0)
    rates = suspension_rates(geo, pose)
    shock = shock_between(geo, 0.0, pose, rates)
    sprung = runner_load_N - geo.unsprung_g * 1e-3 * GRAVITY_M_PER_S2
    needed = -sprung * rates.contact.up / shock.per_droop_mm_per_rad
    return np.asarray(needed - geo.rate_N_per_mm * (geo.length_max_mm - shock.length_mm))


def spring_force_N(geo: SideGeometry, preload_N: Value, length_mm: Value) -> Array:
    """Spring force pushing the shock's eyes apart at a length, ≥ 0 [N]; the shock's own ends are not in it.

    `preload_N` [N] and the shock's `length_mm` [mm] are floats or arrays that broadcast together.
    """
    return np.asarray(np.maximum(preload_N + geo.rate_N_per_mm * (geo.length_max_mm - length_mm), 0.0))
