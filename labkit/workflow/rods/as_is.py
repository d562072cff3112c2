"""Rods that do not conform and are used as they are, by the prescriber's word: what holds now."""

from __future__ import annotations

from dataclasses import dataclass

from labkit.ledger.bodies import UseAsIs, said
from labkit.ledger.events import Event, Kind
from labkit.ledger.queries import Reader
from labkit.units import millimetres
from labkit.workflow.rods.accepted import words_of


@dataclass(frozen=True)
class AsIs:
    """A rod used as it is.

    Args:
        faults: What was found of it and is accepted, as recorded.
        measured_mm: Its length, as measured.
    """

    event: Event
    said: UseAsIs
    faults: tuple[str, ...]
    measured_mm: float

    @property
    def fault_words(self) -> tuple[str, ...]:
        """What was found of it, a sentence each."""
        return tuple(map(words_of, self.faults))

    @property
    def words(self) -> str:
        """It in short, for the row of a rod."""
        return f"used as is, {millimetres(self.measured_mm, 3)} mm measured"


def used_as_is(reader: Reader, case: str) -> dict[str, AsIs]:
    """Tell which rods of a case are used as they are, by identifier.

    Only the readings that it was said of are meant: with another reading it has to be said anew.
    """
    found = {}
    for event in reader.current(case, Kind.USE_AS_IS):
        told = said(event, UseAsIs)
        readings = [one.stamp.seq for one in reader.readings(told.identifier)]
        if readings == list(told.basis.readings):
            found[told.identifier] = AsIs(
                event, told, tuple(told.basis.faults), told.basis.measured_mm
            )
    return found
