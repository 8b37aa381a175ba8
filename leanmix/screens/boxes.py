"""Boxes over the screen: choose from a list, type a line, read a text. Each hands its answer back and is gone."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from textual import events
from textual.app import ComposeResult
from textual.screen import ModalScreen

from leanmix.screens.grid import Grid
from leanmix.screens.line import TypedLine
from leanmix.screens.sheet import Sheet

__all__ = ["AskBox", "Asks", "Box", "ListBox", "Row", "TextBox", "ask_in_turn"]

WIDTH = 76


class Asks(Protocol):
    """Who shows boxes."""

    def ask(self, box: Box, then: Callable[[str | None], None] | None = None) -> None:
        """Show a box, and call `then` with its answer."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line to choose: what choosing it answers, its words, and a word at the right end."""

    answer: str
    text: str
    right: str = ""
    ink: str = "plain"


class BoxSheet(Sheet):
    """The face of a box."""

    def paint(self, grid: Grid) -> None:
        """Frame, title, and what the box paints."""
        box = self.screen
        if not isinstance(box, Box):
            return
        last = grid.columns - 1
        grid.put(0, 0, "╭" + "─" * (last - 1) + "╮", "faint")
        for row in range(1, grid.rows - 1):
            grid.put(row, 0, "│", "faint")
            grid.put(row, last, "│", "faint")
        grid.put(grid.rows - 1, 0, "╰" + "─" * (last - 1) + "╯", "faint")
        grid.put(0, 2, f" {box.caption} ", "head", last - 3)
        inner = Grid(grid.columns - 4, grid.rows - 2)
        box.paint(inner)
        grid.paste(inner, 1, 2)

    def on_unmount(self) -> None:
        """Let go of what was drawn."""
        self.refresh()

    async def on_click(self, event: events.Click) -> None:
        """Tell the box which row of its inside was clicked."""
        box = self.screen
        if isinstance(box, Box):
            box.clicked(event.y - 1)


class Box(ModalScreen[str | None]):
    """A box with a caption; Escape answers None."""

    def __init__(self, caption: str) -> None:
        super().__init__()
        self.caption = caption
        self._answered = False
        self.then: Callable[[str | None], None] | None = None

    def answer(self, value: str | None) -> None:
        """Be gone and hand the answer back, before another key is looked at; once, however many wait."""
        if not self._answered and self.is_current:
            self._answered = True
            self.app.pop_screen()
            if self.then is not None:
                self.then(value)

    def compose(self) -> ComposeResult:
        """The one sheet."""
        yield BoxSheet()

    def wanted(self, columns: int) -> int:
        """Rows wanted inside, for so many columns."""
        return 3

    def paint(self, grid: Grid) -> None:
        """Put the content on the grid inside the frame."""

    def clicked(self, row: int) -> None:
        """A row inside was clicked."""

    def on_mount(self) -> None:
        """Size the box."""
        self._fit()

    def on_unmount(self) -> None:
        """Let go of what was drawn: the library keeps a thousand widgets' drawings by a cache of their colours."""
        self.refresh()

    def on_resize(self) -> None:
        """Size the box anew."""
        self._fit()

    def refit(self) -> None:
        """Content has changed: size and paint anew, once there is something to paint."""
        if self.query(BoxSheet):
            self._fit()
            self.query_one(BoxSheet).repaint()

    def _fit(self) -> None:
        sheet = self.query_one(BoxSheet)
        columns = max(10, min(WIDTH, self.app.size.width - 2))
        rows = max(3, min(self.wanted(columns - 4) + 2, self.app.size.height - 2))
        sheet.styles.width, sheet.styles.height = columns, rows

    def take(self, event: events.Key) -> None:
        """Take a key: none reaches what lies under the box."""
        if self._answered:
            return
        if event.key == "escape":
            self.answer(None)
            return
        self.pressed(event)
        if not self._answered:
            self.refit()

    def pressed(self, event: events.Key) -> None:
        """Take a key other than Escape."""


