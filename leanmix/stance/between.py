"""Poses between the nodes of paths: a cubic through the nodes, corrected by Newton's method."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from leanmix.linkage import Array
from leanmix.stance.march import LEAST_STRIDE, Nodes, march
from leanmix.stance.path import CHUNK, Flags, Index, Rig, Track, solve
from leanmix.stance.whole import Force, Push

__all__ = ["along"]

# of many poses between nodes one in so many is found first, and serves as a node for the others
FINER = (16, 4, 1)
# a pose this far from where the cubic has it [rad] may lie on another path
FAR_RAD = 0.005


class Poses(NamedTuple):
    """Poses asked for: (4, n), NaN where the path ends before; which runners stand on the road, (2, n); whether found."""

    pose: Array
    grounded: Flags
    found: Flags


@dataclass
class _Guide:
    """Nodes, a key that rises along all of them, and the cubics that lead to each from the one before, (19, nodes)."""

    nodes: Nodes

    @cached_property
    def per_path(self) -> float:
        return 2 * (float(self.nodes.place.max(initial=0.0)) + 1.0)

    @cached_property
    def key(self) -> Array:
        return self.nodes.path * self.per_path + self.nodes.place

    @cached_property
    def cubics(self) -> Array:
        return _cubics(self.nodes)


def along(rig: Rig, track: Track, nodes: Nodes, path: Index, place: Array) -> Poses:
    """Poses between nodes.

    Parameters
    ----------
    rig, track, nodes
        What was marched.
    path, place : ndarray, shape (poses,)
        Where poses are wanted.
    """
    n = len(path)
    out = Poses(np.full((4, n), np.nan), np.zeros((2, n), dtype=bool), np.zeros(n, dtype=bool))
    for every in FINER:
        if every > 1 and n < every * len(nodes.path):
            continue
        guide = _Guide(nodes)
        some = np.arange(every // 2, n, every)
        some = some[~out.found[some]]
        between = []
        for i in range(0, len(some), CHUNK):
            which = some[i : i + CHUNK]
            good, again, before = _interpolated(rig, track, guide, which, path[which], place[which], out)
            between.append(good)
            if every == 1 and again.size:
                _walk(rig, track, nodes, (again, path[again], place[again], before), out)
        if every > 1:
            k = np.concatenate(between)
            nodes = _with(nodes, path[k], place[k], out.pose.take(k, axis=1), out.grounded.take(k, axis=1))
    return out


def _interpolated(
    rig: Rig, track: Track, guide: _Guide, which: Index, path: Index, place: Array, out: Poses
) -> tuple[Index, Index, Index]:
    """Fill in poses between nodes; which were found so, and which were not, with the node before each of those."""
    nodes = guide.nodes
    after = np.minimum(np.searchsorted(guide.key, path * guide.per_path + place), len(guide.key) - 1)
    # the key has lost the last digits of the place
    late = (after > 0) & (nodes.path[after - 1] == path) & (nodes.place[after - 1] >= place)
    after = np.where(late, after - 1, after)
    early = (nodes.path[after] == path) & (nodes.place[after] < place) & (after < nodes.last[path])
    after = np.where(early, after + 1, after)
    at = nodes.place[after]
    inside = (nodes.path[after] == path) & (at >= place)
    exact = inside & (at == place) & ((nodes.arrived[path] & (after == nodes.last[path])) | (place == 0))
    if exact.any():
        k, node = which[exact], after[exact]
        out.pose[:, k], out.grounded[:, k], out.found[k] = nodes.pose[:, node], nodes.grounded[:, node], True
    keep = np.flatnonzero(inside & ~exact)
    if keep.size < which.size:
        which, path, place, after = which[keep], path[keep], place[keep], after[keep]
    if not keep.size:
        return which, which, which
    cubic = guide.cubics.take(after, axis=1)
    y_a, d1, d2, d3 = cubic[3:].reshape(4, 4, -1)
    guess = y_a + (place - cubic[0]) * (d1 + (place - cubic[1]) * (d2 + (place - cubic[2]) * d3))
    got = solve(rig, track, path, place, guess, nodes.grounded.take(after - 1, axis=1))
    good = got.settled & (got.stiffness > 0) & (np.abs(got.pose[1] - guess[1]) < FAR_RAD)
    if good.all():
        good_ones, pose, grounded = which, got.pose, got.grounded
    else:
        good_ones, pose, grounded = which[good], got.pose[:, good], got.grounded[:, good]
    out.pose[:, good_ones], out.grounded[:, good_ones], out.found[good_ones] = pose, grounded, True
    return good_ones, which[~good], after[~good] - 1


def _with(nodes: Nodes, path: Index, place: Array, pose: Array, grounded: Flags) -> Nodes:
    """Nodes with more poses between them."""
    paths, places = np.concatenate([nodes.path, path]), np.concatenate([nodes.place, place])
    order = np.lexsort((places, paths))
    paths = paths[order]
    return Nodes(
        path=paths,
        place=places[order],
        pose=np.concatenate([nodes.pose, pose], axis=1).take(order, axis=1),
        grounded=np.concatenate([nodes.grounded, grounded], axis=1).take(order, axis=1),
        last=np.searchsorted(paths, np.arange(len(nodes.last)), side="right") - 1,
        arrived=nodes.arrived,
    )


def _walk(rig: Rig, track: Track, nodes: Nodes, where: tuple[Index, Index, Array, Index], out: Poses) -> None:
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
    out.pose[:, again] = np.where(fine.arrived, fine.pose[:, fine.last], np.nan)
    out.grounded[:, again], out.found[again] = fine.grounded[:, fine.last], fine.arrived


def _cubics(nodes: Nodes) -> Array:
    """For each node the cubic from the one before it, by divided differences over their neighbours on the same path.

    Rows: places of the node before, of the node, and of the one before both; then in fours the pose at the first, and
    the first, second and third difference.
    """
    x, y, n = nodes.place, nodes.pose, len(nodes.place)
    follows = np.zeros(n + 1, dtype=bool)
    follows[1:n] = nodes.path[1:] == nodes.path[:-1]
    gap = np.ones(n)
    gap[1:] = x[1:] - x[:-1]
    # poses asked for twice are nodes at one place: what lies between them is rounding
    gap = np.where(follows[:n] & (gap > LEAST_STRIDE), gap, 1.0)
    table = np.zeros((19, n))
    table[0, 1:], table[1], table[2, 2:], table[3:7, 1:] = x[:-1], x, x[:-2], y[:, :-1]
    first, low, high = table[7:11], np.zeros((4, n)), np.zeros((4, n))
    first[:, 1:] = (y[:, 1:] - y[:, :-1]) / gap[1:]
    has_beyond, has_before = follows[:n] & follows[1:], np.zeros(n, dtype=bool)
    has_before[1:] = has_beyond[:-1]
    high[:, :-1] = np.where(has_beyond[:-1], (first[:, 1:] - first[:, :-1]) / (gap[1:] + gap[:-1]), 0.0)
    low[:, 1:] = high[:, :-1]
    span = gap.copy()
    span[1:] += gap[:-1]
    span[:-1] += gap[1:]
    table[11:15] = np.where(has_before, low, high)
    table[15:19] = np.where(has_before & has_beyond, (high - low) / span, 0.0)
    return table
