"""Servo arm, link and sliding mount: where the mount stands for an arm angle.

Throw is the machine's: positive leans it LEFT (as steer is), so the left side's arm goes up by the throw and
the right side's goes down by it; `tip_up_rad` says it in one place. Lean in degrees is likewise positive to the
left, the negative of roll about +x (ISO 8855).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage.geometry import SideGeometry, SideName
from leanmix.linkage.planar import Array, Spot, Value, circle_meets_line

__all__ = ["MountPose", "arm_tip", "mount_pose", "tip_up_for_push", "tip_up_rad"]


@dataclass(frozen=True, slots=True)
class MountPose:
    """Where arm, link and mount stand; each field has the broadcast shape of throw and builds.

    Attributes
    ----------
    tip_up_rad : float or ndarray
        The arm angle that was asked for.
    push_mm : ndarray
        The mount down along its guide from where it was measured [mm]; negative is up. NaN out of reach.
    push_rate_mm_per_rad : ndarray
        Change of push with tip_up_rad; 0 where arm and link are in line (over centre).
    tip, ball, eye : Spot
        Arm's ball, mount's ball, shock's upper eye [mm].
    link_off_guide_rad : ndarray
        Angle in the front view between the link and the guide, in (−π/2, π/2); + where the mount's ball lies further
        out across the guide than the arm's ball. 0 pushes straight along the guide.
    half_chord_mm : ndarray
        Share of the link that lies along the guide [mm], ≥ 0; the link runs out where it reaches 0.
    off_centre_rad : ndarray
        Angle in the front view between arm and link, from in line (0, over centre) to square (π/2); signed so
        that it passes through 0 smoothly.
    in_reach : ndarray of bool
        False where the link is too short or too long for that arm angle.
    """

    tip_up_rad: Value
    push_mm: Array
    push_rate_mm_per_rad: Array
    tip: Spot
    ball: Spot
    eye: Spot
    link_off_guide_rad: Array
    half_chord_mm: Array
    off_centre_rad: Array
    in_reach: NDArray[np.bool_]


def tip_up_rad(throw_rad: Value, side: SideName) -> Value:
    """This side's arm angle for the machine's throw: + throw leans left, so the left arm's ball rises."""
    return throw_rad if side == "left" else -throw_rad


def arm_tip(geo: SideGeometry, tip_up: Value) -> Spot:
    """The arm's ball [mm] for an arm angle from neutral, + up [rad]."""
    angle = geo.arm_rest_rad + tip_up
    return Spot(
        geo.arm_centre.out + geo.arm_outward * geo.arm_radius_mm * np.cos(angle),
        geo.arm_centre.up + geo.arm_radius_mm * np.sin(angle),
    )


def mount_pose(geo: SideGeometry, tip_up_rad: Value) -> MountPose:
    """Where the mount stands for an arm angle, in closed form.

    Parameters
    ----------
    geo : SideGeometry
        One side.
    tip_up_rad : float or ndarray
        The arm's angle from neutral, + raises its ball [rad]. Broadcasts against the builds: throw as (throws, 1)
        against builds (builds,) gives (throws, builds).

    Returns
    -------
    MountPose
        The branch is the one of neutral, so a mount never jumps; past the link's reach push is NaN and
        `in_reach` False.
    """
    angle = geo.arm_rest_rad + tip_up_rad
    tip = arm_tip(geo, tip_up_rad)
    down, across = geo.guide_down, geo.guide_across
    push, half_chord = circle_meets_line(tip, geo.link_flat_mm, geo.ball, down, geo.push_branch)
    push, half_chord = np.asarray(push), np.asarray(half_chord)
    ball = Spot(geo.ball.out + push * down.out, geo.ball.up + push * down.up)
    eye = Spot(geo.eye.out + push * down.out, geo.eye.up + push * down.up)
    link_out, link_up = ball.out - tip.out, ball.up - tip.up
    along = geo.push_branch * half_chord
    sideways = link_out * across.out + link_up * across.up
    # rigid link: (ball speed − tip speed) has no part along the link
    tip_rate_out = -geo.arm_outward * geo.arm_radius_mm * np.sin(angle)
    tip_rate_up = geo.arm_radius_mm * np.cos(angle)
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = (link_out * tip_rate_out + link_up * tip_rate_up) / along
    arm_out, arm_up = tip.out - geo.arm_centre.out, tip.up - geo.arm_centre.up
    twist = arm_out * link_up - arm_up * link_out
    inline = np.abs(arm_out * link_out + arm_up * link_up)
    return MountPose(
        tip_up_rad=tip_up_rad,
        push_mm=push,
        push_rate_mm_per_rad=np.asarray(rate),
        tip=tip,
        ball=ball,
        eye=eye,
        link_off_guide_rad=np.arctan2(sideways, half_chord),
        half_chord_mm=half_chord,
        off_centre_rad=np.arctan2(twist, inline),
        in_reach=np.isfinite(push),
    )


def tip_up_for_push(geo: SideGeometry, push_mm: Value) -> Array:
    """The arm angle that puts the mount at a push, the inverse of `mount_pose` near neutral.

    Parameters
    ----------
    geo : SideGeometry
        One side.
    push_mm : float or ndarray
        Mount down along the guide from where it was measured [mm].

    Returns
    -------
    ndarray
        Arm angle from neutral [rad], on the side of over-centre that neutral is on; NaN where no arm angle does it.
    """
    down = geo.guide_down
    x = geo.ball.out + push_mm * down.out - geo.arm_centre.out
    y = geo.ball.up + push_mm * down.up - geo.arm_centre.up
    apart = np.hypot(x, y)
    with np.errstate(divide="ignore", invalid="ignore"):
        cosine = (apart**2 + geo.arm_radius_mm**2 - geo.link_flat_mm**2) / (2 * apart * geo.arm_radius_mm)
    between = np.arccos(np.where(np.abs(cosine) <= 1, cosine, np.nan))
    bearing = np.arctan2(y, x)
    neutral = np.where(geo.arm_outward > 0, geo.arm_rest_rad, np.pi - geo.arm_rest_rad)
    ball_bearing = np.arctan2(
        geo.ball.up + geo.push_neutral_mm * down.up - geo.arm_centre.up,
        geo.ball.out + geo.push_neutral_mm * down.out - geo.arm_centre.out,
    )
    ahead = np.where(np.sin(neutral - ball_bearing) >= 0, 1.0, -1.0)
    change = bearing + ahead * between - neutral
    change = (change + np.pi) % (2 * np.pi) - np.pi
    return np.asarray(geo.arm_outward * change)
