"""The acceptance of a trial fit: the prescriber's decision, and the revision that follows."""

from __future__ import annotations

import datetime
from dataclasses import replace
from decimal import Decimal
from typing import Any

from labkit.core.case.trial_seen import TrialSeen
from labkit.errors import RefusedError
from labkit.ledger.events import Event, Kind
from labkit.ledger.store import Ledger
from labkit.workflow.record.story import moment
from labkit.workflow.rods.trial import Trial, propose
from labkit.workflow.rods.trial_report import seen_json, trial_json

#: Reason recorded with the revision that an accepted trial fit gives.
REASON = "trial fit"


def accept(
    ledger: Ledger, case: str, seen: TrialSeen, by: str, at: datetime.datetime, note: str = ""
) -> Trial:
    """Record a trial fit, that the prescriber accepts it, and the revision that follows.

    Args:
        by: Operator code of whoever records the prescriber's decision.
        at: When, with a time zone.
        note: Free text, empty if none.

    Returns:
        The trial as accepted; where a rule of the trade refuses it, nothing was recorded and
        `accepted` is None. Where the range stands as recorded, there is no new revision.

    Raises:
        InputError: The ledger does not know the case, or the code is none.
        RefusedError: The same trial fit was accepted already and no rod was made since.
        LedgerError: The ledger cannot be written.
    """
    with ledger.transaction():
        trial = propose(ledger, case, seen)
        if trial.outcome.proposal is None:
            return trial
        _refuse_twice(ledger, case, seen)
        left, right = _tried(seen)
        body: dict[str, Any] = {
            "revision": trial.stored.revision,
            "left": left,
            "right": right,
            "proposal": trial_json(trial),
        }
        body |= {"note": note} if note else {}
        tried = ledger.record(Kind.TRIAL_FIT, case, body, by, at)
        revision = trial.stored.revision + bool(trial.text)
        decided = {"trial": tried.seq, "revision": revision}
        accepted = ledger.record(Kind.TRIAL_ACCEPTED, case, decided, by, at)
        if trial.text:
            revised = {
                "revision": revision, "text": trial.text, "reason": REASON, "trial": tried.seq
            }  # fmt: skip
            ledger.record(Kind.PRESCRIPTION, case, revised, by, at)
    return replace(trial, accepted=accepted.seq, revision=revision)


def _refuse_twice(ledger: Ledger, case: str, seen: TrialSeen) -> None:
    """Keep a command that was sent twice from moving the range twice."""
    story = ledger.story(case)
    accepted = [event for event in story if event.kind is Kind.TRIAL_ACCEPTED]
    if not accepted:
        return
    last = accepted[-1]
    trial = next(event for event in story if event.seq == last.body["trial"])
    if _seen_of(trial) != seen_json(seen) or _made_since(story, last):
        return
    raise RefusedError(
        f"this trial fit of the case {case!r} was accepted already, as event {last.seq} by "
        f"{last.by} on {moment(last.at)}, and no rod was made since; nothing was recorded; tell "
        "what the rods show now, with `labkit show` beside you",
        field="trial",
    )


def _seen_of(trial: Event) -> Any:
    return trial.body["proposal"].get("seen")


def _made_since(story: tuple[Event, ...], last: Event) -> bool:
    return any(event.kind is Kind.SET_MADE and event.seq > last.seq for event in story)


def _tried(seen: TrialSeen) -> tuple[dict[str, Any], dict[str, Any]]:
    """Tell what each side showed as the ledger keeps it, gaps in whole micrometres."""
    if seen.labels is not None:
        left, right = seen.labels
        return {"label": left}, {"label": right}
    gaps = (seen.gap_left_mm or Decimal(0), seen.gap_right_mm or Decimal(0))
    left_um, right_um = (int((gap * 1000).to_integral_value()) for gap in gaps)
    return {"gap_um": left_um}, {"gap_um": right_um}
