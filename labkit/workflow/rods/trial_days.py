"""The day of a trial fit: not before the first set was fitted, not in the future, in order."""

from __future__ import annotations

import datetime

from labkit.ledger.bodies import RodState, TrialAccepted, TrialFit, TrialWithdrawn, said
from labkit.ledger.events import Event, Kind
from labkit.ledger.queries import Reader
from labkit.workflow.rods.days import check_not_to_come, local_day, not_then

_WHAT = "the trial fit cannot have been then"


def counted_trials(reader: Reader, case: str) -> tuple[Event, ...]:
    """Give the trial fits of a case that were accepted and not withdrawn, in their order."""
    withdrawn = {
        said(event, TrialWithdrawn).trial for event in reader.current(case, Kind.TRIAL_WITHDRAWN)
    }
    accepted = {
        said(event, TrialAccepted).trial for event in reader.current(case, Kind.TRIAL_ACCEPTED)
    }
    story = reader.story(case)
    return tuple(event for event in story if event.seq in accepted - withdrawn)


def day_of_trial(event: Event, now: datetime.datetime) -> datetime.date:
    """Give the day of a recorded trial fit: the one told, or else that of its entry.

    Args:
        now: A moment in the time zone whose days count.
    """
    told = said(event, TrialFit).on
    return datetime.date.fromisoformat(told) if told else local_day(event.at, now)


def day_of(
    reader: Reader, case: str, on: datetime.date | None, now: datetime.datetime
) -> datetime.date:
    """Give the day of a trial fit that is told now.

    Args:
        on: As told; None for today.
        now: With the time zone whose days count.

    Raises:
        RefusedError: It lies in the future, before the first set was fitted (made, where no
            fitting is recorded), or before a trial fit that was accepted already.
    """
    today = now.date()
    if on is None:
        return today
    check_not_to_come(_WHAT, on, today)
    first, what = _first_fit(reader, case, now)
    if first is not None and on < first:
        raise not_then(_WHAT, f"{on} is before the case's first set was {what}, on {first}")
    trials = counted_trials(reader, case)
    last = day_of_trial(trials[-1], now) if trials else on
    if on < last:
        raise not_then(
            _WHAT,
            f"{on} is before the trial fit of {last}, entry {trials[-1].seq} of the record, which "
            "was accepted and holds; withdraw that one first if it is wrong",
        )
    return on


def _first_fit(
    reader: Reader, case: str, now: datetime.datetime
) -> tuple[datetime.date | None, str]:
    """Give the day on which the first set was fitted; where that is not recorded, made."""
    fitted = [
        datetime.date.fromisoformat(body.on) if body.on else local_day(event.at, now)
        for event in reader.current(case, Kind.ROD_STATE)
        if (body := said(event, RodState)).state == "fitted"
    ]
    if fitted:
        return min(fitted), "fitted"
    made = [local_day(event.at, now) for event in reader.current(case, Kind.SET_MADE)]
    return (min(made), "made") if made else (None, "")
