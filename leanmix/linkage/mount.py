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

__all__ = ["MountPose", "arm_tip", "link_across_mm", "mount_pose", "mount_push_mm", "tip_up_for_push", "tip_up_rad"]


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
    arm_out_mm, arm_up_mm : float or ndarray
        From the axis to the arm's ball.
    link_across_mm, half_chord_mm : ndarray
        The link's parts across the guide, + towards `guide_across`, and along it, ≥ 0 [mm]; the link runs out where
        the latter reaches 0.
    in_reach : ndarray of bool
        False where the link is too short or too long for that arm angle.
    """

    tip_up_rad: Value
    push_mm: Array
    push_rate_mm_per_rad: Array
    tip: Spot
    ball: Spot
    eye: Spot
    arm_out_mm: Value
    arm_up_mm: Value
    link_across_mm: Array
    half_chord_mm: Array
    in_reach: NDArray[np.bool_]

    @property
    def link_off_guide_rad(self) -> Array:
        """Angle in the front view between the link and the guide, in (−π/2, π/2).

        + where the mount's ball lies further out across the guide than the arm's ball; 0 pushes straight along it.
        """
        return np.asarray(np.arctan2(self.link_across_mm, self.half_chord_mm))

    @property
    def off_centre_rad(self) -> Array:
        """Angle in the front view between arm and link, from in line (0, over centre) to square (±π/2).

        Signed so that it passes through 0 smoothly.
        """
        out, up = self.ball.out - self.tip.out, self.ball.up - self.tip.up
        twist = self.arm_out_mm * up - self.arm_up_mm * out
        return np.asarray(np.arctan2(twist, np.abs(self.arm_out_mm * out + self.arm_up_mm * up)))


def tip_up_rad(throw_rad: Value, side: SideName) -> Value:
    """This side's arm angle [rad, + up] for the machine's throw `throw_rad` [rad, float or array].

    + throw leans left, so the left arm's ball rises.
    """
    return throw_rad if side == "left" else -throw_rad


def arm_tip(geo: SideGeometry, tip_up: Value) -> Spot:
    """The arm's ball [mm] for an arm angle from neutral `tip_up` [rad, + up; float or array, as is the ball]."""
    angle = geo.arm_rest_rad + tip_up
    return Spot(
        geo.arm_centre.out + geo.arm_outward * geo.arm_radius_mm * np.cos(angle),
        geo.arm_centre.up + geo.arm_radius_mm * np.sin(angle),
    )


def mount_push_mm(geo: SideGeometry, tip_up: Value) -> Value:
    """The push alone of `mount_pose` [mm] at `tip_up` [rad, float or array], for sweeps that need nothing else."""
    return circle_meets_line(arm_tip(geo, tip_up), geo.link_flat_mm, geo.ball, geo.guide_down, geo.push_branch)[0]


def link_across_mm(geo: SideGeometry, tip_up: Value) -> Value:
    """How far the mount's guide line passes from the arm's ball [mm]: the part of the link that lies across it.

    `tip_up` is the arm's angle from neutral [rad, + up; float or array].
    """
    tip = arm_tip(geo, tip_up)
    side = geo.guide_across
    return (geo.ball.out - tip.out) * side.out + (geo.ball.up - tip.up) * side.up


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
    arm_out = geo.arm_outward * geo.arm_radius_mm * np.cos(angle)
    arm_up = geo.arm_radius_mm * np.sin(angle)
    tip = Spot(geo.arm_centre.out + arm_out, geo.arm_centre.up + arm_up)
    down, across = geo.guide_down, geo.guide_across
    push, half_chord = circle_meets_line(tip, geo.link_flat_mm, geo.ball, down, geo.push_branch)
    push, half_chord = np.asarray(push), np.asarray(half_chord)
    shift_out, shift_up = push * down.out, push * down.up
    ball = Spot(geo.ball.out + shift_out, geo.ball.up + shift_up)
    link_out, link_up = ball.out - tip.out, ball.up - tip.up
    # rigid link: (ball speed − tip speed) has no part along the link; the tip's speed is the arm turned by a quarter
    turning = geo.arm_outward * (link_up * arm_out - link_out * arm_up)
    with np.errstate(divide="ignore", invalid="ignore"):
        rate = turning / (geo.push_branch * half_chord)
    return MountPose(
        tip_up_rad=tip_up_rad,
        push_mm=push,
        push_rate_mm_per_rad=np.asarray(rate),
        tip=tip,
        ball=ball,
        eye=Spot(geo.eye.out + shift_out, geo.eye.up + shift_up),
        arm_out_mm=arm_out,
        arm_up_mm=arm_up,
        link_across_mm=np.asarray(link_out * across.out + link_up * across.up),
        half_chord_mm=half_chord,
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
