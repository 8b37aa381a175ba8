"""Where a machine comes to rest again once its pose gives way: let go slowly, as in thick oil.

Past a fold nothing holds the pose; it moves on until a stop, a landing runner or another spring holds it, or it tips.
Inertia is left out, so this is what happens when it gives way gently; a jerk may carry it over.
"""

from __future__ import annotations

import numpy as np

from leanmix.linkage import Array
from leanmix.stance.path import Flags, Index, Rig, Track, push_past_stop, solve
from leanmix.stance.whole import whole

__all__ = ["let_go"]

STEPS = 400
ROLL_STEP_RAD = 1e-2
HEAVE_STEP_MM = 0.4
DROOP_STEP_RAD = 0.05
# a machine that has rolled this far is on its side
GONE_RAD = 1.0
KICK_RAD = 2e-3
AT_REST_RAD = 1e-7
SETTLED_DROOP_RAD = 1e-3


def let_go(
    rig: Rig, track: Track, path: Index, place: Array, pose: Array, grounded: Flags, outward: Array
) -> tuple[Array, Flags, Flags]:
    """Follow poses that nothing holds until they are held again.

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
    outward : ndarray, shape (n,)
        +1 where tipping means roll rising, −1 where falling.

    Returns
    -------
    pose : ndarray, shape (4, n)
        Where it is held again.
    grounded : ndarray of bool, shape (2, n)
    held : ndarray of bool, shape (n,)
        False where it tips.
    """
    own = rig.of(track.builds[path])
    force, push = track.load(path, place)
    here, on = pose.copy(), grounded.copy()
    here[1] += KICK_RAD * outward
    still = np.zeros(len(path), dtype=bool)
    for _ in range(STEPS):
        w = whole(own.sides, own.body, force, push, here, on)
        zz, _, _, rr = w.slopes
        droop_0, droop_z, droop_r = w.droop_by
        lift, moment = w.settled_left
        heave = np.clip(lift / np.maximum(np.abs(zz), 1e-3), -HEAVE_STEP_MM, HEAVE_STEP_MM)
        roll = np.clip(moment / np.maximum(np.abs(rr), 1.0), -ROLL_STEP_RAD, ROLL_STEP_RAD)
        droop = np.clip(droop_0 + droop_z * heave + droop_r * roll, -DROOP_STEP_RAD, DROOP_STEP_RAD)
        droop = droop * push_past_stop(own.sides, w.state, here[2:], droop)
        gone = np.abs(here[1]) > GONE_RAD
        resting = (np.abs(roll) < AT_REST_RAD) & (np.abs(heave) < 1e2 * AT_REST_RAD)
        still |= resting | gone | ~np.isfinite(roll)
        if still.all():
            break
        move = ~still
        here[0, move] += heave[move]
        here[1, move] += roll[move]
        here[2:, move] = np.clip(here[2:] + droop, own.sides.droop_min, own.sides.droop_max)[:, move]
        on ^= w.wrong & (np.abs(droop_0) < SETTLED_DROOP_RAD) & move
    found, stands, settled, stiffness = solve(rig, track, path, place, here, on)
    close = np.abs(found[1] - here[1]) < 0.05
    held = settled & (stiffness > 0) & close & (np.abs(here[1]) < GONE_RAD)
    return found, stands, held
