"""What the record tells, as reports: all cases, the story of one, a rod by its identifier."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import partial
from typing import Any

from labkit.core.case.identifier import grouped
from labkit.core.case.rod_life import WHO_HAS_IT, RodState, state_words
from labkit.core.grading.steps import percent_name
from labkit.core.report import Column, Report, Section, Table, only
from labkit.documents.figures import sentence
from labkit.ledger.build_bodies import Piece
from labkit.ledger.builds import StoredBuild
from labkit.ledger.stored import CaseSummary, Stamp, StoredReading, StoredRod
from labkit.units import millimetres, plain
from labkit.workflow.inspection.release_state import release_json, told_now
from labkit.workflow.record.lookup import CaseLine, CaseStory, FoundRod, RodNow
from labkit.workflow.record.sheet import findings_of, pair_json, percent_of
from labkit.workflow.record.story import moment, reading_told, told

_CASES = (
    Column(None, lambda _: 1, "schema"),
    Column("case", "summary.case", "case"),
    Column("case mark", "case_mark", "case_mark", unknown="", optional=True),
    Column("prescription\nrevisions", "summary.revision", "revisions"),
    Column("sets", "summary.sets", "sets"),
    Column("rods in\ncirculation", "rods_out", "rods_out"),
    Column("asked\nback", "asked_back", "asked_back", unknown="not known"),
    Column(None, "summary.opened.at", "opened.at"),
    Column(None, "summary.opened.by", "opened.by"),
    Column(None, "summary.last_kind", "last.kind"),
    Column(None, "summary.last.at", "last.at"),
    Column("last entry", lambda line: _last(line.summary)),
    Column("by", "summary.last.by", "last.by"),
)


def _last(summary: CaseSummary) -> str:
    return f"{summary.last.at[:10]} {summary.last_kind.replace('-', ' ')}"


def cases_report(lines: Iterable[CaseLine]) -> Report:
    """Make the report of all cases; programs are given a list, `cases`."""
    table = Table.of(_CASES, lines)
    none = () if table.rows else ("The ledger has no cases yet.",)
    asked = [count for count in table.cells("asked_back") if count != 0]
    what = (
        "Rods that are not to be worn are asked back, until they are returned or withdrawn; "
        "`labkit recall` says which, and what else needs doing.",
    )
    return Report(
        "Cases",
        (Section("Cases", none, table), *([Section(words=what)] if asked else ())),
        {"cases": table.records},
    )


def _who(each: RodNow) -> str:
    return WHO_HAS_IT[RodState(each.rod.state)]


def _place(rod: StoredRod) -> str:
    """Name a rod's place: the number of its set within the case, and its step."""
    return f"{rod.set_name.rpartition('-r')[2]}, {rod.step}"


_RODS = (
    Column("identifier", "rod.identifier", "identifier", grouped),
    Column(None, "rod.set_name", "set"),
    Column(None, "rod.step", "made_as_step"),
    Column(None, "rod.percent", "made_for_percent"),
    Column(None, "rod.side", "side"),
    Column(None, "rod.label", "label"),
    Column("rod", lambda each: f"{each.rod.label} {each.rod.side}", ""),
    Column(None, "rod.state", "state"),
    Column(None, lambda each: each.rod.replaces or None, "replaces"),
    Column(None, lambda each: each.now and pair_json(each.now), "now"),
    Column("set,\nstep", lambda each: _place(each.rod), ""),
    Column("% now", "now", "", percent_of),
    Column("who has it", _who, ""),
    Column("", lambda each: each.now.words if each.now else "", ""),
)
_SETS = (
    Column(None, "name", "set"),
    *only("state", "purpose", "set_revision"),
    Column(None, "prescription.revision", "prescription_revision"),
    *only("folder", "template.name", "template.sha256", "process.name", "process.sha256"),
    *only("program"),
)
_PRESCRIPTIONS = (
    *only("revision", "reason", "sha256"),
    Column(None, "stamp.at", "at"), Column(None, "stamp.by", "by"), *only("text"),
)


