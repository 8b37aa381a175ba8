"""Lines over axes in the terminal: told apart by how they are dotted and by their names, not by colour alone.

Charts over steer or throw have left on the left, as the machine and the steering bar have.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from leanmix.drawing import Raster, nice_ticks
from leanmix.screens.grid import Grid, ink
from leanmix.words import trimmed

__all__ = ["Level", "Trace", "Where", "bar", "chart"]

Array = NDArray[np.float64]

_SAMPLES = {1: "──", 2: "╌╌", 3: "··", 4: "┄┄"}


@dataclass(frozen=True, slots=True)
class Trace:
    """One line.

    Attributes
    ----------
    label : str
    xs, ys : array_like
        Points; NaN breaks the line.
    ink : str
    every : int
        1 a full line; 2, 3, 4 ever wider dotted.
    """

    label: str
    xs: ArrayLike
    ys: ArrayLike
    ink: str = "strong"
    every: int = 1


@dataclass(frozen=True, slots=True)
class Level:
    """A value marked across the chart (or, upright, at an x), with its word."""

    value: float
    word: str
    ink: str = "warn"
    upright: bool = False


@dataclass(frozen=True, slots=True)
class Where:
    """Where a chart's plane came to lie: for the mouse, and for marks put on it."""

    row: int
    column: int
    columns: int
    rows: int
    x_low: float
    x_high: float
    y_low: float
    y_high: float
    turned: bool

    def cell(self, x: float, y: float) -> tuple[int, int]:
        """Row and column of a point."""
        across, up = self._share(x, y)
        return (
            self.row + round((1 - up) * (self.rows - 1)),
            self.column + round(across * (self.columns - 1)),
        )

    def dots(self, x: ArrayLike, y: ArrayLike) -> tuple[Array, Array]:
        """Dots of points within the plane."""
        across = (np.asarray(x, dtype=np.float64) - self.x_low) / (self.x_high - self.x_low)
        up = (np.asarray(y, dtype=np.float64) - self.y_low) / (self.y_high - self.y_low)
        across = 1 - across if self.turned else across
        return across * (2 * self.columns - 1), (1 - up) * (4 * self.rows - 1)

    def point(self, row: int, column: int) -> tuple[float, float]:
        """The point under a cell's middle."""
        across = (column - self.column) / max(self.columns - 1, 1)
        across = 1 - across if self.turned else across
        up = 1 - (row - self.row) / max(self.rows - 1, 1)
        return self.x_low + across * (self.x_high - self.x_low), self.y_low + up * (self.y_high - self.y_low)

    def inside(self, row: int, column: int) -> bool:
        """Whether a cell lies in the plane."""
        return self.row <= row < self.row + self.rows and self.column <= column < self.column + self.columns

    def _share(self, x: float, y: float) -> tuple[float, float]:
        across = (x - self.x_low) / (self.x_high - self.x_low)
        return (1 - across if self.turned else across), (y - self.y_low) / (self.y_high - self.y_low)


