"""Graded connector rod sets for two-piece mandibular advancement appliances."""

__version__ = "1.0.0"
