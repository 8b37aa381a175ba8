"""One side's mechanism as lengths and angles: what the machine file's points come to.

Frame: the side's own (out, up); ``out`` runs from the centreline towards that side, ``up`` from the board,
both fixed to the chassis and measured with the machine standing at neutral. Mirroring is done by whoever
draws or balances both sides; nothing in here knows left from right.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from leanmix.errors import GeometryError
from leanmix.linkage.planar import Spot, Value, circle_meets_line, turned
from leanmix.machine import Machine, Numbers

__all__ = ["SIDES", "SideGeometry", "SideName", "side_geometry"]

SideName = Literal["left", "right"]
SIDES: tuple[SideName, SideName] = ("left", "right")


# what a length may be off by rounding
ROUNDING = 1e-9


@dataclass(frozen=True, slots=True)
class SideGeometry:
    """One side's mechanism; every number is a float or an array of shape (builds,).

    Attributes
    ----------
    side : str
        "left" or "right": for messages only.
    arm_centre, arm_radius_mm, arm_rest_rad
        Output axis; axis to ball; the ball's height angle over the level of the axis, arm centred.
    arm_outward : float
        +1 where the arm points out, −1 where it points in.
    offset_behind_mm
        The mount's ball behind the plane of the arm's ball.
    link_length_mm, link_flat_mm
        Ball to ball in space, and its length in the front view.
    ball_swing_rad, rod_end_mm, thread_in_mm, rod_diameter_mm
        The link's ends and rod.
    guide_cant_rad, guide_down
        Tilt of the guide (+ lower end further out) and the unit vector down along it.
    guide_across : Spot
        Unit vector across the guide; for an upright guide it points out.
    bearing_centre, bearing_length_mm, bearing_moves, clearance_mm, friction
        Where and over what length mount and guide touch.
    ball, eye : Spot
        Mount's ball and shock's upper eye as measured, that is at push 0.
    push_branch
        +1 or −1: which of the two assemblies of arm and link this is.
    push_neutral_mm
        Push with the arm centred: 0 where the link was made to suit, else what the given link comes to.
        NaN for a build that cannot be assembled.
    travel_down_mm, travel_up_mm
        Push at the guide's ends, both positive.
    shock_on_upper : bool
        Whether the upper suspension arm carries the lower eye.
    shock_eye : Spot
        Lower eye as measured.
    rate_N_per_mm, length_max_mm, length_min_mm, damping_N_s_per_mm
        Shock and spring.
    lower_pivot, lower_ball, upper_pivot, upper_ball, contact : Spot
        Suspension as measured.
    lower_arm_mm, upper_arm_mm, upright_mm
        Lengths of the four-bar.
    fourbar_branch
        +1 or −1: on which side of the way from lower ball to upper pivot the upper ball lies.
    unsprung_g
        Mass of runner and upright.
    runner_radius_mm
        Wheel radius; 0 for a ski.
    """

    side: SideName
    arm_centre: Spot
    arm_radius_mm: Value
    arm_rest_rad: Value
    arm_outward: float
    offset_behind_mm: Value
    link_length_mm: Value
    link_flat_mm: Value
    ball_swing_rad: Value
    rod_end_mm: Value
    thread_in_mm: Value
    rod_diameter_mm: Value
    guide_cant_rad: Value
    guide_down: Spot
    guide_across: Spot
    bearing_centre: Spot
    bearing_length_mm: Value
    bearing_moves: bool
    clearance_mm: Value
    friction: Value
    ball: Spot
    eye: Spot
    push_branch: Value
    push_neutral_mm: Value
    travel_down_mm: Value
    travel_up_mm: Value
    shock_on_upper: bool
    shock_eye: Spot
    rate_N_per_mm: Value
    length_max_mm: Value
    length_min_mm: Value
    damping_N_s_per_mm: Value
    lower_pivot: Spot
    lower_ball: Spot
    upper_pivot: Spot
    upper_ball: Spot
    contact: Spot
    lower_arm_mm: Value
    upper_arm_mm: Value
    upright_mm: Value
    fourbar_branch: Value
    unsprung_g: Value
    runner_radius_mm: Value

    @property
    def rod_length_mm(self) -> Value:
        """Rod to cut: ball to ball less both ends, plus the thread inside each [mm]."""
        return self.link_length_mm - 2 * self.rod_end_mm + 2 * self.thread_in_mm


def _gap(a: Spot, b: Spot) -> Value:
    return np.hypot(a.out - b.out, a.up - b.up)


def side_geometry(machine: Machine, numbers: Numbers, side: SideName) -> SideGeometry:
    """Work out one side's geometry, choosing the assembly once, at neutral.

    Parameters
    ----------
    machine : Machine
        For what is not a number: arrangement, which way the arm points, which arm carries the shock.
    numbers : Numbers
        The numbers to use, scalar or of shape (builds,).
    side : {"left", "right"}
        Which side.

    Returns
    -------
    SideGeometry
        Where ``link.length_mm`` is absent the link is as long as it must be for the mount to stand as measured
        with the arm centred. With a double arm both sides turn about one axis, so the left side's centre is used
        for both.

    Raises
    ------
    GeometryError
        When this machine (scalar numbers) cannot be assembled at neutral, or no arm angle brings the link to the mount
        where that was measured. Among many builds one that cannot be
        assembled gets ``push_neutral_mm`` NaN instead.
    """
    text = machine.left if side == "left" else machine.right
    n = numbers.under(side)

    def spot(key: str) -> Spot:
        return Spot(n[f"{key}.out_mm"], n[f"{key}.up_mm"])

    centre = spot("arm.centre")
    if machine.servo.arrangement == "double_arm" and side == "right":
        centre = Spot(-numbers["left.arm.centre.out_mm"], numbers["left.arm.centre.up_mm"])
    outward = 1.0 if text.arm.points == "out" else -1.0
    rest = np.deg2rad(n["arm.rest_deg"])
    radius = n["arm.radius_mm"]
    cant = np.deg2rad(n["guide.cant_deg"])
    down = Spot(np.sin(cant), -np.cos(cant))
    ball = spot("mount.ball")
    offset = n["arm.offset_behind_mm"]

    tip = Spot(centre.out + outward * radius * np.cos(rest), centre.up + radius * np.sin(rest))
    reach = (ball.out - tip.out) * down.out + (ball.up - tip.up) * down.up
    branch = np.where(np.asarray(reach) >= 0, 1.0, -1.0)
    flat_as_measured = _gap(ball, tip)
    if "link.length_mm" in n:
        length = n["link.length_mm"]
        room = (length - np.abs(offset)) * (length + np.abs(offset))
        flat: Value = np.sqrt(np.where(room > 0, room, np.nan))
        push, half_chord = circle_meets_line(tip, flat, ball, down, branch)
    else:
        flat = flat_as_measured
        length = np.hypot(flat, offset)
        push, half_chord = 0.0 * flat, np.abs(reach)
    broken = ~np.isfinite(push) | ~(half_chord > 1e-6 * flat)
    if np.ndim(broken) == 0 and broken:
        raise _cannot(side, float(length), float(np.abs(offset)), float(flat_as_measured), float(np.asarray(reach)))
    push = np.where(broken, np.nan, push)
    away, near, far = (np.asarray(v) for v in (_gap(ball, centre), np.abs(flat - radius), flat + radius))
    too_long, too_short = away < near * (1 - ROUNDING), away > far * (1 + ROUNDING)
    if away.ndim == 0 and near.ndim == 0 and (too_long or too_short):
        raise GeometryError(
            f"The {side} side cannot be put together: with an arm of {float(radius):g} mm a link of {float(length):.4g} mm "
            f"is too {'long' if too_long else 'short'} for the mount's ball, measured {float(away):.1f} mm from the arm's axis.",
            "Measure the link, the arm's axis and the mount's ball again.",
        )

    lower_pivot, lower_ball = spot("suspension.lower_pivot"), spot("suspension.lower_ball")
    upper_pivot, upper_ball = spot("suspension.upper_pivot"), spot("suspension.upper_ball")
    way = Spot(upper_pivot.out - lower_ball.out, upper_pivot.up - lower_ball.up)
    turn = way.out * (upper_ball.up - lower_ball.up) - way.up * (upper_ball.out - lower_ball.out)

    return SideGeometry(
        side=side,
        arm_centre=centre,
        arm_radius_mm=radius,
        arm_rest_rad=rest,
        arm_outward=outward,
        offset_behind_mm=offset,
        link_length_mm=length,
        link_flat_mm=flat,
        ball_swing_rad=np.deg2rad(n["link.ball_swing_deg"]),
        rod_end_mm=n["link.rod_end_mm"],
        thread_in_mm=n["link.thread_in_mm"],
        rod_diameter_mm=n["link.rod_diameter_mm"],
        guide_cant_rad=cant,
        guide_down=down,
        guide_across=turned(down, np.pi / 2),
        bearing_centre=spot("guide.bearing_centre"),
        bearing_length_mm=n["guide.bearing_length_mm"],
        bearing_moves=text.guide.bearing_moves,
        clearance_mm=n["guide.clearance_mm"],
        friction=n["guide.friction"],
        ball=ball,
        eye=spot("mount.eye"),
        push_branch=branch,
        push_neutral_mm=push,
        travel_down_mm=n["mount.travel_down_mm"],
        travel_up_mm=n["mount.travel_up_mm"],
        shock_on_upper=text.shock.on == "upper_arm",
        shock_eye=spot("shock.lower_eye"),
        rate_N_per_mm=n["shock.rate_N_per_mm"],
        length_max_mm=n["shock.length_max_mm"],
        length_min_mm=n["shock.length_min_mm"],
        damping_N_s_per_mm=n["shock.damping_N_s_per_mm"],
        lower_pivot=lower_pivot,
        lower_ball=lower_ball,
        upper_pivot=upper_pivot,
        upper_ball=upper_ball,
        contact=spot("suspension.contact"),
        lower_arm_mm=_gap(lower_ball, lower_pivot),
        upper_arm_mm=_gap(upper_ball, upper_pivot),
        upright_mm=_gap(upper_ball, lower_ball),
        fourbar_branch=np.where(np.asarray(turn) >= 0, 1.0, -1.0),
        unsprung_g=n["suspension.unsprung_g"],
        runner_radius_mm=numbers["runner.radius_mm"] if machine.runner.kind == "wheel" else 0.0,
    )


def _cannot(side: SideName, length: float, offset: float, wanted: float, reach: float) -> GeometryError:
    what = f"The {side} side cannot be put together with the arm centred: "
    if length <= offset:
        return GeometryError(
            f"{what}the link ({length:.2f} mm) is no longer than the arm and the mount are apart fore and aft "
            f"({offset:.2f} mm).",
            "Measure link.length_mm and arm.offset_behind_mm again.",
        )
    if abs(reach) <= 1e-6 * wanted:
        return GeometryError(
            f"{what}the link lies square across the guide, so it can push the mount neither up nor down.",
            "Measure arm.centre, arm.radius_mm and mount.ball again.",
        )
    return GeometryError(
        f"{what}the link ({length:.2f} mm) does not reach from the arm's ball to the line the mount's ball slides on.",
        f"A link of {np.hypot(wanted, offset):.2f} mm would hold the mount where it was measured; "
        "leave link.length_mm out to have it worked out.",
    )
