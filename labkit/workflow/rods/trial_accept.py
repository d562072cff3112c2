"""The acceptance of a trial fit: the prescriber's decision, and the revision that follows."""

from __future__ import annotations

import datetime
from dataclasses import replace

from labkit.core.case.trial_seen import SideSeen, TrialSeen
from labkit.ledger.bodies import Prescription, TrialAccepted, TrialFit, Tried
from labkit.ledger.store import Ledger
from labkit.workflow.rods.trial import Trial, propose
from labkit.workflow.rods.trial_report import trial_json

#: Reason recorded with the revision that an accepted trial fit gives.
REASON = "trial fit"


def accept(
    ledger: Ledger, case: str, seen: TrialSeen, by: str, at: datetime.datetime, note: str = ""
) -> Trial:
    """Record a trial fit, that the prescriber accepts it, and the revision that follows.

    Args:
        by: Operator code of whoever records the prescriber's decision.
        at: When, in the time zone whose days count.
        note: Free text, empty if none.

    Returns:
        The trial as accepted; where a rule of the trade refuses it, nothing was recorded and
        `entry` is None. Where the range stands as recorded, there is no new revision.

    Raises:
        InputError: The ledger does not know the case, or the code is none.
        RefusedError: As for a proposal.
        LedgerError: The ledger cannot be written.
    """
    with ledger.transaction():
        trial = propose(ledger, case, seen, at)
        if trial.outcome.proposal is None:
            return trial
        tried = ledger.write(case, TrialFit(
            trial.stored.revision, _tried(trial.seen.left), _tried(trial.seen.right),
            trial_json(trial), note or None, str(trial.seen.on),
        ), by, at)
        revision = trial.stored.revision + bool(trial.text)
        ledger.write(case, TrialAccepted(tried.seq, revision), by, at)
        if trial.text:
            ledger.write(case, Prescription(revision, trial.text, REASON, tried.seq), by, at)
    return replace(trial, entry=tried.seq, revision=revision)


def _tried(one: SideSeen) -> Tried:
    """Tell what one side showed as the ledger keeps it, in whole micrometres."""
    by_um = None if one.by_mm is None else int(one.by_mm * 1000)
    return Tried(
        one.label, identifier=one.identifier or None, seen=str(one.seen), by_um=by_um
    )
