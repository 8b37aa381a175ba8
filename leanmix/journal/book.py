"""The journal as the rest of leanmix sees it: open it, say what happened, ask what happened."""

from __future__ import annotations

import contextlib
import functools
import gc
import hashlib
import json
import sqlite3
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any

from leanmix.errors import FileTrouble
from leanmix.journal.entries import (
    AT_MS_MAX,
    DIGEST_PREFIX,
    FLASH_RESULTS,
    DriveNote,
    Entry,
    Flash,
    Headline,
    KeptFile,
    Reading,
    body_text,
    check_body,
    digest_of,
    from_body,
    line_for,
    makes_sense,
    new_uid,
    row_sum,
)
from leanmix.journal.place import journal_path
from leanmix.journal.store import append, damaged, keep_file, mapped, open_file, writing

if TYPE_CHECKING:
    from leanmix.machine import MachineFile

__all__ = ["Journal"]

_HEAD = "number, uid, at_ms, kind, machine, board, line"
# Headline._make without its check of the length: the columns above are the fields
_headline = functools.partial(tuple.__new__, Headline)
# results of a flash after which the board holds its image
ON_THE_BOARD = ("verified", "already there", "reverted")
_ENTRY = "number, uid, at_ms, kind, machine, board, line, digest, body, image, sum"


