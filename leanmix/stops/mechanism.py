"""Both sides' geometry with the builds' axis made plain, so that some builds can be picked out of many."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import (
    SIDES,
    Array,
    ServoCalibration,
    SideGeometry,
    SideName,
    Spot,
    Value,
    servo_calibrations,
    side_geometry,
)
from leanmix.machine import Machine, Numbers

__all__ = ["Mechanism", "builds_in", "mechanism", "taken"]

Held = TypeVar("Held", SideGeometry, ServoCalibration)


@dataclass(frozen=True, slots=True)
class Mechanism:
    """A machine's mechanism, one build or many.

    Attributes
    ----------
    machine : Machine
        What is not a number.
    numbers : Numbers
        Scalars, or arrays of shape (builds,).
    left, right : SideGeometry
        Both sides.
    servos : tuple of ServoCalibration
        One for a double arm, two for one_each_side.
    builds : int
        How many; 1 for scalar numbers.
    """

    machine: Machine
    numbers: Numbers
    left: SideGeometry
    right: SideGeometry
    servos: tuple[ServoCalibration, ...]
    builds: int

    def side(self, name: SideName) -> SideGeometry:
        """One side's geometry."""
        return self.left if name == "left" else self.right

    def each(self, key: str) -> Array:
        """A number as an array of shape (builds,)."""
        return np.broadcast_to(np.asarray(self.numbers[key], dtype=np.float64), (self.builds,))


def builds_in(numbers: Numbers) -> int:
    """How many builds a set of numbers holds: 1 when all are scalar."""
    return max((np.size(v) for v in numbers.values()), default=1)


def mechanism(machine: Machine, numbers: Numbers) -> Mechanism:
    """Work out both sides of a machine.

    Raises
    ------
    GeometryError
        When a single build cannot be assembled at neutral.
    """
    left, right = (side_geometry(machine, numbers, side) for side in SIDES)
    return Mechanism(machine, numbers, left, right, servo_calibrations(machine, numbers), builds_in(numbers))


def _pick(value: Any, index: NDArray[np.intp]) -> Any:
    if isinstance(value, Spot):
        return Spot(_pick(value.out, index), _pick(value.up, index))
    if isinstance(value, np.ndarray) and value.ndim == 1 and value.size > 1:
        return value[index]
    return value


def taken(held: Held, index: NDArray[np.intp]) -> Held:
    """A geometry or calibration for some of its builds; what all builds share stays as it is."""
    changes = {f.name: _pick(getattr(held, f.name), index) for f in fields(held)}
    return replace(held, **changes)


def taken_values(values: Sequence[Value], index: NDArray[np.intp]) -> list[Value]:
    """Numbers for some builds."""
    return [_pick(v, index) for v in values]
