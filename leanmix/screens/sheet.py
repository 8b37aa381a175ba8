"""The one kind of pane there is: it paints a grid, and the grid's inks take their looks from the style sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, cast

from rich.style import Style
from textual.geometry import Region, Size
from textual.strip import Strip
from textual.widget import Widget

from leanmix.screens.grid import INKS, Grid

if TYPE_CHECKING:
    from leanmix.screens.app import Screens

__all__ = ["Sheet"]


class Sheet(Widget):
    """A pane that is painted as a whole; subclasses give `paint`."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"ink-{name}" for name in INKS}

    _strips: list[Strip] | None = None
    _grid: Grid | None = None
    _styles_of_inks: tuple[Style, ...] | None = None
    # what was painted is out of date; changes are about to be shown; rows painted anew that the terminal has not got
    _outdated = True
    _showing = False
    _unshown: frozenset[int] = frozenset()

    @property
    def desk(self) -> Screens:
        """The application this pane belongs to."""
        return cast("Screens", self.app)

    def paint(self, grid: Grid) -> None:
        """Put this pane's content on an empty grid of its size."""
        raise TypeError(f"{type(self).__name__} does not say how it is painted")

    def repaint(self) -> None:
        """Have the pane painted again, if it can be seen; only rows that come out otherwise go to the terminal."""
        self._outdated = True
        if not (self.is_attached and self.display):
            return
        if self._strips is None:
            self.refresh()
        elif not self._showing:
            self._showing = self.call_later(self.catch_up)

    def catch_up(self) -> None:
        """Paint what is out of date now, and send the rows that changed."""
        self._showing = False
        if self._outdated:
            self._paint()
        due, self._unshown = self._unshown, frozenset()
        if due:
            self.refresh(*(Region(0, row, self.size.width, 1) for row in due))

    def painted(self) -> Grid:
        """The grid as it would be shown now."""
        if self._outdated or self._grid is None:
            self._paint()
        return self._grid if self._grid is not None else Grid(0, 0)

    def render_line(self, y: int) -> Strip:
        """One row for the terminal."""
        strips = self._strips
        if self._outdated or strips is None or self._size_of(self._grid) != self.size:
            strips = self._paint()
        return strips[y] if 0 <= y < len(strips) else Strip.blank(self.size.width)

    def notify_style_update(self) -> None:
        """A theme was changed."""
        super().notify_style_update()
        self._styles_of_inks = None
        self._grid, self._strips = None, None

    @staticmethod
    def _size_of(grid: Grid | None) -> Size | None:
        return None if grid is None else Size(grid.columns, grid.rows)

    def _paint(self) -> list[Strip]:
        grid = Grid(self.size.width, self.size.height)
        if grid.columns and grid.rows:
            self.paint(grid)
        if self._styles_of_inks is None:
            self._styles_of_inks = tuple(self.get_component_rich_style(f"ink-{name}") for name in INKS)
        kept: dict[int, Strip] = {}
        before, shown = self._grid, self._strips
        if before is not None and shown is not None and self._size_of(before) == self._size_of(grid):
            kept = {row: shown[row] for row in grid.rows_like(before)}
            self._unshown |= frozenset(range(grid.rows)) - kept.keys()
        self._grid, self._outdated = grid, False
        self._strips = grid.strips(self._styles_of_inks, kept)
        return self._strips
