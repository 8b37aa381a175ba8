"""What one table would do differently from another, in µs and in degrees, over every input."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leanmix.curve.invert import LeanOfThrow
from leanmix.linkage import throw_at_pulse_rad
from leanmix.machine import Machine, Numbers
from leanmix.mixer import Image, lookup

__all__ = ["TableDifference", "compare_tables", "table_lean_deg"]

Array = NDArray[np.float64]

STEPS = 17
GRID_DEG = 0.25


@dataclass(frozen=True, slots=True)
class TableDifference:
    """A table held against another.

    Parameters
    ----------
    steer : ndarray, shape (17,)
        Steering positions −1 … +1 that the rows below are for.
    old_us, new_us : ndarray, shape (outputs, 17)
        Each output's pulse [µs]; NaN where the table has no such output.
    old_lean_deg, new_lean_deg : ndarray, shape (17,)
        Lean by this machine's model [deg], positive left.
    worst_us : float
        Largest change of any pulse over every input count [µs].
    worst_lean_deg : float
        Largest change of lean over every input count [deg].
    worst_steer : float
        Steering position of that.
    same : bool
        True where the bytes are the same.
    notes : tuple of str
        What else differs: calibration, limits, machine file.
    """

    steer: Array
    old_us: Array
    new_us: Array
    old_lean_deg: Array
    new_lean_deg: Array
    worst_us: float
    worst_lean_deg: float
    worst_steer: float
    same: bool
    notes: tuple[str, ...]


def _input_pulses(image: Image, steer: Array) -> NDArray[np.uint16]:
    side = np.where(steer >= 0, image.left_eighths, image.right_eighths)
    pulses = image.neutral_eighths + np.abs(steer) * (side - image.neutral_eighths)
    return np.asarray(np.rint(pulses), dtype=np.uint16)


def _pulses_us(image: Image, steer: Array, outputs: int) -> Array:
    pulses = _input_pulses(image, steer)
    rows = [
        lookup(image, pulses, i) / 8 if i < len(image.outputs) else np.full(len(steer), np.nan) for i in range(outputs)
    ]
    return np.array(rows, dtype=np.float64)


def table_lean_deg(machine: Machine, numbers: Numbers, lean_of_throw: LeanOfThrow, pulses_us: Array) -> Array:
    """Lean that servo pulses come to, by a machine's calibration and stance.

    Parameters
    ----------
    machine, numbers : Machine, Numbers
        The machine.
    lean_of_throw : callable
        From the stance.
    pulses_us : ndarray, shape (outputs, n)
        Pulses [µs]; with two servos the mean of their throws is taken.

    Returns
    -------
    ndarray, shape (n,)
        Lean [deg], positive left; interpolated between quarter degrees of throw.
    """
    throw = np.rad2deg(np.mean(throw_at_pulse_rad(machine, numbers, tuple(pulses_us)), axis=0))
    ends = np.floor(np.nanmin(throw) / GRID_DEG), np.ceil(np.nanmax(throw) / GRID_DEG) + 1
    grid = GRID_DEG * np.arange(ends[0], ends[1] + 1)
    return np.asarray(np.interp(throw, grid, lean_of_throw(grid)), dtype=np.float64)


def compare_tables(
    old: Image, new: Image, machine: Machine, numbers: Numbers, lean_of_throw: LeanOfThrow
) -> TableDifference:
    """Hold the table that a board runs against a new one for this machine.

    Parameters
    ----------
    old, new : Image
        What the board runs, and what would be written.
    machine, numbers : Machine, Numbers
        The machine, for the lean of both.
    lean_of_throw : callable
        From the stance.
    """
    outputs = len(new.outputs)
    fine, rows = np.linspace(-1, 1, 8193), np.linspace(-1, 1, STEPS)

    def lean(pulses: Array) -> Array:
        # an output that the old table lacks stands still
        still = np.array([[o.neutral_eighths / 8] for o in new.outputs])
        return table_lean_deg(machine, numbers, lean_of_throw, np.where(np.isnan(pulses), still, pulses))

    old_fine, new_fine = _pulses_us(old, fine, outputs), _pulses_us(new, fine, outputs)
    change = np.abs(lean(new_fine) - lean(old_fine))
    at = int(np.argmax(change))
    old_rows, new_rows = _pulses_us(old, rows, outputs), _pulses_us(new, rows, outputs)
    return TableDifference(
        steer=rows,
        old_us=old_rows,
        new_us=new_rows,
        old_lean_deg=lean(old_rows),
        new_lean_deg=lean(new_rows),
        worst_us=float(np.nanmax(np.abs(new_fine - old_fine))),
        worst_lean_deg=float(change[at]),
        worst_steer=float(fine[at]),
        same=old.encode() == new.encode(),
        notes=tuple(_notes(old, new)),
    )


def _notes(old: Image, new: Image) -> list[str]:
    notes = []
    if old.machine_hash != new.machine_hash:
        notes.append(
            f"machine file {old.machine_hash.hex()[:12]}… ({old.name}) becomes {new.machine_hash.hex()[:12]}… ({new.name})"
        )
    if len(old.outputs) != len(new.outputs):
        notes.append(f"{len(old.outputs)} servo output{'s' if len(old.outputs) > 1 else ''} become {len(new.outputs)}")
    for what, a, b in (
        ("steering full right", old.right_eighths, new.right_eighths),
        ("steering neutral", old.neutral_eighths, new.neutral_eighths),
        ("steering full left", old.left_eighths, new.left_eighths),
        *(
            (f"output {i} {what}", getattr(a, key), getattr(b, key))
            for i, (a, b) in enumerate(zip(old.outputs, new.outputs, strict=False), 1)
            for what, key in (
                ("neutral", "neutral_eighths"),
                ("low cap", "cap_low_eighths"),
                ("high cap", "cap_high_eighths"),
                ("slew", "slew_eighths"),
            )
        ),
    ):
        if a != b:
            notes.append(f"{what} {a / 8:g} µs becomes {b / 8:g} µs")
    for what, a, b in (
        ("failsafe after", old.failsafe_frames, new.failsafe_frames),
        ("ramp over", old.ramp_frames, new.ramp_frames),
    ):
        if a != b:
            notes.append(f"{what} {a} frames becomes {b}")
    return notes
