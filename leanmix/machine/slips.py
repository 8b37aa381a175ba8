"""What a hand writes wrong in a machine file, in sentences: what stands there, and what was most likely meant."""

from __future__ import annotations

import difflib
import re
import typing
from collections.abc import Mapping
from typing import Any

from pydantic import BaseModel

from leanmix.errors import Finding
from leanmix.machine.schema import Machine

__all__ = ["syntax_slip", "value_slip"]

_DECIMAL_COMMA = re.compile(r"=\s*([+-]?\d{1,9}),(\d{1,9})\b")
# a word without its quotes
_BARE_WORD = re.compile(r"\b([A-Za-z_]{1,40})\s*=\s*(?!(?:true|false|nan|inf)\b)([A-Za-z][\w-]{0,40})\s*(?:[,}#]|$)")
_NUMBER_FIRST = re.compile(r"\s*([+-]?\d{1,9}(?:[.,]\d{1,9})?)(?![\d.,])")


def syntax_slip(message: str, text: str) -> Finding:
    """A finding for text that is not TOML.

    Parameters
    ----------
    message : str
        What `tomllib` says of it, with its line.
    text : str
        The whole text.
    """
    what, _, place = message.partition(" (at ")
    line: int | None = None
    if place.startswith("line "):
        digits = place[5:].split(",")[0]
        line = int(digits) if digits.isdigit() else None
    rows = text.split("\n")
    row = rows[line - 1] if line is not None and 0 < line <= len(rows) else ""
    todo = "Compare the line with its neighbours: key = value, text in quotes."
    if found := _DECIMAL_COMMA.search(row):
        todo = f"Decimals take a point: {found[1]}.{found[2]}."
    elif found := _BARE_WORD.search(row):
        todo = f'Text stands in quotes: {found[1]} = "{found[2]}".'
    return Finding("file", f"not TOML here: {what[:200]}.", todo, line)


def value_slip(item: Mapping[str, Any]) -> tuple[str, str]:
    """What is wrong with one entry and what to do, from one of pydantic's errors.

    Parameters
    ----------
    item : mapping
        With ``type``, ``msg``, ``loc`` and ``input``.
    """
    kind, message = str(item["type"]), str(item["msg"])
    if kind == "missing":
        return "is missing.", "Add it; `leanmix new` shows how to measure each number."
    if kind == "extra_forbidden":
        key = str(item["loc"][-1])[:60]
        meant = _meant(tuple(item["loc"]), key)
        unit = " The unit is part of the name." if "_" in meant else ""
        todo = f"Is {meant} meant?{unit}" if meant else "Compare with a file from `leanmix new`."
        return "is not a key of a machine file.", todo
    if kind == "number" and isinstance(item.get("input"), (str, Mapping)):
        given = item["input"]
        given = given.get("at", "") if isinstance(given, Mapping) else given
        found = _NUMBER_FIRST.match(given) if isinstance(given, str) else None
        if found:
            number = found[1].replace(",", ".")
            return message, f"Write the number alone, in the unit that the key's name ends with: {number}."
    if kind in ("number", "finite", "range", "tol", "source", "shape", "point"):
        return message, ""
    shown = f"{item.get('input')!r}"[:40]
    if kind == "literal_error":
        return f"{shown} is not known here.", f"Write {message.removeprefix('Input should be ')}."
    return f"{shown}: {message[:1].lower()}{message[1:]}.", ""


def _meant(loc: tuple[str | int, ...], key: str) -> str:
    """The key of that table which was most likely meant; "" where none is near."""
    model: type[BaseModel] | None = Machine
    for name in loc[:-1]:
        if isinstance(name, str) and model is not None:
            model = _inside(model, name)
    if model is None:
        return ""
    names = [info.alias or name for name, info in model.model_fields.items()]
    if model is Machine:
        names.append("side")
    longer = [n for n in names if n.startswith(f"{key}_")]
    return (longer or difflib.get_close_matches(key, names, 1, 0.75) or [""])[0]


def _inside(model: type[BaseModel], name: str) -> type[BaseModel] | None:
    """The model of a table's table, or of the entries of its list."""
    info = next((f for n, f in model.model_fields.items() if name in (n, f.alias)), None)
    if info is None:
        return None
    kinds = (info.annotation, *typing.get_args(info.annotation))
    return next((k for k in kinds if isinstance(k, type) and issubclass(k, BaseModel)), None)
