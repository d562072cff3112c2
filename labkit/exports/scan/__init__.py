"""Measuring a printed rod from its scan."""
