"""A rectangle of characters, each with an ink: what every pane is painted on before the terminal sees it.

Painting into arrays and cutting each row into runs of one ink at the end keeps a whole screen within milliseconds,
and gives tests and saved pictures the same content that the terminal gets.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from rich.cells import cell_len
from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip

from leanmix.drawing import Raster

__all__ = ["INKS", "Grid", "ink"]

INKS = (
    "plain",  # ordinary words
    "faint",  # units, axes, what matters less
    "strong",  # figures
    "head",  # headings
    "now",  # the present position
    "metal",  # chassis and what is fixed to it
    "moving",  # arm, links, mounts
    "spring",  # shocks and suspension arms
    "ground",  # the board the machine stands on
    "good",
    "warn",
    "bad",
    "chosen",  # the row that keys act on
    "keycap",  # a key's name
    "ghost",  # what is out of date or belongs to another file
    "other",  # the file compared with
    "strip",  # the bars at top and bottom
    "stripmark",  # what is chosen in them
)
_NUMBER = {name: i for i, name in enumerate(INKS)}

# the second half of a character two cells wide
_FILLER = 0
_SPACE = 32


def ink(name: str) -> int:
    """Number of an ink by its name."""
    return _NUMBER[name]


def _codes(text: str) -> NDArray[np.uint32]:
    raw = np.frombuffer(text.encode("utf-32-le", "replace"), dtype="<u4").astype(np.uint32)
    raw = np.where((raw < 32) | ((raw >= 0x7F) & (raw < 0xA0)), np.uint32(_SPACE), raw)
    if text.isascii() or cell_len(text) == len(raw):
        return raw
    wide: list[int] = []
    for code in raw.tolist():
        cells = cell_len(chr(code))
        wide += [code, _FILLER] if cells == 2 else [code] if cells == 1 else []
    return np.array(wide, dtype=np.uint32)


class Grid:
    """Characters and inks of `rows` × `columns` cells; what is put outside is cut off.

    Parameters
    ----------
    columns, rows : int
        Size, each at least 0.
    """

    def __init__(self, columns: int, rows: int) -> None:
        self.columns, self.rows = max(0, columns), max(0, rows)
        self._code: NDArray[np.uint32] = np.full((self.rows, self.columns), _SPACE, dtype=np.uint32)
        self._ink: NDArray[np.uint8] = np.zeros((self.rows, self.columns), dtype=np.uint8)

    def put(self, row: int, column: int, text: str, name: str = "plain", width: int | None = None) -> int:
        """Write text from a cell on; within `width` it is cut with an ellipsis. Returns the column after it."""
        codes = _codes(text)
        if width is not None and len(codes) > width:
            codes = codes[: max(0, width)].copy()
            if width > 0:
                codes[-1] = ord("…")
        end = column + len(codes)
        first, last = max(column, 0), min(end, self.columns)
        if 0 <= row < self.rows and first < last:
            self._code[row, first:last] = codes[first - column : last - column]
            self._ink[row, first:last] = _NUMBER[name]
        return end

    def put_right(self, row: int, end: int, text: str, name: str = "plain") -> int:
        """Write text that ends just before column `end`; returns the column it begins at."""
        begin = end - len(_codes(text))
        self.put(row, begin, text, name)
        return begin

    def put_words(self, row: int, column: int, text: str, name: str = "plain", *, width: int, rows: int = 99) -> int:
        """Write text broken at spaces over at most so many rows; returns the row after it."""
        if width <= 0 or rows <= 0:
            return row
        lines = _wrapped(text, width)
        for i, line in enumerate(lines[:rows]):
            cut = i == rows - 1 and len(lines) > rows
            self.put(row + i, column, f"{line[: width - 1]}…" if cut else line, name, width)
        return row + min(len(lines), rows)

    def dye(self, row: int, column: int, width: int, name: str) -> None:
        """Change the ink of cells already written."""
        if 0 <= row < self.rows:
            self._ink[row, max(0, column) : max(0, column + width)] = _NUMBER[name]

    def fill(self, row: int, column: int, width: int, character: str = " ", name: str = "plain") -> None:
        """Fill part of a row with one character."""
        self.put(row, column, character * max(0, width), name)

    def dye_all(self, name: str) -> None:
        """Change the ink of everything."""
        self._ink[:] = _NUMBER[name]

    def blit(self, raster: Raster, row: int, column: int) -> None:
        """Lay a raster's dots over the cells; a cell without a dot stays as it is."""
        codes = raster.codes()
        top, left = max(row, 0), max(column, 0)
        bottom, right = min(row + raster.rows, self.rows), min(column + raster.columns, self.columns)
        if top >= bottom or left >= right:
            return
        part = (slice(top - row, bottom - row), slice(left - column, right - column))
        set_here = codes[part] != 0
        self._code[top:bottom, left:right][set_here] = codes[part][set_here]
        self._ink[top:bottom, left:right][set_here] = raster.ink[part][set_here]

    def paste(self, other: Grid, row: int, column: int) -> None:
        """Lay another grid over this one, blanks and all."""
        bottom, right = min(row + other.rows, self.rows), min(column + other.columns, self.columns)
        if row < 0 or column < 0 or row >= bottom or column >= right:
            return
        self._code[row:bottom, column:right] = other._code[: bottom - row, : right - column]
        self._ink[row:bottom, column:right] = other._ink[: bottom - row, : right - column]

    def row_text(self, row: int) -> str:
        """One row as text."""
        self._mend(row)
        return _text(self._code[row])

    def text(self) -> str:
        """All rows as text, blanks at their ends cut off."""
        return "\n".join(self.row_text(r).rstrip() for r in range(self.rows))

    def runs(self, row: int) -> list[tuple[str, str]]:
        """One row as (text, ink name) runs."""
        return [(_text(self._code[row, a:b]), INKS[i]) for a, b, i in self._cuts(row)]

    def rows_like(self, other: Grid) -> list[int]:
        """Rows that hold the same as those of another grid of this size."""
        unlike = (self._code != other._code).any(axis=1) | (self._ink != other._ink).any(axis=1)
        return np.flatnonzero(~unlike).tolist()

    def strips(self, styles: Sequence[Style], kept: Mapping[int, Strip] | None = None) -> list[Strip]:
        """Rows for the terminal, with a style for each ink; those in `kept` are taken from there."""
        out = []
        for row in range(self.rows):
            if kept and row in kept:
                out.append(kept[row])
                continue
            segments = [Segment(_text(self._code[row, a:b]), styles[i]) for a, b, i in self._cuts(row)]
            out.append(Strip(segments, self.columns))
        return out

    def _cuts(self, row: int) -> list[tuple[int, int, int]]:
        if not self.columns:
            return []
        self._mend(row)
        inks = self._ink[row]
        edges = [0, *(np.flatnonzero(inks[1:] != inks[:-1]) + 1).tolist(), self.columns]
        return [(a, b, int(inks[a])) for a, b in pairwise(edges)]

    def _mend(self, row: int) -> None:
        # half of a wide character may have been written over: then the other half must go too
        codes = self._code[row]
        if codes.max(initial=0) < 0x1100 and codes.min(initial=_SPACE) > 0:
            return
        fillers = codes == _FILLER
        if not fillers.any() and all(cell_len(chr(c)) == 1 for c in set(codes.tolist())):
            return
        for column in range(self.columns):
            code = int(codes[column])
            if code == _FILLER:
                before = int(codes[column - 1]) if column else _SPACE
                if cell_len(chr(before)) != 2:
                    codes[column] = _SPACE
            elif cell_len(chr(code)) == 2 and (column + 1 >= self.columns or codes[column + 1] != _FILLER):
                codes[column] = ord("?")
            if code != _FILLER and cell_len(chr(code)) == 2 and codes[column] == code:
                self._ink[row, column + 1] = self._ink[row, column]


def _text(codes: NDArray[np.uint32]) -> str:
    text = codes.astype("<u4").tobytes().decode("utf-32-le", "replace")
    return text.replace("\0", "") if "\0" in text else text


def _wrapped(text: str, width: int) -> list[str]:
    lines: list[str] = []
    for paragraph in text.split("\n"):
        line = ""
        for word in paragraph.split():
            while cell_len(word) > width:
                if line:
                    lines.append(line)
                    line = ""
                lines.append(word[:width])
                word = word[width:]
            if line and cell_len(line) + 1 + cell_len(word) > width:
                lines.append(line)
                line = word
            else:
                line = f"{line} {word}" if line else word
        lines.append(line)
    return lines
