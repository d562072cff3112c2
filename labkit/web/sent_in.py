"""What a clinic sent, read as `labkit intake` reads it, and done once a technician confirms it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass, field

from labkit.core.clinic import KIND_WORDS, ClinicFile, PrescriptionTold, TrialTold
from labkit.core.grading.prescription import Side
from labkit.core.report import Report
from labkit.errors import RefusedError
from labkit.ledger.queries import Reader
from labkit.ledger.store import Ledger
from labkit.units import counted, plain
from labkit.web.jobs.job import Order, What, begin, turns_of
from labkit.web.worked_out import templates_of
from labkit.web.workplace import Workplace
from labkit.workflow.intake.acts import AcceptTrial, Act, OrderRods, RecordPrescription, TellRods
from labkit.workflow.intake.file import read_clinic_file
from labkit.workflow.intake.means import Lab
from labkit.workflow.intake.prescribed import Sent as SentPrescriptions
from labkit.workflow.intake.prescribed import looked_at, sent_report, source_of
from labkit.workflow.intake.prescriptions import read_prescription_table
from labkit.workflow.intake.proposal import propose_intake, propose_prescription
from labkit.workflow.record.prescribe import record_first, record_prescription
from labkit.workflow.rods.life import tell
from labkit.workflow.rods.trial_accept import accept

#: What sentences call it: its own name is the user's.
NAME = "the file"
#: Reason of a revision that came in a table.
_TABLE = "sent in a table of prescriptions"


@dataclass(frozen=True)
class Shown:
    """A file as a proposal.

    Args:
        cases: Numbers of the cases that it is about.
        about: What it is, for people.
        waits: Why it cannot be confirmed yet, or need not be; "" where it can.
        trial: What the page of the trial fit is told of it; empty where it is none.
    """

    cases: tuple[str, ...]
    about: str
    report: Report
    acts: tuple[Act, ...]
    refused: tuple[str, ...]
    waits: str
    trial: Mapping[str, str] = field(default_factory=dict)


def look(place: Workplace, reader: Reader, raw: bytes, *, table: bool) -> Shown:
    """Work out what a file would do; nothing is recorded.

    Raises:
        LabkitError: It cannot be read, or is about what the record does not have.
    """
    return _table(place, reader, raw) if table else _sheet(place, reader, raw)


def _sheet(place: Workplace, reader: Reader, raw: bytes) -> Shown:
    file, now = read_clinic_file(raw, NAME), place.now().astimezone()
    about = f"{KIND_WORDS[file.told.kind]}, {file.on}, reported by {file.by}"
    if not isinstance(file.told, PrescriptionTold):
        found = propose_intake(Lab(reader, place.own.installed, now), file, NAME)
        return Shown(
            (file.case,), about, found.report, found.acts, found.refused, found.waits,
            _as_pictures(file, file.told) if isinstance(file.told, TrialTold) else {},
        )
    sent = looked_at((source_of(file, file.told, NAME),), templates_of(place.own), None)
    found = propose_prescription(reader, file, sent, now, NAME)
    # It waits for no file here: what is confirmed is recorded.
    return Shown((file.case,), about, found.report, found.acts, found.refused, "")


def _as_pictures(file: ClinicFile, told: TrialTold) -> dict[str, str]:
    """Give what the page of a trial fit is asked with to show the same."""
    asked = {"read_to": plain(told.read_to_mm), "date": str(file.on)}
    for side in Side:
        one = getattr(told, side)
        asked |= {str(side): one.rod, f"{side}_seen": str(one.seen)}
        asked |= {f"{side}_by": plain(one.by_mm)} if one.by_mm is not None else {}
    return asked | ({"correct": str(told.correct)} if told.correct else {})


def _table(place: Workplace, reader: Reader, raw: bytes) -> Shown:
    sources = read_prescription_table(raw, NAME)
    sent = looked_at(sources, templates_of(place.own), None)
    cases = tuple(case.prescription.case for case in sent.cases)
    about = f"Table of {counted(len(cases), 'prescription')}"
    acts = tuple(_rows(reader, sent))
    waits = "" if acts else "the record says all of this already; there is nothing to record"
    return Shown(cases, about, sent_report(sent), acts, (), waits)


def _rows(reader: Reader, sent: SentPrescriptions) -> Iterator[Act]:
    for case in sent.cases:
        number, source = case.prescription.case, case.source
        known = reader.has_case(number)
        if not known or reader.prescription(number).text != source.text:
            yield RecordPrescription(number, source, "", _TABLE, known)


def confirm(place: Workplace, ledger: Ledger, shown: Shown, by: str) -> None:
    """Record all of a proposal, or nothing.

    Raises:
        LabkitError: A rule refuses it by now, or what it orders could not be made.
    """
    if shown.refused:
        raise RefusedError("\n".join(shown.refused))
    if shown.waits:
        raise RefusedError(f"nothing was recorded: {shown.waits}")
    with ledger.transaction():
        for act in shown.acts:
            _record(place, ledger, act, by)


def places_kept(place: Workplace, shown: Shown) -> AbstractContextManager[None]:
    """Keep places meanwhile for what a proposal orders.

    Raises:
        RefusedError: Too many other makes wait.
    """
    return turns_of(place).promised(len(_orders(shown)))


def begin_makes(place: Workplace, shown: Shown, by: str) -> tuple[str, ...]:
    """Begin to make what a proposal orders, in the places kept for it; name the makes."""
    return tuple(_made(place, act, by) for act in _orders(shown))


def _orders(shown: Shown) -> tuple[OrderRods, ...]:
    return tuple(act for act in shown.acts if isinstance(act, OrderRods))


def _record(place: Workplace, ledger: Ledger, act: Act, by: str) -> None:
    now = place.now().astimezone()
    if isinstance(act, AcceptTrial):
        done = accept(ledger, act.file.case, act.seen, by, now, act.file.remark)
        if done.entry is None:
            raise RefusedError("\n".join(one.message for one in done.outcome.refused))
    elif isinstance(act, TellRods):
        tell(ledger, act.identifiers, act.told, by, now)
    elif isinstance(act, RecordPrescription):
        templates = templates_of(place.own)
        if act.known:
            record_prescription(ledger, act.source, templates, act.reason, (by, now))
        else:
            record_first(ledger, act.source, templates, (by, now))


def _made(place: Workplace, act: OrderRods, by: str) -> str:
    asked = {"percent": "; ".join(plain(one.percent) for one in act.requests)}
    return begin(place, Order.of(place, What.BETWEEN, (act.case, by), asked), promised=True)
