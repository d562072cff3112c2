"""Releasing a set: only when every rod of it conforms, in one transaction with its certificate."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from labkit.catalog.profiles import Profile
from labkit.core.people import require_releasing
from labkit.core.reasons import check_reason, has_words
from labkit.core.report import Report, Section
from labkit.errors import DeliveryError, RefusedError
from labkit.exports.write.put import refuse_existing
from labkit.exports.write.set_folder import safe_name
from labkit.ledger.events import Event, Kind, Who
from labkit.ledger.new_file import put
from labkit.ledger.queries import Reader
from labkit.ledger.store import Ledger
from labkit.ledger.stored import SetState, StoredSet
from labkit.locks import only_one
from labkit.workflow.inspection.certificate import certificate_name, certificate_pdf
from labkit.workflow.inspection.inspect import Inspection, decision_from_record
from labkit.workflow.inspection.judged_set import own_profile, set_to_judge
from labkit.workflow.inspection.lots import (
    NO_LOT,
    Lot,
    lot_questions,
    lots_of,
    run_out,
    without_lot,
    without_use_before,
)
from labkit.workflow.inspection.questions import (
    Answer,
    Question,
    answered_before,
    answers_to,
    questions,
    unanswered,
)
from labkit.workflow.inspection.release_basis import (
    basis_json,
    beyond_maximum,
    missing_for_release,
    second_person,
    without_temperature,
)
from labkit.workflow.inspection.release_state import RELEASED, WITHHELD, release_now
from labkit.workflow.rods.slots import Slot, slots_of
from labkit.workflow.sets.on_disk import refuse_changed_files


@dataclass(frozen=True)
class Words:
    """What whoever releases says with it.

    Args:
        note: Free text, kept and printed.
        profile: What the lab asks, and who may release; None for the set's own profile.
        answers: What is answered about entries of the record: remarks, readings in doubt.
        lot: Lot of the material of the rods whose readings tell none.
    """

    note: str = ""
    profile: Profile | None = None
    answers: Mapping[int, str] = field(default_factory=dict)
    lot: Lot = NO_LOT


NO_WORDS = Words()


@dataclass(frozen=True)
class Decided:
    """A set released or withheld.

    Args:
        certificate: Of a release.
        notes: What whoever releases should know.
    """

    stored: StoredSet
    event: Event
    certificate: Path | None = None
    notes: tuple[str, ...] = ()


def release_report(done: Decided) -> Report:
    """Make the report of what was decided on a set."""
    event, name = done.event, done.stored.name
    decision, reason = event.body["decision"], event.body["note"]
    said = f"Set {name} {decision} by {event.by}, entry {event.seq}"
    data = {
        "schema": 1, "case": done.stored.case, "set": name, "decision": decision,
        "event": event.seq, "at": event.at, "by": event.by,
    }
    if done.certificate is None:
        return Report("Release of a set", (Section(words=(f"{said}: {reason}",)),), data)
    notes = (f"Note: {told}" for told in done.notes)
    return Report(
        "Release of a set",
        (Section(words=(said, f"Certificate: {done.certificate}", *notes)),),
        {**data, "digest": event.digest, "certificate": str(done.certificate),
         "basis": event.body["basis"], "notes": done.notes},
    )


def release(
    ledger: Ledger, case: str, set_name: str | None, out: Path | None, who: Who,
    words: Words = NO_WORDS,
) -> Decided:
    """Release a set and write its certificate: both or neither.

    The certificate is written beside its place before the release is kept, and gets its name
    after: a kill in between leaves a release whose certificate `labkit certificate` prints, never
    a certificate without a release.

    Args:
        set_name: The set; None for the last one made that is no replacement.
        out: Folder for the certificate; None for the one that holds the set.

    Raises:
        InputError: There is no such case or set.
        RefusedError: Something is missing, a sentence for each; who releases also measured; files
            that rods are built from are not as recorded; it is released already; or it is
            withheld, and no note says what was done about that.
        DeliveryError: The certificate cannot be written; nothing is released.
        LedgerError: The record is not as it was written, or the release cannot be recorded; no
            certificate stays.
    """
    folder = _folder(set_to_judge(ledger, case, set_name), out)
    with _certificate_beside(folder, case) as fresh:
        with ledger.transaction():
            ledger.look_before(Kind.RELEASE, case)  # else what is missing is told, and not why
            stored = set_to_judge(ledger, case, set_name)
            basis, slots = _basis(ledger, stored, who[0], words)
            seen = refuse_changed_files(sets_of(ledger, stored, slots))
            event = _record(ledger, stored, slots, (RELEASED, words.note or None, basis), who)
            target = folder / certificate_name(stored, event)
            refuse_existing(target)
            fresh.write_bytes(certificate_pdf(ledger, stored, event))
        _name(fresh, target, case)
    return Decided(stored, event, target, (*basis["notes"], *seen))


def withhold(
    ledger: Ledger, case: str, set_name: str | None, reason: str, who: Who
) -> Decided:
    """Record that a set must not leave, or must come back.

    Args:
        set_name: The set; None for the last one made that is no replacement.

    Raises:
        InputError: There is no such case or set, or no reason is given.
        LedgerError: It cannot be recorded.
    """
    check_reason(reason, "why the set is withheld", "withhold")
    with ledger.transaction():
        stored = set_to_judge(ledger, case, set_name)
        slots = slots_of(ledger, stored)
        return Decided(stored, _record(ledger, stored, slots, (WITHHELD, reason, None), who))


def _basis(
    ledger: Ledger, stored: StoredSet, by: str, words: Words
) -> tuple[dict[str, Any], tuple[Slot, ...]]:
    """Decide from the record under the write lock; refuse where anything is missing."""
    now = release_now(ledger, stored)
    if now is not None and now.stands:
        raise RefusedError(
            f"the set {stored.name} is released already (entry {now.event.seq}, by "
            f"{now.event.by}), and nothing has changed since; `labkit certificate` prints its "
            "certificate again",
            field="set", value=stored.name,
        )
    if now is not None and now.decision == WITHHELD and not has_words(words.note):
        raise RefusedError(
            f"the set {stored.name} is withheld (entry {now.event.seq}, by {now.event.by}: "
            f"{now.event.body.get('note')}); say with --note what was done about it, which the "
            "record keeps and the certificate prints",
            field="note", value=stored.name,
        )
    inspection = decision_from_record(ledger, stored.case, stored.name)
    profile = words.profile or own_profile(stored)
    require_releasing(profile.people, by)
    asked = _asked(ledger, inspection, words.lot)
    answers = answered_before(ledger, stored.case) | {
        entry: Answer(text, by) for entry, text in words.answers.items()
    }
    missing = (*_missing(ledger, inspection, by, words), *unanswered(asked, answers))
    if missing:
        raise RefusedError(
            "\n".join((f"the set {stored.name} is not released:", *missing)),
            field="set", value=stored.name,
        )
    basis = basis_json(ledger, inspection, asked, answers)
    lots = lots_of(inspection, words.lot)
    for rod in basis["rods"]:
        lot = lots[rod["identifier"]]
        rod["material_lot"] = lot.name or None
        rod["use_before"] = lot.use_before and lot.use_before.isoformat()
    return {**basis, "one_person": profile.one_person}, inspection.slots


def _missing(
    reader: Reader, inspection: Inspection, by: str, words: Words
) -> tuple[str, ...]:
    """Say what a release lacks beside answers."""
    profile = words.profile or own_profile(inspection.stored)
    return (
        *missing_for_release(inspection),
        *beyond_maximum(reader, inspection),
        *_asked_by(profile, inspection, words.lot),
        *run_out(reader, inspection, words.lot),
        *(() if profile.one_person else second_person(inspection, by)),
    )


def _asked_by(profile: Profile, inspection: Inspection, lot: Lot) -> Iterator[str]:
    """Say what the lab's profile asks and nobody told."""
    if profile.lot_asked:
        yield from without_lot(inspection, lot)
    if profile.use_before_asked:
        yield from without_use_before(inspection, lot)
    if profile.temperature_asked:
        yield from without_temperature(inspection)


