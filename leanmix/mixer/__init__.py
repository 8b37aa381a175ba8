"""mixer."""
