"""Where everything of the machine is at a pose, in the front view as seen from behind, so that left is left."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from leanmix.drawing import XY
from leanmix.errors import NoAnswer
from leanmix.linkage import (
    SIDES,
    MountPose,
    SideGeometry,
    SideName,
    Spot,
    SuspensionPose,
    mount_pose,
    suspension_pose,
    tip_up_rad,
)
from leanmix.stance import Reason, Setup, Stance, balance
from leanmix.stops.parts import Piece, piece_corners, place

__all__ = ["POINTS", "Outline", "Pose", "SidePlaces", "pose_at"]

POINTS = (
    "servo axis", "arm ball", "mount ball", "shock upper eye", "shock lower eye", "lower pivot", "lower ball",
    "upper pivot", "upper ball", "contact",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class SidePlaces:
    """One side's points on the picture: name → (right of the centreline mark, up from the board) [mm].

    Attributes
    ----------
    side : str
        "left" or "right".
    points : dict
        "servo axis", "arm ball", "mount ball", "shock upper eye", "shock lower eye", "lower pivot", "lower ball",
        "upper pivot", "upper ball", "contact".
    guide : tuple of XY
        Ends of the length over which mount and guide touch.
    upright_deg : float
        Turn of the upright on the picture, counter-clockwise.
    """

    side: SideName
    points: dict[str, XY]
    guide: tuple[XY, XY]
    upright_deg: float


@dataclass(frozen=True, slots=True)
class Outline:
    """A declared part: what it moves with and its core's corners, to be rounded by `radius_mm`."""

    name: str
    body: str
    corners: tuple[XY, ...]
    radius_mm: float


@dataclass(frozen=True, slots=True)
class Pose:
    """The machine standing at one throw.

    Attributes
    ----------
    throw_deg, lean_deg : float
        Both + to the left.
    left, right : SidePlaces
        Points on the picture.
    parts : tuple of Outline
        Declared parts.
    balance_point : XY
        The whole machine's.
    centreline : tuple of XY
        The chassis' own, from the board (as it lay at neutral) to the roof.
    rear_half_mm : float
        Half the width of the rear's foot, about the picture's centre.
    runner : str
        "ski" or "wheel".
    runner_radius_mm : float
        0 for a ski.
    """

    throw_deg: float
    lean_deg: float
    left: SidePlaces
    right: SidePlaces
    parts: tuple[Outline, ...]
    balance_point: XY
    centreline: tuple[XY, XY]
    rear_half_mm: float
    runner: str
    runner_radius_mm: float

    @property
    def sides(self) -> tuple[SidePlaces, SidePlaces]:
        """Left, right."""
        return self.left, self.right


def pose_at(setup: Setup, throw_deg: float) -> Pose:
    """The machine standing still at a throw, `throw_deg` [deg, + leans left].

    Raises
    ------
    NoAnswer
        When it does not stand there.
    """
    stance = balance(setup, float(throw_deg))
    if not bool(stance.ok):
        raise NoAnswer(f"No picture at {throw_deg:g}° of servo arm: {Reason(int(stance.reason)).says}", "Ask for less.")
    left, right = setup.geometry
    lean = float(stance.lean_deg)
    mounts = {g.side: mount_pose(g, tip_up_rad(math.radians(throw_deg), g.side)) for g in (left, right)}
    springs: dict[SideName, SuspensionPose] = {
        "left": suspension_pose(left, math.radians(float(stance.droop_left_deg))),
        "right": suspension_pose(right, math.radians(float(stance.droop_right_deg))),
    }
    standing: SideName
    standing, mark = (
        ("left", stance.contact_left_mm) if bool(stance.grounded_left) else ("right", stance.contact_right_mm)
    )
    view = _View(_turned(stance, springs), _chassis(standing, springs[standing].contact), (-float(mark), 0.0))
    return Pose(
        throw_deg=float(throw_deg),
        lean_deg=lean,
        left=_side(left, mounts["left"], springs["left"], view),
        right=_side(right, mounts["right"], springs["right"], view),
        parts=tuple(_outlines(setup, mounts, springs, view)),
        balance_point=(-float(stance.cg_left_mm), float(stance.cg_up_mm)),
        centreline=(view((0.0, 0.0)), view((0.0, float(setup.numbers["chassis.roof_up_mm"])))),
        rear_half_mm=float(setup.numbers["rear.half_width_mm"]),
        runner=setup.machine.runner.kind,
        runner_radius_mm=float(left.runner_radius_mm),
    )


