"""The readings file: TOML beside the machine file, one reading a line, comments kept.

schema = 1
differ = ["arm_ball"]               # places that differ left and right; leave out to take it from the machine file
keep = ["arm_centre"]               # the machine file's own measured value counts as a reading
pins = { lower_pivot = 3.0 }        # diameters [mm], for readings over, inside, on top of or under pins
usual_tol = { pins = 0.2 }          # own usual tolerance of a kind, 95 %, in its unit

reading = [
    { pins = ["lower_pivot", "lower_ball"], reads_mm = 84.9 },
    { height = "lower_pivot", reads_mm = 50.1, tol_mm = 0.6, note = "on the glass plate" },
]

[[picture]]  …  [[drawing]]  …      # written by `leanmix photo` and `leanmix survey --drawing`
"""

from __future__ import annotations

import itertools
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from leanmix.errors import FileTrouble, Finding, MachineFileError
from leanmix.machine import Machine, read_file, toml_content
from leanmix.survey.layout import machine_spots
from leanmix.survey.numbers import FILE_POINTS
from leanmix.survey.places import Place, PointName, UnknownPoint, find_point, places_of
from leanmix.survey.readings import KINDS, Reading, Sheet, Survey
from leanmix.survey.tables import Trouble, number, read_drawing, read_picture

__all__ = [
    "ReadingsFile",
    "blank_readings",
    "load_readings",
    "parse_line",
    "parse_readings",
    "readings_path",
]

SCHEMA = 1
MAX_BYTES = 4 << 20
MOST_READINGS = 2000
TOP_KEYS = ("schema", "about", "differ", "keep", "pins", "usual_tol", "reading", "picture", "drawing")
EXTRA_KEYS = ("note", "aside", "behind_mm")
# origins that make a machine file's number a reading of its own, not an outcome of an earlier survey
MEASURED = ("calipers", "ruler", "protractor", "bench", "maker")


@dataclass(frozen=True)
class ReadingsFile:
    """A readings file's name, text, and what it says."""

    name: str
    text: str
    survey: Survey


def readings_path(machine_file: str | Path) -> Path:
    """Where a machine file's readings lie: beside it, ``mine.toml`` → ``mine.readings.toml``."""
    path = Path(machine_file)
    return path.with_name(f"{path.stem}.readings.toml")


def blank_readings(machine: Machine) -> str:
    """A readings file with nothing in it but how to fill it."""
    return (
        f"# Readings for {machine.name}. `leanmix survey FILE --points` shows which point is which.\n"
        "# One reading a line: { pins = [\"lower_pivot\", \"lower_ball\"], reads_mm = 84.9 }\n"
        f"# Kinds: {', '.join(KINDS)}.\n"
        "# tol_mm: in 95 of 100 cases the true value lies within ± tol_mm; without it the kind's usual one holds.\n"
        "\n"
        f"schema = {SCHEMA}\n"
        "reading = [\n"
        "]\n"
    )  # fmt: skip


def load_readings(path: str | Path, machine: Machine) -> ReadingsFile:
    """Read a readings file.

    Raises
    ------
    FileTrouble
        When it cannot be read.
    MachineFileError
        With every finding and its line.
    """
    shown = str(path)
    raw = read_file(path, MAX_BYTES, "4 MiB", "A readings file is a few pages of text.")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileTrouble(f"{shown}: is not UTF-8 text (byte {error.start}).", "Save it as UTF-8.") from error
    return parse_readings(text, machine, shown)


