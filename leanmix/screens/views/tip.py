"""Tip."""

from __future__ import annotations

from leanmix.screens.views.base import View

__all__ = ["view"]


class TipView(View):
    """Tip."""

    name_of_view = "tip"


def view() -> View:
    """The view."""
    return TipView()
