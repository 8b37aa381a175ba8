"""Line pictures in mm that go to the terminal as braille and to a file as SVG or PNG: drawn once, shown anywhere.

x runs to the right, y up. Strokes are collected and turned into dots all in one go.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leanmix.drawing import Drawing, Line, Pen, Raster, Shape, Text
from leanmix.screens.grid import Grid, ink

__all__ = ["Mark", "Sketch", "Window", "outline"]

Array = NDArray[np.float64]

_PENS = {
    "faint": Pen(0.12, 0.55), "ghost": Pen(0.15, 0.65, (0.8, 0.6)), "ground": Pen(0.35, 0.3), "metal": Pen(0.18, 0.35),
    "moving": Pen(0.4, 0.0), "spring": Pen(0.25, 0.15), "now": Pen(0.45, 0.0), "bad": Pen(0.6, 0.0),
    "other": Pen(0.25, 0.4, (1.6, 0.8)),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Window:
    """The part of the plane that is shown [mm]."""

    left: float
    right: float
    bottom: float
    top: float

    def per_dot(self, columns: int, rows: int) -> float:
        """Millimetres a dot so that all of it fits into so many cells, both ways alike."""
        return max((self.right - self.left) / max(2 * columns - 1, 1), (self.top - self.bottom) / max(4 * rows - 1, 1))


@dataclass(frozen=True, slots=True)
class Mark:
    """A character and perhaps a word beside it, at a point."""

    x: float
    y: float
    text: str
    ink: str
    word: str = ""


@dataclass(slots=True)
class Sketch:
    """Strokes and marks; later ones lie over earlier ones."""

    marks: list[Mark] = field(default_factory=list)
    _starts: list[Array] = field(default_factory=list)
    _ends: list[Array] = field(default_factory=list)
    _inks: list[str] = field(default_factory=list)

    def line(self, a: tuple[float, float], b: tuple[float, float], name: str) -> None:
        """One straight stroke."""
        self._add(np.array([a], dtype=np.float64), np.array([b], dtype=np.float64), name)

    def path(self, points: ArrayLike, name: str, *, closed: bool = False) -> None:
        """Points joined by strokes, shape (n, 2)."""
        p = np.asarray(points, dtype=np.float64)
        if closed:
            self._add(p, np.roll(p, -1, axis=0), name)
        else:
            self._add(p[:-1], p[1:], name)

    def circle(self, centre: tuple[float, float], radius: float, name: str) -> None:
        """A circle."""
        t = np.linspace(0, 2 * np.pi, 25)[:-1]
        self.path(np.column_stack([centre[0] + radius * np.cos(t), centre[1] + radius * np.sin(t)]), name, closed=True)

    def coil(self, a: tuple[float, float], b: tuple[float, float], width: float, name: str, turns: int = 6) -> None:
        """A spring between two points, as a zigzag."""
        start, end = np.array(a), np.array(b)
        way = end - start
        length = float(np.hypot(*way))
        if not length > 0:
            return
        across = np.array([-way[1], way[0]]) / length * width / 2
        steps = np.linspace(0.15, 0.85, 2 * turns)
        zigzag = [start + s * way + (across if i % 2 else -across) for i, s in enumerate(steps)]
        self.path(np.array([start, start + 0.12 * way, *zigzag, start + 0.88 * way, end]), name)

    def mark(self, x: float, y: float, text: str, name: str, word: str = "") -> None:
        """A character at a point."""
        if np.isfinite(x) and np.isfinite(y):
            self.marks.append(Mark(x, y, text, name, word))

    def under(self, other: Sketch) -> None:
        """Lay another sketch's strokes and marks over this one's."""
        self._starts += other._starts
        self._ends += other._ends
        self._inks += other._inks
        self.marks += other.marks

    def in_one_ink(self, name: str) -> Sketch:
        """The same strokes in one ink, without marks."""
        return Sketch([], list(self._starts), list(self._ends), [name] * len(self._inks))

    def _add(self, starts: Array, ends: Array, name: str) -> None:
        if len(starts):
            self._starts.append(starts)
            self._ends.append(ends)
            self._inks.append(name)

    # --- out --------------------------------------------------------------------------------------

    def onto(self, grid: Grid, row: int, column: int, columns: int, rows: int, window: Window) -> float:
        """Paint into a rectangle of cells; returns how many mm a dot is."""
        if columns < 2 or rows < 2:
            return 0.0
        raster = Raster(columns, rows)
        scale = window.per_dot(columns, rows)
        middle = (window.left + window.right) / 2
        spare = (4 * rows - 1) - (window.top - window.bottom) / scale

        def dots(p: Array) -> Array:
            return np.column_stack(
                [(p[:, 0] - middle) / scale + (2 * columns - 1) / 2, (window.top - p[:, 1]) / scale + spare / 2]
            )

        if self._starts:
            inks = np.repeat([ink(name) for name in self._inks], [len(s) for s in self._starts])
            raster.strokes(dots(np.concatenate(self._starts)), dots(np.concatenate(self._ends)), inks)
        grid.blit(raster, row, column)
        for m in self.marks:
            x, y = dots(np.array([[m.x, m.y]]))[0]
            at_row, at_column = row + int(np.floor((y + 0.5) / 4)), column + int(np.floor((x + 0.5) / 2))
            if row <= at_row < row + rows and column <= at_column < column + columns:
                grid.put(at_row, at_column, m.text, m.ink)
                if m.word:
                    _beside(grid, at_row, at_column, m, column, column + columns)
        return scale

    def drawing(self, window: Window, width_mm: float, title: str) -> Drawing:
        """The same as a drawing on paper of a width [mm], to scale."""
        scale = width_mm / (window.right - window.left)
        height = (window.top - window.bottom) * scale

        def there(x: float, y: float) -> tuple[float, float]:
            return (x - window.left) * scale, (y - window.bottom) * scale

        shapes: list[Shape] = []
        for starts, ends, name in zip(self._starts, self._ends, self._inks, strict=True):
            for a, b in zip(starts, ends, strict=True):
                if np.isfinite(a).all() and np.isfinite(b).all():
                    shapes.append(Line(there(*a), there(*b), _PENS.get(name, Pen()), layer=name))
        for m in self.marks:
            text = f"{m.text} {m.word}".strip()
            shapes.append(Text(there(m.x, m.y), text, size_mm=2.6, bold=m.ink in ("bad", "now"), layer="marks"))
        return Drawing(width_mm, height, tuple(shapes), title)


def _beside(grid: Grid, row: int, column: int, mark: Mark, first: int, last: int) -> None:
    if column + 2 + len(mark.word) <= last:
        grid.put(row, column + len(mark.text) + 1, mark.word, mark.ink)
    else:
        grid.put_right(row, max(column - 1, first + len(mark.word)), mark.word, mark.ink)


def outline(corners: Sequence[tuple[float, float]] | Array, radius: float) -> Array:
    """Outline of a rounded shape: a circle about one point, a capsule about two, a rounded polygon about more.

    Parameters
    ----------
    corners : array_like, shape (n, 2)
        Corners in order [mm].
    radius : float
        Rounding about them [mm].

    Returns
    -------
    ndarray, shape (m, 2)
        Closed outline, last point not repeated.
    """
    p = np.asarray(corners, dtype=np.float64)
    if len(p) == 1:
        t = np.linspace(0, 2 * np.pi, 17)[:-1]
        return np.asarray(p[0] + radius * np.column_stack([np.cos(t), np.sin(t)]))
    if radius <= 0:
        return p
    area = np.sum(p[:, 0] * np.roll(p[:, 1], -1) - p[:, 1] * np.roll(p[:, 0], -1))
    if area < 0:
        p = p[::-1]
    way = np.roll(p, -1, axis=0) - p
    out_angle = np.arctan2(-way[:, 0], way[:, 1])
    pieces = []
    for i in range(len(p)):
        a, b = out_angle[i - 1], out_angle[i]
        turn = (b - a) % (2 * np.pi)
        if turn > np.pi + 1e-9:  # an inward corner: no arc
            turn = 0.0
        t = a + np.linspace(0, turn, max(2, int(np.ceil(turn / 0.5)) + 1))
        pieces.append(p[i] + radius * np.column_stack([np.cos(t), np.sin(t)]))
    return np.concatenate(pieces)
