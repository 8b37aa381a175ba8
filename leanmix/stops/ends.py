"""Ends of the throw that follow from lengths alone, in closed form: guide, reach, over centre, servo, pulse.

Each is found by listing the arm angles at which it can happen, dropping those that belong to the other assembly of
arm and link, and taking the nearest to neutral each way.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from leanmix.linkage import Array, SideGeometry, Spot, Value, arm_tip, circle_meets_line
from leanmix.stops.mechanism import Mechanism

__all__ = ["BothWays", "guide_ends", "over_centre", "pulse_ends", "reach_ends", "servo_travel"]


@dataclass(frozen=True, slots=True)
class BothWays:
    """Where something happens going each way, shape (builds,) [rad].

    Attributes
    ----------
    plus : ndarray
        Nearest angle ≥ 0; infinite where there is none.
    minus : ndarray
        Nearest angle ≤ 0; −infinite where there is none.
    """

    plus: Array
    minus: Array

    def turned(self) -> BothWays:
        """The same with the sense of the angle reversed."""
        return BothWays(-self.minus, -self.plus)


def _nearest(angles: list[Array], holds: list[Array], builds: int) -> BothWays:
    """Nearest of the listed angles each way, of those that hold."""
    plus, minus = np.full(builds, np.inf), np.full(builds, -np.inf)
    for angle, ok in zip(angles, holds, strict=True):
        turn = np.broadcast_to(angle, (builds,)) / (2 * np.pi)
        # a tenth of what numpy's remainder takes
        turn = (turn - np.floor(turn)) * (2 * np.pi)
        good = np.broadcast_to(np.asarray(ok, dtype=bool), (builds,)) & np.isfinite(turn)
        plus = np.where(good & (turn < plus), turn, plus)
        minus = np.where(good & (turn - 2 * np.pi > minus), turn - 2 * np.pi, minus)
    return BothWays(plus, minus)


def _angle_of(geo: SideGeometry, tip: Spot) -> Array:
    """Arm angle from neutral that puts its ball in a direction from the axis."""
    bearing = np.arctan2(tip.up - geo.arm_centre.up, geo.arm_outward * (tip.out - geo.arm_centre.out))
    return np.asarray(bearing - geo.arm_rest_rad)


def _same_assembly(geo: SideGeometry, tip: Spot, ball: Spot) -> Array:
    along = (ball.out - tip.out) * geo.guide_down.out + (ball.up - tip.up) * geo.guide_down.up
    return np.asarray(along * geo.push_branch >= 0)


def _ball(geo: SideGeometry, push: Value) -> Spot:
    return Spot(geo.ball.out + push * geo.guide_down.out, geo.ball.up + push * geo.guide_down.up)


def guide_ends(geo: SideGeometry, builds: int) -> tuple[BothWays, BothWays]:
    """Arm angles (tip up) at which the mount meets the lower and the upper end of its guide."""
    found = []
    for sign, limit in ((1.0, geo.travel_down_mm), (-1.0, geo.travel_up_mm)):
        ball = _ball(geo, sign * limit)
        x, y = ball.out - geo.arm_centre.out, ball.up - geo.arm_centre.up
        apart = np.hypot(x, y)
        with np.errstate(divide="ignore", invalid="ignore"):
            cosine = (apart**2 + geo.arm_radius_mm**2 - geo.link_flat_mm**2) / (2 * apart * geo.arm_radius_mm)
        between = np.arccos(np.where(np.abs(cosine) <= 1, cosine, np.nan))
        bearing = np.arctan2(y, geo.arm_outward * x)
        angles = [np.asarray(bearing + s * between - geo.arm_rest_rad) for s in (1.0, -1.0)]
        ways = _nearest(angles, [_same_assembly(geo, arm_tip(geo, a), ball) for a in angles], builds)
        past = np.broadcast_to(np.asarray(sign * geo.push_neutral_mm >= limit), (builds,))
        found.append(BothWays(np.where(past, 0.0, ways.plus), np.where(past, 0.0, ways.minus)))
    return found[0], found[1]


def reach_ends(geo: SideGeometry, builds: int) -> BothWays:
    """Arm angles (tip up) at which the link runs out: it lies square across the guide."""
    side = geo.guide_across
    # the link's part across the guide is whole − r·cos(angle − ahead)
    ahead = np.arctan2(side.up, geo.arm_outward * side.out)
    whole = (geo.ball.out - geo.arm_centre.out) * side.out + (geo.ball.up - geo.arm_centre.up) * side.up
    angles = []
    for flat in (geo.link_flat_mm, -np.asarray(geo.link_flat_mm)):
        cosine = (whole - flat) / geo.arm_radius_mm
        between = np.arccos(np.where(np.abs(cosine) <= 1, cosine, np.nan))
        angles += [np.asarray(ahead + s * between - geo.arm_rest_rad) for s in (1.0, -1.0)]
    return _nearest(angles, [np.asarray(True)] * 4, builds)


def over_centre(geo: SideGeometry, builds: int) -> BothWays:
    """Arm angles (tip up) at which arm and link come into line, so that the mount turns back."""
    angles, holds = [], []
    flat, radius = geo.link_flat_mm, geo.arm_radius_mm
    # ball beyond the tip (stretched out), tip beyond the ball, or the axis between the two (folded back)
    for apart, sense in (
        (flat + radius, 1.0),
        (np.abs(np.asarray(flat) - radius), np.where(np.asarray(radius) > flat, 1.0, -1.0)),
    ):
        for branch in (1.0, -1.0):
            push, _ = circle_meets_line(geo.arm_centre, apart, geo.ball, geo.guide_down, branch)
            ball = _ball(geo, push)
            with np.errstate(divide="ignore", invalid="ignore"):
                share = sense * radius / apart
            tip = Spot(
                geo.arm_centre.out + share * (ball.out - geo.arm_centre.out),
                geo.arm_centre.up + share * (ball.up - geo.arm_centre.up),
            )
            angles.append(_angle_of(geo, tip))
            holds.append(_same_assembly(geo, tip, ball))
    return _nearest(angles, holds, builds)


def servo_travel(mech: Mechanism) -> BothWays:
    """Throw at the servo's own end each way."""
    travel = np.deg2rad(mech.each("servo.travel_deg"))
    return BothWays(travel, -travel)


def pulse_ends(mech: Mechanism) -> BothWays:
    """Throw at which a servo's pulse reaches the maker's range each way."""
    plus, minus = np.full(mech.builds, np.inf), np.full(mech.builds, -np.inf)
    for servo in mech.servos:
        ends = [(np.asarray(pulse) - servo.neutral_us) / servo.us_per_rad for pulse in (servo.min_us, servo.max_us)]
        plus = np.minimum(plus, np.maximum(np.maximum(ends[0], ends[1]), 0.0))
        minus = np.maximum(minus, np.minimum(np.minimum(ends[0], ends[1]), 0.0))
    return BothWays(plus, minus)
