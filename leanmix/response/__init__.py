"""response."""
