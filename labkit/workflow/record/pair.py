"""What two rods of a recorded case make together, as a report."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from labkit.core.case.case_standing import CaseRod
from labkit.core.case.cover import TolerancedRod
from labkit.core.case.identifier import grouped
from labkit.core.case.pair_question import Together, together
from labkit.core.case.rod_life import IN_CIRCULATION, WHO_HAS_IT, RodState
from labkit.core.case.rods_out import length_of
from labkit.core.findings import Finding, note, refusals, refused
from labkit.core.grading.prescription import Side
from labkit.core.report import Report, Section
from labkit.errors import InputError
from labkit.ledger.queries import Reader
from labkit.units import millimetres
from labkit.workflow.record.lookup import need_case
from labkit.workflow.record.standing import case_rods, standing_of_case
from labkit.workflow.rods.slips import no_such_label
from labkit.workflow.sets.stored_case import read_case

_ENGRAVED = re.compile(r"(\d{1,3}(?:\.\d{1,4})?)([LR]?)", re.IGNORECASE)
#: States of a rod that may be worn; one that is not ready yet is in circulation, but not here.
_TO_BE_WORN = frozenset(IN_CIRCULATION) - {RodState.RESERVED, RodState.WITHHELD}


@dataclass(frozen=True)
class Asked:
    """The rods of a case that one of the two labels can mean; never none.

    Args:
        rods: Of that side and length, the last made last.
    """

    side: Side
    rods: tuple[CaseRod, ...]

    @property
    def ready(self) -> tuple[CaseRod, ...]:
        """Those that may be worn."""
        return tuple(rod for rod in self.rods if rod.state in _TO_BE_WORN)

    @property
    def label(self) -> str:
        """The length as engraved."""
        return self.rods[-1].rod.rod.label

    @property
    def toleranced(self) -> TolerancedRod:
        """The rod with the widest tolerance among those that it can be."""
        return max((rod.rod for rod in self.ready or self.rods), key=lambda rod: rod.tolerance_mm)


def pair_report(reader: Reader, case: str, words: tuple[str, ...]) -> Report:
    """Answer what a left and a right rod make together on what holds now.

    Args:
        words: Two labels as engraved; without L and R the left one comes first.

    Returns:
        The answer, the prohibition first; `may_be_worn` in its data says whether there is none.

    Raises:
        InputError: They are not a left and a right label, or no rod of the case bears one.
    """
    lengths = _sides(words)
    with reader.snapshot():
        need_case(reader, case)
        stored = read_case(reader, case)
        left, right = _asked(case, tuple(case_rods(reader, case)), lengths)
        found = together(left.toleranced, right.toleranced, stored.prescription)
        standing = standing_of_case(reader, case, steps=False)
    findings = (*found.against, *_where(left), *_where(right))
    makes = found.makes
    return Report(
        "Two rods together",
        (Section(
            f"Case {case}: {left.label} left with {right.label} right",
            (*_told(found, findings), standing.true_as_of),
        ),),
        {
            "schema": 1, "case": case, "left": left.label, "right": right.label,
            "percent": makes.percent, "advancement_mm": makes.advancement_mm,
            "tolerance_mm": makes.tolerance_mm, "off_mm": found.off_mm,
            "may_be_worn": not refusals(findings), "entry": standing.entry, "findings": findings,
        },
    )


def _sides(words: tuple[str, ...]) -> tuple[Decimal, Decimal]:
    matches = [_ENGRAVED.fullmatch(word) for word in words]
    if len(words) != len(Side) or not all(matches):
        raise InputError(
            "name one left and one right rod as engraved, such as 31.6L 30.1R; without L and R the "
            "left one comes first",
            field="rods", value=" ".join(words),
        )
    given = [(match[1], match[2].upper()) for match in matches if match]
    marks = [mark for _, mark in given]
    if marks in (["R", "L"], ["R", ""], ["", "L"]):
        given.reverse()
    elif marks in (["L", "L"], ["R", "R"]):
        raise InputError(
            f"both rods are {'left' if marks[0] == 'L' else 'right'} ones; name one left and one "
            "right rod, such as 31.6L 30.1R",
            field="rods", value=" ".join(words),
        )
    return length_of(given[0][0]), length_of(given[1][0])


def _asked(
    case: str, rods: tuple[CaseRod, ...], lengths: tuple[Decimal, Decimal]
) -> Iterator[Asked]:
    for side, length in zip(Side, lengths, strict=True):
        own = [rod for rod in rods if rod.rod.rod.side is side]
        meant = tuple(rod for rod in own if rod.rod.length == length)
        if not meant:
            raise no_such_label(case, side, length, (rod.rod.rod.label for rod in own))
        yield Asked(side, meant)


def _where(asked: Asked) -> Iterator[Finding]:
    """Say where a rod is that does not lie ready to be worn."""
    rod = (asked.ready or asked.rods)[-1]
    where = f"the {asked.side} rod {asked.label}, {grouped(rod.identifier)}, is "
    if not asked.ready:
        yield refused(
            "not_to_be_had",
            f"{where}{WHO_HAS_IT[rod.state]}; nothing can be said about wearing it",
            str(asked.side),
        )
    elif all(one.state is RodState.MADE for one in asked.ready):
        yield note("not_released", f"{where}{WHO_HAS_IT[rod.state]}", str(asked.side))


def _told(found: Together, findings: tuple[Finding, ...]) -> Iterator[str]:
    if found.against:
        yield f"NOT TO BE WORN TOGETHER: {'; '.join(one.message for one in found.against)}."
    absent = [one for one in refusals(findings) if one not in found.against]
    yield from (f"{one.message[0].upper()}{one.message[1:]}." for one in absent)
    if found.made is not None and not absent:
        makes = found.makes
        yield (
            f"They make {makes.percent:.1f} % of the range that holds now, "
            f"{millimetres(found.made.advancement_mm)} mm of advancement "
            f"(±{millimetres(makes.tolerance_mm)} mm within their tolerances)."
        )
        if found.made.deviation_mm is not None:
            yield (
                f"The jaw is {found.made.deviation_mm:+.2f} mm sideways from the registered "
                "bite (+ to the patient's left)."
            )
    if not refusals(findings):
        yield "Nothing on record speaks against wearing them together."
    yield from (f"Note: {one.message}." for one in findings if one not in refusals(findings))
