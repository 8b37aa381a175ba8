"""Reading machine files, changing single values in them, and saving them without losing anything."""

from __future__ import annotations

import hashlib
import os
import tempfile
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

import tomlkit
from pydantic import ValidationError

from leanmix.errors import FileTrouble, Finding, MachineFileError
from leanmix.machine.bounds import read_file, toml_content
from leanmix.machine.lines import key_lines, line_of
from leanmix.machine.quantity import Measured, Point
from leanmix.machine.rules import broken_rules
from leanmix.machine.schema import SCHEMA, Machine
from leanmix.machine.slips import syntax_slip, value_slip

__all__ = ["DEMOS", "MAX_BYTES", "MachineFile", "demo", "drop_value", "load", "parse", "save_text", "set_value"]

Knots = tuple[tuple[float, float], ...]

MAX_BYTES = 1 << 20
DEMOS = ("tarn", "wren", "moss")


@dataclass(frozen=True, slots=True)
class MachineFile:
    """A machine file's text and what it says.

    Parameters
    ----------
    name : str
        Path or other name to show.
    text : str
        The text, comments and all.
    machine : Machine
        What the text says.
    """

    name: str
    text: str
    machine: Machine

    @property
    def digest(self) -> bytes:
        """SHA-256 of the text as UTF-8 with ``\\n`` line ends; its first bytes travel in every table image."""
        return hashlib.sha256(self.text.replace("\r\n", "\n").encode()).digest()


def load(path: str | Path) -> MachineFile:
    """Read a machine file; ``demo:NAME`` reads one of the demo machines.

    Raises
    ------
    FileTrouble
        When the file cannot be read, is not UTF-8 or is larger than 1 MiB.
    MachineFileError
        With every finding, when the content is not a usable machine.
    """
    shown = str(path)
    if shown.startswith("demo:"):
        return demo(shown.removeprefix("demo:"))
    raw = read_file(path, MAX_BYTES, "1 MiB", "A machine file is a few hundred lines of text.")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileTrouble(f"{shown}: is not UTF-8 text (byte {error.start}).", "Save it as UTF-8.") from error
    return parse(text, shown)


def demo(name: str) -> MachineFile:
    """One of the demo machines: tarn, wren or moss.

    Raises
    ------
    FileTrouble
        When there is no such demo.
    MachineFileError
        When it was damaged since it was installed.
    """
    if name not in DEMOS:
        raise FileTrouble(f"demo:{name}: there is no such demo machine.", f"There are: {', '.join(DEMOS)}.")
    text = (resources.files("leanmix.machine") / "demo" / f"{name}.toml").read_text(encoding="utf-8")
    return parse(text, f"demo:{name}")


def parse(text: str, name: str = "machine file") -> MachineFile:
    """Turn a machine file's text into a `MachineFile`.

    Raises
    ------
    MachineFileError
        With every finding and its line.
    """
    try:
        content = toml_content(text)
    except tomllib.TOMLDecodeError as error:
        raise MachineFileError(name, (syntax_slip(str(error), text),)) from error
    except ValueError as error:
        raise MachineFileError(name, (Finding("file", f"this text is not usable: {error}."),)) from error
    lines = key_lines(text)
    machine, findings = _validate(content, lines)
    if machine is None or findings:
        raise MachineFileError(name, findings)
    return MachineFile(name, text, machine)


