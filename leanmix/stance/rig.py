"""What the balance works on: both sides' suspension, and the body with its rear, as plain arrays."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import Array

__all__ = ["LOOSE_SHARE", "STOP_N_PER_MM", "Body", "Sides"]

# A shock pulled right out or pushed right in, and an arm on a part of the chassis, give this much: plastic and
# rubber, stiff against any spring but finite, so that loads stay defined.
STOP_N_PER_MM = 1000.0

# A spring that has come loose still has its seals; without this a weightless loose arm could hang anywhere.
LOOSE_SHARE = 1e-6


@dataclass(frozen=True, slots=True)
class Sides:
    """Both sides' suspension, every array of shape (2, builds): left, right; own (out, up) frame, mm, N, kg.

    Vectors carried by a body are held as their parts along and square to that body's own line: (p, q) of the upright
    (lower to upper ball) or of the arm that holds the shock.
    """

    lower_pivot_out: Array
    lower_pivot_up: Array
    arm_out: Array
    arm_up: Array
    to_upper_pivot_out: Array
    to_upper_pivot_up: Array
    circle: Array
    upright_sq: Array
    branch: Array
    contact_p: Array
    contact_q: Array
    mass_p: Array
    mass_q: Array
    eye_p: Array
    eye_q: Array
    on_upper: Array
    upper_pivot_out: Array
    upper_pivot_up: Array
    mount_out: Array
    mount_up: Array
    down_out: Array
    down_up: Array
    rate: Array
    slack: Array
    longest: Array
    shortest: Array
    unsprung: Array
    droop_min: Array
    droop_max: Array
    touch_low: Array
    touch_low_lever: Array
    touch_high: Array
    touch_high_lever: Array

    def take(self, index: NDArray[np.intp]) -> Sides:
        """The sides of some builds, shape (2, len(index))."""
        return Sides(*(getattr(self, f.name)[:, index] for f in fields(self)))


@dataclass(frozen=True, slots=True)
class Body:
    """What leans and what holds it up behind, every array of shape (builds,): kg, mm, N mm."""

    mass: Array
    behind_share: Array
    per_lever: Array
    left: Array
    up: Array
    front_mass: Array
    pivot: Array
    half_width: Array
    roll_stiffness: Array
    rear_mass: Array
    rear_mass_up: Array

    def take(self, index: NDArray[np.intp]) -> Body:
        """The bodies of some builds."""
        return Body(*(getattr(self, f.name)[index] for f in fields(self)))
