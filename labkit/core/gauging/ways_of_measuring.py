"""Ways to measure a rod's functional length on its template: formulas, limits of a reading."""

from __future__ import annotations

from dataclasses import dataclass, replace
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal
from enum import StrEnum

from labkit.core.numbers import Finite
from labkit.core.rod.fittings import PIN_TOLERANCE_MM, BossFitting, Fitting
from labkit.core.rod.rods import RodTemplate
from labkit.core.rod.tolerances import linear_tolerance

#: Limits are printed in the finest step that a micrometer shows.
PRINTED_MM = Decimal("0.001")


class Role(StrEnum):
    """What a way of measuring is good for."""

    FIRST = "first choice"
    ALSO = "also decides"
    CHECK = "check only"


class Method(StrEnum):
    """What is measured, in the form's and the CSV's words."""

    OVER = "over"
    BETWEEN = "between"
    HALF_SUM = "half-sum"
    OVER_LESS_OWN = "over-less-own"
    CENTRES = "centres"
    ENDS = "ends"


@dataclass(frozen=True)
class Limits(Finite):
    """What a check's reading should be.

    Args:
        nominal_mm: Reading of a rod in the middle of everything.
    """

    nominal_mm: Decimal
    lower_mm: Decimal
    upper_mm: Decimal


@dataclass(frozen=True)
class Way(Finite):
    """One way to measure the functional length on a template.

    The reading is the length plus a shift, which lies between two bounds because the sizes of
    bores, pins, balls or bosses are only known within their own limits.

    Args:
        formula: Functional length L from the reading R, in symbols.
        reason: Why this way, or why not.
        least_shift_mm, most_shift_mm: Bounds of reading minus length.
        gauge_pins_mm: Diameters of the gauge pins, one for each bore.
        ends: The fittings, where the bounds are theirs.
        pin_tolerance_mm: How far below its mark a gauge pin may be.
    """

    method: Method
    title: str
    instrument: str
    formula: str
    reason: str
    role: Role = Role.ALSO
    least_shift_mm: Decimal = Decimal(0)
    most_shift_mm: Decimal = Decimal(0)
    gauge_pins_mm: tuple[Decimal, ...] = ()
    ends: tuple[Fitting, ...] = ()
    pin_tolerance_mm: Decimal = PIN_TOLERANCE_MM

    @property
    def shift_mm(self) -> Decimal:
        """Reading minus length in the middle of its bounds: what is taken off a reading."""
        return (self.least_shift_mm + self.most_shift_mm) / 2

    @property
    def play_mm(self) -> Decimal:
        """Half of the distance of the bounds: how far the shift may be off, ±."""
        return (self.most_shift_mm - self.least_shift_mm) / 2

    def with_pins(self, tolerance_mm: Decimal) -> Way:
        """Give the way with gauge pins of another tolerance: another play about the same shift.

        Args:
            tolerance_mm: How far below its mark a pin may be.

        >>> from labkit.core.rod.fittings import Eye
        >>> eye = Eye(2.5, 7.5, "2.50 to 2.54")
        >>> way = shifted_way(Method.OVER, (eye, eye))
        >>> print(way.play_mm, way.with_pins(Decimal("0.001")).play_mm)
        0.0350 0.0270
        """
        if not (self.gauge_pins_mm and self.ends):
            return self
        least, most = _shift_bounds(self.method, self.ends, tolerance_mm)
        return replace(
            self, least_shift_mm=least, most_shift_mm=most, pin_tolerance_mm=tolerance_mm
        )

    def widened(self, length_mm: Decimal, tolerance_mm: Decimal) -> Limits:
        """Work out what a mere check's reading of one rod must lie within.

        Formula: nominal = L + middle shift; limits L − t + least shift … L + t + greatest shift. A
        reading outside them means a rod that is wrong somewhere; a reading inside proves nothing.
        What a reading must be that decides is worked out from its uncertainty
        (`labkit.qa.decision.limits`).

        Args:
            tolerance_mm: Its tolerance t, ±.

        Returns:
            Limits to 0.001 mm, rounded outwards.

        >>> from labkit.core.rod.fittings import Eye
        >>> eye = Eye(2.5, 7.5, "H8")
        >>> limits = shifted_way(Method.OVER, (eye, eye)).widened(Decimal("33.6"), Decimal("0.15"))
        >>> print(limits.nominal_mm, limits.lower_mm, limits.upper_mm)
        36.088 35.920 36.256
        """
        lower = length_mm - tolerance_mm + self.least_shift_mm
        upper = length_mm + tolerance_mm + self.most_shift_mm
        return Limits(
            (length_mm + self.shift_mm).quantize(PRINTED_MM, ROUND_HALF_EVEN),
            lower.quantize(PRINTED_MM, ROUND_FLOOR),
            upper.quantize(PRINTED_MM, ROUND_CEILING),
        )


def ways_of(template: RodTemplate) -> tuple[Way, ...]:
    """List the ways to measure the functional length of a template's rods.

    Returns:
        Ways, the first choice first, a mere check last.

    Validity: fittings as toleranced; whether bores, pins and balls are within their own limits is
    looked at separately (`fitting_gauges`).
    """
    ends = (template.lower, template.upper)
    # Inside jaws and the ends of the rod are only there where both fittings have a boss.
    bosses = [end.boss_diameter_mm for end in ends if isinstance(end, BossFitting)]
    ways = [shifted_way(Method.OVER, ends)]
    if len(bosses) == len(ends):
        ways += [shifted_way(Method.BETWEEN, ends), _half_sum(ends)]
    else:
        ways.append(_over_less_own(ends))
    ways.append(_centres(ends))
    if len(bosses) == len(ends):
        ways.append(_over_ends(bosses, template.length_tolerance))
    return tuple(ways)


