"""When it tips: the rigid support polygon, the machine on its springs, sliding first, speed against radius.

A turn to the left throws the machine to the right, so "turning left" tips over the right runner. Lateral g is the
horizontal acceleration over g; a bank is + with the left side of the road lower, which helps a left turn.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import Array, Value
from leanmix.stance.balance import balance
from leanmix.stance.pose import Stance
from leanmix.stance.setup import Setup

__all__ = [
    "GRAVITY_M_PER_S2",
    "TIP_MOST_G",
    "TURNS",
    "TipLimits",
    "reach_of_support_mm",
    "rigid_tip_g",
    "slide_g",
    "speed_m_per_s",
    "support_polygon_mm",
    "tip_limits",
]

Turn = Literal["left", "right"]
TURNS: tuple[Turn, Turn] = ("left", "right")
SIGN = {"left": 1.0, "right": -1.0}
GRAVITY_M_PER_S2 = 9.80665

TIP_MOST_G = 4.0
SCAN_POINTS = 41
REFINE_ROUNDS = 2
REFINE_POINTS = 39
LOADED_N = 1e-9


@dataclass(frozen=True, slots=True)
class TipLimits:
    """Lateral g at which a machine goes over; every array has the broadcast shape of throws (and builds, last).

    NaN where the machine does not even stand.

    Attributes
    ----------
    turn : str
        Turning "left" or "right".
    throw_deg, bank_deg : ndarray
        What was asked.
    lean_deg : ndarray
        Lean standing still on that bank, + left.
    rigid_g : ndarray
        By the support polygon, as if the machine were rigid in the pose it stands in.
    sprung_g : ndarray
        On its springs: where nothing holds it any more (the fold, K → 0), to 1e-4 g; `TIP_MOST_G` where it holds that long.
    lift_g : ndarray
        Where the inner runner leaves the road; equal to `sprung_g` where it tips without lifting first.
    """

    turn: Turn
    throw_deg: Array
    bank_deg: Array
    lean_deg: Array
    rigid_g: Array
    sprung_g: Array
    lift_g: Array


def tip_limits(setup: Setup, throw_deg: Value = 0.0, turn: Turn = "left", bank_deg: Value = 0.0) -> TipLimits:
    """Find the tip limits of a machine, on its springs and rigid.

    Parameters
    ----------
    setup : Setup
        From `stance_setup`.
    throw_deg : float or ndarray
        Servo arm from neutral, + leans left [deg]; broadcasts against the builds as in `balance`.
    turn : {"left", "right"}
        Which way it turns.
    bank_deg : float or ndarray
        Slope of the road across, + with its left side lower [deg].

    Returns
    -------
    TipLimits
    """
    standing = balance(setup, throw_deg, 0.0, bank_deg)
    throw, bank = standing.throw_deg, standing.bank_deg
    sign = SIGN[turn]

    def turning(at_g: Array) -> Stance:
        """Balance at lateral accelerations of shape (points, *shape)."""
        return balance(setup, np.broadcast_to(throw, at_g.shape), sign * at_g, np.broadcast_to(bank, at_g.shape))

    def holds(stance: Stance) -> NDArray[np.bool_]:
        return stance.ok

    def inner_down(stance: Stance) -> NDArray[np.bool_]:
        load = stance.runner_load_left_N if turn == "left" else stance.runner_load_right_N
        return stance.ok & (np.nan_to_num(load) > LOADED_N)

    column = (-1, *(1,) * throw.ndim)
    scanned = turning(
        np.broadcast_to(np.linspace(0.0, TIP_MOST_G, SCAN_POINTS).reshape(column), (SCAN_POINTS, *throw.shape))
    )
    tests = (holds, inner_down)
    # how many points from 0 g on pass in one run, for each test
    runs = [np.cumprod(test(scanned), axis=0).sum(axis=0) for test in tests]
    width = TIP_MOST_G / (SCAN_POINTS - 1)
    lows = [np.maximum(run - 1, 0) * width for run in runs]
    highs = [np.minimum(run * width, TIP_MOST_G) for run in runs]
    share = np.linspace(0, 1, REFINE_POINTS + 2)[1:-1].reshape(column)
    for _ in range(REFINE_ROUNDS):
        # one call for both, since a call's cost lies in its longest path and hardly in how many there are
        between = [low + share * (high - low) for low, high in zip(lows, highs, strict=True)]
        stance = turning(np.stack(between, axis=1))
        for i, test in enumerate(tests):
            passed = np.cumprod(test(stance)[:, i], axis=0).sum(axis=0)
            step = (highs[i] - lows[i]) / (REFINE_POINTS + 1)
            highs[i] = lows[i] + np.minimum(passed + 1, REFINE_POINTS + 1) * step
            lows[i] = lows[i] + passed * step
    found = [np.where(standing.ok, np.where(run > 0, low, 0.0), np.nan) for run, low in zip(runs, lows, strict=True)]
    return TipLimits(
        turn=turn,
        throw_deg=throw,
        bank_deg=bank,
        lean_deg=standing.lean_deg,
        rigid_g=rigid_tip_g(setup, standing, turn),
        sprung_g=found[0],
        lift_g=np.fmin(found[1], found[0]),
    )


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
    """How far the support reaches left of its middle, so far behind the runners, in a pose of shape () [mm]."""
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
    """Speed at which a turn of a radius takes a lateral acceleration: √(a g r) [m/s]."""
    return np.asarray(np.sqrt(np.asarray(lateral_g) * GRAVITY_M_PER_S2 * np.asarray(radius_m)))
