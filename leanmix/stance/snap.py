"""Where a machine comes to rest again once its pose gives way: let go slowly, as in thick oil.

Past a fold nothing holds the pose; it rolls on until a stop, a landing runner or another spring holds it, or it tips.
Inertia is left out, so this is what happens when it gives way gently; a jerk may carry it over.
"""

from __future__ import annotations

import numpy as np

from leanmix.linkage import Array
from leanmix.stance.newton import push_past_stop
from leanmix.stance.path import Flags, Index, Rig, Track, solve
from leanmix.stance.whole import Force, Push, whole, wrong_side

__all__ = ["let_go"]

ROLL_STEP_RAD = 6e-3
# a machine that has rolled this far is on its side
GONE_RAD = 0.9
HEAVE_ROUNDS = 14
LONGEST_HEAVE_MM = 5.0
LONGEST_DROOP_RAD = 0.15
SETTLED_MM = 1e-3
SETTLED_RAD = 1e-5


def let_go(
    rig: Rig, track: Track, path: Index, place: Array, pose: Array, grounded: Flags, most_rad: float = np.inf
) -> tuple[Array, Flags, Flags]:
    """Follow poses that nothing holds until they are held again.

    The roll is led on in small steps, heave and arms following, the way the moment that is left over pushes it; where
    that moment turns round, a pose is held.

    Parameters
    ----------
    rig, track
        Builds and loads.
    path, place : ndarray, shape (n,)
        Which path, where along it; the load stays.
    pose : ndarray, shape (4, n)
        The last pose that was held.
    grounded : ndarray of bool, shape (2, n)
        Which runners stood on the road there.
    most_rad : float
        It tips where it rolls on further than this.

    Returns
    -------
    pose : ndarray, shape (4, n)
        Where it is held again.
    grounded : ndarray of bool, shape (2, n)
    held : ndarray of bool, shape (n,)
        False where it tips.
    """
    n = len(path)
    own = rig.of(track.builds[path])
    force, push = track.load(path, place)
    here, on = pose.copy(), grounded.copy()
    here, on, moment, found = _heaved(own, force, push, here, on)
    way = np.sign(moment)
    held, alive = np.zeros(n, dtype=bool), found & (way != 0)
    while alive.any():
        here[1] += np.where(alive, ROLL_STEP_RAD * way, 0.0)
        there, stands, moment, found = _heaved(own, force, push, here, on)
        alive &= found
        here, on = np.where(alive, there, here), np.where(alive, stands, on)
        turned = alive & (moment * way <= 0)
        held |= turned
        alive &= ~turned & (np.abs(here[1]) < GONE_RAD) & (np.abs(here[1] - pose[1]) < most_rad)
    at_rest, stands, settled, stiffness = solve(rig, track, path, place, here, on)
    held &= settled & (stiffness > 0) & (np.abs(at_rest[1] - here[1]) < 3 * ROLL_STEP_RAD)
    return at_rest, stands, held


def _heaved(rig: Rig, force: Force, push: Push, pose: Array, grounded: Flags) -> tuple[Array, Flags, Array, Flags]:
    """Heave and arms at rest for the roll that a pose has; the moment left over; whether they came to rest."""
    here, on = pose.copy(), grounded.copy()
    done = np.zeros(here.shape[1], dtype=bool)
    moment = np.zeros(here.shape[1])
    for _ in range(HEAVE_ROUNDS):
        w = whole(rig.sides, rig.body, force, push, here, on)
        zz, droop_0, droop_z = w.lift_heave, w.droop_0, w.droop_heave
        # pushed the wrong way by its own heave it moves off, the way it is pushed
        heave = np.clip(w.lift / np.maximum(np.abs(zz), 1e-6), -LONGEST_HEAVE_MM, LONGEST_HEAVE_MM)
        droop = np.clip(droop_0 + droop_z * heave, -LONGEST_DROOP_RAD, LONGEST_DROOP_RAD)
        share = push_past_stop(rig.sides, w.length, w.length_droop, here[2:], droop).min(axis=0)
        close = (np.abs(heave) < SETTLED_MM) & (np.abs(droop).max(axis=0) < SETTLED_RAD)
        flips = wrong_side(on, w.load, w.height) & (np.abs(droop_0) < SETTLED_RAD)
        settled = close & ~(flips[0] | flips[1])
        done |= settled
        moment = np.where(settled | ~done, w.moment, moment)
        move = ~done
        here[0] += np.where(move, heave * share, 0.0)
        here[2:] = np.where(move, np.clip(here[2:] + droop * share, rig.sides.droop_min, rig.sides.droop_max), here[2:])
        on ^= flips & move
        if done.all():
            break
    return here, on, moment, done
