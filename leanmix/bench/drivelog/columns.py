"""Which column of a logger's file is what, in which unit: said once for each logger and kept."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from leanmix.errors import FileTrouble
from leanmix.places import home

__all__ = ["PLAIN", "QUANTITIES", "Column", "ColumnMap", "load_map", "map_path", "maps", "save_map", "units_of"]


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a column can be: for people, and each unit's factor to the unit in its name."""

    what: str
    units: Mapping[str, float]


DEG_PER_RAD = 57.29577951308232
G_MPS2 = 9.80665
_ANGLE = {"deg": 1.0, "rad": DEG_PER_RAD}
_ACCELERATION = {"g": 1.0, "m/s2": 1 / G_MPS2, "mg": 1e-3}
_PULSE = {"us": 1.0, "ms": 1e3, "1/8 us": 0.125}

QUANTITIES: Mapping[str, Quantity] = {
    "t_s": Quantity("time", {"s": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0, "clock": 1.0}),
    "steering_us": Quantity("steering pulse from the receiver", _PULSE),
    "steer": Quantity("steering, −1 to +1, + left", {"1": 1.0, "%": 0.01}),
    "servo_us": Quantity("pulse to the lean servo", _PULSE),
    "lean_deg": Quantity("lean against the level, + left", _ANGLE),
    "lateral_g": Quantity("sideways acceleration, level, + in a left turn", _ACCELERATION),
    "side_g": Quantity("sideways force across the leaning chassis, + in a left turn", _ACCELERATION),
    "yaw_deg_per_s": Quantity("turning rate, + left", {"deg/s": 1.0, "rad/s": DEG_PER_RAD}),
    "speed_m_per_s": Quantity("speed", {"m/s": 1.0, "km/h": 1 / 3.6, "mph": 0.44704, "kn": 1852 / 3600}),
    "supply_V": Quantity("voltage at the servo", {"V": 1.0, "mV": 1e-3}),
    "tip": Quantity("1 where the driver marked a tip", {"1": 1.0}),
}


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a logger's file.

    Parameters
    ----------
    name : str
        As the file's header has it; or its place from 1 where the file has no header.
    unit : str
        Unit it is in, one of `units_of` the quantity.
    turned : bool
        Whether its sign is the other way round.
    """

    name: str
    unit: str
    turned: bool = False


@dataclass(frozen=True, slots=True)
class ColumnMap:
    """A logger's columns.

    Parameters
    ----------
    logger : str
        What the builder calls it.
    columns : mapping of str to Column
        By quantity; "t_s" is among them.
    """

    logger: str
    columns: Mapping[str, Column]

    def __post_init__(self) -> None:
        if "t_s" not in self.columns:
            raise FileTrouble(f"{self.logger}: no column is the time.", "Map one to t_s.")
        for quantity, column in self.columns.items():
            if quantity not in QUANTITIES:
                raise FileTrouble(
                    f"{self.logger}: {quantity} is not a quantity of a drive log.", f"Use {', '.join(QUANTITIES)}."
                )
            if column.unit not in QUANTITIES[quantity].units:
                raise FileTrouble(
                    f"{self.logger}: {column.unit!r} is not a unit of {quantity}.",
                    f"Use {', '.join(units_of(quantity))}.",
                )

    def scale(self, quantity: str) -> float:
        """Factor from the file's number to ours."""
        column = self.columns[quantity]
        return QUANTITIES[quantity].units[column.unit] * (-1.0 if column.turned else 1.0)


def units_of(quantity: str) -> tuple[str, ...]:
    """Units that a quantity may be in."""
    return tuple(QUANTITIES[quantity].units)


# A file in the plain format: every name is a quantity, in the unit it ends with.
PLAIN = ColumnMap("leanmix drive log", {q: Column(q, next(iter(spec.units))) for q, spec in QUANTITIES.items()})

MAP_BYTES_MAX = 1 << 16
_LOGGER = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,39}")


def map_path(logger: str) -> Path:
    """Where a logger's map is kept.

    Raises
    ------
    FileTrouble
        When the name cannot be a file's name.
    """
    if not _LOGGER.fullmatch(logger):
        raise FileTrouble(f"{logger!r}: is no name for a logger.", "Use letters, digits, - and _, 40 at most.")
    return home() / "loggers" / f"{logger}.toml"


def maps() -> tuple[str, ...]:
    """Names of the loggers mapped so far."""
    folder = home() / "loggers"
    return tuple(sorted(p.stem for p in folder.glob("*.toml"))) if folder.is_dir() else ()


def save_map(columns: ColumnMap) -> Path:
    """Keep a logger's map for the next time; FileTrouble where it cannot be written."""
    from leanmix.machine import save_text

    lines = ["# Columns of a logger, for: leanmix log … --logger NAME", f"logger = {_quoted(columns.logger)}", ""]
    for quantity, c in columns.columns.items():
        turned = ", turned = true" if c.turned else ""
        lines.append(f"{quantity} = {{ column = {_quoted(c.name)}, unit = {_quoted(c.unit)}{turned} }}")
    path = map_path(columns.logger)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileTrouble(f"{path.parent}: {error.strerror or error}.", "Set LEANMIX_HOME to a folder.") from error
    save_text(path, "\n".join(lines) + "\n")
    return path


def load_map(logger: str) -> ColumnMap:
    """A logger's map as kept.

    Raises
    ------
    FileTrouble
        When there is none, or it is not one.
    """
    path = map_path(logger)
    from leanmix.machine import read_file, toml_content

    try:
        path.stat()
        content = toml_content(read_file(path, MAP_BYTES_MAX, "64 KiB", "Map the logger anew.").decode("utf-8"))
    except FileNotFoundError as error:
        known = ", ".join(maps()) or "none yet"
        raise FileTrouble(
            f"{logger}: no logger of that name is mapped ({known}).", "Run: leanmix log map FILE --logger NAME"
        ) from error
    except (OSError, ValueError) as error:
        raise FileTrouble(
            f"{path}: cannot be read ({str(error)[:200]}).", "Map the logger anew: leanmix log map"
        ) from error
    columns: dict[str, Column] = {}
    for key, value in content.items():
        if key == "logger":
            continue
        if not isinstance(value, dict) or not isinstance(value.get("column"), str):
            raise FileTrouble(f"{path}: {key} is not a column.", 'Write { column = "…", unit = "…" }.')
        columns[key] = Column(value["column"], str(value.get("unit", "")), value.get("turned") is True)
    return ColumnMap(str(content.get("logger", logger)), columns)


def _quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in escaped) + '"'
