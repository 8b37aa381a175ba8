"""The terminal screens: one steering position drives everything."""

import os

# read when the terminal library is loaded: what was worked out is shown at the next beat of the screen: eight milliseconds at most instead of sixteen
os.environ.setdefault("TEXTUAL_FPS", "120")

from leanmix.screens.app import Screens

__all__ = ["Screens"]
