"""One rod to be measured, and what was read on it."""

from __future__ import annotations

import datetime
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from types import MappingProxyType
from typing import Any

from labkit.core.case.identifier import grouped
from labkit.core.gauging.gauge_pins import GaugePins
from labkit.core.gauging.instruments import Instrument
from labkit.core.gauging.ways_of_measuring import Method
from labkit.core.jsonable import LEFT_OUT_AT_DEFAULT
from labkit.core.numbers import require_finite
from labkit.errors import InputError

#: More readings of one rod than this are no series for a mean but another table.
MOST_READINGS = 30
#: How a rod was measured that was not measured by hand.
SCAN = "scan"
#: What every rod is looked at for; a lab's profile may add to it.
LOOK = ("whole", "smooth", "straight", "clean")
_LABEL = re.compile(r"([0-9]{1,3}(?:[.,][0-9]{1,4})?) ?([A-Za-z]?)")


#: Parts of an inspection beside the length, by the fields that tell them; given at once or apart.
PARTS: Mapping[str, str] = MappingProxyType({
    "label_read": "its label was not read from the rod",
    "fittings": "its fittings were not checked",
    "look": "nobody looked whether it is whole, smooth, straight and clean",
    "verdict": "",
})
#: Those that every rod needs.
NEEDED_PARTS = ("label_read", "fittings", "look")


@dataclass(frozen=True)
class Expected:
    """One place of a set and the rod that fills it, as made.

    Args:
        side: "left" or "right".
        label: Functional length as engraved, without the side mark.
        mark: "L" or "R" on mirror parts, else empty.
    """

    identifier: str
    step: int
    side: str
    label: str
    mark: str
    length_mm: Decimal
    tolerance_mm: Decimal

    def __post_init__(self) -> None:
        require_finite(self)
        if self.tolerance_mm <= 0:
            raise InputError(
                f"the rod {self.name} has a tolerance of {self.tolerance_mm} mm; it must be above "
                "0", field="tolerance_mm", value=self.tolerance_mm, allowed="above 0",
            )

    @property
    def name(self) -> str:
        """The rod in sentences, such as "33.6 left (482 917 3065)"."""
        return f"{self.engraved} {self.side} ({grouped(self.identifier)})"

    @property
    def engraved(self) -> str:
        """The label with its side mark, as it stands on the rod."""
        return self.label + self.mark

    @property
    def lower_mm(self) -> Decimal:
        """Least length within the tolerance."""
        return self.length_mm - self.tolerance_mm

    @property
    def upper_mm(self) -> Decimal:
        """Greatest length within the tolerance."""
        return self.length_mm + self.tolerance_mm


@dataclass(frozen=True)
class Source:
    """The file that readings came from.

    Args:
        file: Its name, without folders.
        line: Line of the rod; None for a scan.
    """

    file: str
    sha256: str
    line: int | None = None


@dataclass(frozen=True)
class RodReadings:
    """What was read on one rod, how, and by whom; what the record keeps of it, by these names.

    Args:
        method: Way of measuring; None for a scan.
        readings_mm: Readings as taken, at least one by hand; the way's shift is not taken off.
        gauge_pins_mm: Diameters of the gauge pins in use, as text; None without.
        label_read: The label as read from the rod, or on its scan; None where nobody looked.
        fittings: Whether both fittings are within their limits; None where nobody looked.
        instrument: The instrument as it was then; None for the process's usual gauge.
        look: What of the points looked at the rod is not; empty where it is right in all of them,
            None where nobody looked.
        verdict: What whoever inspected it says of the rod as a whole, a result's word.
        gauge_pins: The set of gauge pins in use; None where none were, or nobody told.
        use_before: Last day on which the lot of the material may be used; None where nobody told.
        source: Where they came from; None for those typed at the prompt.
        scan: What was found in a scan beside length and label, as JSON content.
    """

    identifier: str
    method: Method | None
    readings_mm: tuple[Decimal, ...] = ()
    gauge_pins_mm: str | None = None
    label_read: str | None = None
    fittings: bool | None = None
    instrument: Instrument | None = None
    temperature_c: float | None = None
    material_lot: str | None = None
    measured_on: datetime.date | None = None
    measured_by: str | None = None
    checked_on: datetime.date | None = None
    checked_by: str | None = None
    remark: str = ""
    source: Source | None = None
    scan: Mapping[str, Any] | None = field(default=None, metadata=LEFT_OUT_AT_DEFAULT)
    gauge_pins: GaugePins | None = field(default=None, metadata=LEFT_OUT_AT_DEFAULT)
    look: tuple[str, ...] | None = field(default=None, metadata=LEFT_OUT_AT_DEFAULT)
    verdict: str | None = field(default=None, metadata=LEFT_OUT_AT_DEFAULT)
    use_before: datetime.date | None = field(default=None, metadata=LEFT_OUT_AT_DEFAULT)

    def __post_init__(self) -> None:
        require_finite(self)
        if self.method is not None and not 1 <= len(self.readings_mm) <= MOST_READINGS:
            raise InputError(
                f"the rod {grouped(self.identifier)} has {len(self.readings_mm)} readings; give 1 "
                f"to {MOST_READINGS}",
                field="readings_mm", value=len(self.readings_mm),
            )

    @property
    def way_told(self) -> str:
        """How the rod was measured, in one word."""
        return SCAN if self.method is None else str(self.method)

    @property
    def seen(self) -> frozenset[str]:
        """Which parts of an inspection, beside the length, these readings tell, by field."""
        return frozenset(part for part in PARTS if getattr(self, part) is not None)

    @property
    def looked_at(self) -> bool:
        """Whether label, fittings and look were all looked at."""
        return self.seen.issuperset(NEEDED_PARTS)

    @property
    def mean_mm(self) -> Decimal:
        """Mean of the readings, exact up to 12 decimals."""
        mean = sum(self.readings_mm, Decimal(0)) / len(self.readings_mm)
        return mean.quantize(Decimal(1).scaleb(-12)).normalize()


def same_label(read: str, expected: Expected) -> bool:
    """Tell whether a label as read is the rod's own.

    Args:
        read: What was read; a decimal comma and a space before the mark do not matter.

    Returns:
        True for the same number and the same side mark. A spreadsheet writes 33 for 33.0, so
        that zeros at the end do not count; 330 or 3.30 are other numbers.

    >>> rod = Expected("4829173065", 1, "left", "33.0", "L", Decimal("33.0"), Decimal("0.15"))
    >>> [same_label(read, rod) for read in ("33,0 l", "33L", "33.0", "330L")]
    [True, True, False, False]
    """
    parts = label_parts(read)
    return parts is not None and parts == (Decimal(expected.label), expected.mark)


def label_parts(read: str) -> tuple[Decimal, str] | None:
    """Take a label as read apart.

    Returns:
        Number and side mark in capitals; None for what is no label.

    >>> label_parts("33,6 l"), label_parts("?")
    ((Decimal('33.6'), 'L'), None)
    """
    match = _LABEL.fullmatch(read.strip())
    return None if match is None else (Decimal(match[1].replace(",", ".")), match[2].upper())