def _merged(base: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    out = dict(base)
    for key, value in over.items():
        here = out.get(key)
        # a point or a measured number is one value: never mix half of one with half of another
        whole = isinstance(value, dict) and not ({"at", "out_mm", "up_mm"} & set(value))
        out[key] = _merged(here, value) if whole and isinstance(here, dict) else value
    return out


def _holds(table: object, path: tuple[str | int, ...]) -> bool:
    for key in path:
        if not isinstance(table, dict) or key not in table:
            return False
        table = table[key]
    return True


def _validate(
    content: dict[str, Any], lines: dict[tuple[str | int, ...], int]
) -> tuple[Machine | None, tuple[Finding, ...]]:
    version = content.get("schema")
    if isinstance(version, int) and not isinstance(version, bool) and version > SCHEMA:
        todo = "Update leanmix, or use the release that wrote the file."
        return None, (
            Finding(
                "schema",
                f"layout {version} is newer than this leanmix reads ({SCHEMA}).",
                todo,
                line_of(lines, ("schema",)),
            ),
        )
    findings: list[Finding] = []
    raw = dict(content)
    side = raw.pop("side", None)
    for name in ("side", "left", "right"):
        if name in content and not isinstance(content[name], dict):
            findings.append(
                Finding(name, "must be a table.", f"Write [{name}.arm] and so on.", line_of(lines, (name,)))
            )
    if findings:
        return None, tuple(findings)
    overrides = {name: raw.get(name, {}) for name in ("left", "right")}
    for name in ("left", "right"):
        raw[name] = _merged(side or {}, overrides[name])

    def where(loc: tuple[str | int, ...]) -> tuple[str | int, ...]:
        if loc and loc[0] in ("left", "right") and side is not None and not _holds(overrides[str(loc[0])], loc[1:]):
            return ("side", *loc[1:])
        return loc

    def placed(finding: Finding) -> Finding:
        path = where(tuple(int(k) if k.isdigit() else k for k in finding.key.split(".")))
        return Finding(".".join(map(str, path)), finding.what, finding.todo, line_of(lines, path))

    try:
        machine = Machine.model_validate(raw)
    except ValidationError as error:
        for item in error.errors(include_url=False, include_context=False, include_input=True):
            path = where(tuple(item["loc"]))
            findings.append(Finding(".".join(map(str, path)), *value_slip(item), line_of(lines, path)))
        return None, tuple(dict.fromkeys(findings))
    return machine, tuple(dict.fromkeys(placed(f) for f in broken_rules(machine)))


# the text that was written last, as it was read: reading it again takes most of a nudge's time
_WRITTEN: dict[str, tomlkit.TOMLDocument] = {}


def set_value(text: str, key: str, value: Measured | Point | float | str | bool | Knots) -> str:
    """Change one value in a machine file's text, keeping comments, order and layout.

    Parameters
    ----------
    text : str
        Text of a machine file.
    key : str
        Dotted key, e.g. ``side.arm.radius_mm`` or ``part.2.radius_mm``. For ``left.…`` and ``right.…`` the
        value goes into that side's own table, which is added when the file has none.
    value : Measured, Point, float, str, bool or pairs of numbers
        New value. A bare number keeps the tolerance and origin that stand there. A point becomes one inline
        table; its two coordinates share ``tol_mm`` and ``from`` where they agree, else each carries its own.
        Pairs are a curve's knots.

    Returns
    -------
    str
        The new text.

    Raises
    ------
    MachineFileError
        When the text is not TOML or the key cannot be placed.
    """
    try:
        # taken out while it is changed, so that nobody else meets it half done
        document = _WRITTEN.pop(text, None) or tomlkit.parse(text)
    except (tomlkit.exceptions.TOMLKitError, RecursionError, ValueError) as error:
        raise MachineFileError("machine file", (Finding("file", f"not TOML: {str(error)[:200]}."),)) from error
    names = key.split(".")
    try:
        _put(document, names, value)
        written = tomlkit.dumps(document)
        _WRITTEN.clear()
        # an entry that was added stands in the document otherwise than it is read again, by a blank line
        if written.count("\n") == text.count("\n"):
            _WRITTEN[written] = document
        return written
    except (tomlkit.exceptions.TOMLKitError, TypeError, AttributeError, LookupError, ValueError) as error:
        raise MachineFileError("machine file", (Finding(key, "no value can stand here."),)) from error


def _put(document: Any, names: list[str], value: Measured | Point | float | str | bool | Knots) -> None:
    table = document
    for name in names[:-1]:
        if isinstance(table, list):
            if not name.isdigit() or int(name) >= len(table):
                raise MachineFileError("machine file", (Finding(".".join(names), "there is no such entry."),))
            table = table[int(name)]
            continue
        if name not in table:
            table[name] = tomlkit.inline_table() if isinstance(table, tomlkit.items.InlineTable) else tomlkit.table()
        table = table[name]
    last = names[-1]
    index: Any = int(last) if isinstance(table, list) and last.isdigit() else last
    try:
        old = table[index]
    except (LookupError, tomlkit.exceptions.TOMLKitError):
        old = None
    if isinstance(value, (int, float)) and not isinstance(value, bool) and isinstance(old, Mapping) and "at" in old:
        table[index]["at"] = _tidy(float(value))
    else:
        table[index] = _item(value)


def drop_value(text: str, key: str) -> str:
    """Take one key out of a machine file's text, so that its default (or the other side's value) holds.

    Parameters
    ----------
    text : str
        Text of a machine file.
    key : str
        Dotted key, as for `set_value`; one that is not there leaves the text as it is.

    Raises
    ------
    MachineFileError
        When the text is not TOML.
    """
    try:
        document = tomlkit.parse(text)
    except (tomlkit.exceptions.TOMLKitError, RecursionError, ValueError) as error:
        raise MachineFileError("machine file", (Finding("file", f"not TOML: {str(error)[:200]}."),)) from error
    table: Any = document
    *names, last = key.split(".")
    for name in names:
        index: Any = int(name) if isinstance(table, list) and name.isdigit() else name
        try:
            table = table[index]
        except (LookupError, TypeError, tomlkit.exceptions.TOMLKitError):
            return text
    if isinstance(table, Mapping) and last in table:
        del table[last]  # type: ignore[attr-defined]
    elif isinstance(table, list) and last.isdigit() and int(last) < len(table):
        del table[int(last)]
    try:
        return tomlkit.dumps(document)
    except tomlkit.exceptions.TOMLKitError as error:
        raise MachineFileError("machine file", (Finding(key, "cannot be taken out."),)) from error


def _tidy(number: float) -> int | float:
    return int(number) if number == int(number) and abs(number) < 1e9 else float(f"{number:.9g}")


def _item(value: Measured | Point | float | str | bool | Knots) -> Any:
    if isinstance(value, (str, bool)):
        return value
    if isinstance(value, tuple):
        pairs = tomlkit.array()
        pairs.extend([_tidy(a), _tidy(b)] for a, b in value)
        return pairs
    if isinstance(value, Point):
        return _point_item(value)
    if not isinstance(value, Measured):
        return _tidy(float(value))
    if value.tol is None and not value.source:
        return _tidy(value.at)
    parts = [f"at = {_tidy(value.at)}"]
    if value.tol is not None:
        parts.append(f"tol = {_tidy(value.tol)}")
    if value.source:
        parts.append(f'from = "{value.source}"')
    return _inline(parts)


def _inline(pairs: list[str]) -> Any:
    """An inline table as people write it, with room inside its braces."""
    return tomlkit.parse(f"x = {{ {', '.join(pairs)} }}")["x"]


def _point_item(point: Point) -> Any:
    out, up = point.out, point.up
    shared = (out.tol, out.source) == (up.tol, up.source)
    pairs = [
        f"{key} = {_tidy(m.at) if shared or (m.tol is None and not m.source) else _item(m).as_string()}"
        for key, m in (("out_mm", out), ("up_mm", up))
    ]
    if shared and out.tol is not None:
        pairs.append(f"tol_mm = {_tidy(out.tol)}")
    if shared and out.source:
        pairs.append(f'from = "{out.source}"')
    return _inline(pairs)


def save_text(path: str | Path, text: str | bytes) -> None:
    """Write a file so that a cut leaves the old or the new one: temporary file beside it, fsync, rename.

    Raises
    ------
    FileTrouble
        When it cannot be written; what was there before is then untouched.
    """
    target = Path(path)
    data = text.encode() if isinstance(text, str) else text
    try:
        target = target.resolve()  # a link's target is replaced, not the link
        mode = target.stat().st_mode & 0o777 if target.exists() else 0o666 & ~_umask()
        handle, temporary = tempfile.mkstemp(prefix=f".{target.name[:40]}.", dir=target.parent)
    except (OSError, ValueError, RuntimeError) as error:
        raise _unwritable(path, error) from error
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(temporary, mode)
        os.replace(temporary, target)
    except OSError as error:
        Path(temporary).unlink(missing_ok=True)
        raise _unwritable(path, error) from error
    if os.name == "posix":
        folder = os.open(target.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _unwritable(path: str | Path, error: Exception) -> FileTrouble:
    if isinstance(error, FileNotFoundError):
        return FileTrouble(f"{path}: its folder is not there.", "Make the folder first, or choose another place.")
    reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return FileTrouble(
        f"{path}: cannot be written ({reason}).", "Choose another place, or free some room; nothing was changed."
    )