def story_report(story: CaseStory) -> Report:
    """Make the report of a case: who did what and when, and what its rods mean now."""
    rods = Table.of(_RODS, story.rods)
    standing = story.standing
    later = [
        *([f"{standing.true_as_of}; protrusive range {millimetres(standing.now.range_mm)} mm since "
           f"entry {standing.now.entry}"] if standing else ()),
        *(f"{'' if each.stands else 'Note: '}{told_now(each)}" for each in story.releases),
        *([f"What the rods mean now is unknown: {story.problem}"] if story.problem else ()),
        *([f"Case mark {story.case_mark}, on every rod made from the newest prescription"]
          if story.case_mark else ()),
        *(sentence(finding.message) for finding in story.mark_notes),
        *(sentence(finding.message) for finding in (findings_of(standing) if standing else ())),
    ]
    events = (
        *only("seq", "at", "by", "kind"), Column(None, told, "text"), *only("corrects"),
        Column(None, lambda event: story.corrected.get(event.seq), "corrected_by"),
    )
    return Report(
        title="Story of a case",
        sections=(
            Section(f"Case {story.case}", (*_events_told(story), "")),
            Section("Rods, and what they make now", tuple(later), rods),
        ),
        data={
            "schema": 1,
            "case": story.case,
            **({"case_mark": story.case_mark} if story.case_mark else {}),
            "prescriptions": Table.of(_PRESCRIPTIONS, story.prescriptions).records,
            "sets": Table.of(_SETS, story.sets).records,
            "rods": rods.records,
            "releases": [release_json(each) for each in story.releases],
            "events": Table.of(events, story.events).records,
            "problem": story.problem or None,
        },
    )


def _events_told(story: CaseStory) -> Iterator[str]:
    for event in story.events:
        later = story.corrected.get(event.seq)
        corrected = f" [corrected by entry {later}]" if later else ""
        yield f"{event.seq:>5}  {moment(event.at)}  {event.by}: {told(event)}{corrected}"


def _detail(name: str, reading: StoredReading) -> Any:
    return reading.details.get(name)


_READINGS = (
    *only("quantity"),
    Column(None, lambda each: each.value_um / 1000, "value_mm"),
    Column(None, "u_mm", "uncertainty_mm"),
    *(
        Column(None, partial(_detail, name), name)
        for name in ("length_mm", "result", "probability")
    ),
    *only("gauge", "note"),
    Column(None, "stamp.at", "at"),
    Column(None, "stamp.by", "by"),
)


def rod_report(found: FoundRod) -> Report:
    """Make the report of a rod: its case, set and side, what it means now, its readings."""
    rod, of_set = found.rod.rod, found.of_set
    return Report(
        title="A rod",
        sections=(Section(words=tuple(_rod_told(found))),),
        data={
            "schema": 1,
            "identifier": rod.identifier,
            "case": rod.case,
            "set": rod.set_name,
            "purpose": of_set.purpose,
            "prescription_revision": of_set.prescription.revision,
            "side": rod.side,
            "label": rod.label,
            "length_mm": plain(rod.length_mm),
            "made_as_step": rod.step,
            "made_for_percent": rod.percent,
            "now": found.rod.now and pair_json(found.rod.now),
            "state": rod.state,
            "state_since": _stamp(rod.state_since),
            "state_on": found.told and found.told.on,
            "state_note": found.told and found.told.reason,
            "made": found.made and _stamp(found.made),
            "replaces": rod.replaces or None,
            "replaced_by": found.replaced_by and found.replaced_by.identifier,
            "release": found.release and release_json(found.release),
            "builds": [
                record for build in found.builds
                for record in Table.of(_PIECES, _lay_in(build, rod.identifier)).records
            ],
            "template": {"name": of_set.template.name, "sha256": of_set.template.sha256},
            "process": {"name": of_set.process.name, "sha256": of_set.process.sha256},
            "folder": of_set.folder,
            "readings": Table.of(_READINGS, found.readings).records,
            "problem": found.problem or None,
        },
    )


