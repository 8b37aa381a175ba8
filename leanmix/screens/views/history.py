"""History."""

from __future__ import annotations

from leanmix.screens.views.base import View

__all__ = ["view"]


class HistoryView(View):
    """History."""

    name_of_view = "history"


def view() -> View:
    """The view."""
    return HistoryView()
