"""Drive."""

from __future__ import annotations

from leanmix.screens.views.base import View

__all__ = ["view"]


class DriveView(View):
    """Drive."""

    name_of_view = "drive"


def view() -> View:
    """The view."""
    return DriveView()
