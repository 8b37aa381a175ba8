"""stance."""
