"""Limits."""

from __future__ import annotations

from leanmix.screens.views.base import View

__all__ = ["view"]


class LimitsView(View):
    """Limits."""

    name_of_view = "limits"


def view() -> View:
    """The view."""
    return LimitsView()
