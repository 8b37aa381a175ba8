"""curve."""
