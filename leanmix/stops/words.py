"""Stops in a builder's words: what happens, why, and what would help."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from leanmix.linkage import (
    SIDES,
    SideGeometry,
    SideName,
    mount_pose,
    push_share,
    side_geometry,
    tip_up_for_push,
    tip_up_rad,
)
from leanmix.machine import Numbers
from leanmix.stops.gaps import gap_at
from leanmix.stops.loads import Loads, StateSource, friction_range, torque_allowed
from leanmix.stops.mechanism import Mechanism
from leanmix.stops.neutral import Neutral
from leanmix.stops.parts import SERVO_BODIES, Pair
from leanmix.stops.rung import Stop
from leanmix.stops.search import Found

__all__ = ["StraighterArm", "Telling", "Words", "straighter_arm", "tell"]

# a link further off its guide than this at neutral, or an arm this much off the mounts' spacing, is worth a note
CROOKED_DEG = 10.0
SPAN_SHARE = 0.15
# shares of a push below this are little
POOR_SHARE = 0.35


@dataclass(frozen=True, slots=True)
class Words:
    """What a stop is and what would help."""

    says: str
    cure: str


@dataclass(frozen=True, slots=True)
class StraighterArm:
    """The arm whose link stays nearest to the guide's direction over some travel of the mount.

    Attributes
    ----------
    radius_mm : float
        Axis to ball.
    off_guide_deg : float
        Greatest angle of its link off the guide over that travel.
    link_length_mm : float
        Its link, ball to ball, for the same height of the mount.
    """

    radius_mm: float
    off_guide_deg: float
    link_length_mm: float


@dataclass(frozen=True, slots=True)
class Telling:
    """What the sentences draw on."""

    mech: Mechanism
    source: StateSource
    loads: Loads

    def notes(self, neutral: Neutral, stops: Sequence[Stop]) -> tuple[str, ...]:
        """Remarks on the whole mechanism: arm against mounts, heights, jam over the friction range, balance."""
        return tuple(_notes(self, neutral, stops))


def arm_name(mech: Mechanism, radius_mm: float) -> str:
    """An arm's size as builders give it: ball to ball for a double arm."""
    if mech.machine.servo.arrangement == "double_arm":
        return f"{2 * radius_mm:.3g} mm arm (ball to ball)"
    return f"{radius_mm:.3g} mm arm"


def straighter_arm(mech: Mechanism, side: SideName, travel_mm: float) -> StraighterArm | None:
    """Find the arm whose link strays least from the guide over ± a travel of the mount; None where none reaches it.

    Parameters
    ----------
    mech : Mechanism
        One build.
    side : {"left", "right"}
        Which side.
    travel_mm : float
        Travel of the mount each way from where it was measured.
    """
    now = float(np.asarray(mech.side(side).arm_radius_mm))
    span = max(now, float(np.asarray(np.abs(mech.side(side).ball.out - mech.side(side).arm_centre.out))))
    radii = np.arange(2.0, 3 * span + 2, 0.25)
    numbers = {k: v for k, v in mech.numbers.items() if k != f"{side}.link.length_mm"}
    numbers[f"{side}.arm.radius_mm"] = radii
    geo = side_geometry(mech.machine, Numbers(numbers), side)
    pushes = np.linspace(-abs(travel_mm), abs(travel_mm), 9)[:, None]
    tip_up = tip_up_for_push(geo, pushes)
    worst = np.abs(np.rad2deg(mount_pose(geo, tip_up).link_off_guide_rad)).max(axis=0)
    worst = np.where(np.isfinite(geo.push_neutral_mm), worst, np.nan)
    if not np.isfinite(worst).any():
        return None
    best = int(np.nanargmin(worst))
    length = np.broadcast_to(np.asarray(geo.link_length_mm), radii.shape)
    return StraighterArm(float(radii[best]), float(worst[best]), float(length[best]))


