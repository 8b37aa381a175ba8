"""Both sides' geometry with the builds' axis made plain, so that some builds can be picked out of many."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leanmix.linkage import (
    SIDES,
    Array,
    ServoCalibration,
    SideGeometry,
    SideName,
    Spot,
    servo_calibrations,
    side_geometry,
)
from leanmix.machine import Machine, Numbers, values

__all__ = ["PLACING", "Mechanism", "builds_in", "mechanism", "taken"]


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
    measured : tuple of SideGeometry, or None
        Left and right by the file's own numbers, where `numbers` are others; None where they are the same.
    """

    machine: Machine
    numbers: Numbers
    left: SideGeometry
    right: SideGeometry
    servos: tuple[ServoCalibration, ...]
    builds: int
    measured: tuple[SideGeometry, SideGeometry] | None

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
    own = values(machine)
    measured = None
    if any(np.ndim(v) or v != own.get(k) for k, v in numbers.items()):
        measured = (side_geometry(machine, own, "left"), side_geometry(machine, own, "right"))
    return Mechanism(machine, numbers, left, right, servo_calibrations(machine, numbers), builds_in(numbers), measured)


def _pick(value: Any, index: NDArray[np.intp]) -> Any:
    if isinstance(value, Spot):
        return Spot(_pick(value.out, index), _pick(value.up, index))
    if isinstance(value, np.ndarray) and value.ndim == 1 and value.size > 1:
        return value[index]
    return value


# what arm, link and mount need for where they are
PLACING = (
    "arm_centre",
    "arm_radius_mm",
    "arm_rest_rad",
    "link_flat_mm",
    "ball",
    "guide_down",
    "guide_across",
    "push_branch",
)


def taken(geo: SideGeometry, index: NDArray[np.intp], names: Sequence[str] | None = None) -> SideGeometry:
    """A geometry for some of its builds; what all builds share stays as it is.

    Parameters
    ----------
    geo : SideGeometry
        Of many builds.
    index : ndarray
        Which to pick.
    names : sequence of str, optional
        Fields that will be used; the others are left alone and fit no longer.
    """
    picked = [f.name for f in fields(geo)] if names is None else names
    return replace(geo, **{name: _pick(getattr(geo, name), index) for name in picked})
