"""Rods as values: templates, parts, outlines, volumes, tolerances."""
