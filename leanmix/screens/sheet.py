"""The one kind of pane there is: it paints a grid, and the grid's inks take their looks from the style sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar, cast

from rich.style import Style
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

    @property
    def desk(self) -> Screens:
        """The application this pane belongs to."""
        return cast("Screens", self.app)

    def paint(self, grid: Grid) -> None:
        """Put this pane's content on an empty grid of its size."""
        raise TypeError(f"{type(self).__name__} does not say how it is painted")

    def repaint(self) -> None:
        """Have the pane painted again, if it can be seen."""
        self._strips = None
        if self.is_attached and self.display:
            self.refresh()

    def painted(self) -> Grid:
        """The grid as it would be shown now."""
        if self._strips is None or self._grid is None:
            self._paint()
        return self._grid if self._grid is not None else Grid(0, 0)

    def render_line(self, y: int) -> Strip:
        """One row for the terminal."""
        strips = self._strips
        if strips is None or len(strips) != self.size.height or (strips and strips[0].cell_length != self.size.width):
            strips = self._paint()
        return strips[y] if 0 <= y < len(strips) else Strip.blank(self.size.width)

    def notify_style_update(self) -> None:
        """A theme was changed."""
        super().notify_style_update()
        self._styles_of_inks = None
        self._strips = None

    def _paint(self) -> list[Strip]:
        grid = Grid(self.size.width, self.size.height)
        if grid.columns and grid.rows:
            self.paint(grid)
        if self._styles_of_inks is None:
            self._styles_of_inks = tuple(self.get_component_rich_style(f"ink-{name}") for name in INKS)
        self._grid = grid
        self._strips = grid.strips(self._styles_of_inks)
        return self._strips
