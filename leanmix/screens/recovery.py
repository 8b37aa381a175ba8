"""The journal of edits that outlives a crash: one file for each open machine, one line for each edit, written at once.

The first line holds the text as it was opened or last saved; every edit, undo and redo adds a line. The file is
locked for as long as its program lives, so an unlocked one was left behind; a clean end removes it. A last line
torn by a crash is dropped.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from leanmix.places import home

if os.name == "posix":
    import fcntl

__all__ = ["EditJournal", "LeftBehind", "left_behind", "recovery_folder"]

SUFFIX = ".edits"
VERSION = 1


def recovery_folder() -> Path:
    """Where journals of edits live."""
    return home() / "recovery"


@dataclass(frozen=True, slots=True)
class LeftBehind:
    """Edits of a program that ended without saving or discarding them.

    Attributes
    ----------
    file : Path
        The journal.
    name : str
        What the machine file was called.
    path : str
        Where it was to be saved; "" for one never saved.
    text : str
        The text that the edits start from.
    edits : tuple of mapping
        In order: ``{"at", "old", "new", "what", "key"}``, with ``"of": "readings"`` for one of the readings' text; the
        same with ``"undo"`` or ``"redo"``; before the first of the readings' ``{"readings", "saved", "path"}``, their text.
    at_s : float
        When the last was made, seconds since 1970.
    """

    file: Path
    name: str
    path: str
    text: str
    edits: tuple[Mapping[str, Any], ...]
    at_s: float

    def discard(self) -> None:
        """Remove the journal."""
        self.file.unlink(missing_ok=True)


def left_behind() -> tuple[LeftBehind, ...]:
    """Journals with edits that no living program holds, newest first; empty ones are cleared away."""
    found: list[LeftBehind] = []
    try:
        files = sorted(recovery_folder().glob(f"*{SUFFIX}"))
    except OSError:
        return ()
    for file in files:
        try:
            with open(file, "r+b") as stream:
                if not _lock(stream.fileno()):
                    continue
                one = _read(file, stream.read())
        except OSError:
            continue
        if one is not None and one.edits:
            found.append(one)
        elif one is not None:
            one.discard()
    return tuple(sorted(found, key=lambda one: -one.at_s))


def _lock(handle: int) -> bool:
    if os.name != "posix":
        return True  # there a file that a living program has open cannot be opened for writing or removed
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def _read(file: Path, raw: bytes) -> LeftBehind | None:
    rows: list[Mapping[str, Any]] = []
    for line in raw.split(b"\n")[:-1]:  # what follows the last line end was torn off
        try:
            row = json.loads(line)
        except (ValueError, RecursionError):
            break
        if not isinstance(row, dict):
            break
        rows.append(row)
    head = rows[0] if rows else {}
    if head.get("version") != VERSION or not isinstance(head.get("text"), str):
        return None
    return LeftBehind(
        file, str(head.get("name", "")), str(head.get("path", "")), head["text"], tuple(rows[1:]), file.stat().st_mtime
    )


class EditJournal:
    """The journal of the machine that is open now.

    Attributes
    ----------
    trouble : str
        Why edits are not being kept; "" while they are.
    """

    def __init__(self) -> None:
        self.trouble = ""
        self._file: Path | None = None
        self._handle: int | None = None

    def begin(self, name: str, path: str, text: str) -> None:
        """Start over from a text that is safe elsewhere."""
        self.end()
        try:
            folder = recovery_folder()
            folder.mkdir(parents=True, exist_ok=True)
            self._file = folder / f"{time.time_ns():x}-{os.getpid()}{SUFFIX}"
            # a bare handle: every line goes to the system at once, and the lock lives as long as the program
            self._handle = os.open(self._file, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND, 0o600)
            _lock(self._handle)
        except OSError as error:
            self._failed(error)
            return
        self.trouble = ""
        self.note({"version": VERSION, "name": name, "path": path, "text": text})

    def note(self, row: Mapping[str, Any]) -> None:
        """Write one line, past this program's own buffers, before returning."""
        if self._handle is None:
            return
        try:
            line = json.dumps(row, ensure_ascii=True).encode() + b"\n"
            while line:
                line = line[os.write(self._handle, line) :]
        except OSError as error:
            self._failed(error)

    def end(self) -> None:
        """Everything is saved or given up: remove the journal."""
        if self._handle is not None:
            os.close(self._handle)
            self._handle = None
        if self._file is not None:
            self._file.unlink(missing_ok=True)
            self._file = None

    def _failed(self, error: OSError) -> None:
        self.trouble = f"Edits cannot be kept against a crash ({error.strerror or error}): save often."
