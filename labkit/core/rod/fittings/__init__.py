"""End fittings: one module for each kind, and the table through which they are found.

A new kind of fitting is a module beside these and a member of `Fitting`.
"""

from typing import get_args

from labkit.core.rod.fittings.ball import Ball
from labkit.core.rod.fittings.base import (
    PIN_TOLERANCE_MM,
    BossFitting,
    EndFitting,
    Mount,
    NeckFitting,
)
from labkit.core.rod.fittings.crosspin import Crosspin
from labkit.core.rod.fittings.eye import Eye

Fitting = Eye | Ball | Crosspin
#: Every kind of fitting by its name in files.
FITTINGS: dict[str, type[Fitting]] = {one.kind: one for one in get_args(Fitting)}

__all__ = [
    "FITTINGS", "PIN_TOLERANCE_MM", "Ball", "BossFitting", "Crosspin",
    "EndFitting", "Eye", "Fitting", "Mount", "NeckFitting",
]
