"""Taking what the bench found into the machine file: one edit, comments kept, the file before kept in the journal."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from leanmix.bench.fit import BenchFit
from leanmix.bench.stopped import StopCheck
from leanmix.errors import NoAnswer
from leanmix.job import Job
from leanmix.machine import MachineFile, Measured, parse, set_value

__all__ = ["Change", "changes_of_fit", "changes_of_stops", "taken_in"]

DIGITS = 4


@dataclass(frozen=True, slots=True)
class Change:
    """One number to be changed.

    Parameters
    ----------
    key : str
        Where in the machine file.
    was : Measured or None
        What stands there.
    now : Measured
        What is to stand there.
    why : str
        In a few words.
    """

    key: str
    was: Measured | None
    now: Measured
    why: str


def changes_of_fit(fit: BenchFit) -> tuple[Change, ...]:
    """Every number that the readings fix better than the file does, or that they contradict.

    A number that the file holds more closely already, and that agrees, stays as it is.
    """
    out = []
    for n in fit.numbers:
        if not n.found:
            continue
        closer = n.was.tol is None or (n.now.tol or np.inf) < n.was.tol
        if n.differs or closer:
            out.append(Change(n.key, n.was, _rounded(n.now), f"{n.name} off the bench"))
    return tuple(out)


def changes_of_stops(job: Job, checks: tuple[StopCheck, ...]) -> tuple[Change, ...]:
    """Own caps for the ways on which a measured stop is nearer than the predicted one."""
    out = []
    margin = float(job.numbers["limits.cap_margin_deg"])
    for way in ("left", "right"):
        near = [c for c in checks if c.way == way and c.nearer == "measured" and c.measured is not None]
        if not near:
            continue
        cap = round(max(1.0, min(c.throw_deg for c in near) - margin), 2)
        key = f"limits.cap_{way}_deg"
        own = getattr(job.machine.limits, f"cap_{way}_deg")
        if own is None or own.at > cap:
            out.append(Change(key, own, Measured(cap, None, "bench"), f"measured stop less {margin:g}°"))
    return tuple(out)


def taken_in(source: MachineFile, changes: tuple[Change, ...]) -> MachineFile:
    """The file with the changes made.

    Raises
    ------
    NoAnswer
        When there is nothing to change.
    MachineFileError
        When the changed file would not be usable.
    """
    if not changes:
        raise NoAnswer("The bench agrees with the file: there is nothing to take in.", "Nothing was changed.")
    text = source.text
    for change in changes:
        text = set_value(text, change.key, change.now)
    return parse(text, source.name)


def _rounded(m: Measured) -> Measured:
    """To the digits that its tolerance leaves any meaning."""
    tol = m.tol or 0.0
    if tol <= 0:
        return m
    places = max(0, min(DIGITS, 2 - int(np.floor(np.log10(tol)))))
    up = 10.0**-places
    return Measured(round(m.at, places), float(np.ceil(tol / up) * up), m.source)