def tell(telling: Telling, item: Found, way: str, throw_rad: float, next_rad: float | None) -> Words:
    """Put one stop into words.

    Parameters
    ----------
    telling : Telling
        The machine.
    item : Found
        The stop.
    way : str
        "left" or "right".
    throw_rad : float
        Where, + left.
    next_rad : float or None
        Throw of the stop after it.
    """
    if item.pair is not None:
        return _contact(telling, item.pair, throw_rad, next_rad)
    return _TELL[item.kind](telling, item.side, way, throw_rad)


def _off_guide(geo: SideGeometry, throw_rad: float) -> float:
    return float(np.rad2deg(mount_pose(geo, tip_up_rad(throw_rad, geo.side)).link_off_guide_rad))


def _push(geo: SideGeometry, throw_rad: float) -> float:
    return float(mount_pose(geo, tip_up_rad(throw_rad, geo.side)).push_mm)


def _up_or_down(push_mm: float) -> str:
    return "down" if push_mm > 0 else "up"


def _contact(telling: Telling, pair: Pair, throw_rad: float, next_rad: float | None) -> Words:
    place = f"on the {pair.side}" if pair.side in SIDES else "across the middle"
    one, other = pair.first.name, pair.second.name
    servo_side = [p.name for p in (pair.first, pair.second) if p.body in SERVO_BODIES]
    if pair.blocks:
        says = f"{one} meets {other} {place}"
    else:
        says = f"{one} comes down on {other} {place}; the mount goes on pressing the spring"
        if "rack" not in other and "rack" not in one:
            says = f"{one} touches {other} {place}; the mount goes on pressing the spring"
    need = _room_needed(telling, pair, throw_rad, next_rad)
    if need is None:
        return Words(says, f"Give {other} more room." if pair.blocks else f"Move {other} or trim it.")
    amount = f"{max(need, 0.05):.1f} mm"
    fixed = next((p.name for p in (pair.second, pair.first) if p.body == "chassis"), None)
    if fixed is None:
        return Words(says, f"{amount} more room between {one} and {other} takes it out of the way up to the next stop.")
    if servo_side:
        return Words(says, f"Counterbore, trim or move {fixed} by {amount} to be clear of it up to the next stop.")
    return Words(says, f"Lower or trim {fixed} by {amount} and the arm goes free up to the next stop.")


def _room_needed(telling: Telling, pair: Pair, throw_rad: float, next_rad: float | None) -> float | None:
    """How much nearer than its margin a pair would come by the next stop [mm]; None where there is none."""
    if next_rad is None or abs(next_rad - throw_rad) < 1e-9:
        return None
    # with nothing in the way, or a touch would hide how much room it wants
    states = telling.source.free(np.linspace(throw_rad, next_rad, 25))
    gap, x = gap_at(telling.mech, pair, states)
    gaps = gap.signed_mm(x, np.zeros(x.shape, dtype=np.intp))
    # past what the balance can say there is nothing to measure
    return float(gap.margin_mm[0] - np.nanmin(gaps)) if np.isfinite(gaps).any() else None


def _jam(telling: Telling, side: str, way: str, throw_rad: float) -> Words:
    mech = telling.mech
    geo = mech.side("left" if side == "left" else "right")
    angle, push = abs(_off_guide(geo, throw_rad)), _push(geo, throw_rad)
    mu = float(np.asarray(friction_range(mech)[1][0 if side == "left" else 1]))
    share = float(push_share(geo, mount_pose(geo, tip_up_rad(throw_rad, geo.side)), mu))
    straight = float(push_share(geo, mount_pose(geo, tip_up_rad(throw_rad, geo.side)), 0.0))
    little = f"{100 * max(share, 0.0):.0f} %" if share > 0 else "nothing"
    says = (
        f"the {side} mount jams in its guide on the way {_up_or_down(push)}: the link pushes {angle:.0f}° off the guide, "
        f"and at a friction of {mu:.2g} on {float(np.asarray(geo.bearing_length_mm)):g} mm of guide {little} of the push "
        "comes out along it"
    )
    better = straighter_arm(mech, geo.side, abs(push))
    parts = []
    if (
        better is not None
        and better.off_guide_deg < angle - 1
        and better.radius_mm > float(np.asarray(geo.arm_radius_mm))
    ):
        parts.append(
            f"With a {arm_name(mech, better.radius_mm)} the link would push {better.off_guide_deg:.0f}° off at most."
        )
    need = (straight - share) / max(straight - float(mech.each("limits.jam_margin")[0]), 1e-9)
    longer = float(np.asarray(geo.bearing_length_mm)) * need
    if longer > float(np.asarray(geo.bearing_length_mm)) * 1.02:
        parts.append(f"A guide touching over {longer:.0f} mm would help, or a slicker one.")
    return Words(says, " ".join(parts) or "A longer or slicker guide, nearer to the ball, would help.")