def shifted_way(method: Method, ends: tuple[Fitting, Fitting]) -> Way:
    """Make the way over or between the fittings' outer or inner sides.

    Formula: outside jaws press the fittings' outer sides together, so that a gauge pin d in a
    bore D lies against its inner side: each end adds d − D/2, a crosspin P/2, a ball B/2. Inside
    jaws press the other way: each end takes the same off.

    Args:
        method: `Method.OVER` or `Method.BETWEEN`.
    """
    over = method is Method.OVER
    least, most = _shift_bounds(method, ends, PIN_TOLERANCE_MM)
    where = "outer" if over else "inner"
    instrument = "outside micrometer or calliper" if over else "calliper with inside jaws"
    return Way(
        method=method,
        title=f"{'over' if over else 'between'} {_named(ends)}",
        instrument=_with(ends, instrument),
        formula=f"L = R {_terms(ends, '−' if over else '+')}",
        reason=(
            "one reading, firm contact on round surfaces, little play"
            if over
            else f"as good as over them where the {where} sides are easier to reach"
        ),
        role=Role.FIRST if over else Role.ALSO,
        least_shift_mm=least,
        most_shift_mm=most,
        gauge_pins_mm=_pins(ends),
        ends=ends,
    )


def _shift_bounds(
    method: Method, ends: tuple[Fitting, ...], pin_tolerance_mm: Decimal
) -> tuple[Decimal, Decimal]:
    """Bound reading minus length, over the fittings or between them."""
    bounds = [fitting.outer_bounds(pin_tolerance_mm) for fitting in ends]
    least, most = (sum((b[side] for b in bounds), Decimal(0)) for side in (0, 1))
    return (least, most) if method is Method.OVER else (-most, -least)


def _half_sum(ends: tuple[Fitting, Fitting]) -> Way:
    return Way(
        method=Method.HALF_SUM,
        title=f"over and between {_named(ends)}, half the sum",
        instrument=_with(ends, "calliper, outside and inside jaws"),
        formula="L = (R over + R between) / 2",
        reason="sizes of bores and pins cancel: settles a reading near a limit",
        gauge_pins_mm=_pins(ends),
    )


def _over_less_own(ends: tuple[Fitting, Fitting]) -> Way:
    return Way(
        method=Method.OVER_LESS_OWN,
        title=f"over {_named(ends)}, minus half of both measured diameters",
        instrument="outside micrometer",
        formula="L = R − (B lower + B upper) / 2, both measured",
        reason="the balls' own sizes cancel: settles a reading near a limit",
    )


def _centres(ends: tuple[Fitting, Fitting]) -> Way:
    nouns = [fitting.noun for fitting in ends]
    named = f"both {nouns[0]}s" if nouns[0] == nouns[1] else f"the {nouns[0]} and the {nouns[1]}"
    return Way(
        method=Method.CENTRES,
        title=f"between the centres of {named}",
        instrument="measuring microscope or coordinate measuring machine",
        formula="L = R",
        reason="direct, where a circle is fitted to each end",
    )


def _over_ends(bosses_mm: list[float], tolerance_class: str) -> Way:
    least = most = Decimal(0)
    for boss_mm in bosses_mm:
        boss = Decimal(repr(float(boss_mm)))
        tolerance = linear_tolerance(tolerance_class, boss)
        least, most = least + (boss - tolerance) / 2, most + (boss + tolerance) / 2
    return Way(
        method=Method.ENDS,
        title="over the ends, outside of both bosses",
        instrument="outside micrometer or calliper",
        formula="L = R − (H lower + H upper) / 2",
        reason="quick, but the bosses have a tolerance of their own: finds gross errors and "
        "mixed-up rods, decides nothing",
        role=Role.CHECK,
        least_shift_mm=least,
        most_shift_mm=most,
    )


def _named(ends: tuple[Fitting, Fitting]) -> str:
    nouns = [fitting.noun for fitting in ends]
    if nouns[0] == nouns[1]:
        return "gauge pins in both bores" if nouns[0] == "bore" else f"both {nouns[0]}s"
    named = ("gauge pin in the bore" if noun == "bore" else noun for noun in nouns)
    return " and ".join(f"the {noun}" for noun in named)


def _with(ends: tuple[Fitting, Fitting], instrument: str) -> str:
    """Say what an instrument needs to get at the fittings."""
    lip = any(fitting.lipped for fitting in ends)
    return f"{instrument}{', narrow faces below the lip' * lip}{_pins_text(_pins(ends))}"


def _pins(ends: tuple[Fitting, Fitting]) -> tuple[Decimal, ...]:
    return tuple(pin for fitting in ends if (pin := fitting.gauge_pin_mm) is not None)


def _pins_text(pins: tuple[Decimal, ...]) -> str:
    sizes = " and ".join(f"{pin} mm" for pin in dict.fromkeys(pins))
    return f"; gauge pin{'s' * (len(pins) > 1)} {sizes}" if pins else ""


def _terms(ends: tuple[Fitting, Fitting], sign: str) -> str:
    """Write what is taken off or put onto a reading, in symbols."""
    if ends[0].noun == ends[1].noun:
        return ends[0].term(sign, 2)
    return " ".join(fitting.term(sign, 1) for fitting in ends)
