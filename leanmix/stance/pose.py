"""Where the machine stands: its results, and the functions that find them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import Array

__all__ = ["Reason", "Stance"]


class Reason(IntEnum):
    """Why a pose has no answer."""

    OK = 0
    UNUSABLE_BUILD = 1
    OUT_OF_REACH = 2
    PAST_FOLD = 3

    @property
    def says(self) -> str:
        """In a sentence for people."""
        return _SAYS[self]


_SAYS = {
    Reason.OK: "It stands.",
    Reason.UNUSABLE_BUILD: "This build cannot be put together, or does not stand up with the arm centred.",
    Reason.OUT_OF_REACH: "The link does not reach that arm angle.",
    Reason.PAST_FOLD: "Nothing holds it there any more: it rolls on until something else stops it.",
}


@dataclass(frozen=True, slots=True)
class Stance:
    """Balanced poses; every array has the broadcast shape of what was asked for (and of the builds, last).

    NaN where `ok` is False. Left and right as seen from behind; lean is + to the left.

    Attributes
    ----------
    throw_deg, lateral_g, bank_deg
        What was asked: servo arm from neutral, + leaning left (NaN where mounts were asked for); horizontal acceleration
        over g, + turning left; bank, + with the left side of the road lower.
    push_left_mm, push_right_mm
        Mounts down their guides from where they were measured.
    lean_deg
        Chassis against the road; the negative of roll about +x.
    heave_mm
        Chassis at the runners, + up from the measured pose.
    droop_left_deg, droop_right_deg
        Lower arms from the measured pose, + outer end down.
    runner_load_left_N, runner_load_right_N, rear_load_N
        Square to the road; 0 for a runner in the air.
    grounded_left, grounded_right
        Whether the runner touches the road.
    spring_left_N, spring_right_N
        Springs alone.
    shock_left_N, shock_right_N
        Between the shock's eyes, + pushing them apart: the spring and the shock's own ends.
    shock_left_mm, shock_right_mm
        Eye to eye.
    topped_left, topped_right, solid_left, solid_right, touching_left, touching_right
        Shock pulled right out; pushed right in; a suspension arm on a part of the chassis.
    rear_tilt_deg
        Rear's foot about its edge, + left side up; 0 while flat.
    rear_pressure_left_mm
        Where the rear's load rests across, + left of the point straight under its pivot.
    contact_left_mm, contact_right_mm
        Runner contacts from the chassis' centreline mark on the road, + left.
    cg_left_mm, cg_up_mm
        Whole machine's balance point in the road's frame, from the same mark.
    stability_N_m_per_rad
        How hard it resists further roll with everything else settled; 0 is the fold.
    ok : ndarray of bool
    reason : ndarray of int
        `Reason` of each.
    """

    throw_deg: Array
    lateral_g: Array
    bank_deg: Array
    push_left_mm: Array
    push_right_mm: Array
    lean_deg: Array
    heave_mm: Array
    droop_left_deg: Array
    droop_right_deg: Array
    runner_load_left_N: Array
    runner_load_right_N: Array
    rear_load_N: Array
    grounded_left: NDArray[np.bool_]
    grounded_right: NDArray[np.bool_]
    spring_left_N: Array
    spring_right_N: Array
    shock_left_N: Array
    shock_right_N: Array
    shock_left_mm: Array
    shock_right_mm: Array
    topped_left: NDArray[np.bool_]
    topped_right: NDArray[np.bool_]
    solid_left: NDArray[np.bool_]
    solid_right: NDArray[np.bool_]
    touching_left: NDArray[np.bool_]
    touching_right: NDArray[np.bool_]
    rear_tilt_deg: Array
    rear_pressure_left_mm: Array
    contact_left_mm: Array
    contact_right_mm: Array
    cg_left_mm: Array
    cg_up_mm: Array
    stability_N_m_per_rad: Array
    ok: NDArray[np.bool_]
    reason: NDArray[np.int8]
