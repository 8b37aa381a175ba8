"""Numbers as a builder gives them: a value, how sure it is, and where it came from.

A number in a machine file is either bare (``radius_mm = 15``) or a table
(``radius_mm = { at = 15, tol = 0.2, from = "calipers" }``). ``tol`` means: in 95 of 100
machines measured this way the true value lies within ``at ± tol``.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import GetCoreSchemaHandler
from pydantic_core import PydanticCustomError, core_schema

__all__ = ["SOURCES", "Measured", "Point", "PointSpec", "Spec"]

SOURCES = (
    "guess", "calipers", "ruler", "protractor", "photo", "drawing", "survey",
    "scales", "tilt", "maker", "bench", "drive",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Measured:
    """A number with its tolerance and origin.

    Parameters
    ----------
    at : float
        Best value, in the unit that the key's name ends with.
    tol : float or None
        Half-width of the 95 % interval, same unit; None where none was given.
    source : str
        One of `SOURCES`, or "" where the file does not say.
    """

    at: float
    tol: float | None = None
    source: str = ""


@dataclass(frozen=True, slots=True)
class Point:
    """A point of the front view, measured while the machine stands at neutral on a flat board.

    Parameters
    ----------
    out : Measured
        Distance from the centreline towards that part's own side [mm]; negative is across the centreline.
    up : Measured
        Height over the board [mm].
    """

    out: Measured
    up: Measured


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        kind = {bool: "true/false", str: "text", list: "a list", dict: "a table"}.get(type(value), "something else")
        shown = f"{value!r}"[:40]
        raise PydanticCustomError(
            "number", "{shown} is {kind}, where a number is needed.", {"shown": shown, "kind": kind}
        )
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise PydanticCustomError("finite", "{shown} is not a finite number.", {"shown": f"{number}"})
    return number


def _tolerance(value: object) -> float:
    tol = _number(value)
    if not 0 <= tol <= 1e5:
        raise PydanticCustomError(
            "tol", "tol = {tol} is not a tolerance. Give the ± as a number from 0 up.", {"tol": value}
        )
    return tol


def _source(value: object) -> str:
    if not isinstance(value, str) or value not in SOURCES:
        raise PydanticCustomError(
            "source", "from = {shown} is not known. Use one of: {known}.",
            {"shown": f"{value!r}"[:40], "known": ", ".join(SOURCES)},
        )  # fmt: skip
    return value


def _only(value: Mapping[str, Any], needed: tuple[str, ...], allowed: tuple[str, ...]) -> None:
    missing = [k for k in needed if k not in value]
    strange = [str(k)[:30] for k in value if k not in needed + allowed]
    if missing:
        raise PydanticCustomError("shape", "{missing} is missing in this table.", {"missing": ", ".join(missing)})
    if strange:
        raise PydanticCustomError(
            "shape", "{strange} is not a key here. Allowed: {known}.",
            {"strange": ", ".join(strange), "known": ", ".join(needed + allowed)},
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Spec:
    """What a number of the machine file means, may be, and how to measure it.

    Parameters
    ----------
    unit : str
        Unit as shown to people ("mm", "deg", "N/mm", "" for a pure number).
    low, high : float
        Allowed range, both ends included.
    how : str
        How a builder finds the number; the template, the help on screen and the docs all show this text.
    usual : tuple of float or None
        Range outside which `check` remarks that the number is odd for a machine of this size.
    """

    unit: str
    low: float
    high: float
    how: str
    usual: tuple[float, float] | None = None

    def read(self, value: object) -> Measured:
        """Turn a TOML value into a `Measured`, or raise pydantic's custom error with a sentence."""
        if isinstance(value, Measured):
            at, tol, source = value.at, value.tol, value.source
        elif isinstance(value, Mapping):
            _only(value, ("at",), ("tol", "from"))
            at = _number(value["at"])
            tol = _tolerance(value["tol"]) if "tol" in value else None
            source = _source(value["from"]) if "from" in value else ""
        else:
            at, tol, source = _number(value), None, ""
        self.check(at)
        return Measured(at, tol, source)

    def check(self, at: float) -> None:
        """Raise pydantic's custom error when `at` is outside the allowed range."""
        if not self.low <= at <= self.high:
            unit = f" {self.unit}" if self.unit else ""
            raise PydanticCustomError(
                "range", "{at} is outside what is possible: {low} to {high}{unit}.",
                {"at": f"{at:g}", "low": f"{self.low:g}", "high": f"{self.high:g}", "unit": unit},
            )  # fmt: skip

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)


@dataclass(frozen=True, slots=True)
class PointSpec:
    """What a point of the machine file is and how to measure it; see `Spec`."""

    how: str

    unit = "mm"
    _limits = Spec("mm", -2000.0, 2000.0, "")

    def read(self, value: object) -> Point:
        """Turn a TOML table into a `Point`, or raise pydantic's custom error with a sentence."""
        if isinstance(value, Point):
            return value
        if not isinstance(value, Mapping):
            raise PydanticCustomError(
                "point",
                "{shown} is not a point. Write it as {{ out_mm = …, up_mm = … }}.",
                {"shown": f"{value!r}"[:40]},
            )
        _only(value, ("out_mm", "up_mm"), ("tol_mm", "from"))
        tol = _tolerance(value["tol_mm"]) if "tol_mm" in value else None
        source = _source(value["from"]) if "from" in value else ""

        def coordinate(key: str) -> Measured:
            m = self._limits.read(value[key])
            return Measured(m.at, tol if m.tol is None else m.tol, m.source or source)

        return Point(coordinate("out_mm"), coordinate("up_mm"))

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)
