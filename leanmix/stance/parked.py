"""Lean while parked: the runners' friction holds a range of poses that rolling lets go of."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from leanmix.linkage import GRAVITY_M_PER_S2, Array, Value
from leanmix.stance.balance import balance, mount_pushes_mm, whole_rig
from leanmix.stance.march import march
from leanmix.stance.path import Index, Track
from leanmix.stance.setup import Setup
from leanmix.stance.whole import SIGN, Force, Push, push_of

__all__ = ["ParkedLean", "parked_lean"]


@dataclass(frozen=True, slots=True)
class ParkedLean:
    """Lean standing still, arrays of the throw's shape, builds last.

    Attributes
    ----------
    rolling_deg
        As soon as it rolls, + left.
    least_deg, most_deg
        Ends of the band in which the runners' friction can hold it.
    """

    rolling_deg: Array
    least_deg: Array
    most_deg: Array


def parked_lean(setup: Setup, throw_deg: Value, friction: float) -> ParkedLean:
    """The band of lean in which a parked machine may stand.

    Going up or down on its springs the runners move apart or together, and leaning carries both to one side. Parked
    they have to scrub for that. Opposed to each other they hold no more than friction times the smaller load. Both to
    one side they would turn the machine about its rear, so they hold no more than the rear's contact resists being
    turned (friction times load times a quarter of the contact's length), and what they hold is taken at the height of
    the rear's pivot. The band's ends are the poses in which all of that is used up. Rolling, none of it is left.

    Parameters
    ----------
    setup : Setup
        From `stance_setup`.
    throw_deg : float or ndarray
        Servo arm, + leaning left [deg].
    friction : float
        Sideways friction over load, as on the surface it stands on.
    """
    rolling = balance(setup, throw_deg)
    shape = rolling.lean_deg.shape
    rig = whole_rig(setup)
    left, right = mount_pushes_mm(setup, throw_deg)
    push = np.stack([np.broadcast_to(v, shape).ravel() for v in (left, right)])
    build = np.broadcast_to(np.arange(setup.builds).reshape(() if setup.scalar else (setup.builds,)), shape).ravel()
    loads = np.stack([rolling.runner_load_left_N.ravel(), rolling.runner_load_right_N.ravel()])
    start = np.stack(
        [
            rolling.heave_mm.ravel(),
            -np.deg2rad(rolling.lean_deg.ravel()),
            np.deg2rad(rolling.droop_left_deg.ravel()),
            np.deg2rad(rolling.droop_right_deg.ravel()),
        ]
    )
    grounded = np.stack([rolling.grounded_left.ravel(), rolling.grounded_right.ravel()])
    n = setup.numbers
    length = n["rear.contact_rear_behind_mm"] - n["rear.contact_front_behind_mm"]
    turning = np.broadcast_to(np.asarray(length / (4 * n["rear.load_behind_mm"])), (setup.builds,))[build]
    with np.errstate(invalid="ignore", divide="ignore"):
        opposed = np.where(grounded.all(axis=0), loads.min(axis=0) / loads, 0.0)
        sideways = np.minimum(turning * rolling.rear_load_N.ravel() / loads.sum(axis=0), 1.0)
    size = np.where(np.isfinite(start).all(axis=0), friction, 0.0)
    ends = [rolling.lean_deg]
    for apart, aside in itertools.product((1.0, -1.0), repeat=2):
        share = apart * SIGN * np.minimum(opposed, 1 - sideways) + aside * sideways

        def load(path: Index, place: Array, share: Array = share) -> tuple[Force, Push]:
            still = np.zeros(len(path))
            force = Force(still, np.full(len(path), -GRAVITY_M_PER_S2), still, place * share[:, path])
            return force, push_of(rig.of(build[path]).sides, push[:, path])

        nodes = march(rig, Track(load, build), size, start, grounded, step=0.1, shortest=1e-3)
        # what less friction can hold, more can too; a path that folds before its end holds all up to there
        lean = -np.rad2deg(nodes.pose[1])
        for extreme in (np.fmin, np.fmax):
            furthest = np.full(build.size, np.nan)
            extreme.at(furthest, nodes.path, lean)
            ends.append(furthest.reshape(shape))
    return ParkedLean(
        rolling_deg=rolling.lean_deg,
        least_deg=np.fmin.reduce(ends),
        most_deg=np.fmax.reduce(ends),
    )
