"""The label: lettering, layout, place and what may be misread."""
