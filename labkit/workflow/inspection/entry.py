"""Readings typed into a page, read and judged by the rules of a filled-in form."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from labkit.catalog.instruments import gauge_pins, instruments
from labkit.core.case.identifier import grouped
from labkit.core.findings import Finding
from labkit.core.gauging.gauge_pins import GaugePins
from labkit.core.gauging.instruments import Instrument
from labkit.core.gauging.ways_of_measuring import Way
from labkit.errors import InputError
from labkit.ledger.queries import Reader
from labkit.qa.decision.limits import READINGS, printed_zone_mm
from labkit.qa.decision.readings import MOST_READINGS
from labkit.qa.decision.rod_decision import Inspected, MeasuredRod
from labkit.qa.files.form_row import FormLine, Sheet
from labkit.qa.files.readings_file import TypedRod, read_typed
from labkit.units import millimetres
from labkit.workflow.inspection.inspect import Inspection, inspect, where_is
from labkit.workflow.inspection.limits_report import between

#: Columns of the form that a page asks once for all rods.
COMMON = (
    "way", "instrument", "gauge_pins", "temperature_c", "material_lot", "use_before",
    "measured_on", "measured_by",
)
#: Those that it asks of each rod, besides the readings.
OF_ROD = ("label_read", "fittings", "look", "result", "remark")
#: What takes readings as they stand on a page.
KEEP_BY = 'tick "really so"'
#: Readings of a rod that are usual, and that are taken.
USUAL, MOST = READINGS, MOST_READINGS


@dataclass(frozen=True)
class Tools:
    """What a lab measures with, by name."""

    instruments: Mapping[str, Instrument]
    pins: Mapping[str, GaugePins]

    @classmethod
    def of(cls, places: tuple[str, ...]) -> Tools:
        """Read a lab's own and the program's examples.

        Raises:
            InputError: A file cannot be read.
        """
        return cls(instruments(places), gauge_pins(places))


@dataclass(frozen=True)
class Entry:
    """What is typed: texts by the names of the form's columns.

    Args:
        common: What is told once for all rods.
        rods: By identifier.
        readings: Likewise, in the order in which they were taken.
        really: Rods whose readings are taken as they stand though they are merely far off.
    """

    common: Mapping[str, str]
    rods: Mapping[str, Mapping[str, str]]
    readings: Mapping[str, Sequence[str]]
    really: frozenset[str] = frozenset()


@dataclass(frozen=True)
class JudgedEntry:
    """What is typed, and what it proves together with the record.

    Args:
        rods: The rods that can be read.
        wrong: What is wrong with the others, by identifier.
    """

    inspection: Inspection
    rods: tuple[Inspected, ...]
    wrong: Mapping[str, tuple[InputError, ...]]

    def decided(self, identifier: str) -> MeasuredRod | None:
        """Give a rod decided on, by what is typed and what the record holds; None where it is not.

        Nothing is given of a rod whose typed values cannot be read: they may say otherwise.
        """
        if identifier in self.wrong:
            return None
        return self.inspection.decision.by_identifier.get(identifier)

    def about(self, identifier: str) -> tuple[Finding, ...]:
        """Give what was found about a rod of which something is typed."""
        place = self.inspection.bench.by_identifier.get(identifier)
        if place is None or not self.told(identifier):
            return ()
        return tuple(
            each for each in self.inspection.decision.findings
            if place.expected.name in each.where
            or grouped(identifier) in each.where.split(" / ")
        )

    def told(self, identifier: str) -> bool:
        """Tell whether something of a rod is typed that can be read."""
        return any(rod.identifier == identifier for rod in self.rods)


def judge_entry(
    reader: Reader, about: tuple[str, str | None], entry: Entry, tools: Tools,
    today: datetime.date,
) -> JudgedEntry:
    """Judge what is typed, together with what the record holds.

    Args:
        about: Case, and name of the set; None for the last one made.
        today: The day in the lab.

    Raises:
        InputError: There is no such case or set.
        LedgerError: The set is not made.
        RefusedError: It was recorded in a form that this program cannot measure against.
    """
    before = inspect(reader, *about, (), tools.instruments)
    sheet = Sheet(
        bench=before.bench, today=today, keep_by=KEEP_BY, pins=tools.pins, points=before.points,
        where_is=lambda identifier: where_is(reader, before, identifier),
    )
    told = {"way": "", **{name: text for name, text in entry.common.items() if text}}
    readings = {
        rod: {f"reading_{k}_mm": text for k, text in enumerate(texts, 1)}
        for rod, texts in entry.readings.items()
    }
    many = _too_many(entry)
    rods, wrong = read_typed(
        [
            TypedRod(
                rod, {**texts, **readings[rod], **told, **_pins(before, rod, told)},
                rod in entry.really,
            )
            for rod, texts in entry.rods.items() if rod not in many
        ],
        sheet,
    )
    return JudgedEntry(inspect(reader, *about, rods, tools.instruments), rods, {**wrong, **many})


def _too_many(entry: Entry) -> dict[str, tuple[InputError, ...]]:
    """Find rods with more readings than the form has columns."""
    return {
        rod: (InputError(
            f"a rod has at most {MOST}, and {len(readings)} were typed; take out those that are "
            "too many", field="readings",
        ),)
        for rod, readings in entry.readings.items() if len(readings) > MOST
    }


def _pins(before: Inspection, rod: str, told: Mapping[str, str]) -> dict[str, str]:
    """Give the gauge pins that the way takes, which the page states beside it."""
    place = before.bench.by_identifier.get(rod)
    ways = [way for way in before.bench.ways if way.method == told.get("way")]
    if place is None or not ways:  # what is wrong is for the form's reader to say
        return {}
    return {"gauge_pins_mm": FormLine(before.bench.case, place, ways[0]).pins}


def length_told(rod: MeasuredRod) -> str:
    """Say what a rod measures, and from where to where a length would conform."""
    zone = printed_zone_mm(rod.decision.acceptance, rod.expected.length_mm)
    within = f"acceptance {between(zone)} mm" if zone else "the gauge is too coarse for it"
    return (
        f"{rod.expected.engraved} measures {millimetres(rod.length_mm, 3)} mm, standard "
        f"uncertainty {millimetres(rod.u_mm, 3)} mm; {within}"
    )


def way_told(way: Way) -> str:
    """Say how to measure this way, with its gauge pins."""
    pins = " and ".join(f"{pin} mm" for pin in dict.fromkeys(way.gauge_pins_mm))
    return f"{way.method}: {way.title}{f'; gauge pins {pins}' if pins else ''}"

