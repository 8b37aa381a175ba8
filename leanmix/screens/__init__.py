"""The terminal screens: one steering position drives everything."""

from leanmix.screens.app import Screens

__all__ = ["Screens"]
