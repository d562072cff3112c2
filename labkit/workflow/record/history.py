"""The history of a device: everything that the record holds of a case, in chapters."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from labkit.core.case.identifier import grouped
from labkit.core.case.rod_life import RodState, state_words
from labkit.core.findings import Finding, note
from labkit.core.report import Column, Report, Section, Table, data_of
from labkit.documents.figures import on_paper
from labkit.ledger.before_acts import look_at_case
from labkit.ledger.builds import StoredBuild, builds_of
from labkit.ledger.events import Event, Head, Kind
from labkit.ledger.queries import Reader
from labkit.ledger.stored import SetState, StoredReading, StoredRod, StoredSet
from labkit.qa.decision.conformance import Result
from labkit.units import counted
from labkit.workflow.inspection.release_state import WITHHELD, told_now
from labkit.workflow.record.lookup import CaseStory, case_story, need_case
from labkit.workflow.record.reports import story_report
from labkit.workflow.record.sheet import findings_of
from labkit.workflow.record.story import told
from labkit.workflow.rods.life import UNRELEASED

NAME = "history"
_NOTHING = "Nothing is recorded."
#: Chapter → the kinds of entries that it tells; every kind stands in one.
CHAPTERS: Mapping[str, tuple[Kind, ...]] = {
    "Case and prescription": (Kind.CASE_OPENED, Kind.PRESCRIPTION),
    "Orders": (Kind.ORDER, Kind.ORDER_WITHDRAWN),
    "Making": (Kind.SET_STARTED, Kind.SET_MADE, Kind.SET_ABANDONED, Kind.PAPERS_PRINTED,
               Kind.BUILD, Kind.BUILD_FAILED),
    "Inspection": (Kind.READING,),
    "Release, and rods used as is": (Kind.RELEASE, Kind.USE_AS_IS),
    "Delivery, fitting, return, and what ended a rod": (Kind.ROD_STATE,),
    "Trial fits": (Kind.TRIAL_FIT, Kind.TRIAL_ACCEPTED, Kind.TRIAL_WITHDRAWN),
    "Entries taken back": (Kind.CORRECTION,),
}


#: Kinds of entries that tell of something that was not as it should be.
_DEVIATIONS = (Kind.USE_AS_IS, Kind.CORRECTION, Kind.SET_ABANDONED, Kind.BUILD_FAILED)


@dataclass(frozen=True)
class History:
    """The story of a case, and what it was made and measured with.

    Args:
        head: Where the whole record ends.
        readings: Every reading of the case, also those that others took the place of.
        builds: Those that its rods lay in, in time order.
    """

    story: CaseStory
    head: Head
    readings: tuple[StoredReading, ...]
    builds: tuple[StoredBuild, ...]


def history_of(reader: Reader, case: str) -> History:
    """Gather the history of a case.

    Raises:
        InputError: The ledger does not know the case.
        LedgerError: The record is not as it was written.
    """
    need_case(reader, case)
    look_at_case(reader, case, whole_chain=True)
    story = case_story(reader, case)
    readings = tuple(
        StoredReading.of(event) for event in story.events if event.kind is Kind.READING
    )
    return History(story, reader.head(), readings, builds_of(reader, case))


def history_report(history: History) -> Report:
    """Make the report of a history: facts first, then each chapter, an entry a row."""
    story, head = history.story, history.head
    last = story.events[-1]
    standing = story.standing
    stand = tuple(on_paper(told_now(each)) for each in story.releases)
    sections = (
        Section("What it was made from", table=Table.of(_PRESCRIPTIONS, story.prescriptions)),
        Section("Sets", table=Table.of(_SETS, story.sets)),
        Section("Checksums", table=Table.of(_SUMS, _sums(story))),
        Section("Processes, and what is known of them", table=Table.of(
            _PROCESSES, _unlike(one.process.content for one in story.sets)
        )),
        Section("Material", table=Table.of(_LOTS, _lots(history))),
        Section("Measured with", table=Table.of(_TOOLS, _tools(history))),
        Section("Rods", table=Table.of(_RODS, [each.rod for each in story.rods])),
        *_builds(history),
        _chapter("Deviations", _deviations(story)),
        *(_chapter(name, _entries(story, kinds)) for name, kinds in CHAPTERS.items()),
        Section("State of its sets", stand or (_NOTHING,)),
    )
    return Report(
        "History of a device",
        sections,
        data_of(_data(history)),
        findings=(*_to_know(story), *(findings_of(standing) if standing else ())),
        subtitle=f"Case {story.case}",
        facts=(
            ("True as of", f"entry {last.seq} of the record, {last.at[:10]}"),
            ("Entries of the case", str(len(story.events))),
            ("Record", f"{head.count} entries, looked at as a whole: none was changed"),
            ("Its digest", head.digest),
            *([("Case mark", story.case_mark)] if story.case_mark else []),
        ),
        date=last.at[:10],
        name=NAME,
    )


def prescriptions_as_files(history: History) -> dict[str, bytes]:
    """Give every prescription revision as it was recorded, by file name."""
    return {
        f"prescription-{one.revision}.toml": one.text.encode("utf-8")
        for one in history.story.prescriptions
    }


def _data(history: History) -> dict[str, Any]:
    """Give everything for programs: the story, with the bodies of all entries."""
    story = history.story
    bodies = {event.seq: event for event in story.events}
    data = dict(story_report(story).data)
    data["events"] = [
        {**told_before, "body": bodies[told_before["seq"]].body,
         "previous": bodies[told_before["seq"]].previous,
         "digest": bodies[told_before["seq"]].digest}
        for told_before in data["events"]
    ]
    return {
        **data,
        "record": {"entries": history.head.count, "digest": history.head.digest},
        "chapters": {name: [str(kind) for kind in kinds] for name, kinds in CHAPTERS.items()},
        "templates": _unlike(one.template.content for one in story.sets),
        "processes": _unlike(one.process.content for one in story.sets),
        "material": Table.of(_LOTS, _lots(history)).records,
        "tools": Table.of(_TOOLS, _tools(history)).records,
        "builds": _lay(history).records,
    }


def _unlike(contents: Iterator[dict[str, Any]] | Any) -> list[dict[str, Any]]:
    """Keep each content once, in their order."""
    found: list[dict[str, Any]] = []
    for one in contents:
        if one not in found:
            found.append(one)
    return found


def _builds(history: History) -> Iterator[Section]:
    """Tell where each piece lay when it was built, where that is recorded."""
    if history.builds:
        yield Section("Builds, and where each piece lay", table=_lay(history))


def _lay(history: History) -> Table:
    return Table.of(
        _LAY, [(build, piece) for build in history.builds for piece in build.told.pieces]
    )


def _chapter(name: str, entries: Iterator[tuple[Event, str]]) -> Section:
    rows = list(entries)
    return Section(name, table=Table.of(_ENTRIES, rows)) if rows else Section(name, (_NOTHING,))


def _deviations(story: CaseStory) -> Iterator[tuple[Event, str]]:
    """Give the entries that tell of something that was not as it should be."""
    for event, words in _entries(story, tuple(Kind)):
        body = event.body
        if (
            event.kind in _DEVIATIONS
            or event.corrects is not None
            or body.get("state") in (RodState.REJECTED, RodState.BROKEN)
            or body.get("decision") == WITHHELD
            or any(word in (body.get("reason") or "") for word in UNRELEASED)
            or (body.get("details") or {}).get("result") not in (None, str(Result.CONFORMS))
        ):
            yield event, words


def _to_know(story: CaseStory) -> Iterator[Finding]:
    """Say what whoever reads the history has to know first."""
    if count := len(list(_deviations(story))):
        which = "entry reports" if count == 1 else "entries report"
        yield note("deviations", f"{count} {which} something that was not as it should be; see "
                   "Deviations")
    if story.problem:
        yield note("not_known", f"what the rods mean now is unknown: {story.problem}")


def _entries(story: CaseStory, kinds: Sequence[Kind]) -> Iterator[tuple[Event, str]]:
    for event in story.events:
        if event.kind in kinds:
            later = story.corrected.get(event.seq)
            yield event, told(event) + (f" [corrected by entry {later}]" if later else "")


def _lots(history: History) -> list[dict[str, Any]]:
    """Tell which lots the rods were made of, as their readings and releases say."""
    told = [
        (one.details.get("material_lot"), one.details.get("use_before"), one.identifier)
        for one in history.readings
    ] + [
        (rod["material_lot"], rod.get("use_before"), rod["identifier"])
        for event in history.story.events if event.kind is Kind.RELEASE
        for rod in (event.body.get("basis") or {}).get("rods", ())
    ]
    lots: dict[str, list[str]] = {}
    days: dict[str, str] = {}
    for lot, use_before, identifier in told:
        if lot:
            lots.setdefault(lot, []).append(identifier)
        if lot and use_before:
            days[lot] = min(use_before, days.get(lot, use_before))
    return [
        {"lot": lot, "use_before": days.get(lot), "identifiers": list(dict.fromkeys(rods))}
        for lot, rods in lots.items()
    ]


def _tools(history: History) -> list[dict[str, Any]]:
    """Tell which instruments and gauge pins measured, each as it was known then."""
    told_of = (one.details.get(kind) for one in history.readings
               for kind in ("instrument", "gauge_pins"))
    return _unlike(
        {name: tool.get(name) for name in ("name", "title", "evidence", "calibration_due")}
        for tool in told_of if tool
    )


def _sums(story: CaseStory) -> list[tuple[str, str]]:
    """Name each prescription's text, and each finished set's list of sums, with its checksum."""
    return [
        *((f"prescription-{one.revision}.toml", one.sha256) for one in story.prescriptions),
        *((f"{one.name}, list of sums", one.sums_sha256) for one in story.sets if one.sums_sha256),
    ]


def _made(stored: StoredSet) -> str:
    end = stored.ended
    if end is None:
        return "being made"
    return f"{end.at[:10]}, {end.by}" if stored.state is SetState.MADE else "abandoned"


def _calibrated(process: Mapping[str, Any]) -> str:
    own = process.get("calibration") or {}
    return f"{own['date']}, {own['coupons']} coupons, by {own['by']}" if own else "no"


def _state(rod: StoredRod) -> str:
    return state_words(RodState(rod.state))


_PRESCRIPTIONS = (
    Column("revision", "revision"),
    Column("entry", "stamp.seq"),
    Column("recorded", lambda one: f"{one.stamp.at[:10]}, {one.stamp.by}"),
    Column("why", lambda one: one.reason or "as prescribed"),
    Column("file", lambda one: f"prescription-{one.revision}.toml"),
)
_SETS = (
    Column("set", "name"),
    Column("what", "purpose"),
    Column("prescription", "prescription.revision"),
    Column("made", _made),
    Column("template", "template.name"),
    Column("process", "process.name"),
    Column("program", "program"),
)
#: Checksums have a table of their own: beside other columns they are wider than a page.
_SUMS = (
    Column("of", lambda row: row[0]),
    Column("SHA-256", lambda row: row[1]),
)
_PROCESSES = (
    Column("process", lambda one: f"{one['title']} ({one['name']})"),
    Column("machine", lambda one: one["machine"]),
    Column("material", lambda one: one["material"]),
    Column("evidence", lambda one: one["evidence"]),
    Column("calibrated", _calibrated),
)
_LOTS = (
    Column("lot", lambda one: one["lot"], "lot"),
    Column("use before", lambda one: one["use_before"], "use_before", unknown="not stated"),
    Column("rods", lambda one: one["identifiers"], "identifiers",
           lambda rods: f"{counted(len(rods), 'rod')}: {', '.join(map(grouped, rods))}"),
)
_TOOLS = (
    Column("instrument", lambda one: f"{one['title']} ({one['name']})", "title"),
    Column(None, lambda one: one["name"], "name"),
    Column("evidence", lambda one: one["evidence"], "evidence"),
    Column("calibration due", lambda one: one["calibration_due"], "calibration_due",
           unknown="not stated"),
)
_RODS = (
    Column("identifier", "identifier", show=grouped),
    Column("set", "set_name"),
    Column("step", "step"),
    Column("rod", lambda rod: f"{rod.label} {rod.side}"),
    Column("replaces", lambda rod: rod.replaces or None, show=grouped, unknown=""),
    Column("is", _state),
    Column("since", lambda rod: rod.state_since.at[:10]),
)
_LAY = (
    Column("build", lambda row: row[0].number, "build"),
    Column("identifier", lambda row: row[1].identifier, "identifier", grouped),
    Column("bed", lambda row: row[1].bed, "bed"),
    Column("place", lambda row: row[1].place, "place"),
    Column("spare", lambda row: row[1].spare, "spare", unknown="", optional=True),
    Column("process", lambda row: row[0].told.process, "process"),
    Column("laid out", lambda row: row[0].stamp.at, "at", lambda at: at[:10]),
    Column("by", lambda row: row[0].stamp.by, "by"),
    Column("failed", lambda row: row[0].failed.get(row[1].identifier), "failed", unknown="",
           optional=True),
)
_ENTRIES = (
    Column("entry", lambda row: row[0].seq),
    Column("when, UTC", lambda row: f"{row[0].at[:10]} {row[0].at[11:16]}"),
    Column("by", lambda row: row[0].by),
    Column("what", lambda row: row[1]),
)
