"""A raster of braille dots for the terminal: two dots across and four down in each character cell, each cell in one ink.

Dot coordinates run to the right and down from the upper left dot's centre; a dot is about as wide as it is high in
most terminals. Strokes are drawn all in one go: a picture of some hundred lines costs a few calls into numpy.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["BLANK", "Raster"]

BLANK = 0x2800

# Unicode braille patterns: bit of the dot in row r, column c of a cell
_BITS = np.array([[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]], dtype=np.uint32)


class Raster:
    """Dots and inks of a rectangle of character cells.

    Parameters
    ----------
    columns, rows : int
        Size in cells, each at least 1.

    Attributes
    ----------
    dots : ndarray of bool, shape (4 rows, 2 columns)
    ink : ndarray of uint8, shape (rows, columns)
        Ink of each cell; a later stroke's ink covers an earlier one's.
    """

    def __init__(self, columns: int, rows: int) -> None:
        self.columns, self.rows = columns, rows
        self.dots: NDArray[np.bool_] = np.zeros((4 * rows, 2 * columns), dtype=np.bool_)
        self.ink: NDArray[np.uint8] = np.zeros((rows, columns), dtype=np.uint8)

    def points(self, x: ArrayLike, y: ArrayLike, ink: ArrayLike = 0) -> None:
        """Set single dots; what lies outside or is not finite is left out.

        Parameters
        ----------
        x, y : array_like, shape (n,)
            Dots to the right and down.
        ink : int or array_like, shape (n,)
            Ink of their cells.
        """
        right, down = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
        inside = (right > -0.5) & (right < 2 * self.columns - 0.5) & (down > -0.5) & (down < 4 * self.rows - 0.5)
        col, row = np.rint(right[inside]).astype(np.intp), np.rint(down[inside]).astype(np.intp)
        self.dots[row, col] = True
        inks = np.asarray(ink, dtype=np.uint8)
        self.ink[row // 4, col // 2] = inks if inks.ndim == 0 else inks[inside]

    def strokes(self, start: ArrayLike, end: ArrayLike, ink: ArrayLike = 0, *, every: int = 1) -> None:
        """Draw straight strokes.

        Parameters
        ----------
        start, end : array_like, shape (n, 2)
            Ends as (right, down) in dots; a stroke with an end that is not finite is left out.
        ink : int or array_like, shape (n,)
            Ink of each stroke.
        every : int
            Set only every so many dots: 2 or more gives dotted strokes.
        """
        a, b = np.asarray(start, dtype=np.float64).reshape(-1, 2), np.asarray(end, dtype=np.float64).reshape(-1, 2)
        kept = np.isfinite(a).all(axis=1) & np.isfinite(b).all(axis=1)
        inks = np.broadcast_to(np.asarray(ink, dtype=np.uint8), (len(a),))[kept]
        a, b = a[kept], b[kept]
        if not len(a):
            return
        a, b, inks = _near(a, b, inks, 2.0 * self.columns, 4.0 * self.rows)
        if not len(a):
            return
        counts = np.ceil(np.abs(b - a).max(axis=1) / every).astype(np.intp) + 1
        which = np.repeat(np.arange(len(a)), counts)
        first = np.cumsum(counts) - counts
        share = (np.arange(len(which)) - first[which]) / np.maximum(counts[which] - 1, 1)
        dots = a[which] + share[:, None] * (b - a)[which]
        self.points(dots[:, 0], dots[:, 1], inks[which])

    def path(self, x: ArrayLike, y: ArrayLike, ink: int = 0, *, every: int = 1) -> None:
        """Join points by strokes; a point that is not finite breaks the line."""
        dots = np.column_stack([np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)])
        self.strokes(dots[:-1], dots[1:], ink, every=every)

    def codes(self) -> NDArray[np.uint32]:
        """Code point of each cell, shape (rows, columns); 0 where no dot is set."""
        cells = self.dots.reshape(self.rows, 4, self.columns, 2)
        bits = (cells * _BITS[None, :, None, :]).sum(axis=(1, 3), dtype=np.uint32)
        return np.where(bits != 0, bits + np.uint32(BLANK), np.uint32(0))

    def lines(self) -> list[str]:
        """The picture as plain text, one string a row."""
        codes = np.where(self.codes() != 0, self.codes(), np.uint32(ord(" ")))
        return [row.astype("<u4").tobytes().decode("utf-32-le") for row in codes]


def _near(
    a: NDArray[np.float64], b: NDArray[np.float64], ink: NDArray[np.uint8], width: float, height: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.uint8]]:
    """Strokes cut to the neighbourhood of the picture, so that one far away costs no dots."""
    way = b - a
    enter, leave = np.zeros(len(a)), np.ones(len(a))
    for axis, size in ((0, width), (1, height)):
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            t = np.stack([(-1 - a[:, axis]) / way[:, axis], (size + 1 - a[:, axis]) / way[:, axis]])
        flat = way[:, axis] == 0
        outside = flat & ((a[:, axis] < -1) | (a[:, axis] > size + 1))
        enter = np.where(flat, enter, np.maximum(enter, t.min(axis=0)))
        leave = np.where(outside, -1.0, np.where(flat, leave, np.minimum(leave, t.max(axis=0))))
    kept = enter <= leave
    return (a + enter[:, None] * way)[kept], (a + leave[:, None] * way)[kept], ink[kept]
