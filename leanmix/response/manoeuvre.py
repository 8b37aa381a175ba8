"""Manoeuvre files: what the machine is asked to do, on what ground, and what is to be reported about it.

A manoeuvre either asks for steering over time (``[[steer]]``) or for a way to drive along (``[[path]]``), where a
simple driver steers. Both sides of the sign are the machine's: + steers, turns and leans LEFT.
"""

from __future__ import annotations

import itertools
import tomllib
from collections.abc import Iterator, Mapping
from importlib import resources
from pathlib import Path
from types import NoneType
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError

from leanmix.errors import FileTrouble, Finding, ManoeuvreError
from leanmix.machine import Measured, Spec, read_file, toml_content
from leanmix.machine.lines import key_lines, line_of

__all__ = [
    "MANOEUVRES",
    "REPORTS",
    "Driver",
    "Ground",
    "Manoeuvre",
    "Pace",
    "PathPiece",
    "SteerPoint",
    "changed",
    "load_manoeuvre",
    "parse_manoeuvre",
]

SCHEMA = 1
MAX_BYTES = 1 << 18
MANOEUVRES = ("step", "flick", "slalom", "spiral", "circle", "bank", "parked")
REPORTS = ("lag", "rise", "overshoot", "lean", "transfer", "yaw", "tip", "slide", "lane", "loop", "fastest")

Name = Annotated[
    str,
    StringConstraints(
        min_length=1, max_length=60, pattern=r"^[^\x00-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069]*$"
    ),
]


class Table(BaseModel):
    """A table of a manoeuvre file: frozen, no unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid", hide_input_in_errors=True)


class Pace(Table):
    """How fast, and whether the speed is held."""

    speed_m_per_s: Annotated[Measured, Spec("m/s", 0, 40, "Speed at the start.")]
    hold: Annotated[bool, Field(description="true: the drive holds the speed. false: it coasts.")] = True
    push_g: Annotated[Measured, Spec("g", 0, 2, "Most the drive can push, as a share of the weight.")] = Measured(0.25)


class Ground(Table):
    """What it is driven on."""

    surface: Annotated[Name | None, Field(description="Name of one of the machine file's surfaces.")] = None
    grip: Annotated[
        Measured | None,
        Spec("", 0, 3, "Sideways grip over load, instead of a surface; a range as at ± tol. 0: none at all."),
    ] = None
    drag: Annotated[Measured, Spec("", 0, 1, "Rolling or sliding drag over load. An estimate.")] = Measured(0.04)
    bank_deg: Annotated[Measured, Spec("deg", -45, 45, "Cross slope: + where the ground falls to the left.")] = (
        Measured(0.0)
    )
    slip_full_runner_deg: Annotated[
        Measured, Spec("deg", 0.5, 45, "Slip angle at which a runner slides outright. An estimate.")
    ] = Measured(8.0)
    slip_full_rear_deg: Annotated[
        Measured, Spec("deg", 0.5, 45, "Slip angle at which the rear slides outright. An estimate.")
    ] = Measured(9.0)


class SteerPoint(Table):
    """Where the transmitter's wheel is at a time; straight lines between points."""

    at_s: Annotated[Measured, Spec("s", 0, 600, "Time.")]
    share: Annotated[Measured, Spec("", -1, 1, "−1 full right … +1 full left.")]


class PathPiece(Table):
    """A piece of the way: straight, a bend, a bend that tightens, or a weave between gates."""

    length_m: Annotated[Measured, Spec("m", 0.01, 2000, "Length along the way.")]
    radius_m: Annotated[
        Measured | None, Spec("m", -1000, 1000, "Radius at the piece's start, + to the left. Left out: straight.")
    ] = None
    to_radius_m: Annotated[
        Measured | None, Spec("m", -1000, 1000, "Radius at its end; curvature changes evenly. Left out: the same.")
    ] = None
    weave_m: Annotated[
        Measured | None, Spec("m", 0.01, 20, "Weave: how far out the way swings each side of the line of gates.")
    ] = None
    gate_m: Annotated[Measured | None, Spec("m", 0.1, 100, "Weave: from one gate to the next.")] = None


