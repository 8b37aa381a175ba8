"""What is told of a balanced pose, as a formula on top of one last round of Newton's method that shows it is balanced."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np

from leanmix.linkage import Array
from leanmix.stance.formula import Formula
from leanmix.stance.newton import DONE, STIFF, TOLD, one_step, settle
from leanmix.stance.path import Rig
from leanmix.stance.rig import BodyRows, Rows, Side
from leanmix.stance.whole import SIZES, Flags, Force, Push, Whole, balance_of, rows_of

__all__ = ["FLAGS", "NUMBERS", "tell"]

# a pose is told once the step that is left is as small as this [mm]
TOLD_MM = 1e-9
TO_DEG = 180.0 / np.pi

NUMBERS = (
    "lean_deg", "heave_mm", "droop_left_deg", "droop_right_deg", "runner_load_left_N", "runner_load_right_N",
    "rear_load_N", "spring_left_N", "spring_right_N", "shock_left_N", "shock_right_N", "shock_left_mm",
    "shock_right_mm", "rear_tilt_deg", "rear_pressure_left_mm", "contact_left_mm", "contact_right_mm", "cg_left_mm",
    "cg_up_mm", "stability_N_m_per_rad",
)  # fmt: skip
FLAGS = (
    "grounded_left", "grounded_right", "topped_left", "topped_right", "solid_left", "solid_right",
    "touching_left", "touching_right",
)  # fmt: skip


def _told(left: Side, right: Side, body: BodyRows, x: Rows, w: Whole, tips: Any, stiffness: Any) -> tuple[Any, ...]:
    """Rows of `NUMBERS`, then of `FLAGS`."""
    roll, tilt = x.roll, x.tilt
    sides, droops = (left, right), (x.droop_left, x.droop_right)
    on = (x.on_left > 0.0, x.on_right > 0.0)
    loads = [np.where(on[i], w.load[i], 0.0) for i in range(2)]
    mass = body.mass + body.rear_mass + body.side_mass
    rear_load = -x.down * mass - (loads[0] + loads[1])
    edge, across, up = np.copysign(body.half_width, tilt), np.sin(tilt), np.cos(tilt)
    # all is told from under the rear's pivot, which moves off the middle as the foot rolls over its edge
    on_edge = body.pivot * across - edge * up
    # pitched about a tilted axle the nose goes aside, and what is off the axle sinks along the foot's own upright
    aside, sinks = -x.slope * w.rise, (1 - w.level) * up * up
    c, s = np.cos(roll), np.sin(roll)
    body_y, body_z = body.left * c - body.arm_up * s, body.left * s + body.arm_up * c
    front, base = 1 - body.behind_share, w.rear_height + w.rise
    y = body.mass * (body_y + front * aside) + body.rear_mass * (body.pivot - body.rear_mass_up) * across
    z = body.mass * (w.rear_height + front * w.rise + body_z - (body_z - body_y * x.slope) * sinks)
    rear_z = np.where(w.rear_flat, body.rear_mass_up, edge * across + body.rear_mass_up * up)
    z = z + body.rear_mass * rear_z
    for i, side in enumerate(sides):
        out, below = w.mass_reach[i], w.mass_below[i]
        y = y + side.unsprung * (out + aside)
        z = z + side.unsprung * (base + below - (below - out * x.slope) * sinks)
    # across the road: a pitched chassis shows a little less than its roll about its own axis
    lean = np.arcsin(s - (1 - w.level) * up * np.sin(roll - tilt))
    return (
        -TO_DEG * lean, x.heave, *(TO_DEG * droop for droop in droops), *loads, rear_load,
        *(np.maximum(spring, 0.0) for spring in w.spring), *w.shock, *w.length, TO_DEG * tilt,
        np.where(w.rear_flat, -tips / rear_load, on_edge), *(reach + aside for reach in w.reach), y / mass, z / mass,
        1e-3 * stiffness, *on,
        *(length > side.longest for length, side in zip(w.length, sides, strict=True)),
        *(length < side.shortest for length, side in zip(w.length, sides, strict=True)),
        *((droop > side.touch_low) | (droop < side.touch_high) for droop, side in zip(droops, sides, strict=True)),
    )  # fmt: skip


def _tell(sides: list[Any], body_rows: list[Any], given: list[Any], any_on_upper: bool) -> tuple[Any, ...]:
    left, right, body, x = Side(*sides[::2]), Side(*sides[1::2]), BodyRows(*body_rows), Rows(*given[:-1])
    past, tips, w = balance_of(sides, body_rows, given[:-1], any_on_upper)
    step = one_step(left, right, x, w, given[-1])
    return past, tips, *step, *_told(left, right, body, x, w, tips, step[STIFF - 2])


FORMULAS = {
    upper: Formula(partial(_tell, any_on_upper=upper), (SIZES[0], SIZES[1], SIZES[2] + 1)) for upper in (False, True)
}


def tell(rig: Rig, force: Force, push: Push, pose: Array, grounded: Flags) -> tuple[Array, Flags]:
    """What is told of poses that are balanced but for a last small step.

    Parameters
    ----------
    rig : Rig
        With one build for all poses or one for each.
    force, push
        What acts.
    pose : ndarray, shape (4, n)
        Heave [mm], roll and droops [rad].
    grounded : ndarray of bool, shape (2, n)
        Which runners stand on the road.

    Returns
    -------
    told : ndarray, shape (len(NUMBERS) + len(FLAGS), n)
    settled : ndarray of bool, shape (n,)
        False where the pose turns out not to be balanced.
    """
    rows = rows_of(rig.body, force, push, pose, grounded, more=1)
    rows[-1] = TOLD_MM
    table, body, formula = rig.sides.table.reshape(SIZES[0], -1), rig.body.table, FORMULAS[rig.sides.any_on_upper]
    found = settle(formula, table, body, rows)
    return found[TOLD:], found[DONE] > 0.0
