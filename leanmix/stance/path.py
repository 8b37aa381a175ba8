"""Following the equilibrium from rest: many paths at once, each in steps no longer than it can follow.

A machine on its springs has several equilibria for one load (lying on its side is one). The answer is the one that
it reaches from standing at rest while the load is put on slowly: mounts first, then the turn. A path ends where the
pose stops resisting roll (a fold): beyond, no answer is given.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import Array
from leanmix.stance.rig import Body, Sides
from leanmix.stance.whole import Force, Push, Whole, force_of, push_of, step_of, whole, wrong_side

__all__ = ["CHUNK", "PATHS", "Nodes", "Rig", "Track", "along", "find_rest", "march", "push_past_stop", "solve"]

Index = NDArray[np.intp]
Flags = NDArray[np.bool_]

# steps of heave and droop are judged as if roll and droop acted at this arm [mm]
ARM_MM = 100.0
DONE_MM = 1e-9
NEAR_MM = 1e-4
# how far into a stop a first step may go [mm, or rad for an arm on the chassis]
JUST_IN = 1e-4
ROUNDS = 10
# below this a stride is rounding, and says nothing of the path's slope
LEAST_STRIDE = 1e-9
# poses at a time: both sides' arrays then stay in the processor's near memory
CHUNK = 2048
# paths at a time, which bounds the memory that the nodes take
PATHS = 1 << 16
LONGEST_STEP = np.array([20.0, 0.12, 0.25, 0.25])


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


def _clipped(sides: Sides, pose: Array) -> Array:
    pose[2:] = np.clip(pose[2:], sides.droop_min, sides.droop_max)
    return pose


def _size(pose_step: Array) -> Array:
    return np.asarray(
        np.maximum(np.abs(pose_step[0]), ARM_MM * np.maximum(np.abs(pose_step[1]), np.abs(pose_step[2:]).max(axis=0)))
    )


def push_past_stop(s: Sides, w: Whole, droop: Array, step: Array) -> Array:
    """Share of each side's step, (2, n), after which a stop is only just touched: further in, slopes are others."""
    length = w.length
    then = length + w.length_droop * step
    share = np.ones_like(then)
    for now, later, edge, sign in (
        (length, then, s.longest, 1.0),
        (length, then, s.shortest, -1.0),
        (droop, droop + step, s.touch_low, 1.0),
        (droop, droop + step, s.touch_high, -1.0),
    ):
        enters = (sign * (now - edge) < 0) & (sign * (later - edge) > JUST_IN)
        if enters.any():
            with np.errstate(divide="ignore", invalid="ignore"):
                part = (edge + sign * JUST_IN / 2 - now) / (later - now)
            share = np.where(enters, np.minimum(share, part), share)
    return share


def _solve(
    rig: Rig, force: Force, push: Push, start: Array, grounded: Flags, tolerance_mm: Array
) -> tuple[Array, Flags, Flags, Array]:
    n = start.shape[1]
    pose, settled, stiffness = start.copy(), np.zeros(n, dtype=bool), np.full(n, np.nan)
    stands = grounded.copy()
    active: Index = np.arange(n)
    here, f, p, r = _clipped(rig.sides, start.copy()), force, push, rig
    on = stands
    for _ in range(ROUNDS):
        w = whole(r.sides, r.body, f, p, here, on)
        step_heave, step_roll, step_droop, stiff = step_of(w)
        step = np.concatenate([step_heave[None], step_roll[None], step_droop])
        size = _size(step)
        close = size < tolerance_mm[active]
        wrong = wrong_side(w, on) & close
        done = close & ~(wrong[0] | wrong[1])
        share = np.minimum(1.0, 1.0 / np.maximum((np.abs(step) / LONGEST_STEP[:, None]).max(axis=0), 1e-300))
        share = np.where(close, 1.0, np.minimum(share, push_past_stop(r.sides, w, here[2:], step[2:]).min(axis=0)))
        here = _clipped(r.sides, here + step * share)
        on = on ^ wrong
        pose[:, active], stands[:, active], settled[active] = here, on, done
        stiffness[active] = np.where(w.holds, stiff, -np.inf)
        go_on = ~done & np.isfinite(size)
        if not go_on.any():
            break
        if not go_on.all():
            active, here, on = active[go_on], here[:, go_on], on[:, go_on]
            f = Force(f.across[go_on], f.down[go_on], f.ratio[go_on], f.grip[:, go_on])
            p = Push(*(v[:, go_on] if v.shape[1] > 1 else v for v in p))
            r = r.of(np.flatnonzero(go_on))
    return pose, stands, settled, stiffness


