"""Points of the front view, and the two closed forms that every planar linkage here comes down to.

A circle meeting a line (a crank and slider) and a circle meeting a circle (a four-bar). Everything is
elementwise and broadcasts, so one call does a whole sweep of many builds.
"""

from __future__ import annotations

from typing import NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Array",
    "Spot",
    "Value",
    "circle_meets_circle",
    "circle_meets_line",
    "fourbar",
    "slider_crank",
    "turned",
]

Array: TypeAlias = NDArray[np.float64]
Value: TypeAlias = float | Array


class Spot(NamedTuple):
    """A point or vector of the front view in one side's own frame.

    Parameters
    ----------
    out : float or ndarray
        From the centreline towards the side the part belongs to [mm].
    up : float or ndarray
        Over the board [mm], chassis frame: the board as it lay when the machine was measured.
    """

    out: Value
    up: Value


def turned(vector: Spot, angle_rad: Value) -> Spot:
    """A vector turned by `angle_rad` [rad, float or array], + from out towards up."""
    c, s = np.cos(angle_rad), np.sin(angle_rad)
    return Spot(c * vector.out - s * vector.up, s * vector.out + c * vector.up)


def circle_meets_line(centre: Spot, radius: Value, point: Spot, direction: Spot, branch: Value) -> tuple[Value, Value]:
    """Where a line runs through a circle.

    Parameters
    ----------
    centre, radius : Spot, float or ndarray
        The circle [mm].
    point, direction
        A point of the line and its unit direction.
    branch : float or ndarray
        +1 for the crossing further along `direction`, −1 for the other.

    Returns
    -------
    along : float or ndarray
        Distance from `point` along `direction` to the crossing [mm]; NaN where the line misses the circle.
    half_chord : float or ndarray
        Half the length cut off by the circle [mm]; 0 where it only grazes, NaN where it misses.
    """
    w_out, w_up = point.out - centre.out, point.up - centre.up
    along = w_out * direction.out + w_up * direction.up
    across = w_out * direction.up - w_up * direction.out
    # (r − |across|)(r + |across|): no cancellation near grazing
    room = (radius - np.abs(across)) * (radius + np.abs(across))
    half_chord = np.sqrt(np.where(room >= 0, room, np.nan))
    return branch * half_chord - along, half_chord


def circle_meets_circle(first: Spot, first_radius: Value, second: Spot, second_radius: Value, branch: Value) -> Spot:
    """Where two circles cross.

    Parameters
    ----------
    first, first_radius, second, second_radius : Spot, float or ndarray
        The circles [mm].
    branch : float or ndarray
        +1 for the crossing to the left of the way from first to second, −1 for the one to its right.

    Returns
    -------
    Spot
        The crossing [mm]; NaN where the circles do not meet or share a centre.
    """
    x, y = second.out - first.out, second.up - first.up
    apart = np.sqrt(x * x + y * y)
    with np.errstate(divide="ignore", invalid="ignore"):
        along = (apart + (first_radius - second_radius) * (first_radius + second_radius) / apart) / 2
        room = (first_radius - along) * (first_radius + along)
        across = branch * np.sqrt(np.where(room >= 0, room, np.nan))
        ux, uy = x / apart, y / apart
    return Spot(first.out + along * ux - across * uy, first.up + along * uy + across * ux)


def fourbar(
    crank: Value, coupler: Value, rocker: Value, ground: Value, crank_rad: Value, *, crossed: bool = False
) -> tuple[Value, Value]:
    """Four-bar linkage: angles of coupler and rocker for a crank angle.

    Ground runs along +x from the crank's pivot to the rocker's pivot; all angles from +x, + anticlockwise, each
    at the end nearer the crank's (coupler) or the rocker's (rocker) pivot, as in Norton, Design of Machinery, ch. 4.

    Parameters
    ----------
    crank, coupler, rocker, ground : float or ndarray
        Link lengths, any one unit (Norton's a, b, c, d).
    crank_rad : float or ndarray
        Crank angle [rad].
    crossed : bool
        False: the open assembly (coupler and rocker meet left of the way from crank pin to rocker pivot).

    Returns
    -------
    coupler_rad, rocker_rad : float or ndarray
        Angles in (−π, π] [rad]; NaN where the linkage cannot be assembled.
        Norton ex. 4-1: 40, 120, 80, 100 at 40° gives 20.298°, 57.325°.
    """
    pin = Spot(crank * np.cos(crank_rad), crank * np.sin(crank_rad))
    pivot = Spot(ground, 0.0)
    joint = circle_meets_circle(pin, coupler, pivot, rocker, -1.0 if crossed else 1.0)
    return (
        np.arctan2(joint.up - pin.up, joint.out - pin.out),
        np.arctan2(joint.up - pivot.up, joint.out - pivot.out),
    )


def slider_crank(
    crank: Value, coupler: Value, offset: Value, crank_rad: Value, *, behind: bool = False
) -> tuple[Value, Value]:
    """Offset slider-crank: coupler angle and slider place for a crank angle.

    The slider moves along x at height `offset`; the coupler's angle is taken at the slider, pointing to the crank
    pin, as in Norton, Design of Machinery, ch. 4.

    Parameters
    ----------
    crank, coupler, offset : float or ndarray
        Lengths, any one unit (Norton's a, b, c).
    crank_rad : float or ndarray
        Crank angle from +x [rad].
    behind : bool
        False: the slider ahead of the crank pin (towards +x); True: the other assembly.

    Returns
    -------
    coupler_rad, slide : float or ndarray
        Angle in (−π, π] [rad] and distance along x; NaN out of reach.
        Norton ex. 4-2: 40, 120, −20 at 60° gives 152.913°, 126.838.
    """
    pin = Spot(crank * np.cos(crank_rad), crank * np.sin(crank_rad))
    slide, _ = circle_meets_line(pin, coupler, Spot(0.0, offset), Spot(1.0, 0.0), -1.0 if behind else 1.0)
    return np.arctan2(pin.up - offset, pin.out - slide), slide
