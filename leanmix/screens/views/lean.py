"""Lean."""

from __future__ import annotations

from leanmix.screens.views.base import View

__all__ = ["view"]


class LeanView(View):
    """Lean."""

    name_of_view = "lean"


def view() -> View:
    """The view."""
    return LeanView()
