"""Which shapes may meet, what each moves with, and where each is at a pose.

A contact **blocks** when one of the two bodies is the servo arm, a link or a mount: nothing elastic lies between
servo and obstacle. Where both lie beyond the spring (suspension arms, upright, chassis) it is only **touched**: the
spring goes on giving while the throw goes on.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Literal

import numpy as np

from leanmix.linkage import (
    Array,
    SideGeometry,
    SideName,
    Spot,
    SuspensionPose,
    SuspensionRates,
    Value,
    arm_tip,
    link_across_mm,
    mount_push_mm,
    suspension_pose,
    turned,
)
from leanmix.machine import Machine, Numbers

__all__ = [
    "SERVO_BODIES",
    "SPRUNG_BODIES",
    "Pair",
    "Piece",
    "find_pairs",
    "piece_corners",
    "place",
    "servo_speed",
    "sprung_speed",
]

SERVO_BODIES = frozenset({"arm", "link", "mount"})
SPRUNG_BODIES = frozenset({"lower_arm", "upper_arm", "upright"})

Frame = Literal["left", "right", "centre"]


@dataclass(frozen=True, slots=True)
class Piece:
    """One part on one side.

    Attributes
    ----------
    name, body : str
        As in the file.
    frame : str
        "left" or "right": out counts to that side; "centre": out counts to the left and it moves with the chassis
        or with the double arm.
    index : int
        Its place in the file, to find its numbers.
    corners : int
        How many points it has.
    """

    name: str
    body: str
    frame: Frame
    index: int
    corners: int

    @property
    def side(self) -> SideName:
        """Whose geometry moves it."""
        return "right" if self.frame == "right" else "left"


@dataclass(frozen=True, slots=True)
class Pair:
    """Two pieces that must not meet.

    Attributes
    ----------
    first, second : Piece
        The two.
    clearance : int
        Which [[clearance]] of the file asks for it.
    """

    first: Piece
    second: Piece
    clearance: int

    @property
    def bodies(self) -> frozenset[str]:
        """What the two move with."""
        return frozenset({self.first.body, self.second.body})

    @property
    def blocks(self) -> bool:
        """Whether a contact stops the servo, or only the suspension."""
        return bool(self.bodies & SERVO_BODIES)

    @property
    def sides(self) -> frozenset[str]:
        """The sides whose motion matters: empty for two parts of the chassis."""
        return frozenset(p.side for p in (self.first, self.second) if p.body != "chassis")

    @property
    def side(self) -> str:
        """Where it is, for people: "left", "right" or "across"."""
        frames = {p.frame for p in (self.first, self.second)} - {"centre"}
        return frames.pop() if len(frames) == 1 else "across" if frames else "centre"


def find_pairs(machine: Machine) -> tuple[Pair, ...]:
    """Every pair of pieces that the file asks to keep clear, in the file's order; pairs that never move left out."""
    pieces: dict[str, tuple[Piece, ...]] = {}
    for i, part in enumerate(machine.parts):
        frames: tuple[Frame, ...] = ("left", "right") if part.side == "both" else (part.side,)
        pieces[part.name] = tuple(Piece(part.name, part.on, f, i, len(part.points)) for f in frames)
    double = machine.servo.arrangement == "double_arm"
    found: list[Pair] = []
    for i, clearance in enumerate(machine.clearances):
        one, other = (pieces[name] for name in clearance.between)
        for a, b in itertools.product(one, other):
            apart = {a.frame, b.frame} == {"left", "right"}
            # two parts given on one side each are meant as they stand
            wanted = not apart or clearance.across or (len(one) == 1 and len(other) == 1)
            twin = a.index == b.index and a.frame in (b.frame, "right")
            one_body = a.body == b.body and (a.side == b.side or (a.body == "arm" and double))
            moves = {a.body, b.body} != {"chassis"} and not one_body
            if wanted and moves and not twin:
                found.append(Pair(a, b, i))
    return tuple(found)


def piece_corners(
    piece: Piece, numbers: Numbers, measured: SideGeometry | None = None, geo: SideGeometry | None = None
) -> tuple[Spot, Array]:
    """A piece's corners at neutral, shape (corners, builds or 1), and its radius, shape (builds or 1,) [mm].

    Parameters
    ----------
    piece : Piece
        Which.
    numbers : Numbers
        The numbers to use.
    measured, geo : SideGeometry, optional
        Its side as the file has it, and as these numbers have it. Where the two differ the corners go with the body
        they sit on: an arm that is longer, or stands higher or at another angle, takes its shape along.
    """

    def column(axis: str) -> Array:
        rows = [
            np.atleast_1d(np.asarray(numbers[f"parts.{piece.index}.points.{k}.{axis}"], dtype=np.float64))
            for k in range(piece.corners)
        ]
        return np.stack(np.broadcast_arrays(*rows))

    radius = np.atleast_1d(np.asarray(numbers[f"parts.{piece.index}.radius_mm"], dtype=np.float64))
    corners = Spot(column("out_mm"), column("up_mm"))
    if measured is not None and geo is not None and piece.body != "chassis":
        corners = _taken_along(piece.body, corners, measured, geo)
    return corners, radius


def _bar(body: str, geo: SideGeometry) -> tuple[Spot, Spot]:
    """The two points that a body's shape goes with, at neutral."""
    tip = arm_tip(geo, 0.0)
    bars = {
        "arm": (geo.arm_centre, tip),
        "link": (tip, geo.ball),
        "mount": (geo.ball, Spot(geo.ball.out + geo.guide_down.out, geo.ball.up + geo.guide_down.up)),
        "lower_arm": (geo.lower_pivot, geo.lower_ball),
        "upper_arm": (geo.upper_pivot, geo.upper_ball),
        "upright": (geo.lower_ball, geo.upper_ball),
    }
    return bars[body]


