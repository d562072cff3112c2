"""What whoever releases a set has to answer: remarks on its rods, and readings in doubt."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from labkit.core.case.identifier import grouped
from labkit.core.people import is_one_of
from labkit.ledger.events import Kind
from labkit.ledger.queries import Reader
from labkit.ledger.sources import readings_of_file
from labkit.ledger.stored import StoredReading
from labkit.qa.decision.readings import SCAN, Expected
from labkit.qa.decision.taken import contradicts
from labkit.units import first_few, millimetres, runs
from labkit.workflow.inspection.inspect import Inspection
from labkit.workflow.inspection.reading_details import remark_of


@dataclass(frozen=True)
class Question:
    """One thing that is answered by the entries that it is about.

    Args:
        entries: Numbers of the entries; an answer names them all.
        told: What is asked about, without an end.
        hands: Codes of those whose answer does not count, in small letters; empty for anybody's.
        not_by: Who these are, in words.
    """

    entries: tuple[int, ...]
    told: str
    hands: frozenset[str] = frozenset()
    not_by: str = "who measured"


@dataclass(frozen=True)
class Answer:
    """What was answered about an entry."""

    text: str
    by: str


def questions(reader: Reader, inspection: Inspection) -> tuple[Question, ...]:
    """List everything that a release has to answer, in the order of the record.

    Remarks count also where the reading was taken again since: what was seen was seen.
    """
    story = reader.story(inspection.stored.case)
    readings = [
        StoredReading.of(event) for event in story
        if event.kind is Kind.READING
        and event.body["identifier"] in inspection.bench.by_identifier
    ]
    return (
        *_remarks(readings, inspection), *_doubts(inspection),
        *_contradicted(readings, inspection), *_seen_before(reader, readings, inspection),
    )


def _doubts(inspection: Inspection) -> Iterator[Question]:
    """Ask whether the readings of a set were taken (`labkit.qa.decision.taken`)."""
    for doubt in inspection.doubts:
        counted = [inspection.recorded[rod] for rod in doubt.identifiers]
        yield Question(
            tuple(each.stamp.seq for each in counted), doubt.sentence, hands_of(*counted)
        )


def _contradicted(
    readings: Sequence[StoredReading], inspection: Inspection
) -> Iterator[Question]:
    """Ask about lengths that were read otherwise before.

    By the same hand, another person answers for it; where two hands read, that of the reading which
    does not count may, since it says so against its own.
    """
    for rod, counted in inspection.recorded.items():
        for before in readings:
            if before.identifier != rod or before.stamp.seq >= counted.stamp.seq:
                continue
            then, now = (_length(each) for each in (before, counted))
            if not (then and now and contradicts(now, then)):
                continue
            same = bool(hands_of(before) & hands_of(counted))
            whose = "the same hand" if same else f"{before.measured_by} and by another hand"
            name = inspection.bench.by_identifier[rod].expected.name
            yield Question(
                (before.stamp.seq, counted.stamp.seq),
                f"{name}: {millimetres(then[0], 3)} mm (entry {before.stamp.seq}) and "
                f"{millimetres(now[0], 3)} mm (entry {counted.stamp.seq}) by {whose} contradict "
                "each other by more than their uncertainties",
                hands_of(before, counted) if same else hands_of(counted),
                "who measured" if same else "who measured last",
            )


def _length(entry: StoredReading) -> tuple[float, float] | None:
    length, u = entry.details.get("length_mm"), entry.u_mm
    return None if length is None or not u else (float(length), u)


def _seen_before(
    reader: Reader, readings: Sequence[StoredReading], inspection: Inspection
) -> Iterator[Question]:
    """Ask about a file that an earlier entry came from: of this rod, and of any rod for a scan.

    Of a scan the mesh counts too, whatever stands round it in the file.
    """
    for rod, counted in inspection.recorded.items():
        scan = counted.quantity == SCAN
        for words, digest in _digests(counted).items():
            before = next((
                each for each in (readings_of_file(reader, digest) if scan else readings)
                if _digests(each).get(words) == digest and each.stamp.seq < counted.stamp.seq
                and (scan or each.identifier == rod)
            ), None)
            if before is None:
                continue
            name = inspection.bench.by_identifier[rod].expected.name
            yield Question(
                (before.stamp.seq, counted.stamp.seq),
                f"{name}: entry {counted.stamp.seq} {words} as entry "
                f"{before.stamp.seq} (rod {grouped(before.identifier)}), so that nothing new "
                "was measured",
                hands_of(before, counted),
            )
            break


def _digests(entry: StoredReading) -> dict[str, str]:
    """Give what tells where a reading came from, by the words that say it."""
    told = {
        "came from the same file": (entry.details.get("source") or {}).get("sha256"),
        "shows the same mesh": (entry.details.get("scan") or {}).get("mesh_sha256"),
    }
    return {words: digest for words, digest in told.items() if digest}


def hands_of(*entries: StoredReading) -> frozenset[str]:
    """Give the codes of who measured or recorded, in small letters."""
    return frozenset(hand for each in entries for hand in each.hands)


def _remarks(
    readings: Sequence[StoredReading], inspection: Inspection
) -> Iterator[Question]:
    """Gather remarks alike: one that was filled down a column is one question."""
    places = inspection.bench.by_identifier
    alike: dict[tuple[str, str], list[StoredReading]] = {}
    for entry in readings:
        if remark := remark_of(entry).strip():
            alike.setdefault((remark, entry.measured_by), []).append(entry)
    for (remark, by), entries in alike.items():
        rods = dict.fromkeys(entry.identifier for entry in entries)
        names = named([places[rod].expected for rod in rods])
        yield Question(
            tuple(entry.stamp.seq for entry in entries), f'{names}: remark of {by}: "{remark}"'
        )


def named(rods: Sequence[Expected]) -> str:
    """Name rods in a sentence, the first few of many."""
    return first_few([rod.name for rod in rods])


def answered_before(reader: Reader, case: str) -> dict[int, Answer]:
    """Give what earlier releases of a case answered, by entry."""
    return {
        entry: Answer(told["answer"], told["by"])
        for event in reader.story(case) if event.kind is Kind.RELEASE
        for told in (event.body.get("basis") or {}).get("answers", ())
        for entry in told["entries"]
    }


def answers_to(question: Question, answers: Mapping[int, Answer]) -> Answer | None:
    """Give the answer to a question; None while an entry has none that counts."""
    found = [answers.get(entry) for entry in question.entries]
    counted = [
        one for one in found if one and one.text.strip() and not is_one_of(one.by, question.hands)
    ]
    return counted[0] if counted and len(counted) == len(found) else None


def unanswered(asked: Sequence[Question], answers: Mapping[int, Answer]) -> Iterator[str]:
    """Say what is still to be answered, and how."""
    for one in asked:
        if answers_to(one, answers) is None:
            who = f" (by a person other than {one.not_by})" if one.hands else ""
            yield f"{one.told}; answer it with `--answer {spans(one.entries)} TEXT`{who}"


def spans(entries: Sequence[int]) -> str:
    """Write numbers shortly.

    >>> spans([14, 15, 16, 19])
    '14-16,19'
    """
    return ",".join(
        f"{run[0]}-{run[-1]}" if len(run) > 1 else str(run[0]) for run in runs(entries)
    )
