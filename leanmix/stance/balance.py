"""The machine balanced: lean, heave, loads and what holds it, for any throws, turns, banks and builds at once."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from leanmix.errors import NoAnswer
from leanmix.linkage import SIDES, Array, Value, mount_pose, tip_up_rad
from leanmix.stance.between import along
from leanmix.stance.march import PATHS, march
from leanmix.stance.path import CHUNK, Rig, Track
from leanmix.stance.pose import Reason, Stance
from leanmix.stance.setup import Setup
from leanmix.stance.tell import FLAGS, NUMBERS, tell
from leanmix.stance.whole import Force, Push, force_of, push_of

__all__ = ["balance", "balance_moved", "balance_push", "lean_of_throw", "mount_pushes_mm", "mounts_moved", "whole_rig"]

Index = NDArray[np.intp]
Flags = NDArray[np.bool_]

PUSH_STEP_MM = 2.5
TURN_STEP_G = 0.1
# a path is given up where it would need steps this short: within that of its fold
SHORTEST_G = 1e-4
# on a path that puts a bank on together with the turn, this many degrees count as 1 g
BANK_DEG_PER_G = 60.0


def balance(setup: Setup, throw_deg: Value, lateral_g: Value = 0.0, bank_deg: Value = 0.0) -> Stance:
    """Where the machine stands.

    Parameters
    ----------
    setup : Setup
        From `stance_setup`.
    throw_deg : float or ndarray
        Servo arm from neutral, + leans left [deg]. Broadcasts against the builds: throws as (throws, 1) against
        builds (builds,) give (throws, builds).
    lateral_g : float or ndarray
        Horizontal acceleration over g in a steady turn, + turning left.
    bank_deg : float or ndarray
        Slope of the road across, + with its left side lower [deg].

    Returns
    -------
    Stance
        Arrays of the broadcast shape. Mounts are moved first, then turn and bank are put on together; a pose
        that cannot be reached so is NaN with its reason.
    """
    throw = np.asarray(throw_deg, dtype=np.float64)
    left, right = mount_pushes_mm(setup, throw)
    return balance_moved(setup, throw, left, right, lateral_g, bank_deg)


def balance_push(
    setup: Setup, push_left_mm: Value, push_right_mm: Value, lateral_g: Value = 0.0, bank_deg: Value = 0.0
) -> Stance:
    """As `balance`, for mounts put anywhere: `push_left_mm` and `push_right_mm` [mm down their guides].

    They count from where the mounts were measured. With `lateral_g` [g, + in a left turn] and `bank_deg` [deg, left
    side lower] they are floats or arrays that broadcast together.
    """
    left, right = np.asarray(push_left_mm, dtype=np.float64), np.asarray(push_right_mm, dtype=np.float64)
    return balance_moved(setup, np.asarray(np.nan), left, right, lateral_g, bank_deg)


def mount_pushes_mm(setup: Setup, throw_deg: Value) -> tuple[Array, Array]:
    """Left and right mount down their guides [mm] for `throw_deg` [deg, any shape]; NaN out of the link's reach."""
    left, right = (
        np.asarray(mount_pose(geo, tip_up_rad(np.deg2rad(throw_deg), side)).push_mm)
        for geo, side in zip(setup.geometry, SIDES, strict=True)
    )
    return left, right


def lean_of_throw(setup: Setup, throws_deg: Value) -> Array:
    """Lean [deg, + left] standing still for servo arm angles `throws_deg` [deg, + left; any shape].

    Raises
    ------
    NoAnswer
        When a single machine does not stand at one of the angles.
    """
    stance = balance(setup, throws_deg)
    if setup.scalar and not stance.ok.all():
        at = np.ravel(stance.throw_deg)[~np.ravel(stance.ok)][0]
        why = Reason(int(np.ravel(stance.reason)[~np.ravel(stance.ok)][0]))
        raise NoAnswer(f"No lean at {at:g}° of servo arm: {why.says}", "Ask for less arm angle.")
    return stance.lean_deg


def balance_moved(
    setup: Setup,
    throw: Array,
    left: Array,
    right: Array,
    lateral_g: Value,
    bank_deg: Value,
    moved: tuple[Array, Flags, Flags] | None = None,
) -> Stance:
    """As `balance`, for mounts `left` and `right` down their guides [mm]; `moved` from `mounts_moved` saves finding it."""
    lateral, bank = np.asarray(lateral_g, dtype=np.float64), np.asarray(bank_deg, dtype=np.float64)
    builds_shape = () if setup.scalar else (setup.builds,)
    mounts_shape = np.broadcast_shapes(left.shape, right.shape, builds_shape)
    shape = np.broadcast_shapes(mounts_shape, lateral.shape, bank.shape)
    build = np.broadcast_to(np.arange(setup.builds).reshape(builds_shape), mounts_shape).ravel()
    push = np.stack([np.broadcast_to(v, mounts_shape).ravel() for v in (left, right)])
    standing, on, holds = moved or mounts_moved(setup, build, push)

    mounts = np.broadcast_to(np.arange(build.size).reshape(mounts_shape), shape).ravel()
    a, b = np.broadcast_to(lateral, shape).ravel(), np.broadcast_to(bank, shape).ravel()
    pose, grounded, ok = _turned(setup, build, push, (standing, on), mounts, a, b)

    usable, reach = setup.usable[build], np.isfinite(push).all(axis=0)
    why = np.where(usable, np.where(reach, Reason.PAST_FOLD, Reason.OUT_OF_REACH), Reason.UNUSABLE_BUILD)
    ok &= (usable & reach & holds)[mounts]
    fields = _report(setup, build[mounts], push[:, mounts], (pose, grounded), a, b, ok)
    reason = np.where(ok, Reason.OK, why[mounts]).astype(np.int8)
    asked: dict[str, Any] = {
        "throw_deg": np.broadcast_to(throw, shape),
        "lateral_g": np.broadcast_to(lateral, shape),
        "bank_deg": np.broadcast_to(bank, shape),
        "ok": ok.reshape(shape),
        "reason": reason.reshape(shape),
    }
    return Stance(**asked, **{k: v.reshape(shape) for k, v in fields.items()})


