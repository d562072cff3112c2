"""Bars between the fittings: one module for each kind, and the table of them.

A new kind of bar is a module beside these and a member of `Body`.
"""

from typing import get_args

from labkit.core.rod.bodies.base import Bar, Ends
from labkit.core.rod.bodies.flat import FlatBar
from labkit.core.rod.bodies.round import RoundBar

Body = FlatBar | RoundBar
#: Every kind of bar by its name in files.
BODIES: dict[str, type[Body]] = {one.shape: one for one in get_args(Body)}

__all__ = ["BODIES", "Bar", "Body", "Ends", "FlatBar", "RoundBar"]
