"""Bars between the fittings: one module for each kind, and the table of them."""

from labkit.core.rod.bodies.flat import FlatBar
from labkit.core.rod.bodies.round import RoundBar

Body = FlatBar | RoundBar

__all__ = ["Body", "FlatBar", "RoundBar"]
