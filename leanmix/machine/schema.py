"""The machine file, version 1: every key, its unit, its range, and how to measure it.

Frame: x forward, y left, z up (ISO 8855); lengths in mm. Points of the front view are given as
``out_mm`` (from the centreline towards their own side) and ``up_mm`` (over the board), all measured with
the machine standing on a flat board, arm centred, at its neutral ride height. ``[side]`` holds what is
alike left and right; ``[left]`` and ``[right]`` hold only what differs.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from leanmix.machine.body import Chassis, Rear, Runner, Surface
from leanmix.machine.quantity import Measured, Spec
from leanmix.machine.servo import Board, Servo, ServoRight, Steering
from leanmix.machine.shapes import Clearance, Part, Screw
from leanmix.machine.side import Side
from leanmix.machine.table import Name, Table

__all__ = ["SCHEMA", "Lean", "Limits", "Machine"]

SCHEMA = 1


class Lean(Table):
    """How much lean for how much steer."""

    ask: Annotated[
        Literal["lean", "arm"], Field(description="lean: degrees of machine lean. arm: degrees of servo arm.")
    ] = "lean"
    left_deg: Annotated[Measured | None, Spec("deg", 0, 90, "Wanted at full left lock.", (1, 45))] = None
    right_deg: Annotated[Measured | None, Spec("deg", 0, 90, "Wanted at full right lock.", (1, 45))] = None
    left_ratio: Annotated[
        Measured | None,
        Spec("deg/deg", 0, 10, "Degrees wanted for each degree the runners turn left; instead of left_deg.", (0.05, 2)),
    ] = None
    right_ratio: Annotated[
        Measured | None,
        Spec(
            "deg/deg", 0, 10, "Degrees wanted for each degree the runners turn right; instead of right_deg.", (0.05, 2)
        ),
    ] = None
    shape: Annotated[
        Measured, Spec("", -1, 1, "0 straight; towards 1 gentle about the middle; towards −1 strong about the middle.")
    ] = Measured(0.0)
    deadband: Annotated[
        Measured, Spec("", 0, 0.5, "Share of the steering about the middle that asks for no lean.", (0, 0.15))
    ] = Measured(0.0)
    knots: Annotated[
        tuple[tuple[float, float], ...],
        Field(
            max_length=33,
            description="Own curve as [steer, degrees] pairs, steer from −1 (right) to 1 (left); instead of shape and full-lock values.",
        ),
    ] = ()


class Limits(Table):
    """Margins and what counts as too much."""

    margin_mm: Annotated[Measured, Spec("mm", 0, 20, "Distance between two parts that counts as touching.", (0, 3))] = (
        Measured(0.3)
    )
    cap_margin_deg: Annotated[
        Measured, Spec("deg", 0, 45, "How far short of the first block the arm is held.", (0.3, 6))
    ] = Measured(1.0)
    knee_deg: Annotated[
        Measured, Spec("deg", 0, 45, "Over how much arm angle the curve rounds off below a cap.", (0.5, 12))
    ] = Measured(4.0)
    cap_left_deg: Annotated[
        Measured | None, Spec("deg", 0, 180, "Own cap on the arm leaning left; may only be earlier.", (2, 90))
    ] = None
    cap_right_deg: Annotated[
        Measured | None, Spec("deg", 0, 180, "Own cap on the arm leaning right; may only be earlier.", (2, 90))
    ] = None
    share_clear: Annotated[
        Measured,
        Spec(
            "",
            0.5,
            0.9999,
            "Share of builds, within the tolerances given, that must stay clear of every block.",
            (0.9, 0.999),
        ),
    ] = Measured(0.95)
    torque_share: Annotated[
        Measured, Spec("", 0.05, 1, "Share of stall torque that may be used before it counts as a stall.", (0.3, 0.9))
    ] = Measured(0.8)
    jam_margin: Annotated[
        Measured, Spec("", 0, 1, "Least share of the push that must come out along the guide.", (0, 0.5))
    ] = Measured(0.1)


class Machine(Table):
    """A whole machine: what the file says, both sides written out."""

    schema_version: Annotated[Literal[1], Field(alias="schema", description="Version of this file's layout.")]
    name: Annotated[Name, Field(description="What you call the machine.")]
    about: Annotated[str, StringConstraints(max_length=2000), Field(description="Free text.")] = ""
    runner: Runner
    chassis: Chassis
    rear: Rear
    servo: Servo
    servo_right: ServoRight = ServoRight()
    left: Side
    right: Side
    parts: Annotated[tuple[Part, ...], Field(alias="part", max_length=100)] = ()
    clearances: Annotated[tuple[Clearance, ...], Field(alias="clearance", max_length=200)] = ()
    steering: Steering
    lean: Lean
    limits: Limits = Limits()
    board: Board = Board()
    surfaces: Annotated[tuple[Surface, ...], Field(alias="surface", max_length=30)] = ()
    screws: Annotated[tuple[Screw, ...], Field(alias="screw", max_length=60)] = ()
