"""Board."""

from __future__ import annotations

from leanmix.screens.views.base import View

__all__ = ["view"]


class BoardView(View):
    """Board."""

    name_of_view = "board"


def view() -> View:
    """The view."""
    return BoardView()
