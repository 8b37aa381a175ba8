"""One change of a text: kept for undo, written to the journal, read back from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

__all__ = ["Edit", "edit_between", "edit_of"]


@dataclass(frozen=True, slots=True)
class Edit:
    """One change of the machine's text, or of its readings': at a place, old for new."""

    at: int
    old: str
    new: str
    what: str
    key: str
    of: str = ""

    def row(self) -> dict[str, str | int]:
        """As a line of the journal."""
        row: dict[str, str | int] = {
            "at": self.at,
            "old": self.old,
            "new": self.new,
            "what": self.what,
            "key": self.key,
        }
        return {**row, "of": self.of} if self.of else row

    def do(self, text: str) -> str:
        """The text with it."""
        return text[: self.at] + self.new + text[self.at + len(self.old) :]

    def take_back(self, text: str) -> str:
        """The text without it."""
        return text[: self.at] + self.old + text[self.at + len(self.new) :]


def edit_of(row: Mapping[str, Any]) -> Edit:
    """An edit from its line of the journal."""
    return Edit(int(row["at"]), row["old"], row["new"], str(row["what"]), str(row["key"]), str(row.get("of", "")))


def edit_between(before: str, after: str, what: str, key: str, of: str = "") -> Edit:
    """The one change that makes one text of another."""
    head = 0
    short = min(len(before), len(after))
    while head < short and before[head] == after[head]:
        head += 1
    tail = 0
    while tail < short - head and before[-1 - tail] == after[-1 - tail]:
        tail += 1
    return Edit(head, before[head : len(before) - tail], after[head : len(after) - tail], what, key, of)