def parse_readings(text: str, machine: Machine, name: str = "readings") -> ReadingsFile:
    """Turn a readings file's text into a `ReadingsFile`.

    Raises
    ------
    MachineFileError
        With every finding and its line.
    """
    try:
        content = toml_content(text)
    except tomllib.TOMLDecodeError as error:
        raise MachineFileError(name, (Finding("file", f"not TOML: {str(error)[:120]}."),)) from error
    except ValueError as error:
        raise MachineFileError(name, (Finding("file", f"this text is not usable: {error}."),)) from error
    lines = list(_reading_lines(text))
    places = places_of(machine)
    findings: list[Finding] = [
        Finding(str(k)[:40], "is not a key of a readings file.", f"There are: {', '.join(TOP_KEYS)}.")
        for k in content
        if k not in TOP_KEYS
    ]
    version = content.get("schema", SCHEMA)
    if version != SCHEMA or isinstance(version, bool):
        findings.append(
            Finding(
                "schema", f"layout {str(version)[:40]} is not one this leanmix reads ({SCHEMA}).", "Update leanmix."
            )
        )

    def collect(where: str, line: int | None, job: Any, *arguments: Any) -> Any:
        try:
            return job(*arguments)
        except (Trouble, UnknownPoint) as error:
            findings.append(Finding(where, error.what, error.todo, line))
            return None

    readings: list[Reading] = []
    for i, item in enumerate(_tables(content, "reading", findings)):
        line = lines[i] if i < len(lines) else None
        if (found := collect(f"reading {i + 1}", line, _reading, item, places, line)) is not None:
            readings.append(found)
    sheets: list[Sheet] = []
    for kind, job in (("picture", read_picture), ("drawing", read_drawing)):
        for i, item in enumerate(_tables(content, kind, findings)):
            if (sheet := collect(f"{kind} {i + 1}", None, job, item, places)) is not None:
                sheets.append(sheet)
    if len(readings) + sum(len(s.marks) for s in sheets) > MOST_READINGS:
        findings.append(Finding("reading", f"there are more than {MOST_READINGS} readings.", "Leave some out."))
    differ = collect("differ", None, _place_list, content.get("differ"), places)
    diameters = collect("pins", None, _by_place, content.get("pins", {}), places) or {}
    usual = collect("usual_tol", None, _by_kind, content.get("usual_tol", {})) or {}
    keep = collect("keep", None, _place_list, content.get("keep"), places) or ()
    if findings:
        raise MachineFileError(name, tuple(findings))
    readings += _kept(machine, keep, differ, findings)
    if findings:
        raise MachineFileError(name, tuple(findings))
    return ReadingsFile(name, text, Survey(tuple(readings), tuple(sheets), differ, diameters, usual))


def _tables(content: Mapping[str, Any], key: str, findings: list[Finding]) -> list[Mapping[str, Any]]:
    value = content.get(key, [])
    if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
        findings.append(Finding(key, "must be a list of tables.", "Compare with a file that `leanmix survey` wrote."))
        return []
    if len(value) > MOST_READINGS:
        findings.append(Finding(key, f"there are {len(value)}, more than {MOST_READINGS}.", "Leave some out."))
        return []
    return value


def _reading(item: Mapping[str, Any], places: Mapping[str, Place], line: int | None) -> Reading:
    kinds = [k for k in item if k in KINDS]
    if len(kinds) != 1:
        raise Trouble(
            f"{'no kind' if not kinds else 'more than one kind'} of reading is given.", f"One of: {', '.join(KINDS)}."
        )
    kind = KINDS[kinds[0]]
    unit = kind.unit
    allowed = (kinds[0], f"reads_{unit}", f"tol_{unit}", *EXTRA_KEYS)
    if strange := [str(k)[:30] for k in item if k not in allowed]:
        raise Trouble(
            f"{', '.join(strange)} does not belong to a {kinds[0]} reading.", f"It has: {', '.join(allowed)}."
        )
    named = item[kinds[0]]
    names = [named] if isinstance(named, str) else named
    if not isinstance(names, list) or len(names) != kind.points or not all(isinstance(n, str) for n in names):
        count = {1: "one point", 2: "two points", 3: "three points"}[kind.points]
        raise Trouble(f"{kinds[0]} needs {count}.", f"For example {kinds[0]} = {_example(kind.points)}.")
    points = tuple(find_point(n, places) for n in names)
    if len(set(points)) != len(points):
        raise Trouble("the same point is named twice.", "Name the points it runs between.")
    reads = 0.0
    if kinds[0] != "alike":
        limit = 5000.0 if unit == "mm" else 360.0
        reads = number(item, f"reads_{unit}", -limit, limit)
        if kinds[0] in ("pins", "over", "inside") and reads <= 0:
            raise Trouble(f"reads_mm = {reads:g} is no distance.", "Distances are above 0.")
    tol = number(item, f"tol_{unit}", 1e-3, 500.0) if f"tol_{unit}" in item else None
    behind = number(item, "behind_mm", -2000, 2000) if "behind_mm" in item else 0.0
    aside, note = item.get("aside", False), item.get("note", "")
    if not isinstance(aside, bool) or not isinstance(note, str):
        raise Trouble("aside is true or false, and note is text.")
    return Reading(kinds[0], points, reads, tol, behind, aside, note, line)


def _example(points: int) -> str:
    return {1: '"lower_pivot"', 2: '["lower_pivot", "lower_ball"]', 3: '["lower_pivot", "lower_ball", "upper_ball"]'}[
        points
    ]


def _place_list(value: object, places: Mapping[str, Place]) -> tuple[str, ...] | None:
    if value is None:
        return None
    if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
        raise Trouble("must be a list of names.", 'For example differ = ["arm_ball"].')
    return tuple(find_point(v, places).place for v in value)


def _by_place(value: object, places: Mapping[str, Place]) -> dict[str, float]:
    if not isinstance(value, dict):
        raise Trouble("must be a table of diameters.", "For example pins = { lower_pivot = 3.0 }.")
    return {find_point(k, places).place: number(value, k, 0.1, 100.0) for k in value}


