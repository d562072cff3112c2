"""Settles sets that a killed run left open, and tells where record and disk disagree."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from labkit.ledger.bodies import SetAbandoned, SetMade
from labkit.ledger.events import Who, checked_operator
from labkit.ledger.store import Ledger
from labkit.ledger.stored import SetState, StoredSet


class Lying(StrEnum):
    """What lies where a set should."""

    WHOLE = "whole"
    DAMAGED = "damaged"
    ABSENT = "absent"
    BUSY = "busy"


@dataclass(frozen=True)
class Found:
    """What was found on disk for one set.

    Args:
        lying: What lies there; busy while another run is at work on the case.
        why: What is wrong with it, empty where nothing is.
        spec: Content of its spacer-set.json where it is whole.
        sums_sha256: SHA-256 of its list of sums where it is whole.
        rods_sha256: The same of the lines that tell the rods' files.
    """

    lying: Lying
    why: str = ""
    spec: Mapping[str, Any] | None = None
    sums_sha256: str = ""
    rods_sha256: str = ""


class Action(StrEnum):
    """What is done about a set."""

    NOTHING = "nothing"
    WAIT = "wait"
    RECORD_MADE = "record made"
    RECORD_ABANDONED = "record abandoned"
    TELL = "tell"


@dataclass(frozen=True)
class Decision:
    """What is done about one set, and why."""

    set_name: str
    case: str
    action: Action
    sentence: str


#: Looks at the folder of a set: verifies its sums and that its spec is this set's.
Look = Callable[[StoredSet], Found]


def decide(stored: StoredSet, found: Found) -> Decision:
    """Decide what to do about one set, from the record and what lies on disk.

    Returns:
        The decision; nothing is written here.
    """
    name, folder = stored.name, stored.folder
    wrong = found.why or "nothing lies there"

    def so(action: Action, sentence: str) -> Decision:
        return Decision(name, stored.case, action, sentence)

    if found.lying is Lying.BUSY:
        return so(Action.WAIT, f"{name}: another run is at work on this case; left alone")
    if stored.state is SetState.STARTED:
        if found.lying is Lying.WHOLE:
            return so(
                Action.RECORD_MADE, f"{name}: {folder} is whole, its sums agree; recorded as made"
            )
        return so(
            Action.RECORD_ABANDONED,
            f"{name}: started and not finished, {wrong} ({folder}); recorded as abandoned, its "
            "identifiers are never used again; make the set again",
        )
    if stored.state is SetState.ABANDONED:
        if found.lying is Lying.ABSENT:
            return so(Action.NOTHING, f"{name}: abandoned, nothing lies there")
        return so(
            Action.TELL,
            f"{name}: abandoned in the record, but something lies in {folder}; do not deliver "
            "it; remove it",
        )
    if found.lying is Lying.WHOLE:
        if found.sums_sha256 == stored.sums_sha256:
            return so(Action.NOTHING, f"{name}: as recorded")
        same = stored.rods_sha256 in (None, found.rods_sha256)
        if same and stored.spec is not None and _rods(found.spec) == _rods(stored.spec.content):
            return so(
                Action.TELL,
                f"{name}: {folder} is whole and its rods are those recorded, but other files of "
                "it were made again since, such as papers on which another range holds, or of "
                "another profile",
            )
        return so(Action.TELL, f"{name}: {folder} is whole but not the set that was recorded")
    return so(
        Action.TELL,
        f"{name}: recorded as made, but {wrong} ({folder}); put the folder back from a backup; "
        "its spec and prescription are in the ledger",
    )


def _rods(spec: Mapping[str, Any] | None) -> dict[str, Any]:
    """Give the content of a spec without the profile, which papers alone follow."""
    return {key: value for key, value in (spec or {}).items() if key != "profile"}


def reconcile(
    ledger: Ledger,
    look: Look,
    by: str,
    at: datetime.datetime,
    case: str | None = None,
    *,
    open_only: bool = False,
) -> tuple[Decision, ...]:
    """Settle every set that was started and not finished; tell of any other disagreement.

    Args:
        case: Only the sets of this case; None for all.
        open_only: Only the sets that were started and not finished.

    Returns:
        A decision for each set, carried out where it says that something is recorded.

    Raises:
        InputError: The operator code is none.
        LedgerError: The ledger cannot be written.
    """
    checked_operator(by)
    done = []
    for stored in _all_sets(ledger, case):
        if open_only and stored.state is not SetState.STARTED:
            continue
        found = look(stored)
        # The set may have been finished while its folder was looked at: decide by what the
        # record says under the lock.
        with ledger.transaction():
            now = ledger.set_named(stored.name) or stored
            decision = decide(now, found)
            if now.state is stored.state:
                _carry_out(ledger, decision, now, found, (by, at))
                done.append(decision)
    return tuple(done)


def _all_sets(ledger: Ledger, case: str | None) -> tuple[StoredSet, ...]:
    if case is not None:
        return ledger.sets(case)
    return tuple(stored for each in ledger.cases() for stored in ledger.sets(each.case))


def _carry_out(
    ledger: Ledger,
    decision: Decision,
    stored: StoredSet,
    found: Found,
    who: Who,
) -> None:
    if decision.action is Action.RECORD_MADE:
        spec = dict(found.spec or {})
        ledger.write(
            stored.case,
            SetMade(stored.name, stored.folder, found.sums_sha256, spec, found.rods_sha256 or None),
            *who,
        )
    elif decision.action is Action.RECORD_ABANDONED:
        why = found.why or "nothing lies in its folder"
        ledger.write(stored.case, SetAbandoned(stored.name, why), *who)
