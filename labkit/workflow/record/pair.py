"""What two rods of a recorded case make together, as a report."""

from __future__ import annotations

import re
from decimal import Decimal

from labkit.core.case.pair_question import Together, together
from labkit.core.case.rods_out import length_of
from labkit.core.findings import note
from labkit.core.grading.prescription import Side
from labkit.core.report import Report, Section
from labkit.errors import InputError
from labkit.ledger.queries import Reader
from labkit.units import millimetres, plain
from labkit.workflow.record.standing import standing_of_case
from labkit.workflow.sets.stored_case import read_case

_ENGRAVED = re.compile(r"(\d{1,3}(?:\.\d{1,4})?)([LR]?)", re.IGNORECASE)


def pair_report(reader: Reader, case: str, words: tuple[str, ...]) -> Report:
    """Answer what a left and a right rod make together on what holds now.

    Args:
        words: Two labels as engraved; without L and R the left one comes first.

    Raises:
        InputError: They are not a left and a right label.
    """
    left, right = _sides(words)
    with reader.snapshot():
        stored = read_case(reader, case)
        found = together(left, right, stored.prescription, stored.limits)
        standing = standing_of_case(reader, case)
    name = f"{plain(left)} left with {plain(right)} right"
    known = {
        side: {rod.rod.length for pair in standing.pairs for rod in pair.rods.values()
               if rod.rod.rod.side is side}
        for side in Side
    }  # fmt: skip
    absent = [
        note("not_in_circulation", f"no {side} rod {plain(length)} of the case is in circulation",
             str(side))
        for side, length in zip(Side, (left, right), strict=True) if length not in known[side]
    ]  # fmt: skip
    return Report(
        "Two rods together",
        (
            Section(f"Case {case}: {name}", (standing.true_as_of, *_told(found))),
            Section(findings=(*found.against, *absent)),
        ),
        {
            "schema": 1, "case": case, "left": plain(left), "right": plain(right),
            "percent": found.makes.percent, "advancement_mm": found.makes.advancement_mm,
            "tolerance_mm": found.makes.tolerance_mm, "off_mm": found.off_mm,
            "may_be_worn": not found.against, "entry": standing.entry,
            "findings": (*found.against, *absent),
        },
    )  # fmt: skip


def _sides(words: tuple[str, ...]) -> tuple[Decimal, Decimal]:
    matches = [_ENGRAVED.fullmatch(word) for word in words]
    if len(words) != len(Side) or not all(matches):
        raise InputError(
            "name one left and one right rod as engraved, such as 31.6L 30.1R; without L and R the "
            "left one comes first",
            field="rods", value=" ".join(words),
        )  # fmt: skip
    given = [(match[1], match[2].upper()) for match in matches if match]
    marks = [mark for _, mark in given]
    if marks in (["R", "L"], ["R", ""], ["", "L"]):
        given.reverse()
    elif marks in (["L", "L"], ["R", "R"]):
        raise InputError(
            f"both rods are {'left' if marks[0] == 'L' else 'right'} ones; name one left and one "
            "right rod, such as 31.6L 30.1R",
            field="rods", value=" ".join(words),
        )  # fmt: skip
    return length_of(given[0][0]), length_of(given[1][0])


def _told(found: Together) -> tuple[str, ...]:
    if found.made is None:
        return ("Together they hold the jaw nowhere.",)
    makes = found.makes
    made = found.made
    assert makes.percent is not None
    lines = [
        f"They make {makes.percent:.1f} % of the range that holds now, "
        f"{millimetres(made.advancement_mm)} mm of advancement "
        f"(±{millimetres(makes.tolerance_mm)} mm within their tolerances)",
    ]
    if made.deviation_mm is not None and found.off_mm is not None:
        lines.append(
            f"Sideways {made.deviation_mm:+.2f} mm from the registered bite (+ to the left)"
        )
    if not found.against:
        lines.append("Nothing that is recorded speaks against wearing them together.")
    return tuple(lines)