class Driver(Table):
    """Who steers along a path."""

    lane_m: Annotated[Measured, Spec("m", 0.02, 20, "How far off the way it may come before it counts as lost.")] = (
        Measured(0.4)
    )
    look_s: Annotated[Measured, Spec("s", 0, 2, "How far ahead the driver looks.")] = Measured(0.12)
    gain_deg_per_m: Annotated[Measured, Spec("deg/m", 0, 1000, "Steering against each metre off the way.")] = Measured(
        25.0
    )
    heading_gain: Annotated[
        Measured, Spec("deg/deg", 0, 10, "Steering against each degree off the way's direction.")
    ] = Measured(0.7)


class Manoeuvre(Table):
    """A whole manoeuvre file."""

    schema_version: Annotated[Literal[1], Field(alias="schema", description="Version of this file's layout.")]
    name: Annotated[Name, Field(description="What it is called.")]
    about: Annotated[str, StringConstraints(max_length=2000), Field(description="Free text.")] = ""
    report: Annotated[
        tuple[
            Literal["lag", "rise", "overshoot", "lean", "transfer", "yaw", "tip", "slide", "lane", "loop", "fastest"],
            ...,
        ],
        Field(min_length=1, max_length=20, description="What it reports, in that order."),
    ]
    pace: Pace
    ground: Ground = Ground()
    duration_s: Annotated[Measured | None, Spec("s", 0.05, 600, "How long. Left out with a path: until its end.")] = (
        None
    )
    steer: Annotated[tuple[SteerPoint, ...], Field(max_length=500)] = ()
    path: Annotated[tuple[PathPiece, ...], Field(max_length=200)] = ()
    driver: Driver = Driver()


def _rules(m: Manoeuvre) -> Iterator[Finding]:
    if bool(m.steer) == bool(m.path):
        found = "both [[steer]] and [[path]] are" if m.steer else "neither [[steer]] nor [[path]] is"
        yield Finding("steer", f"{found} given.", "Give one of the two.")
    times = [p.at_s.at for p in m.steer]
    if any(b <= a for a, b in itertools.pairwise(times)):
        yield Finding("steer", "at_s must rise from point to point.", "Sort the points.")
    if m.steer and m.duration_s is None:
        yield Finding("duration_s", "is missing.", "Say how long to watch.")
    if m.path and m.pace.speed_m_per_s.at == 0:
        yield Finding("pace.speed_m_per_s", "0 m/s never gets along a path.", "Give a speed, or use [[steer]].")
    if m.ground.surface is not None and m.ground.grip is not None:
        yield Finding("ground", "both surface and grip are given.", "Give one of the two.")
    for i, piece in enumerate(m.path):
        if (piece.weave_m is None) != (piece.gate_m is None):
            yield Finding(f"path.{i}", "a weave needs both weave_m and gate_m.", "Give the other one too.")
        elif piece.weave_m is not None and (piece.radius_m is not None or piece.to_radius_m is not None):
            yield Finding(f"path.{i}", "a piece is a weave or a bend, not both.", "Make two pieces of it.")
        for key in ("radius_m", "to_radius_m"):
            radius: Measured | None = getattr(piece, key)
            if radius is not None and abs(radius.at) < 0.05:
                yield Finding(
                    f"path.{i}.{key}", f"{radius.at:g} m is no radius to drive.", "At least 0.05 m, + to the left."
                )


def load_manoeuvre(path: str | Path) -> Manoeuvre:
    """Read a manoeuvre: one of `MANOEUVRES` by name, or a file.

    Raises
    ------
    FileTrouble
        When there is neither a file nor a manoeuvre of that name, or it cannot be read.
    ManoeuvreError
        With every finding and its line, when the content cannot be used.
    """
    shown = str(path)
    if shown in MANOEUVRES:
        text = (resources.files("leanmix.response") / "manoeuvres" / f"{shown}.toml").read_text(encoding="utf-8")
        return parse_manoeuvre(text, shown)
    try:
        raw = read_file(path, MAX_BYTES, "256 KiB", "A manoeuvre file is a page of text.")
    except FileTrouble as error:
        raise FileTrouble(error.what, f"Give a manoeuvre file, or one of: {', '.join(MANOEUVRES)}.") from error
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileTrouble(f"{shown}: is not UTF-8 text (byte {error.start}).", "Save it as UTF-8.") from error
    return parse_manoeuvre(text, shown)


