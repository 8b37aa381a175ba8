"""Every entry of a machine file as a row to look at and change, whether or not the file gives it.

Rows are read from the file's text, not from the machine it makes, so that an entry that is wrong can be seen and
mended where it stands.
"""

from __future__ import annotations

import types
import typing
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import PydanticCustomError, PydanticUndefined

from leanmix.machine import Machine, Measured, PointSpec, Spec, spec_for

__all__ = ["Field", "all_fields", "group_names", "steps_for"]

Path = tuple[str | int, ...]

_GROUPS = {
    "runner": "Runners", "chassis": "Weight", "rear": "Rear", "servo": "Servo", "servo_right": "Right servo",
    "arm": "Servo arm", "link": "Link", "guide": "Guide", "mount": "Mount", "shock": "Shock",
    "suspension": "Suspension arms", "part": "Parts", "clearance": "To keep clear", "steering": "Steering input",
    "lean": "Lean asked", "limits": "Margins", "board": "Board", "surface": "Ground", "screw": "Screws",
}  # fmt: skip
_UNITS = (
    "_N_m_per_rad", "_N_s_per_mm", "_deg_per_s", "_us_per_frame", "_N_per_mm", "_kg_mm2", "_N_mm", "_deg", "_mm",
    "_us", "_ms", "_g", "_N", "_V", "_A",
)  # fmt: skip
_STEPS = {
    "mm": (0.1, 1.0), "deg": (0.5, 5.0), "µs": (1.0, 10.0), "g": (5.0, 50.0), "N": (0.1, 1.0), "N/mm": (0.05, 0.5),
    "V": (0.1, 1.0), "A": (0.1, 1.0), "ms": (1.0, 5.0), "µs/deg": (0.05, 0.5), "N mm": (10.0, 100.0),
    "deg/s": (5.0, 50.0), "N m/rad": (0.1, 1.0), "": (0.01, 0.1), "mm/mm": (0.1, 1.0), "N s/mm": (0.005, 0.05),
    "deg/deg": (0.01, 0.1), "kg mm²": (10.0, 100.0),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Field:
    """One entry of the file.

    Attributes
    ----------
    key : str
        Dotted key for `set_value`, e.g. ``side.arm.radius_mm`` or ``part.2.radius_mm``.
    group, label : str
        Heading it stands under, and its name in plain words.
    side : str
        "both", "left" or "right" for what each side has; "" elsewhere.
    kind : str
        "number", "count", "choice", "switch" or "text".
    unit, how : str
        Unit for people; how to find the value.
    low, high : float
        Allowed range of a number or count.
    measured : Measured or None
        A number as the file gives it; None where it leaves it out or it cannot be read.
    value : object
        What stands in the file otherwise; None where it leaves it out.
    fallback : str
        What holds where the file leaves it out; "" where something must be given.
    choices : tuple of str
    optional : bool
        Whether it may be left out.
    trouble : str
        Why what stands there cannot be read.
    """

    key: str
    group: str
    label: str
    side: str
    kind: str
    unit: str
    how: str
    low: float
    high: float
    measured: Measured | None
    value: object
    fallback: str
    choices: tuple[str, ...]
    optional: bool
    trouble: str

    @property
    def is_point(self) -> bool:
        """Whether it is one of a point's two coordinates."""
        return self.key.endswith((".out_mm", ".up_mm"))

    @property
    def name(self) -> str:
        """Group, side and label in one."""
        side = f" {self.side}" if self.side in ("left", "right") else ""
        return f"{self.group}{side}: {self.label}"


def steps_for(unit: str) -> tuple[float, float]:
    """Small and large nudge for a unit."""
    return _STEPS.get(unit, (0.1, 1.0))


def group_names(fields: Sequence[Field]) -> tuple[str, ...]:
    """Headings in order, each once."""
    return tuple(dict.fromkeys(f.group for f in fields))


def all_fields(raw: Mapping[str, Any]) -> tuple[Field, ...]:
    """Rows for everything a machine file can say, in the order of the file.

    Parameters
    ----------
    raw : mapping
        The file's content as TOML gives it.
    """
    rows: list[Field] = []
    for name, info in Machine.model_fields.items():
        key = info.alias or name
        if name in ("left", "right", "schema_version"):
            if name == "left":
                rows.extend(_sides(raw))
            continue
        inner = _model(info)
        if inner is None:
            rows.extend(_entry(Machine, name, info, (key,), "Machine", "", raw))
        elif _is_list(info):
            entries = raw.get(key)
            for i in range(len(entries) if isinstance(entries, list) else 0):
                title = _titled(raw, (key, i), _GROUPS[key])
                rows.extend(_table(inner, (key, i), title, "", raw))
        elif name != "servo_right" or _at(raw, ("servo", "arrangement")) == "one_each_side":
            rows.extend(_table(inner, (key,), _GROUPS[key], "", raw))
    return tuple(rows)


def _titled(raw: Mapping[str, Any], path: Path, group: str) -> str:
    name = _at(raw, (*path, "name"))
    if isinstance(name, str):
        return f"{group}: {name}"
    pair = _at(raw, (*path, "between"))
    return f"{group}: {' / '.join(map(str, pair))}" if isinstance(pair, list) else f"{group} {int(path[-1]) + 1}"


def _sides(raw: Mapping[str, Any]) -> Iterator[Field]:
    side_model = Machine.model_fields["left"].annotation
    assert isinstance(side_model, type)
    assert issubclass(side_model, BaseModel)
    for name, info in side_model.model_fields.items():
        inner = _model(info)
        if inner is None:
            continue
        for field, inside in inner.model_fields.items():
            homes = {side: _home(raw, side, (name, field)) for side in ("left", "right")}
            for home in dict.fromkeys(homes.values()):
                owners = [side for side, own in homes.items() if own == home]
                side = "both" if len(owners) == 2 else owners[0]
                yield from _entry(inner, field, inside, (home, name, field), _GROUPS[name], side, raw)


def _home(raw: Mapping[str, Any], side: str, path: Path) -> str:
    """Which table of the file this side's value stands in: its own, or the one for both."""
    return side if _at(raw, (side, *path)) is not None or "side" not in raw else "side"


def _table(model: type[BaseModel], path: Path, group: str, side: str, raw: Mapping[str, Any]) -> Iterator[Field]:
    for name, info in model.model_fields.items():
        yield from _entry(model, name, info, (*path, info.alias or name), group, side, raw)


def _entry(
    model: type[BaseModel], name: str, info: FieldInfo, path: Path, group: str, side: str, raw: Mapping[str, Any]
) -> Iterator[Field]:
    spec = spec_for(model, name)
    here = _at(raw, path)
    if isinstance(spec, PointSpec):
        if info.description is not None:  # a list of points
            for i in range(len(here) if isinstance(here, list) else 0):
                label = "centre" if isinstance(here, list) and len(here) == 1 else f"point {i + 1}"
                yield from _point(spec, info.description, (*path, i), label, group, side, raw)
        else:
            yield from _point(spec, spec.how, path, _plain(name), group, side, raw)
    elif isinstance(spec, Spec):
        default = info.default
        fallback = "left out" if default is None else ""
        if isinstance(default, Measured):
            fallback = f"{default.at:g}"
        measured, trouble = _read(spec, here)
        yield Field(
            ".".join(map(str, path)), group, _label(name), side, "number", spec.unit, spec.how, spec.low, spec.high,
            measured, here, fallback, (), default is not PydanticUndefined, trouble,
        )  # fmt: skip
    else:
        yield from _other(name, info, path, group, side, here)


def _point(
    spec: PointSpec, how: str, path: Path, label: str, group: str, side: str, raw: Mapping[str, Any]
) -> Iterator[Field]:
    here = _at(raw, path)
    measured: dict[str, Measured | None] = {"out_mm": None, "up_mm": None}
    trouble = "" if here is not None else "is missing."
    try:
        point = spec.read(here) if here is not None else None
        if point is not None:
            measured = {"out_mm": point.out, "up_mm": point.up}
    except PydanticCustomError as error:
        trouble = error.message()
    for axis, word in (("out_mm", "out"), ("up_mm", "up")):
        value = here.get(axis) if isinstance(here, Mapping) else None
        yield Field(
            ".".join(map(str, (*path, axis))), group, f"{label} {word}", side, "number", "mm", how, -2000.0, 2000.0,
            measured[axis], value, "", (), False, trouble,
        )  # fmt: skip


def _other(name: str, info: FieldInfo, path: Path, group: str, side: str, here: object) -> Iterator[Field]:
    kinds = _options(info.annotation)
    key = ".".join(map(str, path))
    how = info.description or ""
    fallback = "" if info.is_required() else "left out" if info.default in (None, "") else f"{info.default}"
    common = (None, here, fallback)
    optional = not info.is_required()
    choices = tuple(
        str(c) for kind in kinds if typing.get_origin(kind) is typing.Literal for c in typing.get_args(kind)
    )
    if choices:
        yield Field(key, group, _plain(name), side, "choice", "", how, 0, 0, *common, choices, optional, "")
    elif bool in kinds:
        words = f"{fallback == 'True'}".lower() if fallback else ""
        yield Field(
            key, group, _plain(name), side, "switch", "", how, 0, 0, None, here, words, ("true", "false"), optional, ""
        )
    elif int in kinds:
        low = max((float(m.ge) for m in info.metadata if hasattr(m, "ge")), default=0.0)
        high = min((float(m.le) for m in info.metadata if hasattr(m, "le")), default=1e6)
        yield Field(key, group, _plain(name), side, "count", "", how, low, high, *common, (), optional, "")
    elif str in kinds:
        yield Field(key, group, _plain(name), side, "text", "", how, 0, 0, *common, (), optional, "")


def _read(spec: Spec, here: object) -> tuple[Measured | None, str]:
    if here is None:
        return None, ""
    try:
        return spec.read(here), ""
    except PydanticCustomError as error:
        return None, error.message()


def _at(raw: object, path: Path) -> Any:
    for key in path:
        inside = (
            key in raw
            if isinstance(raw, Mapping)
            else isinstance(raw, list) and isinstance(key, int) and key < len(raw)
        )
        if not inside:
            return None
        raw = raw[key]  # type: ignore[index]
    return raw


def _options(annotation: object) -> tuple[object, ...]:
    origin = typing.get_origin(annotation)
    if origin is typing.Annotated:
        return _options(typing.get_args(annotation)[0])
    if origin in (typing.Union, types.UnionType):
        return tuple(o for a in typing.get_args(annotation) for o in _options(a))
    return (annotation,)


def _is_list(info: FieldInfo) -> bool:
    return typing.get_origin(info.annotation) is tuple


def _model(info: FieldInfo) -> type[BaseModel] | None:
    annotation = info.annotation
    if typing.get_origin(annotation) is tuple:
        annotation = typing.get_args(annotation)[0]
    return annotation if isinstance(annotation, type) and issubclass(annotation, BaseModel) else None


def _label(name: str) -> str:
    for unit in _UNITS:
        if name.endswith(unit):
            return _plain(name.removesuffix(unit))
    return _plain(name)


def _plain(name: str) -> str:
    return name.replace("_", " ").replace("cg ", "CG ")
