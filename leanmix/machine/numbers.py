"""The machine's numbers as flat arrays: one value each, or one for each of many builds.

Stages are written over `Numbers`: a mapping from dotted key ("left.arm.radius_mm") to a float, or to an
array of shape (builds,). The same stage code then does one machine or a hundred thousand.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from leanmix.machine.quantity import Measured, Point, PointSpec, Spec
from leanmix.machine.schema import Machine

__all__ = ["Number", "Numbers", "draw_builds", "each_number", "spec_for", "spoken_key", "values"]

Value = float | NDArray[np.float64]

# tol is the half-width of a 95 % interval of a normal distribution
SIGMAS_PER_TOL = 1.959963984540054


@dataclass(frozen=True, slots=True)
class Number:
    """One number of a machine: its dotted key, value with tolerance, and what it means."""

    key: str
    measured: Measured
    spec: Spec | PointSpec | None

    @property
    def unit(self) -> str:
        """Unit for people; empty for a pure number."""
        return "" if self.spec is None else self.spec.unit


def _spec(field: FieldInfo) -> Spec | PointSpec | None:
    def dig(annotation: Any) -> Spec | PointSpec | None:
        for extra in getattr(annotation, "__metadata__", ()):
            if isinstance(extra, (Spec, PointSpec)):
                return extra
        for inner in getattr(annotation, "__args__", ()):
            if found := dig(inner):
                return found
        return None

    for extra in field.metadata:
        if isinstance(extra, (Spec, PointSpec)):
            return extra
    return dig(field.annotation)


@lru_cache(maxsize=256)
def spec_for(model: type[BaseModel], field: str) -> Spec | PointSpec | None:
    """What a field of a machine-file table means; None for text and switches."""
    return _spec(model.model_fields[field])


def each_number(machine: Machine) -> Iterator[Number]:
    """Every number of a machine in the order of the file, both sides written out."""
    yield from _walk(machine, "")


_NAMED = ("parts", "screws", "surfaces")


def spoken_key(machine: Machine, key: str) -> str:
    """A number's key as a builder finds it in his file: a part, screw or surface by its name, corners from 1.

    Parameters
    ----------
    machine : Machine
        The machine that the number belongs to.
    key : str
        Dotted key of `each_number`, such as ``parts.0.points.1.up_mm``.

    Returns
    -------
    str
        Such as ``servo arm: corner 2 up_mm``; any other key as it is.
    """
    group, _, rest = key.partition(".")
    number, _, field = rest.partition(".")
    if group not in _NAMED or not number.isdigit():
        return key
    name = getattr(machine, group)[int(number)].name
    if field.startswith("points."):
        _, corner, axis = field.split(".")
        field = f"corner {int(corner) + 1} {axis}"
    return f"{name}: {field}"


def _walk(table: BaseModel, prefix: str) -> Iterator[Number]:
    for name, field in type(table).model_fields.items():
        value = getattr(table, name)
        key = f"{prefix}{name}"
        if isinstance(value, Measured):
            yield Number(key, value, spec_for(type(table), name))
        elif isinstance(value, Point):
            spec = _spec(field)
            yield Number(f"{key}.out_mm", value.out, spec)
            yield Number(f"{key}.up_mm", value.up, spec)
        elif isinstance(value, BaseModel):
            yield from _walk(value, f"{key}.")
        elif isinstance(value, tuple):
            for i, item in enumerate(value):
                if isinstance(item, Point):
                    spec = _spec(field)
                    yield Number(f"{key}.{i}.out_mm", item.out, spec)
                    yield Number(f"{key}.{i}.up_mm", item.up, spec)
                elif isinstance(item, BaseModel):
                    yield from _walk(item, f"{key}.{i}.")


class Numbers(Mapping[str, Value]):
    """Dotted key → value, all scalar or broadcastable over builds.

    Parameters
    ----------
    table : mapping of str to float or ndarray, shape (builds,)
        Values in the unit that each key's name ends with.
    """

    def __init__(self, table: Mapping[str, Value]) -> None:
        self._table = dict(table)

    def __getitem__(self, key: str) -> Value:
        return self._table[key]

    def __iter__(self) -> Iterator[str]:
        return iter(self._table)

    def __len__(self) -> int:
        return len(self._table)

    def under(self, prefix: str) -> Numbers:
        """The numbers below a table, e.g. ``under("left")["arm.radius_mm"]``."""
        cut = prefix + "."
        return Numbers({k[len(cut) :]: v for k, v in self._table.items() if k.startswith(cut)})

    def changed(self, changes: Mapping[str, Value]) -> Numbers:
        """A copy with some values replaced; a key that is not there raises KeyError."""
        strange = [k for k in changes if k not in self._table]
        if strange:
            raise KeyError(", ".join(strange))
        return Numbers({**self._table, **changes})


def values(machine: Machine) -> Numbers:
    """The nominal numbers of a machine; keys left out of the file (with no default) are absent."""
    return Numbers({n.key: n.measured.at for n in each_number(machine)})


def draw_builds(machine: Machine, builds: int, seed: int = 0) -> Numbers:
    """Draw many builds from the file's tolerances.

    Each number with a tolerance gets independent normal draws (``tol`` is 1.96 σ), clipped to its allowed
    range; left and right are drawn apart, as two printed parts are. Numbers without tolerance stay scalar.

    Parameters
    ----------
    machine : Machine
        The machine with its tolerances.
    builds : int
        How many.
    seed : int
        Same seed, same builds.

    Returns
    -------
    Numbers
        Values of shape (builds,) where drawn.
    """
    rng = np.random.default_rng(seed)
    table: dict[str, Value] = {}
    for n in each_number(machine):
        tol = n.measured.tol
        if not tol:
            table[n.key] = n.measured.at
            continue
        drawn = n.measured.at + rng.standard_normal(builds) * (tol / SIGMAS_PER_TOL)
        if isinstance(n.spec, Spec):
            drawn = np.clip(drawn, n.spec.low, n.spec.high)
        table[n.key] = drawn
    return Numbers(table)