def _taken_along(body: str, corners: Spot, measured: SideGeometry, geo: SideGeometry) -> Spot:
    (a, b), (c, d) = _bar(body, measured), _bar(body, geo)
    old, new = Spot(b.out - a.out, b.up - a.up), Spot(d.out - c.out, d.up - c.up)
    square = old.out**2 + old.up**2
    # one bar onto the other: a turn and a stretch, as complex numbers multiply
    cos = (old.out * new.out + old.up * new.up) / square
    sin = (old.out * new.up - old.up * new.out) / square
    x, y = corners.out - a.out, corners.up - a.up
    return Spot(np.asarray(c.out + cos * x - sin * y), np.asarray(c.up + sin * x + cos * y))


def _swung(corners: Spot, about: Spot, angle: Value) -> Spot:
    moved = turned(Spot(corners.out - about.out, corners.up - about.up), angle)
    return Spot(about.out + moved.out, about.up + moved.up)


def place(
    body: str,
    corners: Spot,
    geo: SideGeometry,
    tip_up: Array | None = None,
    droop: Array | None = None,
    suspension: SuspensionPose | None = None,
) -> Spot:
    """Where a body's corners are at a pose, in its own side's frame.

    Parameters
    ----------
    body : str
        What the corners move with.
    corners : Spot
        As measured, shape (corners, n) or (corners, 1).
    geo : SideGeometry
        Its side.
    tip_up : ndarray or None
        Arm's angle from neutral, shape (n,) [rad], for arm, link and mount.
    droop : ndarray or None
        Lower arm's angle, shape (n,) [rad], for the suspension.
    suspension : SuspensionPose or None
        The pose at that droop where it has been worked out already; the lower arm needs none.
    """
    if body == "chassis":
        return corners
    if tip_up is not None and body in SERVO_BODIES:
        if body == "arm":
            return _swung(corners, geo.arm_centre, geo.arm_outward * tip_up)
        push = mount_push_mm(geo, tip_up)
        shift = Spot(push * geo.guide_down.out, push * geo.guide_down.up)
        shifted = Spot(corners.out + shift.out, corners.up + shift.up)
        if body == "mount":
            return shifted
        tip, rest = arm_tip(geo, tip_up), arm_tip(geo, 0.0)
        ball = Spot(geo.ball.out + shift.out, geo.ball.up + shift.up)
        before = np.arctan2(geo.ball.up - rest.up, geo.ball.out - rest.out)
        after = np.arctan2(ball.up - tip.up, ball.out - tip.out)
        return _swung(shifted, ball, after - before)
    if droop is not None and body in SPRUNG_BODIES:
        if body == "lower_arm":
            return _swung(corners, geo.lower_pivot, -droop)
        suspension = suspension_pose(geo, droop) if suspension is None else suspension
        if body == "upper_arm":
            return _swung(corners, geo.upper_pivot, -suspension.upper_arm_rad)
        moved = _swung(corners, geo.lower_ball, suspension.upright_rad)
        lower = suspension.lower_ball
        return Spot(moved.out + lower.out - geo.lower_ball.out, moved.up + lower.up - geo.lower_ball.up)
    raise ValueError(f"a part on {body} needs the pose that moves it")


def _reach(corners: Spot, about: Spot) -> Array:
    """Greatest distance of any corner from a point [mm]."""
    out, up = np.asarray(corners.out - about.out), np.asarray(corners.up - about.up)
    return np.asarray(np.sqrt((out * out + up * up).max(axis=0)))


def servo_speed(body: str, corners: Spot, geo: SideGeometry, near: Array, far: Array) -> Array:
    """Bound on how fast any corner moves per radian of throw between two arm angles [mm/rad].

    The mount's speed is at most r·l/c, with r the arm's radius, l the link's length in the view and c its part along
    the guide. The link's part across the guide bends by no more than r per rad², which bounds it, and so c, between
    the two angles.
    """
    if body == "chassis":
        return np.zeros(1)
    if body == "arm":
        return _reach(corners, geo.arm_centre)
    flat, radius = geo.link_flat_mm, geo.arm_radius_mm
    across = np.maximum(np.abs(link_across_mm(geo, near)), np.abs(link_across_mm(geo, far)))
    across = across + radius * (far - near) ** 2 / 8
    room = (flat - across) * (flat + across)
    with np.errstate(divide="ignore", invalid="ignore"):
        turning = np.where(room > 0, radius / np.sqrt(np.maximum(room, 0.0)), np.inf)
        return np.asarray(turning * (flat if body == "mount" else flat + _reach(corners, geo.ball)))


def sprung_speed(
    body: str, corners: Spot, geo: SideGeometry, near: SuspensionRates | None, far: SuspensionRates | None
) -> Array:
    """How fast any corner moves per radian of droop [mm/rad], the faster of two droops and half as much again."""
    if body == "chassis":
        return np.zeros(1)
    if body == "lower_arm":
        return _reach(corners, geo.lower_pivot)
    if near is None or far is None:
        raise ValueError(f"a part on {body} needs the rates that move it")
    if body == "upper_arm":
        turn = np.maximum(np.abs(near.upper_arm_per_droop), np.abs(far.upper_arm_per_droop))
        return np.asarray(1.5 * turn * _reach(corners, geo.upper_pivot))
    turn = np.maximum(np.abs(near.upright_per_droop), np.abs(far.upright_per_droop))
    return np.asarray(1.5 * (geo.lower_arm_mm + turn * _reach(corners, geo.lower_ball)))