def chart(
    grid: Grid,
    row: int,
    column: int,
    columns: int,
    rows: int,
    traces: Sequence[Trace],
    *,
    x_title: str,
    y_title: str,
    levels: Sequence[Level] = (),
    here: float | None = None,
    turned: bool = False,
    y_range: tuple[float, float] | None = None,
    x_range: tuple[float, float] | None = None,
    x_words: tuple[str, str] | None = None,
    x_ways: bool = False,
    y_ways: bool = False,
    legend_room: int = 0,
) -> Where | None:
    """Paint a chart into a rectangle of cells.

    Parameters
    ----------
    grid, row, column, columns, rows
        Where.
    traces : sequence of Trace
        Lines; the first carries the mark of the present position.
    x_title, y_title : str
        What the axes count, with unit.
    levels : sequence of Level
        Marked values.
    here : float, optional
        Present x, marked by an upright line.
    turned : bool
        x grows to the left.
    y_range, x_range : tuple of float, optional
        At least so much is shown.
    x_words : tuple of str, optional
        Words at the left and right end instead of figures.
    x_ways, y_ways : bool
        Whether that axis counts to the left (+) and right: figures then say which.
    legend_room : int
        Columns to leave free at the end of the first row.

    Returns
    -------
    Where or None
        None where there is no room or nothing to show.
    """
    xs, ys = _bounds(traces, levels, x_range, y_range)
    if rows < 5 or columns < 18 or xs is None or ys is None:
        grid.put_words(row, column, "No room for the chart here." if xs else "Nothing to show.", "faint", width=columns)
        return None
    ticks = nice_ticks(ys[0], ys[1], max(2, (rows - 3) // 3))
    labels = [_label(t, y_ways) for t in ticks]
    edge = max(map(len, labels))
    plane = Where(
        row + 1, column + edge + 1, columns - edge - 1, rows - 3, xs[0], xs[1], min(ys[0], ticks[0]), ticks[-1], turned
    )
    _legend(grid, row, column, columns - legend_room, y_title, traces)
    for tick, label in zip(ticks, labels, strict=True):
        at = plane.cell(xs[0], tick)[0]
        grid.put_right(at, column + edge, label, "faint")
    _foot(grid, plane, x_title, x_words, x_ways)
    raster = Raster(plane.columns, plane.rows)
    _axes(raster, plane, ticks)
    for level in levels:
        _level(raster, plane, level)
    for t in traces:
        raster.path(*plane.dots(t.xs, t.ys), ink(t.ink), every=t.every)
    grid.blit(raster, plane.row, plane.column)
    for level in levels:
        _word(grid, plane, level)
    if here is not None and min(xs) <= here <= max(xs):
        _here(grid, plane, traces, here)
    return plane


def _bounds(
    traces: Sequence[Trace],
    levels: Sequence[Level],
    x_range: tuple[float, float] | None,
    y_range: tuple[float, float] | None,
) -> tuple[tuple[float, float] | None, tuple[float, float] | None]:
    xs = np.concatenate([np.asarray(t.xs, dtype=np.float64) for t in traces] + [np.array(x_range or ())])
    across = [lv.value for lv in levels if not lv.upright]
    ys = np.concatenate([np.asarray(t.ys, dtype=np.float64) for t in traces] + [np.array([*(y_range or ()), *across])])
    xs, ys = xs[np.isfinite(xs)], ys[np.isfinite(ys)]
    if not len(xs) or not len(ys) or xs.min() == xs.max():
        return None, None
    low, high = float(ys.min()), float(ys.max())
    if high - low < 1e-9:
        low, high = low - 0.5, high + 0.5
    return (float(xs.min()), float(xs.max())), (low, high)


def _legend(grid: Grid, row: int, column: int, columns: int, title: str, traces: Sequence[Trace]) -> None:
    at = grid.put(row, column, title, "faint", columns) + 2
    named = [t for t in traces if t.label]
    for t in named:
        if at + len(t.label) + 3 > column + columns:
            break
        at = grid.put(row, at, f"{_SAMPLES.get(t.every, '──')} {t.label}", t.ink) + 2


def _label(value: float, ways: bool) -> str:
    if not ways or value == 0:
        return trimmed(value)
    return f"{trimmed(abs(value))} {'left' if value > 0 else 'right'}"


def _foot(grid: Grid, plane: Where, title: str, words: tuple[str, str] | None, ways: bool) -> None:
    foot = plane.row + plane.rows
    end = plane.column + plane.columns
    if words is not None:
        grid.put(foot, plane.column, words[0], "faint")
        grid.put_right(foot, end, words[1], "faint")
        grid.put(foot, plane.column + max(0, (plane.columns - len(title)) // 2), title, "faint")
        return
    last = -99
    for tick in nice_ticks(plane.x_low, plane.x_high, max(2, plane.columns // 12)):
        label = _label(tick, ways)
        at = plane.cell(tick, plane.y_low)[1] - len(label) // 2
        inside = plane.x_low - 1e-9 <= tick <= plane.x_high + 1e-9
        at = min(max(at, plane.column), end - len(label))
        if inside and (last < 0 or abs(at - last) > len(label) + 1):
            grid.put(foot, at, label, "faint")
            last = at
    grid.put(foot + 1, plane.column + max(0, (plane.columns - len(title)) // 2), title, "faint", plane.columns)


def _axes(raster: Raster, plane: Where, ticks: Sequence[float]) -> None:
    across, down = 2.0 * raster.columns - 1, 4.0 * raster.rows - 1
    raster.strokes([[0.0, 0.0], [0.0, down]], [[0.0, down], [across, down]], ink("ground"))
    inner = [t for t in ticks if plane.y_low < t < plane.y_high]
    if inner:
        _, y = plane.dots([plane.x_low] * len(inner), inner)
        raster.strokes(
            np.column_stack([np.zeros(len(inner)), y]), np.column_stack([np.full(len(inner), across), y]),
            ink("ground"), every=8,
        )  # fmt: skip


def _level(raster: Raster, plane: Where, level: Level) -> None:
    if level.upright:
        x, _ = plane.dots([level.value], [plane.y_low])
        at = float(x[0])
        raster.strokes([[at, 0.0]], [[at, 4.0 * raster.rows - 1]], ink(level.ink), every=2)
    else:
        _, y = plane.dots([plane.x_low], [level.value])
        up = float(y[0])
        raster.strokes([[0.0, up]], [[2.0 * raster.columns - 1, up]], ink(level.ink), every=2)


def _word(grid: Grid, plane: Where, level: Level) -> None:
    if not level.word:
        return
    if level.upright:
        _, at = plane.cell(level.value, plane.y_low)
        room = plane.column + plane.columns - at - 1
        if room >= len(level.word):
            grid.put(plane.row, at + 1, level.word, level.ink)
        else:
            grid.put_right(plane.row, at, level.word, level.ink)
    else:
        at, _ = plane.cell(plane.x_low, level.value)
        grid.put_right(max(plane.row, at - 1), plane.column + plane.columns, level.word, level.ink)


def _here(grid: Grid, plane: Where, traces: Sequence[Trace], here: float) -> None:
    _, at = plane.cell(here, plane.y_low)
    for r in range(plane.row, plane.row + plane.rows):
        if grid.row_text(r)[at : at + 1] == " ":
            grid.put(r, at, "│", "now")
    for t in reversed(traces):
        x, y = np.asarray(t.xs, dtype=np.float64), np.asarray(t.ys, dtype=np.float64)
        kept = np.isfinite(x) & np.isfinite(y)
        order = np.argsort(x[kept])
        if not kept.any() or not x[kept].min() - 1e-9 <= here <= x[kept].max() + 1e-9:
            continue
        value = float(np.interp(here, x[kept][order], y[kept][order]))
        if plane.y_low <= value <= plane.y_high:
            grid.put(plane.cell(here, value)[0], at, "●" if t is traces[0] else "○", "now")


def bar(grid: Grid, row: int, column: int, columns: int, share: float, name: str) -> None:
    """A level bar; its length is the share of the room, with a mark where it runs over."""
    if columns <= 0:
        return
    full = min(max(share if np.isfinite(share) else 0.0, 0.0), 1.0) * columns
    whole = int(full)
    rest = " ▏▎▍▌▋▊▉"[int((full - whole) * 8)] if whole < columns else ""
    grid.fill(row, column, columns, "·", "ground")
    grid.put(row, column, "█" * whole + rest.strip(), name)
    if share > 1:
        grid.put(row, column + columns - 1, "▸", "bad")
