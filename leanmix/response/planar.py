"""The machine from above: forces at its contacts to acceleration, and load that shifts fore and aft.

Frame: chassis axes at the balance point, x forward, y left (ISO 8855); forward speed u, sideways speed v, yaw rate
r, all of the balance point. Everything is elementwise over runs.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Array", "axle_loads_N", "planar_rates", "to_chassis", "track_shares"]

Array = NDArray[np.float64]
Value = Array | float


def axle_loads_N(weight_N: Value, ahead_m: Value, behind_m: Value, up_m: Value, push_g: Value) -> tuple[Array, Array]:
    """Load on the runners together and on the rear.

    Parameters
    ----------
    weight_N : float or ndarray
        All of it.
    ahead_m, behind_m : float or ndarray
        Balance point to the runners' contacts ahead of it, and to the rear's support behind it.
    up_m : float or ndarray
        Height of the balance point.
    push_g : float or ndarray
        Forward acceleration over gravity.

    Returns
    -------
    runners_N, rear_N : ndarray
    """
    base = np.asarray(ahead_m) + behind_m
    runners = weight_N * (behind_m - up_m * np.asarray(push_g)) / base
    return np.asarray(runners), np.asarray(weight_N - runners)


def to_chassis(along_N: Array, side_N: Array, cos_sin: tuple[Array, Array]) -> tuple[Array, Array]:
    """A contact's force along and across itself, turned by its steering angle into forward and left of the chassis."""
    c, s = cos_sin
    return along_N * c - side_N * s, along_N * s + side_N * c


def planar_rates(
    u: Value,
    v: Value,
    yaw_rate: Value,
    force_x_N: Value,
    force_y_N: Value,
    moment_N_m: Value,
    mass_kg: Value,
    inertia_kg_m2: Value,
) -> tuple[Any, Any, Any]:
    """Rates of forward speed, sideways speed and yaw rate, from the sums of force and moment at the balance point."""
    return force_x_N / mass_kg + v * yaw_rate, force_y_N / mass_kg - u * yaw_rate, moment_N_m / inertia_kg_m2


def track_shares(front_m: float, rear_m: float, load_m: float) -> tuple[Array, Array]:
    """Places along the rear's contact, with the share of load that each stands for.

    Parameters
    ----------
    front_m, rear_m : float
        Where the contact begins and ends, counted backwards from any one point.
    load_m : float
        Where its load rests; brought inside the contact.

    Returns
    -------
    places_m, shares : ndarray, shape (2,) or (1,)
        Gauss points of a pressure that changes evenly along the contact; where the load rests outside the middle
        third the contact is taken as shorter, as under a tipped block. The shares sum to 1 and their centre is
        `load_m`. A wheel (no length) has one place.
    """
    load = min(max(load_m, front_m), rear_m)
    length = rear_m - front_m
    if length <= 0:
        return np.array([load]), np.array([1.0])
    if load - front_m < length / 3:
        rear_m = front_m + 3 * max(load - front_m, 1e-6)
    elif rear_m - load < length / 3:
        front_m = rear_m - 3 * max(rear_m - load, 1e-6)
    half, middle = (rear_m - front_m) / 2, (rear_m + front_m) / 2
    gauss = np.array([-1.0, 1.0]) / np.sqrt(3.0)
    return middle + half * gauss, (1 + 3 * (load - middle) / half * gauss) / 2
