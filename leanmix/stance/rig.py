"""What the balance works on: both sides' suspension, and the body with its rear, as tables of rows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import Array

__all__ = ["LOOSE_SHARE", "STOP_N_PER_MM", "Body", "BodyRows", "Rows", "Side", "Sides"]

# A shock pulled right out or pushed right in, and an arm on a part of the chassis, give this much: plastic and
# rubber, stiff against any spring but finite, so that loads stay defined.
STOP_N_PER_MM = 1000.0

# A spring that has come loose still has its seals; without this a weightless loose arm could hang anywhere.
LOOSE_SHARE = 1e-6


class Side(NamedTuple):
    """One side's suspension; own (out, up) frame, mm, N, kg.

    Vectors carried by a body are counted along that body's own line: of the upright (lower to upper ball) or of the
    arm that holds the shock.

    slack : spring's length when loose; longest, shortest : shock pulled right out, pushed right in
    touch_low, touch_high : droops at which the lower arm meets a part of the chassis; *_N_mm how hard it is per rad
    damping : of the shock [N s/mm], which only `leanmix.response` asks for
    apart_sq : squares of the pivots' distance and of the lower arm; circle : difference of squares of upright and
        upper arm; branch : which way the four-bar is put together
    arm : lower arm as measured; to_upper : from its pivot to the upper arm's; between : twice the arm against that
    contact, mass : from the lower ball; eye : from the pivot of the arm that holds the shock
    from_axis : from the rear's pivot to the lower arm's; lower_pivot, upper_pivot : of the chassis
    mount, down : the shock's upper eye with the guide where it was measured, and the guide's direction
    """

    rate: Array
    slack: Array
    longest: Array
    shortest: Array
    unsprung: Array
    droop_min: Array
    droop_max: Array
    touch_low: Array
    touch_high: Array
    mount_out: Array
    mount_up: Array
    down_out: Array
    down_up: Array
    damping: Array
    touch_low_N_mm: Array
    touch_high_N_mm: Array
    apart_sq: Array
    circle: Array
    upright_sq: Array
    branch: Array
    twice_arm_sq: Array
    eye_sq: Array
    on_upper: Array
    arm_out: Array
    arm_up: Array
    to_upper_out: Array
    to_upper_up: Array
    between_out: Array
    between_up: Array
    contact_out: Array
    contact_up: Array
    mass_out: Array
    mass_up: Array
    eye_out: Array
    eye_up: Array
    from_axis_out: Array
    from_axis_up: Array
    lower_pivot_out: Array
    lower_pivot_up: Array
    upper_pivot_out: Array
    upper_pivot_up: Array


@dataclass(frozen=True, slots=True)
class Sides:
    """Both sides' suspension: `table` holds the rows of `Side`, (rows, 2, builds), left and right; the rest is some of it again.

    any_on_upper : whether any shock stands on an upper arm
    """

    table: Array
    any_on_upper: bool
    rate: Array
    slack: Array
    longest: Array
    shortest: Array
    unsprung: Array
    droop_min: Array
    droop_max: Array
    touch_low: Array
    touch_high: Array
    mount_out: Array
    mount_up: Array
    down_out: Array
    down_up: Array
    damping: Array

    @classmethod
    def of(cls, table: Array, any_on_upper: bool) -> Sides:
        """From the rows of `Side`."""
        return cls(table, any_on_upper, *table[:14])

    def take(self, index: NDArray[np.intp]) -> Sides:
        """The sides of some builds, shape (2, len(index))."""
        return Sides.of(self.table.take(index, axis=-1), self.any_on_upper)


class BodyRows(NamedTuple):
    """What leans and what holds it up behind: kg, mm, N mm.

    arm : sprung weight's balance point from the rear's pivot
    """

    mass: Array
    behind_share: Array
    per_lever: Array
    left: Array
    up: Array
    arm_up: Array
    front_mass: Array
    side_mass: Array
    pivot: Array
    half_width: Array
    roll_stiffness: Array
    rear_mass: Array
    rear_mass_up: Array


@dataclass(frozen=True, slots=True)
class Body:
    """The rows of `BodyRows`, `table` of shape (rows, builds) and each again by its name."""

    table: Array
    mass: Array
    behind_share: Array
    per_lever: Array
    left: Array
    up: Array
    arm_up: Array
    front_mass: Array
    side_mass: Array
    pivot: Array
    half_width: Array
    roll_stiffness: Array
    rear_mass: Array
    rear_mass_up: Array

    @classmethod
    def of(cls, table: Array) -> Body:
        """From the rows of `BodyRows`."""
        return cls(table, *table)

    def take(self, index: NDArray[np.intp]) -> Body:
        """The bodies of some builds."""
        return Body.of(self.table.take(index, axis=-1))


class Rows(NamedTuple):
    """What goes into the balance besides the machine, each of shape (n,).

    tilt, tilt_heave, tilt_roll : of the rear's foot about its edge [rad, + left side up], and its change with heave and roll
    height, height_tilt : of the rear's pivot [mm], and its change with tilt
    slope : tangent of the tilt
    """

    heave: Array
    roll: Array
    droop_left: Array
    droop_right: Array
    across: Array
    down: Array
    grip_left: Array
    grip_right: Array
    mount_out_left: Array
    mount_out_right: Array
    mount_up_left: Array
    mount_up_right: Array
    slack_left: Array
    slack_right: Array
    on_left: Array
    on_right: Array
    tilt: Array
    tilt_heave: Array
    tilt_roll: Array
    height: Array
    height_tilt: Array
    slope: Array
