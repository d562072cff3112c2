"""What needs doing today: sets and orders to make, rods to measure, sets to release, and so on."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum
from typing import Any

from labkit.catalog.instruments import gauge_pins, instruments
from labkit.core.case.rod_life import OUT_OF_HOUSE, RodState
from labkit.core.gauging.gauge_pins import GaugePins
from labkit.core.gauging.instruments import DUE_SOON_DAYS, Instrument
from labkit.documents.figures import sentence
from labkit.ledger.events import Kind
from labkit.ledger.queries import Reader
from labkit.ledger.reconcile import Lying
from labkit.ledger.stored import SetState, StoredReading, StoredSet
from labkit.units import counted
from labkit.workflow.inspection.release_state import release_now
from labkit.workflow.record.sheet import mouth_found, rods_named
from labkit.workflow.record.standing import standing_of_case
from labkit.workflow.record.worked_out import Question, answered
from labkit.workflow.rods.orders import orders_of
from labkit.workflow.rods.slots import slots_of, wanted_sets
from labkit.workflow.sets.on_disk import look_at

#: States of a rod that waits in the lab for a decision.
_WAITING = (RodState.MADE, RodState.WITHHELD)


class Doing(Enum):
    """What is to be done, in the order in which it presses."""

    ASK_BACK = "Rods to ask back"
    ASK_CLINIC = "Ask what is worn"
    MAKE = "To make"
    MEASURE = "To measure"
    RELEASE = "To release"
    CALIBRATE = "Calibrations due"


@dataclass(frozen=True)
class ToDo:
    """One thing that needs doing.

    Args:
        case: Case that it is about; "" for an instrument.
        about: Name of the set, rods or instrument.
        what: What is to be done, or why, in words.
    """

    doing: Doing
    case: str
    about: str
    what: str


def to_do(reader: Reader, places: tuple[str, ...], today: datetime.date) -> Iterator[ToDo]:
    """Say what needs doing, case by case, then instrument by instrument.

    Args:
        places: Files or folders of the lab's own instruments.
        today: The day in the lab.

    Raises:
        InputError: An instrument file cannot be read.
    """
    with reader.snapshot():
        cases = reader.cases()
    for case, found in answered(reader, cases, _TO_DO):
        for stored in reader.sets(case) if found["begun"] else ():
            if is_broken_off(stored):
                what = "was begun and not finished: it is settled when the set is made again"
                yield ToDo(Doing.MAKE, case, stored.name, what)
        for doing, about, what in found["doing"]:
            yield ToDo(Doing[doing], case, about, what)
    yield from _to_calibrate(places, today)


def _by_the_record(reader: Reader, case: str, *, ask: bool = True) -> dict[str, Any]:
    """Say what needs doing of a case, by its entries alone.

    Args:
        ask: Whether to say also what to ask of the clinic.

    Returns:
        Under "doing" kind, what it is about and words; under "begun" whether a set is not ended.
    """
    with reader.snapshot():
        found = [*_to_make(reader, case)]
        for stored in wanted_sets(reader, case):
            found += _to_judge(reader, stored)
        if ask and any(rod.state in OUT_OF_HOUSE for rod in reader.rods(case)):
            found += _to_ask(reader, case)
        begun = any(stored.state is SetState.STARTED for stored in reader.sets(case))
    return {"doing": [[each.doing.name, each.about, each.what] for each in found], "begun": begun}


#: What needs doing of a case; where it is not known what its rods make, its page says why.
_TO_DO = Question(
    "to do", _by_the_record,
    lambda reader, case, _error: _by_the_record(reader, case, ask=False),
    (Kind.ORDER, Kind.ORDER_WITHDRAWN, Kind.READING, Kind.RELEASE, Kind.USE_AS_IS),
)


def _to_make(reader: Reader, case: str) -> Iterator[ToDo]:
    sets = reader.sets(case)
    if reader.prescriptions(case) and not any(s.state is not SetState.ABANDONED for s in sets):
        yield ToDo(Doing.MAKE, case, "first set", "prescribed, and no set is made yet")
    for order in orders_of(reader, case):
        if order.withdrawn is None and order.by_set is None:
            what = f"ordered on {order.event.at[:10]} by {order.event.by}: {order.asked}"
            yield ToDo(Doing.MAKE, case, f"order, entry {order.event.seq}", what)


def is_broken_off(stored: StoredSet) -> bool:
    """Tell whether a set was begun by a run that is no more."""
    return stored.state is SetState.STARTED and look_at(stored).lying is not Lying.BUSY


def _to_judge(reader: Reader, stored: StoredSet) -> Iterator[ToDo]:
    """Say whether rods of a set that wait in the lab want measuring or releasing."""
    waiting = [
        slot.rod for slot in slots_of(reader, stored) if RodState(slot.rod.state) in _WAITING
    ]
    readings = map(StoredReading.of, reader.current(stored.case, Kind.READING)) if waiting else ()
    measured = {reading.identifier for reading in readings if not reading.only_seen}
    unmeasured = sum(rod.identifier not in measured for rod in waiting)
    if unmeasured:
        what = f"{counted(unmeasured, 'rod')} of {len(waiting)} not measured"
        yield ToDo(Doing.MEASURE, stored.case, stored.name, what)
        return
    release = release_now(reader, stored)
    if release is not None and not release.stands and release.why_not:
        yield ToDo(Doing.RELEASE, stored.case, stored.name, "its release is no longer valid")
    elif waiting:
        how = "withheld" if release is not None else "measured, not released"
        yield ToDo(Doing.RELEASE, stored.case, stored.name, how)


def _to_ask(reader: Reader, case: str) -> Iterator[ToDo]:
    standing = standing_of_case(reader, case, steps=False)
    for found in mouth_found(standing):
        yield ToDo(Doing.ASK_CLINIC, case, "", sentence(found.message))
    if back := standing.asked_back:
        what = f"NOT TO BE WORN: {rods_named(back)}"
        yield ToDo(Doing.ASK_BACK, case, counted(len(back), "rod"), what)


def _to_calibrate(places: tuple[str, ...], today: datetime.date) -> Iterator[ToDo]:
    tools: list[Instrument | GaugePins] = [*instruments(places).values()]
    for tool in [*tools, *gauge_pins(places).values()]:
        due = tool.calibration_due
        if not tool.invented and due is not None and (due - today).days <= DUE_SOON_DAYS:
            when = f"OVERDUE since {due}; not to be used" if tool.overdue(today) else f"due {due}"
            yield ToDo(Doing.CALIBRATE, "", tool.name, f"{tool.title}: {when}")
