"""What is looked for at a rod's ends, and what was found there."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from labkit.core.numbers import Finite
from labkit.core.rod.fittings import Fitting
from labkit.core.rod.rods import RodTemplate
from labkit.exports.check import limits
from labkit.exports.expected import ExpectedEnd, SphereEnd, expected_ends

LOWER = "lower"
UPPER = "upper"


@dataclass(frozen=True)
class Wanted:
    """A fitting to look for: what it is and about how wide, not where.

    Args:
        fitting: As the template has it, with its limits.
        end: "lower" (x below 0) or "upper".
    """

    surface: ExpectedEnd
    fitting: Fitting
    end: str

    @property
    def diameter_mm(self) -> float:
        """Diameter that an uncompensated part has: the middle of its limits."""
        return self.surface.fitting.diameter_mm

    @property
    def sphere(self) -> bool:
        """Whether a sphere is looked for, and not a cylinder along y."""
        return isinstance(self.surface, SphereEnd)

    @property
    def sense(self) -> int:
        """−1 at the lower end, +1 at the upper."""
        return -1 if self.end == LOWER else 1

    def may_be(self, diameter_mm: float) -> bool:
        """Say whether a found diameter is near enough to be this fitting."""
        return abs(diameter_mm - self.diameter_mm) <= limits.FITTING_SEARCH_SHARE * self.diameter_mm

    def named(self) -> str:
        """Name the fitting for people, such as "bore at the lower end"."""
        return f"{self.surface.noun} at the {self.end} end"


@dataclass(frozen=True)
class Found(Finite):
    """A fitting as found in a file.

    Args:
        center: Point of the axis (of a bore or pin) or centre (of a ball), mm, rod frame.
        tilt: Sine of the angle between the axis and y; 0 for a ball.
        form_mm: Largest distance of a measured point from the fitted surface; 0 from a STEP.
        chord_mm: Largest distance of a facet's edge inside the surface; 0 from a STEP.
    """

    center: tuple[float, float, float]
    diameter_mm: float
    tilt: float = 0.0
    form_mm: float = 0.0
    chord_mm: float = 0.0


@dataclass(frozen=True)
class Ends:
    """The fittings found at both ends, None where none was found."""

    lower: Found | None
    upper: Found | None
    balls: bool

    @property
    def length_mm(self) -> float | None:
        """Give the functional length: between two axes along y, or between two ball centres."""
        if self.lower is None or self.upper is None:
            return None
        apart = [b - a for a, b in zip(self.lower.center, self.upper.center, strict=True)]
        return math.hypot(*apart) if self.balls else math.hypot(apart[0], apart[2])


def wanted_ends(template: RodTemplate) -> tuple[Wanted, Wanted]:
    """Say what to look for at the lower and the upper end of a template's rods."""
    lower, upper = expected_ends(template)
    return Wanted(lower, template.lower, LOWER), Wanted(upper, template.upper, UPPER)


def outermost(wanted: Wanted, candidates: Sequence[Found]) -> Found | None:
    """Choose the fitting among the surfaces of its kind, None if no surface can be it.

    Rounds of the engraving and blends may look alike, but lie nearer to the middle: the outermost
    axis counts, and of the surfaces about that axis (pin and lip) the one of the nearest diameter.
    """
    sense = wanted.sense
    there = [
        found for found in candidates
        if wanted.may_be(found.diameter_mm) and sense * found.center[0] > 0.0
    ]
    if not there:
        return None
    reach = max(sense * found.center[0] for found in there)
    same = [f for f in there if sense * f.center[0] > reach - limits.SAME_AXIS_MM]
    return min(same, key=lambda found: abs(found.diameter_mm - wanted.diameter_mm))
