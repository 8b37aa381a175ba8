"""After a measurement: what moved, whether the flashed table still stands, and what to measure next.

Above the stages, beside `leanmix.job`; commands and screens call this and print.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leanmix.curve import Check, worst_case
from leanmix.errors import LeanmixError
from leanmix.job import Job, work_out
from leanmix.machine import Machine, MachineFile, Numbers, values
from leanmix.mixer import Image
from leanmix.stance import lean_of_throw, stance_setup, tip_limits
from leanmix.stops.builds import first_blocks_of
from leanmix.survey import Advice, Change, Survey, changes, next_readings, sensitivities, surveyed_keys

__all__ = [
    "FIGURES",
    "Figure",
    "Moved",
    "TableStands",
    "WhatMoved",
    "ask_next",
    "figure_slopes",
    "flashed_stands",
    "moved_between",
    "table_stands",
    "what_moved",
]

Array = NDArray[np.float64]


class Figure(NamedTuple):
    """Something a builder may ask to know better: in words, and its unit."""

    words: str
    unit: str


FIGURES: Mapping[str, Figure] = MappingProxyType(
    {
        "stop": Figure("where the servo arm first meets something, leaning left", "deg"),
        "stop-right": Figure("where the servo arm first meets something, leaning right", "deg"),
        "lean": Figure("lean with the arm half way to its first block, leaning left", "deg"),
        "tip": Figure("lateral g at which it tips turning left, arm centred", "g"),
    }
)
TURNS: tuple[Literal["left"], Literal["right"]] = ("left", "right")
# tip limits are found to 1e-4 g: a step this long [mm or the number's own unit] makes their slope worth having
TIP_STEP = 0.5
# how close a table is to the wanted curve says nothing about whether an older one is still safe
ACCURACY_CHECK = "table close to the exact mapping"


@dataclass(frozen=True, slots=True)
class Moved:
    """One figure before and after; None where there is none (nothing blocks)."""

    what: str
    unit: str
    before: float | None
    after: float | None


@dataclass(frozen=True)
class WhatMoved:
    """What a changed machine file comes to.

    Parameters
    ----------
    changes : tuple of Change
        Numbers that differ.
    moved : tuple of Moved
        Stops, caps, lean and tip limits, before and after.
    """

    changes: tuple[Change, ...]
    moved: tuple[Moved, ...]


@dataclass(frozen=True)
class TableStands:
    """Whether a table that a board holds still passes, against the machine as now measured.

    Parameters
    ----------
    checks : tuple of Check
        Each check of the proof that the table itself can pass or fail.
    lean_moved_deg : float
        Largest change of lean at any input between this table and the one that would be made now.
    """

    checks: tuple[Check, ...]
    lean_moved_deg: float

    @property
    def holds(self) -> bool:
        """Whether every check passed."""
        return all(c.passed for c in self.checks)


def _figures(job: Job) -> dict[tuple[str, str], float | None]:
    out: dict[tuple[str, str], float | None] = {}
    for way in TURNS:
        block, cap = job.ladder.first_block(way), job.ladder.cap(way)
        out[(f"first block leaning {way}", "deg of arm")] = None if block is None else block.throw_deg
        out[(f"lean there, {way}", "deg")] = None if block is None else block.lean_deg
        out[(f"cap leaning {way}", "deg of arm")] = cap.throw_deg
        out[(f"lean at the cap, {way}", "deg")] = cap.lean_deg
        throws = np.array([0.0, cap.throw_deg if way == "left" else -cap.throw_deg])
        tips = tip_limits(job.setup, throws, way).sprung_g
        for words, at_g in zip(("arm centred", "leaning to the cap"), tips, strict=True):
            out[(f"tips turning {way}, {words}", "g")] = float(at_g) if np.isfinite(at_g) else None
    return out


def what_moved(before: MachineFile, after: MachineFile) -> WhatMoved:
    """Compare two states of a machine file through stops, lean and tip limits.

    Raises
    ------
    GeometryError
        When one of them cannot be assembled at neutral.
    """
    return moved_between(work_out(before), work_out(after))


def moved_between(before: Job, after: Job) -> WhatMoved:
    """As `what_moved`, for machines that are worked out already."""
    was, now = _figures(before), _figures(after)
    rows = tuple(Moved(what, unit, was[(what, unit)], value) for (what, unit), value in now.items())
    return WhatMoved(changes(before.source, after.source), rows)


def flashed_stands(after: MachineFile, image: bytes) -> TableStands:
    """Run a flashed table's proof again, against the stops of the machine as now measured.

    Parameters
    ----------
    after : MachineFile
        As now measured.
    image : bytes
        The table image that the board holds.

    Raises
    ------
    ImageError
        When the bytes are no table image.
    LeanmixError
        When the machine now has no table to compare with.
    """
    return table_stands(work_out(after), image)


def table_stands(job: Job, image: bytes) -> TableStands:
    """As `flashed_stands`, for a machine that is worked out already."""
    held = replace(job.table, image=Image.decode(image))
    checks = tuple(c for c in worst_case(held, *job.limits) if c.name != ACCURACY_CHECK)
    difference = job.difference(image)
    return TableStands(checks, 0.0 if difference is None else difference.worst_lean_deg)


def figure_slopes(machine: Machine, figure: str) -> dict[str, float]:
    """Change of a figure per unit of every number that a survey can better.

    Parameters
    ----------
    machine : Machine
        Where to take them.
    figure : str
        A key of `FIGURES`.

    Raises
    ------
    LeanmixError
        When the figure is not known, or does not exist on this machine (nothing blocks).
    """
    if figure not in FIGURES:
        raise LeanmixError(f"{figure!r} is not something to ask for.", f"There are: {', '.join(FIGURES)}.")
    base = values(machine)
    keys = surveyed_keys(machine)
    if figure == "tip":

        def tips(numbers: Numbers) -> Array:
            return np.asarray(tip_limits(stance_setup(machine, numbers)).sprung_g, dtype=np.float64).reshape(-1)

        return sensitivities(tips, machine, tuple(k for k in keys if not k.startswith("parts.")), TIP_STEP)
    if figure == "lean":
        block = first_blocks_of(machine, Numbers({**base}))[0]
        throw = float(block[0]) / 2 if np.isfinite(block[0]) else float(base["servo.travel_deg"]) / 2

        def lean(numbers: Numbers) -> Array:
            return np.asarray(lean_of_throw(stance_setup(machine, numbers), throw), dtype=np.float64).reshape(-1)

        return sensitivities(lean, machine, keys)
    way = 1 if figure == "stop-right" else 0

    def first(numbers: Numbers) -> Array:
        return first_blocks_of(machine, numbers)[way]

    found = sensitivities(first, machine, keys)
    if not any(found.values()):
        raise LeanmixError(f"nothing declared blocks the arm: {FIGURES[figure].words}.", "Ask for lean instead.")
    return found


def ask_next(machine: Machine, survey: Survey, figure: str, most: int = 5) -> tuple[Advice, ...]:
    """The readings that would tell most about a figure, best first; LeanmixError where the machine gives none."""
    return next_readings(machine, survey, figure_slopes(machine, figure), most)
