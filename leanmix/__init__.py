"""leanmix: make a small RC machine lean into its turns, and know what that does."""

__all__ = ["__version__"]

__version__ = "0.1.0"
