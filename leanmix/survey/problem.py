"""A survey set up as equations: which places take part, their slots, their rows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from leanmix.errors import Finding, MachineFileError
from leanmix.machine import Machine
from leanmix.survey.layout import Layout, differing_places, lay_out
from leanmix.survey.places import PointName
from leanmix.survey.readings import SIGMAS_PER_TOL, Reading, Survey, describe
from leanmix.survey.rows import RowBook, Rows, add_reading, add_sheet

__all__ = ["Problem", "build", "differing", "fore_aft", "wanted"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Problem:
    """A survey ready to be settled: slots, equations, start, and the readings they came from."""

    layout: Layout
    rows: Rows
    start: Array
    survey: Survey


def fore_aft(survey: Survey) -> frozenset[str]:
    """Places whose fore-and-aft position some reading or side view shows."""
    named = {p.place for r in survey.readings if r.kind == "behind" and not r.aside for p in r.points}
    named |= {m.point.place for s in survey.sheets if s.view == "side" for m in s.marks}
    return frozenset(named)


def differing(machine: Machine, survey: Survey) -> frozenset[str]:
    """Places to solve apart left and right: the builder's list, else what differs in the machine file."""
    return differing_places(machine) if survey.differ is None else frozenset(survey.differ)


def wanted(survey: Survey) -> list[str]:
    """Every place that takes part, and those without which it means nothing; with repeats."""
    names = [p.place for r in survey.readings if not r.aside for p in r.points]
    names += [m.point.place for s in survey.sheets for m in s.marks]
    # an arm ball means nothing in the file without its axis, nor one end of the guide without the other
    pairs = {"arm_ball": "arm_centre", "guide_top": "guide_bottom", "guide_bottom": "guide_top"}
    return names + [pairs[n] for n in names if n in pairs]


def build(machine: Machine, survey: Survey) -> Problem:
    """Set a survey up as equations, starting where the machine file puts things.

    Raises
    ------
    MachineFileError
        When a reading cannot be used; every one is named.
    """
    layout = lay_out(machine, wanted(survey), differing(machine, survey), fore_aft(survey))
    start = layout.book.vector()
    book = RowBook()
    findings = []
    tol = machine.left.arm.offset_behind_mm.tol or 0.0
    for reading in survey.readings:
        if reading.aside:
            continue
        try:
            add_reading(book, layout, survey, reading, start, tol / SIGMAS_PER_TOL)
        except KeyError as error:
            findings.append(_unusable(reading, error.args[0], layout))
    if findings:
        raise MachineFileError("readings", tuple(findings))
    for number, sheet in enumerate(survey.sheets):
        add_sheet(book, layout.book, layout, sheet, number, start)
    vector = layout.book.vector()
    return Problem(layout, Rows(book, len(layout.book.unknown)), vector, survey)


def _unusable(reading: Reading, culprit: object, layout: Layout) -> Finding:
    words = describe(reading, layout.places)
    if isinstance(culprit, PointName) and culprit not in layout.spots:
        plain = layout.places[culprit.place].plain
        return Finding(words, f"left and right {plain} differ, and nothing says which this is.", "Put left or right before the name.", reading.line)  # fmt: skip
    return Finding(words, f"the pin diameter of {culprit} is not given.", "Add it to pins.", reading.line)
