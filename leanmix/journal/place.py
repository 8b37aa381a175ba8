"""Where the journal lives."""

from __future__ import annotations

from pathlib import Path

from leanmix.places import home

__all__ = ["journal_path"]

FILE_NAME = "journal.sqlite"


def journal_path() -> Path:
    """The journal's file in the user's data folder; it need not exist yet."""
    return home() / FILE_NAME
