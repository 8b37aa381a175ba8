"""Where the suspension stands over the throw: what stops takes from a balance, and a simple one of its own.

Which droop each side takes while the mounts move is a matter of balance, which is the stance's job and comes
after this stage. So everything here that depends on it takes a `StateSolver`: a function from throw to `States`.
`stance` can hand one in; on its own this package uses `parked_balance`.

`parked_balance` is the plain case: flat board, standing still, both runners down and free to slide sideways, the
rear holding its own height and resisting lean with its roll stiffness, and nothing in the way of the suspension
arms. So it also answers what a touch costs: it gives the lean there would be without it. A shock pulled right
out or pushed right in goes on as a spring twenty times as stiff. Where a runner would lift, the rear goes onto
its edge or friction holds the machine, it is not to be used; `States.sound` is False where a runner carries less
than nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import (
    GRAVITY_M_PER_S2,
    SIDES,
    Array,
    SideGeometry,
    Spot,
    Value,
    mount_push_mm,
    runner_loads_at_rest_N,
    side_geometry,
    spring_preload_N,
    suspension_sweep,
    tip_up_rad,
)
from leanmix.machine import Machine, Numbers

__all__ = ["MakeStates", "StateSolver", "States", "parked_balance"]

# how much stiffer a shock at its end is than its spring
END_STIFFNESS = 20.0
STEPS_MAX = 60
STEP_RAD_MAX = 0.15
# Newton's step squares the error, so after one as small as this nothing remains
SETTLED_RAD = 1e-6
# from so many builds on each throw starts from the ones before it, which saves more than it costs
ROW_BY_ROW = 64
# throws of one build that are enough to start others from
MANY = 32


@dataclass(frozen=True, slots=True)
class States:
    """Where the machine settles at each throw; every array has the broadcast shape of throw and builds.

    Attributes
    ----------
    throw_rad : ndarray
        Throw, + leans left.
    droop_left_rad, droop_right_rad : ndarray
        Lower arms' angles from the measured pose, + outer end down.
    shock_left_N, shock_right_N : ndarray
        Force in each shock, + pushing its eyes apart.
    lean_deg : ndarray
        Lean, + left.
    load_left_N, load_right_N : ndarray
        On the board under each runner.
    sound : ndarray of bool
        False where the balance did not settle (the others are NaN there) or its assumptions fail.
    """

    throw_rad: Array
    droop_left_rad: Array
    droop_right_rad: Array
    shock_left_N: Array
    shock_right_N: Array
    lean_deg: Array
    load_left_N: Array
    load_right_N: Array
    sound: NDArray[np.bool_]


StateSolver: TypeAlias = Callable[[Array], States]
MakeStates: TypeAlias = Callable[[Machine, Numbers], StateSolver]


@dataclass(frozen=True, slots=True)
class _SideNow:
    """One side at a droop, in chassis axes (left, up)."""

    contact: Spot
    contact_rate: Spot
    contact_curve: Spot
    shock_N: Array
    pull: Array
    pull_rate: Array


def _side_now(geo: SideGeometry, preload: Value, push: Value, droop: Array) -> _SideNow:
    sweep = suspension_sweep(geo, droop)
    mirror = 1.0 if geo.side == "left" else -1.0
    down = geo.guide_down
    out = geo.eye.out + push * down.out - sweep.eye.out
    up = geo.eye.up + push * down.up - sweep.eye.up
    length = np.sqrt(out * out + up * up)
    w_out, w_up = out / length, up / length
    rate = -(w_out * sweep.eye_rate.out + w_up * sweep.eye_rate.up)
    curve = (sweep.eye_rate.out**2 + sweep.eye_rate.up**2 - rate**2) / length
    curve = curve - (w_out * sweep.eye_curve.out + w_up * sweep.eye_curve.up)
    # straight on beyond either end, only stiffer
    k, longest, shortest = geo.rate_N_per_mm, geo.length_max_mm, geo.length_min_mm
    beyond = np.maximum(length - longest, 0.0) + np.minimum(length - shortest, 0.0)
    force = preload + k * (longest - length) - (END_STIFFNESS - 1) * k * beyond
    stiffness = np.where(beyond == 0, k, END_STIFFNESS * k)

    def chassis(v: Spot) -> Spot:
        return Spot(mirror * v.out, v.up)

    return _SideNow(
        contact=chassis(sweep.contact),
        contact_rate=chassis(sweep.contact_rate),
        contact_curve=chassis(sweep.contact_curve),
        shock_N=np.asarray(force),
        pull=np.asarray(force * rate),
        pull_rate=np.asarray(force * curve - stiffness * rate**2),
    )


def _dot(a: Spot, b: Spot) -> Value:
    return a.out * b.out + a.up * b.up


def parked_balance(machine: Machine, numbers: Numbers) -> StateSolver:
    """A solver for the machine standing still on a flat board, both runners down; see the module's text.

    Parameters
    ----------
    machine : Machine
        For what is not a number.
    numbers : Numbers
        Scalar, or of shape (builds,); throw then broadcasts against the builds.

    Returns
    -------
    StateSolver
        Newton's method on the two droops with exact slopes, from neutral; settles to 1e-12 rad.
    """
    geos = tuple(side_geometry(machine, numbers, side) for side in SIDES)
    preloads = tuple(
        spring_preload_N(g, numbers, load) for g, load in zip(geos, runner_loads_at_rest_N(numbers), strict=True)
    )
    per_g = 1e-3 * GRAVITY_M_PER_S2
    unsprung = tuple(np.asarray(g.unsprung_g * per_g) for g in geos)
    weight = numbers["chassis.mass_g"] * per_g
    rear_weight = numbers["rear.mass_g"] * per_g
    rear_at = numbers["rear.load_behind_mm"]
    front = weight * (rear_at - numbers["chassis.cg_behind_mm"]) / rear_at
    sprung = weight - rear_weight - unsprung[0] - unsprung[1]
    runner_up = tuple(
        np.where(np.asarray(g.runner_radius_mm) > 0, g.runner_radius_mm, g.lower_ball.up / 2) for g in geos
    )
    # the whole machine's balance point less what does not lean with it
    cg_left = weight * numbers["chassis.cg_left_mm"] - (
        unsprung[0] * geos[0].contact.out - unsprung[1] * geos[1].contact.out
    )
    cg_up = weight * numbers["chassis.cg_up_mm"] - rear_weight * numbers["rear.mass_up_mm"]
    cg_up = cg_up - unsprung[0] * runner_up[0] - unsprung[1] * runner_up[1]
    pivot_up = numbers["rear.pivot_up_mm"]
    arm = Spot(cg_left / sprung, cg_up / sprung - pivot_up)
    stiffness = 1e3 * numbers["rear.roll_stiffness_N_m_per_rad"]

    setting = _Setting(geos, preloads, unsprung, np.asarray(front), np.asarray(sprung), arm, pivot_up, stiffness)
    known = _Known() if all(np.size(v) == 1 for v in numbers.values()) else None

    def solve(throw_rad: Array) -> States:
        throw = np.asarray(throw_rad, dtype=np.float64)
        push = tuple(np.asarray(mount_push_mm(g, tip_up_rad(throw, g.side))) for g in geos)
        shape = np.broadcast(throw, push[0], push[1], setting.sprung, preloads[0]).shape
        throw = np.broadcast_to(throw, shape)
        if known is not None and len(shape) == 1:
            solved = _settle(setting, push, known.start(throw))
            known.keep(throw, solved[0], solved[4])
        elif len(shape) < 2 or shape[-1] < ROW_BY_ROW:
            solved = _settle(setting, push, (np.zeros(shape), np.zeros(shape)))
        else:
            solved = _rows_settled(setting, throw, tuple(np.broadcast_to(p, shape) for p in push))
        *both_sides, lean, settled = solved
        # what did not settle is told by none of its figures
        droop, loads, shocks = ([np.where(settled, v, np.nan) for v in pair] for pair in both_sides)
        return States(
            throw_rad=throw,
            droop_left_rad=droop[0],
            droop_right_rad=droop[1],
            shock_left_N=shocks[0],
            shock_right_N=shocks[1],
            lean_deg=np.where(settled, lean, np.nan),
            load_left_N=loads[0],
            load_right_N=loads[1],
            sound=settled & (loads[0] >= 0) & (loads[1] >= 0),
        )

    return solve


@dataclass(frozen=True, slots=True)
class _Setting:
    """What stays while the mounts move."""

    geos: tuple[SideGeometry, ...]
    preloads: tuple[Array, ...]
    unsprung: tuple[Array, ...]
    front: Array
    sprung: Array
    arm: Spot
    pivot_up: Value
    stiffness: Value


_Both: TypeAlias = tuple[Array, Array]
_Solved: TypeAlias = tuple[_Both, _Both, _Both, Array, NDArray[np.bool_]]


class _Known:
    """Droops of the first many throws that one build settled at, for others of its throws to start from."""

    def __init__(self) -> None:
        self._throw: Array | None = None
        self._droop: _Both = (np.zeros(0), np.zeros(0))

    def start(self, throw: Array) -> _Both:
        """Droops to start from: between those known, else neutral."""
        if self._throw is None:
            return np.zeros(throw.shape), np.zeros(throw.shape)
        return np.interp(throw, self._throw, self._droop[0]), np.interp(throw, self._throw, self._droop[1])

    def keep(self, throw: Array, droop: _Both, settled: NDArray[np.bool_]) -> None:
        """Take note of the first throws that are many."""
        if self._throw is None and np.count_nonzero(settled) >= MANY:
            order = np.flatnonzero(settled)[np.argsort(throw[settled])]
            self._throw, self._droop = throw[order], (droop[0][order], droop[1][order])


def _settle(setting: _Setting, push: tuple[Array, ...], start: _Both) -> _Solved:
    droop = start
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        for _ in range(STEPS_MAX):
            step_l, step_r, *_rest = _newton(setting, push, droop)
            size = np.maximum(np.abs(step_l), np.abs(step_r))
            shrink = np.minimum(1.0, STEP_RAD_MAX / np.maximum(size, 1e-300))
            droop = droop[0] + shrink * step_l, droop[1] + shrink * step_r
            settled = size < SETTLED_RAD
            if np.all(settled | ~np.isfinite(size)):
                break
        *_steps, loads, shocks, lean = _newton(setting, push, droop)
    return droop, loads, shocks, lean, settled


def _rows_settled(setting: _Setting, throw: Array, push: tuple[Array, ...]) -> _Solved:
    """Settle throw by throw, each started from a curve through up to five before it."""
    rows: list[_Solved] = []
    for k in range(throw.shape[0]):
        before = range(max(0, k - 5), k)
        start = [np.zeros(throw.shape[1:]), np.zeros(throw.shape[1:])]
        for i in before:
            weight = np.ones(throw.shape[1:])
            for j in before:
                if i != j:
                    gap = throw[i] - throw[j]
                    weight = weight * np.where(gap != 0, (throw[k] - throw[j]) / np.where(gap != 0, gap, 1.0), 0.0)
            start = [s + weight * rows[i][0][side] for side, s in enumerate(start)]
        far = [np.abs(s) > 1.0 for s in start]
        guess = np.where(far[0], 0.0, start[0]), np.where(far[1], 0.0, start[1])
        rows.append(_settle(setting, tuple(p[k] for p in push), guess))

    def both(which: int) -> _Both:
        return np.stack([r[which][0] for r in rows]), np.stack([r[which][1] for r in rows])

    return both(0), both(1), both(2), np.stack([r[3] for r in rows]), np.stack([r[4] for r in rows])


def _newton(setting: _Setting, push: tuple[Array, ...], droop: _Both) -> tuple[Array, Array, _Both, _Both, Array]:
    """One Newton step on the droops, with loads, shock forces and lean where it starts."""
    unsprung, sprung, arm, stiffness = setting.unsprung, setting.sprung, setting.arm, setting.stiffness
    left, right = (
        _side_now(g, p, s, d) for g, p, s, d in zip(setting.geos, setting.preloads, push, droop, strict=True)
    )
    across = Spot(left.contact.out - right.contact.out, left.contact.up - right.contact.up)
    track = np.sqrt(_dot(across, across))
    level = Spot(across.out / track, across.up / track)
    normal = Spot(-level.up, level.out)
    lean = np.arctan2(level.up, level.out)
    lean_by = (_dot(normal, left.contact_rate) / track, -_dot(normal, right.contact_rate) / track)

    load, load_by, load_by_lean = [], [], []
    for side, hung in zip((left, right), unsprung, strict=True):
        lift = _dot(normal, side.contact_rate)
        carried = -side.pull / lift
        load.append(carried + hung)
        load_by.append(-side.pull_rate / lift - carried * _dot(normal, side.contact_curve) / lift)
        load_by_lean.append(carried * _dot(level, side.contact_rate) / lift)

    # rolling moment about the rear's pivot, + pressing the left side up
    lever: list[Value] = []
    moment = stiffness * lean - sprung * (level.out * arm.out + level.up * arm.up)
    moment_by_lean = stiffness - sprung * (normal.out * arm.out + normal.up * arm.up)
    for side, own, hung, by_lean in zip((left, right), load, unsprung, load_by_lean, strict=True):
        r = Spot(side.contact.out, side.contact.up - setting.pivot_up)
        lever.append(_dot(level, r))
        moment = moment + (own - hung) * lever[-1]
        moment_by_lean = moment_by_lean + (own - hung) * _dot(normal, r) + by_lean * lever[-1]
    missing = load[0] + load[1] - setting.front

    sides = (left, right)
    j = [
        (
            load_by[i] + (load_by_lean[0] + load_by_lean[1]) * lean_by[i],
            load_by[i] * lever[i]
            + (load[i] - unsprung[i]) * _dot(level, sides[i].contact_rate)
            + moment_by_lean * lean_by[i],
        )
        for i in (0, 1)
    ]
    det = j[0][0] * j[1][1] - j[1][0] * j[0][1]
    step_left = (-missing * j[1][1] + moment * j[1][0]) / det
    step_right = (-moment * j[0][0] + missing * j[0][1]) / det
    return step_left, step_right, (load[0], load[1]), (left.shock_N, right.shock_N), np.rad2deg(lean)
