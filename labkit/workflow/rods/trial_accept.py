"""The acceptance of a trial fit: the prescriber's decision, and the revision that follows."""

from __future__ import annotations

import datetime
from dataclasses import replace
from typing import Any

from labkit.core.case.trial_seen import SideSeen, TrialSeen
from labkit.core.grading.prescription import Side
from labkit.ledger.events import Kind
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
        body: dict[str, Any] = {
            "revision": trial.stored.revision,
            **{str(side): _tried(trial.seen.side(side)) for side in Side},
            "proposal": trial_json(trial),
            "on": str(trial.seen.on),
        }
        body |= {"note": note} if note else {}
        tried = ledger.record(Kind.TRIAL_FIT, case, body, by, at)
        revision = trial.stored.revision + bool(trial.text)
        decided = {"trial": tried.seq, "revision": revision}
        ledger.record(Kind.TRIAL_ACCEPTED, case, decided, by, at)
        if trial.text:
            revised = {
                "revision": revision, "text": trial.text, "reason": REASON, "trial": tried.seq
            }  # fmt: skip
            ledger.record(Kind.PRESCRIPTION, case, revised, by, at)
    return replace(trial, entry=tried.seq, revision=revision)


def _tried(one: SideSeen) -> dict[str, Any]:
    """Tell what one side showed as the ledger keeps it, in whole micrometres."""
    body: dict[str, Any] = {"label": one.label, "seen": str(one.seen)}
    if one.by_mm is not None:
        body["by_um"] = int(one.by_mm * 1000)
    if one.identifier:
        body["identifier"] = one.identifier
    return body
