"""Sizes as built: a template at one length, with a process's compensation on its parameters."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache

from labkit.core.numbers import Finite
from labkit.core.rod.rods import Body, Compensation, Fitting, Rod, RodTemplate


@dataclass(frozen=True)
class RodSizes(Finite):
    """Everything that decides the shape of one rod, without its label.

    Args:
        length_mm: Distance of the fittings' centres, as built.
    """

    body: Body
    lower: Fitting
    upper: Fitting
    length_mm: float

    @property
    def fittings(self) -> tuple[Fitting, Fitting]:
        """Lower and upper fitting."""
        return (self.lower, self.upper)


def compensated(template: RodTemplate, length: Decimal, compensation: Compensation) -> RodSizes:
    """Apply a process's compensation to the parameters of a rod.

    Formula: built length = scale · length + offset; built diameter = middle of the diameter's
    limits + offset of its kind (bore, pin or ball). Bodies, bosses, necks and lips stay nominal.

    Returns:
        The sizes to build. Without compensation they are those of the STEP: what a finished part
        is to have.

    Validity: any finite values; whether the sizes make a part is decided where it is built.

    >>> from labkit.core.rod.rods import Eye, FlatBar, LabelPlace
    >>> eye = Eye(2.5, 7.5, "H8")
    >>> template = RodTemplate(
    ...     "t", "", "", "", FlatBar(6.5, 3.0, 0.5, 3.0), eye, eye,
    ...     LabelPlace(3.5, 0.3, 0.3, False), Decimal(16), Decimal(60), "f")
    >>> sizes = compensated(template, Decimal("30.0"), Compensation(1.01, 0.02, 0.1))
    >>> round(sizes.length_mm, 9), round(sizes.lower.bore_diameter_mm, 9)
    (30.32, 2.607)
    """
    return RodSizes(
        body=template.body,
        lower=_compensated_fitting(template.lower, compensation),
        upper=_compensated_fitting(template.upper, compensation),
        length_mm=compensation.length_scale * float(length) + compensation.length_offset_mm,
    )


@lru_cache(maxsize=256)  # every rod of a set asks for the same
def _compensated_fitting(fitting: Fitting, by: Compensation) -> Fitting:
    return fitting.with_diameter(fitting.aim_mm + by.offset_of(fitting.surface))


def nominal_sizes(rod: Rod) -> RodSizes:
    """Give the sizes of a rod as drawings show it: nominal, with limits written beside them."""
    template = rod.template
    return RodSizes(template.body, template.lower, template.upper, float(rod.length))
