"""stops."""
