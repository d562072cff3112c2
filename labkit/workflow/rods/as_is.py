"""Rods that do not conform and are used as they are, by the prescriber's word: what holds now."""

from __future__ import annotations

from dataclasses import dataclass

from labkit.ledger.bodies import UseAsIs, said
from labkit.ledger.events import Event, Kind
from labkit.ledger.queries import Reader
from labkit.qa.decision.rod_decision import MeasuredRod
from labkit.units import millimetres


@dataclass(frozen=True)
class AsIs:
    """A rod used as it is.

    Args:
        faults: What was found of it and is accepted, a sentence each.
        measured_mm: Its length, as measured.
    """

    event: Event
    said: UseAsIs
    faults: tuple[str, ...]
    measured_mm: float

    @property
    def words(self) -> str:
        """It in short, for the row of a rod."""
        return f"used as is, {millimetres(self.measured_mm, 3)} mm measured"


def length_told(rod: MeasuredRod) -> str:
    """Say what was measured of a rod against what was asked: the fault that is accepted."""
    decision = rod.decision
    return (
        f"its length is {millimetres(decision.y_mm, 3)} mm (standard uncertainty "
        f"{millimetres(decision.u_mm, 4)} mm), asked was {millimetres(decision.lower_mm, 3)} "
        f"to {millimetres(decision.upper_mm, 3)} mm: {decision.result}"
    )


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
