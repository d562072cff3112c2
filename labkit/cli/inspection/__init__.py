"""Commands of quality assurance."""
