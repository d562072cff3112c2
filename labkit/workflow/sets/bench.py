"""A recorded set laid out for measuring: places, rods, tolerances, ways."""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from decimal import Decimal

from labkit.core.gauging.instruments import Instrument
from labkit.core.gauging.ways_of_measuring import ways_of
from labkit.core.rod.rods import EXPANSION_PER_C
from labkit.documents.inspection import chosen_way, gauge_of, lines_of
from labkit.documents.set_spec import template_of
from labkit.errors import LabkitError, RefusedError
from labkit.ledger.stored import StoredSet
from labkit.qa.decision.bench import Bench, Place
from labkit.qa.decision.readings import Expected
from labkit.workflow.rods.slots import Slot


def bench_of(
    stored: StoredSet, slots: tuple[Slot, ...], sets: Mapping[str, StoredSet],
    instruments: Mapping[str, Instrument],
) -> Bench:
    """Lay out a set for measuring.

    Args:
        slots: Its places with the rods that fill them now.
        sets: Every set of the case by name.

    Raises:
        RefusedError: A set was recorded in a form that this program cannot measure against.
    """
    assert stored.ended is not None  # a set that is judged was made
    names = dict.fromkeys(
        rod.set_name for slot in slots for rod in (*slot.replaced, slot.rod)
    )
    lines = {
        line.identifier: (sets[name], line)
        for name in names for line in _lines(sets[name])
    }
    with _of_known_form(stored.name):
        places = tuple(_place(slot, *_line_of(slot, lines)) for slot in slots)
        template = template_of({"template": stored.template.content})
        first = chosen_way(template, _lines(stored), gauge_of(stored.content))
    return Bench(
        case=stored.case,
        set_name=stored.name,
        places=places,
        ways=ways_of(template),
        first=first.method,
        made_on=datetime.date.fromisoformat(stored.ended.at[:10]),
        instruments=instruments,
    )


def _lines(stored: StoredSet) -> list[Expected]:
    """Give the lines of a set's inspection form; none for one that is not made."""
    if stored.spec is None:
        return []
    with _of_known_form(stored.name):
        return lines_of(stored.content)


@contextmanager
def _of_known_form(name: str) -> Iterator[None]:
    """Refuse a set whose content an older or a later program wrote in another form."""
    try:
        yield
    except (LabkitError, LookupError, TypeError, ValueError, AttributeError, ArithmeticError) as e:
        raise e if isinstance(e, RefusedError) else _unknown(name) from e


def _unknown(name: str) -> RefusedError:
    return RefusedError(
        f"the set {name} was recorded in a form that this program cannot measure against; use the "
        "version that it was made with (labkit show)",
        field="set", value=name,
    )


def _line_of(
    slot: Slot, lines: Mapping[str, tuple[StoredSet, Expected]]
) -> tuple[StoredSet, Expected]:
    """Find the line of a rod; one that is still being made has that of the rod it replaces."""
    for rod in (slot.rod, *reversed(slot.replaced)):
        if rod.identifier in lines:
            made_in, line = lines[rod.identifier]
            return made_in, replace(line, identifier=slot.rod.identifier)
    raise _unknown(slot.rod.set_name)


def _place(slot: Slot, made_in: StoredSet, line: Expected) -> Place:
    process = made_in.process.content
    return Place(
        expected=replace(line, step=slot.step, side=slot.side),
        revision=made_in.set_revision,
        form_step=line.step,
        gauge_uncertainty_mm=float(process["gauge_uncertainty_mm"]),
        # Processes of older ledgers do not tell.
        expansion_per_c=float(process.get("expansion_per_c", EXPANSION_PER_C)),
        expansion_u_per_c=process.get("expansion_u_per_c"),
    )


def side_tolerances(stored: StoredSet, bench: Bench) -> dict[int, Decimal]:
    """Take the side tolerances of a set; sets of older programs have the rods' own.

    Returns:
        Step → tolerance of left minus right, ±, mm.
    """
    found: dict[int, Decimal] = {}
    for place in bench.places:
        own = place.expected.tolerance_mm
        found[place.expected.step] = min(own, found.get(place.expected.step, own))
    told = stored.content.get("tolerances_mm", [])
    for step, each in enumerate(told, 1):
        if step in found and each.get("side_tolerance_mm") is not None:
            found[step] = Decimal(repr(each["side_tolerance_mm"]))
    return found
