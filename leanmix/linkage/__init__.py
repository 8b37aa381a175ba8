"""linkage."""
