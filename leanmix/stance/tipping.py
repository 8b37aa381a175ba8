"""When it tips: the turn is tightened from rest until nothing holds the machine on its springs any more."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from leanmix.linkage import Array, Value
from leanmix.stance.balance import BANK_DEG_PER_G, balance_moved, mount_pushes_mm, mounts_moved, whole_rig
from leanmix.stance.between import along
from leanmix.stance.march import Nodes, march
from leanmix.stance.path import Flags, Index, Rig, Track
from leanmix.stance.setup import Setup
from leanmix.stance.snap import let_go
from leanmix.stance.support import SIGN, Turn, rigid_tip_g
from leanmix.stance.whole import Force, Push, force_of, push_of

__all__ = ["TIP_MOST_G", "TipLimits", "tip_limits"]

TIP_MOST_G = 4.0
STEP_G = 0.08
SHORTEST_G = 1e-5
# how far past a fold it is let go: enough to begin moving
PAST_G = 2e-3
LIFT_ROUNDS = 22
SNAPS = 5


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
        On its springs: where nothing holds it any more, to 1e-4 g; `TIP_MOST_G` where it holds that long.
    gives_way_g : ndarray
        Where it first moves on by itself (the fold, K → 0); less than `sprung_g` where a stop or the other spring
        then holds it, if it is not thrown against it.
    lift_g : ndarray
        Where the inner runner first leaves the road; equal to `sprung_g` where it tips without lifting first.
    """

    turn: Turn
    throw_deg: Array
    bank_deg: Array
    lean_deg: Array
    rigid_g: Array
    sprung_g: Array
    gives_way_g: Array
    lift_g: Array


def tip_limits(setup: Setup, throw_deg: Value = 0.0, turn: Turn = "left", bank_deg: Value = 0.0) -> TipLimits:
    """Find the tip limits of a machine, on its springs and rigid.

    The turn is tightened from rest, the arm staying where it is. On a bank it is first brought up to the speed at
    which it feels no sideways force, then beyond.

    Parameters
    ----------
    setup : Setup
        From `stance_setup`.
    throw_deg : float or ndarray
        Servo arm from neutral, + leans left [deg]; broadcasts against the builds as in `balance`.
    turn : {"left", "right"}
        Which way it turns; it tips to the other side.
    bank_deg : float or ndarray
        Slope of the road across, + with its left side lower [deg].

    Returns
    -------
    TipLimits
    """
    builds_shape = () if setup.scalar else (setup.builds,)
    shape, way = np.broadcast_shapes(np.shape(throw_deg), np.shape(bank_deg), builds_shape), SIGN[turn]
    throw, slope = (np.broadcast_to(np.asarray(v, dtype=np.float64), shape) for v in (throw_deg, bank_deg))
    build = np.broadcast_to(np.arange(setup.builds).reshape(builds_shape), shape).ravel()
    pushes = mount_pushes_mm(setup, throw)
    push = np.stack([np.broadcast_to(v, shape).ravel() for v in pushes])
    moved = mounts_moved(setup, build, push)
    standing = balance_moved(setup, throw, *pushes, 0.0, slope, moved)
    start, on = _on_the_bank(setup, build, push, slope.ravel(), moved)
    found = _tighten(setup, build, push, slope.ravel(), way, start, on)
    sprung, gives, lift = (np.where(standing.ok, v.reshape(shape), np.nan) for v in found)
    return TipLimits(
        turn=turn,
        throw_deg=throw,
        bank_deg=slope,
        lean_deg=standing.lean_deg,
        rigid_g=rigid_tip_g(setup, standing, turn),
        sprung_g=sprung,
        gives_way_g=gives,
        lift_g=lift,
    )


def _on_the_bank(
    setup: Setup, build: Index, push: Array, bank: Array, moved: tuple[Array, Flags, Flags]
) -> tuple[Array, Flags]:
    """Poses with the mounts moved, going round each bank so fast that it feels no sideways force."""
    start, on, holds = moved
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
) -> tuple[Array, Array, Array]:
    """Where nothing holds it, where it first gives way, where the inner runner lifts."""
    rig, n = whole_rig(setup), len(build)
    base = np.tan(np.deg2rad(bank))
    tips, gives, lifts = np.full(n, np.nan), np.full(n, np.nan), np.full(n, np.nan)
    inner = 0 if way > 0 else 1
    who = np.flatnonzero(np.isfinite(start).all(axis=0))
    offset = np.zeros(n)
    for turn in range(SNAPS + 1):
        if not who.size:
            break
        track = _turning(rig, build[who], push[:, who], bank[who], base[who] + way * offset[who], way)
        ends = TIP_MOST_G - offset[who]
        nodes = march(rig, track, ends, start[:, who], on[:, who], step=STEP_G, shortest=SHORTEST_G)
        reach = offset[who] + nodes.place[nodes.last]
        last = nodes.pose[:, nodes.last]
        tips[who] = np.where(nodes.arrived, np.inf, reach)
        if turn == 0:
            gives[who] = tips[who]
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
    tips, gives, lifts = (np.minimum(v + way * base, TIP_MOST_G) for v in (tips, gives, np.fmin(lifts, tips)))
    return tips, gives, lifts


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
