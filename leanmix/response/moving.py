"""The end of a step: heave and roll together, side-slip and yaw together, and the bristles that they drag along."""

from __future__ import annotations

from functools import partial
from typing import Any, NamedTuple

import numpy as np

from leanmix.linkage import Array
from leanmix.response.contact import Fixed, Ground, Moved, bristles_after
from leanmix.response.planar import planar_rates
from leanmix.response.state import Motion
from leanmix.response.upright import Vertical
from leanmix.stance.formula import Formula

__all__ = ["move"]


class _Given(NamedTuple):
    """Rows of `Motion`, `Vertical` and `Ground`; `ahead_s` is where the forces were taken, see `Foreseen`."""

    ahead_s: Array
    u: Array
    v: Array
    yaw_rate: Array
    rise: Array
    roll: Array
    rise_rate: Array
    roll_rate: Array
    forward_g: Array
    droop_left: Array
    droop_right: Array
    droop_z_left: Array
    droop_z_right: Array
    droop_r_left: Array
    droop_r_right: Array
    droop_0_left: Array
    droop_0_right: Array
    lift: Array
    moment: Array
    zz: Array
    zr: Array
    rz: Array
    rr: Array
    c_zz: Array
    c_zr: Array
    c_rr: Array
    forward_N: Array
    left_N: Array
    turn_N_m: Array
    per_v: Array
    per_vr: Array
    per_r: Array
    roll_damp: Array
    met_roll_rate: Array
    lever_left: Array
    lever_right: Array


def _move(fixed_rows: list[Any], calm_rows: list[Any], given: list[Any], places: int) -> tuple[Any, ...]:
    """Everything at the step's end as a formula: rows of `Moved`, the rear's places and the bends; of `_Given`, the bristles."""
    count, contacts = len(Moved._fields), 2 + places
    w, rear_at, full = Moved(*fixed_rows[:count]), fixed_rows[count : count + places], fixed_rows[count + places :]
    x, bend, bend_per = _Given(*given[: -2 * contacts]), given[-2 * contacts : -contacts], given[-contacts:]
    calm, ahead, step, half = calm_rows[0], x.ahead_s, w.step_s, w.step_s * 0.5

    mass, turn = w.heave_mass, w.roll_inertia
    lift = x.lift + w.shift * x.forward_g - calm * mass * x.rise_rate
    moment = x.moment - calm * turn * x.roll_rate
    a = mass + ahead * (x.c_zz + ahead * x.zz + calm * mass)
    d = turn + ahead * (x.c_rr + x.roll_damp + ahead * x.rr + calm * turn)
    b, c = ahead * (x.c_zr + ahead * x.zr), ahead * (x.c_zr + ahead * x.rz)
    share = ahead / (a * d - b * c)
    rise_gain, roll_gain = share * (lift * d - moment * b), share * (moment * a - lift * c)
    # from where the droops were settled to the step's end, by the rates at that place
    rise, roll = step * (x.rise_rate + rise_gain), step * (x.roll_rate + roll_gain)
    to_end_z, to_end_r = rise - ahead * x.rise_rate, roll - ahead * x.roll_rate
    droop_left = x.droop_left + x.droop_0_left + (x.droop_z_left * to_end_z + x.droop_r_left * to_end_r)
    droop_right = x.droop_right + x.droop_0_right + (x.droop_z_right * to_end_z + x.droop_r_right * to_end_r)
    whole_step = step / ahead
    rise_gain, roll_gain = whole_step * rise_gain, whole_step * roll_gain

    forward, across, yaw = planar_rates(
        x.u, x.v, x.yaw_rate, x.forward_N, x.left_N + w.downhill, x.turn_N_m, w.mass, w.yaw_inertia
    )
    # Newton's step of the implicit rule for (v, yaw rate); the ground's grip and the turning frame couple them
    per_mass, per_turn = half / w.mass, half / w.yaw_inertia
    a, b = 1.0 + x.per_v * per_mass, x.per_vr * per_mass + half * x.u
    c, d = x.per_vr * per_turn, 1.0 + x.per_r * per_turn
    twice = step / (a * d - b * c)
    v_gain, yaw_gain = twice * (across * d - yaw * b), twice * (yaw * a - across * c)
    half_roll = roll_gain * 0.5
    mean_gain = (v_gain * 0.5, yaw_gain * 0.5, x.roll_rate + half_roll - x.met_roll_rate)
    return (
        x.u + step * forward, x.v + v_gain, x.yaw_rate + yaw_gain, x.rise + rise, x.roll + roll,
        x.rise_rate + rise_gain, x.roll_rate + roll_gain, half_roll, x.forward_N / w.weight, x.left_N / w.weight,
        np.minimum(np.maximum(droop_left, w.droop_min_left), w.droop_max_left),
        np.minimum(np.maximum(droop_right, w.droop_min_right), w.droop_max_right),
        *bristles_after(bend, bend_per, mean_gain, (x.lever_left, x.lever_right), (w.ahead, w.sway), rear_at, full),
    )  # fmt: skip


MOVE = {
    places: Formula(
        partial(_move, places=places),
        (len(Moved._fields) + 2 + 2 * places, 1, len(_Given._fields) + 2 * (2 + places)),
    )
    for places in (1, 2)
}


def move(fixed: Fixed, m: Motion, f: Vertical, ground: Ground, ahead: Array, calm_per_s: float) -> None:
    """Bring everything to the step's end.

    Parameters
    ----------
    fixed : Fixed
        What it is driven on with which step.
    m : Motion
        Changed in place.
    f, ground : Vertical, Ground
        What the springs and the ground do, `ahead` seconds on.
    ahead : ndarray, shape (runs,)
        See `Foreseen` [s].
    calm_per_s : float
        As in `advance`.
    """
    contacts, first = len(m.bend), len(_Given._fields)
    rows = np.empty((first + 2 * contacts, len(m.u)))
    (
        rows[0], rows[1], rows[2], rows[3], rows[4], rows[5], rows[6], rows[7], rows[8], rows[9:11], rows[11:13],
        rows[13:15], rows[15:17], rows[17], rows[18], rows[19], rows[20], rows[21], rows[22], rows[23], rows[24],
        rows[25], rows[26], rows[27], rows[28], rows[29], rows[30], rows[31], rows[32], rows[33], rows[34:36],
    ) = (
        ahead, m.u, m.v, m.yaw_rate, m.rise, m.roll, m.rise_rate, m.roll_rate, m.forward_g, m.droop_mid, m.droop_z,
        m.droop_r, f.droop_0, f.lift, f.moment, *f.stiff, *f.damp, ground.forward_N, ground.left_N, ground.turn_N_m,
        ground.per_v, ground.per_vr, ground.per_r, ground.roll_damp, ground.roll_rate, ground.lever,
    )  # fmt: skip
    rows[first : first + contacts], rows[first + contacts :] = ground.bend, ground.bend_per
    out = MOVE[contacts - 2](fixed.moving, np.full((1, 1), calm_per_s), rows)
    m.u, m.v, m.yaw_rate, m.rise, m.roll, m.rise_rate, m.roll_rate, m.roll_gain, m.forward_g, m.lateral_g = out[:10]
    m.droop, m.bend = out[10:12], out[12:]