def _asked(reader: Reader, inspection: Inspection, lot: Lot) -> tuple[Question, ...]:
    """List everything that a release has to answer."""
    return (*questions(reader, inspection), *lot_questions(reader, inspection, lot))


def before_release(
    reader: Reader, inspection: Inspection, by: str, words: Words = NO_WORDS
) -> tuple[tuple[str, ...], tuple[Question, ...]]:
    """Say what a release by somebody lacks now.

    Returns:
        A sentence for each thing that is missing, and the questions that nobody answered.
    """
    answers = answered_before(reader, inspection.stored.case)
    asked = (
        each for each in _asked(reader, inspection, words.lot)
        if answers_to(each, answers) is None
    )
    return _missing(reader, inspection, by, words), tuple(asked)


def not_yet(
    reader: Reader, inspected: Inspection, profile: Profile | None = None
) -> tuple[str, ...]:
    """Say what a release of a set, every rod of which conforms, still asks of whoever releases it.

    Args:
        profile: What the lab asks; None for the set's own profile.

    Returns:
        A sentence each: lots that are not known, remarks and doubts that nobody answered.
    """
    stored = inspected.stored
    now = decision_from_record(reader, stored.case, stored.name)
    return (
        *_asked_by(profile or own_profile(stored), now, NO_LOT), *run_out(reader, now),
        *unanswered(_asked(reader, now, NO_LOT), answered_before(reader, stored.case)),
    )