def solve(
    rig: Rig,
    track: Track,
    path: Index,
    place: Array,
    start: Array,
    grounded: Flags,
    tolerance_mm: Array | float = DONE_MM,
) -> tuple[Array, Flags, Flags, Array]:
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
        Last step allowed; it is still taken, so what is left is of its square.

    Returns
    -------
    pose : ndarray, shape (4, n)
    grounded : ndarray of bool, shape (2, n)
    settled : ndarray of bool, shape (n,)
    stiffness : ndarray, shape (n,)
        Resistance to roll at the last but one pose [N mm/rad].
    """
    n = len(path)
    pose, settled, stiffness = np.empty((4, n)), np.empty(n, dtype=bool), np.empty(n)
    stands = np.empty((2, n), dtype=bool)
    tolerance = np.broadcast_to(np.asarray(tolerance_mm, dtype=np.float64), (n,))
    for i in range(0, n, CHUNK):
        k = slice(i, i + CHUNK)
        force, push = track.load(path[k], place[k])
        own = rig.of(track.builds[path[k]])
        pose[:, k], stands[:, k], settled[k], stiffness[k] = _solve(
            own, force, push, start[:, k], grounded[:, k], tolerance[k]
        )
    return pose, stands, settled, stiffness


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
    trusted = np.zeros(paths, dtype=bool)
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


def along(rig: Rig, track: Track, nodes: Nodes, path: Index, place: Array) -> tuple[Array, Flags, Flags]:
    """Poses between nodes.

    Parameters
    ----------
    rig, track, nodes
        What was marched.
    path, place : ndarray, shape (poses,)
        Where poses are wanted.

    Returns
    -------
    pose : ndarray, shape (4, poses)
        NaN where the path ends before.
    grounded : ndarray of bool, shape (2, poses)
    found : ndarray of bool, shape (poses,)
    """
    pose = np.full((4, len(path)), np.nan)
    on, found = np.zeros((2, len(path)), dtype=bool), np.zeros(len(path), dtype=bool)
    reach = nodes.place.max(initial=0.0) + 1.0
    key = nodes.path * (2 * reach) + nodes.place
    after = np.searchsorted(key, path * (2 * reach) + place, side="left")
    after = np.minimum(after, len(key) - 1)
    # the key has lost the last digits of the place
    late = (after > 0) & (nodes.path[after - 1] == path) & (nodes.place[after - 1] >= place)
    after = np.where(late, after - 1, after)
    early = (nodes.path[after] == path) & (nodes.place[after] < place) & (after < nodes.last[path])
    after = np.where(early, after + 1, after)
    inside = (nodes.path[after] == path) & (nodes.place[after] >= place)
    exact = (
        inside & (nodes.place[after] == place) & ((nodes.arrived[path] & (after == nodes.last[path])) | (place == 0))
    )
    pose[:, exact], on[:, exact] = nodes.pose[:, after[exact]], nodes.grounded[:, after[exact]]
    found[exact] = True
    between = np.flatnonzero(inside & ~exact)
    guess = _between(nodes, after[between], place[between])
    stands = nodes.grounded[:, after[between] - 1]
    there, stands, settled, stiffness = solve(rig, track, path[between], place[between], guess, stands)
    good = settled & (stiffness > 0) & (np.abs(there[1] - guess[1]) < 0.005)
    pose[:, between], on[:, between] = np.where(good, there, np.nan), stands
    found[between] = good
    again = between[~good]
    if again.size:
        _walk(rig, track, nodes, (again, path[again], place[again], after[again] - 1), pose, on, found)
    return pose, on, found


def _walk(
    rig: Rig,
    track: Track,
    nodes: Nodes,
    where: tuple[Index, Index, Array, Index],
    pose: Array,
    on: Flags,
    found: Flags,
) -> None:
    """Step from the node before to where a cubic between nodes was no good guess: a stop lies between."""
    again, path, place, before = where
    start = nodes.place[before]

    def load(local: Index, further: Array) -> tuple[Force, Push]:
        return track.load(path[local], start[local] + further)

    whole_way = place - start
    fine = march(
        rig,
        Track(load, track.builds[path]),
        whole_way,
        nodes.pose[:, before],
        nodes.grounded[:, before],
        step=float(whole_way.max()) / 8,
        shortest=float(whole_way.max()) * 1e-4,
    )
    pose[:, again] = np.where(fine.arrived, fine.pose[:, fine.last], np.nan)
    on[:, again], found[again] = fine.grounded[:, fine.last], fine.arrived


def _between(nodes: Nodes, after: Index, place: Array) -> Array:
    """Cubic through the two nodes about a place, sloped as their neighbours on the same path say."""
    p, x, y = nodes.path, nodes.place, nodes.pose
    a, b = after - 1, after
    before = np.where((a > 0) & (p[np.maximum(a - 1, 0)] == p[a]), a - 1, a)
    beyond = np.where((b + 1 < len(p)) & (p[np.minimum(b + 1, len(p) - 1)] == p[b]), b + 1, b)
    h = x[b] - x[a]
    t = (place - x[a]) / h
    chord = y[:, b] - y[:, a]
    first = (y[:, b] - y[:, before]) / (x[b] - x[before]) * h
    last = (y[:, beyond] - y[:, a]) / (x[beyond] - x[a]) * h
    return y[:, a] + t * (chord + (1 - t) * ((1 - t) * (first - chord) + t * (chord - last)))


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
