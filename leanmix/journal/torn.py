"""Reading what is left of a torn journal, page by page, without SQLite's help.

SQLite gives up at the first bad page it meets. The rows, though, lie on leaf pages that can each be read alone
(SQLite file format, https://www.sqlite.org/fileformat2.html, sections 1.2, 1.6 and 2.1), and every row here
carries its own check sum: what comes out of `read_torn` is as it was written, or it does not come out.
"""

from __future__ import annotations

import contextlib
import itertools
import shutil
import sqlite3
import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

from leanmix.errors import FileTrouble
from leanmix.journal.entries import Headline, KeptFile, digest_of, row_sum
from leanmix.journal.store import BUSY_S, append, keep_file, mapped, open_file, writing

__all__ = ["Torn", "mend", "read_torn"]

TRIES = 5
_LEAF = 0x0D
_PAGE_SIZES = tuple(512 << i for i in range(8))
_ENTRY_FIELDS, _FILE_FIELDS = 11, 6
Row = tuple[Headline, bytes, str, bytes]


@dataclass(frozen=True, slots=True)
class Torn:
    """What was read out of a torn file.

    Parameters
    ----------
    rows : tuple of (Headline, digest, body, image)
        Whole rows, in order of their numbers.
    files : tuple of KeptFile
        Machine files whose text fits its digest.
    lost : tuple of int
        Numbers of rows that are known to have been there and cannot be read.
    spoilt : int
        Rows found whose check sum does not fit; not among `rows`.
    """

    rows: tuple[Row, ...]
    files: tuple[KeptFile, ...]
    lost: tuple[int, ...]
    spoilt: int


def read_torn(path: Path) -> Torn:
    """Every row and machine file that can still be read, from any page that is still whole.

    A writer's roll-back file beside the journal is not applied: a row cut off in the middle of being written
    was never said to be kept.

    Raises
    ------
    FileTrouble
        When the file cannot be read at all.
    """
    with mapped(path):
        raw = path.read_bytes()
    size = _page_size(raw)
    named: dict[str, Row] = {}
    files: dict[bytes, KeptFile] = {}
    seen: set[int] = set()
    spoilt = 0
    for number, values in _cells(raw, size):
        entry = _entry(number, values)
        if entry is not None:
            if entry:
                named[entry[0].uid] = entry
            else:
                seen.add(number)
                spoilt += 1
            continue
        kept = _file(values)
        if kept is not None:
            files[kept.digest] = kept
    rows = _numbered(named.values())
    top = max(rows, default=0)
    lost = tuple(sorted((set(range(1, top)) | seen) - set(rows)))
    return Torn(tuple(rows[n] for n in sorted(rows)), tuple(sorted(files.values(), key=_age)), lost, spoilt)


def _numbered(found: Iterable[Row]) -> dict[int, Row]:
    """Rows by their numbers; no sum covers a number, so one that cannot be gets the first that is missing."""
    rows: dict[int, Row] = {}
    strays: list[Row] = []
    for row in found:
        number = row[0].number
        if number < 1 or number in rows:
            strays.append(row)
        else:
            rows[number] = row
    free = (n for n in itertools.count(1) if n not in rows)
    for (head, *rest), number in zip(strays, list(itertools.islice(free, len(strays))), strict=True):
        rows[number] = (head._replace(number=number), *rest)  # type: ignore[assignment]
    return rows


def mend(path: Path) -> tuple[Torn, Path]:
    """Write what `read_torn` finds to a new journal in place of the torn one, which is kept beside it.

    Returns
    -------
    torn : Torn
        What was read.
    aside : Path
        Where the torn file now is.

    Raises
    ------
    FileTrouble
        When there is no room or no right to write; the torn file then stands where it stood.
    """
    fresh = path.with_name(path.name + ".mending")
    for _ in range(TRIES):
        with mapped(path):
            before = _state(path)
            torn = read_torn(path)
            aside = _free_name(path)
            shutil.copyfile(path, aside)
        _write_fresh(fresh, torn)
        with mapped(path), _held(path):
            if _state(path) == before:
                hot = path.with_name(path.name + "-journal")
                if hot.exists():
                    hot.replace(aside.with_name(aside.name + "-journal"))  # it must not be rolled into the new file
                fresh.replace(path)
                return torn, aside
            aside.unlink()
    raise FileTrouble(f"{path}: another program keeps writing to the journal.", "End it, then try again.")


def _state(path: Path) -> tuple[int, int]:
    found = path.stat()
    return found.st_mtime_ns, found.st_size


def _free_name(path: Path) -> Path:
    names = (path.with_name(f"{path.stem}.torn{i or ''}{path.suffix}") for i in range(10_000))
    return next(p for p in names if not p.exists())


def _write_fresh(fresh: Path, torn: Torn) -> None:
    with mapped(fresh):
        fresh.unlink(missing_ok=True)
    link = open_file(fresh, read_only=False)
    try:
        with mapped(fresh), writing(link):
            for kept in torn.files:
                keep_file(link, kept.digest, kept.name, kept.machine, kept.text, kept.at_ms)
            for head, digest, body, image in torn.rows:
                append(link, head, digest=digest, body=body, image=image)
    finally:
        link.close()