def _by_kind(value: object) -> dict[str, float]:
    if not isinstance(value, dict):
        raise Trouble("must be a table of tolerances.", "For example usual_tol = { pins = 0.2 }.")
    if strange := [str(k)[:30] for k in value if k not in KINDS]:
        raise Trouble(f"{', '.join(strange)} is no kind of reading.", f"Kinds: {', '.join(KINDS)}.")
    return {k: number(value, k, 1e-3, 500.0) for k in value}


def _kept(machine: Machine, keep: tuple[str, ...], differ: tuple[str, ...] | None, findings: list[Finding]) -> list[Reading]:  # fmt: skip
    """Readings made of the machine file's own measured points; what is no measurement becomes a finding."""
    out: list[Reading] = []
    spots = machine_spots(machine)
    for place in keep:
        key = FILE_POINTS.get(place)
        point = None
        if key is not None:
            table, _, field = key.partition(".")
            point = getattr(getattr(machine.left, table), field)
        if point is None or not point.up.tol or point.up.source not in MEASURED:
            findings.append(
                Finding("keep", f"the machine file has no measured value with a tolerance for {place}.",
                        f"It needs tol_mm and from = one of {', '.join(MEASURED)}.")
            )  # fmt: skip
            continue
        for side in ("left", "right") if differ and place in differ else ("",):
            at = spots[PointName(place, side or "left")]
            name = (PointName(place, side),)
            if point.out.tol:
                out.append(Reading("offset", name, at[0], point.out.tol, note="machine file"))
            out.append(Reading("height", name, at[1], point.up.tol, note="machine file"))
    return out


def _reading_lines(text: str) -> Iterator[int]:
    """Lines on which the tables of ``reading = [`` begin; a small scan that minds strings and comments."""
    start = re.search(r"^reading\s*=\s*\[", text, re.MULTILINE)
    if start is None:
        yield from (text.count("\n", 0, m.start()) + 1 for m in re.finditer(r"^\s*\[\[\s*reading\s*\]\]", text, re.MULTILINE))  # fmt: skip
        return
    depth, quote, i = 0, "", start.end()
    while i < len(text):
        c = text[i]
        if quote:
            if c == "\\" and quote == '"':
                i += 1
            elif c == quote:
                quote = ""
        elif c in "\"'":
            quote = c
        elif c == "#":
            i = text.find("\n", i)
            if i < 0:
                return
        elif c in "[{":
            if c == "{" and depth == 0:
                yield text.count("\n", 0, i) + 1
            depth += 1
        elif c in "]}":
            depth -= 1
            if depth < 0:
                return
        i += 1


def parse_line(line: str, places: Mapping[str, Place]) -> Reading:
    """A reading as typed: ``pins lower_pivot lower_ball 84.9``, ``height left mount_ball = 136.2 +- 0.4``.

    Raises
    ------
    Trouble
        When it cannot be understood, with the form it should have.
    """
    words = line.replace("±", " +- ").replace("=", " ").replace(",", " ").split()
    form = "Write KIND POINT … VALUE, e.g. pins lower_pivot lower_ball 84.9 +- 0.2"
    if not words or words[0] not in KINDS:
        raise Trouble(f"{line[:60]!r}: no kind of reading begins it.", f"Kinds: {', '.join(KINDS)}.")
    kind, rest = KINDS[words[0]], words[1:]
    tol = None
    if "+-" in rest:
        cut = rest.index("+-")
        tol = _float(rest[cut + 1 :], form)
        rest = rest[:cut]
    reads = 0.0
    if words[0] != "alike":
        reads = _float(rest[-1:], form)
        rest = rest[:-1]
    rest = [w for w in rest if w.lower() not in ("to", "and", "from", "of")]
    for cuts in itertools.combinations(range(1, len(rest)), kind.points - 1):
        pieces = [" ".join(rest[a:b]) for a, b in itertools.pairwise((0, *cuts, len(rest)))]
        try:
            points = tuple(find_point(p, places) for p in pieces)
        except UnknownPoint:
            continue
        item: dict[str, Any] = {words[0]: [str(p) for p in points], f"reads_{kind.unit}": reads}
        if words[0] == "alike":
            item.pop(f"reads_{kind.unit}")
        if tol is not None:
            item[f"tol_{kind.unit}"] = tol
        return _reading(item, places, None)
    raise Trouble(f"{line[:60]!r}: its points are not known.", f"{form}; `leanmix survey FILE --points` lists them.")


def _float(words: list[str], form: str) -> float:
    try:
        return float(words[0])
    except (ValueError, IndexError) as error:
        raise Trouble("the value is missing or no number.", form) from error
