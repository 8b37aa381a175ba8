"""Putting a survey's numbers into a machine file: value, tolerance, where it came from; comments kept."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from leanmix.machine import MachineFile, Measured, Point, each_number, parse, set_value
from leanmix.survey.places import SIDES
from leanmix.survey.solution import Found, Solution

__all__ = ["Change", "Recorded", "changes", "record"]

# a tolerance below this is not believed of any caliper [mm or deg]
LEAST_TOL = 0.01


@dataclass(frozen=True, slots=True)
class Change:
    """One number of the machine file, before and after.

    Parameters
    ----------
    key : str
        As it stands in the file, e.g. "side.arm.radius_mm".
    before, after : Measured
        Values with tolerance and origin.
    """

    key: str
    before: Measured
    after: Measured


@dataclass(frozen=True)
class Recorded:
    """A machine file with a survey's numbers in it.

    Parameters
    ----------
    source : MachineFile
        The new file.
    changes : tuple of Change
        What was written.
    left_out : tuple of str
        Keys that the survey could not decide, left as they were.
    """

    source: MachineFile
    changes: tuple[Change, ...]
    left_out: tuple[str, ...]


def _rounded(found: Found) -> Measured:
    """Value to a hundredth, or finer where the tolerance is; tolerance to two figures, upwards."""
    if found.tol <= 0:
        return Measured(round(found.at, 6))
    if found.tied:
        # a tolerance of its own would let the corner wander from the point it sits on
        return Measured(round(found.at, 2))
    tol = max(found.tol, LEAST_TOL)
    step = 10.0 ** (math.floor(math.log10(tol)) - 1)
    tol = float(f"{math.ceil(tol / step - 1e-9) * step:.3g}")
    return Measured(round(found.at, 2 if tol >= 0.05 else 3), tol, found.source)


def record(source: MachineFile, solution: Solution) -> Recorded:
    """Write what a survey decided into a machine file's text.

    Alike numbers go where the file has them: into ``[side]``, and into ``[left]`` or ``[right]`` where such an
    override stands. Numbers that are still open are left as they are.

    Parameters
    ----------
    source : MachineFile
        The file as it is; nothing is saved here.
    solution : Solution
        From `solve`.

    Raises
    ------
    MachineFileError
        When the outcome would be no usable machine, with every finding.
    """
    content = tomllib.loads(source.text)
    by_key = {f.key: f for f in solution.numbers}
    text = source.text
    done: list[Change] = []
    left_out: list[str] = []
    for key, value in _jobs(by_key):
        if value is None:
            left_out.append(key)
            continue
        for where in _where(key, by_key, content):
            before = _before(source, where)
            for name, old, new in _parts(where, before, value):
                if old != new:
                    done.append(Change(name, old, new))
            text = set_value(text, where, value)
    return Recorded(parse(text, source.name), tuple(done), tuple(left_out))


def _jobs(by_key: Mapping[str, Found]) -> Iterator[tuple[str, Measured | Point | None]]:
    """Every value to write, points whole; None where it is still open."""
    for key, found in by_key.items():
        if key.endswith(".up_mm"):
            continue
        if key.endswith(".out_mm"):
            up = by_key[key.removesuffix("out_mm") + "up_mm"]
            point = Point(_rounded(found), _rounded(up)) if found.held and up.held else None
            yield key.removesuffix(".out_mm"), point
        else:
            yield key, _rounded(found) if found.held else None


def _holds(content: Any, path: list[str]) -> bool:
    for key in path:
        if not isinstance(content, dict) or key not in content:
            return False
        content = content[key]
    return True


def _same(by_key: Mapping[str, Found], left: str, right: str) -> bool:
    for tail in ("", ".out_mm", ".up_mm"):
        a, b = by_key.get(left + tail), by_key.get(right + tail)
        if (a is None) != (b is None):
            return False
        if a is not None and b is not None and max(abs(a.at - b.at), abs(a.tol - b.tol)) > 1e-9:
            return False
    return True


def _where(key: str, by_key: Mapping[str, Found], content: Mapping[str, Any]) -> list[str]:
    """Keys of the file's text that a full key is written to."""
    head, _, tail = key.partition(".")
    if head == "parts":
        return [f"part.{tail}"]
    if head not in SIDES:
        return [key]
    other = "right" if head == "left" else "left"
    shared = _holds(content, ["side", *tail.split(".")])
    if not shared or not _same(by_key, f"left.{tail}", f"right.{tail}"):
        return [key]
    if head == "right":
        return []  # written with the left one
    return [f"side.{tail}", *(f"{s}.{tail}" for s in (head, other) if _holds(content, [s, *tail.split(".")]))]


def _before(source: MachineFile, where: str) -> Measured | Point | None:
    names = where.split(".")
    if names[0] == "side":
        names[0] = "left"
    if names[0] == "part":
        return source.machine.parts[int(names[1])].points[int(names[3])]
    value: Any = source.machine
    for name in names:
        value = getattr(value, name)
    return value if isinstance(value, (Measured, Point)) else None


def _parts(where: str, old: Measured | Point | None, new: Measured | Point) -> Iterator[tuple[str, Measured, Measured]]:
    if isinstance(new, Point):
        was = old if isinstance(old, Point) else Point(Measured(math.nan), Measured(math.nan))
        yield f"{where}.out_mm", was.out, new.out
        yield f"{where}.up_mm", was.up, new.up
    else:
        yield where, old if isinstance(old, Measured) else Measured(math.nan), new


def changes(before: MachineFile, after: MachineFile) -> tuple[Change, ...]:
    """Numbers that differ between two machine files, both sides written out, in the order of the file."""
    was = {n.key: n.measured for n in each_number(before.machine)}
    return tuple(
        Change(n.key, was.get(n.key, Measured(math.nan)), n.measured)
        for n in each_number(after.machine)
        if was.get(n.key, Measured(math.nan)).at != n.measured.at
    )