def _turned(stance: Stance, springs: dict[SideName, SuspensionPose]) -> float:
    """How far the chassis is turned as seen along itself [deg, + left]: its lean, but for a little when it is pitched."""
    if not (bool(stance.grounded_left) and bool(stance.grounded_right)):
        return float(stance.lean_deg)
    (x, y), (across, up) = (_chassis(side, springs[side].contact) for side in SIDES)
    return -math.degrees(math.atan2(up - y, across - x))


@dataclass(frozen=True, slots=True)
class _View:
    """Chassis (right, up) to the picture: turned by the lean, `anchor` put where `at` says."""

    lean_deg: float
    anchor: XY
    at: XY

    def __call__(self, p: XY) -> XY:
        # leaning left is counter-clockwise as seen from behind
        c, s = math.cos(math.radians(self.lean_deg)), math.sin(math.radians(self.lean_deg))
        x, y = p[0] - self.anchor[0], p[1] - self.anchor[1]
        return self.at[0] + c * x - s * y, self.at[1] + s * x + c * y


def _chassis(frame: str, spot: Spot) -> XY:
    """A side's (out, up) as (right of the centreline, up); "centre" counts out to the left."""
    return (1.0 if frame == "right" else -1.0) * float(spot.out), float(spot.up)


def _side(geo: SideGeometry, mount: MountPose, spring: SuspensionPose, view: _View) -> SidePlaces:
    push = float(mount.push_mm) if geo.bearing_moves else 0.0
    half = float(geo.bearing_length_mm) / 2

    def along(by: float) -> Spot:
        return Spot(geo.bearing_centre.out + by * geo.guide_down.out, geo.bearing_centre.up + by * geo.guide_down.up)

    def seen(spot: Spot) -> XY:
        return view(_chassis(geo.side, spot))

    spots = (
        geo.arm_centre, mount.tip, mount.ball, mount.eye, spring.shock_lower_eye, geo.lower_pivot, spring.lower_ball,
        geo.upper_pivot, spring.upper_ball, spring.contact,
    )  # fmt: skip
    turn = math.degrees(float(spring.upright_rad)) * (1.0 if geo.side == "right" else -1.0)
    return SidePlaces(
        geo.side,
        dict(zip(POINTS, map(seen, spots), strict=True)),
        (seen(along(push - half)), seen(along(push + half))),
        view.lean_deg + turn,
    )


def _outlines(
    setup: Setup, mounts: dict[SideName, MountPose], springs: dict[SideName, SuspensionPose], view: _View
) -> Iterator[Outline]:
    geo = {g.side: g for g in setup.geometry}
    for i, part in enumerate(setup.machine.parts):
        for frame in ("left", "right") if part.side == "both" else (part.side,):
            piece = Piece(part.name, part.on, frame, i, len(part.points))
            corners, radius = piece_corners(piece, setup.numbers)
            side = piece.side
            now = place(
                part.on, corners, geo[side], np.asarray(mounts[side].tip_up_rad), np.asarray(springs[side].droop_rad)
            )
            outs, ups = np.ravel(now.out), np.ravel(now.up)
            seen = tuple(view(_chassis(frame, Spot(o, u))) for o, u in zip(outs, ups, strict=True))
            yield Outline(part.name, part.on, seen, float(radius[0]))
