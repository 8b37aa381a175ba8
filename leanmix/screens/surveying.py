"""What the survey says of the readings as they stand, gathered for its view; nothing is computed here."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from leanmix.errors import LeanmixError, MachineFileError
from leanmix.machine import MachineFile
from leanmix.screens.readings import Readings
from leanmix.words import count, figure, signed, with_unit

if TYPE_CHECKING:
    from leanmix.survey import Checked, Reading, Solution, Survey

__all__ = ["Entry", "Surveyed", "read_as", "state_words", "surveyed", "told_of", "with_line"]

Words = tuple[str, str]
# a slip in a reading that others check by less than this share would not show
BLIND = 0.02


@dataclass(frozen=True)
class Entry:
    """One row: a reading, or a mark on a picture.

    Attributes
    ----------
    number : int
        Which reading of the file, from 0; −1 for one that stands elsewhere.
    words : str
    reading : Reading or None
        None for a mark.
    checked : Checked or None
        Beside all the others; None where the builder set it aside.
    tol : float
        Its tolerance that counts [mm or deg].
    """

    number: int
    words: str
    reading: Reading | None
    checked: Checked | None
    tol: float

    @property
    def mark(self) -> tuple[str, str]:
        """A sign and its ink."""
        c = self.checked
        if c is None:
            return "–", "faint"
        if c.aside:
            return "✕", "bad"
        if c.or_else:
            return "▲", "warn"
        return ("◦", "faint") if self.blind else ("✓", "good")

    @property
    def blind(self) -> bool:
        """Whether nothing checks it."""
        c = self.checked
        return c is not None and not c.aside and c.reading is not None and c.checked < BLIND

    @property
    def unit(self) -> str:
        """mm or deg."""
        from leanmix.survey import KINDS

        return "mm" if self.reading is None else KINDS[self.reading.kind].unit


@dataclass(frozen=True)
class Surveyed:
    """Readings, solved.

    Attributes
    ----------
    text : str
    serial : int
        Of the readings, and the store's count of the machine: what this was worked out from.
    entries : tuple of Entry
    survey : Survey or None
    solution : Solution or None
        None where the readings cannot be used.
    trouble : str
        Why.
    """

    text: str
    serial: int
    entries: tuple[Entry, ...]
    survey: Survey | None
    solution: Solution | None
    trouble: str


def surveyed(readings: Readings, source: MachineFile, serial: int) -> Surveyed:
    """Solve the readings as they stand."""
    from leanmix.survey import describe, places_of, solve

    survey, solution, trouble = None, None, ""
    try:
        survey = readings.read(source).survey
        solution = solve(source.machine, survey)
    except MachineFileError as error:
        trouble = " ".join(str(f) for f in error.findings[:3])
    except LeanmixError as error:
        trouble = str(error)
    entries: list[Entry] = []
    places = places_of(source.machine)
    checked = () if solution is None else solution.readings
    by_reading = {id(c.reading): c for c in checked if c.reading is not None}
    for i, reading in enumerate(() if survey is None else survey.readings):
        tol = 0.0 if survey is None else survey.tolerance(reading)
        number = i if reading.line is not None else -1
        entries.append(Entry(number, describe(reading, places), reading, by_reading.get(id(reading)), tol))
    entries += [Entry(-1, c.words, None, c, 0.0) for c in checked if c.reading is None]
    return Surveyed(readings.text, serial, tuple(entries), survey, solution, trouble)


def told_of(entry: Entry) -> Iterator[Words]:
    """What there is to say of one reading, as (words, ink)."""
    c, r = entry.checked, entry.reading
    if r is not None and r.kind != "alike":
        yield f"{entry.words}: {with_unit(f'{r.reads:g} ± {entry.tol:g}', entry.unit)}", "strong"
    else:
        yield entry.words, "strong"
    if r is not None and r.note:
        yield f"“{r.note}”", "plain"
    if c is None:
        yield "Left out by you: x counts it again.", "faint"
        return
    if c.reading is None:
        yield f"lies {figure(c.off, 2)} mm off what all the rest say{': left out' if c.aside else ''}.", "bad" if c.aside else "plain"  # fmt: skip
        return
    if entry.blind:
        yield "Nothing checks this reading: a slip in it would not show.", "warn"
        return
    rest = f"The rest say {with_unit(figure(c.others_say, 2), c.unit)}: {with_unit(figure(abs(c.off), 2), c.unit)} {'less' if c.off > 0 else 'more'}"  # fmt: skip
    if c.aside:
        yield f"✕ {rest}. It disagrees, and was left out: measure it again.", "bad"
    elif c.or_else:
        yield f"▲ {rest}. Leaving this one out instead would fit about as well.", "warn"
    else:
        yield f"{rest}.", "plain"


def state_words(found: Surveyed) -> Iterator[Words]:
    """How far the survey is, the worst first, as (words, ink)."""
    if found.trouble:
        yield f"✕ {found.trouble}", "bad"
    s = found.solution
    if s is None:
        return
    wrong = [e for e in found.entries if e.checked is not None and e.checked.aside]
    if wrong:
        first = wrong[0]
        off = "" if first.checked is None else f", {with_unit(signed(first.checked.off, 2), first.unit)}"
        more = f" and {count(len(wrong) - 1, 'other')}" if len(wrong) > 1 else ""
        yield f"✕ disagrees: {first.words}{off}{more}", "bad"
    if s.widened > 1:
        yield f"▲ They disagree more than their tolerances say: all were widened × {s.widened:.1f}.", "warn"
    for o in (*s.open, *s.either):
        yield f"▲ open: {o.words}", "warn"
    if s.unmeasured and found.entries:
        yield f"▲ no reading yet to: {', '.join(n.replace('_', ' ') for n in s.unmeasured)}", "warn"
    if found.entries and not s.open and not s.either and not s.unmeasured and not wrong:
        yield f"✓ Every point is held; {count(s.freedom, 'reading')} more than needed check each other.", "good"


def read_as(typed: str, source: MachineFile) -> str:
    """A line being typed in plain words, once it can be understood; "" before."""
    from leanmix.survey import KINDS, describe, parse_line, places_of

    places = places_of(source.machine)
    try:
        r = parse_line(typed, places)
    except LeanmixError:
        return ""
    tol = "" if r.tol is None else f" ± {r.tol:g}"
    value = "" if r.kind == "alike" else f": {with_unit(f'{r.reads:g}{tol}', KINDS[r.kind].unit)}"
    return f"{describe(r, places)}{value}"


def with_line(text: str, typed: str, entry: Entry | None, source: MachineFile) -> tuple[str, str]:
    """The readings' text with a typed line in it, and what that is called for undo.

    Parameters
    ----------
    text : str
        Readings as they stand.
    typed : str
        A reading, or ``diameter POINT MM``.
    entry : Entry or None
        The reading it takes the place of; None: a new one.
    source : MachineFile
        Gives the points' names.

    Raises
    ------
    LeanmixError
        When it cannot be understood.
    """
    from leanmix.survey import add_line, describe, find_point, parse_line, places_of, put_diameter, put_line

    places = places_of(source.machine)
    words = typed.split()
    if words and words[0] == "diameter":
        point = find_point(" ".join(words[1:-1]), places)
        try:
            across = float(words[-1].replace(",", "."))
        except ValueError:
            across = 0.0
        if not 0.1 <= across <= 100:
            raise LeanmixError("A pin is 0.1 to 100 mm thick.", "For example: diameter J 3")
        return put_diameter(text, point.place, across), f"pin of {places[point.place].plain}: {across:g} mm thick"
    reading = parse_line(typed, places)
    if entry is None or entry.reading is None:
        return add_line(text, reading), f"reading: {describe(reading, places)}"
    old = entry.reading
    kept = replace(reading, note=old.note, behind_mm=old.behind_mm, aside=old.aside)
    return put_line(text, entry.number, kept), f"reading changed: {describe(reading, places)}"
