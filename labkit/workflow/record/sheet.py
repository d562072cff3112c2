"""The case sheet of today: what holds now for every rod of a case, as a report."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from labkit.core.case.case_standing import CaseRod, CaseStanding, PairNow
from labkit.core.case.holding import not_holding
from labkit.core.case.identifier import grouped
from labkit.core.case.rod_life import WHO_HAS_IT, who_since
from labkit.core.findings import Finding, note
from labkit.core.grading.prescription import Side
from labkit.core.grading.steps import percent_name
from labkit.core.report import Column, On, Report, Section, Table
from labkit.documents.figures import sentence
from labkit.units import millimetres

if TYPE_CHECKING:
    from labkit.catalog.profiles import Profile

#: Code of the finding that what is in the mouth is no pair.
IN_THE_MOUTH = "no_pair_in_the_mouth"


def sheet_report(standing: CaseStanding) -> Report:
    """Make the case sheet of today."""
    there = [pair for pair in standing.pairs if pair.rods]
    pairs = Table.of(_PAIRS, there, [n for n, pair in enumerate(there) if pair.not_to_be_worn])
    rods = circulation_table(standing)
    empty = Table.of(_EMPTY, [
        (pair, rod) for pair in standing.pairs
        for side in Side if (rod := pair.gone.get(side)) is not None
    ])
    now = standing.now
    return Report(
        title="Case sheet of today",
        subtitle=f"Case {standing.case}",
        facts=(
            ("Protrusive range", f"{millimetres(now.range_mm)} mm, since entry {now.entry}, "
                                 f"{now.date}, by {now.by}"),
            ("Prescription revision", str(standing.revision)),
            ("True as of", f"entry {standing.entry} of the record, {standing.on}"),
        ),
        sections=(
            Section(
                f"Case {standing.case}",
                (f"{standing.true_as_of}; prescription revision {standing.revision}",
                 f"Protrusive range {millimetres(now.range_mm)} mm since entry {now.entry} "
                 f"({now.date}, {now.by})"),
                on=On.SCREEN,
            ),
            Section("What each pair makes now", (), pairs),
            Section("Rods in circulation", (), rods),
            *([Section("Empty places", (), empty)] if empty.rows else ()),
            Section(
                words=tuple(sentence(finding.message) for finding in findings_of(standing)),
                on=On.SCREEN,
            ),
        ),
        data={
            "schema": 1, "case": standing.case, "prescription_revision": standing.revision,
            "range_mm": now.range_mm, "range_entry": now.entry, "range_date": now.date,
            "entry": standing.entry, "date": standing.on,
            "pairs": [pair_json(pair) for pair in standing.pairs],
            "asked_back": [rod.identifier for rod in standing.asked_back],
            "findings": findings_of(standing),
        },
        findings=findings_of(standing),
        date=standing.on,
        name="case-sheet-of-today",
    )


def circulation_table(standing: CaseStanding) -> Table:
    """List every rod in circulation: what it makes now, and who has it."""
    return Table.of(_RODS, [
        (pair, rod) for pair in standing.pairs
        for side in Side if (rod := pair.rods.get(side)) is not None
    ])


def write_sheet(report: Report, path: Path, profile: Profile) -> None:
    """Write the sheet as a PDF, a new file that is whole or absent.

    Raises:
        DeliveryError: There is such a file, or it cannot be written.
        InputError: The lab's own template cannot be set.
    """
    from labkit.exports.write.put import put_new

    put_new(path, sheet_pdf(report, profile))


def sheet_pdf(report: Report, profile: Profile) -> bytes:
    """Give the sheet as a PDF.

    Raises:
        InputError: The lab's own template cannot be set.
    """
    from labkit.documents.process_report import report_pdf  # looks print no paper

    return report_pdf(report, profile)


def percent_of(pair: PairNow) -> str:
    """Write what a pair makes now, in percent."""
    percent = None if pair.makes is None else pair.makes.percent
    return "not known" if percent is None else millimetres(percent, 1)


def _advancement(pair: PairNow) -> str:
    makes = pair.makes
    if makes is None or makes.advancement_mm is None:
        return "not known"
    return f"{millimetres(makes.advancement_mm)} ±{millimetres(makes.tolerance_mm)}"


def _serves(pair: PairNow) -> str:
    served = ", ".join(percent_name(percent) for percent in pair.serves)
    return f"{served}, start" if pair.start else served


def _label(side: Side) -> Column:
    def of(pair: PairNow) -> str:
        return pair.rods[side].rod.rod.label if side in pair.rods else "none"

    return Column(str(side), of)


_PAIRS = (
    Column("set", "set_number"),
    Column("step", "step"),
    _label(Side.LEFT),
    _label(Side.RIGHT),
    Column("% now", percent_of),
    Column("mm now", _advancement),
    Column("prescribed", _serves),
    Column("", "words"),
)
_RODS = (
    Column("identifier", lambda row: grouped(row[1].identifier)),
    Column("rod", lambda row: f"{row[1].rod.rod.label} {row[1].rod.rod.side}"),
    Column("set,\nstep", lambda row: f"{row[0].set_number}, {row[0].step}"),
    Column("% now", lambda row: percent_of(row[0])),
    Column("who has it", lambda row: WHO_HAS_IT[row[1].state]),
    Column("since", lambda row: row[1].since, on=On.PAPER),
    Column("", lambda row: row[0].words),
)
_EMPTY = (
    Column("place", lambda row: f"set {row[0].set_number}, step {row[0].step} "
                                f"{row[1].rod.rod.side}"),
    Column("rod", lambda row: row[1].rod.rod.label),
    Column("identifier", lambda row: grouped(row[1].identifier)),
    Column("state", lambda row: str(row[1].state)),
    Column("since", lambda row: row[1].since),
)


def findings_of(standing: CaseStanding) -> tuple[Finding, ...]:
    """Say what must be acted on."""
    told = pairs_not_worn, mouth_found, _rounding, _not_holding, _start
    return tuple(finding for each in told for finding in each(standing))


def rods_named(rods: tuple[CaseRod, ...]) -> str:
    """Name rods in a sentence by identifier, label and side."""
    return ", ".join(f"{grouped(rod.identifier)} ({rod.rod.rod.label} {rod.rod.rod.side})"
                     for rod in rods)


def pairs_not_worn(standing: CaseStanding) -> Iterator[Finding]:
    """Name the pairs that are not to be worn, with their rods, and the rods to be asked back."""
    for pair in standing.pairs:
        makes = pair.makes
        if makes is None or not pair.not_to_be_worn:
            continue
        why = (
            "cannot be read back on the geometry that holds now" if makes.percent is None
            else f"makes {makes.percent:.1f} % of the range that holds now, "
            f"{millimetres(makes.beyond_mm)} mm beyond the maximum"
        )
        rods = rods_named(tuple(pair.rods.values()))
        yield note(
            "not_to_be_worn", f"NOT TO BE WORN: {pair.name}, rods {rods}, {why}", pair.name
        )
    if standing.asked_back:
        yield note("asked_back",
                   f"ask for these rods back, and record them as returned or withdrawn: "
                   f"{rods_named(standing.asked_back)}",
                   "rods")


def mouth_found(standing: CaseStanding) -> Iterator[Finding]:
    """Say where what is recorded in the mouth is no pair of one step."""
    worn = standing.in_the_mouth
    if len({(pair.set_number, pair.step) for pair, _ in worn}) > 1:
        what = (
            "the rods recorded in the mouth are of two steps: "
            + " and ".join(_in_mouth(pair, rod) for pair, rod in worn)
        )
    elif len(worn) == 1:
        ((pair, rod),) = worn
        other = next(side for side in Side if side is not rod.rod.rod.side)
        there = pair.rods.get(other) or pair.gone.get(other)
        what = f"one rod alone is recorded in the mouth: {_in_mouth(pair, rod)}" + (
            f"; its {other} rod {there.rod.rod.label} ({grouped(there.identifier)}): "
            f"{who_since(there.state, there.since)}" if there else f"; it has no {other} rod"
        )
    else:
        return
    yield note(IN_THE_MOUTH, f"{what}; ask what is worn, and record it",
               ", ".join(rod.identifier for _, rod in worn))


def _in_mouth(pair: PairNow, rod: CaseRod) -> str:
    return (
        f"the {rod.rod.rod.side} rod {rod.rod.rod.label} ({grouped(rod.identifier)}) of "
        f"{pair.name}"
    )


def _rounding(standing: CaseStanding) -> Iterator[Finding]:
    for pair in standing.pairs:
        if pair.within_rounding and pair.makes is not None:
            yield note("within_rounding",
                       f"{pair.name} is 100 % within rounding: it makes "
                       f"{millimetres(pair.makes.beyond_mm)} mm more than the recorded maximum, "
                       f"its own tolerance ±{millimetres(pair.makes.tolerance_mm)} mm",
                       pair.name)


def _not_holding(standing: CaseStanding) -> Iterator[Finding]:
    for found in not_holding(standing):
        yield note("jaw_not_held",
                   f"{found.what}; ask the laboratory before they are worn",
                   ", ".join(pair.name for pair in found.pairs))


def _start(standing: CaseStanding) -> Iterator[Finding]:
    if standing.asked_start is None:
        yield note("no_start_named",
                   "the prescription names no start; ask the prescriber which step comes first",
                   "start")
    elif not any(pair.start for pair in standing.pairs):
        yield note("no_start_pair",
                   "no pair in circulation serves the prescribed start; ask the prescriber which "
                   "step comes first",
                   "start")


def pair_json(pair: PairNow) -> dict[str, Any]:
    """Give a setting as JSON content."""
    makes = pair.makes
    return {
        "set": pair.set_number, "step": pair.step,
        "percent": makes and makes.percent,
        "advancement_mm": makes and makes.advancement_mm,
        "tolerance_mm": makes and makes.tolerance_mm,
        "beyond_mm": makes.beyond_mm if makes and makes.percent is not None else None,
        "not_to_be_worn": pair.not_to_be_worn, "within_rounding": pair.within_rounding,
        "holds": makes is None or makes.holds,
        "serves_percent": list(pair.serves), "start": pair.start,
        "rods": [_rod_json(rod) for rod in pair.rods.values()],
        "gone": [_rod_json(rod) for rod in pair.gone.values()],
    }


def _rod_json(rod: CaseRod) -> dict[str, Any]:
    return {
        "identifier": rod.identifier, "side": str(rod.rod.rod.side), "label": rod.rod.rod.label,
        "state": str(rod.state), "since": rod.since,
    }
