"""How a logger's file is laid out: encoding, separator, decimal sign, where its header stands."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass

from leanmix.errors import FileTrouble

__all__ = ["Shape", "find_shape", "number"]

SEPARATORS = (",", ";", "\t", "|")
SAMPLE_ROWS = 40
HEAD_BYTES = 1 << 16
_COMMA_NUMBER = re.compile(r"\s*[+-]?\d+,\d+(?:[eE][+-]?\d+)?\s*")
_CLOCK = re.compile(r"\s*(?:\d{4}-\d\d-\d\d[T ])?(\d{1,2}):(\d\d):(\d\d(?:[.,]\d+)?)\s*Z?\s*")


@dataclass(frozen=True, slots=True)
class Shape:
    """Layout of a file.

    Parameters
    ----------
    encoding : str
        For the text decoder.
    separator, decimal : str
        Between fields; in numbers.
    columns : tuple of str
        Names in the header, or "1", "2", … where there is none.
    first_line : int
        1-based line of the first row of numbers.
    plain : bool
        Whether the file says that it is in the plain format.
    """

    encoding: str
    separator: str
    decimal: str
    columns: tuple[str, ...]
    first_line: int
    plain: bool


def number(text: str, decimal: str) -> float | None:
    """A field as a number; NaN for an empty one; None when it is not a number. A time of day gives seconds."""
    text = text.strip()
    if not text:
        return float("nan")
    if decimal == "," and "," in text:
        if "." in text:
            return None  # thousands marks: which is which cannot be told
        text = text.replace(",", ".")
    if "_" in text:
        return None
    try:
        return float(text)
    except ValueError:
        found = _CLOCK.fullmatch(text)
        if found is None:
            return None
        return int(found[1]) * 3600 + int(found[2]) * 60 + float(found[3].replace(",", "."))


def find_shape(head: bytes, name: str) -> Shape:
    """Find out how a file is laid out from its first bytes.

    Parameters
    ----------
    head : bytes
        The file's beginning, `HEAD_BYTES` or all of it.
    name : str
        For errors.

    Raises
    ------
    FileTrouble
        When no separator makes a table of numbers of it; with the line where it fails, where one can be named.
    """
    encoding = _encoding(head)
    text = head.decode(encoding, "replace")
    lines = [line.rstrip("\r") for line in text.split("\n")]
    if len(head) >= HEAD_BYTES and lines:
        lines.pop()  # may be cut
    if any("\x00" in line for line in lines[:SAMPLE_ROWS]):
        raise FileTrouble(f"{name}: is not text.", "Export the log as CSV.")
    best: tuple[int, int, Shape] | None = None
    for separator in SEPARATORS:
        found = _try(lines, separator, encoding)
        if found is not None and (best is None or found[:2] > best[:2]):
            best = found
    if best is None:
        _refuse(lines, name)
    assert best is not None
    return best[2]


def _encoding(head: bytes) -> str:
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    return "utf-8-sig" if head.startswith(b"\xef\xbb\xbf") else "utf-8"


def _fields(line: str, separator: str) -> list[str]:
    try:
        return next(csv.reader([line], delimiter=separator), [])
    except csv.Error:
        return []


def _try(lines: list[str], separator: str, encoding: str) -> tuple[int, int, Shape] | None:
    """Rows of numbers under one separator: (rows that fit, fields, shape), or None."""
    decimal = "," if separator != "," and any(_COMMA_NUMBER.fullmatch(f) for f in _some(lines, separator)) else "."
    rows = [(i, _fields(line, separator)) for i, line in enumerate(lines) if line.strip() and line.lstrip()[0] != "#"]
    for place, (i, fields) in enumerate(rows):
        if len(fields) < 2 or not _numeric(fields, decimal):
            continue
        same = sum(len(f) == len(fields) and _numeric(f, decimal) for _, f in rows[place : place + SAMPLE_ROWS])
        if same < min(2, len(rows) - place):
            continue
        header = rows[place - 1][1] if place else []
        named = len(header) == len(fields)
        if not named and place and header and len(header) != len(fields):
            # a header of another width: the numbers cannot be told apart by it
            return None
        columns = tuple(h.strip() for h in header) if named else tuple(str(n + 1) for n in range(len(fields)))
        plain = bool(lines) and lines[0].lstrip("\ufeff").startswith("# leanmix drive log 1")
        return same, len(fields), Shape(encoding, separator, decimal, columns, i + 1, plain)
    return None


def _some(lines: list[str], separator: str) -> list[str]:
    return [f for line in lines[: 4 * SAMPLE_ROWS] for f in _fields(line, separator)]


def _numeric(fields: list[str], decimal: str) -> bool:
    """Whether a row is one of numbers: two of its fields at least, and nearly all that are filled."""
    filled = [f for f in fields if f.strip()]
    good = sum(number(f, decimal) is not None for f in filled)
    return good >= 2 and good >= 0.6 * len(filled)


def _refuse(lines: list[str], name: str) -> None:
    header: list[str] = []
    for i, line in enumerate(lines, 1):
        fields = _fields(line, ",")
        if header and len(fields) > len(header) >= 2 and _numeric(fields, "."):
            raise FileTrouble(
                f"{name}, line {i}: {len(fields)} fields where the header has {len(header)}. Commas seem to stand both "
                "between the fields and for the decimal point.",
                "Export it with semicolons between the fields, or with decimal points.",
            )
        if line.strip() and line.lstrip()[0] != "#":
            header = fields
    raise FileTrouble(
        f"{name}: is no table of numbers with commas, semicolons, tabs or bars between them.",
        "Export the log as CSV; the plain format is shown by: leanmix log format",
    )
