"""Suspension arms, upright and runner: a four-bar in closed form, and the shock between it and the mount.

``droop_rad`` is the lower arm's angle from where it was measured, + with its outer end down.

The contact is a point of the upright. For a ski that is the middle of the keel. For a wheel it is the lowest
point of the tyre taken as a thin disc: seen from the front a disc is a line fixed to the upright, whatever its
camber and however far it has rolled, so its lowest point is fixed to the upright too. The round shoulder of a
fat tyre, which moves the contact sideways by the crown's radius times the camber, is left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage.geometry import SideGeometry
from leanmix.linkage.planar import Array, Spot, Value, circle_meets_circle, turned

__all__ = [
    "ShockState",
    "SuspensionPose",
    "SuspensionRates",
    "SuspensionSweep",
    "shock_between",
    "shock_length",
    "shock_line",
    "suspension_pose",
    "suspension_rates",
    "suspension_sweep",
]


@dataclass(frozen=True, slots=True)
class SuspensionPose:
    """Where the suspension stands; each field has the broadcast shape of droop and builds.

    Attributes
    ----------
    droop_rad : float or ndarray
        Lower arm's angle from the measured pose, + outer end down.
    lower_ball, upper_ball, contact, shock_lower_eye : Spot
        Places in the chassis' frame [mm].
    upright_rad : ndarray
        Turn of the upright from the measured pose, + its top towards the centreline.
    upper_arm_rad : ndarray
        Turn of the upper arm from the measured pose, + outer end down.
    valid : ndarray of bool
        False where the arms cannot be assembled at that droop.
    """

    droop_rad: Value
    lower_ball: Spot
    upper_ball: Spot
    upright_rad: Array
    upper_arm_rad: Array
    contact: Spot
    shock_lower_eye: Spot
    valid: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class SuspensionRates:
    """How the suspension moves per radian of droop.

    Attributes
    ----------
    upright_per_droop, upper_arm_per_droop : ndarray
        Turn of upright and upper arm, signed as in `SuspensionPose` [rad/rad]; not finite where upright and upper
        arm are in line.
    contact, shock_lower_eye : Spot
        [mm/rad].
    """

    upright_per_droop: Array
    upper_arm_per_droop: Array
    contact: Spot
    shock_lower_eye: Spot


@dataclass(frozen=True, slots=True)
class ShockState:
    """Shock's length and how it changes.

    Attributes
    ----------
    length_mm : ndarray
        Eye to eye.
    per_push : ndarray
        Change with the mount's push [mm/mm]; negative: pushing shortens it.
    per_droop_mm_per_rad : ndarray
        Change with droop.
    along : Spot
        Unit vector from lower to upper eye: the way the shock pushes the mount.
    upper_eye, lower_eye : Spot
        [mm].
    """

    length_mm: Array
    per_push: Array
    per_droop_mm_per_rad: Array
    along: Spot
    upper_eye: Spot
    lower_eye: Spot


@dataclass(frozen=True, slots=True)
class SuspensionSweep:
    """What a balance needs of the suspension at a droop, and nothing that costs an arc function.

    Attributes
    ----------
    contact, contact_rate, contact_curve : Spot
        Contact [mm], its first [mm/rad] and second [mm/rad²] derivative by droop.
    eye, eye_rate, eye_curve : Spot
        The same for the shock's lower eye.
    """

    contact: Spot
    contact_rate: Spot
    contact_curve: Spot
    eye: Spot
    eye_rate: Spot
    eye_curve: Spot


def _from(pivot: Spot, arm: Spot, angle: Value) -> Spot:
    moved = turned(Spot(arm.out - pivot.out, arm.up - pivot.up), angle)
    return Spot(pivot.out + moved.out, pivot.up + moved.up)


def _turn_between(before: Spot, after: Spot) -> Array:
    return np.asarray(
        np.arctan2(before.out * after.up - before.up * after.out, before.out * after.out + before.up * after.up)
    )


def _minus(a: Spot, b: Spot) -> Spot:
    return Spot(a.out - b.out, a.up - b.up)


def suspension_pose(geo: SideGeometry, droop_rad: Value) -> SuspensionPose:
    """Where arms, upright and contact stand for a lower-arm angle.

    Parameters
    ----------
    geo : SideGeometry
        One side.
    droop_rad : float or ndarray
        Lower arm's angle from the measured pose, + outer end down [rad]; broadcasts against the builds.

    Returns
    -------
    SuspensionPose
        The assembly is the measured one; NaN and ``valid`` False where there is none.
    """
    lower_ball = _from(geo.lower_pivot, geo.lower_ball, -np.asarray(droop_rad))
    upper_ball = circle_meets_circle(lower_ball, geo.upright_mm, geo.upper_pivot, geo.upper_arm_mm, geo.fourbar_branch)
    upright = _turn_between(_minus(geo.upper_ball, geo.lower_ball), _minus(upper_ball, lower_ball))
    upper_arm = -_turn_between(_minus(geo.upper_ball, geo.upper_pivot), _minus(upper_ball, geo.upper_pivot))
    spin = turned(_minus(geo.contact, geo.lower_ball), upright)
    contact = Spot(lower_ball.out + spin.out, lower_ball.up + spin.up)
    if geo.shock_on_upper:
        eye = _from(geo.upper_pivot, geo.shock_eye, -upper_arm)
    else:
        eye = _from(geo.lower_pivot, geo.shock_eye, -np.asarray(droop_rad))
    return SuspensionPose(
        droop_rad=droop_rad,
        lower_ball=lower_ball,
        upper_ball=upper_ball,
        upright_rad=upright,
        upper_arm_rad=upper_arm,
        contact=contact,
        shock_lower_eye=eye,
        valid=np.isfinite(np.asarray(upper_ball.out)),
    )


def suspension_rates(geo: SideGeometry, pose: SuspensionPose) -> SuspensionRates:
    """How a suspension pose changes with droop, from the velocities of the four-bar.

    Parameters
    ----------
    geo : SideGeometry
        One side.
    pose : SuspensionPose
        Where it stands.
    """
    # lower arm turns by −1 (outer end down); velocity of a point r from its centre is turn × (−r.up, r.out)
    a = _minus(pose.lower_ball, geo.lower_pivot)
    b = _minus(pose.upper_ball, pose.lower_ball)
    c = _minus(pose.upper_ball, geo.upper_pivot)
    ball = Spot(a.up, -a.out)
    square = b.out * c.up - b.up * c.out
    with np.errstate(divide="ignore", invalid="ignore"):
        upright = (c.out * ball.out + c.up * ball.up) / -(c.up * b.out - c.out * b.up)
        upper = (b.out * ball.out + b.up * ball.up) / -square
    r = _minus(pose.contact, pose.lower_ball)
    contact = Spot(ball.out - upright * r.up, ball.up + upright * r.out)
    if geo.shock_on_upper:
        e = _minus(pose.shock_lower_eye, geo.upper_pivot)
        eye = Spot(-upper * e.up, upper * e.out)
    else:
        e = _minus(pose.shock_lower_eye, geo.lower_pivot)
        eye = Spot(e.up, -e.out)
    return SuspensionRates(
        upright_per_droop=np.asarray(upright),
        upper_arm_per_droop=np.asarray(-upper),
        contact=contact,
        shock_lower_eye=eye,
    )


def suspension_sweep(geo: SideGeometry, droop_rad: Value) -> SuspensionSweep:
    """Contact and shock eye with first and second derivatives by droop, for solvers.

    Parameters
    ----------
    geo : SideGeometry
        One side.
    droop_rad : float or ndarray
        Lower arm's angle from the measured pose, + outer end down [rad]; NaN comes out where the arms cannot be
        assembled.
    """
    c, s = np.cos(droop_rad), np.sin(droop_rad)

    def swung(r: Spot) -> Spot:
        return Spot(c * r.out + s * r.up, c * r.up - s * r.out)

    a = swung(_minus(geo.lower_ball, geo.lower_pivot))
    lower_ball = Spot(geo.lower_pivot.out + a.out, geo.lower_pivot.up + a.up)
    upper_ball = circle_meets_circle(lower_ball, geo.upright_mm, geo.upper_pivot, geo.upper_arm_mm, geo.fourbar_branch)
    b, b0 = _minus(upper_ball, lower_ball), _minus(geo.upper_ball, geo.lower_ball)
    w, w0 = _minus(upper_ball, geo.upper_pivot), _minus(geo.upper_ball, geo.upper_pivot)
    r = _carried(b0, b, geo.upright_mm, _minus(geo.contact, geo.lower_ball))
    with np.errstate(divide="ignore", invalid="ignore"):
        per_square = 1 / (b.out * w.up - b.up * w.out)
        spin = -(a.up * w.out - a.out * w.up) * per_square
        swing = -(a.up * b.out - a.out * b.up) * per_square
        spin_curve = (
            a.out * w.out + a.up * w.up + spin**2 * (b.out * w.out + b.up * w.up) - (swing * geo.upper_arm_mm) ** 2
        ) * per_square
    contact_rate = Spot(a.up - spin * r.up, spin * r.out - a.out)
    contact_curve = Spot(-a.out - spin_curve * r.up - spin**2 * r.out, -a.up + spin_curve * r.out - spin**2 * r.up)
    if geo.shock_on_upper:
        with np.errstate(divide="ignore", invalid="ignore"):
            swing_curve = (
                a.out * b.out + a.up * b.up + (spin * geo.upright_mm) ** 2 - swing**2 * (b.out * w.out + b.up * w.up)
            ) * per_square
        e = _carried(w0, w, geo.upper_arm_mm, _minus(geo.shock_eye, geo.upper_pivot))
        eye = Spot(geo.upper_pivot.out + e.out, geo.upper_pivot.up + e.up)
        eye_rate = Spot(-swing * e.up, swing * e.out)
        eye_curve = Spot(-swing_curve * e.up - swing**2 * e.out, swing_curve * e.out - swing**2 * e.up)
    else:
        e = swung(_minus(geo.shock_eye, geo.lower_pivot))
        eye = Spot(geo.lower_pivot.out + e.out, geo.lower_pivot.up + e.up)
        eye_rate = Spot(e.up, -e.out)
        eye_curve = Spot(-e.out, -e.up)
    return SuspensionSweep(
        contact=Spot(lower_ball.out + r.out, lower_ball.up + r.up),
        contact_rate=contact_rate,
        contact_curve=contact_curve,
        eye=eye,
        eye_rate=eye_rate,
        eye_curve=eye_curve,
    )


def _carried(before: Spot, after: Spot, length: Value, vector: Spot) -> Spot:
    """`vector` turned as a bar of this length is turned from before to after."""
    square = length * length
    cos = (before.out * after.out + before.up * after.up) / square
    sin = (before.out * after.up - before.up * after.out) / square
    return Spot(cos * vector.out - sin * vector.up, sin * vector.out + cos * vector.up)


def shock_length(geo: SideGeometry, push_mm: Value, droop_rad: Value) -> ShockState:
    """Shock's length and its partial derivatives.

    Parameters
    ----------
    geo : SideGeometry
        One side.
    push_mm : float or ndarray
        Mount down along the guide from where it was measured [mm].
    droop_rad : float or ndarray
        Lower arm's angle from the measured pose, + outer end down [rad].
    """
    pose = suspension_pose(geo, droop_rad)
    return shock_between(geo, push_mm, pose, suspension_rates(geo, pose))


def shock_line(geo: SideGeometry, push_mm: Value, droop_rad: Value) -> tuple[Array, Spot]:
    """Shock's length [mm] and the unit vector from its lower to its upper eye: `shock_length` without derivatives.

    `push_mm` [mm, + down] and `droop_rad` [rad, + outer end down] are floats or arrays that broadcast together.
    """
    if geo.shock_on_upper:
        eye = suspension_pose(geo, droop_rad).shock_lower_eye
    else:
        eye = _from(geo.lower_pivot, geo.shock_eye, -np.asarray(droop_rad))
    out = geo.eye.out + push_mm * geo.guide_down.out - eye.out
    up = geo.eye.up + push_mm * geo.guide_down.up - eye.up
    length = np.sqrt(out * out + up * up)
    return np.asarray(length), Spot(out / length, up / length)


def shock_between(geo: SideGeometry, push_mm: Value, pose: SuspensionPose, rates: SuspensionRates) -> ShockState:
    """As `shock_length` at `push_mm` [mm, float or array], for a suspension pose already worked out."""
    down = geo.guide_down
    upper = Spot(geo.eye.out + push_mm * down.out, geo.eye.up + push_mm * down.up)
    gap = _minus(upper, pose.shock_lower_eye)
    length = np.hypot(gap.out, gap.up)
    along = Spot(gap.out / length, gap.up / length)
    return ShockState(
        length_mm=np.asarray(length),
        per_push=np.asarray(along.out * down.out + along.up * down.up),
        per_droop_mm_per_rad=np.asarray(-(along.out * rates.shock_lower_eye.out + along.up * rates.shock_lower_eye.up)),
        along=along,
        upper_eye=upper,
        lower_eye=pose.shock_lower_eye,
    )
