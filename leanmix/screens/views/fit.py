"""Fit."""

from __future__ import annotations

from leanmix.screens.views.base import View

__all__ = ["view"]


class FitView(View):
    """Fit."""

    name_of_view = "fit"


def view() -> View:
    """The view."""
    return FitView()
