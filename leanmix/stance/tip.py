"""When the machine tips: on its springs, and as a rigid body on the ground it stands on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from leanmix.linkage import Array, Value
from leanmix.stance.balance import BANK_DEG_PER_G, mount_pushes_mm, mounts_moved, whole_rig
from leanmix.stance.path import Flags, Index, Nodes, Rig, Track, along, march
from leanmix.stance.pose import Stance
from leanmix.stance.setup import Setup
from leanmix.stance.snap import let_go
from leanmix.stance.whole import Force, Push, force_of, push_of, whole

__all__ = ["LARGEST_G", "TipLimit", "rigid_tip_limit_g", "tip_limit"]

LARGEST_G = 4.0
STEP_G = 0.08
SHORTEST_G = 1e-5
# how far past a fold it is let go: enough to begin moving
PAST_G = 2e-3
LIFT_ROUNDS = 22
SNAPS = 5


@dataclass(frozen=True, slots=True)
class TipLimit:
    """Limits of a steady turn, each a magnitude over g; arrays of the broadcast shape, builds last.

    Attributes
    ----------
    tips_g
        Horizontal acceleration at which nothing holds it any more; inf where it held to `LARGEST_G`, NaN where it
        does not stand there to begin with.
    gives_way_g
        Where it first moves on by itself; less than `tips_g` where something else then holds it.
    lifts_g
        Where the inner runner first leaves the road; `tips_g` where it does so only as it tips.
    lean_deg
        Lean just before it first gives way, + left.
    load_outer_N
        Outer runner's load there.
    """

    tips_g: Array
    gives_way_g: Array
    lifts_g: Array
    lean_deg: Array
    load_outer_N: Array


def tip_limit(setup: Setup, throw_deg: Value, turn: str, bank_deg: Value = 0.0) -> TipLimit:
    """How hard a steady turn may be before the machine tips out of it, on its springs.

    The turn is tightened from rest, the arm staying where it is. On a bank it is first brought up to the speed at
    which it feels no sideways force, then beyond.

    Parameters
    ----------
    setup : Setup
        From `stance_setup`.
    throw_deg : float or ndarray
        Servo arm, + leaning left [deg].
    turn : {"left", "right"}
        Which way it turns; it tips to the other side.
    bank_deg : float or ndarray
        Slope of the road across, + with its left side lower [deg].

    Returns
    -------
    TipLimit
    """
    throw, bank = np.asarray(throw_deg, dtype=np.float64), np.asarray(bank_deg, dtype=np.float64)
    way = 1.0 if turn == "left" else -1.0
    left, right = mount_pushes_mm(setup, throw)
    builds_shape = () if setup.scalar else (setup.builds,)
    shape = np.broadcast_shapes(left.shape, right.shape, bank.shape, builds_shape)
    build = np.broadcast_to(np.arange(setup.builds).reshape(builds_shape), shape).ravel()
    push = np.stack([np.broadcast_to(v, shape).ravel() for v in (left, right)])
    slope = np.broadcast_to(bank, shape).ravel()
    start, on = _on_the_bank(setup, build, push, slope)
    found = _tighten(setup, build, push, slope, way, start, on)
    return TipLimit(*(v.reshape(shape) for v in found))


def _on_the_bank(setup: Setup, build: Index, push: Array, bank: Array) -> tuple[Array, Flags]:
    """Poses with the mounts moved, going round each bank so fast that it feels no sideways force."""
    start, on, holds = mounts_moved(setup, build, push)
    start = np.where(holds, start, np.nan)
    if not bank.any():
        return start, on
    rig = whole_rig(setup)
    size = np.abs(bank) / BANK_DEG_PER_G
    sign = np.where(bank < 0, -1.0, 1.0)

    def load(path: Index, place: Array) -> tuple[Force, Push]:
        degrees = sign[path] * place * BANK_DEG_PER_G
        own = rig.of(build[path])
        return force_of(np.tan(np.deg2rad(degrees)), degrees), push_of(own.sides, push[:, path])

    nodes = march(rig, Track(load, build), size, start, on, step=0.1, shortest=1e-4)
    pose = np.where(nodes.arrived, nodes.pose[:, nodes.last], np.nan)
    return pose, nodes.grounded[:, nodes.last]


def _tighten(
    setup: Setup, build: Index, push: Array, bank: Array, way: float, start: Array, on: Flags
) -> tuple[Array, Array, Array, Array, Array]:
    rig, n = whole_rig(setup), len(build)
    base = np.tan(np.deg2rad(bank))
    tips, gives, lifts = np.full(n, np.nan), np.full(n, np.nan), np.full(n, np.nan)
    lean, outer_load = np.full(n, np.nan), np.full(n, np.nan)
    inner = 0 if way > 0 else 1
    who = np.flatnonzero(np.isfinite(start).all(axis=0))
    offset = np.zeros(n)
    for turn in range(SNAPS + 1):
        if not who.size:
            break
        track = _turning(rig, build[who], push[:, who], bank[who], base[who] + way * offset[who], way)
        ends = LARGEST_G - offset[who]
        nodes = march(rig, track, ends, start[:, who], on[:, who], step=STEP_G, shortest=SHORTEST_G)
        reach = offset[who] + nodes.place[nodes.last]
        last = nodes.pose[:, nodes.last]
        if turn == 0:
            gives[who] = np.where(nodes.arrived, np.inf, reach)
            lean[who] = -np.rad2deg(last[1])
            outer_load[who] = _outer_load(rig, track, nodes, 1 - inner)
        tips[who] = np.where(nodes.arrived, np.inf, reach)
        lifts[who] = np.fmin(lifts[who], offset[who] + _first_lift(rig, track, nodes, inner))
        if turn == SNAPS:
            break
        local = np.flatnonzero(~nodes.arrived)
        past = nodes.place[nodes.last[local]] + PAST_G
        pose, stands, held = let_go(rig, track, local, past, last[:, local], nodes.grounded[:, nodes.last[local]])
        caught = who[local[held]]
        start[:, caught], on[:, caught] = pose[:, held], stands[:, held]
        offset[caught] += past[held]
        who = caught
    lifts = np.fmin(lifts, tips)
    signed = way * base
    return tips + signed, gives + signed, lifts + signed, lean, outer_load


def _turning(rig: Rig, build: Index, push: Array, bank: Array, base: Array, way: float) -> Track:
    def load(path: Index, place: Array) -> tuple[Force, Push]:
        own = rig.of(build[path])
        return force_of(base[path] + way * place, bank[path]), push_of(own.sides, push[:, path])

    return Track(load, build)


def _first_lift(rig: Rig, track: Track, nodes: Nodes, inner: int) -> Array:
    """Place along each path where the inner runner first leaves the road; inf where it does not."""
    paths = len(nodes.last)
    up = ~nodes.grounded[inner]
    first = np.full(paths, np.inf)
    index = np.flatnonzero(up)
    lead, where = np.unique(nodes.path[index], return_index=True)
    node = index[where]
    low = nodes.place[np.maximum(node - 1, 0)].copy()
    high = nodes.place[node].copy()
    low = np.where(nodes.place[node] == 0, 0.0, low)
    for _ in range(LIFT_ROUNDS):
        middle = (low + high) / 2
        _, stands, found = along(rig, track, nodes, lead, middle)
        above = found & ~stands[inner]
        high, low = np.where(above, middle, high), np.where(above, low, middle)
    first[lead] = high
    return first


def _outer_load(rig: Rig, track: Track, nodes: Nodes, outer: int) -> Array:
    paths = np.arange(len(nodes.last))
    force, push = track.load(paths, nodes.place[nodes.last])
    own = rig.of(track.builds)
    w = whole(own.sides, own.body, force, push, nodes.pose[:, nodes.last], nodes.grounded[:, nodes.last])
    return np.asarray(w.state.load[outer])


def rigid_tip_limit_g(setup: Setup, stance: Stance, turn: str, bank_deg: Value = 0.0) -> Array:
    """When it would tip if its springs were locked in a given pose: the support polygon's answer.

    The polygon is drawn by the two runners' contacts and by the line across on which the rear's load rests, half its
    width to each side. It tips over the edge from the outer runner to that line's outer end, when the force through
    its balance point points over that edge: ay/g = tan(atan(d/h) + bank), d across from balance point to edge, h up.

    Parameters
    ----------
    setup : Setup
        The machine.
    stance : Stance
        Pose in which it is locked, as a rule standing still.
    turn : {"left", "right"}
        Which way it turns.
    bank_deg : float or ndarray
        + with the left side of the road lower [deg].

    Returns
    -------
    ndarray
        Horizontal acceleration over g, as a magnitude.
    """
    way = 1.0 if turn == "left" else -1.0
    behind = setup.numbers["chassis.cg_behind_mm"] / setup.numbers["rear.load_behind_mm"]
    outer = -stance.contact_right_mm if way > 0 else stance.contact_left_mm
    edge = outer + (setup.numbers["rear.half_width_mm"] - outer) * behind
    room = edge + way * stance.cg_left_mm
    tilt = np.arctan2(room, stance.cg_up_mm) + way * np.deg2rad(bank_deg)
    return np.asarray(np.tan(tilt), dtype=np.float64)
