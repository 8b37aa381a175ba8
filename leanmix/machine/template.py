"""The file that `leanmix new` writes: every key with its unit, its range and how to measure it."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from leanmix.machine.file import demo
from leanmix.machine.numbers import spec_for
from leanmix.machine.quantity import Measured, Point, PointSpec, Spec
from leanmix.machine.schema import Machine

__all__ = ["template"]

_TABLES = (
    "runner",
    "chassis",
    "rear",
    "servo",
    "left",
    "parts",
    "clearances",
    "steering",
    "lean",
    "limits",
    "board",
    "surfaces",
    "screws",
)
_HEAD = """\
# A machine file for leanmix. Replace the guesses with what you measure, then run: leanmix check THIS_FILE
#
# Stand the machine on a flat board, arm centred, at the ride height it should have.
# Points are in the front view, in mm: out_mm from the centreline towards that part's own side,
# up_mm over the board. A number may say how sure it is and where it came from:
#     radius_mm = { at = 15, tol = 0.2, from = "calipers" }
# tol: in 95 of 100 cases the true value lies within at ± tol.
# from: guess, calipers, ruler, protractor, photo, drawing, survey, scales, tilt, maker, bench, drive.
# [side] holds for both sides. Where one side differs, add only what differs: [right.arm] radius_mm = 14.8

schema = 1
name = "{name}"
"""


def template(name: str = "My machine") -> str:
    """A commented machine file to fill in; it is valid as it stands, with every number a guess.

    Parameters
    ----------
    name : str
        Name of the machine; control characters and quotes are dropped.
    """
    clean = "".join(c for c in name if c.isprintable() and c not in '"\\')[:60] or "My machine"
    machine = demo("tarn").machine
    out = [_HEAD.replace("{name}", clean)]
    for field in _TABLES:
        value = getattr(machine, field)
        info = Machine.model_fields[field]
        key = "side" if field == "left" else info.alias or field
        if isinstance(value, tuple):
            for i, item in enumerate(value):
                out.append("\n".join(_table(item, f"[[{key}]]", comments=i == 0)))
        else:
            out.extend(_tables(value, key))
    return "\n".join(out)


def _tables(table: BaseModel, key: str) -> Iterator[str]:
    inner = {n: getattr(table, n) for n in type(table).model_fields if isinstance(getattr(table, n), BaseModel)}
    if len(inner) < len(type(table).model_fields):
        yield "\n".join(_table(table, f"[{key}]", comments=True))
    for name, value in inner.items():
        yield from _tables(value, f"{key}.{name}")


def _table(table: BaseModel, head: str, *, comments: bool) -> Iterator[str]:
    yield head
    for name, info in type(table).model_fields.items():
        value = getattr(table, name)
        if isinstance(value, BaseModel):
            continue
        if comments:
            yield from _how(type(table), name, info)
        if value is None or value == ():
            yield f"# {name} ="
        else:
            yield f"{name} = {_value(value)}"
    yield ""


def _how(model: type[BaseModel], name: str, info: FieldInfo) -> Iterator[str]:
    spec = spec_for(model, name)
    if isinstance(spec, Spec):
        text = f"{spec.how} [{spec.unit or 'no unit'}, {spec.low:g} to {spec.high:g}]"
    elif isinstance(spec, PointSpec) and info.description is None:
        text = spec.how
    else:
        text = info.description or ""
    if text:
        yield from textwrap.wrap(text, 110, initial_indent="# ", subsequent_indent="#   ", break_on_hyphens=False)


def _value(value: Any) -> str:
    if isinstance(value, Measured):
        tol = f", tol = {value.tol:g}" if value.tol else ""
        return f'{{ at = {value.at:g}{tol}, from = "guess" }}'
    if isinstance(value, Point):
        return _point(value)[:-2] + ', from = "guess" }'
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, tuple):
        items = [_point(v) if isinstance(v, Point) else _value(v) for v in value]
        return "[" + ", ".join(items) + "]"
    return str(value)


def _point(point: Point) -> str:
    tol = point.out.tol or point.up.tol
    shown = f", tol_mm = {tol:g}" if tol else ""
    return f"{{ out_mm = {point.out.at:g}, up_mm = {point.up.at:g}{shown} }}"
