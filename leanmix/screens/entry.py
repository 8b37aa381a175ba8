"""What a builder types into a field, read: a number, perhaps its tolerance, perhaps where it came from."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass

from leanmix.machine import SOURCES, Measured
from leanmix.screens.fields import Field, steps_for
from leanmix.words import trimmed, with_unit

__all__ = ["BadEntry", "nudged", "read_entry", "shown_entry"]

Value = Measured | float | str | bool

_NUMBER = re.compile(r"^([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d+)?)\s*(.*)$")
_PLUS_MINUS = re.compile(r"±|\+/?-")


@dataclass(frozen=True, slots=True)
class BadEntry(Exception):
    """What is wrong with an entry, in a sentence."""

    says: str


def shown_entry(field: Field) -> str:
    """What stands in a field, as it may be typed."""
    m = field.measured
    if m is None:
        return "" if field.value is None else _word(field.value)
    tol = "" if m.tol is None else f" ± {trimmed(m.tol)}"
    source = f" {m.source}" if m.source else ""
    return f"{trimmed(m.at)}{tol}{source}"


def read_entry(field: Field, typed: str) -> Value:
    """Turn what was typed into a value for `set_value`.

    Raises
    ------
    BadEntry
        When it cannot be understood or is out of range.
    """
    text = typed.strip().replace("−", "-")
    if field.kind == "choice":
        return _one_of(field, text)
    if field.kind == "switch":
        return _one_of(field, text.lower()) == "true"
    if field.kind == "text":
        if not text or len(text) > 60:
            raise BadEntry("Give 1 to 60 characters.")
        return text
    source = next((word for word in SOURCES if text.endswith(word)), "")
    first, sign, second = _parted(text.removesuffix(source).strip())
    at = _amount(field, first) if first else None
    tol = _amount(field, second) if sign else None
    if at is None and tol is None and not source:
        raise BadEntry(_asked(field))
    before = field.measured
    if at is None:
        if before is None:
            raise BadEntry("Type the number too.")
        at = before.at
    if not field.low <= at <= field.high:
        raise BadEntry(
            f"{with_unit(trimmed(at), field.unit)} is outside what is possible: "
            f"{trimmed(field.low)} to {with_unit(trimmed(field.high), field.unit)}."
        )
    if field.kind == "count":
        if at != int(at):
            raise BadEntry("Type a whole number.")
        return int(at)
    if tol is None and not source:
        return at
    kept = before.tol if before else None
    return Measured(at, kept if tol is None else abs(tol), source or (before.source if before else ""))


def _parted(text: str) -> tuple[str, str, str]:
    found = _PLUS_MINUS.search(text)
    return (text, "", "") if found is None else (text[: found.start()].strip(), "±", text[found.end() :].strip())


def _amount(field: Field, text: str) -> float:
    found = _NUMBER.match(text)
    if found is None:
        raise BadEntry(_asked(field))
    unit = found[2].strip()
    if unit and unit not in (field.unit, {"deg": "°", "µs": "us"}.get(field.unit)):
        near = difflib.get_close_matches(unit.lower(), SOURCES, 1, 0.7)
        if near:
            raise BadEntry(f"“{unit}” is not known: is {near[0]} meant?")
        counted = f"this is counted in {field.unit}" if field.unit else "this has no unit"
        raise BadEntry(f"“{unit}” cannot stand here: {counted}.")
    return float(found[1].replace(",", "."))


def _asked(field: Field) -> str:
    unit = f" in {field.unit}" if field.unit else ""
    return f"Type a number{unit}; after it, if you like, ± its tolerance and one of: {', '.join(SOURCES)}."


def nudged(field: Field, steps: int, *, large: bool = False) -> float | str | bool | None:
    """A field's value so many nudges on; None where a nudge means nothing or would leave the range."""
    if field.kind in ("choice", "switch"):
        here = _word(field.value) if field.value is not None else field.fallback
        at = field.choices.index(here) if here in field.choices else 0
        chosen = field.choices[(at + (1 if steps > 0 else -1)) % len(field.choices)]
        return chosen == "true" if field.kind == "switch" else chosen
    if field.kind == "count":
        number = field.value if isinstance(field.value, int) else int(field.fallback or 0)
        moved = number + steps * (10 if large else 1)
        return moved if field.low <= moved <= field.high else None
    if field.kind != "number":
        return None
    if field.measured is None and not field.fallback.replace(".", "").isdigit():
        return None
    before = field.measured.at if field.measured is not None else float(field.fallback)
    # decimal steps from a decimal start: 9 digits keep 0.1 + 0.2 at 0.3
    after = float(f"{before + steps * steps_for(field.unit)[large]:.9g}")
    return after if field.low <= after <= field.high else None


def _word(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def _one_of(field: Field, text: str) -> str:
    fits = [c for c in field.choices if c == text] or [c for c in field.choices if text and c.startswith(text)]
    if len(fits) != 1:
        raise BadEntry(f"Choose one of: {', '.join(field.choices)}.")
    return fits[0]
