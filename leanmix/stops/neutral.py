"""What stands at neutral: links and rods, the mounts' height, the spline tooth, how straight the links push."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from leanmix.linkage import SIDES, Tooth, mount_pose, nearest_tooth, tip_up_for_push
from leanmix.stops.mechanism import Mechanism

__all__ = ["Neutral", "NeutralSide", "neutral_state"]


@dataclass(frozen=True, slots=True)
class NeutralSide:
    """One side with the arm centred.

    Attributes
    ----------
    link_length_mm : float
        Ball to ball.
    link_wanted_mm : float
        Ball to ball that would hold the mount where it was measured.
    rod_length_mm : float
        Rod to cut for the link: less both ends, plus the thread in each.
    mount_low_mm : float
        How far the mount stands below where it was measured, along its guide; negative: above.
    link_off_guide_deg : float
        Link's angle off the guide, + mount's ball further out.
    ball_tilt_deg, ball_swing_deg : float
        How far the ball joints are tilted by the offset fore and aft, and how far they may.
    """

    link_length_mm: float
    link_wanted_mm: float
    rod_length_mm: float
    mount_low_mm: float
    link_off_guide_deg: float
    ball_tilt_deg: float
    ball_swing_deg: float


@dataclass(frozen=True, slots=True)
class Neutral:
    """Both sides with the arm centred.

    Attributes
    ----------
    left, right : NeutralSide
        Each side.
    arm_span_mm, mount_span_mm : float
        Ball to ball of the arm (double arm; else of both arms, axis distances left out) and of the mounts.
    tooth : tuple of Tooth
        Per servo: how to put the arm on its spline so that the mounts stand nearest to where they were measured.
    height_left_over_mm : float
        What remains between left and right that turning the arm cannot cure: the links differ by about this.
    """

    left: NeutralSide
    right: NeutralSide
    arm_span_mm: float
    mount_span_mm: float
    tooth: tuple[Tooth, ...]
    height_left_over_mm: float


def neutral_state(mech: Mechanism) -> Neutral:
    """Work out neutral for one build."""
    sides, turns, lows = [], [], []
    for name in SIDES:
        geo = mech.side(name)
        pose = mount_pose(geo, 0.0)
        low = float(np.asarray(geo.push_neutral_mm))
        angle = geo.arm_rest_rad
        tip_out = geo.arm_centre.out + geo.arm_outward * geo.arm_radius_mm * np.cos(angle)
        tip_up = geo.arm_centre.up + geo.arm_radius_mm * np.sin(angle)
        flat = np.hypot(geo.ball.out - tip_out, geo.ball.up - tip_up)
        tilt = np.arcsin(np.clip(np.abs(geo.offset_behind_mm) / geo.link_length_mm, 0.0, 1.0))
        sides.append(
            NeutralSide(
                link_length_mm=float(np.asarray(geo.link_length_mm)),
                link_wanted_mm=float(np.hypot(flat, geo.offset_behind_mm)),
                rod_length_mm=float(np.asarray(geo.rod_length_mm)),
                mount_low_mm=low,
                link_off_guide_deg=float(np.rad2deg(pose.link_off_guide_rad)),
                ball_tilt_deg=float(np.rad2deg(tilt)),
                ball_swing_deg=float(np.rad2deg(geo.ball_swing_rad)),
            )
        )
        turns.append(float(np.rad2deg(tip_up_for_push(geo, 0.0))))
        lows.append(low)
    teeth = mech.machine.servo.spline_teeth
    per_deg = [float(np.deg2rad(np.asarray(s.us_per_rad))) for s in mech.servos]
    if mech.machine.servo.arrangement == "double_arm":
        throw = (turns[0] - turns[1]) / 2
        tooth: tuple[Tooth, ...] = (nearest_tooth(teeth, throw, per_deg[0], double_arm=True),)
    else:
        tooth = (nearest_tooth(teeth, turns[0], per_deg[0]), nearest_tooth(teeth, turns[1], -per_deg[1]))
    return Neutral(
        left=sides[0],
        right=sides[1],
        arm_span_mm=float(np.asarray(mech.left.arm_radius_mm + mech.right.arm_radius_mm)),
        mount_span_mm=float(np.asarray(mech.left.ball.out + mech.right.ball.out)),
        tooth=tooth,
        height_left_over_mm=lows[0] - lows[1],
    )
