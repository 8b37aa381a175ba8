"""Shapes that may meet, and screws that hold them."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from leanmix.machine.quantity import Measured, Point, PointSpec, Spec
from leanmix.machine.table import Name, Table

__all__ = ["Clearance", "Part", "Screw"]


class Part(Table):
    """A shape that something might hit, measured in place at neutral."""

    name: Name
    on: Annotated[
        Literal["chassis", "arm", "link", "mount", "lower_arm", "upper_arm", "upright"],
        Field(description="What it moves with."),
    ]
    side: Annotated[
        Literal["both", "left", "right", "centre"],
        Field(description="both: one each side, mirrored. centre: one, fixed to the chassis, out_mm to the left."),
    ] = "both"
    points: Annotated[
        tuple[Annotated[Point, PointSpec("A corner or end.")], ...],
        Field(
            min_length=1,
            max_length=64,
            description="One point: a circle. Two: a rounded bar. More: a rounded polygon, corners in order.",
        ),
    ]
    radius_mm: Annotated[
        Measured, Spec("mm", 0, 300, "Rounding about the points: screw head, bar or edge radius.", (0, 40))
    ] = Measured(0.0)


class Clearance(Table):
    """Two parts that must not meet."""

    between: Annotated[tuple[Name, Name], Field(description="Names of the two parts.")]
    across: Annotated[bool, Field(description="true: also check left part against right part.")] = False
    margin_mm: Annotated[
        Measured | None, Spec("mm", 0, 20, "Distance that counts as touching; without it, limits.margin_mm.", (0, 3))
    ] = None


class Screw(Table):
    """A screw and the stack it goes through."""

    name: Name
    thread: Annotated[Literal["M2", "M2.5", "M3", "M4", "M5"], Field(description="ISO metric thread.")]
    length_mm: Annotated[Measured, Spec("mm", 2, 100, "Length under the head.", (4, 40))]
    clamped_mm: Annotated[Measured, Spec("mm", 0, 200, "Thickness between head seat and the threaded part.", (0, 30))]
    threaded_mm: Annotated[Measured, Spec("mm", 0.5, 200, "Depth of thread or plastic it may use.", (2, 20))]
    into: Annotated[Literal["plastic", "metal", "nut"], Field(description="What it screws into.")] = "plastic"
    beyond: Annotated[
        Literal["open", "slide", "closed"],
        Field(description="What lies behind the thread: open air, a slide it must not reach, or solid."),
    ] = "open"
