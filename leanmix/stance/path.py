"""Poses along paths of loads, by Newton's method from poses nearby."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import Array
from leanmix.stance.newton import DONE, GROUNDED, NEWTON, POSE, STIFF, TOLD, settle
from leanmix.stance.rig import Body, Sides
from leanmix.stance.whole import SIZES, Force, Push, rows_of

__all__ = ["CHUNK", "DONE_MM", "Flags", "Index", "Rig", "Track", "solve"]

Index = NDArray[np.intp]
Flags = NDArray[np.bool_]

# the last step at a pose that is asked for, and at one on the way; it is still taken, and leaves at most a hundredth
DONE_MM = 3e-6
# poses at a time: both sides' arrays then stay in the processor's near memory
CHUNK = 4096


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
    """

    pose: Array
    grounded: Flags
    settled: Flags
    stiffness: Array


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
    return Found(out[POSE], out[GROUNDED] > 0.0, out[DONE] > 0.0, out[STIFF])
