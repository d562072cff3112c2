"""Revisions of a prescription in the record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from labkit.catalog.toml_source import TomlSource
from labkit.core.case.number import why_not_shown
from labkit.core.case.standing import same_percents
from labkit.core.reasons import check_reason
from labkit.core.rod.rods import RodTemplate
from labkit.errors import LabkitError, RefusedError
from labkit.ledger.bodies import CaseOpened, Prescription, said
from labkit.ledger.events import Who
from labkit.ledger.queries import Reader
from labkit.ledger.store import Ledger
from labkit.ledger.stored import StoredPrescription
from labkit.workflow.record.case_mark import refuse_other_mark
from labkit.workflow.record.lookup import need_case
from labkit.workflow.record.story import moment
from labkit.workflow.sets.cases import Case, open_case, refuse_if_refused
from labkit.workflow.sets.stored_case import read_stored


@dataclass(frozen=True)
class Prescribed:
    """A revision that holds now.

    Args:
        recorded: Whether it was recorded just now; else it was the newest one already.
        changes: Whether rods make other percentages than before.
    """

    stored: StoredPrescription
    recorded: bool
    changes: bool

    @property
    def words(self) -> str:
        """What was done, in a sentence."""
        one = self.stored
        if not self.recorded:
            return (
                f"This text is prescription revision {one.revision} of {one.case} already, "
                f"recorded by {one.stamp.by} on {moment(one.stamp.at)}; nothing was recorded"
            )
        what = "rods make other percentages now" if self.changes else "no rod's percentage changes"
        if one.revision == 1:
            what = "the case is open"
        return (
            f"Prescription revision {one.revision} of {one.case} recorded, entry {one.stamp.seq}; "
            f"{what}"
        )


def prescribe(ledger: Ledger, case: str, source: TomlSource, reason: str, who: Who) -> int:
    """Find the revision that a prescription's text is, or keep it as the next one.

    Args:
        case: A case that is open.
        reason: Why it is revised, empty if nobody said.

    Raises:
        RefusedError: The text is an earlier revision, which another one has replaced.
        LedgerError: The ledger cannot be written.
    """
    kept = ledger.prescriptions(case)
    if kept and kept[-1].text == source.text:
        return kept[-1].revision
    for earlier in kept:
        if earlier.text == source.text:
            raise RefusedError(
                f"this text is revision {earlier.revision} of the prescription of {case}, but "
                f"revision {kept[-1].revision} has replaced it; make the set from the newest, or, "
                "if the prescriber goes back, say so in a comment of the file, so that it becomes "
                "a revision of its own",
                where=source.name, field="prescription",
            )
    due = len(kept) + 1
    ledger.write(case, Prescription(due, source.text, reason or None), *who)
    return due


def record_first(
    ledger: Ledger, source: TomlSource, templates: Mapping[str, RodTemplate], who: Who
) -> Prescribed:
    """Open a case with its prescription, without making a set.

    Raises:
        InputError: It is no usable prescription.
        RefusedError: A rule of the trade refuses it, or the case is recorded already.
        LedgerError: The ledger cannot be written.
    """
    case = open_case(source, dict(templates))
    refuse_if_refused(case)
    number = case.prescription.case
    with ledger.transaction():
        refuse_first(ledger, case)
        ledger.write(number, CaseOpened(), *who)
        prescribe(ledger, number, source, "", who)
        return Prescribed(ledger.prescription(number), recorded=True, changes=False)


def refuse_first(reader: Reader, case: Case) -> None:
    """Refuse a prescription as the first one of a case.

    Raises:
        RefusedError: The case is recorded, or no page could be shown of it.
    """
    number = case.prescription.case
    refuse_number(case)
    if reader.has_case(number):
        raise RefusedError(
            f"the case {number} is recorded already; revise its prescription instead, or give the "
            "new case another number; nothing was recorded",
            where=case.source.name, field="case", value=number,
        )


def refuse_number(case: Case) -> None:
    """Refuse to open a case of which no page could be shown.

    Raises:
        RefusedError: It is one.
    """
    if why := why_not_shown(case.prescription.case):
        raise RefusedError(
            why, where=case.source.name, field="case", value=case.prescription.case
        )


def newest_prescribed(reader: Reader, case: str) -> Prescribed:
    """Give the newest revision of a recorded case as it was when it was recorded.

    Raises:
        InputError: The ledger does not know the case.
    """
    need_case(reader, case)
    *earlier, newest = reader.prescriptions(case)
    try:
        changes = bool(earlier) and not same_percents(
            read_stored(earlier[-1])[1], read_stored(newest)[1]
        )
    except LabkitError:  # of another version of the program: not known to be the same
        changes = True
    return Prescribed(newest, recorded=True, changes=changes)


def record_prescription(
    ledger: Ledger, source: TomlSource, templates: Mapping[str, RodTemplate], reason: str,
    who: Who, *, despite_trial: bool = False,
) -> Prescribed:
    """Revise the prescription of a recorded case, without making a set.

    Args:
        reason: Why it is revised.
        despite_trial: Record it although it undoes an accepted trial fit.

    Raises:
        InputError: It is no usable prescription, its case is not recorded, or no reason is given.
        RefusedError: A rule of the trade refuses it, it is an earlier revision, or it undoes an
            accepted trial fit.
        LedgerError: The ledger cannot be written.
    """
    case = open_case(source, dict(templates))
    refuse_if_refused(case)
    number = case.prescription.case
    need_case(ledger, number)
    with ledger.transaction():
        newest = ledger.prescription(number)
        if newest.text == source.text:
            return Prescribed(newest, recorded=False, changes=False)
        check_reason(reason, "why the prescription is revised (--reason); nothing was recorded")
        refuse_revision(ledger, case, despite_trial=despite_trial)
        changes = not _same(newest, case)
        prescribe(ledger, number, source, reason, who)
        return Prescribed(ledger.prescription(number), recorded=True, changes=changes)


def refuse_revision(reader: Reader, case: Case, *, despite_trial: bool) -> None:
    """Refuse a prescription as the next revision of its case.

    Raises:
        RefusedError: Rods in circulation bear another case mark, or it undoes an accepted trial
            fit.
    """
    refuse_other_mark(reader, case.prescription, case.source.name)
    if not despite_trial:
        refuse_undoing(reader, case)


def _same(stored: StoredPrescription, case: Case) -> bool:
    try:
        return same_percents(read_stored(stored)[1], case.prescription)
    except LabkitError:  # of another version of the program: not known to be the same
        return False


def refuse_undoing(reader: Reader, case: Case) -> None:
    """Refuse readings that are not those which an accepted trial fit gave.

    Args:
        case: A prescription for a recorded case, which may be revised or not.

    Raises:
        RefusedError: The newest revision follows a trial fit, and this one has other readings, jaw
            or anchors.
    """
    kept = reader.prescriptions(case.prescription.case)
    if not kept or kept[-1].text == case.source.text or _same(kept[-1], case):
        return
    trial = _trial_behind(reader, kept)
    if trial is None:
        return
    newest = kept[-1]
    raise RefusedError(
        f"revision {newest.revision} of the prescription of {newest.case} follows the trial fit of "
        f"entry {trial}, or its withdrawal, and this file has other readings, jaw or anchors; "
        f"begin with the text of that revision (`labkit show {newest.case} --prescription`), or, "
        "where the prescriber sets the trial fit aside, record the file first with `labkit "
        "prescription record --despite-trial`; nothing was recorded",
        where=case.source.name, field="prescription",
    )


def _trial_behind(reader: Reader, kept: tuple[StoredPrescription, ...]) -> int | None:
    """Find the trial fit that the geometry of the newest revision comes from, if from one."""
    try:
        now = read_stored(kept[-1])[1]
        for one in reversed(kept):
            if not same_percents(read_stored(one)[1], now):
                return None
            event = reader.event(one.stamp.seq)
            trial = None if event is None else said(event, Prescription).trial
            if trial is not None:
                return trial
    except LabkitError:  # of another version of the program: nothing is known of it
        pass
    return None