class TextBox(Box):
    """Text to read, as (words, ink) paragraphs; arrows move it."""

    def __init__(self, caption: str, paragraphs: Sequence[tuple[str, str]]) -> None:
        super().__init__(caption)
        self._paragraphs = tuple(paragraphs)
        self._top = 0

    def _whole(self, columns: int) -> Grid:
        grid = Grid(columns, 40 + sum(2 + len(t) // max(columns - 10, 8) + t.count("\n") for t, _ in self._paragraphs))
        row = 0
        for text, name in self._paragraphs:
            key, tab, rest = text.partition("\t")
            if tab:
                grid.put(row, 0, key, "keycap", 17)
                row = grid.put_words(row, 18, rest, name, width=columns - 18)
            else:
                row = grid.put_words(row, 0, text, name, width=columns)
        self._rows = row
        return grid

    def wanted(self, columns: int) -> int:
        """All of it."""
        self._whole(columns)
        return self._rows + 1

    def paint(self, grid: Grid) -> None:
        """The part that is in view."""
        whole = self._whole(grid.columns)
        room = grid.rows - 1
        self._top = min(max(0, self._top), max(0, self._rows - room))
        for row in range(min(room, self._rows - self._top)):
            column = 0
            for text, name in whole.runs(self._top + row):
                column = grid.put(row, column, text, name)
        more = "↑↓ for the rest, " if self._rows > room else ""
        grid.put(grid.rows - 1, 0, f"{more}Esc closes", "faint")

    def pressed(self, event: events.Key) -> None:
        """Move, or close."""
        step = {"up": -1, "down": 1, "pageup": -12, "pagedown": 12, "home": -9999, "end": 9999}.get(event.key)
        if step is not None:
            self._top += step
        elif event.key in ("enter", "q", "question_mark", "f1", "space"):
            self.answer(None)


class ListBox(Box):
    """Rows to choose from; typing narrows them."""

    def __init__(self, caption: str, rows: Sequence[Row], says: str = "", start: str = "") -> None:
        super().__init__(caption)
        self._all = tuple(rows)
        self._says = says
        self._line = TypedLine()
        self._chosen = next((i for i, r in enumerate(self._all) if r.answer == start), 0)
        self._top = 0
        self._head = 1

    def _shown(self) -> list[Row]:
        words = self._line.text.lower().split()
        return [r for r in self._all if all(w in f"{r.text} {r.right}".lower() for w in words)]

    def wanted(self, columns: int) -> int:
        """A row each, and the line that narrows them."""
        return len(self._all) + 3 + (len(self._says) // max(columns, 1) + 1 if self._says else 0)

    def paint(self, grid: Grid) -> None:
        """Rows around the chosen one."""
        row = grid.put_words(0, 0, self._says, "plain", width=grid.columns, rows=grid.rows - 4) if self._says else 0
        self._head = row
        shown = self._shown()
        room = max(1, grid.rows - row - 2)
        self._chosen = min(max(self._chosen, 0), max(len(shown) - 1, 0))
        self._top = min(max(self._top, self._chosen - room + 1), self._chosen)
        for i, entry in enumerate(shown[self._top : self._top + room]):
            at = row + i
            room_right = len(entry.right) + 2 if entry.right else 0
            grid.put(at, 0, " " + entry.text, entry.ink, grid.columns - room_right)
            grid.put_right(at, grid.columns, entry.right, "faint")
            if self._top + i == self._chosen:
                grid.put(at, 0, "▸", entry.ink)
                grid.dye(at, 0, grid.columns, "chosen")
        if not shown:
            grid.put(row, 0, "Nothing holds those words.", "faint")
        at = grid.put(grid.rows - 1, 0, "narrow: ", "faint")
        self._line.paint(grid, grid.rows - 1, at, 20)
        grid.put_right(grid.rows - 1, grid.columns, "↑↓ choose  Enter does it  Esc closes", "faint")

    def clicked(self, row: int) -> None:
        """Choose the row clicked."""
        shown = self._shown()
        at = self._top + row - self._head
        if row >= self._head and 0 <= at < len(shown):
            self.answer(shown[at].answer)

    def pressed(self, event: events.Key) -> None:
        """Move, narrow, or choose."""
        step = {"up": -1, "down": 1, "pageup": -10, "pagedown": 10}.get(event.key)
        shown = self._shown()
        if step is not None:
            self._chosen = min(max(self._chosen + step, 0), max(len(shown) - 1, 0))
        elif event.key == "enter":
            if shown:
                self.answer(shown[min(self._chosen, len(shown) - 1)].answer)
        elif self._line.key(event):
            self._chosen = 0


class AskBox(Box):
    """A line to type; Enter answers it."""

    def __init__(self, caption: str, says: str, text: str = "") -> None:
        super().__init__(caption)
        self._says = says
        self._line = TypedLine(text)

    def wanted(self, columns: int) -> int:
        """Words, line, keys."""
        return 4 + len(self._says) // max(columns, 1)

    def paint(self, grid: Grid) -> None:
        """Words, line, keys."""
        row = grid.put_words(0, 0, self._says, "plain", width=grid.columns, rows=max(1, grid.rows - 2))
        self._line.paint(grid, row, 0, grid.columns)
        grid.put(grid.rows - 1, 0, "Enter does it  Esc leaves it", "faint")

    def pressed(self, event: events.Key) -> None:
        """Type, or answer."""
        if event.key == "enter":
            self.answer(self._line.text)
        else:
            self._line.key(event)

    def on_paste(self, event: events.Paste) -> None:
        """Put in what was pasted."""
        self._line.put(event.text)
        self.refit()


def ask_in_turn(
    app: Asks, caption: str, questions: Sequence[tuple[str, str]], then: Callable[[list[str]], None]
) -> None:
    """Ask for several lines one after another; Escape at any of them ends it with nothing done.

    Parameters
    ----------
    app : Asks
        The application.
    caption : str
        Of every box.
    questions : sequence of (str, str)
        What to ask, and what stands there to begin with.
    then : callable
        Called with all answers.
    """
    answers: list[str] = []

    def answered(text: str | None) -> None:
        if text is None:
            return
        answers.append(text.strip())
        ask()

    def ask() -> None:
        if len(answers) == len(questions):
            then(answers)
            return
        says, start = questions[len(answers)]
        app.ask(AskBox(f"{caption}, {len(answers) + 1} of {len(questions)}", says, start), answered)

    ask()