@contextlib.contextmanager
def _held(path: Path) -> Iterator[None]:
    """Keep other writers off while the file is changed over, as far as SQLite still knows the torn file.

    Nothing may open and close the file meanwhile: on POSIX that would drop the lock.
    """
    link = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
    try:
        try:
            link.execute("BEGIN EXCLUSIVE")
        except sqlite3.DatabaseError as error:
            if getattr(error, "sqlite_errorname", "").startswith("SQLITE_BUSY"):
                raise
        yield
    finally:
        link.close()


def _age(kept: KeptFile) -> tuple[int, bytes]:
    return kept.at_ms, kept.digest


def _page_size(raw: bytes) -> int:
    """From the header where it makes sense, else the size at which most pages look like leaves."""
    if len(raw) >= 100 and raw[:16] == b"SQLite format 3\0":
        (size,) = struct.unpack(">H", raw[16:18])
        size = 65536 if size == 1 else size
        if size in _PAGE_SIZES:
            return int(size)
    if not raw:
        raise FileTrouble("The journal is empty: nothing can be read from it.", "Move it away to begin a new one.")
    found = {size: sum(1 for _ in _cells(raw, size)) for size in _PAGE_SIZES}
    return max(found, key=lambda s: (found[s], s))


def _varint(raw: bytes, at: int) -> tuple[int, int]:
    value = 0
    for byte in raw[at : at + 8]:
        at += 1
        value = (value << 7) | (byte & 0x7F)
        if not byte & 0x80:
            return value, at
    if at >= len(raw):
        raise ValueError("past the end")
    return (value << 8) | raw[at], at + 1  # the ninth byte gives all its bits


def _cells(raw: bytes, size: int) -> Iterator[tuple[int, tuple[object, ...]]]:
    """Row number and values of every readable cell on a table's leaf page."""
    for start in range(0, len(raw), size):
        head = start + 100 if start == 0 else start
        page = raw[start : start + size]
        if len(raw) < head + 8 or raw[head] != _LEAF:
            continue
        count = int.from_bytes(raw[head + 3 : head + 5], "big")
        for i in range(min(count, size // 4)):
            place = head + 8 + 2 * i
            at = int.from_bytes(raw[place : place + 2], "big")
            if not head - start + 8 <= at < len(page):
                continue
            try:
                length, at = _varint(page, at)
                number, at = _varint(page, at)
                payload = _payload(raw, size, page, at, length)
                yield number, _record(payload)
            except (ValueError, UnicodeDecodeError, struct.error):
                continue


def _payload(raw: bytes, size: int, page: bytes, at: int, length: int) -> bytes:
    """A cell's bytes, its overflow pages gathered (file format, section 1.6)."""
    if length > len(raw):
        raise ValueError("longer than the file")
    most = size - 35
    if length <= most:
        here = length
    else:
        least = (size - 12) * 32 // 255 - 23
        here = least + (length - least) % (size - 4)
        here = here if here <= most else least
    out = bytearray(page[at : at + here])
    if here < length:
        (following,) = struct.unpack(">I", page[at + here : at + here + 4])
        for _ in range(length // (size - 4) + 2):
            if not following or len(out) >= length:
                break
            start = (following - 1) * size
            (following,) = struct.unpack(">I", raw[start : start + 4])
            out += raw[start + 4 : start + min(size, 4 + length - len(out))]
    if len(out) != length:
        raise ValueError("cut short")
    return bytes(out)


def _record(payload: bytes) -> tuple[object, ...]:
    """Values of a record (file format, section 2.1)."""
    head, at = _varint(payload, 0)
    types: list[int] = []
    while at < head:
        kind, at = _varint(payload, at)
        types.append(kind)
        if len(types) > _ENTRY_FIELDS:
            raise ValueError("no row of ours")
    values: list[object] = []
    at = head
    for kind in types:
        if kind in (8, 9):
            values.append(kind - 8)
            continue
        width = {0: 0, 1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8, 7: 8}.get(kind, (kind - 12) // 2)
        part = payload[at : at + width]
        if kind in (10, 11) or len(part) != width:
            raise ValueError("cut short")
        at += width
        if kind == 0:
            values.append(None)
        elif kind < 7:
            values.append(int.from_bytes(part, "big", signed=True))
        elif kind == 7:
            values.append(struct.unpack(">d", part)[0])
        else:
            values.append(part.decode("utf-8") if kind % 2 else bytes(part))
    return tuple(values)


def _entry(number: int, values: tuple[object, ...]) -> Row | tuple[()] | None:
    """A row when its sum fits, () when it is a row but spoilt, None when it is something else."""
    if len(values) != _ENTRY_FIELDS:
        return None
    _, uid, at_ms, kind, machine, board, line, digest, body, image, total = values
    if not (
        isinstance(uid, str)
        and isinstance(at_ms, int)
        and isinstance(kind, str)
        and isinstance(machine, str)
        and isinstance(board, str)
        and isinstance(line, str)
        and isinstance(digest, bytes)
        and isinstance(body, str)
        and isinstance(image, bytes)
    ):
        return ()
    if row_sum(uid, at_ms, kind, machine, board, line, digest, body, image) != total:
        return ()
    return Headline(number, uid, at_ms, kind, machine, board, line), digest, body, image


def _file(values: tuple[object, ...]) -> KeptFile | None:
    if len(values) != _FILE_FIELDS:
        return None
    _, digest, name, machine, at_ms, text = values
    if not (isinstance(digest, bytes) and isinstance(name, str) and isinstance(machine, str)):
        return None
    if not (isinstance(at_ms, int) and isinstance(text, str)) or digest_of(text) != digest:
        return None
    return KeptFile(digest, name, machine, text, at_ms)
