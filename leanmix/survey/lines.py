"""Changing one reading of a readings file's text: everything else in it, comments too, stays as it is."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError

from leanmix.errors import Finding, MachineFileError
from leanmix.survey.readings import KINDS, Reading

__all__ = ["add_line", "add_lines", "drop_line", "put_diameter", "put_line", "typed_line"]


def typed_line(reading: Reading) -> str:
    """A reading as it may be typed for `parse_line`."""
    words = [reading.kind, *(str(p) for p in reading.points)]
    if reading.kind != "alike":
        words.append(f"{reading.reads:g}")
    if reading.tol is not None:
        words.append(f"± {reading.tol:g}")
    return " ".join(words)


def _item(reading: Reading) -> Any:
    kind = KINDS[reading.kind]
    names = [f'"{p}"' for p in reading.points]
    parts = [f"{reading.kind} = {names[0] if kind.points == 1 else '[' + ', '.join(names) + ']'}"]
    if reading.kind != "alike":
        parts.append(f"reads_{kind.unit} = {reading.reads:g}")
    if reading.tol is not None:
        parts.append(f"tol_{kind.unit} = {reading.tol:g}")
    if reading.behind_mm:
        parts.append(f"behind_mm = {reading.behind_mm:g}")
    item = tomlkit.parse(f"x = {{ {', '.join(parts)} }}")["x"]
    if reading.aside:
        item["aside"] = True
    if reading.note:
        item["note"] = reading.note
    return item


def _changed(text: str, job: Any) -> str:
    try:
        document = tomlkit.parse(text)
        job(document)
        return tomlkit.dumps(document)
    except (TOMLKitError, ValueError, RecursionError) as error:
        raise MachineFileError("readings", (Finding("file", f"not TOML: {error}."),)) from error


def add_line(text: str, reading: Reading) -> str:
    """Append a reading to a readings file's text.

    Raises
    ------
    MachineFileError
        When the text is not TOML.
    """
    return add_lines(text, (reading,))


def add_lines(text: str, readings: Iterable[Reading]) -> str:
    """Append readings to a readings file's text.

    Raises
    ------
    MachineFileError
        When the text is not TOML.
    """

    def job(document: Any) -> None:
        if document.get("reading") is None:
            document["reading"] = tomlkit.array()
        array = document["reading"]
        for reading in readings:
            if isinstance(array, tomlkit.items.Array):
                array.add_line(_item(reading), indent="    ")
            else:
                array.append(_item(reading))

    return _changed(text, job)


def put_line(text: str, number: int, reading: Reading) -> str:
    """Put a reading in the place of the one of that number, counted from 0.

    Raises
    ------
    MachineFileError
        When the text is not TOML.
    IndexError
        When there is no such reading.
    """

    def job(document: Any) -> None:
        document["reading"][number] = _item(reading)

    return _changed(text, job)


def drop_line(text: str, number: int) -> str:
    """Take out the reading of that number, counted from 0.

    Raises
    ------
    MachineFileError
        When the text is not TOML.
    IndexError
        When there is no such reading.
    """

    def job(document: Any) -> None:
        del document["reading"][number]

    return _changed(text, job)


def put_diameter(text: str, place: str, diameter_mm: float) -> str:
    """Say how thick a place's pin is, `diameter_mm` [mm], for readings over, inside, on top of or under pins.

    Raises
    ------
    MachineFileError
        When the text is not TOML.
    """

    def job(document: Any) -> None:
        if isinstance(document.get("pins"), dict):
            document["pins"][place] = diameter_mm

    changed = _changed(text, job)
    if changed != text or re.search(r"^pins\b", text, re.MULTILINE):
        return changed
    # above the readings: after a picture's own table it would belong to that
    lines = text.splitlines(keepends=True)
    at = next((i for i, line in enumerate(lines) if line.startswith(("reading", "["))), len(lines))
    return "".join([*lines[:at], f"pins = {{ {place} = {diameter_mm:g} }}\n", *lines[at:]])