def _stamp(stamp: Stamp) -> dict[str, Any]:
    return {"at": stamp.at, "by": stamp.by}


def _rod_told(found: FoundRod) -> Iterator[str]:
    rod, of_set = found.rod.rod, found.of_set
    yield f"Rod {grouped(rod.identifier)}: {rod.label}, {rod.side}"
    yield f"Case: {rod.case}"
    made_for = f", for {rod.percent} %" if rod.percent else ""
    yield (
        f"Set: {rod.set_name}, made as step {rod.step}{made_for}, on prescription revision "
        f"{of_set.prescription.revision}"
    )
    yield f"Now: {_now(found)}"
    if found.made:
        yield f"Made: {moment(found.made.at)} by {found.made.by}"
    else:
        yield f"Begun: {moment(rod.made.at)} by {rod.made.by}, not made"
    since, told = rod.state_since, found.told
    on = (told and told.on) or moment(since.at)
    words = (told.cause, told.reason) if told else ()
    why = "".join(f": {one}" for one in words if one)
    yield f"State: {state_words(rod.state)} since {on}, by {since.by}{why}"
    yield from _places(found)
    for build in found.builds:
        yield f"Built: {lain_words(build, rod.identifier)}"
    for reading in found.readings:
        yield f"Reading: {_reading(reading)}"
    if not found.readings:
        yield "Reading: none yet"


def lain_words(build: StoredBuild, identifier: str) -> str:
    """Say where a rod lay in a build, and whether that gave it."""
    own, *spares = (
        f"{f'spare {one.spare}: ' if one.spare else ''}bed {one.bed}, place {one.place}"
        for one in build.pieces_of(identifier)
    )
    where = f"{own} (or {'; '.join(spares)})" if spares else own
    why = f"; failed: {build.failed[identifier]}" if identifier in build.failed else ""
    return (
        f"build {build.number}, {where}; laid out {moment(build.stamp.at)} by {build.stamp.by}, "
        f"process {build.told.process}{why}"
    )


def _lay_in(build: StoredBuild, identifier: str) -> Iterator[tuple[StoredBuild, Piece]]:
    return ((build, piece) for piece in build.pieces_of(identifier))


_PIECES = (
    Column(None, lambda each: each[0].number, "build"),
    Column(None, lambda each: each[1].bed, "bed"),
    Column(None, lambda each: each[1].place, "place"),
    Column(None, lambda each: each[1].spare, "spare"),
    Column(None, lambda each: each[0].failed.get(each[1].identifier), "failed"),
    Column(None, lambda each: each[0].told.folder, "folder"),
    Column(None, lambda each: each[0].stamp.at, "at"),
    Column(None, lambda each: each[0].stamp.by, "by"),
)


def _places(found: FoundRod) -> Iterator[str]:
    """Tell whose place it takes, what takes its own, and how its set stands."""
    old, new = found.replaces, found.replaced_by
    if old is not None:
        yield f"Replaces: {grouped(old.identifier)} of {old.set_name}, {old.state}"
    if new is not None:
        yield f"Replaced by: {grouped(new.identifier)} of {new.set_name}, {new.state}"
    if found.release is not None:
        yield f"Release: {told_now(found.release)}"


def _now(found: FoundRod) -> str:
    now = found.rod.now
    if found.problem:
        return f"unknown, since {found.problem}"
    if now is None:
        return "not in circulation"
    if now.makes is None or now.makes.percent is None:
        return f"{now.name}: it is not known what it makes on the geometry that holds now"
    serves = ", ".join(percent_name(percent) for percent in now.serves)
    what = f"serves the prescribed {serves}" if serves else "serves no prescribed step"
    return f"{now.name}, {millimetres(now.makes.advancement_mm or 0.0)} mm of advancement; " + (
        now.words if now.not_to_be_worn else "; ".join(one for one in (what, now.words) if one)
    )


def _reading(reading: StoredReading) -> str:
    note = f" ({reading.note})" if reading.note else ""
    return (
        f"{reading_told(reading)}, {moment(reading.stamp.at)} by {reading.stamp.by}{note}"
    )