def _over_centre(telling: Telling, side: str, way: str, throw_rad: float) -> Words:
    mech = telling.mech
    geo = mech.side("left" if side == "left" else "right")
    push = _push(geo, throw_rad)
    limit = float(np.asarray(geo.travel_down_mm if push > 0 else geo.travel_up_mm))
    says = f"arm and link of the {side} side come into line: the mount turns back after {abs(push):.1f} mm {_up_or_down(push)}"
    better = straighter_arm(mech, geo.side, 0.8 * limit) if limit > 1.1 * abs(push) else None
    if better is None or better.radius_mm <= float(np.asarray(geo.arm_radius_mm)) * 1.02:
        return Words(says, "A longer arm moves the mount further before it comes into line.")
    return Words(
        says,
        f"The arm is short: its guide would let the mount go {limit:.3g} mm. "
        f"A {arm_name(mech, better.radius_mm)} with {better.link_length_mm:.1f} mm links uses it.",
    )


def _reach(telling: Telling, side: str, way: str, throw_rad: float) -> Words:
    says = f"the {side} link runs out: it lies square across the guide"
    return Words(says, "A longer link, or an arm no longer than the mount is away, reaches further.")


def _guide_end(telling: Telling, side: str, way: str, throw_rad: float) -> Words:
    geo = telling.mech.side("left" if side == "left" else "right")
    push = _push(geo, throw_rad)
    lower = abs(push - float(np.asarray(geo.travel_down_mm))) <= abs(push + float(np.asarray(geo.travel_up_mm)))
    end = "lower" if lower else "upper"
    return Words(
        f"the {side} mount meets the {end} end of its guide, {abs(push):.1f} mm {'down' if lower else 'up'}",
        f"A guide that lets the mount go further; mind what is {'below' if lower else 'above'} it.",
    )


def _servo_end(telling: Telling, side: str, way: str, throw_rad: float) -> Words:
    return Words("the servo comes to its own end", "A longer arm moves the mounts further for the same angle.")


def _pulse_end(telling: Telling, side: str, way: str, throw_rad: float) -> Words:
    return Words(
        "the pulse comes to the end of the servo maker's range",
        "Put the arm on another tooth if neutral is off the middle; a longer arm needs less angle.",
    )


def _ball(telling: Telling, side: str, way: str, throw_rad: float) -> Words:
    return Words(
        f"the ball joints of the {side} link bind already at neutral: arm and mount lie too far apart fore and aft",
        "Pack the arm's ball or the mount's out until the link stands in one plane.",
    )


def _stall(telling: Telling, side: str, way: str, throw_rad: float) -> Words:
    mech = telling.mech
    allowed = float(torque_allowed(mech)[0])
    cold = float(mech.each("servo.supply_voltage_V")[0] - mech.each("servo.cold_sag_V")[0])
    share = float(mech.each("limits.torque_share")[0])
    least = np.minimum(*telling.loads.push_share_high)
    jammed = float(np.interp(np.rad2deg(throw_rad), telling.loads.throw_deg, least)) < POOR_SHARE
    says = (
        f"the servo needs {allowed:.0f} N mm here, {100 * share:.0f} % of what stalls it at {cold:.3g} V (battery cold)"
    )
    cure = (
        "Friction in the guides takes most of it: cure the jam first."
        if jammed
        else ("Softer springs, a shorter arm, slicker guides or a stronger servo.")
    )
    return Words(says, cure)


