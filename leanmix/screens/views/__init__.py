"""The views, one module each, in the order of the job; each is imported when first shown."""

from __future__ import annotations

from importlib import import_module

from leanmix.screens.views.base import View

__all__ = ["make_view"]


def make_view(name: str) -> View:
    """A view by its name in `VIEWS`."""
    found = import_module(f"leanmix.screens.views.{name}").view()
    if not isinstance(found, View):
        raise TypeError(f"{name} gives no view")
    return found
