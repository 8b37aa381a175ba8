"""Reading a log block by block: a file of any size passes through a few MB of memory."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO

import numpy as np
from numpy.typing import NDArray

from leanmix.bench.drivelog.columns import PLAIN, Column, ColumnMap
from leanmix.bench.drivelog.shape import HEAD_BYTES, Shape, find_shape, number
from leanmix.errors import FileTrouble
from leanmix.machine import plain_file

__all__ = ["Block", "LogFile", "Tally", "open_log"]

Array = NDArray[np.float64]
BLOCK_BYTES = 4 << 20
LINE_BYTES_MAX = 1 << 16
NAMED = 5  # bad lines named in a report


@dataclass(slots=True)
class Tally:
    """What was met on the way; grows while the log is read.

    Parameters
    ----------
    rows : int
        Rows of numbers read.
    dropped : int
        Rows left out as unreadable.
    dropped_lines : list of (int, str)
        The first few of them: line and reason.
    repeated_headers : int
        Times the header came again.
    cut_end : bool
        Whether the last line was cut and left out.
    """

    rows: int = 0
    dropped: int = 0
    dropped_lines: list[tuple[int, str]] = field(default_factory=list)
    repeated_headers: int = 0
    cut_end: bool = False


@dataclass(frozen=True, slots=True)
class Block:
    """Some rows.

    Parameters
    ----------
    columns : mapping of str to ndarray, shape (rows,)
        By quantity, in the unit of its name; time is still as the logger had it, but in seconds. NaN where empty.
    lines : ndarray of int, shape (rows,)
        1-based line of each row.
    restarts : ndarray of bool, shape (rows,)
        True where the header was repeated just before.
    """

    columns: Mapping[str, Array]
    lines: NDArray[np.int64]
    restarts: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class LogFile:
    """A log that can be read.

    Parameters
    ----------
    path : Path
        The file.
    shape : Shape
        How it is laid out.
    columns : ColumnMap
        What its columns are; those of the map that the file does not have are left aside.
    drop_bad : bool
        False refuses the log at the first row that cannot be read; True leaves such rows out and counts them.
    """

    path: Path
    shape: Shape
    columns: ColumnMap
    drop_bad: bool = False

    @property
    def quantities(self) -> tuple[str, ...]:
        """Quantities that this file has."""
        return tuple(q for q, c in self.columns.columns.items() if c.name in self.shape.columns)

    def blocks(self, tally: Tally) -> Iterator[Block]:
        """Read the file from its beginning.

        Raises
        ------
        FileTrouble
            With the line, when a row cannot be read and `drop_bad` is false; when the file cannot be read.
        """
        try:
            with open(self.path, "rb") as raw:
                yield from _Reader(self, tally).run(raw)
        except OSError as error:
            raise FileTrouble(f"{self.path}: cannot be read ({error.strerror or error}).", "Check the name.") from error


def open_log(path: str | Path, columns: ColumnMap | None = None, *, drop_bad: bool = False) -> LogFile:
    """Find out how a log is laid out and what is in it.

    Parameters
    ----------
    path : str or Path
        CSV file.
    columns : ColumnMap, optional
        The logger's columns; without it the file must be in the plain format, or name its columns as that does.
    drop_bad : bool
        See `LogFile`.

    Raises
    ------
    FileTrouble
        When it is no table of numbers, or the time column is not in it.
    """
    plain_file(path)  # a log is read twice, from its beginning
    try:
        with open(path, "rb") as raw:
            head = raw.read(HEAD_BYTES)
    except OSError as error:
        raise FileTrouble(f"{path}: cannot be read ({error.strerror or error}).", "Check the name.") from error
    except ValueError as error:
        raise FileTrouble(f"{path!r}: is not a file name.", "Check the name.") from error
    shape = find_shape(head, str(path))
    found = LogFile(Path(path), shape, PLAIN if columns is None else columns, drop_bad)
    wanted = found.columns.columns["t_s"].name
    if "t_s" not in found.quantities:
        todo = "Say which columns are what: leanmix log map FILE --logger NAME" if columns is None else "Map it anew."
        raise FileTrouble(f"{path}: has no column {wanted!r}. It has: {', '.join(shape.columns)[:400]}.", todo)
    twice = [c for c in set(shape.columns) if shape.columns.count(c) > 1 and c in {x.name for x in _used(found)}]
    if twice:
        raise FileTrouble(f"{path}: the column {twice[0]!r} is there twice.", "Rename one of them in the header.")
    return found


def _used(log: LogFile) -> list[Column]:
    return [log.columns.columns[q] for q in log.quantities]


class _Reader:
    """One pass over a file."""

    def __init__(self, log: LogFile, tally: Tally) -> None:
        self.log, self.tally = log, tally
        self.index = [log.shape.columns.index(log.columns.columns[q].name) for q in log.quantities]
        self.scale = np.array([log.columns.scale(q) for q in log.quantities])
        self.width = len(log.shape.columns)
        self.restart = False

    def run(self, raw: IO[bytes]) -> Iterator[Block]:
        stream: IO[bytes] = raw
        if self.log.shape.encoding == "utf-16":
            stream = _Recoded(raw)  # type: ignore[assignment]
        elif self.log.shape.encoding == "utf-8-sig":
            raw.seek(3)
        line = 1
        while line < self.log.shape.first_line:
            if not stream.readline(LINE_BYTES_MAX):
                return
            line += 1
        rest = b""
        while True:
            data = stream.read(BLOCK_BYTES)
            rest += data
            cut = rest.rfind(b"\n") + 1 if data else len(rest)
            if not cut:
                if len(rest) > LINE_BYTES_MAX:
                    raise self._bad(line, "is longer than any row of a log")
                if not data:
                    return
                continue
            whole, rest = rest[:cut], rest[cut:]
            block = self._fast(whole, line) or self._slow(whole, line, last=not data)
            line += whole.count(b"\n")
            if block is not None:
                self.tally.rows += len(block.lines)
                yield block
            if not data:
                return

    def _fast(self, data: bytes, line: int) -> Block | None:
        """A block in one call, when every line of it is plain numbers."""
        shape = self.log.shape
        if not data.endswith(b"\n") or _NOT_PLAIN.search(data):
            return None
        separator = shape.separator.encode()
        if shape.decimal == ",":
            data = data.replace(b",", b".")
        gap = re.escape(separator)
        data = re.sub(rb"(?:(?<=" + gap + rb")|(?<=\n)|\A)(?=" + gap + rb"|\r?\n)", b"nan", data)
        rows = data.count(b"\n")
        # blank lines have become rows of one nan: they and any other odd row go the slow way
        if data.count(separator) != rows * (self.width - 1):
            return None
        try:
            found = np.loadtxt(io.BytesIO(data), delimiter=shape.separator, usecols=self.index, ndmin=2, comments=None)
        except ValueError:
            return None
        if len(found) != rows:
            return None
        return self._block(found, np.arange(line, line + rows), np.zeros(rows, dtype=bool))

    def _slow(self, data: bytes, line: int, *, last: bool) -> Block | None:
        shape = self.log.shape
        rows: list[list[float]] = []
        lines: list[int] = []
        restarts: list[bool] = []
        texts = data.decode("utf-8", "replace").split("\n")
        ended = texts[-1] == ""
        if ended:
            texts.pop()
        for offset, text in enumerate(texts):
            here = line + offset
            text = text.rstrip("\r")
            if not text.strip() or text.lstrip()[0] == "#":
                continue
            fields = self._split(text)
            if tuple(f.strip() for f in fields) == shape.columns:
                self.tally.repeated_headers += 1
                self.restart = True
                continue
            reason = self._wrong(fields)
            if reason:
                if last and not ended and offset == len(texts) - 1:
                    self.tally.cut_end = True  # the logger lost its power in the middle of a line
                    continue
                if not self.log.drop_bad:
                    raise self._bad(here, reason)
                self.tally.dropped += 1
                if len(self.tally.dropped_lines) < NAMED:
                    self.tally.dropped_lines.append((here, reason))
                continue
            rows.append([number(fields[i], shape.decimal) or 0.0 for i in self.index])
            lines.append(here)
            restarts.append(self.restart)
            self.restart = False
        if not rows:
            return None
        return self._block(np.array(rows), np.array(lines), np.array(restarts))

    def _split(self, text: str) -> list[str]:
        if len(text) > LINE_BYTES_MAX:
            return []
        if '"' not in text:
            return text.split(self.log.shape.separator)
        try:
            return next(csv.reader([text], delimiter=self.log.shape.separator), [])
        except csv.Error:
            return []

    def _wrong(self, fields: list[str]) -> str:
        if len(fields) != self.width:
            more = ""
            if self.log.shape.separator == "," and len(fields) > self.width:
                more = "; do commas stand for decimal points"
            return f"has {len(fields)} fields where there should be {self.width}{more}"
        for i in self.index:
            if number(fields[i], self.log.shape.decimal) is None:
                return f"{fields[i].strip()[:30]!r} in column {self.log.shape.columns[i]!r} is not a number"
        return ""

    def _bad(self, line: int, reason: str) -> FileTrouble:
        return FileTrouble(
            f"{self.log.path}, line {line}: {reason}.", "Mend the line, or add --drop-bad to leave such rows out."
        )

    def _block(self, found: Array, lines: NDArray[np.int64], restarts: NDArray[np.bool_]) -> Block:
        found = np.where(np.isfinite(found), found, np.nan) * self.scale
        if self.restart and len(restarts):
            restarts = restarts.copy()
            restarts[0] = True
            self.restart = False
        return Block({q: found[:, i] for i, q in enumerate(self.log.quantities)}, lines.astype(np.int64), restarts)


# what only the slow way understands: quotes, notes, times of day, letters other than an exponent's
_NOT_PLAIN = re.compile(rb'["#:_a-df-zA-DF-Z\x80-\xff]')


class _Recoded:
    """UTF-16 as UTF-8, read in pieces."""

    def __init__(self, raw: IO[bytes]) -> None:
        self._raw = raw
        self._decoder = codecs.getincrementaldecoder("utf-16")("replace")
        self._rest = b""

    def read(self, size: int) -> bytes:
        data = self._raw.read(size)
        out = self._rest + self._decoder.decode(data, final=not data).encode("utf-8", "replace")
        self._rest = b""
        return out

    def readline(self, size: int) -> bytes:
        while b"\n" not in self._rest and len(self._rest) < size:
            more = self._raw.read(4096)
            self._rest += self._decoder.decode(more, final=not more).encode("utf-8", "replace")
            if not more:
                break
        line, newline, rest = self._rest.partition(b"\n")
        self._rest = rest
        return line + newline
