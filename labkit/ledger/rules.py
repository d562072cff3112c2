"""What an entry may say, given what the ledger holds: asked under the write lock."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping

from labkit.core.case.identifier import grouped
from labkit.core.case.number import why_not_shown
from labkit.errors import LedgerError
from labkit.ledger.bodies import (
    Order,
    OrderWithdrawn,
    PapersPrinted,
    Prescription,
    Release,
    SetStarted,
    TrialAccepted,
    TrialFit,
    TrialWithdrawn,
    UseAsIs,
    said,
)
from labkit.ledger.builds import against_build, against_failure
from labkit.ledger.events import Event, Kind
from labkit.ledger.queries import Reader
from labkit.ledger.replacement_rules import (
    against_order,
    against_set,
    against_state,
    against_taking_back,
)
from labkit.ledger.stored import SetState, StoredSet

#: Kinds that a later event of the same kind, or a correction, may put right. Sets and their
#: identifiers are facts on a shelf: they are abandoned or remade, not corrected.
CORRECTABLE = (
    Kind.ORDER, Kind.TRIAL_FIT, Kind.READING, Kind.RELEASE, Kind.ROD_STATE, Kind.USE_AS_IS,
)


def check_rules(reader: Reader, event: Event) -> None:
    """Refuse an event that contradicts what is recorded.

    Args:
        event: The event to be appended, its body of the right form.

    Raises:
        LedgerError: One sentence that says what contradicts what.
    """
    if event.kind is Kind.CASE_OPENED:
        if reader.has_case(event.case):
            raise _refuse(event, "was opened already; record what is new under it")
        if why := why_not_shown(event.case):
            raise LedgerError(why, field="case", value=event.case)
    elif not reader.has_case(event.case):
        raise _refuse(event, "is not in the ledger; open it first")
    _check_correction(reader, event)
    rule = _RULES.get(event.kind)
    if rule:
        rule(reader, event)


def _refuse(event: Event, what: str) -> LedgerError:
    return LedgerError(
        f"{event.kind}: case {event.case} {what}; nothing was recorded",
        field=str(event.kind),
        value=event.case,
    )


def _check_correction(reader: Reader, event: Event) -> None:
    if event.corrects is None:
        if event.kind is Kind.CORRECTION:
            raise _refuse(event, "is to be corrected, but no event is named; name its number")
        return
    earlier = reader.event(event.corrects)
    if earlier is None or earlier.case != event.case:
        raise _refuse(event, f"has no event {event.corrects} that could be corrected")
    if earlier.kind not in CORRECTABLE:
        kinds = ", ".join(CORRECTABLE)
        raise _refuse(
            event, f"has {earlier.kind} as event {earlier.seq}; only {kinds} can be corrected"
        )
    if event.kind not in (Kind.CORRECTION, earlier.kind):
        raise _refuse(event, f"has {earlier.kind} as event {earlier.seq}, not {event.kind}")
    later = reader.corrected(event.case).get(earlier.seq)
    if later is not None:
        raise _refuse(
            event, f"has event {earlier.seq} corrected by event {later} already; correct that one"
        )
    _unless(event, against_taking_back(reader, event, earlier))


def _unless(event: Event, wrong: str) -> None:
    if wrong:
        raise _refuse(event, wrong)


def _prescription(reader: Reader, event: Event) -> None:
    body = said(event, Prescription)
    due = len(reader.prescriptions(event.case)) + 1
    if body.revision != due:
        raise _refuse(event, f"is due for revision {due}, not {body.revision}; read it again")


def _set_started(reader: Reader, event: Event) -> None:
    body = said(event, SetStarted)
    reader.prescription(event.case, body.revision)
    if reader.set_named(body.set) is not None:
        raise _refuse(event, f"cannot have a set {body.set}: that name is taken")
    for name, values in (
        ("identifier", [rod.identifier for rod in body.rods]),
        ("step and side", [f"{rod.step} {rod.side}" for rod in body.rods]),
    ):
        value, times = Counter(values).most_common(1)[0]
        if times > 1:
            raise _refuse(event, f"has two rods of the {name} {value} in one set")
    for taken in reader.used_among(rod.identifier for rod in body.rods):
        raise _refuse(
            event,
            f"cannot use the identifier {grouped(taken)}: a rod bears it already; take the "
            "next attempt",
        )
    _unless(event, against_set(reader, event.case, body))


def _order(reader: Reader, event: Event) -> None:
    _unless(event, against_order(reader, event.case, said(event, Order)))


def _set_ended(reader: Reader, event: Event) -> None:
    found = _set_of(reader, event, event.body["set"])
    if found.state is not SetState.STARTED:
        raise _refuse(event, f"has the set {found.name} {found.state} already")


def _release(reader: Reader, event: Event) -> None:
    body = said(event, Release)
    found = _set_of(reader, event, body.set)
    if found.state is not SetState.MADE:
        raise _refuse(event, f"has the set {found.name} {found.state}; only a made set is released")


def _papers_printed(reader: Reader, event: Event) -> None:
    body = said(event, PapersPrinted)
    found = _set_of(reader, event, body.set)
    if found.state is not SetState.MADE or body.entry >= event.seq:
        raise _refuse(event, f"has no papers of {body.set} that are true as of entry {body.entry}")


def _set_of(reader: Reader, event: Event, name: str) -> StoredSet:
    found = reader.set_named(name)
    if found is None or found.case != event.case:
        raise _refuse(event, f"has no set {name}")
    return found


def _of_a_rod(reader: Reader, event: Event) -> None:
    identifier = event.body["identifier"]
    rod, shown = reader.find(identifier), grouped(identifier)
    if rod is None or rod.case != event.case:
        raise _refuse(event, f"has no rod {shown}; find its case with `labkit find`")
    if rod.state in ("reserved", "abandoned"):
        raise _refuse(event, f"has the rod {shown} {rod.state}, not made")


def _use_as_is(reader: Reader, event: Event) -> None:
    _of_a_rod(reader, event)
    body = said(event, UseAsIs)
    readings, shown = reader.readings(body.identifier), grouped(body.identifier)
    if [one.stamp.seq for one in readings] != list(body.basis.readings):
        raise _refuse(event, f"has other readings of the rod {shown} than it is used as is with")
    if any(event.by.casefold() in one.hands for one in readings):
        raise _refuse(
            event, f"has the rod {shown} measured or recorded by {event.by}, who cannot also "
            "accept it; let another person record it"
        )


def _rod_state(reader: Reader, event: Event) -> None:
    _of_a_rod(reader, event)
    _unless(event, against_state(reader, event))


def _trial_fit(reader: Reader, event: Event) -> None:
    body = said(event, TrialFit)
    reader.prescription(event.case, body.revision)


def _trial_accepted(reader: Reader, event: Event) -> None:
    body = said(event, TrialAccepted)
    trials = {trial.seq for trial in reader.current(event.case, Kind.TRIAL_FIT)}
    if body.trial not in trials:
        raise _refuse(event, f"has no trial fit as event {body.trial}, or it was corrected")
    for earlier in reader.current(event.case, Kind.TRIAL_ACCEPTED):
        if said(earlier, TrialAccepted).trial == body.trial:
            raise _refuse(event, f"has the trial fit {body.trial} accepted as {earlier.seq}")


def _trial_withdrawn(reader: Reader, event: Event) -> None:
    body = said(event, TrialWithdrawn)
    accepted = {
        said(one, TrialAccepted).trial for one in reader.current(event.case, Kind.TRIAL_ACCEPTED)
    }
    if body.trial not in accepted:
        raise _refuse(event, f"has no accepted trial fit as event {body.trial}")
    for earlier in reader.current(event.case, Kind.TRIAL_WITHDRAWN):
        if said(earlier, TrialWithdrawn).trial == body.trial:
            raise _refuse(event, f"has the trial fit {body.trial} withdrawn as {earlier.seq}")


def _order_withdrawn(reader: Reader, event: Event) -> None:
    body = said(event, OrderWithdrawn)
    if body.order not in {order.seq for order in reader.current(event.case, Kind.ORDER)}:
        raise _refuse(event, f"has no order as event {body.order}, or it was corrected")
    for earlier in reader.current(event.case, Kind.ORDER_WITHDRAWN):
        if said(earlier, OrderWithdrawn).order == body.order:
            raise _refuse(event, f"has the order {body.order} withdrawn as {earlier.seq}")


_RULES: Mapping[Kind, Callable[[Reader, Event], None]] = {
    Kind.PRESCRIPTION: _prescription,
    Kind.SET_STARTED: _set_started,
    Kind.SET_MADE: _set_ended,
    Kind.SET_ABANDONED: _set_ended,
    Kind.ORDER: _order,
    Kind.TRIAL_FIT: _trial_fit,
    Kind.TRIAL_ACCEPTED: _trial_accepted,
    Kind.TRIAL_WITHDRAWN: _trial_withdrawn,
    Kind.ORDER_WITHDRAWN: _order_withdrawn,
    Kind.PAPERS_PRINTED: _papers_printed,
    Kind.READING: _of_a_rod,
    Kind.RELEASE: _release,
    Kind.ROD_STATE: _rod_state,
    Kind.USE_AS_IS: _use_as_is,
    Kind.BUILD: lambda reader, event: _unless(event, against_build(reader, event)),
    Kind.BUILD_FAILED: lambda reader, event: _unless(event, against_failure(reader, event)),
}
