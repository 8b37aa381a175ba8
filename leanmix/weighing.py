"""From scales, a tilt board and a ruler to the machine file's weight numbers; what the command and the screens call.

Above the stages, beside `leanmix.remeasure`: it reads from the machine file what was not measured again.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from leanmix.errors import LeanmixError
from leanmix.machine import MachineFile, Measured, parse, set_value
from leanmix.stance import (
    balance,
    cg_along_across,
    cg_up_from_raised_rear,
    cg_up_from_tilt,
    reach_of_support_mm,
    stance_setup,
)

__all__ = ["RULER_TOL_MM", "SCALE_TOL_G", "TILT_TOL_DEG", "ScaleReadings", "weigh", "weighed_in"]

# 95 %: kitchen scales to a few grams, a protractor on a board, a ruler
SCALE_TOL_G = 5.0
TILT_TOL_DEG = 1.0
RULER_TOL_MM = 1.0


@dataclass(frozen=True, slots=True)
class ScaleReadings:
    """What was read; None where it was not. A reading without a tolerance gets its instrument's usual one.

    Parameters
    ----------
    left_g, right_g, rear_g : Measured or None
        Scales under left runner, right runner and rear, machine level [g]; all three or none.
    rear_behind_mm : Measured or None
        Where the rear stood on its scale, behind the runners [mm]; None: where the file says its load rests.
    tilt_deg : Measured or None
        Tilt at which the upper runner lifts, shocks blocked [deg].
    raised_mm, front_raised_g : Measured or None
        Instead of a tilt: how far the rear was raised [mm], and both front scales together then [g].
    """

    left_g: Measured | None = None
    right_g: Measured | None = None
    rear_g: Measured | None = None
    rear_behind_mm: Measured | None = None
    tilt_deg: Measured | None = None
    raised_mm: Measured | None = None
    front_raised_g: Measured | None = None


def _with(reading: Measured, tol: float) -> Measured:
    return reading if reading.tol is not None else Measured(reading.at, tol)


def _kept(found: Measured, source: str) -> Measured:
    return Measured(round(found.at, 2), found.tol and round(found.tol, 2), source)


def weigh(source: MachineFile, readings: ScaleReadings) -> dict[str, Measured]:
    """Mass and balance point from what was read.

    Parameters
    ----------
    source : MachineFile
        Gives the runners' contacts, and whatever was not read.
    readings : ScaleReadings
        What was read.

    Returns
    -------
    dict
        Value with 95 % tolerance and origin by key of the machine file: ``chassis.mass_g``,
        ``chassis.cg_behind_mm``, ``chassis.cg_left_mm``, ``chassis.cg_up_mm``; those that follow. Empty where
        nothing was read.

    Raises
    ------
    LeanmixError
        Where readings that belong together are not all given, or give no balance point.
    """
    m = source.machine
    behind = _with(readings.rear_behind_mm or m.rear.load_behind_mm, RULER_TOL_MM)
    outs = [_with(s.suspension.contact.out, RULER_TOL_MM) for s in (m.left, m.right)]
    found: dict[str, Measured] = {}
    mass, along, across = m.chassis.mass_g, m.chassis.cg_behind_mm, m.chassis.cg_left_mm
    scales = [_with(s, SCALE_TOL_G) for s in (readings.left_g, readings.right_g, readings.rear_g) if s is not None]
    if scales and len(scales) < 3:
        raise LeanmixError("The three scales belong together.", "Give left, right and rear.")
    if scales:
        left, right, rear = scales
        weighed = cg_along_across(left, right, rear, behind, *outs)
        mass, along, across = weighed.mass_g, weighed.cg_behind_mm, weighed.cg_left_mm
        for key, value in (("mass_g", mass), ("cg_behind_mm", along), ("cg_left_mm", across)):
            found[f"chassis.{key}"] = _kept(value, "scales")
    raised, front = readings.raised_mm, readings.front_raised_g
    if (raised is None) != (front is None):
        raise LeanmixError(
            "How far the rear was raised and what both front scales then read belong together.", "Give both."
        )
    if readings.tilt_deg is not None:
        if raised is not None:
            raise LeanmixError("A tilt and a raised rear both give the height.", "Give one: compare two runs instead.")
        found["chassis.cg_up_mm"] = _from_tilt(source, _with(readings.tilt_deg, TILT_TOL_DEG), along, across)
    elif raised is not None and front is not None:
        if scales:
            level = Measured(scales[0].at + scales[1].at, 1.4 * SCALE_TOL_G)
        else:
            level = Measured(mass.at * (1 - along.at / behind.at), SCALE_TOL_G)
        turns_at = Measured(m.runner.radius_mm.at if m.runner.kind == "wheel" else 0.0)
        up = cg_up_from_raised_rear(
            mass, level, _with(front, SCALE_TOL_G), behind, _with(raised, RULER_TOL_MM), turns_at
        )
        found["chassis.cg_up_mm"] = _kept(up, "scales")
    return found


def _from_tilt(source: MachineFile, tilt: Measured, along: Measured, across: Measured) -> Measured:
    """Height from the tilt, the machine tilted left side down on its support's edge abreast of the balance point."""
    setup = stance_setup(source.machine)
    reach = reach_of_support_mm(setup, balance(setup, 0.0), along.at) - across.at
    if reach <= 0:
        raise LeanmixError("The balance point lies outside the support.", "Weigh again.")
    return _kept(cg_up_from_tilt(tilt, Measured(reach, RULER_TOL_MM)), "tilt")


def weighed_in(source: MachineFile, found: Mapping[str, Measured]) -> MachineFile:
    """The machine file with what was weighed in it; nothing is saved here.

    Raises
    ------
    MachineFileError
        When the outcome would be no usable machine, with every finding.
    """
    text = source.text
    for key, value in found.items():
        text = set_value(text, key, value)
    return parse(text, source.name)