def whole_rig(setup: Setup) -> Rig:
    """All builds' sides and bodies."""
    return Rig(setup.sides, setup.body)


def mounts_moved(setup: Setup, build: Index, push: Array) -> tuple[Array, Flags, Flags]:
    """Poses standing still with the mounts moved there from neutral, and whether it holds so far."""
    rig = whole_rig(setup)
    neutral = np.stack([np.broadcast_to(np.asarray(g.push_neutral_mm), (setup.builds,)) for g in setup.geometry])
    usable = setup.usable[build] & np.isfinite(push).all(axis=0)
    way = np.where(usable, push - neutral[:, build], 0.0)
    far = np.where(usable, np.abs(way).max(axis=0), 0.0)
    start = np.where(usable, setup.rest[:, build], np.nan)
    pose, holds = np.empty((4, build.size)), np.zeros(build.size, dtype=bool)
    on = np.zeros((2, build.size), dtype=bool)
    for part in np.array_split(np.arange(build.size), max(1, build.size // PATHS)):

        def load(path: Index, place: Array, part: Index = part) -> tuple[Force, Push]:
            which = part[path]
            own, still = rig.of(build[which]), np.zeros(len(which))
            share = place / np.maximum(far[which], 1e-300)
            return force_of(still, still), push_of(own.sides, neutral[:, build[which]] + share * way[:, which])

        track = Track(load, build[part])
        begin, stands = start[:, part], setup.rest_grounded[:, build[part]]
        nodes = march(rig, track, far[part], begin, stands, step=PUSH_STEP_MM, shortest=1e-4)
        pose[:, part], on[:, part] = nodes.pose[:, nodes.last], nodes.grounded[:, nodes.last]
        holds[part] = nodes.arrived
    return np.where(holds, pose, np.nan), on, holds


def _turned(
    setup: Setup, build: Index, push: Array, standing: tuple[Array, Flags], mounts: Index, lateral: Array, bank: Array
) -> tuple[Array, Flags, Flags]:
    """From standing with mounts moved to the poses in turns and on banks."""
    rig = whole_rig(setup)
    banked = bank != 0
    # one path for all turns the same way with the same mounts; a pose on a bank has its own
    key = 2 * mounts + (lateral < 0)
    if banked.any():
        key = np.where(banked, 2 * build.size + np.arange(key.size), key)
    place = np.maximum(np.abs(lateral), np.abs(bank) / BANK_DEG_PER_G)
    names, path = np.unique(key, return_inverse=True)
    ends = np.zeros(names.size)
    np.maximum.at(ends, path, place)
    example = np.empty(names.size, dtype=np.intp)
    example[path] = np.arange(key.size)
    own_mounts = mounts[example]
    size = np.maximum(place[example], 1e-300)
    leaning = np.where(lateral[example] < 0, -1.0, 1.0)
    way_a = np.where(banked[example], lateral[example] / size, leaning)
    way_b = bank[example] / size
    pose = np.full((4, key.size), np.nan)
    on, ok = np.zeros((2, key.size), dtype=bool), np.zeros(key.size, dtype=bool)
    order = np.argsort(path, kind="stable")
    cuts = np.searchsorted(path[order], np.arange(0, names.size + PATHS, PATHS))
    for i in range(len(cuts) - 1):
        which = np.arange(i * PATHS, min((i + 1) * PATHS, names.size))
        if not which.size:
            continue

        def load(local: Index, at: Array, which: Index = which) -> tuple[Force, Push]:
            p = which[local]
            m = own_mounts[p]
            return force_of(way_a[p] * at, way_b[p] * at), push_of(rig.of(build[m]).sides, push[:, m])

        track = Track(load, build[own_mounts[which]])
        begin, stands = standing[0][:, own_mounts[which]], standing[1][:, own_mounts[which]]
        nodes = march(rig, track, ends[which], begin, stands, step=TURN_STEP_G, shortest=SHORTEST_G)
        wanted = order[cuts[i] : cuts[i + 1]]
        found = along(rig, track, nodes, path[wanted] - which[0], place[wanted])
        pose[:, wanted], on[:, wanted], ok[wanted] = found
    return pose, on, ok


def _report(
    setup: Setup, build: Index, push: Array, found: tuple[Array, Flags], a: Array, b: Array, ok: Flags
) -> dict[str, Any]:
    rig, count = whole_rig(setup), len(NUMBERS)
    table = np.empty((count + len(FLAGS), ok.size))
    good = np.flatnonzero(ok)
    for i in range(0, good.size, CHUNK):
        part: Index | slice = good[i : i + CHUNK] if good.size < ok.size else slice(i, i + CHUNK)
        own = rig.of(build[part])
        force, moved = force_of(a[part], b[part]), push_of(own.sides, push[:, part])
        table[:, part], ok[part] = tell(own, force, moved, found[0][:, part], found[1][:, part])
    if not ok.all():
        table[:count, ~ok], table[count:, ~ok] = np.nan, 0.0
    out: dict[str, Any] = dict(zip(NUMBERS, table, strict=False))
    out |= {name: row > 0.0 for name, row in zip(FLAGS, table[count:], strict=True)}
    return out | {"push_left_mm": push[0].copy(), "push_right_mm": push[1].copy()}
