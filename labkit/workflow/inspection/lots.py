"""Lots of the material: whether they are known, and whether they could still be used."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from labkit.ledger.queries import Reader
from labkit.qa.decision.rod_decision import MeasuredRod
from labkit.units import first_few
from labkit.workflow.inspection.inspect import Inspection
from labkit.workflow.inspection.questions import Question


@dataclass(frozen=True)
class Lot:
    """A lot of material, as told with readings or at a release.

    Args:
        name: Empty where nobody told it.
        use_before: The last day on which it may be used; None where nobody told it.
    """

    name: str = ""
    use_before: datetime.date | None = None


NO_LOT = Lot()


def lots_of(inspection: Inspection, told: Lot = NO_LOT) -> Mapping[str, Lot]:
    """Give the lot of every measured rod, by identifier.

    A lot's last day is told with any of its rods; where two are told, the earlier one counts.

    Args:
        told: The lot of the rods whose readings name none.
    """
    days: dict[str, datetime.date] = {}
    names = {
        rod.identifier: rod.readings.material_lot or told.name.strip()
        for rod in inspection.decision.rods
    }
    said = [(names[rod.identifier], rod.readings.use_before) for rod in inspection.decision.rods]
    for name, day in (*said, (told.name.strip(), told.use_before)):
        if name and day is not None:
            days[name] = min(day, days.get(name, day))
    return {rod: Lot(name, days.get(name)) for rod, name in names.items()}


def without_lot(inspection: Inspection, told: Lot = NO_LOT) -> Iterator[str]:
    """Say of which rods the lot of the material is not told, in at most one sentence."""
    lots = lots_of(inspection, told)
    if own := [one.expected.name for one in inspection.decision.rods
               if not lots[one.identifier].name]:
        yield (
            f"{first_few(own)}: the lot of the material is not known; give it with "
            "`--lot LOT`, next time with the readings; a lab that keeps no lots says so once in "
            "its profile (lot_asked = false)"
        )


def without_use_before(inspection: Inspection, told: Lot = NO_LOT) -> Iterator[str]:
    """Say of which lots it is not told until when they may be used, in at most one sentence."""
    lots = lots_of(inspection, told).values()
    if own := dict.fromkeys(lot.name for lot in lots if lot.name and lot.use_before is None):
        yield (
            f"until when lot {first_few(list(own))} may be used is not known; give it with "
            "`--lot LOT --use-before DAY`, next time with the readings"
        )


def run_out(reader: Reader, inspection: Inspection, told: Lot = NO_LOT) -> Iterator[str]:
    """Say which rods are of a lot that could not be used any more on the day their set was made."""
    made = _made_on(reader, inspection)
    for lot, rods in _dated(inspection, told):
        if late := [rod for rod in rods if made[rod.identifier] > str(lot.use_before)]:
            yield (
                f"{first_few([rod.expected.name for rod in late])}: lot {lot.name} was to be used "
                f"before {lot.use_before}, and the set was made after that; make the rods once "
                "more of another lot (`labkit reject IDENTIFIER --cause … --new --out …`)"
            )


def lot_questions(
    reader: Reader, inspection: Inspection, told: Lot = NO_LOT
) -> Iterator[Question]:
    """Ask about lots that ran out between the day of making and that of measuring."""
    made = _made_on(reader, inspection)
    for lot, rods in _dated(inspection, told):
        late = [
            rod for rod in rods
            if made[rod.identifier] <= str(lot.use_before) < str(rod.readings.measured_on or "")
        ]
        if late:
            yield Question(
                tuple(inspection.recorded[rod.identifier].stamp.seq for rod in late),
                f"{first_few([rod.expected.name for rod in late])}: lot {lot.name} was to be used "
                f"before {lot.use_before}, and the rods were measured after that: were they "
                "printed in time",
            )


def _dated(inspection: Inspection, told: Lot) -> Iterator[tuple[Lot, list[MeasuredRod]]]:
    """Put the rods of each lot together whose last day is known."""
    lots = lots_of(inspection, told)
    for lot in dict.fromkeys(lots.values()):
        if lot.use_before is not None:
            yield lot, [rod for rod in inspection.decision.rods if lots[rod.identifier] == lot]


def _made_on(reader: Reader, inspection: Inspection) -> dict[str, str]:
    """Give the day on which each rod's set was made; one at work is made of what comes."""
    sets = {one.name: one.ended for one in reader.sets(inspection.stored.case)}
    ends = ((slot.rod.identifier, sets[slot.rod.set_name]) for slot in inspection.slots)
    return {rod: end.at[:10] if end else "" for rod, end in ends}