def parse_manoeuvre(text: str, name: str = "manoeuvre") -> Manoeuvre:
    """Turn a manoeuvre file's text into a `Manoeuvre`.

    Raises
    ------
    ManoeuvreError
        With every finding and its line.
    """
    try:
        content = toml_content(text)
    except tomllib.TOMLDecodeError as error:
        todo = "Compare the line with its neighbours: key = value, text in quotes."
        raise ManoeuvreError(name, (Finding("file", f"not TOML: {str(error)[:200]}.", todo),)) from error
    except ValueError as error:
        raise ManoeuvreError(name, (Finding("file", f"this text is not usable: {error}."),)) from error
    return _validated(content, name, key_lines(text))


def _validated(content: Mapping[str, Any], name: str, lines: dict[tuple[str | int, ...], int]) -> Manoeuvre:
    try:
        manoeuvre = Manoeuvre.model_validate(content)
    except ValidationError as error:
        found = [
            Finding(".".join(map(str, item["loc"])), *_sentence(item), line_of(lines, item["loc"]))
            for item in error.errors(include_url=False, include_context=False)
        ]
        raise ManoeuvreError(name, tuple(dict.fromkeys(found))) from error
    broken = tuple(
        Finding(f.key, f.what, f.todo, line_of(lines, [int(k) if k.isdigit() else k for k in f.key.split(".")]))
        for f in _rules(manoeuvre)
    )
    if broken:
        raise ManoeuvreError(name, broken)
    return manoeuvre


def _sentence(item: Mapping[str, Any]) -> tuple[str, str]:
    kind, message = str(item["type"]), str(item["msg"])
    if kind == "missing":
        return "is missing.", "Add it; any manoeuvre that comes with leanmix shows how."
    if kind == "extra_forbidden":
        return "is not a key of a manoeuvre file.", "Check the spelling; units are part of the name."
    if kind in ("number", "finite", "range", "tol", "source", "shape"):
        return message, ""
    return f"{item.get('input')!r}"[:40] + f": {message[:1].lower()}{message[1:]}.", ""


def _plain(table: BaseModel) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for name, field in type(table).model_fields.items():
        value = getattr(table, name)
        if isinstance(value, BaseModel):
            value = _plain(value)
        elif isinstance(value, tuple) and value and isinstance(value[0], BaseModel):
            value = [_plain(v) for v in value]
        out[field.alias or name] = value
    return out


def _given(content: Any) -> Any:
    """The same without what was left out."""
    if isinstance(content, dict):
        return {k: _given(v) for k, v in content.items() if v is not None}
    return [_given(v) for v in content] if isinstance(content, list) else content


def changed(manoeuvre: Manoeuvre, changes: Mapping[str, float]) -> Manoeuvre:
    """A copy with some numbers replaced, checked like a file.

    Parameters
    ----------
    manoeuvre : Manoeuvre
        The manoeuvre.
    changes : mapping of str to float
        Dotted key, e.g. ``pace.speed_m_per_s`` or ``path.1.radius_m``, to its new value.

    Raises
    ------
    ManoeuvreError
        When a key is not there or a value is out of range.
    """
    content = _plain(manoeuvre)
    for key, value in changes.items():
        where: Any = content
        names = key.split(".")
        for part in names[:-1]:
            if isinstance(where, list) and part.isdigit() and int(part) < len(where):
                where = where[int(part)]
            elif isinstance(where, dict) and part in where:
                where = where[part]
            else:
                where = None
                break
        if not isinstance(where, dict) or not isinstance(where.get(names[-1]), (Measured, NoneType)):
            raise ManoeuvreError(manoeuvre.name, (Finding(key, "is not a number of this manoeuvre."),))
        where[names[-1]] = value
    return _validated(_given(content), manoeuvre.name, {})
