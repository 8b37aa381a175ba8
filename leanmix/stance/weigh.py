"""The balance point from kitchen scales, a tilt board or a raised rear, each with its uncertainty.

Signs: behind counts from the runners' contacts, left from the centreline, up from the board. Every uncertainty is the
half-width of a 95 % interval, as ``tol`` in a machine file; independent errors are taken to first order.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from leanmix.errors import LeanmixError
from leanmix.machine import Measured

__all__ = ["Weighing", "WeighingError", "cg_from_scales", "cg_up_from_raised_rear", "cg_up_from_tilt_board"]


class WeighingError(LeanmixError):
    """Readings that cannot belong to one machine."""


@dataclass(frozen=True, slots=True)
class Weighing:
    """What the scales say.

    Attributes
    ----------
    mass_g, cg_behind_mm, cg_left_mm : Measured
        Whole machine.
    left_g, right_g, rear_g : float
        What stood on each scale.
    """

    mass_g: Measured
    cg_behind_mm: Measured
    cg_left_mm: Measured
    left_g: float
    right_g: float
    rear_g: float


def _propagate(f: Callable[..., float], inputs: Sequence[Measured], source: str) -> Measured:
    """Value and tolerance of a function of independent readings, by symmetric differences."""
    at = f(*(m.at for m in inputs))
    square = 0.0
    for i, m in enumerate(inputs):
        if not m.tol:
            continue
        step = m.tol / 8
        high, low = ([x.at + (sign * step if j == i else 0.0) for j, x in enumerate(inputs)] for sign in (1, -1))
        square += ((f(*high) - f(*low)) / (2 * step) * m.tol) ** 2
    return Measured(at, math.sqrt(square) or None, source)


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not (math.isfinite(value) and value > 0):
            raise WeighingError(f"{name} is {value:g}, where something above 0 is needed.", "Weigh and measure again.")


def cg_from_scales(
    left: Measured, right: Measured, rear: Measured, across_mm: Measured, rear_behind_mm: Measured
) -> Weighing:
    """Mass and balance point in plan from three scales, under the two runners and under the rear.

    Parameters
    ----------
    left, right, rear : Measured
        What each scale shows [g], the machine standing level on all three (or each reading taken with blocks of
        the scale's height under the others).
    across_mm : Measured
        Between the two runners' contacts.
    rear_behind_mm : Measured
        From the runners' contacts back to where the rear stands on its scale; a narrow bar across the scale under
        the track makes that a known place.

    Raises
    ------
    WeighingError
        When a reading is negative or all are nothing.
    """
    for name, m in (("left", left), ("right", right), ("rear", rear)):
        if not (math.isfinite(m.at) and m.at >= 0):
            raise WeighingError(
                f"The scale under the {name} shows {m.at:g} g.", "Set it to zero empty, and read again."
            )
    _positive(weight=left.at + right.at + rear.at, across=across_mm.at, behind=rear_behind_mm.at)
    parts = (left, right, rear, across_mm, rear_behind_mm)

    def mass(a: float, b: float, c: float, _: float, __: float) -> float:
        return a + b + c

    def behind(a: float, b: float, c: float, _: float, back: float) -> float:
        return c * back / (a + b + c)

    def aside(a: float, b: float, c: float, wide: float, _: float) -> float:
        return (a - b) * wide / 2 / (a + b + c)

    return Weighing(
        _propagate(mass, parts, "scales"),
        _propagate(behind, parts, "scales"),
        _propagate(aside, parts, "scales"),
        left.at,
        right.at,
        rear.at,
    )


def cg_up_from_tilt_board(
    tilt_deg: Measured,
    across_mm: Measured,
    cg_behind_mm: Measured,
    rear_behind_mm: Measured,
    rear_half_width_mm: Measured,
    cg_left_mm: Measured | None = None,
    toward: str = "left",
) -> Measured:
    """Height of the balance point from the angle of a tilt board at which the upper runner just lifts.

    The springs must be locked (a block in place of each shock): on its springs the body rolls down the board before
    it lifts, and the load on them falls with the cosine of the tilt, so the angle reads low and the height high.
    The machine goes over the edge from its lower runner to the rear's lower edge: h = d / tan(tilt), with d from that
    edge across to the balance point.

    Parameters
    ----------
    tilt_deg : Measured
        Board's angle at lift-off, from a level [deg].
    across_mm : Measured
        Between the two runners' contacts.
    cg_behind_mm, cg_left_mm : Measured
        Balance point in plan, from the scales.
    rear_behind_mm, rear_half_width_mm : Measured
        Where the rear's load rests behind the runners' contacts, and half the rear's width.
    toward : {"left", "right"}
        Which side is the lower one.

    Raises
    ------
    WeighingError
        When the angle is not between 1° and 80°, or the balance point would lie outside the ground it stands on.
    """
    if not 1 <= tilt_deg.at <= 80:
        raise WeighingError(f"A tilt of {tilt_deg.at:g}° says nothing.", "Give the board's angle in degrees, 1 to 80.")
    _positive(across=across_mm.at, behind=rear_behind_mm.at)
    sign = 1.0 if toward == "left" else -1.0
    aside = Measured(0.0) if cg_left_mm is None else cg_left_mm

    def height(tilt: float, wide: float, back: float, rear: float, half: float, left: float) -> float:
        edge = wide / 2 + (half - wide / 2) * back / rear
        return (edge - sign * left) / math.tan(math.radians(tilt))

    up = _propagate(height, (tilt_deg, across_mm, cg_behind_mm, rear_behind_mm, rear_half_width_mm, aside), "tilt")
    if up.at <= 0:
        raise WeighingError(
            "The balance point lies outside the ground that the machine stands on.", "Check the scales' readings."
        )
    return up


def cg_up_from_raised_rear(
    front_level: Measured,
    front_raised: Measured,
    mass: Measured,
    raised_mm: Measured,
    rear_behind_mm: Measured,
    rear_support_up_mm: Measured,
    front_support_up_mm: Measured,
) -> Measured:
    """Height of the balance point from the runners' scales with the rear raised on a block.

    Turned nose down by t the load on the rear is W (b cos t − (h − f) sin t) / (L cos t − (s − f) sin t), with base L,
    balance point b behind and h up, and supports s (rear) and f (front) up. The springs must be locked and the scales
    stay level.

    Parameters
    ----------
    front_level, front_raised : Measured
        Both runners' scales together, standing level and with the rear raised [g].
    mass : Measured
        Whole machine [g].
    raised_mm : Measured
        How far the rear is raised.
    rear_behind_mm : Measured
        From the runners' contacts back to the bar on which the rear rests.
    rear_support_up_mm, front_support_up_mm : Measured
        Heights over the board, standing level, about which the supports turn: 0 for a ski or a bar under a track,
        the wheel's radius for a wheel that may roll.

    Raises
    ------
    WeighingError
        When the block is nearly as high as the base is long, or the readings give a height below the board.
    """
    _positive(mass=mass.at, raised=raised_mm.at, behind=rear_behind_mm.at)
    if raised_mm.at >= 0.9 * rear_behind_mm.at:
        raise WeighingError(
            f"A block of {raised_mm.at:g} mm stands it on its nose.",
            f"Raise it by less than {0.9 * rear_behind_mm.at:.0f} mm.",
        )

    def height(
        level: float, raised: float, whole: float, block: float, back: float, rear: float, front: float
    ) -> float:
        over = rear - front
        turn = math.tan(math.asin((over + block) / math.hypot(back, over)) - math.atan2(over, back))
        behind = (1 - level / whole) * back
        return front + (behind - (1 - raised / whole) * (back - over * turn)) / turn

    readings = (front_level, front_raised, mass, raised_mm, rear_behind_mm, rear_support_up_mm, front_support_up_mm)
    up = _propagate(height, readings, "scales")
    if up.at <= 0:
        raise WeighingError(
            "The runners carried no more with the rear raised, which puts the balance point below the board.",
            "Read the scales again; nothing may touch but the runners and the bar.",
        )
    return up
