"""Following the equilibrium from rest: many paths at once, each in steps no longer than it can follow.

A machine on its springs has several equilibria for one load (lying on its side is one). The answer is the one that
it reaches from standing at rest while the load is put on slowly: mounts first, then the turn. Where the pose stops
resisting roll (a fold) it moves on by itself. Caught again within a degree or so, by an arm that meets the rack or a shock
pulled right out after its spring has come loose, the path goes on from there; otherwise it ends, and beyond no answer is given.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import Array
from leanmix.stance.path import DONE_MM, Flags, Index, Rig, Track, solve
from leanmix.stance.rig import Body, Sides
from leanmix.stance.snap import let_go
from leanmix.stance.whole import Force, Push, force_of, push_of

__all__ = ["LEAST_STRIDE", "PATHS", "Nodes", "find_rest", "march"]

# the last step allowed at a pose on the way [mm]
NEAR_MM = 1e-4
# below this a stride is rounding, and says nothing of the path's slope
LEAST_STRIDE = 1e-9
# caught again before it has rolled this far, a path that gives way goes on
CAUGHT_RAD = 0.02
# two shocks and two arms can catch it; a path that gives way more often is not being followed
MOST_FALLS = 8
# it is let go this many shortest steps past the last pose that was held
PAST = 4.0
# paths at a time, which bounds the memory that the nodes take
PATHS = 1 << 16


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
        Longest and shortest step along a path; one that needs a shorter one has given way there.
    """
    paths = len(ends)
    here, on, place = start.copy(), grounded.copy(), np.zeros(paths)
    rate = np.zeros((4, paths))
    trusted, falls = np.zeros(paths, dtype=bool), np.zeros(paths, dtype=np.intp)
    length = np.full(paths, step)
    begun = np.isfinite(start).all(axis=0)
    log: list[tuple[Index, Array, Array, Flags]] = [(np.arange(paths), place.copy(), here.copy(), on.copy())]
    alive: Index = np.flatnonzero(begun & (ends > 0))
    while alive.size:
        to_go = ends[alive] - place[alive]
        stride = np.minimum(to_go, length[alive])
        arrives = stride == to_go
        at = np.where(arrives, ends[alive], place[alive] + stride)
        guess = here[:, alive] + rate[:, alive] * stride
        found, stands, settled, stiffness = solve(
            rig, track, alive, at, guess, on[:, alive], np.where(arrives, DONE_MM, NEAR_MM)
        )
        moved, off = np.abs(guess[1] - here[1, alive]), np.abs(found[1] - guess[1])
        near = off <= np.where(trusted[alive], 0.01 + 0.5 * moved, 0.05)
        good = settled & (stiffness > 0) & near
        who = alive[good]
        rate[:, who] = (found[:, good] - here[:, who]) / np.maximum(stride[good], LEAST_STRIDE)
        trusted[who] = True
        here[:, who], on[:, who], place[who] = found[:, good], stands[:, good], at[good]
        length[who] = np.minimum(step, 2 * length[who])
        log.append((who, at[good], found[:, good], stands[:, good]))
        length[alive[~good]] = stride[~good] / 2
        fallen = alive[(place[alive] < ends[alive]) & (length[alive] < shortest) & (falls[alive] < MOST_FALLS)]
        if fallen.size:
            at = np.minimum(place[fallen] + PAST * shortest, ends[fallen])
            pose, stands, held = let_go(rig, track, fallen, at, here[:, fallen], on[:, fallen], CAUGHT_RAD)
            who = fallen[held]
            here[:, who], on[:, who], place[who], length[who] = pose[:, held], stands[:, held], at[held], step / 8
            rate[:, who], trusted[who], falls[who] = 0.0, False, falls[who] + 1
            log.append((who, at[held], pose[:, held], stands[:, held]))
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