def sets_of(reader: Reader, stored: StoredSet, slots: Sequence[Slot]) -> tuple[StoredSet, ...]:
    """Give a set, and each set whose rods fill places of it, that were made."""
    names = {stored.name, *(slot.rod.set_name for slot in slots)}
    return tuple(
        each for each in reader.sets(stored.case)
        if each.name in names and each.state is SetState.MADE
    )


def _record(
    ledger: Ledger, stored: StoredSet, slots: Sequence[Slot],
    said: tuple[str, str | None, dict[str, Any] | None], who: Who,
) -> Event:
    """Record a decision on a set, and on each set whose rods fill places of it; itself last."""
    decision, note, basis = said
    filling = {slot.rod.set_name for slot in slots if slot.rod.state != "reserved"}
    for name in sorted(filling - {stored.name}):
        body = {"set": name, "decision": decision, "note": note,
                "basis": {"with": stored.name}}
        ledger.record(Kind.RELEASE, stored.case, body, *who)
    body = {"set": stored.name, "decision": decision, "note": note, "basis": basis}
    return ledger.record(Kind.RELEASE, stored.case, body, *who)


def _folder(stored: StoredSet, out: Path | None) -> Path:
    """Give the folder for the certificate; one that is named is begun if absent."""
    folder = Path(stored.folder).parent if out is None else out
    if out is None and not folder.is_dir():
        raise _undelivered(
            folder,
            f"the folder {folder} for the certificate is not there; name one with --out; nothing "
            "was released",
        )
    return folder


@contextmanager
def _certificate_beside(folder: Path, case: str) -> Iterator[Path]:
    """Open a file for the certificate in the making; it is gone at the end, named or not.

    A folder that is begun for it is gone too where nothing stays in it. Runs for one case and
    folder wait for each other, so that what a killed run left behind is no other run's.
    """
    stem = folder / f".{safe_name(case)}-certificate"
    fresh = stem.with_name(f"{stem.name}.unfinished")
    begun = not folder.exists()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with only_one(FileLock(f"{stem}.lock")):
            try:
                fresh.unlink(missing_ok=True)
                yield fresh
            finally:
                fresh.unlink(missing_ok=True)
    except Timeout as error:
        raise _undelivered(
            folder, f"another run is still releasing a set of {case} to {folder}; nothing was "
            "released; try again when it is done",
        ) from error
    except OSError as error:
        raise _undelivered(
            folder, f"the certificate cannot be written to {folder}: {error.strerror or error}; "
            "nothing was released; name a folder that can be written with --out",
        ) from error
    finally:
        if begun:
            with suppress(OSError):  # the certificate lies in it
                folder.rmdir()


def _name(fresh: Path, target: Path, case: str) -> None:
    """Give the certificate its name, now that the release is kept."""
    try:
        put(fresh, target)
    except OSError as error:
        raise _undelivered(
            target, f"the set is released, but its certificate could not be named {target} "
            f"({error.strerror or error}); `labkit certificate {case}` prints it",
        ) from error


def _undelivered(path: Path, why: str) -> DeliveryError:
    return DeliveryError(why, field="out", value=str(path))
