"""What it stands on: the support polygon, the rigid tip limit, sliding first, speed against radius.

A turn to the left throws the machine to the right, so "turning left" tips over the right runner. Lateral g is the
horizontal acceleration over g; a bank is + with the left side of the road lower, which helps a left turn.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from leanmix.linkage import GRAVITY_M_PER_S2, Array, Value
from leanmix.stance.pose import Stance
from leanmix.stance.setup import Setup

__all__ = [
    "SIGN",
    "TURNS",
    "Turn",
    "reach_of_support_mm",
    "rigid_tip_g",
    "slide_g",
    "speed_m_per_s",
    "support_polygon_mm",
]

Turn = Literal["left", "right"]
TURNS: tuple[Turn, Turn] = ("left", "right")
SIGN = {"left": 1.0, "right": -1.0}


def support_polygon_mm(setup: Setup, stance: Stance) -> tuple[Array, Array]:
    """Corners of the support as (forward of the runners, left of the rear's middle).

    Parameters
    ----------
    setup : Setup
        The machine.
    stance : Stance
        A pose of shape ().

    Returns
    -------
    forward_mm, left_mm : ndarray, shape (6,)
        Left runner, right runner, then the rear's contact patch; in order round the machine.
    """
    n = setup.numbers
    front, rear = (
        -float(np.asarray(n["rear.contact_front_behind_mm"])),
        -float(np.asarray(n["rear.contact_rear_behind_mm"])),
    )
    half = float(np.asarray(n["rear.half_width_mm"]))
    left, right = float(stance.contact_left_mm), float(stance.contact_right_mm)
    return np.array([0.0, 0.0, front, rear, rear, front]), np.array([left, right, -half, -half, half, half])


def reach_of_support_mm(setup: Setup, stance: Stance, behind_mm: float) -> float:
    """How far the support reaches left of its middle, `behind_mm` behind the runners, in a pose of shape () [mm]."""
    return float(_edge_mm(setup, np.asarray(stance.contact_left_mm), np.asarray(behind_mm)))


def _edge_mm(setup: Setup, outer_mm: Array, behind_mm: Array | None = None) -> Array:
    """Width of the support abreast of the balance point, on the side of a runner `outer_mm` out (> 0)."""
    n = setup.numbers
    at = np.asarray(n["chassis.cg_behind_mm"] if behind_mm is None else behind_mm, dtype=np.float64)
    half = np.asarray(n["rear.half_width_mm"], dtype=np.float64)

    def towards(corner: str) -> Array:
        behind = np.asarray(n[f"rear.{corner}"], dtype=np.float64)
        return np.where(at <= behind, outer_mm + (half - outer_mm) * at / np.maximum(behind, 1e-9), half)

    # a convex outline: the further corner of the patch decides unless the nearer one stands out beyond the line to it
    return np.asarray(np.maximum(towards("contact_front_behind_mm"), towards("contact_rear_behind_mm")))


def rigid_tip_g(setup: Setup, stance: Stance, turn: Turn) -> Array:
    """Lateral g at which a rigid machine in this pose goes over an edge of its support.

    Parameters
    ----------
    setup : Setup
        The machine.
    stance : Stance
        The pose it is frozen in, with its bank.
    turn : {"left", "right"}
        Which way it turns.

    Returns
    -------
    ndarray
        (tan b + r) / (1 − r tan b), r = reach of the support beyond the balance point over its height, b the bank in
        favour of the turn; for a level road the static stability factor of a vehicle, T/2h, with the runners'
        track narrowed to what the support has abreast of the balance point.
    """
    sign = SIGN[turn]
    outer = -sign * (stance.contact_right_mm if turn == "left" else stance.contact_left_mm)
    reach = _edge_mm(setup, outer) + sign * stance.cg_left_mm
    ratio = reach / stance.cg_up_mm
    slope = np.tan(np.deg2rad(sign * stance.bank_deg))
    room = 1 - ratio * slope
    return np.asarray(np.where(room > 0, (slope + ratio) / np.where(room > 0, room, 1.0), np.inf))


def slide_g(grip: Value, turn: Turn = "left", bank_deg: Value = 0.0) -> Array:
    """Lateral g at which every contact slides, all using the same share of grip.

    Parameters
    ----------
    grip : float or ndarray
        Sideways grip over load.
    turn : {"left", "right"}
        Which way it turns.
    bank_deg : float or ndarray
        + with the left side of the road lower [deg].

    Returns
    -------
    ndarray
        (μ + tan b) / (1 − μ tan b), b the bank in favour of the turn (a body on an inclined plane).
    """
    slope = np.tan(np.deg2rad(SIGN[turn] * np.asarray(bank_deg, dtype=np.float64)))
    mu = np.asarray(grip, dtype=np.float64)
    room = 1 - mu * slope
    return np.asarray(np.where(room > 0, (mu + slope) / np.where(room > 0, room, 1.0), np.inf))


def speed_m_per_s(lateral_g: Value, radius_m: Value) -> Array:
    """Speed at which a turn of `radius_m` [m] takes `lateral_g` [g], floats or arrays: √(a g r) [m/s]."""
    return np.asarray(np.sqrt(np.asarray(lateral_g) * GRAVITY_M_PER_S2 * np.asarray(radius_m)))