class Journal:
    """An open journal; a context manager.

    `link` is the SQLite connection, for the journal's own modules only.

    Every ``record_…`` method returns only once the row is on the disk: what it returned for is kept.

    Raises
    ------
    FileTrouble
        From any method, when the file cannot be read or written; what it held before is kept.
    JournalDamaged
        From any method, when the file is torn; see `read_torn` and `mend`.
    """

    def __init__(self, link: sqlite3.Connection, path: Path, now: Callable[[], float]) -> None:
        self.link = link
        self._now = now
        self.path = path

    @classmethod
    def open(
        cls, path: Path | None = None, *, read_only: bool = False, now: Callable[[], float] = time.time
    ) -> Journal:
        """Open the user's journal, or the one at `path`; it is made when it is not there.

        Parameters
        ----------
        path : Path or None
            None for `journal_path`.
        read_only : bool
            True never writes, not even to make the file: an absent journal reads as an empty one.
        now : callable
            Clock, seconds since 1970 UTC.
        """
        where = journal_path() if path is None else Path(path)
        return cls(open_file(where, read_only=read_only), where, now)

    def close(self) -> None:
        """Let go of the file."""
        self.link.close()

    def __enter__(self) -> Journal:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # -- saying what happened

    def begin_flash(self, source: MachineFile, image: bytes, board: str) -> str:
        """Write down, before the first byte is sent, what is about to go onto which board.

        A flash with no `end_flash` shows as "begun": only the board itself then knows what it holds.

        Parameters
        ----------
        source : MachineFile
            The machine file, kept in full.
        image : bytes
            The table image.
        board : str
            The board's serial.

        Returns
        -------
        str
            Name of this flash, for `end_flash`.
        """
        return self._flash(source, image, board, "begun", "")

    def begin_revert(self, machine: str, digest: bytes, image: bytes, board: str) -> str:
        """Write down that a board is about to go back to an image of its own, whose file may never have been here.

        Parameters
        ----------
        machine : str
            The machine's name in the image; the kept file's name for it is used where the file is kept.
        digest : bytes
            What the image carries of its machine file's SHA-256.
        image, board
            As for `begin_flash`.

        Returns
        -------
        str
            Name of this flash, for `end_flash`.
        """
        kept = self.file_of(digest)
        body = {"result": "begun", "detail": ""}
        with mapped(self.path), writing(self.link):
            known = (machine, digest) if kept is None else (kept.machine, kept.digest)
            return self._append(
                self._at_ms(), "flash", known[0], board, _flash_line(body), known[1], body, bytes(image)
            )

    def end_flash(self, uid: str, result: str, detail: str = "") -> None:
        """Write down how a flash ended.

        Parameters
        ----------
        uid : str
            From `begin_flash`.
        result : str
            One of `FLASH_RESULTS` other than "begun".
        detail : str
            Why it failed, or what else is worth knowing.
        """
        begun = self.entry(uid)
        if begun is None or begun.head.kind != "flash":
            raise FileTrouble(f"{uid}: no flash of that name was begun.", "Give the name that begin_flash returned.")
        body = {"result": _known(result), "detail": detail, "of": uid}
        self._row("flash", begun.head.machine, begun.head.board, _flash_line(body), begun.digest, body)

    def record_flash(self, source: MachineFile, image: bytes, board: str, result: str, detail: str = "") -> str:
        """Write down a flash that is over, or a revert; see `begin_flash` for one that is about to start."""
        return self._flash(source, image, board, _known(result), detail)

    def record_reading(self, reading: Reading, *, source: MachineFile | None = None, board: str = "") -> str:
        """Write down one bench reading; returns its name, for `strike`."""
        return self._plain("reading", reading, source, board)

    def record_drive(self, note: DriveNote, *, source: MachineFile | None = None, board: str = "") -> str:
        """Write down what a drive was like; returns the note's name."""
        return self._plain("drive", note, source, board)

    def record_edit(self, before: MachineFile, after: MachineFile, why: str) -> str:
        """Keep both sides of a change to a machine file, so that it can be undone from here."""
        body = {"why": why, "before": before.digest.hex(), "after": after.digest.hex()}
        at_ms = self._at_ms()
        with mapped(self.path), writing(self.link):
            for one in (before, after):
                keep_file(self.link, one.digest, _clean(one.name), one.machine.name, one.text, at_ms)
            return self._append(at_ms, "edit", after.machine.name, "", why, after.digest, body)

    def strike(self, uid: str, why: str) -> str:
        """Mark an entry as mistaken; it stays, but `readings` and `drives` leave it out."""
        entry = self.entry(uid)
        if entry is None:
            raise FileTrouble(f"{uid}: no entry of that name.", "Run: leanmix journal list.")
        line = f"strikes out entry {entry.head.number}: {why}"
        return self._row("strike", entry.head.machine, entry.head.board, line, entry.digest, {"of": uid, "why": why})

    def keep(self, source: MachineFile) -> bool:
        """Keep a machine file's full text; whether it was new."""
        with mapped(self.path), writing(self.link):
            return keep_file(
                self.link, source.digest, _clean(source.name), source.machine.name, source.text, self._at_ms()
            )

    # -- asking what happened

    def headlines(
        self, *, kind: str | None = None, machine: str | None = None, board: str | None = None, last: int | None = None
    ) -> list[Headline]:
        """Rows in order of time, all or the `last` few, of one kind, machine or board."""
        wanted = {"kind": kind, "machine": machine, "board": board}
        given = {k: v for k, v in wanted.items() if v is not None}
        where = " AND ".join(f"{k} = ?" for k in given)
        asked = f"SELECT {_HEAD} FROM entry{' WHERE ' + where if where else ''} ORDER BY at_ms, number"
        values: list[Any] = list(given.values())
        if last is not None:
            asked = f"SELECT * FROM ({asked.replace('at_ms, number', 'at_ms DESC, number DESC')} LIMIT ?)"
            asked += " ORDER BY at_ms, number"
            values.append(max(0, last))
        with mapped(self.path), _no_collection():
            return list(map(_headline, self.link.execute(asked, values)))

    def entry(self, uid: str | int) -> Entry | None:
        """A whole row by its name, or by its number in this journal."""
        column = "number" if isinstance(uid, int) else "uid"
        return next(self._entries(f"{column} = ?", (uid,)), None)

    def entries(self, kind: str | None = None) -> Iterator[Entry]:
        """Whole rows in order of time."""
        return self._entries("kind = ?" if kind else "1", (kind,) if kind else ())

    def flashes(self, board: str | None = None) -> tuple[Flash, ...]:
        """Every flash in order of time, of one board or all; the last says what the board holds, if it ended well."""
        asked, given = ("kind = 'flash' AND board = ?", (board,)) if board is not None else ("kind = 'flash'", ())
        found: dict[str, Flash] = {}
        # a clock set back between the two puts the end of a flash before its beginning
        for e in sorted(self._entries(asked, given), key=lambda e: bool(e.body.get("of"))):
            of = str(e.body.get("of", ""))
            result, detail = str(e.body.get("result", "")), str(e.body.get("detail", ""))
            if of and of in found:
                was = found[of]
                found[of] = Flash(
                    of, was.at_ms, was.machine, was.board, was.digest, was.image, was.image_sha256, result, detail
                )
            elif not of:
                found[e.head.uid] = Flash(
                    e.head.uid,
                    e.head.at_ms,
                    e.head.machine,
                    e.head.board,
                    e.digest,
                    e.image,
                    hashlib.sha256(e.image).digest(),
                    result,
                    detail,
                )
        return tuple(found.values())

    def last_on_board(self, machine: str) -> Flash | None:
        """The newest flash of a machine after which its board held that image; None where there is none."""
        mine = [f for f in self.flashes() if f.machine == machine and f.result in ON_THE_BOARD]
        return mine[-1] if mine else None

    def readings(
        self, *, machine: str | None = None, walk: str | None = None, quantity: str | None = None
    ) -> tuple[tuple[Headline, Reading], ...]:
        """Bench readings that were not struck out, in order of time."""
        out = []
        for head, body in self._unstruck("reading", machine):
            reading = from_body(Reading, body)
            if reading is None:
                continue  # `trouble` tells of it
            if walk in (None, reading.walk) and quantity in (None, reading.quantity):
                out.append((head, reading))
        return tuple(out)

    def drives(self, *, machine: str | None = None) -> tuple[tuple[Headline, DriveNote], ...]:
        """Drive notes that were not struck out, in order of time."""
        notes = ((head, from_body(DriveNote, body)) for head, body in self._unstruck("drive", machine))
        return tuple((head, note) for head, note in notes if note is not None)

    def files(self, machine: str | None = None) -> tuple[KeptFile, ...]:
        """Machine files kept, in the order first seen, of one machine or all."""
        asked = "SELECT digest, name, machine, text, at_ms FROM machine_file"
        given: tuple[str, ...] = ()
        if machine is not None:
            asked, given = asked + " WHERE machine = ?", (machine,)
        with mapped(self.path):
            rows = self.link.execute(asked + " ORDER BY at_ms, number", given).fetchall()
        return tuple(KeptFile(*row) for row in rows)

    def file_of(self, digest: bytes) -> KeptFile | None:
        """The machine file behind a digest, or behind the first bytes of one as a table image carries them.

        Parameters
        ----------
        digest : bytes
            4 to 32 first bytes of the SHA-256; a board gives `DIGEST_PREFIX` of them.

        Raises
        ------
        FileTrouble
            When fewer than 4 bytes are given, or several kept files begin with them.
        """
        if not 4 <= len(digest) <= 32:
            raise FileTrouble(f"{digest.hex()}: is not the hash of a machine file.", "Give 8 to 64 hex digits.")
        with mapped(self.path):
            rows = self.link.execute(
                "SELECT digest, name, machine, text, at_ms FROM machine_file WHERE substr(digest, 1, ?) = ?",
                (len(digest), digest),
            ).fetchall()
        if len(rows) > 1:
            raise FileTrouble(
                f"{digest.hex()}: {len(rows)} kept machine files begin so.",
                f"Give more digits; a board carries {2 * DIGEST_PREFIX}.",
            )
        return KeptFile(*rows[0]) if rows else None

    def trouble(self) -> tuple[str, ...]:
        """Look at every page and every row; a sentence for each thing wrong, none when all is well."""
        found: list[str] = []
        with mapped(self.path):
            for (word,) in self.link.execute("PRAGMA integrity_check(20)"):
                if word != "ok":
                    found.append(str(word))
            for row in self.link.execute(f"SELECT {_ENTRY} FROM entry"):
                if row_sum(*row[1:10]) != row[10]:
                    found.append(f"entry {row[0]} is not as it was written")
                elif not makes_sense(row[3], _parsed(row[8], self.path)):
                    found.append(f"entry {row[0]} says nothing that a {row[3]} can say")
            for digest, name, text in self.link.execute("SELECT digest, name, text FROM machine_file"):
                if digest_of(text) != digest:
                    found.append(f"machine file {name} ({digest[:4].hex()}) is not as it was written")
        return tuple(found)

    # -- within

    def _at_ms(self) -> int:
        return min(AT_MS_MAX, max(0, round(self._now() * 1000)))

    def _append(
        self,
        at_ms: int,
        kind: str,
        machine: str,
        board: str,
        line: str,
        digest: bytes,
        body: Mapping[str, Any],
        image: bytes = b"",
    ) -> str:
        uid = new_uid(at_ms)
        head = Headline(0, uid, at_ms, kind, _clean(machine), _clean(board), _clean(line))
        append(self.link, head, digest=digest, body=_clean(body_text(body)), image=image)
        return uid

    def _row(self, kind: str, machine: str, board: str, line: str, digest: bytes, body: Mapping[str, Any]) -> str:
        with mapped(self.path), writing(self.link):
            return self._append(self._at_ms(), kind, machine, board, line, digest, body)

    def _plain(self, kind: str, value: Reading | DriveNote, source: MachineFile | None, board: str) -> str:
        body, at_ms = check_body(value), self._at_ms()
        digest, machine = (source.digest, source.machine.name) if source is not None else (b"", "")
        with mapped(self.path), writing(self.link):
            if source is not None:
                keep_file(self.link, digest, _clean(source.name), machine, source.text, at_ms)
            return self._append(at_ms, kind, machine, board, line_for(value), digest, body)

    def _flash(self, source: MachineFile, image: bytes, board: str, result: str, detail: str) -> str:
        at_ms, machine = self._at_ms(), source.machine.name
        body: dict[str, Any] = {"result": result, "detail": detail}
        with mapped(self.path), writing(self.link):
            keep_file(self.link, source.digest, _clean(source.name), machine, source.text, at_ms)
            return self._append(at_ms, "flash", machine, board, _flash_line(body), source.digest, body, bytes(image))

    def _entries(self, where: str, given: tuple[Any, ...]) -> Iterator[Entry]:
        asked = f"SELECT {_ENTRY} FROM entry WHERE {where} ORDER BY at_ms, number"
        with mapped(self.path):
            rows = self.link.execute(asked, given).fetchall()
        for row in rows:
            yield Entry(Headline._make(row[:7]), row[7], _parsed(row[8], self.path), row[9])

    def _unstruck(self, kind: str, machine: str | None) -> Iterator[tuple[Headline, Mapping[str, Any]]]:
        struck = {str(e.body.get("of", "")) for e in self._entries("kind = 'strike'", ())}
        asked, given = "kind = ?", (kind,)
        if machine is not None:
            asked, given = asked + " AND machine = ?", (kind, machine)  # type: ignore[assignment]
        for e in self._entries(asked, given):
            if e.head.uid not in struck:
                yield e.head, e.body


@contextlib.contextmanager
def _no_collection() -> Iterator[None]:
    # each new tuple of a long list would set the cyclic collector off over all those before it, and none is garbage
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


def _parsed(body: str, path: Path) -> Mapping[str, Any]:
    try:
        found = json.loads(body)
    except (ValueError, RecursionError) as error:
        raise damaged(path, f"a row's text cannot be read: {error}") from error
    return found if isinstance(found, dict) else {}


def _clean(text: str) -> str:
    # names from a command line may hold bytes that were no text
    return text.encode("utf-8", "replace").decode("utf-8")


def _known(result: str) -> str:
    if result not in FLASH_RESULTS[1:]:
        raise FileTrouble(f"{result!r}: is not how a flash ends.", f"Use one of: {', '.join(FLASH_RESULTS[1:])}.")
    return result


def _flash_line(body: Mapping[str, Any]) -> str:
    return f"{body['result']}: {body['detail']}" if body["detail"] else str(body["result"])
