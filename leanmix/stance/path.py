"""Following the equilibrium from rest: many paths at once, each in steps no longer than it can follow.

A machine on its springs has several equilibria for one load (lying on its side is one). The answer is the one that
it reaches from standing at rest while the load is put on slowly: mounts first, then the turn. A path ends where the
pose stops resisting roll (a fold): beyond, no answer is given.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import Array
from leanmix.stance.newton import DONE, GROUNDED, LEVEL, NEWTON, POSE, STIFF, TOLD, settle
from leanmix.stance.rig import Body, Sides
from leanmix.stance.whole import SIZES, Force, Push, force_of, push_of, rows_of

__all__ = ["CHUNK", "LEAST_STRIDE", "PATHS", "Nodes", "Rig", "Track", "find_rest", "march", "solve"]

Index = NDArray[np.intp]
Flags = NDArray[np.bool_]

# the last step at a pose that is asked for, and at one on the way; it is still taken, and leaves at most a hundredth
DONE_MM = 1e-6
NEAR_MM = 1e-4
# a machine that gives way and is caught again before it has rolled this far has not given way
LEAST_FALL_RAD = 2e-4
# below this a stride is rounding, and says nothing of the path's slope
LEAST_STRIDE = 1e-9
# poses at a time: both sides' arrays then stay in the processor's near memory
CHUNK = 2048
# paths at a time, which bounds the memory that the nodes take
PATHS = 1 << 16


@dataclass(frozen=True, slots=True)
class Rig:
    """Sides and body, with one build for all poses or one for each."""

    sides: Sides
    body: Body

    def of(self, builds: Index) -> Rig:
        """The rig for poses that belong to these builds; itself where there is only one."""
        if len(self.body.mass) == 1:
            return self
        return Rig(self.sides.take(builds), self.body.take(builds))


@dataclass(frozen=True, slots=True)
class Track:
    """Loads along paths: for path numbers and places along them, forces and mounts."""

    load: Callable[[Index, Array], tuple[Force, Push]]
    builds: Index


class Found(NamedTuple):
    """What `solve` finds.

    Attributes
    ----------
    pose : ndarray, shape (4, n)
    grounded : ndarray of bool, shape (2, n)
    settled : ndarray of bool, shape (n,)
    stiffness : ndarray, shape (n,)
        Resistance to roll at the last but one pose [N mm/rad].
    level : ndarray, shape (2, n)
        Of springs that come loose before their shock is pulled right out: 0 tight, 1 loose, 2 pulled right out.
    """

    pose: Array
    grounded: Flags
    settled: Flags
    stiffness: Array
    level: Array


def _solve(
    rig: Rig, track: Track, path: Index, place: Array, start: Array, grounded: Flags, tolerance_mm: Any
) -> Array:
    force, push = track.load(path, place)
    own = rig.of(track.builds[path])
    rows = rows_of(own.body, force, push, start, grounded, more=1)
    rows[2:4] = np.minimum(np.maximum(start[2:], own.sides.droop_min), own.sides.droop_max)
    rows[-1] = tolerance_mm
    return settle(NEWTON[own.sides.any_on_upper], own.sides.table.reshape(SIZES[0], -1), own.body.table, rows)


def solve(
    rig: Rig,
    track: Track,
    path: Index,
    place: Array,
    start: Array,
    grounded: Flags,
    tolerance_mm: Array | float = DONE_MM,
) -> Found:
    """Newton's method from poses, for places along paths.

    Which runners stand on the road is taken over from the start and changed only where the settled pose says
    otherwise: a shock pulled right out makes a load so steep in the pose that its sign on the way says nothing.

    Parameters
    ----------
    rig, track
        Builds and loads.
    path, place : ndarray, shape (n,)
        Which path, where along it.
    start : ndarray, shape (4, n)
        Heave [mm], roll and droops [rad].
    grounded : ndarray of bool, shape (2, n)
        Which runners stand on the road at the start.
    tolerance_mm : float or ndarray
        Last step allowed; it is still taken, so what is left is less than a hundredth of it.
    """
    n = len(path)
    if n <= CHUNK:
        out = _solve(rig, track, path, place, start, grounded, tolerance_mm)
    else:
        out, tolerance = np.empty((TOLD, n)), np.broadcast_to(tolerance_mm, (n,))
        for i in range(0, n, CHUNK):
            k = slice(i, i + CHUNK)
            out[:, k] = _solve(rig, track, path[k], place[k], start[:, k], grounded[:, k], tolerance[k])
    return Found(out[POSE], out[GROUNDED] > 0.0, out[DONE] > 0.0, out[STIFF], out[LEVEL])


@dataclass(frozen=True, slots=True)
class Nodes:
    """Poses found along paths, path after path, each rising from its start.

    Attributes
    ----------
    path, place : ndarray, shape (nodes,)
        Which path, and where along it.
    pose : ndarray, shape (4, nodes)
        Heave [mm], roll and droops [rad].
    grounded : ndarray of bool, shape (2, nodes)
        Which runners stand on the road.
    last : ndarray of int, shape (paths,)
        Each path's last node; its end where the path could be followed so far.
    arrived : ndarray of bool, shape (paths,)
    """

    path: Index
    place: Array
    pose: Array
    grounded: Flags
    last: Index
    arrived: NDArray[np.bool_]


def march(rig: Rig, track: Track, ends: Array, start: Array, grounded: Flags, *, step: float, shortest: float) -> Nodes:
    """Follow paths from their starts to their ends, or as far as they go.

    Parameters
    ----------
    rig : Rig
        All builds.
    track : Track
        Loads along each path.
    ends : ndarray, shape (paths,)
        How far each path is wanted, from 0.
    start : ndarray, shape (4, paths)
        Poses at place 0; a path whose start is NaN does not begin.
    grounded : ndarray of bool, shape (2, paths)
        Which runners stand on the road there.
    step, shortest : float
        Longest and shortest step along a path; a path that needs a shorter one has come to its end.
    """
    paths = len(ends)
    here, on, place = start.copy(), grounded.copy(), np.zeros(paths)
    rate = np.zeros((4, paths))
    skips = bool((rig.sides.slack < rig.sides.longest).any())
    level = np.zeros((2, paths))
    trusted = np.zeros(paths, dtype=bool)
    length = np.full(paths, step)
    begun = np.isfinite(start).all(axis=0)
    log: list[tuple[Index, Array, Array, Flags]] = [(np.arange(paths), place.copy(), here.copy(), on.copy())]
    alive: Index = np.flatnonzero(begun & (ends > 0))
    if skips and alive.size:
        level[:, alive] = solve(rig, track, alive, place[alive], here[:, alive], on[:, alive], np.inf).level
    while alive.size:
        to_go = ends[alive] - place[alive]
        stride = np.minimum(to_go, length[alive])
        arrives = stride == to_go
        at = np.where(arrives, ends[alive], place[alive] + stride)
        guess = here[:, alive] + rate[:, alive] * stride
        found, stands, settled, stiffness, levels = solve(
            rig, track, alive, at, guess, on[:, alive], np.where(arrives, DONE_MM, NEAR_MM)
        )
        moved, off = np.abs(guess[1] - here[1, alive]), np.abs(found[1] - guess[1])
        near = off <= np.where(trusted[alive], 0.01 + 0.5 * moved, 0.05)
        good = settled & (stiffness > 0) & near
        if skips:
            # from a tight spring to a shock pulled right out: what lies between may not hold
            skipped = np.abs(levels - level[:, alive]).max(axis=0) > 1
            good &= ~(skipped & (np.abs(found[1] - here[1, alive]) > LEAST_FALL_RAD))
        who = alive[good]
        rate[:, who] = (found[:, good] - here[:, who]) / np.maximum(stride[good], LEAST_STRIDE)
        trusted[who] = True
        here[:, who], on[:, who], place[who], level[:, who] = found[:, good], stands[:, good], at[good], levels[:, good]
        length[who] = np.minimum(step, 2 * length[who])
        log.append((who, at[good], found[:, good], stands[:, good]))
        length[alive[~good]] = stride[~good] / 2
        alive = alive[(place[alive] < ends[alive]) & (length[alive] >= shortest)]
    path = np.concatenate([entry[0] for entry in log])
    along = np.concatenate([entry[1] for entry in log])
    order = np.lexsort((along, path))
    path = path[order]
    return Nodes(
        path=path,
        place=along[order],
        pose=np.concatenate([entry[2] for entry in log], axis=1)[:, order],
        grounded=np.concatenate([entry[3] for entry in log], axis=1)[:, order],
        last=np.searchsorted(path, np.arange(paths), side="right") - 1,
        arrived=begun & (place >= ends),
    )


def find_rest(sides: Sides, body: Body, slack_as_measured: Array, push: Array) -> tuple[Array, Flags, Flags]:
    """Where the machine stands with the arm centred.

    With the springs as they must be to stand as measured, that is the measured pose; from there the springs and
    mounts are brought to what the file says.

    Parameters
    ----------
    sides, body
        The machine.
    slack_as_measured : ndarray, shape (2, builds)
        Slack spring lengths with which it stands as measured [mm].
    push : ndarray, shape (2, builds)
        Mounts with the arm centred [mm].

    Returns
    -------
    rest : ndarray, shape (4, builds)
    grounded : ndarray of bool, shape (2, builds)
    usable : ndarray of bool, shape (builds,)
    """
    builds = len(body.mass)
    way = sides.slack - slack_as_measured
    push = np.where(np.isfinite(push), push, 0.0)

    def load(which: Index, place: Array) -> tuple[Force, Push]:
        still = np.zeros(len(which))
        own = Rig(sides, body).of(which)
        slack = slack_as_measured[:, which] + place * way[:, which]
        return force_of(still, still), push_of(own.sides, place * push[:, which], slack)

    nodes = march(
        Rig(sides, body),
        Track(load, np.arange(builds)),
        np.ones(builds),
        np.zeros((4, builds)),
        np.ones((2, builds), dtype=bool),
        step=0.25,
        shortest=1e-3,
    )
    return np.where(nodes.arrived, nodes.pose[:, nodes.last], np.nan), nodes.grounded[:, nodes.last], nodes.arrived
