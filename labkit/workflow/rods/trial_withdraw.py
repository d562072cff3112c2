"""An accepted trial fit is withdrawn: what holds is worked out anew from those that remain."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from labkit.catalog.toml_source import TomlSource
from labkit.core.case.standing import same_percents
from labkit.core.case.trial_fit import pairs_now
from labkit.core.case.trial_move import Observed, after_trial
from labkit.core.case.trial_rules import implausible
from labkit.core.case.trial_seen import Correct
from labkit.core.case.trial_values import PairNow
from labkit.core.findings import Finding
from labkit.core.grading.bite import bite_scale
from labkit.core.grading.prescription import Prescription
from labkit.core.reasons import check_reason
from labkit.core.report import Report, Section, Table
from labkit.errors import InputError, RefusedError
from labkit.ledger import bodies
from labkit.ledger.events import Event, Kind, Who
from labkit.ledger.queries import Reader
from labkit.ledger.store import Ledger
from labkit.units import millimetres
from labkit.workflow.record.lookup import need_case
from labkit.workflow.record.story import TRIAL_WITHDRAWN
from labkit.workflow.rods.slips import no_such_entry
from labkit.workflow.rods.trial import text_of
from labkit.workflow.rods.trial_days import counted_trials, day_of_trial
from labkit.workflow.rods.trial_report import PAIRS, ask_back
from labkit.workflow.sets.stored_case import StoredCase, read_case, read_stored


@dataclass(frozen=True)
class _Base:
    """The newest readings that a person recorded, and the trial fits accepted after them.

    Args:
        revision: The revision that stated them.
        source, newest: The newest revision that a person recorded: these readings, or those that
            a trial fit gave, with other steps.
    """

    revision: int
    readings: Prescription
    source: TomlSource
    newest: Prescription
    trials: tuple[Event, ...]


def withdraw_trial(ledger: Ledger, case: str, entry: int, reason: str, who: Who) -> Report:
    """Record that an accepted trial fit does not count any more, and what holds without it.

    Formula: the prescription as last recorded by a prescriber, moved by the trial fits accepted
    after it that were not withdrawn, in their order.

    Args:
        entry: Number of the trial fit, or of its acceptance.

    Returns:
        What holds now, and what every pair makes.

    Raises:
        InputError: The ledger does not know the case or such an accepted trial fit, or no reason
            is given.
        RefusedError: It was withdrawn already, or what holds without it cannot be worked out.
    """
    by, at = who
    check_reason(reason, "why with --reason")
    with ledger.transaction():
        need_case(ledger, case)
        stored = read_case(ledger, case)
        trial = _trial(ledger, case, entry)
        holds, text = _without(ledger, stored, trial)
        revision = stored.revision + bool(text)
        event = ledger.write(case, bodies.TrialWithdrawn(trial.seq, revision, reason), by, at)
        if text:
            revised = bodies.Prescription(revision, text, TRIAL_WITHDRAWN, trial.seq)
            ledger.write(case, revised, by, at)
        left = tuple(one.seq for one in counted_trials(ledger, case))
    what = f"of {day_of_trial(trial, at)} (entry {trial.seq})"
    return _report(stored, (holds, revision), (event, what), left)


def _trial(reader: Reader, case: str, entry: int) -> Event:
    counted = counted_trials(reader, case)
    accepted = {
        event.seq: body.trial for event in reader.current(case, Kind.TRIAL_ACCEPTED)
        for body in [bodies.said(event, bodies.TrialAccepted)]
    }
    wanted = accepted.get(entry, entry)
    for event in counted:
        if event.seq == wanted:
            return event
    for event in reader.current(case, Kind.TRIAL_WITHDRAWN):
        if bodies.said(event, bodies.TrialWithdrawn).trial == wanted:
            raise RefusedError(
                f"the trial fit of entry {wanted} was withdrawn already, as entry {event.seq} by "
                f"{event.by}; nothing was recorded",
                field="withdraw", value=entry,
            )
    raise no_such_entry(
        case, entry, "accepted trial fit that counts", (event.seq for event in counted)
    )


def _base(reader: Reader, case: str) -> _Base:
    events = [event for event in reader.story(case) if event.kind is Kind.PRESCRIPTION]
    said = [bodies.said(event, bodies.Prescription) for event in events]
    read = [read_stored(reader.prescription(case, body.revision)) for body in said]
    own = max(number for number, body in enumerate(said) if not body.trial)
    states = len(said) - 1
    while states and (said[states].trial or same_percents(read[states][1], read[states - 1][1])):
        states -= 1
    after = tuple(one for one in counted_trials(reader, case) if one.seq > events[states].seq)
    return _Base(said[states].revision, read[states][1], *read[own], after)


def _without(reader: Reader, stored: StoredCase, trial: Event) -> tuple[Prescription, str]:
    """Give what holds without a trial fit, and its text; no text where that is what holds now."""
    base = _base(reader, stored.case)
    if trial not in base.trials:
        raise RefusedError(
            f"the trial fit of entry {trial.seq} came before prescription revision "
            f"{base.revision}, which states every reading itself, so the trial fit no longer "
            "counts; if those readings rest on it, record a prescription with the right ones",
            field="withdraw", value=trial.seq,
        )
    moved = base.readings
    for event in base.trials:
        if event != trial:
            moved = _moved(moved, event, stored)
    bite = replace(
        base.newest.bite, protruded=moved.bite.protruded,
        midline_deviation_mm=moved.bite.midline_deviation_mm,
    )
    holds = replace(base.newest, bite=bite, left=moved.left, right=moved.right)
    text = text_of(base.source, base.newest, holds)
    return holds, "" if text == stored.source.text else text


def _moved(holds: Prescription, event: Event, stored: StoredCase) -> Prescription:
    moved = after_trial(holds, observed(event), stored.limits)
    wrong = (moved,) if isinstance(moved, Finding) else implausible(holds.bite, moved.holds.bite)
    if wrong or isinstance(moved, Finding):
        raise RefusedError(
            f"without it the trial fit of entry {event.seq} is not valid: {wrong[0].message}; "
            "withdraw that one first",
            field="withdraw", value=event.seq,
        )
    return moved.holds


def observed(event: Event) -> Observed:
    """Give what counts of a recorded trial fit, in whichever words it was told then."""
    stored = bodies.said(event, bodies.TrialFit).proposal
    try:
        seats, correct = stored["proposal"]["seats_mm"], stored["seen"].get("correct")
        return Observed(
            (float(seats["left"]), float(seats["right"])), Correct(correct) if correct else None
        )
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(
            f"the trial fit of entry {event.seq} is stored in a form that this program does not "
            "know; use the version that stored it",
            field="trial",
        ) from error


def _report(
    stored: StoredCase, now: tuple[Prescription, int], done: tuple[Event, str],
    left: tuple[int, ...],
) -> Report:
    holds, revision = now
    event, what = done
    pairs = pairs_now(stored.out, stored.prescription, holds)
    was, is_now = (float(bite_scale(one.bite).range_mm) for one in (stored.prescription, holds))
    words = (
        f"The trial fit {what} is withdrawn as entry {event.seq}: the range is "
        f"{millimetres(is_now)} mm, not {millimetres(was)} mm.",
        *_rest(left, revision, changed=revision != stored.revision),
    )
    return Report(
        title="Trial fit withdrawn",
        sections=(
            Section(f"Case {stored.case}", words),
            Section("Rods in circulation", table=Table.of(PAIRS, pairs)),
            Section(words=tuple(_papers(stored, pairs))),
        ),
        data={
            "schema": 1, "case": stored.case, "withdrawn": event.seq, "revision": revision,
            "range_before_mm": was, "range_mm": is_now, "trials": left,
            "pairs": Table.of(PAIRS, pairs).records,
        },
    )


def _rest(left: tuple[int, ...], revision: int, *, changed: bool) -> Iterator[str]:
    count = ", ".join(map(str, left))
    yield f"Trial fits that still count: {f'entry {count}' if left else 'none'}."
    yield f"Prescription revision {revision} holds{' now' if changed else ' as before'}."


def _papers(stored: StoredCase, pairs: Iterable[PairNow]) -> Iterator[str]:
    yield from ask_back(stored.rods, tuple(pairs))
    yield (
        "Papers printed before show other percentages: print them again with `labkit papers`, and "
        f"the case sheet of today with `labkit sheet {stored.case}`."
    )