def _solid(telling: Telling, side: str, way: str, throw_rad: float) -> Words:
    length = float(np.asarray(telling.mech.side("left" if side == "left" else "right").length_min_mm))
    return Words(
        f"the {side} shock is pushed right in ({length:.3g} mm): nothing springy is left on that side",
        "A shock with more travel, or a mount that starts higher.",
    )


def _pulled_out(telling: Telling, side: str, way: str, throw_rad: float) -> Words:
    length = float(np.asarray(telling.mech.side("left" if side == "left" else "right").length_max_mm))
    return Words(
        f"the {side} shock is pulled right out ({length:.3g} mm): from here the mount lifts the runner",
        "A longer shock, or more droop, keeps the inner runner down.",
    )


_TELL: dict[str, Callable[[Telling, str, str, float], Words]] = {
    "guide_end": _guide_end,
    "link_out_of_reach": _reach,
    "over_centre": _over_centre,
    "servo_end": _servo_end,
    "pulse_end": _pulse_end,
    "ball_binds": _ball,
    "jam": _jam,
    "stall": _stall,
    "shock_solid": _solid,
    "shock_pulled_out": _pulled_out,
}


def _notes(telling: Telling, neutral: Neutral, stops: Sequence[Stop]) -> Iterator[str]:
    mech = telling.mech
    double = mech.machine.servo.arrangement == "double_arm"
    for name, side in (("left", neutral.left), ("right", neutral.right)):
        geo = mech.side("left" if name == "left" else "right")
        angle = abs(side.link_off_guide_deg)
        short = neutral.arm_span_mm < (1 - SPAN_SHARE) * neutral.mount_span_mm
        if angle < CROOKED_DEG or (double and name == "right" and mirrored(neutral)):
            continue
        better = straighter_arm(mech, geo.side, 0.5 * float(np.asarray(geo.travel_up_mm)))
        straight = (
            ""
            if better is None
            else f" With a {arm_name(mech, better.radius_mm)} it would be {better.off_guide_deg:.0f}° at most over half its travel."
        )
        if double and short:
            yield (
                f"The servo arm is too short: {neutral.arm_span_mm:.3g} mm ball to ball where the mounts' balls stand "
                f"{neutral.mount_span_mm:.3g} mm apart, so even at neutral the links push {angle:.0f}° off the guides.{straight}"
            )
        else:
            yield f"At neutral the {name} link pushes {angle:.0f}° off its guide.{straight}"
    for name, side in (("left", neutral.left), ("right", neutral.right)):
        if abs(side.mount_low_mm) > 0.05:
            below = "below" if side.mount_low_mm > 0 else "above"
            yield (
                f"With the arm centred the {name} mount stands {abs(side.mount_low_mm):.2f} mm {below} where it was measured; "
                f"a link of {side.link_wanted_mm:.2f} mm puts that right."
            )
    if not bool(np.all(telling.loads.sound)):
        yield "Part of the throw is beyond what the balance can say (a runner would lift, or nothing holds it up); lean and loads there are not to be trusted."
    jams = [s for s in stops if s.kind == "jam"]
    if jams:
        low = np.nanmin(np.stack(telling.loads.push_share_low))
        if low > float(mech.each("limits.jam_margin")[0]):
            yield "At the low end of the friction range the guides do not jam: how slick they are decides, so measure it."
    if any(s.kind in ("jam", "stall") for s in stops):
        yield "A servo held against a jam draws its stall current and burns: keep the throw short of it, fingers clear."


def mirrored(neutral: Neutral) -> bool:
    """Whether both sides push alike at neutral."""
    return abs(neutral.left.link_off_guide_deg - neutral.right.link_off_guide_deg) < 0.5
