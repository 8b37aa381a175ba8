"""The rear's foot as formulas: whether it stands flat, and its tilt once it stands on its edge.

Of the machine they need the body alone; their first argument, the sides' rows, is there because every formula has it.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from leanmix.linkage import Array
from leanmix.stance.rig import Body, BodyRows, Rows

__all__ = ["level_of", "past_edge", "tilted"]

# square of the pitch's cosine: a step of Newton's method may overshoot even a machine on end
STEEPEST = 1e-4
# Newton's method on the foot's tilt, from flat
EDGE_ROUNDS = 5


def level_of(nose: Array) -> Array:
    """Cosine of the pitch, from the chassis' rise per length."""
    return np.sqrt(np.maximum(1 - nose * nose, STEEPEST))


def _carried(body: Body | BodyRows, nose: Array, from_pivot: Array, h: Array) -> Array:
    """What the rear's pivot carries [kg], from the balance along the machine about the runners' contacts.

    nose : rise of the chassis towards the runners, per length
    from_pivot : chassis' level line through the pivot, at the runners, over the road [mm]
    h : sprung weight's balance point over that line [mm]
    """
    slant = nose * body.per_lever
    return body.mass * (1 - (1 - body.behind_share - h * slant) / (1 + from_pivot * slant))


def past_edge(_sides: list[Any], body_rows: list[Any], given: list[Any]) -> tuple[Any, Any]:
    """With the foot flat: how far past its edge its centre of pressure is [N mm], and to which side it tips."""
    body, x = BodyRows(*body_rows), Rows(*given)
    hang, swing = body.pivot * np.cos(x.roll), body.left * np.sin(x.roll)
    from_pivot = x.heave + hang
    nose = (from_pivot - body.pivot) * body.per_lever
    carried = _carried(body, nose, from_pivot, swing + body.arm_up * np.cos(x.roll))
    first = carried * body.pivot + body.rear_mass * body.rear_mass_up
    # the rear's spring turns about the pitched chassis' own axis
    tips = body.roll_stiffness / level_of(nose) * x.roll - x.across * first
    return np.abs(tips) + x.down * (carried + body.rear_mass) * body.half_width, tips


def tilted(_sides: list[Any], body_rows: list[Any], given: list[Any]) -> tuple[Any, ...]:
    """The rear's foot on its edge as a formula, by Newton's method: the last six of `Rows`, then how stiffly it stands.

    Of what it works out itself only the side that it tips to is taken from `Rows.tilt`.
    """
    body, x = BodyRows(*body_rows), Rows(*given)
    down, across, roll, pivot, per = x.down, x.across, x.roll, body.pivot, body.per_lever
    cos, sin = np.cos(roll), np.sin(roll)
    from_pivot, swing = x.heave + pivot * cos, pivot * sin
    h = body.left * sin + body.arm_up * cos
    half = np.copysign(body.half_width, x.tilt)
    k = body.roll_stiffness / level_of((from_pivot - pivot) * per)
    high = body.mass * (h + (1 - body.behind_share) * from_pivot)
    tilt: Any = 0.0
    slope: Any = -1.0
    for _ in range(EDGE_ROUNDS):
        c, s = np.cos(tilt), np.sin(tilt)
        out, up = half * c - pivot * s, half * s + pivot * c
        slant = (from_pivot - up) * per * per
        stretch = 1 / (1 + from_pivot * slant)
        # the axle tilts with the foot: pitched, the side that is lower lies further back
        tan, aside = s / c, k * (roll - tilt) + across * high
        askew = tan * aside * stretch / down
        weight = body.mass * (1 - (1 - body.behind_share - h * slant) * stretch) - slant * askew
        by_slant = high * stretch * stretch - askew
        lever = down * out - across * up
        rear_out, rear_up = half * c - body.rear_mass_up * s, half * s + body.rear_mass_up * c
        left = weight * lever + body.rear_mass * (down * rear_out - across * rear_up) + k * (roll - tilt)
        turns = weight * (down * up + across * out) + body.rear_mass * (down * rear_up + across * rear_out) + k
        by_askew = ((1 + tan * tan) * aside - k * tan) * stretch / down
        slope = -turns - lever * (by_slant * per * per * out + slant * by_askew)
        slope = np.where(slope < 0.0, slope, -np.inf)
        tilt = np.maximum(np.minimum(tilt - left / slope, 1.2), -1.2)
    by_weight = -lever / slope * by_slant * per * per
    c, s = np.cos(tilt), np.sin(tilt)
    return tilt, by_weight, -by_weight * swing - k / slope, half * s + pivot * c, half * c - pivot * s, s / c, slope
