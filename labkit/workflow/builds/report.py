"""What a build job lays where, what it leaves out, and why, as a report."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from labkit.core.report import Column, Report, Section, Table
from labkit.documents.build_map import look_alikes
from labkit.units import MOST_NAMED, counted
from labkit.workflow.builds.files import MAP_FILE, bed_file, beds_of, build_content
from labkit.workflow.builds.job import MadeBuild, Planned
from labkit.workflow.builds.layout import Layout
from labkit.workflow.builds.wanted import WhyNot


def build_report(planned: Planned, made: MadeBuild | None) -> Report:
    """Make the report of a build.

    Args:
        made: The build; None where it was only looked at.
    """
    layout, number = planned.layout, made.number if made else 0
    beds = Table.of(_BEDS, [(layout, index) for index, _ in enumerate(layout.plans)])
    name = f"Build {number}" if made else "What would be built"
    cases = Table.of(_CASES, [(layout, case) for case in _cases(layout)])
    left = Table.of(_LEFT, list(_left(planned)))
    waiting = Table.of(_WAITING, layout.left)
    content = build_content((number, ""), layout, planned.process)
    sections = [
        Section(f"{name}: beds", table=beds),
        Section("Cases", tuple(_alike(layout)), cases),
        *([Section("Kept for the next build", table=waiting)] if waiting.rows else ()),
        *([Section("Not built", _what_to_do(planned), left)] if left.rows else ()),
        Section(words=tuple(_last(made))),
    ]
    data: dict[str, Any] = {
        "schema": 1, "build": number or None, "folder": str(made.folder) if made else None,
        "process": content["process"], "beds": content["beds"],
        "kept": [
            {"pieces": [piece.laid.name for piece in group], "why": why}
            for group, why in layout.left
        ],
        "not_built": left.records,
    }
    return Report(name, tuple(sections), data)


def settled_report(made: MadeBuild) -> Report:
    """Make the report of a run that found its work done, and put in its place."""
    return Report(
        f"Build {made.number}", (Section(words=tuple(_last(made))),),
        {"schema": 1, "build": made.number, "folder": str(made.folder), "beds": []},
    )


def _last(made: MadeBuild | None) -> Iterator[str]:
    if made is None:
        yield "Nothing was written; leave --dry-run out to write the beds and record the build"
        return
    folder: Path = made.folder
    yield f"Build {made.number}: {folder}"
    yield f"Sort by {folder / MAP_FILE} before the rods leave the bed"
    yield f"If it fails: labkit plate --failed {made.number} --reason WHY --by YOU"


def _cases(layout: Layout) -> list[str]:
    return [*layout.cases, *([""] if any(not one.piece.case for one in layout.lying) else ())]


def _alike(layout: Layout) -> Iterator[str]:
    for number, bed in enumerate(beds_of(layout), 1):
        for label, own in look_alikes(bed.pieces).items():
            where = ", ".join(f"{one.case or 'coupon'} place {one.place}" for one in own)
            yield f"Note: on bed {number} the rods {label} differ by their place alone: {where}"


def _bed_cases(layout: Layout, index: int) -> str:
    found = {one.piece.case for one in layout.on_bed(index + 1)}
    return ", ".join(letter for case, letter in layout.letters.items() if case in found)


_BEDS = (
    Column("bed", lambda each: each[1] + 1),
    Column("file", lambda each: bed_file(each[1])),
    Column("pieces", lambda each: len(each[0].on_bed(each[1] + 1))),
    Column("height", lambda each: each[0].plans[each[1]].height_mm, show="{:.1f}".format,
           unit="mm"),
    Column("cases", lambda each: _bed_cases(*each)),
)


def _of(layout: Layout, case: str, *, spare: bool) -> int:
    return sum(one.piece.case == case and bool(one.piece.spare) == spare for one in layout.lying)


_CASES = (
    Column("letter", lambda each: each[0].letters[each[1]]),
    Column("case", lambda each: each[1] or "coupons"),
    Column("rods", lambda each: _of(*each, spare=False)),
    Column("spares", lambda each: _of(*each, spare=True) or None, optional=True),
    Column("on beds", lambda each: ", ".join(
        str(bed) for bed in sorted({one.bed for one in each[0].lying if one.piece.case == each[1]})
    )),
)
_WAITING = (
    Column("what", lambda each: _group(each[0])),
    Column("rods", lambda each: len(each[0])),
    Column("why", lambda each: each[1]),
)


def _group(pieces: Any) -> str:
    stored = pieces[0].stored
    return stored.set_name if stored else "coupons"


def _left(planned: Planned) -> Iterator[tuple[str, list[str], WhyNot]]:
    """Give what is left out by set and reason."""
    for (what, why), rods in planned.wanted.left_together().items():
        yield what, [f"{rod.label} {rod.side}" for rod in rods], why


def _what_to_do(planned: Planned) -> tuple[str, ...]:
    """Say once what to do about each reason for which rods are left out."""
    reasons = dict.fromkeys(one.why for one in planned.wanted.left if one.why.do)
    return tuple(f"{why.why[0].upper()}{why.why[1:]}: {why.do}" for why in reasons)


_LEFT = (
    Column("set", lambda each: each[0], "set"),
    Column("rods", lambda each: (
        ", ".join(each[1]) if len(each[1]) <= MOST_NAMED else counted(len(each[1]), "rod")
    ), "rods"),
    Column("why", lambda each: each[2].why, "why"),
    Column(None, lambda each: each[2].do, "do"),
)
