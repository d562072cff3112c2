"""The case mark in the record: one for all rods of a case, and whose else it is."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator

from labkit.core.case.rod_life import IN_CIRCULATION
from labkit.core.findings import Finding, note
from labkit.core.grading.prescription import Prescription
from labkit.errors import LabkitError, RefusedError
from labkit.ledger.queries import Reader
from labkit.ledger.stored import CaseSummary, StoredPrescription
from labkit.units import first_few
from labkit.workflow.sets.stored_case import read_stored

#: The key where it is no comment, as in a blank prescription.
_KEY = re.compile(r"""(?m)^\s*["']?case_mark""")
#: As many cases are named in a note.
MOST_NAMED = 6


def case_mark_of(stored: StoredPrescription) -> str:
    """Give the case mark of a revision; empty without one, or where it cannot be read."""
    try:
        return read_stored(stored)[1].case_mark
    except LabkitError:  # of another version of the program, which knew no case marks
        return ""


def refuse_other_mark(reader: Reader, prescription: Prescription, where: str) -> None:
    """Refuse a prescription whose case mark is not the one that rods in circulation bear.

    Args:
        where: Name of the prescription's file.

    Raises:
        RefusedError: Rods in circulation bear another case mark, or this one has none.
    """
    case, mark = prescription.case, prescription.case_mark
    for name, worn in _worn(reader, case).items():
        if worn not in ("", mark):
            has = f'has case_mark = "{mark}"' if mark else "has none"
            raise RefusedError(
                f"rods of {case} in circulation bear the case mark {worn} ({name}), but this "
                f'prescription {has}; write case_mark = "{worn}", or take those rods back first '
                f"(`labkit rod {name} withdrawn`); nothing was recorded",
                where=where, field="case_mark", value=mark,
            )


def case_mark_notes(reader: Reader, case: str, mark: str) -> tuple[Finding, ...]:
    """Note what keeps a case mark from telling two cases apart.

    Args:
        mark: The case mark of the case; empty for none.

    Returns:
        A note on other cases with rods in circulation that bear it, and one on rods of the case
        itself that bear none.
    """
    if not mark:
        return ()
    found = []
    bare = [name for name, worn in _worn(reader, case).items() if not worn]
    if bare:
        found.append(note(
            "case_mark_missing",
            f"rods of {case} in circulation bear no case mark ({', '.join(bare)}): a rod without "
            f"one cannot be distinguished from those of another case by {mark} on the others",
            "case_mark",
        ))
    others = [other for other in _with_mark(reader, mark) if other != case]
    if others:
        found.append(note(
            "case_mark_shared",
            f"the case mark {mark} is also on rods in circulation of "
            f"{first_few(others, most=MOST_NAMED)}: washed together, they cannot be "
            "distinguished; give one of the cases another mark",
            "case_mark",
        ))
    return tuple(found)


def _with_mark(reader: Reader, mark: str) -> list[str]:
    """List the cases with rods in circulation that bear a case mark."""
    cases = {stored.case for stored, own in _marked(reader) if own == mark}
    return sorted(case for case in cases if mark in _worn(reader, case).values())


def case_marks(reader: Reader, cases: Iterable[CaseSummary]) -> dict[str, str]:
    """Give the case marks of the newest prescriptions, of the cases that have one."""
    newest = {one.case: one.revision for one in cases}
    return {
        stored.case: mark for stored, mark in _marked(reader)
        if stored.revision == newest.get(stored.case)
    }


def _marked(reader: Reader) -> Iterator[tuple[StoredPrescription, str]]:
    """Give every revision that has a case mark; only those that may have one are read."""
    for stored in reader.prescriptions_with("case_mark"):
        if _KEY.search(stored.text) and (mark := case_mark_of(stored)):
            yield stored, mark


def _worn(reader: Reader, case: str) -> dict[str, str]:
    """Give the case mark of each set with rods in circulation, "" for none, by its name."""
    if not reader.has_case(case):
        return {}
    sets = {rod.set_name for rod in reader.rods(case) if rod.state in IN_CIRCULATION}
    return {
        stored.name: case_mark_of(stored.prescription)
        for stored in reader.sets(case) if stored.name in sets
    }
