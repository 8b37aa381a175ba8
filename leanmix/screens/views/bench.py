"""Bench."""

from __future__ import annotations

from leanmix.screens.views.base import View

__all__ = ["view"]


class BenchView(View):
    """Bench."""

    name_of_view = "bench"


def view() -> View:
    """The view."""
    return BenchView()
