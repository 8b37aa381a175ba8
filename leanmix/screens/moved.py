"""What a change of the machine file moved, and whether the table flashed last still holds: as `leanmix survey --since`."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from leanmix.errors import LeanmixError
from leanmix.machine import MachineFile
from leanmix.words import figure, with_unit

if TYPE_CHECKING:
    from leanmix.job import Job
    from leanmix.remeasure import TableStands, WhatMoved

__all__ = ["Remeasured", "flashed_table", "moved_words", "remeasured", "table_words"]

Words = tuple[str, str]


@dataclass(frozen=True)
class Remeasured:
    """Before and after.

    Attributes
    ----------
    moved : WhatMoved
        Stops, caps, lean, tip.
    held : TableStands or None
        The table flashed last, proved again; None where none was flashed.
    """

    moved: WhatMoved
    held: TableStands | None


def flashed_table(job: Job) -> TableStands | None:
    """The table that was flashed last for this machine, proved again; None where the journal knows of none.

    Raises
    ------
    LeanmixError
        Where the journal cannot be read, or nothing can be proved.
    """
    from leanmix.journal import Journal
    from leanmix.remeasure import table_stands

    with Journal.open(read_only=True) as journal:
        flash = journal.last_on_board(job.machine.name)
    return None if flash is None else table_stands(job, flash.image)


def remeasured(before: MachineFile, after: MachineFile) -> Remeasured | str:
    """What moved; or why it cannot be said."""
    from leanmix.job import work_out
    from leanmix.remeasure import moved_between

    try:
        job = work_out(after)
        return Remeasured(moved_between(work_out(before), job), flashed_table(job))
    except LeanmixError as error:
        return str(error)


def moved_words(found: Remeasured) -> Iterator[Words]:
    """A sentence for each figure that moved, and one for the flashed table, as (words, ink)."""
    some = False
    for m in found.moved.moved:
        unit, _, of = m.unit.partition(" ")
        places = 3 if unit == "g" else 2
        before, after = ("none" if v is None else with_unit(figure(v, places), unit) for v in (m.before, m.after))
        if before != after:
            some = True
            yield f"{m.what}: {before} → {after} {of}".rstrip(), "strong"
    if not some:
        yield "Stops, caps, lean and tip stayed where they were.", "plain"
    yield from table_words(found.held)


def table_words(held: TableStands | None) -> Iterator[Words]:
    """Whether the flashed table still holds, as (words, ink)."""
    if held is None:
        yield "No table was flashed for this machine yet, as far as the journal knows.", "faint"
        return
    for check in held.checks:
        if not check.passed:
            yield f"✕ The flashed table no longer holds: {check.name} ({check.figure}).", "bad"
    if held.holds:
        yield f"✓ The flashed table's proof still holds; a new one would change lean by {figure(held.lean_moved_deg, 2)}° at most.", "good"  # fmt: skip
    else:
        yield "Make and flash a new one before driving (b, then g).", "bad"
