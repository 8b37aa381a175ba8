"""One round of Newton's method towards balance, as a formula: a step no longer than it can be trusted."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np

from leanmix.linkage import Array
from leanmix.stance.formula import Formula
from leanmix.stance.rig import BodyRows, Rows, Side, Sides
from leanmix.stance.whole import SIZES, Index, Whole, balance_of, run, step_of, wrong_side

__all__ = [
    "DONE",
    "GROUNDED",
    "NEWTON",
    "POSE",
    "STIFF",
    "TOLD",
    "one_step",
    "push_past_stop",
    "settle",
]

# steps of heave and droop are judged as if roll and droop acted at this arm [mm]
ARM_MM = 100.0
# how far into a stop a first step may go [mm, or rad for an arm on the chassis]
JUST_IN = 1e-4
# heave [mm], roll, droop [rad]
LONGEST_STEP = (20.0, 0.12, 0.25)

ROUNDS = 10
# rows of what `settle` finds
POSE, SIZE, DONE, STIFF, GROUNDED = slice(2, 6), 6, 7, 8, slice(9, 11)
TOLD = 11
TILT, HEIGHT = Rows._fields.index("tilt"), Rows._fields.index("height")
ON = slice(Rows._fields.index("on_left"), Rows._fields.index("on_right") + 1)


def push_past_stop(s: Side | Sides, length: Any, length_droop: Any, droop: Any, step: Any) -> Any:
    """Share of a side's step of droop after which a stop is only just touched: further in, slopes are others."""
    then, turned = length + length_droop * step, droop + step
    share: Any = 1.0
    for now, later, edge, sign in (
        (length, then, s.longest, 1.0),
        (length, then, s.shortest, -1.0),
        (droop, turned, s.touch_low, 1.0),
        (droop, turned, s.touch_high, -1.0),
    ):
        outside, deep = (now < edge, later > edge + JUST_IN) if sign > 0 else (now > edge, later < edge - JUST_IN)
        enters = outside & deep
        part = (edge + sign * JUST_IN / 2 - now) / np.where(enters, later - now, 1.0)
        share = np.where(enters, np.minimum(share, part), share)
    return share


def one_step(left: Side, right: Side, x: Rows, w: Whole, tolerance: Any) -> tuple[Any, ...]:
    """What `settle` finds in one round, after the first two rows."""
    heave, roll, stiffness = step_of(w)
    grounded = (x.on_left > 0.0, x.on_right > 0.0)
    droops, wrongs = [], []
    share: Any = 1.0
    for i, (s, droop) in enumerate(((left, x.droop_left), (right, x.droop_right))):
        step = w.droop_0[i] + w.droop_heave[i] * heave + w.droop_roll[i] * roll
        share = np.minimum(share, push_past_stop(s, w.length[i], w.length_droop[i], droop, step))
        wrongs.append(wrong_side(grounded[i], w.load[i], w.height[i]))
        droops.append(step)
    up, turn, most = np.abs(heave), np.abs(roll), np.maximum(np.abs(droops[0]), np.abs(droops[1]))
    size = np.maximum(up, ARM_MM * np.maximum(turn, most))
    close = size < tolerance
    longest = np.maximum(np.maximum(up / LONGEST_STEP[0], turn / LONGEST_STEP[1]), most / LONGEST_STEP[2])
    share = np.where(close, 1.0, np.minimum(share, 1.0 / np.maximum(longest, 1.0)))
    wrong_left, wrong_right = (close & wrong for wrong in wrongs)
    return (
        x.heave + share * heave,
        x.roll + share * roll,
        np.maximum(np.minimum(x.droop_left + share * droops[0], left.droop_max), left.droop_min),
        np.maximum(np.minimum(x.droop_right + share * droops[1], right.droop_max), right.droop_min),
        size,
        np.where(close & ~(wrong_left | wrong_right), 1.0, 0.0),
        np.where(w.lift_heave < 0.0, stiffness, -np.inf),
        np.where(wrong_left, 1.0 - x.on_left, x.on_left),
        np.where(wrong_right, 1.0 - x.on_right, x.on_right),
    )


def _newton(sides: list[Any], body_rows: list[Any], given: list[Any], any_on_upper: bool) -> tuple[Any, ...]:
    past, tips, w = balance_of(sides, body_rows, given[:-1], any_on_upper)
    return past, tips, *one_step(Side(*sides[::2]), Side(*sides[1::2]), Rows(*given[:-1]), w, given[-1])


NEWTON = {
    upper: Formula(partial(_newton, any_on_upper=upper), (SIZES[0], SIZES[1], SIZES[2] + 1)) for upper in (False, True)
}


def settle(formula: Formula, side_table: Array, body_table: Array, rows: Array) -> Array:
    """Step until the steps are small enough, or `ROUNDS` times.

    Parameters
    ----------
    formula : Formula
        `NEWTON`, or one whose results begin with the same rows.
    side_table, body_table : ndarray, shape (rows, n) or (rows, 1)
        Rows of `Side`, left and right in turn, and of `BodyRows`.
    rows : ndarray, shape (rows, n)
        Of `Rows`, then the last step allowed [mm]; written over.

    Returns
    -------
    ndarray, shape (rows, n)
        Of each pose's last round. Under `POSE` the pose after the step, `SIZE` the step's size [mm], `DONE` whether it
        was small enough and both runners are on their right side, `STIFF` the resistance to roll before the step
        [N mm/rad], −inf where nothing holds the machine up, `GROUNDED` which runners stand on the road.
    """
    out = found = _round(formula, side_table, body_table, rows)
    active: Index | None = None
    for _ in range(ROUNDS - 1):
        going = (found[DONE] == 0.0) & np.isfinite(found[SIZE])
        go_on = np.flatnonzero(going)
        if not go_on.size:
            break
        if go_on.size < going.size:
            rows, found = rows.take(go_on, axis=1), found[:TOLD].take(go_on, axis=1)
            side_table, body_table = (t if t.shape[1] == 1 else t.take(go_on, axis=1) for t in (side_table, body_table))
            active = go_on if active is None else active[go_on]
        rows[:4], rows[ON] = found[POSE], found[GROUNDED]
        rows[TILT : len(Rows._fields)], rows[HEIGHT] = 0.0, body_table[BodyRows._fields.index("pivot")]
        found = _round(formula, side_table, body_table, rows)
        if active is None:
            out = found
        else:
            out[:, active] = found
    return out


def _round(formula: Formula, side_table: Array, body_table: Array, rows: Array) -> Array:
    out, tips, _, stands = run(formula, side_table, body_table, rows)
    if tips.size:
        out[STIFF, tips[~stands]] = -np.inf
    return out
