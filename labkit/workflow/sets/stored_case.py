"""A case as its record tells it: the prescription now, and where every rod holds the jaw."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

from labkit.catalog.prescriptions import read_prescription
from labkit.catalog.toml_source import TomlSource, parse_toml
from labkit.core.case.cover import TolerancedRod
from labkit.core.case.rod_life import IN_CIRCULATION
from labkit.core.case.rods_out import RodOut
from labkit.core.grading.grade import length_tolerance
from labkit.core.grading.prescription import Grading, Prescription, Side
from labkit.core.grading.steps import LengthLimits
from labkit.errors import InputError, RefusedError
from labkit.ledger.queries import Reader
from labkit.ledger.rods import REPLACEMENT
from labkit.ledger.stored import SetState, StoredPrescription, StoredRod, StoredSet


@dataclass(frozen=True)
class StoredCase:
    """What the ledger holds of a case, read.

    Args:
        revision: Last revision of its prescription.
        limits: Limits of the rod template that the rods were made from.
        last: The last of its sets, of the template that the prescription names.
        rods: Every rod, also those that are not out.
        sets: Every set, as `rods` tells of them.
    """

    case: str
    revision: int
    source: TomlSource
    prescription: Prescription
    limits: LengthLimits
    last: StoredSet
    rods: tuple[StoredRod, ...]
    sets: tuple[StoredSet, ...] = field(repr=False)

    @cached_property
    def out(self) -> tuple[TolerancedRod, ...]:
        """The rods that are out or reserved."""
        return rods_out(self.sets, self.rods)

    @property
    def sets_folder(self) -> str:
        """Folder that holds the last of its sets."""
        return str(Path(self.last.folder).parent)


def read_case(reader: Reader, case: str) -> StoredCase:
    """Read a case from the ledger.

    Returns:
        The case with the last revision of its prescription.

    Raises:
        InputError: The stored prescription cannot be read by this program.
        RefusedError: No set of the case was ever started.
        LedgerError: The case has no prescription.
    """
    stored = reader.prescription(case)
    source, prescription = read_stored(stored)
    sets, rods = reader.sets(case), reader.rods(case)
    last = _telling_set(sets, prescription)
    return StoredCase(
        case=case,
        revision=stored.revision,
        source=source,
        prescription=prescription,
        limits=limits_of(last.template.content),
        last=last,
        rods=rods,
        sets=sets,
    )


@lru_cache(maxsize=64)
def read_stored(stored: StoredPrescription) -> tuple[TomlSource, Prescription]:
    """Read one revision of a prescription from its text; asked again soon, it is read once.

    Raises:
        InputError: This program cannot read it.
    """
    source = parse_toml(stored.text, f"{stored.case}, revision {stored.revision}")
    prescription, _ = read_prescription(source, _stated_template(source))
    return source, prescription


def _stated_template(source: TomlSource) -> tuple[str, ...]:
    """Give the template that the text names: what it was like is stored with each set."""
    table = source.data.get("appliance")
    name = table.get("template") if isinstance(table, dict) else None
    return (name,) if isinstance(name, str) else ()


def _telling_set(sets: tuple[StoredSet, ...], prescription: Prescription) -> StoredSet:
    """Take the last set made, rather one of the template that the prescription names."""
    if not sets:
        raise RefusedError(
            f"no set of the case {prescription.case!r} was made yet, so there is no rod; make "
            "one with `labkit make`",
            field="case",
        )
    return max(
        sets,
        key=lambda s: (
            s.purpose != REPLACEMENT,  # its rods are as those of an older set
            s.template.name == prescription.template,
            s.state is SetState.MADE,
            s.started.seq,
        ),
    )


def limits_of(template: dict[str, Any]) -> LengthLimits:
    """Take the limits of a rod template as stored with a set.

    Raises:
        InputError: It was stored in a form that this program does not know.
    """
    try:
        return LengthLimits(
            shortest_mm=Decimal(repr(template["shortest_mm"])),
            longest_mm=Decimal(repr(template["longest_mm"])),
            tolerance_class=template["length_tolerance"],
            template=template["name"],
        )
    except (KeyError, ArithmeticError) as error:
        raise InputError(
            f"the rod template {template.get('name')!r} is stored in a form that this program "
            "does not know; use the version that stored it",
            field="template",
        ) from error


def pair_of(rod: StoredRod) -> str:
    """Name the setting that a rod was made for, such as "QF-1043-r1/3" (set, step).

    A replacement is of the setting of the rod whose place it takes.
    """
    return f"{rod.first_set}/{rod.step}"


def rods_out(
    sets: Iterable[StoredSet], rods: Iterable[StoredRod]
) -> tuple[TolerancedRod, ...]:
    """Pick the rods that are out or reserved, as the core knows them."""
    out = (rod for rod in rods if rod.state in IN_CIRCULATION)
    return tuple(known for _, known in as_made(sets, out))


def as_made(
    sets: Iterable[StoredSet], rods: Iterable[StoredRod]
) -> Iterator[tuple[StoredRod, TolerancedRod]]:
    """Give rods of a case as the core knows them, with the tolerance that each was made with.

    Args:
        sets: Every set of the case.

    Raises:
        InputError: A set was stored in a form that this program does not know.
    """
    by_name = {stored.name: stored for stored in sets}
    asked: dict[str, tuple[Grading, LengthLimits]] = {}
    for rod in rods:
        if rod.set_name not in asked:
            made = by_name[rod.set_name]
            grading = read_stored(made.prescription)[1].grading
            asked[rod.set_name] = grading, limits_of(made.template.content)
        place = f"set {by_name[rod.first_set].set_revision}, step {rod.step}"
        out = RodOut(
            pair_of(rod), Side(rod.side), rod.label, made=rod.state != "reserved", place=place
        )
        yield rod, TolerancedRod(out, length_tolerance(out.length, *asked[rod.set_name]))
