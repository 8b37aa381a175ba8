"""A line being typed, drawn wherever its pane wants it."""

from __future__ import annotations

from dataclasses import dataclass

from textual import events

from leanmix.screens.grid import Grid

__all__ = ["TypedLine"]


@dataclass(slots=True)
class TypedLine:
    """Text and caret; `key` takes a key press and says whether it was for the line."""

    text: str = ""
    caret: int = -1
    fresh: bool = True  # the first printable key replaces what stands there, as a cell on paper is written anew

    def __post_init__(self) -> None:
        self.caret = len(self.text) if self.caret < 0 else self.caret

    def key(self, event: events.Key) -> bool:
        """Take a key; False for one that does not edit a line (Enter, Escape, arrows up and down …)."""
        key, character = event.key, event.character
        moves = {"left": self.caret - 1, "right": self.caret + 1, "home": 0, "end": len(self.text)}
        if key in moves:
            self.caret = min(max(moves[key], 0), len(self.text))
            self.fresh = False
        elif key == "backspace":
            if self.fresh:
                self.text, self.caret = "", 0
            elif self.caret:
                self.text = self.text[: self.caret - 1] + self.text[self.caret :]
                self.caret -= 1
            self.fresh = False
        elif key == "delete":
            self.text = self.text[: self.caret] + self.text[self.caret + 1 :]
            self.fresh = False
        elif key == "ctrl+u":
            self.text, self.caret, self.fresh = "", 0, False
        elif character is not None and character.isprintable() and len(key) < 30 and not key.startswith("ctrl+"):
            self.put(character)
        else:
            return False
        return True

    def put(self, text: str) -> None:
        """Insert text at the caret."""
        text = "".join(c for c in text if c.isprintable())[:400]
        if self.fresh:
            self.text, self.caret, self.fresh = "", 0, False
        self.text = self.text[: self.caret] + text + self.text[self.caret :]
        self.caret += len(text)

    def paint(self, grid: Grid, row: int, column: int, width: int) -> None:
        """Draw the line with its caret, scrolled so that the caret is seen."""
        if width < 2:
            return
        first = max(0, self.caret - width + 1)
        shown = self.text[first : first + width]
        grid.fill(row, column, width, " ", "stripmark")
        grid.put(row, column, shown, "chosen" if self.fresh else "stripmark", width)
        at = column + self.caret - first
        under = self.text[self.caret : self.caret + 1] or " "
        grid.put(row, at, under, "chosen")
